"""Fits the clinic's record of gaps: how long until wax that needs removal is back, and how much ears differ.

Maximum likelihood for interval-censored times. Each ear's effect is integrated out by Gauss-Hermite quadrature, whose
number of nodes is doubled until the likelihood no longer changes. The model is `service.domain.return_time`'s.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from service.domain.ear_past import Gap
from service.domain.return_time import Family, Fitted, Least, NotFitted, ReturnModel, TooLittle, lacking

Floats = npt.NDArray[np.float64]

NODES = (16, 32, 64, 128)
AGREE = 0.02
"""The log-likelihood counts as the same when twice the nodes change it by less than this. Our choice."""
COEFFICIENT_SD = 1.0
"""Weak prior: a trait makes the time e times longer or shorter at one sd. Keeps rare or overlapping traits finite."""
EAR_SD_MODE = 1.0
"""Weak prior of the sd between ears: x exp(-x^2 / 2), which is 0 at 0, so that few repeated ears do not make all ears
alike. The idea: Chung, Rabe-Hesketh, Dorie, Gelman, Liu, Psychometrika 2013;78:685-709 (from memory)."""
SHAPE = (math.log(0.1), math.log(30.0))
EAR_SD = (math.log(0.005), math.log(5.0))
INTERCEPT = (-2.0, 16.0)
"""Where parameters are looked for, on the log scale; an estimate on the bound of shape or intercept is refused."""
LOOSE = 1.0
"""Standard errors of intercept or shape beyond this, on the log scale, tell nothing (a factor of 2.7). Our choice."""
NEVER = -690.0
"""Stands for the log of 0 days: finite, so that 0 times it is 0."""
STEEP = 600.0


@dataclass(frozen=True, slots=True)
class _Data:
    """The gaps as rows ordered by ear: `first` is the first row of each ear, `run` the number of each row's ear.

    `low` and `high` are logs of days; `high` has only the rows that are `back`.
    """

    low: Floats
    high: Floats
    back: npt.NDArray[np.bool_]
    traits: Floats
    first: npt.NDArray[np.intp]
    run: npt.NDArray[np.intp]


def fit(
    gaps: Sequence[Gap],
    trait_ids: Sequence[str],
    *,
    least: Least,
    fitted_on: str,
    families: Sequence[Family] = tuple(Family),
    ears_differ: bool = True,
    priors: bool = True,
) -> Fitted:
    """The fitted record, in the family with the higher likelihood (both have as many parameters, so AIC agrees).

    `trait_ids`: the traits to fit; one that no gap or every gap has is dropped. `least.visits` is not used here.
    `ears_differ=False` fits without effects of ears, `priors=False` by likelihood alone. The order of `gaps` does not
    matter. TooLittle where the record is short of `least`, NotFitted where no family could be fitted.
    """
    ears = len({gap.ear for gap in gaps})
    returned = sum(gap.days_returned is not None for gap in gaps)
    if lacks := lacking(ears, returned, least):
        return TooLittle(lacks=lacks)
    if not gaps or not returned:
        return NotFitted(why="no gap on record ended with a return")
    held = [sum(trait in gap.traits for gap in gaps) for trait in trait_ids]
    kept = tuple(trait for trait, number in zip(trait_ids, held, strict=True) if 0 < number < len(gaps))
    data = _data(gaps, kept)
    fits = [_fit_one(data, family, ears_differ, priors) for family in families]
    well = [found for found in fits if not isinstance(found, str)]
    if not well:
        return NotFitted(why="; ".join(f"{family}: {why}" for family, why in zip(families, fits, strict=True)))
    best = max(well, key=lambda found: found.log_likelihood)
    at = best.at
    return ReturnModel(
        family=best.family,
        intercept=float(at[0]),
        traits=kept,
        coefficients=tuple(float(c) for c in at[1 : 1 + len(kept)]),
        log_shape=float(at[1 + len(kept)]),
        ear_sd=float(math.exp(at[-1])) if ears_differ else 0.0,
        ears=ears,
        gaps=len(gaps),
        returned=returned,
        log_likelihood=best.log_likelihood,
        fitted_on=fitted_on,
        dropped=tuple(trait for trait in trait_ids if trait not in kept),
    )


@dataclass(frozen=True, slots=True)
class _Found:
    family: Family
    at: Floats
    log_likelihood: float


def _data(gaps: Sequence[Gap], traits: Sequence[str]) -> _Data:
    far = math.inf
    ordered = sorted(
        gaps,
        key=lambda gap: (
            gap.ear,
            gap.days_clear,
            far if gap.days_returned is None else gap.days_returned,
            sorted(gap.traits),
        ),
    )
    names = np.array([gap.ear for gap in ordered])
    starts = np.concatenate(([True], names[1:] != names[:-1]))
    back = np.array([gap.days_returned is not None for gap in ordered])
    low = np.array([math.log(gap.days_clear) if gap.days_clear else NEVER for gap in ordered])
    high = np.array([math.log(gap.days_returned) if gap.days_returned is not None else math.nan for gap in ordered])
    held = np.array([[float(trait in gap.traits) for trait in traits] for gap in ordered]).reshape(len(ordered), -1)
    return _Data(low, high[back], back, held, np.flatnonzero(starts), np.cumsum(starts) - 1)


def _terms(family: Family, low: Floats, high: Floats | None) -> tuple[Floats, Floats, Floats]:
    """Log chance of gaps, and its slopes in z = shape * (log days - log scale) of both bounds; no `high`: open gaps."""
    from scipy.special import expit

    low = np.minimum(low, STEEP)
    if family is Family.WEIBULL:
        fallen = np.exp(low)
        if high is None:
            return -fallen, -fallen, np.zeros_like(low)
        nearer = -np.expm1(low - high)
        log_apart = np.clip(high + np.log(nearer), -STEEP, STEEP)
        apart = np.exp(log_apart)
        gone = -np.expm1(-apart)
        slope = apart * np.exp(-apart) / gone
        value = -fallen + np.where(log_apart < -30.0, log_apart, np.log(gone))
        return value, -fallen - slope * (1 / nearer - 1), slope / nearer
    if high is None:
        return -np.logaddexp(0.0, low), -expit(low), np.zeros_like(low)
    nearer = -np.expm1(low - high)
    value = high + np.log(nearer) - np.logaddexp(0.0, high) - np.logaddexp(0.0, low)
    return value, 1 - 1 / nearer - expit(low), 1 / nearer - expit(high)


def _log_likelihood(data: _Data, family: Family, at: Floats, nodes: Floats, logs: Floats) -> tuple[float, Floats]:
    """The log-likelihood and its slopes in (intercept, coefficients, log shape, log ear sd)."""
    shape, ear_sd = math.exp(at[-2]), math.exp(at[-1])
    scale = at[0] + data.traits @ at[1:-2]
    effects = ear_sd * nodes
    z_low = shape * (data.low - scale)[:, None] - shape * effects
    value, by_low, by_high = np.empty_like(z_low), np.empty_like(z_low), np.zeros_like(z_low)
    z_high = shape * (data.high - scale[data.back])[:, None] - shape * effects
    value[data.back], by_low[data.back], by_high[data.back] = _terms(family, z_low[data.back], z_high)
    value[~data.back], by_low[~data.back], _ = _terms(family, z_low[~data.back], None)
    by_ear = np.add.reduceat(value, data.first, axis=0) + logs
    top = by_ear.max(axis=1, keepdims=True)
    share = np.exp(by_ear - top)
    total = share.sum(axis=1, keepdims=True)
    weight = (share / total)[data.run]
    by_scale = -shape * weight * (by_low + by_high)
    by_shape = (weight * by_low * z_low).sum() + (weight[data.back] * by_high[data.back] * z_high).sum()
    rows = by_scale.sum(axis=1)
    slopes = np.concatenate(([rows.sum()], data.traits.T @ rows, [by_shape, (by_scale * effects).sum()]))
    return float((top + np.log(total)).sum()), slopes


def _nodes(number: int) -> tuple[Floats, Floats]:
    """Gauss-Hermite nodes of the standard normal and the logs of their weights."""
    from scipy.special import roots_hermitenorm

    nodes, weights = roots_hermitenorm(number)
    some = weights > 0
    return nodes[some], np.log(weights[some]) - 0.5 * math.log(2 * math.pi)


def _fit_one(data: _Data, family: Family, ears_differ: bool, priors: bool) -> _Found | str:
    """The best parameters in one family, or why there are none."""
    from scipy.optimize import minimize

    traits = data.traits.shape[1]
    middle = np.where(data.back, 0.0, data.low + 0.4)
    middle[data.back] = np.log((np.exp(data.low[data.back]) + np.exp(data.high)) / 2)
    at: Floats = np.array([float(np.median(middle)), *[0.0] * traits, math.log(1.5), math.log(0.4)])
    bounds = [INTERCEPT, *[(-10.0, 10.0)] * traits, SHAPE, EAR_SD]
    if not ears_differ:
        at[-1], bounds[-1] = EAR_SD[0], (EAR_SD[0], EAR_SD[0])
    number = len(data.back)

    def cost(at: Floats, nodes: Floats, logs: Floats) -> tuple[float, Floats]:
        value, slopes = _log_likelihood(data, family, at, nodes, logs)
        if priors:
            value -= 0.5 * float(at[1:-2] @ at[1:-2]) / COEFFICIENT_SD**2
            slopes[1:-2] -= at[1:-2] / COEFFICIENT_SD**2
            if ears_differ:
                ratio = (math.exp(at[-1]) / EAR_SD_MODE) ** 2
                value += at[-1] - ratio / 2
                slopes[-1] += 1 - ratio
        return -value / number, -slopes / number

    def slopes_of(at: Floats, nodes: Floats, logs: Floats) -> Floats:
        return cost(at, nodes, logs)[1] * number

    for count in NODES if ears_differ else (1,):
        nodes, logs = _nodes(count)
        result: Any = minimize(
            cost, at, args=(nodes, logs), jac=True, method="L-BFGS-B", bounds=bounds, options=_OPTIONS
        )
        at = result.x
        inside = np.array([low < x < high for x, (low, high) in zip(at, bounds, strict=True)])
        if not np.isfinite(result.fun) or np.abs(np.where(inside, result.jac, 0.0)).max() > 1e-4:
            return f"no optimum was found ({result.message})"
        if not inside[[0, -2]].all() or not _told(partial(slopes_of, nodes=nodes, logs=logs), at):
            return "the record does not tell how long it takes, or how much the time varies"
        reached = _log_likelihood(data, family, at, nodes, logs)[0]
        if not ears_differ or abs(_log_likelihood(data, family, at, *_nodes(2 * count))[0] - reached) < AGREE:
            return _Found(family, at, reached)
    return "the differences between ears are too sharp to integrate"


def _told(slopes: Callable[[Floats], Floats], at: Floats) -> bool:
    """Whether the record tells the intercept and the shape (with the sd between ears as it was found): their standard
    errors, from the curvature at the optimum, are at most LOOSE.
    """
    steps = 1e-4 * np.eye(len(at))[:-1]
    curve = np.array([(slopes(at + step) - slopes(at - step))[:-1] / 2e-4 for step in steps])
    try:
        spread = np.diag(np.linalg.inv((curve + curve.T) / 2))[[0, -1]]
    except np.linalg.LinAlgError:
        return False
    return bool(np.isfinite(spread).all() and (spread > 0).all() and (spread <= LOOSE**2).all())


_OPTIONS = {"maxiter": 500, "maxfun": 1000, "ftol": 1e-13, "gtol": 1e-7}
