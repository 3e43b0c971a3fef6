"""Which characters, brackets and marks of a text are wrong, whatever it says?

Characters that nobody sees can change what is read, cost a whole alphabet in a phone text, or break a placeholder:
they are refused, but for the two joiners that scripts need to write words. Placeholders are blanked before (NUL).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from service.messages.i18n import BIDI_CONTROLS, canonical_tag, script_of


class Found(NamedTuple):
    """One fault with its character offsets; `bars` False: it is only shown."""

    start: int
    end: int
    what: str
    allowed: str = ""
    bars: bool = True


_MARKS = frozenset("\u200e\u200f\u061c")
_JOINERS = frozenset("\u200c\u200d")
# Format characters that are seen: signs around numbers in Arabic, Syriac and Kaithi.
_SEEN = frozenset("\u0600\u0601\u0602\u0603\u0604\u0605\u06dd\u070f\u0890\u0891\u08e2\U000110bd\U000110cd")
_UNSEEN = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0")
_ODD = re.compile(f"[{''.join(sorted(_UNSEEN))}\ufffd]")
_NAMES = {
    "Cc": "a control character or a line break",
    "Zl": "a line break",
    "Zp": "a line break",
    "Cs": "half a character (an unpaired surrogate)",
    "Co": "a private-use character, which no other font shows",
    "Cn": "a character that Unicode does not know",
    "Cf": "an invisible character",
}

_OPENS = {
    "(": ")", "[": "]", "（": "）", "［": "］", "「": "」", "『": "』", "【": "】", "〈": "〉", "《": "》",
    "〔": "〕", "｢": "｣", "༺": "༻", "༼": "༽",
}  # fmt: skip
_CLOSES = frozenset(_OPENS.values())
# Quotation marks that open in one language and close in another: what may close each of them.
_QUOTES = {
    "„": "“”", "“": "”", "”": "”", "«": "»", "»": "«»", "‹": "›", "›": "‹›", '"': '"', "‚": "‘’", "‘": "’",
    "〝": "〞〟",
}  # fmt: skip
_PAIRED = re.compile(f"[{re.escape(''.join((*_OPENS, *_CLOSES, *_QUOTES)))}’〞〟]")
_IN_PAIRS = "write it in pairs, the inner pair closed first"
_TAG = re.compile(r"<\s*(/?)\s*([A-Za-z][\w:-]*)[^<>]*?(/?)\s*>")
_ENTITY = re.compile(r"&(?:#\d+|#x[0-9A-Fa-f]+|[A-Za-z]+\d*);")
_PAIRED_MARKS = re.compile(r"\*\*|~~|`")

# What ends a sentence, by script; a language that differs from others of its script comes first.
_FINAL = {
    "ur": "۔؟!:…", "ks": "۔؟!:…", "sd": "۔؟!:….", "pa-Arab": "۔؟!:…", "mr": ".?!:…", "hi": "।?!:…", "el": ".;!:…·",
    "Arab": ".؟!:؛…", "Deva": "।॥.?!:…", "Beng": "।.?!:…", "Guru": "।.?!:…", "Orya": "।.?!:…", "Gujr": ".।?!:…",
    "Hans": "。！？：…", "Hant": "。！？：…", "Jpan": "。！？：…", "Ethi": "።፧፡፦.?!:…", "Armn": "։՞՜.:…",
    "Mymr": "။!?:…", "Khmr": "។៕?!:…", "Tibt": "།༎", "Nkoo": ".߹!؟:…",
}  # fmt: skip
_WITHOUT_END = frozenset({"Thai", "Laoo"})  # sentences end with a space
_END = ".?!:…"
_AFTER_END = ")]}\"'”“’»«›」』）】 "
# Languages that say a word twice to mean "each", "slowly" or "many", and pairs that grammar makes elsewhere.
_SAYS_TWICE = frozenset(
    ("hi", "ur", "bn", "pa", "gu", "mr", "ne", "ta", "te", "kn", "ml", "si", "id", "ms", "tr", "so", "sw", "am", "ti")
)
_PAIRS = {"fr": frozenset({"nous", "vous"}), "pt": frozenset({"se"}), "en": frozenset({"had", "that"})}


def character_faults(text: str) -> Iterator[Found]:
    """Characters that may not be in a text, spaces at its ends, and letters that are not composed (NFC)."""
    if not text.isprintable() or _ODD.search(text):
        for place, char in enumerate(text):
            yield from _character(text, place, char)
    stripped = text.strip()
    if stripped and stripped != text:
        head, tail = len(text) - len(text.lstrip()), len(text.rstrip())
        if head:
            yield Found(0, head, "a space stands before the text", "delete it")
        if tail < len(text):
            yield Found(tail, len(text), "a space stands after the text", "delete it")
    if not unicodedata.is_normalized("NFC", text):
        composed = unicodedata.normalize("NFC", text)
        start, end = _where_they_differ(text, composed)
        yield Found(start, end, "a letter is not written in its composed form (NFC)", "it will be composed")


def _character(text: str, place: int, char: str) -> Iterator[Found]:
    category = unicodedata.category(char)
    if char in BIDI_CONTROLS:
        what, allowed = "holds a direction control (U+202A-202E or U+2066-2069); delete it", ""
    elif char in _MARKS:
        what, allowed = f"holds an invisible direction mark (U+{ord(char):04X})", "delete it"
    elif char == "\ufeff":
        what, allowed = "holds a byte order mark (U+FEFF)", "delete it"
    elif char in _JOINERS:
        if place and unicodedata.category(text[place - 1])[0] in "LMS":
            return
        what, allowed = f"holds an invisible joiner (U+{ord(char):04X})", "it is allowed after a letter only"
    elif char in _UNSEEN:
        what, allowed = f"holds an invisible character (U+{ord(char):04X})", "delete it"
    elif char == "\ufffd":
        what, allowed = "holds a damaged character (U+FFFD)", "write the letter that was meant"
    elif category in _NAMES and char not in _SEEN:
        what, allowed = f"holds {_NAMES[category]} (U+{ord(char):04X})", "delete it"
    else:
        return
    yield Found(place, place + 1, what, allowed)


def _where_they_differ(text: str, composed: str) -> tuple[int, int]:
    start = 0
    while start < min(len(text), len(composed)) and text[start] == composed[start]:
        start += 1
    end, other = len(text), len(composed)
    while end > start and other > start and text[end - 1] == composed[other - 1]:
        end, other = end - 1, other - 1
    return start, max(end, min(start + 1, len(text)))


def pair_faults(bare: str) -> Iterator[Found]:
    """Brackets and quotation marks that have no partner, in the pairs of every language.

    A mark that can open and close (“ ” » ") closes what is open, if it can. A ’ that closes nothing is an apostrophe.
    """
    waiting: list[tuple[str, int]] = []
    for match in _PAIRED.finditer(bare):
        place, char, opener = match.start(), match[0], waiting[-1][0] if waiting else ""
        if char in _OPENS:
            waiting.append((char, place))
        elif char in _CLOSES:
            if _OPENS.get(opener) == char:
                waiting.pop()
            else:
                yield Found(
                    place, place + 1, f"{char} closes nothing", "write it in pairs, the inner pair closed first"
                )
        elif char in _QUOTES.get(opener, ""):
            waiting.pop()
        elif char in _QUOTES:
            waiting.append((char, place))
    for char, place in waiting:
        yield Found(place, place + 1, f"{char} has no partner", _IN_PAIRS)


def markup_faults(bare: str, source: str) -> Iterator[Found]:
    """Tags, character entities and paired marks (**, ~~, `) that the English lacks, or without their partner."""
    allowed = "only the markup of the English is allowed, each tag with its end"
    wanted = [match[0] for match in _TAG.finditer(source)]
    waiting: list[tuple[str, int, int]] = []
    for match in _TAG.finditer(bare):
        if match[0] in wanted:
            wanted.remove(match[0])
        else:
            yield Found(*match.span(), f"{match[0]} is not in the English", allowed)
        if match[1] and waiting and waiting[-1][0] == match[2]:
            waiting.pop()
        elif match[1]:
            yield Found(*match.span(), f"{match[0]} ends nothing", allowed)
        elif not match[3]:
            waiting.append((match[2], *match.span()))
    for name, start, end in waiting:
        yield Found(start, end, f"<{name}> has no end", allowed)
    for tag in wanted:
        yield Found(len(bare), len(bare), f"{tag} is missing", allowed)
    for match in _ENTITY.finditer(bare):
        if match[0] not in source:
            yield Found(*match.span(), f"{match[0]} would be read as it stands", "write the character itself")
    for mark in sorted(set(_PAIRED_MARKS.findall(bare))):
        if bare.count(mark) % 2:
            place = bare.rindex(mark)
            yield Found(place, place + len(mark), f"{mark} has no partner", "write it in pairs, or not at all")


def habit_faults(bare: str, source: str, language: str, ended: bool) -> Iterator[Found]:
    """What is likely a slip and never bars: doubled spaces, a word said twice, no mark at the end.

    `ended`: what is put in at the end of the text brings its own mark.
    """
    for match in re.finditer(r"(?<=\S)[ \u00a0]{2,}(?=\S)", bare):
        yield Found(*match.span(), "two spaces follow each other", "one is enough", False)
    base = canonical_tag(language).split("-")[0]
    words = list(re.finditer(r"\S+", bare))
    for first, second in pairwise(words):
        word = first[0].casefold()
        if word != second[0].casefold().rstrip(".,;:!?)،؛؟۔।。") or not any(char.isalpha() for char in word):
            continue
        if base not in _SAYS_TWICE and word not in _PAIRS.get(base, ()):
            yield Found(*second.span(), f"{second[0]} is said twice", "once is enough, if it is a slip", False)
    script = script_of(language)
    ends = _FINAL.get(canonical_tag(language)) or _FINAL.get(base if script != "Guru" else "") or _FINAL.get(script)
    ends = ends or _END
    if ended or script in _WITHOUT_END or source.rstrip(_AFTER_END)[-1:] not in tuple(_END):
        return
    if bare.rstrip(_AFTER_END)[-1:] not in tuple(ends):
        said = " ".join(ends)
        yield Found(len(bare), len(bare), "the text has no mark at its end", f"this language ends with {said}", False)
