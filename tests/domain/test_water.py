"""Is each ear kept dry as strictly as its findings ask, and is the clinic's own choice used?"""

from __future__ import annotations

from datetime import date

import pytest
from builders import VISIT_DAY, a_visit, an_ear, the_pack

from service.domain import water
from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, StepKind
from service.domain.rules import Facts
from service.domain.visit import Ear, Ears, Side, Visit
from service.errors import SettingsError


def keep_dry(visit: Visit, **chosen: str) -> list[tuple[str, Ears]]:
    choices = ClinicChoices(water={name.replace("_", "-"): option for name, option in chosen.items()})
    facts = {side: Facts.of(visit, side) for side in Side if visit.ear(side).findings}
    found = [(step.id, step.ears) for step in water.steps(the_pack(), choices, facts, visit.on)]
    return [(step, ears) for step, ears in found if step != water.HOW]


DEFAULTS = [
    (an_ear("hard-wax-cleared", by="suction"), "water.suction-2-days"),  # leaflets: none, 24 h or 48 h
    (an_ear("hard-wax-cleared", by="water"), "water.irrigation-5-days"),  # GP leaflet: at least 4 to 5 days
    (an_ear("perforation"), "water.perforation-until-healed"),  # NHS page
    (an_ear("otitis-externa"), "water.externa-10-days"),  # CPD module: 7 to 10 days
    (an_ear("mastoid-cavity"), "water.cavity-always-dry"),  # leaflets; the more cautious of two
    (an_ear("grommet"), "water.grommet-whole-time"),  # surgeons' survey; the more cautious of five
    (an_ear("recent-ear-surgery"), "water.surgery-until-healed"),  # Clin Otolaryngol 2018
    (an_ear("told-to-keep-dry"), "water.as-told"),  # NHS Wales
    (an_ear("abrasion"), "water.sore-7-days"),  # longer where the canal is inflamed: our choice
    (an_ear("discharge"), "water.infection-until-checked"),  # our choice
]


@pytest.mark.parametrize(("ear", "option"), DEFAULTS)
def test_the_cautious_default_is_used_where_the_clinic_chose_nothing(ear: Ear, option: str) -> None:
    assert keep_dry(a_visit(ear)) == [(option, Ears.RIGHT)]


def test_every_default_is_the_strictest_on_offer() -> None:
    for situation in the_pack().water.values():
        strictest = max(situation.options, key=lambda option: option.strictness)
        assert water.chosen(situation, ClinicChoices()).id == strictest.id, situation.id


def test_an_ear_that_needs_nothing_is_told_nothing() -> None:
    assert keep_dry(a_visit(an_ear("normal"))) == []


def test_the_choice_of_the_clinic_is_used() -> None:
    assert keep_dry(a_visit(an_ear("grommet")), grommet="grommet-none") == [("water.grommet-none", Ears.RIGHT)]


def test_an_option_that_is_not_on_offer_names_what_is() -> None:
    with pytest.raises(
        SettingsError, match=r"clinic\.water\.grommet: 'never' is not on offer; allowed: grommet-none, "
    ):
        keep_dry(a_visit(an_ear("grommet")), grommet="never")


STRICTER = [
    (an_ear("perforation", by="suction"), ["water.perforation-until-healed"]),  # stricter and without end
    (an_ear("abrasion", by="water"), ["water.sore-7-days"]),  # 7 days cover 5
    (an_ear("grommet", "discharge"), ["water.grommet-whole-time"]),  # without end covers until checked
]


@pytest.mark.parametrize(("ear", "options"), STRICTER)
def test_of_two_options_for_one_ear_the_stricter_and_longer_one_is_said(ear: Ear, options: list[str]) -> None:
    assert [option for option, _ in keep_dry(a_visit(ear))] == options


def test_a_stricter_option_that_ends_sooner_does_not_hide_a_longer_one() -> None:
    ear = an_ear("grommet", by="suction")
    found = [option for option, _ in keep_dry(a_visit(ear), grommet="grommet-bathing-only")]
    assert found == ["water.grommet-bathing-only"]  # strictness 25 without end covers 15 for 2 days
    ear = an_ear("grommet", "otitis-externa")
    found = [option for option, _ in keep_dry(a_visit(ear), grommet="grommet-bathing-only")]
    assert sorted(found) == ["water.externa-10-days", "water.grommet-bathing-only"]


