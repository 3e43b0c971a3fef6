"""How does one phrase become one sentence in one language, with approved words only and never half in another?

Texts are cut at their placeholders once, when a `Wordings` is made; saying a phrase is then look-ups and joins.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from copy import copy
from dataclasses import dataclass
from datetime import date, time

from service.domain.contact import WAYS
from service.domain.pack import EASY, Pack
from service.domain.placeholders import PLACEHOLDERS, Kind
from service.domain.plan import Phrase
from service.errors import WordingError
from service.messages import i18n
from service.messages.catalogs import PLACEHOLDER, Catalogs

Value = int | str | tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Approvals:
    """Which texts a named reviewer approved: (language, unit id, digest of the text as it was then)."""

    entries: frozenset[tuple[str, str, str]] = frozenset()

    def has(self, language: str, unit_id: str, digest: str) -> bool:
        """Whether exactly this text was approved in this language."""
        return (language, unit_id, digest) in self.entries


@dataclass(frozen=True, slots=True, kw_only=True)
class LanguageChoice:
    """The one language that a message is said in.

    `fallback`: the person gets another language than the one asked for (en for en-GB is not another one); the front
    desk is then told. `missing`: the units that have no approved, current text in the language asked for.
    """

    language: str
    wanted: str
    fallback: bool
    missing: tuple[str, ...]


def unit_ids_of(phrases: Iterable[Phrase]) -> frozenset[str]:
    """Every wording unit that these phrases need, those inside list values too."""
    found = set[str]()
    for phrase in phrases:
        found.add(phrase.wording)
        for value in phrase.values.values():
            if isinstance(value, tuple):
                found.update(value)
    return frozenset(found)


class Wordings:
    """The words of one clinic: content, translations, approvals, and the clinic's own values."""

    def __init__(
        self,
        pack: Pack,
        catalogs: Catalogs,
        approvals: Approvals | None,
        clinic_values: Mapping[str, str],
    ) -> None:
        """`approvals` None shows drafts: for previews and demonstrations, never for sending.

        `clinic_values` fill placeholders that a phrase leaves open (clinic, phone, emergency, urgent_line, ...).
        """
        self._pack = pack
        self._catalogs = catalogs
        ways = tuple(unit for name, unit in WAYS.items() if clinic_values.get(name))
        self._clinic_values: dict[str, Value] = {**clinic_values, "ways": ways}
        self.shows_drafts = approvals is None
        self._easy = False
        self._easier: Wordings | None = None
        self._usable: dict[str, frozenset[str]] = {}
        # Literal text at even places, placeholder names at odd ones; one such cut per plural form.
        self._cut: dict[tuple[str, str, str], tuple[tuple[str, ...], ...]] = {}
        self._said: dict[tuple[str, str], str] = {}
        for language in catalogs.languages:
            self._usable[language] = frozenset(
                unit_id
                for unit_id in pack.wording
                if (digest := catalogs.digest(language, unit_id)) is not None
                and (approvals is None or approvals.has(language, unit_id, digest))
            )
            for unit_id in self._usable[language]:
                for form in pack.wording[unit_id].forms:
                    texts = catalogs.translation(language, unit_id, form)
                    if texts is not None:
                        self._cut[language, unit_id, form] = tuple(tuple(PLACEHOLDER.split(text)) for text in texts)

    def for_reader(self, *, easy: bool) -> Wordings:
        """The same words, or (`easy`) the simpler form of each sentence that has an approved one in the language."""
        if not easy or self._easy:
            return self
        if self._easier is None:
            self._easier = copy(self)
            self._easier._easy, self._easier._said = True, {}
        return self._easier

    def has_simpler(self, language: str) -> bool:
        """Whether any sentence has an approved simpler form in this language."""
        return any(EASY in unit for unit in self._usable.get(language, ()))

    def unit_said(self, unit_id: str, language: str) -> str:
        """The unit whose text this reader gets: the simpler form if there is one, else the unit itself."""
        simpler = f"{unit_id}{EASY}"
        return simpler if self._easy and simpler in self._usable.get(language, frozenset()) else unit_id

    def usable(self, language: str, unit_ids: Iterable[str]) -> bool:
        """Whether every unit has an approved, current text in this language."""
        return self._usable.get(language, frozenset()).issuperset(unit_ids)

    def choose_language(self, wanted: str, unit_ids: Iterable[str]) -> LanguageChoice:
        """The wanted language if it has every unit; else the next of its fallbacks; else the source language.

        Raises:
            ContactError: `wanted` is not a language tag.
            WordingError: not even the source language has every unit; names those that it lacks.
        """
        units = frozenset(unit_ids)
        tag, source = i18n.canonical_tag(wanted), self._catalogs.source
        chain = i18n.fallback_chain(tag)
        nearest = next((link for link in chain if link in self._usable), tag)
        missing = tuple(sorted(units - self._usable.get(nearest, frozenset())))
        for language in dict.fromkeys((*chain, source)):
            if language in self._usable and self.usable(language, units):
                return LanguageChoice(language=language, wanted=tag, fallback=language not in chain, missing=missing)
        lacking = ", ".join(sorted(units - self._usable[source]))
        raise WordingError(f"no approved wording in {source} for: {lacking}; ask the clinical lead to approve it")

    def say(self, phrase: Phrase, language: str) -> str:
        """The phrase as one text in `language`, every value written the way that the language writes it.

        Raises:
            WordingError: the unit is not known, has no approved text in this language, or lacks an ear or a value;
                names the unit and the placeholder.
        """
        if phrase.values or phrase.ears is not None:
            return self._say(phrase, language, inside_list=False)
        key = (phrase.wording, language)  # the same words for everybody: said once
        if key not in self._said:
            self._said[key] = self._say(phrase, language, inside_list=False)
        return self._said[key]

    def label(self, unit_id: str, language: str) -> str:
        """A unit that needs neither ear nor values: a heading, a button, a short word. Raises WordingError as `say`."""
        return self.say(Phrase(wording=unit_id), language)

    def _say(self, phrase: Phrase, language: str, *, inside_list: bool) -> str:
        unit = self._pack.wording.get(self.unit_said(phrase.wording, language))
        if unit is None:
            raise WordingError(
                f"{phrase.wording}: the content has no such wording unit; correct the id or add the unit"
            )
        form = "any"
        if "any" not in unit.forms:
            if phrase.ears is None:
                raise WordingError(f"{unit.id}: this wording speaks of an ear and none was given; say which ear")
            form = phrase.ears.value
        cuts = self._cut.get((language, unit.id, form))
        if cuts is None:
            raise WordingError(f"{unit.id}: no approved wording in {language}; choose the language first or approve it")
        index = 0
        if unit.count is not None:
            index = i18n.plural_form(language)(abs(self._number(phrase, unit.count)))
        cut = cuts[index]
        parts = list(cut)
        for place in range(1, len(cut), 2):
            parts[place] = self._written(phrase, cut[place], language, inside_list)
        return "".join(parts)

    def _value(self, phrase: Phrase, name: str) -> Value:
        value = phrase.values.get(name, self._clinic_values.get(name))
        if value is None or value in ("", ()):
            raise WordingError(
                f"{phrase.wording}: {{{name}}} has no value; give it with the phrase or set it for the clinic"
            )
        return value

    def _number(self, phrase: Phrase, name: str) -> int:
        value = self._value(phrase, name)
        if not isinstance(value, int) or isinstance(value, bool):
            raise _wrong(phrase, name, "a whole number")
        return value

    def _written(self, phrase: Phrase, name: str, language: str, inside_list: bool) -> str:
        """One value as the language writes it, by the kind of its placeholder."""
        kind = PLACEHOLDERS.get(name)
        if kind is None:
            raise WordingError(f"{phrase.wording}: {{{name}}} is not a known placeholder; correct the wording")
        if kind is Kind.NUMBER:
            return i18n.format_number(self._number(phrase, name), language)
        value = self._value(phrase, name)
        if kind in (Kind.LIST, Kind.CHOICE):
            if not isinstance(value, tuple) or inside_list:
                raise _wrong(phrase, name, "a list of wording ids, and not inside another list")
            items = (Phrase(wording=item, ears=phrase.ears, values=phrase.values) for item in value)
            said = [self._say(item, language, inside_list=True) for item in items]
            return i18n.join_list(said, language, either=kind is Kind.CHOICE)
        if not isinstance(value, str):
            raise _wrong(phrase, name, "text")
        if kind is Kind.DATE or kind is Kind.TIME:
            value = _moment(phrase, name, kind, value, language)
        return i18n.isolate(value, kind, i18n.direction(language))


def _moment(phrase: Phrase, name: str, kind: Kind, value: str, language: str) -> str:
    try:
        if kind is Kind.DATE:
            return i18n.format_date(date.fromisoformat(value), language)
        return i18n.format_time(time.fromisoformat(value), language)
    except ValueError as error:
        raise _wrong(
            phrase, name, "an ISO date (2026-11-25)" if kind is Kind.DATE else "an ISO time (21:30)"
        ) from error


def _wrong(phrase: Phrase, name: str, wanted: str) -> WordingError:
    return WordingError(f"{phrase.wording}: {{{name}}} must be {wanted}; correct the value")
