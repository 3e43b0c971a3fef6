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
from service.planning import recall_round
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.attention import HELD, LATE, MISSED, NOT_ASKED, SOFTEN_AGAIN, STANDS
from service.planning.calendar import feed
from service.planning.missed import look_for_missed, record_attended, record_missed
from service.planning.people import mark_died
from service.planning.preferences import pause
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
        """The one appointment in the calendar of a plan, as it is fetched now."""
        (found,) = self.entries(plan)
        return found

    def entries(self, plan: StoredPlan) -> list[icalendar.Event]:
        """The appointments in the calendar of a plan, its own first."""
        with self.services.open_work() as work:
            stored, contact = work.plans.get(plan.id), work.people.get("maud").contact
            data = feed(self.services, work, stored, contact, "https://clinic.example/p/x")
            work.commit()
        assert data is not None
        events = icalendar.Calendar.from_ical(data).walk("VEVENT")
        return [each for each in events if each["TRANSP"] == "OPAQUE"]

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
    world.book(world.first, None)
    send_due(world.services, "worker")
    (told,) = [sent for sent in world.recorder.sent if "is cancelled" in sent.message.text]
    (attached,) = [each for each in told.message.attachments if each.method == "CANCEL"]
    (event,) = icalendar.Calendar.from_ical(attached.data).walk("VEVENT")
    assert (event["UID"], event["STATUS"], event["SEQUENCE"]) == (before["UID"], "CANCELLED", 1)
    assert STANDS not in world.attention() and NOT_ASKED not in world.attention()
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
    wrong = world.give(FIRST)
    world.entry(wrong)
    world.withdraw(wrong)
    assert (world.plan(wrong).appointment, world.plan(world.first).appointment) == (None, FIRST)
    assert (world.recall().plan_id, world.recall().state) == (world.first.id, RecallState.BOOKED)
    assert world.entry(world.first)["UID"] == uid
    assert world.first.id in {plan for plan, _ in world.waiting(MessageKind.APPOINTMENT)}
    assert STANDS not in world.attention()


def test_a_withdrawn_plan_that_had_moved_the_appointment_gives_the_earlier_one_back_and_asks() -> None:
    """It may have been given to the wrong person, and its appointment be theirs."""
    world = World()
    uid = world.entry(world.first)["UID"]
    world.clock.forward(days=3)
    wrong = world.give(LATER)
    assert world.plan(world.first).appointment is None
    world.withdraw(wrong)
    assert (world.plan(wrong).appointment, world.plan(world.first).appointment) == (LATER, FIRST)
    assert world.attention()[STANDS].startswith("2026-12-27 at 14:00:")
    own, theirs = world.entries(world.first)
    assert (own["UID"], own["STATUS"]) == (uid, "CONFIRMED")
    assert theirs["UID"] != uid, "one UID is never two appointments"


def test_an_appointment_that_was_given_back_is_cancelled_in_words_and_in_the_calendar() -> None:
    world = World(None)
    world.clock.forward(days=3)
    wrong = world.give(FIRST)
    uid = world.entry(wrong)["UID"]
    world.withdraw(wrong)
    world.book(world.first, None)
    send_due(world.services, "worker")
    (told,) = [sent for sent in world.recorder.sent if "is cancelled" in sent.message.text]
    (attached,) = [each for each in told.message.attachments if each.method == "CANCEL"]
    (event,) = icalendar.Calendar.from_ical(attached.data).walk("VEVENT")
    assert (event["UID"], event["SEQUENCE"]) == (uid, 1)


def test_news_that_a_withdrawn_plan_had_not_sent_is_sent_by_the_plan_that_has_the_appointment_now() -> None:
    world = World(None)
    world.clock.forward(days=3)
    wrong = world.give()
    world.book(wrong, FIRST)
    world.withdraw(wrong)
    send_due(world.services, "worker")
    assert [sent for sent in world.recorder.sent if "is booked for" in sent.message.text]


def test_a_sequence_never_falls_though_plans_come_and_go() -> None:
    """RFC 5546 section 2.1.5: a REQUEST with a lower SEQUENCE than the last is ignored."""
    world = World()
    uid = world.entry(world.first)["UID"]
    world.clock.forward(days=3)
    second = world.give(FIRST)
    world.book(second, None)
    cancelled = world.entry(second)
    assert (cancelled["UID"], cancelled["STATUS"], cancelled["SEQUENCE"]) == (uid, "CANCELLED", 1)
    world.withdraw(second)
    world.book(world.first, LATER)
    again = world.entry(world.first)
    assert (again["UID"], again["STATUS"], again["SEQUENCE"]) == (uid, "CONFIRMED", 2)


def test_an_appointment_on_another_day_under_the_next_plan_has_moved() -> None:
    world = World()
    world.clock.forward(days=3)
    second = world.give()
    world.book(second, LATER)
    send_due(world.services, "worker")
    assert [sent for sent in world.recorder.sent if "has moved" in sent.message.text]


def test_an_appointment_given_after_a_cancellation_that_nobody_heard_of_moves_the_old_entry() -> None:
    world = World()
    uid = world.entry(world.first)["UID"]
    world.book(world.first, None)
    world.clock.forward(minutes=10)
    second = world.give(LATER)
    entry = world.entry(second)
    assert (entry["UID"], entry["STATUS"], entry["SEQUENCE"]) == (uid, "CONFIRMED", 2)
    send_due(world.services, "worker")
    assert not [sent for sent in world.recorder.sent if "is cancelled" in sent.message.text]


