"""The revisions of the wording, and which languages the clinic added: rows to values and back."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, cast

from sqlalchemy import Table, insert, select, update
from sqlalchemy.orm import Session

from service.domain.revision import Approval, Origin, Revision, Texts, Withdrawal
from service.storage.locks import add_once, holds_rows
from service.storage.tables import FactRow, WordingRevisionRow

_REVISIONS = cast("Table", WordingRevisionRow.__table__)
_MARK = "wording"
"""The fact that counts how often the wording changed."""
_MARK_VALUE = select(FactRow.__table__.c.value).where(FactRow.__table__.c.name == _MARK)
_LANGUAGES = "wording-languages"


class Revisions:
    """Every text that was ever written down here. Nothing is changed but to approve it or to withdraw it, once each."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def mark(self) -> str | None:
        """A cheap sign that the wording changed: another value after each change."""
        return self._session.connection().scalar(_MARK_VALUE)

    def hold(self) -> None:
        """Keep others who write wording waiting until this transaction ends: whoever writes reads first, and must not
        overlook what another writes at the same moment. Writing is rare, so that one at a time is enough."""
        if not holds_rows(self._session):
            return
        held = _MARK_VALUE.with_for_update()
        if self._session.connection().scalar(held) is None:  # nothing was ever written: there is no row to hold yet
            add_once(self._session, FactRow(name=_MARK, value="0"))
            self._session.connection().execute(held)

    def all(self) -> list[Revision]:
        """Every revision, oldest first."""
        rows = self._session.connection().execute(select(_REVISIONS).order_by(_REVISIONS.c.written_at, _REVISIONS.c.id))
        return [_revision(row) for row in rows]

    def get(self, revision_id: str) -> Revision | None:
        """One revision, if there is one of this id."""
        row = self._session.connection().execute(select(_REVISIONS).where(_REVISIONS.c.id == revision_id)).first()
        return _revision(row) if row is not None else None

    def of(self, language: str, unit: str) -> list[Revision]:
        """Every revision of one unit in one language, oldest first. They are held until this transaction ends, so that
        two people never approve at the same moment."""
        query = (
            select(_REVISIONS)
            .where(_REVISIONS.c.unit == unit, _REVISIONS.c.language == language)
            .order_by(_REVISIONS.c.written_at, _REVISIONS.c.id)
            .with_for_update()
        )
        return [_revision(row) for row in self._session.connection().execute(query)]

    def add(self, revisions: Sequence[Revision]) -> None:
        """Keep new ones."""
        if revisions:
            self._session.connection().execute(insert(_REVISIONS), [_row(each) for each in revisions])
            self._changed()

    def approve(self, revision_id: str, approval: Approval) -> bool:
        """Record an approval; False when it was approved or withdrawn meanwhile."""
        done = self._session.connection().execute(
            update(_REVISIONS)
            .where(
                _REVISIONS.c.id == revision_id,
                _REVISIONS.c.approved_at.is_(None),
                _REVISIONS.c.withdrawn_at.is_(None),
            )
            .values(**_approved(approval))
        )
        self._changed()
        return bool(done.rowcount)

    def withdraw(self, revision_ids: Iterable[str], by: str, now: datetime) -> None:
        """Record that these are no longer to be used."""
        self._session.connection().execute(
            update(_REVISIONS)
            .where(_REVISIONS.c.id.in_(list(revision_ids)), _REVISIONS.c.withdrawn_at.is_(None))
            .values(withdrawn_by=by, withdrawn_at=now)
        )
        self._changed()

    def languages(self) -> tuple[str, ...]:
        """The languages that the clinic added to those that are shipped."""
        row = self._session.get(FactRow, _LANGUAGES)
        return tuple(json.loads(row.value)) if row is not None else ()

    def add_language(self, tag: str) -> None:
        """Add one."""
        self._session.merge(FactRow(name=_LANGUAGES, value=json.dumps(sorted({*self.languages(), tag}))))
        self._changed()

    def _changed(self) -> None:
        row = self._session.get(FactRow, _MARK, with_for_update=True, populate_existing=True)
        self._session.merge(FactRow(name=_MARK, value=str(int(row.value if row is not None else 0) + 1)))
        self._session.flush()


def _approved(approval: Approval | None) -> dict[str, Any]:
    return {
        "approved_by": approval.by if approval else None,
        "approver": approval.approver if approval else "",
        "approved_at": approval.at if approval else None,
        "effective": approval.effective if approval else None,
        "reason": approval.reason if approval else "",
        "own_words": bool(approval and approval.own_words),
    }


def _row(revision: Revision) -> dict[str, Any]:
    return {
        "id": revision.id,
        "language": revision.language,
        "unit": revision.unit,
        "texts": json.dumps({form: list(texts) for form, texts in revision.texts.items()}, ensure_ascii=False),
        "digest": revision.digest,
        "source_digest": revision.source_digest,
        "origin": revision.origin.value,
        "note": revision.note,
        "written_by": revision.written_by,
        "writer": revision.writer,
        "written_at": revision.written_at,
        **_approved(revision.approval),
        "withdrawn_by": revision.withdrawn.by if revision.withdrawn else None,
        "withdrawn_at": revision.withdrawn.at if revision.withdrawn else None,
        "remarks": json.dumps(dict(revision.remarks), ensure_ascii=False) if revision.remarks else None,
    }


def _revision(row: Any) -> Revision:
    texts: Texts = {form: tuple(said) for form, said in json.loads(row.texts or "{}").items()}
    approval = None
    if row.approved_at is not None:
        approval = Approval(
            by=row.approved_by,
            approver=row.approver,
            at=row.approved_at,
            effective=row.effective,
            reason=row.reason,
            own_words=row.own_words,
        )
    return Revision(
        id=row.id,
        language=row.language,
        unit=row.unit,
        texts=texts,
        digest=row.digest,
        source_digest=row.source_digest,
        origin=Origin(row.origin),
        written_by=row.written_by,
        writer=row.writer,
        written_at=row.written_at,
        note=row.note,
        approval=approval,
        withdrawn=Withdrawal(by=row.withdrawn_by, at=row.withdrawn_at) if row.withdrawn_at is not None else None,
        remarks=json.loads(row.remarks) if row.remarks else {},
    )
