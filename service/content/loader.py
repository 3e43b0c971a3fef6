"""From the files of a content pack to one `Pack`, or to a list of everything that is wrong with them.

Each table of each file becomes one value of `domain/pack.py`; its key is its id. Unknown keys are refused, so a typing
mistake is found and not ignored.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from service.content import checks
from service.content.places import KeyPath, Places, lines_of
from service.domain.budget import Budget, OverBudget
from service.domain.pack import (
    Agent,
    Code,
    Expected,
    Pack,
    Question,
    Rule,
    Source,
    Template,
    Timing,
    UrgentAdvice,
    WarningSign,
    WaterSituation,
    Wording,
)
from service.domain.recall_rules import RecallRules
from service.errors import ContentError, Fault

_Value = TypeVar("_Value")
_STRICT = ConfigDict(extra="forbid")


@dataclass(frozen=True, slots=True, kw_only=True)
class _About:
    """The table [pack]: what the pack is called, when it must be looked at again, and what bounds a whole plan."""

    id: str
    version: str
    source_language: str
    review_by: date
    questions_on_sheet: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Section:
    """One part of the pack: the name of its tables, and the file or folder that holds them."""

    table: str
    kind: type[Any]
    adapter: TypeAdapter[Any]
    file: str = ""
    folder: str = ""


def _section(table: str, kind: type[Any], *, file: str = "", folder: str = "") -> _Section:
    adapter: TypeAdapter[Any] = TypeAdapter(dict[str, kind], config=_STRICT)  # type: ignore[valid-type]
    return _Section(table=table, kind=kind, adapter=adapter, file=file, folder=folder)


# Field of `Pack` -> where it is read from.
_SECTIONS: dict[str, _Section] = {
    "sources": _section("source", Source, file="sources.toml"),
    "findings": _section("finding", Code, file="findings.toml"),
    "history": _section("history", Code, file="history.toml"),
    "methods": _section("method", Code, file="methods.toml"),
    "agents": _section("agent", Agent, file="agents.toml"),
    "templates": _section("template", Template, folder="templates"),
    "rules": _section("rule", Rule, folder="rules"),
    "urgent": _section("urgent", UrgentAdvice, file="urgent.toml"),
    "warnings": _section("warning", WarningSign, file="warnings.toml"),
    "expected": _section("expected", Expected, file="expected.toml"),
    "water": _section("water", WaterSituation, file="water.toml"),
    "questions": _section("question", Question, file="questions.toml"),
    "budgets": _section("budget", Budget, file="budgets.toml"),
    "over_budget": _section("over_budget", OverBudget, file="over_budget.toml"),
    "wording": _section("wording", Wording, folder="wording"),
}
# The three files that hold one table and no ids.
_ABOUT: TypeAdapter[dict[str, _About]] = TypeAdapter(dict[str, _About], config=_STRICT)
_TIMING: TypeAdapter[dict[str, Timing]] = TypeAdapter(dict[str, Timing], config=_STRICT)
_RECALL: TypeAdapter[dict[str, RecallRules]] = TypeAdapter(dict[str, RecallRules], config=_STRICT)

# Keys that a file never holds because the loader knows them: the id is the key, a wording topic is the file's name.
_GIVEN = {"id", "topic"}
# Keys that may be left out because TOML cannot write "none": no return, no last day.
_OPTIONAL = {"Template": "return_days", "WaterOption": "days"}


def load_pack(root: Path) -> Pack:
    """The checked content pack in the folder `root`. Raises ContentError with every fault found, not only the first."""
    reading = _Reading(root)
    about = reading.single("pack", _ABOUT)
    timing = reading.single("timing", _TIMING)
    recall = reading.single("recall", _RECALL)
    parts = {name: reading.section(section) for name, section in _SECTIONS.items()}
    places = Places(files=reading.files, lines=reading.lines)
    faults = tuple(reading.faults)
    if about is None or timing is None or recall is None:
        raise ContentError(faults)
    pack = Pack(
        id=about.id,
        version=about.version,
        source_language=about.source_language,
        review_by=about.review_by,
        questions_on_sheet=about.questions_on_sheet,
        timing=timing,
        recall=recall,
        **parts,
    )
    if not faults:
        faults = checks.check_pack(pack, places)
    else:
        # A broken entry is missing from the pack; its id still counts as known, or one mistake would look like many.
        faults += checks.check_references(pack, places, also=frozenset(reading.broken))
    if faults:
        raise ContentError(tuple(sorted(faults, key=lambda fault: (fault.file, fault.line or 0, fault.path))))
    return pack


class _Reading:
    """One pass over the files of a pack; gathers faults and the place of every key."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.faults: list[Fault] = []
        self.files: dict[KeyPath, str] = {}
        self.lines: dict[str, dict[KeyPath, int]] = {}
        self.broken: set[str] = set()

    def single(self, table: str, adapter: TypeAdapter[dict[str, _Value]]) -> _Value | None:
        """The one table of the file that is named after it, or None when it cannot be used."""
        file = f"{table}.toml"
        data = self._toml(self.root / file)
        if data is None:
            return None
        self.files[(table,)] = file
        self._other_tables(data, table, file)
        if not isinstance(data.get(table), dict):
            self.faults.append(Fault(file=file, path=table, message=f"the table [{table}] is missing"))
            return None
        try:
            return adapter.validate_json(_as_json({table: data[table]}), strict=True)[table]
        except ValidationError as error:
            self._take(error, (), file)
            return None

    def section(self, section: _Section) -> Mapping[str, Any]:
        """The values of one section, by id, in the order of the files. Broken ones are left out and reported."""
        if section.file:
            paths = [self.root / section.file]
        else:
            paths = sorted((self.root / section.folder).glob("*.toml"))
            if not paths:
                self.faults.append(
                    Fault(file=section.folder, path="", message="this folder needs at least one .toml file")
                )
        values: dict[str, Any] = {}
        for path in paths:
            for key, value in self._file(path, section).items():
                values[key] = value
        return values

    def _file(self, path: Path, section: _Section) -> dict[str, Any]:
        data = self._toml(path)
        if data is None:
            return {}
        file = path.relative_to(self.root).as_posix()
        self._other_tables(data, section.table, file)
        values: dict[str, Any] = {}
        for key, entry in data.get(section.table, {}).items():
            where: KeyPath = (section.table, key)
            first = self.files.setdefault(where, file)
            if first != file:
                self._say(where, file, f"{key} is also in {first}; give one of the two another id")
                continue
            if not isinstance(entry, dict):
                self._say(where, file, f"must be a table: [{section.table}.{key}]")
                continue
            for name in sorted(_GIVEN & entry.keys() & _fields(section.kind)):
                self._say((*where, name), file, f"leave {name} out: it comes from the key or the name of the file")
            try:
                ready = _as_json({key: _complete(entry, section.kind, key, path.stem)})
                values.update(section.adapter.validate_json(ready, strict=True))
            except ValidationError as error:
                self.broken.add(key)
                self._take(error, (section.table,), file)
        return values

    def _toml(self, path: Path) -> dict[str, Any] | None:
        file = path.relative_to(self.root).as_posix()
        try:
            text = path.read_text(encoding="utf-8")
        except FileNotFoundError:
            self.faults.append(Fault(file=file, path="", message="this file is missing; the pack needs it"))
            return None
        except UnicodeDecodeError as error:
            self.faults.append(Fault(file=file, path="", message=f"must be UTF-8 text ({error.reason})"))
            return None
        try:
            data = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            # The parser gives the line in its sentence only; "(at end of document)" has none.
            message, _, place = str(error).partition(" (at ")
            digits = place.removeprefix("line ").split(",")[0]
            line = int(digits) if digits.isdigit() else len(text.splitlines())
            self.faults.append(Fault(file=file, path="", message=f"is not TOML: {message}", line=line))
            return None
        self.lines[file] = lines_of(text)
        return data

    def _other_tables(self, data: Mapping[str, Any], table: str, file: str) -> None:
        for name in data:
            if name != table:
                self._say((name,), file, f"is not known here; this file holds [{table}] tables only")

    def _take(self, error: ValidationError, before: KeyPath, file: str) -> None:
        for one in error.errors(include_url=False):
            message = one["msg"].removeprefix("Value error, ")
            if one["type"] == "unexpected_keyword_argument":
                message = "this key is not known: look for a typing mistake"
            elif one["type"] in {"missing", "missing_argument", "missing_keyword_only_argument"}:
                message = "this key is missing"
            self._say((*before, *one["loc"]), file, message)

    def _say(self, path: KeyPath, file: str, message: str) -> None:
        here = Places(files={path[:2]: file}, lines=self.lines)
        self.faults.append(here.fault(path, message))


