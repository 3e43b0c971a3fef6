"""One recall as staff see it: each ear with its own kind, and what became of an invitation on paper; and the first week
of the plot, where the clinic is closed."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

from builders import a_person, a_visit, an_ear
from web.staff_pages import signed_in
from web.test_recall import CAVITY, a_board, invite, the_recall

from service.domain.contact import Channel
from service.domain.recall import Answer, monday
from service.planning.aftercare import give
from service.planning.posting import mark_posted
from service.planning.recall_settings import save_settings, settings_now
from service.planning.recalling import answer_in
from service.transports.printed import PrintedTransport
from service.web.shown import day


def test_each_ear_stands_with_its_own_kind_and_day(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    wax_right_cavity_left = a_visit(an_ear("wax-left"), an_ear("mastoid-cavity"))
    stored = give(browser.services, a_person(browser.services), wax_right_cavity_left, by="nurse")
    days = {side.value: back.on for back in stored.plan.returns for side in back.ears.sides}
    assert days["right"] < days["left"], "two ears due at different times"
    page = browser.get(f"/recall/{the_recall(browser).id}").text
    (found,) = re.findall(r"<dt>Ears</dt><dd>(.*?)</dd>", page)
    said = re.sub(r"<[^>]+>", "", found)
    kinds = {"right": "Wax left: soften, then return", "left": "Mastoid cavity care"}
    assert said == "".join(f"{side.capitalize()} ear {kinds[side]}, {day(days[side])}" for side in ("right", "left"))
    board = browser.get("/recall").text
    assert "Mastoid cavity care" in board and "the list names the ear that weighs more" in board


def test_an_invitation_by_letter_says_whether_it_was_posted(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    browser.services.transports = {Channel.LETTER: PrintedTransport(tmp_path / "letters")}
    give(browser.services, a_person(browser.services, channels=(Channel.LETTER,)), CAVITY, by="nurse")
    invite(browser)
    place = f"/recall/{the_recall(browser).id}"
    assert "nobody has ticked it as posted" in browser.get(place).text
    with browser.services.open_reading() as work:
        letter = next(m for m in work.messages.of_person("maud") if m.planned.key == "return-due/1/1")
    assert mark_posted(browser.services, letter.id, "dina")
    page = browser.get(place).text
    assert "nobody has ticked it as posted" not in page and "; posted " in page


def test_the_room_is_named_at_the_first_week_that_has_some(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    services, today = browser.services, browser.clock.at.date()
    with services.open_reading() as work:
        present = settings_now(services, work)
    save_settings(services, replace(present, weekly=7, weeks={monday(today).isoformat(): 0}), "lead")
    drawn = re.findall(r'<text x="([^"]+)"[^>]*>(room for [^<]+)</text>', browser.get("/recall").text)
    assert drawn == [("34.0", "room for 7")]  # 26 weeks share 780: the second begins at 30


def test_who_wants_to_come_and_is_late_is_marked_late(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    invite(browser)
    with browser.services.open_work() as work:
        answer_in(browser.services, work, "maud", Answer.BOOK, by="page", now=browser.clock.at)
        work.commit()
    late = '<b class="late">Overdue.</b> <b>Wants to come</b>'
    assert late not in browser.get("/recall").text
    browser.clock.at = datetime.combine(the_recall(browser).window.latest, time(12), UTC) + timedelta(days=1)
    browser.sign_in("dina")
    assert late in browser.get("/recall").text


def test_reasons_of_closing_are_counted_in_words_that_hold_for_any_number(tmp_path: Path) -> None:
    browser = a_board(tmp_path)
    give(browser.services, a_person(browser.services, "other"), CAVITY, by="nurse")
    invite(browser)
    with browser.services.open_work() as work:
        for person, said in (("maud", Answer.NO), ("other", Answer.NO)):
            answer_in(browser.services, work, person, said, by="page", now=browser.clock.at)
        work.commit()
    assert "Closed without a visit in these months: does not want the visit (2)." in browser.get("/recall").text
