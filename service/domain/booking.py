"""News of an appointment: which of booked, moved or cancelled a person is to be told, if anything, and until when.

What counts is what the person was told last, not what the clinic's record said in between: booked and cancelled again
before anything left is no news at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from service.domain.contact import Contact
from service.domain.message import MessageKind, PlannedMessage
from service.domain.pack import Timing
from service.domain.wall_clock import to_instant, to_wall, zone_named

Appointment = tuple[date, time]
"""The clinic's local date and time."""


class News(StrEnum):
    """What happened to the appointment since the person was last told of it."""

    BOOKED = "booked"
    MOVED = "moved"
    CANCELLED = "cancelled"


@dataclass(frozen=True, slots=True, kw_only=True)
class Booking:
    """One piece of news. `sequence` is the revision of the calendar entry (SEQUENCE of RFC 5545); `appointment` is as
    it stood when the message was planned, None once it is cancelled."""

    sequence: int
    news: News
    appointment: Appointment | None = None

    def __post_init__(self) -> None:
        if (self.appointment is None) != (self.news is News.CANCELLED):
            raise ValueError("news of a booking names its date and time, news of a cancellation none")

    @property
    def key(self) -> str:
        """The key of its message; it holds all that the words need."""
        key = f"booking/{self.sequence}/{self.news}"
        return key if self.appointment is None else f"{key}/{datetime.combine(*self.appointment):%Y-%m-%dT%H:%M}"

    @property
    def values(self) -> dict[str, str]:
        """What the sentence says: ISO date and time, nothing for a cancellation."""
        if self.appointment is None:
            return {}
        return {"date": self.appointment[0].isoformat(), "time": self.appointment[1].isoformat("minutes")}

    @property
    def unit(self) -> str:
        """The wording unit of its sentence."""
        return "message.booking.text" if self.news is News.BOOKED else f"message.booking.{self.news}"


def booking_of(key: str) -> Booking:
    """The news that a message with this key tells. Raises ValueError for another key."""
    parts = key.split("/")
    if len(parts) not in (3, 4) or parts[0] != "booking":
        raise ValueError(f"{key!r} is not the key of a booking: booking/<sequence>/<news>/<date and time>")
    appointment = None
    if len(parts) == 4:
        wall = datetime.fromisoformat(parts[3])
        appointment = (wall.date(), wall.time())
    return Booking(sequence=int(parts[1]), news=News(parts[2]), appointment=appointment)


def tells_truly(key: str, booked: Appointment | None) -> bool:
    """Whether what the message with this key tells is so, with the appointment as it stands."""
    return booking_of(key).appointment == booked


def news_for(told: Appointment | None, now_booked: Appointment | None) -> News | None:
    """What to tell somebody who knows of the appointment `told`; None where they know how things stand."""
    if told == now_booked:
        return None
    if now_booked is None:
        return News.CANCELLED
    return News.BOOKED if told is None else News.MOVED


def booking_message(
    booking: Booking,
    about: Appointment,
    contact: Contact,
    timing: Timing,
    clinic_zone: ZoneInfo,
    *,
    by_letter: bool,
    now: datetime,
) -> PlannedMessage | None:
    """The message that tells the news at once; None where it would come too late.

    `about` is the appointment that it tells, or that was cancelled: after that moment nobody needs the news, and a
    letter must be in the post some days before.
    """
    starts = to_instant(datetime.combine(*about), clinic_zone)
    minutes = timing.useful_minutes_by_letter if by_letter else timing.useful_minutes
    latest = starts - timedelta(days=timing.post_days) if by_letter else starts
    last_useful = min(now + timedelta(minutes=minutes[MessageKind.BOOKING.value]), latest)
    if last_useful <= now:
        return None
    zone = zone_named(contact.zone)
    return PlannedMessage(
        key=booking.key,
        kind=MessageKind.BOOKING,
        due=now,
        earliest=now,
        last_useful=last_useful,
        wall=to_wall(now, zone).isoformat(timespec="minutes"),
        zone=zone.key,
    )
