"""Which texts name a heading by its words, and does the heading still have these words?

"Read “Water” in this plan" is of no help when the heading says something else. What a text puts in quotation marks and
is the whole text of another unit counts as its name. English tells which units are meant, its translations must then
quote what the same unit says in their language.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

from service.domain.revision import Texts
from service.messages.i18n import BIDI_CONTROLS
from service.wording.book import Entry

# The pairs of the CLDR's delimiters for our languages and their neighbours (from memory), and those of keyboards.
_QUOTED = re.compile(
    '"([^"]+)"|“([^“”]+)”|„([^„“”]+)[“”]|”([^“”]+)[“”]|«([^«»]+)»|»([^«»]+)«|‘([^‘’]+)’|「([^「」]+)」|『([^『』]+)』|《([^《》]+)》'
)
_STOPS = " .,;:!?،؛؟。，；：！？।۔"


@dataclass(frozen=True, slots=True, kw_only=True)
class Misnamed:
    """A text of `unit` should quote `heading` and does not: it says `now`."""

    unit: str
    heading: str
    now: str

    @property
    def says(self) -> str:
        """The same as a sentence."""
        return f"it names {self.heading} by its words, and that says “{self.now}” now: quote it in exactly these words"


def misnamed(entries: Iterable[Entry], source: str) -> tuple[Misnamed, ...]:
    """Every text of one language, in its newest version, that names a heading by words which the heading has not.

    `entries` is every unit of the language, `source` the source language. In the source language a name that some
    heading had once, and none has now, is such a text; in a translation one that does not quote what its source quotes.
    """
    entries = list(entries)
    names = _Names(entries, source)
    return tuple(each for entry in entries for each in names.wrong_in(entry))


def named_by(entries: Iterable[Entry], source: str, unit_id: str) -> tuple[str, ...]:
    """The units whose text names this one by its words, or by those that it had: they change when it does."""
    entries = list(entries)
    names = _Names(entries, source)
    return tuple(entry.unit.id for entry in entries if unit_id in names.named_in(entry))


class _Names:
    """What each unit of a language could be called by."""

    def __init__(self, entries: Iterable[Entry], source: str) -> None:
        self._now: dict[str, str] = {}
        self._units: dict[str, list[str]] = {}
        self._current = set[str]()
        for entry in entries:
            if entry.unit.count is not None or set(entry.unit.forms) != {"any"}:
                continue
            shown, in_source = _only(entry.shown), entry.language == source
            if shown:
                self._now[entry.unit.id] = shown
            if in_source:
                self._current.add(_key(shown))
                once = [entry.unit.forms["any"].other, shown, *(_only(each.texts) for each in entry.history)]
            else:
                once = [_only(entry.source)]
            for name in dict.fromkeys(_key(each) for each in once if each):
                self._units.setdefault(name, []).append(entry.unit.id)
        self._source = source

    def named_in(self, entry: Entry) -> frozenset[str]:
        """The units that the text names, or its source does."""
        texts = (entry.shown or {}) if entry.language == self._source else entry.source
        return frozenset(unit for form in texts for span in _spans(texts, form) for unit in self._meant(span, entry))

    def wrong_in(self, entry: Entry) -> Iterator[Misnamed]:
        """The names that no unit has now, each once."""
        found: dict[str, Misnamed] = {}
        for form, said in (entry.shown or {}).items():
            in_source = entry.language == self._source
            for span in _spans({form: said} if in_source else entry.source, form):
                units = [unit for unit in self._meant(span, entry) if unit in self._now]
                now = {_key(self._now[unit]) for unit in units}
                right = span in self._current if in_source else all(now & set(quoted(text)) for text in said)
                if units and not right:
                    wrong = Misnamed(unit=entry.unit.id, heading=units[0], now=self._now[units[0]])
                    found.setdefault(units[0], wrong)
        yield from found.values()

    def _meant(self, span: str, entry: Entry) -> list[str]:
        return [unit for unit in self._units.get(span, ()) if unit != entry.unit.id]


def _only(texts: Texts | None) -> str:
    return texts["any"][-1] if texts and texts.get("any") else ""


def _spans(texts: Texts, form: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(span for text in texts.get(form, ()) for span in quoted(text)))


@lru_cache(maxsize=8192)
def quoted(text: str) -> tuple[str, ...]:
    """What stands in quotation marks, as it is compared: letters small, one kind of space and apostrophe, no stop at
    the end."""
    return tuple(_key(next(filter(None, match.groups()), "")) for match in _QUOTED.finditer(text))


@lru_cache(maxsize=8192)
def _key(text: str) -> str:
    bare = "".join(char for char in unicodedata.normalize("NFC", text) if char not in BIDI_CONTROLS)
    return " ".join(bare.replace("’", "'").casefold().split()).strip(_STOPS)
