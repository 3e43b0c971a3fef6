"""The daily round of recalls: once a day of the clinic, at night, by one process.

Each step looks at what is there and does what is missing, so a round that is interrupted or run twice does no harm.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from service.domain.message import MessageKind, State
from service.domain.recall import Recall, RecallState, Spacing, invitation_round, moved_to, unanswered_from
from service.domain.recall_settings import proposed_by
from service.domain.wall_clock import zone_named
from service.errors import SolvingError
from service.planning.attention import NO_ANSWER, OVERDUE, RETURN_SOON, SETTLED_BY_BOOKING, WANTS_VISIT
from service.planning.laying_out import follow_recall, replan
from service.planning.missed import look_for_missed, look_for_unfounded
from service.planning.recall_settings import settings_now
from service.planning.recalling import open_in
from service.planning.refitting import refit
from service.planning.weeks import give_out_weeks
from service.services import Services
from service.storage.records import StoredMessage
from service.storage.unit_of_work import UnitOfWork

log = logging.getLogger("service.recalls")

ROUND = "recall-round"
"""The fact that holds the clinic's day of the last round."""
SPACED = "recall-spacing"
"""The fact that holds the spacing by which the waiting invitations were laid out."""
NOT_BEFORE_HOUR = 2
"""The clinic's local hour from which a day's round may run. Our choice: nobody works at the desk then."""
BATCH = 200
"""Plans for which a recall is opened in one reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundDone:
    """What one round did, in counts."""

    opened: int
    silent: int
    missed: int
    moved: int
    spaced: int = 0
    late: int = 0
    unarranged: int = 0


def due(services: Services) -> bool:
    """Whether today's round has not run yet, and it is late enough for it."""
    now = services.clock.now()
    with services.open_reading() as work:
        last = work.ledger.fact(ROUND)
    local = now.astimezone(zone_named(services.clinic.zone))
    return local.hour >= NOT_BEFORE_HOUR and last != local.date().isoformat()


def run(services: Services) -> RoundDone:
    """One round. What it did is logged in counts; nothing it does names a person in a log."""
    today = services.day_of(services.clock.now())
    done = RoundDone(
        opened=open_missing(services),
        missed=look_for_missed(services) + look_for_unfounded(services),
        spaced=space_anew(services),
        silent=ask_about_silent(services, today),
        late=ask_about_late(services, today),
        unarranged=ask_about_unarranged(services),
        moved=_weeks(services),
    )
    refit(services)
    with services.open_work() as work:
        work.ledger.set_fact(ROUND, today.isoformat())
        work.commit()
    log.info("recalls: %s opened, %s missed, %s silent, %s moved", done.opened, done.missed, done.silent, done.moved)
    return done


def _weeks(services: Services) -> int:
    try:
        return give_out_weeks(services)
    except SolvingError as failed:  # everybody keeps the week that they have; the rest of the round goes on
        log.error("weeks were not given out: %s", failed)
        return 0


def open_missing(services: Services) -> int:
    """Open the recalls of plans that were given before recalls were kept; returns how many."""
    opened, passed = 0, ""
    while True:
        with services.open_reading() as work:
            plan_ids = work.recalls.plans_without(passed, BATCH)
        if not plan_ids:
            return opened
        for plan_id in plan_ids:
            opened += _open_one(services, plan_id)
        passed = plan_ids[-1]


def _open_one(services: Services, plan_id: str) -> bool:
    now = services.clock.now()
    with services.open_work() as work:
        stored = work.plans.get(plan_id)
        current = work.plans.current(stored.person_id)
        if current is None or current.id != plan_id or work.recalls.open_of(stored.person_id) is not None:
            return False
        contact = work.people.get(stored.person_id).contact
        if contact.gone:
            return False
        recall = open_in(services, work, stored, now)
        if recall is None:
            return False
        if (asked := work.recalls.last_invited(recall)) is not None:  # before recalls were kept: not again at once
            day = asked.date() + timedelta(days=settings_now(services, work).spacing.second)
            work.recalls.save(moved_to(recall, max(recall.invite_on, day)))
        replan(services, work, stored, contact, now)
        work.commit()
    return True


def space_anew(services: Services) -> int:
    """Lay waiting invitations out anew after the clinic changed its spacing; returns for how many recalls. A round of
    which an invitation has gone out keeps the days that it began with."""
    now = services.clock.now()
    with services.open_reading() as work:
        before, spacing = work.ledger.fact(SPACED), settings_now(services, work).spacing
        by = before or _spaced(proposed_by(services.pack.recall).spacing)
        due = [each for each in work.recalls.all_open() if each.state is RecallState.DUE]
        out = work.recalls.invitations_out(due) if by != _spaced(spacing) else {}
    changed = [each for each in due if each.id not in out] if by != _spaced(spacing) else []
    for each in changed:
        with services.open_work() as work:
            follow_recall(services, work, each, now)
            work.commit()
    if before != _spaced(spacing):
        with services.open_work() as work:
            work.ledger.set_fact(SPACED, _spaced(spacing))
            work.commit()
    return len(changed)


