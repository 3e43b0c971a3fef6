"""What is wrong with the texts of one wording unit in one language, and exactly where?

A fault bars a text (it cannot be kept) or is only shown. What bars can be seen without knowing the language; what is
only a likelihood (a doubled space, a word said twice) never bars. The rules about numbers, our choice: a number of the
English must stand in the text as a number, in the digits of any script, and as often; 1 may be said in words in every
language, 0 and 2 where the language has a plural form for exactly that number (the Arabic dual); a number that the
English says in words ("one minute", "twice", "every day") may stand in digits; any other number is refused.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from functools import lru_cache

from service.domain.pack import Wording
from service.domain.placeholders import PLACEHOLDERS, Kind
from service.errors import TextFault
from service.messages import text_signs
from service.messages.i18n import canonical_tag, format_date, plural_categories, plural_form, script_of
from service.messages.text_signs import Found

FORMS = ("any", "right", "left", "both")
PLACEHOLDER = re.compile(r"\{([a-z_]+)\}")

SAFETY_SHARE = 1 / 3
"""The least part of the letters of the English that a safety sentence keeps (our choice; the shortest shipped
translation of one of `SAFETY_LETTERS` or more keeps 0.58)."""
SAFETY_SHARE_DENSE = 1 / 8
"""The same in scripts where one character is a syllable or a word."""
SAFETY_LETTERS = 40
"""Shorter English says too little to compare lengths: there a short text is only shown."""

_DENSE = frozenset({"Hans", "Hant", "Hani", "Jpan", "Kore", "Hang"})
# How far a plural rule is sampled: past every hundred that some language treats differently.
_SAMPLE = range(201)
# What says how much or when: said twice it can be read as a second dose or a second date.
_ONCE = frozenset({Kind.NUMBER, Kind.DATE, Kind.TIME, Kind.LIST, Kind.CHOICE})
_BRACE = re.compile(r"[{}｛｝﹛﹜❴❵⦃⦄]")
_NEARLY = re.compile(r"[{｛﹛❴⦃]([^{}｛｝﹛﹜❴❵⦃⦄]{0,60})[}｝﹜❵⦄]")
_SPOKEN = ("zero", "one once", "two twice", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_WORDS = {word: number for number, words in enumerate(_SPOKEN) for word in words.split()}
_NUMBER_WORD = re.compile(rf"\b(?:{'|'.join(_WORDS)})\b", re.IGNORECASE)
# "an hour", "every day", "every {days} days": a language may say them as "1 hour", "1 time a day", "1 day in {days}".
_EVERY = re.compile(
    r"\b(?:(?:an?|per|each|every)\s+(?:minute|hour|day|night|week|month|year)\b|every\s+\{[a-z]+\}|daily\b)",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"\d+(?:[.,\u066b\u066c\u00a0\u202f\u2009]\d+|(?<=\d) (?=\d{3}(?!\d))\d{3})*")
_DEGREE = re.compile(r"°\s?[A-Z]|[℃℉]")
_LINK = re.compile(
    r"(?:https?://|www\.)[^\s\x00<>\"«»“”„{}|]+|[\w.+-]+@[\w-]+(?:\.[\w-]+)+|"
    r"(?<![\w@.-])[a-z0-9][a-z0-9-]+(?:\.[a-z0-9-]+)*\.[a-z]{2,}(?:/[^\s\x00<>\"«»“”„{}|]*)?(?![\w@])"
)
_PHONE = re.compile(r"\+?\d(?:[ ()./\u00a0-]{0,2}\d){6,}")
_TRAILING = ".,;:!?)]}'’»”،؛؟۔।。"


def text_faults(
    unit: Wording,
    language: str,
    texts: Mapping[str, tuple[str, ...]],
    source: Mapping[str, tuple[str, ...]] | None = None,
) -> tuple[TextFault, ...]:
    """Everything wrong with a unit's texts in a language, form by form, each form from its first character on.

    `texts`: by form, the plural forms in the order of `i18n.plural_categories(language)`, one where the unit does not
    count. `source`: the English that they are checked against, in the same shape; the unit's own if not given.

    Raises:
        ContactError: the language tag is malformed, or its plural forms are not known.
    """
    shipped = {
        form: (forms.other,) if forms.one is None else (forms.one, forms.other) for form, forms in unit.forms.items()
    }
    english = {**shipped, **(source or {})}
    named = ", ".join(form for form in FORMS if form in unit.forms)
    found: list[TextFault] = []
    for form in FORMS:
        if form in unit.forms and form not in texts:
            found.append(_whole(form, f"the form {form} is missing", f"this unit has the forms {named}"))
        elif form in unit.forms:
            found += form_faults(unit, language, form, texts[form], english[form])
    for form in texts:
        if form not in unit.forms:
            found.append(_whole(form, f"this unit has no form {form}", f"it has the forms {named}"))
    right, left = texts.get("right"), texts.get("left")
    if right is not None and right == left and english.get("right") != english.get("left"):
        what = "the texts for the right and the left ear are the same"
        found.append(_whole("left", what, "each must name its ear"))
    return tuple(found)


def form_faults(
    unit: Wording, language: str, form: str, texts: Sequence[str], source: Sequence[str], *, slips: bool = True
) -> tuple[TextFault, ...]:
    """The faults of one form of a unit, as `text_faults` gives them. `source`: its English, one and other, or other.
    Without `slips` what can only be shown is not looked for, which is quicker.

    Raises:
        ContactError: the language tag is malformed, or its plural forms are not known.
    """
    categories = plural_categories(language) if unit.count is not None else ("other",)
    if len(texts) != len(categories):
        if unit.count is None:
            return (_whole(form, f"{len(texts)} texts where there is one", "this unit does not count anything"),)
        what = f"{len(texts)} plural forms where {language} has {len(categories)}"
        return (_whole(form, what, f"write one for each of: {', '.join(categories)}"),)
    found: list[TextFault] = []
    for index, text in enumerate(texts):
        number = single_numbers(language).get(index) if unit.count is not None else None
        asked = _Asked(unit=unit, language=language, number=number, one=source[0], other=source[-1])
        place = None if unit.count is None else index
        found += (
            TextFault(
                form=form, index=place, start=each.start, end=each.end, what=each.what, allowed=each.allowed,
                bars=each.bars,
            )
            for each in sorted(_faults(text, asked, slips), key=lambda each: (each.start, each.end))
        )  # fmt: skip
    return tuple(found)


@lru_cache(maxsize=256)
def single_numbers(language: str) -> Mapping[int, int]:
    """The plural forms that stand for exactly 0, 1 or 2 and for nothing else, with that number.

    Only they may leave out the number: "one drop" can be said without it where no other number takes this form.
    """
    rule, covered = plural_form(language), dict[int, list[int]]()
    for number in _SAMPLE:
        covered.setdefault(rule(number), []).append(number)
    return {form: numbers[0] for form, numbers in covered.items() if len(numbers) == 1 and numbers[0] <= 2}


def composed(texts: Mapping[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
    """The texts in the composed form of Unicode (NFC), in which all wording is kept."""
    return {form: tuple(unicodedata.normalize("NFC", text) for text in each) for form, each in texts.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What one text is checked against. `number`: the only number that its plural form stands for."""

    unit: Wording
    language: str
    number: int | None
    one: str
    other: str

    @property
    def source(self) -> str:
        """The English that is meant: the form of exactly one thing for a form of exactly one thing."""
        return self.one if self.number == 1 else self.other


