"""How one plan differs from another of the same visit."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from builders import VISIT_DAY, a_visit, an_ear, the_pack

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, Moment, Phase, Urgency
from service.domain.plan import Plan
from service.domain.plan_differences import About, Difference, differences, dose_words
from service.domain.visit import Ear, EarChoice, Ears, Side

NOTHING = ClinicChoices()


def under(right: Ear, left: Ear | None = None, choices: ClinicChoices = NOTHING, **visit: object) -> Plan:
    return build_plan(a_visit(right, left, **visit), the_pack(), choices)


def compared(right: Ear, left: Ear | None = None, *, now: ClinicChoices = NOTHING, **visit: object) -> list[Difference]:
    return list(differences(under(right, left, **visit), under(right, left, now, **visit), the_pack()))


def about(found: list[Difference], part: About) -> list[Difference]:
    return [each for each in found if each.about is part]


def test_a_plan_does_not_differ_from_itself_nor_by_the_number_of_the_revision() -> None:
    plan = under(an_ear("wax-left"), an_ear("grommet"))
    assert differences(plan, plan, the_pack()) == ()
    assert differences(plan, replace(plan, choices_revision=7), the_pack()) == ()


def test_another_water_policy_for_grommets_is_said_with_both_options_and_the_ear() -> None:
    found = compared(an_ear("normal"), an_ear("grommet"), now=ClinicChoices(water={"grommet": "grommet-none"}))
    (water,) = about(found, About.WATER)
    assert water.said == (
        "Left ear: water (Grommet in place): Keep dry the whole time that it is in, "
        "would be: No routine limit (exceptions are said)."
    )
    assert water.way == "changed"


def test_the_same_change_of_both_ears_is_one_difference() -> None:
    found = compared(an_ear("grommet"), an_ear("grommet"), now=ClinicChoices(water={"grommet": "grommet-4-weeks"}))
    assert [each.ears for each in about(found, About.WATER)] == [Ears.BOTH]


def test_another_agent_changes_the_drops_and_the_supply() -> None:
    found = compared(an_ear("wax-left"), now=ClinicChoices(agents=("sodium-bicarbonate",)))
    (drops,) = about(found, About.DROPS)
    assert drops.ears is Ears.RIGHT
    assert drops.before is not None and drops.before.startswith("Olive oil, 2 drops 3 times a day")
    assert drops.after is not None and drops.after.startswith("Sodium bicarbonate 5%, 3 drops twice a day")
    assert {(each.way, (each.before or each.after or "").split(" ml")[0]) for each in about(found, About.SUPPLY)} == {
        ("removed", "Olive oil 2"),
        ("added", "Sodium bicarbonate 5% 2"),
    }


def test_a_longer_regimen_is_said_in_drops_times_and_days() -> None:
    choices = ClinicChoices(regimens={"olive-oil/soften": "olive-pathway-7"})
    (drops,) = about(compared(an_ear("wax-left"), now=choices), About.DROPS)
    assert drops.before is not None and drops.after is not None
    assert "(morning, midday, bedtime) for 5 days" in drops.before
    assert "(morning, midday, bedtime) for 7 days" in drops.after


def test_a_template_that_is_switched_off_gives_way_with_its_instructions_and_its_return() -> None:
    off = ClinicChoices(templates_off=frozenset({"sore-canal"}))
    found = compared(an_ear("abrasion", "dry-skin"), now=off)
    (aftercare,) = about(found, About.AFTERCARE)
    assert (aftercare.before, aftercare.after) == ("Sore canal: rest", "Dry canal skin: weekly oil")
    assert about(found, About.RETURN)
    assert {each.way for each in about(found, About.STEP)} & {"added", "removed"}


def test_days_are_counted_from_the_visit_so_that_equal_changes_of_two_days_are_equal() -> None:
    choices = ClinicChoices(regimens={"olive-oil/soften": "olive-pathway-7"}, water={"after-suction": "suction-1-day"})
    ears = (an_ear("wax-left", by="suction"), an_ear("normal"))
    one = compared(*ears, now=choices)
    other = compared(*ears, now=choices, on=VISIT_DAY + timedelta(days=9))
    assert one and one == other


def test_what_the_clinician_is_told_and_the_signs_differ_too() -> None:
    plan = under(an_ear("wax-left"))
    less = replace(plan, signs=plan.signs[1:], cautions=plan.cautions[1:])
    changed = replace(plan, signs=(replace(plan.signs[0], urgency=Urgency.FEW_DAYS), *plan.signs[1:]))
    lost = list(differences(plan, less, the_pack()))
    assert [each.way for each in about(lost, About.WARNING)] == ["removed"]
    assert [each.way for each in about(lost, About.CAUTION)] == ["removed"]
    (sign,) = differences(plan, changed, the_pack())
    assert (sign.about, sign.ears, sign.after) == (About.WARNING, None, "few days")


def test_a_rule_that_a_clinician_set_aside_shows_with_its_reason() -> None:
    plan = under(an_ear("wax-left"))
    aside = replace(plan.cautions[0], overruled="asked for by the surgeon")
    (found,) = differences(plan, replace(plan, cautions=(aside, *plan.cautions[1:])), the_pack())
    assert found.about is About.CAUTION
    assert found.after is not None and found.after.endswith("Set aside: asked for by the surgeon")


def test_an_urgent_plan_in_place_of_an_ordinary_one_shows_what_falls_away() -> None:
    urgent = under(an_ear("facial-weakness"))
    found = differences(under(an_ear("wax-left")), urgent, the_pack())
    assert found[0].about is About.URGENT and found[0].way == "added"
    assert any(each.about is About.DROPS and each.way == "removed" for each in found)


def test_another_day_of_return_is_said_with_its_bounds() -> None:
    sooner = {Side.RIGHT: EarChoice(return_days=7)}
    before, after = under(an_ear("wax-left")), under(an_ear("wax-left"), choices=NOTHING)
    after = build_plan(a_visit(an_ear("wax-left"), choices=sooner), the_pack(), NOTHING)
    (found,) = differences(before, after, the_pack())
    assert found.about is About.RETURN
    assert found.after is not None and found.after.startswith("7 days after the visit (")


@pytest.mark.parametrize(
    ("phases", "said"),
    [
        ((Phase(days=1, moments=(Moment.BEDTIME,)),), "1 drop once a day (bedtime) for 1 day"),
        (
            (
                Phase(days=3, moments=(Moment.MORNING, Moment.BEDTIME)),
                Phase(days=28, every=7, moments=(Moment.BEDTIME,)),
            ),
            "1 drop twice a day (morning, bedtime) for 3 days, then once a week (bedtime) for 28 days",
        ),
        ((Phase(days=8, every=4, moments=(Moment.EVENING,)),), "1 drop every 4 days (evening) for 8 days"),
    ],
)
def test_a_regimen_is_said_in_words(phases: tuple[Phase, ...], said: str) -> None:
    assert dose_words(1, 0, phases) == said
    assert dose_words(1, 5, phases) == f"{said}, lying 5 minutes"