def _spaced(spacing: Spacing) -> str:
    return f"{spacing.second}/{spacing.last}/{spacing.give_up}"


def ask_about_silent(services: Services, today: date) -> int:
    """Put whoever did not answer the last invitation before a person, once for each round; returns how many."""
    with services.open_reading() as work:
        spacing = settings_now(services, work).spacing
        silent = [
            recall
            for recall in work.recalls.all_open()
            if recall.state is RecallState.DUE and today >= unanswered_from(recall, spacing)
        ]
    return sum(_ask(services, recall.id) for recall in silent)


def _ask(services: Services, recall_id: str) -> bool:
    now = services.clock.now()
    with services.open_work() as work:
        recall = work.recalls.get(recall_id)
        last = _last_of_round(work, recall)
        if recall.state is not RecallState.DUE:
            return False
        if last is None:  # a round without any message, as urgent advice holds all of them back
            since = services.instant_of(recall.invite_on)
            if work.recalls.asked_since(recall.person_id, (NO_ANSWER,), since):
                return False
        elif last.state in (State.PENDING, State.CLAIMED) and not last.superseded and last.planned.due > now:
            return False  # the spacing changed in the middle of the round: its last invitation is still to come
        elif work.recalls.put_before_a_person(recall.person_id, NO_ANSWER, last.id):
            return False
        rules = services.pack.recall
        heavy = "much depends on this visit" if rules.much_depends(recall.window.weight) else "no hurry"
        out = work.recalls.invitations_out([recall]).get(recall.id, 0)
        detail = (
            f"{out} of 3 invitations went out; weight {recall.window.weight:g}: {heavy}; "
            f"due around {recall.window.ideal}, {recall.window.latest} at the latest"
        )
        # That of an earlier round, and what this entry says with more: one recall is one question.
        work.by_hand.close_open(recall.person_id, (NO_ANSWER, RETURN_SOON, OVERDUE), "tragus", now)
        work.ledger.ask(
            recall.person_id, NO_ANSWER, now, message_id=last.id if last is not None else None, detail=detail
        )
        work.commit()
    return True


def ask_about_unarranged(services: Services) -> int:
    """Put whoever wants to come before a person again, when nothing is booked and they are off the list for as many
    days as one waits for an answer; returns how many. They were told that the clinic would contact them."""
    now = services.clock.now()
    with services.open_reading() as work:
        days = settings_now(services, work).spacing.give_up
        waiting = [each.id for each in work.recalls.all_open() if each.state is RecallState.ANSWERED]
    return sum(_ask_to_arrange(services, recall_id, now - timedelta(days=days)) for recall_id in waiting)


def _ask_to_arrange(services: Services, recall_id: str, since: datetime) -> bool:
    now = services.clock.now()
    with services.open_work() as work:
        recall = work.recalls.get(recall_id)
        if recall.state is not RecallState.ANSWERED:
            return False
        if work.recalls.seen_to_since(recall.person_id, WANTS_VISIT, since):
            return False
        said = f"said on {services.day_of(recall.answered)} that they want" if recall.answered else "wants"
        due = f"due around {recall.window.ideal}, {recall.window.latest} at the latest"
        detail = f"{said} to come, and nothing is booked; {due}"
        work.ledger.ask(recall.person_id, WANTS_VISIT, now, detail=detail)
        work.commit()
    return True


def ask_about_late(services: Services, today: date) -> int:
    """Put an ear on which much depends before a person once its latest day is past and nothing is booked, unless they
    have it on the list already; in place of the entry that it was due soon. Returns how many."""
    rules = services.pack.recall
    with services.open_reading() as work:
        late = [
            each.id
            for each in work.recalls.all_open()
            if each.state is RecallState.DUE and each.window.latest < today and rules.much_depends(each.window.weight)
        ]
    return sum(_ask_about_late(services, recall_id, today) for recall_id in late)


def _ask_about_late(services: Services, recall_id: str, today: date) -> bool:
    now = services.clock.now()
    with services.open_work() as work:
        recall = work.recalls.get(recall_id)
        latest = recall.window.latest
        if recall.state is not RecallState.DUE or latest >= today:
            return False
        since = services.instant_of(latest + timedelta(days=1))
        others = tuple(each for each in SETTLED_BY_BOOKING if each != RETURN_SOON)
        if work.recalls.asked_since(recall.person_id, others, since):
            return False
        work.by_hand.close_open(recall.person_id, (RETURN_SOON,), "tragus", now)  # it is late now, no longer due soon
        detail = f"nothing is booked, and the latest day for this ear was {latest}; much depends on this visit"
        work.ledger.ask(recall.person_id, OVERDUE, now, detail=detail)
        work.commit()
    return True


def _last_of_round(work: UnitOfWork, recall: Recall) -> StoredMessage | None:
    """The last invitation of the present round, whatever became of it."""
    mine = [
        message
        for message in work.messages.of_person(recall.person_id)
        if message.planned.kind is MessageKind.RETURN_DUE
        and message.plan_id == recall.plan_id
        and invitation_round(message.planned.key) == recall.round
    ]
    return max(mine, key=lambda message: message.planned.due, default=None)
