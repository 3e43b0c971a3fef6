"""What the tests in a real browser share: the system's Chromium, and signing in on it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser as Chromium
from playwright.sync_api import sync_playwright


@pytest.fixture(scope="module")
def chromium() -> Iterator[Chromium]:
    """The system's Chromium, without a window; one for each module, in a context of its own for each test."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        browser.on("context", lambda context: context.set_default_timeout(120_000))  # no test asserts a time
        yield browser
        browser.close()
