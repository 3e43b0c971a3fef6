"""May this message go now? One pure answer, asked when it is claimed and again before it is handed over."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from enum import StrEnum

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
    PERSON_LEFT = "person-left"
    PLAN_REVOKED = "plan-revoked"
    PLAN_ON_HOLD = "plan-on-hold"
    PLAN_OVER = "plan-over"
    SUPERSEDED = "superseded"
    STOPPED = "stopped"
    NO_CHANNEL = "no-channel"
    WORDING_NOT_APPROVED = "wording-not-approved"
    REFUSED = "refused"
    GAVE_UP = "gave-up"
    FAULT = "fault"


LABELS: dict[Reason, str] = {
    Reason.NOT_YET: "not due yet",
    Reason.QUIET_HOURS: "falls in the quiet hours",
    Reason.PAUSED: "the person paused messages",
    Reason.TOO_LATE: "too late to be useful",
    Reason.PERSON_LEFT: "the person has left or has died",
    Reason.PLAN_REVOKED: "the plan was withdrawn",
    Reason.PLAN_ON_HOLD: "the plan is on hold",
    Reason.PLAN_OVER: "the plan has ended",
    Reason.SUPERSEDED: "a newer plan or schedule takes its place",
    Reason.STOPPED: "the person stopped this channel",
    Reason.NO_CHANNEL: "no agreed way to reach the person",
    Reason.WORDING_NOT_APPROVED: "its wording is not approved, not even in the source language",
    Reason.REFUSED: "refused for good by the next hop",
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
    MessageKind.REPLY: (Channel.TEXT, Channel.EMAIL),
}

AT_ANY_HOUR = frozenset({MessageKind.URGENT, MessageKind.REPLY})
"""Kinds that ignore quiet hours, pauses and a plan on hold: waiting could harm, or the person just wrote to us."""

NEEDS_A_PERSON = frozenset({Reason.NO_CHANNEL, Reason.WORDING_NOT_APPROVED, Reason.REFUSED, Reason.GAVE_UP})
"""Reasons that put an undelivered message on the attention list."""

_ALSO_WHEN_URGENT = frozenset({Reason.STOPPED, Reason.TOO_LATE, Reason.PAUSED, Reason.PLAN_OVER})

COMFORT = frozenset({MessageKind.DOSE, MessageKind.CHECK_IN, MessageKind.COURSE_END})
"""Kinds that are not planned at all for somebody whom no suitable channel reaches: the sheet says it all."""

_AFTER_THE_END = frozenset({MessageKind.RETURN_DUE, MessageKind.APPOINTMENT, MessageKind.COURSE_END, MessageKind.REPLY})


def needs_a_person(kind: MessageKind, reason: Reason) -> bool:
    """Whether a message that was dropped for this reason goes on the attention list. Urgent advice that did not go out
    always does, unless the person has left or a newer plan says it better."""
    if kind is MessageKind.URGENT and reason in _ALSO_WHEN_URGENT:
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


def decide(
    message: PlannedMessage, contact: Contact, plan: Status, clinic: Clinic, *, superseded: bool, now: datetime
) -> Decision:
    """Whether the message may go at `now` (UTC). The order is: never, too late, not yet.

    A hold that would end after the last useful moment is a drop: nothing is ever sent late. Urgent advice and answers
    ignore quiet hours and pauses. An answer goes by the channel that the words came in by, if it is agreed to.
    """
    if contact.left is not None:
        return Drop(reason=Reason.PERSON_LEFT)
    if plan in (Status.REVOKED, Status.DRAFT):
        return Drop(reason=Reason.PLAN_REVOKED)
    if plan is Status.COMPLETED and message.kind not in _AFTER_THE_END:
        return Drop(reason=Reason.PLAN_OVER)
    if superseded:
        return Drop(reason=Reason.SUPERSEDED)
    channel = pick_channel(message.kind, contact)
    asked = channel_asked(message.key) if message.kind is MessageKind.REPLY else None
    if asked is not None and contact.reach(asked):
        channel = asked
    if channel is None:
        stopped = any(each in contact.stopped for each in contact.channels)
        return Drop(reason=Reason.STOPPED if stopped else Reason.NO_CHANNEL)
    if now > message.last_useful:
        return Drop(reason=Reason.TOO_LATE)
    if now < message.earliest:
        return Hold(until=message.earliest, reason=Reason.NOT_YET)
    if message.kind in AT_ANY_HOUR:
        return Send(channel=channel)
    if plan is Status.ON_HOLD:  # looked at again when the plan is taken up, and dropped as too late if it is not
        return Hold(until=message.last_useful + timedelta(seconds=1), reason=Reason.PLAN_ON_HOLD)
    return _wait(message, contact, clinic, channel, now)


def _wait(message: PlannedMessage, contact: Contact, clinic: Clinic, channel: Channel, now: datetime) -> Decision:
    zone = zone_named(contact.zone)
    if contact.paused_until is not None and now.astimezone(zone).date() <= contact.paused_until:
        until = to_instant(datetime.combine(contact.paused_until + timedelta(days=1), time(0)), zone)
        return _hold(message, until, Reason.PAUSED)
    if channel is not Channel.LETTER:  # a letter is printed at the clinic and wakes nobody
        allowed = next_allowed(now, zone, clinic.quiet_from, clinic.quiet_to)
        if allowed > now:
            return _hold(message, allowed, Reason.QUIET_HOURS)
    return Send(channel=channel)


def _hold(message: PlannedMessage, until: datetime, reason: Reason) -> Decision:
    return Drop(reason=reason) if until > message.last_useful else Hold(until=until, reason=reason)


def pick_channel(kind: MessageKind, contact: Contact) -> Channel | None:
    """The first channel that the person prefers, agreed to and can be reached by, and that suits this kind."""
    return next((each for each in contact.channels if each in CHANNELS[kind] and contact.reach(each)), None)


MAX_ATTEMPTS = 6
"""Attempts before giving up, if the last useful moment does not come first. Our choice."""


def retry_at(now: datetime, attempt: int, retry_after: int | None, spread: float) -> datetime:
    """When to try again: 30 s doubled per attempt, at most an hour, spread by up to a quarter; never before the next
    hop's own `retry_after` (seconds). `spread` is a random number from 0 to 1, passed in so that tests decide it."""
    wait = min(30 * 2 ** (attempt - 1), 3600) * (1 + spread / 4)
    return now + timedelta(seconds=max(wait, retry_after or 0))
