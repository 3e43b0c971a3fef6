"""The staff pages in a real browser: by keyboard alone, without JavaScript, and on a small screen."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from builders import a_person
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Page
from web.following import follow
from web.staff_pages import PASSWORD, Browser, a_browser
from werkzeug.serving import make_server

from service.domain.plan import Plan

COMMON_TICKS = ("Space", "m", "Space", "ArrowRight", "n", "Space")
"""Hard wax cleared, microsuction, over to the left ear, normal."""
COMMON_KEYS = (*COMMON_TICKS, "Enter", "Control+Enter")
"""... then propose, and give."""


@contextmanager
def a_desk(folder: Path) -> Iterator[tuple[Browser, str]]:
    """The service on a free port of this machine, with one person in the record."""
    browser = a_browser(folder, demo_page=True)
    a_person(browser.services)
    # One request at a time: the database of these tests is one connection.
    server = make_server("127.0.0.1", 0, browser.client.application)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield browser, f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def sign_in(page: Page, address: str) -> None:
    page.goto(f"{address}/sign-in")
    page.fill("#login", "wren")
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/people")


def tick_the_common_visit(page: Page) -> None:
    """By keyboard on the form, once its first box has the focus: who types sees where."""
    page.wait_for_selector("[autofocus]:focus")
    for key in COMMON_TICKS:
        page.keyboard.press(key)


def propose(page: Page) -> None:
    """Enter, until the next page stands with its proposal and its script."""
    with page.expect_navigation():
        page.keyboard.press("Enter")
    page.wait_for_selector("#give")


def given(browser: Browser) -> list[Plan]:
    with browser.services.open_reading() as work:
        return [stored.plan for stored in work.plans.of_person("maud")]


def test_the_common_discharge_takes_fewer_than_twelve_keys(chromium: Chromium, tmp_path: Path) -> None:
    with (
        a_desk(tmp_path) as (browser, address),
        chromium.new_context(viewport={"width": 1366, "height": 768}) as context,
    ):
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud/discharge")
        tick_the_common_visit(page)
        propose(page)
        page.keyboard.press(COMMON_KEYS[-1])
        page.wait_for_url("**/given*")
        (plan,) = given(browser)
    assert len(COMMON_KEYS) < 12
    assert {side: ear.findings for side, ear in plan.ears.items()} == {
        "right": ("hard-wax-cleared",),
        "left": ("normal",),
    }


def test_enter_proposes_however_often_it_is_pressed_and_never_gives(chromium: Chromium, tmp_path: Path) -> None:
    with a_desk(tmp_path) as (browser, address), chromium.new_context() as context:
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud/discharge")
        page.wait_for_selector("[autofocus]:focus")
        page.keyboard.press("Space")
        propose(page)
        page.focus("#next_appointment_time")
        propose(page)
        assert given(browser) == []


def test_without_javascript_five_clicks_give_the_common_plan(chromium: Chromium, tmp_path: Path) -> None:
    with a_desk(tmp_path) as (browser, address), chromium.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud/discharge")
        for name, label in (("right", "Hard wax, cleared"), ("right", "Microsuction"), ("left", "Normal ear")):
            page.locator(f'fieldset[data-ear="{name}"]').get_by_text(label, exact=True).click()
        follow(page.get_by_role("button", name="Propose plan").last)
        follow(page.get_by_role("button", name="Give this plan"))
        page.wait_for_url("**/given*")
        assert len(given(browser)) == 1


@pytest.mark.parametrize("place", ["/sign-in", "/people", "/people/new", "/people/maud", "/people/maud/discharge",
                                   "/attention", "/outgoing", "/wording", "/wording/en", "/demo"])  # fmt: skip
def test_no_page_scrolls_sideways_on_a_phone_and_none_complains(chromium: Chromium, tmp_path: Path, place: str) -> None:
    complaints: list[str] = []
    with a_desk(tmp_path) as (_, address), chromium.new_context(viewport={"width": 390, "height": 844}) as context:
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        sign_in(page, address)
        page.goto(f"{address}{place}")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert page.evaluate("new Set([...document.querySelectorAll('[id]')].map((e) => e.id)).size") == page.evaluate(
            "document.querySelectorAll('[id]').length"
        )
    assert complaints == []
