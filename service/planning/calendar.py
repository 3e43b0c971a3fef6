"""A plan as calendar items: courses, return or appointment, under neutral titles unless the person chose otherwise."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, time
from uuid import UUID

from service.calendars import Method, calendar_file
from service.domain.calendar_item import CalendarItem, ItemKind, ItemState, items_of_course, revise
from service.domain.contact import Clinic, Contact
from service.domain.pack import Moment
from service.domain.plan import Course, Phrase, Plan, Status
from service.domain.wall_clock import zone_named
from service.messages.compose import is_open
from service.messages.wordings import Wordings
from service.planning.as_booked import courses_numbered, plan_as_booked
from service.planning.recalling import to_come
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork

_TITLES = ("calendar.dose", "calendar.return", "calendar.appointment")
_GUARDIAN = "-guardian"
"""Ends a title in the calendar of somebody who acts for the patient, and names the patient."""
UNITS = ("calendar.name", "calendar.details", *_TITLES, *(f"{title}{_GUARDIAN}" for title in _TITLES))
"""Every unit that only calendars say."""
APPOINTMENT = "appointment"
"""The key of the item of a booked appointment."""
APPOINTMENT_MINUTES = 30
"""How long an appointment stands in the calendar, minutes. Our choice; the clinic's diary decides the real length."""


def calendar_items(
    plan: Plan,
    contact: Contact,
    wordings: Wordings,
    language: str,
    *,
    link: str,
    given: datetime,
    appointment: tuple[date, time] | None,
    clinic: Clinic,
    courses: Iterable[tuple[int, Course]] | None = None,
) -> tuple[CalendarItem, ...]:
    """Every item of the plan. Titles never name the ear, the drops or the condition unless the person chose that; in
    the calendar of a guardian they name the patient, who may be one of several. An appointment is at the clinic.

    `courses` are those of the plan with the number that calendars know each by, where it is not their place.
    """
    zone = zone_named(contact.zone)

    def say(unit: str, **values: str) -> str:
        return wordings.say(Phrase(wording=unit, values=values), language)

    def title(unit: str) -> str:
        return say(f"{unit}{_GUARDIAN}", person=contact.given_name) if contact.guardian else say(unit)

    details = say("calendar.details", link=link)
    found: list[CalendarItem] = []
    for number, course in enumerate(plan.courses) if courses is None else courses:
        words = _open_title(course, wordings, language) if is_open(contact) else title("calendar.dose")
        found += items_of_course(
            course,
            contact.rhythm,
            zone,
            key=f"course/{number}",
            words=dict.fromkeys(Moment, (words, details)),
            not_before=given,
        )
    if appointment is not None:
        found.append(_appointment(appointment, clinic, (title("calendar.appointment"), details)))
    elif plan.next_return is not None:
        found.append(
            CalendarItem(
                key="return",
                kind=ItemKind.RETURN,
                start=plan.next_return.on,
                zone=zone.key,
                title=title("calendar.return"),
                description=details,
            )
        )
    return tuple(found)


def _open_title(course: Course, wordings: Wordings, language: str) -> str:
    name = wordings.say(Phrase(wording=f"agent.{course.agent}.name"), language)
    ears = wordings.say(Phrase(wording=f"ear.{course.ears}"), language)
    return f"{name}: {ears}"


def current_states(
    services: Services, work: UnitOfWork, stored: StoredPlan, contact: Contact, language: str, link: str
) -> dict[str, ItemState]:
    """What calendars are told now, remembered so that SEQUENCE rises on every change.

    A plan that no longer runs has no items, so every earlier one turns into a cancellation. Then, while it is on hold,
    and after the person stopped everything, only a booked appointment stays.
    """
    before = work.plans.calendar_states(stored.id)
    items: tuple[CalendarItem, ...] = ()
    if (stored.running or stored.appointment is not None) and not contact.gone:
        items = calendar_items(
            plan_as_booked(services.pack, stored),
            contact,
            services.wordings(work),
            language,
            link=link,
            given=stored.given,
            appointment=stored.appointment,
            clinic=services.clinic,
            courses=courses_numbered(stored),
        )
    silent = contact.withdrawn is not None or (contact.channels and set(contact.channels) <= contact.stopped)
    if silent or stored.status is not Status.ACTIVE:
        items = tuple(item for item in items if item.kind is ItemKind.APPOINTMENT)
    states, changed = revise(before, items, now=services.clock.now(), seed=UUID(hex=stored.calendar_seed))
    if changed:
        work.plans.save_calendar_states(stored.id, states)
    return states


