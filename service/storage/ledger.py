"""The audit record, the attention list, leases, facts and taken callbacks: rows to values and back."""

from __future__ import annotations

from collections.abc import Collection
from contextlib import suppress
from datetime import datetime, timedelta

from sqlalchemy import delete, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.errors import NotFoundError
from service.storage.locks import add_once
from service.storage.records import Attention, Audit
from service.storage.tables import (
    AttentionRow,
    AuditRow,
    CallbackRow,
    FactRow,
    LeaseRow,
)


class Ledger:
    """What happened, and what needs a person."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def note(self, actor: str, action: str, subject: str, now: datetime, **detail: object) -> None:
        """Add one line to the audit record. `detail` holds codes and ids, never names, numbers to dial or text."""
        self._session.add(AuditRow(at=now, actor=actor, action=action, subject=subject, detail=detail))

    def history(
        self,
        subject: str,
        limit: int = 500,
        *,
        only: Collection[str] = (),
        but: Collection[str] = (),
        at: Collection[datetime] | None = None,
    ) -> list[Audit]:
        """The audit lines of one record, newest first; `only` these actions, or all `but` these; of these moments."""
        query = select(AuditRow).where(AuditRow.subject == subject).order_by(AuditRow.id.desc()).limit(limit)
        if at is not None:
            query = query.where(AuditRow.at.in_(at))
        if only:
            query = query.where(AuditRow.action.in_(only))
        if but:
            query = query.where(AuditRow.action.not_in(but))
        return [
            Audit(at=row.at, actor=row.actor, action=row.action, subject=row.subject, detail=row.detail)
            for row in self._session.scalars(query)
        ]

    def ask(
        self, person_id: str, reason: str, now: datetime, *, message_id: str | None = None, detail: str = ""
    ) -> None:
        """Put something on the attention list, unless it is there for the same message and reason. An entry about a
        message that was done once is opened again."""
        same = select(AttentionRow).where(
            AttentionRow.person_id == person_id,
            AttentionRow.reason == reason,
            AttentionRow.message_id.is_(None) if message_id is None else AttentionRow.message_id == message_id,
        )
        if self._session.scalar(same.where(AttentionRow.done.is_(None)).limit(1)) is not None:
            return
        row = self._session.scalar(same) if message_id is not None else None
        if row is not None:
            row.at, row.detail, row.done, row.done_by = now, detail, None, None
            self._session.flush()
            return
        try:
            with self._session.begin_nested():
                entry = AttentionRow(at=now, person_id=person_id, message_id=message_id, reason=reason, detail=detail)
                self._session.add(entry)
        except IntegrityError:
            if self._session.scalar(same.limit(1)) is None:
                raise  # else another process put it there at this moment

    def attention(self, limit: int = 200, *, only: str | None = None, but: str | None = None) -> list[Attention]:
        """What is open, oldest first; `only` what has this reason, or everything `but` what has it."""
        query = select(AttentionRow).where(AttentionRow.done.is_(None))
        if only is not None:
            query = query.where(AttentionRow.reason == only)
        if but is not None:
            query = query.where(AttentionRow.reason != but)
        query = query.order_by(AttentionRow.at, AttentionRow.id).limit(limit)
        return [attention_of(row) for row in self._session.scalars(query)]

    def attention_done(self, attention_id: int, by: str, now: datetime) -> None:
        """Close one entry. Raises NotFoundError."""
        row = self._session.get(AttentionRow, attention_id)
        if row is None:
            raise NotFoundError("this entry is not on the attention list")
        row.done, row.done_by = now, by

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

    def give_up_lease(self, name: str, owner: str) -> None:
        """Let another owner take a duty at once; nothing when it is not this owner's."""
        self._session.execute(delete(LeaseRow).where(LeaseRow.name == name, LeaseRow.owner == owner))

    def fact(self, name: str) -> str | None:
        """One named fact of this installation."""
        row = self._session.get(FactRow, name)
        return None if row is None else row.value

    def set_fact(self, name: str, value: str) -> None:
        """Store one named fact."""
        self._session.merge(FactRow(name=name, value=value))

    def swap_fact(self, name: str, old: str | None, new: str) -> bool:
        """Store one named fact in place of `old` (None: there is none). False when it is another one by now."""
        if old is None:
            return add_once(self._session, FactRow(name=name, value=new))
        same = update(FactRow).where(FactRow.name == name, FactRow.value == old).values(value=new)
        return bool(self._session.execute(same).rowcount)  # type: ignore[attr-defined]

    def clear_fact(self, name: str) -> None:
        """Forget one named fact."""
        self._session.execute(delete(FactRow).where(FactRow.name == name))

    def callback_known(self, mark: str) -> bool:
        """Whether this signed call was taken already."""
        return self._session.get(CallbackRow, mark) is not None

    def note_callback(self, mark: str, now: datetime, kept_for: timedelta) -> None:
        """Remember a signed call as taken, and forget those that were taken longer ago than `kept_for`."""
        self._session.execute(delete(CallbackRow).where(CallbackRow.at < now - kept_for))
        with suppress(IntegrityError), self._session.begin_nested():  # the same call at the same moment: noted already
            self._session.add(CallbackRow(mark=mark, at=now))


def attention_of(row: AttentionRow) -> Attention:
    """One entry of the attention list as a value."""
    return Attention(
        id=row.id,
        at=row.at,
        person_id=row.person_id,
        message_id=row.message_id,
        reason=row.reason,
        detail=row.detail,
        done=row.done,
        done_by=row.done_by,
    )
