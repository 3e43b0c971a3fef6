"""How many parts does a phone text take, which character makes it dear, and where is it cut?

Source: 3GPP TS 23.038 sections 6.2.1 and 6.2.1.1 (default alphabet and its extension table), TS 23.040 section
9.2.3.24.1 (concatenation with an 8-bit reference: 6 octets of each part). National shift tables are not used, because
handsets support them unevenly (our choice), and no character is ever swapped for another.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from service.errors import TragusError

# The default alphabet in code order, 16 characters a row; position 0x1B is the escape to the extension table.
_ROWS = (
    "@£$¥èéùìòÇ\nØø\rÅå",
    "Δ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ",
    " !\"#¤%&'()*+,-./",
    "0123456789:;<=>?",
    "¡ABCDEFGHIJKLMNO",
    "PQRSTUVWXYZÄÖÑÜ§",
    "¿abcdefghijklmno",
    "pqrstuvwxyzäöñüà",
)
BASIC = frozenset("".join(_ROWS)) - {"\x1b"}
"""Characters of one septet."""
EXTENSION = frozenset("\f^{}\\[~]|€")
"""Characters of two septets: the escape and a code of the extension table."""

MOST_PARTS = 255
"""The part counter of a concatenated text is one octet (TS 23.040 section 9.2.3.24.1)."""


class Alphabet(StrEnum):
    """How the characters of a text are coded."""

    GSM7 = "GSM7"
    UCS2 = "UCS2"


_SINGLE = {Alphabet.GSM7: 160, Alphabet.UCS2: 70}
_EACH_OF_MANY = {Alphabet.GSM7: 153, Alphabet.UCS2: 67}


@dataclass(frozen=True, slots=True, kw_only=True)
class PartCount:
    """What a text costs.

    `units` are septets (GSM7) or UTF-16 code units (UCS2). `forced_by` is the first character that the default
    alphabet lacks, or None. `extension` holds the extension characters used, each once, in order of first use.
    """

    alphabet: Alphabet
    units: int
    parts: int
    units_per_part: tuple[int, ...]
    forced_by: str | None
    extension: tuple[str, ...]


def count_parts(text: str) -> PartCount:
    """Count `text` as it would be sent, after composing its characters (Unicode NFC).

    An empty text counts as one part of no units; `split` refuses it.
    """
    composed = unicodedata.normalize("NFC", text)
    forced_by = next((char for char in composed if char not in BASIC and char not in EXTENSION), None)
    alphabet = Alphabet.GSM7 if forced_by is None else Alphabet.UCS2
    per_part = tuple(units for _, units in _cut(composed, alphabet)) or (0,)
    return PartCount(
        alphabet=alphabet,
        units=sum(per_part),
        parts=len(per_part),
        units_per_part=per_part,
        forced_by=forced_by,
        extension=tuple(dict.fromkeys(char for char in composed if char in EXTENSION)) if forced_by is None else (),
    )


def split(text: str) -> tuple[str, ...]:
    """Cut `text` into the parts that are sent; joined again they give the composed (NFC) text.

    Raises:
        TragusError: the text is empty, or takes more than 255 parts.
    """
    if not text:
        raise TragusError("text: an empty text cannot be sent; write at least one character")
    composed = unicodedata.normalize("NFC", text)
    parts = tuple(part for part, _ in _cut(composed, count_parts(composed).alphabet))
    if len(parts) > MOST_PARTS:
        raise TragusError(f"text: {len(parts)} parts are too many, at most {MOST_PARTS} can be sent; shorten the text")
    return parts


def _septets(char: str) -> int:
    return 2 if char in EXTENSION else 1


def _utf16_units(char: str) -> int:
    return 2 if ord(char) > 0xFFFF else 1


def _cut(text: str, alphabet: Alphabet) -> Iterator[tuple[str, int]]:
    """Fill part after part with whole characters, so that an escape or surrogate pair is never split."""
    cost: Callable[[str], int] = _septets if alphabet is Alphabet.GSM7 else _utf16_units
    total = sum(map(cost, text))
    limit = _SINGLE[alphabet] if total <= _SINGLE[alphabet] else _EACH_OF_MANY[alphabet]
    start = units = 0
    for position, char in enumerate(text):
        if units + cost(char) > limit:
            yield text[start:position], units
            start, units = position, 0
        units += cost(char)
    if units:
        yield text[start:], units
