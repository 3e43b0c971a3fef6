"""What does the page of one sentence group show: its fields with their faults, its costs, and its history?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from markupsafe import Markup

from service.domain.budget import Budget
from service.domain.pack import Wording
from service.domain.revision import Approval, Origin, Revision, Texts
from service.errors import TextFault
from service.messages.catalogs import PLACEHOLDER
from service.messages.i18n import plural_categories
from service.messages.text_checks import FORMS, text_faults
from service.planning.approving import Right, right_in
from service.services import Services
from service.storage.records import Staff
from service.storage.unit_of_work import UnitOfWork
from service.web.access import rights_of
from service.web.shown import language_name, sentence_of
from service.wording.book import Entry
from service.wording.budget import Cost, cost_of, over_budget
from service.wording.plural_numbers import numbers_of
from service.wording.report import budget_of, reason_for
from service.wording.sample_values import candidates
from service.wording.sending_cost import has_shift
from service.wording.word_diff import Piece, word_diff

SHIPPED = "shipped"
"""Stands in the history for the text that came with the service, where nobody approved it here."""
MEANINGS = {
    "drops": "how many drops", "times": "how many times a day", "minutes": "how many minutes",
    "hours": "how many hours", "days": "how many days", "weeks": "how many weeks", "months": "how many months",
    "millilitres": "how many millilitres", "doses": "how many doses", "date": "a date", "until": "the last day",
    "time": "a time of day", "moments": "moments of the day, as a list", "clinic": "the clinic’s name",
    "name": "the reader’s name", "person": "the patient’s first name", "phone": "the clinic’s number",
    "emergency": "the emergency number", "urgent_line": "whom to call when the clinic is closed",
    "email": "the clinic’s e-mail address", "text_number": "the clinic’s number for texts",
    "ways": "how the clinic is reached, as a list", "link": "the link to the patient’s page",
}  # fmt: skip
"""What each placeholder stands for, for whoever writes."""
FORM_NAMES = {"any": "", "right": "Right ear", "left": "Left ear", "both": "Both ears"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """A placeholder that a text may hold, with an example of what takes its place."""

    name: str
    meaning: str
    example: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One text: a form in one plural form. `numbers` are some that take it (empty where the unit does not count).
    `marked` is the text with its faults marked; `faults` bar it, `hints` do not."""

    name: str
    category: str
    numbers: str
    source: str
    tokens: tuple[Token, ...]
    text: str
    faults: tuple[str, ...]
    hints: tuple[str, ...]
    marked: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class FormFields:
    """The fields of one form (any, or right, left, both), and what is wrong with the form as a whole."""

    form: str
    name: str
    fields: tuple[Field, ...]
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One text of two revisions, as pieces; `name` says which form and plural form."""

    name: str
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What a text costs, where it is over the budget, a sentence each, and why it may (empty: nobody said why).
    `shift`: the clinic's texts go with the national shift table of this language, where it holds them."""

    cost: Cost | None
    budget: Budget
    over: tuple[str, ...]
    stated: str
    shift: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """One line of the history. `right` is the one by which it was approved; `why` is the reason of a withdrawal."""

    revision: Revision
    right: str
    why: str
    in_force: bool
    waits: bool
    later: bool


# --- the fields -------------------------------------------------------------------------------------------------------


def faults_of(services: Services, entry: Entry, said: Texts) -> tuple[TextFault, ...]:
    """Everything wrong with a text of this unit, beside the source of now."""
    source = None if entry.language == services.catalogs.source else entry.source
    return text_faults(entry.unit, entry.language, said, source)


def fields_of(
    services: Services, entry: Entry, said: Texts | None, faults: Sequence[TextFault]
) -> tuple[FormFields, ...]:
    """The fields of every form of the unit, filled with `said`."""
    return tuple(
        FormFields(
            form=form,
            name=FORM_NAMES[form],
            fields=tuple(_fields(services, entry, form, said, faults)),
            faults=tuple(_said(fault) for fault in faults if _of_whole(entry.unit, fault, form)),
        )
        for form in FORMS
        if form in entry.unit.forms
    )