def calendar_language(services: Services, work: UnitOfWork, stored: StoredPlan, contact: Contact) -> str:
    """The person's language if every sentence of the calendar is approved in it, else the approved source language."""
    ending = _GUARDIAN if contact.guardian else ""
    units = {"calendar.name", "calendar.details", *(f"{title}{ending}" for title in _TITLES)}
    if is_open(contact):
        units |= {"ear.right", "ear.left", "ear.both", *(f"agent.{c.agent}.name" for c in stored.plan.courses)}
    return services.wordings(work).choose_language(contact.language, units).language


def revise_appointment_in(services: Services, work: UnitOfWork, stored: StoredPlan, now: datetime) -> int:
    """Note that the appointment of a plan changed, so that its calendar entry has its next SEQUENCE from this moment
    on, whoever reads it first; returns that. Words are no part of it: they are put in when calendars are told."""
    before = work.plans.calendar_states(stored.id).get(APPOINTMENT)
    previous = {} if before is None else {APPOINTMENT: before}
    items = []
    if stored.appointment is not None:
        words = (before.item.title, before.item.description) if before is not None else (APPOINTMENT, "")
        items.append(_appointment(stored.appointment, services.clinic, words))
    states, changed = revise(previous, items, now=now, seed=UUID(hex=stored.calendar_seed))
    if changed:
        work.plans.save_calendar_states(stored.id, states)
    return states[APPOINTMENT].sequence if APPOINTMENT in states else 0


def _appointment(appointment: tuple[date, time], clinic: Clinic, words: tuple[str, str]) -> CalendarItem:
    return CalendarItem(
        key=APPOINTMENT,
        kind=ItemKind.APPOINTMENT,
        start=datetime.combine(*appointment),
        zone=zone_named(clinic.zone).key,
        title=words[0],
        description=words[1],
        duration=APPOINTMENT_MINUTES,
        alarm=24 * 60,
        location=", ".join(line.strip() for line in (clinic.name, *clinic.address) if line.strip()),
    )


def invitation(
    services: Services, work: UnitOfWork, stored: StoredPlan, contact: Contact, link: str, attendee: str
) -> tuple[bytes, Method] | None:
    """The appointment as a message to a calendar (iTIP): a REQUEST to the person's address, or the CANCEL that takes it
    back; None when there never was one. The same revision always gives the same octets.

    Source: RFC 5546 sections 3.2.2 and 3.2.5; RFC 6047 section 2.
    """
    language = calendar_language(services, work, stored, contact)
    state = current_states(services, work, stored, contact, language, link).get(APPOINTMENT)
    if state is None:
        return None
    method: Method = "CANCEL" if state.item.cancelled else "REQUEST"
    data = calendar_file(
        [state],
        name=services.wordings(work).say(Phrase(wording="calendar.name"), language),
        language=language,
        now=state.stamp,
        method=method,
        organizer_email=services.clinic.email,
        organizer_name=services.clinic.name,
        attendee_email=attendee,
    )
    return data, method


def feed(services: Services, work: UnitOfWork, stored: StoredPlan, contact: Contact, link: str) -> bytes | None:
    """The calendar of a plan as a file to download or to subscribe to; None when there was never anything in it."""
    language = calendar_language(services, work, stored, contact)
    states = current_states(services, work, stored, contact, language, link)
    for other in work.plans.of_person(stored.person_id):  # an appointment stands whichever plan it is under
        if other.id != stored.id and other.appointment is not None and to_come(services, other, services.clock.now()):
            theirs = current_states(services, work, other, contact, language, link)
            states[f"{APPOINTMENT}/{other.id}"] = theirs[APPOINTMENT]
    if not states:
        return None
    name = services.wordings(work).say(Phrase(wording="calendar.name"), language)
    return calendar_file(states.values(), name=name, language=language, now=services.clock.now())
