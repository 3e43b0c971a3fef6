"""The cheapest spread of people over weeks, as the transport problem that it is: people of one kind go to weeks.

People who are alike in all that counts are one group, and the unknowns are how many of a group go to each week; what
does not fit into a week is one more unknown at its price, so there is always a solution, and where it is not 0 the week
is named. The answer chances differ, so this is not a pure network: its linear relaxation can divide people.

What is guaranteed: with at most `EXACT` unknowns the spread is the cheapest of all (to the tolerance of the solver).
With more, the linear relaxation is solved exactly and whole people stay where it put them; those that it divides, in at
most as many groups as there are weeks, are placed by a second problem in whole people, for which the search ends after
`NODES` steps. Then people move or change about as long as that saves anything (`exchange.py`), from there or from the
weeks that are held, whichever costs less: so nobody leaves a held week but for a gain. `Spread.bound` is the cost of
the relaxation, so `Spread.gap` says how far from the cheapest the spread can be at most: nearly nothing in a large
clinic; in a small one much of it is that people cannot be divided at all.

Solver: HiGHS (dual simplex, branch and bound), through scipy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array

from service.domain.spreading import Costs, Due, Spread, check_dues, cost, measured
from service.errors import SolvingError
from service.solving.exchange import Ints, Places, exchanged

EXACT = 300
"""Unknowns up to which the whole problem is solved in whole people. Our choice: well under a second, where ten times as
many can take minutes."""
NODES = 2_000
"""Steps of the search for whole people beyond that. A count and not a time, so that the answer is always the same."""
WHOLE = 1e-6
"""A number this near to a whole one is whole."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Problem:
    """Groups of people who are alike (`kinds`, `people`), and one unknown for each group and week that it may have:
    `group`, `week` and `price` of each unknown. `room` by week is what promised weeks leave."""

    kinds: Sequence[Due]
    people: Floats
    group: npt.NDArray[np.int64]
    week: npt.NDArray[np.int64]
    price: Floats
    room: Floats
    over: float


def spread(dues: Sequence[Due], capacity: Sequence[float], costs: Costs) -> Spread:
    """The cheapest spread of these people over as many weeks as there are capacities; see above for how cheap.

    The same people in another order get the same weeks. Raises ValueError for what `check_dues` refuses, SolvingError
    when the solver fails.
    """
    check_dues(dues, capacity)
    groups: dict[Due, list[str]] = {}
    weeks: dict[str, int] = {}
    # A capacity without a limit is one that nobody can fill: the solver takes no infinite number.
    room = np.minimum(np.array(capacity, dtype=float), 1.0 + sum(due.answer for due in dues))
    for due in sorted(dues, key=lambda each: each.id):
        if due.promised and due.held is not None:
            weeks[due.id] = due.held
            room[due.held] -= due.answer
        else:
            groups.setdefault(replace(due, id=""), []).append(due.id)
    bound = float(sum(cost(due, weeks[due.id], costs) for due in dues if due.promised))
    if groups:
        problem = _problem(groups, room, costs)
        relaxed, worth, least = _relaxed(problem)
        whole = (
            _in_whole(problem) if len(problem.week) <= EXACT else _settled(problem, _rounded(problem, relaxed), worth)
        )
        bound += least
        _give_out(groups, problem, whole, weeks)
    else:
        bound += costs.over * float(np.maximum(-room, 0.0).sum())
    found = measured(dues, weeks, capacity, costs)
    return replace(found, bound=min(bound, found.cost))


def _problem(groups: Mapping[Due, Sequence[str]], room: Floats, costs: Costs) -> _Problem:
    kinds = list(groups)
    group, week, price = [], [], []
    for number, kind in enumerate(kinds):
        for at in range(max(0, kind.earliest), len(room)):
            group.append(number)
            week.append(at)
            price.append(cost(kind, at, costs))
    return _Problem(
        kinds=kinds,
        people=np.array([len(groups[kind]) for kind in kinds], dtype=float),
        group=np.array(group, dtype=np.int64),
        week=np.array(week, dtype=np.int64),
        price=np.array(price, dtype=float),
        room=room,
        over=costs.over,
    )


def _matrices(problem: _Problem) -> tuple[coo_array, coo_array]:
    """Everybody goes somewhere; and what a week takes, less what is over, fits into its room."""
    unknowns, weeks, kinds = len(problem.week), len(problem.room), len(problem.kinds)
    answers = np.array([kind.answer for kind in problem.kinds])[problem.group]
    columns = np.arange(unknowns)
    everybody = coo_array((np.ones(unknowns), (problem.group, columns)), shape=(kinds, unknowns + weeks))
    over = unknowns + np.arange(weeks)
    fits = coo_array(
        (
            np.concatenate([answers, -np.ones(weeks)]),
            (np.concatenate([problem.week, np.arange(weeks)]), np.concatenate([columns, over])),
        ),
        shape=(weeks, unknowns + weeks),
    )
    return everybody, fits


