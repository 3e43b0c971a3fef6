"""When is this ear due? The clinic's record as a model, this ear's own past beside it, and the interval they propose.

The model: log T = intercept + coefficients of traits + effect of the ear + noise, where T is the number of days from a
clearing until wax that needs removal is there. Noise makes T Weibull (or log-logistic) and the effect of an ear is
normal with mean 0 and sd `ear_sd`. Of an ear's own gaps only spans are known, so its effect is never known either: it
is weighed over a grid, and the fewer its gaps, the nearer it stays to the ears of the record that share its traits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from service.domain.ear_past import EarPast, EarTraits, Gap

LONGEST = 3650
"""Days; no chance is looked for beyond ten years."""
CURVE_STEP, CURVE_BEYOND = 7, 1.3
"""The plot has a point a week, and goes on a little past the latest day that content allows."""
GRID, GRID_SD = 121, 6.0
"""The effect of an ear is weighed at so many points, as many standard deviations to both sides."""


class Family(StrEnum):
    """The shape of the spread of times."""

    WEIBULL = "weibull"
    LOG_LOGISTIC = "log-logistic"


@dataclass(frozen=True, slots=True, kw_only=True)
class Least:
    """How much must be known before anything is proposed; the numbers are content's.

    `ears` on record and `returns` among them, and `visits` of the ear before the one at hand.
    """

    ears: int
    returns: int
    visits: int


class Lack(StrEnum):
    """What there is too little of."""

    EARS = "ears"
    RETURNS = "returns"
    VISITS = "visits"
    CLEARINGS = "clearings"


@dataclass(frozen=True, slots=True, kw_only=True)
class TooLittle:
    """Too little data: each lack with how many there are and how many are needed."""

    lacks: tuple[tuple[Lack, int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotFitted:
    """The record could not be fitted; `why` is for whoever runs the service."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnModel:
    """The fitted record. `intercept` and `coefficients` (in the order of `traits`) are on the log-days scale.

    `log_shape`: log of the Weibull (or log-logistic) shape. `ear_sd`: between ears, on the log-days scale; 0: ears do
    not differ. `dropped`: traits that nobody or everybody on record has. `returned`: gaps that ended with wax.
    `log_likelihood`: of the record, to compare families. `fitted_on`: ISO date.
    """

    family: Family
    intercept: float
    traits: tuple[str, ...]
    coefficients: tuple[float, ...]
    log_shape: float
    ear_sd: float
    ears: int
    gaps: int
    returned: int
    log_likelihood: float
    fitted_on: str
    dropped: tuple[str, ...] = ()

    def log_scale(self, traits: EarTraits) -> float:
        """The log of the scale in days of an ear with these traits and no effect of its own."""
        return self.intercept + sum(
            c for trait, c in zip(self.traits, self.coefficients, strict=True) if trait in traits
        )


Fitted = ReturnModel | TooLittle | NotFitted


@dataclass(frozen=True, slots=True, kw_only=True)
class LastFit:
    """What the latest fit came to, as it is stored (by `service.codec`)."""

    found: Fitted


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """An interval for one ear, in days from the visit at hand, and what it rests on.

    `unbounded_days`: the last whole day on which the chance is not above `level` (0: none is; at most LONGEST).
    `days`: the same within content's bounds; `bound` is "earliest" or "latest" where a bound acted. `record_days`: what
    `unbounded_days` would be without the ear's own past; `moved` is "sooner" or "later" where that past moved it by a
    week or more. `chance`: that wax is back by `days`; `usual_chance`: by content's usual interval `usual`. `curve`:
    (day, chance) for a plot. `found_after`: the least and most days by which wax was found back in this ear.
    """

    days: int
    unbounded_days: int
    record_days: int
    chance: float
    usual: int
    usual_chance: float
    level: float
    within: tuple[int, int]
    bound: str
    moved: str
    curve: tuple[tuple[int, float], ...]
    own_gaps: int
    own_returned: int
    found_after: tuple[int, int] | None
    clear_for: int
    ears: int


def log_survival(family: Family, z: float) -> float:
    """The log of the chance that wax is not back, at z = shape * (log days - log scale)."""
    if family is Family.WEIBULL:
        return -math.exp(min(z, 700.0))
    return -(max(z, 0.0) + math.log1p(math.exp(-abs(z))))


def log_chance(model: ReturnModel, log_scale: float, gap: Gap) -> float:
    """The log of the chance of what was seen in one gap, for an ear with this scale."""
    shape = math.exp(model.log_shape)
    clear = shape * (math.log(gap.days_clear) - log_scale) if gap.days_clear else -math.inf
    still = log_survival(model.family, clear)
    if gap.days_returned is None:
        return still
    back = shape * (math.log(gap.days_returned) - log_scale)
    # The log of (survival at `clear` - survival at `back`), written so that it is exact where the two are nearly equal.
    apart = back + math.log(-math.expm1(clear - back))
    if model.family is Family.WEIBULL:
        return still + (apart if apart < -30 else math.log(-math.expm1(-math.exp(min(apart, 700.0)))))
    return apart + log_survival(model.family, back) + still


