"""Softening before an appointment that is booked, moved or cancelled after the plan was given: where does it stand now?

A course that has not begun counts back from the new date, as it did when the plan was given. One that has begun is
never begun again by the service: that would be more doses than the regimen has, so a person decides.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from service.domain.contact import Rhythm
from service.domain.course import doses
from service.domain.instil import redosed, shortened, supplies_for
from service.domain.pack import Pack, Phase, Purpose
from service.domain.plan import Course, Plan, Supply


class Follows(StrEnum):
    """What became of a course when its appointment changed."""

    SAME = "same"
    MOVED = "moved"
    SHORTENED = "shortened"  # as many days as are left, from today on
    NO_DAY_LEFT = "no-day-left"  # the appointment is too near for any of it
    STOPPED = "stopped"  # the appointment is cancelled, and no dose was due yet
    BROKEN_OFF = "broken-off"  # the same, with doses behind it
    BEGUN = "begun"  # it stays as it was, and no longer ends the day before the appointment


ASKS = frozenset({Follows.NO_DAY_LEFT, Follows.BROKEN_OFF, Follows.BEGUN})
"""Where a clinician has to decide about the drops."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """One softening course as it stands. `step` is its place among the steps of the plan as given; `course` is how it
    was laid last, at the instant `laid`; since `stopped` (both UTC) it is not followed."""

    step: int
    course: Course
    laid: datetime
    stopped: datetime | None = None


def begun(followed: Followed, rhythm: Rhythm, zone: ZoneInfo, now: datetime) -> bool:
    """Whether a dose of the course was due while it was followed."""
    until = followed.stopped or now
    found = doses(followed.course, rhythm, zone, not_before=followed.laid, not_after=until + timedelta(microseconds=1))
    return bool(found)


def follow(
    before: Followed, full: tuple[Phase, ...], booked: date | None, *, begun: bool, now: datetime, today: date
) -> tuple[Followed, Follows]:
    """The course after its appointment is booked for another day, or cancelled (None); `today` and `booked` are local
    dates of the clinic. `full` are the phases of the whole regimen.

    The first day and the length are as when a plan is given (`instil`): it ends the day before the appointment, and
    where that is too near, as many days of the regimen as are left begin today.
    """
    course = before.course
    end = course.first_day + timedelta(days=course.days)
    if booked is None:
        if before.stopped is not None or (begun and end <= today):
            return before, Follows.SAME
        return replace(before, stopped=now), Follows.BROKEN_OFF if begun else Follows.STOPPED
    if begun:
        return replace(before, stopped=None), Follows.SAME if end == booked else Follows.BEGUN
    length = sum(phase.days for phase in full)
    left = (booked - today).days
    if left < 1:
        return replace(before, stopped=before.stopped or now), Follows.NO_DAY_LEFT
    first = booked - timedelta(days=length) if left >= length else today
    moved = replace(course, first_day=first, phases=full if left >= length else shortened(full, left))
    if moved == course and before.stopped is None:
        return before, Follows.SAME
    why = Follows.MOVED if left >= length else Follows.SHORTENED
    return Followed(step=before.step, course=moved, laid=now), why


def full_phases(given: Course, visit_on: date, pack: Pack) -> tuple[Phase, ...]:
    """The phases of the whole regimen that a course was given by.

    A course that begins on the day of the visit may have been cut to the days that were left; its regimen then says
    the rest, if the content still has it as it was. Any other course is whole.
    """
    agent = pack.agents.get(given.agent)
    if given.first_day != visit_on or agent is None:
        return given.phases
    for regimen in agent.regimens.get(given.purpose, ()):
        if regimen.id == given.regimen and shortened(regimen.phases, given.days) == given.phases:
            return regimen.phases
    return given.phases


def softening(plan: Plan, given: datetime) -> tuple[Followed, ...]:
    """The softening courses of a plan as they were given at this instant."""
    return tuple(
        Followed(step=place, course=step.course, laid=given)
        for place, step in enumerate(plan.steps)
        if step.course is not None and step.course.purpose is Purpose.SOFTEN
    )


def numbered(plan: Plan, followed: Sequence[Followed]) -> tuple[tuple[int, Course], ...]:
    """The courses of a plan as they stand, each with its number among the courses as given, which never changes."""
    now = {each.step: each for each in followed}
    found = []
    places = (place for place, step in enumerate(plan.steps) if step.course is not None)
    for number, place in enumerate(places):
        course = _standing(plan, place, now)
        if course is not None:
            found.append((number, course))
    return tuple(found)


def _standing(plan: Plan, place: int, followed: Mapping[int, Followed]) -> Course | None:
    if place not in followed:
        return plan.steps[place].course
    return None if followed[place].stopped is not None else followed[place].course


def plan_following(plan: Plan, followed: Sequence[Followed], pack: Pack) -> Plan:
    """A plan as given, with its softening courses as they stand: steps, days and supplies agree. A step whose course
    is stopped is left out."""
    if not followed:
        return plan
    now = {each.step: each for each in followed}
    steps = []
    for place, step in enumerate(plan.steps):
        course = _standing(plan, place, now)
        if step.course is None:
            steps.append(step)
        elif course is not None:
            steps.append(redosed(step, course))
    changed = replace(plan, steps=tuple(steps))
    return replace(changed, supplies=_supplies(plan, changed.courses, pack))


def _supplies(plan: Plan, courses: tuple[Course, ...], pack: Pack) -> tuple[Supply, ...]:
    """What the courses need now; of an agent that the content no longer has, what was said when the plan was given."""
    needed = {course.agent for course in courses}
    counted = {each.agent: each for each in supplies_for(tuple(c for c in courses if c.agent in pack.agents), pack)}
    found = []
    for given in plan.supplies:
        if given.agent in needed:
            present = counted.get(given.agent, given)
            found.append(given if present.drops == given.drops else present)
    return tuple(found)
