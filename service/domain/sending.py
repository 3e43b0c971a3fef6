"""May this message go now? One pure answer, asked when its words are composed and again before it is handed over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from enum import StrEnum

from service.domain.booking import booking_of, tells_truly
from service.domain.contact import Channel, Clinic, Contact
from service.domain.message import MessageKind, PlannedMessage
from service.domain.plan import Status
from service.domain.reply import channel_asked
from service.domain.wall_clock import next_allowed, to_instant, zone_named


class Reason(StrEnum):
    """Why a message waits, or never goes. Every value has a label for staff in `LABELS`."""

    NOT_YET = "not-yet"
    QUIET_HOURS = "quiet-hours"
    PAUSED = "paused"
    TOO_LATE = "too-late"
    CONSENT_WITHDRAWN = "consent-withdrawn"
    PERSON_LEFT = "person-left"
    DIED = "died"
    PLAN_REVOKED = "plan-revoked"
    PLAN_ON_HOLD = "plan-on-hold"
    PLAN_OVER = "plan-over"
    SUPERSEDED = "superseded"
    APPOINTMENT_MOVED = "appointment-moved"
    APPOINTMENT_CANCELLED = "appointment-cancelled"
    BOOKED_LATER = "booked-later"
    DOSE_DONE = "dose-done"
    DAILY_CAP = "daily-cap"
    STOPPED = "stopped"
    NO_CHANNEL = "no-channel"
    CONTACT_INVALID = "contact-invalid"
    CHANNEL_OFF = "channel-off"
    TRANSPORT_PAUSED = "transport-paused"
    RATE_LIMIT = "rate-limit"
    WORDING_NOT_APPROVED = "wording-not-approved"
    REFUSED = "refused"
    GAVE_UP = "gave-up"
    FAULT = "fault"


LABELS: dict[Reason, str] = {
    Reason.NOT_YET: "not due yet",
    Reason.QUIET_HOURS: "falls in the quiet hours",
    Reason.PAUSED: "the person paused messages",
    Reason.TOO_LATE: "too late to be useful",
    Reason.CONSENT_WITHDRAWN: "the person withdrew consent to messages",
    Reason.PERSON_LEFT: "the person has moved away",
    Reason.DIED: "the person has died",
    Reason.PLAN_REVOKED: "the plan was withdrawn",
    Reason.PLAN_ON_HOLD: "the plan is on hold",
    Reason.PLAN_OVER: "the plan has ended",
    Reason.SUPERSEDED: "a newer plan or schedule takes its place",
    Reason.APPOINTMENT_MOVED: "the appointment was moved",
    Reason.APPOINTMENT_CANCELLED: "the appointment was cancelled",
    Reason.BOOKED_LATER: "was not asked to book, since a visit is booked; that visit may be too late for this return",
    Reason.DOSE_DONE: "the person marked this dose as done",
    Reason.DAILY_CAP: "enough messages for this person on this day",
    Reason.STOPPED: "the person stopped this channel",
    Reason.NO_CHANNEL: "no agreed way to reach the person",
    Reason.CONTACT_INVALID: "the number or address was found unusable",
    Reason.CHANNEL_OFF: "the clinic switched this channel off",
    Reason.TRANSPORT_PAUSED: "the channel failed several times in a row and is paused",
    Reason.RATE_LIMIT: "waits its turn: the channel takes only so many at a time",
    Reason.WORDING_NOT_APPROVED: "its wording is not approved, not even in the source language",
    Reason.REFUSED: "refused for good by the text or mail provider",
    Reason.GAVE_UP: "every attempt failed while it was still useful",
    Reason.FAULT: "a fault in the service stopped it",
}

CHANNELS: dict[MessageKind, tuple[Channel, ...]] = {
    MessageKind.URGENT: (Channel.TEXT, Channel.EMAIL, Channel.LETTER),
    MessageKind.PLAN_GIVEN: (Channel.TEXT, Channel.EMAIL, Channel.LETTER),
    MessageKind.DOSE: (Channel.TEXT, Channel.EMAIL),
    MessageKind.CHECK_IN: (Channel.TEXT, Channel.EMAIL),
    MessageKind.COURSE_END: (Channel.TEXT, Channel.EMAIL),
    MessageKind.APPOINTMENT: (Channel.TEXT, Channel.EMAIL, Channel.LETTER),
    MessageKind.RETURN_DUE: (Channel.TEXT, Channel.EMAIL, Channel.LETTER),
    MessageKind.BOOKING: (Channel.TEXT, Channel.EMAIL, Channel.LETTER),
    MessageKind.REPLY: (Channel.TEXT, Channel.EMAIL),
}

AT_ANY_HOUR = frozenset({MessageKind.URGENT, MessageKind.REPLY})
"""Kinds that ignore quiet hours, pauses and a plan on hold: waiting could harm, or the person just wrote to us."""

_THOUGH_ON_HOLD = AT_ANY_HOUR | {MessageKind.BOOKING, MessageKind.APPOINTMENT}
"""A plan on hold is not followed, but whoever has an appointment must know when it is and when it moves."""

EXEMPT = frozenset({MessageKind.URGENT, MessageKind.PLAN_GIVEN, MessageKind.REPLY})
"""Kinds that the daily cap neither counts nor stops: warnings, the plan itself, and answers."""

IMPORTANCE: dict[MessageKind, int] = {
    MessageKind.URGENT: 0,
    MessageKind.PLAN_GIVEN: 1,
    MessageKind.REPLY: 1,
    MessageKind.APPOINTMENT: 2,
    MessageKind.BOOKING: 2,
    MessageKind.RETURN_DUE: 3,
    MessageKind.CHECK_IN: 4,
    MessageKind.COURSE_END: 4,
    MessageKind.DOSE: 5,
}
"""Under the daily cap a message leaves room for those of the same day that are more important (a smaller number)."""

NEEDS_A_PERSON = frozenset(
    {
        Reason.NO_CHANNEL,
        Reason.CONTACT_INVALID,
        Reason.CHANNEL_OFF,
        Reason.BOOKED_LATER,
        Reason.TRANSPORT_PAUSED,
        Reason.WORDING_NOT_APPROVED,
        Reason.REFUSED,
        Reason.GAVE_UP,
    }
)
"""Reasons that put an undelivered message on the attention list: the last channel of every message is a person."""

_ALSO_WHEN_URGENT = frozenset({Reason.STOPPED, Reason.TOO_LATE, Reason.PLAN_OVER, Reason.CONSENT_WITHDRAWN})
_ALSO_NEWS = frozenset({Reason.PAUSED, Reason.STOPPED, Reason.TOO_LATE, Reason.CONSENT_WITHDRAWN, Reason.DAILY_CAP})
"""Who is not told that an appointment was booked, moved or cancelled comes on the wrong day: somebody phones."""
LOOK_AGAIN_SOON = timedelta(seconds=30)
LOOK_AGAIN = timedelta(minutes=15)
"""How often a message that waits for a channel to be switched on again is looked at. Our choice."""

COMFORT = frozenset({MessageKind.DOSE, MessageKind.CHECK_IN, MessageKind.COURSE_END})
"""Kinds that are not planned at all for somebody whom no suitable channel reaches: the sheet says it all."""

_AFTER_THE_END = frozenset(
    {
        MessageKind.RETURN_DUE,
        MessageKind.APPOINTMENT,
        MessageKind.BOOKING,
        MessageKind.COURSE_END,
        MessageKind.REPLY,
    }
)


def needs_a_person(kind: MessageKind, reason: Reason) -> bool:
    """Whether a message that was dropped for this reason goes on the attention list. Urgent advice that did not go out
    always does, unless the person has left or a newer plan says it better."""
    if kind is MessageKind.URGENT and reason in _ALSO_WHEN_URGENT:
        return True
    if kind is MessageKind.BOOKING and reason in _ALSO_NEWS:
        return True
    return reason in NEEDS_A_PERSON and not (reason is Reason.NO_CHANNEL and kind in COMFORT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Send:
    """It may go now, by this channel."""

    channel: Channel


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Not now: ask again at `until` (UTC)."""

    until: datetime
    reason: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """Not ever, and this is why."""

    reason: Reason


