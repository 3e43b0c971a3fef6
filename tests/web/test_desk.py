"""Finding, adding and correcting people; the attention list."""

from __future__ import annotations

from pathlib import Path

from builders import a_person, a_visit
from web.staff_pages import FULL, signed_in

from service.delivery.dispatch import send_due
from service.domain.message import MessageKind, State
from service.planning.aftercare import give


def test_people_are_found_by_any_part_of_their_name_and_by_birth(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    a_person(browser.services)
    a_person(browser.services, "arthur", name="Arthur Penhaligon")
    found = browser.get("/people?q=pen+arth").text
    assert "Arthur Penhaligon" in found and "Maud Ellery" not in found
    assert "Maud Ellery" in browser.get("/people?q=1948-03-02").text
    assert "Nobody is found" in browser.get("/people?q=%25").text


def test_a_person_is_added_by_the_desk(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    answer = browser.post("/people/new", dict(FULL))
    assert answer.status_code == 302
    page = browser.get(answer.location).text
    assert "Maud Ellery" in page and "+447700900123" in page


def test_a_slip_in_the_form_keeps_everything_typed_and_adds_nobody(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    page = browser.post("/people/new", {**FULL, "email": "maud@", "guardian": "Ines “Nan” Ellery"})
    assert page.status_code == 422
    assert "This is not a usable e-mail address" in page.text
    assert "Ines “Nan” Ellery" in page.text and "07700 900123" in page.text
    with browser.services.open_reading() as work:
        assert work.people.search("") == []


def test_a_corrected_zone_moves_what_is_unsent_and_keeps_what_the_person_decided(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    give(browser.services, person, a_visit(), by="nurse")
    browser.post(f"/people/{person}/contact", {**FULL, "zone": "America/New_York"})
    with browser.services.open_reading() as work:
        contact = work.people.get(person).contact
        doses = [m for m in work.messages.of_person(person) if m.planned.kind is MessageKind.DOSE and not m.superseded]
    assert contact.zone == "America/New_York"
    assert doses and {m.planned.zone for m in doses} == {"America/New_York"}


def test_what_needs_a_person_is_listed_until_somebody_did_it(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    person = a_person(browser.services, channels=())
    give(browser.services, person, a_visit(), by="nurse")
    listed = browser.get("/attention").text
    assert "Maud Ellery" in listed and "No agreed way to reach the person." in listed
    with browser.services.open_reading() as work:
        (entry,) = work.ledger.attention()
    assert browser.post(f"/attention/{entry.id}/done").status_code == 302
    assert "Nothing needs a person now." in browser.get("/attention").text
    assert browser.post("/attention/999/done").status_code == 404


def test_unapproved_wording_is_not_sent_and_the_desk_is_told(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, approve=())
    person = a_person(browser.services)
    give(browser.services, person, a_visit(), by="nurse")
    send_due(browser.services, "worker")
    assert browser.recorder.sent == []
    assert "Its wording is not approved" in browser.get("/attention").text
    with browser.services.open_reading() as work:
        assert State.DROPPED in {m.state for m in work.messages.of_person(person)}
