"""Calendar items of a course, and what a change does to sequence and stamp."""

# Wall times are naive on purpose.
# ruff: noqa: DTZ001
from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.calendar_item import (
    CalendarItem,
    ItemKind,
    ItemState,
    Recurrence,
    item_from,
    item_record,
    items_of_course,
    revise,
)
from service.domain.contact import Rhythm
from service.domain.course import doses
from service.domain.pack import Moment, Phase, Purpose
from service.domain.plan import Course
from service.domain.visit import Ears
from service.domain.wall_clock import exists, repeated, to_instant

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
LATER = NOW + timedelta(hours=5)
SEED = UUID("6f1c9c1e-3f0a-4c1b-9d57-0d2b6a4f9e11")
LONDON = ZoneInfo("Europe/London")
WORDS = {moment: (f"Reminder ({moment})", "Open your page for today.") for moment in Moment}
APPOINTMENT = CalendarItem(
    key="appointment/7",
    kind=ItemKind.APPOINTMENT,
    start=datetime(2026, 4, 20, 9, 30),
    zone="Europe/London",
    title="Clinic visit",
    description="Bring your glasses.",
    duration=20,
    alarm=1440,
)


def course(*phases: Phase, first_day: date, alternate: bool = False) -> Course:
    """A course of invented drops for both ears."""
    return Course(
        agent="oil",
        purpose=Purpose.SOFTEN,
        regimen="usual",
        ears=Ears.BOTH,
        drops=3,
        lie_minutes=5,
        phases=phases,
        first_day=first_day,
        alternate=alternate,
    )


def test_a_course_is_one_recurring_item_for_each_phase_and_moment() -> None:
    asked = course(
        Phase(days=5, moments=(Moment.MORNING, Moment.BEDTIME)),
        Phase(days=8, every=3, moments=(Moment.EVENING,)),
        Phase(days=1, moments=(Moment.EVENING,)),
        first_day=date(2026, 6, 1),
        alternate=True,
    )
    items = items_of_course(asked, Rhythm(), LONDON, key="plan/1/oil", words=WORDS)
    assert [(item.key, item.start, item.recurrence) for item in items] == [
        ("plan/1/oil/0/morning", datetime(2026, 6, 1, 8, 0), Recurrence(every=1, count=5)),
        ("plan/1/oil/0/bedtime", datetime(2026, 6, 1, 21, 30), Recurrence(every=1, count=5)),
        ("plan/1/oil/1/evening", datetime(2026, 6, 6, 18, 0), Recurrence(every=3, count=3)),
        ("plan/1/oil/2/evening", datetime(2026, 6, 14, 18, 0), None),
    ]
    assert {item.kind for item in items} == {ItemKind.DOSE}
    assert items[0].title == "Reminder (morning)"


def test_an_item_whose_time_is_skipped_once_becomes_single_items_with_the_moved_time() -> None:
    """RFC 5545 section 3.3.10 reads a recurring time in a gap in two ways, so no such rule is given out."""
    asked = course(Phase(days=3, moments=(Moment.MORNING, Moment.EVENING)), first_day=date(2026, 3, 28))
    items = items_of_course(asked, Rhythm(morning=time(1, 30)), LONDON, key="c", words=WORDS)
    assert [(item.key, item.start, item.recurrence) for item in items] == [
        ("c/0/morning/0", datetime(2026, 3, 28, 1, 30), None),
        ("c/0/morning/1", datetime(2026, 3, 29, 2, 30), None),
        ("c/0/morning/2", datetime(2026, 3, 30, 1, 30), None),
        ("c/0/evening", datetime(2026, 3, 28, 18, 0), Recurrence(every=1, count=3)),
    ]


def test_an_item_whose_time_comes_twice_becomes_single_items() -> None:
    """RFC 5545 section 3.3.5 means the first of the two; not every reader does, so no rule is given out for it."""
    asked = course(Phase(days=2, moments=(Moment.MORNING,)), first_day=date(2026, 10, 24))
    items = items_of_course(asked, Rhythm(morning=time(1, 30)), LONDON, key="c", words=WORDS)
    assert [(item.start, item.recurrence) for item in items] == [
        (datetime(2026, 10, 24, 1, 30), None),
        (datetime(2026, 10, 25, 1, 30), None),
    ]


