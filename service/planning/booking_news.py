"""Telling a person at once that their appointment was booked, moved or cancelled."""

from __future__ import annotations

from datetime import datetime

from service.domain.booking import Appointment, Booking, booking_message, booking_of, news_for
from service.domain.contact import Channel, Contact
from service.domain.message import MAY_HAVE_LEFT, MessageKind
from service.domain.sending import pick_channel
from service.domain.wall_clock import zone_named
from service.planning.attention import UNTOLD
from service.services import Services
from service.storage.records import StoredMessage, StoredPlan
from service.storage.unit_of_work import UnitOfWork


def tell_in(
    services: Services,
    work: UnitOfWork,
    before: StoredPlan,
    after: StoredPlan,
    contact: Contact,
    sequence: int,
    now: datetime,
) -> None:
    """Plan the news of a changed appointment, a part of a larger transaction; `sequence` is that of its calendar entry.

    What the person was told last counts. News that has not left yet is overtaken, and where things stand as the person
    knows them nothing is said.
    """
    told, last = _told(services, work, after.person_id, now)
    news = news_for(told, after.appointment)
    booking = None
    if news is not None:
        booking = Booking(sequence=sequence, news=news, appointment=after.appointment)
    keep = {booking.key} if booking is not None else {last.planned.key} if last is not None else set()
    for stored in work.plans.of_person(after.person_id):
        kept = frozenset(keep) if stored.id == after.id else frozenset()
        work.messages.supersede(stored.id, keep=kept, kinds=[MessageKind.BOOKING])
    about = after.appointment or told or before.appointment
    if booking is None or about is None:
        return
    by_letter = pick_channel(MessageKind.BOOKING, contact) is Channel.LETTER
    zone = zone_named(services.clinic.zone)
    planned = booking_message(booking, about, contact, services.pack.timing, zone, by_letter=by_letter, now=now)
    if planned is not None:
        work.messages.plan(after.id, after.person_id, [planned], {planned.key: services.new_id()})
    elif by_letter and services.instant_of(*about) > now:
        when = " at ".join(after.booked) if after.booked is not None else about[0].isoformat()
        detail = f"the appointment of {when} was {news}, and no letter comes in time: tell the person"
        work.ledger.ask(after.person_id, UNTOLD, now, detail=detail)


def last_known(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> Appointment | None:
    """The appointment that the person was told of last and whose moment is still to come, be it cancelled since."""
    named = [said for said in _said(work, person_id) if said[2] is not None]
    known = max(named, key=lambda each: each[:2])[2] if named else None
    return known if known is not None and services.instant_of(*known) > now else None


def _told(
    services: Services, work: UnitOfWork, person_id: str, now: datetime
) -> tuple[Appointment | None, StoredMessage | None]:
    """The appointment that the person knows of, still to come, under whichever plan it stands; and the message that
    told it, without one it was said at a visit. What was said last counts."""
    _, _, known, last = max(_said(work, person_id), key=lambda each: each[:2], default=(now, 0, None, None))
    if known is not None and services.instant_of(*known) <= now:
        return None, last
    return known, last


def _said(work: UnitOfWork, person_id: str) -> list[tuple[datetime, int, Appointment | None, StoredMessage | None]]:
    """All that was said of appointments, at visits and by messages: when, under which revision, and what."""
    said: list[tuple[datetime, int, Appointment | None, StoredMessage | None]] = [
        (each.created, -1, each.visit.appointment, None)
        for each in work.plans.visits_of(person_id)
        if each.visit.appointment is not None
    ]
    for message in work.messages.of_person(person_id):
        if message.planned.kind is MessageKind.BOOKING and message.state in MAY_HAVE_LEFT:
            news = booking_of(message.planned.key)
            said.append((message.handed or message.planned.due, news.sequence, news.appointment, message))
    return said
