"""What the clinic's own record proposes for one ear, as the discharge page shows it: a sentence and a small plot."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.return_sentence import chance_said, level_said, sentence
from service.domain.return_time import NotFitted, Proposal, TooLittle

WIDTH, HEIGHT = 252.0, 90.0
"""The size of the plot, in units of its own; the page adds room for the words beside and above it."""
HALF_A_LABEL = 32.0
"""Half the room that the day above its line takes: the label stays within the plot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FromRecord:
    """`said` is the reasoning. The rest is there only with a proposal: `days` to take, `line` the chance of wax by day
    as points of the plot, `level_y` the chance that the clinic allows, `at_x` the proposed day and `at_label_x` the
    middle of its label, `last` the plot's last day; `level` and `chance` (on the proposed day) in percent."""

    said: str
    days: int | None = None
    line: str = ""
    level_y: float = 0.0
    at_x: float = 0.0
    at_label_x: float = 0.0
    last: int = 0
    level: str = ""
    chance: str = ""


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
        at_label_x=min(max(x(found.days), HALF_A_LABEL), WIDTH - HALF_A_LABEL),
        last=last,
        level=level_said(found.level),
        chance=chance_said(found.chance),
    )
