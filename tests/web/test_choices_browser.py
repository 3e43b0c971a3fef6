"""The clinic's choices in a real browser: by keyboard alone, without JavaScript, and on the smallest screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Page
from web.following import follow
from web.staff_pages import Browser
from web.test_staff_browser import a_desk, sign_in

from service.domain.pack import ClinicChoices
from service.planning.aftercare import give


def chosen(browser: Browser) -> ClinicChoices:
    with browser.services.open_reading() as work:
        return browser.services.choices_now(work).choices


def fits(page: Page) -> bool:
    """Whether nothing scrolls sideways and no id stands twice."""
    unique = "new Set([...document.querySelectorAll('[id]')].map((e) => e.id)).size"
    same = page.evaluate(unique) == page.evaluate("document.querySelectorAll('[id]').length")
    return bool(same and page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def focus_with_tab(page: Page, selector: str) -> None:
    """Press Tab until this has the focus."""
    for _ in range(300):
        page.keyboard.press("Tab")
        if page.evaluate("(selector) => document.activeElement.matches(selector)", selector):
            return
    pytest.fail(f"Tab never reaches {selector}")


@pytest.mark.parametrize("width", [320, 1366])
def test_the_whole_path_without_javascript_on_a_small_and_on_a_large_screen(
    chromium: Chromium,
    tmp_path: Path,
    width: int,
) -> None:
    with (
        a_desk(tmp_path) as (browser, address),
        chromium.new_context(viewport={"width": width, "height": 700}, java_script_enabled=False) as context,
    ):
        give(browser.services, "maud", a_visit(an_ear("grommet"), an_ear("wax-left")), by="nurse")
        give(browser.services, a_person(browser.services, "ann"), a_visit(an_ear("dry-skin")), by="nurse")
        page = context.new_page()
        sign_in(page, address)
        follow(page.get_by_role("link", name="Aftercare"))
        assert page.locator('input[name="water.grommet"]:checked').input_value() == "grommet-whole-time"
        page.get_by_label("Dry canal skin: weekly oil").uncheck()
        page.locator('input[name="water.grommet"][value="grommet-none"]').check()
        page.get_by_label("Olive oil", exact=True).select_option("")
        follow(page.get_by_role("button", name="See what would change"))
        assert page.get_by_text("1 visit could no longer be planned").is_visible()
        assert page.get_by_text("1 visit would end in another plan.").is_visible()
        assert page.get_by_text("Keep dry the whole time that it is in").first.is_visible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert chosen(browser) == ClinicChoices()
        follow(page.get_by_role("button", name="Go back and change"))
        page.get_by_label("Dry canal skin: weekly oil").check()
        follow(page.get_by_role("button", name="See what would change"))
        assert not page.get_by_text("could no longer be planned").is_visible()
        follow(page.get_by_role("button", name="Save as Wren Halloway"))
        assert page.get_by_role("status").get_by_text("Saved.").is_visible()
        assert fits(page)
        assert chosen(browser).water == {"grommet": "grommet-none"}
        assert chosen(browser).agents[0] == "almond-oil"


def test_by_keyboard_alone_a_policy_is_changed_seen_and_saved(chromium: Chromium, tmp_path: Path) -> None:
    complaints: list[str] = []
    with a_desk(tmp_path) as (browser, address), chromium.new_context() as context:
        give(browser.services, "maud", a_visit(an_ear("grommet")), by="nurse")
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        sign_in(page, address)
        page.goto(f"{address}/aftercare")
        focus_with_tab(page, 'input[name="water.grommet"]')
        page.keyboard.press("ArrowDown")
        assert page.locator('input[name="water.grommet"]:checked').input_value() == "grommet-until-first-check"
        with page.expect_navigation():
            page.keyboard.press("Enter")
        page.wait_for_selector("text=Nothing is saved yet.")
        assert fits(page)
        focus_with_tab(page, 'button[value="save"]')
        page.keyboard.press("Enter")
        page.wait_for_url("**/aftercare?saved=yes")
        assert chosen(browser) == ClinicChoices(water={"grommet": "grommet-until-first-check"})
    assert complaints == []
