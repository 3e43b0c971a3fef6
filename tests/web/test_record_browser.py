"""New facts about a person, appointments and a used form in a real browser, on a desk's screen and on a phone.

Pictures of every state go to tests/output/.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, time
from pathlib import Path

import pytest
from builders import a_contact, a_visit
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Page
from web.following import follow
from web.staff_pages import Browser
from web.test_staff_browser import a_desk, propose, sign_in, tick_the_common_visit

from service.domain.contact import Channel
from service.planning.aftercare import give
from service.planning.people import correct_person, mark_died, mark_left, mark_withdrawn
from service.storage.records import Person

PLACE = Path(__file__).resolve().parents[1] / "output"
WIDTHS = (1280, 400)


def booked(browser: Browser) -> None:
    visit = a_visit(next_appointment=date(2026, 12, 10), next_appointment_time=time(10, 30))
    give(browser.services, "maud", visit, by="nurse")


def unusable(browser: Browser) -> None:
    with browser.services.open_work() as work:
        bad = frozenset({Channel.TEXT, Channel.EMAIL})
        work.people.save(Person(id="maud", name="Maud Ellery", born=None, contact=a_contact(bad=bad)))
        work.commit()


def moved(browser: Browser) -> None:
    booked(browser)
    mark_left(browser.services, "maud", "desk", left=True)


def died(browser: Browser) -> None:
    booked(browser)
    mark_died(browser.services, "maud", "desk", died=True)


def withdrawn(browser: Browser) -> None:
    booked(browser)
    mark_withdrawn(browser.services, "maud", "desk", withdrawn=True)


def own_hours(browser: Browser) -> None:
    wishes = a_contact(quiet_from=time(20), quiet_to=time(9), join_with_others=True)
    correct_person(browser.services, "maud", "Maud Ellery", None, wishes, "desk")


def nothing(_: Page) -> None:
    """The page as it opens."""


def wrong_appointment(page: Page) -> None:
    page.get_by_text("Move or cancel the appointment").click()
    page.get_by_label("Time of the appointment").fill("")
    follow(page.get_by_role("button", name="Move", exact=True))
    page.wait_for_selector("[role=alert]")


def open_appointment(page: Page) -> None:
    page.get_by_text("Move or cancel the appointment").click()


def no_choice(page: Page) -> None:
    follow(page.get_by_role("button", name="Record this"))
    page.wait_for_selector("#leaving-error")


def one_time_only(page: Page) -> None:
    page.get_by_label("Nothing from").fill("22:00")
    follow(page.get_by_role("button", name="Save"))
    page.wait_for_selector("[role=alert]")


def used_form(page: Page) -> None:
    tick_the_common_visit(page)
    propose(page)
    key = page.locator('[name="request"]').input_value()
    follow(page.locator("#give"))
    page.wait_for_url("**/given*")
    page.goto(f"{page.url.partition('/plans/')[0]}/people/maud/discharge")
    tick_the_common_visit(page)
    propose(page)
    # As if the earlier page had been kept by the browser.
    page.evaluate("key => { document.querySelector('[name=request]').value = key }", key)
    page.locator('fieldset[data-ear="right"]').get_by_text("Dry canal skin").click()
    follow(page.locator("#give"))
    page.wait_for_selector("#conflict")


STATES: list[tuple[str, Callable[[Browser], None], str, Callable[[Page], None]]] = [
    ("record-booked", booked, "", open_appointment),
    ("record-wrong-appointment", booked, "", wrong_appointment),
    ("record-no-choice", booked, "", no_choice),
    ("record-moved", moved, "", nothing),
    ("record-died", died, "", nothing),
    ("record-withdrawn", withdrawn, "", nothing),
    ("record-unusable", unusable, "", nothing),
    ("record-own-hours", own_hours, "", nothing),
    ("form-unusable", unusable, "/contact", nothing),
    ("form-own-hours", own_hours, "/contact", nothing),
    ("form-one-time", booked, "/contact", one_time_only),
    ("discharge-withdrawn", withdrawn, "/discharge", nothing),
    ("discharge-unusable", unusable, "/discharge", nothing),
    ("discharge-used", unusable, "/discharge", used_form),
]

UNNAMED = """[...document.querySelectorAll("input:not([type=hidden]), select, textarea")]
    .filter((e) => !e.labels?.length && !e.ariaLabel).map((e) => e.name)"""
UNTOLD = """[...document.querySelectorAll("[aria-invalid=true]")]
    .filter((e) => !/-error( |$)/.test(e.getAttribute("aria-describedby"))).map((e) => e.name)"""
NOWHERE = """[...document.querySelectorAll("[aria-describedby]")]
    .flatMap((e) => e.getAttribute("aria-describedby").split(" ")).filter((id) => !document.getElementById(id))"""


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize(("name", "before", "place", "act"), STATES, ids=[state[0] for state in STATES])
def test_each_state_fits_the_screen_and_names_every_field_and_error(
    chromium: Chromium,
    tmp_path: Path,
    name: str,
    before: Callable[[Browser], None],
    place: str,
    act: Callable[[Page], None],
    width: int,
) -> None:
    PLACE.mkdir(parents=True, exist_ok=True)
    complaints: list[str] = []
    with (
        a_desk(tmp_path) as (browser, address),
        chromium.new_context(viewport={"width": width, "height": 900}) as context,
    ):
        before(browser)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        sign_in(page, address)
        page.goto(f"{address}/people/maud{place}")
        act(page)
        page.screenshot(path=PLACE / f"{name}-{width}.png", full_page=True)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate("new Set([...document.querySelectorAll('[id]')].map((e) => e.id)).size") == page.evaluate(
            "document.querySelectorAll('[id]').length"
        )
        assert page.evaluate(UNNAMED) == []
        assert page.evaluate(UNTOLD) == []
        assert page.evaluate(NOWHERE) == []
    assert complaints == []
