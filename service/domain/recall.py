"""Asking somebody back: when, how often, what an answer does, and what ends it.

One person has at most one open recall: one invitation serves both ears, at the time of the earlier one. It is opened
with the plan and ends with the next visit, or by a person's decision.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum

from service.domain.plan import Plan
from service.domain.recall_rules import RecallRules
from service.domain.visit import Ears
from service.errors import NotAllowedError


class RecallState(StrEnum):
    """Where a recall stands."""

    DUE = "due"  # is to be invited, or was and has not answered
    ANSWERED = "answered"  # wants to come; somebody of the clinic arranges it
    BOOKED = "booked"
    SEEN = "seen"
    CLOSED = "closed"  # ended without a visit, with the reason


OPEN = frozenset({RecallState.DUE, RecallState.ANSWERED, RecallState.BOOKED})


class Answer(StrEnum):
    """What somebody answers to an invitation. To stop all messages is not an answer to one: see `preferences`."""

    BOOK = "book"  # wants to come: contact me
    LATER = "later"
    NO = "no"
    ELSEWHERE = "elsewhere"  # was seen somewhere else
    WRONG = "wrong-person"  # this number or address is not theirs


class Ended(StrEnum):
    """Why a recall ended without a visit."""

    DECLINED = "declined"
    ELSEWHERE = "seen-elsewhere"
    LEFT = "person-left"
    DIED = "died"
    NOT_NEEDED = "not-needed"  # a clinician decided
    NO_ANSWER = "no-answer"  # a person decided after the last invitation
    REPLACED = "replaced"  # a newer plan asks for another return, or its plan was withdrawn


ENDS_WITH: Mapping[Answer, Ended] = {Answer.NO: Ended.DECLINED, Answer.ELSEWHERE: Ended.ELSEWHERE}
"""Answers that end a recall. Until the next visit another answer may take their place."""
FINAL_ENDS = frozenset({Ended.LEFT, Ended.DIED})
"""Ends that are taken back when the move away or the death turns out to be a mistake."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """When these ears should be seen: local dates of the clinic. `weight` says how much worse late is for this kind of
    ear; `template` is the aftercare that asks for it."""

    ears: Ears
    earliest: date
    ideal: date
    latest: date
    weight: float
    template: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Recall:
    """One person to be asked back.

    `invite_on` is the day of the first invitation of this round, `week` the Monday that spreading gave it (None while
    it is too soon to be spread); a `round` begins anew with every "later" and every missed visit. `answer`, `answered`
    (UTC) and `answered_by` tell the last answer. `missed` counts appointments to which nobody came. `closed` is UTC.
    """

    id: str
    person_id: str
    plan_id: str
    window: Window
    invite_on: date
    opened: datetime
    state: RecallState = RecallState.DUE
    week: date | None = None
    round: int = 1
    answer: Answer | None = None
    answered: datetime | None = None
    answered_by: str | None = None
    missed: int = 0
    ended: Ended | None = None
    closed: datetime | None = None

    @property
    def open(self) -> bool:
        """Whether something may still be asked or arranged."""
        return self.state in OPEN


def window_of(plan: Plan, rules: RecallRules) -> Window | None:
    """When the person should come back: the earlier ear decides the day, and no ear is left later than it may be.

    The weight is that of the ear that matters most. None where no ear has a return.
    """
    back = plan.next_return
    if back is None:
        return None
    weights: dict[str, float] = {}
    for each in plan.returns:
        for side in each.ears.sides:
            template = plan.ears[side].template
            weights[template] = rules.weights.get(template, rules.usual_weight)
    template = max(sorted(weights), key=lambda name: weights[name])
    latest = min(each.latest for each in plan.returns)
    return Window(
        ears=back.ears,
        earliest=min(back.earliest, latest),
        ideal=min(back.on, latest),
        latest=plan.latest_return,
        weight=weights[template],
        template=template,
    )


def ask_on(visit_on: date, seen_on: date, lead_days: int) -> date:
    """The day of the first invitation for a return around `seen_on`: so many days ahead, but not before half the wait
    is over. Who was told "in two weeks" is not asked again the next morning."""
    return max(seen_on - timedelta(days=lead_days), visit_on + (seen_on - visit_on) / 2)


def later_days(window: Window, rules: RecallRules, today: date) -> tuple[int, ...]:
    """The days from today that "later" offers. Where much depends on the visit they end by its latest day, and near it
    there are none: the person is told to come soon."""
    heavy = rules.much_depends(window.weight)
    return tuple(days for days in rules.later_days if not heavy or today + timedelta(days=days) <= window.latest)


def later_by_word(window: Window, rules: RecallRules, today: date) -> date:
    """The day that the bare word "later" means. Where much depends on the visit it is its latest day at the most; once
    that is past a person calls, and the shortest time that "later" offers is what holds if nobody does."""
    usual = today + timedelta(days=rules.later_by_word_days)
    if not rules.much_depends(window.weight) or usual <= window.latest:
        return usual
    return window.latest if window.latest > today else today + timedelta(days=rules.later_days[0])


def monday(day: date) -> date:
    """The Monday of the week of this day; weeks here are those of ISO 8601."""
    return day - timedelta(days=day.weekday())


@dataclass(frozen=True, slots=True, kw_only=True)
class Spacing:
    """Days from the first invitation to the second, from that to the last, and from that to a person's decision."""

    second: int
    last: int
    give_up: int


