"""One person has one appointment: their page shows it whichever plan it stands under, as their calendar does."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from pathlib import Path

import icalendar
import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear, some_settings

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.plan import Status
from service.planning.aftercare import give, live_link, set_status
from service.planning.appointments import book
from service.storage.records import StoredPlan
from service.web.app import create_app

FIRST = (date(2026, 12, 20), time(10, 30))
LATER = (date(2026, 12, 27), time(14, 0))
ON_FIRST, ON_LATER = "Sunday, 20 December 2026 at 10:30", "Sunday, 27 December 2026 at 2:00"
STANDS, CANCELLED = "You have a visit booked on", "is cancelled. To book another one, contact us:"


class Reader:
    """Somebody with an appointment under their first plan, and a browser."""

    def __init__(self, folder: Path, appointment: tuple[date, time] | None = FIRST, **contact: object) -> None:
        self.clock = StoppedClock()
        self.services = a_service(f"sqlite:///{folder / 'clinic.sqlite'}", clock=self.clock)[0]
        a_person(self.services, **({"channels": (Channel.EMAIL,)} | contact))
        self.first = self.give("wax-left", appointment)
        with self.services.open_work() as work:
            self.place = f"/p/{live_link(self.services, work, 'maud', self.clock.now())}"
            work.commit()
        self.client = create_app(self.services, some_settings(folder)).test_client(use_cookies=False)

    def give(self, finding: str, appointment: tuple[date, time] | None = None) -> StoredPlan:
        self.clock.forward(minutes=10)
        on, at = appointment or (None, None)
        visit = a_visit(an_ear(finding), next_appointment=on, next_appointment_time=at)
        return give(self.services, "maud", visit, by="nurse")

    def book(self, plan: StoredPlan, appointment: tuple[date, time] | None) -> None:
        self.clock.forward(minutes=10)
        book(self.services, plan.id, appointment, "desk")

    def page(self) -> str:
        answer = self.client.get(self.place)
        assert answer.status_code == 200
        return answer.text

    def card(self) -> str:
        return self.page().partition('id="booked"')[2].partition("</section>")[0]

    def calendar(self) -> set[datetime]:
        """The appointments that the calendar behind the page's button has."""
        events = icalendar.Calendar.from_ical(self.client.get(f"{self.place}/calendar.ics").data).walk("VEVENT")
        timed = [each for each in events if "LOCATION" in each and each["STATUS"] == "CONFIRMED"]
        return {each["DTSTART"].dt.replace(tzinfo=None) for each in timed}


