"""Local times, clock changes and quiet hours, against published vectors and every property that must hold."""

# Wall times are naive on purpose.
# ruff: noqa: DTZ001
from __future__ import annotations

import json
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.wall_clock import (
    changes,
    exists,
    in_window,
    next_allowed,
    repeated,
    to_instant,
    to_wall,
    zone_named,
)
from service.errors import ContactError

# Source: see "source" and "checked_with" in the file (a second implementation of zone arithmetic, over tz 2025c).
DST = json.loads((Path(__file__).parents[1] / "data/vectors/dst.json").read_text(encoding="utf-8"))
TRANSITIONS = [(zone["zone"], transition) for zone in DST["zones"] for transition in zone["transitions"]]
GAPS = [(zone, transition) for zone, transition in TRANSITIONS if transition["kind"] == "gap"]
FOLDS = [(zone, transition) for zone, transition in TRANSITIONS if transition["kind"] == "fold"]


def name_of(value: object) -> str | None:
    """A readable name of one vector in a test's id."""
    return value["at_utc"] if isinstance(value, dict) else None


def utc(text: str) -> datetime:
    """The instant of "2026-03-29T01:30:00Z"."""
    return datetime.fromisoformat(text).astimezone(UTC)


@pytest.mark.parametrize(("zone", "transition"), TRANSITIONS, ids=name_of)
def test_a_local_time_at_a_clock_change_is_read_as_the_standard_says(zone: str, transition: dict[str, Any]) -> None:
    """RFC 5545 section 3.3.5; dst.json `resolve_compatible`."""
    expected = transition["resolve_compatible"]
    at = to_instant(datetime.fromisoformat(transition["example_wall"]), ZoneInfo(zone))
    assert at == utc(expected["utc"])
    assert at.tzinfo is UTC
    assert to_wall(at, ZoneInfo(zone)) == datetime.fromisoformat(expected["wall"])


@pytest.mark.parametrize(("zone", "transition"), GAPS, ids=name_of)
def test_a_skipped_local_time_does_not_exist_and_its_neighbours_do(zone: str, transition: dict[str, Any]) -> None:
    """dst.json `skipped_wall`."""
    first = datetime.fromisoformat(transition["skipped_wall"]["from_inclusive"])
    after = datetime.fromisoformat(transition["skipped_wall"]["to_exclusive"])
    minute = timedelta(minutes=1)
    found = [exists(wall, ZoneInfo(zone)) for wall in (first - minute, first, after - minute, after)]
    assert found == [True, False, False, True]
    assert not repeated(first, ZoneInfo(zone))


@pytest.mark.parametrize(("zone", "transition"), FOLDS, ids=name_of)
def test_a_local_time_that_comes_twice_is_known_as_such_and_its_neighbours_not(
    zone: str, transition: dict[str, Any]
) -> None:
    """dst.json `repeated_wall`."""
    first = datetime.fromisoformat(transition["repeated_wall"]["from_inclusive"])
    after = datetime.fromisoformat(transition["repeated_wall"]["to_exclusive"])
    minute = timedelta(minutes=1)
    walls = (first - minute, first, after - minute, after)
    assert [repeated(wall, ZoneInfo(zone)) for wall in walls] == [False, True, True, False]
    assert all(exists(wall, ZoneInfo(zone)) for wall in walls)


@pytest.mark.parametrize("zone", DST["zones"], ids=lambda zone: zone["zone"])
def test_the_clock_changes_of_a_zone_are_found_to_the_second(zone: dict[str, Any]) -> None:
    """dst.json `at_utc`: every change of 2026 and 2027."""
    found = list(changes(ZoneInfo(zone["zone"]), datetime(2026, 1, 1, tzinfo=UTC), datetime(2028, 1, 1, tzinfo=UTC)))
    assert found == [utc(transition["at_utc"]) for transition in zone["transitions"]]


def test_a_search_that_begins_or_ends_within_a_second_of_a_change_finds_it_once() -> None:
    zone, change = ZoneInfo("Europe/London"), datetime(2026, 3, 29, 1, tzinfo=UTC)
    half = timedelta(milliseconds=500)
    assert list(changes(zone, change - half, change + half)) == [change]
    assert list(changes(zone, change - timedelta(days=1, milliseconds=700), change + half)) == [change]
    assert list(changes(zone, change, change + timedelta(days=9))) == []


