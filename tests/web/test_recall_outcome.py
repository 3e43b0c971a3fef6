"""The page of what came of recalls: both numbers in plain words, every group by its name for staff, and nobody's name."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear
from sqlalchemy import update
from web.staff_pages import Browser, signed_in

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.recall import Answer, Recall
from service.domain.uptake import Group, Words, wilson
from service.planning.aftercare import give
from service.planning.people import mark_died
from service.planning.recalling import answer_in
from service.storage.tables import MessageRow
from service.transports.port import RecordingTransport
from service.web.recall_outcome import in_words

SOME = Group(share=wilson(1, 2), open=1)
JUNE = datetime(2027, 6, 1, 12, tzinfo=UTC)


def asked(folder: Path, people: int) -> Browser:
    """A clinic that has just sent so many people their first invitation."""
    browser = signed_in(folder, "dina")
    browser.services.transports = dict.fromkeys(Channel, RecordingTransport())
    for number in range(people):
        give(browser.services, a_person(browser.services, f"person{number}"), a_visit(), by="nurse")
    browser.clock.at = datetime.combine(the_recall(browser, "person0").invite_on, time(12), UTC)
    send_due(browser.services, "worker")
    browser.sign_in("dina")
    return browser


def the_recall(browser: Browser, person: str) -> Recall:
    with browser.services.open_reading() as work:
        found = work.recalls.newest_of(person)
    assert found is not None
    return found


def answer(browser: Browser, person: str, said: Answer, days: int = 200) -> None:
    with browser.services.open_work() as work:
        later = browser.clock.at.date() + timedelta(days=days)
        assert answer_in(browser.services, work, person, said, by="page", now=browser.clock.at, later=later)
        work.commit()


def come(browser: Browser, person: str) -> None:
    give(browser.services, person, a_visit(an_ear("hard-wax-cleared"), on=browser.clock.at.date()), by="nurse")


def said(page: str) -> str:
    """What the page says, without its tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", page.split("<main")[1]).split())


def named(browser: Browser, *all_words: Words) -> list[str]:
    with browser.client.application.app_context():
        return [name for name, _ in in_words(dict.fromkeys(all_words, SOME))]


def test_the_page_says_how_many_are_settled_how_many_are_open_and_what_they_can_make_of_it(tmp_path: Path) -> None:
    browser = asked(tmp_path, 5)
    come(browser, "person0")
    answer(browser, "person1", Answer.NO)
    answer(browser, "person2", Answer.LATER)
    page = said(browser.get("/recall/outcome").text)
    assert "1 of 2 came or booked 50% of those who are settled; the true share is likely between 9% and 91%." in page
    assert "3 still open Of 5 invited" in page
    assert "If none of the open ones come, the share of all 5 is 20%; if all come, 80%." in page
    assert "text 1 2 50% 9% and 91% 3" in page, "each group shows its open ones too"
    assert "whose first invitation was handed over in this time" in page
    assert page.count("compare texts of the same invitation only") == 1


def test_the_page_says_so_where_nobody_is_settled_or_open_or_invited(tmp_path: Path) -> None:
    browser = asked(tmp_path, 1)
    page = said(browser.get("/recall/outcome").text)
    assert "0 of 0 came or booked Nobody is settled yet. 1 still open" in page and "nothing known yet" in page
    come(browser, "person0")
    assert "None still open All 1 who were invited are settled." in said(browser.get("/recall/outcome").text)
    page = said(browser.get("/recall/outcome?from=2020-01-01&to=2020-12-31").text)
    assert "Nobody was invited in this time." in page and page.count("Nobody.") == 5


def test_the_page_says_how_many_are_left_out_and_not_why_each(tmp_path: Path) -> None:
    browser = asked(tmp_path, 3)
    assert "left out of every number" not in browser.get("/recall/outcome").text
    mark_died(browser.services, "person0", "desk", died=True)
    page = said(browser.get("/recall/outcome").text)
    assert "1 more is left out of every number here: who died or moved away" in page and "Of 2 invited" in page


def test_a_later_recall_of_somebody_who_is_counted_is_named_as_not_counted(tmp_path: Path) -> None:
    browser = asked(tmp_path, 1)
    browser.clock.forward(hours=1)
    give(browser.services, "person0", a_visit(on=browser.clock.at.date()), by="nurse")
    browser.clock.at = datetime.combine(the_recall(browser, "person0").invite_on, time(12), UTC)
    send_due(browser.services, "worker")
    browser.sign_in("dina")
    page = said(browser.get("/recall/outcome").text)
    assert "1 of 1 came or booked" in page
    assert "1 later recall of people who are counted already is not counted" in page


def test_answers_stand_in_the_order_of_an_invitation_and_silence_has_its_own_line(tmp_path: Path) -> None:
    browser = asked(tmp_path, 4)
    come(browser, "person0")
    for person, what in (("person1", Answer.NO), ("person2", Answer.BOOK), ("person3", Answer.NO)):
        answer(browser, person, what)
    page = said(browser.get("/recall/outcome").text)
    assert (
        "Wants to come 1 0 0 Does not want the visit 2 0 0 Came or booked without an answer by message or page 1 0 0"
    ) in page


