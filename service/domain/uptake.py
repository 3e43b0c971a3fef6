"""How many of those who were invited came, group by group, and how sure a number of that size can be."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

Z_95 = 1.959963984540054
"""The standard normal quantile of 0.975, for intervals that hold 95 times in 100."""

AGE_BANDS = ((0, "under 18"), (18, "18 to 64"), (65, "65 to 79"), (80, "80 or older"))
"""From which completed year each band begins. Our choice, for the report only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """`hits` of `of`, with the interval in which the true share lies 95 times in 100; 0 to 1 where nothing is known."""

    hits: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float | None:
        """The share as it was seen; None of nothing."""
        return self.hits / self.of if self.of else None


def wilson(hits: int, of: int, z: float = Z_95) -> Share:
    """A share with Wilson's score interval without continuity correction.

    It stays within 0 and 1 and says something honest of small numbers. Raises ValueError unless 0 <= hits <= of.

    Source: E. B. Wilson, J Am Stat Assoc 1927;22:209; recommended by R. G. Newcombe, Stat Med 1998;17:857, method 3.
    """
    if not 0 <= hits <= of:
        raise ValueError("as many hits as tries at most, and none below 0")
    if of == 0:
        return Share(hits=0, of=0, low=0.0, high=1.0)
    share, square = hits / of, z * z
    middle = (share + square / (2 * of)) / (1 + square / of)
    half = z / (1 + square / of) * math.sqrt(share * (1 - share) / of + square / (4 * of * of))
    return Share(
        hits=hits,
        of=of,
        low=0.0 if hits == 0 else max(0.0, middle - half),
        high=1.0 if hits == of else min(1.0, middle + half),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Invited:
    """One recall that was invited, as the report counts it; nothing in it names a person.

    `channel`, `language` and `wording` are those of the invitation that was answered, or of the last one. `after` is
    the number of that invitation in its round; `answer` what was answered, "" for nothing; `came`: booked or seen.
    """

    channel: str
    language: str
    wording: str
    age: int | None
    after: int
    answer: str
    came: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CameBack:
    """One recall that ended with a visit: was there a hard plug, and what share of the doses of the plan before it did
    the person mark as done (None: the plan had no doses)?"""

    plug: bool
    marked: float | None


def age_band(age: int | None) -> str:
    """The band of an age in completed years."""
    if age is None:
        return "not known"
    return [name for start, name in AGE_BANDS if age >= start][-1]


def uptake(invited: Iterable[Invited], group: Callable[[Invited], str]) -> dict[str, Share]:
    """How many came, by group, the largest group first."""
    return _shares((group(each), each.came) for each in invited)


def plugs_by_marks(came: Iterable[CameBack]) -> dict[str, Share]:
    """How many came back with a hard plug, by how many of their doses they had marked as done.

    A mark that is missing does not say that the dose was missed: most people mark nothing.
    """
    return _shares((_marked(each.marked), each.plug) for each in came)


def _marked(share: float | None) -> str:
    if share is None:
        return "no doses in the plan"
    if share == 0:
        return "no dose marked"
    return "fewer than half marked" if share < 0.5 else "half or more marked"


def _shares(pairs: Iterable[tuple[str, bool]]) -> dict[str, Share]:
    counts: dict[str, list[int]] = {}
    for name, hit in pairs:
        entry = counts.setdefault(name, [0, 0])
        entry[0] += hit
        entry[1] += 1
    ordered = sorted(counts.items(), key=lambda item: (-item[1][1], item[0]))
    return {name: wilson(hits, of) for name, (hits, of) in ordered}
