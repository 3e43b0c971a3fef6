"""Which week is each person asked back in? Given out anew every night, so that the answers to expect fit the clinic.

Only first invitations that nobody chose a day for and that are not near are moved; everything else only takes capacity.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from service.domain.contact import Channel, Contact
from service.domain.message import MessageKind
from service.domain.recall import Recall, RecallState, ask_on, monday, moved_to
from service.domain.recall_rules import RecallRules
from service.domain.sending import pick_channel
from service.domain.spreading import Cure, Due, Spread, answer_chances, cure
from service.domain.uptake import LEFT_OUT, came
from service.planning.laying_out import follow_recall
from service.planning.recall_settings import settings_now
from service.services import Services
from service.storage.unit_of_work import UnitOfWork

SPREAD = "recall-spread"
"""The fact that holds what the last spreading found: its day, the expected answers of each week, and what would cure
weeks that are too full."""
LOOKED_BACK = timedelta(days=730)
"""How far back the clinic's own record counts for the chance of an answer. Our choice."""
MOST_LOOKED_AT = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One recall as the spreading sees it, and the day on which it would be asked if every week had room."""

    recall: Recall
    due: Due
    ideal_day: date


def give_out_weeks(services: Services) -> int:
    """Spread the first invitations over the coming weeks; returns how many were moved to another day."""
    from service.solving.spread import spread  # numpy and scipy: only where a night's round needs them

    today = services.day_of(services.clock.now())
    rules, start = services.pack.recall, monday(today)
    with services.open_reading() as work:
        settings = settings_now(services, work)
        recalls = work.recalls.all_open()
        out = work.recalls.invitations_out(recalls)
        chances = chances_now(services, work, today)
        contacts = work.recall_views.contacts_of_open()
        asked = [
            each
            for recall in recalls
            if (
                each := as_due(
                    recall,
                    today,
                    rules,
                    lead=services.pack.timing.return_before_days,
                    answer=_chance(chances, contacts[recall.person_id]),
                    out=out.get(recall.id, 0),
                )
            )
        ]
    capacity = [float(settings.capacity(start + timedelta(weeks=number))) for number in range(rules.horizon_weeks)]
    found = spread([each.due for each in asked], capacity, rules.costs)
    free = [(each, start + timedelta(weeks=found.weeks[each.due.id])) for each in asked if not each.due.promised]
    moved = sum(_move(services, each, week, today) for each, week in free if monday(each.recall.invite_on) != week)
    kept = [each.recall for each, week in free if monday(each.recall.invite_on) == week != each.recall.week]
    with services.open_work() as work:
        work.recalls.keep_weeks(kept)
        missing = cure([each.due for each in asked], capacity)
        work.ledger.set_fact(SPREAD, _document(found, missing, start, today))
        work.commit()
    return moved


def chances_now(services: Services, work: UnitOfWork, today: date) -> Mapping[str, float]:
    """The chance of a visit by the channel of the invitation: the clinic's own record beside the prior of content."""
    counts: dict[str, Counter[bool]] = {}
    spacing = settings_now(services, work).spacing
    start, end = (datetime.combine(day, time(), UTC) for day in (today - LOOKED_BACK, today + timedelta(days=2)))
    for row in work.recall_views.invited(start, end, MOST_LOOKED_AT):
        recall = row.recall
        if recall.ended in LEFT_OUT:
            continue
        answers = True if recall.state is RecallState.ANSWERED else came(recall, spacing, today)
        if answers is not None:
            counts.setdefault(row.sent[-1].channel, Counter())[answers] += 1
    prior = services.pack.recall.answer_prior
    known = {name: (found[True], found.total()) for name, found in counts.items() if name in prior}
    return answer_chances(known, prior)


def _chance(chances: Mapping[str, float], contact: Contact) -> float:
    """0 for somebody whom no message reaches: a person calls them, and that is not spread."""
    channel: Channel | None = pick_channel(MessageKind.RETURN_DUE, contact)
    return 0.0 if channel is None else chances[channel.value]


def as_due(recall: Recall, today: date, rules: RecallRules, *, lead: int, answer: float, out: int) -> Asked | None:
    """How a recall stands in the spreading; None when it takes no part: answered, booked, or beyond the horizon.

    `lead`: days from an invitation to its visit. Promised are rounds that somebody chose a day for, returns that cannot
    wait for a free week, the frozen weeks, and what has gone out this week.
    """
    if recall.state is not RecallState.DUE:
        return None
    start, opened = monday(today), recall.opened.date()
    ideal_day = ask_on(opened, recall.window.ideal, lead)
    now_in = _weeks(start, recall.invite_on)
    if out or recall.invite_on <= today:
        if now_in != 0:
            return None  # asked in an earlier week
        return Asked(recall=recall, due=_promised(recall, 0, answer), ideal_day=ideal_day)
    chosen = recall.round > 1 or (recall.window.ideal - opened).days < rules.soon_days
    if chosen or (recall.week is not None and now_in < rules.frozen_weeks):
        if now_in >= rules.horizon_weeks:
            return None
        return Asked(recall=recall, due=_promised(recall, now_in, answer), ideal_day=ideal_day)
    ideal = _weeks(start, ideal_day)
    if ideal >= rules.horizon_weeks:
        return None
    earliest = min(ideal, _weeks(start, ask_on(opened, recall.window.earliest, lead)))
    latest = max(ideal, _weeks(start, ask_on(opened, recall.window.latest, lead)))
    due = Due(
        id=recall.id,
        earliest=max(1, earliest),  # this week's invitations have gone or are on their way
        ideal=ideal,  # also one that has passed: who is longer overdue goes first
        latest=latest,
        weight=recall.window.weight,
        answer=answer,
        held=now_in if recall.week is not None else None,
    )
    return Asked(recall=recall, due=due, ideal_day=ideal_day)


def _promised(recall: Recall, week: int, answer: float) -> Due:
    return Due(
        id=recall.id,
        earliest=week,
        ideal=week,
        latest=week,
        weight=recall.window.weight,
        answer=answer,
        held=week,
        promised=True,
    )


def _weeks(start: date, day: date) -> int:
    return (monday(day) - start).days // 7


def _move(services: Services, asked: Asked, week: date, today: date) -> bool:
    """Move the first invitation of a recall into the week of this Monday; whether it was moved. It keeps its ideal day
    where its ideal week was given, else the same day of the week."""
    before = asked.recall
    day = asked.ideal_day if monday(asked.ideal_day) == week else week + timedelta(days=asked.ideal_day.weekday())
    day = max(day, today + timedelta(days=1))
    now = services.clock.now()
    with services.open_work() as work:
        recall = work.recalls.get(before.id)
        if recall.state is not RecallState.DUE or (recall.round, recall.invite_on) != (before.round, before.invite_on):
            return False  # it changed since the night's reading
        if work.recalls.invitations_out([recall]):
            return False  # and so did this: its invitation left
        work.recalls.save(moved_to(recall, day))
        follow_recall(services, work, recall, now)
        work.commit()
    return True


def _document(found: Spread, missing: Cure, start: date, today: date) -> str:
    def by_monday(weeks: Iterable[tuple[int, float]]) -> dict[str, float]:
        return {(start + timedelta(weeks=week)).isoformat(): round(value, 3) for week, value in weeks}

    return json.dumps(
        {
            "on": today.isoformat(),
            "load": by_monday((week, load) for week, load in enumerate(found.load) if load),
            "over": by_monday(found.over.items()),
            "extra": by_monday(missing.extra.items()),
            "even": round(missing.even, 3),
            "outside": len(found.outside),
            "overdue": len(found.overdue),
        }
    )