def _fields(
    services: Services, entry: Entry, form: str, said: Texts | None, faults: Sequence[TextFault]
) -> Iterator[Field]:
    unit, language, english = entry.unit, entry.language, entry.source[form]
    names = tuple(dict.fromkeys(name for text in english for name in PLACEHOLDER.findall(text)))
    own = services.clinic.said()
    tokens = tuple(
        Token(name=name, meaning=MEANINGS[name], example=own.get(name) or candidates(name, language)[0])
        for name in names
    )
    texts = (said or {}).get(form, ())
    for index, category in enumerate(plural_categories(language) if unit.count is not None else ("",)):
        text = texts[index] if index < len(texts) else ""
        mine = [
            fault
            for fault in faults
            if fault.form == form and not _of_whole(unit, fault, form) and fault.index in (None, index)
        ]
        barring = [fault for fault in mine if fault.bars]
        yield Field(
            name=f"text.{form}.{index}",
            category=category,
            numbers=_numbers(language, index) if category else "",
            source=english[0] if category == "one" else english[-1],
            tokens=tokens,
            text=text,
            faults=tuple(_said(fault) for fault in barring),
            hints=tuple(_said(fault) for fault in mine if not fault.bars),
            marked=marked(text, barring or mine),
        )


def _of_whole(unit: Wording, fault: TextFault, form: str) -> bool:
    """Whether a fault is of the form and not of one text: it has no plural form, and no place in the text."""
    if fault.form != form or fault.index is not None:
        return False
    return unit.count is not None or (
        fault.start == fault.end == 0 and fault.what.startswith(("the texts", "the form"))
    )


def _numbers(language: str, index: int) -> str:
    """Some numbers that take this plural form."""
    samples = numbers_of(language)[index].samples
    if not samples:
        return "fractions only"
    return ", ".join(f"{number:,}".replace(",", " ") for number in samples)


def _said(fault: TextFault) -> str:
    return sentence_of(fault.message)


def marked(text: str, faults: Sequence[TextFault]) -> Markup:
    """The text with every place of a fault in a <mark> that carries the number of its line; empty without faults.

    Where something is missing the mark is empty but for the number. What is wrong with the whole of a text is not
    marked beside other faults: its mark would hide theirs.
    """
    if not faults:
        return Markup()
    placed = [each for each in faults if len(faults) == 1 or (each.start, each.end) != (0, len(text))]
    numbered = [(number, fault) for number, fault in enumerate(faults, 1) if fault in placed]
    cuts = sorted({0, len(text), *(place for fault in placed for place in (fault.start, fault.end))})
    out = Markup()
    for place, start in enumerate(cuts):
        for number, fault in numbered:
            if fault.start == fault.end == start:
                out += Markup(
                    '<mark class="gap"><span class="visually-hidden">missing here: </span><sup>{}</sup></mark>'
                ).format(number)
        if place + 1 == len(cuts):
            break
        piece = text[start : cuts[place + 1]]
        over = [number for number, fault in numbered if fault.start <= start and cuts[place + 1] <= fault.end]
        if not over:
            out += piece
            continue
        ending = ", ".join(str(number) for number in over if faults[number - 1].end == cuts[place + 1])
        seen = piece if piece.strip() else "\u2423" * len(piece)
        out += Markup("<mark>{}{}</mark>").format(seen, Markup("<sup>{}</sup>").format(ending) if ending else "")
    return out


def flat(unit: Wording, language: str, said: Texts) -> list[tuple[str, str]]:
    """The texts as fields of a form, by the fields' names."""
    return [(f"text.{form}.{index}", text) for form, texts in said.items() for index, text in enumerate(texts)]


def costs_of(
    services: Services, work: UnitOfWork, entry: Entry, said: Texts | None, faults: Sequence[TextFault]
) -> Costs:
    """What a text costs beside its budget; no cost where nothing can be counted."""
    budget = budget_of(services.budgets(work), entry.unit.id)
    if said is None or any(fault.bars for fault in faults):
        return Costs(cost=None, budget=budget, over=(), stated="")
    cost = cost_of(entry.unit, said, entry.language, services.clinic.said(), after=entry.after)
    stated = reason_for(services.pack, entry) if said == entry.shown else ""
    shift = services.shifts and has_shift(entry.language)
    return Costs(cost=cost, budget=budget, over=over_budget(cost, budget), stated=stated, shift=shift)


# --- the history ------------------------------------------------------------------------------------------------------


