"""An appointment that outlives its plan: handed on with its calendar entry, given back, or put before a person."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import icalendar
import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.domain.recall import Recall, RecallState
from service.errors import NotAllowedError
from service.ops.appointments import import_appointments
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.attention import MISSED, NOT_ASKED, SOFTEN_AGAIN, STANDS
from service.planning.calendar import feed
from service.planning.missed import look_for_missed, record_attended, record_missed
from service.planning.people import mark_died
from service.storage.records import StoredPlan

FIRST = (date(2026, 12, 20), time(10, 30))
LATER = (date(2026, 12, 27), time(14, 0))


class World:
    """A person with a cavity and the plan for it, reached by mail; what is said of their appointment."""

    def __init__(self, appointment: tuple[date, time] | None = FIRST) -> None:
        self.clock = StoppedClock()
        self.services, self.recorder = a_service(clock=self.clock)
        a_person(self.services, channels=(Channel.EMAIL,))
        self.first = self.give(appointment)

    def give(self, appointment: tuple[date, time] | None = None, *, urgent: bool = False) -> StoredPlan:
        on, at = appointment or (None, None)
        ears = (an_ear("battery-in-ear"),) if urgent else (an_ear("mastoid-cavity"),)
        visit = a_visit(*ears, next_appointment=on, next_appointment_time=at)
        return give(self.services, "maud", visit, by="nurse")

    def withdraw(self, plan: StoredPlan) -> None:
        set_status(self.services, plan.id, Status.REVOKED, "nurse", "a mistake")

    def book(self, plan: StoredPlan, appointment: tuple[date, time] | None) -> None:
        self.clock.forward(minutes=10)
        book(self.services, plan.id, appointment, "desk")

    def plan(self, plan: StoredPlan) -> StoredPlan:
        with self.services.open_reading() as work:
            return work.plans.get(plan.id)

    def recall(self) -> Recall:
        with self.services.open_reading() as work:
            found = work.recalls.open_of("maud")
        assert found is not None
        return found

    def attention(self) -> dict[str, str]:
        with self.services.open_reading() as work:
            return {each.reason: each.detail for each in work.ledger.attention()}

    def entry(self, plan: StoredPlan) -> icalendar.Event:
        """The appointment in the calendar of a plan, as it is fetched now."""
        with self.services.open_work() as work:
            stored, contact = work.plans.get(plan.id), work.people.get("maud").contact
            data = feed(self.services, work, stored, contact, "https://clinic.example/p/x")
            work.commit()
        assert data is not None
        events = icalendar.Calendar.from_ical(data).walk("VEVENT")
        (found,) = [each for each in events if each["TRANSP"] == "OPAQUE"]
        return found

    def waiting(self, *kinds: MessageKind) -> set[tuple[str, str]]:
        """The plan and key of what is still to be sent."""
        with self.services.open_reading() as work:
            found = work.messages.of_person("maud")
        return {
            (m.plan_id, m.planned.key)
            for m in found
            if m.planned.kind in kinds and m.state is State.PENDING and not m.superseded
        }


# --- a newer plan ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("again", "sequence"), [(FIRST, 0), (LATER, 1)], ids=["the same", "another"])
def test_a_newer_plan_takes_the_appointment_over_under_one_uid(again: tuple[date, time], sequence: int) -> None:
    """RFC 5546 section 2.1.5: one UID for good, a higher SEQUENCE only when the time changed."""
    world = World()
    before = world.entry(world.first)
    world.clock.forward(days=3)
    second = world.give(again)
    after = world.entry(second)
    assert (after["UID"], after["SEQUENCE"]) == (before["UID"], sequence)
    assert after["STATUS"] == "CONFIRMED"
    assert after["DTSTART"].dt.replace(tzinfo=None) == datetime.combine(*again)
    assert world.plan(world.first).appointment is None, "the slot counts once"
    assert STANDS not in world.attention()


def test_a_newer_plan_without_an_appointment_has_somebody_ask_what_becomes_of_it() -> None:
    world = World()
    world.clock.forward(days=3)
    second = world.give()
    assert world.attention()[STANDS].startswith("2026-12-20 at 10:30")
    assert world.plan(world.first).appointment == FIRST
    world.book(second, LATER)
    assert STANDS not in world.attention()
    assert (world.plan(world.first).appointment, world.plan(second).appointment) == (None, LATER)


def test_what_stands_under_a_plan_that_is_over_can_be_cancelled_and_the_person_is_told() -> None:
    world = World()
    before = world.entry(world.first)
    world.clock.forward(days=3)
    world.give()
    open_before = world.recall()
    world.book(world.first, None)
    send_due(world.services, "worker")
    (told,) = [sent for sent in world.recorder.sent if "is cancelled" in sent.message.text]
    (attached,) = [each for each in told.message.attachments if each.method == "CANCEL"]
    (event,) = icalendar.Calendar.from_ical(attached.data).walk("VEVENT")
    assert (event["UID"], event["STATUS"], event["SEQUENCE"]) == (before["UID"], "CANCELLED", 1)
    assert STANDS not in world.attention() and NOT_ASKED not in world.attention()
    assert world.recall() == open_before, "the return of the newer plan is asked for as before"
    assert world.first.id not in {plan for plan, _ in world.waiting(MessageKind.COURSE_END, MessageKind.DOSE)}


def test_the_appointment_of_today_is_the_visit_itself() -> None:
    world = World()
    world.clock.at = datetime(2026, 12, 20, 9, 0, tzinfo=UTC)  # an hour and a half early
    world.give()
    assert STANDS not in world.attention()


# --- a plan that is withdrawn ----------------------------------------------------------------------------------------


def test_a_withdrawn_plan_gives_the_appointment_back_with_the_return() -> None:
    world = World()
    uid = world.entry(world.first)["UID"]
    world.clock.forward(days=3)
    wrong = world.give(LATER)
    world.entry(wrong)
    world.withdraw(wrong)
    assert (world.plan(wrong).appointment, world.plan(world.first).appointment) == (None, LATER)
    assert (world.recall().plan_id, world.recall().state) == (world.first.id, RecallState.BOOKED)
    assert world.entry(world.first)["UID"] == uid
    assert world.first.id in {plan for plan, _ in world.waiting(MessageKind.APPOINTMENT)}
    assert STANDS not in world.attention()


def test_nothing_but_visits_is_said_again_of_a_plan_that_is_over() -> None:
    world = World(None)
    world.clock.forward(days=1)
    wrong = world.give()
    world.withdraw(wrong)
    with world.services.open_reading() as work:
        mine = [m for m in work.messages.of_person("maud") if m.plan_id == world.first.id]
    kinds = {m.planned.kind for m in mine if m.state is State.PENDING and not m.superseded}
    assert kinds == {MessageKind.RETURN_DUE}


def test_the_first_plan_withdrawn_with_an_appointment_has_somebody_ask() -> None:
    world = World()
    world.withdraw(world.first)
    assert STANDS in world.attention()
    assert world.entry(world.first)["STATUS"] == "CONFIRMED", "it stands in the diary until somebody says otherwise"
    world.book(world.first, None)
    send_due(world.services, "worker")
    assert "is cancelled" in world.recorder.sent[-1].message.text
    assert world.entry(world.first)["STATUS"] == "CANCELLED"
    with pytest.raises(NotAllowedError, match="has ended"):
        book(world.services, world.first.id, LATER, "desk")


def test_a_return_that_was_given_back_can_be_booked_missed_and_booked_again() -> None:
    world = World(None)
    world.clock.forward(days=3)
    wrong = world.give()
    world.withdraw(wrong)
    world.book(world.first, FIRST)
    assert world.recall().state is RecallState.BOOKED
    assert world.entry(world.first)["STATUS"] == "CONFIRMED"
    world.clock.at = datetime.combine(FIRST[0] + timedelta(days=5), time(3), UTC)
    assert look_for_missed(world.services) == 1
    assert (world.recall().state, world.recall().missed) == (RecallState.DUE, 1)
    again = (world.clock.at.date() + timedelta(days=9), time(9))
    world.book(world.first, again)
    assert world.recall().state is RecallState.BOOKED


def test_the_diary_books_on_the_plan_by_which_the_person_is_due_again(tmp_path: Path) -> None:
    world = World(None)
    world.clock.forward(days=3)
    world.withdraw(world.give())
    file = tmp_path / "diary.csv"
    file.write_text("person,date,time,action\nmaud,2026-12-20,10:30,book\n")
    assert "changed 1 of 1 appointments" in list(import_appointments(world.services, file, dry_run=False))
    assert world.plan(world.first).appointment == FIRST


# --- urgent advice beside a plan on hold -----------------------------------------------------------------------------


def test_an_appointment_of_urgent_advice_settles_the_return_of_the_plan_on_hold_until_it_falls_away() -> None:
    world = World(None)
    asked_before = world.waiting(MessageKind.RETURN_DUE)
    assert asked_before
    urgent = world.give(FIRST, urgent=True)
    assert (world.recall().plan_id, world.recall().state) == (world.first.id, RecallState.BOOKED)
    assert not world.waiting(MessageKind.RETURN_DUE)
    world.book(urgent, None)
    assert world.recall().state is RecallState.DUE
    assert world.waiting(MessageKind.RETURN_DUE) == asked_before


def test_an_appointment_of_urgent_advice_after_the_latest_day_settles_nothing() -> None:
    world = World(None)
    late = (world.recall().window.latest + timedelta(days=1), time(9))
    urgent = world.give(late, urgent=True)
    assert world.recall().state is RecallState.DUE
    world.book(urgent, FIRST)
    assert world.recall().state is RecallState.BOOKED
    world.book(urgent, late)
    assert world.recall().state is RecallState.DUE


@pytest.mark.parametrize("act", [record_attended, record_missed])
def test_a_visit_for_urgent_advice_leaves_the_return_to_be_asked_for(act: object) -> None:
    world = World(None)
    urgent = world.give(FIRST, urgent=True)
    world.clock.at = datetime.combine(FIRST[0] + timedelta(days=1), time(9), UTC)
    act(world.services, urgent.id, "desk")  # type: ignore[operator]
    assert (world.recall().state, world.recall().missed) == (RecallState.DUE, 0)


def test_an_own_appointment_counts_before_that_of_urgent_advice() -> None:
    world = World(LATER)
    urgent = world.give(FIRST, urgent=True)
    world.book(urgent, None)
    assert world.recall().state is RecallState.BOOKED
    assert world.plan(world.first).appointment == LATER


# --- who died --------------------------------------------------------------------------------------------------------


def test_the_slot_of_somebody_who_died_is_asked_for_and_nothing_else() -> None:
    world = World()
    with world.services.open_work() as work:
        for reason in (MISSED, NOT_ASKED, SOFTEN_AGAIN):
            work.ledger.ask("maud", reason, world.clock.at)
        work.commit()
    mark_died(world.services, "maud", "desk", died=True)
    assert set(world.attention()) == {STANDS}
    world.book(world.first, None)
    send_due(world.services, "worker")
    assert world.attention() == {}
    assert not [sent for sent in world.recorder.sent if "cancelled" in sent.message.text], "nothing is sent, ever"


def test_a_death_that_was_a_mistake_leaves_the_appointment_as_it_was() -> None:
    world = World()
    mark_died(world.services, "maud", "desk", died=True)
    mark_died(world.services, "maud", "desk", died=False)
    assert world.attention() == {}
    assert (world.plan(world.first).appointment, world.recall().state) == (FIRST, RecallState.BOOKED)


def test_a_second_missed_visit_is_named_with_its_own_day() -> None:
    world = World()
    for on in (FIRST[0], FIRST[0] + timedelta(days=20)):
        if on != FIRST[0]:
            world.book(world.first, (on, time(9)))
        world.clock.at = datetime.combine(on + timedelta(days=5), time(3), UTC)
        assert look_for_missed(world.services) == 1
    assert world.attention()[MISSED].startswith("the appointment of 2027-01-09 at 09:00")
