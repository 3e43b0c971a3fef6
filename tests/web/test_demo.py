"""The demo's tray and its clock."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, time, timedelta
from io import BytesIO
from pathlib import Path

import pytest
from builders import a_contact, a_visit, some_settings
from flask.testing import FlaskClient
from pypdf import PdfReader
from web.staff_pages import PASSWORD, signed_in

from service.domain.contact import Channel
from service.planning.aftercare import give
from service.planning.appointments import book
from service.planning.approving import approve_language
from service.planning.people import add_person
from service.planning.staffing import add_member
from service.services import Services
from service.web.app import create_app
from service.wiring import build


def a_demo(folder: Path) -> tuple[Services, FlaskClient]:
    """A demo on the pretend clock, with a person who gets texts and one who gets letters."""
    settings = some_settings(folder, demo_page=True, pretend_clock=True)
    settings = replace(settings, clinic=replace(settings.clinic, quiet_from=settings.clinic.quiet_to))  # no quiet hours
    services = build(settings)
    approve_language(services, "en", "Dr Wren Halloway", reason="for a test")
    visit = a_visit(on=services.day_of(services.clock.now()))
    for name, channel in (("Maud Ellery", Channel.TEXT), ("Arthur Penhaligon", Channel.LETTER)):
        contact = a_contact(name=name, given_name=name.split()[0], channels=(channel,))
        give(services, add_person(services, name, date(1948, 3, 2), contact, "test").id, visit, by="nurse")
    app = create_app(services, settings)
    app.testing = True
    return services, app.test_client()


def wind(client: FlaskClient, to: str) -> str:
    token = re.search(r'name="form-token" value="([^"]+)"', client.get("/demo").text)
    assert token is not None
    answer = client.post("/demo/clock", data={"to": to, "form-token": token[1]}, follow_redirects=True)
    assert answer.status_code == 200
    return answer.text


def test_anybody_may_look_at_the_tray_and_is_told_that_it_is_a_demo(tmp_path: Path) -> None:
    _, client = a_demo(tmp_path)
    page = client.get("/demo").text
    assert "This is a demonstration." in page
    assert "Nothing leaves this machine" in page
    assert "Nothing has gone out yet." in page


def test_winding_to_the_next_message_puts_it_on_the_tray_with_a_link_that_works(tmp_path: Path) -> None:
    _, client = a_demo(tmp_path)
    page = wind(client, "message")
    link = re.search(r'href="https://larkfield\.example(/p/[^"]+)"', page)
    assert link is not None
    assert client.get(link[1]).status_code == 200


def test_a_letter_is_on_the_tray_as_a_pdf(tmp_path: Path) -> None:
    _, client = a_demo(tmp_path)
    place = re.search(r'href="(/demo/letters/[^"]+)"', wind(client, "message"))
    assert place is not None
    assert client.get(place[1]).data.startswith(b"%PDF")


def test_a_month_goes_by_and_nothing_is_dropped_as_too_late(tmp_path: Path) -> None:
    services, client = a_demo(tmp_path)
    before = services.clock.now()
    wind(client, "month")
    assert services.clock.now() >= before + timedelta(days=30)
    with services.open_reading() as work:
        counts, next_look = work.messages.counts(), work.messages.next_look()
    assert set(counts) == {("sent", None), ("pending", None)}
    assert next_look is not None and next_look > services.clock.now(), "what waits is an invitation of a later month"


def test_the_clock_is_not_wound_by_another_site_or_without_the_forms_token(tmp_path: Path) -> None:
    services, client = a_demo(tmp_path)
    client.get("/demo")
    assert client.post("/demo/clock", data={"to": "month"}).status_code == 403
    token = re.search(r'name="form-token" value="([^"]+)"', client.get("/demo").text)
    assert token is not None
    crossed = client.post(
        "/demo/clock", data={"to": "month", "form-token": token[1]}, headers={"Sec-Fetch-Site": "cross-site"}
    )
    assert crossed.status_code == 403
    with services.open_reading() as work:
        assert work.ledger.fact("clock-ahead-seconds") is None


def test_winding_the_clock_signs_nobody_out(tmp_path: Path) -> None:
    services, client = a_demo(tmp_path)
    add_member(services, "wren", "Wren Halloway", frozenset({"clinician"}), PASSWORD, by="test")
    token = re.search(r'name="form-token" value="([^"]+)"', client.get("/sign-in").text)
    assert token is not None
    client.post("/sign-in", data={"login": "wren", "password": PASSWORD, "form-token": token[1]})
    wind(client, "week")
    assert client.get("/people").status_code == 200


@pytest.mark.parametrize("to", ["", "century"])
def test_the_clock_is_wound_by_what_is_on_the_page_only(tmp_path: Path, to: str) -> None:
    _, client = a_demo(tmp_path)
    token = re.search(r'name="form-token" value="([^"]+)"', client.get("/demo").text)
    assert token is not None
    assert client.post("/demo/clock", data={"to": to, "form-token": token[1]}).status_code == 403


def test_without_the_demo_setting_there_is_no_tray(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    assert browser.get("/demo").status_code == 404
    assert 'href="/demo"' not in browser.get("/people").text


def test_on_the_real_clock_the_tray_shows_and_winds_nothing(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, demo_page=True)
    page = browser.get("/demo").text
    assert "runs on the real clock" in page


def test_a_later_letter_is_its_words_and_not_the_plan_once_more(tmp_path: Path) -> None:
    services, client = a_demo(tmp_path)
    wind(client, "message")
    with services.open_reading() as work:
        (stored,) = [
            each for person in work.people.search("arthur", limit=5) for each in work.plans.of_person(person.id)
        ]
    on = services.day_of(services.clock.now()) + timedelta(days=20)
    book(services, stored.id, (on, time(10)), "test")
    page = wind(client, "message")
    letters = re.findall(r'href="(/demo/letters/[^"]+)"', page)
    words = [PdfReader(BytesIO(client.get(place).data)).pages[0].extract_text() for place in letters]
    assert any("appointment is booked" in " ".join(each.split()) for each in words)
