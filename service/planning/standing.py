"""An appointment that outlives its plan: it goes over to the next plan, or a person says what becomes of it.

The clinic's diary still has it, and so has the person's calendar. It keeps its UID there whichever plan it is under, so
that moving it moves one entry (RFC 5546 section 2.1.5).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time

from service.domain.plan import Status
from service.planning.attention import STANDS
from service.planning.booking_news import tell_in
from service.planning.calendar import APPOINTMENT, revise_appointment_in
from service.planning.laying_out import replan
from service.planning.recalling import takes_appointments
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork

TAKEN_OVER = "appointment-taken-over"
"""The note in the audit record of the plan that had the appointment."""


def stands(services: Services, stored: StoredPlan, now: datetime) -> bool:
    """Whether this plan has an appointment on a later day than today. One of today is what the person comes for."""
    return stored.appointment is not None and stored.appointment[0] > services.day_of(now)


def over_but_booked(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> list[StoredPlan]:
    """The plans of a person that are over and whose appointment stands, newest first."""
    plans = work.plans.of_person(person_id)
    return [each for each in plans if stands(services, each, now) and not takes_appointments(work, each)]


def take_over_in(services: Services, work: UnitOfWork, stored: StoredPlan, by: str, now: datetime) -> None:
    """A plan gets an appointment and had none: it takes the place of the one that stood under another plan, be that
    over or on hold. To be called before the recall follows; `ask_in` after it finds what is left."""
    own = work.plans.calendar_states(stored.id).get(APPOINTMENT)
    others = [each for each in work.plans.of_person(stored.person_id) if each.id != stored.id]
    booked = [each for each in others if stands(services, each, now)]
    standing = next((each for each in booked if each.appointment == stored.appointment), next(iter(booked), None))
    if standing is None and own is None:
        cancelled = next((each for each in others if _called_off(services, work, each, now)), None)
        if cancelled is not None:  # whoever was not told of that yet has it in their calendar: it moves
            _hand_entry_on(services, work, cancelled, stored)
    if standing is not None and (own is None or own.item.cancelled):
        _hand_entry_on(services, work, standing, stored)
        work.plans.appoint(standing.id, None)
        if standing.running:
            contact = work.people.get(stored.person_id).contact
            replan(services, work, replace(standing, appointment=None), contact, now)
        work.ledger.note(by, TAKEN_OVER, standing.id, now, before=_slot(standing), by=stored.id)


def ask_in(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> None:
    """Put before a person what stands under plans that are over; take it off the list when nothing does."""
    work.by_hand.close_open(person_id, (STANDS,), "tragus", now)
    slots = [" at ".join(each.booked or ()) for each in over_but_booked(services, work, person_id, now)]
    if slots:
        detail = f"{', '.join(slots)}: book it on the present plan if it stands, or cancel it"
        work.ledger.ask(person_id, STANDS, now, detail=detail)


def give_back_in(services: Services, work: UnitOfWork, withdrawn: StoredPlan, by: str, now: datetime) -> None:
    """A plan is withdrawn: its appointment and its calendar entry go back to the plan before it, which counts again.
    Where it had taken another appointment over, that one stands again, and a person says what becomes of the later
    one. To be called before the recall is taken up; `ask_in` after it finds what is left."""
    earlier = _before(work, withdrawn)
    if earlier is None:
        return
    own = work.plans.calendar_states(earlier.id).get(APPOINTMENT)
    if own is None or own.item.cancelled:
        _hand_entry_on(services, work, withdrawn, earlier)
    if not stands(services, withdrawn, now) or stands(services, earlier, now):
        return
    back = replace(withdrawn, appointment=_taken_from(work, earlier, withdrawn) or withdrawn.appointment)
    if not stands(services, back, now):
        return
    work.plans.appoint(earlier.id, back.appointment)
    if back.appointment == withdrawn.appointment:
        work.plans.appoint(withdrawn.id, None)
        work.ledger.note(by, TAKEN_OVER, withdrawn.id, now, before=_slot(withdrawn), by=earlier.id)
    booked = replace(earlier, appointment=back.appointment)
    contact = work.people.get(earlier.person_id).contact
    tell_in(services, work, earlier, booked, contact, revise_appointment_in(services, work, booked, now), now)


def on_hold(work: UnitOfWork, person_id: str) -> StoredPlan | None:
    """The plan of a person that urgent advice put on hold, the newest where there are several."""
    return next((each for each in work.plans.of_person(person_id) if each.status is Status.ON_HOLD), None)


def _before(work: UnitOfWork, withdrawn: StoredPlan) -> StoredPlan | None:
    """The plan that counts again when this one is withdrawn; None where there is none."""
    if withdrawn.plan.urgent:
        return on_hold(work, withdrawn.person_id)
    recall = work.recalls.ended_by(withdrawn.person_id, withdrawn.given)
    return work.plans.get(recall.plan_id) if recall is not None else None


def _called_off(services: Services, work: UnitOfWork, stored: StoredPlan, now: datetime) -> bool:
    """Whether a plan had an appointment for a later day that was cancelled."""
    entry = work.plans.calendar_states(stored.id).get(APPOINTMENT)
    if entry is None or stored.appointment is not None or not isinstance(entry.item.start, datetime):
        return False
    return entry.item.start.date() > services.day_of(now)


def _taken_from(work: UnitOfWork, earlier: StoredPlan, by: StoredPlan) -> tuple[date, time] | None:
    """The appointment that one plan last took over from another."""
    for note in work.ledger.history(earlier.id, only=(TAKEN_OVER,)):
        if note.detail["by"] == by.id:
            moment = datetime.fromisoformat(str(note.detail["before"]))
            return moment.date(), moment.time()
    return None


def _hand_entry_on(services: Services, work: UnitOfWork, before: StoredPlan, after: StoredPlan) -> None:
    """The calendar entry goes on under another plan. What the first one may book later is another entry, so it gets
    another seed: one UID is never two appointments."""
    if APPOINTMENT in work.plans.calendar_states(before.id):
        work.plans.hand_calendar_entry_on(before.id, after.id, APPOINTMENT, seed=services.new_id())


def _slot(stored: StoredPlan) -> str:
    return "T".join(stored.booked or ())
