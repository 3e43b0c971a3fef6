"""What is due, held, uncertain or at an end, and what happened to one message? Reading only.

Every query goes through an index of the messages table and reads a bounded part of it, so that the page stays quick at
a million messages; `tests/storage/test_outbox_views.py` asks the database for its plan of each.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import and_, case, exists, func, literal_column, select, text, true
from sqlalchemy.orm import Session
from sqlalchemy.sql import ColumnElement

from service import codec
from service.domain.contact import Channel, Contact
from service.domain.message import MessageKind, State
from service.domain.sending import Reason
from service.storage.ledger import attention_of
from service.storage.message_rows import message_of
from service.storage.records import Attention, StoredMessage
from service.storage.tables import AttemptRow, AttentionRow, MessageRow, PersonRow

ASKS = ("uncertain", Reason.FAULT.value)
"""Reasons of the attention list under which an uncertain message stands there."""

# Word for word the conditions of the indexes; without them SQLite reads the whole table.
_PENDING = MessageRow.state == literal_column("'pending'")
_LEASED: ColumnElement[bool] = and_(text("messages.state IN ('claimed', 'handing')"), true())


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """What should have been looked at by now: how many, and since when the oldest (UTC; None when there is none)."""

    count: int
    oldest: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Messages that wait for one reason; `next_look` is when the first of them is looked at again (UTC), `oldest` since
    when the oldest was due (UTC)."""

    reason: str
    count: int
    next_look: datetime
    oldest: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Waits:
    """How many messages of one kind wait for one person."""

    person_id: str
    contact: Contact
    kind: MessageKind
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """Messages that ended in one state for one reason: in the shorter and in the longer time."""

    state: State
    reason: str | None
    short: int
    long: int


