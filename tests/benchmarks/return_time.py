"""How near does the proposed interval come to the truth? Ears with a law that is known, through the whole estimate.

usage: python return_time.py [--seed 1] [--times 8] [--level 0.2]

Each row is one truth: so many clinics (more, where they are small) are simulated and fitted, and 100 ears of each get a
proposal. `family` is how often Weibull was chosen. `chance` is the mean true chance of wax at the proposed interval (aim:
the level). `bias` is the mean of the proposed days less the days at which the ear's true chance is the level (somewhat
below 0 even for a perfect estimate, which must allow for what it cannot know of an ear), `off` the median distance
between the two. `kept` is the share of ears whose true chance there is at most the level and 5 points, `well over` those
more than 15 points over it. Then the same for the record alone (traits, no own past), and `kept` for everybody at the
one interval at which the mean chance is the level. No content bounds, unless the row says so.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import fmean, median

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1])]

import numpy as np
from solving.known_truth import TrueEar, Truth, some_ears

from service.domain.return_time import LONGEST, Family, Least, Proposal, ReturnModel, propose
from service.solving.return_fit import fit

ANYTHING, FEW = Least(ears=1, returns=1, visits=2), 100
WITHIN = (90, 365)
TRAITS = ("aid", "prone")
USUAL = Truth()
ROWS: Sequence[tuple[str, Truth, int, bool]] = (
    ("usual (Weibull, shape 2, ear sd 0.4)", USUAL, 400, False),
    ("... held within 90 to 365 days", USUAL, 400, True),
    ("... 30 ears", USUAL, 30, False),
    ("... 60 ears", USUAL, 60, False),
    ("... 120 ears", USUAL, 120, False),
    ("... 2,000 ears", USUAL, 2000, False),
    ("shape 1.2", replace(USUAL, shape=1.2), 400, False),
    ("shape 4", replace(USUAL, shape=4.0), 400, False),
    ("ears all alike (ear sd 0)", replace(USUAL, ear_sd=0.0), 400, False),
    ("ears very different (ear sd 0.8)", replace(USUAL, ear_sd=0.8), 400, False),
    ("2 or 3 visits an ear", replace(USUAL, visits=(2, 3)), 400, False),
    ("visits far apart (a year)", replace(USUAL, usual=365.0), 400, False),
    ("truth log-logistic, shape 3", replace(USUAL, family="log-logistic", shape=3.0), 400, False),
    ("truth log-normal, sd 0.5 (no family fits)", replace(USUAL, family="log-normal"), 400, False),
    ("half the returns bring people in early", replace(USUAL, by_symptoms=0.5), 400, False),
    ("half stay away while they hear well", replace(USUAL, stays_away=0.5), 400, False),
    ("both of these", replace(USUAL, by_symptoms=0.5, stays_away=0.5), 400, False),
    ("nearly only by symptoms", replace(USUAL, by_symptoms=0.95, stays_away=0.9), 400, False),
)


@dataclass(frozen=True)
class Score:
    """One ear: the proposed days and the true chance there, the same by the record alone, and the true days."""

    days: int
    chance: float
    record_days: int
    record_chance: float
    true_days: float
    at: Callable[[float], float]


def scores(truth: Truth, number: int, held: bool, level: float, seed: int) -> tuple[Family, list[Score]]:
    """One simulated clinic: the family that was chosen, and how some of its ears fare."""
    ears = some_ears(truth, number, np.random.default_rng(seed))
    gaps = [gap for ear in ears for gap in ear.past.gaps]
    model = fit(gaps, TRAITS, least=ANYTHING, fitted_on="2026-01-01")
    if not isinstance(model, ReturnModel):
        raise SystemExit(f"seed {seed}: {model}")
    return model.family, [_score(truth, ear, model, held, level) for ear in _ready(ears)]


def _ready(ears: Sequence[TrueEar]) -> list[TrueEar]:
    return [ear for ear in ears if ear.past.gaps and ear.past.earlier_visits >= ANYTHING.visits][:FEW]


def _score(truth: Truth, ear: TrueEar, model: ReturnModel, held: bool, level: float) -> Score:
    found = propose(model, ear.past, level=level, within=WITHIN, usual=180, least=ANYTHING)
    if not isinstance(found, Proposal):
        raise SystemExit(f"no proposal: {found}")
    clear_for = ear.past.clear_for or 0

    def at(days: float) -> float:
        return truth.chance(days, ear.log_median, clear_for)

    days, record = found.unbounded_days, found.record_days
    if held:
        days, record = found.days, min(max(record, WITHIN[0]), WITHIN[1])
    return Score(days, at(days), record, at(record), truth.day(level, ear.log_median, clear_for), at)


def fixed(found: Sequence[Score], level: float) -> int:
    """The one interval for all at which the mean true chance is the level."""
    low, high = 0, LONGEST
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if fmean(each.at(middle) for each in found) <= level else (low, middle)
    return low


def percent(share: float) -> str:
    """As a percentage with one decimal."""
    return f"{share * 100:.1f}%"


def main() -> None:
    """Simulate, fit, propose, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--times", type=int, default=8)
    parser.add_argument("--level", type=float, default=0.2)
    chosen = parser.parse_args()
    level = chosen.level
    print(f"level {percent(level)}, {chosen.times} clinics a row from seed {chosen.seed}\n")
    print(
        "| truth | ears | family | chance | bias, days | off, days | kept | well over | record alone: chance | off | kept | well over | one interval: kept |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|---|")
    for name, truth, number, held in ROWS:
        times = chosen.times * max(1, FEW // number)
        clinics = [scores(truth, number, held, level, chosen.seed + index) for index in range(times)]
        found = [score for _, some in clinics for score in some]
        all_alike = fixed(found, level)
        cells = [
            name,
            str(number),
            f"{sum(family is Family.WEIBULL for family, _ in clinics)} of {len(clinics)}",
            percent(fmean(each.chance for each in found)),
            f"{fmean(each.days - each.true_days for each in found):+.0f}",
            f"{median(abs(each.days - each.true_days) for each in found):.0f}",
            percent(fmean(each.chance <= level + 0.05 for each in found)),
            percent(fmean(each.chance > level + 0.15 for each in found)),
            percent(fmean(each.record_chance for each in found)),
            f"{median(abs(each.record_days - each.true_days) for each in found):.0f}",
            percent(fmean(each.record_chance <= level + 0.05 for each in found)),
            percent(fmean(each.record_chance > level + 0.15 for each in found)),
            percent(fmean(each.at(all_alike) <= level + 0.05 for each in found)),
        ]
        print("| " + " | ".join(cells) + " |", flush=True)
    ears = some_ears(USUAL, 6000, np.random.default_rng(chosen.seed))
    gaps = [gap for ear in ears for gap in ear.past.gaps][:20_000]
    begun = time.perf_counter()
    fit(gaps, TRAITS, least=ANYTHING, fitted_on="2026-01-01")
    print(f"\n{len(gaps)} gaps fitted in both families: {time.perf_counter() - begun:.1f} s")
    model = fit(gaps[:1000], TRAITS, least=ANYTHING, fitted_on="2026-01-01")
    ready = _ready(ears)
    begun = time.perf_counter()
    for ear in ready:
        propose(model, ear.past, level=level, within=WITHIN, usual=180, least=ANYTHING)
    print(f"one proposal with its plot: {(time.perf_counter() - begun) / len(ready) * 1000:.0f} ms")


if __name__ == "__main__":
    main()