def _relaxed(problem: _Problem) -> tuple[Floats, Floats, float]:
    """How many of each group go to each week if people could be divided, what more room in each week would save, and
    what it costs."""
    everybody, fits = _matrices(problem)
    found = linprog(
        np.concatenate([problem.price, np.full(len(problem.room), problem.over)]),
        A_ub=fits,
        b_ub=problem.room,
        A_eq=everybody,
        b_eq=problem.people,
        bounds=(0, None),
        method="highs-ds",  # a corner of the feasible set: few people are divided
    )
    if not found.success:
        raise SolvingError(f"the spread over weeks could not be solved: {found.message}")
    return np.asarray(found.x[: len(problem.week)]), -np.asarray(found.ineqlin.marginals), float(found.fun)


def _in_whole(problem: _Problem, nodes: int | None = None) -> Floats:
    """The same in whole people: the best there is, or with `nodes` the best found in so many steps."""
    everybody, fits = _matrices(problem)
    unknowns, weeks = len(problem.week), len(problem.room)
    found = milp(
        np.concatenate([problem.price, np.full(weeks, problem.over)]),
        constraints=[
            LinearConstraint(everybody, problem.people, problem.people),
            LinearConstraint(fits, -np.inf, problem.room),
        ],
        integrality=np.concatenate([np.ones(unknowns), np.zeros(weeks)]),
        bounds=Bounds(0, np.inf),
        options={"mip_rel_gap": 0.0} | ({} if nodes is None else {"node_limit": nodes}),
    )
    if found.x is None or not (found.success or nodes is not None):
        raise SolvingError(f"the spread over weeks could not be solved in whole people: {found.message}")
    return np.asarray(np.round(found.x[:unknowns]))


def _rounded(problem: _Problem, relaxed: Floats) -> Floats:
    """Whole people stay where the relaxation put them; those that it divides are placed in what room is left."""
    whole = np.floor(relaxed + WHOLE)
    left = problem.people - np.bincount(problem.group, weights=whole, minlength=len(problem.kinds))
    divided = np.flatnonzero(left > 0.5)
    if not len(divided):
        return whole
    answers = np.array([kind.answer for kind in problem.kinds])[problem.group]
    taken = np.bincount(problem.week, weights=whole * answers, minlength=len(problem.room))
    chosen = np.flatnonzero(np.isin(problem.group, divided))
    renumbered = np.full(len(problem.kinds), -1, dtype=np.int64)
    renumbered[divided] = np.arange(len(divided))
    rest = _Problem(
        kinds=[problem.kinds[int(number)] for number in divided],
        people=left[divided],
        group=renumbered[problem.group[chosen]],
        week=problem.week[chosen],
        price=problem.price[chosen],
        room=problem.room - taken,
        over=problem.over,
    )
    whole[chosen] += _in_whole(rest, NODES)
    return whole


def _settled(problem: _Problem, whole: Floats, worth: Floats) -> Floats:
    """The better of these weeks and the held ones (of who holds none, these), and then all changes that save."""
    kinds = np.arange(len(problem.kinds))
    price = np.full((len(kinds), len(problem.room)), np.inf)
    price[problem.group, problem.week] = problem.price
    answer = np.array([kind.answer for kind in problem.kinds])
    places = Places(price=price, answer=answer, room=problem.room, over=problem.over)
    rounded: Ints = np.zeros(price.shape, dtype=np.int64)
    rounded[problem.group, problem.week] = whole.astype(np.int64)
    held = np.array([-1 if kind.held is None else kind.held for kind in problem.kinds])
    stays = (held >= 0) & (held < len(problem.room))
    stays[stays] = np.isfinite(price[kinds[stays], held[stays]])
    kept = np.where(stays[:, None], 0, rounded)
    kept[kinds[stays], held[stays]] = problem.people[stays].astype(np.int64)
    counts = exchanged(places, min(kept, rounded, key=places.total), worth)
    return counts[problem.group, problem.week].astype(float)


def _give_out(groups: Mapping[Due, Sequence[str]], problem: _Problem, whole: Floats, weeks: dict[str, int]) -> None:
    """Persons by name: those of a group in the order of their ids, the earliest week first."""
    waiting = [iter(groups[kind]) for kind in problem.kinds]
    for number, week, count in zip(problem.group, problem.week, whole, strict=True):
        for _ in range(int(count)):
            weeks[next(waiting[number])] = int(week)
