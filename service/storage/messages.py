"""The messages table as a queue with leases: plan, claim, begin a hand-over, record what came of it.

The order of the writes is the promise: an attempt is committed before the first octet leaves, and an outcome counts
only under the lease token that it was claimed with. So a crash leaves `claimed` (nothing left: give it back) or
`handing` (may have left: uncertain), and never a silent loss or a silent double.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from sqlalchemy import and_, func, or_, select, text, update
from sqlalchemy.orm import Session

from service import codec
from service.domain.contact import Channel
from service.domain.message import ComposedMessage, DosePart, MessageKind, PlannedMessage, State
from service.domain.sending import Reason
from service.errors import NotFoundError
from service.storage.locks import hold_person, holds_rows
from service.storage.records import StoredMessage
from service.storage.tables import AttemptRow, MessageRow


class Messages:
    """Everything that is to be sent, was sent, or was not."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def plan(self, plan_id: str, person_id: str, messages: Iterable[PlannedMessage], new_id: Mapping[str, str]) -> None:
        """Store planned messages, `new_id` giving an id for each key. A key planned anew takes the new moments while
        its message has not left; what was sent stays as it was."""
        hold_person(self._session, person_id)
        if holds_rows(self._session):  # no worker may claim what is about to be moved
            mine = select(MessageRow.id).where(MessageRow.plan_id == plan_id)
            movable = or_(MessageRow.state == State.PENDING.value, MessageRow.reason == Reason.SUPERSEDED)
            self._session.execute(mine.where(movable).order_by(MessageRow.id).with_for_update())
        present = {
            row.key: row for row in self._session.scalars(select(MessageRow).where(MessageRow.plan_id == plan_id))
        }
        for planned in messages:
            row = present.get(planned.key)
            if row is None:
                row = MessageRow(id=new_id[planned.key], plan_id=plan_id, person_id=person_id, key=planned.key)
                self._session.add(row)
            elif not (row.state == State.PENDING or row.reason == Reason.SUPERSEDED):
                continue
            row.kind, row.due, row.earliest = planned.kind.value, planned.due, planned.earliest
            row.last_useful, row.wall, row.zone = planned.last_useful, planned.wall, planned.zone
            row.parts = codec.dump(planned.parts)
            row.state, row.look_at, row.superseded, row.reason = State.PENDING.value, planned.earliest, False, None
            row.finished = None
        self._session.flush()

    def supersede(
        self, plan_id: str, *, keep: frozenset[str] = frozenset(), kinds: Iterable[MessageKind] = tuple(MessageKind)
    ) -> None:
        """Mark what is still pending, of these kinds, as overtaken, except the keys to keep."""
        self._session.execute(
            update(MessageRow)
            .where(
                MessageRow.plan_id == plan_id,
                MessageRow.state == State.PENDING.value,
                MessageRow.kind.in_([kind.value for kind in kinds]),
                MessageRow.key.not_in(keep),
            )
            .values(superseded=True)
        )

    def hurry(self, person_id: str, now: datetime) -> None:
        """Have the person's waiting messages looked at anew (after a pause ended, or hours or consent changed)."""
        hold_person(self._session, person_id)
        self._session.execute(
            update(MessageRow)
            .where(MessageRow.person_id == person_id, MessageRow.state == State.PENDING.value)
            .values(
                look_at=func.max(MessageRow.earliest, now) if self._sqlite else func.greatest(MessageRow.earliest, now)
            )
        )

    @property
    def _sqlite(self) -> bool:
        return self._session.get_bind().dialect.name == "sqlite"

    def claim(self, owner: str, now: datetime, lease: timedelta, limit: int) -> list[StoredMessage]:
        """Take up to `limit` messages that are due, oldest first, under a lease that ends at now + lease."""
        # A CTE, not a bare subquery: PostgreSQL runs it exactly once, whatever plan it chooses, so the limit holds.
        chosen = (
            select(MessageRow.id)
            .where(MessageRow.state == State.PENDING.value, MessageRow.look_at <= now)
            .order_by(MessageRow.look_at)
            .limit(limit)
            .with_for_update(skip_locked=True)
            .cte("chosen")
        )
        claimed = self._session.scalars(
            update(MessageRow)
            .where(MessageRow.id.in_(select(chosen.c.id)))
            .values(
                state=State.CLAIMED.value,
                lease_owner=owner,
                lease_until=now + lease,
                lease_token=MessageRow.lease_token + 1,
            )
            .returning(MessageRow)
            .execution_options(synchronize_session=False, populate_existing=True)
        ).all()
        return sorted((_message(row) for row in claimed), key=lambda message: (message.planned.due, message.id))

    def begin(
        self, message: StoredMessage, composed: ComposedMessage, body_hash: str, now: datetime, lease: timedelta
    ) -> StoredMessage | None:
        """Write down the exact words and that the hand-over starts. None when the lease was lost meanwhile."""
        row = self._held(message, State.CLAIMED)
        if row is None:
            return None
        row.state, row.lease_until = State.HANDING.value, now + lease
        row.attempts += 1
        row.channel, row.to, row.language = composed.channel.value, composed.to, composed.language
        row.subject, row.text, row.html = composed.subject, composed.text, composed.html
        row.units, row.body_hash = codec.dump(composed.units), body_hash
        self._session.add(AttemptRow(message_id=row.id, number=row.attempts, lease_token=row.lease_token, begun=now))
        self._session.flush()
        return _message(row)

    def finish(
        self,
        message: StoredMessage,
        state: State,
        now: datetime,
        *,
        reason: Reason | None = None,
        detail: str = "",
        reference: str | None = None,
    ) -> bool:
        """Record a final state under the lease that was claimed. False (and a late attempt) when the lease was lost."""
        return self._settle(
            message,
            {"state": state.value, "reason": reason, "detail": detail, "reference": reference, "finished": now},
            now,
        )

    def give_back(
        self,
        message: StoredMessage,
        look_at: datetime,
        now: datetime,
        *,
        reason: Reason | None = None,
        detail: str = "",
    ) -> bool:
        """Let it wait until `look_at` (a hold, or a retry). False when the lease was lost."""
        return self._settle(
            message, {"state": State.PENDING.value, "look_at": look_at, "reason": reason, "detail": detail}, now
        )

    def _settle(self, message: StoredMessage, values: dict[str, object], now: datetime) -> bool:
        changed = self._session.execute(
            update(MessageRow)
            .where(
                MessageRow.id == message.id,
                MessageRow.lease_token == message.lease_token,
                MessageRow.state.in_([State.CLAIMED.value, State.HANDING.value]),
            )
            .values(lease_owner=None, lease_until=None, **values)
        )
        held = bool(changed.rowcount)  # type: ignore[attr-defined]
        if message.state is State.HANDING:
            self._session.execute(
                update(AttemptRow)
                .where(AttemptRow.message_id == message.id, AttemptRow.lease_token == message.lease_token)
                .values(ended=now, result=str(values["state"]), detail=str(values.get("detail", "")), late=not held)
            )
        return held

    def recover(self, now: datetime) -> list[StoredMessage]:
        """Give back what was claimed under a lease that ran out; what was being handed over becomes uncertain and is
        returned, for the attention list."""
        # The first condition is word for word that of the index; without it SQLite reads the whole table.
        ran_out = and_(text("messages.state IN ('claimed', 'handing')"), MessageRow.lease_until < now)
        # Whoever records an outcome at this moment holds the row and goes first: such rows wait for the next pass.
        unstarted = select(MessageRow.id).where(MessageRow.state == State.CLAIMED.value, ran_out)
        self._session.execute(
            update(MessageRow)
            .where(MessageRow.id.in_(select(unstarted.with_for_update(skip_locked=True).cte("unstarted").c.id)))
            .values(state=State.PENDING.value, lease_owner=None, lease_until=None, look_at=now)
            .execution_options(synchronize_session=False)
        )
        begun = select(MessageRow).where(MessageRow.state == State.HANDING.value, ran_out)
        rows = self._session.scalars(begun.with_for_update(skip_locked=True)).all()
        for row in rows:
            row.state, row.lease_owner, row.lease_until, row.finished = State.UNCERTAIN.value, None, None, now
            row.detail = "the hand-over began and nobody recorded its end"
        self._session.flush()
        return [_message(row) for row in rows]

    def _held(self, message: StoredMessage, state: State) -> MessageRow | None:
        return self._session.scalar(
            select(MessageRow)
            .where(
                MessageRow.id == message.id,
                MessageRow.lease_token == message.lease_token,
                MessageRow.state == state.value,
            )
            .with_for_update()
            .execution_options(populate_existing=True)
        )

    def get(self, message_id: str) -> StoredMessage:
        """One message. Raises NotFoundError."""
        row = self._session.get(MessageRow, message_id)
        if row is None:
            raise NotFoundError("this message is not in the record")
        return _message(row)

    def of_person(self, person_id: str) -> list[StoredMessage]:
        """Every message of a person, by due moment."""
        query = select(MessageRow).where(MessageRow.person_id == person_id).order_by(MessageRow.due, MessageRow.key)
        return [_message(row) for row in self._session.scalars(query)]

    def recent(self, states: Iterable[State], limit: int = 200) -> list[StoredMessage]:
        """The newest messages in these states."""
        query = (
            select(MessageRow)
            .where(MessageRow.state.in_([state.value for state in states]))
            .order_by(MessageRow.finished.desc(), MessageRow.due.desc())
            .limit(limit)
        )
        return [_message(row) for row in self._session.scalars(query)]

    def next_look(self) -> datetime | None:
        """When the next waiting message should be looked at."""
        return self._session.scalar(select(func.min(MessageRow.look_at)).where(MessageRow.state == State.PENDING.value))

    def counts(self) -> dict[tuple[str, str | None], int]:
        """How many messages there are, by state and reason."""
        query = select(MessageRow.state, MessageRow.reason, func.count()).group_by(MessageRow.state, MessageRow.reason)
        return {(state, reason): count for state, reason, count in self._session.execute(query)}


def _message(row: MessageRow) -> StoredMessage:
    return StoredMessage(
        id=row.id,
        plan_id=row.plan_id,
        person_id=row.person_id,
        planned=PlannedMessage(
            key=row.key,
            kind=MessageKind(row.kind),
            due=row.due,
            earliest=row.earliest,
            last_useful=row.last_useful,
            wall=row.wall,
            zone=row.zone,
            parts=codec.load(tuple[DosePart, ...], row.parts),
        ),
        state=State(row.state),
        look_at=row.look_at,
        superseded=row.superseded,
        reason=row.reason,
        detail=row.detail,
        lease_token=row.lease_token,
        attempts=row.attempts,
        channel=Channel(row.channel) if row.channel else None,
        to=row.to,
        language=row.language,
        subject=row.subject,
        text=row.text,
        html=row.html,
        units=codec.load(tuple[str, ...], row.units) if row.units else (),
        body_hash=row.body_hash,
        reference=row.reference,
        finished=row.finished,
    )
