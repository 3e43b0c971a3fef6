"""How many of each group go to which week, so that the whole costs least? Knows matrices, and nothing of people.

The problem: group g has `people[g]` alike, each of whom takes `answer[g]` of the week that it is put in and costs
`cost[g, w]` there (infinite: not allowed). Week w holds `capacity[w]`; each unit above it costs `over`. All people of all
groups get a week. Were all answers equal it would be a transport problem, whose best solution is whole by itself. As
they differ, it is solved in two parts:

1. *Divided people.* A linear programme, solved to its optimum. It is known from the prices of the weeks: given them,
   each group chooses for itself, and what that costs is a lower bound for every solution. In a vertex of the programme
   at most one group a week is split.
2. *Whole people.* The few that are split are rounded, one after the other, to where they cost least; then an integer
   programme (HiGHS) over all columns that could still be better, or over the nearest ones where they are too many.

So the answer is always a solution of whole people, with a proven bound beside it: with few groups it is the optimum
(within GAP of its cost); with many, its distance from the bound is that of rounding about one person a week.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

DIRECT = 100_000  # so many columns (group and week) are solved at once
AT_ONCE = 40_000  # of a larger problem, so many columns at a time
SAMPLE = 1_500  # and so many groups to guess the prices from
STEPS = 60  # at most so many improvements of the prices; the bound is right after any number
WHOLE = 4_000  # at most so many columns in the integer programme
NODES = 500  # and so many nodes of its tree, which, unlike a time limit, gives the same answer on every machine
SECONDS = 60.0  # only so that it ends
GAP = 1e-6
TIE = 1e-9


@dataclass(frozen=True, slots=True)
class Flows:
    """How many of each group go to each week; what that costs; and less than which no solution costs."""

    counts: Ints
    cost: float
    bound: float


@dataclass(frozen=True, slots=True)
class Problem:
    """See the module. Costs are 0 or more; every group has a week that is allowed."""

    cost: Floats
    answer: Floats
    people: Ints
    capacity: Floats
    over: float

    def total(self, counts: NDArray[Any]) -> float:
        """What these flows cost."""
        excess = np.maximum(0.0, self.answer @ counts - self.capacity).sum()
        return float(self.cost[counts > 0] @ counts[counts > 0] + self.over * excess)

    def priced(self, prices: Floats) -> Floats:
        """What each group and week costs if the capacity of the weeks is bought at these prices, above the cheapest."""
        full = self.cost + self.answer[:, None] * prices
        return full - full.min(axis=1, keepdims=True)

    def bound(self, prices: Floats) -> float:
        """No solution costs less: each group takes its cheapest week, and the capacity is sold at these prices."""
        cheapest = (self.cost + self.answer[:, None] * prices).min(axis=1)
        return float(self.people @ cheapest - self.capacity @ prices)


def transport(problem: Problem, *kept: Ints) -> Flows:
    """The flows that cost least, within what the module says. `kept`: solutions to improve on.

    The same problem gives the same flows.
    """
    limited = np.minimum(problem.capacity, float(problem.people @ problem.answer) + 1.0)
    problem = Problem(problem.cost, problem.answer, problem.people, limited, problem.over)
    if not problem.people.size:
        return Flows(np.zeros(problem.cost.shape, dtype=np.int64), 0.0, 0.0)
    prices, divided = _best_prices(problem)
    best = min((_rounded(problem, divided), *kept), key=problem.total)
    bound = problem.bound(prices)
    if problem.total(best) - bound > GAP * abs(bound):
        best, bound = _whole(problem, prices, best, bound)
    return Flows(best, problem.total(best), min(bound, problem.total(best)))


def _best_prices(problem: Problem) -> tuple[Floats, Floats]:
    """The prices that give the best bound, and flows of divided people that cost as much as it says.

    A large problem begins with the prices of a sample of its groups. Then each step looks for the best prices within
    a box about the last ones, small enough that most groups have one week only to choose, and stops when its flows
    cost no more than the bound (the boxstep method of Marsten, Hogan and Blankenship, 1975).
    """
    weeks = len(problem.capacity)
    prices = np.zeros(weeks)
    small = np.count_nonzero(np.isfinite(problem.cost)) <= DIRECT
    if not small:
        chosen = np.arange(0, len(problem.people), max(1, len(problem.people) // SAMPLE))
        part, all_answers = problem.people[chosen], float(problem.people @ problem.answer)
        share = float(part @ problem.answer[chosen]) / all_answers if all_answers else 1.0
        sample = Problem(
            problem.cost[chosen], problem.answer[chosen], part, problem.capacity * share, problem.over
        )
        prices, _ = _step(sample, prices, np.inf)
    for _ in range(STEPS):
        radius = np.inf if small else _radius(problem, prices)
        prices, flows = _step(problem, prices, radius)
        bound = problem.bound(prices)
        if small or problem.total(flows) - bound <= GAP * 0.1 * abs(bound):
            break
    return prices, flows


def _radius(problem: Problem, prices: Floats) -> float:
    """How far the prices may go if the weeks that groups could then choose are to stay few."""
    away = _reach(problem, prices)
    away = away[np.isfinite(away)]
    few = min(AT_ONCE, away.size) - 1
    ahead = away[away > 1e-6]
    least = float(ahead.min()) if ahead.size else np.inf
    return max(float(np.partition(away, few)[few]), least)


def _reach(problem: Problem, prices: Floats) -> Floats:
    """How far prices must move before each week can be the cheapest of its group: half of what it costs too much."""
    excess = problem.priced(prices)
    with np.errstate(divide="ignore", invalid="ignore"):
        away: Floats = excess / (2.0 * problem.answer[:, None])
    away[excess <= TIE] = 0.0
    away[(problem.answer == 0.0)[:, None] & (excess > TIE)] = np.inf
    return away


def _step(problem: Problem, centre: Floats, radius: float) -> tuple[Floats, Floats]:
    """The best prices at most `radius` from the centre, and the flows of divided people that belong to them."""
    from scipy.optimize import linprog

    weeks = len(centre)
    low, high = np.maximum(0.0, centre - radius), np.minimum(problem.over, centre + radius)
    chosen = np.isfinite(problem.cost) if radius == np.inf else _reach(problem, centre) <= radius * (1 + 1e-9)
    merged = _merge(problem, chosen)
    group, week = np.nonzero(merged.chosen)
    columns = len(group)
    rows = len(merged.people)
    # Beside the flows: what is above the capacity, dear, and what is left of it, which earns its least price.
    fills = _sparse(week, np.arange(columns), merged.answer[group], weeks, columns)
    balance = _beside(fills, weeks)
    each = _sparse(group, np.arange(columns), np.ones(columns), rows, columns + 2 * weeks)
    from scipy.sparse import vstack

    found = linprog(
        np.concatenate([merged.cost[group, week], high, -low]),
        A_eq=vstack([balance, each], format="csr"),
        b_eq=np.concatenate([problem.capacity - merged.taken, merged.people]),
        method="highs-ipm",
    )
    if found.status != 0:
        raise ArithmeticError(f"the spread was not solved: {found.message}")
    prices = np.clip(-found.eqlin.marginals[:weeks], low, high)
    flows = np.zeros(merged.cost.shape)
    flows[group, week] = np.maximum(0.0, found.x[:columns])
    return prices, merged.shared(flows)
