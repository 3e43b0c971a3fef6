"""Until when does a message help that falls back to a letter? Longer than its text would: a letter is read for days."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.domain.contact import Contact
from service.domain.message import MessageKind, PlannedMessage
from service.domain.pack import Timing
from service.domain.sending import appointment_day
from service.domain.wall_clock import to_instant, zone_named


def useful_by_letter(message: PlannedMessage, contact: Contact, timing: Timing) -> datetime | None:
    """Until when it is of use to put this message in the post (UTC); None where its own moment holds: its kind goes by
    no letter, or tells of an appointment at an hour that only the booking knows.

    A reminder of an appointment must be in the post `post_days` before, as if it had been planned as a letter; where
    that is over, the moment is the one that it was due, so that it goes no more.
    """
    minutes = timing.useful_minutes_by_letter.get(message.kind.value)
    if minutes is None or message.kind is MessageKind.BOOKING:
        return None
    until = message.due + timedelta(minutes=minutes)
    if message.kind is MessageKind.APPOINTMENT:
        last_day = appointment_day(message.key) - timedelta(days=timing.post_days)
        morning = datetime.combine(last_day, contact.rhythm.morning)
        until = min(until, to_instant(morning, zone_named(contact.zone)))
    return max(until, message.due)
