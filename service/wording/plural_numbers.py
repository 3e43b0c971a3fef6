"""Which whole numbers take each plural form of a language? To say a form with, and to show beside it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from service.messages.i18n import PLURAL_SAMPLE, plural_categories, plural_form

_SHOWN = 5
"""Numbers named beside a plural form. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """One plural form of a language, and the first whole numbers that take it; none where only fractions do."""

    category: str
    samples: tuple[int, ...]

    @property
    def usual(self) -> int | None:
        """The one of them to say something with: none of 0 and 1 where the form stands for more."""
        return next((number for number in self.samples if number > 1), next(iter(self.samples), None))


@lru_cache(maxsize=256)
def numbers_of(language: str) -> tuple[Numbers, ...]:
    """The plural forms of a language in the order of its texts, each with numbers that take it.

    Raises ContactError when the language's plural forms are not known.
    """
    rule, samples = plural_form(language), dict[int, list[int]]()
    for number in PLURAL_SAMPLE:
        samples.setdefault(rule(number), []).append(number)
    return tuple(
        Numbers(category=category, samples=tuple(samples.get(index, ())[:_SHOWN]))
        for index, category in enumerate(plural_categories(language))
    )
