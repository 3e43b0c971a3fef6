"""Every staff page that shows a person puts the look on record: a list one line for all it shows, and not at each
refresh."""

from __future__ import annotations

import io
from datetime import timedelta
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from planning.letter_desk import a_letter
from pypdf import PdfReader
from web.staff_pages import Browser, signed_in
from web.test_choices import filled, post, with_changes
from web.test_letters import a_desk
from werkzeug.test import TestResponse

from service.errors import DatabaseAwayError
from service.planning.aftercare import give
from service.planning.posting import make_batch
from service.storage.looks import Looks
from service.storage.records import Audit
from service.web.looked import AGAIN_AFTER, LOOKS

DINA = "Dina Marsh (dina)"
CAVITY = a_visit(an_ear("mastoid-cavity"))


def looks(browser: Browser, person: str) -> list[Audit]:
    with browser.services.open_reading() as work:
        return work.looks.at(person, 500, LOOKS)


def listed(browser: Browser, person: str, action: str) -> list[Audit]:
    return [line for line in looks(browser, person) if line.action == action]


def lines(browser: Browser, subject: str) -> list[Audit]:
    with browser.services.open_reading() as work:
        return work.ledger.history(subject)


def later(browser: Browser, login: str = "dina") -> None:
    browser.clock.forward(seconds=AGAIN_AFTER.total_seconds() + 1)
    browser.sign_in(login)


