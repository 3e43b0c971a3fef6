"""Whom to reach and how: channels and consent, language, zone, daily rhythm, and what must stay discreet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from enum import StrEnum
from itertools import pairwise

from service.domain.pack import Moment


class Channel(StrEnum):
    """How a person is reached."""

    TEXT = "text"
    EMAIL = "email"
    LETTER = "letter"


class ReminderLevel(StrEnum):
    """How many dose reminders the person wants."""

    EVERY_DOSE = "every-dose"
    ONCE_A_DAY = "once-a-day"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """The person's own clock times for the moments of a day (local wall-clock times, strictly rising)."""

    morning: time = time(8, 0)
    midday: time = time(13, 0)
    evening: time = time(18, 0)
    bedtime: time = time(21, 30)

    def __post_init__(self) -> None:
        times = [self.morning, self.midday, self.evening, self.bedtime]
        if any(earlier >= later for earlier, later in pairwise(times)):
            raise ValueError("the times of day must rise: morning, then midday, then evening, then bedtime")

    def at(self, moment: Moment) -> time:
        """The clock time of one moment."""
        times: Mapping[Moment, time] = {
            Moment.MORNING: self.morning,
            Moment.MIDDAY: self.midday,
            Moment.EVENING: self.evening,
            Moment.BEDTIME: self.bedtime,
        }
        return times[moment]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """One recipient: the patient, or the guardian or carer who acts for them.

    `channels` are those the person agreed to, in order of preference. `zone` is an IANA name. `guardian` is the name
    of the person who receives messages about someone else; messages then speak of the patient by given name. With
    `discreet` (the default) a text, a subject line or a calendar title never names an ear, a condition or a product.
    `paused_until` is the last local day of a pause. `stopped` holds channels that the person stopped, `bad` those whose
    number or address was found unusable. `withdrawn` is the local day on which the person withdrew consent to messages;
    `left` and `died` are the days of a move away and of a death. `quiet_from`/`quiet_to` are the person's own quiet
    hours, in place of the clinic's. With `join_with_others` one text may speak of everybody reached at this number.
    With `easy_read` every sentence that has a simpler form is said in that.
    """

    name: str
    given_name: str
    language: str
    zone: str
    phone: str | None = None
    email: str | None = None
    address: tuple[str, ...] = ()
    channels: tuple[Channel, ...] = ()
    stopped: frozenset[Channel] = frozenset()
    guardian: str | None = None
    discreet: bool = True
    large_print: bool = False
    easy_read: bool = False
    reminders: ReminderLevel = ReminderLevel.EVERY_DOSE
    rhythm: Rhythm = field(default_factory=Rhythm)
    paused_until: date | None = None
    left: date | None = None
    died: date | None = None
    withdrawn: date | None = None
    bad: frozenset[Channel] = frozenset()
    quiet_from: time | None = None
    quiet_to: time | None = None
    join_with_others: bool = False

    @property
    def gone(self) -> bool:
        """Whether the person died or moved away: nothing is sent to them, or asked of them, any more."""
        return self.died is not None or self.left is not None

    def reach(self, channel: Channel) -> bool:
        """Whether this channel is agreed to, not stopped, and has an address to go to that is not known to be bad."""
        address = {Channel.TEXT: self.phone, Channel.EMAIL: self.email, Channel.LETTER: self.address or None}[channel]
        return (
            channel in self.channels and channel not in self.stopped and channel not in self.bad and address is not None
        )


def compared(channel: Channel, address: str) -> str:
    """A number or an e-mail address in the form in which two are compared: mail without regard to case; a number with
    its plus and without spaces. Empty when nothing is left of it."""
    address = "".join(address.split())
    if channel is Channel.EMAIL:
        return address.lower()
    digits = "".join(filter(str.isdigit, address))
    if address.startswith("00"):
        digits = digits[2:]
    return f"+{digits}" if digits else ""


WAYS: Mapping[str, str] = {"phone": "contact.phone", "text_number": "contact.text", "email": "contact.email"}
"""How the clinic is reached: its setting, and the wording unit that says it. A way that is not set is never said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clinic:
    """What messages say about the clinic and when it sends; every value is a clinic setting.

    `text_number` is a number that takes texts and that somebody reads; empty when there is none, and `email` likewise.
    Both are for those who cannot use a phone. `emergency` is the local emergency number; `urgent_line` is whom to call
    when the clinic is closed.
    `quiet_from`/`quiet_to`: local hours of the recipient in which nothing is sent (the window may cross midnight).
    `daily_cap`: the most reminders to one person on one local day, joined ones counted once; 0 for no limit.
    """

    name: str
    phone: str
    email: str
    address: tuple[str, ...]
    zone: str
    emergency: str
    urgent_line: str
    base_url: str
    language: str = "en"
    quiet_from: time = time(22, 0)
    quiet_to: time = time(7, 0)
    daily_cap: int = 8
    text_number: str = ""

    def said(self) -> dict[str, str]:
        """What any sentence may say about the clinic, by placeholder (`domain/placeholders.py`)."""
        return {
            "clinic": self.name,
            "phone": self.phone,
            "email": self.email,
            "text_number": self.text_number,
            "emergency": self.emergency,
            "urgent_line": self.urgent_line,
        }
