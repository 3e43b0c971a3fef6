"""How do a person's calendar items become a file that every calendar program reads alike, and what did one answer?

RFC 5545 for the file, RFC 5546 for what METHOD asks for, RFC 7986 for the name and the refresh interval.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal

from icalendar import Alarm, Calendar, Component, Event, Timezone, TimezoneDaylight, TimezoneStandard

from service.domain.calendar_item import CalendarItem, ItemKind, ItemState
from service.domain.wall_clock import changes, repeated, to_instant, to_wall, zone_named
from service.errors import ContactError

Method = Literal["PUBLISH", "REQUEST", "CANCEL"]

LARGEST_REPLY = 100_000
"""Octets of a calendar's answer that are read. Our choice: true ones have some thousand, zone rules included."""

PRODID = "-//tragus//aftercare calendar//EN"

# RFC 5545 section 3.3.11: TEXT holds no control character but the tab; a line end is written as \n.
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


def content_type(method: Method | None = None) -> str:
    """The media type of a file; the method parameter is there if and only if the file has METHOD (RFC 5545 8.1)."""
    return f"text/calendar; charset=utf-8; method={method}" if method else "text/calendar; charset=utf-8"


def calendar_file(
    states: Iterable[ItemState],
    *,
    name: str,
    language: str,
    now: datetime,
    method: Method | None = None,
    organizer_email: str | None = None,
    organizer_name: str = "",
    attendee_email: str | None = None,
    refresh_days: int = 1,
) -> bytes:
    """One iCalendar file, UTF-8 with CRLF, holding the items of `states` in their order.

    Without `method` it is a download or a feed: no organizer, and each DTSTAMP says when its item was last revised.
    With one it is a message from the organizer, and DTSTAMP is `now`. `language` is a BCP 47 tag; `refresh_days` is the
    suggested least gap between two fetches of a feed, days. A cancelled item has no alarm.

    Raises:
        ValueError: when there is no item; when a method lacks its organizer; when PUBLISH has an attendee; when REQUEST
            lacks one; when REQUEST or CANCEL has more than one item; when CANCEL has an item that is not cancelled.
        ContactError: when a zone or an address is not usable.

    Source: RFC 5545 sections 3.1, 3.6 and 3.8; RFC 5546 sections 3.2.1, 3.2.2 and 3.2.5; RFC 7986 sections 5.1 and 5.7.
    """
    kept = tuple(states)
    _check(kept, method, organizer_email, attendee_email)
    calendar = Calendar()
    calendar.add("PRODID", PRODID)
    calendar.add("VERSION", "2.0")
    if method:
        calendar.add("METHOD", method)
    calendar.add("NAME", _text(name), parameters={"LANGUAGE": language})
    # Older readers know only this name for it.
    calendar.add("X-WR-CALNAME", _text(name))
    if method in (None, "PUBLISH"):
        calendar.add("REFRESH-INTERVAL", timedelta(days=refresh_days), parameters={"VALUE": "DURATION"})
    for zone_name, first, last in _zones(kept):
        calendar.add_component(_timezone(zone_name, first, last))
    for state in kept:
        event = _event(state, language)
        event.add("DTSTAMP", max(now.astimezone(UTC).replace(microsecond=0), state.stamp) if method else state.stamp)
        if organizer_email and method:
            common_name = _text(organizer_name).replace("\n", " ").replace('"', "'")
            event.add("ORGANIZER", _mailto(organizer_email), parameters={"CN": common_name} if common_name else {})
        if attendee_email:
            asked = {"PARTSTAT": "NEEDS-ACTION", "RSVP": "TRUE"} if method == "REQUEST" else {}
            event.add("ATTENDEE", _mailto(attendee_email), parameters=asked)
        if state.item.alarm is not None and not state.item.cancelled:
            event.add_component(_alarm(state.item, state.item.alarm))
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _check(states: Sequence[ItemState], method: Method | None, organizer: str | None, attendee: str | None) -> None:
    if not states:
        raise ValueError("a calendar file holds at least one item")
    if method and not organizer:
        raise ValueError(f"METHOD:{method} needs the organizer's address")
    if (attendee is not None) and method in (None, "PUBLISH"):
        raise ValueError("only REQUEST and CANCEL name an attendee")
    if method == "REQUEST" and attendee is None:
        raise ValueError("METHOD:REQUEST needs the attendee's address")
    if method in ("REQUEST", "CANCEL") and len(states) > 1:
        raise ValueError(f"METHOD:{method} speaks of one item: write one file for each")
    if method == "CANCEL" and not all(state.item.cancelled for state in states):
        raise ValueError("METHOD:CANCEL is for an item that is cancelled")


