"""Following a link or a button in a real browser."""

from __future__ import annotations

from playwright.sync_api import Locator


def follow(target: Locator) -> None:
    """Click, until the page that this asks for stands whole. A click alone waits for nothing: what is read right after it
    may be the page before, a half of the next one, or the database in the midst of the request."""
    with target.page.expect_navigation():
        target.click()
