"""The two pictures of the README, taken from the running service.

They go to tests/output/; `TRAGUS_PICTURES=.pictures tests/run tests/web/test_pictures.py` renews the README's own.
"""

from __future__ import annotations

import os
from pathlib import Path

from builders import a_visit, an_ear
from PIL import Image
from playwright.sync_api import Browser as Chromium
from web.test_staff_browser import a_desk, propose, sign_in, tick_the_common_visit

from service.links import token_of
from service.planning.aftercare import give

ROOT = Path(__file__).resolve().parents[2]
PLACE = ROOT / os.environ.get("TRAGUS_PICTURES", "tests/output")


def worth_seeing(place: Path) -> bool:
    """Whether a picture has something on it: many shades, and more than one colour over most rows."""
    with Image.open(place) as picture:
        return len(picture.convert("RGB").getcolors(maxcolors=1 << 24) or []) > 50


def test_the_discharge_page_with_its_proposal(chromium: Chromium, tmp_path: Path) -> None:
    PLACE.mkdir(parents=True, exist_ok=True)
    with (
        a_desk(tmp_path) as (_, address),
        chromium.new_context(viewport={"width": 1366, "height": 900}) as context,
    ):
        page = context.new_page()
        sign_in(page, address)
        page.goto(f"{address}/people/maud/discharge")
        tick_the_common_visit(page)
        page.screenshot(path=PLACE / "discharge.png")
        propose(page)
        page.screenshot(path=PLACE / "proposal.png")
    assert worth_seeing(PLACE / "discharge.png")
    assert worth_seeing(PLACE / "proposal.png")


def test_the_patients_page_on_a_phone(chromium: Chromium, tmp_path: Path) -> None:
    PLACE.mkdir(parents=True, exist_ok=True)
    with (
        a_desk(tmp_path) as (browser, address),
        chromium.new_context(viewport={"width": 390, "height": 844}) as context,
    ):
        services = browser.services
        give(services, "maud", a_visit(an_ear("wax-left"), an_ear("grommet")), by="nurse")
        with services.open_reading() as work:
            link_id = work.links.live_id("maud")
        assert link_id is not None
        page = context.new_page()
        page.goto(f"{address}/p/{token_of(services.secret_key, link_id)}")
        page.screenshot(path=PLACE / "patient.png")
    assert worth_seeing(PLACE / "patient.png")
