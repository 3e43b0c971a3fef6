"""How many parts does a text cost to send, typically and at worst, and which character makes it dear?

The counting is that of `service/domain/text_alphabet.py`. Names, dates and plural forms decide as much as the wording:
one "ś" in a name or a weekday turns the whole text into UCS-2, with 70 characters to a part in place of 160.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product

from service.domain.revision import Texts
from service.domain.text_alphabet import BASIC, EXTENSION, SHIFTS, Alphabet, count_parts, fits, split_shifted
from service.messages.catalogs import PLACEHOLDER
from service.messages.i18n import BIDI_CONTROLS, format_number
from service.wording.sample_values import candidates, fill, plural_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """One text as it would be sent.

    `forced_by` is the first visible character that the default alphabet lacks, None if there is none; `forced_in` the
    placeholder that brought it, empty if the wording did. `units` are septets (GSM7) or UTF-16 code units (UCS2).
    `shifted_parts`: the parts with the language's national shift table, where it has one that holds every character
    and the default alphabet does not; a transport uses it only when told.
    """

    text: str
    form: str
    alphabet: Alphabet
    units: int
    parts: int
    forced_by: str | None
    forced_in: str
    shifted_parts: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SendingCost:
    """What one unit costs as a text: filled with typical values, and with the dearest of each form and placeholder.

    `worst_plain` is the dearest that still goes in the default alphabet, None when the wording itself needs another;
    `worst_shifted` the dearest that the national shift table can carry, None where none needs it and fits.
    """

    typical: Sent
    worst: Sent
    worst_plain: Sent | None
    worst_shifted: Sent | None

    @property
    def cases(self) -> tuple[Sent, ...]:
        """The dearest text of each alphabet that can come up."""
        if self.worst_plain is None or self.worst_plain == self.worst:
            return (self.worst,)
        return (self.worst, self.worst_plain)


def sending_cost(
    texts: Texts, language: str, values: Mapping[str, str] | None = None, *, count: str | None = None
) -> SendingCost:
    """The cost of one unit. `values` are the clinic's own; `count` names the placeholder that picks the plural form.

    Raises:
        ValueError: `texts` is empty.
    """
    own = dict(values or {})
    first_form, first_texts = next(iter(texts.items()), ("", ()))
    if not first_texts:
        raise ValueError("texts: a unit has at least one form with at least one text; give its texts")
    typical_number = {count: candidates(count, language)[0]} if count is not None else {}
    typical = _sent(first_texts[-1], first_form, language, {**own, **typical_number})
    every = [typical]
    for form, plurals in texts.items():
        for index, text in enumerate(plurals):
            for chosen in _choices(text, language, own, count, index, len(plurals)):
                every.append(_sent(text, form, language, chosen))
    plain = [sent for sent in every if sent.alphabet is Alphabet.GSM7]
    shifted = [sent for sent in every if sent.shifted_parts is not None]
    return SendingCost(
        typical=typical,
        worst=max(every, key=_dear),
        worst_plain=max(plain, key=_dear) if plain else None,
        worst_shifted=max(shifted, key=lambda sent: (sent.shifted_parts or 0, sent.units)) if shifted else None,
    )


def _choices(
    text: str, language: str, own: Mapping[str, str], count: str | None, index: int, plurals: int
) -> Iterator[Mapping[str, str]]:
    """Every combination of the values worth trying in one text."""
    names = tuple(dict.fromkeys(PLACEHOLDER.findall(text)))
    ranges: list[tuple[str, ...]] = []
    for name in names:
        if name in own:
            ranges.append((own[name],))
        elif name == count and plurals > 1:
            ranges.append((format_number(plural_samples(language)[index], language),))
        else:
            ranges.append(candidates(name, language))
    for combination in product(*ranges):
        yield {**own, **dict(zip(names, combination, strict=True))}


def _dear(sent: Sent) -> tuple[int, int]:
    return (sent.parts, sent.units)


def _sent(text: str, form: str, language: str, values: Mapping[str, str]) -> Sent:
    filled = fill(text, language, values)
    counted = count_parts(filled)
    forced_by = _seen(filled) or counted.forced_by
    return Sent(
        text=filled,
        form=form,
        alphabet=counted.alphabet,
        units=counted.units,
        parts=counted.parts,
        forced_by=forced_by,
        forced_in=_forced_in(text, language, values, forced_by),
        shifted_parts=shifted_parts(filled, language),
    )


def shifted_parts(text: str, language: str) -> int | None:
    """The parts of a text with the national shift table of its language; None where there is no table, where it lacks a
    character, or where the default alphabet holds the text already."""
    shift = SHIFTS.get(language.split("-", 1)[0])
    if shift is None or count_parts(text).alphabet is Alphabet.GSM7 or not fits(text, shift):
        return None
    return len(split_shifted(text))


def has_shift(language: str) -> bool:
    """Whether there is a national shift table for this language."""
    return language.split("-", 1)[0] in SHIFTS


def _seen(filled: str) -> str | None:
    """The first character outside the default alphabet that somebody can see; the isolates around values are not."""
    composed = unicodedata.normalize("NFC", filled)
    return next((char for char in composed if char not in BASIC | EXTENSION | BIDI_CONTROLS), None)


def _forced_in(text: str, language: str, values: Mapping[str, str], forced_by: str | None) -> str:
    """The first placeholder whose value holds the character, if the wording itself does not come first."""
    if forced_by is None:
        return ""
    for place, piece in enumerate(PLACEHOLDER.split(text)):
        written = fill(f"{{{piece}}}", language, values) if place % 2 else piece
        if forced_by in unicodedata.normalize("NFC", written):
            return piece if place % 2 else ""
    return ""
