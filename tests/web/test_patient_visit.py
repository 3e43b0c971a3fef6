"""The next visit on the patient's page: how long it may wait, and what is booked, above everything else."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from web.invited import a_patient

from service.domain.plan import Status
from service.planning.aftercare import set_status
from service.planning.appointments import book

SOON = "Please come soon. It is best not to wait longer with this visit."
CAVITY, LIGHT = "mastoid-cavity", "narrow-canal"
VISIT = (date(2026, 12, 20), time(14, 30))


def offered(page: str) -> list[int]:
    return [int(weeks) for weeks in re.findall(r'name="weeks" value="(\d+)"', page)]


# --- how long it may wait --------------------------------------------------------------------------------------------


def test_a_heavy_ear_is_offered_only_weeks_that_end_by_its_latest_day(tmp_path: Path) -> None:
    invited = a_patient(tmp_path, CAVITY)
    page, latest = invited.invite(), invited.recall.window.latest
    assert offered(page) == [2, 4, 8] and SOON not in page, "long before"
    near = {4: [2, 4], 3: [2], 2: [2]}
    for weeks, left in near.items():
        page = invited.at(latest - timedelta(weeks=weeks))
        assert offered(page) == left and SOON not in page, f"{weeks} weeks before"


@pytest.mark.parametrize("days", [-13, 0, 1, 40])
def test_near_its_latest_day_and_after_it_a_heavy_ear_is_told_to_come_soon(tmp_path: Path, days: int) -> None:
    invited = a_patient(tmp_path, CAVITY)
    invited.invite()
    page = invited.at(invited.recall.window.latest + timedelta(days=days))
    assert offered(page) == [] and "Ask me again later" not in page
    assert SOON in page
    assert 'name="answer" value="book"' in page, "what helps stays"


@pytest.mark.parametrize("days", [-13, 1])
def test_a_light_ear_may_wait_as_long_as_ever(tmp_path: Path, days: int) -> None:
    invited = a_patient(tmp_path, LIGHT)
    invited.invite()
    page = invited.at(invited.recall.window.latest + timedelta(days=days))
    assert offered(page) == [2, 4, 8] and SOON not in page


def test_weeks_that_are_not_offered_change_nothing_when_they_are_posted(tmp_path: Path) -> None:
    invited = a_patient(tmp_path, CAVITY)
    invited.invite()
    invited.at(invited.recall.window.latest - timedelta(weeks=3))
    before = invited.recall
    for weeks in (4, 8, 3, 0, -2):
        invited.later(weeks)
        assert invited.recall == before
    invited.later(2)
    assert invited.recall.invite_on == before.window.latest - timedelta(weeks=1)


# --- what is booked --------------------------------------------------------------------------------------------------


def card(page: str) -> str:
    return page.partition('id="booked"')[2].partition("</section>")[0]


def test_a_booked_visit_stands_on_top_with_place_number_and_calendar(tmp_path: Path) -> None:
    invited = a_patient(tmp_path)
    assert card(invited.at(date(2026, 11, 26))) == ""
    book(invited.services, invited.plan, VISIT, "desk")
    page = invited.at(date(2026, 11, 26))
    top = card(page)
    assert "The next visit" in top
    assert "You have a visit booked on Sunday, 20 December 2026 at 2:30" in top
    assert all(line in top for line in ("Larkfield Ear Care", "1 Larkfield Lane", "Exampleton", "EX1 0AA"))
    assert 'href="tel:02079460123"' in top.partition("To change it, contact us:")[2]
    assert 'href="webcal:' in top
    assert page.index('id="booked"') < page.index('id="today"') < page.index('id="do"')
    assert page.count("You have a visit booked") == 1, "said once"


def test_it_takes_the_place_of_the_invitation(tmp_path: Path) -> None:
    invited = a_patient(tmp_path, CAVITY)
    assert 'id="visit"' in invited.invite()
    day = invited.clock.at.date()
    book(invited.services, invited.plan, (day + timedelta(days=9), time(9, 0)), "desk")
    page = invited.client.get(invited.page).text
    assert card(page) and 'id="visit"' not in page


def test_once_its_moment_is_past_the_card_is_gone(tmp_path: Path) -> None:
    invited = a_patient(tmp_path)
    book(invited.services, invited.plan, VISIT, "desk")
    invited.clock.at = datetime(2026, 12, 20, 14, 29, tzinfo=UTC)  # London keeps UTC in December
    assert card(invited.client.get(invited.page).text)
    invited.clock.at = datetime(2026, 12, 20, 14, 30, tzinfo=UTC)
    page = invited.client.get(invited.page).text
    assert card(page) == "" and "You have a visit booked" not in page


def test_a_guardian_reads_whose_visit_it_is(tmp_path: Path) -> None:
    invited = a_patient(tmp_path, guardian="Edith Ellery")
    book(invited.services, invited.plan, VISIT, "desk")
    page = invited.at(date(2026, 11, 26))
    assert page.index("mean Maud.") < page.index("You have a visit booked")


def test_a_visit_stands_on_top_also_of_a_plan_on_hold(tmp_path: Path) -> None:
    invited = a_patient(tmp_path)
    book(invited.services, invited.plan, VISIT, "desk")
    set_status(invited.services, invited.plan, Status.ON_HOLD, "Dr Wren Halloway", "to be looked at")
    assert "You have a visit booked on Sunday, 20 December 2026" in card(invited.at(date(2026, 11, 26)))


# --- when to come back -----------------------------------------------------------------------------------------------


def back(page: str) -> bool:
    """Whether the page still says when to come back."""
    return 'class="part part-return"' in page


def test_the_day_to_come_back_is_not_said_once_its_latest_day_is_past(tmp_path: Path) -> None:
    invited = a_patient(tmp_path)
    latest = invited.recall.window.latest
    assert back(invited.at(latest))
    assert not back(invited.at(latest + timedelta(days=1)))


def test_the_day_to_come_back_is_not_said_beside_a_later_day_that_was_chosen(tmp_path: Path) -> None:
    invited = a_patient(tmp_path, LIGHT)
    assert back(invited.invite())
    ideal = invited.recall.window.ideal
    invited.later(8)
    assert invited.recall.invite_on > ideal
    page = invited.client.get(invited.page).text
    assert "We will ask you again around" in page and not back(page)
    assert b"%PDF" in invited.client.get(f"{invited.page}/sheet.pdf").data


def test_a_later_day_before_the_return_leaves_it_said(tmp_path: Path) -> None:
    invited = a_patient(tmp_path, LIGHT)
    invited.invite()
    invited.at(invited.recall.window.ideal - timedelta(weeks=3))
    invited.later(2)
    assert back(invited.client.get(invited.page).text)
