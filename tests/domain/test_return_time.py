"""The interval that is proposed for one ear: against scipy's distributions and integrals, and by its own laws."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from service import codec
from service.domain.ear_past import EarPast, Gap
from service.domain.return_sentence import in_days, sentence
from service.domain.return_time import (
    LONGEST,
    Family,
    Lack,
    LastFit,
    Least,
    NotFitted,
    Proposal,
    ReturnModel,
    TooLittle,
    log_chance,
    log_survival,
    propose,
    weighed,
)

MODEL = ReturnModel(
    family=Family.WEIBULL,
    intercept=math.log(290),
    traits=("aid", "prone"),
    coefficients=(-0.4, -0.3),
    log_shape=math.log(2.0),
    ear_sd=0.4,
    ears=412,
    gaps=1300,
    returned=1100,
    log_likelihood=-1234.5,
    fitted_on="2026-11-25",
)
LOGISTIC = replace(MODEL, family=Family.LOG_LOGISTIC, log_shape=math.log(3.0))
LEAST = Least(ears=60, returns=60, visits=2)
OWN = (
    Gap(ear="", days_clear=0, days_returned=160),
    Gap(ear="", days_clear=100, days_returned=240),
    Gap(ear="", days_clear=120, days_returned=None),
)


def a_past(*gaps: Gap, traits: tuple[str, ...] = (), clear_for: int = 0, earlier: int = 3) -> EarPast:
    return EarPast(ear="", gaps=gaps, earlier_visits=earlier, clear_for=clear_for, traits=frozenset(traits))


def proposed(
    *gaps: Gap,
    model: ReturnModel = MODEL,
    level: float = 0.2,
    within: tuple[int, int] = (30, 730),
    clear_for: int = 0,
    traits: tuple[str, ...] = (),
) -> Proposal:
    past = a_past(*gaps, clear_for=clear_for, traits=traits)
    found = propose(model, past, level=level, within=within, usual=180, least=LEAST)
    assert isinstance(found, Proposal)
    return found


# scipy.stats has both distributions of T; fisk is its name for the log-logistic.
def law(model: ReturnModel, log_scale: float) -> stats.rv_continuous:
    kind = stats.weibull_min if model.family is Family.WEIBULL else stats.fisk
    return kind(math.exp(model.log_shape), scale=math.exp(log_scale))


@pytest.mark.parametrize("model", [MODEL, LOGISTIC], ids=["weibull", "log-logistic"])
@pytest.mark.parametrize("days", [1, 30, 290, 1000])
def test_survival_is_that_of_scipy(model: ReturnModel, days: int) -> None:
    z = math.exp(model.log_shape) * (math.log(days) - 5.5)
    assert log_survival(model.family, z) == pytest.approx(law(model, 5.5).logsf(days), rel=1e-10)


@pytest.mark.parametrize("model", [MODEL, LOGISTIC], ids=["weibull", "log-logistic"])
@pytest.mark.parametrize(("clear", "back"), [(0, 1), (0, 160), (100, 240), (289, 290), (120, None), (500, 900)])
def test_the_chance_of_a_gap_is_that_of_scipy(model: ReturnModel, clear: int, back: int | None) -> None:
    gap = Gap(ear="", days_clear=clear, days_returned=back)
    spread = law(model, 5.5)
    wanted = spread.sf(clear) - (spread.sf(back) if back else 0.0)
    assert log_chance(model, 5.5, gap) == pytest.approx(math.log(wanted), rel=1e-8)


@pytest.mark.parametrize("model", [MODEL, LOGISTIC], ids=["weibull", "log-logistic"])
@pytest.mark.parametrize("scale", [-40.0, 0.0, 40.0])
def test_a_gap_that_can_hardly_be_still_has_a_chance(model: ReturnModel, scale: float) -> None:
    for gap in (*OWN, Gap(ear="", days_clear=3649, days_returned=3650)):
        assert -math.inf < log_chance(model, scale, gap) <= 0


def log_still(model: ReturnModel, traits: frozenset[str], effect: float, days: float) -> float:
    """The log of the survival of either distribution by its textbook formula, for one ear."""
    power = (days / math.exp(model.log_scale(traits) + effect)) ** math.exp(model.log_shape)
    return -power if model.family is Family.WEIBULL else -math.log1p(power)


def by_integral(
    model: ReturnModel, gaps: tuple[Gap, ...], traits: frozenset[str], days: float, clear_for: int
) -> float:
    """The predictive chance by scipy's adaptive integration over the effect of the ear."""

    def seen(effect: float) -> float:
        found = math.exp(-0.5 * (effect / model.ear_sd) ** 2)
        for gap in gaps:
            found *= math.exp(log_still(model, gap.traits, effect, gap.days_clear)) - (
                math.exp(log_still(model, gap.traits, effect, gap.days_returned)) if gap.days_returned else 0.0
            )
        return found

    def back(effect: float) -> float:
        still = log_still(model, traits, effect, clear_for)
        return seen(effect) * -math.expm1(log_still(model, traits, effect, clear_for + days) - still)

    limits = {"a": -7 * model.ear_sd, "b": 7 * model.ear_sd, "limit": 200, "epsabs": 0, "epsrel": 1e-9}
    return integrate.quad(back, **limits)[0] / integrate.quad(seen, **limits)[0]