Decision = Send | Hold | Drop


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What is true at this moment, beside the message, its person and the clinic.

    `booked` is the appointment as it stands, local date and time. `tried` are the channels that refused this message
    for good, `fitted` those that have a transport, `off` those that the clinic switched off; `paused` says from when
    (UTC) a failing transport may be tried again. `sent_today` counts what went to the person on their local day and is
    not exempt from the cap; `waiting_today` what still waits on that day and is more important than this message.
    """

    plan: Status = Status.ACTIVE
    superseded: bool = False
    booked: tuple[date, time] | None = None
    dose_done: bool = False
    tried: frozenset[Channel] = frozenset()
    fitted: frozenset[Channel] = frozenset(Channel)
    off: frozenset[Channel] = frozenset()
    paused: Mapping[Channel, datetime] = field(default_factory=dict)
    sent_today: int = 0
    waiting_today: int = 0


def decide(
    message: PlannedMessage, contact: Contact, clinic: Clinic, circumstances: Circumstances, *, now: datetime
) -> Decision:
    """Whether the message may go at `now` (UTC). The order is: never, too late, not yet.

    A hold that would end after the last useful moment is a drop: nothing is ever sent late. Urgent advice and answers
    ignore quiet hours and pauses. An answer goes by the channel that the words came in by, if it is agreed to.
    """
    never = _never(message, contact, circumstances)
    if never is not None:
        return Drop(reason=never)
    channels = channels_for(message, contact, circumstances)
    if not channels:
        return Drop(reason=_why_unreachable(message.kind, contact, circumstances))
    open_channels = [each for each in channels if each not in circumstances.off]
    if now > message.last_useful:
        return Drop(reason=Reason.TOO_LATE if open_channels else Reason.CHANNEL_OFF)
    if now < message.earliest:
        return Hold(until=message.earliest, reason=Reason.NOT_YET)
    if not open_channels:
        until = min(now + LOOK_AGAIN, message.last_useful + timedelta(seconds=1))
        return Hold(until=until, reason=Reason.CHANNEL_OFF)
    if message.kind not in _THOUGH_ON_HOLD and circumstances.plan is Status.ON_HOLD:
        # looked at again when the plan is taken up, and dropped as too late if it is not
        return Hold(until=message.last_useful + timedelta(seconds=1), reason=Reason.PLAN_ON_HOLD)
    free = [each for each in open_channels if circumstances.paused.get(each, now) <= message.last_useful]
    if not free:  # its time runs out before the way out may be tried again; but that may open sooner
        until = min(now + LOOK_AGAIN_SOON, message.last_useful)
        reason = Reason.TRANSPORT_PAUSED
        return Hold(until=until, reason=reason) if until > now else Drop(reason=reason)
    channel = free[0]
    if message.kind not in AT_ANY_HOUR:
        wait = _wait(message, contact, clinic, circumstances, channel, now)
        if wait is not None:
            return wait
    ready = circumstances.paused.get(channel, now)
    return Hold(until=ready, reason=Reason.TRANSPORT_PAUSED) if ready > now else Send(channel=channel)


def _never(message: PlannedMessage, contact: Contact, circumstances: Circumstances) -> Reason | None:
    """Why the message will never go, whatever the hour; None when nothing stands against it."""
    if contact.died is not None:
        return Reason.DIED
    if contact.left is not None:
        return Reason.PERSON_LEFT
    if contact.withdrawn is not None and message.kind is not MessageKind.REPLY:  # who writes to us is answered
        return Reason.CONSENT_WITHDRAWN
    if circumstances.plan in (Status.REVOKED, Status.DRAFT) and not _cancels(message):
        return Reason.PLAN_REVOKED
    if circumstances.plan is Status.COMPLETED and message.kind not in _AFTER_THE_END:
        return Reason.PLAN_OVER
    if message.kind is MessageKind.APPOINTMENT:
        if circumstances.booked is None:
            return Reason.APPOINTMENT_CANCELLED
        if circumstances.booked[0] != appointment_day(message.key):
            return Reason.APPOINTMENT_MOVED
    if message.kind is MessageKind.BOOKING and not tells_truly(message.key, circumstances.booked):
        return Reason.APPOINTMENT_CANCELLED if circumstances.booked is None else Reason.APPOINTMENT_MOVED
    if circumstances.superseded:
        return Reason.SUPERSEDED
    if message.kind is MessageKind.RETURN_DUE and circumstances.booked is not None:
        # `lay_out` asks for a return beside a booking only where the booking is too late for an ear. "Please book"
        # reads as a mistake to somebody who has a date, so a person of the clinic looks at the date instead.
        return Reason.BOOKED_LATER
    if message.kind is MessageKind.DOSE and circumstances.dose_done:
        return Reason.DOSE_DONE
    return None


def _cancels(message: PlannedMessage) -> bool:
    """Whether it says that an appointment is cancelled, which the person must know whatever became of the plan."""
    return message.kind is MessageKind.BOOKING and booking_of(message.key).appointment is None


def _wait(
    message: PlannedMessage,
    contact: Contact,
    clinic: Clinic,
    circumstances: Circumstances,
    channel: Channel,
    now: datetime,
) -> Decision | None:
    """Whether it waits for a pause, the quiet hours or the daily cap to end."""
    zone = zone_named(contact.zone)
    today = now.astimezone(zone).date()
    if contact.paused_until is not None and today <= contact.paused_until:
        until = to_instant(datetime.combine(contact.paused_until + timedelta(days=1), time(0)), zone)
        return _hold(message, until, Reason.PAUSED)
    if channel is not Channel.LETTER:  # a letter is printed at the clinic and wakes nobody
        quiet_from, quiet_to = clinic.quiet_from, clinic.quiet_to
        if contact.quiet_from is not None and contact.quiet_to is not None:
            quiet_from, quiet_to = contact.quiet_from, contact.quiet_to
        allowed = next_allowed(now, zone, quiet_from, quiet_to)
        if allowed > now:
            return _hold(message, allowed, Reason.QUIET_HOURS)
    if message.kind in EXEMPT or not clinic.daily_cap:
        return None
    if circumstances.sent_today + circumstances.waiting_today >= clinic.daily_cap:
        until = to_instant(datetime.combine(today + timedelta(days=1), time(0)), zone)
        return _hold(message, until, Reason.DAILY_CAP)
    return None


def _hold(message: PlannedMessage, until: datetime, reason: Reason) -> Decision:
    return Drop(reason=reason) if until > message.last_useful else Hold(until=until, reason=reason)


def appointment_day(key: str) -> date:
    """The day of the appointment that the key of a reminder belongs to. Raises ValueError for another key."""
    parts = key.split("/")
    if len(parts) != 3 or parts[0] != "appointment":
        raise ValueError(f"{key!r} is not the key of an appointment's reminder: appointment/<date>/<days before>")
    return date.fromisoformat(parts[1])


def channels_for(message: PlannedMessage, contact: Contact, circumstances: Circumstances) -> list[Channel]:
    """Every channel that this message may take, the wanted one first: the person's order, among those that suit its
    kind, reach the person, have a transport, and have not refused it."""
    found = [each for each in contact.channels if each in CHANNELS[message.kind] and contact.reach(each)]
    if message.kind is MessageKind.REPLY and (asked := channel_asked(message.key)) in found:
        found = [asked, *(each for each in found if each is not asked)]
    return [each for each in found if each in circumstances.fitted and each not in circumstances.tried]


def _why_unreachable(kind: MessageKind, contact: Contact, circumstances: Circumstances) -> Reason:
    if circumstances.tried:
        return Reason.REFUSED
    suitable = [each for each in contact.channels if each in CHANNELS[kind]]
    if any(contact.reach(each) for each in suitable):
        return Reason.NO_CHANNEL  # the person could be reached, but no transport is set up for it
    if any(each in contact.bad and each not in contact.stopped for each in suitable):
        return Reason.CONTACT_INVALID
    return Reason.STOPPED if any(each in contact.stopped for each in suitable) else Reason.NO_CHANNEL


def pick_channel(kind: MessageKind, contact: Contact) -> Channel | None:
    """The first channel that the person prefers, agreed to and can be reached by, and that suits this kind."""
    return next((each for each in contact.channels if each in CHANNELS[kind] and contact.reach(each)), None)
