"""Does the way out work? A transport that fails in a row is paused, then tried with one message, then trusted again."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from service.domain.message import Outcome, Result

FAILURES_IN_A_ROW = 5
"""After so many hand-overs in a row that came to nothing, the transport is paused. Our choice."""
FIRST_PAUSE = timedelta(minutes=1)
LONGEST_PAUSE = timedelta(minutes=15)
"""Pauses double from the first to the longest. Our choice: a morning's reminders survive a server's restart."""
TRIAL = timedelta(minutes=2)
"""How long one message is tried alone before another may be. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How the transport of one channel does; times are UTC.

    `failures` in a row since the last success or pause; `pauses` since the last success. `trial_until`: one message is
    being tried after a pause, and the others wait. `next_free`: when a rate limit lets the next one go.
    """

    failures: int = 0
    pauses: int = 0
    paused_until: datetime | None = None
    trial_until: datetime | None = None
    next_free: datetime | None = None
    detail: str = ""

    @property
    def well(self) -> bool:
        """Whether nothing stands against sending."""
        return self.pauses == 0


def not_before(health: Health, now: datetime) -> datetime:
    """The earliest instant at which a message may begin; `now` when it may at once."""
    if health.paused_until is not None and health.paused_until > now:
        return health.paused_until
    if not health.well and health.trial_until is not None and health.trial_until > now:
        return health.trial_until
    return now


def begun(health: Health, now: datetime, per_second: float) -> Health:
    """The state once one message has begun: a trial after a pause, and the next slot of a rate limit (0: none)."""
    if not health.well:
        health = replace(health, trial_until=now + TRIAL)
    if per_second > 0:
        slot = max(now, health.next_free or now)
        health = replace(health, next_free=slot + timedelta(seconds=1 / per_second))
    return health


def after(health: Health, outcome: Outcome, now: datetime) -> Health:
    """The state after one outcome. A clear answer, even a refusal, shows that the way out works."""
    if outcome.result in (Result.ACCEPTED, Result.REFUSED):
        return replace(health, failures=0, pauses=0, paused_until=None, trial_until=None, detail="")
    failures = health.failures + 1
    if health.well and failures < FAILURES_IN_A_ROW:
        return replace(health, failures=failures, detail=outcome.detail)
    if health.paused_until is not None and health.paused_until > now:
        # An answer that was under way when the pause began: only a longer wish of the far side changes anything.
        asked = now + timedelta(seconds=outcome.retry_after or 0)
        return replace(health, paused_until=max(health.paused_until, asked))
    pause = min(FIRST_PAUSE * 2 ** min(health.pauses, 10), LONGEST_PAUSE)
    return replace(
        health,
        failures=0,
        pauses=health.pauses + 1,
        paused_until=now + max(pause, timedelta(seconds=outcome.retry_after or 0)),
        trial_until=None,
        detail=outcome.detail,
    )