def _whole(form: str, what: str, allowed: str) -> TextFault:
    return TextFault(form=form, index=None, start=0, end=0, what=what, allowed=allowed)


def _faults(text: str, asked: _Asked, slips: bool) -> Iterator[Found]:
    yield from text_signs.character_faults(text)
    if not text.strip():
        yield Found(0, len(text), "the text is empty", "write the sentence")
        return
    yield from _placeholder_faults(text, asked)
    bare, literals = _bare(text)
    source, source_literals = _bare(asked.source)
    yield from _literal_faults(text, literals, source_literals)
    yield from _number_faults(text, bare, source, asked)
    yield from text_signs.pair_faults(bare)
    yield from text_signs.markup_faults(bare, source)
    yield from _length_faults(bare, source, asked)
    if slips:
        ended = _ends_with_its_own_mark(text, asked.language)
        yield from text_signs.habit_faults(bare, source, asked.language, ended)
        if text == asked.source and canonical_tag(asked.language).split("-")[0] != "en" and _letters(bare):
            what, allowed = "the text is the same as the English", "translate it, or leave it if it is a name"
            yield Found(0, len(text), what, allowed, False)


def _ends_with_its_own_mark(text: str, language: str) -> bool:
    """Whether a date stands last that this language writes with a full stop of its own (Ukrainian "2026 р.")."""
    *_, last = ["", *PLACEHOLDER.findall(text)]
    is_date = text.endswith(f"{{{last}}}") and PLACEHOLDERS.get(last) is Kind.DATE
    return is_date and format_date(date(2026, 1, 1), language).endswith(".")


