"""An appointment that outlives its plan: it goes over to the next plan, or a person says what becomes of it.

The clinic's diary still has it, and so has the person's calendar. It keeps its UID there whichever plan it is under, so
that moving it moves one entry (RFC 5546 section 2.1.5).
"""

from __future__ import annotations

from datetime import datetime

from service.planning.attention import STANDS
from service.planning.calendar import APPOINTMENT
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
    """A plan gets an appointment: it takes the place of any that stood under a plan that is over."""
    for earlier in over_but_booked(services, work, stored.person_id, now):
        if earlier.id != stored.id:
            _hand_on(work, earlier, stored, by, now)
    work.by_hand.close_open(stored.person_id, (STANDS,), by, now)


def ask_in(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> None:
    """Put before a person what stands under plans that are over, if anything does."""
    for earlier in over_but_booked(services, work, person_id, now):
        detail = f"{' at '.join(earlier.booked or ())}: book it on the present plan if it stands, or cancel it"
        work.ledger.ask(person_id, STANDS, now, detail=detail)


def give_back_in(services: Services, work: UnitOfWork, withdrawn: StoredPlan, by: str, now: datetime) -> None:
    """A plan is withdrawn whose appointment stands: it goes back to the plan by which the person will be due again.
    To be called before that recall is taken up; `ask_in` after it finds what is left."""
    before = work.recalls.ended_by(withdrawn.person_id, withdrawn.given)
    if before is None or not stands(services, withdrawn, now):
        return
    earlier = work.plans.get(before.plan_id)
    if stands(services, earlier, now):
        return
    work.plans.appoint(earlier.id, withdrawn.appointment)
    _hand_on(work, withdrawn, earlier, by, now)


def settled_in(services: Services, work: UnitOfWork, person_id: str, by: str, now: datetime) -> None:
    """An appointment was cancelled: nobody need ask about it any more, unless another one stands."""
    if not over_but_booked(services, work, person_id, now):
        work.by_hand.close_open(person_id, (STANDS,), by, now)


def _hand_on(work: UnitOfWork, earlier: StoredPlan, after: StoredPlan, by: str, now: datetime) -> None:
    own = work.plans.calendar_states(after.id).get(APPOINTMENT)
    known = APPOINTMENT in work.plans.calendar_states(earlier.id)
    if known and (own is None or own.item.cancelled):
        work.plans.hand_calendar_entry_on(earlier.id, after.id, APPOINTMENT)
    work.plans.appoint(earlier.id, None)
    work.ledger.note(by, TAKEN_OVER, earlier.id, now, before="T".join(earlier.booked or ()), by=after.id)
