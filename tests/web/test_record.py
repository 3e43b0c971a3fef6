"""One person's record: plans, appointments, messages, link, consent, leaving."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from web.staff_pages import FULL, Browser, signed_in
from werkzeug.test import TestResponse

from service.delivery.dispatch import send_due
from service.domain.contact import Channel, Contact
from service.domain.message import Inbound
from service.domain.plan import Status
from service.domain.recall import RecallState
from service.inbound.replies import take_inbound
from service.planning.aftercare import give
from service.planning.recalling import wrong_person_in
from service.transports.port import RecordingTransport
from service.web.shown import day

ENDS = [
    ("moved", "not-moved", "Moved away.", "the person has moved away", "recorded a move away"),
    ("died", "not-died", "Died.", "the person has died", "recorded the death"),
    (
        "withdrawn",
        "recorded",
        "Consent to messages withdrawn.",
        "the person withdrew consent to messages",
        "recorded that consent to messages was withdrawn",
    ),
]
FIRST = (date(2026, 12, 10), time(10, 30))


def with_a_plan(folder: Path, login: str = "wren") -> tuple[Browser, str, str]:
    browser = signed_in(folder, login)
    person = a_person(browser.services)
    return browser, person, give(browser.services, person, a_visit(left=an_ear("grommet")), by="nurse").id


def status(browser: Browser, plan: str) -> Status:
    with browser.services.open_reading() as work:
        return work.plans.get(plan).status


def test_the_record_shows_both_ears_each_message_and_its_exact_words(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    send_due(browser.services, "worker")
    page = browser.get(f"/people/{person}").text
    assert page.index("Right ear</b> Wax left") < page.index("Left ear</b> Grommet watch")
    assert "sent: taken for delivery, no receipt yet" in page
    assert "here is your plan from your visit" in page
    assert "Wed 25 Nov 2026, 21:30" in page  # the person's own evening


def test_every_look_at_a_record_is_on_record(tmp_path: Path) -> None:
    browser, person, plan = with_a_plan(tmp_path)
    places = (f"/people/{person}", f"/people/{person}/contact", f"/people/{person}/discharge", f"/plans/{plan}/given")
    for number, place in enumerate(places, 1):
        assert browser.get(place).status_code == 200
        with browser.services.open_reading() as work:
            looks = [line for line in work.ledger.history(person) if line.action == "record-viewed"]
        assert len(looks) == number
        assert looks[0].actor == "Wren Halloway (wren)"


def test_a_plan_is_held_taken_up_and_withdrawn_each_with_a_reason(tmp_path: Path) -> None:
    browser, _, plan = with_a_plan(tmp_path)
    for wanted, after in (("hold", Status.ON_HOLD), ("take-up", Status.ACTIVE), ("withdraw", Status.REVOKED)):
        assert browser.post(f"/plans/{plan}/status", {"do": wanted, "reason": "seen by a doctor"}).status_code == 302
        assert status(browser, plan) is after
    with browser.services.open_reading() as work:
        reasons = [line.detail.get("reason") for line in work.ledger.history(plan)]
    assert reasons.count("seen by a doctor") == 3


@pytest.mark.parametrize(
    "data",
    [
        {"do": "withdraw"},
        {"do": "withdraw", "reason": " "},
        {"do": "erase", "reason": "x"},
        {"do": "take-up", "reason": "x"},
    ],
)
def test_a_change_without_reason_or_sense_is_refused(tmp_path: Path, data: dict[str, object]) -> None:
    browser, _, plan = with_a_plan(tmp_path)
    assert browser.post(f"/plans/{plan}/status", data).status_code == 403
    assert status(browser, plan) is Status.ACTIVE


def test_a_withdrawn_plan_is_never_taken_up_again(tmp_path: Path) -> None:
    browser, _, plan = with_a_plan(tmp_path)
    browser.post(f"/plans/{plan}/status", {"do": "withdraw", "reason": "wrong person"})
    assert browser.post(f"/plans/{plan}/status", {"do": "take-up", "reason": "x"}).status_code == 403
    assert status(browser, plan) is Status.REVOKED


def test_the_desk_cannot_withdraw_a_plan(tmp_path: Path) -> None:
    browser, person, plan = with_a_plan(tmp_path, "dina")
    assert browser.post(f"/plans/{plan}/status", {"do": "withdraw", "reason": "x"}).status_code == 403
    assert "Hold or withdraw" not in browser.get(f"/people/{person}").text


def test_a_revoked_link_opens_nothing_and_a_new_one_does(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    send_due(browser.services, "worker")
    old = browser.recorder.sent[0].message.text.split("/p/")[1][:22]
    assert browser.get(f"/p/{old}").status_code == 200
    browser.post(f"/people/{person}/link", {"do": "revoke"})
    assert browser.get(f"/p/{old}").status_code == 404
    assert "No link is live." in browser.get(f"/people/{person}").text
    browser.post(f"/people/{person}/link", {"do": "renew"})
    assert browser.get(f"/p/{old}").status_code == 404
    assert "open to whoever has the link" in browser.get(f"/people/{person}").text


def contact(browser: Browser) -> Contact:
    with browser.services.open_reading() as work:
        return work.people.get("maud").contact


def recorded(browser: Browser, person: str, do: str) -> TestResponse:
    """Record one end; consent is withdrawn at the second press, the others are chosen and then recorded."""
    press = browser.press_twice if do == "withdrawn" else browser.post
    return press(f"/people/{person}/left", {"do": do})


def test_withdrawn_consent_is_asked_about_first_with_how_many_messages_it_ends(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    with browser.services.open_reading() as work:
        waiting = len(work.messages.of_person(person))
    asking = browser.post(f"/people/{person}/left", {"do": "withdrawn"})
    assert "Did Maud Ellery withdraw consent to messages?" in asking.text
    assert f"{waiting} messages that wait will not go" in asking.text and waiting > 1
    assert f'href="/people/{person}#consent">No, go back</a>' in asking.text
    assert contact(browser).withdrawn is None, "the first press changes nothing"
    again = browser.post(f"/people/{person}/left", {"do": "withdrawn", "sure": "maybe"})
    assert "Nothing has happened yet." in again.text and contact(browser).withdrawn is None
    recorded(browser, person, "withdrawn")
    assert contact(browser).withdrawn == date(2026, 11, 25)


def test_the_record_shows_what_the_person_wrote_newest_first_and_as_text(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "cleo")
    person = a_person(browser.services)
    said = [(Channel.TEXT, "+447700900123", "my ear bleeds"), (Channel.EMAIL, "Maud@example.org", "<i>May</i> I swim?")]
    assert "Nothing yet." in browser.get(f"/people/{person}").text
    for number, (channel, sender, text) in enumerate(said):
        browser.clock.forward(minutes=5)
        words = Inbound(channel=channel, id=f"w{number}", sender=sender, text=text, at=browser.clock.now())
        take_inbound(browser.services, words)
    page = browser.get(f"/people/{person}").text.partition('id="wrote"')[2]
    assert page.index("&lt;i&gt;May&lt;/i&gt; I swim?") < page.index("my ear bleeds")
    assert "Wed 25 Nov 2026, 10:05" in page and "Wed 25 Nov 2026, 10:10" in page
    assert "May warn of something urgent." in page
    assert "perhaps somebody else" not in page


def test_words_from_a_shared_number_stand_on_each_record_and_say_that_they_may_be_anothers(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    people = [a_person(browser.services), a_person(browser.services, "tom", name="Tom Ellery")]
    words = Inbound(channel=Channel.TEXT, id="1", sender="00447700900123", text="May I swim?", at=browser.clock.now())
    take_inbound(browser.services, words)
    for person in people:
        page = browser.get(f"/people/{person}").text
        assert "May I swim?" in page and "perhaps somebody else" in page


@pytest.mark.parametrize(("do", "undo", "said", "reason", "line"), ENDS)
def test_each_end_has_its_own_words_and_stops_every_message_at_once(
    tmp_path: Path, do: str, undo: str, said: str, reason: str, line: str
) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    assert said not in browser.get(f"/people/{person}").text
    assert recorded(browser, person, do).status_code == 302
    page = browser.get(f"/people/{person}").text
    assert f"<b>{said}</b> Recorded on Wed, 25 Nov 2026. Nothing more is sent; open reminders stopped at once." in page
    assert [other[2] for other in ENDS if f"<b>{other[2]}</b>" in page] == [said]
    assert f"will not be sent: {reason}" in page  # before any worker has looked
    assert f"<td>{line}</td>" in page
    assert f'value="{undo}"' in page
    for _ in range(30):
        send_due(browser.services, "worker")
        browser.clock.forward(hours=6)
    assert browser.recorder.sent == []
    browser.sign_in()
    assert reason in browser.get(f"/people/{person}").text


@pytest.mark.parametrize(("do", "undo", "said", "reason", "line"), ENDS)
def test_each_end_can_be_taken_back_and_messages_go_again(
    tmp_path: Path, do: str, undo: str, said: str, reason: str, line: str
) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    recorded(browser, person, do)
    send_due(browser.services, "worker")
    assert browser.recorder.sent == []
    browser.post(f"/people/{person}/left", {"do": undo})
    page = browser.get(f"/people/{person}").text
    assert f"<b>{said}</b>" not in page
    browser.clock.forward(hours=11, minutes=35)  # the evening dose
    send_due(browser.services, "worker")
    assert len(browser.recorder.sent) == 1


def test_leaving_without_a_choice_is_asked_again_beside_the_choices(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    page = browser.post(f"/people/{person}/left", {"part": "leaving"})
    assert page.status_code == 422
    assert "Choose what happened; nothing is recorded yet." in page.text
    assert contact(browser).left is None and contact(browser).died is None


@pytest.mark.parametrize("do", ["left", "back", "", "forgotten"])
def test_an_end_that_does_not_exist_is_refused(tmp_path: Path, do: str) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    before = contact(browser)
    assert browser.post(f"/people/{person}/left", {"do": do}).status_code == 403
    assert contact(browser) == before


def test_somebody_who_moved_away_can_still_be_recorded_as_having_died(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    browser.post(f"/people/{person}/left", {"do": "moved"})
    page = browser.get(f"/people/{person}").text
    assert 'value="died"' in page and 'value="moved"' not in page
    browser.post(f"/people/{person}/left", {"do": "died"})
    page = browser.get(f"/people/{person}").text
    assert 'value="not-died"' in page and 'value="not-moved"' in page and 'value="died"' not in page


def test_a_plan_is_not_offered_for_somebody_who_has_died_or_moved_away(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    for do, undo in (("moved", "not-moved"), ("died", "not-died")):
        browser.post(f"/people/{person}/left", {"do": do})
        assert f"/people/{person}/discharge" not in browser.get(f"/people/{person}").text
        browser.post(f"/people/{person}/left", {"do": undo})
    assert f"/people/{person}/discharge" in browser.get(f"/people/{person}").text


@pytest.mark.parametrize("place", ["", "/contact"])
def test_an_unusable_number_is_named_where_it_is_seen_and_corrected(tmp_path: Path, place: str) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services, bad=frozenset({Channel.TEXT, Channel.LETTER}))
    page = browser.get(f"/people/{person}{place}").text
    assert "Messages do not reach this mobile number; correct it" in page
    assert "Messages do not reach this postal address; correct it" in page
    assert "This e-mail address was found" not in page


@pytest.mark.parametrize(("then", "place"), [("", "/people/maud"), ("correct", "/people/maud/contact")])
def test_a_number_can_be_said_to_be_right_after_all(tmp_path: Path, then: str, place: str) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services, bad=frozenset({Channel.TEXT, Channel.EMAIL}))
    answer = browser.post(f"/people/{person}/usable", {"channel": "text", "then": then})
    assert (answer.status_code, answer.location) == (302, place)
    assert contact(browser).bad == {Channel.EMAIL}
    assert "said that what was found unusable is right after all" in browser.get(f"/people/{person}").text
    assert browser.post(f"/people/{person}/usable", {"channel": "pigeon"}).status_code == 403


def test_a_corrected_number_is_usable_again_and_a_respelled_one_is_not(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services, bad=frozenset({Channel.TEXT}))
    for phone, bad in (("+44 7700 900 123", {Channel.TEXT}), ("07700 900124", set())):
        assert browser.post(f"/people/{person}/contact", {**FULL, "phone": phone}).status_code == 302
        assert contact(browser).bad == bad


def test_the_form_shown_again_after_a_mistake_still_says_what_is_unusable(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services, bad=frozenset({Channel.TEXT}))
    page = browser.post(f"/people/{person}/contact", {**FULL, "bad": "text", "quiet_from": "22:00"})
    assert page.status_code == 422
    assert "Messages do not reach this mobile number; correct it." in page.text
    assert 'id="quiet_to-error">Give this time too' in page.text
    assert 'name="quiet_from" type="time" value="22:00"' in page.text


def test_own_quiet_hours_and_joined_texts_are_seen_on_the_record(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    said = {"quiet_from": "21:00", "quiet_to": "08:30", "join_with_others": "yes"}
    assert browser.post(f"/people/{person}/contact", {**FULL, **said}).status_code == 302
    page = browser.get(f"/people/{person}").text
    assert "21:00 to 08:30" in page
    assert "may be joined with those of other patients at the same number" in page
    browser.post(f"/people/{person}/contact", {**FULL, "quiet_from": "00:00", "quiet_to": "00:00"})
    page = browser.get(f"/people/{person}").text
    assert "none: messages may come at any hour" in page
    assert "may be joined" not in page


def with_an_appointment(folder: Path, login: str = "wren") -> tuple[Browser, str, str]:
    browser = signed_in(folder, login)
    person = a_person(browser.services)
    visit = a_visit(next_appointment=FIRST[0], next_appointment_time=FIRST[1])
    return browser, person, give(browser.services, person, visit, by="nurse").id


def booked(browser: Browser, plan: str) -> tuple[date, time] | None:
    with browser.services.open_reading() as work:
        return work.plans.get(plan).appointment


def test_the_desk_moves_and_cancels_and_books_an_appointment(tmp_path: Path) -> None:
    browser, person, plan = with_an_appointment(tmp_path, "dina")
    assert 'type="date" value="2026-12-10"' in browser.get(f"/people/{person}").text
    answer = browser.post(f"/plans/{plan}/appointment", {"do": "book", "on": "2026-12-17", "at": "14:00"})
    assert answer.status_code == 302
    assert booked(browser, plan) == (date(2026, 12, 17), time(14))
    page = browser.get(f"/people/{person}").text
    assert "Appointment Thu, 17 Dec 2026, 14:00." in page
    assert "moved the appointment" in page
    assert browser.post(f"/plans/{plan}/appointment", {"do": "cancel"}).status_code == 302
    assert booked(browser, plan) is None
    page = browser.get(f"/people/{person}").text
    assert "Book an appointment" in page and "Cancel the appointment" not in page
    assert "cancelled the appointment" in page
    browser.post(f"/plans/{plan}/appointment", {"do": "book", "on": "2026-12-18", "at": "09:15"})
    assert booked(browser, plan) == (date(2026, 12, 18), time(9, 15))


def test_what_was_saved_of_an_appointment_is_said_beside_it_while_it_is_true(tmp_path: Path) -> None:
    browser, person, plan = with_an_appointment(tmp_path, "dina")
    place = f"/plans/{plan}/appointment"
    assert 'role="status"' not in browser.get(f"/people/{person}").text
    moved = browser.post(place, {"do": "book", "on": "2026-12-17", "at": "14:00"}).location
    line = '<div class="note" role="status"><p><b>Saved.</b> The appointment is '
    told = "A text goes to Maud Ellery at once.</p>"
    assert f"{line}moved to Thu, 17 Dec 2026, 14:00. {told}" in browser.get(moved).text
    cancelled = browser.post(place, {"do": "cancel"}).location
    assert f"{line}cancelled. {told}" in browser.get(cancelled).text
    assert 'role="status"' not in browser.get(moved).text, "it was moved once, and is not booked any more"
    booked_anew = browser.post(place, {"do": "book", "on": "2026-12-18", "at": "09:15"}).location
    assert f"{line}booked for Fri, 18 Dec 2026, 09:15. {told}" in browser.get(booked_anew).text
    assert 'role="status"' not in browser.get(f"/people/{person}?saved=nonsense&of={plan}").text


@pytest.mark.parametrize(
    ("sent", "field", "said"),
    [
        ({"on": "2026-12-17"}, "at", "Give the time too."),
        ({"at": "14:00"}, "on", "Give the date too."),
        ({}, "on", "Give the date and the time of the appointment."),
        ({"on": "17/12/2026", "at": "14:00"}, "on", "Give the date as year-month-day, such as 2026-11-25."),
        ({"on": "2026-12-17", "at": "2pm"}, "at", "Give the time as hours:minutes, such as 14:30."),
        (
            {"on": "2026-11-24", "at": "14:00"},
            "on",
            "This moment has passed; give a date and a time that are still to come.",
        ),
    ],
)
def test_a_wrong_appointment_is_refused_beside_its_field_and_stays_typed(
    tmp_path: Path, sent: dict[str, object], field: str, said: str
) -> None:
    browser, _, plan = with_an_appointment(tmp_path)
    page = browser.post(f"/plans/{plan}/appointment", {"do": "book", **sent})
    assert page.status_code == 422
    assert f'<span class="field-error" id="{field}-{plan}-error">{said}</span>' in page.text
    assert page.text.count('class="field-error"') == 1
    for name, text in sent.items():
        assert f'name="{name}" type="{"date" if name == "on" else "time"}" value="{text}"' in page.text
    assert booked(browser, plan) == FIRST


def test_an_appointment_is_neither_moved_without_sense_nor_on_a_plan_that_has_ended(tmp_path: Path) -> None:
    browser, person, plan = with_an_appointment(tmp_path)
    later = {"do": "book", "on": "2026-12-17", "at": "14:00"}
    assert browser.post(f"/plans/{plan}/appointment", {**later, "do": "swap"}).status_code == 403
    assert browser.post("/plans/none/appointment", later).status_code == 404
    browser.post(f"/plans/{plan}/status", {"do": "withdraw", "reason": "wrong person"})
    assert browser.post(f"/plans/{plan}/appointment", later).status_code == 403
    page = browser.get(f"/people/{person}").text
    assert "Move or cancel the appointment" not in page and "its appointment still stands" in page
    assert booked(browser, plan) == FIRST


@pytest.mark.parametrize(
    "place", ["/people/nobody", "/people/nobody/contact", "/people/nobody/discharge", "/plans/none/given"]
)
def test_what_is_not_there_gets_a_plain_page(tmp_path: Path, place: str) -> None:
    answer = signed_in(tmp_path).get(place)
    assert answer.status_code == 404
    assert "not in the record" in answer.text


def at(browser: Browser, on: date, login: str = "dina") -> None:
    """Wind the clock to the morning of a day, and sign in there."""
    browser.clock.at = datetime.combine(on, time(9), UTC)
    browser.sign_in(login)


@pytest.mark.parametrize(
    ("do", "state", "did"),
    [
        ("came", RecallState.SEEN, "recorded that the person came, with nothing else to record"),
        ("missed", RecallState.DUE, "recorded that nobody came to the appointment"),
    ],
)
def test_once_the_day_has_passed_the_record_asks_whether_they_came(
    tmp_path: Path, do: str, state: RecallState, did: str
) -> None:
    browser, person, plan = with_an_appointment(tmp_path, "dina")
    at(browser, FIRST[0])
    assert "Did they come?" not in browser.get(f"/people/{person}").text
    at(browser, FIRST[0] + timedelta(days=1))
    assert "Did they come?" in browser.get(f"/people/{person}").text
    answer = browser.post(f"/plans/{plan}/came", {"do": do})
    assert answer.location.startswith(f"/people/{person}?") and answer.location.endswith(f"#plan-{plan}")
    assert f"<b>Saved.</b> They {'came' if do == 'came' else 'did not come'}.</p>" in browser.get(answer.location).text
    page = browser.get(f"/people/{person}").text
    assert "Did they come?" not in page and did in page
    assert ("Due back" in page) is (do == "missed"), "who came is not due by this plan any more"
    assert "<dt>Language</dt><dd>English</dd>" in page
    with browser.services.open_reading() as work:
        recall = work.recalls.newest_of(person)
    assert recall is not None and recall.state is state
    assert browser.post(f"/plans/{plan}/came", {"do": do}).status_code == 403, "it is said once"


def test_what_was_said_of_an_appointment_must_make_sense(tmp_path: Path) -> None:
    browser, _, plan = with_an_appointment(tmp_path)
    assert browser.post(f"/plans/{plan}/came", {"do": "missed"}).status_code == 403, "it is still to come"
    at(browser, FIRST[0] + timedelta(days=1))
    assert browser.post(f"/plans/{plan}/came", {"do": "perhaps"}).status_code == 403
    assert browser.post("/plans/none/came", {"do": "came"}).status_code == 404
    assert booked(browser, plan) == FIRST


def test_a_calendars_yes_stands_beside_the_appointment_until_that_changes(tmp_path: Path) -> None:
    browser, person, plan = with_an_appointment(tmp_path, "dina")
    with browser.services.open_work() as work:
        now = browser.services.clock.now()
        work.ledger.note("patient", "calendar-accepted", plan, now, sequence=0, stamp=now.isoformat())
        work.commit()
    page = browser.get(f"/people/{person}").text
    assert "10:30 (accepted by calendar)" in page and "accepted the appointment by calendar" in page
    browser.post(f"/plans/{plan}/appointment", {"do": "book", "on": "2026-12-17", "at": "14:00"})
    assert "(accepted by calendar)" not in browser.get(f"/people/{person}").text


def test_the_record_says_where_the_drops_before_the_appointment_stand_now(tmp_path: Path) -> None:
    browser, person, plan = with_an_appointment(tmp_path, "dina")
    assert "Drops before the appointment" not in browser.get(f"/people/{person}").text
    browser.post(f"/plans/{plan}/appointment", {"do": "book", "on": "2026-12-17", "at": "14:00"})
    assert (
        "Drops before the appointment (right ear): now from Sat, 12 Dec 2026 for 5 days."
        in browser.get(f"/people/{person}").text
    )
    browser.post(f"/plans/{plan}/appointment", {"do": "cancel"})
    assert "Drops before the appointment (right ear): stopped" in browser.get(f"/people/{person}").text


def posted(browser: Browser, plan: str, do: str, on: str = "", at: str = "") -> str:
    """The record as it is shown after a form about an appointment was sent."""
    answer = browser.post(f"/plans/{plan}/appointment", {"do": do, "on": on, "at": at})
    assert answer.status_code == 302
    return browser.get(answer.location).text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "A text goes to Maud Ellery at once."),
        ({"guardian": "Ada Ellery"}, "A text goes to Ada Ellery at once."),
        ({"channels": (Channel.EMAIL,)}, "An e-mail goes to Maud Ellery at once."),
        ({"quiet_from": time(1), "quiet_to": time(23, 30)}, "goes to Maud Ellery when the quiet hours are over."),
        ({"paused_until": date(2026, 12, 1)}, "goes to Maud Ellery when their pause is over, after 1 Dec 2026."),
        ({"channels": ()}, "Nobody is told by a message: phone them."),
        ({"bad": frozenset({Channel.TEXT}), "channels": (Channel.TEXT,)}, "Nobody is told by a message: phone them."),
        ({"withdrawn": date(2026, 11, 20)}, "Nobody is told by a message: phone them."),
    ],
)
def test_who_is_told_of_a_change_stands_beside_the_button_and_after_it(
    tmp_path: Path, changes: dict[str, object], said: str
) -> None:
    browser = signed_in(tmp_path, "dina")
    person = a_person(browser.services, **{"channels": (Channel.TEXT, Channel.EMAIL), **changes})
    plan = give(browser.services, person, a_visit(), by="nurse").id
    assert said in browser.get(f"/people/{person}").text.partition('class="hint"')[2].partition("</p>")[0]
    page = posted(browser, plan, "book", "2026-12-17", "14:00")
    assert said in page.partition('role="status"')[2].partition("</div>")[0]


def test_who_is_told_by_letter_is_told_while_there_is_time(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    person = a_person(browser.services, channels=(Channel.LETTER,), address=("2 Elm Row", "Exampleton"))
    plan = give(browser.services, person, a_visit(), by="nurse").id
    days = browser.services.pack.timing.post_days
    hint = f"A letter tells Maud Ellery if it comes in time, with at least {days} days for the post; else phone them."
    assert hint in browser.get(f"/people/{person}").text
    assert "A letter goes to Maud Ellery at once." in posted(browser, plan, "book", "2026-12-17", "14:00")
    tomorrow = browser.services.day_of(browser.clock.at) + timedelta(days=1)
    said = "No letter goes, since it would come too late or they know it so: phone them if they do not."
    assert said in posted(browser, plan, "book", tomorrow.isoformat(), "14:00")


def test_what_the_person_knows_already_or_was_sent_is_said_so(tmp_path: Path) -> None:
    browser, _, plan = with_an_appointment(tmp_path, "dina")
    browser.services.transports = dict.fromkeys(Channel, RecordingTransport())
    posted(browser, plan, "book", "2026-12-17", "14:00")
    back = browser.post(
        f"/plans/{plan}/appointment", {"do": "book", "on": FIRST[0].isoformat(), "at": FIRST[1].isoformat("minutes")}
    ).location
    assert "No message goes: they know it so already." in browser.get(back).text
    moved = browser.post(f"/plans/{plan}/appointment", {"do": "book", "on": "2026-12-18", "at": "14:00"}).location
    send_due(browser.services, "worker")
    assert "A text went to Maud Ellery." in browser.get(moved).text


def test_a_date_that_was_not_changed_is_not_said_to_be_moved(tmp_path: Path) -> None:
    browser, _, plan = with_an_appointment(tmp_path, "dina")
    page = posted(browser, plan, "book", FIRST[0].isoformat(), FIRST[1].isoformat("minutes"))
    assert "<b>Nothing changed.</b> The appointment was on Thu, 10 Dec 2026, 10:30 before." in page
    assert "is moved to" not in page
    posted(browser, plan, "cancel")
    assert "<b>Nothing changed.</b> No appointment was booked." in posted(browser, plan, "cancel")


def test_a_booking_after_the_latest_day_says_so_when_it_is_saved_and_beside_the_plan(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    person = a_person(browser.services)
    plan = give(browser.services, person, a_visit(an_ear("wax-left")), by="nurse").id
    with browser.services.open_reading() as work:
        recall = work.recalls.newest_of(person)
    assert recall is not None
    latest = recall.window.latest
    late = f"after the latest day for this ear ({day(latest)})"
    in_time = posted(browser, plan, "book", latest.isoformat(), "10:00")
    assert "after the latest day" not in in_time
    page = posted(browser, plan, "book", (latest + timedelta(days=1)).isoformat(), "10:00")
    assert f"It is {late}." in page.partition('role="status"')[2].partition("</div>")[0]
    assert f'<b class="late">{late}</b>' in browser.get(f"/people/{person}").text
    assert booked(browser, plan) == (latest + timedelta(days=1), time(10))


@pytest.mark.parametrize(
    ("on", "at", "said"),
    [
        ("2026-12-20", "03:00", "This is a Sunday, 03:00: is that right?"),
        ("2026-12-20", "10:30", "This is a Sunday, 10:30: is that right?"),
        ("2026-12-17", "06:59", "This is a Thursday, 06:59: is that right?"),
        ("2026-12-17", "20:01", "This is a Thursday, 20:01: is that right?"),
        ("2026-12-19", "07:00", ""),
        ("2026-12-18", "20:00", ""),
    ],
)
def test_an_hour_at_which_few_clinics_see_anybody_is_asked_about_and_not_refused(
    tmp_path: Path, on: str, at: str, said: str
) -> None:
    browser, _, plan = with_an_appointment(tmp_path, "dina")
    page = posted(browser, plan, "book", on, at)
    assert said in page and ("is that right?" in page) is bool(said)
    assert booked(browser, plan) == (date.fromisoformat(on), time.fromisoformat(at))


def outlived(folder: Path, **second: object) -> tuple[Browser, str, str, str]:
    """A person whose first plan is over while its appointment stands; then the second plan."""
    browser, person, first = with_an_appointment(folder, "dina")
    browser.clock.forward(hours=1)
    browser.sign_in("dina")
    return browser, person, first, give(browser.services, person, a_visit(**second), by="nurse").id


def test_an_appointment_that_outlived_its_plan_is_kept_with_one_button(tmp_path: Path) -> None:
    browser, person, first, second = outlived(tmp_path)
    page = browser.get("/attention").text
    assert f'href="/people/{person}#plan-{first}"' in page
    page = browser.get(f"/people/{person}").text
    parts = {re.search(r'id="plan-(\w+)"', part)[1]: part for part in page.split("<article ")[1:]}  # type: ignore[index]
    assert 'type="date" value="2026-12-10"' in parts[second] and 'type="time" value="10:30"' in parts[second]
    assert "They come: keep it" in parts[first] and "Cancel it" in parts[first]
    form = parts[first].partition(f'action="/plans/{second}/appointment"')[2].partition("</form>")[0]
    sent = dict(re.findall(r'name="(on|at|do)" value="([^"]+)"', form))
    assert sent == {"on": "2026-12-10", "at": "10:30", "do": "book"}
    posted(browser, second, **sent)
    assert (booked(browser, first), booked(browser, second)) == (None, FIRST)
    assert "An appointment still stands" not in browser.get("/attention").text


def test_an_appointment_that_outlived_its_plan_is_cancelled_with_the_other(tmp_path: Path) -> None:
    browser, person, first, second = outlived(tmp_path)
    posted(browser, first, "cancel")
    assert (booked(browser, first), booked(browser, second)) == (None, None)
    assert "still stands" not in browser.get(f"/people/{person}").text


def test_a_plan_that_is_over_does_not_say_when_somebody_is_due_back(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    person = a_person(browser.services)
    give(browser.services, person, a_visit(), by="nurse")
    assert browser.get(f"/people/{person}").text.count("Due back ") == 1
    at(browser, browser.clock.at.date() + timedelta(days=1))
    give(browser.services, person, a_visit(), by="nurse")
    assert browser.get(f"/people/{person}").text.count("Due back ") == 1


def test_what_they_wrote_stands_above_the_messages(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    page = browser.get(f"/people/{person}").text
    assert page.index("What they wrote</h2>") < page.index("<h2>Messages</h2>")


def test_a_number_that_somebody_said_is_not_theirs_is_no_link_and_not_to_be_used(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    said_not_theirs(browser, person)
    page = browser.get(f"/people/{person}").text
    assert 'href="tel:' not in page and "not to be used" in page and "does not work" not in page
    assert "Somebody said that this mobile number is not theirs" in page
    browser.post(f"/people/{person}/usable", {"channel": "text"})
    page = browser.get(f"/people/{person}").text
    assert 'href="tel:' in page and "not to be used" not in page


def said_not_theirs(browser: Browser, person: str) -> None:
    """Somebody answers a text with "this is not me"."""
    with browser.services.open_work() as work:
        wrong_person_in(
            browser.services, work, person, frozenset({Channel.TEXT}), browser.services.clock.now(), by="text"
        )
        work.commit()
