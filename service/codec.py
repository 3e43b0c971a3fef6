"""Domain values to JSON documents and back: one place that knows pydantic, so that no other module writes a mapping."""

from __future__ import annotations

import json
from dataclasses import is_dataclass
from datetime import date, time
from typing import Any, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

T = TypeVar("T")


_adapters: dict[Any, TypeAdapter[Any]] = {}


def _adapter(kind: Any) -> TypeAdapter[Any]:
    if kind not in _adapters:
        if is_dataclass(kind):
            # An unknown field is a spelling mistake, and one in a clinical document must not pass. pydantic reads its
            # settings for a standard dataclass from this attribute; the domain itself stays free of pydantic.
            setattr(kind, "__pydantic_config__", ConfigDict(extra="forbid"))  # noqa: B010
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def dump(value: object) -> str:
    """The JSON document of a domain value (sets sorted, so that equal values give equal documents)."""
    return json.dumps(to_plain(value), ensure_ascii=False, separators=(",", ":"), sort_keys=True)


def to_plain(value: object) -> Any:
    """The value as plain lists, dicts, text and numbers."""
    return json.loads(json.dumps(_adapter(type(value)).dump_python(value), default=_plain))


def _plain(value: object) -> Any:
    if isinstance(value, (set, frozenset)):
        return sorted(value)
    if isinstance(value, (date, time)):
        return value.isoformat()
    raise TypeError(f"no JSON form for {type(value).__name__}")


def load(kind: type[T], document: str | bytes) -> T:
    """The domain value that a JSON document holds. Raises ValueError naming every wrong field, one a line."""
    try:
        found: T = _adapter(kind).validate_json(document)
    except ValidationError as failed:
        raise ValueError(explain(failed)) from failed
    return found


def from_plain(kind: type[T], value: object) -> T:
    """Like `load`, from plain lists and dicts."""
    return load(kind, json.dumps(value, default=str))


def explain(failed: ValidationError) -> str:
    """Every fault of a document in plain words: the field, what is allowed."""
    lines = []
    for error in failed.errors():
        place = ".".join(str(part) for part in error["loc"]) or "document"
        message = error["msg"].removeprefix("Value error, ")
        if error["type"] == "unexpected_keyword_argument":
            message = "this field is not known; remove it or check its spelling"
        elif error["type"] == "missing_argument" or error["type"] == "missing":
            message = "this field is required"
        lines.append(f"{place}: {message}")
    return "\n".join(lines)


def schema(kind: Any) -> dict[str, Any]:
    """The JSON Schema of a domain value."""
    return _adapter(kind).json_schema()
