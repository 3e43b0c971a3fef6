"""Where in the content files does a key stand? A simple scan, so that every fault names its file and line.

The scan knows the TOML that the content uses: tables, arrays of tables, dotted keys, and arrays whose items stand one
a line. Where it cannot follow, it answers with the nearest enclosing key.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from service.errors import Fault

KeyPath = tuple[str | int, ...]

_PART = r"""(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+)"""
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"
_HEADER = re.compile(rf"^\s*(\[\[?)\s*({_DOTTED})\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(rf"^\s*({_DOTTED})\s*=\s*(.*)$")


def _parts(dotted: str) -> KeyPath:
    return tuple(part.strip("\"'") for part in re.findall(_PART, dotted))


def lines_of(text: str) -> dict[KeyPath, int]:
    """Every key path of a TOML text that stands at the start of a line, with its line number from 1."""
    found: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    array: KeyPath | None = None
    item = 0
    for number, line in enumerate(text.splitlines(), start=1):
        if array is not None:
            if line.lstrip().startswith("{"):
                found.setdefault((*array, item), number)
                item += 1
            if line.lstrip().startswith("]"):
                array = None
            continue
        if header := _HEADER.match(line):
            table = _parts(header[2])
            found.setdefault(table[:1], number)
            if header[1] == "[[":
                counts[table] = counts.get(table, -1) + 1
                found.setdefault(table, number)
                table = (*table, counts[table])
            found.setdefault(table, number)
        elif key := _KEY.match(line):
            path = (*table, *_parts(key[1]))
            for end in range(len(table) + 1, len(path) + 1):
                found.setdefault(path[:end], number)
            if key[2].startswith("[") and "]" not in key[2]:
                array, item = path, 0
    return found


def written(path: KeyPath) -> str:
    """A key path as it is written in TOML, with quotes where a key needs them."""
    return ".".join(str(part) if re.fullmatch(r"[A-Za-z0-9_-]+", str(part)) else f'"{part}"' for part in path)


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """The file and line of every key. `files` maps a table (and its id) to the file, `lines` a file to its keys."""

    files: Mapping[KeyPath, str] = field(default_factory=dict)
    lines: Mapping[str, Mapping[KeyPath, int]] = field(default_factory=dict)

    def fault(self, path: KeyPath, message: str) -> Fault:
        """A fault at this key, with the file that holds it and the line of the nearest key that the scan knows."""
        file = self.files.get(path[:2]) or self.files.get(path[:1]) or str(path[0])
        known = self.lines.get(file, {})
        line = next((known[path[:end]] for end in range(len(path), 0, -1) if path[:end] in known), None)
        return Fault(file=file, path=written(path), message=message, line=line)
