"""A plan in the patient's calendar: stable, revised, cancelled, and discreet (RFC 5545, RFC 5546)."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import icalendar
import pytest
import recurring_ical_events
from builders import StoppedClock, a_clinic, a_person, a_service, a_visit, an_ear
from ical_reader import Reader

from service.domain.contact import Channel
from service.domain.plan import Status
from service.links import page_url
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.approving import approve_units
from service.planning.calendar import calendar_language, feed, invitation
from service.planning.preferences import change_rhythm, start_again, stop
from service.services import Services
from service.storage.records import StoredPlan

LINK = page_url("https://larkfield.example", "x" * 22)


def fed(services: Services, stored: StoredPlan) -> bytes:
    with services.open_work() as work:
        contact = work.people.get("maud").contact
        data = feed(services, work, work.plans.get(stored.id), contact, LINK)
        work.commit()
    assert data is not None
    return data


def events(services: Services, stored: StoredPlan) -> dict[str, icalendar.Event]:
    calendar = icalendar.Calendar.from_ical(fed(services, stored))
    return {str(event["UID"]): event for event in calendar.walk("VEVENT")}


def given(
    clock: StoppedClock, contact: dict[str, object] | None = None, **visit: object
) -> tuple[Services, StoredPlan]:
    services, _ = a_service(clock=clock)
    person = a_person(services, **(contact or {}))
    return services, give(services, person, a_visit(**visit), by="nurse")  # type: ignore[arg-type]


def titles(services: Services, stored: StoredPlan) -> set[str]:
    return {str(event["SUMMARY"]) for event in events(services, stored).values() if event["STATUS"] == "CONFIRMED"}


GUARDED: dict[str, object] = {"guardian": "Ann Ellery"}
BOOKED = {"next_appointment": date(2026, 12, 10), "next_appointment_time": time(10, 30)}


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


@pytest.mark.parametrize("discreet", [True, False])
def test_the_calendar_of_a_guardian_names_the_patient_whatever_they_chose(discreet: bool) -> None:
    contact = GUARDED | {"discreet": discreet}
    services, stored = given(StoppedClock(), contact)
    assert titles(services, stored) == {
        "Next step of the plan for Maud",
        "Book the next visit of Maud: Larkfield Ear Care",
    }
    services, stored = given(StoppedClock(), contact, **BOOKED)
    assert "Appointment for Maud: Larkfield Ear Care" in titles(services, stored)


def test_an_adult_reads_no_name_and_the_drops_only_if_they_chose_that() -> None:
    services, stored = given(StoppedClock())
    assert titles(services, stored) == {"Next step of your plan", "Book your next visit: Larkfield Ear Care"}
    services, stored = given(StoppedClock(), {"discreet": False}, **BOOKED)
    assert titles(services, stored) == {"Olive oil drops: RIGHT ear", "Appointment: Larkfield Ear Care"}


@pytest.mark.parametrize("contact", [{}, GUARDED], ids=["an adult", "a guardian"])
def test_a_calendar_speaks_a_language_in_which_every_title_of_its_reader_is_approved(
    contact: dict[str, object],
) -> None:
    ending = "-guardian" if contact else ""
    last = f"calendar.appointment{ending}"
    services, stored = given(StoppedClock(), contact | {"language": "pl"})
    for units, language in (
        ({"calendar.name", "calendar.details", f"calendar.dose{ending}", f"calendar.return{ending}"}, "en"),
        ({last}, "pl"),
    ):
        assert approve_units(services, "pl", units, "Dr Wren Halloway", reason="for a test") == len(units)
        with services.open_reading() as work:
            assert calendar_language(services, work, stored, work.people.get("maud").contact) == language


def test_an_appointment_says_where_it_is_in_the_feed_and_in_every_message(read_by_node: Reader) -> None:
    """RFC 5545 section 3.8.1.7; commas and semicolons in it are escaped and read back (3.3.11)."""
    clinic = a_clinic(address=("Unit 3; Mill Yard", " 1 Larkfield Lane, Exampleton ", "", "EX1 0AA"))
    place = "Larkfield Ear Care, Unit 3; Mill Yard, 1 Larkfield Lane, Exampleton, EX1 0AA"
    services, _ = a_service(clinic=clinic)
    stored = give(services, a_person(services, channels=(Channel.EMAIL,)), a_visit(**BOOKED), by="nurse")
    files = [told(services, stored), fed(services, stored)]
    book(services, stored.id, None, "desk")
    files.append(told(services, stored))
    kinds = [("REQUEST", "CONFIRMED"), (None, "CONFIRMED"), ("CANCEL", "CANCELLED")]
    for data, (method, status), by_node in zip(files, kinds, read_by_node(*files), strict=True):
        calendar = icalendar.Calendar.from_ical(data)
        assert calendar.get("METHOD") == method
        (booked,) = [event for event in calendar.walk("VEVENT") if event["TRANSP"] == "OPAQUE"]
        assert (str(booked["LOCATION"]), booked["STATUS"]) == (place, status)
        others = [event for event in calendar.walk("VEVENT") if event["TRANSP"] != "OPAQUE"]
        assert not any("LOCATION" in event for event in others)
        assert [each["location"] for each in by_node["events"] if each["uid"] == str(booked["UID"])] == [place]
    (found,) = recurring_ical_events.of(icalendar.Calendar.from_ical(files[0])).between((2026, 12, 1), (2027, 1, 1))
    assert str(found["LOCATION"]) == place


def test_a_return_that_is_not_booked_has_no_place() -> None:
    services, stored = given(StoppedClock())
    assert not any("LOCATION" in event for event in events(services, stored).values())


def test_another_address_of_the_clinic_is_told_without_a_new_sequence() -> None:
    """A place is no significant change: RFC 5546 section 2.1.4 names times, recurrence and status."""
    clock = StoppedClock()
    services, stored = given(clock, None, **BOOKED)
    (before,) = [event for event in events(services, stored).values() if event["TRANSP"] == "OPAQUE"]
    clock.forward(hours=1)
    services.clinic = a_clinic(address=("9 New Street",))
    (after,) = [event for event in events(services, stored).values() if event["TRANSP"] == "OPAQUE"]
    assert (after["UID"], after["SEQUENCE"]) == (before["UID"], before["SEQUENCE"])
    assert (before["DTSTAMP"].dt, after["DTSTAMP"].dt) == (clock.at - timedelta(hours=1), clock.at)
    assert str(after["LOCATION"]) == "Larkfield Ear Care, 9 New Street"


def told(services: Services, stored: StoredPlan) -> bytes:
    """The appointment as it is mailed now."""
    with services.open_work() as work:
        contact = work.people.get("maud").contact
        found = invitation(services, work, work.plans.get(stored.id), contact, LINK, "maud@example.org")
        work.commit()
    assert found is not None
    return found[0]