def test_a_new_plan_that_did_not_take_it_over_shows_it_all_the_same(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    reader.give("mastoid-cavity")
    assert f"{STANDS} {ON_FIRST}" in reader.card()
    page = reader.page()
    assert page.count(STANDS) == 1 and page.index('id="booked"') < page.index('id="do"')
    assert reader.calendar() == {datetime.combine(*FIRST)}, "the page says what the calendar says"


def test_under_urgent_advice_it_is_shown_while_its_plan_is_on_hold(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    reader.give("battery-in-ear")
    page = reader.page()
    assert f"{STANDS} {ON_FIRST}" in page
    assert page.index("Do this now") < page.index('id="booked"') < page.index('id="help"'), "what is urgent comes first"
    reader.book(reader.first, LATER)
    assert f"{STANDS} {ON_LATER}" in reader.card() and ON_FIRST not in reader.page(), "as it was moved"
    reader.book(reader.first, None)
    assert STANDS not in reader.page()


def test_it_is_shown_when_its_plan_was_withdrawn_and_none_is_left(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    set_status(reader.services, reader.first.id, Status.REVOKED, "nurse", "a mistake")
    page = reader.page()
    assert "There is no plan on this page now." in page and f"{STANDS} {ON_FIRST}" in page
    assert "webcal:" not in reader.card(), "without a plan there is no calendar to add"


def test_two_that_stand_are_both_shown_the_earlier_one_first(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    reader.give("battery-in-ear", LATER)
    with reader.services.open_work() as work:  # rare: both stand until a person says which
        work.plans.appoint(reader.first.id, FIRST)
        work.commit()
    card = reader.card()
    assert card.index(ON_FIRST) < card.index(ON_LATER) and card.count(STANDS) == 2


def test_a_guardian_reads_whose_visit_it_is_under_whichever_plan(tmp_path: Path) -> None:
    reader = Reader(tmp_path, guardian="Edith Ellery")
    reader.give("mastoid-cavity")
    page = reader.page()
    assert page.index("mean Maud.") < page.index(f"{STANDS} {ON_FIRST}") and page.count("mean Maud.") == 1
    set_status(reader.services, reader.first.id, Status.REVOKED, "nurse", "a mistake")
    with reader.services.open_reading() as work:
        current = work.plans.current("maud")
    assert current is not None
    set_status(reader.services, current.id, Status.REVOKED, "nurse", "another")
    page = reader.page()
    assert page.index("mean Maud.") < page.index(f"{STANDS} {ON_FIRST}"), "also where no plan says it"


@pytest.mark.parametrize("finding", ["wax-left", "battery-in-ear"])
@pytest.mark.parametrize("held", [False, True])
def test_the_page_says_whom_it_means_before_all_else(tmp_path: Path, finding: str, held: bool) -> None:
    """Also where nothing is to be done at home, or not now."""
    reader = Reader(tmp_path, None, guardian="Edith Ellery")
    stored = reader.give(finding)
    if held:
        set_status(reader.services, stored.id, Status.ON_HOLD, "nurse", "new pain")
    main = reader.page().partition("<main")[2]
    assert main.count("mean Maud.") == 1 and main.index("mean Maud.") < main.index("<section")


def test_it_is_gone_once_its_moment_is_past(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    reader.give("mastoid-cavity")
    reader.clock.at = datetime(2026, 12, 20, 10, 29, tzinfo=UTC)
    assert reader.card()
    reader.clock.at = datetime(2026, 12, 20, 10, 30, tzinfo=UTC)
    assert STANDS not in reader.page() and CANCELLED not in reader.page()


# --- cancelled -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("replaced", [False, True])
def test_a_cancelled_visit_is_said_to_be_cancelled_until_its_day_is_past(tmp_path: Path, replaced: bool) -> None:
    """Whoever wrote the day on the kitchen calendar must not come for nothing."""
    reader = Reader(tmp_path)
    if replaced:
        reader.give("mastoid-cavity")
    reader.book(reader.first, None)
    for _ in range(2):  # before the news goes, and after it
        page = reader.page()
        assert STANDS not in page and reader.card() == ""
        assert f"The visit on {ON_FIRST}" in page and CANCELLED in page
        assert re.search(rf'{CANCELLED} <span class="whole"><a class="number" dir="ltr" href="tel:', page)
        assert page.index('id="cancelled"') < page.index('id="do"')
        send_due(reader.services, "worker")
    reader.clock.at = datetime(2026, 12, 20, 10, 30, tzinfo=UTC)
    assert CANCELLED not in reader.page()


def test_who_was_told_of_the_first_day_only_reads_that_it_does_not_stand(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    reader.book(reader.first, LATER)  # the news has not left
    reader.book(reader.first, None)
    page = reader.page()
    assert f"The visit on {ON_FIRST}" in page and ON_LATER not in page


def test_who_was_told_of_the_move_reads_of_the_day_it_was_moved_to(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    reader.book(reader.first, LATER)
    send_due(reader.services, "worker")
    reader.book(reader.first, None)
    page = reader.page()
    assert f"The visit on {ON_LATER}" in page and ON_FIRST not in page


def test_a_slip_that_nobody_was_told_of_is_not_spoken_of(tmp_path: Path) -> None:
    reader = Reader(tmp_path, None)
    reader.book(reader.first, LATER)
    reader.book(reader.first, None)
    assert CANCELLED not in reader.page() and STANDS not in reader.page()


def test_what_is_booked_anew_takes_the_place_of_the_cancelled_one(tmp_path: Path) -> None:
    reader = Reader(tmp_path)
    reader.book(reader.first, None)
    send_due(reader.services, "worker")
    reader.book(reader.first, LATER)
    assert CANCELLED not in reader.page() and f"{STANDS} {ON_LATER}" in reader.card()
