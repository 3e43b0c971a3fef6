"""What the visits of one ear say about when wax came back: spans of days, never a day.

A visit tells only that wax had come back by then, or had not. So each clearing of an ear gives one `Gap`: a number of
days after which the ear was still clear, and a number by which wax was there again, if it ever was.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

EarTraits = frozenset[str]
"""Which of the traits that content names (hearing aid worn, prone to wax, ...) hold for one ear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One ear as seen on one local date: finding codes, and the traits that held then.

    Without findings the ear was not looked at, and the look says nothing.
    """

    on: date
    findings: frozenset[str]
    traits: EarTraits = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnRule:
    """How content reads findings.

    `clear`: wax was taken out and the ear is clear, so the days are counted from here ("normal" does not belong here:
    nothing was taken out, and the count goes on). `returned`: wax that needs removal was there. `left_out`: the ear
    obeys other laws (a cavity, a grommet, a perforation), and no gap that touches such a look is counted.
    """

    clear: frozenset[str]
    returned: frozenset[str]
    left_out: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        if not self.clear or not self.returned:
            raise ValueError("a rule needs at least one finding in clear and one in returned")
        if both := self.left_out & (self.clear | self.returned):
            raise ValueError(f"left_out must not name what clear or returned names: {', '.join(sorted(both))}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """From one clearing of an ear to wax, or to the last look so far.

    `days_clear`: wax had surely not returned before (0: the ear was not seen in between). `days_returned`: wax had
    returned by then; None: not yet. `ear` is opaque and the same for all gaps of one ear; `traits` held at the start.
    """

    ear: str
    days_clear: int
    days_returned: int | None
    traits: EarTraits = frozenset()

    def __post_init__(self) -> None:
        if self.days_clear < 0:
            raise ValueError("days_clear must be 0 or more")
        if self.days_returned is not None and self.days_returned <= self.days_clear:
            raise ValueError("days_returned must be later than days_clear")
        if self.days_returned is None and self.days_clear == 0:
            raise ValueError("a gap with neither bound says nothing")


@dataclass(frozen=True, slots=True, kw_only=True)
class EarPast:
    """One ear up to its latest look, which is the visit at hand when a proposal is asked for.

    `earlier_visits`: days before the latest on which the ear was looked at. `traits`: those of the latest look.
    `clear_for`: how many days the ear has been clear at the latest look (0: cleared on that day); None where no
    clearing is known or wax is there, and then nothing can be proposed. An ear that is still clear has its open gap
    last in `gaps`.
    """

    ear: str
    gaps: tuple[Gap, ...] = ()
    earlier_visits: int = 0
    clear_for: int | None = None
    traits: EarTraits = frozenset()


def past_of(looks: Iterable[Look], rule: ReturnRule, ear: str = "") -> EarPast:
    """What the looks at one ear, in any order, say. Looks of one day count as one look with all their findings.

    Where one day has both a clearing and wax that was left, the clearing is taken to have come last.
    """
    days = _by_day(looks)
    gaps: list[Gap] = []
    start: Look | None = None
    clear = 0

    def end(returned: int | None) -> None:
        if start is not None and (clear or returned is not None):
            gaps.append(Gap(ear=ear, days_clear=clear, days_returned=returned, traits=start.traits))

    for look in days:
        if look.findings & rule.left_out:
            start, clear = None, 0
            continue
        passed = (look.on - start.on).days if start is not None else 0
        returned, cleared = bool(look.findings & rule.returned), bool(look.findings & rule.clear)
        if not returned:
            clear = passed
        if returned or cleared:
            # What is cleared before it needed removal had not returned by then, and the count begins anew.
            end(passed if returned else None)
            start, clear = (look if cleared else None), 0
    end(None)
    return EarPast(
        ear=ear,
        gaps=tuple(gaps),
        earlier_visits=max(len(days) - 1, 0),
        clear_for=clear if start is not None else None,
        traits=days[-1].traits if days else frozenset(),
    )


def gaps_of(looks: Iterable[Look], rule: ReturnRule, ear: str = "") -> tuple[Gap, ...]:
    """The gaps of one ear, earliest first; see `past_of`."""
    return past_of(looks, rule, ear).gaps


def _by_day(looks: Iterable[Look]) -> list[Look]:
    """One look a day in order; looks without findings are left out."""
    days: dict[date, Look] = {}
    for look in looks:
        if look.findings:
            before = days.get(look.on, look)
            days[look.on] = Look(
                on=look.on, findings=before.findings | look.findings, traits=before.traits | look.traits
            )
    return [days[on] for on in sorted(days)]
