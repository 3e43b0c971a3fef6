"""The page of what goes out, the story of one message, and who may do what about it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from playwright.sync_api import Browser as Chromium
from web.staff_pages import Browser, invented_urdu, signed_in
from web.test_staff_browser import a_desk, sign_in

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Outcome, Result, State
from service.planning.aftercare import give
from service.planning.outgoing import switch_channel
from service.services import Services
from service.storage.records import StoredMessage
from service.transports.port import RecordingTransport


def answering(services: Services, result: Result, detail: str = "said the far side") -> RecordingTransport:
    recorder = RecordingTransport(lambda _: Outcome(result=result, detail=detail))
    services.transports = dict.fromkeys(Channel, recorder)
    return recorder


def one_uncertain(browser: Browser, person: str = "maud") -> StoredMessage:
    """The plan of one person whose fate nobody knows, on the attention list."""
    services = browser.services
    give(services, a_person(services, person), a_visit(an_ear("normal")), by="nurse")
    answering(services, Result.UNKNOWN, "the line broke")
    send_due(services, "worker")
    browser.clock.forward(hours=1, minutes=5)
    send_due(services, "worker")
    browser.sign_in(person_at(browser))
    with services.open_reading() as work:
        (found,) = [m for m in work.views.uncertain(10) if m.person_id == person]
    return found


def person_at(browser: Browser) -> str:
    """Who signed in last: sessions end when the clock is moved by more than half an hour."""
    with browser.services.open_reading() as work:
        lines = [line for name in ("wren", "dina", "cleo") for line in work.ledger.history(name)]
    return max((line for line in lines if line.action == "signed-in"), key=lambda line: line.at).subject


def state_of(browser: Browser, message: StoredMessage) -> State:
    with browser.services.open_reading() as work:
        return work.messages.get(message.id).state


def actions_on(browser: Browser, subject: str) -> list[tuple[str, str]]:
    with browser.services.open_reading() as work:
        return [(line.actor, line.action) for line in work.ledger.history(subject)]


# The page


def test_it_says_in_large_how_long_the_oldest_due_message_has_waited(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    assert "<b>Nothing is overdue</b>" in browser.get("/outgoing").text
    give(browser.services, a_person(browser.services), a_visit(), by="nurse")
    browser.clock.forward(minutes=3)
    page = browser.get("/outgoing").text
    assert "<b>3 minutes</b>" in page
    assert "Late." not in page
    browser.clock.forward(minutes=9)
    page = browser.get("/outgoing").text
    assert "<b>12 minutes</b>" in page
    assert "<strong>Late.</strong> The oldest due message has waited 12 minutes. 1 message is due." in page
    assert "Dose reminder" in page
    send_due(browser.services, "worker")
    page = browser.get("/outgoing").text
    assert "<b>Nothing is overdue</b>" in page
    assert "sent: taken for delivery, no receipt yet" in page


def test_what_was_dropped_after_an_outage_is_counted_by_its_reason(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    give(browser.services, a_person(browser.services), a_visit(), by="nurse")
    browser.clock.forward(days=40)
    send_due(browser.services, "worker")
    browser.sign_in()
    page = browser.get("/outgoing").text
    row = re.search(r"Not sent: too late to be useful</th>.*?>(\d+)</td>.*?>(\d+)</td>", page)
    assert row is not None
    with browser.services.open_reading() as work:
        dropped = sum(1 for m in work.messages.of_person("maud") if m.state is State.DROPPED)
    assert (int(row[1]), int(row[2])) == (dropped, dropped)


def test_a_paused_transport_is_shown_with_its_reason_and_tried_by_the_lead(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    services = browser.services
    for number in range(8):
        person = a_person(services, f"p{number}", channels=(Channel.TEXT,))
        give(services, person, a_visit(an_ear("normal")), by="nurse")
    answering(services, Result.RETRY, "no connection to the gateway")
    send_due(services, "worker")
    page = browser.get("/outgoing").text
    assert "<b>Paused</b> until" in page
    assert "The last answer: no connection to the gateway" in page
    assert "The channel failed several times in a row and is paused</th>" in page
    recorder = answering(services, Result.ACCEPTED)
    assert browser.post("/outgoing/channels/text", {"do": "try"}).status_code == 302
    assert "Being tried after a pause" in browser.get("/outgoing").text
    send_due(services, "worker")
    assert recorder.sent
    assert actions_on(browser, "channel:text") == [("Wren Halloway (wren)", "channel-tried")]
    assert browser.post("/outgoing/channels/text", {"do": "try"}).status_code == 403, "it works again"


def test_the_lead_switches_a_channel_off_and_on_and_the_page_says_by_whom(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    give(browser.services, a_person(browser.services, channels=(Channel.TEXT,)), a_visit(an_ear("normal")), by="nurse")
    asking = browser.post("/outgoing/channels/text", {"do": "off"})
    assert "Switch off text for the whole clinic?" in asking.text
    assert "In the next 24 hours this touches 1 message to 1 person." in asking.text
    assert "1 of these messages has no other channel" in asking.text
    with browser.services.open_reading() as work:
        assert work.transports.off() == {}, "the first press changes nothing"
    assert browser.press_twice("/outgoing/channels/text", {"do": "off"}).status_code == 302
    assert browser.post("/outgoing/channels/text", {"do": "off"}).status_code == 403, "somebody else was first"
    send_due(browser.services, "worker")
    page = browser.get("/outgoing").text
    assert "<b>Switched off</b> by Wren Halloway (wren) since Wed 25 Nov 2026, 10:00" in page
    assert "The clinic switched this channel off</th>" in page
    assert browser.recorder.sent == []
    browser.clock.forward(minutes=1)
    assert browser.post("/outgoing/channels/text", {"do": "on"}).status_code == 302
    send_due(browser.services, "worker")
    assert len(browser.recorder.sent) == 1
    assert [action for _, action in actions_on(browser, "channel:text")] == ["channel-on", "channel-off"]


@pytest.mark.parametrize("login", ["dina", "cleo"])
@pytest.mark.parametrize("wanted", ["off", "on", "try"])
def test_only_the_lead_switches_channels(tmp_path: Path, login: str, wanted: str) -> None:
    browser = signed_in(tmp_path, login)
    page = browser.get("/outgoing").text
    assert "Switch off" not in page
    assert "The clinical lead can switch a channel off." in page
    if wanted == "on":
        switch_channel(browser.services, Channel.TEXT, "lead", off=True)
    refused = browser.post("/outgoing/channels/text", {"do": wanted})
    assert refused.status_code == 403
    assert "this page is for the role lead" in refused.text
    with browser.services.open_reading() as work:
        assert (Channel.TEXT in work.transports.off()) is (wanted == "on")


def test_what_nobody_can_ask_for_is_refused_in_one_sentence(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    assert browser.post("/outgoing/channels/pigeon", {"do": "off"}).status_code == 404
    assert browser.post("/outgoing/channels/text", {"do": "explode"}).status_code == 403
    assert browser.post("/outgoing/channels/text", {"do": "on"}).status_code == 403, "it is on"
    assert browser.get(f"/messages/{'0' * 32}").status_code == 404
    assert browser.post(f"/messages/{'0' * 32}/settle", {"do": "arrived"}).status_code == 404
    message = one_uncertain(browser)
    assert browser.post(f"/messages/{message.id}/settle", {"do": "lose"}).status_code == 403
    assert browser.client.post(f"/messages/{message.id}/settle", data={"do": "arrived"}).status_code == 403, "no token"
    assert state_of(browser, message) is State.UNCERTAIN


@pytest.mark.parametrize("place", ["/outgoing", "/messages/1"])
def test_nobody_sees_it_without_signing_in(tmp_path: Path, place: str) -> None:
    browser = signed_in(tmp_path)
    browser.client.delete_cookie("tragus-staff")
    assert browser.get(place).status_code == 302


# Uncertain messages


def test_uncertain_messages_stand_in_a_list_of_their_own_with_what_to_do(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    message = one_uncertain(browser)
    page = browser.get("/outgoing").text
    assert "<b>1 uncertain</b>" in page
    assert f'href="/messages/{message.id}"' in page
    assert "the line broke" in page
    for button in ("It arrived", "It did not: send it again", "Leave it"):
        assert button in page


def test_what_did_not_get_through_is_counted_with_its_age_while_it_waits_for_another_attempt(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    services = browser.services
    for number in range(2):
        person = a_person(services, f"p{number}", channels=(Channel.EMAIL,))
        give(services, person, a_visit(an_ear("normal")), by="nurse")
    answering(services, Result.RETRY, "421 try again later")
    for _ in range(3):
        send_due(services, "worker")
        browser.clock.forward(minutes=2)
    send_due(services, "worker")
    page = browser.get("/outgoing").text
    assert "Nothing is overdue" not in page
    assert "<b>6 minutes</b><span><strong>Late.</strong>" in page
    assert "2 messages did not get through and wait for another attempt; the oldest has been due for 6 minutes." in page


def test_what_waits_for_a_paused_channel_is_counted_with_its_age(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    services = browser.services
    answering(services, Result.RETRY, "421 try again later")
    for number in range(7):  # after five failures in a row the others wait for the channel
        person = a_person(services, f"p{number}", channels=(Channel.EMAIL,))
        give(services, person, a_visit(an_ear("normal")), by="nurse")
    send_due(services, "worker")
    page = browser.get("/outgoing").text
    assert "Nothing is overdue" not in page
    assert "<b>7 to be tried again</b>" in page
    assert '2 messages wait for a channel that is <a href="#transports">paused</a>; the oldest has been due for' in page
    for _ in range(6):
        browser.clock.forward(minutes=1)
        send_due(services, "worker")
    page = browser.get("/outgoing").text
    assert "<b>6 minutes</b><span><strong>Late.</strong>" in page


def test_an_uncertain_message_that_was_left_leaves_the_list_and_its_page_says_who_left_it(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    message = one_uncertain(browser)
    with browser.services.open_work() as work:  # the same message asks for a person for another reason as well
        work.ledger.ask("maud", "language", browser.clock.now(), message_id=message.id)
        work.commit()
    assert 'value="leave"' in browser.get("/outgoing").text
    page = browser.post(f"/messages/{message.id}/settle", {"do": "leave"})
    assert "<b>None uncertain</b>" in browser.get("/outgoing").text
    assert 'value="leave"' not in browser.get("/outgoing").text
    page = browser.get(page.location)
    assert 'value="leave"' not in page.text, "a button that would only be refused"
    assert re.search(r"<b>Left as it is</b> .* by Wren Halloway \(wren\), and off the attention list", page.text)
    assert 'value="arrived"' in page.text, "what is found later can still be said"


@pytest.mark.parametrize("login", ["dina", "cleo", "wren"])
@pytest.mark.parametrize(
    ("wanted", "after", "noted"),
    [
        ("arrived", State.SENT, "message-arrived"),
        ("send-again", State.PENDING, "message-sent-again"),
        ("leave", State.UNCERTAIN, "message-left"),
    ],
)
def test_every_role_settles_an_uncertain_message_and_the_second_person_is_told(
    tmp_path: Path, login: str, wanted: str, after: State, noted: str
) -> None:
    browser = signed_in(tmp_path, login)
    message = one_uncertain(browser)
    assert browser.post(f"/messages/{message.id}/settle", {"do": wanted}).status_code == 302
    assert state_of(browser, message) is after
    assert noted in [action for actor, action in actions_on(browser, message.id) if f"({login})" in actor]
    second = browser.post(f"/messages/{message.id}/settle", {"do": wanted})
    assert second.status_code == 403
    assert "somebody else" in second.text
    assert state_of(browser, message) is after


def test_one_that_is_too_late_offers_no_second_sending(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    message = one_uncertain(browser)
    browser.clock.at = message.planned.last_useful
    browser.clock.forward(minutes=1)
    browser.sign_in()
    assert "Too late to be sent again." in browser.get("/outgoing").text
    page = browser.get(f"/messages/{message.id}").text
    assert 'value="send-again"' not in page
    assert "too late to be useful now, so it cannot be sent again" in page
    refused = browser.post(f"/messages/{message.id}/settle", {"do": "send-again"})
    assert refused.status_code == 403
    assert "too late to be useful now" in refused.text


# One message


def test_the_message_page_answers_why_it_was_sent_and_shows_its_exact_words(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    give(browser.services, a_person(browser.services), a_visit(an_ear("normal")), by="Cleo Byrne (cleo)")
    send_due(browser.services, "worker")
    with browser.services.open_reading() as work:
        (message, *_) = work.messages.of_person("maud")
    page = browser.get(f"/messages/{message.id}").text
    assert "Why was this sent?" in page
    assert "Because a plan was given, and its words go to the person once; it left by text" in page
    assert "here is your plan from your visit" in page
    assert "xxxxxxxxxxxxxxxxxxxxxx" in page, "the link is shown with its stand-in"
    assert message.far_key in page
    for unit in message.units:
        assert f"<code>{unit}</code>" in page
    assert page.count("by Dr Wren Halloway, Wed 25 Nov 2026, 10:00") == len(set(message.units))
    assert "The person wants" not in page


def test_a_language_that_stood_in_for_the_wanted_one_is_named(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, catalogs=invented_urdu(tmp_path))
    give(browser.services, a_person(browser.services, language="ur"), a_visit(an_ear("normal")), by="nurse")
    send_due(browser.services, "worker")
    with browser.services.open_reading() as work:
        (message, *_) = work.messages.of_person("maud")
    assert (
        "The person wants اردو; the approved words in English stood in for it."
        in browser.get(f"/messages/{message.id}").text
    )


def test_a_message_that_has_not_left_says_why_and_shows_no_words(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    give(browser.services, a_person(browser.services), a_visit(), by="nurse")
    with browser.services.open_reading() as work:
        last = work.messages.of_person("maud")[-1]
    page = browser.get(f"/messages/{last.id}").text
    assert "Why not yet?" in page
    assert "None were made: nothing has left." in page
    assert "<b>to come</b>" in page


def test_every_look_at_a_message_is_on_the_persons_record(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    give(browser.services, a_person(browser.services), a_visit(), by="nurse")
    with browser.services.open_reading() as work:
        (message, *_) = work.messages.of_person("maud")
    for number in (1, 2):
        assert browser.get(f"/messages/{message.id}").status_code == 200
        with browser.services.open_reading() as work:
            looks = [line for line in work.ledger.history("maud") if line.action == "record-viewed"]
        assert len(looks) == number
        assert looks[0].actor == "Dina Marsh (dina)"
        assert looks[0].detail == {"message": message.id}


# On a phone


@pytest.mark.parametrize("width", [400, 1280])
def test_both_pages_fit_a_phone_and_a_desk(chromium: Chromium, tmp_path: Path, width: int) -> None:
    place = Path(__file__).resolve().parents[1] / "output"
    place.mkdir(exist_ok=True)
    complaints: list[str] = []
    with (
        a_desk(tmp_path) as (browser, address),
        chromium.new_context(viewport={"width": width, "height": 860}) as context,
    ):
        services = browser.services
        give(services, "maud", a_visit(an_ear("normal")), by="Cleo Byrne (cleo)")
        answering(services, Result.UNKNOWN, "the line broke before the answer")
        send_due(services, "worker")
        browser.clock.forward(hours=1, minutes=5)
        send_due(services, "worker")
        for number in range(6):
            person = a_person(services, f"p{number}", channels=(Channel.EMAIL,))
            give(services, person, a_visit(), by="nurse")
        answering(services, Result.RETRY, "421 try again later")
        send_due(services, "worker")
        switch_channel(services, Channel.LETTER, "Wren Halloway (wren)", off=True)
        give(services, a_person(services, "late"), a_visit(), by="nurse")
        browser.clock.forward(minutes=12)
        with services.open_reading() as work:
            (message,) = work.views.uncertain(5)
        page = context.new_page()
        page.on("console", lambda said: complaints.append(said.text))
        sign_in(page, address)
        for name, path in (("outgoing", "/outgoing"), ("message", f"/messages/{message.id}")):
            page.goto(f"{address}{path}")
            page.screenshot(path=place / f"{name}-{width}.png", full_page=True)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            small = page.evaluate(
                "[...document.querySelectorAll('main button, main a.button')]"
                ".filter((e) => e.getBoundingClientRect().height < 24).length"
            )
            assert small == 0, "every button can be hit with a finger"
    assert complaints == []
