"""The patient's page, its sheet and its calendar when the appointment changes after the plan was given."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, time
from pathlib import Path

import icalendar
import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear, some_settings
from flask.testing import FlaskClient
from pypdf import PdfReader

from service.planning.aftercare import give, live_link
from service.planning.appointments import book
from service.services import Services
from service.web.app import create_app

FIRST = (date(2026, 12, 20), time(10, 30))
LATER = (date(2026, 12, 27), time(14, 0))


class Opened:
    """The page of a person whose softening counts back from an appointment."""

    def __init__(self, folder: Path) -> None:
        self.clock = StoppedClock()
        self.services: Services = a_service(clock=self.clock)[0]
        person = a_person(self.services)
        visit = a_visit(an_ear("wax-left"), next_appointment=FIRST[0], next_appointment_time=FIRST[1])
        self.plan = give(self.services, person, visit, by="nurse").id
        with self.services.open_work() as work:
            self.place = f"/p/{live_link(self.services, work, person, self.clock.now())}"
            work.commit()
        app = create_app(self.services, some_settings(folder))
        app.testing = True
        self.client: FlaskClient = app.test_client()

    def page(self, day: int) -> str:
        self.clock.at = datetime(2026, 12, day, 12, 0, tzinfo=UTC)
        return self.client.get(self.place).text

    def sheet(self) -> str:
        pdf = PdfReader(io.BytesIO(self.client.get(f"{self.place}/sheet.pdf").data))
        return " ".join(" ".join(page.extract_text().split()) for page in pdf.pages)

    def course_starts(self) -> set[date]:
        calendar = icalendar.Calendar.from_ical(self.client.get(f"{self.place}/calendar.ics").data)
        events = calendar.walk("VEVENT")
        return {e["DTSTART"].dt.date() for e in events if "RRULE" in e and e["STATUS"] == "CONFIRMED"}


@pytest.fixture
def opened(tmp_path: Path) -> Opened:
    return Opened(tmp_path)


def test_page_sheet_and_calendar_follow_a_moved_appointment(opened: Opened) -> None:
    assert 'name="wall" value="2026-12-16T08:00"' in opened.page(16)
    book(opened.services, opened.plan, LATER, "desk")  # at the desk on the 16th: two days' doses are behind the person
    assert 'name="wall" value="2026-12-17T08:00"' in opened.page(17), "what has begun goes on as it was"


def test_a_move_before_it_began_moves_every_day_of_it(opened: Opened) -> None:
    book(opened.services, opened.plan, LATER, "desk")
    assert 'name="wall"' not in opened.page(16)
    assert 'name="wall" value="2026-12-22T08:00"' in opened.page(22)
    assert opened.course_starts() == {date(2026, 12, 22)}
    assert "Sunday, 27 December 2026 at 2:00" in opened.sheet()
    answer = opened.client.post(f"{opened.place}/dose", data={"wall": "2026-12-22T08:00", "done": "1"})
    assert answer.headers["Location"].endswith("said=done")


def test_a_shortened_course_says_its_days_on_page_and_sheet(opened: Opened) -> None:
    assert "Do this for 5 days" in opened.page(3)
    book(opened.services, opened.plan, (date(2026, 12, 6), time(9, 0)), "desk")
    assert "Do this for 3 days" in opened.page(3) and "Do this for 5 days" not in opened.page(3)
    assert "Do this for 3 days" in opened.sheet()


def test_a_cancelled_appointment_takes_the_drops_off_page_sheet_and_calendar(opened: Opened) -> None:
    assert "drops in your RIGHT ear" in opened.page(3) and "drops in your RIGHT ear" in opened.sheet()
    book(opened.services, opened.plan, None, "desk")
    assert "drops in your RIGHT ear" not in opened.page(3) and "drops in your RIGHT ear" not in opened.sheet()
    assert opened.course_starts() == set()
