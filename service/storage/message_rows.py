"""A row of the messages table as a value."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Row

from service import codec
from service.domain.contact import Channel
from service.domain.message import DosePart, MessageKind, PlannedMessage, State
from service.storage.records import StoredMessage
from service.storage.tables import MessageRow


def message_of(row: MessageRow | Row[Any]) -> StoredMessage:
    """The stored message of one row, as an object or as columns."""
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
            parts=codec.load(tuple[DosePart, ...], row.parts) if row.parts != "[]" else (),
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
        handed=row.handed,
        carrier=row.carrier,
        rendering=row.rendering,
        key_since=row.key_since,
        tried=tried_from(row.tried),
        tried_as=row.tried,
        attempts_elsewhere=attempts_elsewhere(row.tried),
        repeat_at=row.repeat_at,
        repeats=row.repeats,
    )


def tried_from(text: str) -> frozenset[Channel]:
    """The channels in the column `tried`, which names each with the number of attempts by then ("text@6")."""
    return frozenset(Channel(each.partition("@")[0]) for each in text.split(",") if each)


def attempts_elsewhere(text: str) -> int:
    """How many attempts were made before the present channel."""
    return max((int(each.partition("@")[2] or 0) for each in text.split(",") if each), default=0)


def tried_text(before: str, channel: Channel, attempts: int) -> str:
    """The column `tried` once `channel` came to nothing after so many attempts."""
    return ",".join(filter(None, (before, f"{channel.value}@{attempts}")))


def tried_without(before: str, channels: frozenset[Channel]) -> str:
    """The column `tried` when these channels may be tried again."""
    gone = {channel.value for channel in channels}
    return ",".join(each for each in before.split(",") if each and each.partition("@")[0] not in gone)
