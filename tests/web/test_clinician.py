"""Discharge: tick, propose, look, give."""

from __future__ import annotations

import re
import threading
import uuid
from datetime import date
from pathlib import Path

import pytest
from builders import StoppedClock, a_person, a_service, an_ear, some_settings
from flask.testing import FlaskClient
from web.staff_pages import PASSWORD, Browser, password_hash, previewed, signed_in
from werkzeug.test import TestResponse

from service.delivery.dispatch import send_due
from service.domain.message import MessageKind
from service.domain.plan import Status
from service.domain.visit import Side
from service.storage.records import Staff
from service.transports.port import RecordingTransport
from service.web.app import create_app

COMMON = {"right.findings": "hard-wax-cleared", "right.removed_by": "suction", "left.findings": "normal"}


def propose(browser: Browser, person: str, data: dict[str, object]) -> str:
    page = browser.post(f"/people/{person}/discharge", {**data, "do": "propose"})
    assert page.status_code == 200, page.text
    return page.text


def give(browser: Browser, person: str, data: dict[str, object]) -> None:
    page = browser.post(f"/people/{person}/discharge", {**data, "do": "propose"})
    answer = browser.post(f"/people/{person}/discharge", {**data, "do": "give", "previewed": previewed(page)})
    assert answer.status_code == 302, answer.text


def plans(browser: Browser, person: str) -> list[Status]:
    with browser.services.open_reading() as work:
        return [stored.status for stored in work.plans.of_person(person)]