def test_one_look_at_the_recall_board_is_one_line_that_names_everybody_shown(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    for person in ("maud", "ned", "zoe"):
        give(browser.services, a_person(browser.services, person), CAVITY, by="nurse")
    assert lines(browser, "list:recall-listed") == []
    browser.get("/recall")
    (line,) = lines(browser, "list:recall-listed")
    assert line.actor == DINA and line.detail == {"people": ["maud", "ned", "zoe"]}
    assert looks(browser, "maud") == looks(browser, "ned") == [line]
    browser.get("/recall?standing=overdue")
    assert len(lines(browser, "list:recall-listed")) == 1, "an empty list shows nobody"
    later(browser)
    browser.get("/recall?standing=due")
    assert len(looks(browser, "ned")) == 2
    assert browser.get("/people/ned").text.partition("Who looked")[2].count("saw them on a list of recalls") == 2


def test_the_list_of_people_names_whom_it_shows_and_a_search_names_only_who_is_new(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services)
    a_person(browser.services, "arthur", name="Arthur Penhaligon")
    for words in ("a", "ar", "art", "arth", "arth"):  # as if it were sent at every letter
        browser.get(f"/people?q={words}")
    people = [line.detail["people"] for line in reversed(lines(browser, "list:people-listed"))]
    assert people == [["arthur", "maud"]], "both have an a in the name; the rest of the word finds nobody new"
    browser.get("/people?q=nobody-at-all")
    a_person(browser.services, "ned", name="Ned Marsh")
    browser.get("/people")
    assert lines(browser, "list:people-listed")[0].detail["people"] == ["ned"]
    browser.sign_in("cleo")
    browser.get("/people?q=arth")
    newest = lines(browser, "list:people-listed")[0]
    assert (newest.actor, newest.detail["people"]) == ("Cleo Byrne (cleo)", ["arthur"])
    assert [line.actor for line in listed(browser, "arthur", "people-listed")] == ["Cleo Byrne (cleo)", DINA]
    shown = browser.get("/people/arthur").text.partition("Who looked")[2]
    assert shown.count("saw them on the list of people") == 2


def test_a_list_that_stays_open_is_on_record_again_after_a_while(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services)
    browser.get("/people")
    for _ in range(3):
        browser.clock.forward(minutes=10)
        browser.get("/people")
    assert len(listed(browser, "maud", "people-listed")) == 1, "to the end of the half hour"
    browser.clock.forward(seconds=1)
    browser.get("/people")
    first, second = reversed(listed(browser, "maud", "people-listed"))
    assert second.at - first.at == AGAIN_AFTER + timedelta(seconds=1)


def test_the_attention_list_names_whom_it_shows(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    for person in ("maud", "ned", "zoe"):
        a_person(browser.services, person)
    browser.get("/attention")
    assert lines(browser, "list:attention-listed") == []
    with browser.services.open_work() as work:
        work.ledger.ask("maud", "reply-warning", browser.clock.now(), detail="it bleeds")
        work.ledger.ask("ned", "language", browser.clock.now())
        work.ledger.ask("ned", "stop-unsure", browser.clock.now())
        work.commit()
    browser.get("/attention")
    browser.get("/attention")
    (line,) = lines(browser, "list:attention-listed")
    assert line.detail == {"people": ["maud", "ned"]}
    assert looks(browser, "zoe") == []
    with browser.services.open_work() as work:
        work.ledger.ask("zoe", "language", browser.clock.now())
        work.commit()
    browser.get("/attention")
    assert [line.detail["people"] for line in lines(browser, "list:attention-listed")] == [["zoe"], ["maud", "ned"]]


def test_letters_and_what_is_printed_of_them_name_whom_they_are_for(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    letters = [a_letter(browser.services), a_letter(browser.services, "arthur", name="Arthur Penhaligon")]
    a_person(browser.services, "zoe")
    browser.get("/letters")
    (line,) = lines(browser, "list:letters-listed")
    assert line.detail == {"people": ["arthur", "maud"]}
    batch = make_batch(browser.services, DINA, letters)
    for number in (1, 2):
        browser.get(f"/letters/batches/{batch}.pdf")
        browser.get(f"/letters/batches/{batch}/list.pdf")
        assert len(listed(browser, "arthur", "letter-batch-opened")) == number, "what is printed leaves the house"
        assert len(listed(browser, "maud", "letter-list-opened")) == number
    assert looks(browser, "zoe") == []
    later(browser)
    assert "Arthur Penhaligon" in browser.post(f"/letters/batches/{batch}/posted").text
    assert len(listed(browser, "arthur", "letters-listed")) == 2
    shown = browser.get("/people/maud").text.partition("Who looked")[2]
    assert shown.count("opened a batch with a letter to them") == 2


def test_visits_that_are_planned_anew_are_a_look_at_who_had_them(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    give(browser.services, a_person(browser.services), a_visit(an_ear("grommet")), by="nurse")
    give(browser.services, a_person(browser.services, "ned"), a_visit(an_ear("normal")), by="nurse")
    sent = with_changes(filled(browser.get("/aftercare").text), **{"water.grommet": "grommet-none"})
    assert "/people/maud" in post(browser, sent, "see").text
    assert [line.actor for line in listed(browser, "maud", "visits-replanned")] == ["Wren Halloway (wren)"]
    assert listed(browser, "ned", "visits-replanned") == [], "the same plan is counted, and not shown"


def test_a_question_that_names_a_person_is_a_look_at_the_record(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services)
    assert "Maud Ellery" in browser.post("/people/maud/left", {"do": "withdrawn", "part": "consent"}).text
    assert [line.actor for line in listed(browser, "maud", "record-viewed")] == [DINA]


def test_a_list_that_cannot_be_put_on_record_is_not_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services)

    def away(*_: object, **__: object) -> None:
        raise DatabaseAwayError("the disk is full")

    monkeypatch.setattr(Looks, "note", away)
    page = browser.get("/people")
    assert page.status_code == 503 and "Maud" not in page.text
    monkeypatch.undo()
    assert "Maud" in browser.get("/people").text


def words_of(page: TestResponse) -> str:
    if page.mimetype == "application/pdf":
        return " ".join(each.extract_text() for each in PdfReader(io.BytesIO(page.data)).pages)
    return page.text


def test_no_page_for_staff_shows_a_person_without_a_line_about_it(tmp_path: Path) -> None:
    """Opens every page that staff can open by its address, one after another, with everything that has a page: whoever
    adds one that shows a person finds out here."""
    browser = a_desk(tmp_path, "wren")
    message = a_letter(browser.services)
    batch = make_batch(browser.services, DINA, [message])
    give(browser.services, "maud", CAVITY, by="Wren Halloway (wren)")
    with browser.services.open_work() as work:
        work.ledger.ask("maud", "language", browser.clock.now(), message_id=message)
        plan, recall = work.plans.current("maud"), work.recalls.newest_of("maud")
        work.commit()
    assert plan is not None and recall is not None
    known = {
        "person_id": "maud",
        "plan_id": plan.id,
        "recall_id": recall.id,
        "message_id": message,
        "batch_id": batch,
        "language": "en",
        "unit_id": "page.undo",
    }

    def on_record() -> int:
        with browser.services.open_reading() as work:
            return len(work.looks.at("maud", 500, LOOKS)) + len(work.ledger.history(plan.id))

    app, shown, silent = browser.client.application, [], []
    for rule in app.url_map.iter_rules():
        if "GET" not in (rule.methods or ()) or not hasattr(app.view_functions[rule.endpoint], "__wrapped__"):
            continue  # a page for patients, or a file
        place, before = rule.rule, on_record()
        for name in rule.arguments:
            place = place.replace(f"<{name}>", known[name])
        page = browser.get(place)
        assert page.status_code < 500, place
        if "Ellery" in words_of(page):
            shown.append(rule.rule)
            if on_record() == before:
                silent.append(rule.rule)
    assert silent == []
    assert {
        "/attention",
        "/letters",
        "/letters/batches/<batch_id>.pdf",
        "/letters/batches/<batch_id>/list.pdf",
        "/messages/<message_id>",
        "/outgoing",
        "/people",
        "/people/<person_id>",
        "/people/<person_id>/contact",
        "/people/<person_id>/discharge",
        "/plans/<plan_id>/given",
        "/recall",
        "/recall/<recall_id>",
    } <= set(shown)
    with browser.services.open_reading() as work:
        assert "sheet-printed" in {line.action for line in work.ledger.history(plan.id)}
