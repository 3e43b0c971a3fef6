"""What did each sender write that nobody saw to? One pile for a sender, so that many messages are one thing to do.

What may warn has a pile of its own, so that later harmless words never cover it. More than a few messages a day of one
stranger are counted only: an address is easily forged, and a flood must not bury the list.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import and_, case, false, func, or_, select, true, update
from sqlalchemy.orm import Session
from sqlalchemy.sql import ColumnElement

from service.domain.contact import Channel, Contact, compared
from service.domain.message import Inbound
from service.errors import NotFoundError
from service.storage.ledger import attention_of
from service.storage.locks import add_once
from service.storage.records import Attention
from service.storage.tables import AttentionRow, InboundRow

WARNS = "reply-warning"
"""What words mean that may warn of something urgent."""

COUNTED = "counted/"
"""What the id of a row begins with that only counts messages, in its text."""

MOST_OF_ONE = 20
"""Words of one sender that are shown at once on the attention list, besides the latest. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredInbound:
    """Words as stored. `whole` is the full text of a mail; `settled` and `handled` are as in `tables.InboundRow`."""

    inbound: Inbound
    whole: str
    meaning: str
    person_id: str | None
    message_id: str | None
    settled: datetime | None
    handled: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pile:
    """What one sender wrote and nobody saw to: `count` messages, the earliest of them in `first`, and the latest.
    `counted` of them were not kept."""

    count: int
    first: tuple[StoredInbound, ...]
    latest: StoredInbound
    counted: int = 0