@pytest.mark.parametrize("model", [MODEL, LOGISTIC, replace(MODEL, log_shape=math.log(4))])
@pytest.mark.parametrize("gaps", [(), OWN[:1], OWN, OWN * 4], ids=len)
@pytest.mark.parametrize("clear_for", [0, 120])
def test_the_chance_is_the_integral_over_what_the_ear_may_be(
    model: ReturnModel, gaps: tuple[Gap, ...], clear_for: int
) -> None:
    traits = frozenset({"aid"})
    found = weighed(model, gaps, traits)
    for days in (40, 150, 400):
        wanted = by_integral(model, gaps, traits, days, clear_for)
        assert found.chance(days, clear_for) == pytest.approx(wanted, rel=1e-6)
    day = found.last_day(0.2, clear_for)
    assert (
        by_integral(model, gaps, traits, day, clear_for) <= 0.2 < by_integral(model, gaps, traits, day + 1, clear_for)
    )


def test_with_ears_that_do_not_differ_the_interval_is_the_quantile() -> None:
    alike = replace(MODEL, ear_sd=0.0)
    assert proposed(*OWN, model=alike).days == math.floor(stats.weibull_min(2.0, scale=290).ppf(0.2))
    assert proposed(*OWN, model=alike).moved == ""
    with_aid = math.floor(stats.weibull_min(2.0, scale=290 * math.exp(-0.4)).ppf(0.2))
    assert proposed(*OWN, model=alike, traits=("aid", "unknown")).days == with_aid


def test_a_proposal_says_what_it_rests_on() -> None:
    found = proposed(*OWN)
    assert (found.own_gaps, found.own_returned, found.found_after, found.ears) == (3, 2, (160, 240), 412)
    assert found.days == found.unbounded_days
    assert found.bound == ""
    assert found.chance <= 0.2
    assert found.usual_chance > 0.2
    assert found.curve[0] == (0, 0.0)
    assert found.curve[-1][0] == 945  # the last whole week of 730 * 1.3
    assert [chance for _, chance in found.curve] == sorted(chance for _, chance in found.curve)


def test_bounds_act_and_say_so() -> None:
    free = proposed(*OWN)
    early = proposed(*OWN, within=(free.days + 50, 730))
    assert (early.days, early.bound, early.unbounded_days) == (free.days + 50, "earliest", free.days)
    assert early.chance > 0.2
    late = proposed(*OWN, within=(7, free.days - 20))
    assert (late.days, late.bound, late.unbounded_days) == (free.days - 20, "latest", free.days)
    assert late.chance < 0.2
    assert proposed(*OWN, within=(free.days, free.days)).bound == ""


def test_own_past_moves_the_interval_away_from_the_record() -> None:
    early = proposed(*[Gap(ear="", days_clear=0, days_returned=60)] * 3)
    assert early.moved == "sooner"
    assert early.days < early.record_days - 6
    late = proposed(Gap(ear="", days_clear=700, days_returned=None), Gap(ear="", days_clear=500, days_returned=800))
    assert late.moved == "later"
    assert early.record_days == late.record_days == proposed(*OWN).record_days