@dataclass(frozen=True, slots=True)
class Weighed:
    """The scales that one ear may have, as (log scale, weight); the weights add up to 1."""

    model: ReturnModel
    scales: tuple[tuple[float, float], ...]

    def chance(self, days: int, clear_for: int = 0) -> float:
        """The chance that wax is back `days` after a look at which the ear had been clear for `clear_for` days."""
        if days == 0:
            return 0.0
        family, shape = self.model.family, math.exp(self.model.log_shape)
        now, then = math.log(clear_for) if clear_for else -math.inf, math.log(clear_for + days)
        return -sum(
            weight
            * math.expm1(log_survival(family, shape * (then - scale)) - log_survival(family, shape * (now - scale)))
            for scale, weight in self.scales
        )

    def last_day(self, level: float, clear_for: int = 0) -> int:
        """The last whole day, at most LONGEST, on which the chance is not above `level`; 0 if there is none."""
        low, high = 0, LONGEST + 1
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.chance(middle, clear_for) <= level else (low, middle)
        return low


def weighed(model: ReturnModel, gaps: Iterable[Gap], traits: EarTraits) -> Weighed:
    """The scales that an ear with these traits may have, after its own gaps (each with the traits it had then)."""
    steps = range(-(GRID // 2), GRID // 2 + 1) if model.ear_sd else range(1)
    z = [step * GRID_SD / (GRID // 2) for step in steps]
    logs = [-0.5 * at * at for at in z]
    for gap in gaps:
        scale = model.log_scale(gap.traits)
        logs = [log + log_chance(model, scale + at * model.ear_sd, gap) for log, at in zip(logs, z, strict=True)]
    top = max(logs)
    weights = [math.exp(log - top) for log in logs]
    total, scale = sum(weights), model.log_scale(traits)
    return Weighed(model, tuple((scale + at * model.ear_sd, w / total) for at, w in zip(z, weights, strict=True)))


def propose(
    found: Fitted, past: EarPast, *, level: float, within: tuple[int, int], usual: int, least: Least
) -> Proposal | TooLittle | NotFitted:
    """The interval at which the chance of wax that needs removal is not above `level`, held within content's bounds.

    `past` ends with the visit at hand; what was fitted may be no model, and then that is the answer. `within`: the
    fewest and most days that content allows; `usual`: the days that it would take without this. Raises ValueError for
    a level outside 0 to 1, bounds out of order, or an ear in which wax is there.
    """
    low, high = within
    if not 0 < level < 1:
        raise ValueError("level must be between 0 and 1")
    if not 1 <= low <= high <= LONGEST or not 1 <= usual <= LONGEST:
        raise ValueError(f"within and usual must be in order and between 1 and {LONGEST} days")
    if past.clear_for is None:
        raise ValueError("nothing is proposed for an ear that is not known to be clear")
    if not isinstance(found, ReturnModel):
        return found
    lacks = lacking(found.ears, found.returned, least)
    if past.earlier_visits < least.visits:
        lacks += ((Lack.VISITS, past.earlier_visits, least.visits),)
    elif not past.gaps:
        lacks += ((Lack.CLEARINGS, 0, 1),)
    if lacks:
        return TooLittle(lacks=lacks)
    clear_for = past.clear_for
    # What is known of today's clearing itself (that it lasted until today) is not the ear's past.
    record = weighed(found, past.gaps[-1:] if clear_for else (), past.traits)
    own = weighed(found, past.gaps, past.traits)
    unbounded, by_record = own.last_day(level, clear_for), record.last_day(level, clear_for)
    days = min(max(unbounded, low), high)
    returned = [gap.days_returned for gap in past.gaps if gap.days_returned is not None]
    return Proposal(
        days=days,
        unbounded_days=unbounded,
        record_days=by_record,
        chance=own.chance(days, clear_for),
        usual=usual,
        usual_chance=own.chance(usual, clear_for),
        level=level,
        within=within,
        bound="earliest" if unbounded < low else "latest" if unbounded > high else "",
        moved="sooner" if by_record - unbounded >= 7 else "later" if unbounded - by_record >= 7 else "",
        curve=tuple((day, own.chance(day, clear_for)) for day in range(0, int(high * CURVE_BEYOND) + 1, CURVE_STEP)),
        own_gaps=len(past.gaps),
        own_returned=len(returned),
        found_after=(min(returned), max(returned)) if returned else None,
        clear_for=clear_for,
        ears=found.ears,
    )


def lacking(ears: int, returned: int, least: Least) -> tuple[tuple[Lack, int, int], ...]:
    """What the record has too little of."""
    wanted = ((Lack.EARS, ears, least.ears), (Lack.RETURNS, returned, least.returns))
    return tuple(lack for lack in wanted if lack[1] < lack[2])
