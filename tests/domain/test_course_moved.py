"""Softening follows its appointment: counted back anew, cut short, stopped, or left as it is for a clinician."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from builders import VISIT_DAY, a_visit, an_ear, the_pack
from hypothesis import given
from hypothesis import strategies as st

from service.domain.build import build_plan
from service.domain.contact import Rhythm
from service.domain.course import doses, total_drops
from service.domain.course_moved import (
    Followed,
    Follows,
    begun,
    follow,
    full_phases,
    numbered,
    plan_following,
    softening,
)
from service.domain.pack import ClinicChoices, Moment, Phase, Purpose
from service.domain.plan import Course, Plan
from service.domain.visit import Ears

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
TODAY = NOW.date()
LONDON = ZoneInfo("Europe/London")
DAY = timedelta(days=1)
FULL = (
    Phase(days=5, moments=(Moment.MORNING, Moment.BEDTIME), every=1),
    Phase(days=4, moments=(Moment.BEDTIME,), every=2),
)
COURSE = Course(
    agent="olive-oil",
    purpose=Purpose.SOFTEN,
    regimen="invented",
    ears=Ears.RIGHT,
    drops=3,
    lie_minutes=5,
    phases=FULL,
    first_day=TODAY + 11 * DAY,
)
GIVEN = Followed(step=0, course=COURSE, laid=NOW)


def followed(booked: date | None, before: Followed = GIVEN, *, today: date = TODAY, begun: bool = False):  # type: ignore[no-untyped-def]
    now = datetime.combine(today, NOW.time(), UTC)
    return follow(before, FULL, booked, begun=begun, now=now, today=today)


def test_it_counts_back_from_the_new_date_as_when_the_plan_was_given() -> None:
    after, why = followed(TODAY + 30 * DAY)
    assert why is Follows.MOVED
    assert after.course == replace(COURSE, first_day=TODAY + 21 * DAY)


def test_the_same_date_changes_nothing() -> None:
    assert followed(TODAY + 20 * DAY) == (GIVEN, Follows.SAME)


def test_too_near_for_the_whole_it_begins_today_with_the_days_that_are_left() -> None:
    after, why = followed(TODAY + 7 * DAY)
    assert why is Follows.SHORTENED
    assert (after.course.first_day, [phase.days for phase in after.course.phases]) == (TODAY, [5, 2])


def test_a_shortened_course_that_has_not_begun_is_whole_again_when_the_appointment_moves_away() -> None:
    short, _ = followed(TODAY + 7 * DAY)
    after, why = followed(TODAY + 30 * DAY, short)
    assert (why, after.course.phases) == (Follows.MOVED, FULL)


def test_no_day_left_is_no_drops_and_a_question() -> None:
    after, why = followed(TODAY)
    assert why is Follows.NO_DAY_LEFT
    assert after.stopped is not None
    again, why = followed(TODAY + 30 * DAY, after)
    assert (why, again.stopped, again.course.first_day) == (Follows.MOVED, None, TODAY + 21 * DAY)


def test_a_cancelled_appointment_stops_it_until_there_is_a_new_one() -> None:
    stopped, why = followed(None)
    assert (why, stopped.stopped, stopped.course) == (Follows.STOPPED, NOW, COURSE)
    assert followed(None, stopped, today=TODAY + DAY) == (stopped, Follows.SAME)
    later = TODAY + 20 * DAY  # long after its first day: no dose of it was ever due
    after, why = followed(later + 15 * DAY, stopped, today=later)
    assert (why, after.course.first_day, after.stopped) == (Follows.MOVED, later + 6 * DAY, None)


def test_what_has_begun_stays_as_it_is_and_asks() -> None:
    for booked in (TODAY + 15 * DAY, TODAY + 40 * DAY):
        assert followed(booked, begun=True) == (GIVEN, Follows.BEGUN)
    assert followed(TODAY + 20 * DAY, begun=True) == (GIVEN, Follows.SAME), "it still ends the day before"


def test_what_has_begun_stops_with_the_appointment_and_goes_on_with_the_next_one_but_never_anew() -> None:
    running = TODAY + 13 * DAY
    stopped, why = followed(None, today=running, begun=True)
    assert (why, stopped.stopped is not None) == (Follows.BROKEN_OFF, True)
    after, why = followed(TODAY + 60 * DAY, stopped, today=running, begun=True)
    assert (why, after.course, after.stopped) == (Follows.BEGUN, COURSE, None)


def test_what_is_done_is_not_stopped_any_more() -> None:
    assert followed(None, today=TODAY + 20 * DAY, begun=True) == (GIVEN, Follows.SAME)


def test_begun_is_a_dose_that_was_due_while_it_was_followed() -> None:
    rhythm = Rhythm()
    today = Followed(step=0, course=replace(COURSE, first_day=TODAY), laid=NOW)  # 10:00, after the morning's dose
    assert not begun(today, rhythm, LONDON, NOW + timedelta(hours=5))
    assert begun(today, rhythm, LONDON, NOW + timedelta(hours=13))
    assert not begun(replace(today, stopped=NOW + timedelta(hours=5)), rhythm, LONDON, NOW + 9 * DAY)


steps = st.lists(st.tuples(st.integers(0, 6), st.none() | st.integers(-3, 40)), min_size=1, max_size=12)


@given(steps)
def test_whatever_happens_to_the_appointment_nobody_is_asked_for_more_doses_than_the_regimen_has(
    changes: list[tuple[int, int | None]],
) -> None:
    """The doses that fell due while each course was followed, over any history of bookings."""
    state, now, due = GIVEN, NOW, set[datetime]()
    rhythm = Rhythm()
    for wait, ahead in [*changes, (60, None)]:
        later = now + wait * DAY
        if state.stopped is None:
            due |= {
                dose.at
                for dose in doses(state.course, rhythm, LONDON, not_before=state.laid)
                if state.laid <= dose.at <= later and dose.at >= now
            }
        today = later.date()
        booked = None if ahead is None or ahead < 0 else today + ahead * DAY
        state, _ = follow(state, FULL, booked, begun=begun(state, rhythm, LONDON, later), now=later, today=today)
        now = later
        if booked is not None and state.stopped is None and not begun(state, rhythm, LONDON, now):
            assert state.course.first_day + state.course.days * DAY == booked, "it ends the day before"
            assert state.course.first_day >= today
    assert len(due) * COURSE.drops <= total_drops(COURSE)


def a_plan(**visit: object) -> tuple[Plan, tuple[Followed, ...]]:
    plan = build_plan(a_visit(**visit), the_pack(), ClinicChoices())  # type: ignore[arg-type]
    return plan, softening(plan, NOW)


def test_the_plan_with_its_courses_moved_is_the_plan_that_the_new_date_would_have_given() -> None:
    """Built twice by the service's own builder: the move must give what giving would have given."""
    both = {"right": an_ear("wax-left"), "left": an_ear("wax-left")}
    for days in (3, 5, 20, 45):
        given_for, (state,) = a_plan(next_appointment=VISIT_DAY + 30 * DAY, **both)
        wanted, _ = a_plan(next_appointment=VISIT_DAY + days * DAY, **both)
        full = full_phases(state.course, VISIT_DAY, the_pack())
        after, _ = follow(state, full, VISIT_DAY + days * DAY, begun=False, now=NOW, today=VISIT_DAY)
        moved = plan_following(given_for, [after], the_pack())
        assert moved.courses == wanted.courses
        assert [step.phrases for step in moved.steps] == [step.phrases for step in wanted.steps]
        assert moved.supplies == wanted.supplies


