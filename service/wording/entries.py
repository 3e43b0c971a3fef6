"""What does an outside translator get of each text, and what does a translator's file say back?

`Entry` is what goes out, `Incoming` what comes in. Both are the same for every file format, so that a format is only
a way to write the one and to read the other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

from service.domain.pack import Pack
from service.errors import ContactError, ContentError, Fault
from service.messages.catalogs import FORMS
from service.messages.i18n import PLURAL_SAMPLE, canonical_tag, fallback_chain, plural_categories, plural_form

Texts = tuple[str, ...]

MOST_OCTETS = 8 * 1024 * 1024
"""The largest file that is read, octets. Our choice: about twenty times the largest export of the shipped content."""

_EARS = {"right": "The right ear.", "left": "The left ear.", "both": "Both ears."}


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One text that goes out to a translator.

    `source` is the English of now: (other,), or (one, other) where `count` names the placeholder that picks the plural
    form. `target` has the plural forms in the order of `plural_categories(language)`, one text where nothing counts.
    `standing` is a value of `service.domain.revision.Standing`. `made_from` is the English that an overtaken target
    was made from, if it is known. `remark` is what a translator wrote beside the target.
    """

    unit: str
    form: str
    topic: str
    note: str
    safety: bool
    count: str | None
    source: Texts
    target: Texts | None
    standing: str
    made_from: Texts | None = None
    remark: str = ""

    @property
    def key(self) -> str:
        """The identity of the text in every format: "<unit id>|<form>", as in the catalogs."""
        return f"{self.unit}|{self.form}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Incoming:
    """One text of a translator's file.

    `source` is the English that the file was made from: as in `Entry`, or one text for each plural form of the language
    where `per_form`. `target` has every plural form, "" where the file has none. `ready` is False while the translator
    has it marked as unfinished. `problem` says why the text cannot be used whatever its words are. `remark` is what the
    translator wrote beside it. `line` is where it stands in the file.
    """

    key: str
    source: Texts
    target: Texts
    ready: bool
    per_form: bool = False
    problem: str = ""
    remark: str = ""
    line: int | None = None

    @property
    def unit(self) -> str:
        """The wording unit that the file names."""
        return self.key.rpartition("|")[0]

    @property
    def form(self) -> str:
        """The form (any, or right, left, both) that the file names."""
        return self.key.rpartition("|")[2]


def entries_of(
    pack: Pack,
    texts_by_unit: Mapping[str, Mapping[str, Texts]],
    standings: Mapping[str, str],
    *,
    sources_by_unit: Mapping[str, Mapping[str, Texts]] | None = None,
    made_from: Mapping[str, Mapping[str, Texts]] | None = None,
    remarks: Mapping[str, Mapping[str, str]] | None = None,
    units: Collection[str] | None = None,
) -> tuple[Entry, ...]:
    """Every text of the content in its order, form by form, with what one language says for it now.

    `texts_by_unit` holds the language's texts, `standings` the standing by unit ("missing" where it has none).
    `sources_by_unit` is the English where a clinic has its own (plural forms of English), `made_from` the English of
    overtaken texts, `remarks` what translators wrote beside the texts. `units` picks some of the units.
    """
    found = []
    for unit in pack.wording.values():
        if units is not None and unit.id not in units:
            continue
        own = (sources_by_unit or {}).get(unit.id, {})
        before = (made_from or {}).get(unit.id, {})
        for form in sorted(unit.forms, key=_form_order):
            shipped = unit.forms[form]
            texts = own.get(form) or ((shipped.one, shipped.other) if shipped.one is not None else (shipped.other,))
            found.append(
                Entry(
                    unit=unit.id,
                    form=form,
                    topic=unit.topic,
                    note=unit.note,
                    safety=unit.safety,
                    count=unit.count,
                    source=_english(texts, unit.count),
                    target=texts_by_unit.get(unit.id, {}).get(form),
                    standing=standings.get(unit.id, "missing"),
                    made_from=_english(before[form], unit.count) if form in before else None,
                    remark=(remarks or {}).get(unit.id, {}).get(form, ""),
                )
            )
    return tuple(found)


