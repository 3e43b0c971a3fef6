"""A clock that jumps is not believed at once, and not doubted for ever."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.domain.clock_watch import LARGEST_STEP, SETTLES_AFTER, ClockWatch

START = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
TICK = 5.0


def run(watch: ClockWatch, seconds: float, ahead: timedelta) -> ClockWatch:
    """Looks every five seconds while the wall clock is `ahead` of the truth."""
    end = watch.steady + seconds
    while watch.steady < end:
        steady = watch.steady + TICK
        watch = watch.look(START + timedelta(seconds=steady) + ahead, steady)
    return watch


def test_a_clock_that_goes_on_is_believed() -> None:
    assert run(ClockWatch(wall=START, steady=0), 3600, timedelta()).believed


def test_a_small_correction_is_believed() -> None:
    assert run(ClockWatch(wall=START, steady=0), 10, timedelta(minutes=2)).believed


def test_a_jump_of_hours_either_way_is_doubted_until_it_has_held_for_ten_minutes() -> None:
    for hours in (5, -5):
        watch = run(ClockWatch(wall=START, steady=0), 300, timedelta(hours=hours))
        assert not watch.believed
        assert run(watch, SETTLES_AFTER.total_seconds(), timedelta(hours=hours)).believed


def test_a_clock_that_comes_back_is_believed_at_once() -> None:
    watch = run(ClockWatch(wall=START, steady=0), 120, timedelta(hours=5))
    assert not watch.believed
    assert run(watch, TICK, timedelta()).believed


def test_a_second_jump_begins_the_doubt_anew() -> None:
    watch = run(ClockWatch(wall=START, steady=0), 590, timedelta(hours=5))
    watch = run(watch, 30, timedelta(hours=9))
    assert not watch.believed
    assert run(watch, SETTLES_AFTER.total_seconds(), timedelta(hours=9)).believed


@given(st.lists(st.floats(-LARGEST_STEP.total_seconds() / 2, LARGEST_STEP.total_seconds() / 2), max_size=20))
def test_a_restless_clock_within_the_step_is_always_believed(errors: list[float]) -> None:
    watch = ClockWatch(wall=START, steady=0)
    for number, error in enumerate(errors, start=1):
        steady = number * TICK
        watch = watch.look(START + timedelta(seconds=steady + error), steady)
        assert watch.believed


@given(st.integers(-48, 48).filter(bool), st.integers(1, 1000))
def test_whatever_the_jump_no_more_than_ten_minutes_are_lost(hours: int, before: int) -> None:
    watch = run(ClockWatch(wall=START, steady=0), before, timedelta())
    watch = run(watch, SETTLES_AFTER.total_seconds() + 2 * TICK, timedelta(hours=hours))
    assert watch.believed
