"""What waits, what is stuck, what did not go; and what a person may do about it.

The page and the command `tragus outbox` show the same `Outbox`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.contact import Channel
from service.domain.message import State
from service.domain.sending import CHANNELS, LOOK_AGAIN, Reason
from service.domain.transport_health import Health
from service.errors import NotAllowedError
from service.services import Services
from service.storage.outbox_views import ASKS, Due, Ended, Held
from service.storage.records import StoredMessage
from service.storage.unit_of_work import UnitOfWork

DAY = timedelta(days=1)
WEEK = timedelta(days=7)
"""For how long back the page counts what ended."""
HELD_AHEAD = timedelta(days=7)
"""How far ahead the page looks for what is held. Our choice: holds end sooner, but for long pauses of a person."""
MOST_COUNTED = 10_000
"""People and kinds of message that are counted before a channel is switched off. Our choice: a second's work."""
OVERDUE = timedelta(minutes=1)
"""A due message that waits for less is on its way: each tick takes what fell due since the last one. Our choice."""
FOUND_ARRIVED = "a person found that it arrived"


class Way(StrEnum):
    """How the way out of one channel does."""

    WELL = "well"
    FAILING = "failing"  # failed in a row, not often enough to be paused
    PAUSED = "paused"
    TRIED = "tried"  # after a pause: one message is tried, or the next one will be
    OFF = "off"  # switched off by a person
    MISSING = "missing"  # no transport is set up


@dataclass(frozen=True, slots=True, kw_only=True)
class Transport:
    """The transport of one channel: its name in the settings, how it does, until when (UTC) a pause lasts, and what
    the far side said last. `off_since` (UTC) and `off_by` when a person switched the channel off."""

    channel: Channel
    use: str
    way: Way
    failures: int = 0
    until: datetime | None = None
    detail: str = ""
    off_since: datetime | None = None
    off_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outbox:
    """Everything that is under way, in counts, at the moment `now` (UTC)."""

    now: datetime
    due: Due
    again: Due
    held: tuple[Held, ...]
    ended: tuple[Ended, ...]
    uncertain: int
    in_hand: Mapping[State, int]
    transports: tuple[Transport, ...]

    @property
    def age(self) -> timedelta:
        """For how long the oldest due message has waited; zero when none is due."""
        return max(self.now - self.due.oldest, timedelta(0)) if self.due.oldest is not None else timedelta(0)

    @property
    def again_age(self) -> timedelta:
        """For how long the oldest message that waits for another attempt has been due; zero when none waits."""
        return max(self.now - self.again.oldest, timedelta(0)) if self.again.oldest is not None else timedelta(0)

    @property
    def blocked(self) -> Held | None:
        """What waits because the way out is paused after failures; None when nothing does."""
        return next((each for each in self.held if each.reason == Reason.TRANSPORT_PAUSED), None)

    @property
    def blocked_age(self) -> timedelta:
        """For how long the oldest message that a paused way out keeps waiting has been due; zero when none waits."""
        return max(self.now - self.blocked.oldest, timedelta(0)) if self.blocked is not None else timedelta(0)

    @property
    def oldest_age(self) -> timedelta:
        """For how long the oldest message that should have gone has been due, whether it waits to be looked at, for
        another attempt, or for a paused way out."""
        return max(self.age, self.again_age, self.blocked_age)

    @property
    def overdue(self) -> bool:
        """Whether something waits that should have gone."""
        return self.age >= OVERDUE

    def of_state(self, *states: State) -> list[Ended]:
        """What ended in these states."""
        return [each for each in self.ended if each.state in states]


def look(services: Services, work: UnitOfWork, fitted: Mapping[Channel, str]) -> Outbox:
    """The whole outbox; `fitted` names the transport of each channel that has one."""
    now = services.clock.now()
    return Outbox(
        now=now,
        due=work.views.due(now),
        again=work.views.again(now, now + HELD_AHEAD),
        held=tuple(work.views.held(now, now + HELD_AHEAD)),
        ended=tuple(work.views.ended(now - DAY, now - WEEK)),
        uncertain=work.views.uncertain_count(),
        in_hand=work.views.in_hand_count(now),
        transports=_transports(work, fitted, now),
    )


def _transports(work: UnitOfWork, fitted: Mapping[Channel, str], now: datetime) -> tuple[Transport, ...]:
    health, _ = work.transports.read()
    off = work.transports.off()
    found = []
    for channel in Channel:
        state, since = health.get(channel, Health()), off.get(channel)
        way = Way.MISSING if channel not in fitted else _way(state, now)
        until = state.paused_until if way is Way.PAUSED else None
        found.append(
            Transport(
                channel=channel,
                use=fitted.get(channel, ""),
                way=Way.OFF if since is not None else way,
                failures=state.failures,
                until=until,
                detail=state.detail,
                off_since=since[0] if since is not None else None,
                off_by=since[1] if since is not None else "",
            )
        )
    return tuple(found)


def _way(health: Health, now: datetime) -> Way:
    if health.well:
        return Way.FAILING if health.failures else Way.WELL
    return Way.PAUSED if health.paused_until is not None and health.paused_until > now else Way.TRIED


@dataclass(frozen=True, slots=True, kw_only=True)
class Touched:
    """Whom it touches that a channel is switched off: the messages of the next day that would go by it, to how many
    people, and how many of these messages have no other channel. `more`: there are too many to count them all."""

    messages: int
    people: int
    no_other: int
    more: bool


