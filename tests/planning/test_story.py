"""Does the story of a message answer why it was sent, why not, why twice, for every state and every reason?"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import DeliveryReport, MessageKind, Outcome, PlannedMessage, ReportState, Result, State
from service.domain.plan import Status
from service.domain.sending import LABELS, Reason
from service.inbound.receipts import take_report
from service.planning.aftercare import give, set_status
from service.planning.outgoing import Finding, settle
from service.planning.preferences import pause, stop
from service.planning.story import AROUND, BECAUSE, DONE, WHAT, Clockface, Material, Story, gather, tell
from service.services import Services
from service.storage.outbox_views import Attempt
from service.storage.records import StoredMessage, StoredPlan
from service.transports.port import RecordingTransport

DUE = datetime(2026, 11, 25, 21, 30, tzinfo=UTC)
NOW = DUE + timedelta(minutes=5)


def said_reason(code: str) -> str:
    return LABELS[Reason(code)] if code in set(Reason) else code


FACE = Clockface(moment=lambda at: f"<{at:%d %H:%M}>", wall=lambda wall: wall, reason=said_reason)


def a_plan() -> StoredPlan:
    services, _ = a_service()
    return give(services, a_person(services), a_visit(), by="Cleo Byrne (cleo)")


PLAN = a_plan()


def a_message(state: State = State.PENDING, kind: MessageKind = MessageKind.DOSE, **changes: object) -> StoredMessage:
    planned = PlannedMessage(
        key="dose",
        kind=kind,
        due=DUE,
        earliest=DUE,
        last_useful=DUE + timedelta(hours=2),
        wall="2026-11-25T21:30",
        zone="Europe/London",
    )
    message = StoredMessage(id="m1", plan_id=PLAN.id, person_id="maud", planned=planned, state=state, look_at=DUE)
    return replace(message, **changes)


def an_attempt(number: int = 1, result: State | None = State.SENT, **changes: object) -> Attempt:
    begun = DUE + timedelta(minutes=number)
    attempt = Attempt(
        number=number,
        channel=Channel.TEXT,
        key="m1",
        body_hash="hash",
        begun=begun,
        ended=begun + timedelta(seconds=2) if result else None,
        result=result,
        detail="250 taken",
        late=False,
    )
    return replace(attempt, **changes)


def story(message: StoredMessage, *attempts: Attempt, **parts: object) -> Story:
    return tell(Material(now=NOW, message=message, plan=PLAN, attempts=attempts, **parts), FACE)  # type: ignore[arg-type]


def gone(state: State, **changes: object) -> StoredMessage:
    return a_message(state, channel=Channel.TEXT, handed=DUE, finished=NOW, **changes)


@pytest.mark.parametrize("reason", [*Reason, None])
@pytest.mark.parametrize("state", list(State))
def test_every_state_and_every_reason_has_one_question_and_a_whole_sentence(
    state: State, reason: Reason | None
) -> None:
    left = state in (State.SENT, State.DELIVERED, State.UNCERTAIN, State.HANDING)
    attempts = [an_attempt(result=None if state is State.HANDING else state)] if left else []
    found = story(gone(state, reason=reason) if left else a_message(state, reason=reason, finished=NOW), *attempts)
    assert found.question.endswith("?")
    assert re.fullmatch(r"[A-Z][^\n]*\.", found.answer), found.answer
    assert "None" not in found.answer and ".." not in found.answer and "  " not in found.answer
    if state in (State.DROPPED, State.FAILED) and reason is not None:
        assert found.question == "Why not?"
        assert LABELS[reason] in found.answer
        assert any(LABELS[reason] in line.text for line in found.lines)
    for line in found.lines:
        assert re.fullmatch(r".*[.]", line.text), line.text


@pytest.mark.parametrize("kind", list(MessageKind))
@pytest.mark.parametrize("state", [State.SENT, State.DELIVERED])
def test_a_sent_message_says_what_it_was_for_and_when_it_left(kind: MessageKind, state: State) -> None:
    found = story(gone(state, kind=kind), an_attempt(result=state))
    assert found.question == "Why was this sent?"
    assert BECAUSE[kind] in found.answer
    assert "by text on <25 21:30>" in found.answer
    assert ("a receipt says that it was delivered" in found.answer) is (state is State.DELIVERED)


@pytest.mark.parametrize("state", [State.SENT, State.DELIVERED, State.UNCERTAIN, State.DROPPED, State.PENDING])
def test_a_message_that_may_have_left_twice_says_why(state: State) -> None:
    found = story(gone(state), an_attempt(1, State.UNCERTAIN), an_attempt(2, State.SENT))
    assert found.question == "Why twice?"
    said = "It was handed over twice, each time with the same words under the same reference, because nobody knew whether the first had arrived."
    assert found.answer.startswith(said)
    assert ("is not known yet" in found.answer) is (state is State.UNCERTAIN)


def test_a_retry_of_what_was_surely_not_taken_is_not_twice() -> None:
    found = story(gone(State.SENT), an_attempt(1, State.PENDING, detail="busy"), an_attempt(2))
    assert found.question == "Why was this sent?"
    texts = [line.text for line in found.lines]
    assert "It was surely not taken, and waits for another try: busy." in texts
    assert "Hand-over 2 began by text again, with the same words (reference m1)." in texts


def test_what_one_channel_refused_and_another_took_is_not_said_to_wait_for_another_try() -> None:
    by_mail = an_attempt(2, key="m1-1", channel=Channel.EMAIL)
    found = story(gone(State.SENT), an_attempt(1, State.PENDING, detail="no such number"), by_mail)
    texts = [line.text for line in found.lines]
    assert "It was surely not taken, and is tried by another way: no such number." in texts
    assert not any("waits for another try" in each for each in texts)


def test_other_words_at_a_later_attempt_are_named_with_their_new_key() -> None:
    found = story(gone(State.SENT), an_attempt(1, State.PENDING), an_attempt(2, key="m1-1"))
    assert any("with other words or by another way (new reference m1-1)" in line.text for line in found.lines)


def test_a_message_given_up_after_an_unknown_outcome_is_not_said_to_have_never_left() -> None:
    found = story(gone(State.DROPPED, reason=Reason.TOO_LATE), an_attempt(1, State.UNCERTAIN))
    assert found.answer == "It was not sent again: too late to be useful."


def test_a_late_answer_says_that_it_was_late() -> None:
    found = story(gone(State.SENT), an_attempt(late=True))
    assert any("came after the hand-over had been given up" in line.text for line in found.lines)


def test_a_message_said_in_another_ones_text_names_it() -> None:
    carrier = replace(gone(State.SENT, kind=MessageKind.APPOINTMENT), id="m0")
    found = story(gone(State.SENT, carrier="m0"), an_attempt(key="m0"), carrier=carrier, shared=[carrier])
    assert any("said in the text of another message (m0)" in line.text for line in found.lines)
    carried = replace(gone(State.SENT, carrier="m1"), id="m2")
    found = story(gone(State.SENT), an_attempt(), shared=[carried])
    assert any("The same text also said: a dose reminder." in line.text for line in found.lines)


def test_what_is_to_come_stands_after_what_was() -> None:
    later = a_message(look_at=NOW + timedelta(hours=1), reason=Reason.QUIET_HOURS)
    found = story(later)
    assert found.question == "Why not yet?"
    assert found.answer == f"It waits until <25 22:35>: {LABELS[Reason.QUIET_HOURS]}."
    assert [line.to_come for line in found.lines] == [False, False, True]
    uncertain = gone(State.UNCERTAIN, repeat_at=NOW + timedelta(hours=1))
    found = story(uncertain, an_attempt(1, State.UNCERTAIN))
    assert found.lines[-1].to_come
    assert "handed over once more by itself on <25 22:35>" in found.answer


def test_every_kind_has_its_words() -> None:
    assert set(WHAT) == set(BECAUSE) == set(MessageKind)
    for said in (*DONE.values(), *AROUND.values()):
        assert said[0].islower() and not said.endswith(".")


# From the record


def told(services: Services, message_id: str) -> Story:
    with services.open_reading() as work:
        return tell(gather(services, work, message_id), FACE)


def plan_message(services: Services, person: str = "maud") -> StoredMessage:
    with services.open_reading() as work:
        found = work.messages.of_person(person)
    return next(m for m in found if m.planned.kind is MessageKind.PLAN_GIVEN)


def test_a_whole_life_is_told_in_its_order() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal")), by="Cleo Byrne (cleo)")
    unknown = Outcome(result=Result.UNKNOWN, detail="the line broke")
    services.transports = dict.fromkeys(Channel, RecordingTransport(lambda _: unknown))
    send_due(services, "worker")
    clock.forward(hours=1, minutes=5)
    send_due(services, "worker")
    message = plan_message(services)
    clock.forward(minutes=5)
    settle(services, message.id, Finding.SEND_AGAIN, "Dina Marsh (dina)")
    taken = Outcome(result=Result.ACCEPTED, detail="taken", reference="r1")
    services.transports = dict.fromkeys(Channel, RecordingTransport(lambda _: taken))
    clock.forward(minutes=1)
    send_due(services, "worker")
    clock.forward(minutes=1)
    report = DeliveryReport(
        channel=Channel.TEXT, state=ReportState.DELIVERED, at=clock.now(), detail="on the handset", reference="r1"
    )
    take_report(services, report)
    found = told(services, message.id)
    assert found.question == "Why twice?"
    assert (
        "handed over 3 times, each time with the same words under the same reference, because Dina Marsh (dina) said on"
        in found.answer
    )
    order = [
        "Cleo Byrne (cleo) gave the plan",
        "It is due at this time",
        "Hand-over 1 began by text",
        "Nobody knows whether it was taken: the line broke",
        "The service handed it over once more",
        "Hand-over 2 began",
        "It was put on the attention list",
        "Dina Marsh (dina) said that it did not arrive",
        "Hand-over 3 began",
        "It was taken for delivery: taken",
        "A receipt says that it was delivered: on the handset",
    ]
    texts = [line.text for line in found.lines]
    places = [next(place for place, text in enumerate(texts) if said in text) for said in order]
    assert places == sorted(places), texts


def test_a_stop_and_a_withdrawal_stand_in_the_story_of_what_they_ended() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    stored = give(services, a_person(services), a_visit(), by="nurse")
    send_due(services, "worker")
    with services.open_reading() as work:
        dose = next(m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.DOSE)
    clock.forward(minutes=1)
    stop(services, "maud")
    set_status(services, stored.id, Status.REVOKED, "nurse", "given to the wrong person")
    found = told(services, dose.id)
    assert (found.question, found.answer) == ("Why not?", "It will not be sent: the plan was withdrawn.")
    assert found.lines[-1].to_come
    clock.forward(days=1)
    send_due(services, "worker")
    found = told(services, dose.id)
    assert (found.question, found.answer) == ("Why not?", "It was not sent: the plan was withdrawn.")
    texts = [line.text for line in found.lines]
    assert "The person stopped every channel." in texts
    assert "nurse withdrew the plan." in texts


def test_what_happened_to_the_person_before_this_plan_is_no_part_of_the_story() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(an_ear("normal")), by="nurse")
    pause(services, person, 1)
    pause(services, person, 0)
    clock.forward(days=2)
    give(services, person, a_visit(an_ear("normal"), on=date(2026, 11, 27)), by="nurse")
    with services.open_reading() as work:
        newest = max(work.messages.of_person(person), key=lambda m: m.planned.due)
    assert not any("paused" in line.text for line in told(services, newest.id).lines)


def test_a_repeat_that_the_first_channel_returned_goes_by_another_and_says_so() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    taken = Outcome(result=Result.ACCEPTED, detail="taken", reference="r1")
    services.transports = dict.fromkeys(Channel, RecordingTransport(lambda _: taken))
    send_due(services, "worker")
    message = plan_message(services)
    clock.forward(minutes=1)
    report = DeliveryReport(
        channel=Channel.TEXT, state=ReportState.FAILED, at=clock.now(), detail="no such number", reference="r1"
    )
    take_report(services, report)
    send_due(services, "worker")
    found = told(services, message.id)
    assert found.question == "Why twice?"
    assert "the first channel did not reach the person, and another one was taken" in found.answer
    assert any("gave it to another channel" in line.text for line in found.lines)