def _form_order(form: str) -> tuple[int, str]:
    return (FORMS.index(form) if form in FORMS else len(FORMS), form)


def _english(texts: Texts, count: str | None) -> Texts:
    """The English as files show it, from the plural forms of the source language."""
    return (texts[-1],) if count is None else (texts[0], texts[-1])


@lru_cache(maxsize=512)
def numbers_of(language: str, category: str) -> tuple[int, ...]:
    """Sample numbers that a plural category of a language stands for, smallest first.

    Raises:
        ContactError: field "language", when the CLDR has no rule for it.
        ValueError: the language has no such category.
    """
    index = plural_categories(language).index(category)
    rule = plural_form(language)
    return tuple(number for number in PLURAL_SAMPLE if rule(number) == index)


def may_leave_out_number(language: str, category: str) -> bool:
    """Whether the form stands for exactly 0, 1 or 2 and nothing else: then it may say the number as a word."""
    numbers = numbers_of(language, category)
    return len(numbers) == 1 and numbers[0] <= 2


def shown_sources(entry: Entry, language: str) -> Texts:
    """The English beside each plural form of the language: one text for each, in the order of the forms.

    The form "one" gets the English for one. Where it also stands for other numbers (21 in Ukrainian, 0 in French) and
    the English for one has no number, it gets the English for others: the number must not be lost.
    """
    if entry.count is None:
        return entry.source
    one, other = entry.source
    number = f"{{{entry.count}}}"
    return tuple(
        one if category == "one" and (number in one or may_leave_out_number(language, category)) else other
        for category in plural_categories(language)
    )


def guidance(entry: Entry) -> Iterator[tuple[str, str]]:
    """What a translator is told about a text: kind of remark and the remark, in a steady order."""
    yield "topic", f"Topic: {entry.topic}"
    if entry.safety:
        yield "safety", "Safety: say it in full."
    if entry.count is not None:
        yield "count", f"{{{entry.count}}} picks the plural form."
    if entry.form in _EARS:
        yield "ear", _EARS[entry.form]
    if entry.note:
        yield "note", entry.note
    yield "standing", f"Standing: {entry.standing}."


def explain_form(entry: Entry, language: str, category: str) -> str:
    """One sentence on which numbers a plural form is for, and whether the number must be in it."""
    numbers = numbers_of(language, category)
    some = ", ".join(str(number) for number in numbers[:6]) + (" and so on" if len(numbers) > 6 else "")
    some = some or "fractions, and no whole number"
    rule = "may be a word" if may_leave_out_number(language, category) else "must stay"
    return f"Plural form {category}: for {some}; {{{entry.count}}} {rule}."


def refuse(name: str, sentence: str, line: int | None = None) -> ContentError:
    """The error for a file that cannot be taken at all: its name, the line if one is to blame, and one sentence."""
    return ContentError((Fault(file=name, path="", message=sentence, line=line),))


def check_language(stated: str, language: str, name: str) -> None:
    """Refuse a file in another language. Tools add or drop a country or script: uk-UA is taken for uk, pl is not.

    Raises:
        ContentError: the file says another language, or one that is not a language tag.
    """
    try:
        tag = canonical_tag(stated)
        same = language in fallback_chain(tag) or tag in fallback_chain(language)
    except ContactError:
        same = False
    if not same:
        raise refuse(name, f"the file is in {stated[:40]}, and {language} was asked for; choose the right language")


def decode(data: bytes, name: str) -> str:
    """The text of a file that must be UTF-8. Raises ContentError when it is too large, empty or not UTF-8."""
    if len(data) > MOST_OCTETS:
        raise refuse(name, f"the file is larger than {MOST_OCTETS // 1024 // 1024} MB; export it in parts, by topic")
    if not data.strip():
        raise refuse(name, "the file is empty; export it again")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise refuse(name, "the file is not UTF-8 from this line on; save it as UTF-8", line) from error
