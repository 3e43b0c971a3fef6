"""What a change at the wrong moment must not do: each of these was once possible."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from builders import StoppedClock, a_clinic, a_person, a_service, a_visit, an_ear
from sqlalchemy import update
from sqlalchemy.exc import IntegrityError

from service.delivery import bundles, dispatch
from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Envelope, MessageKind, Outcome, ReportState, Result, State
from service.domain.plan import Status
from service.domain.sending import Reason
from service.inbound.receipts import Taken, apply_kept, take_report
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.outgoing import Finding, settle
from service.planning.people import correct_person
from service.planning.preferences import change_zone, start_again, stop
from service.services import Services
from service.storage.records import StoredMessage
from service.storage.tables import MessageRow
from service.storage.transport_states import TransportStates
from service.transports.port import RecordingTransport

QUIET = an_ear("normal")


def of(services: Services, person: str, kind: MessageKind) -> list[StoredMessage]:
    with services.open_reading() as work:
        return [m for m in work.messages.of_person(person) if m.planned.kind is kind]


def asked(services: Services) -> list[str]:
    with services.open_reading() as work:
        return [str(entry.reason) for entry in work.ledger.attention()]


def answering(services: Services, *results: Result) -> RecordingTransport:
    """Answers in this order, the last one for ever."""

    def answer(_: Envelope) -> Outcome:
        return Outcome(result=results[min(len(recorder.sent), len(results)) - 1], detail="as told")

    recorder = RecordingTransport(answer)
    services.transports = dict.fromkeys(Channel, recorder)
    return recorder


def a_given_plan(services: Services, **contact: object) -> str:
    person = a_person(services, **contact)
    give(services, person, a_visit(QUIET, QUIET), by="nurse")
    return person


def a_receipt(state: ReportState, key: str, channel: Channel = Channel.TEXT, *, bad: bool = False) -> DeliveryReport:
    return DeliveryReport(
        channel=channel, state=state, at=StoppedClock().now(), detail="receipt", key=key, contact_bad=bad
    )


def set_columns(services: Services, message_id: str, **columns: object) -> None:
    with services.open_work() as work:
        work._session.execute(update(MessageRow).where(MessageRow.id == message_id).values(**columns))
        work.commit()


# Repeats


def test_an_unknown_outcome_is_not_repeated_to_a_number_that_was_corrected() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_given_plan(services, channels=(Channel.TEXT,))
    recorder = answering(services, Result.UNKNOWN, Result.ACCEPTED)
    send_due(services, "worker")
    with services.open_reading() as work:
        who = work.people.get(person)
    correct_person(services, person, who.name, who.born, replace(who.contact, phone="+447700900999"), "desk")
    clock.forward(minutes=61)
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    assert asked(services) == ["uncertain"]


def test_an_appointment_of_unknown_outcome_is_not_repeated_with_the_time_that_it_had() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services, channels=(Channel.TEXT,))
    visit = a_visit(QUIET, QUIET, next_appointment=date(2026, 12, 1), next_appointment_time=time(10, 30))
    plan = give(services, person, visit, by="nurse")
    send_due(services, "worker")
    recorder = answering(services, Result.UNKNOWN, Result.ACCEPTED)
    (first, *_) = of(services, person, MessageKind.APPOINTMENT)
    clock.at = first.planned.due
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    book(services, plan.id, (date(2026, 12, 1), time(15, 30)), "desk")
    clock.forward(minutes=61)
    send_due(services, "worker")
    assert all("10:30" not in sent.message.text for sent in recorder.sent[1:])
    assert "uncertain" in asked(services)


def test_a_repeat_by_a_channel_that_has_no_transport_any_more_stops_nobody_else() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    a_given_plan(services, channels=(Channel.TEXT,))
    recorder = answering(services, Result.UNKNOWN, Result.ACCEPTED)
    send_due(services, "worker")
    services.transports = {Channel.EMAIL: recorder}
    other = a_person(services, "other", channels=(Channel.EMAIL,))
    clock.forward(minutes=61)
    give(services, other, a_visit(QUIET, QUIET), by="nurse")
    send_due(services, "worker")
    assert [sent.message.channel for sent in recorder.sent] == [Channel.TEXT, Channel.EMAIL]
    assert "uncertain" in asked(services)


def test_a_repeat_that_a_fault_prevents_stays_uncertain(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_given_plan(services, channels=(Channel.EMAIL,))
    answering(services, Result.UNKNOWN, Result.ACCEPTED)
    send_due(services, "worker")

    def broken(*_: object) -> None:
        raise RuntimeError("no calendar")

    monkeypatch.setattr(bundles, "attachments_for", broken)
    clock.forward(minutes=31)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.UNCERTAIN
    assert asked(services) == ["uncertain"]


# Between the first look and the last one


def between_looks(monkeypatch: pytest.MonkeyPatch, change: object) -> None:
    """Runs `change` once, after the decisions of a pass and before anything of it is written."""
    prepare = dispatch._prepare
    left = [change]

    def prepared(*arguments: object) -> object:
        found = prepare(*arguments)  # type: ignore[arg-type]
        while left:
            left.pop()()  # type: ignore[operator]
        return found

    monkeypatch.setattr(dispatch, "_prepare", prepared)


def test_a_plan_taken_up_while_a_worker_holds_its_message_is_not_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    services, recorder = a_service()
    person = a_person(services)
    plan = give(services, person, a_visit(QUIET, QUIET), by="nurse")
    set_status(services, plan.id, Status.ON_HOLD, "lead", "to be asked")
    between_looks(monkeypatch, lambda: set_status(services, plan.id, Status.ACTIVE, "lead", "asked"))
    send_due(services, "worker")
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.SENT
    assert len(recorder.sent) == 1


def test_a_stop_taken_back_while_a_worker_holds_the_message_drops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    services, recorder = a_service()
    person = a_given_plan(services)
    stop(services, person)
    between_looks(monkeypatch, lambda: start_again(services, person))
    send_due(services, "worker")
    send_due(services, "worker")
    assert len(recorder.sent) == 1


def test_a_fault_in_writing_down_the_only_outcome_of_a_turn_loses_neither_it_nor_the_pass(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    services, _ = a_service()
    person = a_given_plan(services, channels=(Channel.TEXT,))
    answering(services, Result.RETRY)
    save, left = TransportStates.save, [True]

    def raced(self: TransportStates, *arguments: object) -> None:
        if left:  # another worker wrote the first trouble of this channel at the same moment
            left.pop()
            raise IntegrityError("insert", {}, Exception("duplicate key"))
        save(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(TransportStates, "save", raced)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert (given.state, given.attempts) == (State.PENDING, 1)


# Receipts


def test_a_message_that_is_to_go_again_and_turns_out_to_have_arrived_does_not_go_again() -> None:
    services, _ = a_service()
    person = a_given_plan(services, channels=(Channel.TEXT,))
    recorder = answering(services, Result.UNKNOWN, Result.ACCEPTED)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    settle(services, given.id, Finding.SEND_AGAIN, "desk")
    assert take_report(services, a_receipt(ReportState.DELIVERED, given.id)) is Taken.APPLIED
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.DELIVERED


def test_a_failure_of_the_first_hand_over_does_not_fail_the_second() -> None:
    services, _ = a_service()
    person = a_given_plan(services, channels=(Channel.TEXT,))
    answering(services, Result.UNKNOWN, Result.ACCEPTED)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    settle(services, given.id, Finding.SEND_AGAIN, "desk")
    take_report(services, a_receipt(ReportState.FAILED, given.id))
    send_due(services, "worker")
    apply_kept(services)
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.SENT


def test_a_failure_of_earlier_words_does_not_fail_the_words_that_followed_them() -> None:
    services, _ = a_service()
    person = a_given_plan(services, channels=(Channel.TEXT,))
    answering(services, Result.ACCEPTED)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    set_columns(services, given.id, rendering=1)
    take_report(services, a_receipt(ReportState.FAILED, given.id))
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.SENT
    take_report(services, a_receipt(ReportState.FAILED, f"{given.id}-1"))
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.FAILED


def test_after_a_repeat_was_returned_the_next_channel_is_tried_as_often_as_any_other() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_given_plan(services, channels=(Channel.TEXT, Channel.EMAIL))
    recorder = answering(services, Result.UNKNOWN, Result.ACCEPTED, Result.RETRY, Result.ACCEPTED)
    send_due(services, "worker")
    clock.forward(minutes=61)
    send_due(services, "worker")
    take_report(services, a_receipt(ReportState.FAILED, recorder.sent[0].key))
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert (given.state, given.channel) == (State.PENDING, Channel.EMAIL)
    clock.forward(minutes=2)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.SENT


# Times


def test_what_waits_for_its_next_attempt_does_not_go_early_because_another_message_is_due() -> None:
    clock = StoppedClock(datetime(2026, 11, 25, 10, 0, tzinfo=UTC))
    services, _ = a_service(clock=clock)
    person = a_given_plan(services, channels=(Channel.TEXT,))

    def busy(_: Envelope) -> Outcome:
        return Outcome(result=Result.RETRY, detail="not now", retry_after=1200)

    recorder = RecordingTransport(busy)
    services.transports = dict.fromkeys(Channel, recorder)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    clock.forward(minutes=5)
    give_another = of(services, person, MessageKind.CHECK_IN) + of(services, person, MessageKind.RETURN_DUE)
    other = give_another[0]
    set_columns(services, other.id, look_at=clock.at, due=clock.at, earliest=clock.at)
    send_due(services, "worker")
    keys = [sent.key for sent in recorder.sent]
    assert keys.count(given.id) == 1
    assert len(keys) == 2


def test_a_message_that_was_tried_in_vain_until_it_was_too_late_is_put_before_a_person() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_given_plan(services, channels=(Channel.TEXT,))
    answering(services, Result.RETRY)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    clock.at = given.planned.last_useful + timedelta(seconds=3)
    send_due(services, "worker")
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert (given.state, given.reason) == (State.FAILED, Reason.GAVE_UP)
    assert asked(services) == [Reason.GAVE_UP]


def test_a_message_that_a_paused_way_out_kept_until_it_was_too_late_is_put_before_a_person() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_given_plan(services, channels=(Channel.TEXT,))
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    set_columns(services, given.id, reason=Reason.TRANSPORT_PAUSED)
    clock.at = given.planned.last_useful + timedelta(seconds=3)
    send_due(services, "worker")
    assert recorder.sent == []
    assert asked(services) == [Reason.TRANSPORT_PAUSED]


def test_the_same_key_never_carries_other_words_after_a_message_was_said_in_another_one() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock, clinic=a_clinic(quiet_from=time(0), quiet_to=time(0)))
    person = a_person(services, channels=(Channel.TEXT,))
    visit = a_visit(next_appointment=date(2026, 12, 1), next_appointment_time=time(10, 30))
    give(services, person, visit, by="nurse")
    recorder = answering(services, Result.ACCEPTED)
    dose = next(m for m in of(services, person, MessageKind.DOSE) if m.planned.due.hour == 8)
    appointment = next(m for m in of(services, person, MessageKind.APPOINTMENT))
    set_columns(services, dose.id, rendering=3, attempts=4, body_hash="other words")
    for each in (dose, appointment):
        moment = dose.planned.due
        set_columns(services, each.id, due=moment, earliest=moment, look_at=moment)
    clock.at = dose.planned.due
    send_due(services, "worker")
    assert recorder.sent
    said = next(m for m in of(services, person, MessageKind.DOSE) if m.id == dose.id)
    assert said.carrier == appointment.id
    assert said.rendering >= 3, "the next words of its own get a key that was never used"


def test_nothing_goes_while_the_clock_is_not_believed() -> None:
    services, recorder = a_service()
    a_given_plan(services)
    services.clock_believed = lambda: False
    assert send_due(services, "worker").claimed == 0
    assert recorder.sent == []


# What overtakes a message that a worker holds


def test_a_dose_that_a_worker_holds_is_reminded_of_when_a_stop_is_taken_back(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services, channels=(Channel.TEXT,))
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    dose = of(services, person, MessageKind.DOSE)[0]
    clock.at = dose.planned.due

    def stopped_and_started() -> None:
        stop(services, person)
        start_again(services, person)

    between_looks(monkeypatch, stopped_and_started)
    send_due(services, "worker")
    send_due(services, "worker")
    (dose,) = [m for m in of(services, person, MessageKind.DOSE) if m.id == dose.id]
    assert dose.state is State.SENT
    assert len(recorder.sent) == 2


def test_a_dose_that_a_worker_holds_follows_the_person_to_another_zone(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services, channels=(Channel.TEXT,))
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    dose = of(services, person, MessageKind.DOSE)[0]
    clock.at = dose.planned.due
    between_looks(monkeypatch, lambda: change_zone(services, person, "America/New_York"))
    send_due(services, "worker")
    send_due(services, "worker")
    (dose,) = [m for m in of(services, person, MessageKind.DOSE) if m.id == dose.id]
    assert dose.planned.due == clock.at + timedelta(hours=5)
    assert dose.id not in {sent.key for sent in recorder.sent}, "it is not that time where the person is now"


@pytest.mark.parametrize("result", [Result.RETRY, Result.REFUSED])
def test_an_invitation_that_a_newer_plan_overtook_during_its_hand_over_does_not_go_again(result: Result) -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services, channels=(Channel.TEXT, Channel.EMAIL))
    give(services, person, a_visit(), by="nurse")
    invitation = of(services, person, MessageKind.RETURN_DUE)[0]

    def overtaken(envelope: Envelope) -> Outcome:
        if envelope.key == invitation.id and len(keys) == 0:
            keys.append(envelope.key)
            give(services, person, a_visit(QUIET, QUIET), by="nurse")
            return Outcome(result=result, detail="not now")
        keys.append(envelope.key)
        return Outcome(result=Result.ACCEPTED, detail="ok")

    keys: list[str] = []
    services.transports = dict.fromkeys(Channel, RecordingTransport(overtaken))
    clock.at = invitation.planned.due
    for _ in range(4):
        send_due(services, "worker")
        clock.forward(minutes=1)
    assert [key.partition("-")[0] for key in keys].count(invitation.id) == 1


def test_an_invitation_that_a_newer_plan_overtook_does_not_go_by_another_channel_when_it_bounces() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services, channels=(Channel.TEXT, Channel.EMAIL))
    give(services, person, a_visit(), by="nurse")
    invitation = of(services, person, MessageKind.RETURN_DUE)[0]
    clock.at = invitation.planned.due
    send_due(services, "worker")
    give(services, person, a_visit(QUIET, QUIET), by="nurse")
    take_report(services, a_receipt(ReportState.FAILED, invitation.id))
    send_due(services, "worker")
    assert [sent.key.partition("-")[0] for sent in recorder.sent].count(invitation.id) == 1
