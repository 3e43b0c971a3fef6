"""How do the words of a phone text become the octets of its parts, and how are they read back?

Sources: 3GPP TS 23.038 (alphabets), TS 23.040 sections 9.2.3.24.1 and 9.2.3.24.8 (concatenation headers with an 8-bit
and a 16-bit reference) and 9.2.3.24.15 and 16 (national tables: single shift
and locking shift); SMPP 3.4 section 5.2.19 (data_coding). In SMPP a septet
travels in an octet of its own; the message centre packs it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from service.domain.text_alphabet import (
    BASIC_CODES,
    ESCAPE,
    EXTENSION_CODES,
    SHIFTS,
    Alphabet,
    Shift,
    count_parts,
    fits,
    split,
    split_shifted,
)

IA5, LATIN_1, UCS2 = 0x01, 0x03, 0x08
"""Values of data_coding (SMPP 3.4 section 5.2.19)."""
_CONCATENATED, _CONCATENATED_16, _SINGLE_SHIFT, _LOCKING_SHIFT = 0x00, 0x08, 0x24, 0x25
_CHARS: Mapping[int, str] = {code: char for char, code in BASIC_CODES.items()}
_BY_CODE: Mapping[int, Shift] = {shift.code: shift for shift in SHIFTS.values()}
_UNREADABLE = "\N{REPLACEMENT CHARACTER}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CodedText:
    """A text as octets: those of each part without headers, its alphabet, and the national table it needs, if any."""

    parts: tuple[bytes, ...]
    alphabet: Alphabet
    shift: Shift | None = None


def code_text(text: str, language: str, *, national: bool = False) -> CodedText:
    """Cut and code `text`. `national` allows the national table of `language` where it saves going over to UCS-2.

    Raises:
        TragusError: the text is empty or takes more than 255 parts.
        UnicodeEncodeError: the text holds half a surrogate pair.
    """
    alphabet = count_parts(text).alphabet
    if alphabet is Alphabet.UCS2:
        shift = SHIFTS.get(language.split("-", maxsplit=1)[0]) if national else None
        if shift is not None and fits(text, shift):
            return CodedText(
                parts=tuple(to_septets(part, shift) for part in split_shifted(text)),
                alphabet=Alphabet.GSM7,
                shift=shift,
            )
        return CodedText(parts=tuple(part.encode("utf-16-be") for part in split(text)), alphabet=alphabet)
    return CodedText(parts=tuple(to_septets(part) for part in split(text)), alphabet=alphabet)


def to_septets(text: str, shift: Shift | None = None) -> bytes:
    """One octet a septet. Every character must be in the alphabet (with `shift`'s table instead of the extension)."""
    extension = EXTENSION_CODES if shift is None else shift.codes
    coded = bytearray()
    for char in unicodedata.normalize("NFC", text):
        coded += bytes((BASIC_CODES[char],)) if char in BASIC_CODES else bytes((ESCAPE, extension[char]))
    return bytes(coded)


def from_septets(octets: bytes, shift: Shift | None = None) -> str:
    """Read one octet a septet. An unknown code after an escape shows the character of the default table (TS 23.038
    section 6.2.1.1); an octet above 0x7F shows as unreadable."""
    extension = {code: char for char, code in (EXTENSION_CODES if shift is None else shift.codes).items()}
    chars: list[str] = []
    escaped = False
    for octet in octets:
        if octet == ESCAPE:
            if escaped:
                chars.append(" ")  # a second escape is reserved; a receiver shows a space
            escaped = not escaped
            continue
        plain = _CHARS.get(octet, _UNREADABLE)
        chars.append(extension.get(octet, plain) if escaped else plain)
        escaped = False
    return "".join(chars)


def text_of(octets: bytes, data_coding: int, language_code: int | None = None, *, foreign: bool = False) -> str:
    """The words in `octets`. Never fails: what cannot be read shows as such, so that a person sees that words came.
    `foreign` words in the default alphabet are read by its own table, and a sign of unreadable words follows them."""
    if data_coding == UCS2:
        return octets.decode("utf-16-be", "replace")
    if data_coding == IA5:
        return octets.decode("ascii", "replace")
    if data_coding == 0 or (data_coding & 0xF0 == 0xF0 and not data_coding & 0x04):  # TS 23.038 section 4, class bits
        words = from_septets(octets, _BY_CODE.get(language_code or 0))
        return f"{words} {_UNREADABLE}" if foreign else words
    return "".join(char if char.isprintable() or char in "\r\n" else _UNREADABLE for char in octets.decode("latin-1"))


def header(*, reference: int = 0, total: int = 1, index: int = 1, shift: Shift | None = None) -> bytes:
    """The user data header of one part: concatenation when there are several, and the national table if it has one."""
    elements = b""
    if total > 1:
        elements += bytes((_CONCATENATED, 3, reference & 0xFF, total, index))
    if shift is not None:
        elements += bytes((_SINGLE_SHIFT, 1, shift.code))
    return bytes((len(elements),)) + elements if elements else b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where one part belongs: the reference that the parts share, how many there are, and which this is (from 1)."""

    reference: int
    total: int
    index: int


def place(reference: int, total: int, index: int) -> Place | None:
    """A place, or None where the numbers make no sense or there is one part only."""
    return Place(reference=reference, total=total, index=index) if total > 1 and 1 <= index <= total else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Headed:
    """What stood before the words of a part, and the octets of the words. `language_code` is a national table's.
    `foreign`: the words need a national table that we do not have, so some or all of them are not what we read."""

    place: Place | None
    language_code: int | None
    octets: bytes
    foreign: bool = False


def read_header(octets: bytes) -> Headed:
    """Take the user data header off a part. A header that runs past the end is taken for words."""
    if not octets or octets[0] + 1 > len(octets):
        return Headed(place=None, language_code=None, octets=octets)
    elements, rest = octets[1 : octets[0] + 1], octets[octets[0] + 1 :]
    found: Place | None = None
    language_code: int | None = None
    foreign = False
    while len(elements) >= 2:
        kind, length = elements[0], elements[1]
        value, elements = elements[2 : 2 + length], elements[2 + length :]
        if kind == _CONCATENATED and len(value) == 3:
            found = place(value[0], value[1], value[2])
        elif kind == _CONCATENATED_16 and len(value) == 4:
            found = place(int.from_bytes(value[:2]), value[2], value[3])
        elif kind == _SINGLE_SHIFT and len(value) == 1:
            language_code = value[0]
            foreign = foreign or language_code not in _BY_CODE
        elif kind == _LOCKING_SHIFT:
            foreign = True
    return Headed(place=found, language_code=language_code, octets=rest, foreign=foreign)
