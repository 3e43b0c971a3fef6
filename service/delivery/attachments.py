"""The files that travel with a message: the calendar with a mail; with a letter its first page, and the printed sheet
where the letter gives the plan. Later ones do not enclose it again: its drops may be over by then.

They are made at the hand-over and not stored, since they carry the person's live link.
"""

from __future__ import annotations

from datetime import datetime

from service.calendars import Method, content_type
from service.domain.contact import Channel, Contact
from service.domain.message import Attachment, ComposedMessage, MessageKind
from service.domain.plan import Phrase, Status
from service.domain.questions import questions_for
from service.links import page_url
from service.messages.address_page import render_address_page
from service.messages.compose import says_whole_plan
from service.messages.read_plan import AsOf, followed, read_plan, units_of
from service.messages.sheet import render_sheet
from service.messages.today import finished_courses
from service.planning.as_booked import plan_as_booked
from service.planning.calendar import feed, invitation
from service.planning.recalling import to_come
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork
from service.transports.printed import KeepsLetters

_CALENDAR_WITH = frozenset({MessageKind.PLAN_GIVEN, MessageKind.APPOINTMENT})
_INVITATION_WITH = frozenset({MessageKind.PLAN_GIVEN, MessageKind.URGENT, MessageKind.BOOKING})
"""Mails that also ask the calendar for an answer. A plan that is given with an appointment brings it along, so that
nobody gets two mails at once."""

_NOTES = {Status.ON_HOLD: "page.on-hold", Status.COMPLETED: "page.ended", Status.REVOKED: "page.ended"}
"""What a sheet says above all else of a plan that is not to be followed as it was given."""


def has_files(channel: Channel, kind: MessageKind) -> bool:
    """Whether files travel with a message of this kind by this channel."""
    return channel is Channel.LETTER or (channel is Channel.EMAIL and kind in _CALENDAR_WITH | _INVITATION_WITH)


def attachments_for(
    services: Services,
    stored: StoredPlan,
    contact: Contact,
    composed: ComposedMessage,
    kind: MessageKind,
    token: str,
) -> tuple[Attachment, ...]:
    """The files for this message, in the language that it is written in."""
    link = page_url(services.clinic.base_url, token)
    if composed.channel is Channel.LETTER:
        page = _address_page(services, composed, kind, contact, link)
        if not says_whole_plan(kind, Channel.LETTER):
            return page
        with services.open_reading() as work:
            sheet = sheet_of(services, work, stored, contact, composed.language, link)
        plan = Attachment(name="plan.pdf", media_type="application/pdf", data=sheet)
        return (*page, plan)
    if composed.channel is not Channel.EMAIL or not has_files(composed.channel, kind):
        return ()
    found: list[Attachment] = []
    with services.open_work() as work:
        data = feed(services, work, stored, contact, link) if kind in _CALENDAR_WITH else None
        if data is not None:
            found.append(Attachment(name="plan.ics", media_type=content_type().partition(";")[0], data=data))
        asked = kind is MessageKind.BOOKING or (kind in _INVITATION_WITH and stored.appointment is not None)
        invited = invitation(services, work, stored, contact, link, composed.to) if asked else None
        if invited is not None:
            found.append(_invitation(*invited))
        work.commit()
    return tuple(found)


def _invitation(data: bytes, method: Method) -> Attachment:
    """The message to the calendar. The mail shows it as text/calendar with its method; the copy beside it, for programs
    that look for a file, has a type of its own, as is common practice, so that no program acts on it twice."""
    return Attachment(name="appointment.ics", media_type="application/ics", data=data, method=method)


def _address_page(
    services: Services, composed: ComposedMessage, kind: MessageKind, contact: Contact, link: str
) -> tuple[Attachment, ...]:
    """The page for the window of the envelope, if the clinic itself posts its letters. Raises WordingError when the
    address does not fit into it."""
    transport = services.transports.get(Channel.LETTER)
    if not isinstance(transport, KeepsLetters):
        return ()
    today, whole = services.day_of(services.clock.now()), says_whole_plan(kind, Channel.LETTER)
    page = render_address_page(
        composed.to.splitlines(),
        services.clinic,
        transport.window,
        language=composed.language,
        dated=today,
        words="" if whole else composed.text,  # the sheet says the plan
        link="" if whole else link,
        large_print=contact.large_print,
    )
    return (Attachment(name="address.pdf", media_type="application/pdf", data=page),)


def left_of(services: Services, stored: StoredPlan, contact: Contact, now: datetime) -> AsOf:
    """What is left of a plan in a mail that goes, or on a sheet that is printed, at this moment (UTC): drops that are
    finished are not to be put in, and no visit is still to come that is past. On the day of the visit it is all of it.
    """
    return AsOf(
        finished=finished_courses(plan_as_booked(services.pack, stored), contact, now, given=stored.given),
        says_booking=to_come(services, stored, now),
    )


def sheet_units(services: Services, stored: StoredPlan, contact: Contact) -> frozenset[str]:
    """Every wording unit that the printed sheet of a plan needs now."""
    note = {_NOTES[stored.status]} if stored.status in _NOTES else set()
    left = left_of(services, stored, contact, services.clock.now())
    return units_of(plan_as_booked(services.pack, stored)) | left.units | note


def sheet_of(
    services: Services, work: UnitOfWork, stored: StoredPlan, contact: Contact, language: str, link: str
) -> bytes:
    """The printed sheet of a plan as it stands now, in one language, in the print size that the person needs. Of a plan
    that is on hold or has ended it says so on every page."""
    plan, wordings = plan_as_booked(services.pack, stored), services.wordings(work).for_reader(easy=contact.easy_read)
    reading = read_plan(
        plan,
        wordings,
        language,
        services.clinic,
        person=contact.given_name if contact.guardian else "",
        booked=stored.booked,
        questions=questions_for(plan, work.plans.visit_of(stored), services.pack),
        as_of=left_of(services, stored, contact, services.clock.now()),
    )
    note = _NOTES.get(stored.status)
    return render_sheet(
        followed(reading, stored.status) if stored.status is Status.ON_HOLD else reading,
        link=link,
        large_print=contact.large_print,
        draft_note=wordings.say(Phrase(wording=note), language) if note is not None else None,
        questions=services.pack.questions_on_sheet,
    )
