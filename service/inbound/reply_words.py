"""Which answers mean stop, start, help or an answer to an invitation, and which words in an answer warn? Lists by
language, read and checked here.

An answer is compared folded: no capitals, no accents, no punctuation, no emoji, and every Chinese character a word of
its own, since Chinese has no spaces. Every language counts for everybody, since people answer in the language that they
think in. Only where a word means something else in somebody's own language (`ambiguous`), it is no answer of theirs.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from dataclasses import field as made_with
from functools import cache
from pathlib import Path

from service import codec
from service.config import shipped_content
from service.errors import ContentError, Fault
from service.messages.i18n import fallback_chain

SHORTEST_WARNING = 2
"""Letters of a warning word at least: a single letter would warn at random. Our choice. One Chinese character is a word
("聋" is deaf), and enough."""

_HAN = re.compile("[\u3005-\u3007\u3400-\u4dbf\u4e00-\u9fff\uf900-\ufaff\U00020000-\U000323af]")
"""Chinese characters: the ideographs of Unicode with their repetition mark and zero."""

_ALIKE = str.maketrans("łøđيىئكهةۃھ", "lodیییکہہہہ", "'’‘ʼ`")
"""Letters that are typed for one another and that taking the accents away leaves apart; apostrophes go altogether."""

_INDIC = ("\u0900", "\u0dff")
"""The scripts of India, whose marks are vowels: without them "drops" reads like "stop"."""
_DOTS = frozenset("\u093c\u09bc\u0a3c\u0abc")
"""The dot below a letter, which many leave out."""
_NASAL = {"\u0901": "\u0902", "\u0981": "\u0982"}
"""Two signs for one sound, typed for one another."""


WHOLE = ("stop", "start", "help", "book", "later", "no", "elsewhere", "wrong")
"""The lists whose words must be the whole answer."""
COMMANDS = ("stop", "start", "help")
"""Those of them that are obeyed at any time, whoever writes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    """One file of `content/replies/`: see the head of its en.toml."""

    language: str
    stop: tuple[str, ...]
    start: tuple[str, ...]
    help: tuple[str, ...]
    book: tuple[str, ...]
    later: tuple[str, ...]
    no: tuple[str, ...]
    elsewhere: tuple[str, ...]
    wrong: tuple[str, ...]
    warning: tuple[str, ...]
    ambiguous: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplyWords:
    """The words of all languages together, folded. From `book` to `wrong` they answer an invitation; `ambiguous` has,
    by language, those that mean something else in it than where they are listed."""

    languages: tuple[str, ...]
    stop: frozenset[str]
    start: frozenset[str]
    help: frozenset[str]
    book: frozenset[str]
    later: frozenset[str]
    no: frozenset[str]
    elsewhere: frozenset[str]
    wrong: frozenset[str]
    warning: frozenset[str]
    ambiguous: Mapping[str, frozenset[str]] = made_with(default_factory=dict)
    _by_first: dict[str, list[tuple[str, ...]]] = made_with(init=False, repr=False, compare=False, default_factory=dict)

    def __post_init__(self) -> None:
        for each in self.warning:
            parts = tuple(each.split())
            self._by_first.setdefault(parts[0], []).append(parts)

    def may_mean_otherwise(self, text: str, language: str) -> bool:
        """Whether this whole answer means something else to a person of this language (a BCP 47 tag)."""
        return any(fold(text) in self.ambiguous.get(tag, frozenset()) for tag in fallback_chain(language))

    def warns(self, text: str) -> bool:
        """Whether the text holds a warning word of any language; looked up by its first word, so that a long mail costs
        little."""
        words = fold(text).split()
        longest = max((len(first) for first in self._by_first), default=0)
        for place, word in enumerate(words):
            starts = (f"{word[:length]}*" for length in range(1, min(len(word), longest) + 1))
            follow = (parts for key in (word, *starts) for parts in self._by_first.get(key, ()))
            # Only as many words as are compared are copied: of a long mail, all the rest each time takes its square.
            if any(_follows(words[place : place + len(parts)], parts) for parts in follow):
                return True
        return False


def fold(text: str) -> str:
    """The text as it is compared: lower case, no accents, one space between words, nothing but letters, digits, `*`.

    Apostrophes go without a gap ("can't" is "cant"), every other mark leaves one. Invisible characters go. Chinese
    characters stand apart, so that a word of them is found anywhere in a sentence.
    """
    plain = unicodedata.normalize("NFKD", text.translate(_ALIKE)).casefold()  # styled capitals are capitals only now
    kept = "".join(map(_folded, unicodedata.normalize("NFKD", plain).translate(_ALIKE)))
    return " ".join(_HAN.sub(r" \g<0> ", kept).split())


