"""The doses of a course in time: through clock changes, by turns, cut short, and counted back from an appointment."""

# Wall times are naive on purpose.
# ruff: noqa: DTZ001
from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

import pytest

from service.domain.contact import Rhythm
from service.domain.course import counted_back, doses, first_day_before, softening_before, total_drops
from service.domain.pack import Moment, Phase, Purpose
from service.domain.plan import Course
from service.domain.visit import Ears

# Source: see "source" and "checked_with" in the file (a second implementation of zone arithmetic, over tz 2025c).
DST = json.loads((Path(__file__).parents[1] / "data/vectors/dst.json").read_text(encoding="utf-8"))
LONDON = ZoneInfo("Europe/London")
MOMENTS = (Moment.MORNING, Moment.MIDDAY, Moment.EVENING)


def course(
    *phases: Phase,
    first_day: date = date(2026, 6, 1),
    ears: Ears = Ears.RIGHT,
    alternate: bool = False,
    drops: int = 3,
) -> Course:
    """A course of invented drops."""
    return Course(
        agent="oil",
        purpose=Purpose.SOFTEN,
        regimen="usual",
        ears=ears,
        drops=drops,
        lie_minutes=5,
        phases=phases,
        first_day=first_day,
        alternate=alternate,
    )


def rhythm_from(first: time, *later: time) -> Rhythm:
    """A rhythm with these times of day in order, filled up to four with the last seconds after the latest."""
    times = [first, *later]
    while len(times) < 4:
        times.append((datetime.combine(date.min, times[-1]) + timedelta(seconds=1)).time())
    morning, midday, evening, bedtime = times
    return Rhythm(morning=morning, midday=midday, evening=evening, bedtime=bedtime)


@pytest.mark.parametrize(
    ("zone", "series"),
    [(zone["zone"], transition["daily_series"]) for zone in DST["zones"] for transition in zone["transitions"]],
)
def test_doses_keep_the_persons_clock_times_through_a_clock_change(zone: str, series: list[dict[str, Any]]) -> None:
    """dst.json `daily_series`: three days around each clock change, at two or three times of day.

    The vectors give each time by itself; where the gap moves one onto another, a course has one dose there.
    """
    walls = [datetime.fromisoformat(entry["wall"]) for entry in series]
    days, times = sorted({wall.date() for wall in walls}), sorted({wall.time() for wall in walls})
    phase = Phase(days=len(days), moments=MOMENTS[: len(times)])
    found = doses(course(phase, first_day=days[0]), rhythm_from(*times), ZoneInfo(zone))
    expected = sorted({(datetime.fromisoformat(entry["utc"]), entry["wall_delivered"]) for entry in series})
    assert [(dose.at, dose.wall.isoformat(timespec="minutes")) for dose in found] == expected


def offset(instant: datetime, zone: ZoneInfo) -> timedelta:
    """How far the clocks of a zone are ahead of UTC at an instant."""
    ahead = instant.astimezone(zone).utcoffset()
    assert ahead is not None
    return ahead


def clock_changes(zone: ZoneInfo, first_year: int, last_year: int) -> Iterator[datetime]:
    """The clock changes of a zone, found by halving days; told apart from the code under test on purpose."""
    day = datetime(first_year, 1, 1, tzinfo=UTC)
    while day.year <= last_year:
        low, high = 0, 86_400
        if offset(day, zone) != offset(day + timedelta(days=1), zone):
            while high - low > 1:
                middle = (low + high) // 2
                same = offset(day + timedelta(seconds=middle), zone) == offset(day, zone)
                low, high = (middle, high) if same else (low, middle)
            yield day + timedelta(seconds=high)
        day += timedelta(days=1)


def test_in_every_zone_of_the_world_each_day_has_one_dose_through_each_clock_change() -> None:
    """Every zone of the IANA database, every clock change of 2026 to 2030; RFC 5545 section 3.3.5."""
    seen = {"gap": 0, "fold": 0}
    for name in sorted(available_timezones()):
        zone = ZoneInfo(name)
        for change in clock_changes(zone, 2026, 2030):
            before, after = offset(change - timedelta(seconds=1), zone), offset(change, zone)
            shift = after - before
            # A quarter into the hour that is skipped or repeated; it ends at the change, or begins there.
            earliest = (change + min(before, after)).replace(tzinfo=None)
            wall = earliest + abs(shift) / 4
            found = doses(
                course(Phase(days=3, moments=(Moment.MORNING,)), first_day=wall.date() - timedelta(days=1)),
                rhythm_from(wall.time()),
                zone,
            )
            case = f"{name} at {change}"
            assert [dose.day for dose in found] == [0, 1, 2], case
            # At the same time on the days before and after; in between as below. A gap may reach midnight.
            assert (found[0].wall, found[2].wall) == (wall - timedelta(days=1), wall + timedelta(days=1)), case
            if shift > timedelta():
                seen["gap"] += 1
                assert found[1].wall == wall + shift, case
                assert found[1].at == change + shift / 4, case
            else:
                seen["fold"] += 1
                assert found[1].wall == wall, case
                assert found[1].at == change + shift * 3 / 4, case
    # Far more than the vectors' own zones: the sweep has not run dry.
    assert seen["gap"] > 500
    assert seen["fold"] > 500


