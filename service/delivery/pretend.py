"""Winding the demo's clock: time jumps from one due moment to the next, so that nothing is too late by the jump."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol, runtime_checkable

from service.delivery.dispatch import send_due
from service.planning import recall_round
from service.services import Services

OWNER = "demo-clock"
MOST_STEPS = 3000
"""Steps of one winding. Our choice: ten people with four doses a day for two months stay below it."""


@runtime_checkable
class WindableClock(Protocol):
    """A clock that can be set forward."""

    def now(self) -> datetime:
        """The pretended instant, UTC."""
        ...

    def set(self, instant: datetime) -> None:
        """Set the clock forward to `instant`; never back."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Wound:
    """How far one winding came: the moment reached (UTC), messages sent on the way, and whether it came all the way."""

    reached: datetime
    sent: int
    whole: bool


def wind(services: Services, clock: WindableClock, until: datetime, *, most_steps: int = MOST_STEPS) -> Wound:
    """Step the clock to every moment at which a message should be looked at, sending what is due, up to `until`.

    When `most_steps` are used up first, the clock stays where it is: `whole` is False and winding on is safe.
    """
    sent = 0
    for _ in range(most_steps):
        moment = _next_look(services)
        if moment is None or moment > until:
            clock.set(until)
            _nightly(services)
            return Wound(reached=clock.now(), sent=sent, whole=True)
        sent += _step(services, clock, moment)
    return Wound(reached=clock.now(), sent=sent, whole=False)


def wind_to_next(services: Services, clock: WindableClock, *, most_steps: int = MOST_STEPS) -> Wound:
    """Step the clock until at least one message went out; `whole` is False when none is left to go."""
    for _ in range(most_steps):
        moment = _next_look(services)
        if moment is None:
            break
        sent = _step(services, clock, moment)
        if sent:
            return Wound(reached=clock.now(), sent=sent, whole=True)
    return Wound(reached=clock.now(), sent=0, whole=False)


def _next_look(services: Services) -> datetime | None:
    with services.open_reading() as work:
        return work.messages.next_look()


def _step(services: Services, clock: WindableClock, moment: datetime) -> int:
    if moment > clock.now():
        clock.set(moment)
    sent = send_due(services, OWNER).ended["sent"]
    _nightly(services)
    return sent


def _nightly(services: Services) -> None:
    """The round of recalls that would have run in the night before this moment."""
    if recall_round.due(services):
        recall_round.run(services)
