"""How staff pages write moments, languages, reasons, kinds and channels: one short form for each, in English."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta

from babel import Locale, UnknownLocaleError
from babel.dates import format_datetime, format_skeleton
from flask import Blueprint, g

from service.domain.contact import Channel
from service.domain.message import MessageKind, State
from service.domain.sending import LABELS, Reason
from service.domain.wall_clock import zone_named
from service.messages.i18n import direction
from service.planning.outgoing import Way
from service.web import access
from service.web.app import the_services, the_settings
from service.web.reasons import ATTENTION

KINDS = {
    MessageKind.URGENT: "Urgent advice",
    MessageKind.PLAN_GIVEN: "The plan",
    MessageKind.DOSE: "Dose reminder",
    MessageKind.CHECK_IN: "Check-in",
    MessageKind.COURSE_END: "End of the drops",
    MessageKind.APPOINTMENT: "Appointment reminder",
    MessageKind.RETURN_DUE: "Invitation to come back",
    MessageKind.BOOKING: "News of an appointment",
    MessageKind.REPLY: "Automatic answer",
}
STATES = {
    State.PENDING: "waiting",
    State.CLAIMED: "being made ready",
    State.HANDING: "being handed over",
    State.SENT: "sent: taken for delivery, no receipt yet",
    State.DELIVERED: "delivered: a receipt says so",
    State.DROPPED: "not sent",
    State.FAILED: "failed",
    State.UNCERTAIN: "uncertain: it may have gone out",
}
CHANNELS = {Channel.TEXT: "text", Channel.EMAIL: "e-mail", Channel.LETTER: "letter"}
WAYS = {
    Way.WELL: "works",
    Way.FAILING: "works, but failed last time",
    Way.PAUSED: "paused",
    Way.TRIED: "being tried after a pause",
    Way.OFF: "switched off",
    Way.MISSING: "not set up",
}
_LOCALE = "en_GB"
_ISO_DAY = re.compile(r"\b\d{4}-\d{2}-\d{2}\b", re.ASCII)


def moment(instant: datetime | None, zone: str = "") -> str:
    """An instant as a clock in `zone` (the clinic's when empty) shows it."""
    if instant is None:
        return ""
    place = zone_named(zone or the_services().clinic.zone)
    return format_datetime(instant.astimezone(place), "EEE d MMM yyyy, HH:mm", locale=_LOCALE)


def wall(text: str) -> str:
    """A stored local time ("2026-11-25T21:30") in words."""
    return format_datetime(datetime.fromisoformat(text), "EEE d MMM yyyy, HH:mm", locale=_LOCALE)


def day(value: date | None) -> str:
    """A date, short, with its weekday."""
    return format_skeleton("yMMMEd", value, locale=_LOCALE) if value is not None else ""


def days_in_words(text: str) -> str:
    """What the service noted, with its dates ("2026-11-29") as staff read them ("29 Nov 2026")."""
    return _ISO_DAY.sub(_day_in_words, text)


def _day_in_words(found: re.Match[str]) -> str:
    try:
        return format_skeleton("yMMMd", date.fromisoformat(found[0]), locale=_LOCALE)
    except ValueError:  # no day of the calendar
        return found[0]


def length_of(span: timedelta) -> str:
    """A length of time in its largest unit, rounded down."""
    seconds = int(span.total_seconds())
    for unit, size in (("day", 86400), ("hour", 3600), ("minute", 60)):
        if seconds >= size:
            count = seconds // size
            return f"{count} {unit}{'' if count == 1 else 's'}"
    return "less than a minute"


def counted(number: int, one: str, many: str = "") -> str:
    """A number and its noun: "1 message", "2 messages"."""
    return f"{number} {one if number == 1 else many or f'{one}s'}"


def sentence_of(said: str) -> str:
    """What an error says, as a sentence: with a capital letter and a full stop."""
    return f"{said[:1].upper()}{said[1:]}."


def language_name(tag: str) -> str:
    """A language by its own name."""
    try:
        locale = Locale.parse(tag, sep="-")
    except (UnknownLocaleError, ValueError):
        return tag
    name = locale.get_display_name(locale) or tag
    return name[:1].upper() + name[1:]


def reason(code: str | None) -> str:
    """Why a message waits or never goes, in words."""
    if not code:
        return ""
    return LABELS[Reason(code)] if code in set(Reason) else ATTENTION.get(code, code)


def state(code: str, channel: str | None = None) -> str:
    """How a message stands, in words. A letter that was handed over is on paper at best, and nobody posted it yet."""
    if code == State.SENT and channel == Channel.LETTER:
        return "sent: handed over to be printed and posted"
    return STATES[State(code)]


def register(bp: Blueprint) -> None:
    """Give every template these words, and every staff page what its head shows."""
    for function in (moment, wall, day, days_in_words, length_of, language_name, reason, direction):
        bp.add_app_template_filter(function)
    bp.add_app_template_filter(lambda kind: KINDS[MessageKind(kind)], "kind")
    bp.add_app_template_filter(state)
    bp.add_app_template_filter(lambda channel: CHANNELS[Channel(channel)], "channel")
    bp.add_app_template_filter(lambda way: WAYS[Way(way)], "way")
    bp.app_context_processor(_head)


def _head() -> dict[str, object]:
    staff = g.get("staff")
    if staff is None:
        return {"staff": None, "demo": the_settings().demo_page}
    with the_services().open_reading() as work:
        attention = work.inbound.open_count()
    return {
        "staff": staff,
        "sees_people": access.sees_people(staff),
        "csrf": access.csrf(),
        "attention_count": attention,
        "demo": the_settings().demo_page,
    }
