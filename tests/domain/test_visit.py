"""What does a visit refuse by itself, before any content is known?"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from builders import VISIT_DAY, a_visit

from service.domain.visit import EarChoice, Ears, Overrule, Side

AGES = [
    (date(1948, 11, 25), 78),  # the birthday itself
    (date(1948, 11, 26), 77),  # the day before
    (date(2024, 2, 29), 2),  # born on a leap day
    (VISIT_DAY, 0),  # born today
]


@pytest.mark.parametrize(("born", "age"), AGES)
def test_age_is_completed_years_on_the_day_of_the_visit(born: date, age: int) -> None:
    assert a_visit(born=born).age == age


def test_a_leap_day_child_turns_a_year_older_on_the_first_of_march() -> None:
    born = date(2024, 2, 29)
    assert replace(a_visit(born=born), on=date(2027, 2, 28)).age == 2
    assert replace(a_visit(born=born), on=date(2027, 3, 1)).age == 3


def test_an_age_that_is_not_known_stays_unknown() -> None:
    assert a_visit(born=None).age is None


def test_nobody_is_born_after_the_visit() -> None:
    with pytest.raises(ValueError, match="born must not be later"):
        a_visit(born=VISIT_DAY + timedelta(days=1))


def test_an_appointment_lies_after_the_visit() -> None:
    with pytest.raises(ValueError, match="next_appointment must be later"):
        a_visit(next_appointment=VISIT_DAY)


@pytest.mark.parametrize("reason", ["", "   "])
def test_nothing_is_overruled_without_a_reason(reason: str) -> None:
    with pytest.raises(ValueError, match="needs a reason"):
        Overrule(rule="grommet-no-softener", side=Side.RIGHT, reason=reason)


@pytest.mark.parametrize("days", [0, 731])
def test_a_return_is_set_within_two_years(days: int) -> None:
    with pytest.raises(ValueError, match="between 1 and 730"):
        EarChoice(return_days=days)


def test_the_right_ear_comes_first_and_each_ear_has_its_opposite() -> None:
    assert Ears.BOTH.sides == (Side.RIGHT, Side.LEFT)
    assert Ears.of([Side.LEFT, Side.RIGHT]) is Ears.BOTH
    assert Ears.of([Side.LEFT]) is Ears.LEFT
    assert (Side.RIGHT.other, Side.LEFT.other) == (Side.LEFT, Side.RIGHT)


def test_a_sentence_about_no_ear_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one ear"):
        Ears.of([])
