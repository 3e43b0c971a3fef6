"""What is taken back leaves nobody behind: urgent advice that is over, a plan withdrawn, a death that was a mistake."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from builders import StoppedClock, a_visit, an_ear
from planning.asked_back import (
    CAVITY,
    PRONE,
    attention,
    given,
    of_plan,
    open_recall,
    says,
    to_first_invitation,
    waiting,
)

from service.delivery.dispatch import send_due
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.domain.recall import Answer, Ended, RecallState
from service.errors import NotAllowedError
from service.planning import recall_round
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.missed import look_for_unfounded
from service.planning.people import mark_died, mark_left
from service.planning.recall_board import Decision, decide
from service.planning.recalling import answer_in
from service.services import Services
from service.storage.records import StoredPlan

URGENT = "battery-in-ear"


def gives(services: Services, clock: StoppedClock, *findings: str, ahead: int | None = None) -> StoredPlan:
    """A plan of today, with an appointment so many days ahead."""
    today = services.day_of(clock.at)
    booked = today + timedelta(days=ahead) if ahead is not None else None
    at = time(9, 30) if booked is not None else None
    visit = a_visit(an_ear(*findings), on=today, next_appointment=booked, next_appointment_time=at)
    return give(services, "maud", visit, "clinician")


def withdraws(services: Services, stored: StoredPlan) -> None:
    set_status(services, stored.id, Status.REVOKED, "clinician", "a mistake")


def given_back(visit=CAVITY):  # type: ignore[no-untyped-def]
    """A plan that is over, and whose return counts again, since the plan after it was withdrawn."""
    services, stored, clock, sent = given(visit)
    clock.forward(days=10)
    withdraws(services, gives(services, clock, "normal"))
    return services, stored, clock, sent


def invited_since(services: Services, since: datetime) -> int:
    """How many invitations have gone out since then."""
    with services.open_reading() as work:
        found = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.RETURN_DUE]
    return sum(1 for m in found if m.state is State.SENT and m.handed is not None and m.handed >= since)


def runs_to(services: Services, clock: StoppedClock, day: date) -> None:
    """The nights and sendings until noon of a day."""
    while clock.at.date() < day:
        clock.at = datetime.combine(clock.at.date() + timedelta(days=1), time(3), UTC)
        today = services.day_of(clock.at)
        recall_round.ask_about_silent(services, today)
        recall_round.ask_about_late(services, today)
        clock.at = clock.at.replace(hour=12)
        send_due(services, "worker")


def ticked_off(services: Services, clock: StoppedClock, reason: str) -> None:
    with services.open_work() as work:
        for each in work.ledger.attention():
            if each.reason == reason:
                work.ledger.attention_done(each.id, "desk", clock.at)
        work.commit()


# --- urgent advice, and a return that a withdrawn plan gave back ------------------------------------------------------


def test_while_urgent_advice_runs_a_return_that_was_given_back_does_not_invite() -> None:
    services, stored, clock, _ = given_back()
    assert len(waiting(services)) == 3
    start = clock.at
    gives(services, clock, URGENT)
    assert waiting(services) == {}
    runs_to(services, clock, open_recall(services).invite_on + timedelta(days=1))
    assert invited_since(services, start) == 0
    assert of_plan(services, stored.id).state is RecallState.DUE


def test_a_return_that_is_given_back_while_urgent_advice_runs_does_not_invite_either() -> None:
    services, stored, clock, _ = given()
    clock.forward(days=10)
    mistake = gives(services, clock, "wax-left")
    clock.forward(days=1)
    urgent = gives(services, clock, URGENT)
    withdraws(services, mistake)  # it was on hold
    assert open_recall(services).plan_id == stored.id and waiting(services) == {}
    withdraws(services, urgent)
    assert len(waiting(services)) == 3


def test_urgent_advice_that_is_over_in_time_lets_the_invitations_go_on_as_planned() -> None:
    services, _, clock, _ = given_back()
    before = waiting(services)
    urgent = gives(services, clock, URGENT)
    clock.forward(days=5)
    withdraws(services, urgent)
    assert waiting(services) == before


def test_a_first_invitation_whose_day_passed_meanwhile_goes_out_when_urgent_advice_is_over() -> None:
    services, _, clock, _ = given_back()
    urgent = gives(services, clock, URGENT)
    runs_to(services, clock, open_recall(services).invite_on + timedelta(days=20))
    withdraws(services, urgent)
    tomorrow = clock.at.date() + timedelta(days=1)
    assert min(waiting(services).values()) == tomorrow and len(waiting(services)) == 3
    start = clock.at
    runs_to(services, clock, tomorrow)
    assert invited_since(services, start) == 1


def test_the_rest_of_a_round_goes_on_when_urgent_advice_is_over() -> None:
    services, _, clock, _ = given_back()
    to_first_invitation(services, clock)
    clock.forward(days=1)
    urgent = gives(services, clock, URGENT)
    assert waiting(services) == {}
    clock.forward(days=1)
    withdraws(services, urgent)
    assert sorted(waiting(services)) == ["return-due/1/2", "return-due/1/3"], "what went out is not sent again"


def test_urgent_advice_in_the_place_of_urgent_advice_still_runs() -> None:
    services, _, clock, _ = given_back()
    gives(services, clock, URGENT)
    clock.forward(days=1)
    second = gives(services, clock, URGENT)
    assert waiting(services) == {}
    withdraws(services, second)
    assert len(waiting(services)) == 3


def test_where_urgent_advice_never_ends_the_return_is_put_before_a_person() -> None:
    services, _, clock, _ = given_back()
    gives(services, clock, URGENT)
    runs_to(services, clock, open_recall(services).invite_on + timedelta(days=60))
    assert "0 of 3 invitations went out" in attention(services)["recall-no-answer"]


def test_a_return_given_back_under_urgent_advice_has_no_message_and_is_put_before_a_person_once_all_the_same() -> None:
    services, _, clock, _ = given()
    clock.at = datetime.combine(open_recall(services).invite_on + timedelta(days=1), time(12), UTC)
    mistake = gives(services, clock, "wax-left")
    clock.forward(days=1)
    gives(services, clock, URGENT)
    withdraws(services, mistake)  # another round, of which nothing is laid out
    day = open_recall(services).invite_on
    ticked_off(services, clock, "return-soon")
    runs_to(services, clock, day + timedelta(days=48))
    assert "recall-no-answer" not in attention(services)
    runs_to(services, clock, day + timedelta(days=49))
    assert "recall-no-answer" in attention(services)
    ticked_off(services, clock, "recall-no-answer")
    runs_to(services, clock, day + timedelta(days=55))
    assert "recall-no-answer" not in attention(services), "who was decided about is not asked about again"


def test_a_plan_taken_up_invites_anew_where_its_first_invitation_lapsed_on_hold() -> None:
    services, stored, clock, _ = given()
    urgent = gives(services, clock, URGENT)
    runs_to(services, clock, open_recall(services).invite_on + timedelta(days=40))
    withdraws(services, urgent)
    set_status(services, stored.id, Status.ACTIVE, "clinician", "it goes on")
    tomorrow = clock.at.date() + timedelta(days=1)
    assert min(waiting(services).values()) == tomorrow and len(waiting(services)) == 3


def test_a_plan_taken_up_on_the_day_of_its_invitation_sends_that_one() -> None:
    services, stored, clock, _ = given()
    set_status(services, stored.id, Status.ON_HOLD, "clinician", "to be looked at")
    clock.at = datetime.combine(open_recall(services).invite_on, time(12), UTC)
    send_due(services, "worker")
    set_status(services, stored.id, Status.ACTIVE, "clinician", "it goes on")
    assert open_recall(services).round == 1
    start = clock.at
    clock.forward(minutes=1)
    send_due(services, "worker")
    assert invited_since(services, start) == 1


def test_urgent_advice_withdrawn_leaves_the_list_as_it_was() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    assert "recall-declined" in attention(services)
    clock.forward(days=1)
    urgent = gives(services, clock, URGENT)
    clock.forward(hours=1)
    withdraws(services, urgent)
    assert "recall-declined" in attention(services)


@pytest.mark.parametrize("over", [True, False])
def test_nobody_is_taken_off_the_list_for_an_invitation_that_would_not_go_out(over: bool) -> None:
    services, _, clock, _ = given_back() if over else given()
    urgent = gives(services, clock, URGENT)
    recall = open_recall(services)
    why = "urgent advice is in force" if over else "the plan is on hold"
    with pytest.raises(NotAllowedError, match=f"{why}, so no invitation goes out"):
        decide(services, recall.id, Decision.INVITE, "desk", reason="the daughter rang")
    assert open_recall(services) == recall
    withdraws(services, urgent)
    if over:
        after = decide(services, recall.id, Decision.INVITE, "desk", reason="the daughter rang")
        assert after.round == recall.round + 1 and len(waiting(services)) == 3


# --- a plan withdrawn: what it had settled stands again ---------------------------------------------------------------


def test_who_wanted_to_come_before_a_plan_that_was_a_mistake_is_still_to_be_arranged() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    clock.forward(days=1)
    mistake = gives(services, clock, "normal")
    assert "recall-wants-visit" not in attention(services)
    withdraws(services, mistake)
    assert of_plan(services, stored.id).state is RecallState.ANSWERED
    assert waiting(services) == {}, "who wants to come is not asked whether they want to"
    assert "wants to come" in attention(services)["recall-wants-visit"]


def test_what_staff_had_ticked_off_before_stays_ticked_off() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    ticked_off(services, clock, "recall-wants-visit")
    clock.forward(days=1)
    withdraws(services, gives(services, clock, "normal"))
    assert "recall-wants-visit" not in attention(services)
    assert len(waiting(services)) == 3, "so they are asked anew"


def test_a_no_about_a_cavity_is_on_the_list_again_after_a_plan_that_was_a_mistake() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    clock.forward(days=1)
    mistake = gives(services, clock, "normal")
    assert "recall-declined" not in attention(services)
    withdraws(services, mistake)
    assert "much depends on this visit" in attention(services)["recall-declined"]
    assert of_plan(services, stored.id).ended is Ended.DECLINED


def test_a_return_that_is_given_back_late_is_for_a_person_at_once() -> None:
    services, _, clock, _ = given()
    clock.at = datetime.combine(open_recall(services).window.ideal, time(12), UTC)
    mistake = gives(services, clock, "normal")
    clock.forward(minutes=5)
    withdraws(services, mistake)
    assert "nothing is booked, and the return is due" in attention(services)["return-soon"]


def test_nothing_of_a_withdrawn_plan_can_be_answered_or_decided() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    clock.forward(days=1)
    withdraws(services, stored)
    assert of_plan(services, stored.id).ended is Ended.REPLACED
    assert "recall-declined" not in attention(services)
    with services.open_work() as work:
        assert answer_in(services, work, "maud", Answer.BOOK, by="page", now=clock.at) is None


@pytest.mark.parametrize(("mark", "field", "why"), [(mark_died, "died", Ended.DIED), (mark_left, "left", Ended.LEFT)])
def test_who_is_gone_is_given_no_return_back_whatever_became_of_the_withdrawn_one(
    mark: object, field: str, why: Ended
) -> None:
    services, stored, clock, _ = given()
    clock.forward(days=1)
    mistake = gives(services, clock, "mastoid-cavity")
    decide(services, open_recall(services).id, Decision.DECLINED, "desk", reason="on the telephone")
    mark(services, "maud", "desk", **{field: True})  # type: ignore[operator]
    clock.forward(days=1)
    withdraws(services, mistake)
    assert (of_plan(services, stored.id).state, of_plan(services, stored.id).ended) == (RecallState.CLOSED, why)
    assert waiting(services) == {}
    mark(services, "maud", "desk", **{field: False})  # type: ignore[operator]
    assert of_plan(services, stored.id).state is RecallState.DUE and len(waiting(services)) == 3


# --- a death or a move that was a mistake -----------------------------------------------------------------------------


@pytest.mark.parametrize("twice", [False, True])
def test_what_a_death_took_off_the_list_is_there_again_when_it_was_a_mistake(twice: bool) -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    clock.forward(days=1)
    if twice:
        mark_left(services, "maud", "desk", left=True)
        clock.forward(days=1)
    mark_died(services, "maud", "desk", died=True)
    assert attention(services) == {}
    clock.forward(days=1)
    mark_died(services, "maud", "desk", died=False)
    if twice:
        assert attention(services) == {}, "who moved away is not called"
        clock.forward(days=1)
        mark_left(services, "maud", "desk", left=False)
    assert set(attention(services)) >= {"recall-wants-visit"}
    assert of_plan(services, stored.id).state is RecallState.ANSWERED


def test_a_no_is_on_the_list_again_after_a_death_that_was_a_mistake() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    clock.forward(days=1)
    mark_died(services, "maud", "desk", died=True)
    clock.forward(days=1)
    mark_died(services, "maud", "desk", died=False)
    assert "recall-declined" in attention(services)


def test_a_plan_on_hold_is_asked_about_again_after_a_death_that_was_a_mistake() -> None:
    services, _, clock, _ = given()
    withdraws(services, gives(services, clock, URGENT))
    assert "plan-on-hold" in attention(services)
    clock.forward(days=1)
    mark_died(services, "maud", "desk", died=True)
    mark_died(services, "maud", "desk", died=False)
    assert "plan-on-hold" in attention(services)


# --- who declined, was booked after all, and whose booking came to nothing --------------------------------------------


def declined_and_booked(ahead: int = 9):  # type: ignore[no-untyped-def]
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    day = services.day_of(clock.at) + timedelta(days=ahead)
    book(services, stored.id, (day, time(14)), "desk")
    assert "recall-declined" not in attention(services)
    return services, stored, clock, day


def test_who_declined_and_whose_booking_moved_to_urgent_advice_is_not_invited_when_it_is_cancelled() -> None:
    services, stored, clock, _ = declined_and_booked()
    clock.forward(days=1)
    urgent = gives(services, clock, URGENT, ahead=3)
    assert of_plan(services, stored.id).state is RecallState.BOOKED
    clock.forward(hours=1)
    book(services, urgent.id, None, "desk")
    assert of_plan(services, stored.id).ended is Ended.DECLINED
    assert waiting(services) == {}
    assert "much depends on this visit" in attention(services)["recall-declined"]


def test_who_declined_and_whose_day_was_an_urgent_visit_is_put_before_a_person() -> None:
    services, stored, clock, day = declined_and_booked()
    clock.at = datetime.combine(day, time(15), UTC)
    urgent = gives(services, clock, URGENT)
    clock.forward(hours=1)
    withdraws(services, urgent)
    clock.at = datetime.combine(day + timedelta(days=4), time(3), UTC)
    look_for_unfounded(services)
    assert of_plan(services, stored.id).ended is Ended.DECLINED
    assert "much depends on this visit" in attention(services)["recall-declined"]


# --- who wants to come, and was forgotten -----------------------------------------------------------------------------


def test_who_wants_to_come_and_is_ticked_off_without_a_booking_is_on_the_list_again() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    said = clock.at.date()
    clock.forward(days=20)
    assert recall_round.ask_about_unarranged(services) == 0, "it is on the list"
    ticked_off(services, clock, "recall-wants-visit")
    clock.forward(days=13)
    assert recall_round.ask_about_unarranged(services) == 0
    clock.forward(days=2)
    assert recall_round.ask_about_unarranged(services) == 1
    assert f"said on {said} that they want to come, and nothing is booked" in attention(services)["recall-wants-visit"]
    assert recall_round.ask_about_unarranged(services) == 0
    ticked_off(services, clock, "recall-wants-visit")
    book(services, stored.id, (services.day_of(clock.at) + timedelta(days=9), time(14)), "desk")
    clock.forward(days=8)
    assert recall_round.ask_about_unarranged(services) == 0, "a visit is booked"


def test_the_nightly_round_looks_for_who_was_forgotten() -> None:
    services, _, clock, _ = given(replace(PRONE, on=date(2026, 11, 25)))
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    ticked_off(services, clock, "recall-wants-visit")
    clock.forward(days=15)
    assert recall_round.run(services).unarranged == 1
