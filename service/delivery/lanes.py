"""The lines to the next hops: so many at a time as each transport can carry, each hand-over in a thread of its own."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from queue import Empty, SimpleQueue
from threading import Lock, Thread

from service.delivery.bundles import Bundle
from service.domain.contact import Channel
from service.domain.message import Envelope, Outcome, Result
from service.storage.records import StoredMessage
from service.transports.port import Transport, connections_of

log = logging.getLogger("service.delivery")

GATHER_SECONDS = 0.008
"""How long the first answer waits for those of the other lanes. Our choice: about what a transaction costs, so that
waiting never costs more than it can save."""

_COUNTING = Lock()
"""One for all passes: they count in the same `busy`, also from the threads that an earlier one left behind."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Handing:
    """A hand-over that is written down as begun. `messages` are as they were begun, the carrier first."""

    bundle: Bundle
    messages: tuple[StoredMessage, ...]
    envelope: Envelope


@dataclass(frozen=True, slots=True, kw_only=True)
class Handed:
    """What came of it. `fault` names a plug-in's broken promise."""

    handing: Handing
    outcome: Outcome
    fault: bool = False


class Lanes:
    """Use as a context manager; leaving waits for the hand-overs under way, unless they were left behind.

    `busy` counts the hand-overs under way by transport, those that earlier passes left behind included: it outlives
    the pass.
    """

    def __init__(self, transports: Mapping[Channel, Transport], busy: dict[int, int]) -> None:
        self._transports = transports
        self._busy = busy
        self._mine = 0
        self._lines: dict[int, _Lines] = {}
        self._ended: SimpleQueue[Handed] = SimpleQueue()
        self._lock = _COUNTING
        self._record: Callable[[Handed], None] | None = None

    def __enter__(self) -> Lanes:
        return self

    def __exit__(self, *_: object) -> None:
        for lines in self._lines.values():
            lines.end(wait=self._record is None)

    @property
    def under_way(self) -> int:
        """How many hand-overs of this pass are not answered yet."""
        return self._mine

    def hanging(self) -> list[Channel]:
        """The channels of which no line is free."""
        return [channel for channel in self._transports if self.free(channel) <= 0]

    def free(self, channel: Channel) -> int:
        """How many more messages the channel's transport can take now."""
        transport = self._transports[channel]
        return connections_of(transport) - self._busy.get(id(transport), 0)

    def sharing(self, channel: Channel) -> list[Channel]:
        """The channels that the same transport carries, this one included."""
        transport = self._transports[channel]
        return [each for each, other in self._transports.items() if other is transport]

    def hand(self, handing: Handing) -> None:
        """Begin a hand-over; its answer comes out of `answers`."""
        transport = self._transports[handing.envelope.message.channel]
        mark = id(transport)
        if mark not in self._lines:
            self._lines[mark] = _Lines(connections_of(transport), partial(self._send, transport))
        with self._lock:
            self._busy[mark] = self._busy.get(mark, 0) + 1
            self._mine += 1
        if not self._lines[mark].take(handing):
            nothing = Outcome(result=Result.RETRY, detail="the service was stopped before the hand-over")
            self._ended.put(Handed(handing=handing, outcome=nothing))

    def answers(self, seconds: float | None) -> list[Handed]:
        """Every answer that came, waiting for the first one; none when `seconds` passed without one."""
        found = []
        try:
            found.append(self._ended.get(timeout=seconds))
            latest = time.monotonic() + GATHER_SECONDS  # what is recorded together shares a transaction
            while 4 * len(found) < 3 * self._mine:  # not all of them: one that hangs holds up no other
                found.append(self._ended.get(timeout=max(0.0, latest - time.monotonic())))
            while True:  # and those that are here already
                found.append(self._ended.get_nowait())
        except Empty:
            pass
        with self._lock:  # only now: what is not recorded yet counts as under way
            for each in found:
                self._over(self._transports[each.handing.envelope.message.channel])
        return found

    def _over(self, transport: Transport) -> None:
        self._busy[id(transport)] -= 1
        self._mine -= 1

    def leave_behind(self, record: Callable[[Handed], None]) -> list[Handed]:
        """Wait no more for what is under way: each answer is recorded by `record` when it comes, in the thread of its
        hand-over. Returns the answers that came at this moment."""
        with self._lock:
            self._record = record
        return self.answers(0.001)

    def _send(self, transport: Transport, handing: Handing) -> None:
        try:
            answered = Handed(handing=handing, outcome=transport.send(handing.envelope))
        except Exception as fault:  # a transport that raises breaks its promise: nobody knows what left
            log.exception("message %s: %s", handing.messages[0].id, type(fault).__name__)
            outcome = Outcome(result=Result.UNKNOWN, detail=f"a fault in the service: {type(fault).__name__}")
            answered = Handed(handing=handing, outcome=outcome, fault=True)
        with self._lock:
            record = self._record
            if record is None:
                self._ended.put(answered)
            else:
                self._over(transport)
        if record is not None:
            try:
                record(answered)
            except Exception as fault:  # it stays under its lease, and becomes uncertain when that runs out
                log.exception("message %s: the answer cannot be recorded: %s", handing.messages[0].id, fault)


class _Lines:
    """The threads of one transport in one pass, each started when it is first needed. Not a pool of the standard
    library's: that takes no work from the moment on at which the main thread ends, before a pass can be told to stop.
    """

    def __init__(self, most: int, send: Callable[[Handing], None]) -> None:
        self._most, self._send = most, send
        self._work: SimpleQueue[Handing | None] = SimpleQueue()
        self._threads: list[Thread] = []

    def take(self, handing: Handing) -> bool:
        """Hand over in the next free thread. False when there is none and none can be started: surely nothing left."""
        if len(self._threads) < self._most:
            thread = Thread(target=self._live, name="lane")
            with suppress(RuntimeError):  # no thread to spare
                thread.start()
                self._threads.append(thread)
        if self._threads:
            self._work.put(handing)
        return bool(self._threads)

    def end(self, *, wait: bool) -> None:
        """Let every thread end once what was taken is done."""
        for _ in self._threads:
            self._work.put(None)
        for thread in self._threads if wait else ():
            thread.join()

    def _live(self) -> None:
        while (handing := self._work.get()) is not None:
            self._send(handing)
