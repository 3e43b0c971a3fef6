"""Where does a sentence end, and what is a word, in a text for patients?

Full stops of titles, initials, decimals, times and list numbers end nothing; a list is part of the sentence that it
completes. A link ends its sentence when a new one begins after it, because no full stop may touch it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

from service.messages.i18n import BIDI_CONTROLS

_STOPS = re.compile(r"[.!?…।॥۔؟。！？]+[\"'”’»)\]]*")
_ALWAYS = frozenset("।॥۔؟。！？")
"""Stops of scripts without capital letters: they have no other use."""
_LIST_MARK = re.compile(r"^\s*(?:[-*•–·]|\(?\d{1,2}[.)]|\(?[a-z][.)])\s+", re.MULTILINE)
_LINK_END = re.compile(r"\S+://\S+(?=\s)")

# Words that are shortened before a name, so that a capital letter may follow. By hand.
_TITLES: Mapping[str, frozenset[str]] = {
    language: frozenset(words.split())
    for language, words in {
        "ar": "د أ",
        "bn": "ডা ড মো",
        "cy": "dr mr mrs ms y.b",
        "en": "dr drs mr mrs ms mx prof st",
        "es": "dr dra sr sra srta prof sta av avda",
        "fr": "dr m mm pr",
        "hi": "डॉ श्री प्रो",
        "pl": "dr prof hab inż mgr lek ul al pl im os św",
        "pt": "dr dra sr sra prof av",
        "ro": "dr prof str bd dl dna",
        "uk": "д-р ім вул просп бул пл проф",
        "ur": "ڈاکٹر",
    }.items()
}
# Before a number.
_BEFORE_NUMBER = frozenset({"no", "nos", "nr", "núm", "nº", "tel", "tél", "ext", "pp", "ca", "godz", "тел", "ст"})

# Punctuation around a word; the combining signs of Devanagari, Bengali and Arabic at its end belong to it.
_EDGES = re.compile(r"^[^\w]+|[^\w\u0300-\u036f\u0900-\u0963\u0966-\u09ff\u064b-\u0652]+$")

VERBATIM = re.compile(r"\d|://|@|^www\.")
"""What is dialled, copied or looked at rather than read: numbers, links, addresses."""


def split_sentences(text: str, language: str) -> tuple[str, ...]:
    """The sentences of `text` in order, each on one line; what holds no word is left out.

    Example:
        >>> split_sentences("See Dr. Lee at 9.30. Bring:\\n- your card\\n- a pen", "en")
        ('See Dr. Lee at 9.30.', 'Bring: your card a pen')
    """
    plain = unicodedata.normalize("NFC", "".join(char for char in text if char not in BIDI_CONTROLS))
    found: list[str] = []
    for block in re.split(r"\n\s*\n", plain):
        line = " ".join(_LIST_MARK.sub("", block).split())
        start = 0
        for end in sorted({*_stops(line, language), *_links(line)}):
            found.append(line[start:end].strip())
            start = end
        found.append(line[start:].strip())
    return tuple(sentence for sentence in found if words_of(sentence))


def words_of(sentence: str) -> tuple[str, ...]:
    """The words as they are written, without the punctuation around them, for a script that puts spaces between words.

    A number, a link or a group of digits is a word too.
    """
    pieces = re.split(r"[\s—]+|(?<=\w)…(?=\w)", sentence)
    words = (
        re.sub(r"^[^\w]+|[^\w\u0300-\u036f\u0900-\u0963\u0966-\u09ff\u064b-\u0652]+$", "", piece) for piece in pieces
    )
    return tuple(word for word in words if any(char.isalnum() for char in word))


def _stops(line: str, language: str) -> set[int]:
    """Where a stop ends a sentence."""
    ends = set[int]()
    for match in _STOPS.finditer(line):
        after = line[match.end() :]
        if any(char in _ALWAYS for char in match[0]):
            if not (after[:1].isdigit() and match[0] == "۔"):
                ends.add(match.end())
            continue
        if not after or (
            after[0].isspace() and not after.lstrip()[0].islower() and not _is_short(line, match, after, language)
        ):
            ends.add(match.end())
    return ends


def _is_short(line: str, match: re.Match[str], after: str, language: str) -> bool:
    """Whether this full stop belongs to a shortened word."""
    if match[0] != ".":
        return False
    before = re.split(r"[\s(\[«\"'’]", line[: match.start()])[-1]
    if before.lower() in _TITLES.get(language.split("-", 1)[0], ()) or (len(before) == 1 and before.isupper()):
        return True
    return before.lower() in _BEFORE_NUMBER and after.lstrip()[0].isdigit()


def _links(line: str) -> set[int]:
    """Where a link ends a sentence: something follows that does not go on in small letters or with a sign."""
    return {
        match.end()
        for match in _LINK_END.finditer(line)
        if (rest := line[match.end() :].lstrip())
        and rest[0].isalnum()
        and not rest[0].islower()
        and match[0][-1] not in ",;:"
    }
