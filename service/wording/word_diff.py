"""How do two texts differ, word by word, in any script?

A placeholder is one piece. Words of scripts that put no spaces between them are compared character by character, each
with the marks that belong to it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import SequenceMatcher
from enum import StrEnum
from functools import lru_cache

from service.messages.text_checks import PLACEHOLDER

# Han, kana, bopomofo, Thai, Lao, Tibetan, Myanmar, Khmer, Tai Le, Tai Lue and Tai Tham: written without spaces between
# words (Unicode line breaking classes ID, SA and CJ; UAX #14 section 5.1).
_NO_SPACES = re.compile(
    "[\u0e00-\u0eff\u0f00-\u0fff\u1000-\u109f\u1780-\u17ff\u1950-\u19df\u1a20-\u1aaf\u3040-\u312f\u31a0-\u31bf"
    "\u31f0-\u31ff\u3400-\u4dbf\u4e00-\u9fff\ua9e0-\ua9ff\uaa60-\uaa7f\uf900-\ufaff\U00020000-\U0003ffff]"
)
_JOINERS = frozenset("\u200c\u200d")
_APOSTROPHES = frozenset("'’ʼ")


class Change(StrEnum):
    """What became of a piece."""

    SAME = "same"
    REMOVED = "removed"
    ADDED = "added"


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A run of text that stayed, went, or came."""

    change: Change
    text: str


def word_diff(before: str, after: str) -> tuple[Piece, ...]:
    """The pieces from `before` to `after` in reading order; at one place what went comes first. Places with only a
    space between them are one place: several words that changed are read as a whole.

    Those that are not ADDED spell `before`, those that are not REMOVED spell `after`.

    Example:
        >>> [(piece.change.value, piece.text) for piece in word_diff("Call {phone} now.", "Call {phone}.")]
        [('same', 'Call {phone}'), ('removed', ' now'), ('same', '.')]
    """
    old, new = words(before), words(after)
    found = SequenceMatcher(None, old, new, autojunk=False).get_opcodes()
    pieces: list[Piece] = []
    went = came = ""
    for place, (tag, start, end, new_start, new_end) in enumerate(found):
        gone, put = "".join(old[start:end]), "".join(new[new_start:new_end])
        only_space = gone.isspace() and 0 < place < len(found) - 1 and bool(went and came)
        if tag == "equal" and not only_space:
            _add(pieces, Change.REMOVED, went)
            _add(pieces, Change.ADDED, came)
            _add(pieces, Change.SAME, gone)
            went = came = ""
        else:
            went, came = went + gone, came + put
    _add(pieces, Change.REMOVED, went)
    _add(pieces, Change.ADDED, came)
    return tuple(pieces)


def _add(pieces: list[Piece], change: Change, text: str) -> None:
    if text:
        pieces.append(Piece(change=change, text=text))


@lru_cache(maxsize=1024)
def words(text: str) -> tuple[str, ...]:
    """The text cut into placeholders, words (single characters where a script has no spaces), runs of spaces, and
    single other characters. Joined they are the text again."""
    found: list[str] = []
    place = 0
    for match in PLACEHOLDER.finditer(text):
        found += _cut(text[place : match.start()])
        found.append(match[0])
        place = match.end()
    found += _cut(text[place:])
    return tuple(found)


def _cut(text: str) -> Iterator[str]:
    start = 0
    for place in range(1, len(text) + 1):
        if place == len(text) or not _goes_on(text, start, place):
            yield text[start:place]
            start = place


def _goes_on(text: str, start: int, place: int) -> bool:
    """Whether the character at `place` belongs to the piece that began at `start`."""
    char, before = text[place], text[place - 1]
    if unicodedata.category(char)[0] == "M" or char in _JOINERS:
        return not before.isspace()  # a mark stays with its letter
    if _NO_SPACES.match(char) or _NO_SPACES.match(text[start]):
        return False
    if char.isspace():
        return text[start].isspace()
    if text[start].isspace() or not _in_word(text[start]):
        return False
    if char in _APOSTROPHES:  # inside a word only: l'oreille, don't
        return text[place + 1 : place + 2].isalnum()
    return _in_word(char)


def _in_word(char: str) -> bool:
    return char.isalnum() or char == "_"
