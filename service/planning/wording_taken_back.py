"""A draft, or a text that is approved for a later day, is taken back before anybody was told it."""

from __future__ import annotations

from service.domain.revision import Revision, Rights
from service.errors import NotAllowedError, NotFoundError
from service.planning.approving import Author
from service.services import Services


def take_back(services: Services, revision_id: str, author: Author, rights: Rights, why: str) -> Revision:
    """Take back one revision that is not in force yet; what is in force stays. Returns what was taken back.

    A draft is taken back by whoever wrote it or may approve it, an approval by whoever could have given it.

    Raises NotFoundError when there is no such revision, NotAllowedError when nobody says why, the right is missing, or
    the text is in force or was taken back already.
    """
    with services.open_work() as work:
        work.revisions.hold()
        now, revision = services.clock.now(), work.revisions.get(revision_id)
        if revision is None:
            raise NotFoundError("there is no such revision; choose one from the history")
        unit, language = revision.unit, revision.language
        if not why.strip():
            raise NotAllowedError(f"{unit}: say why this text is taken back")
        if revision.withdrawn is not None:
            raise NotAllowedError(f"{unit}: this text was taken back already")
        if revision.in_force(now):
            raise NotAllowedError(f"{unit}: this text is in force; withdraw the sentence group to stop its use")
        own = revision.approval is None and bool(author.staff_id) and author.staff_id == revision.writer
        if not own and not rights.may_approve_in(language):
            raise NotAllowedError(f"you have no right to take back wording in {language}; ask the clinical lead")
        known = services.pack.wording.get(unit)
        if revision.approval is not None and known is not None and known.safety and not rights.lead:
            raise NotAllowedError(f"{unit} is a safety sentence: only the clinical lead takes its approval back")
        work.revisions.withdraw([revision.id], author.name, now)
        subject = f"wording:{language}:{unit}"
        work.ledger.note(author.name, "wording-withdrawn", subject, now, revisions=1, why=why.strip())
        work.commit()
    return revision