def test_own_past_counts_more_where_ears_differ_more() -> None:
    gaps = [Gap(ear="", days_clear=0, days_returned=60)] * 3
    days = [proposed(*gaps, model=replace(MODEL, ear_sd=sd)) for sd in (0.05, 0.2, 0.4, 0.8)]
    shares = [found.days / found.record_days for found in days]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > 0.95
    assert shares[-1] < 0.5


def test_an_ear_clear_for_long_is_judged_by_the_time_that_it_has_left() -> None:
    # With a rising hazard (shape 2) half a year without wax leaves less time than a fresh clearing would.
    gap = Gap(ear="", days_clear=180, days_returned=None)
    alike = replace(MODEL, ear_sd=0.0)
    spread = stats.weibull_min(2.0, scale=290)
    target = 1 - 0.8 * spread.sf(180)
    assert proposed(gap, model=alike, clear_for=180).days == math.floor(spread.ppf(target)) - 180
    assert proposed(gap, clear_for=180).moved == ""  # it is the gap at hand, not a past


gaps_drawn = st.lists(
    st.tuples(st.integers(0, 400), st.one_of(st.none(), st.integers(1, 400)), st.booleans()).map(
        lambda drawn: Gap(
            ear="",
            days_clear=drawn[0] if drawn[1] else drawn[0] + 1,
            days_returned=drawn[0] + drawn[1] if drawn[1] else None,
            traits=frozenset({"aid"}) if drawn[2] else frozenset(),
        )
    ),
    min_size=1,
    max_size=5,
)
models = st.builds(
    lambda family, shape, sd: replace(MODEL, family=family, log_shape=math.log(shape), ear_sd=sd),
    st.sampled_from(Family),
    st.floats(0.5, 8),
    st.floats(0, 1.5),
)
levels, clear = st.floats(0.01, 0.9), st.integers(0, 300)
quick = settings(max_examples=40, deadline=None)


@quick
@given(models, gaps_drawn, levels, st.integers(1, 200), clear)
def test_one_more_early_return_never_makes_it_longer(
    model: ReturnModel, gaps: list[Gap], level: float, soon: int, clear_for: int
) -> None:
    # A return seen by a day, with nothing known before it, is the likelier the shorter-lived the ear.
    more = [Gap(ear="", days_clear=0, days_returned=soon), *gaps]
    before = weighed(model, gaps, frozenset()).last_day(level, clear_for)
    assert weighed(model, more, frozenset()).last_day(level, clear_for) <= before


@quick
@given(models, gaps_drawn, levels, st.integers(1, 900), clear)
def test_one_more_clear_spell_never_makes_it_shorter(
    model: ReturnModel, gaps: list[Gap], level: float, spell: int, clear_for: int
) -> None:
    more = [Gap(ear="", days_clear=spell, days_returned=None), *gaps]
    before = weighed(model, gaps, frozenset()).last_day(level, clear_for)
    assert weighed(model, more, frozenset()).last_day(level, clear_for) >= before


@quick
@given(models, gaps_drawn, levels, levels, clear, st.tuples(st.integers(1, 200), st.integers(0, 300)))
def test_a_higher_level_never_makes_it_shorter_and_bounds_always_hold(
    model: ReturnModel, gaps: list[Gap], one: float, other: float, clear_for: int, bounds: tuple[int, int]
) -> None:
    within = (bounds[0], sum(bounds))
    low, high = (
        proposed(*gaps, model=model, level=level, within=within, clear_for=clear_for) for level in sorted((one, other))
    )
    assert within[0] <= low.days <= high.days <= within[1]
    assert low.unbounded_days <= high.unbounded_days <= LONGEST
    for found in (low, high):
        assert 0 <= found.chance <= 1
        assert found.chance <= found.level or found.bound == "earliest"


def asked(past: EarPast, found: ReturnModel | TooLittle | NotFitted = MODEL) -> Proposal | TooLittle | NotFitted:
    return propose(found, past, level=0.2, within=(30, 365), usual=180, least=LEAST)


def test_too_little_says_what_is_missing() -> None:
    assert asked(a_past(*OWN, earlier=1)) == TooLittle(lacks=((Lack.VISITS, 1, 2),))
    assert asked(a_past()) == TooLittle(lacks=((Lack.CLEARINGS, 0, 1),))
    small = replace(MODEL, ears=59, returned=3)
    assert asked(a_past(*OWN), small) == TooLittle(lacks=((Lack.EARS, 59, 60), (Lack.RETURNS, 3, 60)))
    assert isinstance(asked(a_past(*OWN), replace(MODEL, ears=60, returned=60)), Proposal)


