"""One mail that came in: what it is, whether we believe it, and what follows. For the mailbox and for a pipe.

A bounce or a complaint is believed when it carries our own mark: the envelope sender that we made for one message, or
that message's id together with the address it went to. Anything else changes nothing (RFC 3464 4 and RFC 5965 8: these
mails are not authenticated, and a forged one must not silence a patient).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from enum import StrEnum
from itertools import islice

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Inbound
from service.inbound.bounces import AutoReply, Bounce, CalendarReply, Complaint, Reply, Unreadable, read_mail
from service.inbound.calendar_replies import answer_invitation
from service.inbound.receipts import take_report
from service.inbound.replies import Meaning, take_inbound
from service.links import key_bounced
from service.planning.preferences import stop_channel_in
from service.services import Services
from service.storage.inbound import id_of_mail
from service.storage.records import StoredMessage
from service.storage.unit_of_work import UnitOfWork

COMPLAINT = "complaint"
"""A reason of the attention list, and how a channel was stopped."""

_STOPS = frozenset({"abuse", "opt-out", "opt-out-list"})
"""Feedback types (RFC 5965 7.3) by which the reader asks for no more mail. Others go to a person only."""


MOST_LOOKED_UP = 20
"""Message ids of one bounce or complaint that are looked up. Our choice: a true one names one mail, and its thread."""


class Sorted(StrEnum):
    """What a mail turned out to be."""

    BOUNCE = "bounce"
    COMPLAINT = "complaint"
    UNMATCHED = "unmatched"  # a bounce or a complaint about nothing that we know of: it changed nothing
    AUTO_REPLY = "auto-reply"
    CALENDAR_REPLY = "calendar-reply"
    REPLY = "reply"
    UNREADABLE = "unreadable"


def take_mail(services: Services, raw: bytes, envelope_to: str | None = None) -> Sorted:
    """Take one mail as it was delivered; returns once everything that follows from it is stored. A repeat is harmless.

    `envelope_to` is the address that it was delivered to. Raises nothing for the content of a mail.
    """
    mail = read_mail(raw, envelope_to)
    if isinstance(mail, Bounce):
        return _bounce(services, mail)
    if isinstance(mail, Complaint):
        return _complaint(services, mail)
    if isinstance(mail, Unreadable):
        mark = hashlib.sha256(raw).hexdigest()[:32]
        _show_desk(services, f"unreadable/{mark}", Meaning.UNREADABLE, f"a mail that cannot be read: {mail.why}")
        return Sorted.UNREADABLE
    marked = key_bounced(services.secret_key, envelope_to or "")
    if isinstance(mail, CalendarReply):
        answered = answer_invitation(services, mail)
        _words(services, replace(mail, text=answered.text), answered.meaning, marked)
        return Sorted.CALENDAR_REPLY
    if isinstance(mail, AutoReply):
        _words(services, mail, Meaning.AUTO, marked)
        return Sorted.AUTO_REPLY
    _words(services, mail, None, marked)
    return Sorted.REPLY


def _words(services: Services, mail: Reply, meaning: Meaning | None, marked: str | None) -> None:
    """Take the words of a mail. `marked`: the key of our mail whose marked address it was sent to, if it was."""
    text = mail.text or mail.subject
    # The id is the sender's to choose; with the words in it, a second mail of the same id is not lost.
    mark = hashlib.sha256("\x00".join((mail.message_id, mail.sender, text)).encode()).hexdigest()[:32]
    inbound = Inbound(
        channel=Channel.EMAIL,
        id=id_of_mail(mark, mail.message_id),
        sender=mail.sender,
        text=text,
        at=services.clock.now(),
        in_reply_to=marked or next(iter(_our_keys(services, mail.answers)), None),
    )
    take_inbound(services, inbound, whole=f"{mail.subject}\n\n{mail.whole}".strip(), meaning=meaning)


def _bounce(services: Services, bounce: Bounce) -> Sorted:
    with services.open_reading() as work:
        message = _marked(services, work, bounce.envelope)
        recipients = bounce.recipients
        if message is not None:  # what our mark came back with is about our one recipient, also under another address
            recipients = tuple(r for r in recipients if _same(r.addresses, message)) or recipients
        else:
            everybody = [address for each in recipients for address in each.addresses]
            message = _named(services, work, bounce.message_ids, everybody)
            if message is not None:
                recipients = tuple(r for r in recipients if _same(r.addresses, message))
    if message is None or not recipients:
        return _unmatched(services)
    for recipient in recipients:
        report = DeliveryReport(
            channel=Channel.EMAIL,
            state=recipient.state,
            at=services.clock.now(),
            detail=recipient.detail,
            key=message.id,
            contact_bad=recipient.contact_bad,
        )
        take_report(services, report)
    return Sorted.BOUNCE


def _complaint(services: Services, complaint: Complaint) -> Sorted:
    now = services.clock.now()
    with services.open_work() as work:
        message = _marked(services, work, complaint.envelope)
        if message is None:
            message = _named(services, work, complaint.message_ids, complaint.addresses)
        if message is not None and complaint.kind != "not-spam":
            people = sorted({message.person_id, *work.inbound.people_at(Channel.EMAIL, message.to or "")})
            for person_id in people:
                if complaint.kind in _STOPS:
                    stop_channel_in(services, work, person_id, Channel.EMAIL, "mail-provider", COMPLAINT)
                detail = "e-mail is stopped: " if complaint.kind in _STOPS else "nothing was stopped: "
                work.ledger.ask(person_id, COMPLAINT, now, detail=f"{detail}a complaint, {complaint.kind or 'no type'}")
            work.commit()
    return _unmatched(services) if message is None else Sorted.COMPLAINT


def _marked(services: Services, work: UnitOfWork, addresses: Iterable[str]) -> StoredMessage | None:
    """The mail whose envelope sender is among these addresses."""
    for address in addresses:
        key = key_bounced(services.secret_key, address)
        if key is not None and (message := work.inbound.sent_as(Channel.EMAIL, key)) is not None:
            return message
    return None


def _named(
    services: Services, work: UnitOfWork, message_ids: Iterable[str], addresses: Iterable[str]
) -> StoredMessage | None:
    """The mail whose id is among these, if it went to one of these addresses."""
    given = tuple(addresses)
    for key in _our_keys(services, message_ids):
        message = work.inbound.sent_as(Channel.EMAIL, key)
        if message is not None and _same(given, message):
            return message
    return None


def _our_keys(services: Services, message_ids: Iterable[str]) -> list[str]:
    """The keys in message ids of our own domain."""
    ours = services.clinic.email.rpartition("@")[2].lower()
    halves = (each.rpartition("@") for each in message_ids)
    return list(islice((key for key, _, domain in halves if domain.lower() == ours), MOST_LOOKED_UP))


def _same(addresses: Iterable[str], message: StoredMessage) -> bool:
    """Compared without regard to case: servers change it in reports, and the mark says the rest."""
    return message.to is not None and message.to.casefold() in {address.casefold() for address in addresses}


def _unmatched(services: Services) -> Sorted:
    """Tell the front desk once a day: one is noise, and a flood of forged ones must not bury the list."""
    today = services.day_of(services.clock.now())
    text = "a bounce or a complaint came that fits none of our messages; it changed nothing"
    _show_desk(services, f"unmatched/{today.isoformat()}", Meaning.UNMATCHED, text)
    return Sorted.UNMATCHED


def _show_desk(services: Services, inbound_id: str, meaning: Meaning, text: str) -> None:
    inbound = Inbound(channel=Channel.EMAIL, id=inbound_id, sender="", text=text, at=services.clock.now())
    take_inbound(services, inbound, meaning=meaning)
