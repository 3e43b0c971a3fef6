"""One person's record: plans, messages, link, leaving."""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from web.staff_pages import Browser, signed_in

from service.delivery.dispatch import send_due
from service.domain.plan import Status
from service.planning.aftercare import give


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
    assert "sent: the next hop took it" in page
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


def test_nothing_more_is_sent_to_somebody_marked_as_left(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    browser.post(f"/people/{person}/left", {"do": "left"})
    for _ in range(30):
        send_due(browser.services, "worker")
        browser.clock.forward(hours=6)
    assert browser.recorder.sent == []
    browser.sign_in()
    assert "the person has left or has died" in browser.get(f"/people/{person}").text


def test_leaving_by_mistake_can_be_taken_back(tmp_path: Path) -> None:
    browser, person, _ = with_a_plan(tmp_path)
    browser.post(f"/people/{person}/left", {"do": "left"})
    browser.post(f"/people/{person}/left", {"do": "back"})
    send_due(browser.services, "worker")
    assert len(browser.recorder.sent) == 1


@pytest.mark.parametrize(
    "place", ["/people/nobody", "/people/nobody/contact", "/people/nobody/discharge", "/plans/none/given"]
)
def test_what_is_not_there_gets_a_plain_page(tmp_path: Path, place: str) -> None:
    answer = signed_in(tmp_path).get(place)
    assert answer.status_code == 404
    assert "not in the record" in answer.text