def _event(state: ItemState, language: str) -> Event:
    item = state.item
    event = Event()
    event.add("UID", str(state.uid))
    event.add("SEQUENCE", state.sequence)
    if isinstance(item.start, datetime):
        zone = zone_named(item.zone)
        if _in_utc(item):
            event.add("DTSTART", to_instant(item.start, zone))
        else:
            # A single time in a gap is written as the moved time, which means the same and cannot be misread. The value
            # is naive with TZID, since the library would turn some zone names into UTC or into another name.
            start = item.start if item.recurrence else to_wall(to_instant(item.start, zone), zone)
            event.add("DTSTART", start, parameters={"TZID": item.zone})
        event.add("DURATION", timedelta(minutes=item.duration))
    else:
        event.add("DTSTART", item.start)
        event.add("DTEND", item.start + timedelta(days=1))
    if item.recurrence is not None:
        rule: dict[str, str | int] = {"FREQ": "DAILY", "COUNT": item.recurrence.count}
        if item.recurrence.every > 1:
            rule["INTERVAL"] = item.recurrence.every
        event.add("RRULE", rule)
    event.add("SUMMARY", _text(item.title), parameters={"LANGUAGE": language})
    if item.description:
        event.add("DESCRIPTION", _text(item.description), parameters={"LANGUAGE": language})
    if item.location:
        event.add("LOCATION", _text(item.location))  # RFC 5545 section 3.8.1.7
    event.add("STATUS", "CANCELLED" if item.cancelled else "CONFIRMED")
    event.add("CLASS", "PRIVATE")
    event.add("TRANSP", "OPAQUE" if item.kind is ItemKind.APPOINTMENT else "TRANSPARENT")
    return event


def _in_utc(item: CalendarItem) -> bool:
    # Some readers take the second of two equal local times, against RFC 5545 section 3.3.5; UTC leaves no choice.
    if not isinstance(item.start, datetime) or item.recurrence is not None:
        return False
    return repeated(item.start, zone_named(item.zone))


def _alarm(item: CalendarItem, minutes: int) -> Alarm:
    alarm = Alarm()
    alarm.add("ACTION", "DISPLAY")
    alarm.add("DESCRIPTION", _text(item.title))
    alarm.add("TRIGGER", -timedelta(minutes=minutes))
    return alarm


def _zones(states: Iterable[ItemState]) -> Iterator[tuple[str, date, date]]:
    """Every zone that the file names, with the first and last local date that its items touch."""
    spans: dict[str, tuple[datetime, datetime]] = {}
    for item in (state.item for state in states):
        if isinstance(item.start, datetime) and isinstance(item.last_start, datetime) and not _in_utc(item):
            first, last = spans.get(item.zone, (item.start, item.last_start))
            spans[item.zone] = min(first, item.start), max(last, item.last_start)
    for zone_name, (first, last) in sorted(spans.items()):
        yield zone_name, first.date(), last.date()


def _timezone(name: str, first: date, last: date) -> Timezone:
    """The rules of one zone, from a year before the first date to a year after the last, one observance an onset.

    The library's own `Timezone.from_tzinfo` gives the onset after a gap in the new local time, where RFC 5545 section
    3.6.5 asks for the old one; readers without zone data of their own would be late by the gap.
    """
    zone = zone_named(name)
    start = to_instant(datetime.combine(date(first.year - 1, 1, 1), time()), zone)
    end = to_instant(datetime.combine(date(last.year + 2, 1, 1), time()), zone)
    component = Timezone()
    component.add("TZID", name)
    before = start.astimezone(zone).utcoffset() or timedelta()
    for onset in (start, *changes(zone, start, end)):
        local = onset.astimezone(zone)
        observance = TimezoneDaylight() if local.dst() else TimezoneStandard()
        after = local.utcoffset() or timedelta()
        observance.add("DTSTART", (onset + before).replace(tzinfo=None))
        observance.add("TZOFFSETFROM", before)
        observance.add("TZOFFSETTO", after)
        observance.add("TZNAME", local.tzname() or name)
        component.add_component(observance)
        before = after
    return component


