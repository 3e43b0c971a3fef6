"""How does one HTTP text gateway want to be spoken to? Its description, read from a TOML file and checked.

A description says what to send, how to sign in, what the answers mean, and what its callbacks look like; gateway_shape
has its values. Secrets are never in it: it names environment variables.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from pydantic import ConfigDict, TypeAdapter, ValidationError

from service.errors import Fault, TransportError
from service.transports.gateway_checks import NOTHING_HIDDEN, faults_in
from service.transports.gateway_shape import Gateway

_HIDDEN_KEYS = {"secret", "token", "password"}

# The settings of pydantic reach a standard dataclass from what contains it: hence the dict around the description.
_FILE: TypeAdapter[dict[str, Gateway]] = TypeAdapter(dict[str, Gateway], config=ConfigDict(extra="forbid", strict=True))


def load_gateway(path: Path, environ: Mapping[str, str]) -> Gateway:
    """The description in a TOML file. Raises TransportError: one line a fault, with file, key path and what to do."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        written = _FILE.validate_json(json.dumps({"": data}, default=str), strict=True)[""]
    except OSError as error:
        raise _broken([Fault(file=str(path), path="", message="this file cannot be read; check its path")]) from error
    except ValidationError as error:
        raise _broken([_fault(path, one["loc"][1:], one["type"], one["msg"]) for one in error.errors()]) from error
    except ValueError as error:  # not TOML, or not UTF-8
        raise _broken([Fault(file=str(path), path="", message=f"is not TOML: {error}")]) from error
    faults = [Fault(file=str(path), path=place, message=message) for place, message in faults_in(written, environ)]
    if faults:
        raise _broken(faults)
    names = [part.secret_env for part in (written.sign_in, written.signature) if part is not None]
    return replace(written, secrets={name: environ[name] for name in names})


def _broken(faults: list[Fault]) -> TransportError:
    return TransportError("\n".join(map(str, faults)))


def _fault(path: Path, loc: tuple[int | str, ...], kind: str, message: str) -> Fault:
    if kind == "unexpected_keyword_argument":
        message = "this key is not known: look for a typing mistake"
        if loc[-1] in _HIDDEN_KEYS:
            message = NOTHING_HIDDEN
    elif kind.startswith("missing"):
        message = "this key is missing"
    return Fault(file=str(path), path=".".join(map(str, loc)), message=message)
