"""What the clinic's own record proposes for one ear, as the discharge page shows it: a sentence and a small plot."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.return_sentence import sentence
from service.domain.return_time import NotFitted, Proposal, TooLittle

WIDTH, HEIGHT = 240.0, 70.0
"""The size of the plot, in units of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FromRecord:
    """`said` is the reasoning. The rest is there only with a proposal: `days` to take, `line` the chance of wax by day
    as points of the plot, `level_y` the chance that the clinic allows, `at_x` the proposed day, `last` the plot's last
    day, `top` the chance at its upper edge."""

    said: str
    days: int | None = None
    line: str = ""
    level_y: float = 0.0
    at_x: float = 0.0
    last: int = 0
    top: float = 1.0


def from_record(found: Proposal | TooLittle | NotFitted) -> FromRecord:
    """How a proposal is shown, or why there is none."""
    if not isinstance(found, Proposal):
        return FromRecord(said=sentence(found))
    last = max(found.curve[-1][0], 1)
    top = min(1.0, max(found.level * 1.5, *(chance for _, chance in found.curve)))

    def x(day: int) -> float:
        return round(WIDTH * day / last, 1)

    def y(chance: float) -> float:
        return round(HEIGHT - HEIGHT * chance / top, 1)

    return FromRecord(
        said=sentence(found),
        days=found.days,
        line=" ".join(f"{x(day)},{y(chance)}" for day, chance in found.curve),
        level_y=y(found.level),
        at_x=x(found.days),
        last=last,
        top=top,
    )
