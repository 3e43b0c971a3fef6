"""Which agent, which regimen, from which day, and how much of it?"""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from builders import VISIT_DAY, a_visit, an_ear, the_pack

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, Moment, Phase
from service.domain.plan import Course, Plan
from service.domain.visit import EarChoice, Side, Visit
from service.errors import SettingsError, VisitError

NO_CHOICES = ClinicChoices()


def plan(visit: Visit, choices: ClinicChoices = NO_CHOICES) -> Plan:
    return build_plan(visit, the_pack(), choices)


def course_of(visit: Visit, choices: ClinicChoices = NO_CHOICES) -> Course:
    (course,) = plan(visit, choices).courses
    return course


def test_the_first_agent_that_nothing_bars_is_proposed_in_the_order_of_the_clinic() -> None:
    order = ClinicChoices(agents=("urea-peroxide", "docusate", "olive-oil"))
    assert course_of(a_visit(), order).agent == "urea-peroxide"
    assert course_of(a_visit(an_ear("wax-left", "dug-in-ear")), order).agent == "docusate"
    assert course_of(a_visit(an_ear("wax-left", "dug-in-ear", "eczema")), order).agent == "olive-oil"


def test_peanut_oil_is_never_proposed_while_another_agent_is_allowed() -> None:
    history = frozenset({"ingredient-allergy-olive", "almond-allergy", "dizziness", "ingredient-allergy-docusate"})
    assert course_of(a_visit(history=history)).agent == "sodium-chloride"


def test_where_every_agent_is_barred_there_is_a_caution_and_no_course() -> None:
    made = plan(a_visit(history=frozenset({"ingredient-allergy-olive"})), ClinicChoices(agents=("olive-oil",)))
    assert made.courses == ()
    assert any("Every agent on offer is barred" in caution.why for caution in made.cautions)


def test_the_regimen_of_the_clinic_is_used() -> None:
    chosen = ClinicChoices(regimens={"olive-oil/soften": "olive-nhs-wales"})
    course = course_of(a_visit(), chosen)
    assert (course.drops, course.days, course.phases[0].moments) == (3, 7, (Moment.BEDTIME,))


SETTINGS = [
    (ClinicChoices(agents=("snake-oil",)), "clinic.agents: 'snake-oil' is not in the content; allowed: olive-oil, "),
    (
        ClinicChoices(regimens={"olive-oil/soften": "gallons"}),
        "clinic.regimens.olive-oil/soften: 'gallons' is not on offer; allowed: olive-nhs-lower, ",
    ),
]


@pytest.mark.parametrize(("choices", "start"), SETTINGS)
def test_a_setting_that_is_not_on_offer_names_what_is(choices: ClinicChoices, start: str) -> None:
    with pytest.raises(SettingsError) as failed:
        plan(a_visit(), choices)
    assert str(failed.value).startswith(start)


def test_an_agent_that_cannot_do_what_is_asked_is_refused_and_never_swapped_silently() -> None:
    visit = a_visit(an_ear("dry-skin"), choices={Side.RIGHT: EarChoice(agent="docusate")})
    with pytest.raises(VisitError, match="docusate has no regimen to maintain; allowed: olive-oil, almond-oil"):
        plan(visit)


COUNTED_BACK = [
    # days to the appointment, first day after the visit, days of the course (the regimen lasts 5)
    (30, 25, 5),  # far away: starts so that it ends the day before
    (6, 1, 5),
    (5, 0, 5),  # exactly as long as the course: starts on the day of the visit
    (4, 0, 4),  # nearer than the course is long: shortened
    (1, 0, 1),  # tomorrow: one day is left
]


@pytest.mark.parametrize(("away", "first", "length"), COUNTED_BACK)
def test_softening_counts_back_from_a_booked_appointment(away: int, first: int, length: int) -> None:
    appointment = VISIT_DAY + timedelta(days=away)
    course = course_of(a_visit(next_appointment=appointment))
    assert course.first_day == VISIT_DAY + timedelta(days=first)
    assert course.days == length
    assert course.first_day + timedelta(days=course.days) == appointment  # the last day is the day before


def test_without_an_appointment_softening_starts_on_the_day_of_the_visit() -> None:
    assert course_of(a_visit()).first_day == VISIT_DAY


def test_upkeep_starts_one_interval_later_and_does_not_move_with_an_appointment() -> None:
    for appointment in (None, VISIT_DAY + timedelta(days=20)):
        course = course_of(a_visit(an_ear("dry-skin"), next_appointment=appointment))
        assert course.first_day == VISIT_DAY + timedelta(days=7)


def test_supplies_are_what_a_person_would_count_by_hand() -> None:
    # 2 drops, 3 times a day, 5 days, 2 ears: 2 * 3 * 5 * 2 = 60 drops; 20 drops a millilitre: 3 ml.
    (supply,) = plan(a_visit(an_ear("wax-left"), an_ear("wax-left"))).supplies
    assert (supply.agent, supply.drops, supply.millilitres, supply.opened_days) == ("olive-oil", 60, 3, None)
    # One ear: 30 drops, rounded up to 2 ml.
    (supply,) = plan(a_visit()).supplies
    assert (supply.drops, supply.millilitres) == (30, 2)
    # Weekly upkeep, 26 weeks, one ear: 26 * 2 = 52 drops, 3 ml.
    (supply,) = plan(a_visit(an_ear("dry-skin"))).supplies
    assert (supply.drops, supply.millilitres) == (52, 3)


def test_ears_that_take_turns_need_the_drops_of_one_ear_a_day() -> None:
    history = frozenset({"needs-hearing-both-sides"})
    (supply,) = plan(a_visit(an_ear("wax-left"), an_ear("wax-left"), history=history)).supplies
    assert supply.drops == 30  # 2 drops, 3 times a day, 5 days


def test_one_agent_for_softening_and_upkeep_is_one_supply_and_two_agents_are_two() -> None:
    made = plan(a_visit(an_ear("wax-left"), an_ear("dry-skin")))
    assert [(supply.agent, supply.drops) for supply in made.supplies] == [("olive-oil", 30 + 52)]
    other = a_visit(an_ear("wax-left"), an_ear("dry-skin"), choices={Side.RIGHT: EarChoice(agent="docusate")})
    assert [(supply.agent, supply.drops) for supply in plan(other).supplies] == [("docusate", 16), ("olive-oil", 52)]


def test_a_bottle_that_does_not_keep_says_when_to_throw_it_away() -> None:
    visit = a_visit(choices={Side.RIGHT: EarChoice(agent="sodium-bicarbonate")})
    (supply,) = plan(visit).supplies
    assert supply.opened_days == 28  # label: 4 weeks
    assert supply.phrases[-1].wording == "supply.opened"


def test_an_age_on_the_birthday_decides_the_agent_of_that_day() -> None:
    prefers = ClinicChoices(agents=("urea-peroxide", "olive-oil"))
    on = VISIT_DAY
    assert course_of(a_visit(born=date(on.year - 12, on.month, on.day)), prefers).agent == "urea-peroxide"
    assert course_of(a_visit(born=date(on.year - 12, on.month, on.day + 1)), prefers).agent == "olive-oil"


def test_a_shortened_course_keeps_its_rhythm() -> None:
    course = course_of(a_visit(next_appointment=VISIT_DAY + timedelta(days=2)))
    assert course.phases == (Phase(days=2, moments=(Moment.MORNING, Moment.MIDDAY, Moment.BEDTIME)),)
