"""The messages that plans call for: stored, moved, overtaken, read back. How they are sent is in `queue.py`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, and_, func, not_, or_, select, update
from sqlalchemy.orm import Session

from service import codec
from service.domain.contact import Channel
from service.domain.message import MessageKind, PlannedMessage, State
from service.domain.sending import Reason
from service.errors import NotFoundError
from service.storage.locks import hold_person, holds_rows
from service.storage.message_rows import message_of, tried_without
from service.storage.records import StoredMessage
from service.storage.set_aside import readable
from service.storage.tables import MessageRow

_NOT_BEGUN = (State.PENDING.value, State.CLAIMED.value)
_MAY_GO_YET = (*_NOT_BEGUN, State.HANDING.value, State.SENT.value, State.UNCERTAIN.value)


class Messages:
    """Everything that is to be sent, was sent, or was not."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def plan(
        self,
        plan_id: str,
        person_id: str,
        messages: Iterable[PlannedMessage],
        new_id: Mapping[str, str],
        fresh: frozenset[Channel] = frozenset(),
    ) -> None:
        """Store planned messages, `new_id` giving an id for each key. A key planned anew takes the new moments while
        its message has not left; what was sent stays as it was.

        A message that says the same at the same moment keeps the channels that refused it and the moment of its next
        attempt; but the `fresh` channels, which go to another number or address now, are tried again, and at once.
        """
        hold_person(self._session, person_id)
        if holds_rows(self._session):  # no worker may claim what is about to be moved
            mine = select(MessageRow.id).where(MessageRow.plan_id == plan_id)
            movable = or_(MessageRow.state.in_(_NOT_BEGUN), MessageRow.reason == Reason.SUPERSEDED)
            self._session.execute(mine.where(movable).order_by(MessageRow.id).with_for_update())
        present = {
            row.key: row for row in self._session.scalars(select(MessageRow).where(MessageRow.plan_id == plan_id))
        }
        for planned in messages:
            kept = _Kept()
            row = present.get(planned.key)
            if row is None:
                row = MessageRow(id=new_id[planned.key], plan_id=plan_id, person_id=person_id, key=planned.key)
                self._session.add(row)
            elif not (row.state in _NOT_BEGUN or row.reason == Reason.SUPERSEDED):
                row.superseded = False  # it left; should it have to go again, it is wanted
                continue
            elif not row.superseded and _says_the_same(row, planned):
                kept = _kept(row, fresh)
            if row.state == State.CLAIMED:  # taken from its worker, which looks for its token before it begins
                row.lease_token, row.lease_owner, row.lease_until = row.lease_token + 1, None, None
            row.kind, row.due, row.earliest = planned.kind.value, planned.due, planned.earliest
            row.last_useful, row.wall, row.zone = planned.last_useful, planned.wall, planned.zone
            row.parts = codec.dump(planned.parts)
            row.state, row.superseded, row.reason, row.finished = State.PENDING.value, False, None, None
            row.look_at, row.tried = kept.look_at or planned.earliest, kept.tried
        self._session.flush()

    def supersede(
        self, plan_id: str, *, keep: frozenset[str] = frozenset(), kinds: Iterable[MessageKind] = tuple(MessageKind)
    ) -> None:
        """Mark these kinds as overtaken, except the keys to keep: what has not left yet never does, and what is on its
        way does not go once more if that comes to nothing."""
        overtaken = and_(
            MessageRow.plan_id == plan_id,
            MessageRow.state.in_(_MAY_GO_YET),
            MessageRow.kind.in_([kind.value for kind in kinds]),
            MessageRow.key.not_in(keep),
        )
        if holds_rows(self._session):  # in one order, as everywhere: nobody waits in a circle
            self._session.execute(select(MessageRow.id).where(overtaken).order_by(MessageRow.id).with_for_update())
        self._session.execute(update(MessageRow).where(overtaken).values(superseded=True))

    def hurry(self, person_id: str, now: datetime, *, retries: bool = True) -> None:
        """Have the person's waiting messages looked at anew (after a pause ended, or hours or consent changed); without
        `retries`, what waits for its next attempt goes on waiting."""
        hold_person(self._session, person_id)
        waiting = and_(MessageRow.person_id == person_id, MessageRow.state == State.PENDING.value)
        if not retries:
            waiting = and_(waiting, not_(_waits_to_be_retried()))
        self._session.execute(
            update(MessageRow)
            .where(waiting)
            .values(
                look_at=func.max(MessageRow.earliest, now) if self._sqlite else func.greatest(MessageRow.earliest, now)
            )
        )

    @property
    def _sqlite(self) -> bool:
        return self._session.get_bind().dialect.name == "sqlite"

    def get(self, message_id: str) -> StoredMessage:
        """One message. Raises NotFoundError."""
        row = self._session.get(MessageRow, message_id)
        if row is None:
            raise NotFoundError("this message is not in the record")
        return message_of(row)

    def of_person(self, person_id: str) -> list[StoredMessage]:
        """Every message of a person, by due moment, but for what cannot be read: the attention list names that."""
        query = select(MessageRow).where(MessageRow.person_id == person_id).order_by(MessageRow.due, MessageRow.key)
        return readable(self._session.scalars(query))[0]

    def recent(self, states: Iterable[State], limit: int = 200) -> list[StoredMessage]:
        """The newest messages in these states."""
        query = (
            select(MessageRow)
            .where(MessageRow.state.in_([state.value for state in states]))
            .order_by(MessageRow.finished.desc(), MessageRow.due.desc())
            .limit(limit)
        )
        return readable(self._session.scalars(query))[0]

    def next_look(self) -> datetime | None:
        """When the next waiting message should be looked at."""
        return self._session.scalar(select(func.min(MessageRow.look_at)).where(MessageRow.state == State.PENDING.value))

    def counts(self) -> dict[tuple[str, str | None], int]:
        """How many messages there are, by state and reason."""
        query = select(MessageRow.state, MessageRow.reason, func.count()).group_by(MessageRow.state, MessageRow.reason)
        return {(state, reason): count for state, reason, count in self._session.execute(query)}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """What a message keeps when it is planned anew: when its next attempt is due, and what refused it."""

    look_at: datetime | None = None
    tried: str = ""


def _says_the_same(row: MessageRow, planned: PlannedMessage) -> bool:
    return (row.kind, row.due, row.parts) == (planned.kind.value, planned.due, codec.dump(planned.parts))


def _kept(row: MessageRow, fresh: frozenset[Channel]) -> _Kept:
    retried = row.attempts > 0 and row.reason is None and not fresh
    return _Kept(look_at=row.look_at if retried else None, tried=tried_without(row.tried, fresh))


def _waits_to_be_retried() -> ColumnElement[bool]:
    """An attempt came to nothing, and nothing else holds the message up."""
    return and_(MessageRow.attempts > 0, MessageRow.reason.is_(None))
