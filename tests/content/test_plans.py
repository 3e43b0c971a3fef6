"""Does the shipped content give a plan for whatever is ticked, with nothing contradicted and nothing said twice?"""

from __future__ import annotations

from collections import Counter
from datetime import date
from itertools import combinations

from builders import the_pack

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, Purpose, StepKind, Urgency
from service.domain.plan import Plan
from service.domain.visit import Ear, Ears, Visit

ON = date(2026, 11, 25)
ADULT = date(1960, 5, 1)


def plan(
    right: set[str],
    left: set[str] | None = None,
    *,
    history: set[str] | None = None,
    born: date | None = ADULT,
    removed_by: set[str] | None = None,
) -> Plan:
    visit = Visit(
        on=ON,
        right=Ear(findings=frozenset(right), removed_by=frozenset(removed_by or ())),
        left=Ear(findings=frozenset(left or ())),
        born=born,
        history=frozenset(history or ()),
    )
    return build_plan(visit, the_pack(), ClinicChoices())


def may_stand_together(first: str, second: str) -> bool:
    boxes = the_pack().findings
    return second not in boxes[first].excludes and first not in boxes[second].excludes


def test_every_pair_of_findings_in_one_ear_gives_a_plan() -> None:
    for first, second in combinations(the_pack().findings, 2):
        if may_stand_together(first, second):
            plan({first, second}, history={"diabetes", "anticoagulant"})


def test_no_warning_sign_is_said_twice_whatever_the_two_ears_hold() -> None:
    for right in the_pack().findings:
        for left in the_pack().findings:
            for born in (ADULT, date(2022, 1, 1)):
                signs = plan({right}, {left}, born=born, history={"anticoagulant", "diabetes"}).signs
                twice = [unit for unit, count in Counter(sign.phrase.wording for sign in signs).items() if count > 1]
                assert not twice, (right, left, twice)


def test_every_history_box_goes_with_every_finding() -> None:
    for code in the_pack().history:
        for finding in the_pack().findings:
            plan({finding}, history={code}, removed_by={"water"})


def test_no_drops_of_any_kind_are_planned_for_an_ear_that_must_have_none() -> None:
    barred = {"perforation", "perforation-suspected", "infection-suspected", "otitis-externa", "discharge"}
    barred |= {"grommet", "mastoid-cavity", "recent-ear-surgery", "battery-removed", "muffled-after-clearance"}
    for finding in barred:
        for other in ("wax-left", "removal-failed", "dry-skin", "hard-wax-cleared"):
            if may_stand_together(finding, other):
                made = plan({finding, other}, history={"prone-to-wax"})
                assert not made.courses, (finding, other)
                assert any(step.id == "no-softener" for step in made.steps), (finding, other)


def test_only_the_side_that_failed_gets_drops_again() -> None:
    made = plan({"removal-failed"}, {"hard-wax-cleared"})
    assert [(course.ears, course.purpose) for course in made.courses] == [(Ears.RIGHT, Purpose.SOFTEN)]


def test_oil_for_a_dry_right_ear_beside_a_grommet_is_said_both_ways() -> None:
    made = plan({"wax-left"}, {"grommet"})
    assert made.courses[0].ears is Ears.RIGHT
    assert [step.ears for step in made.steps if step.id == "no-softener"] == [Ears.LEFT]


def test_prescribed_drops_stay_right_where_softeners_are_barred() -> None:
    made = plan({"grommet", "discharge", "prescribed-drops"}, {"wax-left"})
    steps = {step.id: step.ears for step in made.steps}
    assert steps["prescribed-drops"] is Ears.RIGHT
    assert steps["no-softener"] is Ears.RIGHT
    assert steps["two-bottles"] is Ears.RIGHT
    assert made.courses[0].ears is Ears.LEFT


def test_an_infant_toddler_child_and_adult_get_the_agents_of_their_age() -> None:
    # Age in years -> barred agents: bicarbonate under 5 (label), peroxide under 12 (US label), docusate under 1 (BNFC).
    expected = {2: {"sodium-bicarbonate", "urea-peroxide"}, 6: {"urea-peroxide"}, 13: set(), 40: set()}
    for age, barred in expected.items():
        made = plan({"wax-left"}, born=date(ON.year - age, 1, 1))
        (ear,) = made.ears.values()
        known = {"sodium-bicarbonate", "urea-peroxide", "docusate", "olive-oil"}
        assert known - set(ear.agents_allowed) == barred, age


def test_pulling_the_ear_depends_on_age() -> None:
    for born, unit in ((date(2024, 1, 1), "technique.pull-down-back"), (ADULT, "technique.pull-up-back")):
        (step,) = plan({"wax-left"}, born=born).steps_of(StepKind.INSTIL)
        assert unit in {phrase.wording for phrase in step.phrases}


def test_a_hearing_change_in_an_only_hearing_ear_is_one_step_more_urgent() -> None:
    def urgency(*findings: str) -> Urgency:
        return next(sign.urgency for sign in plan(set(findings)).signs if sign.id == "hearing-worse-cleared")

    assert urgency("hard-wax-cleared") is Urgency.NEXT_DAY
    assert urgency("hard-wax-cleared", "only-hearing-ear") is Urgency.SAME_DAY


def test_diabetes_brings_an_injured_ear_back_earlier() -> None:
    without, with_it = plan({"abrasion"}).next_return, plan({"abrasion"}, history={"diabetes"}).next_return
    assert without is not None
    assert with_it is not None
    assert with_it.on < without.on


def test_an_ordinary_visit_shows_at_most_11_signs() -> None:
    assert len(plan({"soft-wax-cleared"}, removed_by={"suction"}).signs) <= 10
    assert len(plan({"hard-wax-cleared"}, removed_by={"suction"}).signs) <= 11


def test_the_stricter_water_option_is_the_one_said() -> None:
    made = plan({"otitis-externa"}, removed_by={"suction"})
    assert [step.id for step in made.steps_of(StepKind.KEEP_DRY)] == ["water.externa-10-days", "water.how"]
