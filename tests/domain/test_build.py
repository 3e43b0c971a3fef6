"""Does the plan engine say what the published facts say, ear by ear and for the whole person?"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from builders import VISIT_DAY, a_clinic, a_visit, an_ear, draft_wordings, the_pack

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, Purpose, StepKind, Urgency
from service.domain.plan import Plan
from service.domain.visit import Ear, EarChoice, Ears, Overrule, Side, Visit
from service.errors import ContradictionError, VisitError
from service.messages.read_plan import read_plan
from service.messages.reading import Reading

NO_CHOICES = ClinicChoices()


def plan(visit: Visit, choices: ClinicChoices = NO_CHOICES) -> Plan:
    return build_plan(visit, the_pack(), choices)


def read(made: Plan, booked: tuple[str, str] | None = None) -> Reading:
    return read_plan(made, draft_wordings(), "en", a_clinic(), booked=booked)


def sentences(made: Plan, *sections: str) -> list[str]:
    reading = read(made)
    found = [*reading.urgent, *reading.help, *reading.sections]
    return [
        s for part in found if not sections or part.id in sections for block in part.blocks for s in block.sentences
    ]


def steps(made: Plan) -> dict[str, Ears]:
    return {step.id: step.ears for step in made.steps}


def agents_allowed(made: Plan, side: Side = Side.RIGHT) -> set[str]:
    return set(made.ears[side].agents_allowed)


def urgency(made: Plan, sign: str) -> Urgency | None:
    return next((each.urgency for each in made.signs if each.id == sign), None)


NO_SOFTENER = [
    ("perforation", ()),  # NHS page; docusate and peroxide SmPCs
    ("perforation-suspected", ()),  # the same, suspected
    ("grommet", ()),  # MSD Manual 2023: non-intact drum is an absolute contraindication
    ("grommet-past-unconfirmed", ()),  # MSD Manual 2023: past grommet, healing unknown
    ("recent-ear-surgery", ()),  # NHS Wales, US label
    ("mastoid-cavity", ()),  # NHS Wales, US label: only if the clinician ordered it
    ("infection-suspected", ()),  # NHS Wales, SmPCs
    ("otitis-externa", ()),  # NHS Wales, SmPCs: inflammation
    ("discharge", ()),  # NHS Wales, SmPCs
    ("infection-last-6-weeks", ()),  # NHS Wales
    ("told-to-keep-dry", ()),  # NHS Wales
    ("normal", ("cleft-palate",)),  # NHS Wales; the normal box is replaced by wax below
]


@pytest.mark.parametrize(("finding", "history"), NO_SOFTENER)
def test_an_ear_that_must_have_no_softener_gets_none_and_is_told_so(finding: str, history: tuple[str, ...]) -> None:
    ear = an_ear("wax-left") if finding == "normal" else an_ear("wax-left", finding)
    made = plan(a_visit(ear, history=frozenset(history)))
    assert made.courses == ()
    assert steps(made)["no-softener"] is Ears.RIGHT
    assert "Do not put wax-softening drops or oil in your RIGHT ear." in sentences(made, "avoid")


BARRED_AGENTS = [
    # findings, history, removed by, barred agents: source
    (("wax-left",), ("dizziness",), None, {"urea-peroxide", "sodium-bicarbonate"}),  # SmPC and some labels
    (("wax-left",), ("tinnitus",), None, {"urea-peroxide", "sodium-bicarbonate"}),  # SmPC and some labels
    (("wax-left", "eczema"), (), None, {"docusate", "arachis-oil", "sodium-bicarbonate"}),  # SmPCs; drying: inference
    (("wax-left",), ("almond-allergy",), None, {"almond-oil"}),  # NHS page
    (("wax-left",), ("peanut-allergy",), None, {"arachis-oil"}),  # UK SmPCs
    (("wax-left",), ("soya-allergy",), None, {"arachis-oil"}),  # UK SmPCs: cross-reaction
    (("wax-left", "seborrhoeic-dermatitis"), (), None, {"arachis-oil", "sodium-bicarbonate"}),  # UK SmPC; inference
    (("wax-left",), ("nut-allergy",), None, {"almond-oil"}),  # cautious inference
    (("removal-failed",), (), "water", {"urea-peroxide", "sodium-bicarbonate"}),  # SmPC and label: 2-3 days
    (("wax-left", "dug-in-ear"), (), None, {"urea-peroxide"}),  # SmPC: not until inspected
    (("wax-left",), ("ingredient-allergy-olive",), None, {"olive-oil"}),  # all SmPCs
    (("wax-left",), ("ingredient-allergy-bicarbonate",), None, {"sodium-bicarbonate"}),  # all SmPCs
    (("wax-left",), ("ingredient-allergy-peroxide",), None, {"urea-peroxide"}),  # all SmPCs
    (("wax-left",), ("ingredient-allergy-docusate",), None, {"docusate"}),  # all SmPCs
]


@pytest.mark.parametrize(("findings", "history", "by", "barred"), BARRED_AGENTS)
def test_a_barred_agent_is_neither_proposed_nor_taken(
    findings: tuple[str, ...], history: tuple[str, ...], by: str | None, barred: set[str]
) -> None:
    visit = a_visit(an_ear(*findings, by=by), history=frozenset(history))
    made = plan(visit)
    assert set(the_pack().agents) - agents_allowed(made) == barred
    (course,) = made.courses
    assert course.agent not in barred
    for agent in barred:
        with pytest.raises(VisitError, match=rf"choices\.right\.agent: {agent} is barred in the right ear"):
            plan(replace(visit, choices={Side.RIGHT: EarChoice(agent=agent)}))


AGES = [
    # age, barred agents: source
    (0, set()),  # AAO-HNS covers over 6 months: no softener at all without an order
    (3, {"sodium-bicarbonate", "urea-peroxide", "arachis-oil", "sodium-chloride"}),  # labels; adults only: our choice
    (11, {"urea-peroxide", "arachis-oil", "sodium-chloride"}),  # US label: 12 and over
    (12, {"arachis-oil", "sodium-chloride"}),
    (18, set()),  # NG98 covers adults, 18 and over
]


@pytest.mark.parametrize(("age", "barred"), AGES)
def test_age_limits_of_agents_change_on_the_birthday(age: int, barred: set[str]) -> None:
    made = plan(a_visit(born=date(VISIT_DAY.year - age, VISIT_DAY.month, VISIT_DAY.day)))
    if age == 0:
        assert made.courses == ()
        assert agents_allowed(made) == set()
    else:
        assert set(the_pack().agents) - agents_allowed(made) == barred
        assert made.courses[0].agent == "olive-oil"


def test_an_unknown_age_takes_the_limits_of_children_and_the_technique_of_adults() -> None:
    made = plan(a_visit(born=None))
    assert {"sodium-bicarbonate", "urea-peroxide", "docusate"}.isdisjoint(agents_allowed(made))
    (step,) = made.steps_of(StepKind.INSTIL)
    assert "technique.pull-up-back" in {phrase.wording for phrase in step.phrases}


# --- Section 6 of the facts: conflicts between ears ---


def test_6_1_grommet_left_and_wax_right_gives_oil_on_the_right_only() -> None:
    made = plan(a_visit(an_ear("wax-left"), an_ear("grommet")))
    assert [course.ears for course in made.courses] == [Ears.RIGHT]
    said = sentences(made)
    assert "Use these drops in your RIGHT ear only." in said
    assert "Do not put wax-softening drops or oil in your LEFT ear." in said


def test_6_2_perforation_right_and_upkeep_left_says_nothing_in_the_right_ear() -> None:
    made = plan(a_visit(an_ear("perforation"), an_ear("dry-skin")))
    assert [(course.ears, course.purpose) for course in made.courses] == [(Ears.LEFT, Purpose.MAINTAIN)]
    said = sentences(made)
    assert any(sentence.startswith("Put nothing in your RIGHT ear") for sentence in said)
    assert "Use these drops in your LEFT ear only." in said


def test_6_3_cavity_left_and_hearing_aid_right_share_one_visit_at_the_earlier_date() -> None:
    made = plan(
        a_visit(an_ear("soft-wax-cleared", "hearing-aid-worn", "skin-plug"), an_ear("mastoid-cavity"))
    )  # the skin plug asks for 90 days, the cavity for 120 within 60 to 365
    assert {back.on for back in made.returns} == {VISIT_DAY + timedelta(days=90)}
    by_hand = a_visit(an_ear("skin-plug"), an_ear("mastoid-cavity"), choices={Side.LEFT: EarChoice(return_days=200)})
    assert [(back.on - VISIT_DAY).days for back in plan(by_hand).returns] == [90, 200]


def test_6_4_prescribed_drops_in_one_ear_and_a_softener_in_the_other_are_two_bottles() -> None:
    made = plan(a_visit(an_ear("otitis-externa", "prescribed-drops"), an_ear("wax-left")))
    assert steps(made)["two-bottles"] is Ears.RIGHT
    assert [course.ears for course in made.courses] == [Ears.LEFT]
    assert any("Your prescribed drops go in your RIGHT ear" in sentence for sentence in sentences(made, "do"))


def test_6_5_where_one_ear_must_stay_dry_the_other_is_not_told_to_swim() -> None:
    choices = ClinicChoices(water={"after-suction": "suction-none"})
    ears = an_ear("soft-wax-cleared", by="suction"), an_ear("perforation")
    water = sentences(plan(a_visit(*ears), choices), "water")
    assert not any("swim as usual" in sentence for sentence in water)
    assert any("Keep water out of your LEFT ear" in sentence for sentence in water)
    alone = sentences(plan(a_visit(ears[0]), choices), "water")
    assert any("swim as usual" in sentence for sentence in alone)


def test_6_6_signs_of_an_only_hearing_ear_are_raised_for_that_ear() -> None:
    without = plan(a_visit(an_ear("hard-wax-cleared"), an_ear("normal")))
    with_it = plan(a_visit(an_ear("hard-wax-cleared", "only-hearing-ear"), an_ear("normal")))
    assert urgency(without, "hearing-worse-cleared") is Urgency.NEXT_DAY
    assert urgency(with_it, "hearing-worse-cleared") is Urgency.SAME_DAY
    assert steps(with_it).keys() == steps(without).keys()


def test_6_7_drops_are_never_said_bare_where_prescribed_drops_are_right() -> None:
    made = plan(a_visit(an_ear("grommet", "discharge", "prescribed-drops")))
    said = sentences(made, "do", "avoid")
    assert any("Put only your prescribed drops in your RIGHT ear" in sentence for sentence in said)
    assert "Do not put wax-softening drops or oil in your RIGHT ear." in said
    assert not any("no drops" in sentence.lower() for sentence in said)


def test_6_8_an_eczema_prone_canal_with_hard_wax_gets_oil_and_not_bicarbonate() -> None:
    prefers = ClinicChoices(agents=("sodium-bicarbonate", "olive-oil"))
    assert plan(a_visit(an_ear("wax-left")), prefers).courses[0].agent == "sodium-bicarbonate"
    assert plan(a_visit(an_ear("wax-left", "eczema")), prefers).courses[0].agent == "olive-oil"


def test_6_9_an_allergy_holds_in_both_ears_and_a_contraindication_in_one() -> None:
    made = plan(a_visit(an_ear("wax-left"), an_ear("wax-left", "dug-in-ear"), history=frozenset({"almond-allergy"})))
    assert "almond-oil" not in agents_allowed(made, Side.RIGHT) | agents_allowed(made, Side.LEFT)
    assert "urea-peroxide" in agents_allowed(made, Side.RIGHT)
    assert "urea-peroxide" not in agents_allowed(made, Side.LEFT)


def test_6_10_after_water_peroxide_is_barred_and_oil_is_not() -> None:
    made = plan(a_visit(an_ear("removal-failed", by="water")))
    assert "urea-peroxide" not in agents_allowed(made)
    assert made.courses[0].agent == "olive-oil"


def test_6_11_ears_take_turns_where_both_blocked_would_be_unsafe() -> None:
    made = plan(a_visit(an_ear("wax-left"), an_ear("wax-left"), history=frozenset({"needs-hearing-both-sides"})))
    (course,) = made.courses
    assert (course.ears, course.alternate) == (Ears.BOTH, True)
    said = sentences(made, "do")
    assert any(sentence.startswith("Take turns") for sentence in said)
    assert not any("each ear" in sentence or "other ear." in sentence for sentence in said)


def test_6_11_ears_take_turns_also_where_wax_is_left_in_one_and_removal_failed_in_the_other() -> None:
    made = plan(a_visit(an_ear("wax-left"), an_ear("removal-failed"), history=frozenset({"needs-hearing-both-sides"})))
    assert [course.alternate for course in made.courses] == [True]


def test_6_11_courses_that_cannot_take_turns_are_shown_to_the_clinician() -> None:
    visit = a_visit(
        an_ear("wax-left"),
        an_ear("wax-left"),
        history=frozenset({"needs-hearing-both-sides"}),
        choices={Side.LEFT: EarChoice(agent="docusate")},
    )
    assert any("cannot take turns" in caution.why for caution in plan(visit).cautions)


def test_6_11_weekly_upkeep_does_not_block_an_ear_and_takes_no_turns() -> None:
    made = plan(a_visit(an_ear("dry-skin"), an_ear("dry-skin"), history=frozenset({"needs-hearing-both-sides"})))
    assert [(course.ears, course.alternate) for course in made.courses] == [(Ears.BOTH, False)]


def test_6_12_a_hearing_aid_comes_out_for_drops_and_its_battery_is_a_hazard() -> None:
    made = plan(a_visit(an_ear("wax-left", "hearing-aid-worn")))
    assert {"hearing-aid-out", "aid-battery"} <= steps(made).keys()
    assert urgency(made, "battery-aid") is Urgency.EMERGENCY


def test_6_13_only_the_side_that_failed_gets_drops_and_a_new_date() -> None:
    made = plan(a_visit(an_ear("removal-failed"), an_ear("hard-wax-cleared")))
    assert [course.ears for course in made.courses] == [Ears.RIGHT]
    assert [back.ears for back in made.returns] == [Ears.RIGHT]


def test_6_14_a_red_flag_replaces_everything_for_the_whole_person() -> None:
    for code, box in the_pack().findings.items():
        if box.red_flag:
            made = plan(a_visit(an_ear("wax-left"), an_ear(code)))
            assert made.urgent, code
            assert not (made.steps or made.courses or made.returns or made.supplies or made.normal), code
            assert made.signs, code
    for code, box in the_pack().history.items():
        if box.red_flag:
            made = plan(a_visit(an_ear("wax-left"), history=frozenset({code})))
            assert made.urgent and not made.steps, code


def test_6_14_two_red_flags_stand_most_urgent_first_and_no_sentence_comes_twice() -> None:
    made = plan(a_visit(an_ear("object-left-in-ear"), an_ear("facial-weakness")))
    assert [each.urgency for each in made.urgent] == [Urgency.EMERGENCY, Urgency.SAME_DAY]
    said = [s for section in read(made).urgent for block in section.blocks for s in block.sentences]
    assert len(said) == len(set(said))


def test_6_15_time_alone_brings_no_softener_back_to_a_past_grommet() -> None:
    made = plan(a_visit(an_ear("grommet-past-unconfirmed", "wax-left")))
    assert made.courses == ()
    assert any(caution.rule == "state-change-by-examination" for caution in made.cautions)
    assert any("Only a look into the ear" in sentence for sentence in sentences(made, "do"))


# --- Section 5: who needs different words or a different plan ---


def test_a_child_brings_the_guardian_line_for_staff_and_the_technique_of_its_age() -> None:
    made = plan(a_visit(born=date(2024, 6, 1)))
    assert {"child-to-guardian", "child-outside-adult-guidance"} <= {caution.rule for caution in made.cautions}
    assert any("pull the ear lobe down and back" in sentence for sentence in sentences(made, "do"))


GROUPS = [
    # history code, what the plan then has: source beside each
    ("learning-disability-or-dementia", "read-together"),  # BMC 2017, AFP 2018
    ("diabetes", "no-self-irrigation"),  # MSD Manual 2023
    ("immunosuppression", "no-self-irrigation"),  # MSD Manual 2023
    ("head-neck-radiotherapy", "no-self-irrigation"),  # MSD Manual 2023
    ("anticoagulant", "usual-medicines"),  # AFP 2018: never tell to stop the medicine
    ("pregnancy", "ask-pharmacist"),  # SmPCs: ask if unsure
    ("cannot-instil-alone", "helper"),  # practice leaflets
    ("recurrent-otitis-externa", "no-soap"),  # pharmacy CPD module
]


@pytest.mark.parametrize(("code", "step"), GROUPS)
def test_a_group_of_people_gets_its_own_line(code: str, step: str) -> None:
    assert step not in steps(plan(a_visit()))
    assert step in steps(plan(a_visit(history=frozenset({code}))))


@pytest.mark.parametrize("code", ["diabetes", "immunosuppression", "head-neck-radiotherapy"])
def test_weak_immunity_brings_an_injured_ear_back_within_3_days(code: str) -> None:
    made = plan(a_visit(an_ear("abrasion"), history=frozenset({code})))  # NG98 1.1.4: 72 hours
    assert made.next_return is not None
    assert made.next_return.latest <= VISIT_DAY + timedelta(days=3)


def test_a_blood_thinner_makes_any_blood_a_reason_to_call() -> None:
    made = plan(a_visit(an_ear("bleeding-at-removal"), history=frozenset({"anticoagulant"})))
    assert urgency(made, "blood-with-thinner") is Urgency.NEXT_DAY
    assert not any("small streak of blood" in sentence for sentence in sentences(made, "normal"))


LEVELS = [
    # sign, findings, history, level: source
    ("sudden-hearing-loss", ("normal",), (), Urgency.EMERGENCY),  # NG98 1.1.2: seen within 24 h
    ("face-or-stroke", ("normal",), (), Urgency.EMERGENCY),  # FAST
    ("face-with-ear-disease", ("mastoid-cavity",), (), Urgency.EMERGENCY),  # CKS in commissioning policy
    ("spreading-infection", ("normal",), (), Urgency.EMERGENCY),  # CKS otitis externa
    ("behind-ear", ("infection-suspected",), (), Urgency.EMERGENCY),  # English pathway, the more urgent of two
    ("brain-infection", ("infection-suspected",), (), Urgency.EMERGENCY),  # commissioning policy
    ("vertigo-with-ear-disease", ("mastoid-cavity",), (), Urgency.EMERGENCY),  # cholesteatoma text
    ("deep-pain", ("otitis-externa",), (), Urgency.EMERGENCY),  # CKS; English pathway
    ("heavy-bleeding", ("normal",), (), Urgency.EMERGENCY),  # general emergency practice
    ("battery-aid", ("hearing-aid-worn",), (), Urgency.EMERGENCY),  # in-vitro burn, any age
    ("not-settling-low-immunity", ("discharge",), ("immunosuppression",), Urgency.SAME_DAY),  # NG98 1.1.4: 24 h
    ("unwell-with-infection", ("infection-suspected",), (), Urgency.SAME_DAY),  # NHS: 111
    ("severe-pain", ("hard-wax-cleared",), (), Urgency.SAME_DAY),  # referral list
    ("object-in-ear", ("foreign-body-removed",), (), Urgency.SAME_DAY),  # CKS irrigation list
    ("blood-next-day", ("bleeding-at-removal",), (), Urgency.NEXT_DAY),  # local judgment: C(1)
    ("discharge-with-disease", ("perforation",), (), Urgency.NEXT_DAY),  # cholesteatoma text: C(1)
    ("bad-smell", ("mastoid-cavity",), (), Urgency.NEXT_DAY),  # Scottish guide: C(1)
    ("discharge-grommet", ("grommet",), (), Urgency.NEXT_DAY),  # AAO-HNS 2022: C(1-2)
    ("old-hearing-loss", ("muffled-after-clearance",), (), Urgency.NEXT_DAY),  # NG98: over 30 days, C(1)
    ("ringing", ("hard-wax-cleared",), (), Urgency.FEW_DAYS),  # NG98: C(3)
    ("vertigo-returns", ("hard-wax-cleared",), (), Urgency.FEW_DAYS),  # NG98 diagnostic referral: C(3)
]


@pytest.mark.parametrize(("sign", "findings", "history", "level"), LEVELS)
def test_a_warning_sign_has_the_level_of_its_source(
    sign: str, findings: tuple[str, ...], history: tuple[str, ...], level: Urgency
) -> None:
    assert urgency(plan(a_visit(an_ear(*findings), history=frozenset(history))), sign) is level


URGENT = [
    ("sudden-hearing-loss", Urgency.EMERGENCY),  # NG98 1.1.2
    ("old-sudden-hearing-loss", Urgency.NEXT_DAY),  # NG98: within 2 weeks, C(1)
    ("rapid-hearing-loss", Urgency.NEXT_DAY),  # NG98: within 2 weeks, C(1)
    ("facial-weakness", Urgency.EMERGENCY),  # NG98 1.1.3
    ("spreading-infection", Urgency.EMERGENCY),  # CKS otitis externa
    ("mastoiditis-signs", Urgency.EMERGENCY),  # English pathway
    ("severe-pain", Urgency.EMERGENCY),  # CKS; English pathway
    ("vertigo-with-ear-disease", Urgency.EMERGENCY),  # cholesteatoma text
    ("heavy-bleeding", Urgency.EMERGENCY),  # general emergency practice
    ("battery-in-ear", Urgency.EMERGENCY),  # in-vitro burn, any age
    ("object-left-in-ear", Urgency.SAME_DAY),  # CKS irrigation list
    ("infection-not-settling", Urgency.SAME_DAY),  # NG98 1.1.4
]


@pytest.mark.parametrize(("code", "level"), URGENT)
def test_a_red_flag_has_the_level_of_its_source(code: str, level: Urgency) -> None:
    assert [each.urgency for each in plan(a_visit(an_ear(code))).urgent] == [level]


def test_one_sentence_at_two_levels_is_said_once_at_the_more_urgent_one() -> None:
    made = plan(a_visit(an_ear("otitis-externa"), an_ear("normal")))
    levels = [sign.urgency for sign in made.signs if sign.phrase.wording == "warning.severe-pain"]
    assert levels == [Urgency.EMERGENCY]


# --- How the two ears read as one ---


def test_equal_ears_are_said_once_of_both() -> None:
    made = plan(a_visit(an_ear("wax-left", by=None), an_ear("wax-left")))
    assert {step.ears for step in made.steps} == {Ears.BOTH}
    assert [back.ears for back in made.returns] == [Ears.BOTH]


BILATERAL = [
    (an_ear("hard-wax-cleared", by="suction"), an_ear("hard-wax-cleared", by="water")),
    (an_ear("perforation"), an_ear("mastoid-cavity")),
    (an_ear("grommet", "discharge"), an_ear("grommet")),
    (an_ear("otitis-externa", "prescribed-drops"), an_ear("wax-left", "hearing-aid-worn")),
    (an_ear("recent-ear-surgery"), an_ear("perforation-suspected")),
    (an_ear("eczema", "wax-left"), an_ear("psoriasis")),
]


@pytest.mark.parametrize(("right", "left"), BILATERAL)
def test_no_sentence_is_read_twice_under_one_heading(right: Ear, left: Ear) -> None:
    for section in read(plan(a_visit(right, left))).sections:
        said = [sentence for block in section.blocks for sentence in block.sentences]
        assert len(said) == len(set(said)), section.heading


def test_an_ear_named_positively_is_named_negatively_on_the_other_side_too() -> None:
    for barred in ("grommet", "perforation", "mastoid-cavity", "infection-suspected"):
        said = " ".join(sentences(plan(a_visit(an_ear(barred), an_ear("wax-left")))))
        assert "in your LEFT ear only" in said, barred
        assert "Do not put wax-softening drops or oil in your RIGHT ear" in said, barred


def test_flying_is_not_allowed_in_one_line_and_forbidden_in_another() -> None:
    made = plan(a_visit(an_ear("recent-ear-surgery"), an_ear("grommet")))
    assert "no-flying-yet" in steps(made)
    assert "flying-ok" not in steps(made)


def test_treatment_in_use_is_not_asked_for_again() -> None:
    assert "treatment" in steps(plan(a_visit(an_ear("otitis-externa"))))
    assert "treatment" not in steps(plan(a_visit(an_ear("otitis-externa", "prescribed-drops"))))


def test_the_plan_of_a_mirrored_visit_is_the_mirrored_plan() -> None:
    right, left = an_ear("wax-left"), an_ear("grommet", "discharge")
    one, other = plan(a_visit(right, left)), plan(a_visit(left, right))
    swap = {Ears.RIGHT: Ears.LEFT, Ears.LEFT: Ears.RIGHT, Ears.BOTH: Ears.BOTH}
    assert {step: swap[ears] for step, ears in steps(one).items()} == steps(other)
    assert [(swap[back.ears], back.on) for back in one.returns] == [(back.ears, back.on) for back in other.returns]


# --- What the clinician may and may not set aside ---


def overruled(rule: str, reason: str = "Seen dry and whole.") -> tuple[Overrule, ...]:
    return (Overrule(rule=rule, side=Side.RIGHT, reason=reason),)


def test_a_rule_set_aside_with_a_reason_lets_the_course_through_and_is_on_record() -> None:
    visit = a_visit(
        an_ear("mastoid-cavity", "wax-left"),
        choices={Side.RIGHT: EarChoice(template="wax-left")},
        overrules=overruled("cavity-no-softener"),
    )
    made = plan(visit)
    assert [course.ears for course in made.courses] == [Ears.RIGHT]
    (caution,) = [each for each in made.cautions if each.rule == "cavity-no-softener"]
    assert caution.overruled == "Seen dry and whole."
    assert "no-softener" not in steps(made)


def test_the_cavity_technique_comes_with_ordered_drops() -> None:
    visit = a_visit(
        an_ear("mastoid-cavity", "wax-left"),
        choices={Side.RIGHT: EarChoice(template="wax-left")},
        overrules=overruled("cavity-no-softener"),
    )
    assert any("lie on your back for 10 minutes" in sentence for sentence in sentences(plan(visit), "do"))


def test_setting_a_rule_aside_in_one_ear_leaves_it_in_the_other() -> None:
    ear = an_ear("mastoid-cavity", "wax-left")
    visit = a_visit(
        ear,
        ear,
        choices={side: EarChoice(template="wax-left") for side in Side},
        overrules=overruled("cavity-no-softener"),
    )
    made = plan(visit)
    assert [course.ears for course in made.courses] == [Ears.RIGHT]
    assert steps(made)["no-softener"] is Ears.LEFT


def test_a_picked_template_that_drops_into_a_barred_ear_becomes_a_caution_and_no_course() -> None:
    made = plan(a_visit(an_ear("perforation", "wax-left"), choices={Side.RIGHT: EarChoice(template="wax-left")}))
    assert made.courses == ()
    assert any(caution.why.startswith("Not given: Perforation") for caution in made.cautions)


def test_an_agent_picked_for_a_barred_ear_is_refused_with_the_reason() -> None:
    choice = EarChoice(template="wax-left", agent="olive-oil")
    with pytest.raises(VisitError, match="nothing may be put in the right ear: Perforation known or suspected"):
        plan(a_visit(an_ear("perforation", "wax-left"), choices={Side.RIGHT: choice}))


def test_an_agent_picked_where_nothing_is_put_in_is_refused() -> None:
    with pytest.raises(VisitError, match="clear-ear puts nothing in the right ear"):
        plan(a_visit(an_ear("hard-wax-cleared"), choices={Side.RIGHT: EarChoice(agent="olive-oil")}))


def test_a_template_that_the_clinic_switched_off_is_neither_proposed_nor_taken() -> None:
    off = ClinicChoices(templates_off=frozenset({"removal-failed"}))
    with pytest.raises(VisitError, match="no aftercare is offered"):
        plan(a_visit(an_ear("removal-failed")), off)
    visit = a_visit(an_ear("wax-left"), choices={Side.RIGHT: EarChoice(template="removal-failed")})
    with pytest.raises(VisitError, match="removal-failed is switched off in this clinic; choose wax-left"):
        plan(visit, off)


# --- When to come back ---


def test_a_return_outside_its_bounds_is_refused_and_at_the_bounds_taken() -> None:
    for days in (5, 42):
        made = plan(a_visit(choices={Side.RIGHT: EarChoice(return_days=days)}))
        assert [back.on for back in made.returns] == [VISIT_DAY + timedelta(days=days)]
    for days in (4, 43):
        with pytest.raises(VisitError, match=f"{days} is outside 5 to 42 days for wax-left"):
            plan(a_visit(choices={Side.RIGHT: EarChoice(return_days=days)}))


def test_a_return_set_for_aftercare_without_one_is_refused() -> None:
    with pytest.raises(VisitError, match="clear-ear has no return"):
        plan(a_visit(an_ear("hard-wax-cleared"), choices={Side.RIGHT: EarChoice(return_days=30)}))


def test_a_cap_brings_the_return_forward_and_bounds_what_may_be_set() -> None:
    kept_soft = an_ear("hard-wax-cleared")
    history = frozenset({"prone-to-wax"})
    assert (plan(a_visit(kept_soft, history=history)).returns[0].on - VISIT_DAY).days == 270
    capped = history | {"diabetes"}
    (back,) = plan(a_visit(kept_soft, history=capped)).returns
    assert (back.on - VISIT_DAY).days == (back.latest - VISIT_DAY).days == 182
    assert "low-immunity-earlier-return" in {because.origin for because in back.because}
    with pytest.raises(VisitError, match="200 is outside 90 to 182"):
        plan(a_visit(kept_soft, history=capped, choices={Side.RIGHT: EarChoice(return_days=200)}))


def test_a_booking_too_late_for_an_ear_is_shown_to_the_clinician() -> None:
    late = plan(a_visit(an_ear("infection-suspected"), next_appointment=VISIT_DAY + timedelta(days=60)))
    assert any("book an earlier one" in caution.why for caution in late.cautions)
    timely = plan(a_visit(an_ear("infection-suspected"), next_appointment=VISIT_DAY + timedelta(days=3)))
    assert not any("book an earlier one" in caution.why for caution in timely.cautions)


def test_two_templates_of_one_rank_that_both_fit_stop_the_plan() -> None:
    pack = the_pack()
    twin = replace(pack.templates["wax-left"], id="wax-left-too")
    doubled = replace(pack, templates={**pack.templates, twin.id: twin})
    with pytest.raises(ContradictionError, match="wax-left and wax-left-too contradict each other"):
        build_plan(a_visit(), doubled, NO_CHOICES)


def test_two_rules_that_ask_for_one_step_in_two_ways_stop_the_plan_and_both_are_named() -> None:
    pack = the_pack()
    rule = pack.rules["nothing-small-in-the-ear"]
    assert rule.say is not None
    other = replace(rule, id="another-rule", say=replace(rule.say, picture="nothing-in-ear"))
    torn = replace(pack, rules={**pack.rules, other.id: other})
    with pytest.raises(ContradictionError, match="rules another-rule and nothing-small-in-the-ear contradict"):
        build_plan(a_visit(), torn, NO_CHOICES)


def test_every_part_of_a_plan_names_where_it_comes_from() -> None:
    made = plan(a_visit(an_ear("wax-left", "hearing-aid-worn", by="suction"), an_ear("grommet")))
    origins = [because for step in made.steps for because in step.because]
    origins += [sign.because for sign in made.signs] + [normal.because for normal in made.normal]
    origins += [because for back in made.returns for because in back.because]
    assert all(because.origin and because.sources for because in origins)
    assert {source for because in origins for source in because.sources} <= set(the_pack().sources)


def test_a_rule_asks_for_a_return_where_the_aftercare_has_none() -> None:
    cleared = an_ear("hard-wax-cleared")
    assert plan(a_visit(cleared)).returns == ()
    (back,) = plan(a_visit(cleared, history=frozenset({"diabetes"}))).returns
    assert [(each - VISIT_DAY).days for each in (back.earliest, back.on, back.latest)] == [91, 182, 182]
    assert [because.origin for because in back.because] == ["low-immunity-earlier-return"]
    assert [phrase.wording for phrase in back.phrases] == ["back.check"]


def test_a_return_that_a_rule_asks_for_may_be_earlier_and_not_later() -> None:
    def chosen(days: int) -> Plan:
        choice = {Side.RIGHT: EarChoice(return_days=days)}
        return plan(a_visit(an_ear("hard-wax-cleared"), history=frozenset({"diabetes"}), choices=choice))

    (back,) = chosen(100).returns
    assert (back.on - VISIT_DAY).days == 100
    assert [because.origin for because in back.because] == ["low-immunity-earlier-return"]
    with pytest.raises(VisitError, match="183 is outside 91 to 182"):
        chosen(183)


def test_how_early_such_a_return_may_be_is_the_contents_to_say() -> None:
    pack = the_pack()
    rule = pack.rules["low-immunity-earlier-return"]
    assert rule.change is not None
    other = replace(rule, change=replace(rule.change, return_days_at_least=30))
    visit = a_visit(an_ear("hard-wax-cleared"), history=frozenset({"diabetes"}))
    (back,) = build_plan(visit, replace(pack, rules={**pack.rules, rule.id: other}), NO_CHOICES).returns
    assert (back.earliest - VISIT_DAY).days == 30


def test_where_only_the_rule_of_the_aid_asks_it_asks_in_three_to_six_months() -> None:
    """The interval is that of AAO-HNS 2017, pocket guide (source "aao-earwax-pocket")."""
    change = the_pack().rules["aid-return"].change
    assert change is not None
    bounds = [change.return_days_at_least, change.return_days_at_most]
    assert [round(days / 30.44) for days in bounds if days is not None] == [3, 6]


def test_nothing_to_treat_asks_nobody_back() -> None:
    assert plan(a_visit(an_ear("normal"), history=frozenset({"diabetes"}))).returns == ()
