"""Discharge: tick, propose, look, give."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from builders import a_person, an_ear
from web.staff_pages import Browser, previewed, signed_in

from service.delivery.dispatch import send_due
from service.domain.message import MessageKind
from service.domain.plan import Status
from service.domain.visit import Side

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


def test_a_second_click_on_give_gives_no_second_plan(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    page = browser.post(f"/people/{person}/discharge", {**COMMON, "do": "propose"})
    for _ in range(2):
        browser.post(f"/people/{person}/discharge", {**COMMON, "do": "give", "previewed": previewed(page)})
    assert plans(browser, person) == [Status.ACTIVE]


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


def test_somebody_who_left_is_given_nothing(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services, left=date(2026, 11, 1))
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
