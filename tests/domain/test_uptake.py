from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from service.domain.recall import Ended, Recall, RecallState, Spacing, Window, anew, booked, ended, seen
from service.domain.uptake import (
    LEFT_OUT,
    CameBack,
    Invited,
    Words,
    age_band,
    came,
    group_of,
    plugs_by_marks,
    uptake,
    wilson,
)
from service.domain.visit import Ears, years_between


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


def invited(channel: str = "text", *, came: bool | None = False) -> Invited:
    return Invited(channel=channel, words=Words(language="en", sentence="text"), age=70, after=1, answer="", came=came)


def test_groups_are_counted_the_largest_first_and_equal_ones_by_name() -> None:
    found = uptake(
        [invited("text", came=True), invited("letter"), invited("email"), invited("text", came=None)],
        lambda each: each.channel,
    )
    assert [(name, group.share.hits, group.share.of, group.open) for name, group in found.items()] == [
        ("text", 1, 1, 1),
        ("email", 0, 1, 0),
        ("letter", 0, 1, 0),
    ]


def test_words_are_grouped_by_language_sentence_and_revision() -> None:
    now, later = datetime(2026, 11, 25, tzinfo=UTC), datetime(2026, 11, 26, tzinfo=UTC)
    kinds = [Words(language="en", sentence="text", approved=at) for at in (later, None, now, now)]
    kinds.append(Words(language="cy", sentence="text", approved=now))
    found = uptake([replace(invited(), words=each) for each in kinds], lambda each: each.words)
    assert list(found) == [kinds[2], kinds[4], kinds[1], kinds[0]]
    assert [group.invited for group in found.values()] == [2, 1, 1, 1]


def test_the_open_ones_are_in_no_share_and_bound_what_it_can_become() -> None:
    group = group_of([invited(came=True), invited(), invited(came=None), invited(came=None)])
    assert (group.share, group.open, group.invited) == (wilson(1, 2), 2, 4)
    assert (group.least, group.most) == (1 / 4, 3 / 4)
    nobody = group_of([])
    assert (nobody.share, nobody.invited, nobody.least, nobody.most) == (wilson(0, 0), 0, None, None)


@given(st.lists(st.sampled_from([True, False, None]), min_size=1, max_size=60))
def test_however_the_open_ones_decide_the_share_stays_within_its_bounds(said: list[bool | None]) -> None:
    group = group_of(invited(came=each) for each in said)
    assert group.invited == len(said) and group.share.of == len([each for each in said if each is not None])
    decided = group_of(invited(came=bool(number % 2) if each is None else each) for number, each in enumerate(said))
    assert decided.open == 0 and decided.share.share is not None
    assert group.least is not None and group.most is not None
    assert group.least <= decided.share.share <= group.most


SPACING = Spacing(second=14, last=21, give_up=14)
RECALL = Recall(
    id="r",
    person_id="p",
    plan_id="l",
    window=Window(
        ears=Ears.LEFT,
        earliest=date(2027, 1, 1),
        ideal=date(2027, 2, 1),
        latest=date(2027, 3, 1),
        weight=1,
        template="t",
    ),
    invite_on=date(2027, 1, 4),
    opened=datetime(2026, 11, 25, tzinfo=UTC),
)


@pytest.mark.parametrize(
    ("recall", "day", "said"),
    [
        (RECALL, date(2027, 2, 21), None),
        (RECALL, date(2027, 2, 22), False),  # 14 + 21 + 14 = 49 days after 4 January
        (anew(RECALL, date(2027, 7, 1)), date(2027, 8, 18), None),
        (anew(RECALL, date(2027, 7, 1)), date(2027, 8, 19), False),
        (replace(RECALL, state=RecallState.ANSWERED), date(2029, 1, 1), None),
        (booked(RECALL), date(2029, 1, 1), True),
        (seen(RECALL, RECALL.opened), date(2027, 1, 1), True),
        (ended(RECALL, Ended.DECLINED, RECALL.opened), date(2027, 1, 1), False),
        (ended(RECALL, Ended.ELSEWHERE, RECALL.opened), date(2027, 1, 1), False),
        (ended(RECALL, Ended.NO_ANSWER, RECALL.opened), date(2027, 1, 1), False),
    ],
)
def test_who_came_who_did_not_and_who_is_still_open(recall: Recall, day: date, said: bool | None) -> None:
    assert came(recall, SPACING, day) is said


def test_every_end_is_either_left_out_or_did_not_come() -> None:
    assert {Ended.DECLINED, Ended.ELSEWHERE, Ended.NO_ANSWER} == set(Ended) - LEFT_OUT


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
