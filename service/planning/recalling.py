"""Asking somebody back: opened with the plan, answered by the person, ended by the next visit or by a decision.

Every function ending in `_in` is a part of a larger transaction. What is unsent follows each change at once, since
invitations are messages of the plan, laid out anew from the recall (`laying_out.py`).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

from service.domain.contact import Channel, Contact
from service.domain.recall import (
    ENDS_WITH,
    Answer,
    Ended,
    Given,
    Recall,
    RecallState,
    anew,
    answered,
    ask_on,
    booked,
    ended,
    later_by_word,
    later_days,
    seen,
    unbooked,
    window_of,
)
from service.planning.attention import (
    DECLINED,
    HELD,
    LATE,
    MISSED,
    PERHAPS,
    RETURN_SOON,
    SETTLED_BY_BOOKING,
    WANTS_VISIT,
    WRONG_PERSON,
)
from service.planning.laying_out import follow_recall, replan
from service.planning.recall_settings import today_for
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork

BOOKED_AFTER_ALL = frozenset({Ended.DECLINED, Ended.ELSEWHERE, Ended.NO_ANSWER, Ended.NOT_NEEDED})
"""Ends that a booking takes back."""


def open_in(services: Services, work: UnitOfWork, stored: StoredPlan, now: datetime) -> Recall | None:
    """Open the recall of a plan that was just given (or was given before recalls were kept). The person came, so what
    was open before is done. None where no ear has a return."""
    before = work.recalls.open_of(stored.person_id)
    if before is not None:
        before = seen(before, now)
        work.recalls.save(before)
        follow_recall(services, work, before, now)
    work.by_hand.close_open(stored.person_id, (*SETTLED_BY_BOOKING, MISSED, PERHAPS, LATE, HELD), stored.by, now)
    window = window_of(stored.plan, services.pack.recall)
    if window is None:
        return None
    lead = services.pack.timing.return_before_days
    recall = Recall(
        id=services.new_id(),
        person_id=stored.person_id,
        plan_id=stored.id,
        window=window,
        invite_on=ask_on(stored.plan.on, window.ideal, lead),
        opened=now,
    )
    today = today_for(services, work.people.get(stored.person_id).contact, now)
    if stored.appointment is not None:
        _ask_if_late(work, recall, stored.appointment[0], now)
    in_time = stored.appointment is not None and stored.appointment[0] <= window.latest
    if in_time or (stored.appointment is None and has_another_date(services, work, recall, now)):
        recall = booked(recall)
    else:
        if recall.invite_on <= today:  # the morning of the first invitation has passed
            recall = replace(recall, invite_on=today + timedelta(days=1))
        ask_if_soon(services, work, recall, today, now)
    work.recalls.save(recall)
    return recall


def ask_if_soon(services: Services, work: UnitOfWork, recall: Recall, today: date, now: datetime) -> None:
    """An ear that is due so soon, or late, and is not booked: an invitation may come too late, so a person books it."""
    window = recall.window
    if recall.state is RecallState.DUE and window.ideal <= today + timedelta(days=services.pack.recall.at_once_days):
        detail = f"nothing is booked, and the return is due on {window.ideal}, {window.latest} at the latest"
        work.ledger.ask(recall.person_id, RETURN_SOON, now, detail=detail)


def _ask_if_late(work: UnitOfWork, recall: Recall, on: date, now: datetime) -> None:
    """A visit that comes after the latest day for an ear looks like any other on every list."""
    if on > recall.window.latest:
        detail = f"the visit is on {on}, and the latest day for this ear is {recall.window.latest}"
        work.ledger.ask(recall.person_id, LATE, now, detail=detail)


def to_come(services: Services, stored: StoredPlan, now: datetime) -> bool:
    """Whether an appointment of this plan is still to come."""
    return stored.appointment is not None and services.instant_of(*stored.appointment) > now


def takes_appointments(work: UnitOfWork, stored: StoredPlan) -> bool:
    """Whether appointments are made on this plan: it runs, or it is over and the person is due back by it again."""
    return stored.running or work.recalls.goes_on(stored.id)


def follow_appointment_in(
    services: Services,
    work: UnitOfWork,
    stored: StoredPlan,
    now: datetime,
    *,
    by: str,
    missed: bool = False,
    wait_days: int = 1,
) -> None:
    """The recall of a plan follows its appointment: booked, or asked anew when it was cancelled or missed. A booking
    also closes what the attention list asked about it, and takes back that the person declined. Who declined, and whose
    booking is cancelled, has declined again. Where the ear is due within days, a person is asked to book it anew;
    the person is asked `wait_days` from today at the earliest.

    An appointment of urgent advice settles the recall of the plan on hold while that has none itself."""
    other, recall = work.recalls.open_of(stored.person_id), work.recalls.of_plan(stored.id)
    if other is not None and (recall is None or other.id != recall.id):
        _follow_another_plan(services, work, other, stored, by, now)
        return
    if recall is None:
        return
    work.by_hand.close_open(stored.person_id, (LATE,), by, now)
    if stored.appointment is not None:
        if recall.open or recall.ended in BOOKED_AFTER_ALL:
            work.recalls.save(booked(recall))
            work.by_hand.close_open(stored.person_id, SETTLED_BY_BOOKING, by, now)
            _ask_if_late(work, recall, stored.appointment[0], now)
    elif recall.state in (RecallState.BOOKED, RecallState.DUE):  # due: the appointment was too late for an ear
        if not missed and (declined := _declined_again(recall, now)) is not None:
            work.recalls.save(declined)
            if not stored.running:  # else whoever cancels it is told that nobody is asked any more
                ask_if_declined(services, work, declined, now)
            return
        if has_another_date(services, work, recall, now):
            return
        today = today_for(services, work.people.get(stored.person_id).contact, now)
        after = unbooked(recall, today, missed=missed, wait_days=wait_days)
        work.recalls.save(after)
        if wait_days == 1:  # else whether they came is asked first, in an entry of its own
            ask_if_soon(services, work, after, today, now)


def _declined_again(recall: Recall, now: datetime) -> Recall | None:
    """The recall of somebody who had declined before the visit was booked that will not be; None for anybody else."""
    if recall.answer is None or recall.answer not in ENDS_WITH:
        return None
    return ended(recall, ENDS_WITH[recall.answer], now)


def ask_if_declined(services: Services, work: UnitOfWork, recall: Recall, now: datetime) -> None:
    """Put a recall that ended since the person declined before a person, where much depends on the visit."""
    if recall.answer is None or recall.ended is not ENDS_WITH.get(recall.answer):
        return
    detail = _for_a_person(services, recall, recall, recall.answer, None)
    if detail is not None:
        work.ledger.ask(recall.person_id, DECLINED, now, detail=detail)


def has_another_date(services: Services, work: UnitOfWork, recall: Recall, now: datetime) -> bool:
    """Whether an appointment in time for it stands under another plan than that of the recall. One of today that
    belongs to a plan that is over is the visit that was just made."""
    today = services.day_of(now)
    return any(
        each.appointment[0] <= recall.window.latest
        and (each.appointment[0] > today or (each.running and to_come(services, each, now)))
        for each in work.plans.of_person(recall.person_id)
        if each.id != recall.plan_id and each.appointment is not None
    )


def _follow_another_plan(
    services: Services, work: UnitOfWork, recall: Recall, stored: StoredPlan, by: str, now: datetime
) -> None:
    """The open recall of another plan than the one whose appointment changed. Nobody is asked to book who has a date in
    time; when that date falls away they are asked as before, and a missed one is not held against this return."""
    if work.plans.get(recall.plan_id).appointment is not None:
        return
    if stored.running and stored.appointment is not None and stored.appointment[0] <= recall.window.latest:
        after = booked(recall)
        work.by_hand.close_open(stored.person_id, SETTLED_BY_BOOKING, by, now)
    elif recall.state is RecallState.BOOKED and (declined := _declined_again(recall, now)) is not None:
        after = declined
        ask_if_declined(services, work, after, now)
    elif recall.state is RecallState.BOOKED:
        today = today_for(services, work.people.get(stored.person_id).contact, now)
        after = unbooked(recall, today)
        ask_if_soon(services, work, after, today, now)
    else:
        return
    work.recalls.save(after)
    follow_recall(services, work, after, now)


def invited(work: UnitOfWork, person_id: str) -> tuple[Recall, int] | None:
    """The recall that this person was invited for and may answer, and how many invitations of its round are out.

    One that was declined stays to be answered otherwise until the next visit. None when nobody asked, and when the
    person died or left.
    """
    recall = work.recalls.newest_of(person_id)
    if recall is None or recall.state in (RecallState.SEEN, RecallState.BOOKED):
        return None
    if work.people.get(person_id).contact.gone:
        return None
    if not recall.open and recall.ended not in ENDS_WITH.values():
        return None
    out = work.recalls.invitations_out([recall]).get(recall.id, 0)
    asked_before = recall.answer is not None or (recall.round > 1 and work.recalls.last_invited(recall) is not None)
    return (recall, out) if out or asked_before else None


def answer_in(
    services: Services,
    work: UnitOfWork,
    person_id: str,
    answer: Answer,
    *,
    by: str,
    now: datetime,
    later: date | None = None,
) -> Recall | None:
    """Carry out the answer to an invitation; `by` is "page" or the channel that it came by. None when there is no
    invitation to answer, and nothing is changed.

    Who wants to come, and whoever declines or would wait although much depends on the visit, is put before a person.
    "later" without a day means the clinic's usual days, or as long as such an ear may wait.
    Raises NotAllowedError when a visit is booked meanwhile.
    """
    found = invited(work, person_id)
    if found is None:
        return None
    recall, out = found
    usual = None
    if answer is Answer.LATER and later is None:
        today, rules = services.day_of(now), services.pack.recall
        usual = today + timedelta(days=rules.later_by_word_days)
        later = later_by_word(recall.window, rules, today)
    again = answer is recall.answer
    if again and answer is Answer.LATER and recall.state is RecallState.DUE and (recall.invite_on, out) == (later, 0):
        return recall  # pressed twice
    after = answered(recall, Given(answer=answer, by=by, at=now, later=later))
    work.recalls.save(after)
    follow_recall(services, work, after, now)
    detail = _for_a_person(services, recall, after, answer, usual)
    reason = WANTS_VISIT if answer is Answer.BOOK else DECLINED
    stays = reason if again and detail is not None and answer is not Answer.LATER else None  # its day is another one
    over = tuple(each for each in SETTLED_BY_BOOKING if each != stays)
    work.by_hand.close_open(person_id, over, "patient", now)  # this answer takes the place of what was asked before
    if detail is not None:
        work.inbound.ask(person_id, reason, now, detail=detail)
    work.ledger.note("patient", "recall-answered", recall.id, now, answer=answer.value, by=by)
    return after


def wrong_person_in(
    services: Services, work: UnitOfWork, person_id: str, channels: frozenset[Channel], now: datetime, *, by: str
) -> None:
    """Somebody said that the number or address behind these channels is not this person's: they are used no more, every
    link that went there is worthless, and a person looks for the right one. The recall goes on by another way."""
    person = work.people.get(person_id)
    fresh = channels - person.contact.bad
    if not fresh:
        return
    contact = replace(person.contact, bad=person.contact.bad | fresh)
    work.people.save(replace(person, contact=contact))
    work.links.revoke_all(person_id, now)
    recall = work.recalls.open_of(person_id)
    if recall is not None and recall.state is not RecallState.BOOKED:
        recall = answered(recall, Given(answer=Answer.WRONG, by=by, at=now))
        if recall.state is RecallState.DUE and work.recalls.invitations_out([recall]):
            # Whoever reads the next one was never asked: it is a first invitation again, and goes at once.
            recall = anew(recall, today_for(services, contact, now) + timedelta(days=1))
        work.recalls.save(recall)
    for stored in work.plans.of_person(person_id):
        if takes_appointments(work, stored):
            replan(services, work, stored, contact, now)
    if not contact.gone:
        ways = ", ".join(each for each in Channel if each in contact.bad)
        work.by_hand.close_open(person_id, (WRONG_PERSON,), "tragus", now)  # the new entry names every way
        work.inbound.ask(person_id, WRONG_PERSON, now, detail=f"{ways}: somebody answered that this is not for them")
    for channel in sorted(fresh):
        work.ledger.note("patient", "wrong-person", person_id, now, channel=channel.value, by=by)


def reached_anew_in(services: Services, work: UnitOfWork, person_id: str, contact: Contact, now: datetime) -> None:
    """The person can be reached by another number or address: where no invitation of the round went out although its
    day has come, they are asked from tomorrow on as if for the first time."""
    recall, today = work.recalls.open_of(person_id), today_for(services, contact, now)
    if recall is None or recall.state is not RecallState.DUE or recall.invite_on > today or contact.gone:
        return
    if not work.recalls.invitations_out([recall]):
        work.recalls.save(anew(recall, today + timedelta(days=1)))


def must_come_soon(services: Services, recall: Recall, now: datetime) -> bool:
    """Whether this visit must not wait, so that the person's page offers no later time for it."""
    return not later_days(recall.window, services.pack.recall, services.day_of(now))


def _for_a_person(services: Services, before: Recall, after: Recall, answer: Answer, usual: date | None) -> str | None:
    """What a person of the clinic has to know or do after this answer; None when nothing. `usual`: the day that
    "later" would have meant for an ear that can wait, where no day was chosen."""
    window, heavy = before.window, services.pack.recall.much_depends(before.window.weight)
    kind = services.pack.templates[window.template].label if window.template in services.pack.templates else ""
    about = f"{kind}: due around {window.ideal}, {window.latest} at the latest"
    if answer is Answer.BOOK:
        return f"wants to come; {about}"
    if answer in ENDS_WITH and heavy:
        said = "does not want to come" if answer is Answer.NO else "was seen elsewhere"
        return f"{said}, and much depends on this visit; {about}"
    if answer is Answer.LATER and heavy:
        if after.invite_on > window.latest:
            return f"asked for later ({after.invite_on}), which is after the latest day; {about}"
        if usual is not None and after.invite_on < usual:
            return f"asked for later, and is asked again on {after.invite_on}, as this ear can wait no longer; {about}"
    return None
