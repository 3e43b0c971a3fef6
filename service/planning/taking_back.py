"""What ends a recall without a visit, and what is taken back: a plan withdrawn, a death that was a mistake, urgent
advice that is over. Whoever was waited for or asked about before is so again.

Every function ending in `_in` is a part of a larger transaction.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta

from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.domain.recall import (
    FINAL_ENDS,
    Ended,
    Recall,
    RecallState,
    anew,
    booked,
    ended,
    invitation_key,
    taken_up,
)
from service.planning.attention import MISSED, SETTLED_BY_AN_END, SETTLED_BY_BOOKING, WANTS_VISIT
from service.planning.laying_out import follow_recall, urgent_runs
from service.planning.recall_settings import today_for
from service.planning.recalling import ask_if_soon, has_another_date, to_come
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork

GONE = ("person-died", "person-left")
"""The notes of the moments at which somebody was marked as gone."""


def withdraw_in(services: Services, work: UnitOfWork, stored: StoredPlan, now: datetime) -> None:
    """A plan was withdrawn: its recall is over, be it declined or closed already, and the one that it had ended is
    taken up again, with what stood on the attention list about it. Urgent advice has no recall, and ended none."""
    recall, own = work.recalls.open_of(stored.person_id), work.recalls.of_plan(stored.id)
    if stored.plan.urgent or (recall is not None and recall.plan_id != stored.id):
        return
    contact = work.people.get(stored.person_id).contact
    gone = Ended.DIED if contact.died is not None else Ended.LEFT if contact.left is not None else None
    if own is not None and own.state is not RecallState.SEEN:
        work.recalls.save(ended(own, Ended.REPLACED, now))
    work.by_hand.close_open(stored.person_id, SETTLED_BY_BOOKING, "tragus", now)
    before = work.recalls.ended_by(stored.person_id, stored.given)
    if gone is not None:
        if before is not None:
            work.recalls.save(ended(before, gone, now))
        return
    after = _taken_up(services, work, before, now) if before is not None else None
    if after is None or after.state is not RecallState.BOOKED:
        asked = work.by_hand.open_again(stored.person_id, (*SETTLED_BY_BOOKING, MISSED), [stored.given])
        after = _still_wanted(before, after, asked)
    if after is not None:
        _go_on(services, work, after, now)


def end_in(services: Services, work: UnitOfWork, person_id: str, why: Ended, by: str, now: datetime) -> bool:
    """End the open recall of a person without a visit; False when there is none. Nobody is asked any more to arrange
    their visit or to look for their number."""
    work.by_hand.close_open(person_id, SETTLED_BY_AN_END, by, now)
    recall = work.recalls.open_of(person_id)
    if recall is None:
        return False
    work.recalls.save(ended(recall, why, now))
    work.ledger.note(by, "recall-ended", recall.id, now, why=why.value)
    return True


def reopen_in(services: Services, work: UnitOfWork, person_id: str, by: str, now: datetime) -> None:
    """Take back what a move away or a death had ended, when that was a mistake; not while the other one holds."""
    recall, contact = work.recalls.newest_of(person_id), work.people.get(person_id).contact
    if contact.gone:
        return
    ends = recall is not None and not recall.open and recall.ended in FINAL_ENDS
    after = _taken_up(services, work, recall, now) if recall is not None and ends else None
    settled = SETTLED_BY_BOOKING if after is not None and after.state is RecallState.BOOKED else ()
    reasons = tuple(each for each in SETTLED_BY_AN_END if each not in settled)
    marked = [note.at for note in work.ledger.history(person_id, only=GONE)]
    after = _still_wanted(recall, after, work.by_hand.open_again(person_id, reasons, marked))
    if after is not None:
        _go_on(services, work, after, now)
        work.ledger.note(by, "recall-reopened", after.id, now)


def go_on_in(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> None:
    """Urgent advice was given or is over, or a plan was taken up: the invitations of the person's open recall stop, or
    go on. Where the day of the first one passed meanwhile, they begin tomorrow, and an ear that is due so soon is put
    before a person. The messages of a plan on hold wait by themselves."""
    recall = work.recalls.open_of(person_id)
    if recall is None or recall.state is not RecallState.DUE:
        return
    stored = work.plans.get(recall.plan_id)
    if stored.status is Status.ON_HOLD:
        return
    if stored.running or not urgent_runs(work, person_id):
        today = today_for(services, work.people.get(person_id).contact, now)
        if recall.invite_on <= today and not _first_is_out_or_waits(work, recall):
            recall = anew(recall, today + timedelta(days=1))
            work.recalls.save(recall)
            ask_if_soon(services, work, recall, today, now)
    follow_recall(services, work, recall, now)


def _first_is_out_or_waits(work: UnitOfWork, recall: Recall) -> bool:
    """Whether an invitation of this round has gone out, or its first one still waits for a free moment."""
    if work.recalls.invitations_out([recall]):
        return True
    first = invitation_key(recall.round, 1)
    return any(
        each.plan_id == recall.plan_id
        and each.planned.kind is MessageKind.RETURN_DUE
        and each.planned.key == first
        and each.state in (State.PENDING, State.CLAIMED)
        and not each.superseded
        for each in work.messages.of_person(recall.person_id)
    )


def _go_on(services: Services, work: UnitOfWork, after: Recall, now: datetime) -> None:
    work.recalls.save(after)
    today = today_for(services, work.people.get(after.person_id).contact, now)
    ask_if_soon(services, work, after, today, now)
    follow_recall(services, work, after, now)


def _still_wanted(before: Recall | None, after: Recall | None, asked: Iterable[str]) -> Recall | None:
    """Who had said that they want to come is not asked again: their visit is still to be arranged."""
    if before is None or after is None or after.state is not RecallState.DUE or WANTS_VISIT not in asked:
        return after
    return replace(before, state=RecallState.ANSWERED, ended=None, closed=None)


def _taken_up(services: Services, work: UnitOfWork, recall: Recall, now: datetime) -> Recall:
    """An ended recall as it goes on: booked where its plan has an appointment that nobody has looked after yet, else
    to be invited. What stands of an ended plan's appointment that is over is cleared: it would silence every
    invitation."""
    stored = work.plans.get(recall.plan_id)
    if stored.appointment is not None:
        if stored.running or to_come(services, stored, now):
            return booked(recall)
        work.plans.appoint(stored.id, None)
    if has_another_date(services, work, recall, now):
        return booked(recall)
    return taken_up(recall, today_for(services, work.people.get(recall.person_id).contact, now))