def test_nobodys_name_number_or_id_stands_on_the_page(tmp_path: Path) -> None:
    browser = asked(tmp_path, 2)
    come(browser, "person0")
    answer(browser, "person1", Answer.BOOK)
    page = browser.get("/recall/outcome").text
    recall = the_recall(browser, "person1")
    for telling in ("Maud", "Ellery", "900123", "example.org", "1948", "person0", "person1", recall.id, recall.plan_id):
        assert telling not in page


def test_the_groups_by_words_are_named_for_staff(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    assert named(
        browser,
        Words(language="en", sentence="text", approved=JUNE),
        Words(language="cy", sentence="second-guardian", approved=JUNE + timedelta(days=1)),
        Words(language="en", sentence="last"),
        Words(language="en", sentence="last~easy"),
        Words(language="en", sentence="text-guardian~easy"),
        Words(language="ur", sentence="text", approved=JUNE),
        Words(language="en", sentence=""),
    ) == [
        "English: first invitation (approved Tue, 1 Jun 2027)",
        "Welsh: second invitation, about a child or ward (approved Wed, 2 Jun 2027)",
        "English: last invitation",
        "English: last invitation, in simpler words",
        "English: first invitation, about a child or ward, in simpler words",
        "Urdu: first invitation (approved Tue, 1 Jun 2027)",
        "English: sentence not on record",
    ]


def test_a_sentence_that_the_page_does_not_know_goes_by_its_own_name(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    assert named(browser, Words(language="tlh", sentence="friendly-guardian", approved=JUNE)) == [
        "tlh: friendly, about a child or ward (approved Tue, 1 Jun 2027)"
    ]


def test_two_texts_of_one_sentence_are_told_apart_by_day_and_on_one_day_by_time(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    first = Words(language="en", sentence="text", approved=JUNE)
    assert named(browser, first, replace(first, approved=JUNE - timedelta(days=3))) == [
        "English: first invitation (approved Tue, 1 Jun 2027)",
        "English: first invitation (approved Sat, 29 May 2027)",
    ]
    assert named(
        browser, first, replace(first, approved=JUNE + timedelta(hours=2)), replace(first, sentence="last")
    ) == [
        "English: first invitation (approved Tue 1 Jun 2027, 13:00)",  # London is an hour ahead of UTC
        "English: first invitation (approved Tue 1 Jun 2027, 15:00)",
        "English: last invitation (approved Tue, 1 Jun 2027)",
    ]


def test_the_day_of_an_approval_is_the_clinics(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    late = datetime(2027, 6, 1, 23, 30, tzinfo=UTC)
    assert named(browser, Words(language="en", sentence="text", approved=late)) == [
        "English: first invitation (approved Wed, 2 Jun 2027)"
    ]


def test_ages_stand_in_their_order_and_languages_in_english(tmp_path: Path) -> None:
    browser = asked(tmp_path, 4)
    with browser.services.open_work() as work:
        for number, born in enumerate((None, date(1930, 1, 1), date(1990, 1, 1), date(1955, 1, 1))):
            work.people.save(replace(work.people.get(f"person{number}"), born=born))
        row = update(MessageRow).where(MessageRow.person_id == "person0", MessageRow.key == "return-due/1/1")
        work._session.execute(row.values(language="ur"))
        work.commit()
    page = browser.get("/recall/outcome").text
    for caption, names in (
        ("By age", ["18 to 64", "65 to 79", "80 or older", "not known"]),
        ("By language", ["English", "Urdu"]),
    ):
        table = page.split(f"<h2>{caption}</h2>")[1].split("</table>")[0]
        assert re.findall(r'<th scope="row">([^<]+)</th>', table) == names


def test_the_page_names_the_words_that_were_sent(tmp_path: Path) -> None:
    browser = asked(tmp_path, 2)
    with browser.services.open_work() as work:
        old = update(MessageRow).where(MessageRow.person_id == "person1", MessageRow.key == "return-due/1/1")
        work._session.execute(old.values(units='["message.return-due.<i>"]', language="cy"))
        work.commit()
    page = browser.get("/recall/outcome").text
    assert "English: first invitation (approved Wed, 25 Nov 2026)" in page
    assert "Welsh: &lt;i&gt;" in page, "a name of the record is never markup"


@pytest.mark.parametrize(
    "asked_for",
    ["from=nonsense", "to=9999-12-31", "from=0001-01-01", "from=0001-01-01&to=9999-12-31", "to=2027-02-30", "from=%00"],
)
def test_a_day_that_cannot_be_read_gives_the_usual_time(tmp_path: Path, asked_for: str) -> None:
    browser = signed_in(tmp_path, "dina")  # on 25 November 2026
    answer_ = browser.get(f"/recall/outcome?{asked_for}")
    assert answer_.status_code == 200
    assert 'value="2025-11-25"' in answer_.text and 'value="2026-11-25"' in answer_.text


def test_days_the_wrong_way_round_are_one_time_all_the_same(tmp_path: Path) -> None:
    browser = asked(tmp_path, 1)
    assert "1 still open" in browser.get("/recall/outcome?from=2027-01-01&to=2026-01-01").text
