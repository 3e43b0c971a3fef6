"""The clinic's choices: what content does not offer is refused, what is saved holds at once and in every process."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear, the_pack

from service import codec
from service.config import Settings
from service.domain.pack import ClinicChoices
from service.domain.water import HOW
from service.errors import NotAllowedError, SettingsError, VisitError
from service.planning.aftercare import give, propose
from service.planning.choices import (
    Kind,
    check_choices,
    choice_changes,
    left_without,
    less_cautious,
    plain,
    save_choices,
)
from service.services import Services
from service.storage.clinic_choices import CLINIC_CHOICES, ChoicesInForce

FREE = ClinicChoices(water={"grommet": "grommet-none"})
BATHING = ClinicChoices(water={"grommet": "grommet-bathing-only"})


def present(services: Services) -> ChoicesInForce:
    with services.open_reading() as work:
        return services.choices_now(work)


def water_of(services: Services) -> set[str]:
    steps = propose(services, a_visit(an_ear("grommet"))).steps
    return {step.id for step in steps if step.id.startswith("water.") and step.id != HOW}


def test_the_choices_that_content_offers_are_all_possible() -> None:
    pack = the_pack()
    every = ClinicChoices(
        agents=tuple(pack.agents),
        regimens={
            f"{agent.id}/{purpose}": regimens[-1].id
            for agent in pack.agents.values()
            for purpose, regimens in agent.regimens.items()
        },
        water={situation.id: situation.options[0].id for situation in pack.water.values()},
        templates_off=frozenset({"dry-skin"}),
    )
    assert check_choices(ClinicChoices(), pack) == ()
    assert check_choices(every, pack) == ()


@pytest.mark.parametrize(
    ("choices", "said"),
    [
        (ClinicChoices(agents=("snake-oil",)), "Agents: 'snake-oil' is not in the content; choose among olive-oil,"),
        (ClinicChoices(agents=("olive-oil", "olive-oil")), "Agents: Olive oil is named 2 times; name it once."),
        (ClinicChoices(agents=("docusate",)), "Agents: none of those chosen has a regimen to maintain,"),
        (ClinicChoices(regimens={"olive-oil": "x"}), "Regimens: 'olive-oil' is not in the content;"),
        (ClinicChoices(regimens={"olive-oil/soften": "x"}), "Regimens, Olive oil to soften: 'x' is not on offer;"),
        (ClinicChoices(water={"pool": "x"}), "Water: 'pool' is not in the content;"),
        (
            ClinicChoices(water={"grommet": "x"}),
            "Water, Grommet in place: 'x' is not on offer; choose among grommet-none",
        ),
        (ClinicChoices(templates_off=frozenset({"x"})), "Templates: 'x' is not in the content;"),
        (ClinicChoices(templates_off=frozenset(the_pack().templates)), "Templates: every one is switched off;"),
    ],
)
def test_each_impossible_choice_is_named_in_one_sentence(choices: ClinicChoices, said: str) -> None:
    (sentence,) = check_choices(choices, the_pack())
    assert sentence.startswith(said)
    assert sentence.endswith(".")


def test_several_impossible_choices_are_all_named() -> None:
    wrong = ClinicChoices(agents=("snake-oil",), water={"pool": "x"}, templates_off=frozenset({"x"}))
    assert len(check_choices(wrong, the_pack())) == 3


def test_without_a_template_that_asks_for_upkeep_no_agent_needs_to_keep_the_skin_moist() -> None:
    asking = frozenset(
        template.id
        for template in the_pack().templates.values()
        if any(step.purpose == "maintain" for step in template.steps)
    )
    assert asking
    assert check_choices(ClinicChoices(agents=("docusate",), templates_off=asking), the_pack()) == ()


def test_a_finding_that_no_template_is_left_for_is_named() -> None:
    assert left_without(ClinicChoices(), the_pack()) == ()
    off = ClinicChoices(templates_off=frozenset({"after-ear-surgery"}))
    assert left_without(off, the_pack()) == (the_pack().findings["recent-ear-surgery"].label,)


def test_every_option_but_the_default_is_less_cautious_where_content_says_so() -> None:
    grommet = the_pack().water["grommet"]
    assert not less_cautious(grommet, grommet.default)
    assert all(less_cautious(grommet, option.id) for option in grommet.options if option.id != grommet.default)


def test_a_change_is_said_in_labels_and_marked_where_it_is_less_cautious() -> None:
    after = ClinicChoices(
        agents=("almond-oil", "olive-oil"),
        regimens={"olive-oil/soften": "olive-long-14"},
        water={"grommet": "grommet-4-weeks"},
        templates_off=frozenset({"dry-skin"}),
    )
    found = choice_changes(ClinicChoices(), after, the_pack())
    assert [each.kind for each in found] == [Kind.TEMPLATE, Kind.AGENTS, Kind.REGIMEN, Kind.WATER]
    assert (found[0].name, found[0].before, found[0].after) == ("Dry canal skin: weekly oil", "on", "off")
    assert found[1].after == "Almond oil, Olive oil"
    assert found[3].less_cautious
    back = choice_changes(after, ClinicChoices(), the_pack())
    assert not any(each.less_cautious for each in back)


def test_what_only_repeats_the_default_is_not_a_change() -> None:
    pack = the_pack()
    repeated = ClinicChoices(
        agents=tuple(pack.agents),
        regimens={"olive-oil/soften": "olive-nhs-lower"},
        water={"grommet": "grommet-whole-time"},
    )
    assert plain(repeated, pack) == ClinicChoices()
    assert choice_changes(ClinicChoices(), repeated, pack) == ()


def test_the_settings_file_is_the_starting_value_until_somebody_saves(database_url: str) -> None:
    services, _ = a_service(database_url, choices=BATHING)
    assert present(services) == ChoicesInForce(choices=BATHING)
    assert water_of(services) == {"water.grommet-bathing-only"}
    save_choices(services, FREE, seen=0, by="Wren")
    assert water_of(services) == {"water.grommet-none"}
    restarted, _ = a_service(database_url, choices=BATHING)
    assert present(restarted).choices == FREE, "the settings file is no longer read"


def test_what_one_process_saves_the_other_plans_with(database_url: str) -> None:
    clock = StoppedClock()
    (one, _), (other, _) = a_service(database_url, clock=clock), a_service(database_url, clock=clock)
    assert water_of(one) == water_of(other) == {"water.grommet-whole-time"}
    clock.forward(hours=1)
    save_choices(one, FREE, seen=0, by="Wren")
    assert water_of(other) == {"water.grommet-none"}
    assert present(other) == ChoicesInForce(choices=FREE, revision=1, by="Wren", at=clock.now())
    save_choices(other, BATHING, seen=1, by="Dr Otter")
    assert water_of(one) == {"water.grommet-bathing-only"}


def test_who_saves_second_is_told_and_nothing_of_the_first_is_lost(database_url: str) -> None:
    services, _ = a_service(database_url)
    save_choices(services, FREE, seen=0, by="Wren")
    with pytest.raises(NotAllowedError, match="Wren saved other choices meanwhile"):
        save_choices(services, BATHING, seen=0, by="Dr Otter")
    assert present(services).choices == FREE
    with services.open_reading() as work:
        assert [line.actor for line in work.ledger.history(CLINIC_CHOICES)] == ["Wren"]


@pytest.mark.parametrize("before", [0, 1], ids=["the first ever", "a later one"])
def test_of_many_who_save_at_once_one_does(database_url: str, before: int) -> None:
    services, _ = a_service(database_url)
    if before:
        save_choices(services, BATHING, seen=0, by="Wren")
    start, outcomes = threading.Barrier(6), []

    def save(number: int) -> None:
        start.wait()
        try:
            save_choices(services, FREE, seen=before, by=f"lead {number}")
            outcomes.append(f"lead {number}")
        except NotAllowedError:
            outcomes.append("told")

    threads = [threading.Thread(target=save, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes)[1:] == ["told"] * 5
    assert present(services).revision == before + 1
    assert present(services).by == sorted(outcomes)[0]
    with services.open_reading() as work:
        assert len(work.ledger.history(CLINIC_CHOICES)) == before + 1


def test_every_change_is_one_line_of_the_audit_record_with_what_was_and_what_is() -> None:
    services, _ = a_service()
    save_choices(services, FREE, seen=0, by="Wren")
    save_choices(services, BATHING, seen=1, by="Dr Otter")
    with services.open_reading() as work:
        lines = work.ledger.history(CLINIC_CHOICES)
    assert [(line.actor, line.action, line.detail["revision"]) for line in lines] == [
        ("Dr Otter", "choices-changed", 2),
        ("Wren", "choices-changed", 1),
    ]
    assert lines[0].detail["changed"] == ["water:grommet"]
    assert codec.from_plain(ClinicChoices, lines[0].detail["before"]) == FREE
    assert codec.from_plain(ClinicChoices, lines[0].detail["after"]) == BATHING


@pytest.mark.parametrize(
    ("choices", "by"),
    [(ClinicChoices(agents=("snake-oil",)), "Wren"), (FREE, "  ")],
    ids=["not in the content", "nobody named"],
)
def test_what_is_impossible_or_nobodys_is_not_saved(choices: ClinicChoices, by: str) -> None:
    services, _ = a_service()
    with pytest.raises((SettingsError, NotAllowedError)):
        save_choices(services, choices, seen=0, by=by)
    assert present(services) == ChoicesInForce(choices=ClinicChoices())


def test_a_plan_says_under_which_revision_it_was_made_and_stays_as_it_was_given(database_url: str) -> None:
    services, _ = a_service(database_url)
    person = a_person(services)
    first = give(services, person, a_visit(an_ear("grommet")), by="nurse")
    save_choices(services, FREE, seen=0, by="Wren")
    services.clock.forward(days=1)  # type: ignore[attr-defined]
    second = give(services, person, a_visit(an_ear("grommet")), by="nurse")
    assert (first.plan.choices_revision, second.plan.choices_revision) == (0, 1)
    with services.open_reading() as work:
        assert work.plans.get(first.id).plan == first.plan
        assert work.plans.get(second.id).plan == second.plan
        (line,) = [each for each in work.ledger.history(second.id) if each.action == "plan-given"]
    assert line.detail["choices"] == 1


def test_what_was_previewed_is_given_although_the_choices_changed_at_that_moment() -> None:
    services, _ = a_service()
    person, visit = a_person(services), a_visit(an_ear("grommet"))
    seen = propose(services, visit)
    save_choices(services, FREE, seen=0, by="Wren")
    assert give(services, person, visit, by="nurse", plan=seen).plan == seen


def test_a_template_that_was_just_switched_off_cannot_be_picked() -> None:
    services, _ = a_service()
    off = ClinicChoices(templates_off=frozenset({"grommet-watch"}))
    save_choices(services, off, seen=0, by="Wren")
    with pytest.raises(VisitError):
        propose(services, a_visit(an_ear("grommet")))


def test_stored_choices_that_cannot_be_read_stop_planning_with_a_sentence() -> None:
    services, _ = a_service()
    with services.open_work() as work:
        work.ledger.set_fact(CLINIC_CHOICES, '{"choices":{"potions":[]}}')
        work.commit()
    with pytest.raises(SettingsError, match="the stored choices of the clinic cannot be read"):
        propose(services, a_visit())


def test_nobody_plans_with_the_starting_value_but_through_what_holds_now() -> None:
    from pathlib import Path

    root = Path(__file__).resolve().parents[2] / "service"
    readers = {
        path.relative_to(root).as_posix()
        for path in root.rglob("*.py")
        if "services.choices" in path.read_text(encoding="utf-8").replace("services.choices_now", "")
    }
    assert readers <= {"planning/choices.py"}, "it compares a stored revision with it"
    assert Settings.__doc__ is not None and "starting value" in " ".join(Settings.__doc__.split())


def test_a_restart_of_the_clock_does_not_matter_to_who_is_last() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    save_choices(services, FREE, seen=0, by="Wren")
    clock.at -= timedelta(days=1)
    assert save_choices(services, BATHING, seen=1, by="Wren").revision == 2
    assert present(services).choices == BATHING
