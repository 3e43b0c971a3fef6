"""The recall board: counts by month, lists, decisions, the clinic's own values, and the outcome."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from web.staff_pages import Browser, signed_in

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.recall import Answer, Ended, Recall, RecallState
from service.planning.aftercare import give, live_link
from service.planning.appointments import book
from service.planning.people import mark_died
from service.planning.recalling import answer_in, wrong_person_in
from service.transports.port import RecordingTransport
from service.web.shown import day, days_in_words

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


def save_recall(browser: Browser, person: str, **changes: object) -> None:
    """Put the recall of a person into another state, as if it had come to that."""
    weight, latest = changes.pop("weight", 3.0), changes.pop("latest", date(2027, 9, 1))
    with browser.services.open_work() as work:
        recall = work.recalls.newest_of(person)
        assert recall is not None
        window = replace(recall.window, weight=weight, latest=latest)
        work.recalls.save(replace(recall, window=window, **changes))
        work.commit()


def in_order(page: str) -> list[str]:
    """The people of the list, from the first row on."""
    return re.findall(r'<th scope="row"><a href="/people/([^"]+)"', page)


def test_the_list_begins_with_who_waits_for_a_call_then_who_is_late(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    past = date(2026, 11, 1)
    wanted: dict[str, dict[str, object]] = {
        "heavy": {"weight": 5.0},
        "far": {"weight": 2.0, "latest": date(2027, 9, 2)},
        "near": {"weight": 2.0, "latest": date(2027, 9, 1)},
        "late": {"weight": 4.0, "latest": past},
        "late-longer": {"weight": 4.0, "latest": past - timedelta(days=9)},
        "late-light": {"weight": 1.0, "latest": past - timedelta(days=90)},
        "asked": {"weight": 5.0, "state": RecallState.ANSWERED, "answered": datetime(2026, 11, 24, 9, tzinfo=UTC)},
        "asked-first": {"weight": 1.0, "state": RecallState.ANSWERED, "answered": datetime(2026, 11, 20, tzinfo=UTC)},
    }
    for person, state in wanted.items():
        give(browser.services, a_person(browser.services, person), CAVITY, by="nurse")
        save_recall(browser, person, **state)
    waiting, late = ["asked-first", "asked"], ["late-longer", "late", "late-light"]
    assert in_order(browser.get("/recall").text) == [*waiting, *late, "heavy", "near", "far"]
    assert in_order(browser.get("/recall?standing=answered").text) == waiting
    assert in_order(browser.get("/recall?standing=overdue").text) == late
    assert in_order(browser.get("/recall?standing=due").text) == ["heavy", "near", "far"]


def test_booked_ones_are_listed_by_their_day_and_closed_ones_the_latest_first(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    for number, person in enumerate(("light", "heavy", "last")):
        plan = give(browser.services, a_person(browser.services, person), CAVITY, by="nurse")
        book(browser.services, plan.id, (date(2027, 5, 20 + number), time(10)), "desk")
        save_recall(browser, person, state=RecallState.BOOKED, weight=float(number))
    assert in_order(browser.get("/recall?standing=booked").text) == ["light", "heavy", "last"]
    for number, person in enumerate(("light", "heavy", "last")):
        closed = datetime(2026, 11, 20 + number, tzinfo=UTC)
        save_recall(browser, person, state=RecallState.CLOSED, ended=Ended.DECLINED, closed=closed, weight=9.0 - number)
    assert in_order(browser.get("/recall?standing=closed").text) == ["last", "heavy", "light"]


def test_each_row_says_whom_to_call_and_nothing_else_of_how_they_are_reached(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    services = browser.services
    child = {
        "name": "Alya Rahman",
        "guardian": "Nadia Rahman",
        "phone": "+447700900456",
        "bad": frozenset({Channel.TEXT}),
    }
    give(services, a_person(services, "alya", **child), CAVITY, by="nurse")
    give(services, a_person(services, "ida", phone=None, channels=()), CAVITY, by="nurse")
    listed = browser.get("/recall").text.partition('id="list"')[2]
    rows = {found[1]: found[0] for found in re.finditer(r'<tr><th [^>]+><a href="/people/(\w+)".*?</tr>', listed, re.S)}
    assert '<a href="tel:+447700900123">' in rows["maud"] and "ask for" not in rows["maud"]
    assert '<a href="tel:+447700900456">' in rows["alya"] and "ask for Nadia Rahman" in rows["alya"]
    assert "does not work" in rows["alya"] and "does not work" not in rows["maud"]
    assert "no number" in rows["ida"] and "tel:" not in rows["ida"]
    assert [each for each in ("@example.org", "Elm Row", "EX1 0AB") if each in listed] == []


def test_who_died_is_on_no_list_with_a_number_to_call(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    mark_died(browser.services, "maud", "desk", died=True)
    page = browser.get("/recall?standing=closed").text
    assert in_order(page) == ["maud"] and "tel:" not in page


@pytest.mark.parametrize(
    ("noted", "read"),
    [
        ("due around 2026-11-29, 2027-01-10 at the latest", "due around 29 Nov 2026, 10 Jan 2027 at the latest"),
        ("the appointment of 2026-09-01 at 10:00", "the appointment of 1 Sept 2026 at 10:00"),
        ("2026-02-30 is no day, 12026-11-29 no year", "2026-02-30 is no day, 12026-11-29 no year"),
        ("sent in en: ur is not approved", "sent in en: ur is not approved"),
    ],
)
def test_what_the_service_noted_is_read_with_its_days_in_words(noted: str, read: str) -> None:
    assert days_in_words(noted) == read


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
    page = browser.get("/attention").text
    assert "Arrange the visit." in page and page.count("want") == 1
    assert f'<a href="/recall/{the_recall(browser).id}">Open the recall' in page
    window = the_recall(browser).window
    assert f"due around {window.ideal:%-d %b %Y}, {window.latest:%-d %b %Y} at the latest" in page
    assert window.ideal.isoformat() not in page and window.latest.isoformat() not in page
    assert "1 wants to come" in browser.get("/recall").text
    settle(browser, do="seen", reason="came to the open clinic")
    assert "Arrange the visit" not in browser.get("/attention").text
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
        assert answer.status_code == 422 and "Nothing is saved yet." in answer.text
        marked = re.search(rf'<span class="field-error" id="{field}-error">([^<]+)</span>', answer.text)
        assert marked is not None and said in marked[1]
        assert re.search(rf'name="{field}"[^>]* aria-invalid="true" aria-describedby="{field}-error"', answer.text)
        assert answer.text.count('aria-invalid="true"') == 1
        for name, typed in (form | {field: wrong}).items():
            assert re.search(rf'name="{name}"[^>]*value="{typed}"|name="{name}"[^>]*>{typed}<', answer.text), name
    assert browser.post("/recall/settings", form).status_code == 302
    assert "2026-12-21 0" in browser.get("/recall/settings").text


def test_who_saved_the_settings_last_is_shown_and_nobody_overwrites_them_unseen(tmp_path: Path) -> None:
    browser = a_board(tmp_path, "wren")
    assert "Nobody has saved here yet" in browser.get("/recall/settings").text
    form = {"revision": "0", "weekly": "30", "weeks": "", "chance": "20", "second": "10", "last": "20",
            "give_up": "14", "booking": ""}  # fmt: skip
    saved = browser.post("/recall/settings", form).location
    page = browser.get(saved).text
    assert "Saved by Wren Halloway" in page and "Wed 25 Nov 2026, 10:00." in page and 'role="status"' in page
    refused = browser.post("/recall/settings", form | {"weekly": "25"})
    assert refused.status_code == 422 and "Somebody else saved other values" in refused.text
    assert 'name="weekly" inputmode="numeric" value="25"' in refused.text
    assert re.findall(r"Saved meanwhile: ([^<]+)<", refused.text) == ["30"]
    revision = re.search(r'name="revision" value="(\d+)"', refused.text)
    assert revision is not None and browser.post("/recall/settings", form | {"weekly": "25", "revision": revision[1]})
    assert 'name="weekly" inputmode="numeric" value="25"' in browser.get("/recall/settings").text


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


@pytest.mark.parametrize("answer", [Answer.NO, Answer.ELSEWHERE])
def test_after_a_no_somebody_can_decide_what_happens_now(tmp_path: Path, answer: Answer) -> None:
    browser = a_board(tmp_path)
    invite(browser)
    with browser.services.open_work() as work:
        answer_in(browser.services, work, "maud", answer, by="page", now=browser.clock.at)
        work.commit()
    place = f"/recall/{the_recall(browser).id}"
    assert place in browser.get("/attention").text
    page = browser.get(place).text
    offered = re.findall(r'name="do" value="([^"]+)"', page)
    assert offered == ["invite", "leave-closed"]
    (link,) = re.findall(r'href="([^"]+)">Book a visit on the record', page)
    assert link.endswith(f"#plan-{the_recall(browser).plan_id}")
    assert "<details open><summary>Book an appointment" in browser.get(link).text
    assert "<details open>" not in browser.get("/people/maud").text
    assert settle(browser, do="leave-closed", reason="spoke to them") == 302
    assert "decide what happens now" not in browser.get("/attention").text
    assert "Leave it closed: nothing more is asked (“spoke to them”)" in browser.get(place).text
    assert settle(browser, do="declined" if answer is Answer.ELSEWHERE else "no-answer", reason="x") == 422
    assert settle(browser, do="invite", reason="they think again", on="2027-06-01") == 302
    after = the_recall(browser)
    assert (after.state, after.invite_on, after.ended) == (RecallState.DUE, date(2027, 6, 1), None)


def test_a_recall_that_ended_otherwise_offers_nothing(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    assert settle(browser, do="seen", reason="came to the open clinic") == 302
    page = browser.get(f"/recall/{the_recall(browser).id}").text
    assert "This recall is over. A new plan with a return opens the next one." in page
    assert 'name="do"' not in page


def test_to_invite_again_says_what_becomes_of_invitations_that_wait(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    place = f"/recall/{the_recall(browser).id}"
    assert "The 3 invitations that wait are replaced" in browser.get(place).text
    invite(browser)
    assert "The 2 invitations that wait are replaced" in browser.get(place).text
    settle(browser, do="declined", reason="on the telephone")
    assert "are replaced" not in browser.get(place).text


def test_an_appointment_whose_day_has_passed_is_asked_about_on_the_board(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    recall = the_recall(browser)
    on = browser.clock.at.date() + timedelta(days=15)
    book(browser.services, recall.plan_id, (on, time(9, 40)), "desk")
    browser.clock.at = datetime.combine(on, time(12), UTC)
    browser.sign_in("dina")
    listed = browser.get("/recall?standing=booked").text.partition('id="list"')[2]
    assert f"Booked for {day(on)}" in listed
    browser.clock.forward(days=1)
    browser.sign_in("dina")
    listed = browser.get("/recall?standing=booked").text.partition('id="list"')[2]
    asked = f'<a href="/people/maud#plan-{recall.plan_id}">did they come?</a>'
    assert f"Was booked for {day(on)}:</b> {asked}" in listed and "Booked for" not in listed


def test_a_number_that_somebody_said_is_not_theirs_is_not_to_be_called(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    services = browser.services
    with services.open_work() as work:
        wrong_person_in(services, work, "maud", frozenset({Channel.TEXT}), browser.clock.at, by="text")
        work.commit()
    listed = browser.get("/recall").text.partition('id="list"')[2]
    one = browser.get(f"/recall/{the_recall(browser).id}").text
    for page in (listed, one, browser.get("/attention").text):
        assert "+447700900123" in page and "not to be used" in page
        assert "tel:" not in page and "does not work" not in page