def _names(names: frozenset[str]) -> str:
    listed = ", ".join(f"{{{name}}}" for name in sorted(names))
    return f"allowed here: {listed}" if listed else "no placeholder is allowed here"


@lru_cache(maxsize=4096)
def _english_placeholders(one: str, other: str) -> tuple[Mapping[str, int], frozenset[str]]:
    """How often each placeholder may be said, and which must be."""
    counts = Counter(PLACEHOLDER.findall(one)), Counter(PLACEHOLDER.findall(other))
    return counts[0] | counts[1], frozenset(counts[1])


def _placeholder_faults(text: str, asked: _Asked) -> Iterator[Found]:
    most, asked_for = _english_placeholders(asked.one, asked.other)
    allowed, required = frozenset(most), set(asked_for)
    if asked.number is not None and asked.unit.count is not None:
        required.discard(asked.unit.count)
    seen = Counter[str]()
    for match in PLACEHOLDER.finditer(text):
        name, (start, end) = match[1], match.span()
        seen[name] += 1
        if name not in allowed or name not in PLACEHOLDERS:
            yield Found(start, end, f"{{{name}}} is not in the English", _names(allowed))
            continue
        kind = PLACEHOLDERS[name]
        if seen[name] > most[name] and kind in _ONCE:
            times = "once" if most[name] == 1 else f"{most[name]} times"
            yield Found(start, end, f"{{{name}}} is said too often", f"the English says it {times}")
        elif seen[name] > most[name] and kind is Kind.VERBATIM:
            yield Found(start, end, f"{{{name}}} is said more often than in the English", "once is enough", False)
        if kind is Kind.NUMBER and _touches_a_number(text, start, end):
            yield Found(start, end, f"{{{name}}} touches another number", "put a space or a word between them")
        if text[start - 1 : start] in ("$", "%", "#", "\\"):
            what = f"{text[start - 1]}{match[0]} is not how a placeholder is written"
            yield Found(start - 1, end, what, f"write {match[0]}")
    exact = PLACEHOLDER.sub(_blank, text)
    meant = set[str]()
    for match in _NEARLY.finditer(exact):
        written = "".join(char for char in unicodedata.normalize("NFKC", match[1]) if char.isalpha() or char in "_-")
        guess = get_close_matches(written.casefold(), allowed, n=1, cutoff=0.6)
        meant.update(guess)
        hint = f"write {{{guess[0]}}} in exactly these letters" if guess else _names(allowed)
        yield Found(*match.span(), "a curly brace has no partner or holds no known name", hint)
    for match in _BRACE.finditer(_NEARLY.sub(_blank, exact)):
        yield Found(*match.span(), "a curly brace has no partner or holds no known name", _names(allowed))
    for name in sorted(required - set(seen) - meant):
        yield Found(len(text), len(text), f"{{{name}}} is missing", "put it in exactly so")


def _blank(match: re.Match[str]) -> str:
    return "\x00" * len(match[0])


def _touches_a_number(text: str, start: int, end: int) -> bool:
    """Whether a number that is put in here would run together with digits or with another number."""
    if text[start - 1 : start].isnumeric() or text[end : end + 1].isnumeric():
        return True
    follower = PLACEHOLDER.match(text, end)
    return follower is not None and PLACEHOLDERS.get(follower[1]) is Kind.NUMBER


@lru_cache(maxsize=4096)
def _bare(text: str) -> tuple[str, tuple[tuple[int, int, str], ...]]:
    """The text with placeholders, links, addresses and phone numbers blanked out, and the three last as they stand."""
    bare = PLACEHOLDER.sub(_blank, text)
    literals: list[tuple[int, int, str]] = []
    for pattern in (_LINK, _PHONE):
        for match in pattern.finditer(bare):
            literal = match[0].rstrip(_TRAILING)
            literals.append((match.start(), match.start() + len(literal), literal))
        for start, end, _ in literals:
            bare = bare[:start] + "\x00" * (end - start) + bare[end:]
    return bare, tuple(literals)


def _literal_key(literal: str) -> str:
    """A phone number without its separators; everything else as it is."""
    return re.sub(r"[^\d+]", "", literal) if _PHONE.fullmatch(literal) else literal