EXCEPTIONS = [
    (an_ear("grommet", "discharge"), frozenset(), "water.infection-until-checked"),  # AAO-HNS 2013: discharge
    (an_ear("grommet"), frozenset({"immunosuppression"}), "water.grommet-immunity-dry"),  # AAO-HNS 2013: immunity
]


@pytest.mark.parametrize(("ear", "history", "option"), EXCEPTIONS)
def test_relaxed_grommet_advice_keeps_its_exceptions(ear: Ear, history: frozenset[str], option: str) -> None:
    assert keep_dry(a_visit(ear, history=history), grommet="grommet-none") == [(option, Ears.RIGHT)]


def test_no_limit_is_not_said_beside_a_limit_of_the_other_ear_that_lasts_as_long() -> None:
    visit = a_visit(an_ear("soft-wax-cleared", by="suction"), an_ear("otitis-externa"))
    assert keep_dry(visit, after_suction="suction-none") == [("water.externa-10-days", Ears.LEFT)]


def test_no_limit_in_both_ears_is_said_of_both() -> None:
    ear = an_ear("soft-wax-cleared", by="suction")
    choices = ClinicChoices(water={"after-suction": "suction-none"})
    made = build_plan(a_visit(ear, ear), the_pack(), choices)
    assert [(step.id, step.ears) for step in made.steps_of(StepKind.KEEP_DRY)] == [("water.suction-none", Ears.BOTH)]


def test_the_last_dry_day_is_counted_from_the_visit() -> None:
    visit = a_visit(an_ear("otitis-externa"))
    step, _ = water.steps(the_pack(), ClinicChoices(), {Side.RIGHT: Facts.of(visit, Side.RIGHT)}, VISIT_DAY)
    assert step.phrases[0].values == {"days": 10, "until": date(2026, 12, 5).isoformat()}
    assert step.because[0].note == "Otitis externa: No water sport 10 days"


WAYS_TO_KEEP_DRY = [
    (an_ear("hard-wax-cleared", by="suction"), an_ear("mastoid-cavity")),  # for some days, and for ever
    (an_ear("mastoid-cavity"), an_ear("abrasion")),
    (an_ear("grommet", by="suction"), an_ear("otitis-externa", by="water")),
    (an_ear("hard-wax-cleared", by="water"), an_ear("hard-wax-cleared", by="water")),
    (an_ear("perforation"), an_ear("normal")),
    (an_ear("normal"), an_ear("hard-wax-cleared", by="suction")),
]


@pytest.mark.parametrize(("right", "left"), WAYS_TO_KEEP_DRY)
def test_each_ear_that_is_kept_dry_is_told_how_and_the_way_is_said_once(right: Ear, left: Ear) -> None:
    made = build_plan(a_visit(right, left), the_pack(), ClinicChoices()).steps_of(StepKind.KEEP_DRY)
    dry = {side for step in made if step.id != water.HOW for side in step.ears.sides}
    (how,) = [step for step in made if step.id == water.HOW]
    assert set(how.ears.sides) == dry
    assert made[-1] is how, "first which ear and how long, then how"
    assert [phrase.wording for step in made for phrase in step.phrases].count("water.cotton-wool-jelly") == 1


def test_every_option_that_keeps_water_out_says_how_and_no_other_does() -> None:
    for situation in the_pack().water.values():
        for option in situation.options:
            free = {"water.no-limit", "water.grommet-free"} & set(option.wording)
            assert bool(option.method) is not bool(free), option.id
            assert option.method or option.strictness == 0, option.id


def test_two_options_for_one_ear_say_the_way_once() -> None:
    visit = a_visit(an_ear("grommet", "otitis-externa"))
    made = build_plan(visit, the_pack(), ClinicChoices(water={"grommet": "grommet-bathing-only"}))
    assert [step.ears for step in made.steps_of(StepKind.KEEP_DRY) if step.id == water.HOW] == [Ears.RIGHT]
    assert len(made.steps_of(StepKind.KEEP_DRY)) == 3


def test_an_ear_without_a_limit_is_not_told_how_to_keep_it_dry() -> None:
    ear = an_ear("soft-wax-cleared", by="suction")
    made = build_plan(a_visit(ear), the_pack(), ClinicChoices(water={"after-suction": "suction-none"}))
    assert water.HOW not in {step.id for step in made.steps}