def _text(text: str) -> str:
    return _CONTROL.sub("", text.replace("\r\n", "\n").replace("\r", "\n"))


def _mailto(address: str) -> str:
    if "@" not in address or any(mark.isspace() or not mark.isprintable() for mark in address):
        raise ContactError("email", "the calendar needs one plain mail address, such as desk@example.org")
    return f"mailto:{address}"


@dataclass(frozen=True, slots=True, kw_only=True)
class InvitationReply:
    """What somebody's calendar answered to an invitation of ours. Nothing in it is believed yet.

    `attendee` is the address that answers and `name` what it calls itself; `partstat` is in capitals; `stamp` (UTC) is
    when the answer was made; `comment` is what the person typed beside it.
    """

    uid: str
    sequence: int
    attendee: str
    partstat: str
    stamp: datetime
    comment: str = ""
    name: str = ""


def read_reply(data: bytes) -> InvitationReply:
    """The answer in a calendar's REPLY about one event. Raises ValueError, saying what does not fit, for anything else:
    another method, several events or attendees, one day of a series, a field that is missing or cannot be read.

    Source: RFC 5546 section 3.2.3 (SEQUENCE may be left out when it is 0); RFC 5545 section 3.1 (unfold, then decode).
    """
    if len(data) > LARGEST_REPLY:
        raise ValueError(f"an answer of more than {LARGEST_REPLY} octets is not read")
    text = re.sub(rb"\r?\n[ \t]", b"", data).decode("utf-8", errors="replace").lstrip("\ufeff")
    try:
        calendar = Component.from_ical(text.strip())
    except Exception as fault:  # the parser has many ways to fail on broken text; each means the same to us
        raise ValueError(f"not a calendar: {type(fault).__name__}") from fault
    if not isinstance(calendar, Component) or calendar.name != "VCALENDAR":
        raise ValueError("not a calendar")
    if _only(calendar, "METHOD").upper() != "REPLY":
        raise ValueError("its method is not REPLY")
    parts = [each for each in calendar.subcomponents if each.name != "VTIMEZONE"]
    if len(parts) != 1 or parts[0].name != "VEVENT":
        raise ValueError("it is not about one event")
    event = parts[0]
    if "RECURRENCE-ID" in event:
        raise ValueError("it is about one day of a series")
    attendee = event.get("ATTENDEE")
    scheme, _, address = str(attendee).strip().partition(":")
    if attendee is None or isinstance(attendee, list) or scheme.lower() != "mailto" or "@" not in address:
        raise ValueError("it does not name one attendee by mail address")
    stamp = event.get("DTSTAMP")
    when = getattr(stamp, "dt", None)
    if not isinstance(when, datetime) or when.tzinfo is None:
        raise ValueError("it does not say when it was made, in UTC")
    sequence = _only(event, "SEQUENCE") if "SEQUENCE" in event else "0"
    if not re.fullmatch(r"[0-9]{1,9}", sequence):
        raise ValueError("its SEQUENCE is not one number")
    comments = event.get("COMMENT", [])
    return InvitationReply(
        uid=_only(event, "UID"),
        sequence=int(sequence),
        attendee=address.strip(),
        partstat=str(attendee.params.get("PARTSTAT", "")).upper(),
        stamp=when.astimezone(UTC),
        comment="\n".join(str(each) for each in (comments if isinstance(comments, list) else [comments])).strip(),
        name=str(attendee.params.get("CN", "")).strip(),
    )


def _only(component: Component, name: str) -> str:
    value = component.get(name)
    if value is None or isinstance(value, list) or not str(value).strip():
        raise ValueError(f"it needs {name} once")
    return str(value).strip()
