"""Which characters can a phone text carry, how many parts does it take, and where is it cut?

Source: 3GPP TS 23.038 sections 6.2.1 and 6.2.1.1 (default alphabet and its extension table) and annex A.2 (national
single shift tables), TS 23.040 section 9.2.3.24.1 (concatenation with an 8-bit reference: 6 octets of each part) and
9.2.3.24.15 (national single shift header). No character is ever swapped for another.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterator, Mapping
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
ESCAPE = 0x1B
"""The septet that says: the next one is from the extension table."""
BASIC_CODES: Mapping[str, int] = {char: code for code, char in enumerate("".join(_ROWS)) if code != ESCAPE}
BASIC = frozenset(BASIC_CODES)
"""Characters of one septet."""
EXTENSION_CODES: Mapping[str, int] = {
    "\f": 0x0A,
    "^": 0x14,
    "{": 0x28,
    "}": 0x29,
    "\\": 0x2F,
    "[": 0x3C,
    "~": 0x3D,
    "]": 0x3E,
    "|": 0x40,
    "€": 0x65,
}
EXTENSION = frozenset(EXTENSION_CODES)
"""Characters of two septets: the escape and a code of the extension table."""

MOST_PARTS = 255
"""The part counter of a concatenated text is one octet (TS 23.040 section 9.2.3.24.1)."""


class Alphabet(StrEnum):
    """How the characters of a text are coded."""

    GSM7 = "GSM7"
    UCS2 = "UCS2"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A national single shift table (TS 23.038 annex A.2): it stands in for the extension table of one text."""

    code: int
    codes: Mapping[str, int]


def _shift(code: int, **at: str) -> Shift:
    """A table from rows such as `x40="|Á"`: the characters of one run of codes."""
    codes = {char: int(first[1:], 16) + step for first, run in at.items() for step, char in enumerate(run)}
    return Shift(code=code, codes=dict(EXTENSION_CODES) | codes)


SHIFTS: Mapping[str, Shift] = {
    "tr": _shift(1, x47="Ğ", x49="İ", x53="Ş", x63="ç", x67="ğ", x69="ı", x73="ş"),
    "es": _shift(2, x09="ç", x41="Á", x49="Í", x4F="Ó", x55="Ú", x61="á", x69="í", x6F="ó", x75="ú"),
    "pt": _shift(
        3,
        x05="ê",
        x09="ç",
        x0B="Ôô",
        x0E="Áá",
        x12="ΦΓ",
        x15="ΩΠΨΣΘ",
        x1F="Ê",
        x41="À",
        x49="Í",
        x4F="Ó",
        x55="Ú",
        x5B="ÃÕ",
        x61="Â",
        x69="í",
        x6F="ó",
        x75="ú",
        x7B="ãõ",
        x7F="â",
    ),
}
"""National single shift tables by language. Handsets support them unevenly, so a transport uses them only when told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """How many units (septets, UTF-16 code units) a lone part holds, and each of several."""

    single: int
    each_of_many: int


LIMITS: Mapping[Alphabet, Limits] = {
    Alphabet.GSM7: Limits(single=160, each_of_many=153),
    Alphabet.UCS2: Limits(single=70, each_of_many=67),
}
SHIFTED = Limits(single=155, each_of_many=149)
"""Septets beside a single shift header: 140 octets less 4, or less 9, in whole septets."""


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
    per_part = tuple(units for _, units in _cut(composed, alphabet, LIMITS[alphabet])) or (0,)
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
    alphabet = count_parts(text).alphabet
    return _checked(text, alphabet, LIMITS[alphabet])


def split_shifted(text: str) -> tuple[str, ...]:
    """As `split`, for a text whose every part carries the header of a national single shift table.

    Raises:
        TragusError: the text is empty, or takes more than 255 parts.
    """
    return _checked(text, Alphabet.GSM7, SHIFTED)


def fits(text: str, shift: Shift) -> bool:
    """Whether the default alphabet with this national table has every character of `text`."""
    return all(char in BASIC_CODES or char in shift.codes for char in unicodedata.normalize("NFC", text))


def _checked(text: str, alphabet: Alphabet, limits: Limits) -> tuple[str, ...]:
    if not text:
        raise TragusError("text: an empty text cannot be sent; write at least one character")
    composed = unicodedata.normalize("NFC", text)
    parts = tuple(part for part, _ in _cut(composed, alphabet, limits))
    if len(parts) > MOST_PARTS:
        raise TragusError(f"text: {len(parts)} parts are too many, at most {MOST_PARTS} can be sent; shorten the text")
    return parts


def _septets(char: str) -> int:
    return 1 if char in BASIC_CODES else 2


def _utf16_units(char: str) -> int:
    return 2 if ord(char) > 0xFFFF else 1


def _cut(text: str, alphabet: Alphabet, limits: Limits) -> Iterator[tuple[str, int]]:
    """Fill part after part with whole characters, so that an escape or surrogate pair is never split."""
    cost: Callable[[str], int] = _septets if alphabet is Alphabet.GSM7 else _utf16_units
    total = sum(map(cost, text))
    limit = limits.single if total <= limits.single else limits.each_of_many
    start = units = 0
    for position, char in enumerate(text):
        if units + cost(char) > limit:
            yield text[start:position], units
            start, units = position, 0
        units += cost(char)
    if units:
        yield text[start:], units