def _folded(char: str) -> str:
    category = unicodedata.category(char)
    if category in ("Cf", "Me") or char == "\u0640":  # joiners, rings, the Arabic stretching stroke
        return ""
    if category == "Mn" and (char in _DOTS or not _INDIC[0] <= char <= _INDIC[1]):  # accents
        return ""
    if category == "Nd":
        return str(unicodedata.decimal(char))
    if category[0] in "LN" or char == "*" or category in ("Mc", "Mn"):
        return _NASAL.get(char, char)
    return " "


def _follows(words: list[str], wanted: tuple[str, ...]) -> bool:
    return len(words) >= len(wanted) and all(_same(word, each) for word, each in zip(words, wanted, strict=False))


def _same(word: str, wanted: str) -> bool:
    return word.startswith(wanted[:-1]) if wanted.endswith("*") else word == wanted


@cache
def shipped_reply_words() -> ReplyWords:
    """The lists that come with the service."""
    return load_reply_words(shipped_content().parent / "replies")


def load_reply_words(folder: Path) -> ReplyWords:
    """Every list of a folder, one file a language. Raises ContentError with everything that is wrong."""
    paths = sorted(folder.glob("*.toml"))
    if not paths:
        raise ContentError((Fault(file=str(folder), path="", message="there is no file of reply words here"),))
    read, faults = list[_File](), list[Fault]()
    for path in paths:
        try:
            found = codec.from_plain(_File, tomllib.loads(path.read_text(encoding="utf-8")))
        except ValueError as wrong:  # TOML and UTF-8 errors are ValueErrors too
            faults += [Fault(file=path.name, path="", message=line) for line in str(wrong).splitlines()]
            continue
        faults += [Fault(file=path.name, path=place, message=message) for place, message in _faults(found, path.stem)]
        read.append(found)
    faults += [*_clashes(read), *_ambiguous_faults(read)]
    if faults:
        raise ContentError(tuple(faults))
    together = {
        name: frozenset(fold(word) for each in read for word in getattr(each, name)) for name in (*WHOLE, "warning")
    }
    ambiguous = {each.language: frozenset(map(fold, each.ambiguous)) for each in read}
    return ReplyWords(languages=tuple(each.language for each in read), ambiguous=ambiguous, **together)


def _faults(found: _File, stem: str) -> Iterator[tuple[str, str]]:
    if found.language != stem:
        yield "language", f"{found.language!r} is in the file {stem}.toml; give both the same name"
    for field in fields(found):
        if field.name == "language":
            continue
        words: tuple[str, ...] = getattr(found, field.name)
        if not words and field.name != "ambiguous":
            yield field.name, "the list is empty; write at least one word"
        for word in words:
            folded = fold(word)
            if not folded.strip("* "):
                yield field.name, f"{word!r} has no letters; write a word"
            elif "*" in folded and field.name != "warning":
                yield field.name, f"{word!r}: only a warning word may stand for other words; take the * out"
            elif any("*" in part[:-1] for part in folded.split()):
                yield field.name, f"{word!r}: * may only end a word"
            elif field.name == "warning" and len(folded.replace("*", "")) < SHORTEST_WARNING and not _HAN.match(folded):
                yield field.name, f"{word!r} is too short; write at least {SHORTEST_WARNING} letters"


def _clashes(read: list[_File]) -> Iterator[Fault]:
    """A word that means two things, in one language or two."""
    meant: dict[str, tuple[str, str]] = {}
    for each in read:
        for name in WHOLE:
            for word in getattr(each, name):
                folded = fold(word)
                language, other = meant.setdefault(folded, (each.language, name))
                if other != name:
                    message = f"{word!r} means {other} in {language}.toml; one answer can mean one thing only"
                    yield Fault(file=f"{each.language}.toml", path=name, message=message)
    for each in read:
        for word in each.warning:
            if fold(word) in meant:
                message = f"{word!r} is also the whole answer {meant[fold(word)][1]!r}; take it out of one list"
                yield Fault(file=f"{each.language}.toml", path="warning", message=message)


def _ambiguous_faults(read: list[_File]) -> Iterator[Fault]:
    """A word called ambiguous that must be obeyed whoever writes it, or about which there is no doubt."""
    listed = {(each.language, fold(word)): name for each in read for name in WHOLE for word in getattr(each, name)}
    for each in read:
        for word in each.ambiguous:
            folded = fold(word)
            meant = {language: name for (language, known), name in listed.items() if known == folded}
            if not folded:
                continue  # has no letters: said already
            if each.language in meant:
                message = f"{word!r} is in the list {meant[each.language]} of this file; take it out of one of them"
            elif obeyed := sorted(set(meant.values()).intersection(COMMANDS)):
                message = f"{word!r} means {obeyed[0]}, which is obeyed whoever writes it; take it out"
            elif not meant:
                message = f"{word!r} is in no list of another language; take it out or check its spelling"
            else:
                continue
            yield Fault(file=f"{each.language}.toml", path="ambiguous", message=message)
