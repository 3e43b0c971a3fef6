"""The page of letters: print, post, and what must not be posted."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path

from planning.letter_desk import a_letter
from pypdf import PdfReader
from web.staff_pages import Browser, signed_in

from service.domain.contact import Channel
from service.transports.printed import PrintedTransport


def a_desk(folder: Path, login: str = "dina") -> Browser:
    """A browser at a clinic that prints its letters."""
    browser = signed_in(folder, login)
    browser.services.transports = {Channel.LETTER: PrintedTransport(folder / "letters")}
    return browser


def batch_of(page: str) -> str:
    found = re.search(r'id="batch-(\w+)"', page)
    assert found is not None
    return found[1]


def test_the_page_is_in_the_navigation_and_only_for_staff(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    page = browser.get("/letters").text
    assert '<a href="/letters" aria-current="page">Letters</a>' in page
    assert "No letter waits." in page and "No batch was made yet." in page
    browser.client.delete_cookie("tragus-staff")
    assert browser.get("/letters").status_code == 302
    assert browser.get("/letters/batches/abc.pdf").status_code == 302


def test_the_ticked_letters_become_a_batch_that_is_opened_and_posted(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    maud = a_letter(browser.services)
    arthur = a_letter(browser.services, "arthur", name="Arthur Penhaligon")
    page = browser.get("/letters").text
    assert page.count('type="checkbox"') == 2 and page.count(" checked") == 2
    answer = browser.post("/letters/batches", {"letter": [maud, arthur]})
    page = browser.get("/letters").text
    batch = batch_of(page)
    assert answer.location.endswith(f"/letters#batch-{batch}")
    assert "2 letters, 0 posted" in page and 'type="checkbox"' not in page
    pdf = browser.get(f"/letters/batches/{batch}.pdf")
    assert pdf.mimetype == "application/pdf"
    assert "Letter 2 of 2" in "".join(p.extract_text() for p in PdfReader(io.BytesIO(pdf.data)).pages)
    names = PdfReader(io.BytesIO(browser.get(f"/letters/batches/{batch}/list.pdf").data)).pages[0].extract_text()
    assert "Maud Ellery" in names and "Arthur Penhaligon" in names
    browser.post(f"/letters/{maud}/posted", {"back": f"batch-{batch}"})
    assert "2 letters, 1 posted" in browser.get("/letters").text
    browser.post(f"/letters/{maud}/not-posted")
    assert "2 letters, 0 posted" in browser.get("/letters").text
    browser.press_twice(f"/letters/batches/{batch}/posted")
    page = browser.get("/letters").text
    assert "2 letters, 2 posted" in page and "All posted" not in page and "by Dina Marsh (dina)" in page
    assert "delivered" not in page.lower()


def test_all_posted_asks_first_names_the_letters_and_asks_again_when_they_are_others_by_now(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    letters = [a_letter(browser.services), a_letter(browser.services, "arthur", name="Arthur <i>Penhaligon</i>")]
    browser.post("/letters/batches", {"letter": letters})
    place = f"/letters/batches/{batch_of(browser.get('/letters').text)}/posted"
    asking = browser.post(place)
    assert "Yes, 2 letters were posted" in asking.text
    assert "Maud Ellery" in asking.text and "Arthur &lt;i&gt;Penhaligon" in asking.text
    mark = re.search(r'name="sure" value="(\w+)"', asking.text)
    assert mark is not None
    assert "2 letters, 0 posted" in browser.get("/letters").text, "the first press changes nothing"
    browser.post(f"/letters/{letters[0]}/posted")
    again = browser.post(place, {"sure": mark[1]})
    assert "changed in the meantime" in again.text and "Yes, 1 letter was posted" in again.text
    assert "1 other letter of this batch" in again.text
    assert "2 letters, 1 posted" in browser.get("/letters").text
    assert browser.post("/letters/batches/none/posted").status_code == 404


def test_nothing_ticked_is_said_in_a_sentence(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    a_letter(browser.services)
    answer = browser.post("/letters/batches")
    assert answer.status_code == 403 and "no letter is ticked: tick the letters to print" in answer.text


def test_a_second_press_makes_no_second_batch(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    letter = a_letter(browser.services)
    browser.post("/letters/batches", {"letter": letter})
    answer = browser.post("/letters/batches", {"letter": letter})
    assert answer.status_code == 403 and "it is in another batch or was posted" in answer.text
    assert browser.get("/letters").text.count('id="batch-') == 1


def test_a_form_from_elsewhere_changes_nothing(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    letter = a_letter(browser.services)
    for place in ("/letters/batches", f"/letters/{letter}/posted", f"/letters/{letter}/not-posted"):
        assert browser.client.post(place, data={"letter": letter}).status_code == 403
    assert "No batch was made yet." in browser.get("/letters").text


def test_a_letter_to_somebody_who_died_is_shown_apart_with_the_reason(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    letter = a_letter(browser.services)
    with browser.services.open_work() as work:
        person = work.people.get("maud")
        died = browser.clock.now().date()
        work.people.save(replace(person, contact=replace(person.contact, died=died)))
        work.commit()
    page = browser.get("/letters").text
    assert "Left out: do not post" in page and "The person has died." in page and 'type="checkbox"' not in page
    assert browser.post(f"/letters/{letter}/posted").status_code == 403


def test_a_late_letter_is_not_ticked_beforehand(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    letter = a_letter(browser.services)
    with browser.services.open_reading() as work:
        browser.clock.at = work.messages.get(letter).planned.last_useful
    browser.clock.forward(minutes=1)
    assert browser.sign_in("dina").status_code == 302
    page = browser.get("/letters").text
    assert "<b>Late.</b>" in page and 'type="checkbox"' in page and " checked" not in page


def test_a_clinic_whose_letters_are_printed_elsewhere_is_told_so(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    assert "no transport that prints is set up" in browser.get("/letters").text


def test_a_name_is_text_and_never_markup(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    a_letter(browser.services, name="Maud <b>Ellery</b>")
    assert "Maud &lt;b&gt;Ellery&lt;/b&gt;" in browser.get("/letters").text