def switching_off(services: Services, work: UnitOfWork, channel: Channel) -> Touched:
    """What would happen if this channel were switched off now; changes nothing."""
    fitted = frozenset(services.transports) - work.transports.off().keys()
    found = work.views.waits(services.clock.now() + DAY, MOST_COUNTED)
    messages, no_other, people = 0, 0, set[str]()
    for each in found:
        ways = [way for way in each.contact.channels if way in fitted & set(CHANNELS[each.kind])]
        ways = [way for way in ways if each.contact.reach(way)]
        if ways[:1] == [channel]:
            messages += each.count
            no_other += each.count if len(ways) == 1 else 0
            people.add(each.person_id)
    return Touched(messages=messages, people=len(people), no_other=no_other, more=len(found) == MOST_COUNTED)


def switch_channel(services: Services, channel: Channel, by: str, *, off: bool) -> None:
    """Switch a channel off for the whole clinic, or on again; what was held by it is then looked at at once.

    Raises NotAllowedError when it stands so already: somebody else was first.
    """
    now = services.clock.now()
    with services.open_work() as work:
        if (channel in work.transports.read(lock=True)[1]) is off:
            raise NotAllowedError(
                f"the channel {channel} is switched {'off' if off else 'on'} already; look at the page again"
            )
        work.transports.switch(channel, by, now, off=off)
        held = 0
        if not off:
            held = work.by_hand.look_now(Reason.CHANNEL_OFF, now, now + LOOK_AGAIN + timedelta(seconds=1))
        work.ledger.note(by, "channel-off" if off else "channel-on", f"channel:{channel}", now, looked_at=held)
        work.commit()
    services.wake()


def try_now(services: Services, channel: Channel, by: str) -> None:
    """End the pause of a channel's transport: one message is tried now. Raises NotAllowedError if it is not paused."""
    now = services.clock.now()
    with services.open_work() as work:
        health = work.transports.read(lock=True)[0].get(channel, Health())
        if health.paused_until is None or health.paused_until <= now:
            raise NotAllowedError(f"the way out for {channel} is not paused now; look at the page again")
        work.transports.save(channel, replace(health, paused_until=now, trial_until=None))
        until = health.paused_until + timedelta(seconds=1)
        held = work.by_hand.look_now(Reason.TRANSPORT_PAUSED, now, until)
        work.ledger.note(by, "channel-tried", f"channel:{channel}", now, looked_at=held)
        work.commit()
    services.wake()


# Settling by hand


class Finding(StrEnum):
    """What a person says about an uncertain message."""

    ARRIVED = "arrived"
    SEND_AGAIN = "send-again"
    LEAVE = "leave"


_NOTED = {
    Finding.ARRIVED: "message-arrived",
    Finding.SEND_AGAIN: "message-sent-again",
    Finding.LEAVE: "message-left",
}


def settle(services: Services, message_id: str, finding: Finding, by: str) -> None:
    """Settle an uncertain message by hand, and with it every message that was said in the same text.

    ARRIVED records it as sent: nobody but a receipt says delivered. SEND_AGAIN gives it back to the queue; whether it
    may still go is decided there as for every message. LEAVE takes it off the attention list and changes nothing else.

    Raises NotFoundError; NotAllowedError when it is uncertain no more, or is too late to be sent again.
    """
    now = services.clock.now()
    with services.open_work() as work:
        message, group = _held_group(work, message_id)
        if finding is Finding.SEND_AGAIN and now > message.planned.last_useful:
            raise NotAllowedError("this message is too late to be useful now, so it is not sent again; call the person")
        closed = 0
        for each in group:
            closed += work.by_hand.close_entries(each.person_id, each.id, ASKS, by, now)
            if finding is Finding.ARRIVED:
                work.inbound.move(each.id, [State.UNCERTAIN], State.SENT, now, None, FOUND_ARRIVED)
            elif finding is Finding.SEND_AGAIN:
                work.by_hand.send_again(each.id, now)
            work.ledger.note(by, _NOTED[finding], each.id, now)
        if finding is Finding.LEAVE and not closed:
            raise NotAllowedError("this message is not on the attention list any more; somebody else has seen to it")
        work.commit()
    if finding is Finding.SEND_AGAIN:
        services.wake()


def _held_group(work: UnitOfWork, message_id: str) -> tuple[StoredMessage, list[StoredMessage]]:
    """The message and everything that its text also said, kept from workers and colleagues until the end."""
    named = work.messages.get(message_id)
    carrier = named.carrier or named.id
    ids = {carrier, *(each.id for each in work.queue.carried_by(carrier))}
    for person_id in sorted({work.messages.get(each).person_id for each in ids}):
        work.people.get(person_id)  # people first, then messages, as everywhere: nobody waits in a circle
    group = [work.inbound.hold(each) for each in sorted(ids)]
    message = next((each for each in group if each.id == message_id), named)
    busy = [each for each in (message, *group) if each.state is State.HANDING]
    if busy:
        raise NotAllowedError("this message is being handed over at this moment; wait a minute and look again")
    if message.state is not State.UNCERTAIN:
        raise NotAllowedError(
            f"this message is not uncertain now but {message.state}: somebody else, or a receipt, has settled it; "
            "look at it again"
        )
    return message, [each for each in group if each.state is State.UNCERTAIN]