def test_who_came_is_not_invited_by_a_plan_that_was_taken_up_meanwhile() -> None:
    world = World(None)
    world.clock.forward(days=3)
    world.withdraw(world.give())
    assert world.first.id in {plan for plan, _ in world.waiting(MessageKind.RETURN_DUE)}
    world.clock.forward(days=3)
    world.give()
    assert world.first.id not in {plan for plan, _ in world.waiting(MessageKind.RETURN_DUE)}


def test_a_visit_of_a_withdrawn_plan_hides_no_missed_appointment() -> None:
    world = World()
    world.clock.at = datetime.combine(FIRST[0], time(8), UTC)
    world.withdraw(world.give())
    world.clock.forward(days=5)
    assert look_for_missed(world.services) == 1
    assert world.recall().state is RecallState.DUE


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


def test_urgent_advice_takes_the_one_appointment_over_and_gives_it_back() -> None:
    world = World()
    uid = world.entry(world.first)["UID"]
    urgent = world.give(FIRST, urgent=True)  # as the form has it typed already
    assert (world.plan(world.first).appointment, world.plan(urgent).appointment) == (None, FIRST)
    assert world.recall().state is RecallState.BOOKED
    world.withdraw(urgent)
    assert (world.plan(world.first).appointment, world.plan(urgent).appointment) == (FIRST, None)
    assert (world.recall().state, world.entry(world.first)["UID"]) == (RecallState.BOOKED, uid)
    assert HELD in world.attention(), "somebody says whether the plan on hold goes on"
    set_status(world.services, world.first.id, Status.ACTIVE, "nurse", "it goes on")
    assert HELD not in world.attention()


def test_the_appointment_of_a_plan_on_hold_stays_in_the_calendar_and_is_reminded_of() -> None:
    world = World()
    uid = world.entry(world.first)["UID"]
    urgent = world.give(urgent=True)
    assert world.entry(urgent)["UID"] == uid
    world.clock.at = datetime.combine(FIRST[0] - timedelta(days=1), time(12), UTC)
    send_due(world.services, "worker")
    assert [sent for sent in world.recorder.sent if "appointment is on" in sent.message.text]


@pytest.mark.parametrize("how", ["another urgent visit", "urgent advice withdrawn"])
def test_a_return_whose_appointment_fell_away_by_urgent_advice_is_asked_for_again(how: str) -> None:
    world = World(None)
    urgent = world.give(FIRST, urgent=True)
    world.clock.at = datetime.combine(FIRST[0], time(14), UTC)
    if how == "another urgent visit":
        world.give(urgent=True)
    else:
        world.withdraw(urgent)
    assert world.recall().state is RecallState.BOOKED
    world.clock.forward(days=4)
    recall_round.run(world.services)
    assert world.recall().state is RecallState.DUE


def test_a_visit_booked_too_late_for_an_ear_is_on_the_list_until_it_is_moved() -> None:
    world = World(None)
    world.book(world.first, (world.recall().window.latest + timedelta(days=9), time(9)))
    assert LATE in world.attention()
    world.book(world.first, LATER)
    assert LATE not in world.attention()


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


def test_nobody_is_asked_to_book_while_an_appointment_stands_and_everybody_when_it_falls_away() -> None:
    world = World()
    world.clock.forward(days=3)
    second = world.give()
    assert (world.recall().plan_id, world.recall().state) == (second.id, RecallState.BOOKED)
    assert not world.waiting(MessageKind.RETURN_DUE)
    world.book(world.first, None)
    assert world.recall().state is RecallState.DUE
    assert {plan for plan, _ in world.waiting(MessageKind.RETURN_DUE)} == {second.id}


def test_the_diary_cancels_what_stands_under_a_plan_that_is_over(tmp_path: Path) -> None:
    world = World()
    world.clock.forward(days=3)
    world.give()
    file = tmp_path / "diary.csv"
    file.write_text("person,date,time,action\nmaud,2026-12-20,10:30,cancel\n")
    assert "changed 1 of 1 appointments" in list(import_appointments(world.services, file, dry_run=False))
    assert world.plan(world.first).appointment is None
    assert STANDS not in world.attention()


def test_the_diary_moves_the_one_appointment_whichever_plan_it_is_under(tmp_path: Path) -> None:
    world = World()
    world.clock.forward(days=1)
    urgent = world.give(urgent=True)
    file = tmp_path / "diary.csv"
    file.write_text("person,date,time,action\nmaud,2026-12-27,14:00,book\n")
    assert "changed 1 of 1 appointments" in list(import_appointments(world.services, file, dry_run=False))
    assert (world.plan(world.first).appointment, world.plan(urgent).appointment) == (None, LATER)
    send_due(world.services, "worker")
    assert [sent for sent in world.recorder.sent if "has moved" in sent.message.text]


def test_whoever_is_not_told_that_an_appointment_is_cancelled_is_phoned() -> None:
    world = World()
    pause(world.services, "maud", 14)
    world.book(world.first, None)
    world.clock.forward(hours=1)
    for _ in range(3):
        send_due(world.services, "worker")
        world.clock.forward(days=1)
    assert "paused" in world.attention()
