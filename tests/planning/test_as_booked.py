"""The softening before an appointment follows it: reminders, page, calendar, sheet and marks agree."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import icalendar
import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.domain.message import MessageKind, State
from service.domain.visit import Ear
from service.errors import NotFoundError
from service.messages.today import Stand, what_today
from service.planning.aftercare import give
from service.planning.appointments import book
from service.planning.as_booked import as_booked, plan_as_booked
from service.planning.attention import SOFTEN_AGAIN
from service.planning.calendar import feed
from service.planning.preferences import mark_dose
from service.services import Services
from service.storage.records import StoredPlan

FIRST = (date(2026, 12, 20), time(10, 30))
LATER = (date(2026, 12, 27), time(14, 0))
Appointment = tuple[date, time] | None


def given(appointment: Appointment = FIRST, **visit: object) -> tuple[Services, str, StoppedClock]:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    on, at = appointment or (None, None)
    a_person(services)
    plan = give(services, "maud", a_visit(next_appointment=on, next_appointment_time=at, **visit), by="nurse")  # type: ignore[arg-type]
    return services, plan.id, clock


def stored(services: Services, plan: str) -> StoredPlan:
    with services.open_reading() as work:
        return work.plans.get(plan)


def dose_days(services: Services) -> list[date]:
    with services.open_reading() as work:
        found = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.DOSE]
    return sorted(
        {datetime.fromisoformat(m.planned.wall).date() for m in found if m.state is State.PENDING and not m.superseded}
    )


def events(services: Services, plan: str) -> dict[str, icalendar.Event]:
    with services.open_work() as work:
        data = feed(services, work, work.plans.get(plan), work.people.get("maud").contact, "https://x.example/p")
        work.commit()
    assert data is not None
    return {str(event["UID"]): event for event in icalendar.Calendar.from_ical(data).walk("VEVENT")}


def attention(services: Services) -> dict[str, str]:
    with services.open_reading() as work:
        return {entry.reason: entry.detail for entry in work.ledger.attention()}


def days(first: int, last: int) -> list[date]:
    return [date(2026, 12, number) for number in range(first, last + 1)]


def test_a_moved_appointment_moves_its_softening_everywhere_and_the_record_keeps_the_plan_as_given() -> None:
    services, plan, clock = given()
    before = stored(services, plan)
    assert dose_days(services) == days(15, 19)
    old = events(services, plan)
    book(services, plan, LATER, "desk")
    assert dose_days(services) == days(22, 26)
    after = stored(services, plan)
    assert after.plan == before.plan
    shown = plan_as_booked(services.pack, after)
    assert shown.courses[0].first_day == date(2026, 12, 22)
    with services.open_reading() as work:
        contact = work.people.get("maud").contact
    clock.at = datetime(2026, 12, 22, 12, 0, tzinfo=UTC)
    assert what_today(shown, contact, (), clock.now(), given=after.given).stand is Stand.RUNNING
    new = events(services, plan)
    assert new.keys() == old.keys()
    starts = {uid: event["DTSTART"].dt for uid, event in new.items() if "RRULE" in event}
    assert {start.date() for start in starts.values()} == {date(2026, 12, 22)}
    assert all(new[uid]["SEQUENCE"] == old[uid]["SEQUENCE"] + 1 for uid in starts)
    assert attention(services) == {}


def test_moved_again_after_it_began_on_the_new_days_it_stays_and_a_clinician_is_asked_once() -> None:
    services, plan, clock = given()
    book(services, plan, LATER, "desk")
    clock.at = datetime(2026, 12, 24, 12, 0, tzinfo=UTC)
    book(services, plan, (date(2027, 1, 20), time(9, 0)), "desk")
    book(services, plan, (date(2027, 1, 21), time(9, 0)), "desk")
    assert plan_as_booked(services.pack, stored(services, plan)).courses[0].first_day == date(2026, 12, 22)
    assert dose_days(services)[-1] == date(2026, 12, 26)
    with services.open_reading() as work:
        asked = [entry for entry in work.ledger.attention() if entry.reason == SOFTEN_AGAIN]
    (entry,) = asked
    assert "began on 2026-12-22 for 5 days" in entry.detail and "2027-01-20" in entry.detail


def test_the_first_days_that_passed_while_it_was_moved_away_do_not_count_as_begun() -> None:
    services, plan, clock = given()
    book(services, plan, LATER, "desk")
    clock.at = datetime(2026, 12, 18, 12, 0, tzinfo=UTC)  # as given it would have begun on the 15th
    book(services, plan, (date(2026, 12, 30), time(9, 0)), "desk")
    assert dose_days(services) == days(25, 29)
    assert SOFTEN_AGAIN not in attention(services)


def test_too_near_it_is_cut_to_the_days_that_are_left_and_what_it_says_of_days_agrees() -> None:
    services, plan, clock = given()
    clock.at = datetime(2026, 12, 5, 7, 0, tzinfo=UTC)
    book(services, plan, (date(2026, 12, 8), time(9, 0)), "desk")
    assert dose_days(services) == days(5, 7)
    shown = plan_as_booked(services.pack, stored(services, plan))
    (step,) = [step for step in shown.steps if step.course is not None]
    assert [phrase.values["days"] for phrase in step.phrases if phrase.wording == "instil.days"] == [3]
    frozen = stored(services, plan).plan
    assert shown.supplies[0].drops < frozen.supplies[0].drops
    assert shown.supplies[0].millilitres <= frozen.supplies[0].millilitres


def test_a_cancelled_appointment_stops_it_until_there_is_a_new_one() -> None:
    services, plan, _ = given()
    old = events(services, plan)
    book(services, plan, None, "desk")
    assert dose_days(services) == []
    shown = plan_as_booked(services.pack, stored(services, plan))
    assert shown.courses == () and shown.supplies == ()
    cancelled = {uid for uid, event in events(services, plan).items() if event["STATUS"] == "CANCELLED"}
    assert cancelled == set(old)
    book(services, plan, LATER, "desk")
    assert dose_days(services) == days(22, 26)


def test_a_cancelled_appointment_stops_what_has_begun_and_asks_and_a_new_one_never_begins_it_anew() -> None:
    services, plan, clock = given()
    clock.at = datetime(2026, 12, 17, 12, 0, tzinfo=UTC)
    book(services, plan, None, "desk")
    assert dose_days(services)[-1:] in ([], [date(2026, 12, 17)])
    assert "say whether they go on" in attention(services)[SOFTEN_AGAIN]
    book(services, plan, (date(2027, 1, 20), time(9, 0)), "desk")
    assert dose_days(services)[-1] == date(2026, 12, 19), "what was left of the course, and no day more"


@pytest.mark.parametrize("change", [FIRST, LATER])
def test_softening_that_began_with_a_visit_without_an_appointment_stays_as_given(change: Appointment) -> None:
    services, plan, _ = given(appointment=None)
    before = dose_days(services)
    book(services, plan, change, "desk")
    assert dose_days(services) == before
    book(services, plan, None, "desk")
    assert dose_days(services) == before
    assert stored(services, plan).followed == () and SOFTEN_AGAIN not in attention(services)


def test_another_course_keeps_its_days_its_entries_and_their_uids_when_the_softening_stops() -> None:
    visit = {"right": an_ear("wax-left"), "left": Ear(findings=frozenset({"hard-wax-cleared"}))}
    services, plan, _ = given(history=frozenset({"prone-to-wax"}), **visit)
    assert len(stored(services, plan).plan.courses) > 1
    old = events(services, plan)
    book(services, plan, None, "desk")
    new = events(services, plan)
    kept = {uid for uid, event in new.items() if event["STATUS"] == "CONFIRMED" and "RRULE" in event}
    assert kept
    for uid in kept:
        assert new[uid]["SEQUENCE"] == old[uid]["SEQUENCE"] and new[uid]["RRULE"] == old[uid]["RRULE"]


def test_a_dose_of_the_moved_course_can_be_marked_and_one_of_the_old_days_cannot() -> None:
    services, plan, _ = given()
    book(services, plan, LATER, "desk")
    mark_dose(services, "maud", "2026-12-22T08:00", done=True)
    with pytest.raises(NotFoundError):
        mark_dose(services, "maud", "2026-12-15T08:00", done=True)


def test_putting_both_together_twice_changes_nothing() -> None:
    services, plan, _ = given()
    book(services, plan, None, "desk")
    once = as_booked(services.pack, stored(services, plan))
    assert as_booked(services.pack, once) == once


def test_every_step_that_followed_is_on_record() -> None:
    services, plan, _ = given()
    book(services, plan, LATER, "desk")
    book(services, plan, None, "desk")
    with services.open_reading() as work:
        found = [line.detail["why"] for line in work.ledger.history(plan) if line.action == "softening-followed"]
    assert found == ["stopped", "moved"]