def test_a_course_that_was_cut_at_the_visit_is_whole_again_by_its_regimen_if_that_is_still_as_it_was() -> None:
    pack = the_pack()
    short, (state,) = a_plan(next_appointment=VISIT_DAY + 2 * DAY)
    whole, _ = a_plan(next_appointment=VISIT_DAY + 30 * DAY)
    assert full_phases(state.course, VISIT_DAY, pack) == whole.courses[0].phases != short.courses[0].phases
    gone = replace(pack, agents={name: agent for name, agent in pack.agents.items() if name != state.course.agent})
    assert full_phases(state.course, VISIT_DAY, gone) == state.course.phases
    agent = pack.agents[state.course.agent]
    other = replace(
        agent,
        regimens={
            Purpose.SOFTEN: tuple(replace(each, phases=FULL) for each in agent.regimens[Purpose.SOFTEN]),
        },
    )
    changed = replace(pack, agents={**pack.agents, agent.id: other})
    assert full_phases(state.course, VISIT_DAY, changed) == state.course.phases


def test_a_stopped_course_leaves_the_plan_with_its_supplies_and_no_other_course_changes_its_number() -> None:
    visit = {"right": an_ear("wax-left"), "left": an_ear("hard-wax-cleared")}
    plan, states = a_plan(history=frozenset({"prone-to-wax"}), next_appointment=VISIT_DAY + 30 * DAY, **visit)
    assert [course.purpose for course in plan.courses] != [Purpose.SOFTEN] * len(plan.courses)
    stopped = [replace(state, stopped=NOW) for state in states]
    after = plan_following(plan, stopped, the_pack())
    kept = [course for course in plan.courses if course.purpose is not Purpose.SOFTEN]
    assert list(after.courses) == kept
    assert numbered(plan, stopped) == tuple(pair for pair in enumerate(plan.courses) if pair[1] in kept)
    assert {supply.agent for supply in after.supplies} == {course.agent for course in kept}


def test_an_agent_that_the_content_no_longer_has_keeps_what_was_said_of_it() -> None:
    pack = the_pack()
    plan, (state,) = a_plan(next_appointment=VISIT_DAY + 30 * DAY)
    gone = replace(pack, agents={})
    after, _ = follow(state, state.course.phases, VISIT_DAY + 2 * DAY, begun=False, now=NOW, today=VISIT_DAY)
    changed = plan_following(plan, [after], gone)
    assert changed.supplies == plan.supplies
    assert changed.courses == (after.course,)


@pytest.mark.parametrize("booked", [None, VISIT_DAY + 30 * DAY])
def test_a_plan_that_follows_nothing_is_the_plan_as_given(booked: date | None) -> None:
    plan, _ = a_plan(next_appointment=booked)
    assert plan_following(plan, (), the_pack()) is plan