@pytest.mark.parametrize("reminder", DST["relative_reminders"], ids=lambda reminder: reminder["appointment_utc"])
def test_a_day_before_is_the_same_clock_time_and_24_hours_before_is_not(reminder: dict[str, str]) -> None:
    """RFC 5545 section 3.3.6 (days are nominal, hours exact); dst.json `relative_reminders`."""
    zone, wall = ZoneInfo(reminder["zone"]), datetime.fromisoformat(reminder["appointment_wall"])
    at = to_instant(wall, zone)
    assert at == utc(reminder["appointment_utc"])
    assert to_instant(wall - timedelta(days=1), zone) == utc(reminder["minus_1_calendar_day_utc"])
    assert to_wall(at - timedelta(hours=24), zone) == datetime.fromisoformat(reminder["minus_24_elapsed_hours_wall"])


def test_the_two_examples_of_the_calendar_standard_hold() -> None:
    """RFC 5545 section 3.3.5: 1:30 on the night of 4 November 2007 is EDT; 2:30 on 11 March 2007 is 3:30 EDT."""
    new_york = ZoneInfo("America/New_York")
    assert to_instant(datetime(2007, 11, 4, 1, 30), new_york) == datetime(2007, 11, 4, 5, 30, tzinfo=UTC)
    assert to_instant(datetime(2007, 3, 11, 2, 30), new_york) == datetime(2007, 3, 11, 7, 30, tzinfo=UTC)


def test_a_zone_that_skipped_a_whole_day_moves_its_times_by_a_day() -> None:
    """Samoa had no 30 December 2011 (IANA time zone database, file australasia)."""
    apia = ZoneInfo("Pacific/Apia")
    assert not exists(datetime(2011, 12, 30, 9), apia)
    assert to_wall(to_instant(datetime(2011, 12, 30, 9), apia), apia) == datetime(2011, 12, 31, 9)
    assert exists(datetime(2011, 12, 31, 9), apia)


def test_a_wall_time_with_a_zone_and_an_instant_without_one_are_refused() -> None:
    with pytest.raises(ValueError, match="naive"):
        to_instant(datetime(2026, 1, 1, tzinfo=UTC), ZoneInfo("Europe/London"))
    with pytest.raises(ValueError, match="aware"):
        to_wall(datetime(2026, 1, 1), ZoneInfo("Europe/London"))


def test_a_zone_is_found_by_its_name() -> None:
    assert zone_named("Australia/Lord_Howe").key == "Australia/Lord_Howe"


@pytest.mark.parametrize(
    "name",
    [
        "Europe/Lodnon",  # a slip of the fingers
        "",  # nothing
        "Europe",  # a folder of the zone data
        "../etc/passwd",  # no zone, but a path
        "right/Europe/London",  # counts leap seconds, 27 s off
        "localtime",  # means something else on every computer
        "+01:00",  # an offset knows no clock changes
    ],
)
def test_an_unknown_zone_is_refused_in_one_clear_sentence(name: str) -> None:
    with pytest.raises(ContactError, match=r"^zone: .* is not a known time zone; choose one by its city") as caught:
        zone_named(name)
    assert caught.value.field == "zone"


NIGHT = (time(22), time(7))


@pytest.mark.parametrize(
    ("local", "window", "inside"),
    [
        (time(21, 59, 59), NIGHT, False),
        (time(22), NIGHT, True),  # the start belongs to it
        (time(23, 59, 59, 999999), NIGHT, True),
        (time(0), NIGHT, True),
        (time(6, 59, 59), NIGHT, True),
        (time(7), NIGHT, False),  # the end does not
        (time(13), (time(12), time(14)), True),  # a window within one day
        (time(14), (time(12), time(14)), False),
        (time(23), (time(22), time(0)), True),  # to midnight
        (time(0), (time(22), time(0)), False),
        (time(9), (time(9), time(9)), False),  # equal ends: no quiet hours
    ],
)
def test_a_clock_time_lies_in_a_window_or_not(local: time, window: tuple[time, time], inside: bool) -> None:
    assert in_window(local, *window) is inside