def _fields(kind: type[Any]) -> set[str]:
    return {field.name for field in fields(kind)}


def _complete(entry: Mapping[str, Any], kind: type[Any], key: str, stem: str) -> dict[str, Any]:
    """The entry with what the loader knows put in: its id, its topic, and None where TOML can only leave a key out."""
    whole = {**entry, "id": key}
    if "topic" in _fields(kind):
        whole["topic"] = stem
    if kind is Template:
        whole.setdefault("return_days", None)
    options = whole.get("options")
    if kind is WaterSituation and isinstance(options, list):
        whole["options"] = [{"days": None, **option} if isinstance(option, dict) else option for option in options]
    return whole


def _as_json(data: Mapping[str, Any]) -> str:
    """TOML data as JSON, because strict JSON reading knows lists as sets and texts as enum members and dates."""
    return json.dumps(data, default=lambda value: value.isoformat())


def schemas() -> dict[str, dict[str, Any]]:
    """The JSON Schema of each kind of content file, by file name, for editors that check while typing."""
    single: dict[str, TypeAdapter[Any]] = {"pack": _ABOUT, "timing": _TIMING, "recall": _RECALL}
    found = {f"{table}.json": _single_schema(table, one) for table, one in single.items()}
    for name, section in _SECTIONS.items():
        found[f"{name}.json"] = _schema(section.table, section.adapter)
    return found


def _schema(table: str, adapter: TypeAdapter[Any]) -> dict[str, Any]:
    made = adapter.json_schema()
    definitions = made.pop("$defs")
    top = definitions[made["additionalProperties"]["$ref"].rsplit("/", 1)[-1]]
    for name in _GIVEN & top["properties"].keys():
        del top["properties"][name]
    top["required"] = [name for name in top["required"] if name not in _GIVEN]
    for kind, name in _OPTIONAL.items():
        if kind in definitions:
            definitions[kind]["required"].remove(name)
    return _document(table, made, definitions)


def _single_schema(table: str, adapter: TypeAdapter[Any]) -> dict[str, Any]:
    made = adapter.json_schema()
    return _document(table, made["additionalProperties"], made["$defs"])


def _document(table: str, made: Mapping[str, Any], definitions: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "type": "object",
        "properties": {table: made},
        "required": [table],
        "additionalProperties": False,
        "$defs": definitions,
    }


def write_schemas(folder: Path) -> None:
    """Write every schema of `schemas()` into `folder`, sorted and indented so that changes are easy to read."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, schema in schemas().items():
        (folder / name).write_text(json.dumps(schema, indent=2, sort_keys=True) + "\n", encoding="utf-8")