def test_a_moved_time_that_meets_another_dose_leaves_no_hole_in_a_recurring_item() -> None:
    """01:30 moves onto 02:30: the earlier moment has single items for the days around, the later one recurs."""
    asked = course(Phase(days=3, moments=(Moment.MORNING, Moment.MIDDAY)), first_day=date(2026, 3, 28))
    rhythm = Rhythm(morning=time(1, 30), midday=time(2, 30))
    items = items_of_course(asked, rhythm, LONDON, key="c", words=WORDS)
    assert [(item.key, item.recurrence) for item in items] == [
        ("c/0/morning/0", None),
        ("c/0/morning/2", None),
        ("c/0/midday", Recurrence(every=1, count=3)),
    ]


@given(
    zone=st.sampled_from(["Europe/London", "America/New_York", "Australia/Lord_Howe", "Africa/Cairo", "Pacific/Apia"]),
    first_day=st.one_of(st.dates(date(2026, 1, 1), date(2027, 12, 31)), st.dates(date(2011, 12, 20), date(2012, 1, 5))),
    days=st.integers(1, 30),
    every=st.integers(1, 4),
    minutes=st.lists(st.integers(0, 1439), min_size=4, max_size=4, unique=True).map(sorted),
    start=st.integers(-3, 40),
    length=st.integers(0, 60),
)
def test_the_occurrences_of_the_items_are_the_doses(
    zone: str, first_day: date, days: int, every: int, minutes: list[int], start: int, length: int
) -> None:
    """Whatever is cut off on either side; and every recurring time comes once on each of its days."""
    place = ZoneInfo(zone)
    rhythm = Rhythm(
        **dict(zip((moment.value for moment in Moment), (time(m // 60, m % 60) for m in minutes), strict=True))
    )
    asked = course(Phase(days=days, every=every, moments=tuple(Moment)), first_day=first_day)
    not_before = datetime.combine(first_day, time(12), tzinfo=UTC) + timedelta(days=start)
    bounds: dict[str, Any] = {"not_before": not_before, "not_after": not_before + timedelta(days=length)}
    found: list[datetime] = []
    for item in items_of_course(asked, rhythm, place, key="c", words=WORDS, **bounds):
        count, step = (item.recurrence.count, item.recurrence.every) if item.recurrence else (1, 1)
        for number in range(count):
            assert isinstance(item.start, datetime)
            wall = item.start + timedelta(days=number * step)
            assert exists(wall, place)
            assert not (item.recurrence and repeated(wall, place))
            found.append(to_instant(wall, place))
    assert sorted(found) == [dose.at for dose in doses(asked, rhythm, place, **bounds)]


def test_a_new_item_starts_at_sequence_0_with_a_uid_that_tells_nothing() -> None:
    """RFC 5545 sections 3.8.7.4 and 3.8.4.7; RFC 7986 section 5.3 (a UUID, no host, no personal data)."""
    states, changed = revise({}, [APPOINTMENT], now=NOW, seed=SEED)
    state = states[APPOINTMENT.key]
    assert (state.sequence, state.stamp, state.uid.version) == (0, NOW, 5)
    assert changed == (state,)
    again, _ = revise({}, [APPOINTMENT], now=LATER, seed=SEED)
    assert again[APPOINTMENT.key].uid == state.uid
    other_person, _ = revise({}, [APPOINTMENT], now=NOW, seed=UUID(int=7))
    assert other_person[APPOINTMENT.key].uid != state.uid


def test_items_of_one_person_never_share_a_uid() -> None:
    items = [replace(APPOINTMENT, key=f"appointment/{number}") for number in range(200)]
    states, _ = revise({}, items, now=NOW, seed=SEED)
    assert len({state.uid for state in states.values()}) == 200


RECURRING = replace(APPOINTMENT, recurrence=Recurrence(every=1, count=5))


@pytest.mark.parametrize(
    ("before", "change", "raised"),
    [
        (APPOINTMENT, {"start": datetime(2026, 4, 21, 9, 30)}, 1),  # DTSTART
        (APPOINTMENT, {"start": date(2026, 4, 20), "duration": 0}, 1),  # DTSTART, now a date
        (APPOINTMENT, {"zone": "Europe/Dublin"}, 1),  # DTSTART, by its TZID
        (APPOINTMENT, {"duration": 30}, 1),  # DURATION
        (APPOINTMENT, {"recurrence": Recurrence(every=1, count=2)}, 1),  # RRULE, added
        (RECURRING, {"recurrence": Recurrence(every=1, count=4)}, 1),  # RRULE, another count
        (RECURRING, {"recurrence": None}, 1),  # RRULE, removed
        (APPOINTMENT, {"cancelled": True}, 1),  # STATUS
        (replace(APPOINTMENT, cancelled=True), {"cancelled": False}, 1),  # STATUS, back
        (APPOINTMENT, {"start": datetime(2026, 4, 21, 9, 30), "duration": 30}, 1),  # two at once are one revision
        (APPOINTMENT, {"title": "Visit to the clinic"}, 0),  # SUMMARY
        (APPOINTMENT, {"description": "Bring your glasses, please."}, 0),  # DESCRIPTION
        (APPOINTMENT, {"location": "1 Larkfield Lane"}, 0),  # where it is
        (APPOINTMENT, {"alarm": None}, 0),  # the alarm is the reader's own
    ],
)
def test_the_sequence_rises_with_a_significant_change_only(
    before: CalendarItem, change: dict[str, Any], raised: int
) -> None:
    """RFC 5546 section 2.1.4: DTSTART, DURATION, RRULE and STATUS raise SEQUENCE; a mere mending of words need not."""
    first, _ = revise({}, [before], now=NOW, seed=SEED)
    second, changed = revise(first, [replace(before, **change)], now=LATER, seed=SEED)
    old, new = first[before.key], second[before.key]
    assert new.sequence == old.sequence + raised
    assert (new.uid, new.stamp) == (old.uid, LATER)
    assert new.digest != old.digest
    assert changed == (new,)


def test_giving_out_the_same_calendar_again_changes_nothing() -> None:
    first, _ = revise({}, [APPOINTMENT], now=NOW, seed=SEED)
    second, changed = revise(first, [replace(APPOINTMENT)], now=LATER, seed=SEED)
    assert second == first
    assert second[APPOINTMENT.key].digest == first[APPOINTMENT.key].digest
    assert changed == ()


def test_an_item_that_vanished_is_cancelled_once_and_can_come_back() -> None:
    """RFC 5546 section 3.2.5: cancelling raises SEQUENCE."""
    first, _ = revise({}, [APPOINTMENT], now=NOW, seed=SEED)
    gone, changed = revise(first, [], now=LATER, seed=SEED)
    state = gone[APPOINTMENT.key]
    assert (state.item.cancelled, state.sequence, changed) == (True, 1, (state,))
    assert revise(gone, [], now=LATER + timedelta(days=1), seed=SEED) == (gone, ())
    back, _ = revise(gone, [APPOINTMENT], now=LATER + timedelta(days=2), seed=SEED)
    assert (back[APPOINTMENT.key].item.cancelled, back[APPOINTMENT.key].sequence) == (False, 2)
    assert back[APPOINTMENT.key].uid == state.uid


def test_a_later_revision_has_a_later_stamp_even_when_the_clock_stands_or_goes_back() -> None:
    """RFC 5546 section 2.1.5: of two with one SEQUENCE the later DTSTAMP wins, and it counts whole seconds."""
    first, _ = revise({}, [APPOINTMENT], now=NOW + timedelta(milliseconds=300), seed=SEED)
    for now in (NOW, NOW - timedelta(days=1)):
        second, _ = revise(first, [replace(APPOINTMENT, title="Visit")], now=now, seed=SEED)
        assert second[APPOINTMENT.key].stamp == NOW + timedelta(seconds=1)


items_strategy = st.builds(
    CalendarItem,
    key=st.sampled_from(["a", "b", "c"]),
    kind=st.sampled_from(ItemKind),
    start=st.sampled_from([datetime(2026, 4, 20, 9, 30), datetime(2026, 4, 21, 9, 30)]),
    zone=st.sampled_from(["Europe/London", "Europe/Dublin"]),
    title=st.sampled_from(["Visit", "Reminder"]),
    duration=st.sampled_from([15, 20]),
    recurrence=st.sampled_from([None, Recurrence(every=1, count=5), Recurrence(every=2, count=5)]),
    alarm=st.sampled_from([None, 0, 60]),
    cancelled=st.booleans(),
)
calendars = st.lists(items_strategy, max_size=3, unique_by=lambda item: item.key)


@given(st.lists(st.tuples(calendars, st.integers(-5, 86_400)), min_size=1, max_size=6))
def test_through_any_history_no_sequence_falls_no_stamp_goes_back_and_no_uid_changes(
    history: list[tuple[list[CalendarItem], int]],
) -> None:
    states: dict[str, ItemState] = {}
    now = NOW
    for items, seconds in history:
        now += timedelta(seconds=seconds)
        revised, changed = revise(states, items, now=now, seed=SEED)
        assert revise(revised, items, now=now + timedelta(days=1), seed=SEED) == (revised, ())
        assert set(states) <= set(revised)
        for key, before in states.items():
            after = revised[key]
            assert after.uid == before.uid
            assert (after.sequence, after.stamp) >= (before.sequence, before.stamp)
            assert after.stamp >= before.stamp
            assert (after in changed) == (after != before)
            assert (after.sequence > before.sequence) == (after.item.timing != before.item.timing)
        assert all(revised[item.key].item == item for item in items)
        assert all(state.item.cancelled for key, state in revised.items() if key not in {item.key for item in items})
        states = revised


def test_two_items_with_one_key_are_refused() -> None:
    with pytest.raises(ValueError, match="share the key appointment/7"):
        revise({}, [APPOINTMENT, APPOINTMENT], now=NOW, seed=SEED)


@pytest.mark.parametrize(
    "item",
    [
        APPOINTMENT,
        RECURRING,
        replace(APPOINTMENT, start=date(2026, 4, 20), duration=0),
        replace(APPOINTMENT, location="Larkfield Ear Care, 1 Larkfield Lane"),
    ],
)
def test_an_item_kept_as_json_comes_back_the_same_after_a_restart(item: CalendarItem) -> None:
    assert item_from(json.loads(json.dumps(item_record(item)))) == item


def test_an_item_that_was_kept_before_items_had_a_place_is_read_and_has_none() -> None:
    record = {
        "key": "appointment/7", "kind": "appointment", "start": "2026-04-20T09:30:00", "zone": "Europe/London",
        "title": "Clinic visit", "description": "Bring your glasses.", "duration": 20, "every": None, "count": None,
        "alarm": 1440, "cancelled": False,
    }  # fmt: skip
    assert item_from(record) == APPOINTMENT
    assert APPOINTMENT.location == ""


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"key": ""}, "needs a key"),
        ({"title": "  "}, "needs a key and a title"),
        ({"start": datetime(2026, 4, 20, 9, 30, tzinfo=UTC)}, "naive local time"),
        ({"duration": 0}, "at least 1 minute"),
        ({"start": date(2026, 4, 20)}, "all-day item has duration 0"),
        ({"alarm": -1}, "0 or more minutes"),
    ],
)
def test_an_impossible_item_cannot_be_made(wrong: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        replace(APPOINTMENT, **wrong)


@pytest.mark.parametrize(("every", "count"), [(0, 5), (1, 1), (1, 0)])
def test_a_recurrence_has_a_step_and_at_least_two_occurrences(every: int, count: int) -> None:
    with pytest.raises(ValueError, match="recurrence"):
        Recurrence(every=every, count=count)
