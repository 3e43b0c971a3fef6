"""What follows when a message was handed over: is it sent, tried again, given to the next channel, or unknown?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.domain.contact import Channel
from service.domain.message import MessageKind, Outcome, PlannedMessage, Result, State
from service.domain.sending import Reason

MOST_ATTEMPTS = 6
"""Attempts by one channel before another one that the person agreed to is taken. Our choice. Without another channel a
message is tried until its last useful moment."""

REPEAT_AFTER: dict[Channel, timedelta] = {
    Channel.TEXT: timedelta(hours=1),
    Channel.EMAIL: timedelta(minutes=30),
}
"""How long an unknown outcome waits for a receipt or a bounce before the message may be repeated. Our choice."""

REPEATED: dict[Channel, frozenset[MessageKind]] = {
    Channel.TEXT: frozenset({MessageKind.URGENT, MessageKind.PLAN_GIVEN, MessageKind.APPOINTMENT, MessageKind.BOOKING}),
    Channel.EMAIL: frozenset(MessageKind) - {MessageKind.DOSE, MessageKind.REPLY},
}
"""Kinds that are repeated once when nobody knows whether they arrived: twice does little harm, and never may. A dose
reminder is not among them: read twice, it can become a second dose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tries:
    """How often a message was tried, and how. `key_since`: when the key that the far side sees was first used (UTC).
    `others`: another channel that the person agreed to is left. `repeat_seconds`: for how long the far side recognises
    a repeat by that key. `repeats`: how often an unknown outcome was followed by a repeat already. `joined`: the other
    messages that are said in the same words."""

    channel: Channel
    attempts: int
    key_since: datetime
    others: bool = False
    repeat_seconds: int = 0
    repeats: int = 0
    joined: tuple[PlannedMessage, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """The state that a message takes. PENDING: looked at again at `at`, by another channel if `other_channel`.
    UNCERTAIN: repeated by itself at `at`, or, without it, for a person."""

    state: State
    reason: Reason | None = None
    at: datetime | None = None
    other_channel: bool = False

    @property
    def needs_a_person(self) -> bool:
        """Whether it goes on the attention list."""
        return self.state is State.FAILED or (self.state is State.UNCERTAIN and self.at is None)


def after(message: PlannedMessage, tries: Tries, outcome: Outcome, *, now: datetime, spread: float) -> Next:
    """What follows from an outcome at `now` (UTC). `spread` is a random number from 0 to 1."""
    if outcome.result is Result.ACCEPTED:
        return Next(state=State.SENT)
    if outcome.result is Result.UNKNOWN or tries.repeats:
        # Whatever else a repeat is answered, it does not say what became of the first hand-over.
        again_at = repeat_at(message, tries, now=now, spread=spread, retry_after=outcome.retry_after)
        return Next(state=State.UNCERTAIN, at=again_at)
    if outcome.result is Result.RETRY:
        again = retry_at(now, tries.attempts, outcome.retry_after, spread)
        tired = tries.others and tries.attempts >= MOST_ATTEMPTS
        if again <= message.last_useful and not tired:
            return Next(state=State.PENDING, at=again)
    if tries.others and now <= message.last_useful:
        return Next(state=State.PENDING, at=now, other_channel=True)
    return Next(state=State.FAILED, reason=Reason.REFUSED if outcome.result is Result.REFUSED else Reason.GAVE_UP)


def repeat_at(
    message: PlannedMessage, tries: Tries, *, now: datetime, spread: float, retry_after: int | None = None
) -> datetime | None:
    """When a message of unknown outcome is handed over once more under the same key, or None for never.

    Soon, and as often as it takes, where the far side recognises a repeat. Elsewhere once, for the kinds of `REPEATED`.
    A message that also says others is repeated only if each of them may be, and while each of them is useful. Never
    before the next hop's own `retry_after` (seconds).
    """
    said = (message, *tries.joined)
    last_useful = min(each.last_useful for each in said)
    if tries.repeat_seconds:
        again = retry_at(now, tries.repeats + 1, retry_after, spread)
        known_until = tries.key_since + timedelta(seconds=tries.repeat_seconds)
        return again if again <= min(known_until, last_useful) else None
    if tries.repeats or not {each.kind for each in said} <= REPEATED.get(tries.channel, frozenset()):
        return None
    again = now + max(REPEAT_AFTER[tries.channel], timedelta(seconds=retry_after or 0))
    return again if again <= last_useful else None


def retry_at(now: datetime, attempt: int, retry_after: int | None, spread: float) -> datetime:
    """When to try again: 30 s doubled per attempt, at most an hour, spread by up to a quarter; never before the next
    hop's own `retry_after` (seconds)."""
    wait = min(30 * 2 ** min(attempt - 1, 10), 3600) * (1 + spread / 4)
    return now + timedelta(seconds=max(wait, retry_after or 0))
