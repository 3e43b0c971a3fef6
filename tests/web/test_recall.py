"""The recall board: counts by month, lists, decisions, the clinic's own values, and the outcome."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from web.staff_pages import Browser, signed_in

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.recall import Answer, Ended, Recall, RecallState
from service.planning.aftercare import give, live_link
from service.planning.people import mark_died
from service.planning.recalling import answer_in
from service.transports.port import RecordingTransport

CAVITY = a_visit(an_ear("mastoid-cavity"))


def a_board(folder: Path, login: str = "dina") -> Browser:
    browser = signed_in(folder, login)
    browser.services.transports = dict.fromkeys(Channel, RecordingTransport())
    give(browser.services, a_person(browser.services), CAVITY, by="nurse")
    return browser


def the_recall(browser: Browser) -> Recall:
    with browser.services.open_reading() as work:
        found = work.recalls.newest_of("maud")
    assert found is not None
    return found


def invite(browser: Browser, login: str = "dina") -> None:
    browser.clock.at = datetime.combine(the_recall(browser).invite_on, time(12), UTC)
    send_due(browser.services, "worker")
    browser.sign_in(login)


def settle(browser: Browser, **form: str) -> int:
    return browser.post(f"/recall/{the_recall(browser).id}", form).status_code


def test_the_board_counts_by_month_and_links_to_who_it_is(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    due = the_recall(browser).window.ideal
    page = browser.get("/recall").text
    assert '<a href="/recall" aria-current="page">Recall</a>' in page
    assert re.search(rf'href="/recall\?standing=due&amp;month={due:%Y-%m}#list">1</a>', page)
    assert "Maud" in page and "Mastoid cavity care" in page
    assert "Nobody." in browser.get("/recall?standing=overdue").text
    assert "Maud" in browser.get(f"/recall?standing=due&month={due:%Y-%m}").text
    assert browser.get("/recall?month=nonsense").status_code == 404


def test_who_is_invited_and_who_is_overdue_moves_on_the_board(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    invite(browser)
    assert "1 of 3 invitations out" in browser.get("/recall?standing=invited").text
    browser.clock.at = datetime.combine(the_recall(browser).window.latest, time(12), UTC)
    browser.clock.forward(days=1)
    browser.sign_in("dina")
    assert "1 overdue" in browser.get("/recall").text
    assert "Maud" in browser.get("/recall?standing=overdue").text


@pytest.mark.parametrize(
    ("do", "ended"), [("declined", Ended.DECLINED), ("seen-elsewhere", Ended.ELSEWHERE), ("no-answer", Ended.NO_ANSWER)]
)
def test_a_decision_with_its_reason_closes_the_recall(tmp_path: Path, do: str, ended: Ended) -> None:
    browser = a_board(tmp_path)
    assert settle(browser, do=do, reason="said so on the phone") == 302
    assert the_recall(browser).ended is ended
    assert "said so on the phone" in browser.get(f"/recall/{the_recall(browser).id}").text
    with browser.services.open_reading() as work:
        waiting = [
            m for m in work.messages.of_person("maud") if m.planned.key.startswith("return-due") and not m.superseded
        ]
    assert waiting == []


def test_a_decision_needs_a_reason_and_keeps_what_was_typed(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    answer = browser.post(f"/recall/{the_recall(browser).id}", {"do": "invite", "on": "2027-02-30", "reason": "asked"})
    assert answer.status_code == 422 and "year-month-day" in answer.text and 'value="asked"' in answer.text
    assert settle(browser, do="declined", reason=" ") == 422
    assert settle(browser, do="", reason="x") == 422
    assert settle(browser, do="invite", reason="x", on="2035-01-01") == 422
    assert the_recall(browser).state is RecallState.DUE


def test_an_invitation_can_be_sent_anew_from_a_day_on(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    assert settle(browser, do="invite", reason="comes back from abroad", on="2027-06-01") == 302
    recall = the_recall(browser)
    assert (recall.round, recall.invite_on) == (2, date(2027, 6, 1))


def test_only_a_clinician_says_that_a_visit_is_not_needed(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    assert settle(browser, do="not-needed", reason="x") == 403
    browser.sign_in("wren")
    assert settle(browser, do="not-needed", reason="drum healed") == 302
    assert the_recall(browser).ended is Ended.NOT_NEEDED


def test_who_wants_to_come_is_on_the_attention_list_until_somebody_decides(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    invite(browser)
    with browser.services.open_work() as work:
        answer_in(browser.services, work, "maud", Answer.BOOK, by="page", now=browser.clock.at)
        work.commit()
    assert "arrange the visit" in browser.get("/attention").text
    assert "1 wants to come" in browser.get("/recall").text
    settle(browser, do="seen", reason="came to the open clinic")
    assert "arrange the visit" not in browser.get("/attention").text
    assert the_recall(browser).state is RecallState.SEEN


def test_the_lead_sets_capacity_and_spacing_and_a_mistake_names_its_field(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    assert browser.get("/recall/settings").status_code == 403
    browser.sign_in("wren")
    page = browser.get("/recall/settings").text
    assert 'name="weekly" inputmode="numeric" value="40"' in page
    form = {"revision": "0", "weekly": "30", "weeks": "2026-12-23 0", "chance": "15", "second": "10", "last": "20",
            "give_up": "14", "booking": "https://book.example.org/"}  # fmt: skip
    for field, wrong, said in (
        ("weekly", "-1", "Visits in a week"),
        ("weeks", "Christmas", "line 1"),
        ("chance", "90", "between 5% and 50%"),
        ("second", "1", "between 3 and 180 days"),
        ("booking", "http://book.example.org/", "https://"),
    ):
        answer = browser.post("/recall/settings", form | {field: wrong})
        assert answer.status_code == 422 and said in answer.text and wrong in answer.text
    assert browser.post("/recall/settings", form).status_code == 302
    assert "2026-12-21 0" in browser.get("/recall/settings").text
    assert "Somebody else saved" in browser.post("/recall/settings", form).text


def test_the_outcome_counts_groups_and_names_nobody(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    invite(browser)
    with browser.services.open_work() as work:
        answer_in(browser.services, work, "maud", Answer.NO, by="text", now=browser.clock.at)
        work.commit()
    page = browser.get("/recall/outcome").text
    assert "0 of 1 came or booked" in page and "Maud" not in page
    assert "English" in page and "Does not want the visit" in page
    browser.clock.forward(days=1)
    give(
        browser.services,
        "maud",
        a_visit(an_ear("mastoid-cavity", "hard-wax-cleared"), on=browser.clock.at.date()),
        by="nurse",
    )
    browser.sign_in("dina")
    assert browser.get("/recall/outcome?from=nonsense").status_code == 200


def test_who_came_back_with_a_plug_is_counted(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    invite(browser)
    give(
        browser.services,
        "maud",
        a_visit(an_ear("mastoid-cavity", "hard-wax-cleared"), on=browser.clock.at.date()),
        by="nurse",
    )
    page = browser.get("/recall/outcome").text
    assert "1 of 1 came or booked" in page
    assert re.search(r"No doses in the plan|no doses in the plan", page)


@pytest.mark.parametrize("month", ["9999-12", "0000-01", "2027-13", "2027-1", "9" * 4000])
def test_a_month_that_cannot_be_shown_is_not_found(tmp_path: Path, month: str) -> None:
    browser = a_board(tmp_path)
    assert browser.get(f"/recall?month={month}").status_code == 404


@pytest.mark.parametrize(
    "booking", ["https://", "https://a b.example", "https://x.example/\x00", "https://" + "a" * 600]
)
def test_a_booking_page_that_no_browser_opens_is_refused(tmp_path: Path, booking: str) -> None:
    browser = a_board(tmp_path, "wren")
    form = {"revision": "0", "weekly": "30", "weeks": "", "chance": "15", "second": "10", "last": "20", "give_up": "14"}
    answer = browser.post("/recall/settings", form | {"booking": booking})
    assert answer.status_code == 422 and "The booking page: its whole address" in answer.text


def test_the_page_of_who_died_takes_no_answer_and_asks_nobody_for_another_number(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    invite(browser)
    services = browser.services
    with services.open_work() as work:
        token = live_link(services, work, "maud", browser.clock.at)
        answer_in(services, work, "maud", Answer.NO, by="page", now=browser.clock.at)
        work.commit()
    mark_died(services, "maud", "desk", died=True)
    assert 'name="answer"' not in browser.get(f"/p/{token}").text
    browser.client.post(f"/p/{token}/answer", data={"answer": "book"})
    assert the_recall(browser).ended is Ended.DECLINED
    gone = browser.client.post(f"/p/{token}/answer", data={"answer": "wrong-person"})
    assert gone.status_code == 200 and "cavity" not in gone.text.casefold() and "Maud" not in gone.text
    assert browser.client.get(f"/p/{token}").status_code == 404
    with services.open_reading() as work:
        assert not {each.reason for each in work.ledger.attention()} & {"recall-wrong-person", "recall-declined"}
