"""The few changes to sending that a person makes: look at held messages at once, and settle an uncertain one."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import cast

from sqlalchemy import Table, literal_column, select, update
from sqlalchemy.orm import Session

from service.domain.message import State
from service.domain.sending import Reason
from service.storage.tables import AttentionRow, MessageRow

_MESSAGES = cast("Table", MessageRow.__table__)


class ByHand:
    """Writes what a person decided."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def look_now(self, reason: Reason, now: datetime, until: datetime) -> int:
        """Have what is held for this reason, and would be looked at by `until`, looked at now; returns how many.

        What a worker or another change holds at this moment is passed over: it is being looked at.
        """
        chosen = (
            select(MessageRow.id)
            .where(
                MessageRow.state == literal_column("'pending'"),
                MessageRow.look_at > now,
                MessageRow.look_at <= until,
                MessageRow.reason == reason.value,
            )
            .with_for_update(skip_locked=True)
            .cte("chosen")
        )
        changed = self._session.connection().execute(
            update(_MESSAGES)
            .where(_MESSAGES.c.id.in_(select(chosen.c.id)))
            .values(look_at=now)
            .returning(_MESSAGES.c.id)
        )
        count = len(changed.all())  # the row count of a statement with a CTE is not known on SQLite
        self._session.expire_all()
        return count

    def send_again(self, message_id: str, now: datetime) -> bool:
        """Give an uncertain message back to the queue, to be looked at now. False when it is uncertain no more.

        Its key stays, so that the same words leave under the same key.
        """
        changed = self._session.connection().execute(
            update(_MESSAGES)
            .where(_MESSAGES.c.id == message_id, _MESSAGES.c.state == State.UNCERTAIN.value)
            .values(
                state=State.PENDING.value,
                look_at=now,
                reason=None,
                detail="",
                carrier=None,
                repeat_at=None,
                repeats=0,
                finished=None,
            )
        )
        self._session.expire_all()
        return bool(changed.rowcount)

    def close_open(self, person_id: str, reasons: tuple[str, ...], by: str, now: datetime) -> None:
        """Close what is open about a person for these reasons, whatever the message: it was decided."""
        self._session.execute(
            update(AttentionRow)
            .where(
                AttentionRow.person_id == person_id,
                AttentionRow.reason.in_(reasons),
                AttentionRow.done.is_(None),
            )
            .values(done=now, done_by=by)
        )

    def open_again(self, person_id: str, reasons: tuple[str, ...], closed: Collection[datetime]) -> frozenset[str]:
        """Open again what was closed about a person for these reasons at one of these instants (UTC), since what closed
        it is taken back; returns the reasons. What is open about the same matter meanwhile stays the only entry."""
        mine = select(AttentionRow).where(AttentionRow.person_id == person_id, AttentionRow.reason.in_(reasons))
        known = {(row.reason, row.message_id) for row in self._session.scalars(mine.where(AttentionRow.done.is_(None)))}
        opened = set()
        for row in self._session.scalars(mine.where(AttentionRow.done.in_(closed)).order_by(AttentionRow.id)):
            if (row.reason, row.message_id) not in known:
                row.done, row.done_by = None, None
                known.add((row.reason, row.message_id))
                opened.add(row.reason)
        self._session.flush()
        return frozenset(opened)

    def close_entries(self, person_id: str, message_id: str, reasons: tuple[str, ...], by: str, now: datetime) -> int:
        """Close the open attention entries of one message for these reasons; returns how many were open."""
        changed = self._session.execute(
            update(AttentionRow)
            .where(
                AttentionRow.person_id == person_id,
                AttentionRow.message_id == message_id,
                AttentionRow.reason.in_(reasons),
                AttentionRow.done.is_(None),
            )
            .values(done=now, done_by=by)
        )
        return int(changed.rowcount)  # type: ignore[attr-defined]