def test_the_common_case_is_proposed_previewed_and_given(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    shown = propose(browser, person, COMMON)
    assert "Clear ear, no drops (proposed)" in shown
    assert "Larkfield Ear Care: here is your plan from your visit: https://larkfield.example/p/" in shown
    assert "alphabet GSM7" in shown
    give(browser, person, COMMON)
    with browser.services.open_reading() as work:
        (stored,) = work.plans.of_person(person)
        kinds = [m.planned.kind for m in work.messages.of_person(person)]
        (visit,) = work.plans.visits_of(person)
        actions = [line.action for line in work.ledger.history(person)]
    assert stored.by == "Wren Halloway (wren)"
    assert stored.plan.ears[Side.RIGHT].template == "clear-ear"
    assert visit.visit.right == an_ear("hard-wax-cleared", by="suction")
    assert MessageKind.PLAN_GIVEN in kinds
    assert "record-viewed" in actions


def test_what_was_previewed_is_what_is_sent(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    shown = propose(browser, person, COMMON)
    give(browser, person, COMMON)
    send_due(browser.services, "worker")
    (sent,) = browser.recorder.sent
    before, _, after = sent.message.text.partition(sent.message.text.split("/p/")[1][:22])
    assert before in shown and after in shown


def test_a_change_after_the_preview_is_shown_again_before_it_is_given(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    page = browser.post(f"/people/{person}/discharge", {**COMMON, "do": "propose"})
    changed = {**COMMON, "left.findings": "grommet", "do": "give", "previewed": previewed(page)}
    again = browser.post(f"/people/{person}/discharge", changed)
    assert again.status_code == 200
    assert "Something changed after the preview" in again.text
    assert plans(browser, person) == []


def filled(page: TestResponse) -> dict[str, object]:
    """The discharge form of the page, ready to be given."""
    key = re.search(r'name="request" value="([0-9a-f]{32})"', page.text)
    assert key is not None, "the form carries a key"
    return {**COMMON, "do": "give", "previewed": previewed(page), "request": key[1]}


def test_a_form_given_ten_times_gives_one_plan_and_ten_times_the_same_answer(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    form = filled(browser.post(f"/people/{person}/discharge", {**COMMON, "do": "propose"}))
    answers = [browser.post(f"/people/{person}/discharge", form) for _ in range(10)]
    assert {answer.status_code for answer in answers} == {302}
    assert len({answer.location for answer in answers}) == 1
    assert plans(browser, person) == [Status.ACTIVE]


def test_a_used_form_with_other_ticks_gives_nothing_says_so_and_keeps_every_tick(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    form = filled(browser.post(f"/people/{person}/discharge", {**COMMON, "do": "propose"}))
    given = browser.post(f"/people/{person}/discharge", form)
    other = {**form, "left.findings": "grommet", "history": "swimmer"}
    page = browser.post(f"/people/{person}/discharge", other)
    assert page.status_code == 409
    assert "This form was used already" in page.text and f'href="{given.location}"' in page.text
    assert plans(browser, person) == [Status.ACTIVE]
    for tick in ("hard-wax-cleared", "suction", "grommet", "swimmer"):
        assert f'value="{tick}" checked' in page.text
    browser.clock.forward(minutes=1)
    # The page that says so can be given at once, as a new plan.
    again = {**other, **{name: filled(page)[name] for name in ("previewed", "request")}}
    assert browser.post(f"/people/{person}/discharge", again).status_code == 302
    assert plans(browser, person) == [Status.ACTIVE, Status.COMPLETED]


def test_each_form_that_is_shown_carries_a_key_of_its_own(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    keys = [filled(browser.post(f"/people/{person}/discharge", COMMON))["request"] for _ in range(3)]
    assert len(set(keys)) == 3


def test_a_second_window_gives_no_second_plan(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    windows = [filled(browser.post(f"/people/{person}/discharge", COMMON)) for _ in range(2)]
    assert browser.post(f"/people/{person}/discharge", windows[0]).status_code == 302
    page = browser.post(f"/people/{person}/discharge", windows[1])
    assert "Something changed after the preview" in page.text
    assert plans(browser, person) == [Status.ACTIVE]


@pytest.mark.parametrize("key", ["", "x", "0" * 31, "Z" * 32, "0" * 33])
def test_a_key_that_the_server_did_not_make_protects_nothing_and_harms_nothing(tmp_path: Path, key: str) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    form = {**filled(browser.post(f"/people/{person}/discharge", COMMON)), "request": key}
    for _ in range(2):
        browser.post(f"/people/{person}/discharge", form)
    assert plans(browser, person) == [Status.ACTIVE]


@pytest.mark.parametrize("same", [True, False])
def test_ten_presses_at_once_give_one_plan(database_url: str, tmp_path: Path, same: bool) -> None:
    """With the same content all get one answer; where each asks something else, one wins and the others are told."""
    services, _ = a_service(database_url, clock=StoppedClock(), new_id=lambda: uuid.uuid4().hex)
    with services.open_work() as work:
        wren = Staff(id="wren", login="wren", name="Wren Halloway", roles=frozenset({"clinician"}))
        work.staff.add(wren, password_hash())
        work.commit()
    person = a_person(services)
    app = create_app(services, some_settings(tmp_path))
    clients = [app.test_client() for _ in range(10)]
    first = Browser(client=clients[0], services=services, recorder=RecordingTransport(), clock=StoppedClock())
    assert first.sign_in("wren", PASSWORD).status_code == 302
    form = {**filled(first.post(f"/people/{person}/discharge", COMMON)), "csrf": first.token()}
    cookie = first.client.get_cookie("tragus-staff")
    assert cookie is not None
    start, answers = threading.Barrier(len(clients)), []

    def press(client: FlaskClient, number: int) -> None:
        client.set_cookie("tragus-staff", cookie.value)
        sent = form if same else {**form, "left.seen": f"x{number}"}
        start.wait(120)
        answers.append(client.post(f"/people/{person}/discharge", data=sent))

    threads = [threading.Thread(target=press, args=(client, number)) for number, client in enumerate(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with services.open_reading() as work:
        (stored,) = work.plans.of_person(person)
    codes = sorted(answer.status_code for answer in answers)
    assert codes == ([302] * 10 if same else [302] + [409] * 9)
    assert {answer.location for answer in answers if answer.status_code == 302} == {f"/plans/{stored.id}/given"}


def test_somebody_who_withdrew_consent_is_given_paper(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services, withdrawn=date(2026, 11, 1))
    shown = propose(browser, person, COMMON)
    assert "Consent to messages was withdrawn on Sun, 1 Nov 2026: <b>nothing will be sent</b>" in shown
    give(browser, person, COMMON)
    with browser.services.open_reading() as work:
        (stored,) = work.plans.of_person(person)
    assert "Consent to messages was withdrawn, so nothing will be sent" in browser.get(f"/plans/{stored.id}/given").text
    send_due(browser.services, "worker")
    assert browser.recorder.sent == []


def test_a_barred_agent_is_refused_with_the_reason_and_every_tick_is_kept(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    data = {"right.findings": "wax-left", "history": "almond-allergy", "right.agent": "almond-oil", "do": "propose"}
    page = browser.post(f"/people/{person}/discharge", data)
    assert page.status_code == 422
    assert "Right ear, what to put in" in page.text
    assert "Almond allergy: no almond oil." in page.text
    assert 'value="wax-left" checked' in page.text
    assert 'value="almond-allergy" checked' in page.text


def test_excluding_findings_are_refused_in_the_words_of_the_form(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    page = browser.post(
        f"/people/{person}/discharge", {"right.findings": ["hard-wax-cleared", "wax-left"], "do": "propose"}
    )
    assert page.status_code == 422
    assert "Right ear: “Hard wax, cleared” and “Wax left, to return for” cannot both be true" in page.text


def test_setting_a_rule_aside_needs_a_reason_that_goes_on_record(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    rule = "nothing-small-in-the-ear"
    data = {**COMMON, "left.set-aside": rule}
    refused = browser.post(f"/people/{person}/discharge", {**data, "do": "propose"})
    assert refused.status_code == 422
    assert "say why this person is an exception" in refused.text
    assert f'name="left.set-aside" value="{rule}" checked' in refused.text  # there to be mended
    assert "Give this plan" not in refused.text
    give(browser, person, {**data, f"left.reason.{rule}": "was told already"})
    with browser.services.open_reading() as work:
        (stored,) = work.plans.of_person(person)
        notes = [line.detail for line in work.ledger.history(stored.id) if line.action == "rule-overruled"]
    assert notes == [{"rule": rule, "side": "left", "reason": "was told already"}]


def test_a_refused_choice_stays_on_the_page_beside_the_reason(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    data = {**COMMON, "right.template": "wax-left", "right.return_days": "700", "do": "propose"}
    page = browser.post(f"/people/{person}/discharge", data)
    assert page.status_code == 422
    assert "Right ear, days until the return: 700 is outside 5 to 42 days" in page.text
    assert '<option value="wax-left" selected>' in page.text
    assert page.text.index('id="proposal"') < page.text.index('id="refused"')  # where the page jumps to


def test_a_rule_that_cannot_be_set_aside_stays(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    rule = next(r.id for r in browser.services.pack.rules.values() if r.overrule.value == "never")
    data = {**COMMON, "left.set-aside": rule, f"left.reason.{rule}": "because", "do": "propose"}
    page = browser.post(f"/people/{person}/discharge", data)
    assert page.status_code == 422
    assert "cannot be set aside" in page.text


def test_a_red_flag_shows_urgent_advice_and_offers_no_drops(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    shown = propose(browser, person, {"right.findings": ["wax-left", "sudden-hearing-loss"], "left.findings": "normal"})
    assert "Urgent advice takes the place of a plan" in shown
    assert "Give urgent advice" in shown
    assert 'name="right.agent"' not in shown


def test_a_plan_in_force_is_named_before_it_ends(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    give(browser, person, {"right.findings": "wax-left", "left.findings": "grommet"})
    page = browser.get(f"/people/{person}/discharge").text
    assert "left ear: Grommet watch" in page
    assert "Still running: Olive oil, right ear" in page
    assert "ends it for <b>both ears</b>" in page


def test_a_choice_is_let_go_when_the_ticks_it_was_made_for_change(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    shown = propose(
        browser,
        person,
        {"right.findings": "grommet", "right.template": "wax-left", "right.seen": "wax-left"},
    )
    assert "What was chosen for the right ear was let go" in shown
    assert "Grommet watch (proposed)" in shown


def test_the_history_of_the_record_is_ticked_already_and_taken_over(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    give(browser, person, {**COMMON, "history": ["almond-allergy", "swimmer"]})
    page = browser.get(f"/people/{person}/discharge").text
    assert 'value="almond-allergy" checked' in page
    assert 'value="diabetes" checked' not in page


def test_an_appointment_is_booked_into_the_plan(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    data = {"right.findings": "wax-left", "next_appointment": "2026-12-09", "next_appointment_time": "14:30"}
    give(browser, person, data)
    with browser.services.open_reading() as work:
        (stored,) = work.plans.of_person(person)
        kinds = {m.planned.kind for m in work.messages.of_person(person)}
    assert stored.appointment is not None and stored.appointment[0] == date(2026, 12, 9)
    assert MessageKind.APPOINTMENT in kinds


def test_nothing_approved_is_said_before_it_is_given(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, approve=())
    person = a_person(browser.services)
    shown = propose(browser, person, COMMON)
    assert "nothing will be sent" in shown
    assert "Not approved: this will not be sent." in shown


def test_a_person_whom_nothing_reaches_is_given_paper(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services, channels=())
    shown = propose(browser, person, COMMON)
    assert "Hand over the printed sheet" in shown


def test_the_link_is_shown_for_ten_minutes_to_the_one_who_gave_the_plan(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    give(browser, person, COMMON)
    with browser.services.open_reading() as work:
        (stored,) = work.plans.of_person(person)
    place = f"/plans/{stored.id}/given"
    assert "https://larkfield.example/p/" in browser.get(place).text
    browser.sign_in("cleo")
    assert "https://larkfield.example/p/" not in browser.get(place).text
    browser.sign_in("wren")
    browser.clock.forward(minutes=11)
    assert "https://larkfield.example/p/" not in browser.get(place).text


def test_the_sheet_can_be_seen_before_and_printed_after(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    before = browser.post(f"/people/{person}/sheet", COMMON)
    assert before.content_type == "application/pdf" and before.data.startswith(b"%PDF")
    assert plans(browser, person) == []
    give(browser, person, COMMON)
    with browser.services.open_reading() as work:
        (stored,) = work.plans.of_person(person)
    after = browser.get(f"/plans/{stored.id}/sheet.pdf")
    assert after.content_type == "application/pdf" and after.data.startswith(b"%PDF")
    assert before.data != after.data


@pytest.mark.parametrize("how", ["left", "died"])
def test_somebody_who_moved_away_or_died_is_given_nothing(tmp_path: Path, how: str) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services, **{how: date(2026, 11, 1)})
    assert browser.get(f"/people/{person}/discharge").status_code == 404
    assert plans(browser, person) == []


@pytest.mark.parametrize(
    "data",
    [
        {},
        {"do": "give"},
        {"do": "give", "previewed": "0" * 64, **COMMON},
        {"right.findings": "no-such-finding"},
        {"right.findings": "normal", "right.template": "no-such-template"},
        {"right.findings": "normal", "right.return_days": "99999999999999999999"},
        {"right.findings": "normal", "right.return_days": "٣"},
        {"right.findings": "normal", "next_appointment": "9999-12-31", "next_appointment_time": "23:59"},
        {"right.findings": "normal", "left.set-aside": "no-such-rule", "left.reason.no-such-rule": "x"},
        {"right.findings": "normal\x00", "history": "\ud800".encode("utf-8", "surrogatepass")},
    ],
)
def test_stale_or_hand_made_forms_get_a_sentence_and_give_nothing(tmp_path: Path, data: dict[str, object]) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    page = browser.post(f"/people/{person}/discharge", data)
    assert page.status_code in (200, 422)
    assert "RIGHT ear" in page.text
    assert plans(browser, person) == []


def test_the_appointment_that_stands_is_typed_already_and_whoever_clears_it_is_taken_at_their_word(
    tmp_path: Path,
) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    booked = {"right.findings": "wax-left", "next_appointment": "2026-12-09", "next_appointment_time": "14:30"}
    give(browser, person, booked)
    page = browser.get(f"/people/{person}/discharge").text
    assert 'type="date" value="2026-12-09"' in page and 'type="time" value="14:30"' in page
    assert "(as booked before)" in page
    give(browser, person, COMMON)
    assert "An appointment still stands: say what becomes of it" in browser.get("/attention").text
    with browser.services.open_reading() as work:
        (earlier,) = [each for each in work.plans.of_person(person) if each.appointment is not None]
    parts = browser.get(f"/people/{person}").text.split('<article class="plan')
    said = [part for part in parts if "This plan is over, and its appointment still stands." in part]
    assert [f'id="plan-{earlier.id}"' in part for part in said] == [True]
    answer = browser.post(f"/plans/{earlier.id}/appointment", {"do": "cancel"})
    assert answer.status_code == 302
    page = browser.get(f"/people/{person}").text
    assert "This plan is over" not in page
    assert "An appointment still stands" not in browser.get("/attention").text


BOOKED = {"right.findings": "wax-left", "next_appointment": "2026-12-09", "next_appointment_time": "14:30"}
STILL = "Still booked: Wed, 9 Dec 2026, 14:30."


@pytest.mark.parametrize(
    ("data", "before", "after"),
    [
        (
            COMMON,
            f"{STILL} Leaving it out does not cancel it: the attention list asks.",
            f"{STILL} It is not cancelled: the attention list asks.",
        ),
        (
            {**COMMON, "next_appointment": "2026-12-09"},
            f"{STILL} Leaving it out does not cancel it: the attention list asks.",
            f"{STILL} It is not cancelled: the attention list asks.",
        ),
        (
            {**COMMON, "next_appointment": "2026-12-10", "next_appointment_time": "09:00"},
            f"{STILL} It moves to Thu, 10 Dec 2026, 09:00.",
            "The appointment of Wed, 9 Dec 2026, 14:30 moved to Thu, 10 Dec 2026, 09:00.",
        ),
        (
            {"right.findings": "sudden-hearing-loss", "left.findings": "normal"},
            f"{STILL} It stays with the plan that is put on hold.",
            f"{STILL} It stays with its plan.",
        ),
        ({**COMMON, "next_appointment": "2026-12-09", "next_appointment_time": "14:30"}, "", ""),
    ],
    ids=["left out", "without its time", "another one", "urgent advice", "the same"],
)
def test_what_becomes_of_the_appointment_that_stands_is_said_before_and_after(
    tmp_path: Path, data: dict[str, object], before: str, after: str
) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    give(browser, person, BOOKED)
    assert "Still booked" not in browser.get(f"/people/{person}/discharge").text, "nothing is proposed yet"
    page = browser.post(f"/people/{person}/discharge", {**data, "do": "propose"})
    assert before in page.text and ("Still booked" in page.text) is bool(before)
    answer = browser.post(f"/people/{person}/discharge", {**data, "do": "give", "previewed": previewed(page)})
    assert answer.status_code == 302, answer.text
    given = browser.get(answer.location).text
    assert after in given and ("9 Dec 2026" in given) is bool(after)
