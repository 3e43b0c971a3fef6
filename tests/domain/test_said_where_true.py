"""Is each sentence said only where it is true: of wax that came out, of drops that are given, once and in good order?

The plans are those in which readers met the opposite.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from builders import a_clinic, a_visit, an_ear, draft_wordings, the_pack

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, StepKind, Urgency
from service.domain.plan import Plan
from service.domain.visit import Ear, EarChoice, Ears, Side, Visit
from service.messages.read_plan import read_plan

CLEARED = an_ear("hard-wax-cleared", by="suction")
SOFTENED = an_ear("wax-left")
SLOWLY, CLEARED_WORSE = "warning.hearing-slowly-worse", "warning.hearing-worse"
AFTER_DROPS, MUFFLED = "warning.hearing-worse-after-drops", "warning.muffled-cleared-ear"
OF_HEARING = {SLOWLY, CLEARED_WORSE, AFTER_DROPS, MUFFLED}


def plan(visit: Visit) -> Plan:
    return build_plan(visit, the_pack(), ClinicChoices())


def signs(made: Plan) -> set[str]:
    return {sign.phrase.wording for sign in made.signs}


def section(made: Plan, name: str) -> list[str]:
    reading = read_plan(made, draft_wordings(), "en", a_clinic())
    return [s for part in reading.sections if part.id == name for block in part.blocks for s in block.sentences]


HEARING = [
    (CLEARED, Ear(), {CLEARED_WORSE}),
    (an_ear("soft-wax-cleared"), an_ear("normal"), {CLEARED_WORSE}),
    (SOFTENED, Ear(), {AFTER_DROPS}),  # no wax came out, and duller hearing is normal for now
    (SOFTENED, an_ear("removal-failed"), {AFTER_DROPS}),
    (CLEARED, SOFTENED, {MUFFLED, AFTER_DROPS}),  # the dull one is the other ear
    (an_ear("hard-wax-cleared", "muffled-after-clearance"), Ear(), {SLOWLY}),  # known already
    (an_ear("mastoid-cavity"), an_ear("normal"), {SLOWLY}),
    (an_ear("wax-left", "perforation"), Ear(), {SLOWLY}),  # no drops, so nothing softens
    (an_ear("dry-skin"), Ear(), {SLOWLY}),
]


@pytest.mark.parametrize(("right", "left", "said"), HEARING)
def test_a_slow_loss_of_hearing_is_a_sign_in_the_words_that_fit_the_plan(right: Ear, left: Ear, said: set[str]) -> None:
    assert signs(plan(a_visit(right, left))) & OF_HEARING == said


@pytest.mark.parametrize("finding", [code for code, box in the_pack().findings.items() if not box.red_flag])
@pytest.mark.parametrize("other", ["", "hard-wax-cleared", "wax-left"])
def test_every_plan_has_a_sign_of_slow_hearing_loss(finding: str, other: str) -> None:
    said = signs(plan(a_visit(an_ear(finding), an_ear(other) if other else Ear())))
    assert said & {SLOWLY, CLEARED_WORSE, AFTER_DROPS}
    assert ("normal.softening" not in {n.phrase.wording for n in plan(a_visit(an_ear(finding))).normal}) or (
        not said & {SLOWLY, CLEARED_WORSE}
    )


def test_the_signs_of_hearing_of_an_only_hearing_ear_are_raised_while_wax_softens_too() -> None:
    made = plan(a_visit(an_ear("wax-left", "only-hearing-ear")))
    (sign,) = [sign for sign in made.signs if sign.phrase.wording == AFTER_DROPS]
    assert sign.urgency is Urgency.SAME_DAY


def test_where_a_red_flag_takes_the_place_of_the_plan_hearing_is_still_a_sign() -> None:
    assert signs(plan(a_visit(SOFTENED, an_ear("severe-pain")))) & OF_HEARING == {SLOWLY}


EAR_DISEASE = ["mastoid-cavity", "perforation", "discharge", "prescribed-drops", "otitis-externa"]


@pytest.mark.parametrize("finding", EAR_DISEASE)
def test_a_weak_face_is_said_once_and_with_the_signs_of_a_stroke(finding: str) -> None:
    made = plan(a_visit(an_ear(finding), an_ear("hard-wax-cleared")))
    reading = read_plan(made, draft_wordings(), "en", a_clinic())
    emergency = [s for part in reading.help if part.urgency == "emergency" for b in part.blocks for s in b.sentences]
    assert ["side of your face" in sentence for sentence in emergency[:2]] == [False, True], "where a stroke stands"
    (face,) = [sentence for sentence in emergency if "side of your face" in sentence or "face droops" in sentence]
    for part in ("droops", "weak", "different", "arm or leg", "speech"):  # FAST; NG98 on facial weakness
        assert part in face


def test_a_covered_sign_that_is_more_urgent_stays() -> None:
    pack = the_pack()
    later = replace(pack.warnings["face-with-ear-disease"], urgency=Urgency.SAME_DAY)
    changed = replace(pack, warnings={**pack.warnings, later.id: later})
    made = build_plan(a_visit(an_ear("mastoid-cavity")), changed, ClinicChoices())
    assert {"face-or-stroke", "face-with-ear-disease"} <= {sign.id for sign in made.signs}


AID_OUT = [
    (an_ear("wax-left", "hearing-aid-worn"), True),
    (an_ear("dry-skin", "hearing-aid-worn"), True),  # oil once a week
    (an_ear("otitis-externa", "prescribed-drops", "hearing-aid-worn"), True),
    (an_ear("hard-wax-cleared", "hearing-aid-worn"), False),
    (an_ear("soft-wax-cleared", "hearing-aid-worn", by="suction"), False),
    (an_ear("wax-left", "perforation", "hearing-aid-worn"), False),  # drops are barred
]


@pytest.mark.parametrize(("ear", "said"), AID_OUT)
def test_the_hearing_aid_comes_out_for_drops_only_where_drops_go_in(ear: Ear, said: bool) -> None:
    made = plan(a_visit(ear))
    assert ("hearing-aid-out" in {step.id for step in made.steps}) is said
    assert ("aid-out-for-drops" in {caution.rule for caution in made.cautions}) is said


def test_it_comes_out_of_the_ear_that_gets_drops_and_not_of_the_other() -> None:
    made = plan(a_visit(an_ear("wax-left", "hearing-aid-worn"), an_ear("hard-wax-cleared", "hearing-aid-worn")))
    assert [step.ears for step in made.steps if step.id == "hearing-aid-out"] == [Ears.RIGHT]


def test_a_template_with_drops_that_the_clinician_picks_brings_the_hearing_aid_out() -> None:
    ear, history = an_ear("hard-wax-cleared", "hearing-aid-worn"), frozenset({"prone-to-wax"})
    picked = {Side.RIGHT: EarChoice(template="clear-keep-soft")}
    made = plan(a_visit(ear, history=history, choices=picked))
    assert made.courses
    assert "hearing-aid-out" in {step.id for step in made.steps}


def test_help_with_drops_is_offered_only_where_there_are_drops() -> None:
    history = frozenset({"cannot-instil-alone"})
    without = plan(a_visit(CLEARED, history=history))
    assert "helper" not in {step.id for step in without.steps}
    assert "helper-for-drops" not in {caution.rule for caution in without.cautions}
    assert "helper" in {step.id for step in plan(a_visit(SOFTENED, history=history)).steps}


ORDERED = [
    (an_ear("wax-left", "hearing-aid-worn"), Ear()),
    (an_ear("wax-left", "hearing-aid-worn"), an_ear("wax-left", "hearing-aid-worn")),
    (an_ear("wax-left", "hearing-aid-worn"), an_ear("hard-wax-cleared", "hearing-aid-worn")),
    (an_ear("hard-wax-cleared"), an_ear("hard-wax-cleared", "hearing-aid-worn")),
    (an_ear("mastoid-cavity", "hearing-aid-worn"), an_ear("wax-left", "hearing-aid-worn")),
]


@pytest.mark.parametrize(("right", "left"), ORDERED)
def test_the_care_of_a_hearing_aid_ends_what_to_do_and_taking_it_out_begins_it(right: Ear, left: Ear) -> None:
    made = plan(a_visit(right, left))
    said = section(made, "do")
    battery = next(place for place, sentence in enumerate(said) if sentence.startswith("Keep hearing aid batteries"))
    assert battery == len(said) - 1
    if made.courses:
        out = next(place for place, sentence in enumerate(said) if sentence.startswith("Take your hearing aid"))
        drops = next(place for place, sentence in enumerate(said) if sentence.startswith("Put "))
        assert out < drops


def test_drops_for_both_ears_are_said_of_each_once() -> None:
    made = plan(a_visit(SOFTENED, SOFTENED))
    (step,) = made.steps_of(StepKind.INSTIL)
    assert step.ears is Ears.BOTH
    assert "instil.only" not in {phrase.wording for phrase in step.phrases}
    assert [s for s in section(made, "do") if "both ears" in s or "each ear" in s] == ["Put 2 drops in each ear."]
    (alone,) = plan(a_visit(SOFTENED, CLEARED)).steps_of(StepKind.INSTIL)
    assert "instil.only" in {phrase.wording for phrase in alone.phrases}
