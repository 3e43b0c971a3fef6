"""The fit of the clinic's record: against lifelines and scipy, and against truths that are known."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from lifelines import LogLogisticAFTFitter, WeibullAFTFitter, WeibullFitter
from lifelines.datasets import load_diabetes
from scipy import integrate
from solving.known_truth import Truth, some_ears

from service.domain.ear_past import Gap
from service.domain.return_time import (
    Family,
    Fitted,
    Lack,
    Least,
    NotFitted,
    Proposal,
    ReturnModel,
    TooLittle,
    log_chance,
    propose,
)
from service.solving.return_fit import fit

ANYTHING = Least(ears=1, returns=1, visits=2)
YEAR = 365


def fitted(gaps: Sequence[Gap], traits: Sequence[str] = (), **changed: object) -> Fitted:
    options = {"least": ANYTHING, "fitted_on": "2026-11-25"} | changed
    return fit(gaps, traits, **options)  # type: ignore[arg-type]


def model_of(gaps: Sequence[Gap], traits: Sequence[str] = (), **changed: object) -> ReturnModel:
    found = fitted(gaps, traits, **changed)
    assert isinstance(found, ReturnModel), found
    return found


def gaps_from(truth: Truth, number: int, seed: int) -> list[Gap]:
    return [gap for ear in some_ears(truth, number, np.random.default_rng(seed)) for gap in ear.past.gaps]


# The interval-censored example data of lifelines (lifelines.datasets.load_diabetes), which name as their source:
# Borch-Johnsen, Andersen, Deckert, "The effect of proteinuria on relative mortality in Type I (insulin-dependent)
# diabetes mellitus", Diabetologia 1985;28:590-596. 731 people, years from diabetes to nephropathy.
def diabetes() -> list[Gap]:
    """Years as days. A year that is known exactly becomes the last day of that year: lifelines takes it as a point."""
    table = load_diabetes()
    return [
        Gap(
            ear=str(index),
            days_clear=left * YEAR if left < right else right * YEAR - 1,
            days_returned=right * YEAR,
            traits=frozenset({gender}),
        )
        for index, (left, right, gender) in enumerate(zip(table.left, table.right, table.gender, strict=True))
    ]


def test_without_traits_it_is_the_weibull_fit_of_lifelines() -> None:
    table = load_diabetes()
    theirs = WeibullFitter().fit_interval_censoring(table.left, table.right)
    ours = model_of(diabetes(), families=[Family.WEIBULL], ears_differ=False, priors=False)
    assert math.exp(ours.intercept) / YEAR == pytest.approx(theirs.lambda_, rel=1e-3)
    assert math.exp(ours.log_shape) == pytest.approx(theirs.rho_, rel=1e-3)
    assert ours.ear_sd == 0


@pytest.mark.parametrize(
    ("family", "fitter", "scale", "shape"),
    [
        (Family.WEIBULL, WeibullAFTFitter, "lambda_", "rho_"),
        (Family.LOG_LOGISTIC, LogLogisticAFTFitter, "alpha_", "beta_"),
    ],
)
def test_with_a_trait_it_is_the_regression_of_lifelines(family: Family, fitter: type, scale: str, shape: str) -> None:
    table = load_diabetes().assign(male=lambda found: (found.gender == "male").astype(float)).drop(columns="gender")
    theirs = fitter().fit_interval_censoring(table, "left", "right")
    ours = model_of(diabetes(), ["male"], families=[family], ears_differ=False, priors=False)
    assert ours.intercept - math.log(YEAR) == pytest.approx(theirs.params_[scale, "Intercept"], abs=1e-3)
    assert ours.coefficients[0] == pytest.approx(theirs.params_[scale, "male"], abs=1e-3)
    assert ours.log_shape == pytest.approx(theirs.params_[shape, "Intercept"], abs=1e-3)


def test_the_family_with_the_higher_likelihood_is_taken_as_lifelines_would_by_aic() -> None:
    table = load_diabetes().assign(male=lambda found: (found.gender == "male").astype(float)).drop(columns="gender")
    weibull, logistic = (
        fitter().fit_interval_censoring(table, "left", "right") for fitter in (WeibullAFTFitter, LogLogisticAFTFitter)
    )
    both = [model_of(diabetes(), ["male"], families=[f], ears_differ=False, priors=False) for f in Family]
    theirs = weibull.log_likelihood_ - logistic.log_likelihood_
    assert both[0].log_likelihood - both[1].log_likelihood == pytest.approx(theirs, abs=0.05)
    chosen = model_of(diabetes(), ["male"], ears_differ=False, priors=False)
    assert chosen.family is (Family.WEIBULL if weibull.AIC_ < logistic.AIC_ else Family.LOG_LOGISTIC)


@pytest.mark.parametrize("family", Family)
def test_the_likelihood_is_the_integral_over_what_each_ear_may_be(family: Family) -> None:
    gaps = gaps_from(Truth(shape=3.0), 40, seed=3)
    model = model_of(gaps, ["aid", "prone"], families=[family])

    def of_ear(own: list[Gap], model: ReturnModel) -> float:
        def seen(z: float) -> float:
            logs = (log_chance(model, model.log_scale(gap.traits) + z * model.ear_sd, gap) for gap in own)
            return math.exp(sum(logs) - 0.5 * z * z) / math.sqrt(2 * math.pi)

        return math.log(integrate.quad(seen, -8, 8, epsabs=0, epsrel=1e-9)[0])

    def whole(model: ReturnModel) -> float:
        return sum(of_ear([gap for gap in gaps if gap.ear == ear], model) for ear in {gap.ear for gap in gaps})

    assert model.log_likelihood == pytest.approx(whole(model), abs=0.02)
    # Without priors it is the maximum: a step to any side is worse.
    best = model_of(gaps, ["aid", "prone"], families=[family], priors=False)
    top = whole(best)
    for step in (-0.03, 0.03):
        assert whole(replace(best, intercept=best.intercept + step)) < top
        assert whole(replace(best, log_shape=best.log_shape + step)) < top
        assert whole(replace(best, ear_sd=best.ear_sd * math.exp(step))) < top
        assert whole(replace(best, coefficients=(best.coefficients[0] + step, best.coefficients[1]))) < top


@pytest.mark.parametrize("family", ["weibull", "log-logistic"])
def test_a_known_truth_is_found_again(family: str) -> None:
    truth = Truth(family=family, shape=2.5)
    model = model_of(gaps_from(truth, 3000, seed=11), ["aid", "prone"])
    assert model.family == family
    # Limits: some four standard errors at this size, seen over other seeds.
    median = model.intercept + (math.log(math.log(2)) / 2.5 if family == "weibull" else 0.0)
    assert median == pytest.approx(truth.log_median, abs=0.06)
    assert model.coefficients == pytest.approx((-0.4, -0.3), abs=0.09)
    assert math.exp(model.log_shape) == pytest.approx(2.5, rel=0.08)
    assert model.ear_sd == pytest.approx(0.4, abs=0.05)


@pytest.mark.parametrize("family", ["weibull", "log-normal"])
def test_the_proposed_interval_keeps_the_level_and_own_past_helps(family: str) -> None:
    truth, level = Truth(family=family), 0.2
    ears = some_ears(truth, 500, np.random.default_rng(7))
    model = model_of([gap for ear in ears for gap in ear.past.gaps], ["aid", "prone"])
    own, record = [], []
    for ear in ears[:250]:
        found = propose(model, ear.past, level=level, within=(1, 365), usual=180, least=ANYTHING)
        assert isinstance(found, Proposal)
        clear_for = ear.past.clear_for or 0
        own.append(truth.chance(found.unbounded_days, ear.log_median, clear_for))
        record.append(truth.chance(found.record_days, ear.log_median, clear_for))
    # The mean of 250 true chances with an sd of about 0.1 has a standard error under 0.01.
    assert np.mean(own) == pytest.approx(level, abs=0.03)
    assert np.mean(np.abs(np.array(own) - level)) < 0.8 * np.mean(np.abs(np.array(record) - level))
    assert np.mean(np.array(own) <= level + 0.05) > 0.62


def test_the_same_record_in_any_order_gives_the_same_model() -> None:
    gaps = gaps_from(Truth(), 80, seed=5)
    mixed = [gaps[at] for at in np.random.default_rng(1).permutation(len(gaps))]
    assert model_of(gaps, ["aid", "prone"]) == model_of(mixed, ["aid", "prone"])


def test_a_trait_that_nobody_or_everybody_has_is_dropped_and_named() -> None:
    gaps = [replace(gap, traits=gap.traits | {"all"}) for gap in gaps_from(Truth(), 80, seed=5)]
    model = model_of(gaps, ["none", "aid", "all"])
    assert (model.traits, model.dropped) == (("aid",), ("none", "all"))
    assert model.coefficients == pytest.approx(model_of(gaps, ["aid"]).coefficients)


def test_traits_that_say_the_same_share_the_effect() -> None:
    gaps = [
        replace(gap, traits=gap.traits | ({"twin"} if "aid" in gap.traits else set()))
        for gap in gaps_from(Truth(), 300, seed=5)
    ]
    model = model_of(gaps, ["aid", "twin"])
    assert model.coefficients[0] == pytest.approx(model.coefficients[1], abs=0.01)
    assert sum(model.coefficients) == pytest.approx(model_of(gaps, ["aid"]).coefficients[0], abs=0.05)


def test_ears_with_one_gap_each_can_be_fitted() -> None:
    firsts = {gap.ear: gap for gap in reversed(gaps_from(Truth(), 400, seed=9))}
    model = model_of(list(firsts.values()), ["aid", "prone"])
    assert model.gaps == model.ears == 400
    assert model.intercept == pytest.approx(Truth().log_median - math.log(math.log(2)) / 2, abs=0.25)
    assert 0 < model.ear_sd < 1


def test_one_ear_with_a_trait_that_never_saw_wax_stays_finite() -> None:
    never = Gap(ear="one more", days_clear=900, days_returned=None, traits=frozenset({"rare"}))
    model = model_of([*gaps_from(Truth(), 80, seed=5), never], ["rare"])
    assert 0 < model.coefficients[0] < 3


def test_ears_that_do_not_differ_are_seen_not_to() -> None:
    assert model_of(gaps_from(Truth(ear_sd=0.0), 1500, seed=2), ["aid", "prone"]).ear_sd < 0.12


# How far off the sd between ears may be: where times vary much in one ear (shape 0.6), it is known less well.
@pytest.mark.parametrize(("shape", "off"), [(0.6, 0.35), (9.0, 0.1)])
def test_unusual_shapes(shape: float, off: float) -> None:
    gaps = gaps_from(Truth(shape=shape, ear_sd=0.6, usual=120.0), 400, seed=4)
    model = model_of(gaps, ["aid", "prone"], families=[Family.WEIBULL])
    assert math.exp(model.log_shape) == pytest.approx(shape, rel=0.25)
    assert model.ear_sd == pytest.approx(0.6, abs=off)


def test_too_little_is_said_with_numbers() -> None:
    gaps = [Gap(ear=str(ear), days_clear=0, days_returned=100 + ear) for ear in range(5)]
    found = fitted([*gaps, Gap(ear="x", days_clear=5, days_returned=None)], least=Least(ears=10, returns=6, visits=2))
    assert found == TooLittle(lacks=((Lack.EARS, 6, 10), (Lack.RETURNS, 5, 6)))
    nothing = fitted([], least=Least(ears=10, returns=0, visits=2))
    assert nothing == TooLittle(lacks=((Lack.EARS, 0, 10),))


@pytest.mark.parametrize(
    ("gaps", "why"),
    [
        # Only "back by then": any shorter time explains it as well.
        ([Gap(ear=str(ear), days_clear=0, days_returned=100 + ear) for ear in range(80)], "does not tell"),
        # All on one day: no spread.
        ([Gap(ear=str(ear), days_clear=99, days_returned=100) for ear in range(80)], "does not tell"),
        ([Gap(ear=str(ear), days_clear=99, days_returned=None) for ear in range(80)], "no gap on record"),
        ([], "no gap on record"),
    ],
)
def test_a_record_that_has_no_answer_is_not_fitted_and_says_why(gaps: list[Gap], why: str) -> None:
    found = fitted(gaps, least=Least(ears=0, returns=0, visits=2))
    assert isinstance(found, NotFitted)
    assert why in found.why


def test_to_import_the_fit_does_not_load_scipy() -> None:
    program = "import sys, service.solving.return_fit; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