@dataclass(frozen=True, slots=True, kw_only=True)
class InHand:
    """A message that a worker has: CLAIMED or HANDING, by whom, and until when (UTC)."""

    message: StoredMessage
    owner: str
    until: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One hand-over as it stands in the record; see `tables.AttemptRow`. `result` is the state that followed."""

    number: int
    channel: Channel | None
    key: str
    body_hash: str
    begun: datetime
    ended: datetime | None
    result: State | None
    detail: str
    late: bool


class OutboxViews:
    """Looks at the messages as a whole, and at everything about one of them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    # The whole

    def due(self, now: datetime) -> Due:
        """Everything that waits for a look and should have had it, or gets it at this moment: what waits, and what a
        worker took whose lease has run out."""
        waits = (_PENDING, MessageRow.look_at <= now)
        left = (_LEASED, MessageRow.lease_until <= now)
        looks = (select(func.count(), func.min(MessageRow.look_at)).where(*which) for which in (waits, left))
        found = [self._session.execute(look).one() for look in looks]
        return Due(
            count=sum(count for count, _ in found),
            oldest=min((oldest for _, oldest in found if oldest is not None), default=None),
        )

    def again(self, now: datetime, until: datetime) -> Due:
        """What was tried, did not get through and is tried again after now and until `until`; since when the oldest was
        due. What waits for a reason as well is among the held ones instead."""
        query = select(func.count(), func.min(MessageRow.due)).where(
            _PENDING,
            MessageRow.look_at > now,
            MessageRow.look_at <= until,
            MessageRow.attempts > 0,
            MessageRow.reason.is_(None),
        )
        count, oldest = self._session.execute(query).one()
        return Due(count=count, oldest=oldest)

    def waits(self, until: datetime, limit: int) -> list[Waits]:
        """For whom messages wait that are looked at until `until`, how many of each kind; at most `limit` rows."""
        query = (
            select(MessageRow.person_id, PersonRow.contact, MessageRow.kind, func.count())
            .join(PersonRow, PersonRow.id == MessageRow.person_id)
            .where(_PENDING, MessageRow.look_at <= until, MessageRow.superseded.is_(False))
            .group_by(MessageRow.person_id, PersonRow.contact, MessageRow.kind)
            .limit(limit)
        )
        return [
            Waits(person_id=person_id, contact=codec.load(Contact, contact), kind=MessageKind(kind), count=count)
            for person_id, contact, kind, count in self._session.execute(query)
        ]

    def held(self, now: datetime, until: datetime) -> list[Held]:
        """What waits for a reason and is looked at again after now and until `until`, by reason; most first."""
        query = (
            select(MessageRow.reason, func.count(), func.min(MessageRow.look_at), func.min(MessageRow.due))
            .where(_PENDING, MessageRow.look_at > now, MessageRow.look_at <= until, MessageRow.reason.is_not(None))
            .group_by(MessageRow.reason)
        )
        found = [
            Held(reason=reason, count=count, next_look=next_look, oldest=oldest)
            for reason, count, next_look, oldest in self._session.execute(query)
            if reason is not None
        ]
        return sorted(found, key=lambda each: (-each.count, each.reason))

    def ended(self, short: datetime, long: datetime) -> list[Ended]:
        """How messages ended since `long`, and of these since `short` (the later moment), by state and reason."""
        final = [each.value for each in (State.SENT, State.DELIVERED, State.DROPPED, State.FAILED, State.UNCERTAIN)]
        recent = func.sum(case((MessageRow.finished >= short, 1), else_=0))
        query = (
            select(MessageRow.state, MessageRow.reason, recent, func.count())
            .where(MessageRow.finished >= long, MessageRow.state.in_(final))
            .group_by(MessageRow.state, MessageRow.reason)
        )
        found = [
            Ended(state=State(state), reason=reason, short=in_short, long=count)
            for state, reason, in_short, count in self._session.execute(query)
        ]
        return sorted(found, key=lambda each: (list(State).index(each.state), -each.long, each.reason or ""))

    def uncertain_count(self) -> int:
        """How many uncertain messages wait for a person or for their repeat; joined ones count once each."""
        counts = (self._session.scalar(select(func.count()).where(which)) for which in (_FOR_A_PERSON, _BY_ITSELF))
        return sum(count or 0 for count in counts)

    def uncertain(self, limit: int) -> list[StoredMessage]:
        """Uncertain messages that wait for a person, then those that are repeated by themselves; oldest first."""
        for_a_person = select(MessageRow).where(_FOR_A_PERSON).order_by(MessageRow.handed).limit(limit)
        by_itself = select(MessageRow).where(_BY_ITSELF).order_by(MessageRow.repeat_at).limit(limit)
        found = [*self._session.scalars(for_a_person), *self._session.scalars(by_itself)]
        return [message_of(row) for row in found[:limit]]

    def asked(self, message_ids: Collection[str]) -> set[str]:
        """Which of these messages stand on the attention list as uncertain."""
        found = self._session.scalars(_ASKED.where(AttentionRow.message_id.in_(message_ids)))
        return {each for each in found if each is not None}

    def in_hand_count(self, now: datetime) -> dict[State, int]:
        """How many messages workers have, CLAIMED or HANDING, under a lease that holds."""
        live = (_LEASED, MessageRow.lease_until > now)
        query = select(MessageRow.state, func.count()).where(*live).group_by(MessageRow.state)
        return {State(state): count for state, count in self._session.execute(query)}

    def in_hand(self, limit: int) -> list[InHand]:
        """What workers have now; what ends its lease first, first."""
        query = select(MessageRow).where(_LEASED).order_by(MessageRow.lease_until).limit(limit)
        return [
            InHand(message=message_of(row), owner=row.lease_owner or "", until=row.lease_until)
            for row in self._session.scalars(query)
            if row.lease_until is not None
        ]

    def next_due(self, limit: int) -> list[StoredMessage]:
        """What is looked at next, what is due now first."""
        query = select(MessageRow).where(_PENDING).order_by(MessageRow.look_at).limit(limit)
        return [message_of(row) for row in self._session.scalars(query)]

    def newest(self, limit: int) -> list[StoredMessage]:
        """What ended last."""
        query = (
            select(MessageRow).where(MessageRow.finished.is_not(None)).order_by(MessageRow.finished.desc()).limit(limit)
        )
        return [message_of(row) for row in self._session.scalars(query)]

    def names(self, people: Collection[str]) -> dict[str, str]:
        """The names of these people."""
        query = select(PersonRow.id, PersonRow.name).where(PersonRow.id.in_(people))
        return {row.id: row.name for row in self._session.execute(query)}

    # One message

    def attempts_of(self, message_id: str) -> list[Attempt]:
        """Every hand-over of one message, in their order."""
        query = select(AttemptRow).where(AttemptRow.message_id == message_id).order_by(AttemptRow.id)
        return [
            Attempt(
                number=row.number,
                channel=Channel(row.channel) if row.channel else None,
                key=row.key or "",
                body_hash=row.body_hash or "",
                begun=row.begun,
                ended=row.ended,
                result=State(row.result) if row.result else None,
                detail=row.detail,
                late=row.late,
            )
            for row in self._session.scalars(query)
        ]

    def attention_about(self, person_id: str, message_id: str) -> list[Attention]:
        """Every entry of the attention list about one message, done or not."""
        query = select(AttentionRow).where(AttentionRow.person_id == person_id, AttentionRow.message_id == message_id)
        return [attention_of(row) for row in self._session.scalars(query.order_by(AttentionRow.at, AttentionRow.id))]


_UNCERTAIN = MessageRow.state == State.UNCERTAIN.value
_ASKED = select(AttentionRow.message_id).where(
    AttentionRow.done.is_(None), AttentionRow.reason.in_(ASKS), AttentionRow.message_id.is_not(None)
)
_IS_ASKED = exists().where(
    AttentionRow.person_id == MessageRow.person_id,
    AttentionRow.message_id == MessageRow.id,
    AttentionRow.reason.in_(ASKS),
    AttentionRow.done.is_(None),
)
_FOR_A_PERSON = and_(MessageRow.id.in_(_ASKED), _UNCERTAIN)
_BY_ITSELF = and_(MessageRow.repeat_at.is_not(None), _UNCERTAIN, ~_IS_ASKED)
