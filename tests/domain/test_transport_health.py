"""Does the way out work?"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from service.domain.message import Outcome, Result
from service.domain.transport_health import (
    FAILURES_IN_A_ROW,
    FIRST_PAUSE,
    LONGEST_PAUSE,
    TRIAL,
    Health,
    after,
    begun,
    not_before,
)

NOW = datetime(2026, 11, 25, 13, 0, tzinfo=UTC)
WELL = Health()


def outcome(result: Result, retry_after: int | None = None) -> Outcome:
    return Outcome(result=result, detail="as the next hop said", retry_after=retry_after)


GOOD, BAD = outcome(Result.ACCEPTED), outcome(Result.RETRY)


def failing(health: Health, times: int, now: datetime = NOW) -> Health:
    for _ in range(times):
        health = after(health, BAD, now)
    return health


def test_a_few_failures_pause_nothing() -> None:
    health = failing(WELL, FAILURES_IN_A_ROW - 1)
    assert health.well
    assert not_before(health, NOW) == NOW
    assert health.detail == "as the next hop said"


def test_failures_in_a_row_pause_the_way_out_and_say_why() -> None:
    health = failing(WELL, FAILURES_IN_A_ROW)
    assert not health.well
    assert health.paused_until == not_before(health, NOW) == NOW + FIRST_PAUSE
    assert health.detail == "as the next hop said"


@pytest.mark.parametrize("result", [Result.RETRY, Result.UNKNOWN])
def test_an_answer_that_never_came_is_a_failure_too(result: Result) -> None:
    health = WELL
    for _ in range(FAILURES_IN_A_ROW):
        health = after(health, outcome(result), NOW)
    assert not health.well


@pytest.mark.parametrize("result", [Result.ACCEPTED, Result.REFUSED])
def test_a_clear_answer_between_failures_starts_the_count_again(result: Result) -> None:
    health = after(failing(WELL, FAILURES_IN_A_ROW - 1), outcome(result), NOW)
    assert failing(health, FAILURES_IN_A_ROW - 1).well


def test_after_a_pause_one_message_is_tried_and_the_others_wait_for_its_answer() -> None:
    health = failing(WELL, FAILURES_IN_A_ROW)
    now = NOW + FIRST_PAUSE
    assert not_before(health, now) == now
    trying = begun(health, now, 0)
    assert not_before(trying, now) == now + TRIAL
    assert not_before(after(trying, GOOD, now), now) == now
    assert not_before(trying, now + TRIAL) == now + TRIAL, "an answer that never comes blocks nothing for good"


def test_each_failed_trial_doubles_the_pause_up_to_the_longest() -> None:
    health, now, pauses = failing(WELL, FAILURES_IN_A_ROW), NOW, []
    for _ in range(30):
        assert health.paused_until is not None
        pauses.append(health.paused_until - now)
        now = health.paused_until
        health = after(begun(health, now, 0), BAD, now)
    assert pauses[:5] == [FIRST_PAUSE, FIRST_PAUSE * 2, FIRST_PAUSE * 4, FIRST_PAUSE * 8, LONGEST_PAUSE]
    assert set(pauses[5:]) == {LONGEST_PAUSE}


def test_the_far_side_can_ask_for_a_longer_pause() -> None:
    health = after(failing(WELL, FAILURES_IN_A_ROW - 1), outcome(Result.RETRY, 7200), NOW)
    assert health.paused_until == NOW + timedelta(hours=2)


def test_answers_that_were_under_way_when_the_pause_began_do_not_lengthen_it_unless_they_ask_to() -> None:
    health = failing(WELL, FAILURES_IN_A_ROW)
    assert after(health, BAD, NOW + timedelta(seconds=1)) == health
    asked = after(health, outcome(Result.RETRY, 600), NOW + timedelta(seconds=1))
    assert asked.paused_until == NOW + timedelta(seconds=601)
    assert asked.pauses == health.pauses


def test_a_late_success_of_before_the_pause_ends_it() -> None:
    health = after(failing(WELL, FAILURES_IN_A_ROW), GOOD, NOW + timedelta(seconds=1))
    assert health == WELL


def test_a_rate_limit_gives_each_message_its_own_moment() -> None:
    health = begun(WELL, NOW, 2.0)
    assert health.next_free == NOW + timedelta(seconds=0.5)
    assert begun(health, health.next_free, 2.0).next_free == NOW + timedelta(seconds=1)
    later = NOW + timedelta(hours=1)
    assert begun(health, later, 2.0).next_free == later + timedelta(seconds=0.5), "what was not used is not saved up"
    assert begun(WELL, NOW, 0).next_free is None


outcomes = st.builds(outcome, st.sampled_from(list(Result)), st.none() | st.integers(0, 20_000))
steps = st.lists(st.tuples(outcomes, st.integers(0, 3000)), max_size=40)


@given(steps=steps, good=st.sampled_from([Result.ACCEPTED, Result.REFUSED]))
def test_after_any_history_one_success_makes_it_well(steps: list[tuple[Outcome, int]], good: Result) -> None:
    health, now = WELL, NOW
    for came, seconds in steps:
        now += timedelta(seconds=seconds)
        health = after(health, came, now)
    health = after(health, outcome(good), now)
    assert health.well
    assert not_before(health, now) == now
    assert failing(health, FAILURES_IN_A_ROW - 1, now).well, "and it is trusted like one that never failed"


@given(steps=steps)
def test_no_pause_is_longer_than_a_quarter_of_an_hour_unless_the_far_side_asked(
    steps: list[tuple[Outcome, int]],
) -> None:
    health, now, asked = WELL, NOW, NOW
    for came, seconds in steps:
        now += timedelta(seconds=seconds)
        health = after(health, came, now)
        asked = max(asked, now + timedelta(seconds=came.retry_after or 0))
        assert not_before(health, now) <= max(now + timedelta(minutes=15), asked)


class OneWayOut(RuleBasedStateMachine):
    """Hand-overs, answers in any order, and time: at most one message goes while the way out is not trusted."""

    @initialize()
    def start(self) -> None:
        self.health, self.now = Health(), NOW
        self.under_way = 0
        self.trial: datetime | None = None

    @rule(seconds=st.integers(1, 400))
    def time_passes(self, seconds: int) -> None:
        self.now += timedelta(seconds=seconds)

    @rule()
    def the_pause_ends(self) -> None:
        self.now = max(self.now, self.health.paused_until or self.now)

    @rule(many=st.integers(1, 8))
    def messages_want_to_go(self, many: int) -> None:
        before, went = self.health, 0
        for _ in range(many):
            if not_before(self.health, self.now) <= self.now:
                self.health = begun(self.health, self.now, 0)
                went += 1
        self.under_way += went
        if before.paused_until is not None and before.paused_until > self.now:
            assert went == 0, "nothing goes during a pause"
        elif not before.well:
            trying = self.trial is not None and self.now < self.trial
            assert went == (0 if trying else 1), "one is tried, and only one"
            if went:
                self.trial = self.now + TRIAL
        else:
            assert went == many

    @rule(came=outcomes)
    def an_answer_comes(self, came: Outcome) -> None:
        if not self.under_way:
            return
        self.under_way -= 1
        before, self.health = self.health, after(self.health, came, self.now)
        if self.health.well or self.health.pauses > before.pauses:
            self.trial = None

    @invariant()
    def a_pause_always_ends(self) -> None:
        ready = not_before(self.health, self.now)
        assert ready >= self.now
        assert not_before(self.health, ready) == ready or ready == self.health.paused_until


TestOneWayOut = OneWayOut.TestCase
