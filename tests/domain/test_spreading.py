from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linprog

from service.domain.spreading import Costs, Due, answer_chances, check_dues, cost, cure, measured, strain

COSTS = Costs(late=2.0, early=1.0, outside=20.0, rising=0.1, move=0.5, over=1000.0)


def due(name: str = "p", earliest: int = 0, ideal: int = 2, latest: int = 4, **changes: object) -> Due:
    wanted: dict[str, object] = {"weight": 1.0, "answer": 0.5} | changes
    return Due(id=name, earliest=earliest, ideal=ideal, latest=latest, **wanted)  # type: ignore[arg-type]


@pytest.mark.parametrize(("week", "said"), [(2, 0.0), (1, 1.0), (3, 2.0), (5, 6.0 + 20.0), (6, 8.0 + 20.0 * 2.1)])
def test_a_week_costs_by_its_distance_from_the_ideal_one(week: int, said: float) -> None:
    assert strain(2, 4, week, COSTS) == pytest.approx(said)
    assert cost(due(weight=3.0), week, COSTS) == pytest.approx(3 * said)


def test_moving_costs_and_a_promise_is_kept() -> None:
    assert cost(due(held=3), 2, COSTS) == 0.5
    assert cost(due(held=3), 3, COSTS) == 2.0
    assert cost(due(held=3, promised=True), 2, COSTS) == float("inf")
    assert cost(due(earliest=1), 0, COSTS) == float("inf")


@pytest.mark.parametrize(
    "wrong",
    [
        {"latest": 1},
        {"weight": 0.0},
        {"answer": 1.1},
        {"promised": True},
        {"held": -1, "promised": True},
    ],
)
def test_what_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        due(**wrong)  # type: ignore[arg-type]


def test_two_of_one_id_and_a_week_beyond_the_horizon_are_refused() -> None:
    with pytest.raises(ValueError, match="twice"):
        check_dues([due(), due()], [1.0])
    with pytest.raises(ValueError, match="beyond"):
        check_dues([due(earliest=1)], [1.0])
    with pytest.raises(ValueError, match="0 or more"):
        check_dues([], [-1.0])


def test_an_overfull_week_is_named_with_what_would_cure_it() -> None:
    found = measured([due("a"), due("b"), due("c")], {"a": 2, "b": 2, "c": 2}, [0.0, 0.0, 1.0], COSTS)
    assert found.over == {2: pytest.approx(0.5)}
    assert found.cost == pytest.approx(500.0)


@given(
    st.lists(st.tuples(st.integers(0, 5), st.integers(0, 3), st.floats(0.05, 1.0)), max_size=12),
    st.lists(st.sampled_from([0.5, 1.0, 2.0]), min_size=6, max_size=6),
)
def test_the_cure_is_the_least_that_a_linear_program_finds(
    people: list[tuple[int, int, float]], capacity: list[float]
) -> None:
    """A second formulation: one unknown for every person and week, and one for the extra room of each week; and for the
    even cure one for all weeks together."""
    dues = [
        due(f"p{n}", start, start, min(5, start + length), answer=answer)
        for n, (start, length, answer) in enumerate(people)
    ]
    pairs = [(n, week) for n, each in enumerate(dues) for week in range(each.earliest, each.latest + 1)]
    for even in (False, True):
        extra = 1 if even else 6
        prices = [0.0] * len(pairs) + [1.0] * extra
        fits = [
            [dues[n].answer if at == week else 0.0 for n, at in pairs]
            + [-1.0 if even or number == week else 0.0 for number in range(extra)]
            for week in range(6)
        ]
        everybody = [[1.0 if n == number else 0.0 for n, _ in pairs] + [0.0] * extra for number in range(len(dues))]
        found = linprog(prices, A_ub=fits, b_ub=capacity, A_eq=everybody or None, b_eq=[1.0] * len(dues) or None)
        ours = cure(dues, capacity)
        assert (ours.even if even else sum(ours.extra.values())) == pytest.approx(found.fun, abs=1e-6)


def test_the_chance_of_an_answer_leans_on_the_prior_until_there_is_a_record() -> None:
    prior = {"text": (7.4, 20.0)}
    assert answer_chances({}, prior) == {"text": pytest.approx(0.37)}
    assert answer_chances({"text": (180, 200)}, prior)["text"] == pytest.approx(187.4 / 220)  # the posterior mean
    with pytest.raises(ValueError, match="no prior"):
        answer_chances({"pigeon": (1, 2)}, prior)
    with pytest.raises(ValueError, match="at most as many"):
        answer_chances({"text": (3, 2)}, prior)


def test_who_has_no_week_in_time_left_is_overdue_and_needs_no_room_in_one_week() -> None:
    late = [due(f"p{n}", 1, -6, -3, answer=1.0) for n in range(3)]
    assert all(each.overdue for each in late) and not due("in time", 0, 0, 0).overdue
    assert cure(late, [0.0, 1.0, 1.0, 1.0]).extra == {}
    found = measured(late, {"p0": 1, "p1": 2, "p2": 3}, [0.0, 1.0, 1.0, 1.0], COSTS)
    assert (found.outside, found.overdue) == ((), ("p0", "p1", "p2"))


def test_a_week_without_a_limit_hides_no_lack_after_it() -> None:
    crowd = [due(f"p{n}", 1, 1, 1, answer=1.0) for n in range(3)]
    assert cure(crowd, [float("inf"), 1.0]).extra == {1: pytest.approx(2.0)}