def history_of(services: Services, entry: Entry) -> list[Revision]:
    """Every revision, newest first; the shipped text last, where it is not among them already."""
    unit, language = entry.unit, entry.language
    found = sorted(entry.history, key=lambda each: (each.written_at, each.id), reverse=True)
    digest = services.catalogs.digest(language, unit.id)
    if digest is None or any(each.digest == digest for each in found):
        return found
    shipped = {form: services.catalogs.translation(language, unit.id, form) or () for form in unit.forms}
    source = services.catalogs.digest(services.catalogs.source, unit.id) or ""
    first = Revision(
        id=SHIPPED,
        language=language,
        unit=unit.id,
        texts=shipped,
        digest=digest,
        source_digest=source,
        origin=Origin.SHIPPED,
        written_by=f"the shipped content, {services.pack.version}",
        written_at=datetime.min.replace(tzinfo=UTC),  # before everything that was written here
    )
    return [*found, first]


def pasts_of(services: Services, work: UnitOfWork, entry: Entry) -> list[Past]:
    """The history with what the record says beside it, newest first."""
    now, staff = services.clock.now(), {each.id: each for each in work.staff.all()}
    withdrawn = {each.withdrawn.at for each in entry.history if each.withdrawn is not None}
    approved = {each.approval.at for each in entry.history if each.approval is not None}
    subject = f"wording:{entry.language}:{entry.unit.id}"
    reasons = {
        line.at: str(line.detail.get("why", ""))
        for line in work.ledger.history(subject, only=("wording-withdrawn",), at=withdrawn)
    }
    # An approval of many texts is one line, so these are looked for by their moments, however long ago.
    rights = {
        (line.at, line.actor): Right(str(line.detail["right"]))
        for line in work.ledger.history(f"language:{entry.language}", only=("wording-approved",), at=approved)
        if "right" in line.detail
    }
    return [
        Past(
            revision=each,
            right=_right(each.approval, entry.language, rights, staff) if each.approval is not None else "",
            why=reasons.get(each.withdrawn.at, "") if each.withdrawn is not None else "",
            in_force=entry.approved is not None and each.id == entry.approved.id,
            waits=each.digest == entry.draft_digest and each.id in (entry.draft_id, SHIPPED) and each.approval is None,
            later=each.approval is not None and each.approval.effective > now,
        )
        for each in history_of(services, entry)
    ]


def _right(
    approval: Approval, language: str, rights: Mapping[tuple[datetime, str], Right], staff: Mapping[str, Staff]
) -> str:
    """By which right somebody approved, as the audit record has it; of approvals before it did, as it stands now."""
    found = rights.get((approval.at, approval.by))
    if found is not None:
        return _rights_said(found, language)
    if not approval.approver:
        return _rights_said(Right.OPERATOR, language)
    member = staff.get(approval.approver)
    present = Right.NONE if member is None else right_in(rights_of(member), language)
    return f"now: {_rights_said(present, language)}; by which right it was then is not on record"


def _rights_said(right: Right, language: str) -> str:
    return {
        Right.OPERATOR: "at the command line",
        Right.LEAD: "clinical lead",
        Right.LANGUAGE: f"with the right for {language_name(language)}",
        Right.EVERY_LANGUAGE: "with the right for every language",
        Right.NONE: "no right for this language",
    }[right]


def source_change(services: Services, work: UnitOfWork, entry: Entry) -> tuple[Row, ...]:
    """How the source text changed since this translation was last approved; empty where its old words are not kept."""
    unit, source = entry.unit, services.catalogs.source
    approved = [each for each in history_of(services, entry) if each.approval is not None and each.texts]
    before = replace(entry, language=source, history=tuple(services.book(work).history(source, unit.id)))
    old = next(
        (each for each in history_of(services, before) if approved and each.digest == approved[0].source_digest), None
    )
    return differences(unit, source, old.texts, entry.source) if old is not None and old.texts else ()


def differences(unit: Wording, language: str, before: Texts, after: Texts) -> tuple[Row, ...]:
    """Two texts of the unit, text by text."""
    categories = plural_categories(language) if unit.count is not None else ("",)
    rows = []
    for form in FORMS:
        if form in unit.forms:
            for index, category in enumerate(categories):
                one, other = (
                    texts[form][index] if index < len(texts.get(form, ())) else "" for texts in (before, after)
                )
                name = ", ".join(filter(None, (FORM_NAMES[form], category)))
                rows.append(Row(name=name, pieces=word_diff(one, other)))
    return tuple(rows)
