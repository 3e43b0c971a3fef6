"""The messages table as a queue with leases: claim what is due, begin a hand-over, record what came of it.

The order of the writes is the promise: an attempt is committed before the first octet leaves, and an outcome counts
only under the lease token that it was claimed with. So a crash leaves `claimed` (nothing left: give it back) or
`handing` (may have left: uncertain), and never a silent loss or a silent double. Many messages share one commit; the
number that is being handed over at one moment is what a crash can make uncertain.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from functools import lru_cache
from typing import Any, cast

from sqlalchemy import Table, bindparam, select, update
from sqlalchemy.orm import Session
from sqlalchemy.sql.dml import ReturningUpdate

from service import codec
from service.domain.contact import Channel
from service.domain.message import State
from service.storage.message_rows import message_of, tried_text
from service.storage.queue_statements import (
    ANYTHING,
    BEGIN,
    BEGIN_ATTEMPT,
    BEGUN,
    CLAIM,
    CLAIM_BESIDE,
    DUE_AGAIN,
    END,
    END_ATTEMPT,
    GIVE_BACK,
    GIVE_UNSTARTED,
    REPEATS,
    SHARING,
)
from service.storage.records import Beginning, Ending, Facts, StoredMessage, far_key
from service.storage.set_aside import read_or_set_aside, readable
from service.storage.tables import MessageRow

_MESSAGES = cast("Table", MessageRow.__table__)


class Held(StrEnum):
    """Whether an outcome could be written down."""

    OWN = "own"  # under the lease that it was claimed with
    SETTLED = "settled"  # late, but nobody took the message up since: it is uncertain no more
    LOST = "lost"  # too late: noted on its attempt only


class Queue:
    """What is due, who has it in hand, and how it ends."""

    def __init__(self, session: Session) -> None:
        self._session = session

    # Taking

    def anything(self, now: datetime, lease: timedelta) -> bool:
        """Whether a pass would find something to do; three looks into indexes."""
        return bool(self._session.connection().scalar(ANYTHING, _moments(now, lease)))

    def claim(self, owner: str, now: datetime, lease: timedelta, limit: int) -> list[StoredMessage]:
        """Take up to `limit` messages that are due, oldest first, under a lease that ends at now + lease."""
        return self._claim(CLAIM, {"owner": owner, "now": now, "until": now + lease, "limit": limit}, now)

    def claim_beside(
        self, owner: str, now: datetime, lease: timedelta, claimed: Sequence[StoredMessage], within: timedelta
    ) -> list[StoredMessage]:
        """Take what could go along with the claimed messages: what the same recipients are due soon after."""
        people = {message.person_id for message in claimed}
        sharing = self._session.connection().scalars(SHARING, {"given": people})
        values = {
            "given": people.union(sharing),
            "soon": now + within,
            "owner": owner,
            "until": now + lease,
            "limit": 5 * len(claimed),
        }
        return self._claim(CLAIM_BESIDE, values, now)

    def _claim(self, taken: ReturningUpdate[Any], values: dict[str, object], now: datetime) -> list[StoredMessage]:
        rows = self._session.connection().execute(taken, values).all()
        found = read_or_set_aside(self._session, rows, now)
        return sorted(found, key=lambda message: (message.planned.due, message.id))

    def repeats(self, now: datetime, limit: int) -> list[list[StoredMessage]]:
        """Uncertain messages whose repeat is due, each with those that its text also says."""
        rows = self._session.connection().execute(REPEATS, {"now": now, "limit": limit})
        carriers, _ = readable(rows)  # `recover` sets the others aside
        return [
            [carrier, *(each for each in self.carried_by(carrier.id) if each.state is State.UNCERTAIN)]
            for carrier in carriers
        ]

    def put_off(self, message: StoredMessage, repeat_at: datetime | None) -> bool:
        """Repeat an uncertain message at another moment, or (None) never by itself. False if it changed meanwhile."""
        changed = self._session.connection().execute(
            update(_MESSAGES)
            .where(
                _MESSAGES.c.id == message.id,
                _MESSAGES.c.lease_token == message.lease_token,
                _MESSAGES.c.state == State.UNCERTAIN.value,
            )
            .values(repeat_at=repeat_at)
        )
        return bool(changed.rowcount)

    def send_elsewhere(self, message: StoredMessage, failed: Channel, now: datetime) -> None:
        """Have a message that came to nothing looked at again, for another channel than the one that failed."""
        self._session.connection().execute(
            update(_MESSAGES)
            .where(_MESSAGES.c.id == message.id, _MESSAGES.c.lease_token == message.lease_token)
            .values(
                state=State.PENDING.value,
                look_at=now,
                reason=None,
                tried=tried_text(message.tried_as, failed, message.attempts),
                carrier=None,
                repeat_at=None,
                repeats=0,  # what the other channel answers is about its own hand-over
                finished=None,
            )
        )
        self._session.expire_all()

    def carried_by(self, carrier_id: str) -> list[StoredMessage]:
        """The messages that are said in the text of this one."""
        query = select(MessageRow).where(MessageRow.carrier == carrier_id).order_by(MessageRow.id)
        return readable(self._session.scalars(query))[0]

    def extend(self, messages: Iterable[StoredMessage], now: datetime, lease: timedelta) -> None:
        """Keep what was claimed and is not begun yet for longer."""
        # In one order, as everywhere: two that hold several of these rows never wait for each other.
        ordered = sorted(messages, key=lambda message: message.id)
        keys = [{"b_id": each.id, "b_token": each.lease_token} for each in ordered]
        if keys:
            self._session.connection().execute(
                update(_MESSAGES)
                .where(
                    _MESSAGES.c.id == bindparam("b_id"),
                    _MESSAGES.c.lease_token == bindparam("b_token"),
                    _MESSAGES.c.state == State.CLAIMED.value,
                )
                .values(lease_until=now + lease),
                keys,
            )

    def recover(
        self, now: datetime, lease: timedelta, repeat_at: Callable[[StoredMessage], datetime | None]
    ) -> list[StoredMessage]:
        """Give back what was claimed under a lease that ran out; what was being handed over becomes uncertain and is
        returned, to be put before a person unless `repeat_at` names the moment of a repeat.

        A lease that ends much later than any lease of now could was made under a clock far ahead: it has run out too.
        What cannot be read is set aside and put before a person here, and never returned.
        """
        # Whoever records an outcome at this moment holds the row and goes first: such rows wait for the next pass.
        moments = _moments(now, lease)
        self._session.connection().execute(GIVE_UNSTARTED, moments)
        rows = self._session.scalars(BEGUN, moments).all()
        can_be_read = {message.id for message in read_or_set_aside(self._session, rows, now, State.UNCERTAIN)}
        rows = [row for row in rows if row.id in can_be_read]
        for row in rows:
            row.state, row.lease_owner, row.lease_until, row.finished = State.UNCERTAIN.value, None, None, now
            row.detail = "the hand-over began and nobody recorded its end"
            row.repeat_at = repeat_at(message_of(row)) if row.carrier is None else None
        self._session.flush()
        again = self._session.connection().execute(DUE_AGAIN, moments).all()
        read_or_set_aside(self._session, again, now, State.UNCERTAIN)
        return [message_of(row) for row in rows]

    # Writing down

    def begin(self, beginnings: Sequence[Beginning], now: datetime, lease: timedelta) -> None:
        """Write down the exact words and that these hand-overs start. The caller holds the rows (`facts`)."""
        if not beginnings:
            return
        words, attempts = [], []
        for each in beginnings:
            message, composed = each.message, each.composed
            token = message.lease_token
            words.append(
                {
                    "b_id": message.id,
                    "lease_token": token,
                    "attempts": message.attempts + 1,
                    "channel": composed.channel.value,
                    "to": composed.to,
                    "language": composed.language,
                    "subject": composed.subject,
                    "text": composed.text,
                    "html": composed.html,
                    "units": _units(composed.units),
                    "body_hash": each.body_hash,
                    "rendering": each.rendering,
                    "key_since": each.key_since,
                    "carrier": each.carrier,
                    "repeats": message.repeats,
                    "last_useful": message.planned.last_useful,  # another one if it goes by letter in place of a text
                    "lease_until": now + lease,
                    "handed": now,
                }
            )
            attempts.append(
                {
                    "message_id": message.id,
                    "number": message.attempts + 1,
                    "lease_token": token,
                    "channel": composed.channel.value,
                    "key": far_key(message.id, each.rendering),
                    "body_hash": each.body_hash,
                    "begun": now,
                    "detail": "" if each.carrier is None else f"said in {each.carrier}",
                    "late": False,
                }
            )
        connection = self._session.connection()
        BEGIN.run(connection, words)
        BEGIN_ATTEMPT.run(connection, attempts)

    def end(self, endings: Sequence[Ending], now: datetime, facts: Mapping[str, Facts]) -> list[Held]:
        """Record how each ends, if it is still in the hands of the process that it was claimed by. The facts were read,
        and so the rows are held, in this transaction."""
        if not endings:
            return []
        held: list[Held] = []
        rows: list[dict[str, object]] = []
        attempts: list[dict[str, object]] = []
        for each in endings:
            token, state = facts[each.message.id].lease_token, facts[each.message.id].state
            same = token == each.message.lease_token
            if same and state in (State.CLAIMED, State.HANDING):
                held.append(Held.OWN)
            elif same and state is State.UNCERTAIN and each.state is not State.UNCERTAIN:
                held.append(Held.SETTLED)
            else:
                held.append(Held.LOST)
            if held[-1] is not Held.LOST:
                rows.append(_ended(each, now))
            if each.message.state is State.HANDING:
                attempts.append(
                    {
                        "b_id": each.message.id,
                        "b_token": each.message.lease_token,
                        "ended": now,
                        "result": each.state.value,
                        "detail": each.detail,
                        "late": held[-1] is not Held.OWN,
                    }
                )
        connection = self._session.connection()
        given_back = [row for row in rows if row["state"] == State.PENDING.value]
        final = [row for row in rows if row["state"] != State.PENDING.value]
        for statement, group in ((GIVE_BACK, given_back), (END, final), (END_ATTEMPT, attempts)):
            statement.run(connection, group)
        return held


def _moments(now: datetime, lease: timedelta) -> dict[str, datetime]:
    return {"now": now, "never": now + 2 * lease}


@lru_cache(maxsize=256)
def _units(units: tuple[str, ...]) -> str:
    """The document of the units that a text was made of: few texts are made of others."""
    return codec.dump(units)


def _ended(ending: Ending, now: datetime) -> dict[str, object]:
    message = ending.message
    tried = message.tried_as
    if ending.tried is not None:
        tried = tried_text(tried, ending.tried, message.attempts)
    row: dict[str, object] = {
        "b_id": message.id,
        "state": ending.state.value,
        "reason": ending.reason,
        "detail": ending.detail,
        "tried": tried,
        "repeat_at": ending.repeat_at,
    }
    if ending.state is State.PENDING:
        return row | {"look_at": ending.look_at or now, "carrier": None}
    return row | {"reference": ending.reference, "finished": now}
