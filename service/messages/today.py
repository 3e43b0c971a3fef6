"""What is to do today, in the person's own day: the doses, which of them are done, and what comes next."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from itertools import groupby

from service.domain.contact import Contact
from service.domain.course import Dose, doses
from service.domain.message import DosePart
from service.domain.pack import Moment
from service.domain.plan import Course, Plan
from service.domain.wall_clock import to_wall, zone_named


class Stand(StrEnum):
    """Where the courses of a plan stand on one day."""

    NO_COURSE = "no-course"
    NOT_BEGUN = "not-begun"
    RUNNING = "running"
    OVER = "over"


@dataclass(frozen=True, slots=True, kw_only=True)
class TodayDose:
    """Everything that goes into the ears at one moment of the day.

    `wall` is the naive local time that the person's clock shows, `at` the same as an instant (UTC). `mark` is the
    stored mark that says it is done, or None.
    """

    wall: datetime
    at: datetime
    moment: Moment
    parts: tuple[DosePart, ...]
    mark: str | None = None

    @property
    def key(self) -> str:
        """What a mark of this dose is stored under: its local time."""
        return self.wall.isoformat(timespec="minutes")


@dataclass(frozen=True, slots=True, kw_only=True)
class Today:
    """One day of a plan. `on` is the local date; `next` the first dose of a later day; `paused_until` the last day of
    a pause of messages that holds today (the doses themselves do not pause)."""

    on: date
    stand: Stand
    doses: tuple[TodayDose, ...]
    next: TodayDose | None
    paused_until: date | None

    @property
    def all_done(self) -> bool:
        """Whether there was something to do today and all of it is marked as done."""
        return bool(self.doses) and all(dose.mark is not None for dose in self.doses)


def what_today(plan: Plan, contact: Contact, marks: Iterable[str], now: datetime, *, given: datetime) -> Today:
    """The day of `plan` that holds `now` where the person is.

    `marks` are the local times of the doses marked as done; `given` is when the plan was given (no dose is due before
    it). `now` and `given` are instants. Raises ContactError when the contact's zone is unknown.
    """
    on = to_wall(now, zone_named(contact.zone)).date()
    every = _moments(plan.courses, contact, given)
    of_today = [dose for dose in every if dose.wall.date() == on]
    later = [dose for dose in every if dose.wall.date() > on]
    return Today(
        on=on,
        stand=_stand(every, on),
        doses=_marked(of_today, marks, on),
        next=later[0] if later else None,
        paused_until=contact.paused_until if contact.paused_until and contact.paused_until >= on else None,
    )


def finished_courses(plan: Plan, contact: Contact, now: datetime, *, given: datetime) -> frozenset[int]:
    """The numbers of the courses, in the order of `Plan.courses`, whose last day is past where the person is.

    `now` and `given` are instants. Raises ContactError when the contact's zone is unknown.
    """
    zone = zone_named(contact.zone)
    on = to_wall(now, zone).date()
    found = set()
    for number, course in enumerate(plan.courses):
        last = max(
            (dose.wall.date() for dose in doses(course, contact.rhythm, zone, not_before=given)),
            default=course.first_day + timedelta(days=course.days - 1),
        )
        if on > last:
            found.add(number)
    return frozenset(found)


def _moments(courses: Iterable[Course], contact: Contact, given: datetime) -> list[TodayDose]:
    """What falls on one instant is one thing to do, whichever courses it comes from."""
    zone = zone_named(contact.zone)
    pairs: list[tuple[Dose, Course]] = [
        (dose, course) for course in courses for dose in doses(course, contact.rhythm, zone, not_before=given)
    ]
    pairs.sort(key=lambda pair: (pair[0].at, pair[1].ears.sides[0] != "right", pair[1].agent))
    found = []
    for at, group in groupby(pairs, key=lambda pair: pair[0].at):
        together = list(group)
        first = together[0][0]
        parts = tuple(DosePart(agent=course.agent, ears=dose.ears, drops=course.drops) for dose, course in together)
        found.append(TodayDose(wall=first.wall, at=at, moment=first.moment, parts=parts))
    return found


def _stand(every: list[TodayDose], on: date) -> Stand:
    if not every:
        return Stand.NO_COURSE
    if on < every[0].wall.date():
        return Stand.NOT_BEGUN
    return Stand.OVER if on > every[-1].wall.date() else Stand.RUNNING


def _marked(of_today: list[TodayDose], marks: Iterable[str], on: date) -> tuple[TodayDose, ...]:
    """Each dose with its mark. A mark whose time no dose has any more (the person moved their times or their zone
    after marking) belongs to the nearest dose of that day without one: what was done stays done."""
    left = sorted(mark for mark in marks if mark.startswith(on.isoformat()))
    found = {dose.key: dose.key for dose in of_today if dose.key in left}
    for mark in (each for each in left if each not in found):
        at = datetime.fromisoformat(mark)
        open_doses = [dose for dose in of_today if dose.key not in found]
        if open_doses:
            found[min(open_doses, key=lambda dose: abs(dose.wall - at)).key] = mark
    return tuple(replace(dose, mark=found.get(dose.key)) for dose in of_today)
