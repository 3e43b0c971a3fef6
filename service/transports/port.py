"""What a transport is, how one is found by name, and the one that only remembers (for tests)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from importlib.metadata import entry_points
from typing import Protocol

from service.domain.message import DeliveryReport, Envelope, Inbound, Outcome, Result
from service.errors import TransportError

GROUP = "service.transports"
"""The entry-point group: a package that adds a transport names its class there."""

Options = Mapping[str, str | int | bool]


class Transport(Protocol):
    """Carries one channel to its next hop.

    Besides these methods it may have three attributes. `connections` (1 if it has none): how many calls of `send` it
    can take at the same time, from as many threads. `repeat_seconds` (0 if it has none): for how long after a hand-over
    the far side recognises a repeat by its key, so that an unknown outcome may be settled by handing the same message
    over again; only for far sides that promise it. `national_shift` (false if it has none): whether a text goes with
    the national shift table of its language where that spares it UCS-2.
    """

    @classmethod
    def from_options(cls, options: Options) -> Transport:
        """A transport from its settings. Raises TransportError naming the option that is wrong."""
        ...

    def send(self, envelope: Envelope) -> Outcome:
        """Hand one message over and say what came of it. Never raises for anything the far side does: a failure
        that surely came before acceptance is RETRY or REFUSED, anything after it that is not a clear yes is UNKNOWN."""
        ...

    def close(self) -> None:
        """Let go of connections."""
        ...


class Receiving(Protocol):
    """What a transport has besides, when its far side also talks to us on the same line (such as SMPP)."""

    def receive(
        self,
        report: Callable[[DeliveryReport], None],
        inbound: Callable[[Inbound], None],
        now: Callable[[], datetime],
    ) -> None:
        """Name where receipts and incoming words go; `now` tells the time, UTC. Each call returns once the value is
        safely stored; only then is the far side told that we have it. May be called from another thread."""
        ...


def connections_of(transport: Transport) -> int:
    """How many messages the transport can carry at the same time."""
    return max(1, int(getattr(transport, "connections", 1)))


def repeat_seconds_of(transport: Transport) -> int:
    """For how long after a hand-over the far side recognises a repeat by its key; 0 if never."""
    return max(0, int(getattr(transport, "repeat_seconds", 0)))


def shifts_of(transport: Transport | None) -> bool:
    """Whether the transport sends a text with the national shift table of its language where one holds it."""
    return bool(getattr(transport, "national_shift", False))


def load_transport(name: str, options: Options) -> Transport:
    """The transport that the entry point `name` gives. Raises TransportError, listing what is installed."""
    found = {point.name: point for point in entry_points(group=GROUP)}
    if name not in found:
        raise TransportError(f"transport {name!r} is not installed; installed: {', '.join(sorted(found)) or 'none'}")
    kind: type[Transport] = found[name].load()
    return kind.from_options(options)


def option_text(options: Options, name: str, default: str | None = None) -> str:
    """One textual option. Raises TransportError when it is missing or not text."""
    value = options.get(name, default)
    if not isinstance(value, str) or not value:
        raise TransportError(f"option {name} must be given as text")
    return value


def option_number(options: Options, name: str, default: int) -> int:
    """One whole-number option. Raises TransportError when it is not one."""
    value = options.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int):
        raise TransportError(f"option {name} must be a whole number")
    return value


class RecordingTransport:
    """Keeps every envelope and answers as told; ships with the service so that all tests use the same double."""

    def __init__(self, answer: Callable[[Envelope], Outcome] | None = None) -> None:
        self.sent: list[Envelope] = []
        self._answer = answer or (lambda _: Outcome(result=Result.ACCEPTED, detail="recorded"))

    @classmethod
    def from_options(cls, options: Options) -> RecordingTransport:
        """A recorder; it has no options."""
        return cls()

    def send(self, envelope: Envelope) -> Outcome:
        """Remember the envelope and answer."""
        self.sent.append(envelope)
        return self._answer(envelope)

    def close(self) -> None:
        """Nothing to let go of."""
