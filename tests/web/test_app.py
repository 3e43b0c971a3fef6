"""What every page of the staff side has: a title, a language, headers that let nothing in from outside."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from builders import a_person, a_visit
from web.staff_pages import Browser, signed_in

from service.planning.aftercare import give

PAGES = (
    "/people",
    "/people?q=maud",
    "/people/new",
    "/people/{person}",
    "/people/{person}/contact",
    "/people/{person}/discharge",
    "/plans/{plan}/given",
    "/attention",
    "/outgoing",
    "/wording",
    "/wording/en",
    "/wording/en?topic=warning",
    "/demo",
    "/sign-in",
)
LOADED = re.compile(r'(?:src|href|action)="((?:https?:)?//[^"]+)"')


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    found = signed_in(tmp_path, demo_page=True)
    person = a_person(found.services)
    give(found.services, person, a_visit(), by="nurse")
    return found


def filled(browser: Browser, place: str) -> str:
    with browser.services.open_reading() as work:
        (plan,) = work.plans.of_person("maud")
    return place.format(person="maud", plan=plan.id)


@pytest.mark.parametrize("place", PAGES)
def test_every_page_has_a_title_a_language_and_a_main_part(browser: Browser, place: str) -> None:
    answer = browser.get(filled(browser, place))
    assert answer.status_code == 200
    assert answer.text.startswith('<!doctype html>\n<html lang="en">')
    assert re.search(r"<title>\S[^<]*tragus</title>", answer.text)
    assert answer.text.count("<main") == 1
    assert answer.text.count("<h1") == 1


@pytest.mark.parametrize("place", PAGES)
def test_every_page_lets_nothing_in_from_outside_and_is_never_kept(browser: Browser, place: str) -> None:
    answer = browser.get(filled(browser, place))
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert not [link for link in LOADED.findall(answer.text) if not link.startswith("https://larkfield.example/p/")]
    assert " style=" not in answer.text and " onclick=" not in answer.text
    for nonce in re.findall(r"<script([^>]*)>", answer.text):
        assert nonce.removeprefix(' nonce="').rstrip('"') in policy


@pytest.mark.parametrize("place", PAGES)
def test_every_box_and_field_has_a_name_that_can_be_heard(browser: Browser, place: str) -> None:
    page = browser.get(filled(browser, place)).text
    labelled = set(re.findall(r'<label[^>]* for="([^"]+)"', page))
    outside = re.sub(r"<label.*?</label>", "", page, flags=re.DOTALL)
    for field in re.findall(r"<(?:input|select|textarea)[^>]*>", outside):
        if 'type="hidden"' in field or "aria-label=" in field:
            continue
        found = re.search(r' id="([^"]+)"', field)
        assert found is not None and found[1] in labelled, field


def test_what_a_person_typed_is_shown_as_text_and_never_run(browser: Browser) -> None:
    a_person(browser.services, "eve", name='<script>alert("x")</script>', given_name="<b>Eve</b>")
    for place in ("/people", "/people/eve", "/people/eve/discharge", "/people/eve/contact"):
        assert "<script>alert" not in browser.get(place).text


def test_a_page_that_is_not_there_is_a_plain_page_with_the_same_headers(browser: Browser) -> None:
    answer = browser.get("/no-such-page")
    assert answer.status_code == 404
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
