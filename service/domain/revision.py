"""Which text of a sentence is in force at a moment, and may this person approve that one?

A revision is one text of one wording unit in one language. It is written once and never changed; it begins as a draft.
Its approval says from when it is in force. A translation also names the source text that it was made from, and is in
force only beside exactly that text: when the source changes, its translations are overtaken until they are approved
anew.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from service.domain.pack import Wording
from service.errors import NotAllowedError

Texts = Mapping[str, tuple[str, ...]]
"""Form (any, or right, left and both) to its plural forms in the order of the language; one text if nothing counts."""


class Origin(StrEnum):
    """Where a revision came from."""

    SHIPPED = "shipped"  # with the service's content
    WRITTEN = "written"  # at this clinic
    IMPORTED = "imported"  # from a translator's file
    RETURNED = "returned"  # an earlier one, brought back


class Standing(StrEnum):
    """Where a sentence stands in one language."""

    MISSING = "missing"
    DRAFT = "draft"
    APPROVED = "approved"
    OVERTAKEN = "overtaken"  # approved once, and the source changed since


@dataclass(frozen=True, slots=True, kw_only=True)
class Approval:
    """A named person takes responsibility for a text from `effective` on. `approver` is the member of staff's id, empty
    when it was given at the command line. `reason` says why it may cost more than the budget. `own_words`: the same
    person wrote it, which only a clinic of one person may allow."""

    by: str
    approver: str
    at: datetime
    effective: datetime
    reason: str = ""
    own_words: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawal:
    """From when a revision is no longer to be used, and who said so."""

    by: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """One text of one unit in one language. `digest` pins the text and its source, `source_digest` the source alone;
    for the source language both are the same. `writer` is the id of the member of staff who wrote it, if one did.
    `remarks` is what a translator wrote beside its texts, by form: doubts and questions for whoever approves."""

    id: str
    language: str
    unit: str
    texts: Texts
    digest: str
    source_digest: str
    origin: Origin
    written_by: str
    writer: str = ""
    written_at: datetime
    note: str = ""
    approval: Approval | None = None
    withdrawn: Withdrawal | None = None
    remarks: Mapping[str, str] = field(default_factory=dict)

    def in_force(self, at: datetime) -> bool:
        """Whether it is approved, begun and not withdrawn at this moment; a newer one may stand before it."""
        begun = self.approval is not None and self.approval.effective <= at
        return begun and (self.withdrawn is None or self.withdrawn.at > at)

    def is_draft(self, at: datetime) -> bool:
        """Whether it still waits for an approval."""
        return self.approval is None and (self.withdrawn is None or self.withdrawn.at > at)


def source_of(unit: Wording, texts: Texts | None = None) -> dict[str, list[str | None]]:
    """The source text as digests cover it, form by form: the text for one (None where nothing counts), and for others.
    `texts` are the clinic's own instead of those that the content ships."""
    if texts is None:
        return {form: [forms.one, forms.other] for form, forms in unit.forms.items()}
    return {form: [None if unit.count is None else said[0], said[-1]] for form, said in texts.items()}


def digest_of(unit: Wording, source: Mapping[str, list[str | None]], said: Texts | None) -> str:
    """SHA-256 over a text and the source that it was made from; `said` None for the source itself."""
    covered = [unit.id, unit.count, source, {} if said is None else {form: list(texts) for form, texts in said.items()}]
    canonical = json.dumps(covered, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(canonical.encode("utf-8")).hexdigest()


def current(revisions: Iterable[Revision], source_digest: str | None, at: datetime) -> Revision | None:
    """The revision in force: of those approved for this source, the one that came into force last. `source_digest` None
    takes any source: for the source language itself."""
    fitting = [
        each
        for each in revisions
        if each.approval is not None and each.in_force(at) and source_digest in (None, each.source_digest)
    ]
    return max(fitting, key=_order, default=None)


def _order(revision: Revision) -> tuple[datetime, datetime, str]:
    assert revision.approval is not None
    return revision.approval.effective, revision.approval.at, revision.id


def coming(revisions: Iterable[Revision], source_digest: str | None, at: datetime) -> Revision | None:
    """The revision that is approved for a later day, the nearest one."""
    later = [
        each
        for each in revisions
        if each.approval is not None
        and each.approval.effective > at
        and each.withdrawn is None
        and source_digest in (None, each.source_digest)
    ]
    return min(later, key=_order, default=None)


def newest_draft(revisions: Iterable[Revision], at: datetime) -> Revision | None:
    """The draft written last, if it is newer than the approved text."""
    drafts = [each for each in revisions if each.is_draft(at)]
    return max(drafts, key=lambda each: (each.written_at, each.id), default=None)


def next_change(revisions: Iterable[Revision], at: datetime) -> datetime | None:
    """The next moment at which an approval comes into force by itself."""
    coming = [each.approval.effective for each in revisions if each.approval is not None and not each.withdrawn]
    return min((moment for moment in coming if moment > at), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rights:
    """What a person may do with wording. `staff_id` is empty at the command line, where the operator answers for it.
    `languages` are those whose text the person may approve; "*" stands for every one. `lead`: the clinical lead, who
    alone approves safety sentences."""

    staff_id: str
    lead: bool
    languages: frozenset[str]

    def may_approve_in(self, language: str) -> bool:
        """Whether the right covers this language."""
        return "*" in self.languages or language in self.languages


def check_approval(
    revision: Revision, unit: Wording, rights: Rights, *, own_words: bool, over: Collection[str]
) -> bool:
    """Whether the approval would be of the person's own words, which `own_words` allows.

    `over` says, a sentence each, where the text costs more than the budget and no reason was given.

    Raises NotAllowedError when the person may not approve it, naming why and who could.
    """
    if not rights.may_approve_in(revision.language):
        raise NotAllowedError(
            f"you have no right to approve wording in {revision.language}; ask the clinical lead or somebody who has"
        )
    if unit.safety and not rights.lead:
        raise NotAllowedError(f"{unit.id} is a safety sentence: only the clinical lead can approve it")
    own = bool(rights.staff_id) and rights.staff_id == revision.writer
    if own and not own_words:
        raise NotAllowedError(f"{unit.id}: you wrote this text; a second person must read and approve it")
    if over:
        raise NotAllowedError(
            f"{unit.id}: {'; '.join(each.rstrip('.') for each in over)}; shorten it, or give the reason why it may stay"
        )
    return own
