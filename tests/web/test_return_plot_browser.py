"""The small plot of the record's proposal on the discharge page, in a real browser: every line is named, in letters that
can be read, in one unit, and the words for who cannot see it say the same."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from builders import a_visit, an_ear
from playwright.sync_api import Browser as Chromium
from web.following import follow
from web.staff_pages import Browser
from web.test_staff_browser import a_desk, sign_in

from service import codec
from service.domain.return_time import Family, LastFit, ReturnModel
from service.planning.refitting import RETURN_MODEL
from service.storage.records import StoredVisit

MODEL = ReturnModel(
    family=Family.WEIBULL,
    intercept=math.log(290),
    traits=(),
    coefficients=(),
    log_shape=math.log(2.0),
    ear_sd=0.4,
    ears=412,
    gaps=1300,
    returned=1100,
    log_likelihood=-1234.5,
    fitted_on="2026-11-25",
)
SMALLEST = 14
"""Pixels of letters as shown. Our choice."""
LETTERS = "each => parseFloat(getComputedStyle(each).fontSize) * each.getScreenCTM().a"
SPILLS = """figure => { const box = figure.getBoundingClientRect();
  return [...figure.querySelectorAll('text')].map(each => each.getBoundingClientRect())
    .some(one => one.left < box.left - 1 || one.right > box.right + 1); }"""


def a_record(browser: Browser) -> None:
    """A fitted record, and two earlier clearings of both ears of the person."""
    services, today = browser.services, browser.clock.at.date()
    ear = an_ear("hard-wax-cleared")
    before = a_visit(ear, ear, history=frozenset({"prone-to-wax"}))
    with services.open_work() as work:
        work.ledger.set_fact(RETURN_MODEL, codec.dump(LastFit(found=MODEL)))
        for days in (500, 250):
            visit = replace(before, on=today - timedelta(days=days))
            row = StoredVisit(
                id=services.new_id(), person_id="maud", visit=visit, by="nurse", created=services.clock.now()
            )
            work.plans.add_visit(row)
        work.commit()


@pytest.mark.parametrize("width", [360, 1280])
def test_both_lines_are_named_in_one_unit_and_can_be_read(chromium: Chromium, tmp_path: Path, width: int) -> None:
    with (
        a_desk(tmp_path) as (browser, address),
        chromium.new_context(viewport={"width": width, "height": 900}) as context,
    ):
        a_record(browser)
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud/discharge")
        for side in ("right", "left"):
            page.check(f'input[name="{side}.findings"][value="hard-wax-cleared"]')
        page.check('input[name="history"][value="prone-to-wax"]')
        follow(page.get_by_role("button", name="Propose plan").last)
        plots = page.locator("figure.curve")
        assert plots.count() == 2
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for plot in plots.all():
            assert min(plot.locator("text").evaluate_all(f"all => all.map({LETTERS})")) >= SMALLEST
            caption = plot.locator("figcaption")
            assert float(caption.evaluate("each => parseFloat(getComputedStyle(each).fontSize)")) >= SMALLEST
            assert plot.evaluate(SPILLS) is False
            drawn = plot.locator("text").all_text_contents()
            level, days = drawn[0], drawn[1]
            assert level == "20%" and re.fullmatch(r"\d+ days", days)
            said = caption.inner_text()
            assert f"Dashed line: the chance that the clinic allows, {level}." in said
            assert f"Upright line: {days}, from this clinic’s record" in said
            assert plot.locator("svg").get_attribute("aria-labelledby") == caption.get_attribute("id")
            record = plot.locator("xpath=..").inner_text()
            assert days in record.partition("Curve:")[0] and f"Take {days}" in record
            assert not re.search(r"\b(weeks?|months?)\b|'", record)


def test_the_ear_that_follows_the_other_says_so_and_offers_nothing_that_changes_nothing(
    chromium: Chromium, tmp_path: Path
) -> None:
    with a_desk(tmp_path) as (browser, address), chromium.new_context() as context:
        a_record(browser)
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud/discharge")
        for side in ("right", "left"):
            page.check(f'input[name="{side}.findings"][value="hard-wax-cleared"]')
        page.check('input[name="history"][value="prone-to-wax"]')
        follow(page.get_by_role("button", name="Propose plan").last)
        right, left = page.locator("fieldset.ear.right .record"), page.locator("fieldset.ear.left .record")
        assert "found 250 days after each" in right.inner_text()
        assert page.get_by_text("Both ears are seen together").count() == 0
        follow(right.get_by_role("button", name="Take"))
        days = page.input_value("#right-days")
        assert days and page.get_attribute("#left-days", "placeholder") == days
        followed = page.locator("fieldset.ear", has_text="Both ears are seen together, by the sooner day.")
        assert followed.count() == 1 and followed.locator("#left-days").count() == 1
        assert right.get_by_role("button", name="Take").count() == left.get_by_role("button", name="Take").count() == 0


def test_on_a_narrow_screen_the_bar_shows_the_whole_time_and_hides_little(chromium: Chromium, tmp_path: Path) -> None:
    with (
        a_desk(tmp_path) as (_, address),
        chromium.new_context(viewport={"width": 360, "height": 740}) as context,
    ):
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud/discharge")
        page.check('input[name="right.findings"][value="hard-wax-cleared"]')
        page.fill("#next_appointment", "2026-12-16")
        page.fill("#next_appointment_time", "09:40")
        follow(page.get_by_role("button", name="Propose plan").last)
        label = page.locator(".bar .when label").first
        lines = "each => each.getBoundingClientRect().height / parseFloat(getComputedStyle(each).lineHeight)"
        assert label.evaluate(lines) < 1.5, "the label is one line"
        room = page.locator("#next_appointment_time").evaluate("each => each.clientWidth")
        assert room >= 90, "hours, minutes and the clock's own button"
        assert page.locator(".bar .acts").evaluate("each => each.getBoundingClientRect().height") <= 74, "a tenth"
        assert page.locator(".bar .acts").evaluate("each => getComputedStyle(each).position") == "sticky"
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
