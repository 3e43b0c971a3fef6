"""The spread over weeks against every other spread, against a second formulation, and against a textbook."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from service.domain.spreading import Costs, Due, cost, measured
from service.solving import spread as module
from service.solving.spread import spread

COSTS = Costs(late=2.0, early=1.0, outside=20.0, rising=0.1, move=0.5, over=1000.0)


def due(name: str, earliest: int = 0, ideal: int = 0, latest: int = 3, **changes: object) -> Due:
    wanted: dict[str, object] = {"weight": 1.0, "answer": 1.0} | changes
    return Due(id=name, earliest=earliest, ideal=ideal, latest=latest, **wanted)  # type: ignore[arg-type]


def some(chance: random.Random, number: int, weeks: int, answers: tuple[float, ...]) -> list[Due]:
    found = []
    for name in range(number):
        earliest = chance.randrange(weeks)
        ideal = earliest + chance.randrange(3)
        held = chance.choice([None, None, chance.randrange(weeks)])
        promised = held is not None and chance.random() < 0.3
        found.append(
            due(
                f"p{name}",
                earliest,
                ideal,
                ideal + chance.randrange(3),
                weight=chance.choice([1.0, 3.0, 5.0]),
                answer=chance.choice(answers),
                held=held,
                promised=promised,
            )
        )
    return found


def cheapest(dues: list[Due], capacity: list[float]) -> float:
    """The cost of the best of all spreads, by trying every one."""
    allowed = [[week for week in range(len(capacity)) if cost(each, week, COSTS) < float("inf")] for each in dues]
    names = [each.id for each in dues]
    return min(
        measured(dues, dict(zip(names, weeks, strict=True)), capacity, COSTS).cost
        for weeks in itertools.product(*allowed)
    )


@pytest.mark.parametrize("seed", range(40))
def test_no_other_spread_is_cheaper(seed: int) -> None:
    chance = random.Random(seed)
    weeks = chance.randrange(2, 5)
    dues = some(chance, chance.randrange(1, 6), weeks, (0.2, 0.35, 0.5, 1.0))
    capacity = [chance.choice([0.0, 0.5, 1.0, 2.0]) for _ in range(weeks)]
    assert spread(dues, capacity, COSTS).cost == pytest.approx(cheapest(dues, capacity), abs=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_it_agrees_with_people_matched_to_places(seed: int) -> None:
    """A second formulation: each unit of capacity is a place, each person who answers for sure takes one, and more
    places at the price of an overfull week stand beside them; solved by the Hungarian method."""
    chance = random.Random(1000 + seed)
    weeks, number = 6, 25
    dues = [
        due(f"p{n}", e := chance.randrange(4), e + 1, e + 2, weight=chance.choice([1.0, 2.0, 5.0]))
        for n in range(number)
    ]
    capacity = [float(chance.randrange(6)) for _ in range(weeks)]
    places = [(week, 0.0) for week in range(weeks) for _ in range(int(capacity[week]))]
    places += [(week, COSTS.over) for week in range(weeks) for _ in range(number)]
    far = 1e9  # stands for "not allowed", which the matching cannot be told
    prices = np.array([[min(cost(each, week, COSTS), far) + extra for week, extra in places] for each in dues])
    rows, columns = linear_sum_assignment(prices)
    assert spread(dues, capacity, COSTS).cost == pytest.approx(prices[rows, columns].sum(), abs=1e-6)


def test_a_transport_problem_with_a_known_answer() -> None:
    """Two kinds of people and three weeks, worked by hand: four who matter twice as much take the two ideal places and
    then the week after; the others wait one week longer."""
    dues = [due(f"heavy{n}", weight=2.0) for n in range(4)] + [due(f"light{n}") for n in range(2)]
    found = spread(dues, [2.0, 2.0, 2.0], COSTS)
    assert sorted(found.weeks[f"heavy{n}"] for n in range(4)) == [0, 0, 1, 1]
    assert [found.weeks[f"light{n}"] for n in range(2)] == [2, 2]
    assert found.cost == 2 * (2 * 2.0) + 2 * (2 * 2.0)


def test_people_whom_only_the_large_way_places_are_still_placed_well(monkeypatch: pytest.MonkeyPatch) -> None:
    chance = random.Random(5)
    dues = some(chance, 60, 6, (0.31, 0.37, 0.42))
    capacity = [4.0] * 6
    exact = spread(dues, capacity, COSTS)
    monkeypatch.setattr(module, "EXACT", 0)
    rounded = spread(dues, capacity, COSTS)
    assert rounded.bound <= exact.cost + 1e-6 <= rounded.cost + 2e-6
    assert rounded.cost <= exact.cost + 0.42 * COSTS.over  # at most one answer more than can be avoided
    assert set(rounded.weeks) == {each.id for each in dues}


@pytest.mark.parametrize("number", [200, 3000])
def test_a_week_is_never_fuller_than_its_room_without_being_named(number: int) -> None:
    chance = random.Random(number)
    dues = some(chance, number, 20, (0.31, 0.37, 0.42))
    capacity = [0.0 if week == 3 else number * 0.37 / 18 for week in range(20)]
    found = spread(dues, capacity, COSTS)
    for week, (load, fits) in enumerate(zip(found.load, capacity, strict=True)):
        assert load <= fits + 1e-6 or found.over[week] == pytest.approx(load - fits)
    for each in dues:
        assert found.weeks[each.id] >= min(each.earliest, each.held if each.promised and each.held is not None else 99)
        if each.promised:
            assert found.weeks[each.id] == each.held


def test_a_cavity_comes_before_a_dry_canal() -> None:
    found = spread([due("dry", weight=1.0), due("cavity", weight=5.0)], [1.0, 1.0], COSTS)
    assert found.weeks == {"cavity": 0, "dry": 1}


def test_who_is_overdue_comes_as_early_as_there_is_room() -> None:
    late = due("late", earliest=-9, ideal=-6, latest=-3)
    found = spread([late, due("promised", held=0, promised=True)], [1.0, 0.0, 1.0], COSTS)
    assert found.weeks["late"] == 2 and found.overdue == ("late",)


def test_the_next_day_nobody_moves_when_nothing_changed() -> None:
    chance = random.Random(3)
    dues = [replace(each, held=None, promised=False) for each in some(chance, 400, 12, (0.31, 0.37, 0.42))]
    capacity = [14.0] * 12
    first = spread(dues, capacity, COSTS)
    again = spread([replace(each, held=first.weeks[each.id]) for each in dues], capacity, COSTS)
    assert again.moved == ()


def test_at_the_turn_of_the_week_who_holds_a_week_keeps_it() -> None:
    dues = [due(f"p{n}", 0, n % 5 + 1, n % 5 + 4) for n in range(40)]
    first = spread(dues, [8.0] * 8, COSTS)
    kept = [
        replace(each, earliest=each.earliest - 1, ideal=each.ideal - 1, latest=each.latest - 1, held=week - 1)
        for each in dues
        if (week := first.weeks[each.id]) >= 1
    ]
    assert spread(kept, [8.0] * 8, COSTS).moved == ()


def test_the_order_of_people_does_not_matter() -> None:
    dues = some(random.Random(8), 200, 10, (0.31, 0.37))
    turned = random.Random(9).sample(dues, len(dues))
    assert spread(dues, [5.0] * 10, COSTS).weeks == spread(turned, [5.0] * 10, COSTS).weeks


def test_nobody_is_due_and_nobody_answers() -> None:
    assert spread([], [1.0, 2.0], COSTS).weeks == {}
    assert spread([due("silent", answer=0.0)], [0.0], COSTS).over == {}


def test_the_longer_overdue_goes_first() -> None:
    new, old = due("new", 1, -2, -1), due("old", 1, -9, -8)
    assert spread([new, old], [0.0, 1.0, 1.0], COSTS).weeks == {"old": 1, "new": 2}


def test_a_knapsack_with_a_published_optimum() -> None:
    """Kreher and Stinson, Combinatorial Algorithms, 1999: 15 things, capacity 750, best profit 1458 (from memory, the
    optimum found again by dynamic programming). Who does not fit into week 0 comes a week late, at the profit."""
    sizes = [70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120]
    profits = [135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240]
    best = [0] * 751
    for size, profit in zip(sizes, profits, strict=True):
        best = [max(best[room], best[room - size] + profit if room >= size else 0) for room in range(751)]
    assert best[750] == 1458
    costs = Costs(late=1.0, early=1.0, outside=1.0, rising=0.0, move=0.0, over=1e6)
    things = [
        due(f"p{n}", weight=float(profit), answer=size / 1000)
        for n, (size, profit) in enumerate(zip(sizes, profits, strict=True))
    ]
    assert spread(things, [0.75, float("inf")], costs).cost == pytest.approx(sum(profits) - 1458)
