"""When each dose of a course falls: wall-clock times of the person's day, as instants.

Local wall-clock times survive every clock change. Source: RFC 5545 section 3.3.5: a local time that happens twice
means the first one; one that does not exist is read with the offset before the gap, so it moves forward.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.contact import Rhythm
from service.domain.pack import Moment
from service.domain.plan import Course
from service.domain.visit import Ears, Side
from service.domain.wall_clock import exists, to_instant, to_wall


@dataclass(frozen=True, slots=True, kw_only=True)
class Dose:
    """One moment of a course.

    `wall` is the naive local time that the person lives by, `at` the aware UTC instant, `number` counts from 1 in the
    course, `day` is the course day from 0. `ears` are those treated at this dose (they take turns when alternating).
    Where the person's usual time is skipped by a clock change, `wall` is the moved time that their clock shows.
    """

    wall: datetime
    at: datetime
    moment: Moment
    ears: Ears
    number: int
    day: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Slot:
    """A place for a dose in the course before clock changes: phase (from 0), course day (from 0), usual local time."""

    phase: int
    day: int
    moment: Moment
    wall: datetime
    ears: Ears


def slots(course: Course, rhythm: Rhythm) -> Iterator[Slot]:
    """Every place for a dose, in order: phase by phase, on every `every`-th day of the phase, at each moment."""
    starts, turn = 0, 0
    for index, phase in enumerate(course.phases):
        for day in range(starts, starts + phase.days, phase.every):
            on = course.first_day + timedelta(days=day)
            for moment in sorted(phase.moments, key=rhythm.at):
                wall = datetime.combine(on, rhythm.at(moment))
                yield Slot(phase=index, day=day, moment=moment, wall=wall, ears=_ears_on(course, turn))
            turn += 1
        starts += phase.days


def _ears_on(course: Course, turn: int) -> Ears:
    if not (course.alternate and course.ears is Ears.BOTH):
        return course.ears
    return Ears.of([Side.RIGHT if turn % 2 == 0 else Side.LEFT])


def timed_slots(
    course: Course,
    rhythm: Rhythm,
    zone: ZoneInfo,
    *,
    not_before: datetime | None = None,
    not_after: datetime | None = None,
) -> tuple[tuple[datetime, Slot], ...]:
    """The slots that become doses, each with its instant, in order of time.

    Left out: a slot before `not_before`, at or after `not_after`, or moved by a clock change onto another dose.
    """
    found: dict[datetime, Slot] = {}
    for slot in slots(course, rhythm):
        at = to_instant(slot.wall, zone)
        if (not_before is not None and at < not_before) or (not_after is not None and at >= not_after):
            continue
        # Of two at one instant, the one whose usual time exists is the real one; the other was pushed there.
        if at not in found or exists(slot.wall, zone):
            found[at] = slot
    return tuple(sorted(found.items(), key=lambda item: item[0]))


def doses(
    course: Course,
    rhythm: Rhythm,
    zone: ZoneInfo,
    *,
    not_before: datetime | None = None,
    not_after: datetime | None = None,
) -> tuple[Dose, ...]:
    """Every dose of a course, in order of time, numbered from 1; no two at one instant.

    Doses before `not_before` and doses at or after `not_after` (aware instants) are left out and not counted. When the
    ears alternate they keep the turns of the whole course, by dose day, right first, whatever is left out.
    """
    kept = timed_slots(course, rhythm, zone, not_before=not_before, not_after=not_after)
    return tuple(
        Dose(wall=to_wall(at, zone), at=at, moment=slot.moment, ears=slot.ears, number=number, day=slot.day)
        for number, (at, slot) in enumerate(kept, start=1)
    )


def total_drops(course: Course) -> int:
    """Drops that the whole course takes: every dose into every ear treated at it (one ear a day when alternating)."""
    ears = 1 if course.alternate else len(course.ears.sides)
    times = sum(len(range(0, phase.days, phase.every)) * len(phase.moments) for phase in course.phases)
    return times * ears * course.drops


def moments_in(courses: Iterable[Course]) -> int:
    """At how many moments these courses ask for a dose; both ears at one moment count once, as they are marked once."""
    found = set()
    for course in courses:
        start = course.first_day
        for phase in course.phases:
            days = [start + timedelta(days=number) for number in range(0, phase.days, phase.every)]
            found |= {(day, moment) for day in days for moment in phase.moments}
            start += timedelta(days=phase.days)
    return len(found)


def first_day_before(course_days: int, appointment: date) -> date:
    """The first day of a course of `course_days` days whose last day is the day before the appointment.

    The answer may lie in the past, when the appointment is nearer than the course is long.

    Raises:
        ValueError: when the course is shorter than one day.
    """
    if course_days < 1:
        raise ValueError("a course lasts at least 1 day")
    return appointment - timedelta(days=course_days)


def counted_back(course: Course, appointment: date) -> Course:
    """The same course, moved so that its last day is the day before the appointment (a local date)."""
    return replace(course, first_day=first_day_before(course.days, appointment))


def softening_before(
    course: Course,
    appointment_wall: datetime,
    rhythm: Rhythm,
    zone: ZoneInfo,
    *,
    now: datetime,
    clinic_zone: ZoneInfo | None = None,
) -> tuple[Dose, ...]:
    """The doses of a course counted back from an appointment; its own `first_day` is not used.

    `appointment_wall` is the naive local time at the clinic; `clinic_zone` is the clinic's zone where it differs from
    the person's `zone`. When the appointment is nearer than the course is long, the days that remain from `now` are
    given: the end of the course, not its beginning.
    """
    appointment = to_instant(appointment_wall, clinic_zone or zone)
    moved = counted_back(course, to_wall(appointment, zone).date())
    return doses(moved, rhythm, zone, not_before=now, not_after=appointment)
