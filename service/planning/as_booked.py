"""A plan as it stands with its appointment: what reminders, page, calendar and sheet show.

The plan in the record stays frozen as it was given. When its appointment is booked, moved or cancelled later, the
softening before it follows, and where it stands is kept beside the plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from service.domain.contact import Contact
from service.domain.course_moved import (
    ASKS,
    Followed,
    Follows,
    begun,
    follow,
    full_phases,
    numbered,
    plan_following,
    softening,
)
from service.domain.pack import Pack
from service.domain.plan import Course, Plan
from service.domain.wall_clock import zone_named
from service.planning.attention import SOFTEN_AGAIN
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork


def plan_as_booked(pack: Pack, stored: StoredPlan) -> Plan:
    """The plan with its softening courses where they stand now. Everything that is said or counted of a stored plan
    takes this one; only the record shows the plan as given."""
    return plan_following(stored.plan, stored.followed, pack)


def as_booked(pack: Pack, stored: StoredPlan) -> StoredPlan:
    """The stored plan with that in the place of the plan as given; doing it twice changes nothing."""
    return replace(stored, plan=plan_as_booked(pack, stored), followed=())


def courses_numbered(stored: StoredPlan) -> tuple[tuple[int, Course], ...]:
    """The courses where they stand, each with the number that calendars know it by."""
    return numbered(stored.plan, stored.followed)


def follow_softening_in(
    services: Services, work: UnitOfWork, changed: StoredPlan, contact: Contact, by: str, now: datetime
) -> StoredPlan:
    """The softening of a plan follows its appointment, which was just changed; returns the plan with where it stands.

    A course that was given without any appointment stays as it is: it began with the visit. Where drops have begun, or
    no day is left for them, the attention list asks.
    """
    visit = work.plans.visit_of(changed)
    if visit.next_appointment is None:
        return changed
    before = changed.followed or softening(changed.plan, changed.given)
    zone = zone_named(contact.zone)
    today = services.day_of(now)
    booked = changed.appointment[0] if changed.appointment is not None else None
    after: list[Followed] = []
    reasons: list[Follows] = []
    for each in before:
        given = changed.plan.steps[each.step].course
        if given is None:
            raise LookupError("a step that had a course has none")
        followed, why = follow(
            each,
            full_phases(given, visit.on, services.pack),
            booked,
            begun=begun(each, contact.rhythm, zone, now),
            now=now,
            today=today,
        )
        after.append(followed)
        reasons.append(why)
        if why is not Follows.SAME:
            course = followed.course
            dates = {"first": course.first_day.isoformat(), "days": course.days}
            work.ledger.note(by, "softening-followed", changed.id, now, why=why.value, course=each.step, **dates)
    _ask(work, changed, after, reasons, now)
    if tuple(after) == before:
        return changed
    work.plans.follow(changed.id, tuple(after))
    return replace(changed, followed=tuple(after))


def _ask(
    work: UnitOfWork, changed: StoredPlan, after: Sequence[Followed], reasons: Sequence[Follows], now: datetime
) -> None:
    """One entry for both ears."""
    why = next((each for each in reasons if each in ASKS), None)
    if why is None:
        return
    course = after[reasons.index(why)].course
    booked = f"the appointment is now on {changed.booked[0]}" if changed.booked is not None else "it is cancelled"
    said = {
        Follows.NO_DAY_LEFT: f"{booked}, too near for the drops: say whether the ear can be seen without them",
        Follows.BROKEN_OFF: f"the drops before the appointment had begun on {course.first_day}, and {booked}: "
        "reminders of them stop; say whether they go on",
        Follows.BEGUN: f"the drops before the appointment began on {course.first_day} for {course.days} days, and "
        f"{booked}: say whether to soften again",
    }
    work.ledger.ask(changed.person_id, SOFTEN_AGAIN, now, detail=said[why])
