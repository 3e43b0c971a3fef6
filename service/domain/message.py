"""What a message is on its way: planned, composed, handed over, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.domain.contact import Channel
from service.domain.visit import Ears


class MessageKind(StrEnum):
    """What a message is for."""

    URGENT = "urgent"
    PLAN_GIVEN = "plan-given"
    DOSE = "dose"
    CHECK_IN = "check-in"
    COURSE_END = "course-end"
    APPOINTMENT = "appointment"
    RETURN_DUE = "return-due"
    BOOKING = "booking"  # an appointment was booked, moved or cancelled; see domain/booking.py
    REPLY = "reply"  # an automatic answer to what somebody sent us; see domain/reply.py


class State(StrEnum):
    """Where a message stands. The last five are final until a receipt or a person says otherwise."""

    PENDING = "pending"  # waits for its due moment
    CLAIMED = "claimed"  # one worker holds it under a lease; nothing has left yet
    HANDING = "handing"  # may be on the wire; written down before the first octet that could take effect
    SENT = "sent"  # the next hop took it
    DELIVERED = "delivered"  # a receipt said so
    DROPPED = "dropped"  # not sent, on purpose, with the reason
    FAILED = "failed"  # refused for good
    UNCERTAIN = "uncertain"  # may or may not have gone out; a person looks

    @property
    def communication_status(self) -> str:
        """The FHIR R4 Communication.status that says the same."""
        return {
            State.PENDING: "preparation",
            State.CLAIMED: "in-progress",
            State.HANDING: "in-progress",
            State.SENT: "completed",
            State.DELIVERED: "completed",
            State.DROPPED: "not-done",
            State.FAILED: "not-done",
            State.UNCERTAIN: "unknown",
        }[self]


MAY_HAVE_LEFT = frozenset({State.HANDING, State.SENT, State.DELIVERED, State.UNCERTAIN})
"""States of a message that has reached somebody, or may have."""
FINAL = frozenset({State.SENT, State.DELIVERED, State.DROPPED, State.FAILED, State.UNCERTAIN})


@dataclass(frozen=True, slots=True, kw_only=True)
class DosePart:
    """One thing to do at the moment of a dose reminder: `drops` of an agent into each of these ears."""

    agent: str
    ears: Ears
    drops: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedMessage:
    """A message with its moment, before it has words.

    `key` is unique within its plan and stable when the plan is laid out anew. `due`, `earliest` and `last_useful` are
    UTC instants; after `last_useful` it is dropped. `wall` is the local time that it belongs to ("2026-11-25T21:30").
    The zone's name is kept so that a change of its rules can move what is not yet claimed.
    """

    key: str
    kind: MessageKind
    due: datetime
    earliest: datetime
    last_useful: datetime
    wall: str
    zone: str
    parts: tuple[DosePart, ...] = ()

    def __post_init__(self) -> None:
        for name in ("due", "earliest", "last_useful"):
            if getattr(self, name).tzinfo is None:
                raise ValueError(f"{name} needs a time zone")
        if not self.earliest <= self.due <= self.last_useful:
            raise ValueError("a message is due between its earliest and its last useful moment")


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that travels with a message. `method` is the iTIP method of a calendar part, if it has one."""

    name: str
    media_type: str
    data: bytes
    method: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComposedMessage:
    """The exact words of one message for one channel, and what they were made from.

    `wanted_language` differs from `language` when the approved source language stands in for a draft translation.
    `missing` then names the units that were not approved.
    """

    channel: Channel
    to: str
    language: str
    wanted_language: str
    subject: str
    text: str
    html: str | None
    attachments: tuple[Attachment, ...]
    units: tuple[str, ...]
    missing: tuple[str, ...]
    pack: str
    unsubscribe: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """What a transport is handed: the composed message, and a key that is the same at every attempt.

    `dated` is the moment that the message belongs to (its Date header); `handed` is now, and `last_useful` is when the
    far side should give up. All are UTC. `return_path` is where bounces of a mail come back to, if not to the sender.
    `automatic_answer`: it answers, by itself, what somebody wrote (RFC 3834); `answers` is the id of their mail,
    without brackets (RFC 5322 3.6.4).
    """

    key: str
    message: ComposedMessage
    dated: datetime
    handed: datetime
    last_useful: datetime
    sender_name: str
    sender_address: str
    return_path: str | None = None
    automatic_answer: bool = False
    answers: str | None = None


class Result(StrEnum):
    """What came of handing a message over."""

    ACCEPTED = "accepted"  # the next hop took it
    RETRY = "retry"  # surely not taken; may be tried again
    REFUSED = "refused"  # surely not taken and never will be
    UNKNOWN = "unknown"  # may have been taken


LONGEST_WISH = 24 * 3600
"""The longest wait that a far side can ask for, seconds; a longer one counts as this. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """A transport's answer. `reference` is the next hop's own id; `retry_after` is in seconds, if it named one.
    `contact_bad`, beside a refusal, says that the number or address itself is unusable, not only this message.

    `ACCEPTED` may be said of a repeat that the far side recognised by its key.
    """

    result: Result
    detail: str
    reference: str | None = None
    retry_after: int | None = None
    contact_bad: bool = False

    def __post_init__(self) -> None:
        if self.retry_after is not None:
            object.__setattr__(self, "retry_after", min(max(self.retry_after, 0), LONGEST_WISH))


class ReportState(StrEnum):
    """What a far side says later about a message that it took."""

    UNDERWAY = "underway"  # still trying; changes nothing
    DELIVERED = "delivered"
    FAILED = "failed"  # for good


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryReport:
    """A receipt or a bounce, matched to its message by our own `key` where it carries one, else by `reference`.

    `reference` is what the far side named the message when it took it (`Outcome.reference`). `contact_bad` says that
    the number or address itself is unusable, not only this message. `at` is UTC.
    """

    channel: Channel
    state: ReportState
    at: datetime
    detail: str
    key: str | None = None
    reference: str | None = None
    contact_bad: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Inbound:
    """Words that somebody sent to the clinic. `id` is the far side's own, so that a repeat is recognised; `sender` is
    the number (E.164) or address as received; `in_reply_to` is the key of our message, if the answer names it."""

    channel: Channel
    id: str
    sender: str
    text: str
    at: datetime
    in_reply_to: str | None = None