class Piles:
    """The part of `InboundBook` that piles up what waits for a person."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def open_from(self, inbound: Inbound, meaning: str, since: datetime) -> int:
        """How many messages of this stranger that came since then wait for a person: those that may warn, or the
        others, whichever these words are."""
        query = select(func.count()).where(*_alike(inbound, meaning), KEPT, InboundRow.at >= since)
        return self._session.scalar(query) or 0

    def count_only(self, inbound: Inbound, meaning: str, mark: str, now: datetime) -> None:
        """Count words without keeping them, under a `mark` of their sender and day."""
        key = (inbound.channel.value, f"{COUNTED}{mark}")
        row = self._session.get(InboundRow, key, with_for_update=True)
        if row is None:
            add_once(
                self._session,
                InboundRow(channel=key[0], id=key[1], sender=inbound.sender, text="0", at=now, meaning=meaning),
            )
            row = self._session.get_one(InboundRow, key, with_for_update=True)
        row.text = str(1 if row.handled is not None else int(row.text) + 1)  # what was seen to is not counted again
        row.meaning, row.at, row.settled, row.handled, row.handled_by = meaning, now, now, None, None

    def piles(self, limit: int, *, warnings: bool) -> list[Pile]:
        """The words of strangers that may warn, or the others: one pile for each sender, the oldest first. What has no
        sender is piled up by its meaning."""
        pile, order = (InboundRow.channel, InboundRow.sender, _NAMELESS), (InboundRow.at, InboundRow.id)
        may_warn = InboundRow.meaning == WARNS
        found = (
            select(
                InboundRow.channel,
                InboundRow.id,
                func.row_number().over(partition_by=pile, order_by=order).label("nth"),
                func.count().over(partition_by=pile).label("count"),
                func.min(InboundRow.at).over(partition_by=pile).label("since"),
            )
            .where(InboundRow.handled.is_(None), KEPT, may_warn if warnings else ~may_warn)
            .subquery()
        )
        shown = (
            select(InboundRow, found.c.count)
            .join(found, and_(found.c.channel == InboundRow.channel, found.c.id == InboundRow.id))
            .where(or_(found.c.nth <= MOST_OF_ONE, found.c.nth == found.c.count))
            .order_by(found.c.since, InboundRow.channel, InboundRow.sender, _NAMELESS, found.c.nth)
            .limit(limit * (MOST_OF_ONE + 1))
        )
        gathered: dict[tuple[str, str, str], tuple[int, list[StoredInbound]]] = {}
        for row, count in self._session.execute(shown):
            place = (row.channel, row.sender, "" if row.sender else row.meaning)
            gathered.setdefault(place, (count, []))[1].append(inbound_of(row))
        return [self._pile(count, words) for count, words in list(gathered.values())[:limit]]

    def _pile(self, count: int, words: list[StoredInbound]) -> Pile:
        one = words[0]
        query = select(InboundRow.text).where(*_alike(one.inbound, one.meaning), ~KEPT)
        more = sum(int(text) for text in self._session.scalars(query))
        return Pile(count=count + more, first=tuple(words[:MOST_OF_ONE]), latest=words[-1], counted=more)

    def entry(self, entry_id: int) -> Attention:
        """One entry of the attention list. Raises NotFoundError."""
        row = self._session.get(AttentionRow, entry_id)
        if row is None:
            raise NotFoundError("this entry is not on the attention list")
        return attention_of(row)

    def pile_of(self, entry: Attention, contact: Contact) -> Pile | None:
        """What a person wrote since this entry of the attention list was opened, for the same reason; None when the
        entry is about nothing that was written."""
        query = select(InboundRow).where(
            from_person(entry.person_id, contact), InboundRow.meaning == entry.reason, InboundRow.settled >= entry.at
        )
        count = self._session.scalar(select(func.count()).select_from(query.subquery())) or 0
        first = self._session.scalars(query.order_by(InboundRow.settled, InboundRow.at).limit(MOST_OF_ONE)).all()
        latest = self._session.scalar(query.order_by(InboundRow.settled.desc(), InboundRow.at.desc()).limit(1))
        if latest is None:
            return None
        last = first[-1] if count <= MOST_OF_ONE else latest
        return Pile(count=count, first=tuple(map(inbound_of, first)), latest=inbound_of(last))

    def open_count(self) -> int:
        """How many things need a person: entries of the attention list, and senders whom we do not know."""
        entries = self._session.scalar(select(func.count()).where(AttentionRow.done.is_(None))) or 0
        senders = select(InboundRow.channel, InboundRow.sender, _NAMELESS, InboundRow.meaning == WARNS)
        piles = senders.where(InboundRow.handled.is_(None), KEPT).distinct().subquery()
        return entries + (self._session.scalar(select(func.count()).select_from(piles)) or 0)

    def handle(self, channel: Channel, inbound_id: str, by: str, now: datetime) -> None:
        """A person saw to these words, and to those that the same stranger sent before them."""
        row = self._session.get(InboundRow, (channel.value, inbound_id))
        if row is None:
            return
        before = or_(InboundRow.at < row.at, and_(InboundRow.at == row.at, InboundRow.id <= row.id), ~KEPT)
        alike = _alike(inbound_of(row).inbound, row.meaning)
        self._session.execute(update(InboundRow).where(*alike, before).values(handled=now, handled_by=by))


KEPT = InboundRow.id.not_like(f"{COUNTED}%")
"""Rows that hold words, and do not only count."""
_NAMELESS = case((InboundRow.sender == "", InboundRow.meaning), else_="")


def _alike(inbound: Inbound, meaning: str) -> tuple[ColumnElement[bool], ...]:
    """What waits for a person from the sender of these words, and may warn if they may, and not if they may not."""
    return (
        InboundRow.handled.is_(None),
        InboundRow.channel == inbound.channel.value,
        InboundRow.sender == inbound.sender,
        (InboundRow.meaning == WARNS) if meaning == WARNS else (InboundRow.meaning != WARNS),
        InboundRow.meaning == meaning if not inbound.sender else true(),
    )


def from_person(person_id: str, contact: Contact) -> ColumnElement[bool]:
    """What came from this person; or from nobody that we could tell apart, from their number or address."""
    ways = ((Channel.TEXT, contact.phone or ""), (Channel.EMAIL, contact.email or ""))
    here = [
        and_(InboundRow.channel == channel.value, InboundRow.sender == compared(channel, address))
        for channel, address in ways
        if address
    ]
    shared = and_(InboundRow.person_id.is_(None), or_(*here)) if here else false()
    return or_(InboundRow.person_id == person_id, shared)


def inbound_of(row: InboundRow) -> StoredInbound:
    """One row as a value."""
    return StoredInbound(
        inbound=Inbound(
            channel=Channel(row.channel),
            id=row.id,
            sender=row.sender,
            text=row.text,
            at=row.at,
            in_reply_to=row.in_reply_to,
        ),
        whole=row.whole,
        meaning=row.meaning,
        person_id=row.person_id,
        message_id=row.message_id,
        settled=row.settled,
        handled=row.handled,
    )
