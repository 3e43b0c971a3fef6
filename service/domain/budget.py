"""How long and how hard may a text be, and which shipped texts may be more so, and why?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """How long and how hard the clinic lets one kind of message be. Over it, an approver says why.

    `parts` and `parts_ucs2`: the most text parts at worst, in the default alphabet of phones and in UCS-2; None where
    no text is sent. `sentence_words`: the most words in one sentence. `hardest`: the hardest score allowed by each
    readability formula, by its id; which way a score runs is the formula's (`service/wording/readability.py`).
    `why` says who chose the figures and from what.
    """

    id: str
    parts: int | None = None
    parts_ucs2: int | None = None
    sentence_words: int
    hardest: Mapping[str, float]
    why: str

    def __post_init__(self) -> None:
        if (self.parts is None) != (self.parts_ucs2 is None):
            raise ValueError("parts and parts_ucs2 come together")
        if any(bound is not None and bound < 1 for bound in (self.parts, self.parts_ucs2, self.sentence_words)):
            raise ValueError("parts, parts_ucs2 and sentence_words are at least 1")


@dataclass(frozen=True, slots=True, kw_only=True)
class OverBudget:
    """Shipped texts of one language that are over their budget, and why they may stay."""

    id: str
    language: str
    units: frozenset[str]
    why: str


def stated_reason(stated: Mapping[str, OverBudget], unit_id: str, language: str) -> str:
    """Why the content lets this text be over its budget; empty where nobody said."""
    return next((each.why for each in stated.values() if each.language == language and unit_id in each.units), "")
