"""What came back: words that people sent, and receipts and bounces, those kept for a message not known yet included."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, func, or_, select, update

from service.domain.contact import Channel, Contact, compared
from service.domain.message import DeliveryReport, Inbound, MessageKind, PlannedMessage, ReportState, State
from service.domain.reply import answer_key, unit_said
from service.domain.sending import Reason
from service.storage.locks import add_once
from service.storage.messages import Messages
from service.storage.piles import KEPT, Piles, StoredInbound, from_person, inbound_of
from service.storage.records import StoredMessage, message_id_of
from service.storage.tables import AttentionRow, InboundRow, MessageRow, PersonRow, ReportRow

_MESSAGE_ID = re.compile(r"[!-;=?-~]{1,200}@[!-;=?-~]{1,255}")
"""An id that may stand in a header again: printable ASCII without blanks and brackets (RFC 5322 3.6.4)."""


def id_of_mail(mark: str, message_id: str) -> str:
    """The inbound id of a mail: our mark of its words, and its own id as far as that may be written into an answer."""
    return f"mail/{mark}/{message_id}" if _MESSAGE_ID.fullmatch(message_id) else f"mail/{mark}"


def _message_id(inbound_id: str) -> str | None:
    own = inbound_id.split("/", 2)[2:]
    return own[0] if inbound_id.startswith("mail/") and own else None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredReport:
    """A receipt as stored, with the message that it was found to be about."""

    id: int
    report: DeliveryReport
    message_id: str | None
    applied: datetime | None


class InboundBook(Piles):
    """Words, receipts, and what they change on messages."""

    # Words

    def add(self, inbound: Inbound, whole: str, meaning: str) -> bool:
        """Store words. False when they are stored already."""
        if self._session.get(InboundRow, (inbound.channel.value, inbound.id)) is not None:
            return False
        row = InboundRow(
            channel=inbound.channel.value,
            id=inbound.id,
            sender=inbound.sender,
            text=inbound.text,
            whole=whole,
            at=inbound.at,
            in_reply_to=inbound.in_reply_to,
            meaning=meaning,
        )
        return add_once(self._session, row)

    def get(self, channel: Channel, inbound_id: str, *, lock: bool = False) -> StoredInbound | None:
        """One message from somebody; `lock` keeps other processes off it until the transaction ends."""
        row = self._session.get(InboundRow, (channel.value, inbound_id), with_for_update=lock or None)
        return None if row is None else inbound_of(row)

    def settle(
        self,
        inbound: Inbound,
        now: datetime,
        *,
        meaning: str,
        person_id: str | None,
        message_id: str | None,
        handled: bool,
    ) -> None:
        """Note that the effects were carried out, and what the words meant in the end; `handled` when they need no
        place on the list of strangers."""
        row = self._session.get_one(InboundRow, (inbound.channel.value, inbound.id))
        row.meaning = meaning
        row.person_id, row.message_id, row.settled = person_id, message_id, now
        row.handled = now if handled else None

    def unsettled(self) -> list[StoredInbound]:
        """Words whose effects were not carried out: the service was interrupted in between."""
        query = select(InboundRow).where(InboundRow.settled.is_(None), InboundRow.handled.is_(None))
        return [inbound_of(row) for row in self._session.scalars(query.order_by(InboundRow.at))]

    def strangers(self, limit: int = 200) -> list[StoredInbound]:
        """Words from senders in no record, and bounces and mails that fit nothing: for the front desk, oldest first."""
        query = select(InboundRow).where(InboundRow.handled.is_(None), KEPT)
        return [inbound_of(row) for row in self._session.scalars(query.order_by(InboundRow.at).limit(limit))]

    def of_person(self, person_id: str, contact: Contact, limit: int = 500) -> list[StoredInbound]:
        """Everything that this person can have sent, newest first. `person_id` is empty in what another one at the same
        number or address can have sent as well."""
        query = (
            select(InboundRow).where(from_person(person_id, contact), KEPT).order_by(InboundRow.at.desc()).limit(limit)
        )
        return [inbound_of(row) for row in self._session.scalars(query)]

    def mail_answered(self, planned: PlannedMessage) -> str | None:
        """The Message-ID, without brackets, of the mail that this automatic answer is about (RFC 3834 3.1.5); None when
        it answers a text, or a mail without a usable id.

        An answer is planned at the moment at which the words were settled, and its key holds a hash of their id.
        """
        if planned.kind is not MessageKind.REPLY:
            return None
        query = select(InboundRow.id).where(
            InboundRow.channel == Channel.EMAIL.value, InboundRow.settled == planned.due
        )
        unit = unit_said(planned.key)
        for inbound_id in self._session.scalars(query):
            if answer_key(unit, Channel.EMAIL, inbound_id) == planned.key:
                return _message_id(inbound_id)
        return None

    def people_at(self, channel: Channel, sender: str) -> list[str]:
        """The ids of everybody who is reached at this number or address, in a fixed order."""
        wanted = compared(channel, sender)
        if not wanted or channel is Channel.LETTER:
            return []
        column = PersonRow.phone if channel is Channel.TEXT else PersonRow.email
        return list(
            self._session.scalars(
                select(PersonRow.id).where(column == wanted).order_by(PersonRow.created, PersonRow.id)
            )
        )

    def answered_since(self, people: Iterable[str], prefix: str, since: datetime) -> bool:
        """Whether an answer whose key begins with `prefix` was made for one of these people since then."""
        query = select(MessageRow.id).where(
            MessageRow.person_id.in_(list(people)),
            MessageRow.kind == MessageKind.REPLY.value,
            MessageRow.key.startswith(prefix, autoescape=True),
            MessageRow.due > since,
        )
        return self._session.scalar(query.limit(1)) is not None

    # Receipts

    def keep_report(self, report: DeliveryReport, now: datetime) -> int | None:
        """Store a receipt; its row id, or None when the same one is stored already."""
        row = ReportRow(
            channel=report.channel.value,
            key=report.key or "",
            reference=report.reference or "",
            state=report.state.value,
            at=report.at,
            detail=report.detail,
            contact_bad=report.contact_bad,
            came=now,
        )
        query = select(ReportRow.id).where(
            ReportRow.channel == row.channel,
            ReportRow.key == row.key,
            ReportRow.reference == row.reference,
            ReportRow.state == row.state,
        )
        if self._session.scalar(query) is not None:
            return None
        return row.id if add_once(self._session, row) else None

    def kept(self, since: datetime, limit: int) -> list[StoredReport]:
        """The newest receipts that came since then and still wait for their message, oldest of them first."""
        rows = self._session.scalars(_waiting(since).order_by(ReportRow.id.desc()).limit(limit)).all()
        return [_report(row) for row in reversed(rows)]

    def kept_between(self, since: datetime, after: int, before: int, limit: int) -> list[StoredReport]:
        """The oldest of these receipts whose number is above `after` and below `before`."""
        query = _waiting(since).where(ReportRow.id > after, ReportRow.id < before)
        return [_report(row) for row in self._session.scalars(query.order_by(ReportRow.id).limit(limit))]

    def unknown_count(self) -> int:
        """How many receipts are about no message that we know of."""
        query = select(func.count()).select_from(ReportRow).where(ReportRow.applied.is_(None))
        return self._session.scalar(query) or 0

    def applied(self, report_id: int, message_id: str, now: datetime) -> None:
        """Note that a receipt was matched and its effect recorded."""
        row = self._session.get_one(ReportRow, report_id)
        row.message_id, row.applied = message_id, now

    def reports_of(self, message_id: str) -> list[StoredReport]:
        """Every receipt about one message, in the order in which they were matched or came."""
        query = select(ReportRow).where(ReportRow.message_id == message_id).order_by(ReportRow.id)
        return [_report(row) for row in self._session.scalars(query)]

    def sent_as(self, channel: Channel, key: str) -> StoredMessage | None:
        """The message with this key, if it left, or was to leave, by this channel."""
        message_id = message_id_of(key)
        row = self._session.get(MessageRow, message_id)
        return Messages(self._session).get(message_id) if row is not None and row.channel == channel.value else None

    def message_of(self, report: DeliveryReport) -> StoredMessage | None:
        """The message that a receipt is about: by our key, else by the far side's name for it or for one part of it."""
        if report.key and (named := self.sent_as(report.channel, report.key)) is not None:
            return named
        if not report.reference:
            return None
        here = select(MessageRow.id).where(MessageRow.channel == report.channel.value)
        found = list(self._session.scalars(here.where(MessageRow.reference == report.reference).limit(2)))
        if not found:
            part = report.reference
            joined = here.where(
                or_(
                    MessageRow.reference.startswith(f"{part},", autoescape=True),
                    MessageRow.reference.endswith(f",{part}", autoescape=True),
                    MessageRow.reference.contains(f",{part},", autoescape=True),
                )
            )
            found = list(self._session.scalars(joined.limit(2)))
        # A far side that used one name twice: to guess would mark the wrong message as delivered.
        return Messages(self._session).get(found[0]) if len(found) == 1 else None

    def hold(self, message_id: str) -> StoredMessage:
        """The message as it is now, kept from other processes until the transaction ends. Raises NotFoundError."""
        one = select(MessageRow).where(MessageRow.id == message_id).with_for_update()
        self._session.scalar(one.execution_options(populate_existing=True))
        return Messages(self._session).get(message_id)

    def move(
        self, message_id: str, before: Iterable[State], after: State, now: datetime, reason: Reason | None, detail: str
    ) -> bool:
        """Give a message that has left its new state; False when it is no longer in one of the states `before`."""
        changed = self._session.execute(
            update(MessageRow)
            .where(MessageRow.id == message_id, MessageRow.state.in_([state.value for state in before]))
            .values(state=after.value, reason=reason, detail=detail, finished=now, repeat_at=None)
        )
        return bool(changed.rowcount)  # type: ignore[attr-defined]

    # The attention list

    def ask(self, person_id: str, reason: str, now: datetime, *, message_id: str | None = None, detail: str) -> None:
        """Put something on the attention list. An entry of the same message and reason is opened again. Without a
        message, one that is open for the same reason stays as it is: since when, and what was written first; the page
        shows what was written since then (`pile_of`)."""
        same = select(AttentionRow).where(AttentionRow.person_id == person_id, AttentionRow.reason == reason)
        if message_id is None:
            unseen = same.where(AttentionRow.message_id.is_(None), AttentionRow.done.is_(None)).limit(1)
            if self._session.scalar(unseen) is not None:
                return
            row = None
        else:
            row = self._session.scalar(same.where(AttentionRow.message_id == message_id))
        if row is None:
            row = AttentionRow(person_id=person_id, message_id=message_id, reason=reason)
            self._session.add(row)
        row.at, row.detail, row.done, row.done_by = now, detail, None, None
        self._session.flush()

    def answered(self, message_id: str, reason: str, by: str, now: datetime) -> None:
        """Take an entry off the attention list because what it asked is now known."""
        self._session.execute(
            update(AttentionRow)
            .where(AttentionRow.message_id == message_id, AttentionRow.reason == reason, AttentionRow.done.is_(None))
            .values(done=now, done_by=by)
        )


def _waiting(since: datetime) -> Select[ReportRow]:
    return select(ReportRow).where(ReportRow.applied.is_(None), ReportRow.came >= since)


def _report(row: ReportRow) -> StoredReport:
    return StoredReport(
        id=row.id,
        report=DeliveryReport(
            channel=Channel(row.channel),
            state=ReportState(row.state),
            at=row.at,
            detail=row.detail,
            key=row.key or None,
            reference=row.reference or None,
            contact_bad=row.contact_bad,
        ),
        message_id=row.message_id,
        applied=row.applied,
    )
