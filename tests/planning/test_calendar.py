"""A plan in the patient's calendar: stable, revised, cancelled, and discreet (RFC 5545, RFC 5546)."""

from __future__ import annotations

from datetime import date, datetime, time

import icalendar
import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.domain.plan import Status
from service.links import page_url
from service.planning.aftercare import give, set_status
from service.planning.calendar import feed
from service.planning.preferences import change_rhythm, start_again, stop
from service.services import Services
from service.storage.records import StoredPlan

LINK = page_url("https://larkfield.example", "x" * 22)


def events(services: Services, stored: StoredPlan) -> dict[str, icalendar.Event]:
    with services.open_work() as work:
        contact = work.people.get("maud").contact
        data = feed(services, work, work.plans.get(stored.id), contact, LINK)
        work.commit()
    assert data is not None
    return {str(event["UID"]): event for event in icalendar.Calendar.from_ical(data).walk("VEVENT")}


def given(clock: StoppedClock, **visit: object) -> tuple[Services, StoredPlan]:
    services, _ = a_service(clock=clock)
    return services, give(services, a_person(services), a_visit(**visit), by="nurse")  # type: ignore[arg-type]


def test_the_course_recurs_with_an_alarm_and_the_return_is_an_all_day_entry() -> None:
    services, stored = given(StoppedClock())
    found = events(services, stored).values()
    doses = [event for event in found if "RRULE" in event]
    assert {event["DTSTART"].dt.time() for event in doses} == {time(8), time(13), time(21, 30)}
    assert sum(event["RRULE"]["COUNT"][0] for event in doses) == 14
    assert all(event.walk("VALARM") for event in doses)
    (back,) = [event for event in found if "RRULE" not in event]
    assert back["DTSTART"].dt == date(2026, 12, 9)


def test_asking_twice_gives_the_same_calendar() -> None:
    clock = StoppedClock()
    services, stored = given(clock)
    first = events(services, stored)
    clock.forward(hours=5)
    assert {uid: event.to_ical() for uid, event in events(services, stored).items()} == {
        uid: event.to_ical() for uid, event in first.items()
    }


def test_changed_times_keep_the_uid_and_raise_the_sequence() -> None:  # RFC 5546 2.1.4
    clock = StoppedClock()
    services, stored = given(clock)
    before = events(services, stored)
    clock.forward(hours=1)
    change_rhythm(
        services,
        "maud",
        {"morning": time(9), "midday": time(13), "evening": time(18), "bedtime": time(21, 30)},
    )
    after = events(services, stored)
    assert set(after) == set(before)
    changed = [uid for uid in after if after[uid]["SEQUENCE"] != before[uid]["SEQUENCE"]]
    (uid,) = changed
    assert after[uid]["DTSTART"].dt.time() == time(9)
    assert (before[uid]["SEQUENCE"], after[uid]["SEQUENCE"]) == (0, 1)


@pytest.mark.parametrize("how", ["stop", "withdraw"])
def test_a_stop_or_a_withdrawal_cancels_every_entry(how: str) -> None:  # RFC 5546 3.2.5
    clock = StoppedClock()
    services, stored = given(clock)
    before = events(services, stored)
    clock.forward(hours=1)
    if how == "stop":
        stop(services, "maud")
    else:
        set_status(services, stored.id, Status.REVOKED, "nurse", "wrong person")
    after = events(services, stored)
    assert set(after) == set(before)
    for uid, event in after.items():
        assert event["STATUS"] == "CANCELLED"
        assert event["SEQUENCE"] == before[uid]["SEQUENCE"] + 1
        assert not event.walk("VALARM")


def test_starting_again_brings_the_entries_back_with_a_higher_sequence() -> None:
    clock = StoppedClock()
    services, stored = given(clock)
    events(services, stored)
    stop(services, "maud")
    events(services, stored)
    start_again(services, "maud")
    after = events(services, stored).values()
    assert {(event["STATUS"], event["SEQUENCE"]) for event in after} == {("CONFIRMED", 2)}


def test_a_booked_appointment_stands_at_its_time_with_an_alarm_a_day_before() -> None:
    services, stored = given(StoppedClock(), next_appointment=date(2026, 12, 10), next_appointment_time=time(10, 30))
    (booked,) = [e for e in events(services, stored).values() if e["TRANSP"] == "OPAQUE"]
    assert booked["DTSTART"].dt.replace(tzinfo=None) == datetime(2026, 12, 10, 10, 30)  # noqa: DTZ001
    assert booked.walk("VALARM")


def test_titles_name_no_ear_no_condition_and_no_product() -> None:
    services, stored = given(StoppedClock(), right=an_ear("wax-left"), left=an_ear("grommet"))
    for event in events(services, stored).values():
        title = str(event["SUMMARY"]).casefold().replace("larkfield ear care", "")
        for word in ("ear", "wax", "oil", "drop", "right", "left"):
            assert word not in title, title
