"""In which week is each person asked back, what does a week cost, and what would cure a week that is too full?

Weeks are counted from the first week of the spread, week 0; a week before it is negative. Capacity and load are in
expected answers: a person with an answer chance of 0.4 takes 0.4 of a week. Every price and every prior comes from the
caller, who has it from the content and the clinic's own record. `service/solving/spread.py` finds the best spread.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

K = TypeVar("K", bound=Hashable)

# A load this far above its capacity, relative to it, is a sum of rounded fractions and not a full week.
SAME_LOAD = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One person to be asked back.

    Nobody is asked before `earliest`; `ideal` is the best week; after `latest` it is too late, but still better than
    never, so an overdue person gets a week too: one whose latest week comes before week 0 or before the earliest one.
    `weight`: how much a week matters for this person.
    `answer`: the chance that an invitation is answered, 0 to 1. `held`: the week that the person has from an earlier
    spread, below 0 where that week has passed. `promised`: the held week must not change, and only takes capacity.

    Raises ValueError where the weeks are out of order or a number is out of its range.
    """

    id: str
    earliest: int
    ideal: int
    latest: int
    weight: float
    answer: float
    held: int | None = None
    promised: bool = False

    def __post_init__(self) -> None:
        if not self.ideal <= self.latest:
            raise ValueError(f"{self.id}: the latest week must not come before the ideal one")
        if not 0 < self.weight < math.inf:
            raise ValueError(f"{self.id}: the weight must be above 0")
        if not 0 <= self.answer <= 1:
            raise ValueError(f"{self.id}: the answer chance must be from 0 to 1")
        if self.promised and (self.held is None or self.held < 0):
            raise ValueError(f"{self.id}: a promised week must be held and must be 0 or later")

    @property
    def overdue(self) -> bool:
        """No week in time is left."""
        return self.latest < max(0, self.earliest)


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What is worse than what. The first five are multiplied by a person's weight; `over` is not.

    `late`, `early`: a week after or before the ideal one. `outside`: a week after the latest one, besides `late`.
    `rising`: by how much of `outside` each further week after the latest costs more than the one before it; 0 where all
    cost the same. Above 0, of two alike the one who is longer overdue goes first. `move`: another week than the held
    one. `over`: one expected answer above the capacity of a week. A person waits past the latest week rather than fill
    a week beyond its capacity as long as the wait costs less than `over` times the answer chance.

    Raises ValueError where a price is negative or not finite.
    """

    late: float
    early: float
    outside: float
    rising: float
    move: float
    over: float

    def __post_init__(self) -> None:
        for name in ("late", "early", "outside", "rising", "move", "over"):
            if not 0 <= getattr(self, name) < math.inf:
                raise ValueError(f"{name} must be 0 or more, and finite")


def strain(ideal: int, latest: int, week: int, costs: Costs) -> float:
    """What this week costs a person of weight 1, moving apart."""
    past = max(0, week - latest)
    return (
        costs.late * max(0, week - ideal)
        + costs.early * max(0, ideal - week)
        + costs.outside * (past + costs.rising * past * (past - 1) / 2)
    )


def cost(due: Due, week: int, costs: Costs) -> float:
    """What this week costs this person; infinite where it is not allowed. Capacity is the matter of all together."""
    if due.promised:
        if week != due.held:
            return math.inf
    elif week < max(0, due.earliest):
        return math.inf
    moved = due.held is not None and week != due.held
    return due.weight * (strain(due.ideal, due.latest, week, costs) + (costs.move if moved else 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """The week of every person, and how well all of them fit.

    `weeks`: week by person, nobody left out. `load` and `capacity` by week, in expected answers. `over`: the weeks that
    are fuller than their capacity, with the extra expected answers that would cure each in this spread. `outside`: who
    comes after the latest week although there was one in time; `overdue`: for whom there was none.
    `moved`: who no longer has the held week. `cost`: of all people and of `over`. `bound`: no spread of whole people
    costs less than this, so `gap` is the most that a better one could save.
    """

    weeks: Mapping[str, int]
    load: tuple[float, ...]
    capacity: tuple[float, ...]
    over: Mapping[int, float]
    outside: tuple[str, ...]
    overdue: tuple[str, ...]
    moved: tuple[str, ...]
    cost: float
    bound: float

    @property
    def gap(self) -> float:
        """How much of the cost a better spread could save at most, 0 to 1."""
        return max(0.0, self.cost - self.bound) / self.cost if self.cost > 0 else 0.0


def check_dues(dues: Iterable[Due], capacity: Sequence[float]) -> None:
    """Raise ValueError for a person without any week in the horizon, two of one id, or a capacity below 0.

    The horizon is the length of `capacity`. A person whose earliest week lies beyond it is not due in it, and the
    caller leaves the person out. An infinite capacity is allowed: a last week that has it means "later than these".
    """
    for week, fits in enumerate(capacity):
        if not fits >= 0:
            raise ValueError(f"week {week}: the capacity must be 0 or more")
    seen = set()
    for due in dues:
        if due.id in seen:
            raise ValueError(f"{due.id} is there twice")
        seen.add(due.id)
        needed = due.held if due.promised and due.held is not None else due.earliest
        if needed >= len(capacity):
            raise ValueError(f"{due.id}: week {needed} is beyond the {len(capacity)} weeks to spread over")


def measured(
    dues: Sequence[Due], weeks: Mapping[str, int], capacity: Sequence[float], costs: Costs, bound: float = 0.0
) -> Spread:
    """The spread that has these weeks, with all that follows from them. `bound` as in Spread.

    Raises ValueError where a person has a week that is not allowed, KeyError where one has none.
    """
    answers: list[list[float]] = [[] for _ in capacity]
    paid = []
    for due in dues:
        week = weeks[due.id]
        price = cost(due, week, costs) if 0 <= week < len(capacity) else math.inf
        if price == math.inf:
            raise ValueError(f"{due.id}: week {week} is not allowed")
        answers[week].append(due.answer)
        paid.append(price)
    load = tuple(math.fsum(each) for each in answers)
    over = {
        week: taken - fits
        for week, (taken, fits) in enumerate(zip(load, capacity, strict=True))
        if taken - fits > SAME_LOAD * max(1.0, fits)
    }
    return Spread(
        weeks=dict(weeks),
        load=load,
        capacity=tuple(capacity),
        over=over,
        outside=tuple(due.id for due in dues if not due.overdue and due.latest < weeks[due.id]),
        overdue=tuple(due.id for due in dues if due.overdue),
        moved=tuple(due.id for due in dues if due.held is not None and weeks[due.id] != due.held),
        cost=math.fsum(paid) + costs.over * math.fsum(over.values()),
        bound=bound,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cure:
    """The least extra capacity, in expected answers, with which nobody would have to come after the latest week.

    `extra`: by week, the least in sum, and each as late as it helps. `even`: the least that does it if every open week
    gets the same. `first` and `last`: the weeks that are worst, those that ask for `even`; None where nothing is
    missing. `closed`: who could come in time only in a week of capacity 0, which no extra capacity opens here.

    A person counts as the answer chance, as if people could be divided; whole people may need up to one more answer in
    a week. An overdue person may come in any week.
    """

    extra: Mapping[int, float]
    even: float
    first: int | None
    last: int | None
    closed: tuple[str, ...]


def cure(dues: Sequence[Due], capacity: Sequence[float]) -> Cure:
    """What would cure it? Exact, by the theorem of Hall for windows of neighbouring weeks.

    People whose windows lie within weeks s to t can come in time exactly if, for every such stretch, they do not
    answer more than it holds; what a stretch lacks must be added somewhere in it. So `even` is the greatest lack per
    week of a stretch, and filling the lacks from left to right, each in its last week, adds the least in sum.

    Raises ValueError as `check_dues`.
    """
    check_dues(dues, capacity)
    open_weeks = [week for week, fits in enumerate(capacity) if fits > 0]
    # Closed weeks leave the calendar: a window becomes the open weeks in it, and these stay neighbours.
    first_from, last_until, at = [], [], 0
    for week in range(len(capacity)):
        first_from.append(at)
        at += capacity[week] > 0
        last_until.append(at - 1)
    asked: dict[tuple[int, int], list[float]] = {}
    extra: dict[int, float] = {}
    closed = []
    for due in dues:
        begin, end = _window(due, len(capacity))
        window = (first_from[begin], last_until[end])
        if window[0] <= window[1]:
            asked.setdefault(window, []).append(due.answer)
        elif due.promised:
            extra[begin] = extra.get(begin, 0.0) + due.answer
        elif due.answer > 0:
            closed.append(due.id)
    plenty = 1.0 + math.fsum(due.answer for due in dues)  # a week without a limit: its sums stay numbers
    lacking = _lacks(
        {window: math.fsum(answers) for window, answers in asked.items()},
        [min(capacity[week], plenty) for week in open_weeks],
    )
    added: list[float] = []
    even, stretch = 0.0, None
    for t in range(len(open_weeks)):
        need, within = 0.0, 0.0
        for s in range(t, -1, -1):
            lack = lacking(s, t)
            within += added[s] if s < t else 0.0
            need = max(need, lack - within)
            if lack / (t - s + 1) > even:
                even, stretch = lack / (t - s + 1), (open_weeks[s], open_weeks[t])
        added.append(need)
        if need > 0:
            extra[open_weeks[t]] = need
    first, last = stretch or (None, None)
    return Cure(extra=dict(sorted(extra.items())), even=even, first=first, last=last, closed=tuple(closed))


def _window(due: Due, horizon: int) -> tuple[int, int]:
    """The first and the last week in which the person comes in time."""
    if due.promised and due.held is not None:
        return due.held, due.held
    last = horizon - 1
    return max(0, due.earliest), last if due.overdue else min(due.latest, last)


def _lacks(asked: Mapping[tuple[int, int], float], holds: Sequence[float]) -> Callable[[int, int], float]:
    """How many answers more than it holds are asked of the stretch from s to t, by those who can come nowhere else."""
    size = len(holds)
    before = [0.0]
    for each in holds:
        before.append(before[-1] + each)
    # inside[s][t]: the answers of the windows that begin at s or later and end at t or earlier.
    inside = [[0.0] * size for _ in range(size + 1)]
    for s in range(size - 1, -1, -1):
        row = 0.0
        for t in range(s, size):
            row += asked.get((s, t), 0.0)
            inside[s][t] = inside[s + 1][t] + row

    def lack(s: int, t: int) -> float:
        fits = before[t + 1] - before[s]
        found = inside[s][t] - fits
        return found if found > SAME_LOAD * max(1.0, fits) else 0.0

    return lack


def answer_chances(counts: Mapping[K, tuple[int, int]], prior: Mapping[K, tuple[float, float]]) -> dict[K, float]:
    """The chance of an answer by channel: what the clinic saw, beside what was believed before.

    Both are pairs (answers, of invitations). The prior counts as that many invitations seen earlier, so it fades as the
    record grows: the posterior mean of a beta prior with binomial counts, Beta(answers, of - answers). Every channel of
    the prior gets a chance, above 0 and below 1.

    Raises ValueError where a channel has no prior or a pair is not possible.
    """
    for channel, (answers, of) in prior.items():
        if not 0 < answers < of < math.inf:
            raise ValueError(f"{channel}: a prior must have some answers, and fewer answers than invitations")
    chances = {}
    for channel, (answers, of) in counts.items():
        if channel not in prior:
            raise ValueError(f"{channel} has no prior")
        if not 0 <= answers <= of:
            raise ValueError(f"{channel}: there must be at most as many answers as invitations")
    for channel, (believed, among) in prior.items():
        answers, of = counts.get(channel, (0, 0))
        chances[channel] = (answers + believed) / (of + among)
    return chances
