"""Wording and its approval."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from builders import a_person, a_visit
from web.staff_pages import Browser, invented_urdu, signed_in

from service.delivery.dispatch import send_due
from service.planning.aftercare import give


def pinned(browser: Browser, language: str) -> str:
    found = re.search(r'name="pinned" value="([^"]+)"', browser.get(f"/wording/{language}").text)
    assert found is not None
    return found[1]


def test_a_lead_approves_a_language_in_their_name_and_it_is_sent_from_then_on(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, catalogs=invented_urdu(tmp_path))
    person = a_person(browser.services, language="ur")
    give(browser.services, person, a_visit(), by="nurse")
    send_due(browser.services, "worker")
    assert browser.recorder.sent[-1].message.language == "en"
    data = {"do": "all", "read": "yes", "pinned": pinned(browser, "ur")}
    assert browser.post("/wording/ur/approve", data).status_code == 302
    browser.clock.forward(minutes=5)
    give(browser.services, person, a_visit(), by="nurse")
    send_due(browser.services, "worker")
    assert browser.recorder.sent[-1].message.language == "ur"
    with browser.services.open_reading() as work:
        (line,) = [line for line in work.ledger.history("language:ur") if line.action == "wording-approved"]
    assert line.actor == "Wren Halloway (wren)"


def test_only_what_is_ticked_is_approved(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, approve=())
    page = browser.get("/wording/en?topic=page").text
    unit = re.search(r'name="unit" value="(page\.title\|[^"]+)"', page)
    assert unit is not None
    browser.post("/wording/en/approve", {"do": "chosen", "read": "yes", "unit": unit[1], "topic": "page"})
    with browser.services.open_reading() as work:
        assert {(language, name) for language, name, _ in work.ledger.approvals()} == {("en", "page.title")}


@pytest.mark.parametrize(
    "data",
    [
        {"do": "all"},  # not read
        {"do": "all", "read": "yes", "pinned": "0" * 64},  # another wording was shown
        {"do": "chosen", "read": "yes"},  # nothing ticked
        {"do": "chosen", "read": "yes", "unit": "page.title|0000"},  # another wording was shown
        {"do": "chosen", "read": "yes", "unit": "no.such.unit|"},
    ],
)
def test_wording_is_never_approved_unread_or_unseen(tmp_path: Path, data: dict[str, object]) -> None:
    browser = signed_in(tmp_path, approve=())
    assert browser.post("/wording/en/approve", data).status_code == 403
    with browser.services.open_reading() as work:
        assert work.ledger.approvals() == frozenset()


def test_a_clinician_who_is_not_the_lead_reads_and_cannot_approve(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "cleo", approve=())
    page = browser.get("/wording/en").text
    assert "Only the clinical lead can approve wording." in page
    assert 'name="unit"' not in page


def test_the_overview_counts_each_language(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, catalogs=invented_urdu(tmp_path))
    page = browser.get("/wording").text
    total = len(browser.services.pack.wording)
    assert f'<td data-label="approved">{total}</td><td data-label="draft">0</td>' in page  # English
    assert f'<td data-label="approved">0</td><td data-label="draft">{total}</td>' in page  # Urdu
    assert "nothing is sent in it" in page


def test_a_language_that_is_read_from_the_right_is_shown_so(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, catalogs=invented_urdu(tmp_path))
    page = browser.get("/wording/ur?topic=page").text
    assert '<td lang="ur" dir="rtl"><p>ترجمہ' in page
    assert "Your ear care plan" in page
    assert "clinical act" in page


def test_a_draft_language_is_named_on_the_discharge_page(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, catalogs=invented_urdu(tmp_path))
    person = a_person(browser.services, language="ur")
    page = browser.post(f"/people/{person}/discharge", {"right.findings": "wax-left", "do": "propose"}).text
    assert "everything goes out in <b>English</b>" in page
    data = {"do": "all", "read": "yes", "pinned": pinned(browser, "ur")}
    browser.post("/wording/ur/approve", data)
    page = browser.post(f"/people/{person}/discharge", {"right.findings": "wax-left", "do": "propose"}).text
    assert "everything goes out in" not in page
    assert '<article class="paper" lang="ur" dir="rtl"' in page
    assert "alphabet UCS2, because of “ت”" in page


def test_unknown_languages_and_topics_get_a_plain_page(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    assert browser.get("/wording/xx").status_code == 404
    assert browser.get("/wording/en?topic=none").status_code == 404
    assert browser.post("/wording/xx/approve", {"read": "yes", "do": "all"}).status_code == 404