def _literal_faults(
    text: str, literals: Sequence[tuple[int, int, str]], wanted: Sequence[tuple[int, int, str]]
) -> Iterator[Found]:
    there, needed = {_literal_key(each) for _, _, each in literals}, {_literal_key(each) for _, _, each in wanted}
    for _, _, literal in wanted:
        if _literal_key(literal) not in there:
            yield Found(len(text), len(text), f"{literal} is missing or was altered", "write it exactly so")
    for start, end, literal in literals:
        if _literal_key(literal) not in needed:
            allowed = "a link, an address or a phone number must be in the English, or be a placeholder"
            yield Found(start, end, f"{literal} is not in the English", allowed)


def _numbers(bare: str) -> list[tuple[int, int, str]]:
    """Every number with its place, written in ASCII digits: 1,000 is "1000", 37,5 is "37.5", ½ is "0.5"."""
    found = []
    for match in _NUMBER.finditer(bare):
        first, *rest = re.split(r"\D", match[0])
        groups = [str(int(first)), *("".join(str(int(digit)) for digit in part) for part in rest)]
        decimal = len(groups) > 1 and (len(groups[-1]) != 3 or groups[0] == "0" or len(first) > 3)
        value = "".join(groups[:-1]) + "." + groups[-1] if decimal else "".join(groups)
        found.append((*match.span(), value))
    for place, char in enumerate(bare if any(map(str.isnumeric, bare)) else ""):
        if unicodedata.category(char) in ("No", "Nl"):
            found.append((place, place + 1, f"{unicodedata.numeric(char):g}"))
    return sorted(found)


@lru_cache(maxsize=4096)
def _english_numbers(source: str, bare: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The numbers of the English in digits, and those that it says in words."""
    spoken = [str(_WORDS[word.casefold()]) for word in _NUMBER_WORD.findall(bare)]
    return tuple(value for _, _, value in _numbers(bare)), (*spoken, *("1" for _ in _EVERY.finditer(source)))


def _number_faults(text: str, bare: str, source: str, asked: _Asked) -> Iterator[Found]:
    numbers, (digits_there, words_there) = _numbers(bare), _english_numbers(asked.source, source)
    if not numbers and not digits_there:
        return
    wanted, spoken = Counter(digits_there), Counter(words_there)
    if asked.number is not None:  # "1 drop", "one drop" or "{drops} drop" where the form stands for exactly 1
        counted = f"{{{asked.unit.count}}}"
        wanted -= Counter([str(asked.number)] if counted not in asked.source else [])
        spoken[str(asked.number)] += counted not in text
    left = wanted + spoken
    for start, end, value in numbers:
        if left[value] < 1:
            allowed = "a number must be in the English, in any script's digits, and as often as there"
            yield Found(start, end, f"the number {bare[start:end]} is not in the English", allowed)
        left[value] -= 1
        digits = {ord(char) - int(char) for char in bare[start:end] if char.isdecimal()}
        if len(digits) > 1:
            yield Found(start, end, f"{bare[start:end]} mixes digits of two scripts", "use one script's digits")
    in_words = {"1"} | {str(number) for number in single_numbers(asked.language).values()}
    for value in sorted((wanted - Counter(value for _, _, value in numbers)).elements()):
        if value in in_words:
            what, allowed = f"{value} does not stand there in digits", "look whether the text says it in words"
            yield Found(len(bare), len(bare), what, allowed, False)
        else:
            allowed = "write it in the digits of any script"
            yield Found(len(bare), len(bare), f"the number {value} of the English is missing", allowed)
    degrees = {unicodedata.normalize("NFKC", degree)[-1] for degree in _DEGREE.findall(source)}
    for match in _DEGREE.finditer(bare):
        if unicodedata.normalize("NFKC", match[0])[-1] not in degrees:
            yield Found(*match.span(), f"{match[0]} is not in the English", "keep the unit of the temperature")


@lru_cache(maxsize=4096)
def _letters(text: str) -> int:
    return sum(unicodedata.category(char)[0] in "LM" for char in text)


def _length_faults(bare: str, source: str, asked: _Asked) -> Iterator[Found]:
    if not asked.unit.safety:
        return
    wanted = _letters(source)
    if not wanted or sum(map(str.isalpha, bare)) > wanted * SAFETY_SHARE:
        return
    letters = _letters(bare)  # the marks that are vowels in India's scripts count too
    if not letters:
        yield Found(0, len(bare), "a safety sentence has no words left", "say it in full")
        return
    share = SAFETY_SHARE_DENSE if script_of(asked.language) in _DENSE else SAFETY_SHARE
    if letters < wanted * share:
        what = f"a safety sentence of {letters} letters where the English has {wanted}"
        yield Found(0, len(bare), what, "say it in full", wanted >= SAFETY_LETTERS)
