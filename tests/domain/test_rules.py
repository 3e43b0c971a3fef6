"""When does a condition hold, and which effect wins?"""

from __future__ import annotations

from dataclasses import replace

import pytest
from builders import a_visit, an_ear, the_pack

from service.domain.build import build_plan
from service.domain.change import Change
from service.domain.pack import ClinicChoices, Condition, Effect, Overrulable, Rule, StepKind, StepSpec
from service.domain.rules import Facts, acting, codes_behind, holds, unite
from service.domain.visit import Overrule, Side
from service.errors import ContradictionError

FACTS = Facts(
    ear=frozenset({"wax-left", "dry-skin"}),
    other_ear=frozenset({"grommet"}),
    person=frozenset({"diabetes"}),
    removed_by=frozenset({"water"}),
    age=12,
)

CONDITIONS = [
    (Condition(), True),  # an empty condition always holds
    (Condition(ear_any=frozenset({"wax-left", "grommet"})), True),  # one of them is enough
    (Condition(ear_any=frozenset({"grommet"})), False),  # the other ear does not count
    (Condition(ear_all=frozenset({"wax-left", "dry-skin"})), True),
    (Condition(ear_all=frozenset({"wax-left", "grommet"})), False),  # every one is needed
    (Condition(ear_none=frozenset({"dry-skin"})), False),  # none may be there
    (Condition(other_ear_any=frozenset({"grommet"})), True),
    (Condition(person_any=frozenset({"diabetes"})), True),
    (Condition(person_none=frozenset({"diabetes"})), False),
    (Condition(removed_by_any=frozenset({"suction"})), False),
    (Condition(age_under=12), False),  # exclusive
    (Condition(age_from=12), True),  # inclusive
    (Condition(age_from=3, age_under=13), True),
    (Condition(ear_any=frozenset({"wax-left"}), person_any=frozenset({"tinnitus"})), False),  # every part must hold
]


@pytest.mark.parametrize(("condition", "expected"), CONDITIONS)
def test_every_given_part_of_a_condition_must_hold(condition: Condition, expected: bool) -> None:
    assert holds(condition, FACTS) is expected


def test_an_unknown_age_meets_an_age_limit_only_where_the_rule_is_cautious() -> None:
    unknown = replace(FACTS, age=None)
    assert not holds(Condition(age_under=12), unknown)
    assert holds(Condition(age_under=12, age_unknown=True), unknown)


def test_the_codes_behind_a_condition_are_those_that_were_ticked() -> None:
    asked = Condition(ear_any=frozenset({"wax-left", "grommet"}), person_any=frozenset({"diabetes", "tinnitus"}))
    assert codes_behind(asked, FACTS) == ("diabetes", "wax-left")


def a_rule(name: str, effect: Effect, *, target: str | None = None, say: StepSpec | None = None) -> Rule:
    return Rule(
        id=name,
        when=Condition(),
        effect=effect,
        why="A made-up rule.",
        sources=("draft-choice",),
        overrule=Overrulable.WITH_REASON,
        target=target,
        say=say,
    )


WASH = StepSpec(id="wash", kind=StepKind.DO, picture="info", wording=("care.read-together",))


def steps_with(*rules: Rule) -> set[str]:
    pack = replace(the_pack(), rules={rule.id: rule for rule in rules})
    return {step.id for step in build_plan(a_visit(), pack, ClinicChoices()).steps}


@pytest.mark.parametrize("names", [("a", "b"), ("b", "a")])
def test_forbid_beats_require_whatever_the_order(names: tuple[str, str]) -> None:
    asks, bars = names
    assert "wash" in steps_with(a_rule(asks, Effect.REQUIRE, say=WASH))
    rules = a_rule(asks, Effect.REQUIRE, say=WASH), a_rule(bars, Effect.FORBID, target="step:wash")
    assert "wash" not in steps_with(*rules)
    assert "wash" not in steps_with(*reversed(rules))


def test_forbid_beats_what_a_template_suggests() -> None:
    assert "wax-falls-out" in steps_with()
    assert "wax-falls-out" not in steps_with(a_rule("bars", Effect.FORBID, target="step:wax-falls-out"))


def test_require_beats_suggest_so_that_a_required_step_comes_beside_the_template() -> None:
    assert {"soften", "wash"} <= steps_with(a_rule("asks", Effect.REQUIRE, say=WASH))


def test_a_forbidding_rule_that_nobody_may_set_aside_is_named_first() -> None:
    visit = a_visit(an_ear("grommet", "discharge", "wax-left"))
    found = acting(the_pack(), Facts.of(visit, Side.RIGHT), Side.RIGHT, visit).forbidding("softener")
    assert found is not None
    assert found.overrule is Overrulable.NEVER


def test_several_changes_combine_to_the_safer_one() -> None:
    visit = a_visit(an_ear("abrasion", "hearing-aid-worn"), history=frozenset({"diabetes"}))
    change = acting(the_pack(), Facts.of(visit, Side.RIGHT), Side.RIGHT, visit).change
    assert change.return_days_at_most == 3  # of 3, 182 and 182 days
    assert change.return_days_at_least == 1  # of the rule that asks for the earliest, whatever the others say
    assert change.technique == ("technique.pull-up-back",)


@pytest.mark.parametrize(
    "change",
    [
        {"return_wording": "back.check", "return_days_at_most": 10},
        {"return_days_at_least": 5, "return_days_at_most": 10},
        {"return_wording": "back.check", "return_days_at_least": 5},
        {"return_wording": "back.check", "return_days_at_least": 11, "return_days_at_most": 10},
        {"return_wording": "back.check", "return_days_at_least": 0, "return_days_at_most": 10},
    ],
)
def test_a_rule_that_asks_for_a_return_says_from_when_to_when(change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="return_days_at_least"):
        Change(**change)  # type: ignore[arg-type]


def test_an_overruling_counts_only_in_its_own_ear_and_only_where_the_rule_may_be_set_aside() -> None:
    made = Overrule(rule="grommet-no-softener", side=Side.RIGHT, reason="Ordered by the surgeon.")
    never = Overrule(rule="infection-no-softener", side=Side.RIGHT, reason="No.")
    visit = a_visit(an_ear("grommet", "discharge"), an_ear("grommet"), overrules=(made, never))
    right = acting(the_pack(), Facts.of(visit, Side.RIGHT), Side.RIGHT, visit)
    left = acting(the_pack(), Facts.of(visit, Side.LEFT), Side.LEFT, visit)
    assert right.overruled == {"grommet-no-softener": "Ordered by the surgeon."}
    assert left.overruled == {}


def test_one_step_asked_for_twice_in_one_way_is_said_once() -> None:
    assert unite((("a", WASH), ("b", WASH))) == (WASH,)


def test_one_step_asked_for_in_two_ways_names_both_who_ask() -> None:
    with pytest.raises(ContradictionError) as failed:
        unite((("a", WASH), ("b", replace(WASH, picture="bottle"))))
    assert (failed.value.first, failed.value.second) == ("a", "b")
