from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from service.domain.uptake import CameBack, Invited, age_band, plugs_by_marks, uptake, wilson
from service.domain.visit import years_between


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [  # R. G. Newcombe, Stat Med 1998;17:857, table I, method 3 (the figures from memory)
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_the_published_examples(hits: int, of: int, low: float, high: float) -> None:
    found = wilson(hits, of)
    assert (found.low, found.high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


@given(st.integers(1, 5000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_it_is_the_interval_of_a_reference_library(counts: tuple[int, int]) -> None:
    hits, of = counts
    theirs = binomtest(hits, of).proportion_ci(0.95, method="wilson")  # scipy
    ours = wilson(hits, of)
    assert ours.low == pytest.approx(theirs.low, abs=1e-9)
    assert ours.high == pytest.approx(theirs.high, abs=1e-9)
    assert 0 <= ours.low <= hits / of <= ours.high <= 1


def test_of_nothing_nothing_is_known() -> None:
    assert (wilson(0, 0).share, wilson(0, 0).low, wilson(0, 0).high) == (None, 0, 1)
    with pytest.raises(ValueError, match="at most"):
        wilson(2, 1)


def invited(channel: str = "text", *, came: bool = False) -> Invited:
    return Invited(channel=channel, language="en", wording="shipped", age=70, after=1, answer="", came=came)


def test_groups_are_counted_the_largest_first() -> None:
    found = uptake([invited("text", came=True), invited("email"), invited("text")], lambda each: each.channel)
    assert [(name, share.hits, share.of) for name, share in found.items()] == [("text", 1, 2), ("email", 0, 1)]


def test_a_plug_is_counted_by_the_doses_that_were_marked() -> None:
    found = plugs_by_marks(
        [CameBack(plug=True, marked=0.0), CameBack(plug=False, marked=0.5), CameBack(plug=True, marked=None)]
    )
    assert {name: (share.hits, share.of) for name, share in found.items()} == {
        "no dose marked": (1, 1),
        "half or more marked": (0, 1),
        "no doses in the plan": (1, 1),
    }


@pytest.mark.parametrize(
    ("age", "band"),
    [
        (0, "under 18"),
        (17, "under 18"),
        (18, "18 to 64"),
        (64, "18 to 64"),
        (65, "65 to 79"),
        (80, "80 or older"),
        (None, "not known"),
    ],
)
def test_bands_begin_with_their_first_year(age: int | None, band: str) -> None:
    assert age_band(age) == band


def test_an_age_is_in_completed_years() -> None:
    assert years_between(date(1946, 11, 26), date(2026, 11, 25)) == 79
    assert years_between(date(1946, 11, 25), date(2026, 11, 25)) == 80
    assert years_between(None, date(2026, 11, 25)) is None
