"""Finding, adding and correcting people; the attention list."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from web.staff_pages import FULL, Browser, signed_in

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Inbound, MessageKind, State
from service.inbound.replies import MOST_OF_A_STRANGER, take_inbound
from service.planning.aftercare import give
from service.planning.attention import MISSED, WANTS_VISIT
from service.planning.recalling import wrong_person_in


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


def a_stranger(number: str, text: str, at: datetime) -> Inbound:
    return Inbound(channel=Channel.TEXT, id=f"in/{number}?&", sender="+447700900999", text=text, at=at)


def test_words_that_may_warn_stand_first_in_a_block_of_their_own_however_old_the_rest_is(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    for number in range(250):
        a_person(browser.services, f"p{number}")
    with browser.services.open_work() as work:
        for number in range(250):
            browser.clock.forward(seconds=1)
            reason = "reply-warning" if number in (240, 245) else "uncertain"
            work.ledger.ask(f"p{number}", reason, browser.clock.now(), detail=f"entry {number}.")
        work.commit()
    page = browser.get("/attention").text
    block, _, rest = page.partition("Everything else")
    assert "Read these first: they may be urgent" in block
    assert block.index("entry 240.") < block.index("entry 245.")
    assert rest.index("entry 0.") < rest.index("entry 1.") < rest.index("entry 199.")
    assert "entry 240." not in rest
    assert "The list is longer than this page." in rest


def test_words_are_shown_as_words_whoever_wrote_them(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    evil = "<script>alert(1)</script> \"' \u202e کان میں درد"
    take_inbound(browser.services, a_stranger("1", evil, browser.clock.now()))
    a_person(browser.services)
    with browser.services.open_work() as work:
        work.ledger.ask("maud", "reply", browser.clock.now(), detail=evil)
        work.commit()
    page = browser.get("/attention").text
    assert "<script>alert" not in page
    assert page.count('dir="auto">&lt;script&gt;alert(1)') == 2


def test_words_of_a_stranger_that_may_warn_stand_first_as_well_and_each_line_in_its_own_direction(
    tmp_path: Path,
) -> None:
    browser = signed_in(tmp_path, "dina")
    take_inbound(browser.services, a_stranger("1", "Hello", browser.clock.now()))
    take_inbound(browser.services, a_stranger("2", "my ear bleeds\nخون", browser.clock.now()))
    block, _, rest = browser.get("/attention").text.partition("Everything else")
    assert '<div dir="auto">my ear bleeds</div><div dir="auto">خون</div>' in block
    assert "Hello" in rest and "bleeds" not in rest


def test_words_of_strangers_are_listed_until_somebody_did_them(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    take_inbound(browser.services, a_stranger("1", "Who is this?", browser.clock.now()))
    page = browser.get("/attention").text
    assert "From numbers and addresses in no record" in page and "+447700900999" in page and "Who is this?" in page
    assert '<b class="count">1</b>' in page
    wrong = [{"channel": "text", "id": "none"}, {"channel": "pigeon", "id": "in/1?&"}, {}]
    assert [browser.post("/attention/strangers/done", dict(form)).status_code for form in wrong] == [404] * 3
    assert browser.post("/attention/strangers/done", {"channel": "text", "id": "in/1?&"}).status_code == 302
    assert "Nothing needs a person now." in browser.get("/attention").text
    with browser.services.open_reading() as work:
        stored = work.inbound.get(Channel.TEXT, "in/1?&")
        assert stored is not None and stored.handled == browser.clock.now()


def writes(browser: Browser, number: int, text: str, **changes: object) -> None:
    browser.clock.forward(seconds=1)
    values: dict[str, object] = {"channel": Channel.TEXT, "sender": "+447700900123", "at": browser.clock.now()}
    take_inbound(browser.services, Inbound(id=f"w{number}", text=text, **(values | changes)))  # type: ignore[arg-type]


def test_beside_words_that_may_warn_stands_the_number_to_call(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services, guardian="Ines Ellery")
    a_person(browser.services, "tom", name="Tom Birch", phone=None, email="tom@example.org", channels=())
    writes(browser, 1, "my ear bleeds")
    writes(browser, 2, "it hurts", channel=Channel.EMAIL, sender="tom@example.org")
    writes(browser, 3, "there is blood", sender="+447700900999")
    writes(browser, 4, "May I swim?")
    block, _, rest = browser.get("/attention").text.partition("Everything else")
    assert 'href="tel:+447700900123"' in block and "Ines Ellery, for the patient" in block
    assert 'href="tel:+447700900999"' in block and "no phone number on record" in block
    assert "May I swim?" in rest and "tel:" not in rest


def test_many_messages_of_one_sender_are_one_entry_with_the_first_the_latest_and_those_between(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services)
    for number, text in enumerate(("May I come?", "or <b>Tuesday</b>?", "or not at all")):
        writes(browser, number, text)
        writes(browser, 10 + number, f"stranger: {text}", sender="+447700900999")
    page = browser.get("/attention").text
    assert '<b class="count">2</b>' in page
    assert page.count("<b>3 messages in all.</b>") == 2 and page.count("1 in between") == 2
    for text in ("May I come?", "or &lt;b&gt;Tuesday&lt;/b&gt;?", "or not at all"):
        assert page.count(text) == 2


def test_done_is_refused_while_the_person_wrote_again_and_nobody_read_it(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services)
    writes(browser, 1, "my ear bleeds")
    with browser.services.open_reading() as work:
        (entry,) = work.ledger.attention()
    writes(browser, 2, "it bleeds still")
    refused = browser.post(f"/attention/{entry.id}/done", {"seen": "1"})
    assert refused.status_code == 403 and "they wrote again after you opened the list" in refused.text
    page = browser.get("/attention").text
    assert 'name="seen" value="2"' in page and "it bleeds still" in page
    assert browser.post(f"/attention/{entry.id}/done", {"seen": "2"}).status_code == 302
    assert "Nothing needs a person now." in browser.get("/attention").text


def test_a_flood_of_a_stranger_is_one_entry_that_says_how_many_were_only_counted(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    for number in range(MOST_OF_A_STRANGER + 3):
        writes(browser, number, f"offer {number}.", sender="offers@example.com", channel=Channel.EMAIL)
    page = browser.get("/attention").text
    assert f"<b>{MOST_OF_A_STRANGER + 3} messages in all.</b> 3 of them were only counted" in page
    assert "offer 0." in page and f"offer {MOST_OF_A_STRANGER - 1}." in page
    assert f"offer {MOST_OF_A_STRANGER}." not in page
    last = f"mail/{MOST_OF_A_STRANGER - 1}"
    assert browser.post("/attention/strangers/done", {"channel": "email", "id": last}).status_code == 404
    last = f"w{MOST_OF_A_STRANGER - 1}"
    assert f'name="id" value="{last}"' in page
    assert browser.post("/attention/strangers/done", {"channel": "email", "id": last}).status_code == 302
    assert "Nothing needs a person now." in browser.get("/attention").text


@pytest.mark.parametrize(("do", "after"), [("keep", {Channel.EMAIL}), ("start-again", set())])
def test_the_desk_decides_about_a_stop_by_mail_that_may_be_forged(tmp_path: Path, do: str, after: set[Channel]) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services, email="maud@example.org")
    writes(browser, 1, "STOP", channel=Channel.EMAIL, sender="maud@example.org")
    page = browser.get("/attention").text
    assert "E-mail was stopped by a mail that may not be from them: ask the person." in page
    assert "It was from them" in page and "It was not: send e-mail again" in page
    with browser.services.open_reading() as work:
        (entry,) = work.ledger.attention()
        assert work.people.get("maud").contact.stopped == {Channel.EMAIL}
    assert browser.post(f"/attention/{entry.id}/done", {"do": do}).status_code == 302
    with browser.services.open_reading() as work:
        assert work.people.get("maud").contact.stopped == after
        assert work.ledger.attention() == []


def test_the_desk_sees_that_mail_does_not_come_in(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    assert "do not come in" not in browser.get("/attention").text
    with browser.services.open_work() as work:
        work.ledger.set_fact("mailbox-trouble", "error: the mailbox at mail.larkfield.example cannot be read")
        work.commit()
    page = browser.get("/attention").text
    assert "Answers and bounces by mail do not come in now." in page
    assert "the mailbox at mail.larkfield.example cannot be read" in page


def asks(browser: Browser, person: str, reason: str, detail: str = "", *, days: int = 0) -> None:
    with browser.services.open_work() as work:
        work.ledger.ask(person, reason, browser.clock.at + timedelta(days=days), detail=detail)
        work.commit()


def row_of(page: str, person: str) -> str:
    return page.partition(f'<a href="/people/{person}">')[2].partition("</tr>")[0]


def test_an_entry_about_a_recall_says_whom_to_call_and_in_which_language(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services, "alya", guardian="Nadia Rahman", language="pl")
    a_person(browser.services, "ida", phone=None, channels=())
    asks(browser, "alya", WANTS_VISIT)
    asks(browser, "ida", MISSED)
    page = browser.get("/attention").text
    row = row_of(page, "alya")
    assert '<a href="tel:+447700900123">' in row and "ask for Nadia Rahman" in row and "language: Polish" in row
    assert "no number" in row_of(page, "ida") and "language: English" in row_of(page, "ida")


def test_who_left_is_nobody_to_call(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    a_person(browser.services, left=browser.clock.at.date())
    asks(browser, "maud", "appointment-stands", "2026-12-10 at 10:30")
    assert "tel:" not in row_of(browser.get("/attention").text, "maud")


def test_what_much_depends_on_stands_first_and_the_rest_in_the_order_of_its_days(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    clear, cavity = (
        a_visit(an_ear("hard-wax-cleared"), history=frozenset({"prone-to-wax"})),
        a_visit(an_ear("mastoid-cavity")),
    )
    for number, (person, visit) in enumerate(
        (("first", clear), ("second", cavity), ("third", clear), ("fourth", cavity))
    ):
        give(browser.services, a_person(browser.services, person), visit, by="nurse")
        asks(browser, person, WANTS_VISIT, days=number)
    asks(browser, "second", "language", days=-1)  # not about the recall: it stays where it is
    found = re.findall(r'<th scope="row"><a href="/people/(\w+)">', browser.get("/attention").text)
    assert found == ["second", "fourth", "second", "first", "third"]


def test_a_wrong_number_is_named_once_and_corrected_from_its_entry(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    person = a_person(browser.services)
    give(browser.services, person, a_visit(), by="nurse")
    with browser.services.open_work() as work:
        wrong_person_in(browser.services, work, person, frozenset({Channel.TEXT}), browser.clock.at, by="text")
        work.commit()
    row = row_of(browser.get("/attention").text, person)
    assert "Find out the right number or address of theirs." in row
    assert "Somebody answered that +447700900123 is not theirs" in row
    assert f'<a href="/people/{person}/contact">Correct it' in row
    assert len(re.findall("not theirs|not for them|wrong", row)) == 1
