"""Does every common question follow the plan: never allowing what it forbids, and leading to help where it must?"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from functools import cache
from itertools import combinations, cycle, product

import pytest
from builders import a_visit, an_ear, the_pack

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, Condition, Overrulable, Question
from service.domain.plan import Plan
from service.domain.questions import fits, questions_for, units_said
from service.domain.rules import Facts
from service.domain.visit import Ear, Overrule, Side, Visit
from service.errors import PlanError

KEEP_OUT = {
    "water.no-swimming",
    "water.no-swimming-until",
    "water.keep-dry-until-checked",
    "water.keep-dry-always",
    "water.keep-dry-surgeon",
    "water.keep-dry-as-told",
    "water.grommet-in",
    "avoid.water-and-drops",
}
DRY_DAYS = {"water.keep-dry-days", "water.no-swimming-days"}
NOTHING_IN = {"avoid.nothing-in-ear", "avoid.water-and-drops"}
RETURNS = {unit for unit in the_pack().wording if unit.startswith("back.")}

# What a plan may forbid -> the sentences that forbid it.
FORBIDDEN_BY = {
    "swim once the dry days are over": KEEP_OUT,
    "swim now": KEEP_OUT | DRY_DAYS,
    "swim without care": KEEP_OUT | DRY_DAYS | {"water.cavity-trial", "water.bathing-only", "water.grommet-free"},
    "wash without keeping water out": KEEP_OUT | DRY_DAYS | {"water.bathing-only", "water.cavity-trial"},
    "wash with soap near the ear": {"avoid.soap"},
    "put water near the ear": {"avoid.water-and-drops"},
    "fly": {"avoid.flying-surgery", "care.flying-infection"},
    "blow warm air": {"avoid.blown-air"},
    "wear something in the ear": NOTHING_IN,
    "use olive oil": {"avoid.olive-oil"},
    "leave cotton wool out": {"agent.plug-as-label"},
    "come without a date": RETURNS,
}

# Each answer that allows something -> what it allows. All others stand below.
ALLOWS: dict[str, set[str]] = {
    "swim.days": {"swim once the dry days are over"},
    "swim.cavity": {"swim now"},
    "swim.grommet": {"swim now"},
    "swim.blocked": {"swim now", "swim without care"},
    "swim.yes": {"swim now", "swim without care"},
    "wash.jelly": {"put water near the ear"},
    "wash.soap": {"wash without keeping water out"},
    "wash.yes": {"wash without keeping water out", "wash with soap near the ear"},
    "child-bath.dry": {"put water near the ear"},
    "fly.hole": {"fly"},
    "fly.cleared": {"fly"},
    "dryer.low": {"blow warm air"},
    "aid.drops": {"wear something in the ear"},
    "earbuds.yes": {"wear something in the ear"},
    "nuts.olive": {"use olive oil"},
    "which-oil.pharmacy": {"use olive oil"},
    "plug.no": {"leave cotton wool out"},
    "again.none": {"come without a date"},
}
ALLOWS_NOTHING = {
    "swim.no",
    "swim.ask-us",
    "wash.dry",
    "normal.see",
    "hearing.look",
    "hearing.blocked",
    "hearing.cleared",
    "drive.dizzy",
    "blood.keep",
    "fluff.leave",
    "dryer.no",
    "dive.no",
    "dive.ask-us",
    "fly.surgeon",
    "fly.ask-us",
    "blocked.yes",
    "missed.prescribed",
    "missed.next",
    "sting.stop",
    "run-out.fine",
    "wax-out.yes",
    "oil.softens",
    "how-long.label",
    "how-long.plan",
    "plug.label",
    "allergy.tell",
    "no-drops.unsafe",
    "wash-out.no",
    "aid.rest",
    "aid-weak.filter",
    "earbuds.no",
    "grommet-stay.months",
    "grommet-out.tell",
    "grommet-runs.contact",
    "hole.often",
    "nose.gently",
    "cleaning.cannot",
    "cavity-dizzy.near",
    "itch.leave",
    "nothing.battery",
    "share.no",
    "better.watch",
    "pain.pharmacist",
    "buds.push",
    "again.date",
    "comes-back.always",
    "dirty.no",
    "candles.no",
    "child-still.bedtime",
    "child-school.yes",
}

# Words of a symptom: an answer with one of them must lead to the warning signs.
SYMPTOM = re.compile(
    r"\b(hurts?|pain|dizzy|blood|muffled|swells?|rash|itches|hear less|hearing (?:drops|dropped)|sore|runs(?! out))\b"
)
# Answers in which such a word is no symptom of the reader.
NO_SYMPTOM = {
    "question.dive.ask-us",  # what deep water does
    "question.aid.rest",  # which ear is meant
    "question.earbuds.no",  # which ear is meant
    "question.wash.soap",  # what soap does
    "question.no-drops.unsafe",  # which ears are meant
}


def relaxed() -> ClinicChoices:
    """The least strict water advice that the content offers."""
    return ClinicChoices(
        water={
            name: min(situation.options, key=lambda option: option.strictness).id
            for name, situation in the_pack().water.items()
        }
    )


@cache
def many_plans() -> tuple[tuple[Visit, Plan], ...]:
    """Plans of every two findings that may stand together, beside a third in the other ear; all else takes turns.
    Then ears with the most relaxed advice beside every finding of the other ear."""
    pack = the_pack()
    ordinary = [code for code, box in pack.findings.items() if not box.red_flag]
    history = cycle([frozenset[str](), *(frozenset({code}) for code, box in pack.history.items() if not box.red_flag)])
    others = cycle([None, *ordinary])
    methods = cycle([frozenset[str](), frozenset({"suction"}), frozenset({"water"})])
    born = cycle([date(1960, 5, 1), date(2021, 5, 1), None, date(2012, 5, 1)])
    choices = cycle([ClinicChoices(), relaxed(), ClinicChoices(agents=("docusate",)), relaxed(), ClinicChoices()])
    rules = cycle([None, *(rule for rule in pack.rules.values() if rule.overrule is Overrulable.WITH_REASON)])
    found = []
    for first, second in [*((code, code) for code in ordinary), *combinations(ordinary, 2)]:
        if second in pack.findings[first].excludes or first in pack.findings[second].excludes:
            continue
        for left in (next(others), None):
            rule = next(rules)
            visit = Visit(
                on=date(2026, 11, 25),
                right=Ear(findings=frozenset({first, second}), removed_by=next(methods)),
                left=an_ear(left) if left else Ear(),
                born=next(born),
                history=next(history),
                overrules=(Overrule(rule=rule.id, side=Side.RIGHT, reason="A reason."),) if rule else (),
            )
            try:
                found.append((visit, build_plan(visit, pack, next(choices))))
            except PlanError:
                continue
    rights = [
        {"wax-left", "hearing-aid-worn"},
        {"hard-wax-cleared", "hearing-aid-worn"},
        {"grommet"},
        {"mastoid-cavity"},
    ]
    for right, left in product(rights, ordinary):
        visit = Visit(
            on=date(2026, 11, 25),
            right=Ear(findings=frozenset(right), removed_by=next(methods)),
            left=an_ear(left),
            born=next(born),
        )
        found.append((visit, build_plan(visit, pack, relaxed())))
    return tuple(found)


def fitting(visit: Visit, plan: Plan) -> Iterator[Question]:
    """Every question that fits, also those that a more cautious one with the same words would hide."""
    ears = [Facts.of(visit, side) for side in plan.ears]
    said, signs = units_said(plan), {sign.id for sign in plan.signs}
    yield from (question for question in the_pack().questions.values() if fits(question, ears, said, signs))


def shown(visit: Visit, choices: ClinicChoices | None = None) -> dict[str, tuple[str, ...]]:
    """What is asked, and the answer, without the topic before each unit."""
    plan = build_plan(visit, the_pack(), choices or ClinicChoices())
    return {
        question.ask.removeprefix("question."): tuple(unit.removeprefix("question.") for unit in question.answer)
        for question in questions_for(plan, visit, the_pack())
    }


def test_many_different_plans_are_tried() -> None:
    assert len(many_plans()) > 900
    assert len({units_said(plan) for _, plan in many_plans()}) > 300


def test_each_answer_is_sorted_by_what_it_allows() -> None:
    answers = {unit for question in the_pack().questions.values() for unit in question.answer}
    assert {f"question.{unit}" for unit in ALLOWS.keys() | ALLOWS_NOTHING} == answers
    assert not ALLOWS.keys() & ALLOWS_NOTHING
    assert {topic for allowed in ALLOWS.values() for topic in allowed} == set(FORBIDDEN_BY)


def test_every_sentence_that_forbids_is_a_sentence_of_the_content() -> None:
    assert {unit for units in FORBIDDEN_BY.values() for unit in units} <= the_pack().wording.keys()


def test_no_answer_allows_what_its_plan_forbids_even_standing_alone() -> None:
    for visit, plan in many_plans():
        said = units_said(plan)
        for question in fitting(visit, plan):
            for unit in question.answer:
                for topic in ALLOWS.get(unit.removeprefix("question."), ()):
                    assert not FORBIDDEN_BY[topic] & said, (question.id, topic, sorted(FORBIDDEN_BY[topic] & said))


def test_the_forbidding_plans_are_really_among_those_tried() -> None:
    said = {unit for _, plan in many_plans() for unit in units_said(plan)}
    assert {unit for units in FORBIDDEN_BY.values() for unit in units} - RETURNS <= said


def test_every_answer_that_touches_a_symptom_leads_to_a_sign_that_its_plan_shows() -> None:
    for visit, plan in many_plans():
        signs = {sign.id for sign in plan.signs}
        for question in questions_for(plan, visit, the_pack()):
            assert not question.signs or question.signs & signs, question.id


def test_an_answer_with_a_symptom_in_its_words_names_warning_signs() -> None:
    wording = the_pack().wording
    for question in the_pack().questions.values():
        for unit in {*question.answer} - NO_SYMPTOM:
            if SYMPTOM.search(wording[unit].forms["any"].other):
                assert question.signs, (question.id, SYMPTOM.findall(wording[unit].forms["any"].other))


def test_every_question_is_met_by_some_plan() -> None:
    met = {question.id for visit, plan in many_plans() for question in questions_for(plan, visit, the_pack())}
    assert met == the_pack().questions.keys()


def test_nothing_is_asked_twice_in_a_plan_and_the_most_important_comes_first() -> None:
    for visit, plan in many_plans():
        found = questions_for(plan, visit, the_pack())
        assert len({question.ask for question in found}) == len(found)
        assert [question.order for question in found] == sorted(question.order for question in found)


def test_every_ordinary_plan_has_a_few_questions() -> None:
    for visit, plan in many_plans():
        assert len(questions_for(plan, visit, the_pack())) >= 2, visit


def test_urgent_advice_stands_without_questions() -> None:
    visit = a_visit(right=an_ear("battery-in-ear"))
    plan = build_plan(visit, the_pack(), ClinicChoices())
    assert plan.urgent
    assert questions_for(plan, visit, the_pack()) == ()


@pytest.mark.parametrize(
    ("option", "answer"),
    [
        ("grommet-none", "swim.grommet"),
        ("grommet-bathing-only", "swim.grommet"),
        ("grommet-4-weeks", "swim.days"),
        ("grommet-until-first-check", "swim.no"),
        ("grommet-whole-time", "swim.no"),
    ],
)
def test_swimming_with_a_grommet_is_answered_as_the_clinic_decided(option: str, answer: str) -> None:
    asked = shown(a_visit(right=an_ear("grommet")), ClinicChoices(water={"grommet": option}))
    assert asked["swim.ask"] == (answer,)


@pytest.mark.parametrize(
    ("option", "answer"),
    [("suction-none", "swim.yes"), ("suction-1-day", "swim.days"), ("suction-2-days", "swim.days")],
)
def test_swimming_after_suction_is_answered_as_the_clinic_decided(option: str, answer: str) -> None:
    visit = a_visit(right=an_ear("hard-wax-cleared", by="suction"))
    assert shown(visit, ClinicChoices(water={"after-suction": option}))["swim.ask"] == (answer,)


def test_the_stricter_ear_answers_for_both() -> None:
    visit = a_visit(right=an_ear("grommet"), left=an_ear("perforation"))
    asked = shown(visit, ClinicChoices(water={"grommet": "grommet-none"}))
    assert asked["swim.ask"] == ("swim.no",)
    assert asked["dive.ask"] == ("dive.no",)


def test_the_cavity_ear_hears_no_hair_dryer_even_beside_an_infected_one() -> None:
    asked = shown(a_visit(right=an_ear("otitis-externa"), left=an_ear("mastoid-cavity")))
    assert asked["dryer.ask"] == ("dryer.no",)


def test_drops_are_spoken_of_only_where_there_are_drops() -> None:
    asked = shown(a_visit(right=an_ear("perforation")))
    assert not {"missed.ask", "blocked.ask", "sting.ask", "oil.ask", "how-long.ask"} & asked.keys()
    assert {"missed.ask", "blocked.ask", "sting.ask", "oil.ask", "how-long.ask"} <= shown(a_visit()).keys()


def test_a_grown_up_is_not_asked_about_a_child() -> None:
    assert "child-still.ask" not in shown(a_visit())
    assert "child-still.ask" in shown(a_visit(born=date(2021, 5, 1)))


HAND_MADE = Question(id="q", order=1, ask="a", answer=("b",), signs=frozenset(), sources=("s",))
EAR = Facts(ear=frozenset({"grommet"}), other_ear=frozenset(), person=frozenset(), removed_by=frozenset(), age=40)


@pytest.mark.parametrize(
    ("change", "fitting_now"),
    [
        ({}, True),
        ({"when": Condition(ear_any=frozenset({"grommet"}))}, True),
        ({"when": Condition(ear_any=frozenset({"normal"}))}, False),
        ({"unless": Condition(ear_any=frozenset({"grommet"}))}, False),
        ({"unless": Condition(ear_any=frozenset({"normal"}))}, True),
        ({"if_said": frozenset({"x", "said"})}, True),
        ({"if_said": frozenset({"x"})}, False),
        ({"unless_said": frozenset({"x", "said"})}, False),
        ({"unless_said": frozenset({"x"})}, True),
        ({"signs": frozenset({"sign", "y"})}, True),
        ({"signs": frozenset({"y"})}, False),
    ],
)
def test_a_question_fits_when_each_of_its_parts_does(change: dict[str, object], fitting_now: bool) -> None:
    assert fits(replace(HAND_MADE, **change), [EAR], {"said"}, {"sign"}) is fitting_now
