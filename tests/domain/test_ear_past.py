"""What an ear's visits say: spans between a clearing and wax, never a day."""

from __future__ import annotations

from datetime import date, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.ear_past import Gap, Look, ReturnRule, gaps_of, past_of

RULE = ReturnRule(
    clear=frozenset({"hard-wax-cleared", "soft-wax-cleared"}),
    returned=frozenset({"hard-wax-cleared", "wax-left", "removal-failed"}),
    left_out=frozenset({"mastoid-cavity", "grommet"}),
)
START = date(2025, 1, 1)


def look(day: int, *findings: str, traits: tuple[str, ...] = ()) -> Look:
    return Look(on=START + timedelta(days=day), findings=frozenset(findings), traits=frozenset(traits))


def spans(*looks: Look) -> list[tuple[int, int | None]]:
    return [(gap.days_clear, gap.days_returned) for gap in gaps_of(looks, RULE)]


HARD, SOFT, LEFT, FAILED, NORMAL = "hard-wax-cleared", "soft-wax-cleared", "wax-left", "removal-failed", "normal"

CASES = {
    "nothing": ((), []),
    "one clearing says nothing yet": ((look(0, HARD),), []),
    "hard wax cleared is an end and a start": (
        (look(0, HARD), look(200, HARD), look(350, HARD)),
        [(0, 200), (0, 150)],
    ),
    "a look without wax raises the lower bound": ((look(0, HARD), look(90, NORMAL), look(200, HARD)), [(90, 200)]),
    "any look without wax does": ((look(0, HARD), look(60, "dry-skin"), look(200, HARD)), [(60, 200)]),
    "the latest such look counts": ((look(0, HARD), look(60, NORMAL), look(90, NORMAL), look(95, LEFT)), [(90, 95)]),
    "still clear at the last look": ((look(0, HARD), look(90, NORMAL), look(200, NORMAL)), [(200, None)]),
    "wax left ends a gap and starts none": ((look(0, HARD), look(200, LEFT), look(300, NORMAL)), [(0, 200)]),
    "a failed removal too": ((look(0, HARD), look(200, FAILED), look(214, HARD), look(300, HARD)), [(0, 200), (0, 86)]),
    "after wax was left there is no clock": ((look(0, LEFT), look(90, HARD)), []),
    "soft wax cleared: not back by then, and a new start": (
        (look(0, HARD), look(100, SOFT), look(250, HARD)),
        [(100, None), (0, 150)],
    ),
    "a normal ear starts no clock": ((look(0, NORMAL), look(200, HARD)), []),
    "a gap that ends in a left-out look is not counted": ((look(0, HARD), look(90, NORMAL), look(200, "grommet")), []),
    "nor one with it in between": ((look(0, HARD), look(90, "grommet"), look(200, HARD), look(300, HARD)), [(0, 100)]),
    "nor one that starts there": ((look(0, HARD, "grommet"), look(200, HARD), look(300, HARD)), [(0, 100)]),
    "the gaps before it stand": ((look(0, HARD), look(150, HARD), look(200, "grommet")), [(0, 150)]),
    "an ear not looked at says nothing": ((look(0, HARD), look(90), look(200, HARD)), [(0, 200)]),
    "order does not matter": ((look(200, HARD), look(0, HARD), look(90, NORMAL)), [(90, 200)]),
    "one day is one look": ((look(0, HARD), look(200, FAILED), look(200, HARD), look(300, HARD)), [(0, 200), (0, 100)]),
    "a second look on the day of clearing": ((look(0, HARD), look(0, NORMAL), look(200, HARD)), [(0, 200)]),
    "both looks at wax that was left": ((look(0, HARD), look(200, LEFT), look(200, "dry-skin")), [(0, 200)]),
    "a day with a left-out look": ((look(0, HARD), look(200, HARD), look(200, "grommet"), look(300, HARD)), []),
}


@pytest.mark.parametrize(("looks", "wanted"), CASES.values(), ids=CASES)
def test_gaps(looks: tuple[Look, ...], wanted: list[tuple[int, int | None]]) -> None:
    assert spans(*looks) == wanted


def test_a_gap_has_the_traits_of_its_start_and_the_ear() -> None:
    looks = (look(0, HARD), look(200, HARD, traits=("aid",)), look(300, HARD, traits=("aid", "swims")))
    past = past_of(looks, RULE, "ear 7")
    assert [gap.traits for gap in past.gaps] == [frozenset(), frozenset({"aid"})]
    assert {gap.ear for gap in past.gaps} == {"ear 7"} == {past.ear}
    assert past.traits == {"aid", "swims"}


@pytest.mark.parametrize(
    ("looks", "earlier", "clear_for"),
    [
        ((), 0, None),
        ((look(0, HARD),), 0, 0),
        ((look(0, HARD), look(0, NORMAL)), 0, 0),
        ((look(0, HARD), look(100, NORMAL)), 1, 100),
        ((look(0, HARD), look(50), look(100, HARD)), 1, 0),
        ((look(0, HARD), look(100, NORMAL), look(150, LEFT)), 2, None),
        ((look(0, HARD), look(100, "grommet")), 1, None),
        ((look(0, NORMAL),), 0, None),
    ],
)
def test_where_the_ear_stands(looks: tuple[Look, ...], earlier: int, clear_for: int | None) -> None:
    past = past_of(looks, RULE)
    assert (past.earlier_visits, past.clear_for) == (earlier, clear_for)


codes = st.frozensets(st.sampled_from([HARD, SOFT, LEFT, FAILED, NORMAL, "dry-skin", "grommet"]), max_size=3)
some_looks = st.lists(st.tuples(st.integers(0, 60), codes).map(lambda pair: look(pair[0], *pair[1])), max_size=12)


@given(some_looks, st.randoms(use_true_random=False))
def test_order_never_matters_and_gaps_never_overlap(looks: list[Look], chance: Random) -> None:
    mixed = looks[:]
    chance.shuffle(mixed)
    past = past_of(looks, RULE)
    assert past == past_of(mixed, RULE)
    days = sorted(each.on for each in looks if each.findings)
    whole = (days[-1] - days[0]).days if days else 0
    assert sum(gap.days_returned or gap.days_clear for gap in past.gaps) <= whole
    assert past.clear_for is None or past.clear_for <= whole
    if past.clear_for:
        assert (past.gaps[-1].days_clear, past.gaps[-1].days_returned) == (past.clear_for, None)


@given(some_looks, st.integers(0, 60))
def test_a_visit_at_which_the_ear_was_not_looked_at_changes_nothing(looks: list[Look], day: int) -> None:
    assert past_of([*looks, look(day)], RULE) == past_of(looks, RULE)


@pytest.mark.parametrize(("clear", "returned"), [(-1, 5), (5, 5), (6, 5), (0, None)])
def test_a_gap_that_cannot_be_is_refused(clear: int, returned: int | None) -> None:
    with pytest.raises(ValueError, match=r"days_|says nothing"):
        Gap(ear="", days_clear=clear, days_returned=returned)


def test_a_rule_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        ReturnRule(clear=frozenset(), returned=frozenset({LEFT}))
    with pytest.raises(ValueError, match="grommet"):
        ReturnRule(clear=frozenset({SOFT}), returned=frozenset({"grommet"}), left_out=frozenset({"grommet"}))
