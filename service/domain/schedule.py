"""Which messages a plan calls for, and when: local moments of the person's day, as instants with a last useful one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from itertools import groupby

from service.domain.contact import Channel, Contact, ReminderLevel
from service.domain.course import Dose, doses
from service.domain.message import DosePart, MessageKind, PlannedMessage
from service.domain.pack import Timing
from service.domain.plan import Course, Plan
from service.domain.recall import ask_on
from service.domain.sending import pick_channel
from service.domain.wall_clock import to_instant, zone_named


def lay_out(
    plan: Plan,
    contact: Contact,
    timing: Timing,
    *,
    given: datetime,
    appointment: tuple[date, time] | None = None,
    invitations: Sequence[tuple[str, date]] | None = None,
) -> tuple[PlannedMessage, ...]:
    """Every message of a plan given at the instant `given` (UTC), in order of their due moments.

    An urgent plan gives one message, at once. `appointment` is the booked local date and time, in the person's zone.
    `invitations` are the keys and days on which the plan's recall asks the person back (`domain/recall.py`); without a
    recall (None) there is one, at the usual time before the return.
    What goes to this person by letter stays useful for as long as a letter does. Raises ContactError when the contact's
    zone is unknown.
    """
    if plan.urgent:
        return (_at_once(MessageKind.URGENT, given, contact, timing),)
    found = [_at_once(MessageKind.PLAN_GIVEN, given, contact, timing)]
    found += dose_messages(plan.courses, contact, timing, given=given)
    check_in = datetime.combine(plan.on + timedelta(days=timing.check_in_days), contact.rhythm.at(timing.check_in_at))
    found.append(_at(MessageKind.CHECK_IN, "check-in", check_in, contact, timing))
    found += _course_ends(plan, contact, timing)
    if appointment is not None:
        found += _appointment_reminders(appointment, contact, timing)
    # A booking that comes too late for an ear does not take the place of its return.
    if plan.next_return is not None and (appointment is None or plan.latest_return < appointment[0]):
        if invitations is None:
            invitations = [("return-due", ask_on(plan.on, plan.next_return.on, timing.return_before_days))]
        found += [
            _at(MessageKind.RETURN_DUE, key, datetime.combine(day, contact.rhythm.morning), contact, timing)
            for key, day in invitations
        ]
    return tuple(sorted((m for m in found if m.due >= given), key=lambda message: (message.due, message.key)))


def dose_messages(
    courses: Iterable[Course], contact: Contact, timing: Timing, *, given: datetime
) -> list[PlannedMessage]:
    """The dose reminders of all courses: what falls on one moment is one message, for both ears together."""
    if contact.reminders is ReminderLevel.NONE:
        return []
    zone = zone_named(contact.zone)
    pairs: list[tuple[Dose, Course]] = [
        (dose, course) for course in courses for dose in doses(course, contact.rhythm, zone, not_before=given)
    ]
    pairs.sort(key=lambda pair: (pair[0].at, pair[1].ears.value))
    moments = [(wall, list(group)) for wall, group in groupby(pairs, key=lambda pair: pair[0].wall)]
    if contact.reminders is ReminderLevel.ONCE_A_DAY:
        moments = [next(day) for _, day in groupby(moments, key=lambda moment: moment[0].date())]
    found = []
    for number, (wall, group) in enumerate(moments):
        planned = _at(MessageKind.DOSE, f"dose/{wall:%Y-%m-%dT%H:%M}", wall, contact, timing)
        limit = planned.last_useful
        if number + 1 < len(moments):
            limit = min(limit, to_instant(moments[number + 1][0], zone))  # the next reminder says it better
        parts = tuple(DosePart(agent=c.agent, ears=dose.ears, drops=c.drops) for dose, c in group)
        found.append(replace(planned, last_useful=limit, parts=parts))
    return found


def _course_ends(plan: Plan, contact: Contact, timing: Timing) -> list[PlannedMessage]:
    """One closing message the morning after each day on which a course ends."""
    days = sorted({course.first_day + timedelta(days=course.days) for course in plan.courses})
    return [
        _at(
            MessageKind.COURSE_END,
            f"course-end/{day.isoformat()}",
            datetime.combine(day, contact.rhythm.morning),
            contact,
            timing,
        )
        for day in days
    ]


def _appointment_reminders(appointment: tuple[date, time], contact: Contact, timing: Timing) -> list[PlannedMessage]:
    """One on each of the days before; by letter only while the post still brings it in time."""
    day = appointment[0]
    found = [
        _at(
            MessageKind.APPOINTMENT,
            f"appointment/{day.isoformat()}/{before}",
            datetime.combine(day - timedelta(days=before), contact.rhythm.morning),
            contact,
            timing,
        )
        for before in timing.appointment_before_days
    ]
    if not _by_letter(MessageKind.APPOINTMENT, contact):
        return found
    last_post = to_instant(
        datetime.combine(day - timedelta(days=timing.post_days), contact.rhythm.morning), zone_named(contact.zone)
    )
    return [replace(each, last_useful=min(each.last_useful, last_post)) for each in found if each.due <= last_post]


def _at(kind: MessageKind, key: str, wall: datetime, contact: Contact, timing: Timing) -> PlannedMessage:
    zone = zone_named(contact.zone)
    due = to_instant(wall, zone)
    return PlannedMessage(
        key=key,
        kind=kind,
        due=due,
        earliest=due,
        last_useful=due + _useful(kind, contact, timing),
        wall=wall.isoformat(timespec="minutes"),
        zone=zone.key,
    )


def _at_once(kind: MessageKind, given: datetime, contact: Contact, timing: Timing) -> PlannedMessage:
    zone = zone_named(contact.zone)
    return PlannedMessage(
        key=kind.value,
        kind=kind,
        due=given,
        earliest=given,
        last_useful=given + _useful(kind, contact, timing),
        wall=given.astimezone(zone).replace(tzinfo=None).isoformat(timespec="minutes"),
        zone=zone.key,
    )


def _useful(kind: MessageKind, contact: Contact, timing: Timing) -> timedelta:
    minutes = timing.useful_minutes_by_letter if _by_letter(kind, contact) else timing.useful_minutes
    return timedelta(minutes=minutes[kind.value])


def _by_letter(kind: MessageKind, contact: Contact) -> bool:
    return pick_channel(kind, contact) is Channel.LETTER
