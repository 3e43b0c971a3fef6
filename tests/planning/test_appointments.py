"""An appointment is booked, moved or cancelled after the plan was given."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import icalendar
import pytest
from builders import StoppedClock, a_person, a_service, a_visit

from service.delivery.dispatch import send_due
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.domain.recall import Ended
from service.errors import NotAllowedError, NotFoundError, VisitError
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.attention import CHANGED, NOT_ASKED
from service.planning.calendar import feed
from service.planning.taking_back import end_in
from service.services import Services
from service.storage.records import StoredMessage, StoredPlan

FIRST = (date(2026, 12, 10), time(10, 30))
LATER = (date(2026, 12, 17), time(14, 0))
ROUND = {"return-due/1/1", "return-due/1/2", "return-due/1/3"}
"""The invitations of the first round."""


def given(
    clock: StoppedClock | None = None, appointment: tuple[date, time] | None = FIRST, **contact: object
) -> tuple[Services, StoredPlan]:
    services, _ = a_service(clock=clock or StoppedClock())
    on, at = appointment or (None, None)
    visit = a_visit(next_appointment=on, next_appointment_time=at)
    return services, give(services, a_person(services, **contact), visit, by="nurse")


def of_kind(services: Services, kind: MessageKind) -> dict[str, StoredMessage]:
    with services.open_reading() as work:
        return {m.planned.key: m for m in work.messages.of_person("maud") if m.planned.kind is kind}


def to_come(services: Services, kind: MessageKind) -> set[str]:
    return {key for key, m in of_kind(services, kind).items() if m.state is State.PENDING and not m.superseded}


def actions(services: Services, plan: str) -> list[tuple[str, dict[str, object]]]:
    with services.open_reading() as work:
        found = work.ledger.history(plan)
    return [(line.action, line.detail) for line in found if line.action.startswith("appointment-")]


def attention(services: Services) -> dict[str, str]:
    with services.open_reading() as work:
        return {entry.reason: entry.detail for entry in work.ledger.attention()}


def appointment_event(services: Services, stored: StoredPlan) -> icalendar.Event:
    with services.open_work() as work:
        data = feed(services, work, work.plans.get(stored.id), work.people.get("maud").contact, "https://x.example/p")
        work.commit()
    assert data is not None
    (event,) = [e for e in icalendar.Calendar.from_ical(data).walk("VEVENT") if e["TRANSP"] == "OPAQUE"]
    return event


def test_a_moved_appointment_moves_its_reminders_and_says_so_on_record() -> None:
    services, stored = given()
    assert to_come(services, MessageKind.APPOINTMENT) == {"appointment/2026-12-10/5", "appointment/2026-12-10/1"}
    moved = book(services, stored.id, LATER, "desk")
    assert moved.appointment == LATER
    with services.open_reading() as work:
        assert work.plans.get(stored.id) == moved
    assert to_come(services, MessageKind.APPOINTMENT) == {"appointment/2026-12-17/5", "appointment/2026-12-17/1"}
    assert all(of_kind(services, MessageKind.APPOINTMENT)[f"appointment/2026-12-10/{n}"].superseded for n in (5, 1))
    said = {"before": "2026-12-10T10:30", "after": "2026-12-17T14:00"}
    assert actions(services, stored.id) == [("appointment-moved", said)]
    assert attention(services) == {}


def test_reminders_of_the_earlier_appointment_are_not_sent_and_those_of_the_new_one_are() -> None:
    clock = StoppedClock()
    services, stored = given(clock)
    book(services, stored.id, LATER, "desk")
    while clock.at < datetime(2026, 12, 18, tzinfo=UTC):
        send_due(services, "worker")
        clock.forward(hours=2)
    reminders = of_kind(services, MessageKind.APPOINTMENT)
    went = {key for key, m in reminders.items() if m.state is State.SENT}
    assert went == {"appointment/2026-12-17/5", "appointment/2026-12-17/1"}
    assert all("Thursday, 17 December 2026 at 2:00" in (reminders[key].text or "") for key in went)


def test_a_cancelled_appointment_cancels_its_reminders_and_the_invitation_comes_back() -> None:
    services, stored = given()
    assert to_come(services, MessageKind.RETURN_DUE) == set()
    book(services, stored.id, None, "desk")
    assert to_come(services, MessageKind.APPOINTMENT) == set()
    assert to_come(services, MessageKind.RETURN_DUE) == ROUND
    assert actions(services, stored.id) == [("appointment-cancelled", {"before": "2026-12-10T10:30"})]
    assert attention(services) == {}


def test_an_appointment_booked_later_takes_the_place_of_the_invitation() -> None:
    services, stored = given(appointment=None)
    assert to_come(services, MessageKind.RETURN_DUE) == ROUND
    book(services, stored.id, FIRST, "desk")
    assert to_come(services, MessageKind.RETURN_DUE) == set()
    assert len(to_come(services, MessageKind.APPOINTMENT)) == 2
    assert actions(services, stored.id) == [("appointment-booked", {"after": "2026-12-10T10:30"})]


def test_a_move_there_and_back_brings_the_first_reminders_back() -> None:
    services, stored = given()
    book(services, stored.id, LATER, "desk")
    book(services, stored.id, FIRST, "desk")
    assert to_come(services, MessageKind.APPOINTMENT) == {"appointment/2026-12-10/5", "appointment/2026-12-10/1"}


def test_the_calendar_follows_with_the_same_uid_and_a_higher_sequence() -> None:  # RFC 5546 2.1.4 and 3.2.5
    services, stored = given()
    first = appointment_event(services, stored)
    book(services, stored.id, LATER, "desk")
    moved = appointment_event(services, stored)
    book(services, stored.id, None, "desk")
    cancelled = appointment_event(services, stored)
    assert {str(event["UID"]) for event in (first, moved, cancelled)} == {str(first["UID"])}
    assert [event["SEQUENCE"] for event in (first, moved, cancelled)] == [0, 1, 2]
    assert moved["DTSTART"].dt.replace(tzinfo=None) == datetime.combine(*LATER)
    assert (moved["STATUS"], cancelled["STATUS"]) == ("CONFIRMED", "CANCELLED")
    assert not cancelled.walk("VALARM")


@pytest.mark.parametrize("after", [LATER, None])
def test_who_was_reminded_of_the_earlier_appointment_is_told_by_a_person(after: tuple[date, time] | None) -> None:
    clock = StoppedClock()
    services, stored = given(clock)
    clock.at = datetime(2026, 12, 5, 9, 0, tzinfo=UTC)
    send_due(services, "worker")
    assert of_kind(services, MessageKind.APPOINTMENT)["appointment/2026-12-10/5"].state is State.SENT
    book(services, stored.id, after, "desk")
    assert "a reminder of 2026-12-10 at 10:30 may have gone out" in attention(services)[CHANGED]


def test_an_appointment_cancelled_after_the_time_to_invite_begins_a_new_round() -> None:
    clock = StoppedClock()
    services, stored = given(clock)
    clock.at = datetime(2026, 12, 4, 9, 0, tzinfo=UTC)  # the invitation would have gone half-way to the return
    book(services, stored.id, None, "desk")
    assert to_come(services, MessageKind.RETURN_DUE) == {"return-due/2/1", "return-due/2/2", "return-due/2/3"}
    assert not {CHANGED, NOT_ASKED} & attention(services).keys()


def test_an_appointment_cancelled_where_nothing_asks_the_person_back_is_work_for_a_person() -> None:
    services, stored = given()
    with services.open_work() as work:
        end_in(services, work, "maud", Ended.NOT_NEEDED, "nurse", services.clock.now())
        work.commit()
    book(services, stored.id, None, "desk")
    assert to_come(services, MessageKind.RETURN_DUE) == set()
    assert "arrange the return that is due on 2026-12-09" in attention(services)[NOT_ASKED]


@pytest.mark.parametrize("appointment", [FIRST, None])
def test_asking_for_what_is_so_already_changes_nothing(appointment: tuple[date, time] | None) -> None:
    services, stored = given(appointment=appointment)
    before = of_kind(services, MessageKind.APPOINTMENT)
    assert book(services, stored.id, appointment, "desk") == stored
    assert actions(services, stored.id) == []
    assert of_kind(services, MessageKind.APPOINTMENT) == before


@pytest.mark.parametrize(
    ("appointment", "said"),
    [
        ((date(2026, 11, 24), time(14, 0)), "has passed"),
        ((date(2026, 11, 25), time(10, 0)), "has passed"),  # this very moment
        ((date(2029, 1, 1), time(14, 0)), "more than two years"),
        ((date(2027, 3, 28), time(1, 30)), "clocks go forward"),  # Europe/London
    ],
)
def test_a_moment_that_cannot_be_is_refused_and_nothing_changes(appointment: tuple[date, time], said: str) -> None:
    services, stored = given()
    with pytest.raises(VisitError, match=said):
        book(services, stored.id, appointment, "desk")
    with services.open_reading() as work:
        assert work.plans.get(stored.id).appointment == FIRST
    assert len(to_come(services, MessageKind.APPOINTMENT)) == 2


def test_later_on_the_same_day_is_allowed() -> None:
    services, stored = given()
    assert book(services, stored.id, (date(2026, 11, 25), time(10, 1)), "desk").appointment is not None


@pytest.mark.parametrize("how", ["withdrawn", "another was given"])
def test_a_plan_that_has_ended_keeps_its_appointment(how: str) -> None:
    services, stored = given()
    if how == "withdrawn":
        set_status(services, stored.id, Status.REVOKED, "nurse", "x")
    else:
        give(services, stored.person_id, a_visit(), by="nurse")
    with pytest.raises(NotAllowedError, match="has ended"):
        book(services, stored.id, LATER, "desk")


def test_a_plan_that_is_not_there_has_no_appointment() -> None:
    services, _ = given()
    with pytest.raises(NotFoundError):
        book(services, "none", LATER, "desk")
