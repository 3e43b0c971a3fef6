"""Wording is written, approved by a second named person, withdrawn or brought back; until approved it is never sent."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.budget import Budget
from service.domain.pack import Wording
from service.domain.revision import Approval, Origin, Revision, Rights, Texts, Withdrawal, check_approval
from service.errors import NotAllowedError, NotFoundError, TextRefusedError
from service.messages.i18n import canonical_tag, format_date, plural_categories
from service.messages.text_checks import composed, text_faults
from service.services import Services
from service.storage.unit_of_work import UnitOfWork
from service.wording.book import Book, Entry, digest_for
from service.wording.budget import cost_of
from service.wording.budget import over_budget as over
from service.wording.report import budget_of, reason_for

OPERATOR = Rights(staff_id="", lead=True, languages=frozenset({"*"}))
"""Whoever works at the command line of the server answers for the name that they give."""


class Right(StrEnum):
    """By which right somebody approves. Stands in the audit record, since rights change and approvals do not."""

    OPERATOR = "operator"
    LEAD = "lead"
    LANGUAGE = "language"
    EVERY_LANGUAGE = "every-language"
    NONE = "none"


def right_in(rights: Rights, language: str) -> Right:
    """The right by which a person approves texts of this language."""
    if not rights.staff_id:
        return Right.OPERATOR
    if not rights.may_approve_in(language):
        return Right.NONE
    if rights.lead:
        return Right.LEAD
    return Right.LANGUAGE if language in rights.languages else Right.EVERY_LANGUAGE


@dataclass(frozen=True, slots=True, kw_only=True)
class Author:
    """Who writes: as the record names them, and their staff id ("" at the command line)."""

    name: str
    staff_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Approving:
    """Who approves, with which rights; from when it counts (None: at once); and why texts may cost more than the
    budget, by unit ("" for all)."""

    by: str
    rights: Rights = OPERATOR
    effective: datetime | None = None
    reasons: Mapping[str, str] = field(default_factory=dict)

    def reason(self, unit_id: str) -> str:
        """The reason given for this unit."""
        return self.reasons.get(unit_id, self.reasons.get("", "")).strip()


def write(
    services: Services,
    language: str,
    unit_id: str,
    texts: Texts,
    author: Author,
    *,
    seen: str,
    note: str = "",
    origin: Origin = Origin.WRITTEN,
) -> Revision:
    """Keep a new draft. `seen` is the digest of the text that the author started from ("" for none): when somebody
    changed it meanwhile, nothing is written.

    Raises:
        TextRefusedError: the text would break a message; holds every fault with its place.
        NotAllowedError: somebody else wrote meanwhile, or nothing was changed.
    """
    with services.open_work() as work:
        work.revisions.hold()
        entry = _entry(services, work, language, unit_id)
        if seen != entry.shown_digest:
            raise NotAllowedError(f"{unit_id}: somebody changed this text meanwhile; compare the two and save again")
        revision = _draft(services, entry, texts, author, origin, note)
        if entry.shown is not None and revision.digest == entry.shown_digest:
            raise NotAllowedError(f"{unit_id}: the text is the same as before; nothing was saved")
        work.revisions.add([*_passed_over(services, entry, author), revision])
        _note(work, author.name, "wording-written", language, unit_id, revision, services.clock.now())
        work.commit()
    return revision


def write_many(
    services: Services,
    language: str,
    texts: Mapping[str, Texts],
    author: Author,
    *,
    seen: Mapping[str, str],
    note: str,
    origin: Origin,
    remarks: Mapping[str, Mapping[str, str]] | None = None,
) -> int:
    """Keep drafts for many units at once, from a translator's file; unchanged ones are passed over. All or none. `seen`
    are the digests of the texts that they were compared with. `remarks` is what the translator wrote beside them, by
    unit and form: a new remark makes a draft of the same words, so that whoever approves reads it.

    Raises TextRefusedError naming the first unit that is refused, NotAllowedError when one was changed meanwhile.
    """
    with services.open_work() as work:
        work.revisions.hold()
        drafts = []
        for unit_id, said in texts.items():
            entry = _entry(services, work, language, unit_id)
            if seen.get(unit_id, "") != entry.shown_digest:
                raise NotAllowedError(f"{unit_id}: somebody changed this text meanwhile; look at the file once more")
            beside = (remarks or {}).get(unit_id, {})
            revision = _draft(services, entry, said, author, origin, note, beside)
            if revision.digest != entry.shown_digest or (beside and beside != entry.remarks):
                drafts += [*_passed_over(services, entry, author), revision]
        work.revisions.add(drafts)
        now = services.clock.now()
        written = sum(1 for each in drafts if each.withdrawn is None)
        work.ledger.note(author.name, "wording-imported", f"language:{language}", now, units=written)
        work.commit()
    return written


def approve(services: Services, language: str, shown: Sequence[tuple[str, str]], approving: Approving) -> int:
    """Approve the drafts of these (unit, digest as it was read), all or none; returns how many.

    Raises NotAllowedError for a right that is missing, own words, a cost over the budget without a reason, or a text
    that changed since it was read.
    """
    _named(approving)
    with services.open_work() as work:
        work.revisions.hold()
        now, entries = services.clock.now(), []
        for unit_id, digest in shown:
            entry = _entry(services, work, language, unit_id)
            if entry.draft is None or entry.draft_digest != digest:
                raise NotAllowedError(f"{unit_id}: the wording changed since it was shown; read it again")
            entries.append(entry)
        _approve(services, work, entries, approving, now)
        _approved_note(work, approving, language, len(shown), now)
        work.commit()
    return len(shown)


def approve_units(services: Services, language: str, units: Iterable[str], by: str, reason: str = "") -> int:
    """Approve the drafts of these units as they stand now, in the name of the operator; returns how many were new.

    A unit without a complete text is passed over. Raises NotAllowedError for a language without a catalog, or when
    nobody is named.
    """
    approving = Approving(by=by, reasons={"": reason} if reason else {})
    _named(approving)
    with services.open_work() as work:
        work.revisions.hold()
        now, book = services.clock.now(), services.book(work)
        _known(book, language)
        found = [book.entry(language, unit_id, now) for unit_id in units]
        entries = [entry for entry in found if entry.draft is not None]
        _approve(services, work, entries, approving, now)
        _approved_note(work, approving, language, len(entries), now)
        work.commit()
    return len(entries)


def approve_language(services: Services, language: str, by: str, reason: str = "") -> int:
    """Approve every complete unit of a language as it stands now."""
    return approve_units(services, language, services.pack.wording, by, reason)


def withdraw(services: Services, language: str, unit_id: str, by: str, rights: Rights, why: str) -> int:
    """Stop the use of a unit in one language: whatever is approved or waits is withdrawn. What was unsent goes in the
    source language, or to a person. Returns how many revisions were withdrawn. Raises NotAllowedError."""
    if not why.strip():
        raise NotAllowedError("why: say why this wording must not be used any more")
    if not rights.may_approve_in(language):
        raise NotAllowedError(f"you have no right to withdraw wording in {language}; ask the clinical lead")
    with services.open_work() as work:
        work.revisions.hold()
        now = services.clock.now()
        _entry(services, work, language, unit_id)
        open_ones = [each.id for each in work.revisions.of(language, unit_id) if each.withdrawn is None]
        work.revisions.withdraw(open_ones, by, now)
        work.ledger.note(
            by, "wording-withdrawn", f"wording:{language}:{unit_id}", now, revisions=len(open_ones), why=why
        )
        work.commit()
    return len(open_ones)


def bring_back(services: Services, revision_id: str, author: Author) -> Revision:
    """Make an earlier text a new draft, beside the source text of now. Raises NotFoundError, TextRefusedError."""
    with services.open_work() as work:
        work.revisions.hold()
        found = work.revisions.get(revision_id)
        if found is None or not found.texts:
            raise NotFoundError("there is no such revision, or its words are not kept; choose one from the history")
        entry = _entry(services, work, found.language, found.unit)
        revision = _draft(services, entry, found.texts, author, Origin.RETURNED, f"as of {found.written_at:%Y-%m-%d}")
        work.revisions.add([*_passed_over(services, entry, author), revision])
        _note(work, author.name, "wording-written", found.language, found.unit, revision, services.clock.now())
        work.commit()
    return revision


def add_language(services: Services, tag: str, by: str) -> str:
    """Make room for another language, every sentence missing; returns its canonical tag.

    Raises ContactError when the tag is malformed or the CLDR does not know how the language counts or writes a date: a
    message could never be said in it. NotAllowedError when it is there already.
    """
    language = canonical_tag(tag)
    plural_categories(language)
    format_date(services.clock.now().date(), language)
    with services.open_work() as work:
        work.revisions.hold()
        if language in services.book(work).languages:
            raise NotAllowedError(f"language: {language} is there already; open it in the list")
        work.revisions.add_language(language)
        work.ledger.note(by, "language-added", f"language:{language}", services.clock.now())
        work.commit()
    return language


def _passed_over(services: Services, entry: Entry, author: Author) -> list[Revision]:
    """The shipped text that waited, written down as passed over, so that it waits no more beside the clinic's own. A
    shipped text that comes with a later version waits again."""
    if entry.draft is None or entry.draft_id:
        return []
    before = services.clock.now() - timedelta(microseconds=1)  # what replaces it is the newer event
    passed = replace(_shipped(services, entry), written_at=before, withdrawn=Withdrawal(by=author.name, at=before))
    return [passed]


def _draft(
    services: Services,
    entry: Entry,
    texts: Texts,
    author: Author,
    origin: Origin,
    note: str,
    remarks: Mapping[str, str] | None = None,
) -> Revision:
    unit, language, texts = entry.unit, entry.language, composed(texts)
    source = None if language == services.catalogs.source else entry.source
    barring = tuple(each for each in text_faults(unit, language, texts, source) if each.bars)
    if barring:
        raise TextRefusedError(unit.id, barring)
    return Revision(
        id=services.new_id(),
        language=language,
        unit=unit.id,
        texts=texts,
        digest=digest_for(unit, texts if source is None else source, None if source is None else texts),
        source_digest=digest_for(unit, texts, None) if source is None else entry.source_digest,
        origin=origin,
        written_by=author.name,
        writer=author.staff_id,
        written_at=services.clock.now(),
        note=note.strip(),
        remarks=remarks or {},
    )


def _approve(
    services: Services, work: UnitOfWork, entries: Sequence[Entry], approving: Approving, now: datetime
) -> None:
    """Approve what waits; a shipped text is written down with it, so that its words outlive an upgrade."""
    shipped, budgets = [], services.budgets(work)
    for entry in entries:
        unit, costs = entry.unit, over_budget(services, entry, budgets)
        reason = approving.reason(unit.id) if costs else ""
        draft = next((each for each in entry.history if each.id == entry.draft_id), None) or _shipped(services, entry)
        over_and_why_not = () if reason else costs
        own = check_approval(draft, unit, approving.rights, own_words=services.own_words, over=over_and_why_not)
        approval = Approval(
            by=approving.by.strip(),
            approver=approving.rights.staff_id,
            at=now,
            effective=max(now, approving.effective or now),
            reason=reason,
            own_words=own,
        )
        if not entry.draft_id:
            shipped.append(replace(draft, approval=approval))
        elif not work.revisions.approve(draft.id, approval):
            raise NotAllowedError(f"{unit.id}: somebody approved or withdrew this text meanwhile; read it again")
    work.revisions.add(shipped)


def _shipped(services: Services, entry: Entry) -> Revision:
    assert entry.draft is not None
    return Revision(
        id=services.new_id(),
        language=entry.language,
        unit=entry.unit.id,
        texts=entry.draft,
        digest=entry.draft_digest,
        source_digest=entry.draft_digest if entry.language == services.catalogs.source else entry.source_digest,
        origin=Origin.SHIPPED,
        written_by=f"the shipped content, {services.pack.version}",
        written_at=services.clock.now(),
    )


def over_budget(services: Services, entry: Entry, budgets: Mapping[str, Budget] | None = None) -> tuple[str, ...]:
    """Where the text that waits costs more than the budget (None: the content's), a sentence each; nothing where the
    content states why a shipped text may."""
    if entry.draft is None or reason_for(services.pack, entry):
        return ()
    cost = cost_of(entry.unit, entry.draft, entry.language, services.clinic.said(), after=entry.after)
    return over(cost, budget_of(budgets or services.pack.budgets, entry.unit.id))


def _entry(services: Services, work: UnitOfWork, language: str, unit_id: str) -> Entry:
    book = services.book(work)
    _known(book, language)
    unit: Wording | None = services.pack.wording.get(unit_id)
    if unit is None:
        raise NotFoundError(f"there is no wording unit {unit_id!r}; choose one from the list")
    return book.entry(language, unit_id, services.clock.now())


def _known(book: Book, language: str) -> None:
    if language not in book.languages:
        raise NotAllowedError(f"language: {language} has no catalog; choose {', '.join(book.languages)}")


def _named(approving: Approving) -> None:
    if not approving.by.strip():
        raise NotAllowedError("approved by: give the full name of the person who approves")


def _note(
    work: UnitOfWork, by: str, action: str, language: str, unit_id: str, revision: Revision, now: datetime
) -> None:
    work.ledger.note(by, action, f"wording:{language}:{unit_id}", now, revision=revision.id, origin=revision.origin)


def _approved_note(work: UnitOfWork, approving: Approving, language: str, new: int, now: datetime) -> None:
    right = right_in(approving.rights, language).value
    work.ledger.note(approving.by, "wording-approved", f"language:{language}", now, units=new, new=new, right=right)
