"""Recalls under sequences that a clinic meets now and then: mistakes taken back, answers changed, late bookings."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from builders import StoppedClock, a_visit, an_ear
from planning.asked_back import (
    CAVITY,
    PHONE,
    PRONE,
    attention,
    given,
    of_plan,
    open_recall,
    says,
    to_first_invitation,
    waiting,
)
from sqlalchemy import delete

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Inbound, MessageKind, State
from service.domain.plan import Status
from service.domain.recall import Answer, Ended, RecallState
from service.errors import NotAllowedError
from service.inbound.replies import Meaning, take_inbound
from service.planning import recall_round
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.laying_out import replan
from service.planning.missed import look_for_missed, record_missed
from service.planning.people import mark_died, mark_left
from service.planning.recall_board import Decision, decide
from service.planning.recall_settings import save_settings, settings_now
from service.planning.recalling import invited
from service.planning.weeks import give_out_weeks
from service.services import Services
from service.storage.tables import RecallRow
from service.web.patient_recall import invitation


def shown(services: Services) -> Answer | None:
    with services.open_reading() as work:
        asked = invitation(services, work, "maud")
    assert asked is not None
    return asked.given


def a_plan_withdrawn_again(clock: StoppedClock, services: Services) -> None:
    wrong = give(services, "maud", PRONE, "clinician")
    set_status(services, wrong.id, Status.REVOKED, "clinician", "given to the wrong person")


# --- a plan that was a mistake ---------------------------------------------------------------------------------------


def test_a_recall_that_was_given_back_can_be_answered() -> None:
    services, stored, clock, _ = given()
    clock.forward(days=10)
    a_plan_withdrawn_again(clock, services)
    to_first_invitation(services, clock)
    answer = Inbound(channel=Channel.TEXT, id="in-1", sender=PHONE, text="yes", at=clock.at)
    assert take_inbound(services, answer) is Meaning.BOOK
    assert of_plan(services, stored.id).state is RecallState.ANSWERED


def test_a_recall_that_was_given_back_follows_a_death_that_was_a_mistake() -> None:
    services, stored, clock, _ = given()
    clock.forward(days=10)
    a_plan_withdrawn_again(clock, services)
    mark_died(services, "maud", "desk", died=True)
    mark_died(services, "maud", "desk", died=False)
    assert of_plan(services, stored.id).state is RecallState.DUE


def test_a_kept_appointment_does_not_silence_a_recall_that_is_given_back() -> None:
    services, stored, clock, _ = given()
    on = open_recall(services).window.ideal
    book(services, stored.id, (on, time(10)), "desk")
    clock.at = datetime.combine(on, time(11), UTC)
    a_plan_withdrawn_again(clock, services)
    recall = open_recall(services)
    assert (recall.plan_id, recall.state) == (stored.id, RecallState.DUE)
    assert sorted(waiting(services)) == ["return-due/2/1", "return-due/2/2", "return-due/2/3"]


def test_an_appointment_that_is_still_to_come_stays_booked_when_its_recall_is_given_back() -> None:
    services, stored, clock, _ = given()
    book(services, stored.id, (open_recall(services).window.ideal, time(10)), "desk")
    clock.forward(days=10)
    a_plan_withdrawn_again(clock, services)
    assert open_recall(services).state is RecallState.BOOKED
    mark_left(services, "maud", "desk", left=True)
    mark_left(services, "maud", "desk", left=False)
    assert open_recall(services).state is RecallState.BOOKED


# --- who died or left ------------------------------------------------------------------------------------------------


def test_who_died_after_a_no_is_not_opened_again_by_an_answer() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    mark_died(services, "maud", "desk", died=True)
    assert says(services, Answer.BOOK, clock) is None
    with services.open_reading() as work:
        assert work.recalls.open_of("maud") is None
        assert invitation(services, work, "maud") is None


def test_coming_back_to_life_needs_both_marks_taken_back() -> None:
    services, stored, _, _ = given()
    mark_left(services, "maud", "desk", left=True)
    mark_died(services, "maud", "desk", died=True)
    mark_left(services, "maud", "desk", left=False)
    assert not of_plan(services, stored.id).open, "who died is asked nothing"
    mark_died(services, "maud", "desk", died=False)
    assert of_plan(services, stored.id).open


def test_nobody_is_asked_to_arrange_a_visit_of_somebody_who_died() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    mark_died(services, "maud", "desk", died=True)
    assert "recall-wants-visit" not in attention(services)


def test_who_died_before_an_appointment_did_not_miss_it() -> None:
    services, stored, clock, _ = given()
    on = open_recall(services).window.ideal
    book(services, stored.id, (on, time(10)), "desk")
    mark_died(services, "maud", "desk", died=True)
    clock.at = datetime.combine(on + timedelta(days=5), time(3), UTC)
    assert look_for_missed(services) == 0
    assert "appointment-missed" not in attention(services)


# --- answers changed -------------------------------------------------------------------------------------------------


def test_who_wants_to_come_and_then_does_not_is_off_the_list() -> None:
    services, _, clock, _ = given(PRONE)
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    says(services, Answer.NO, clock)
    assert "recall-wants-visit" not in attention(services)


def test_who_declined_and_then_wants_to_come_is_on_the_list_once() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    assert "recall-declined" in attention(services)
    says(services, Answer.BOOK, clock)
    assert set(attention(services)) == {"recall-wants-visit"}


def test_later_pressed_twice_is_one_answer() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    day = clock.at.date() + timedelta(days=28)
    says(services, Answer.LATER, clock, day)
    once = open_recall(services)
    clock.forward(seconds=5)
    says(services, Answer.LATER, clock, day)
    assert open_recall(services) == once


def texts_later(services: Services, clock: StoppedClock) -> str:
    """ "later" comes by text; returns the unit that confirms it."""
    words = Inbound(channel=Channel.TEXT, id=f"in-{clock.at}", sender=PHONE, text="later", at=clock.at)
    assert take_inbound(services, words) is Meaning.LATER
    clock.forward(minutes=2)
    send_due(services, "worker")
    with services.open_reading() as work:
        (said,) = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.REPLY]
    assert said.state is State.SENT
    return said.units[0]


@pytest.mark.parametrize(
    ("before_latest", "asked_again", "unit"),
    [
        (40, 28, "reply.recall-later"),  # long before: what the clinic means by the word
        (28, 28, "reply.recall-later"),
        (27, 27, "reply.recall-later"),  # the latest day comes first; the page still offers two weeks
        (14, 14, "reply.recall-later"),
        (13, 13, "reply.recall-soon"),  # the page offers no day any more
        (1, 1, "reply.recall-soon"),
        (0, 14, "reply.recall-soon"),  # too late: a person calls, and the shortest time is what holds if nobody does
        (-30, 14, "reply.recall-soon"),
    ],
)
def test_the_word_later_never_means_later_than_an_ear_may_wait(before_latest: int, asked_again: int, unit: str) -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    latest = open_recall(services).window.latest
    clock.at = datetime.combine(latest - timedelta(days=before_latest), time(12), UTC)
    said = texts_later(services, clock)
    assert open_recall(services).invite_on == clock.at.date() + timedelta(days=asked_again)
    assert said == unit
    told = attention(services).get("recall-declined", "")
    assert ("asked for later" in told and f"{latest} at the latest" in told) is (before_latest < 28)


def test_the_word_later_is_taken_at_its_usual_meaning_where_the_ear_can_wait() -> None:
    services, _, clock, _ = given(PRONE)
    to_first_invitation(services, clock)
    clock.at = datetime.combine(open_recall(services).window.latest - timedelta(days=3), time(12), UTC)
    assert texts_later(services, clock) == "reply.recall-later"
    days = services.pack.recall.later_by_word_days
    assert open_recall(services).invite_on == clock.at.date() + timedelta(days=days)
    assert "recall-declined" not in attention(services)


def test_what_the_page_offered_is_taken_as_it_was_chosen_and_is_no_news_for_staff() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    day = clock.at.date() + timedelta(days=14)
    says(services, Answer.LATER, clock, day)
    assert open_recall(services).invite_on == day <= open_recall(services).window.latest
    assert "recall-declined" not in attention(services)


def test_after_a_missed_visit_the_page_asks_anew() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    assert shown(services) is Answer.BOOK
    on = clock.at.date() + timedelta(days=7)
    book(services, stored.id, (on, time(10)), "desk")
    clock.at = datetime.combine(on + timedelta(days=5), time(3), UTC)
    assert look_for_missed(services) == 1
    to_first_invitation(services, clock)
    assert shown(services) is None, "what was answered before the missed visit is no answer to this invitation"


def test_who_declined_and_booked_on_the_telephone_is_booked_and_comes_back_to_the_board_when_missed() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    on = clock.at.date() + timedelta(days=7)
    book(services, stored.id, (on, time(10)), "desk")
    assert of_plan(services, stored.id).state is RecallState.BOOKED
    assert "recall-declined" not in attention(services)
    clock.at = datetime.combine(on + timedelta(days=5), time(3), UTC)
    assert look_for_missed(services) == 1
    recall = open_recall(services)
    assert (recall.state, recall.missed) == (RecallState.DUE, 1)


def test_who_declined_is_not_asked_again_when_a_booking_is_taken_back() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    book(services, stored.id, (clock.at.date() + timedelta(days=7), time(10)), "desk")
    book(services, stored.id, None, "desk")
    recall = of_plan(services, stored.id)
    assert (recall.state, recall.ended) == (RecallState.CLOSED, Ended.DECLINED)
    assert waiting(services) == {}
    assert "return-not-asked" in attention(services)


# --- late bookings, the next visit, decisions ------------------------------------------------------------------------


def test_a_booking_that_was_too_late_and_missed_comes_back_to_the_board() -> None:
    late = a_visit(an_ear("mastoid-cavity"), next_appointment=date(2027, 12, 10), next_appointment_time=time(10))
    services, stored, clock, _ = given(late)
    assert open_recall(services).window.latest < date(2027, 12, 10)
    while clock.at < datetime(2027, 12, 11, 12, tzinfo=UTC):
        send_due(services, "worker")
        clock.forward(hours=12)
    record_missed(services, stored.id, "desk")
    recall = open_recall(services)
    assert (recall.state, recall.missed, recall.round) == (RecallState.DUE, 1, 2)
    assert len(waiting(services)) == 3


def test_a_late_booking_that_is_cancelled_leaves_every_invitation() -> None:
    late = a_visit(an_ear("mastoid-cavity"), next_appointment=date(2027, 12, 10), next_appointment_time=time(10))
    services, stored, clock, _ = given(late)
    to_first_invitation(services, clock)
    assert "booked-later" in attention(services)
    book(services, stored.id, None, "desk")
    assert len(waiting(services)) == 3


def test_the_next_visit_takes_what_the_recall_asked_off_the_list() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.BOOK, clock)
    give(services, "maud", replace(CAVITY, on=clock.at.date()), "clinician")
    assert "recall-wants-visit" not in attention(services)


def test_invite_from_today_on_really_invites() -> None:
    services, _, clock, _ = given()
    clock.forward(days=30, hours=4)  # in the afternoon: the morning of today has passed
    decide(services, open_recall(services).id, Decision.INVITE, "desk", reason="x", on=clock.at.date())
    assert len(waiting(services)) == 3


def test_deciding_to_invite_twice_changes_nothing() -> None:
    services, _, clock, _ = given()
    day = clock.at.date() + timedelta(days=40)
    once = decide(services, open_recall(services).id, Decision.INVITE, "desk", reason="x", on=day)
    assert decide(services, once.id, Decision.INVITE, "desk", reason="x", on=day) == once


@pytest.mark.parametrize("zone", ["Pacific/Auckland", "Pacific/Honolulu"])
def test_whoever_lives_far_away_gets_all_three_after_a_cancelled_visit(zone: str) -> None:
    services, stored, clock, _ = given(zone=zone)
    to_first_invitation(services, clock)
    book(services, stored.id, (clock.at.date() + timedelta(days=9), time(10)), "desk")
    clock.at = clock.at.replace(hour=22)  # tomorrow's morning has come in Auckland
    book(services, stored.id, None, "desk")
    assert len(waiting(services)) == 3


# --- the round and the clinic's values --------------------------------------------------------------------------------


def test_another_spacing_moves_what_is_planned_with_the_next_round() -> None:
    services, _, _, _ = given()
    first = open_recall(services).invite_on
    with services.open_reading() as work:
        present = settings_now(services, work)
    save_settings(services, replace(present, second_after_days=7, last_after_days=8), "lead")
    recall_round.run(services)
    assert list(waiting(services).values()) == [first, first + timedelta(days=7), first + timedelta(days=15)]


def test_no_room_anywhere_moves_nobody_and_is_named() -> None:
    services, _, clock, _ = given(PRONE)
    before = open_recall(services)
    with services.open_reading() as work:
        present = settings_now(services, work)
    save_settings(services, replace(present, weekly=0), "lead")
    for _ in range(3):
        assert give_out_weeks(services) == 0
        clock.forward(days=1)
    assert open_recall(services).invite_on == before.invite_on
    with services.open_reading() as work:
        assert '"over": {"' in (work.ledger.fact("recall-spread") or "")


def test_a_round_that_is_broken_off_and_run_twice_asks_once(monkeypatch: pytest.MonkeyPatch) -> None:
    services, _, clock, _ = given()
    clock.at = datetime.combine(open_recall(services).invite_on + timedelta(days=49), time(12), UTC)
    for _ in range(3):
        send_due(services, "worker")

    def breaks(services: Services) -> None:
        raise RuntimeError("the power failed")

    with monkeypatch.context() as patched:
        patched.setattr(recall_round, "refit", breaks)
        with pytest.raises(RuntimeError):
            recall_round.run(services)
    assert recall_round.due(services)
    recall_round.run(services)
    recall_round.run(services)
    with services.open_reading() as work:
        assert [each.reason for each in work.ledger.attention()].count("recall-no-answer") == 1


def test_words_count_only_while_an_invitation_of_this_round_waits() -> None:
    services, _, _, _ = given()
    decide(services, open_recall(services).id, Decision.INVITE, "desk", reason="x", on=date(2027, 6, 1))
    with services.open_reading() as work:
        assert invited(work, "maud") is None, "round 2, and nobody was ever asked"


def test_who_was_invited_before_recalls_were_kept_is_not_invited_again_at_once() -> None:
    services, stored, clock, _ = given()
    with services.open_work() as work:
        work._session.execute(delete(RecallRow))
        replan(services, work, stored, work.people.get("maud").contact, clock.at)
        work.commit()
    (day,) = waiting(services).values()
    clock.at = datetime.combine(day, time(12), UTC)
    send_due(services, "worker")
    clock.forward(days=1)
    assert recall_round.open_missing(services) == 1
    assert min(waiting(services).values()) == day + timedelta(days=14)


def test_who_asked_for_later_then_came_to_an_arrangement_and_missed_it_is_asked_at_once() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    much_later = open_recall(services).window.latest + timedelta(days=30)
    says(services, Answer.LATER, clock, much_later)
    says(services, Answer.BOOK, clock)
    on = clock.at.date() + timedelta(days=7)
    book(services, stored.id, (on, time(10)), "desk")
    clock.at = datetime.combine(on + timedelta(days=5), time(3), UTC)
    assert look_for_missed(services) == 1
    wait = services.pack.recall.missed_wait_days  # so that the desk can say that they came
    assert open_recall(services).invite_on == clock.at.date() + timedelta(days=wait)


def test_who_asked_for_later_and_whose_booking_is_cancelled_is_asked_when_they_chose() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    chosen = open_recall(services).window.latest + timedelta(days=30)
    says(services, Answer.LATER, clock, chosen)
    on = clock.at.date() + timedelta(days=7)
    book(services, stored.id, (on, time(10)), "desk")
    book(services, stored.id, None, "desk")
    assert open_recall(services).invite_on == chosen


@pytest.mark.parametrize(("visit", "stays"), [(CAVITY, True), (PRONE, False)], ids=["a cavity", "a canal"])
def test_a_late_ear_on_which_much_depends_stays_on_the_list_when_it_is_invited_again(
    visit: object, stays: bool
) -> None:
    services, _, clock, _ = given(visit)
    to_first_invitation(services, clock)
    clock.at = datetime.combine(open_recall(services).window.latest + timedelta(days=40), time(3), UTC)
    recall_round.run(services)
    assert "recall-no-answer" in attention(services)
    decide(services, open_recall(services).id, Decision.INVITE, "desk", reason="the daughter will bring him")
    assert ("recall-no-answer" in attention(services)) is stays


def test_a_second_silent_round_takes_the_place_of_the_first_on_the_list() -> None:
    services, _, clock, _ = given()
    to_first_invitation(services, clock)
    for _ in range(2):
        clock.at = datetime.combine(open_recall(services).invite_on + timedelta(days=200), time(3), UTC)
        recall_round.run(services)
        decide(services, open_recall(services).id, Decision.INVITE, "desk", reason="once more")
    with services.open_reading() as work:
        reasons = [each.reason for each in work.ledger.attention()]
    assert reasons.count("recall-no-answer") == 1


CLOSED_BY = [Decision.DECLINED, Decision.ELSEWHERE, Decision.NO_ANSWER, Decision.NOT_NEEDED]


@pytest.mark.parametrize("decided", CLOSED_BY)
def test_who_declined_or_was_closed_by_hand_can_be_invited_again_from_a_day_on(decided: Decision) -> None:
    services, stored, clock, sent = given()
    to_first_invitation(services, clock)
    recall = open_recall(services)
    decide(services, recall.id, decided, "desk", reason="on the telephone")
    assert waiting(services) == {}
    day = clock.at.date() + timedelta(days=30)
    after = decide(services, recall.id, Decision.INVITE, "desk", reason="they think again", on=day)
    assert (after.state, after.ended, after.closed, after.invite_on, after.round) == (
        RecallState.DUE, None, None, day, recall.round + 1)  # fmt: skip
    assert min(waiting(services).values()) == day
    assert decide(services, recall.id, Decision.INVITE, "desk", reason="they think again", on=day) == after
    clock.at = datetime.combine(day, time(12), UTC)
    before = len(sent.sent)
    send_due(services, "worker")
    assert len(sent.sent) == before + 1
    says(services, Answer.BOOK, clock)
    assert of_plan(services, stored.id).state is RecallState.ANSWERED


def test_whoever_is_invited_again_after_a_no_and_cancels_a_booking_goes_on_being_invited() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    assert "recall-declined" in attention(services)
    decide(services, of_plan(services, stored.id).id, Decision.INVITE, "desk", reason="the daughter asked")
    assert "recall-declined" not in attention(services)
    assert open_recall(services).answer is None
    book(services, stored.id, (clock.at.date() + timedelta(days=20), time(10)), "desk")
    book(services, stored.id, None, "desk")
    assert open_recall(services).state is RecallState.DUE and waiting(services)


def test_a_no_is_left_closed_and_nobody_is_asked_about_it_any_more() -> None:
    services, stored, clock, _ = given()
    to_first_invitation(services, clock)
    says(services, Answer.NO, clock)
    recall = of_plan(services, stored.id)
    assert decide(services, recall.id, Decision.LEAVE, "desk", reason="spoke to them") == recall
    assert "recall-declined" not in attention(services)
    with services.open_reading() as work:
        line = work.ledger.history(recall.id)[0]
    assert (line.action, line.detail["decision"], line.detail["reason"]) == (
        "recall-decided", "leave-closed", "spoke to them")  # fmt: skip


def test_other_ends_are_not_invited_again() -> None:
    services, stored, clock, _ = given()
    first = open_recall(services)
    with pytest.raises(NotAllowedError, match="still open"):
        decide(services, first.id, Decision.LEAVE, "desk", reason="x")
    decide(services, first.id, Decision.DECLINED, "desk", reason="x")
    for again in (Decision.SEEN, Decision.ELSEWHERE):
        with pytest.raises(NotAllowedError, match="invite again, or leave it closed"):
            decide(services, first.id, again, "desk", reason="x")
    mark_left(services, "maud", "desk", left=True)
    with pytest.raises(NotAllowedError, match="a new plan opens the next one"):
        decide(services, first.id, Decision.INVITE, "desk", reason="x")
    mark_left(services, "maud", "desk", left=False)
    clock.forward(days=1)
    give(services, "maud", CAVITY, "clinician")
    with pytest.raises(NotAllowedError, match="a new plan opens the next one"):
        decide(services, first.id, Decision.INVITE, "desk", reason="another one counts now")
    assert of_plan(services, stored.id).ended is Ended.DECLINED
