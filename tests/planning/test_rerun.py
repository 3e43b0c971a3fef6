"""What other choices would do to the last visits: counted and said, and never written."""

from __future__ import annotations

import hashlib
from datetime import timedelta

import pytest
from builders import VISIT_DAY, StoppedClock, a_person, a_service, a_visit, an_ear
from sqlalchemy import text

from service.domain.pack import ClinicChoices
from service.domain.plan_differences import About
from service.domain.visit import Ear, EarChoice, Ears, Side
from service.errors import SettingsError, VisitError
from service.planning.aftercare import give
from service.planning.choices import save_choices
from service.planning.rerun import rerun
from service.services import Services
from service.storage.tables import Base

FREE = ClinicChoices(water={"grommet": "grommet-none"})
EARS = (
    (an_ear("grommet"), Ear()),
    (an_ear("grommet"), an_ear("grommet")),
    (an_ear("wax-left"), an_ear("normal")),
    (an_ear("normal"), Ear()),
    (an_ear("facial-weakness"), an_ear("grommet")),
)


def some_visits(services: Services, clock: StoppedClock) -> None:
    """One visit a day of one person each: p0 the oldest, p4 the newest."""
    for number, (right, left) in enumerate(EARS):
        person = a_person(services, f"p{number}")
        give(services, person, a_visit(right, left, on=VISIT_DAY + timedelta(days=number)), by="nurse")
        clock.forward(days=1)


def everything(services: Services) -> str:
    """A mark of all rows of all tables."""
    mark = hashlib.sha256()
    with services.open_reading() as work:
        for table in sorted(Base.metadata.tables):
            rows = work._session.execute(text(f'SELECT * FROM "{table}"')).all()
            mark.update(repr((table, sorted(map(repr, rows)))).encode())
    return mark.hexdigest()


def test_the_last_visits_are_counted_and_what_differs_is_said_by_visit(database_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(database_url, clock=clock)
    some_visits(services, clock)
    before = everything(services)
    found = rerun(services, FREE, 50)
    assert everything(services) == before, "nothing is written"
    assert (found.looked_at, found.unchanged, found.possible, found.never) == (5, 3, 0, 0)
    assert [visit.person_id for visit in found.changed] == ["p1", "p0"], "the newest first"
    assert [each.ears for visit in found.changed for each in visit.differences] == [Ears.BOTH, Ears.RIGHT]
    ((difference, count),) = found.counted
    assert (difference.about, difference.name, difference.ears, count) == (About.WATER, "Grommet in place", None, 2)


def test_only_so_many_of_the_last_visits_are_looked_at(database_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(database_url, clock=clock)
    some_visits(services, clock)
    found = rerun(services, FREE, 4)
    assert found.looked_at == 4
    assert [visit.person_id for visit in found.changed] == ["p1"]


def test_a_visit_that_could_no_longer_be_planned_is_apart_and_says_why() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    some_visits(services, clock)
    found = rerun(services, ClinicChoices(templates_off=frozenset({"grommet-watch"})), 50)
    assert [visit.person_id for visit in found.refused] == ["p1", "p0"]
    assert all(isinstance(visit.refused, VisitError) and not visit.differences for visit in found.refused)
    assert (found.changed, found.unchanged) == ((), 3)


def test_a_template_that_a_clinician_picked_and_that_is_switched_off_shows_as_refused() -> None:
    services, _ = a_service()
    picked = {Side.RIGHT: EarChoice(template="narrow-canal")}
    give(services, a_person(services), a_visit(an_ear("narrow-canal", "dry-skin"), choices=picked), by="nurse")
    found = rerun(services, ClinicChoices(templates_off=frozenset({"narrow-canal"})), 50)
    (visit,) = found.refused
    assert "narrow-canal is switched off in this clinic" in str(visit.refused)


def test_the_comparison_is_with_the_present_choices_and_not_with_those_of_the_day() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    some_visits(services, clock)
    save_choices(services, FREE, seen=0, by="Wren")
    assert rerun(services, FREE, 50).changed == ()
    assert len(rerun(services, ClinicChoices(), 50).changed) == 2


def test_a_visit_that_only_the_new_choices_can_plan_is_counted_and_no_difference() -> None:
    services, _ = a_service()
    give(services, a_person(services), a_visit(an_ear("grommet")), by="nurse")
    save_choices(services, ClinicChoices(templates_off=frozenset({"grommet-watch"})), seen=0, by="Wren")
    found = rerun(services, ClinicChoices(), 50)
    assert (found.possible, found.changed, found.refused, found.unchanged) == (1, (), (), 0)


def test_an_urgent_visit_is_the_same_under_any_choice() -> None:
    services, _ = a_service()
    give(services, a_person(services), a_visit(an_ear("facial-weakness", "grommet")), by="nurse")
    assert rerun(services, FREE, 50).unchanged == 1


def test_choices_that_content_does_not_offer_are_refused_before_anything_is_planned() -> None:
    services, _ = a_service()
    with pytest.raises(SettingsError, match="Water: 'pool' is not in the content"):
        rerun(services, ClinicChoices(water={"pool": "x"}), 50)


def test_a_record_without_visits_has_nothing_to_compare() -> None:
    services, _ = a_service()
    found = rerun(services, FREE, 50)
    assert (found.looked_at, found.unchanged, found.counted) == (0, 0, ())