@pytest.mark.parametrize(
    ("zone", "instant", "window", "expected"),
    [
        # In the day nothing is held.
        ("Europe/London", "2026-06-01T12:00:00Z", NIGHT, "2026-06-01T12:00:00Z"),
        # 23:00 BST waits until 07:00 BST of the next day; 03:00 BST until 07:00 of the same.
        ("Europe/London", "2026-06-01T22:00:00Z", NIGHT, "2026-06-02T06:00:00Z"),
        ("Europe/London", "2026-06-02T02:00:00Z", NIGHT, "2026-06-02T06:00:00Z"),
        # The night of the gap is an hour shorter, the night of the fold an hour longer.
        ("Europe/London", "2026-03-28T22:30:00Z", NIGHT, "2026-03-29T06:00:00Z"),
        ("Europe/London", "2026-10-24T21:30:00Z", NIGHT, "2026-10-25T07:00:00Z"),
        # Quiet until 01:30, which is skipped: the clock shows 02:00 right after 00:59:59, and that is allowed.
        ("Europe/London", "2026-03-29T00:10:00Z", (time(22), time(1, 30)), "2026-03-29T01:00:00Z"),
        # Quiet until 01:30, which comes twice: the first 01:30 is allowed ...
        ("Europe/London", "2026-10-25T00:10:00Z", (time(22), time(1, 30)), "2026-10-25T00:30:00Z"),
        # ... and 01:10 come again is quiet again, until the second 01:30.
        ("Europe/London", "2026-10-25T01:10:00Z", (time(22), time(1, 30)), "2026-10-25T01:30:00Z"),
        # Half an hour's change.
        ("Australia/Lord_Howe", "2026-10-03T12:00:00Z", NIGHT, "2026-10-03T20:00:00Z"),
        # Quiet all of a day that was skipped: 29 December 23:00 waits until 31 December 07:00, eight hours later.
        ("Pacific/Apia", "2011-12-30T09:00:00Z", NIGHT, "2011-12-30T17:00:00Z"),
        # No quiet hours.
        ("Europe/London", "2026-06-01T22:00:00Z", (time(9), time(9)), "2026-06-01T22:00:00Z"),
    ],
)
def test_what_falls_in_quiet_hours_waits_for_their_end(
    zone: str, instant: str, window: tuple[time, time], expected: str
) -> None:
    """Worked by hand from the offsets of the IANA time zone database."""
    assert next_allowed(utc(instant), ZoneInfo(zone), *window) == utc(expected)


ZONES = [
    "Europe/London",
    "Europe/Dublin",
    "America/New_York",
    "America/St_Johns",
    "America/Sao_Paulo",
    "Africa/Cairo",
    "Africa/Casablanca",
    "Asia/Kathmandu",
    "Asia/Gaza",
    "Australia/Lord_Howe",
    "Pacific/Apia",
    "Pacific/Chatham",
    "Antarctica/Troll",
]
CHANGES = {
    name: list(changes(ZoneInfo(name), datetime(2011, 1, 1, tzinfo=UTC), datetime(2031, 1, 1, tzinfo=UTC))) or None
    for name in ZONES
}


@st.composite
def instants_near_changes(draw: st.DrawFn) -> tuple[ZoneInfo, datetime]:
    """A zone and an instant within two days of one of its clock changes, or any instant where there is none."""
    name = draw(st.sampled_from(ZONES))
    middle = draw(st.sampled_from(CHANGES[name] or [datetime(2026, 6, 1, tzinfo=UTC)]))
    return ZoneInfo(name), middle + timedelta(seconds=draw(st.integers(-172_800, 172_800)))


clock_times = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30, 45, 59]))


@given(instants_near_changes(), clock_times, clock_times, st.integers(0, 999))
@settings(max_examples=400, deadline=None)
def test_quiet_hours_end_at_the_first_moment_outside_them(
    place: tuple[ZoneInfo, datetime], quiet_from: time, quiet_to: time, share: int
) -> None:
    """Never inside the window, never earlier than asked, never later than need be; asking again changes nothing."""
    zone, instant = place
    at = next_allowed(instant, zone, quiet_from, quiet_to)
    assert at >= instant
    assert not in_window(to_wall(at, zone).time(), quiet_from, quiet_to)
    assert next_allowed(at, zone, quiet_from, quiet_to) == at
    if at > instant:
        between = instant + (at - instant) * share / 1000
        assert in_window(to_wall(between, zone).time(), quiet_from, quiet_to)


@given(instants_near_changes(), clock_times, clock_times, st.lists(st.integers(0, 86_400), min_size=2, max_size=5))
@settings(max_examples=150, deadline=None)
def test_what_was_due_earlier_is_never_allowed_later(
    place: tuple[ZoneInfo, datetime], quiet_from: time, quiet_to: time, seconds: list[int]
) -> None:
    zone, instant = place
    due = sorted(instant + timedelta(seconds=more) for more in seconds)
    allowed = [next_allowed(at, zone, quiet_from, quiet_to) for at in due]
    assert all(earlier <= later for earlier, later in pairwise(allowed))