def test_a_dose_on_a_day_that_a_zone_skipped_is_not_given_twice_on_the_next() -> None:
    """Samoa had no 30 December 2011 (IANA time zone database, file australasia)."""
    found = doses(
        course(Phase(days=4, moments=(Moment.MORNING,)), first_day=date(2011, 12, 28)),
        Rhythm(),
        ZoneInfo("Pacific/Apia"),
    )
    assert [(dose.number, dose.day, dose.wall.day) for dose in found] == [(1, 0, 28), (2, 1, 29), (3, 3, 31)]


def test_a_dose_moved_onto_another_by_a_clock_change_is_left_out() -> None:
    """01:30 does not exist on 29 March 2026 in London and moves to 02:30, where there is a dose already."""
    found = doses(
        course(Phase(days=1, moments=(Moment.MORNING, Moment.MIDDAY)), first_day=date(2026, 3, 29)),
        rhythm_from(time(1, 30), time(2, 30)),
        LONDON,
    )
    assert [(dose.moment, dose.wall) for dose in found] == [(Moment.MIDDAY, datetime(2026, 3, 29, 2, 30))]


def test_phases_follow_each_other_and_each_keeps_its_own_days() -> None:
    """Two days of twice a day, then every third day of seven: days 2, 5 and 8 of the course."""
    found = doses(
        course(
            Phase(days=2, moments=(Moment.BEDTIME, Moment.MORNING)),
            Phase(days=7, every=3, moments=(Moment.EVENING,)),
        ),
        Rhythm(),
        LONDON,
    )
    assert [(dose.number, dose.day, dose.moment.value) for dose in found] == [
        (1, 0, "morning"),
        (2, 0, "bedtime"),
        (3, 1, "morning"),
        (4, 1, "bedtime"),
        (5, 2, "evening"),
        (6, 5, "evening"),
        (7, 8, "evening"),
    ]
    assert found[0].wall == datetime(2026, 6, 1, 8, 0)
    assert found[0].at == datetime(2026, 6, 1, 7, 0, tzinfo=UTC)
    assert {dose.ears for dose in found} == {Ears.RIGHT}


def test_doses_of_the_day_that_are_over_are_left_out_and_the_rest_is_counted_from_one() -> None:
    phase = Phase(days=2, moments=(Moment.MORNING, Moment.EVENING))
    noon = datetime(2026, 6, 1, 11, 0, tzinfo=UTC)
    found = doses(course(phase), Rhythm(), LONDON, not_before=noon)
    assert [(dose.number, dose.day, dose.moment) for dose in found] == [
        (1, 0, Moment.EVENING),
        (2, 1, Moment.MORNING),
        (3, 1, Moment.EVENING),
    ]


def test_a_dose_at_the_very_start_is_given_and_one_at_the_very_end_is_not() -> None:
    phase = Phase(days=3, moments=(Moment.MORNING,))
    first, last = datetime(2026, 6, 1, 7, 0, tzinfo=UTC), datetime(2026, 6, 3, 7, 0, tzinfo=UTC)
    found = doses(course(phase), Rhythm(), LONDON, not_before=first, not_after=last)
    assert [dose.day for dose in found] == [0, 1]


def test_ears_take_turns_by_dose_day_right_first() -> None:
    """Every second day: the turn goes with the dose day, and both doses of one day go into the same ear."""
    phase = Phase(days=6, every=2, moments=(Moment.MORNING, Moment.BEDTIME))
    both = course(phase, Phase(days=1, moments=(Moment.MORNING,)), ears=Ears.BOTH, alternate=True)
    assert [(dose.day, dose.ears.value) for dose in doses(both, Rhythm(), LONDON)] == [
        (0, "right"),
        (0, "right"),
        (2, "left"),
        (2, "left"),
        (4, "right"),
        (4, "right"),
        (6, "left"),
    ]


def test_ears_keep_their_turns_when_the_first_day_is_over() -> None:
    both = course(Phase(days=3, moments=(Moment.MORNING,)), ears=Ears.BOTH, alternate=True)
    noon = datetime(2026, 6, 1, 11, 0, tzinfo=UTC)
    assert [dose.ears for dose in doses(both, Rhythm(), LONDON, not_before=noon)] == [Ears.LEFT, Ears.RIGHT]


