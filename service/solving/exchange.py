"""Whole people placed somehow: does it save anything if one of them moves, or two change about?

Rounding divided people to whole ones leaves weeks a little too full and others a little empty, and filling them exactly
is a puzzle. Each step makes the one change that saves the most, of one person to another week, or of two in two weeks,
and the steps end when none saves anything. This finds no optimum, but in a fraction of a second it comes nearer to one
than an integer programme of the same problem does in half a minute. The same start gives the same end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

KINDS = 8
"""So many answer chances are told apart; more are put together in ranges of as many people."""
STEPS = 3_000
SAVES = 1e-7


@dataclass(frozen=True, slots=True)
class Places:
    """What is to be placed: `price` by group and week (infinite: not allowed), `answer` by group, `room` by week (may
    be negative), and `over`, the price of one expected answer above the room of a week."""

    price: Floats
    answer: Floats
    room: Floats
    over: float

    def total(self, counts: Ints) -> float:
        """What it costs that so many of each group are in each week."""
        used = counts > 0
        above = np.maximum(0.0, self.answer @ counts - self.room).sum()
        return float(self.price[used] @ counts[used] + self.over * above)


def exchanged(places: Places, counts: Ints, worth: Floats) -> Ints:
    """As cheap as moving one person, or two who change about, can make it; never dearer than `counts`.

    `worth`: what one expected answer more of room in each week would save (the duals of the divided problem). It only
    says which person of several to look at.
    """
    state = _Exchange(places, counts.copy(), worth)
    for _ in range(STEPS):
        change, moves = state.best()
        if not change < -SAVES:
            break
        state.make(moves)
    return min(counts, state.counts, key=places.total)


class _Exchange:
    """The cheapest person of each kind to move from each week to each other one.

    `more[from, kind, to]` is what the move costs, the room at its worth included; infinite where there is nobody. `who`
    is the group.
    """

    def __init__(self, places: Places, counts: Ints, worth: Floats) -> None:
        self.counts = counts
        self._places, self._worth = places, worth
        self._load: Floats = places.answer @ counts
        self._cost: Floats = places.price + places.answer[:, None] * worth
        edges = np.unique(places.answer)[1:]
        if len(edges) >= KINDS:
            edges = np.unique(np.quantile(places.answer, np.arange(1, KINDS) / KINDS))
        kind = np.searchsorted(edges, places.answer, side="right")
        self._kinds = [np.flatnonzero(kind == one) for one in range(len(edges) + 1)]
        weeks = len(worth)
        self._more = np.full((weeks, len(self._kinds), weeks), np.inf)
        self._who = np.zeros(self._more.shape, dtype=np.int64)
        for week in range(weeks):
            self._look(week)

    def _look(self, week: int) -> None:
        """Find the cheapest people of this week anew."""
        weeks = np.arange(len(self._worth))
        for kind, groups in enumerate(self._kinds):
            here = groups[self.counts[groups, week] > 0]
            if not here.size:
                self._more[week, kind] = np.inf
                continue
            above = self._cost[here] - self._cost[here, week][:, None]
            cheapest = above.argmin(axis=0)
            self._who[week, kind] = here[cheapest]
            self._more[week, kind] = above[cheapest, weeks]
        self._more[week, :, week] = np.inf

    def _refill(self, change: Floats, axis: int) -> Floats:
        """What it costs that the load of each week changes so: what is above its room, less the room at its worth.

        The weeks lie along the axis. With `more` it makes exactly the change of the total, whatever the worth.
        """
        shape = [1] * change.ndim
        shape[axis] = -1
        spare, worth = (self._places.room - self._load).reshape(shape), self._worth.reshape(shape)
        above = np.maximum(0.0, change - spare) - np.maximum(0.0, -spare)
        cost: Floats = self._places.over * above - worth * change
        return cost

    def best(self) -> tuple[float, list[tuple[int, int, int]]]:
        """What the best change costs (below 0: it saves), and its moves: group, from, to."""
        more, takes = self._more, self._places.answer[self._who]
        one = more + self._refill(-takes, 0) + self._refill(takes, 2)
        begin, kind, end = (int(at) for at in np.unravel_index(int(one.argmin()), one.shape))
        # Two change about: of kind a there and of kind b back, by week, week, a, b.
        both = more.transpose(0, 2, 1)[..., None] + more.transpose(2, 0, 1)[:, :, None, :]
        net = takes.transpose(0, 2, 1)[..., None] - takes.transpose(2, 0, 1)[:, :, None, :]
        two = both + self._refill(-net, 0) + self._refill(net, 1)
        first, second, a, b = (int(at) for at in np.unravel_index(int(two.argmin()), two.shape))
        if one[begin, kind, end] <= two[first, second, a, b]:
            return float(one[begin, kind, end]), [(int(self._who[begin, kind, end]), begin, end)]
        there, back = int(self._who[first, a, second]), int(self._who[second, b, first])
        return float(two[first, second, a, b]), [(there, first, second), (back, second, first)]

    def make(self, moves: list[tuple[int, int, int]]) -> None:
        """Make this change."""
        for group, begin, end in moves:
            self.counts[group, begin] -= 1
            self.counts[group, end] += 1
        for week in {week for _, *both in moves for week in both}:
            self._load[week] = self._places.answer @ self.counts[:, week]
            self._look(week)
