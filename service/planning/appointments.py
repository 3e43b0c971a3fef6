"""An appointment is booked, moved or cancelled after the plan was given: what follows it, and what had gone already."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta

from service.domain.booking import Appointment
from service.domain.message import MAY_HAVE_LEFT, MessageKind, State
from service.domain.sending import appointment_day
from service.domain.wall_clock import exists, to_instant, to_wall, zone_named
from service.errors import NotAllowedError, VisitError
from service.planning.as_booked import follow_softening_in
from service.planning.attention import CHANGED, NOT_ASKED, PERHAPS
from service.planning.booking_news import last_known, tell_in
from service.planning.calendar import revise_appointment_in
from service.planning.laying_out import replan
from service.planning.recalling import follow_appointment_in, takes_appointments, to_come
from service.planning.standing import ask_in, take_over_in
from service.services import Services
from service.storage.records import StoredMessage, StoredPlan
from service.storage.unit_of_work import UnitOfWork

FARTHEST = timedelta(days=730)
"""An appointment later than this is taken for a slip of the finger. Our choice, the same as the longest return."""

CANCELLED = "appointment-cancelled"
"""The note in the audit record of the plan that had the appointment."""

_GONE = MAY_HAVE_LEFT | {State.CLAIMED}


def book(services: Services, plan_id: str, appointment: tuple[date, time] | None, by: str) -> StoredPlan:
    """Book or move the appointment of a plan to a local date and time of the clinic, or cancel it (None).

    The person is told at once, by mail with a message to their calendar. Reminders of the earlier appointment are
    overtaken and those of the new one planned; the softening before it and the calendar follow. Where an earlier
    reminder has gone out already, and where a cancelled appointment leaves nothing that would ask the person back, the
    attention list says so. Booking what is booked already changes nothing.

    Raises VisitError (a moment that has passed, lies more than two years ahead or does not exist), NotAllowedError (the
    plan has ended), NotFoundError.
    """
    with services.open_work() as work:
        changed = book_in(services, work, plan_id, appointment, by, services.clock.now())
        work.commit()
    services.wake()
    return changed


def book_in(
    services: Services,
    work: UnitOfWork,
    plan_id: str,
    appointment: tuple[date, time] | None,
    by: str,
    now: datetime,
    *,
    by_the_person: bool = False,
) -> StoredPlan:
    """The same as a part of a larger transaction; the caller wakes the sender after it. `by_the_person`: who was
    reminded of the earlier appointment need not be told by a person that it is gone. Raises as `book` does."""
    stored = work.plans.get(plan_id)
    if stored.appointment == appointment:
        return stored
    check_booking(services, work, stored, appointment, now)
    work.by_hand.close_open(stored.person_id, (PERHAPS,), by, now)  # it was about the appointment as it was
    if appointment is not None and stored.appointment is None:
        take_over_in(services, work, replace(stored, appointment=appointment), by, now)
    changed = _follow(services, work, stored, appointment, by, now)
    messages = [m for m in work.messages.of_person(stored.person_id) if m.plan_id == plan_id]
    if not work.people.get(stored.person_id).contact.gone:
        _ask_a_person(work, stored, changed, messages, now, reminded=not by_the_person)
    ask_in(services, work, stored.person_id, now)
    work.ledger.note(by, _action(stored, changed), plan_id, now, **_moments(stored, changed))
    return changed


def _follow(
    services: Services,
    work: UnitOfWork,
    stored: StoredPlan,
    appointment: tuple[date, time] | None,
    by: str,
    now: datetime,
) -> StoredPlan:
    """Store the appointment, and everything that goes with it. Nothing of a plan that is over is begun again by it."""
    work.plans.appoint(stored.id, appointment)
    changed = replace(stored, appointment=appointment)
    contact = work.people.get(stored.person_id).contact
    follow_appointment_in(services, work, changed, now, by=by)
    if stored.running:
        changed = follow_softening_in(services, work, changed, contact, by, now)
    if takes_appointments(work, changed):
        replan(services, work, changed, contact, now)
    tell_in(services, work, stored, changed, contact, revise_appointment_in(services, work, changed, now), now)
    return changed


def plan_to_book_on(work: UnitOfWork, person_id: str) -> StoredPlan | None:
    """The plan that appointments of a person go with: the present one, else the one by which they are due again."""
    current = work.plans.current(person_id)
    if current is not None:
        return current
    recall = work.recalls.open_of(person_id)
    return work.plans.get(recall.plan_id) if recall is not None else None


def booked_plans(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> list[StoredPlan]:
    """The plans of a person that have an appointment to come, newest first; more than one is rare."""
    return [each for each in work.plans.of_person(person_id) if to_come(services, each, now)]


def called_off(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> Appointment | None:
    """The appointment that a person knows of, still to come, which was cancelled with none in its place."""
    plans = work.plans.of_person(person_id)
    if any(to_come(services, each, now) for each in plans):
        return None
    if not any(work.ledger.history(each.id, only=(CANCELLED,)) for each in plans):
        return None
    return last_known(services, work, person_id, now)


def check_booking(
    services: Services, work: UnitOfWork, stored: StoredPlan, appointment: tuple[date, time] | None, now: datetime
) -> None:
    """Whether a plan may get another appointment (None: none). One that stands may be cancelled whatever became of its
    plan. Raises VisitError, NotAllowedError as `book` does."""
    cancels = appointment is None and to_come(services, stored, now)
    if not cancels and not takes_appointments(work, stored):
        raise NotAllowedError("this plan has ended, so its appointment stays as it is; use the present plan")
    if appointment is not None:
        _check(services, appointment, now)


def _check(services: Services, appointment: tuple[date, time], now: datetime) -> None:
    zone = zone_named(services.clinic.zone)
    wall = datetime.combine(*appointment)
    if to_instant(wall, zone) <= now:
        raise VisitError("appointment", "this moment has passed; give a date and a time that are still to come")
    if wall > to_wall(now, zone) + FARTHEST:
        raise VisitError("appointment", "this is more than two years ahead; check the year")
    if not exists(wall, zone):
        raise VisitError("appointment", "the clocks go forward over this time; give a time that the day has")


def _action(before: StoredPlan, after: StoredPlan) -> str:
    if after.appointment is None:
        return CANCELLED
    return "appointment-booked" if before.appointment is None else "appointment-moved"


def _moments(before: StoredPlan, after: StoredPlan) -> dict[str, str]:
    found = {"before": before.booked, "after": after.booked}
    return {name: "T".join(booked) for name, booked in found.items() if booked is not None}


def _ask_a_person(
    work: UnitOfWork,
    before: StoredPlan,
    after: StoredPlan,
    messages: list[StoredMessage],
    now: datetime,
    *,
    reminded: bool,
) -> None:
    """Put on the attention list what no message will mend: a reminder that has gone out, a return nobody asks for."""
    reminder = _reminder_gone(before, messages) if reminded else None
    if reminder is not None and before.booked is not None:
        detail = f"a reminder of {' at '.join(before.booked)} may have gone out: tell the person of the change"
        work.ledger.ask(before.person_id, CHANGED, now, message_id=reminder.id, detail=detail)
    back = after.plan.next_return
    asks = after.appointment is None and takes_appointments(work, after)
    if asks and back is not None and not _will_be_asked(messages):
        detail = f"the appointment is cancelled: arrange the return that is due on {back.on}"
        work.ledger.ask(before.person_id, NOT_ASKED, now, detail=detail)


def _reminder_gone(before: StoredPlan, messages: list[StoredMessage]) -> StoredMessage | None:
    """A reminder of the earlier appointment that has left, or may be leaving now."""
    if before.appointment is None:
        return None
    reminders = (m for m in messages if m.planned.kind is MessageKind.APPOINTMENT and m.state in _GONE)
    return next((m for m in reminders if appointment_day(m.planned.key) == before.appointment[0]), None)


def _will_be_asked(messages: list[StoredMessage]) -> bool:
    invitations = (m for m in messages if m.planned.kind is MessageKind.RETURN_DUE)
    return any(m.state in (State.PENDING, State.CLAIMED) and not m.superseded for m in invitations)
