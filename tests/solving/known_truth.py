"""Ears whose wax returns by a law that is known, visited at irregular times: what the estimate is tried against.

All of it is invented. A clinic sees each ear some times; when wax is back it is cleared and the count begins anew.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from scipy.special import ndtr, ndtri

from service.domain.ear_past import EarPast, EarTraits, Look, ReturnRule, past_of

RULE = ReturnRule(clear=frozenset({"cleared"}), returned=frozenset({"hard"}), left_out=frozenset({"cavity"}))
CLEARED, BACK, NOTHING = frozenset({"cleared"}), frozenset({"hard", "cleared"}), frozenset({"nothing"})
EPOCH = date(2015, 1, 1)


@dataclass(frozen=True, kw_only=True)
class Truth:
    """The law: log T = log_median + effects of traits + ear + noise of this family and shape, T in days.

    "log-normal" has sd 1 / shape on the log scale; no fitted family is like it. `usual`: how far apart visits are
    planned, `spread`: sd of the log of the factor by which they are off. `by_symptoms`: the share of returns that
    bring the person in about two weeks later, `stays_away`: the share of planned visits without wax that do not happen.
    """

    family: str = "weibull"
    log_median: float = float(np.log(240))
    shape: float = 2.0
    ear_sd: float = 0.4
    effects: dict[str, float] = field(default_factory=lambda: {"aid": -0.4, "prone": -0.3})
    usual: float = 180.0
    spread: float = 0.4
    visits: tuple[int, int] = (2, 8)
    by_symptoms: float = 0.0
    stays_away: float = 0.0

    def chance(self, days: float, log_median: float, clear_for: float = 0) -> float:
        """The true chance that wax is back so many days after a look at which this ear had been clear for `clear_for`."""
        still = 1 - self._back(clear_for, log_median)
        return (self._back(clear_for + days, log_median) - 1 + still) / still

    def day(self, chance: float, log_median: float, clear_for: float = 0) -> float:
        """The day at which that true chance is reached."""
        before = self._back(clear_for, log_median)
        back = before + chance * (1 - before)
        if self.family == "weibull":
            z = np.log(-np.log1p(-back) / np.log(2))
        else:
            z = np.log(back / (1 - back)) if self.family == "log-logistic" else ndtri(back)
        return float(np.exp(log_median + z / self.shape)) - clear_for

    def _back(self, days: float, log_median: float) -> float:
        if days <= 0:
            return 0.0
        z = self.shape * (np.log(days) - log_median)
        if self.family == "weibull":
            return float(-np.expm1(-np.log(2) * np.exp(z)))
        return float(1 / (1 + np.exp(-z))) if self.family == "log-logistic" else float(ndtr(z))


@dataclass(frozen=True, kw_only=True)
class TrueEar:
    """What the clinic saw of an ear, and what it cannot know: the median of this ear's times, log days."""

    past: EarPast
    log_median: float


def some_ears(truth: Truth, number: int, rng: np.random.Generator) -> list[TrueEar]:
    """So many ears, each with its visits; the latest of each is a clearing or a look without wax."""
    return [_one(truth, f"ear {index}", rng) for index in range(number)]


def _one(truth: Truth, name: str, rng: np.random.Generator) -> TrueEar:
    traits: EarTraits = frozenset(trait for trait in truth.effects if rng.random() < 0.35)
    log_median = truth.log_median + sum(truth.effects[t] for t in traits) + truth.ear_sd * rng.standard_normal()
    day = 0
    looks = [_look(day, CLEARED, traits)]
    cleared, back_on = day, day + truth.day(rng.random(), log_median)
    for _ in range(int(rng.integers(truth.visits[0], truth.visits[1] + 1))):
        planned = day + max(7, round(truth.usual * float(np.exp(truth.spread * rng.standard_normal()))))
        felt = round(back_on + rng.exponential(14)) + 1
        if rng.random() < truth.by_symptoms and max(felt, day + 1) < planned:
            planned = max(felt, day + 1)
        day = planned
        if back_on > day and rng.random() < truth.stays_away:
            continue
        if back_on > day:
            looks.append(_look(day, NOTHING, traits))
        else:
            looks.append(_look(day, BACK, traits))
            cleared, back_on = day, day + truth.day(rng.random(), log_median)
    assert cleared <= day
    return TrueEar(past=past_of(looks, RULE, name), log_median=log_median)


def _look(day: int, findings: frozenset[str], traits: EarTraits) -> Look:
    return Look(on=EPOCH + timedelta(days=day), findings=findings, traits=traits)
