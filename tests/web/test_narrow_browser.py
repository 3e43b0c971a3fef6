"""Staff pages in a real browser, narrow and wide: no word is broken in two, and what belongs together stands in line."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser as Chromium
from web.following import follow
from web.test_staff_browser import a_desk, sign_in


@pytest.mark.parametrize("width", [360, 1280])
def test_what_a_rule_did_is_one_unbroken_word(chromium: Chromium, tmp_path: Path, width: int) -> None:
    with a_desk(tmp_path) as (_, address), chromium.new_context(viewport={"width": width, "height": 900}) as context:
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud/discharge")
        page.check('input[name="right.findings"][value="wax-left"]')
        follow(page.get_by_role("button", name="Propose plan").last)
        effects = page.locator(".caution .effect")
        assert "Changed" in effects.all_inner_texts(), "the longest of these words"
        lines = effects.evaluate_all(
            """all => all.map(each => { const range = document.createRange(); range.selectNodeContents(each);
               return new Set([...range.getClientRects()].map(box => Math.round(box.top))).size; })"""
        )
        assert set(lines) == {1}


def test_a_fact_of_the_record_stands_under_its_name(chromium: Chromium, tmp_path: Path) -> None:
    with a_desk(tmp_path) as (_, address), chromium.new_context(viewport={"width": 1280, "height": 900}) as context:
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud")
        lefts = page.locator(".facts dl > div").evaluate_all(
            "all => all.map(each => [...each.children].map(one => Math.round(one.getBoundingClientRect().left)))"
        )
        assert len(lefts) > 5
        assert all(name == fact for name, fact in lefts)
