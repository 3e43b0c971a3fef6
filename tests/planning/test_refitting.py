"""What the clinic's own record proposes: fitted from stored visits, and said on the discharge page."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from builders import a_person, a_service, a_visit, an_ear
from web.staff_pages import signed_in

from service.domain.return_time import NotFitted, Proposal, ReturnModel, TooLittle
from service.domain.visit import Side, Visit
from service.planning.aftercare import propose
from service.planning.refitting import proposals, refit
from service.services import Services
from service.storage.records import StoredVisit

PRONE = frozenset({"prone-to-wax"})
SHAPE, SCALE = 1.8, 300.0  # the truth of the invented record, days


def a_record(services: Services, ears: int, seed: int = 7) -> None:
    """Visits of invented people: cleared, and looked at again after half a year to a year, three times."""
    chance = random.Random(seed)
    now = services.clock.now()
    with services.open_work() as work:
        for number in range(ears):
            person_id = a_person_row(services, work, f"p{number}")
            on = date(2023, 1, 10) + timedelta(days=chance.randrange(200))
            ear = an_ear("hard-wax-cleared")
            for _ in range(4):
                visit = a_visit(ear, on=on, history=PRONE)
                work.plans.add_visit(
                    StoredVisit(id=services.new_id(), person_id=person_id, visit=visit, by="nurse", created=now)
                )
                gap = chance.randrange(150, 366)
                back = SCALE * (-math.log(1 - chance.random())) ** (1 / SHAPE)
                ear = an_ear("hard-wax-cleared" if back <= gap else "soft-wax-cleared")
                on += timedelta(days=gap)
        work.commit()


def a_person_row(services: Services, work: object, person_id: str) -> str:
    from builders import a_contact

    from service.storage.records import Person

    person = Person(id=person_id, name=person_id, born=date(1960, 1, 1), contact=a_contact())
    work.people.add(person, services.clock.now())  # type: ignore[attr-defined]
    return person_id


def stored(services: Services, person_id: str, *visits: Visit) -> None:
    with services.open_work() as work:
        for visit in visits:
            work.plans.add_visit(
                StoredVisit(
                    id=services.new_id(), person_id=person_id, visit=visit, by="nurse", created=services.clock.now()
                )
            )
        work.commit()


def proposed(services: Services, person_id: str, visit: Visit) -> object:
    plan = propose(services, visit)
    with services.open_reading() as work:
        return proposals(services, work, person_id, visit, plan)


TODAY = a_visit(an_ear("hard-wax-cleared"), history=PRONE)


def earlier(*back: tuple[int, str]) -> list[Visit]:
    return [replace(TODAY, on=TODAY.on - timedelta(days=days), right=an_ear(finding)) for days, finding in back]


def test_with_no_record_nothing_is_proposed_and_the_reason_is_said() -> None:
    services, _ = a_service()
    a_person(services)
    assert isinstance(proposed(services, "maud", TODAY)[Side.RIGHT], NotFitted)  # type: ignore[index]
    assert isinstance(refit(services).found, TooLittle)
    assert isinstance(proposed(services, "maud", TODAY)[Side.RIGHT], TooLittle)  # type: ignore[index]


def test_a_record_is_fitted_and_proposes_within_the_bounds_of_content() -> None:
    services, _ = a_service()
    a_record(services, 150)
    model = refit(services).found
    assert isinstance(model, ReturnModel)
    assert math.exp(model.log_shape) == pytest.approx(SHAPE, rel=0.35)
    assert model.dropped  # everybody here is prone to wax
    a_person(services)
    stored(services, "maud", *earlier((500, "hard-wax-cleared"), (250, "soft-wax-cleared")))
    found = proposed(services, "maud", TODAY)[Side.RIGHT]  # type: ignore[index]
    assert isinstance(found, Proposal)
    assert found.level == services.pack.recall.plug_chance
    assert found.within[0] <= found.days <= found.within[1]
    truth = SCALE * (-math.log(1 - found.level)) ** (1 / SHAPE)
    assert found.record_days == pytest.approx(truth, rel=0.35)


def test_an_ear_whose_wax_came_back_soon_is_proposed_sooner() -> None:
    services, _ = a_service()
    a_record(services, 150)
    refit(services)
    for person_id, days in (("soon", 60), ("late", 350)):
        a_person(services, person_id)
        stored(
            services,
            person_id,
            *earlier((3 * days, "hard-wax-cleared"), (2 * days, "hard-wax-cleared"), (days, "hard-wax-cleared")),
        )
    soon = proposed(services, "soon", TODAY)[Side.RIGHT]  # type: ignore[index]
    late = proposed(services, "late", TODAY)[Side.RIGHT]  # type: ignore[index]
    assert isinstance(soon, Proposal) and isinstance(late, Proposal)
    assert soon.unbounded_days < late.unbounded_days


def test_an_ear_of_another_kind_gets_no_proposal() -> None:
    services, _ = a_service()
    a_person(services)
    assert proposed(services, "maud", a_visit(an_ear("mastoid-cavity"))) == {}
    assert proposed(services, "maud", a_visit(an_ear("hard-wax-cleared"))) == {}  # no return without symptoms


def test_the_discharge_page_shows_the_reasoning_and_one_press_takes_it(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "wren")
    services = browser.services
    a_record(services, 150)
    refit(services)
    person_id = a_person(services)
    stored(services, person_id, *earlier((500, "hard-wax-cleared"), (250, "soft-wax-cleared")))
    form = {"do": "propose", "right.findings": "hard-wax-cleared", "history": "prone-to-wax"}
    page = browser.post(f"/people/{person_id}/discharge", form).text
    assert "ears on record" in page and "<polyline" in page
    days = page.split('value="take:right:')[1].split('"')[0]
    taken = browser.post(f"/people/{person_id}/discharge", form | {"do": f"take:right:{days}"}).text
    assert f'name="right.return_days" inputmode="numeric" size="4" value="{days}"' in taken
    assert f'value="take:right:{days}"' not in taken