@pytest.mark.parametrize("found", [NotFitted(why="no optimum"), TooLittle(lacks=((Lack.EARS, 1, 60),))])
def test_without_a_model_that_is_the_answer(found: TooLittle | NotFitted) -> None:
    assert asked(a_past(*OWN), found) is found


@pytest.mark.parametrize(
    ("changed", "match"),
    [
        ({"level": 0.0}, "level"),
        ({"level": 1.0}, "level"),
        ({"within": (0, 9)}, "within"),
        ({"within": (9, 8)}, "within"),
        ({"usual": 0}, "usual"),
    ],
)
def test_what_cannot_be_asked(changed: dict[str, object], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        propose(MODEL, a_past(*OWN), **({"level": 0.2, "within": (30, 365), "usual": 180, "least": LEAST} | changed))  # type: ignore[arg-type]


def test_an_ear_that_is_not_clear_has_no_proposal() -> None:
    with pytest.raises(ValueError, match="clear"):
        asked(replace(a_past(*OWN), clear_for=None))


@pytest.mark.parametrize(
    "found", [MODEL, replace(LOGISTIC, dropped=("swims",)), NotFitted(why="x"), TooLittle(lacks=((Lack.EARS, 1, 60),))]
)
def test_what_was_fitted_is_stored_and_read_again(found: ReturnModel | TooLittle | NotFitted) -> None:
    assert codec.load(LastFit, codec.dump(LastFit(found=found))) == LastFit(found=found)


def test_a_damaged_record_is_refused() -> None:
    with pytest.raises(ValueError, match="intercept"):
        codec.load(LastFit, codec.dump(LastFit(found=MODEL)).replace('"intercept":', '"intercep":'))


SAID = {
    "the level is reached": (
        (OWN, {}),
        "By 412 ears on record and this ear’s own past (wax back after 2 of 3 clearings, found 160 to 240 days after each, "
        "sooner than in ears like it), the chance of wax that needs removal stays under the clinic’s 20% for about 100 days.",
    ),
    "held at the latest": (
        (OWN, {"within": (30, 90)}),
        "By 412 ears on record and this ear’s own past (wax back after 2 of 3 clearings, found 160 to 240 days after each, "
        "sooner than in ears like it), the chance of wax that needs removal at 90 days, the latest that this aftercare allows, "
        "is about 17%, under the clinic’s 20%.",
    ),
    "held at the earliest": (
        ([Gap(ear="", days_clear=0, days_returned=40)] * 2, {"within": (90, 365), "level": 0.125}),
        "By 412 ears on record and this ear’s own past (wax back after both clearings, found 40 days after each, "
        "sooner than in ears like it), the chance of wax that needs removal at 90 days, the earliest that this aftercare allows, "
        "is about 32%, over the clinic’s 12.5%.",
    ),
    "never back": (
        ([Gap(ear="", days_clear=500, days_returned=None)], {"clear_for": 500}),
        "By 412 ears on record and this ear’s own past (wax not back so far after its one clearing), "
        "the chance of wax that needs removal stays under the clinic’s 20% for about 39 days from today.",
    ),
}


@pytest.mark.parametrize(("asking", "wanted"), SAID.values(), ids=SAID)
def test_the_reasoning_in_one_sentence(asking: tuple[tuple[Gap, ...], dict[str, object]], wanted: str) -> None:
    gaps, changed = asking
    assert sentence(proposed(*gaps, **changed)) == wanted  # type: ignore[arg-type]


def test_too_little_and_not_fitted_in_one_sentence() -> None:
    few = TooLittle(lacks=((Lack.EARS, 12, 60), (Lack.VISITS, 1, 2)))
    wanted = "Too little data for an estimate: 12 ears on record, 60 needed; 1 earlier visit of this ear, 2 needed."
    assert sentence(few) == wanted
    assert sentence(NotFitted(why="no optimum")) == "No estimate: the clinic’s record could not be fitted (no optimum)."


@pytest.mark.parametrize(("days", "said"), [(1, "1 day"), (28, "28 days"), (365, "365 days")])
def test_days_are_said_as_the_form_takes_them(days: int, said: str) -> None:
    assert in_days(days) == said
