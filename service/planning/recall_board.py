"""The recall board: who is due, month by month, what a person decides about one, and the load of the coming weeks."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum

from service.domain.contact import Contact
from service.domain.plan import Status
from service.domain.recall import Ended, Recall, RecallState, Standing, anew, ended, monday, seen
from service.errors import NotAllowedError
from service.planning.attention import MISSED, NO_ANSWER, OVERDUE, RETURN_SOON, SETTLED_BY_BOOKING
from service.planning.laying_out import replan, urgent_runs
from service.planning.recall_settings import settings_now, today_for
from service.planning.recalling import BOOKED_AFTER_ALL
from service.planning.weeks import SPREAD
from service.services import Services
from service.storage.recall_views import Listed
from service.storage.unit_of_work import UnitOfWork

WEEKS_SHOWN = 26
"""Weeks of the plot of load against capacity."""
MONTHS_BEFORE, MONTHS_AFTER = 3, 12
"""Months on the board before and after the present one. Our choice."""
LISTED = 100
"""Recalls in one list; what is settled makes room for the next. Our choice."""
LONGEST_AHEAD = timedelta(days=730)
"""An invitation later than this is taken for a slip of the finger. Our choice, as for appointments."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """One week of the plot: its Monday, the visits it has, the answers expected to the invitations of that week, and
    the visits booked in it already."""

    monday: date
    capacity: int
    expected: float
    booked: int

    @property
    def over(self) -> float:
        """How many expected answers do not fit; 0 when all do."""
        return max(0.0, self.expected - self.capacity)


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """One month of the board: how the recalls that are due in it stand."""

    first: date
    counts: Counter[Standing]


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """What the board shows: months, all open recalls by standing, why some of the shown months ended without a visit,
    the coming weeks, and the list that was asked for. `spread_on` is the day of the last
    spreading, `even` how many visits more in every week would make everybody fit."""

    today: date
    months: tuple[Month, ...]
    open: Counter[Standing]
    reasons: Mapping[str, int]
    weeks: tuple[Week, ...]
    listed: tuple[Listed, ...]
    spread_on: date | None
    even: float


def look(services: Services, work: UnitOfWork, standing: Standing | None = None, month: date | None = None) -> Board:
    """The board as it stands now, with the recalls of one standing, one month, or both."""
    today = services.day_of(services.clock.now())
    first = _months_on(today.replace(day=1), -MONTHS_BEFORE)
    last = _months_on(today.replace(day=1), MONTHS_AFTER + 1) - timedelta(days=1)
    by_month = work.recall_views.months(first, last, today)
    months = [_months_on(first, number) for number in range(MONTHS_BEFORE + MONTHS_AFTER + 1)]
    spread = json.loads(work.ledger.fact(SPREAD) or "{}")
    return Board(
        today=today,
        months=tuple(Month(first=each, counts=by_month.get(each, Counter())) for each in months),
        open=work.recall_views.open_counts(today),
        reasons=work.recall_views.reasons(first, last),
        weeks=_weeks(services, work, today, spread.get("load", {})),
        listed=tuple(
            work.recall_views.listed(
                today,
                standing=standing,
                first=month,
                last=_months_on(month, 1) - timedelta(days=1) if month is not None else None,
                limit=LISTED,
            )
        ),
        spread_on=date.fromisoformat(spread["on"]) if spread else None,
        even=spread.get("even", 0.0),
    )


def _months_on(first: date, number: int) -> date:
    """The first day of the month that lies so many months on (or back)."""
    months = first.year * 12 + first.month - 1 + number
    return date(months // 12, months % 12 + 1, 1)


def _weeks(services: Services, work: UnitOfWork, today: date, load: Mapping[str, float]) -> tuple[Week, ...]:
    settings, start = settings_now(services, work), monday(today)
    mondays = [start + timedelta(weeks=number) for number in range(WEEKS_SHOWN)]
    booked: Counter[date] = Counter()
    for day, count in work.recall_views.booked_by_day(start, mondays[-1] + timedelta(days=6)).items():
        booked[monday(day)] += count
    return tuple(
        Week(
            monday=each,
            capacity=settings.capacity(each),
            expected=load.get(each.isoformat(), 0.0),
            booked=booked[each],
        )
        for each in mondays
    )


class Decision(StrEnum):
    """What a person decides about a recall."""

    INVITE = "invite"  # a new round of invitations from a day on
    DECLINED = "declined"
    ELSEWHERE = "seen-elsewhere"
    NOT_NEEDED = "not-needed"
    NO_ANSWER = "no-answer"
    SEEN = "seen"  # came, and the visit is recorded elsewhere
    LEAVE = "leave-closed"  # it is over, and stays so


_ENDS = {
    Decision.DECLINED: Ended.DECLINED,
    Decision.ELSEWHERE: Ended.ELSEWHERE,
    Decision.NOT_NEEDED: Ended.NOT_NEEDED,
    Decision.NO_ANSWER: Ended.NO_ANSWER,
}
ONLY_CLINICIAN = frozenset({Decision.NOT_NEEDED})
"""What the desk may not decide."""


def decide(
    services: Services, recall_id: str, decision: Decision, by: str, *, reason: str = "", on: date | None = None
) -> Recall:
    """Carry out what a person decided; the reason goes on record. A recall that a new round was decided for is invited
    from `on`, or from tomorrow without it; today means tomorrow. Deciding the same twice changes nothing. One that was
    declined or closed by hand may be left closed, or invited again as if nothing had been answered (`may_decide`).

    Raises NotFoundError; NotAllowedError when this may not be decided of the recall, a visit is booked (move or cancel
    that instead), no invitation would go out now, or the day lies in the past or too far ahead.
    """
    now = services.clock.now()
    today = services.day_of(now)
    with services.open_work() as work:
        recall = work.recalls.get(recall_id)
        contact = work.people.get(recall.person_id).contact
        allowed = may_decide(work, recall, contact)
        if decision is Decision.INVITE and decision in allowed:
            _check_goes_out(work, recall)
        earliest = today_for(services, contact, now) + timedelta(days=1)
        after = _after(recall, decision, allowed, now, today, on, earliest=earliest)
        if after == recall and decision is not Decision.LEAVE:
            return recall
        if after != recall:
            work.recalls.save(after)
            replan(services, work, work.plans.get(recall.plan_id), contact, now)
        work.by_hand.close_open(recall.person_id, _settles(services, decision, after), by, now)
        detail = {"decision": decision.value, "reason": reason} | ({"on": on.isoformat()} if on else {})
        work.ledger.note(by, "recall-decided", recall_id, now, **detail)
        work.commit()
    services.wake()
    return after


def may_decide(work: UnitOfWork, recall: Recall, contact: Contact) -> frozenset[Decision]:
    """What may be decided of this recall now. One that ended goes on only after an end that a booking would take back
    as well, while it is the one that counts and the person is here."""
    if recall.state is RecallState.BOOKED:
        return frozenset({Decision.SEEN})
    if recall.open:
        return frozenset(Decision) - {Decision.LEAVE}
    if recall.ended not in BOOKED_AFTER_ALL or contact.gone:
        return frozenset()
    newest = work.recalls.newest_of(recall.person_id)
    return (
        frozenset({Decision.INVITE, Decision.LEAVE}) if newest is not None and newest.id == recall.id else frozenset()
    )


def _check_goes_out(work: UnitOfWork, recall: Recall) -> None:
    """Whether an invitation would go out at all. Raises NotAllowedError, so that nobody is taken off the list for one
    that would not."""
    stored = work.plans.get(recall.plan_id)
    if stored.status is Status.ON_HOLD:
        raise NotAllowedError("the plan is on hold, so no invitation goes out: take it up again first")
    if not stored.running and urgent_runs(work, recall.person_id):
        raise NotAllowedError(
            "urgent advice is in force, so no invitation goes out: withdraw it, or give the next plan, first"
        )


def _settles(services: Services, decision: Decision, after: Recall) -> tuple[str, ...]:
    """What nobody need look at any more. A new round for an ear that is late already, and on which much depends, may be
    as silent as the last one: it stays on the list until somebody ticks it off or the person answers."""
    window = after.window
    late = after.invite_on > window.latest and services.pack.recall.much_depends(window.weight)
    if decision is not Decision.INVITE or not late:
        return (*SETTLED_BY_BOOKING, MISSED)
    return (*(each for each in SETTLED_BY_BOOKING if each not in (NO_ANSWER, RETURN_SOON, OVERDUE)), MISSED)


def _after(
    recall: Recall,
    decision: Decision,
    allowed: Collection[Decision],
    now: datetime,
    today: date,
    on: date | None,
    *,
    earliest: date,
) -> Recall:
    if recall.ended is not None and _ENDS.get(decision) is recall.ended:
        return recall
    if recall.state is RecallState.SEEN and decision is Decision.SEEN:
        return recall
    if decision not in allowed:
        raise NotAllowedError(_why_not(recall, allowed))
    if decision is Decision.LEAVE:
        return recall
    if decision is Decision.SEEN:
        return seen(recall, now)
    if decision is Decision.INVITE:
        if on is not None and not today <= on <= today + LONGEST_AHEAD:
            raise NotAllowedError("the day of the invitation lies between today and two years ahead")
        day = max(on or earliest, earliest)
        same = recall.state is RecallState.DUE and recall.round > 1 and recall.invite_on == day
        if recall.ended is not None:  # asked anew: what was answered before holds no more
            recall = replace(recall, answer=None, answered=None, answered_by=None)
        return recall if same else anew(recall, day)
    return ended(recall, _ENDS[decision], now)


def _why_not(recall: Recall, allowed: Collection[Decision]) -> str:
    if recall.state is RecallState.BOOKED:
        return "a visit is booked: move or cancel the appointment on the person's record instead"
    if recall.open:
        return "this recall is still open: only one that is over can be left closed"
    if allowed:
        return "this recall is over: invite again, or leave it closed"
    return "this recall is over: a new plan opens the next one"