def test_one_ear_has_nobody_to_take_turns_with() -> None:
    left = course(Phase(days=2, moments=(Moment.MORNING,)), ears=Ears.LEFT, alternate=True)
    assert [dose.ears for dose in doses(left, Rhythm(), LONDON)] == [Ears.LEFT, Ears.LEFT]


TWICE_A_DAY = Phase(days=5, moments=(Moment.MORNING, Moment.BEDTIME))
EVERY_THIRD = Phase(days=7, every=3, moments=(Moment.EVENING,))


@pytest.mark.parametrize(
    ("ears", "alternate", "phases", "expected"),
    [
        (Ears.RIGHT, False, (TWICE_A_DAY,), 30),  # 5 days x 2 x 3 drops
        (Ears.BOTH, False, (TWICE_A_DAY,), 60),  # the same into two ears
        (Ears.BOTH, True, (TWICE_A_DAY,), 30),  # one ear a day
        (Ears.LEFT, True, (TWICE_A_DAY,), 30),  # one ear only
        (Ears.BOTH, False, (TWICE_A_DAY, EVERY_THIRD), 78),  # 60, and days 0, 3, 6 x 1 x 3 drops x 2 ears
    ],
)
def test_the_drops_of_a_course_are_counted_over_all_ears_and_doses(
    ears: Ears, alternate: bool, phases: tuple[Phase, ...], expected: int
) -> None:
    asked = course(*phases, ears=ears, alternate=alternate)
    assert total_drops(asked) == expected
    given = doses(asked, Rhythm(), LONDON)
    assert sum(len(dose.ears.sides) * asked.drops for dose in given) == expected


def test_a_course_counted_back_ends_on_the_day_before_the_appointment() -> None:
    """Five days before Monday 15 June: Wednesday 10 to Sunday 14."""
    assert first_day_before(5, date(2026, 6, 15)) == date(2026, 6, 10)
    found = softening_before(
        course(TWICE_A_DAY), datetime(2026, 6, 15, 9, 30), Rhythm(), LONDON, now=datetime(2026, 6, 1, tzinfo=UTC)
    )
    assert len(found) == 10
    assert (found[0].wall, found[-1].wall) == (datetime(2026, 6, 10, 8, 0), datetime(2026, 6, 14, 21, 30))


def test_a_moved_appointment_moves_the_softening_with_it() -> None:
    now = datetime(2026, 6, 1, tzinfo=UTC)
    first, moved = (
        softening_before(course(TWICE_A_DAY), wall, Rhythm(), LONDON, now=now)
        for wall in (datetime(2026, 6, 15, 9, 30), datetime(2026, 6, 22, 16, 0))
    )
    assert [dose.wall + timedelta(days=7) for dose in first] == [dose.wall for dose in moved]


def test_of_a_course_longer_than_the_wait_the_days_from_now_remain() -> None:
    """Appointment on the 3rd, now noon of the 1st: of five days twice a day three doses remain, the last ones."""
    found = softening_before(
        course(TWICE_A_DAY), datetime(2026, 6, 3, 9, 0), Rhythm(), LONDON, now=datetime(2026, 6, 1, 11, tzinfo=UTC)
    )
    assert [(dose.number, dose.day, dose.wall) for dose in found] == [
        (1, 3, datetime(2026, 6, 1, 21, 30)),
        (2, 4, datetime(2026, 6, 2, 8, 0)),
        (3, 4, datetime(2026, 6, 2, 21, 30)),
    ]


def test_softening_abroad_ends_before_the_appointment_at_the_clinic() -> None:
    """9:30 on 15 June in London is 20:30 in Auckland, on the same day; 16:00 is 03:00 of the 16th there."""
    auckland, now = ZoneInfo("Pacific/Auckland"), datetime(2026, 6, 1, tzinfo=UTC)
    for wall, last_day in ((datetime(2026, 6, 15, 9, 30), 14), (datetime(2026, 6, 15, 16, 0), 15)):
        found = softening_before(course(TWICE_A_DAY), wall, Rhythm(), auckland, now=now, clinic_zone=LONDON)
        assert len(found) == 10
        assert found[-1].wall == datetime(2026, 6, last_day, 21, 30)


def test_counting_back_keeps_the_course_and_refuses_one_without_days() -> None:
    moved = counted_back(course(TWICE_A_DAY, ears=Ears.BOTH), date(2026, 6, 15))
    assert (moved.first_day, moved.ears, moved.phases) == (date(2026, 6, 10), Ears.BOTH, (TWICE_A_DAY,))
    with pytest.raises(ValueError, match="at least 1 day"):
        first_day_before(0, date(2026, 6, 15))
