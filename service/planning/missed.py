"""Appointments to which nobody came go back to the recall; ones that were kept without a record are closed by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from service.domain.recall import RecallState, seen
from service.errors import NotAllowedError
from service.planning.as_booked import follow_softening_in
from service.planning.attention import MISSED, PERHAPS
from service.planning.laying_out import follow_recall, replan
from service.planning.recalling import ask_if_declined, follow_appointment_in, takes_appointments
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork

ATTENDED = "appointment-attended"

UNFOUNDED = "recall-unbooked"
AT_ONCE = 200
"""Plans that are looked at between two reads of the list. Our choice."""


def look_for_missed(services: Services) -> int:
    """Take every appointment whose day is long enough past, and after which no visit was recorded, as missed; returns
    how many. To be called once a day; each is one transaction, and a second call finds nothing."""
    missed, looked = 0, set[str]()
    while True:
        now = services.clock.now()
        last = services.day_of(now) - timedelta(days=services.pack.recall.missed_after_days)
        with services.open_reading() as work:
            found = [each for each in work.plans.appointments_until(last, AT_ONCE + len(looked)) if each not in looked]
        if not found:
            return missed
        looked.update(found)
        missed += _take_missed(services, found, now)


def _take_missed(services: Services, plan_ids: Sequence[str], now: datetime) -> int:
    count = 0
    last = services.day_of(now) - timedelta(days=services.pack.recall.missed_after_days)
    for plan_id in plan_ids:
        with services.open_work() as work:
            stored = work.plans.get(plan_id)
            if stored.appointment is None or stored.appointment[0] > last or not _stands(services, work, stored):
                continue  # changed at this moment, or the person came
            contact = work.people.get(stored.person_id).contact
            if contact.gone:
                continue  # nobody asks why they did not come
            _miss(services, work, stored, "tragus", now, wait_days=services.pack.recall.missed_wait_days)
            detail = f"the appointment of {' at '.join(stored.booked or ())}: nobody recorded a visit since"
            work.by_hand.close_open(stored.person_id, (MISSED,), "tragus", now)  # an earlier one is old news
            work.ledger.ask(stored.person_id, MISSED, now, detail=detail)
            work.commit()
            count += 1
    return count


def look_for_unfounded(services: Services) -> int:
    """Find recalls that count as booked although no appointment is left to wait for, and ask these people back; returns
    how many. An urgent visit on the day of an appointment, or urgent advice withdrawn, leaves such a one behind. To be
    called after `look_for_missed`, which takes what nobody came to."""
    with services.open_reading() as work:
        booked = [each.id for each in work.recalls.all_open() if each.state is RecallState.BOOKED]
    return sum(_unbook_unfounded(services, recall_id) for recall_id in booked)


def _unbook_unfounded(services: Services, recall_id: str) -> bool:
    now = services.clock.now()
    today = services.day_of(now)
    just_past = today - timedelta(days=services.pack.recall.missed_after_days)
    with services.open_work() as work:
        recall = work.recalls.get(recall_id)
        if recall.state is not RecallState.BOOKED:
            return False
        for stored in work.plans.of_person(recall.person_id):
            if stored.appointment is None or stored.appointment[0] <= just_past:
                continue
            if stored.appointment[0] > today or takes_appointments(work, stored):
                return False
        own = work.plans.get(recall.plan_id)
        if own.appointment is not None:
            work.plans.appoint(own.id, None)
        follow_appointment_in(services, work, replace(own, appointment=None), now, by="tragus")
        after = work.recalls.get(recall_id)
        ask_if_declined(services, work, after, now)
        follow_recall(services, work, after, now)
        work.ledger.note("tragus", UNFOUNDED, recall_id, now)
        work.commit()
    return True


def record_missed(services: Services, plan_id: str, by: str) -> None:
    """Somebody of the clinic says that nobody came: the same at once, and without asking them again, unless no
    invitation will follow. Raises NotAllowedError (nothing to say it of), NotFoundError."""
    now = services.clock.now()
    with services.open_work() as work:
        stored = _past(services, work, plan_id, now)
        _miss(services, work, stored, by, now)
        if work.recalls.open_of(stored.person_id) is None:
            detail = f"the appointment of {' at '.join(stored.booked or ())}: nobody is asked back by itself"
            work.ledger.ask(stored.person_id, MISSED, now, detail=detail)
        work.commit()


def record_attended(services: Services, plan_id: str, by: str) -> None:
    """The person came, and there is nothing else to record: the recall ends as seen, and the appointment is done.

    Raises NotAllowedError when no appointment of this plan has passed, NotFoundError.
    """
    now = services.clock.now()
    with services.open_work() as work:
        stored = _past(services, work, plan_id, now)
        recall = work.recalls.open_of(stored.person_id)
        if recall is not None and recall.plan_id == plan_id:
            work.recalls.save(seen(recall, now))
        else:  # urgent advice was looked after; what the person is due back for is not done by that
            follow_appointment_in(services, work, replace(stored, appointment=None), now, by=by)
        _clear(services, work, stored, now)
        work.ledger.note(by, ATTENDED, plan_id, now, before="T".join(stored.booked or ()))
        work.commit()


def to_ask_about(services: Services, work: UnitOfWork, stored: StoredPlan, now: datetime) -> bool:
    """Whether the record should ask "did they come?": the day of the appointment is over, and nobody said."""
    return _over(services, work, stored, now) and _stands(services, work, stored)


def _over(services: Services, work: UnitOfWork, stored: StoredPlan, now: datetime) -> bool:
    if stored.appointment is None or stored.appointment[0] >= services.day_of(now):
        return False
    return takes_appointments(work, stored)


def _past(services: Services, work: UnitOfWork, plan_id: str, now: datetime) -> StoredPlan:
    stored = work.plans.get(plan_id)
    if not _over(services, work, stored, now):
        raise NotAllowedError("no appointment of this plan has passed: look at the record again")
    return stored


def _stands(services: Services, work: UnitOfWork, stored: StoredPlan) -> bool:
    """Whether the appointment counts, and no visit was recorded since its day began."""
    if stored.appointment is None or not takes_appointments(work, stored):
        return False
    return not work.plans.visit_since(stored.person_id, services.instant_of(stored.appointment[0]))


def _miss(
    services: Services, work: UnitOfWork, stored: StoredPlan, by: str, now: datetime, *, wait_days: int = 1
) -> None:
    cleared = replace(stored, appointment=None)
    follow_appointment_in(services, work, cleared, now, by=by, missed=True, wait_days=wait_days)
    _clear(services, work, stored, now)
    work.ledger.note(by, MISSED, stored.id, now, before="T".join(stored.booked or ()))


def _clear(services: Services, work: UnitOfWork, stored: StoredPlan, now: datetime) -> None:
    """The appointment is over: nothing of it stands any more, and nobody is told that it is cancelled."""
    work.plans.appoint(stored.id, None)
    work.by_hand.close_open(stored.person_id, (PERHAPS,), "tragus", now)
    contact = work.people.get(stored.person_id).contact
    cleared = replace(stored, appointment=None)
    if stored.running:
        cleared = follow_softening_in(services, work, cleared, contact, "tragus", now)
    replan(services, work, cleared, contact, now)
