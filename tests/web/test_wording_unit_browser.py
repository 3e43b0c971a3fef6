"""The page of one sentence group in a real browser: tokens in one piece, without a script, and on small screens."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import Locator, Page
from web.following import follow
from web.staff_pages import PASSWORD
from web.test_choices_browser import fits
from web.test_wording_unit import Desk, a_desk, entry, history, typed
from werkzeug.serving import make_server

FIELD = "#text-any-0"


@contextmanager
def at_work(folder: Path) -> Iterator[tuple[Desk, str]]:
    browser = a_desk(folder)
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
    page.fill("#login", "lena")
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_function("!location.pathname.includes('sign-in')")


def settled(page: Page) -> None:
    """When the page has been told of the selection, which comes after the key, with the next picture."""
    page.evaluate(
        "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))))"
    )


def caret(field: Locator, start: int, end: int | None = None) -> None:
    field.focus()
    field.evaluate(
        "(field, [start, end]) => field.setSelectionRange(start, end)", [start, start if end is None else end]
    )
    settled(field.page)


def selected(field: Locator) -> tuple[int, int]:
    start, end = field.evaluate("(field) => [field.selectionStart, field.selectionEnd]")
    return int(start), int(end)


def write(field: Locator, text: str) -> None:
    field.fill(text)
    settled(field.page)


def test_a_token_in_the_field_behaves_as_one_piece(chromium: Chromium, tmp_path: Path) -> None:
    complaints: list[str] = []
    with at_work(tmp_path) as (_, address), chromium.new_context() as context:
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        sign_in(page, address)
        page.goto(f"{address}/wording/en/message.greeting")
        field = page.locator(FIELD)

        # The caret does not stop inside, and nothing is typed there.
        write(field, "Hello {name}, yes")
        caret(field, 9)
        assert selected(field)[0] in (6, 12)
        page.keyboard.type("X")
        assert field.input_value() in ("Hello X{name}, yes", "Hello {name}X, yes")

        # It is crossed in one step, both ways.
        write(field, "Hello {name}, yes")
        caret(field, 6)
        page.keyboard.press("ArrowRight")
        settled(page)
        assert selected(field) == (12, 12)
        page.keyboard.press("ArrowLeft")
        settled(page)
        assert selected(field) == (6, 6)

        # Taking away any of it takes all of it.
        for place, key in ((12, "Backspace"), (6, "Delete"), (12, "Control+Backspace"), (6, "Control+Delete")):
            write(field, "Hello {name}, yes")
            caret(field, place)
            page.keyboard.press(key)
            assert "name" not in field.input_value() and "{" not in field.input_value(), key
            assert field.input_value().startswith("Hello"), key
            assert field.input_value().endswith("yes"), key

        # A selection that touches it holds all of it.
        write(field, "Hello {name}, yes")
        caret(field, 2, 9)
        page.keyboard.type("y ")
        assert field.input_value() in ("Hey , yes", "Hey {name}, yes")
        write(field, "Hello {name}, yes")
        caret(field, 6)
        page.keyboard.press("Shift+ArrowRight")
        settled(page)
        assert selected(field) == (6, 12)
        page.keyboard.press("x")
        assert field.input_value() == "Hello x, yes"

        # Undo brings it back whole.
        page.keyboard.press("Control+z")
        assert "{name}" in field.input_value()

        # A button puts it in at the caret.
        write(field, "Hello , yes")
        caret(field, 6)
        page.get_by_role("button", name="Put in {name}: the reader’s name").click()
        assert field.input_value() == "Hello {name}, yes"
        assert selected(field) == (12, 12)
    assert complaints == []


def test_what_is_pasted_over_a_part_of_a_token_takes_all_of_it(chromium: Chromium, tmp_path: Path) -> None:
    with at_work(tmp_path) as (_, address), chromium.new_context() as context:
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/wording/en/message.greeting")
        field = page.locator(FIELD)
        write(field, "Hello {name}, yes")
        caret(field, 0, 5)
        page.keyboard.press("Control+c")
        caret(field, 8, 15)
        page.keyboard.press("Control+v")
        assert field.input_value() in ("Hello Helloes", "Hello {name}Helloes")  # whole, or not touched
        write(field, "Hello {name}, yes")
        caret(field, 10)
        page.keyboard.press("Control+v")
        assert field.input_value() in ("Hello {name}Hello, yes", "Hello Hello{name}, yes")


def test_without_a_script_and_by_keyboard_a_text_is_refused_mended_and_saved(
    chromium: Chromium,
    tmp_path: Path,
) -> None:
    with at_work(tmp_path) as (browser, address), chromium.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/wording/en/message.greeting")
        page.focus(FIELD)
        page.keyboard.press("Control+a")
        page.keyboard.type("Good day {nme},")
        for _ in range(10):
            page.keyboard.press("Tab")
            if page.locator("button.main:focus").count():
                break
        with page.expect_navigation():
            page.keyboard.press("Enter")
        assert page.locator("mark").first.inner_text().startswith("{nme}")
        assert page.locator(FIELD).input_value() == "Good day {nme},"
        page.fill(FIELD, "Good day {name},")
        follow(page.get_by_role("button", name="Save as a draft"))
        page.get_by_role("status").get_by_text("Saved as a draft.").wait_for()
        assert entry(browser.services, "en", "message.greeting").draft == {"any": ("Good day {name},",)}


@pytest.mark.parametrize("width", [320, 1280])
def test_nothing_scrolls_sideways(chromium: Chromium, tmp_path: Path, width: int) -> None:
    with (
        at_work(tmp_path) as (browser, address),
        chromium.new_context(viewport={"width": width, "height": 800}) as context,
    ):
        browser.clock.forward(minutes=1)
        browser.post("/wording/en/message.greeting/save", typed({"any": ("Dear {name},",)}, seen=_seen(browser)))
        one, other = history(browser.services, "en", "message.greeting")
        page = context.new_page()
        sign_in(page, address)
        for place in (
            "en/message.greeting",
            "pl/instil.drops",
            "ur/message.plan-given.text",
            f"en/message.greeting/compare?one={one.id}&other={other.id}",
            "ur/instil.drops/preview",
            "en/calendar.dose/preview",
        ):
            page.goto(f"{address}/wording/{place}")
            assert fits(page), place
        frame = page.goto(f"{address}/wording/ur/page.title/preview")
        assert frame is not None
        phone = page.frame_locator("iframe.phone").locator("main")
        assert phone.evaluate("(main) => main.ownerDocument.documentElement.scrollWidth") <= 320


def _seen(browser: Desk) -> str:
    shown = entry(browser.services, "en", "message.greeting")
    return shown.draft_digest or (shown.approved.digest if shown.approved is not None else "")
