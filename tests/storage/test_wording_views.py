"""Whom a sentence touches: counted on both databases."""

from __future__ import annotations

from dataclasses import replace

import pytest
from builders import a_person, a_service, a_visit, an_ear

from service.domain.plan import Status
from service.messages.read_plan import phrases_of
from service.messages.wordings import unit_ids_of
from service.planning.aftercare import give
from service.services import Services
from service.storage.wording_views import Readers, readers_of


def counted(services: Services) -> Readers:
    with services.open_reading() as work:
        return readers_of(work)


@pytest.fixture(params=["sqlite", "postgresql"])
def services(request: pytest.FixtureRequest) -> Services:
    url = "sqlite://" if request.param == "sqlite" else request.getfixturevalue("postgres_url")
    return a_service(url)[0]


def test_people_are_counted_by_language_and_by_what_their_plan_says(services: Services) -> None:
    for name, language, ear in (("a", "ur", "grommet"), ("b", "ur", "wax-left"), ("c", "cy", "grommet")):
        give(services, a_person(services, name, language=language), a_visit(an_ear(ear)), by="nurse")
    a_person(services, "without a plan", language="pl")
    found = counted(services)
    assert found.people == {"ur": 2, "cy": 1}
    assert found.by_unit["ur", "back.grommet"] == found.by_unit["cy", "back.grommet"] == 1
    assert ("cy", "back.remove-wax") not in found.by_unit


def test_every_unit_that_a_plan_says_is_found_those_of_lists_too(services: Services) -> None:
    give(services, a_person(services, language="ur"), a_visit(an_ear("wax-left"), an_ear("grommet")), by="nurse")
    with services.open_reading() as work:
        (stored,) = work.plans.of_person("maud")
    said = unit_ids_of(phrases_of(stored.plan))
    assert any(unit.startswith("moment.") for unit in said)
    assert {unit for _, unit in counted(services).by_unit} == said


def test_somebody_with_two_plans_counts_once_and_one_whose_plan_is_over_not_at_all(services: Services) -> None:
    give(services, a_person(services, language="ur"), a_visit(an_ear("grommet")), by="nurse")
    give(services, "maud", a_visit(an_ear("grommet")), by="nurse")
    with services.open_work() as work:
        plans = work.plans.of_person("maud")
        for plan in plans:
            work.plans.set_status(plan.id, Status.ON_HOLD)
        work.commit()
    assert counted(services).people == {"ur": 1}
    with services.open_work() as work:
        for plan in plans:
            work.plans.set_status(plan.id, Status.COMPLETED)
        work.commit()
    assert counted(services) == Readers(people={}, by_unit={})


def test_words_that_somebody_typed_are_never_taken_for_a_unit(services: Services) -> None:
    typed = '","wording":"page.title","moments":["page.visit"]'
    give(services, a_person(services, language="ur"), a_visit(an_ear("grommet")), by="nurse")
    with services.open_work() as work:
        (stored,) = work.plans.of_person("maud")
        plan = replace(stored.plan, steps=tuple(
            replace(step, because=tuple(replace(why, note=typed) for why in step.because)) for step in stored.plan.steps
        ))  # fmt: skip
        work.plans.add(replace(stored, id="typed", plan=plan))
        work.commit()
    units = {unit for _, unit in counted(services).by_unit}
    assert units.isdisjoint({"page.title", "page.visit"})
