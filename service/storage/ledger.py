"""The audit record, the attention list, approvals, leases and facts: rows to values and back."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.errors import NotFoundError
from service.storage.records import Attention, Audit
from service.storage.tables import ApprovalRow, AttentionRow, AuditRow, FactRow, LeaseRow


class Ledger:
    """What happened, and what needs a person."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def note(self, actor: str, action: str, subject: str, now: datetime, **detail: object) -> None:
        """Add one line to the audit record. `detail` holds codes and ids, never names, numbers to dial or text."""
        self._session.add(AuditRow(at=now, actor=actor, action=action, subject=subject, detail=detail))

    def history(self, subject: str, limit: int = 500) -> list[Audit]:
        """The audit lines of one record, newest first."""
        query = select(AuditRow).where(AuditRow.subject == subject).order_by(AuditRow.id.desc()).limit(limit)
        return [
            Audit(at=row.at, actor=row.actor, action=row.action, subject=row.subject, detail=row.detail)
            for row in self._session.scalars(query)
        ]

    def ask(
        self, person_id: str, reason: str, now: datetime, *, message_id: str | None = None, detail: str = ""
    ) -> None:
        """Put something on the attention list, unless it is there for the same message and reason."""
        query = select(AttentionRow.id).where(
            AttentionRow.person_id == person_id,
            AttentionRow.reason == reason,
            AttentionRow.message_id.is_(None) if message_id is None else AttentionRow.message_id == message_id,
            AttentionRow.done.is_(None),
        )
        if self._session.scalar(query) is None:
            self._session.add(
                AttentionRow(at=now, person_id=person_id, message_id=message_id, reason=reason, detail=detail)
            )
            self._session.flush()

    def attention(self, limit: int = 200) -> list[Attention]:
        """What is open, oldest first."""
        query = select(AttentionRow).where(AttentionRow.done.is_(None)).order_by(AttentionRow.at).limit(limit)
        return [
            Attention(
                id=row.id,
                at=row.at,
                person_id=row.person_id,
                message_id=row.message_id,
                reason=row.reason,
                detail=row.detail,
            )
            for row in self._session.scalars(query)
        ]

    def attention_done(self, attention_id: int, by: str, now: datetime) -> None:
        """Close one entry. Raises NotFoundError."""
        row = self._session.get(AttentionRow, attention_id)
        if row is None:
            raise NotFoundError("this entry is not on the attention list")
        row.done, row.done_by = now, by

    def open_count(self) -> int:
        """How many things need a person."""
        return self._session.scalar(select(func.count()).where(AttentionRow.done.is_(None))) or 0

    def approve(self, units: Iterable[tuple[str, str, str]], by: str, now: datetime) -> int:
        """Record that a named person approved these (language, unit, digest); returns how many were new."""
        new = 0
        for language, unit, digest in units:
            if self._session.get(ApprovalRow, (language, unit, digest)) is None:
                self._session.add(ApprovalRow(language=language, unit=unit, digest=digest, by=by, at=now))
                new += 1
        return new

    def approvals(self) -> frozenset[tuple[str, str, str]]:
        """Everything approved, as (language, unit, digest)."""
        query = select(ApprovalRow.language, ApprovalRow.unit, ApprovalRow.digest)
        return frozenset((language, unit, digest) for language, unit, digest in self._session.execute(query))

    def approvals_mark(self) -> tuple[int, datetime | None]:
        """A cheap sign that the approvals changed: how many there are, and the newest."""
        row = self._session.execute(select(func.count(), func.max(ApprovalRow.at)).select_from(ApprovalRow)).one()
        return (row[0], row[1])

    def take_lease(self, name: str, owner: str, now: datetime, length: timedelta) -> bool:
        """Take or renew a named duty. False when another owner holds it and its time has not run out."""
        row = self._session.get(LeaseRow, name, with_for_update=True)
        if row is None:
            try:
                with self._session.begin_nested():
                    self._session.add(LeaseRow(name=name, owner=owner, until=now + length))
            except IntegrityError:  # another process took it first, at this moment
                return False
            return True
        if row.owner != owner and row.until > now:
            return False
        row.owner, row.until = owner, now + length
        return True

    def lease(self, name: str) -> tuple[str, datetime] | None:
        """Who holds a duty, and until when."""
        row = self._session.get(LeaseRow, name)
        return None if row is None else (row.owner, row.until)

    def fact(self, name: str) -> str | None:
        """One named fact of this installation."""
        row = self._session.get(FactRow, name)
        return None if row is None else row.value

    def set_fact(self, name: str, value: str) -> None:
        """Store one named fact."""
        self._session.merge(FactRow(name=name, value=value))
