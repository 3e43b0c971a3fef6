"""How many of those who were invited came, group by group, and how sure a number of that size can be.

Whoever died, moved away or is not to come any more did not "not come": they are left out of every share. Who may still
answer is still open: counted, shown, and in no share.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import TypeVar

from service.domain.recall import Ended, Recall, RecallState, Spacing, unanswered_from

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")

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


LEFT_OUT = frozenset({Ended.DIED, Ended.LEFT, Ended.REPLACED, Ended.NOT_NEEDED})
"""Ends that say nothing of the invitation: the person could not come any more, or the clinic does not ask any more."""


def came(recall: Recall, spacing: Spacing, today: date) -> bool | None:
    """Whether an invited person came or booked; None while that is open. `today` is the clinic's day.

    It is open as long as somebody of the clinic is to arrange the visit, and until the day from which nobody answers
    the present round any more. A recall that ended for one of `LEFT_OUT` has no answer to this: ask only of others.
    """
    match recall.state:
        case RecallState.SEEN | RecallState.BOOKED:
            return True
        case RecallState.ANSWERED:
            return None
        case RecallState.DUE:
            return None if today < unanswered_from(recall, spacing) else False
    return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The words of an invitation: the language, the sentence's own name in the content ("" when the record does
    not say) and when (UTC) that text of it was approved; None for a text that nobody approved."""

    language: str
    sentence: str
    approved: datetime | None = None

    def __str__(self) -> str:
        return f"{self.language}, {self.sentence}, {self.approved or ''}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Invited:
    """One person who was invited, as the report counts it; nothing in it names them.

    `channel`, `words` and `age` (completed years) are those of the last invitation that was handed over before the
    person came, or at all. `came`: see the function. `answer` is what was answered last, "" for nothing. `after` is the
    number (1 to 3) in its round of the invitation that the answer followed, or without an answer of that last one.
    """

    channel: str
    words: Words
    age: int | None
    after: int
    answer: str
    came: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Some of those who were invited: the share of those that are settled, and how many are `open` beside them."""

    share: Share
    open: int

    @property
    def invited(self) -> int:
        """All of them."""
        return self.share.of + self.open

    @property
    def least(self) -> float | None:
        """The share if none of the open ones come; None of nobody."""
        return self.share.hits / self.invited if self.invited else None

    @property
    def most(self) -> float | None:
        """The share if all of the open ones come; None of nobody."""
        return (self.share.hits + self.open) / self.invited if self.invited else None


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


def group_of(invited: Iterable[Invited]) -> Group:
    """How many of these came or booked, of the settled ones."""
    each = [one.came for one in invited]
    return Group(share=wilson(each.count(True), len(each) - each.count(None)), open=each.count(None))


def uptake(invited: Iterable[Invited], group: Callable[[Invited], K]) -> dict[K, Group]:
    """How many came, by group, the largest group first and equal ones by name."""
    return {name: group_of(members) for name, members in _groups((group(each), each) for each in invited)}


def plugs_by_marks(back: Iterable[CameBack]) -> dict[str, Share]:
    """How many came back with a hard plug, by how many of their doses they had marked as done.

    A mark that is missing does not say that the dose was missed: most people mark nothing.
    """
    found = _groups((_marked(each.marked), each.plug) for each in back)
    return {name: wilson(sum(plugs), len(plugs)) for name, plugs in found}


def _marked(share: float | None) -> str:
    if share is None:
        return "no doses in the plan"
    if share == 0:
        return "no dose marked"
    return "fewer than half marked" if share < 0.5 else "half or more marked"


def _groups(pairs: Iterable[tuple[K, V]]) -> list[tuple[K, list[V]]]:
    found: dict[K, list[V]] = {}
    for name, value in pairs:
        found.setdefault(name, []).append(value)
    return sorted(found.items(), key=lambda item: (-len(item[1]), str(item[0])))
