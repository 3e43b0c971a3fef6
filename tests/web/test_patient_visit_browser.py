"""Numbers to call and a booked visit on the patient's page, measured in a real browser on a small screen."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, time

import pytest
from playwright.sync_api import Browser, Page
from web.test_patient_browser import CHECKS, CONTRAST, Site, large_letters, running, sideways

from service.planning.appointments import book
from service.planning.approving import approve_language

VISIT = (date(2026, 12, 20), time(14, 30))
LEAST = 44
"""CSS pixels. Source: WCAG 2.2, success criterion 2.5.5 (enhanced); 24 is the minimum of 2.5.8."""

NUMBERS = """() => [...document.querySelectorAll('main a.number')]
  .filter((each) => each.innerText)
  .map((each) => { const box = each.getBoundingClientRect();
    return {said: each.innerText, high: box.height, wide: box.width, left: box.left, right: box.right,
            help: Boolean(each.closest('#help'))}; })"""

# Marks that follow a number, each with how far its line is from the number's, in CSS pixels.
MARKS = """() => [...document.querySelectorAll('main a.number')].map((each) => {
  const next = each.nextSibling;
  const place = next && next.nodeType === 3 ? next.textContent.search(/[.,!?:;؟۔،।。，]/) : -1;
  if (place < 0 || /[^\\u2066-\\u2069\\u200e\\u200f]/.test(next.textContent.slice(0, place))) return null;
  const range = document.createRange();
  range.setStart(next, place);
  range.setEnd(next, place + 1);
  const mark = range.getBoundingClientRect(), number = each.getBoundingClientRect();
  return Math.abs((mark.top + mark.bottom) / 2 - (number.top + number.bottom) / 2);
}).filter((each) => each !== null)"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with running(tmp_path_factory.mktemp("visits")) as found:
        yield found


@contextmanager
def opened(chromium: Browser, url: str, width: int = 320, height: int = 568) -> Iterator[Page]:
    context = chromium.new_context(viewport={"width": width, "height": height})
    page = context.new_page()
    page.goto(url)
    yield page
    context.close()


def booked(site: Site, person: str, **contact: object) -> str:
    """The page of somebody with a visit booked."""
    url = site.person(person, "wax-left", **contact)
    with site.services.open_reading() as work:
        stored = work.plans.current(person)
    assert stored is not None
    book(site.services, stored.id, VISIT, "desk")
    return url


@pytest.mark.parametrize("width", [320, 1280])
def test_every_number_is_large_enough_to_tap(site: Site, chromium: Browser, width: int) -> None:
    with opened(chromium, booked(site, f"maud-{width}"), width) as page:
        found = page.evaluate(NUMBERS)
        assert [each for each in found if each["help"]], "there are numbers in the help panel"
        assert {"999", "020 7946 0123"} <= {each["said"] for each in found}
        small = [each for each in found if each["high"] < LEAST or each["wide"] < LEAST]
        assert small == []
        # The digits stay on the screen; the space of 9 px on each side may reach over its edge.
        assert [each for each in found if each["left"] < -9 or each["right"] > width + 9] == []
        assert (page.evaluate(CHECKS), page.evaluate(CONTRAST), sideways(page)) == ([], [], 0)
        if width >= 320:  # the narrowest screen of WCAG 2.2, 1.4.10; there also with letters of twice the size
            with large_letters(page):
                assert sideways(page) <= 0


@pytest.mark.parametrize("language", ["en", "ur", "ar", "bn", "zh-Hans"])
def test_no_mark_after_a_number_falls_on_a_line_of_its_own(site: Site, chromium: Browser, language: str) -> None:
    approve_language(site.services, language, "Dr Wren Halloway", reason="for a test, at whatever cost")
    url = booked(site, f"line-{language}", language=language)
    seen = 0
    for width in range(300, 420, 12):
        with opened(chromium, url, width) as page:
            assert page.evaluate("document.documentElement.lang") == language
            page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true })")
            away = page.evaluate(MARKS)
            seen += len(away)
            assert [each for each in away if each > 20] == [], f"{width} wide"
    assert seen, "there are such marks"


def test_a_booked_visit_is_on_the_first_screen(site: Site, chromium: Browser) -> None:
    with opened(chromium, booked(site, "first")) as page:
        said = page.get_by_text("You have a visit booked on Sunday, 20 December 2026").bounding_box()
        bar = page.locator(".help-bar").bounding_box()
        assert said is not None and bar is not None
        assert said["y"] + said["height"] < bar["y"]