def invitation_days(recall: Recall, spacing: Spacing) -> tuple[date, ...]:
    """The days of the first, second and last invitation of the present round; none once somebody answered, booked,
    came, or the recall ended."""
    if recall.state is not RecallState.DUE:
        return ()
    second = recall.invite_on + timedelta(days=spacing.second)
    return recall.invite_on, second, second + timedelta(days=spacing.last)


def unanswered_from(recall: Recall, spacing: Spacing) -> date:
    """The day from which nobody answers any more: a person decides."""
    days = spacing.second + spacing.last + spacing.give_up
    return recall.invite_on + timedelta(days=days)


def invitation_key(round_: int, number: int) -> str:
    """The message key of an invitation: its round, and its number (1 to 3) in the round."""
    return f"return-due/{round_}/{number}"


def invitation_number(key: str) -> int:
    """Which invitation of its round a message is, from 1; a key without a number is a first one."""
    parts = key.split("/")
    return int(parts[2]) if len(parts) == 3 else 1


def invitation_round(key: str) -> int:
    """Which round an invitation belongs to, from 1; 0 for a key from before recalls were kept."""
    parts = key.split("/")
    return int(parts[1]) if len(parts) == 3 else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """An answer as it came: by which way ("page", or a channel), at which instant (UTC), and for "later" the chosen
    day."""

    answer: Answer
    by: str
    at: datetime
    later: date | None = None


def answered(recall: Recall, given: Given) -> Recall:
    """The recall after an answer: each has one effect, and a second answer counts in place of the first.

    BOOK waits for the clinic. LATER begins a new round on the chosen day. NO and ELSEWHERE close it. WRONG leaves the
    recall as it is: the person still has to be reached. Raises NotAllowedError when the recall has ended for another
    reason than an answer, or a visit is booked.
    """
    may_change = recall.open or recall.ended in ENDS_WITH.values()
    if not may_change or recall.state is RecallState.BOOKED:
        raise NotAllowedError("this invitation is answered or over: contact the clinic instead")
    told = replace(
        recall,
        answer=given.answer,
        answered=given.at,
        answered_by=given.by,
        state=RecallState.DUE,
        ended=None,
        closed=None,
    )
    match given.answer:
        case Answer.BOOK:
            return replace(told, state=RecallState.ANSWERED)
        case Answer.LATER:
            if given.later is None:
                raise ValueError("later needs a day")
            return anew(told, given.later)
        case Answer.NO | Answer.ELSEWHERE:
            return ended(told, ENDS_WITH[given.answer], given.at)
        case Answer.WRONG:
            return replace(told, state=recall.state, ended=recall.ended, closed=recall.closed)


def anew(recall: Recall, invite_on: date) -> Recall:
    """A new round of invitations from this day on. Spreading leaves its day alone: the person chose it, or somebody of
    the clinic did."""
    return replace(
        recall,
        state=RecallState.DUE,
        ended=None,
        closed=None,
        round=recall.round + 1,
        invite_on=invite_on,
        week=monday(invite_on),
    )


def booked(recall: Recall) -> Recall:
    """A visit is booked."""
    return replace(recall, state=RecallState.BOOKED, ended=None, closed=None)


def unbooked(recall: Recall, today: date, *, missed: bool = False, wait_days: int = 1) -> Recall:
    """The booking is cancelled, or nobody came (`missed`). Who had a visit booked after they had asked for later, or
    had declined, and missed it is asked as if they had not. `wait_days` as for `taken_up`."""
    if missed and (recall.answer is Answer.LATER or recall.answer in ENDS_WITH):
        recall = replace(recall, answer=None, answered=None, answered_by=None)
    return replace(taken_up(recall, today, wait_days=wait_days), missed=recall.missed + missed)


def taken_up(recall: Recall, today: date, *, wait_days: int = 1) -> Recall:
    """The recall is open again after it was booked or ended: asked on the day that was planned anyway, or in a new
    round `wait_days` from today when that day has passed, or lies after the latest day and the person did not choose
    it."""
    if recall.invite_on > today and (recall.answer is Answer.LATER or recall.invite_on <= recall.window.latest):
        return replace(recall, state=RecallState.DUE, ended=None, closed=None)
    return anew(recall, today + timedelta(days=wait_days))


def seen(recall: Recall, at: datetime) -> Recall:
    """The person came."""
    return replace(recall, state=RecallState.SEEN, closed=at, ended=None)


def ended(recall: Recall, why: Ended, at: datetime) -> Recall:
    """The recall is over without a visit."""
    return replace(recall, state=RecallState.CLOSED, ended=why, closed=at)


def moved_to(recall: Recall, invite_on: date) -> Recall:
    """Spreading gave it another week; the round stays, since nothing was sent yet."""
    return replace(recall, invite_on=invite_on, week=monday(invite_on))


class Standing(StrEnum):
    """What the board shows of a recall; more than its state, since time and messages speak too."""

    DUE = "due"
    OVERDUE = "overdue"
    INVITED = "invited"
    ANSWERED = "answered"
    BOOKED = "booked"
    SEEN = "seen"
    CLOSED = "closed"


def standing(recall: Recall, today: date, invited: int) -> Standing:
    """Where a recall stands on this day of the clinic, after so many invitations of its round have gone out."""
    if recall.state is not RecallState.DUE:
        return Standing(recall.state.value)
    if today > recall.window.latest:
        return Standing.OVERDUE
    return Standing.INVITED if invited else Standing.DUE
