"""Is this mail made so that reading it would take for ever? Asked of its octets, before any parser sees them.

The standard library's parser takes the square of the length of a Content header, and tries every boundary on every
line. A mail that people or mail servers write is far below both limits.
"""

from __future__ import annotations

import re

MOST_HEADER = 10_000
"""Octets of one header that are read. Our choice: the References of a long thread fit."""

MOST_TRIES = 5_000_000
"""Lines times boundaries of one mail. Our choice: ten megabytes of photographs have 130 000 lines, few boundaries."""

_CONTENT_HEADER = re.compile(
    rb"(?:\A|[\r\n])content-(?:type|disposition)[ \t]*:[^\r\n]*(?:[\r\n]+[ \t][^\r\n]*)*", re.IGNORECASE
)


def too_heavy(raw: bytes) -> str:
    """Why a mail is not to be parsed, or nothing."""
    if any(len(found.group()) > MOST_HEADER for found in _CONTENT_HEADER.finditer(raw)):
        return f"a header of it is longer than {MOST_HEADER} octets"
    lines = raw.count(b"\n") + raw.count(b"\r")
    if lines * raw.lower().count(b"boundary") > MOST_TRIES:
        return "it has too many parts and lines"
    return ""
