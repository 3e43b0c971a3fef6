"""One pass over what is due: claim, decide, word it, write it down, hand over, record.

Short transactions around network calls, never one open during a call. Each transaction records the outcomes that have
come and begins the next hand-overs, so that many share a commit while no more are ever in doubt than are under way.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from service.delivery.bundles import Bundle, again, bundle, seal
from service.delivery.cases import Looking
from service.delivery.exchange import LEASE, UNCERTAIN, Exchange, Later, Pass
from service.delivery.lanes import Handed, Handing, Lanes
from service.domain.contact import Channel
from service.domain.message import State
from service.domain.outcomes import Tries, repeat_at
from service.domain.sending import Reason
from service.errors import DatabaseAwayError, WordingError
from service.planning.unusable import hold_people_at, mark_unusable_in
from service.services import Services
from service.storage.records import Ending, StoredMessage
from service.storage.unit_of_work import UnitOfWork
from service.transports.port import repeat_seconds_of

log = logging.getLogger("service.delivery")

FAR_SIDE = "far-side"
"""Who marked a number or address as unusable, when the answer to a hand-over did."""

CLAIM = timedelta(minutes=2)
"""How long a claimed message that is not begun waits for its worker, which renews this while it lives. Our choice:
nothing of it has left, so it can go to another worker soon."""

PATIENCE_SECONDS = 540.0
"""How long outcomes wait for a database that went away: less than the lease of their hand-overs."""

HANGS_SECONDS = 15.0
"""When nothing but unanswered hand-overs is left for so long, the pass ends without them: one far side that is slow
holds up no other. Their answers are recorded when they come."""

LONGEST_TURN_SECONDS = 5.0
"""A message whose turn under a rate limit comes later than this is given back and claimed again then."""


def send_due(
    services: Services,
    owner: str,
    limit: int = 100,
    *,
    stop: Callable[[], bool] = lambda: False,
    more: Callable[[], None] = lambda: None,
) -> Pass:
    """Send what is due now, at most `limit` messages and what can be said with them. Once `stop` says so, what is under
    way is finished, nothing more is begun, and the rest is given back. `more` is called before the first hand-over when
    there may be more than that, so that others can help; it must not raise.

    A fault in one message (a plug-in that breaks its promise, a record that cannot be read) is recorded on that message
    and put before a person; the others go on. Raises DatabaseAwayError.
    """
    done = Pass()
    if not services.clock_believed():  # asked before each pass: working off a backlog can take long
        return done
    now = services.clock.now()
    with services.open_reading() as work:
        if not work.queue.anything(now, LEASE):
            return done
        repeats = work.queue.repeats(now, limit)
    with services.open_work() as work:
        _recover(services, work, now, done)
        claimed = work.queue.claim(owner, now, CLAIM, limit)
        within = timedelta(minutes=services.pack.timing.join_minutes)
        beside = work.queue.claim_beside(owner, now, CLAIM, claimed, within) if claimed else []
        work.commit()
    done.claimed = len(claimed)
    if len(claimed) >= limit:
        more()
    looking = Looking(services)
    bundles, endings = _prepare(services, looking, [*claimed, *beside], now)
    for members in repeats:
        bundles += _prepare_repeat(services, looking, members, now)
    _Carrier(services=services, exchange=Exchange(services, looking, done), stop=stop, waiting=bundles).carry(endings)
    return done


def _recover(services: Services, work: UnitOfWork, now: datetime, done: Pass) -> None:
    """Take up what a process left behind."""

    def repeated(message: StoredMessage) -> datetime | None:
        if message.channel is None or message.channel not in services.transports:
            return None
        tries = Tries(
            channel=message.channel,
            attempts=message.attempts,
            key_since=message.key_since or now,
            repeat_seconds=repeat_seconds_of(services.transports[message.channel]),
            repeats=message.repeats,
            joined=tuple(each.planned for each in work.queue.carried_by(message.id)),
        )
        return repeat_at(message.planned, tries, now=now, spread=services.chance())

    lost = work.queue.recover(now, LEASE, repeated)
    again_by_itself = {message.id for message in lost if message.repeat_at is not None}
    for message in lost:
        if not again_by_itself & {message.id, message.carrier}:
            work.ledger.ask(message.person_id, UNCERTAIN, now, message_id=message.id, detail=message.detail)
        done.note(State.UNCERTAIN)


def _prepare(
    services: Services, looking: Looking, messages: Sequence[StoredMessage], now: datetime
) -> tuple[list[Bundle], list[Ending]]:
    """Decide and word; all at once, and one by one when something in one of them cannot be read."""
    if not messages:
        return [], []
    try:
        with services.open_reading() as work:
            return bundle(services, work, looking.cases(work, messages, now), now)
    except DatabaseAwayError:
        raise
    except Exception as fault:
        if len(messages) == 1:
            return [], [_fault(messages[0], fault)]
    bundles: list[Bundle] = []
    endings: list[Ending] = []
    for message in messages:
        one, ended = _prepare(services, looking, [message], now)
        bundles += one
        endings += ended
    return bundles, endings


def _prepare_repeat(
    services: Services, looking: Looking, members: Sequence[StoredMessage], now: datetime
) -> list[Bundle]:
    """The words of an uncertain message once more; a person is asked when they cannot be made the same."""
    carrier = members[0]
    found = None
    try:
        with services.open_reading() as work:
            cases = looking.cases(work, members, now)
            found = again(services, work, [cases[each.id] for each in members], now)
    except DatabaseAwayError:
        raise
    except Exception as fault:
        log.exception("message %s cannot be repeated: %s", carrier.id, type(fault).__name__)
    if found is not None:
        return [found]
    _repeat_no_more(services, carrier, "the same words cannot be handed over again")
    return []


def _repeat_no_more(services: Services, carrier: StoredMessage, detail: str) -> None:
    """Leave an uncertain message as it is, and put it before a person."""
    now = services.clock.now()
    with services.open_work() as work:
        if work.queue.put_off(carrier, None):
            work.ledger.ask(carrier.person_id, UNCERTAIN, now, message_id=carrier.id, detail=detail)
        work.commit()


def _fault(message: StoredMessage, fault: Exception) -> Ending:
    """A fault before the hand-over began: nothing left, and a person is asked."""
    if isinstance(fault, WordingError):  # an address or a sentence that the letter cannot carry, in one clear sentence
        return Ending(message=message, state=State.FAILED, reason=Reason.REFUSED, detail=str(fault))
    log.error("message %s: %s", message.id, type(fault).__name__, exc_info=fault)
    detail = f"a fault in the service: {type(fault).__name__}"
    return Ending(message=message, state=State.FAILED, reason=Reason.FAULT, detail=detail)


@dataclass(slots=True)
class _Carrier:
    """Carries the bundles of one pass to the next hops, in their order, as many at a time as the lanes can take."""

    services: Services
    exchange: Exchange
    stop: Callable[[], bool]
    waiting: list[Bundle]
    resting: dict[Channel, float] = field(default_factory=dict)
    extended: datetime | None = None

    def carry(self, endings: list[Ending]) -> None:
        """Until nothing waits and nothing is under way."""
        handed: list[Handed] = []
        with Lanes(self.services.transports, self.services.busy) as lanes:
            while True:
                if self.stop():
                    endings += self._give_back()
                starts = self._next(lanes, endings)
                if endings or handed or starts:
                    handings, later = self._write(endings, handed, starts, under_way=lanes.under_way > 0)
                    self._mark_unusable(handed)
                    endings, handed = self._put_back(later), []
                    for handing in handings:
                        lanes.hand(handing)
                    if endings:
                        continue
                if not lanes.under_way and not self.waiting:
                    return
                handed = lanes.answers(self._patience(lanes))
                if not handed and not starts and not self._turns() and not self.stop():
                    handed = lanes.leave_behind(self._record_late)
                    self.exchange.note_hanging(lanes.hanging())
                    self._write(self._queue_up(), handed, [], under_way=True)
                    self._mark_unusable(handed)
                    return
                self._extend()

    def _next(self, lanes: Lanes, endings: list[Ending]) -> list[Bundle]:
        """The bundles to begin now, with their files; one whose files cannot be made ends by that fault."""
        starts: list[Bundle] = []
        left: list[Bundle] = []
        room: dict[Channel, int] = {}
        now = time.monotonic()
        for number, each in enumerate(self.waiting):
            channel = each.composed.channel
            if channel not in room:
                room[channel] = 0 if self.resting.get(channel, 0.0) > now else lanes.free(channel)
            if room[channel] <= 0:
                left.append(each)
                if not any(room.values()) and len(room) == len(self.services.transports):
                    left += self.waiting[number + 1 :]
                    break
                continue
            one_by_one = self.services.rates.get(channel, 0.0) > 0
            for shared in lanes.sharing(channel):
                room[shared] = 0 if one_by_one and shared is channel else room.get(shared, lanes.free(shared)) - 1
            try:
                starts.append(seal(self.services, each))
            except DatabaseAwayError:
                left.append(each)
            except Exception as fault:
                endings += self._unbegun(each, fault)
        self.waiting = left
        return starts

    def _write(
        self, endings: list[Ending], handed: list[Handed], starts: list[Bundle], *, under_way: bool
    ) -> tuple[list[Handing], list[Later]]:
        """One transaction, or, after a fault, one for each: a fault in one bundle stops no other."""
        try:
            return self._once(endings, handed, starts, under_way=under_way)
        except DatabaseAwayError:
            raise
        except Exception as fault:
            log.warning("each is written alone: %s", type(fault).__name__)
        handings: list[Handing] = []
        later: list[Later] = []
        for ending in endings:
            self._alone([ending], [], [])
        for one in handed:
            self._alone([], [one], [])
        for start in starts:
            begun = self._alone([], [], [start])
            handings += begun[0]
            later += begun[1]
        return handings, later

    def _once(
        self, endings: list[Ending], handed: list[Handed], starts: list[Bundle], *, under_way: bool
    ) -> tuple[list[Handing], list[Later]]:
        """One transaction; while the database is away, outcomes wait for it."""
        give_up, wait = time.monotonic() + PATIENCE_SECONDS, 0.25
        while True:
            try:
                return self.exchange.run(endings, handed, starts)
            except DatabaseAwayError as away:
                if time.monotonic() > give_up or not (handed or under_way):
                    raise
                log.warning("outcomes wait for the database: %s", away)
                time.sleep(wait)
                wait = min(wait * 2, 5.0)

    def _alone(
        self, endings: list[Ending], handed: list[Handed], starts: list[Bundle]
    ) -> tuple[list[Handing], list[Later]]:
        try:
            return self._once(endings, handed, starts, under_way=True)
        except DatabaseAwayError:
            raise
        except Exception as fault:
            failed = [ending for start in starts for ending in self._unbegun(start, fault)]
            if failed:
                self.exchange.run(failed, [], [])
            if not starts:  # what cannot be recorded stays under its lease, and is given back or uncertain after it
                log.exception("an outcome cannot be recorded: %s", type(fault).__name__)
            return [], []

    def _unbegun(self, found: Bundle, fault: Exception) -> list[Ending]:
        """How a bundle ends whose hand-over a fault prevented. A repeat stays uncertain: it may have arrived before."""
        if not found.repeat:
            return [_fault(case.message, fault) for case in found.members]
        log.error("message %s cannot be repeated: %s", found.carrier.id, type(fault).__name__, exc_info=fault)
        _repeat_no_more(self.services, found.carrier, f"a fault in the service: {type(fault).__name__}")
        return []

    def _put_back(self, later: list[Later]) -> list[Ending]:
        """Let what waits its turn wait here if that is short, else in the queue."""
        now, endings = self.services.clock.now(), []
        for each in later:
            channel = each.bundle.composed.channel
            if each.seconds <= LONGEST_TURN_SECONDS:
                self.resting[channel] = time.monotonic() + each.seconds
                self.waiting.insert(0, each.bundle)
                continue
            behind = [one for one in self.waiting if one.composed.channel is channel]
            self.waiting = [one for one in self.waiting if one.composed.channel is not channel]
            for number, one in enumerate([each.bundle, *behind]):
                turn = now + timedelta(seconds=each.seconds + number / self.services.rates[channel])
                endings += [_back(message, turn, Reason.RATE_LIMIT) for message in _claimed([one])]
        return endings

    def _patience(self, lanes: Lanes) -> float | None:
        """How long to wait for an answer: until the next turn, if something waits for one; else as long as it takes."""
        turns = self._turns()
        if not lanes.under_way:
            return max(0.01, min(turns, default=0.0) - time.monotonic())
        return max(0.01, min(turns) - time.monotonic()) if turns else HANGS_SECONDS

    def _turns(self) -> list[float]:
        """When what waits under a rate limit may go, on the steady clock; only what is still to come."""
        now = time.monotonic()
        channels = {each.composed.channel for each in self.waiting}
        return [self.resting[each] for each in channels if self.resting.get(each, 0.0) > now]

    def _record_late(self, handed: Handed) -> None:
        """Record an answer that came after its pass had ended."""
        self._write([], [handed], [], under_way=True)
        self._mark_unusable([handed])

    def _mark_unusable(self, handed: Sequence[Handed]) -> None:
        """Mark each number or address of which the far side says that it is unusable. In a transaction of its own: here
        people are held, and the one of the outcomes holds messages first."""
        for each in handed:
            if not each.outcome.contact_bad:
                continue
            message, person_id = each.handing.envelope.message, each.handing.messages[0].person_id
            try:
                with self.services.open_work() as work:
                    people = hold_people_at(work, message.channel, message.to, person_id)
                    now, detail = self.services.clock.now(), each.outcome.detail
                    mark_unusable_in(work, people, person_id, message.channel, detail, FAR_SIDE, now)
                    work.commit()
            except DatabaseAwayError as away:  # the next message there is refused, too, and marks it
                log.warning("a number or address that is unusable could not be marked: %s", away)

    def _queue_up(self) -> list[Ending]:
        """Give back what waits for a transport whose every line is taken by a slow hand-over."""
        again = self.services.clock.now() + timedelta(seconds=30)
        endings = [_back(message, again, Reason.TRANSPORT_PAUSED) for message in _claimed(self.waiting)]
        self.waiting = []
        return endings

    def _give_back(self) -> list[Ending]:
        endings = [_back(message, message.look_at, message.reason) for message in _claimed(self.waiting)]
        self.waiting = []
        return endings

    def _extend(self) -> None:
        """Keep the claim on what waits behind slow hand-overs."""
        now = self.services.clock.now()
        if self.extended is None:
            self.extended = now
        if not self.waiting or now - self.extended < CLAIM / 4:
            return
        self.extended = now
        try:
            with self.services.open_work() as work:
                work.queue.extend(_claimed(self.waiting), now, CLAIM)
                work.commit()
        except DatabaseAwayError as away:
            log.warning("a claim could not be renewed: %s", away)


def _claimed(bundles: Sequence[Bundle]) -> list[StoredMessage]:
    """What is held under a claim; a repeat is not, it stays uncertain until it begins."""
    return [case.message for each in bundles if not each.repeat for case in each.members]


def _back(message: StoredMessage, look_at: datetime, reason: str | None) -> Ending:
    return Ending(message=message, state=State.PENDING, look_at=look_at, reason=reason)
