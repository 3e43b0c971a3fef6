"""Examples for previews: real plans of small visits that say a sentence group, for each ear and each plural form."""

from __future__ import annotations

from itertools import chain

import pytest
from builders import the_pack

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, StepKind
from service.domain.plan import Phrase
from service.messages.i18n import plural_form
from service.messages.read_plan import phrases_of
from service.messages.wordings import unit_ids_of
from service.wording import examples
from service.wording.examples import Example, counting, examples_of, phrase_of
from service.wording.plural_numbers import numbers_of


def says(example: Example, unit_id: str) -> list[Phrase]:
    return [phrase for phrase in phrases_of(example.plan) if unit_id in unit_ids_of([phrase])]


@pytest.mark.parametrize(
    "unit_id", ["instil.drops", "water.keep-dry-days", "care.wax-falls-out", "back.clean", "instil.alternate"]
)
def test_there_is_a_real_plan_for_each_ear_that_the_sentence_speaks_of(unit_id: str) -> None:
    pack = the_pack()
    found = examples_of(pack, unit_id)
    assert [example.form for example in found] == [
        form for form in ("any", "right", "left", "both") if form in pack.wording[unit_id].forms
    ]
    for example in found:
        assert example.by_plan
        ears = {phrase.ears.value for phrase in says(example, unit_id) if phrase.ears is not None}
        assert example.form == "any" or example.form in ears


def test_an_example_is_what_the_engine_makes_of_its_visit() -> None:
    (example, *_) = examples_of(the_pack(), "instil.drops")
    assert example.visit.right.findings or example.visit.left.findings
    again = build_plan(example.visit, the_pack(), ClinicChoices())
    assert again.ears == example.plan.ears


def test_everything_that_a_part_of_the_content_says_is_found_in_a_plan() -> None:
    """What a rule adds may be barred by another; the few that no small visit brings about are named here."""
    pack = the_pack()
    said = set(
        chain(
            (unit for template in pack.templates.values() for step in template.steps for unit in step.wording),
            (sign.wording for sign in pack.warnings.values()),
            (normal.wording for normal in pack.expected.values()),
            (unit for advice in pack.urgent.values() for unit in advice.wording),
            (
                unit
                for place in pack.water.values()
                for option in place.options
                for unit in (*option.wording, *option.method)
            ),
            (unit for agent in pack.agents.values() for unit in agent.use),
        )
    )
    lacking = {unit_id for unit_id in said if not all(each.by_plan for each in examples_of(pack, unit_id))}
    assert lacking == set()


def test_a_question_comes_with_a_plan_that_it_fits() -> None:
    pack = the_pack()
    for question in list(pack.questions.values())[::5]:
        (example,) = examples_of(pack, question.ask)
        assert question.ask in {each.ask for each in example.questions}


@pytest.mark.parametrize("unit_id", ["section.water", "section.normal", "section.supply", "section.return"])
def test_a_heading_is_shown_over_a_plan_that_has_it(unit_id: str) -> None:
    (example,) = examples_of(the_pack(), unit_id)
    shown = {
        "section.water": example.plan.steps_of(StepKind.KEEP_DRY),
        "section.normal": example.plan.normal,
        "section.supply": example.plan.supplies,
        "section.return": example.plan.returns,
    }
    assert shown[unit_id]


def test_urgent_words_are_shown_in_an_urgent_plan() -> None:
    (example,) = examples_of(the_pack(), "message.urgent.text")
    assert example.plan.urgent


def test_the_name_of_an_ear_is_shown_with_that_ear() -> None:
    (example,) = examples_of(the_pack(), "ear.left")
    assert [side.value for side in example.plan.ears] == ["left"]


def test_examples_are_made_once_for_a_pack(monkeypatch: pytest.MonkeyPatch) -> None:
    first = examples_of(the_pack(), "instil.drops")
    monkeypatch.setattr(examples, "build_plan", None)
    assert examples_of(the_pack(), "instil.drops") is first


def test_a_unit_that_is_not_there_is_an_error() -> None:
    with pytest.raises(KeyError):
        examples_of(the_pack(), "no.such")


@pytest.mark.parametrize("language", ["en", "pl", "ar", "cy", "ur", "fr"])
def test_every_number_takes_the_plural_form_that_it_stands_for(language: str) -> None:
    rule = plural_form(language)
    for index, numbers in enumerate(numbers_of(language)):
        assert all(rule(number) == index for number in numbers.samples)
        assert numbers.usual is None or rule(numbers.usual) == index
        assert (numbers.usual is None) == (not numbers.samples)


def test_polish_names_the_numbers_that_pick_its_forms() -> None:
    told = [(each.category, each.samples, each.usual) for each in numbers_of("pl")]
    assert told == [
        ("one", (1,), 1),
        ("few", (2, 3, 4, 22, 23), 2),
        ("many", (0, 5, 6, 7, 8), 5),
        ("other", (), None),
    ]


def test_another_number_stands_wherever_the_plan_counts_it() -> None:
    (example, *_) = examples_of(the_pack(), "instil.drops")
    plan = counting(example.plan, "instil.drops", "drops", 22)
    assert {phrase.values["drops"] for phrase in phrases_of(plan) if phrase.wording == "instil.drops"} == {22}
    assert {course.drops for course in plan.courses} == {22}
    (hours, *_) = examples_of(the_pack(), "normal.sore")
    sore = counting(hours.plan, "normal.sore", "hours", 1)
    assert {phrase.values["hours"] for phrase in phrases_of(sore) if phrase.wording == "normal.sore"} == {1}
    assert sore.courses == hours.plan.courses


def test_a_sentence_has_a_value_for_every_placeholder_the_plans_own_first() -> None:
    (example, *_) = examples_of(the_pack(), "instil.drops")
    own = next(phrase for phrase in phrases_of(example.plan) if phrase.wording == "instil.drops")
    phrase = phrase_of(the_pack(), "instil.drops", example, "en", {"clinic": "Larkfield Ear Care"})
    assert phrase.values["drops"] == own.values["drops"]
    assert phrase.values["clinic"] == "Larkfield Ear Care"
    assert phrase.ears == own.ears


def test_examples_are_planned_as_the_clinic_chose_and_say_where_that_does_not_lead_to_the_sentence() -> None:
    pack = the_pack()
    last = tuple(pack.agents)[-1]
    for example in examples_of(pack, "instil.drops", ClinicChoices(agents=(last,))):
        assert example.as_chosen
        assert {course.agent for course in example.plan.courses} == {last}
    situation = next(each for each in pack.water.values() if len(each.options) > 1)
    default = next(option for option in situation.options if option.id == situation.default)
    other = next(option for option in situation.options if set(option.wording) - set(default.wording))
    (unit, *_) = sorted(set(other.wording) - {unit for o in situation.options if o is not other for unit in o.wording})
    chosen = examples_of(pack, unit, ClinicChoices(water={situation.id: other.id}))
    assert all(each.as_chosen and each.by_plan for each in chosen)
    assert not any(each.as_chosen for each in examples_of(pack, unit) if each.by_plan)


def test_what_the_clinic_took_away_is_still_shown() -> None:
    pack = the_pack()
    nothing = ClinicChoices(templates_off=frozenset(pack.templates))
    (example, *_) = examples_of(pack, "instil.drops", nothing)
    assert example.by_plan and not example.as_chosen
