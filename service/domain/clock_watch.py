"""Did the clock jump? While it may be wrong nothing is sent and nothing is dropped.

The wall clock is compared with a steady one, which only counts seconds. A jump forward would make reminders leave hours
early, or drop them as too late; a jump back would only make them wait. A machine that slept jumps too, and is right: so
a new time is believed once it has held for a while.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

LARGEST_STEP = timedelta(minutes=5)
"""A difference between the two clocks that no busy machine makes. Our choice."""

SETTLES_AFTER = timedelta(minutes=10)
"""How long a jumped clock must keep its new time before it is believed. Our choice: time servers correct sooner."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockWatch:
    """The last look at both clocks: `wall` (UTC) and `steady` (seconds). `waits_until` is on the steady clock, while a
    jump is not believed yet; `before` is what the wall clock would have shown without it, at the last look."""

    wall: datetime
    steady: float
    waits_until: float | None = None
    before: datetime | None = None

    def look(self, wall: datetime, steady: float) -> ClockWatch:
        """The next look. A clock that comes back to the time it had is believed at once."""
        passed = timedelta(seconds=steady - self.steady)
        now = replace(self, wall=wall, steady=steady)
        if self.waits_until is not None and self.before is not None:
            expected = self.before + passed
            if abs(wall - expected) <= LARGEST_STEP or steady >= self.waits_until:
                return replace(now, waits_until=None, before=None)
            if abs(wall - (self.wall + passed)) <= LARGEST_STEP:
                return replace(now, before=expected)
            return replace(now, before=expected, waits_until=steady + SETTLES_AFTER.total_seconds())
        if abs(wall - (self.wall + passed)) > LARGEST_STEP:
            return replace(now, before=self.wall + passed, waits_until=steady + SETTLES_AFTER.total_seconds())
        return now

    @property
    def believed(self) -> bool:
        """Whether the wall clock can be trusted."""
        return self.waits_until is None
