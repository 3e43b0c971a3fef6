"""What one person gets in a day: joined messages, the daily cap, and another channel when one fails."""

from __future__ import annotations

import threading
import time as time_module
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from builders import StoppedClock, a_clinic, a_person, a_service, a_visit, an_ear

from service.delivery import dispatch
from service.delivery.dispatch import send_due
from service.domain.contact import Channel, Rhythm
from service.domain.message import DeliveryReport, Envelope, MessageKind, Outcome, ReportState, Result, State
from service.domain.sending import Reason
from service.inbound.receipts import take_report
from service.planning.aftercare import give
from service.planning.preferences import mark_dose
from service.services import Services
from service.storage.records import StoredMessage
from service.transports.port import RecordingTransport

MORNING = datetime(2026, 11, 30, 8, 0, tzinfo=UTC)


def of(services: Services, person: str, kind: MessageKind) -> list[StoredMessage]:
    with services.open_reading() as work:
        return [m for m in work.messages.of_person(person) if m.planned.kind is kind]


def answers(services: Services, by_channel: dict[Channel, Outcome]) -> RecordingTransport:
    accepted = Outcome(result=Result.ACCEPTED, detail="ok")
    recorder = RecordingTransport(lambda envelope: by_channel.get(envelope.message.channel, accepted))
    services.transports = dict.fromkeys(Channel, recorder)
    return recorder


def booked(services: Services, person: str) -> None:
    """A plan with drops and an appointment on 1 December at 10:30, so that two reminders fall on one morning."""
    give(services, person, a_visit(next_appointment=date(2026, 12, 1), next_appointment_time=time(10, 30)), by="nurse")


def at(services: Services, clock: StoppedClock, moment: datetime) -> None:
    while clock.at < moment:
        clock.at = min(moment, clock.at + timedelta(minutes=30))
        send_due(services, "worker")


def test_a_dose_and_an_appointment_of_one_morning_are_one_text_that_reads_as_one() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    booked(services, person)
    at(services, clock, MORNING - timedelta(minutes=30))
    before = len(recorder.sent)
    at(services, clock, MORNING)
    (sent,) = recorder.sent[before:]
    words = sent.message.text
    assert words.startswith("Larkfield Ear Care: The appointment is on ")
    assert words.count("/p/") == 1
    assert "It is time for the next step of the plan." in words
    (appointment,) = [m for m in of(services, person, MessageKind.APPOINTMENT) if m.planned.due == MORNING]
    (dose,) = [m for m in of(services, person, MessageKind.DOSE) if m.planned.due == MORNING]
    assert (appointment.state, dose.state) == (State.SENT, State.SENT)
    assert (appointment.carrier, dose.carrier) == (None, appointment.id)
    assert sent.key == appointment.id
    assert dose.text == appointment.text


def two_children(services: Services, *, joined: bool) -> None:
    for name in ("Ada", "Ben"):
        person = a_person(
            services,
            name.lower(),
            name=f"{name} Quill",
            given_name=name,
            guardian="Rhoda Quill",
            channels=(Channel.TEXT,),
            join_with_others=joined,
        )
        give(services, person, a_visit(born=date(2018, 3, 2)), by="nurse")


@pytest.mark.parametrize(("joined", "texts"), [(True, 1), (False, 2)])
def test_two_children_at_one_number_share_a_text_only_when_they_are_told_so(joined: bool, texts: int) -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    two_children(services, joined=joined)
    send_due(services, "worker")
    assert len(recorder.sent) == 2, "each plan is given by a text of its own"
    first = min(m.planned.due for m in of(services, "ada", MessageKind.DOSE))
    at(services, clock, first)
    later = [envelope.message.text for envelope in recorder.sent[2:]]
    assert len(later) == texts
    if joined:
        assert "For Ada:" in later[0]
        assert "For Ben:" in later[0]
        links = {part[:22] for part in later[0].split("/p/")[1:]}
        assert len(links) == 2, "each child's own page"


def test_a_receipt_for_a_joined_text_speaks_for_every_message_in_it() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    booked(services, person)
    at(services, clock, MORNING)
    key = recorder.sent[-1].key
    report = DeliveryReport(
        channel=Channel.TEXT, state=ReportState.DELIVERED, at=clock.now(), detail="receipt", key=key
    )
    take_report(services, report)
    together = [m for m in of(services, person, MessageKind.DOSE) if m.carrier == key]
    assert together
    assert {m.state for m in together} == {State.DELIVERED}


def test_the_cap_keeps_room_for_the_appointment_and_never_stops_a_warning() -> None:
    clock = StoppedClock(datetime(2026, 11, 25, 7, 0, tzinfo=UTC))
    services, recorder = a_service(clock=clock, clinic=a_clinic(daily_cap=2, quiet_from=time(0), quiet_to=time(0)))
    person = a_person(services, rhythm=Rhythm(morning=time(9), midday=time(12), evening=time(15), bedtime=time(18)))
    booked(services, person)
    days: dict[date, list[MessageKind]] = {}
    kinds = {}
    while clock.at < datetime(2026, 12, 2, tzinfo=UTC):
        clock.forward(minutes=30)
        send_due(services, "worker")
        with services.open_reading() as work:
            kinds = {m.id: m.planned.kind for m in work.messages.of_person(person)}
    for envelope in recorder.sent:
        days.setdefault(envelope.dated.date(), []).append(kinds[envelope.key])
    for day, found in days.items():
        counted = [kind for kind in found if kind not in (MessageKind.PLAN_GIVEN, MessageKind.URGENT)]
        assert len(counted) <= 2, day
    for reminder in of(services, person, MessageKind.APPOINTMENT):
        if reminder.planned.due > datetime(2026, 11, 25, 12, tzinfo=UTC):
            assert reminder.state is State.SENT, "an appointment never loses to a dose"
    dropped = [m for m in of(services, person, MessageKind.DOSE) if m.reason == Reason.DAILY_CAP]
    assert dropped
    clock.forward(hours=8)
    sent = len(recorder.sent)
    give(services, person, a_visit(an_ear("sudden-hearing-loss")), by="nurse")
    send_due(services, "worker")
    assert len(recorder.sent) == sent + 1


def test_a_dose_that_is_marked_as_done_is_not_asked_for() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    first, *_ = of(services, person, MessageKind.DOSE)
    clock.at = first.planned.due - timedelta(minutes=5)
    mark_dose(services, person, first.planned.wall, done=True)
    clock.at = first.planned.due
    send_due(services, "worker")
    (looked,) = [m for m in of(services, person, MessageKind.DOSE) if m.id == first.id]
    assert (looked.state, looked.reason) == (State.DROPPED, Reason.DOSE_DONE)
    assert len(recorder.sent) == 1


def test_what_one_channel_refuses_the_next_one_carries_under_another_key() -> None:
    services, _ = a_service()
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    recorder = answers(services, {Channel.TEXT: Outcome(result=Result.REFUSED, detail="no such number")})
    send_due(services, "worker")
    send_due(services, "worker")
    assert [envelope.message.channel for envelope in recorder.sent] == [Channel.TEXT, Channel.EMAIL]
    first, second = recorder.sent
    assert second.key == f"{first.key}-1", "other words under another key"
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert (given.state, given.channel) == (State.SENT, Channel.EMAIL)
    with services.open_reading() as work:
        assert work.ledger.attention() == []


def test_when_the_last_channel_refuses_a_person_is_asked() -> None:
    services, _ = a_service()
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    recorder = answers(services, dict.fromkeys(Channel, Outcome(result=Result.REFUSED, detail="no")))
    for _ in range(4):
        send_due(services, "worker")
    assert len(recorder.sent) == 2
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert (given.state, given.reason) == (State.FAILED, Reason.REFUSED)
    with services.open_reading() as work:
        assert [entry.reason for entry in work.ledger.attention()] == [Reason.REFUSED]


def test_a_bounce_sends_the_message_by_the_next_channel_and_the_bad_number_is_used_no_more() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    clock.forward(minutes=3)
    take_report(
        services,
        DeliveryReport(
            channel=Channel.TEXT,
            state=ReportState.FAILED,
            at=clock.now(),
            detail="unknown subscriber",
            key=recorder.sent[0].key,
            contact_bad=True,
        ),
    )
    at(services, clock, clock.at + timedelta(days=2))
    channels = [envelope.message.channel for envelope in recorder.sent]
    assert channels[0] is Channel.TEXT
    assert set(channels[1:]) == {Channel.EMAIL}
    with services.open_reading() as work:
        assert [entry.reason for entry in work.ledger.attention()] == ["contact-invalid"]
        assert work.people.get(person).contact.bad == {Channel.TEXT}


def unknown_once(services: Services) -> RecordingTransport:
    def answer(_: Envelope) -> Outcome:
        first = len(recorder.sent) == 1
        return Outcome(result=Result.UNKNOWN if first else Result.ACCEPTED, detail="lost" if first else "ok")

    recorder = RecordingTransport(answer)
    services.transports = dict.fromkeys(Channel, recorder)
    return recorder


def test_a_plan_of_unknown_outcome_is_repeated_once_with_the_same_key_and_words_and_the_record_says_why() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    recorder = unknown_once(services)
    send_due(services, "worker")
    clock.forward(minutes=59)
    send_due(services, "worker")
    assert len(recorder.sent) == 1, "a receipt may still come"
    clock.forward(minutes=2)
    send_due(services, "worker")
    first, second = recorder.sent
    assert (first.key, first.message) == (second.key, second.message)
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert (given.state, given.repeats) == (State.SENT, 1)
    with services.open_reading() as work:
        assert [line.action for line in work.ledger.history(given.id)] == ["message-repeated"]


def test_a_receipt_in_time_makes_the_repeat_unnecessary() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    recorder = unknown_once(services)
    send_due(services, "worker")
    take_report(
        services,
        DeliveryReport(
            channel=Channel.TEXT, state=ReportState.DELIVERED, at=clock.now(), detail="ok", key=recorder.sent[0].key
        ),
    )
    clock.forward(hours=3)
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.DELIVERED


def test_where_the_far_side_knows_a_repeat_by_its_key_nothing_stays_uncertain() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    recorder = unknown_once(services)
    recorder.repeat_seconds = 3600  # type: ignore[attr-defined]
    send_due(services, "worker")
    clock.forward(minutes=2)
    send_due(services, "worker")
    assert [envelope.key for envelope in recorder.sent] == [recorder.sent[0].key] * 2
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.SENT


def test_a_repeat_that_comes_to_nothing_is_still_uncertain_and_then_a_persons() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    recorder = answers(services, {Channel.TEXT: Outcome(result=Result.UNKNOWN, detail="lost")})
    for _ in range(8):
        send_due(services, "worker")
        clock.forward(minutes=61)
    assert len(recorder.sent) == 2
    (given,) = of(services, person, MessageKind.PLAN_GIVEN)
    assert given.state is State.UNCERTAIN
    with services.open_reading() as work:
        assert [entry.reason for entry in work.ledger.attention()] == ["uncertain"]


def test_a_transport_that_fails_in_a_row_is_paused_then_tried_with_one_message_then_trusted() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    for number in range(12):
        person = a_person(services, f"person{number}", channels=(Channel.TEXT,))
        give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    down = True
    recorder = RecordingTransport(
        lambda _: Outcome(result=Result.RETRY if down else Result.ACCEPTED, detail="no line" if down else "ok")
    )
    services.transports = dict.fromkeys(Channel, recorder)
    send_due(services, "worker")
    assert len(recorder.sent) == 5, "the sixth is not even tried"
    with services.open_reading() as work:
        health, _ = work.transports.read()
    assert health[Channel.TEXT].paused_until == clock.now() + timedelta(minutes=1)
    clock.forward(seconds=61)
    send_due(services, "worker")
    assert len(recorder.sent) == 6, "one is tried; it fails, and the pause is longer"
    down = False
    clock.forward(seconds=121)
    for _ in range(3):
        send_due(services, "worker")
        clock.forward(seconds=5)
    clock.forward(minutes=5)
    send_due(services, "worker")
    assert len({envelope.key for envelope in recorder.sent}) == 12
    with services.open_reading() as work:
        assert work.messages.counts()["sent", None] == 12
        health, _ = work.transports.read()
    assert health[Channel.TEXT].well


def test_once_the_one_that_is_tried_after_a_pause_gets_through_the_others_go_at_the_next_look() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    for number in range(12):
        person = a_person(services, f"person{number}", channels=(Channel.TEXT,))
        give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    down = True
    recorder = RecordingTransport(
        lambda _: Outcome(result=Result.RETRY if down else Result.ACCEPTED, detail="no line" if down else "ok")
    )
    recorder.connections = 20  # type: ignore[attr-defined]  # so that all would begin at once
    services.transports = dict.fromkeys(Channel, recorder)
    send_due(services, "worker")
    down = False
    clock.forward(seconds=61)
    before = len(recorder.sent)
    send_due(services, "worker")
    assert len(recorder.sent) - before == 1, "one is tried alone"
    clock.forward(seconds=5)
    send_due(services, "worker")
    assert len({envelope.key for envelope in recorder.sent}) == 12
    with services.open_reading() as work:
        assert work.messages.counts()["sent", None] == 12, "nobody waits two minutes for a trial that is over"


def test_a_rate_limit_spreads_what_is_due_and_loses_nothing() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock, rates={Channel.TEXT: 0.1})
    for number in range(5):
        person = a_person(services, f"person{number}", channels=(Channel.TEXT,))
        give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    for sent in (1, 2, 3, 4, 5):
        send_due(services, "worker")
        send_due(services, "worker")
        assert len(recorder.sent) == sent, "one in ten seconds"
        clock.forward(seconds=10)


def test_told_to_stop_it_begins_nothing_more_and_gives_the_rest_back() -> None:
    services, _ = a_service()
    for number in range(6):
        person = a_person(services, f"person{number}", channels=(Channel.TEXT,))
        give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    recorder = RecordingTransport()
    services.transports = dict.fromkeys(Channel, recorder)
    send_due(services, "worker", stop=lambda: len(recorder.sent) >= 2)
    assert len(recorder.sent) == 2
    with services.open_reading() as work:
        given = [m for n in range(6) for m in work.messages.of_person(f"person{n}") if m.planned.due <= m.look_at]
    at_once = [m.state for m in given if m.planned.kind is MessageKind.PLAN_GIVEN]
    assert sorted(at_once) == [State.PENDING] * 4 + [State.SENT] * 2


class Slow:
    """A transport that answers when it is told to."""

    def __init__(self) -> None:
        self.may_answer = threading.Event()
        self.keys: list[str] = []

    def send(self, envelope: Envelope) -> Outcome:
        self.keys.append(envelope.key)
        assert self.may_answer.wait(120)
        return Outcome(result=Result.ACCEPTED, detail="at last")

    def close(self) -> None:
        pass


def test_a_far_side_that_hangs_holds_up_no_other_channel_and_its_answer_counts_when_it_comes(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(dispatch, "HANGS_SECONDS", 2.0)
    services, recorder = a_service(f"sqlite:///{tmp_path / 'db.sqlite'}")
    slow = Slow()
    services.transports = {Channel.TEXT: slow, Channel.EMAIL: recorder}
    for number in range(3):
        person = a_person(services, f"text{number}", channels=(Channel.TEXT,))
        give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    send_due(services, "worker")
    person = a_person(services, "mail", channels=(Channel.EMAIL,))
    give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    send_due(services, "worker")
    assert len(recorder.sent) == 1, "the mail went while the text hangs"
    assert len(slow.keys) == 1, "and no second text joined the first"
    slow.may_answer.set()
    deadline = time_module.monotonic() + 120
    while time_module.monotonic() < deadline:
        if [m.state for n in range(3) for m in of(services, f"text{n}", MessageKind.PLAN_GIVEN)].count(State.SENT):
            break
        time_module.sleep(0.05)
    assert services.busy[id(slow)] == 0
    services.clock.forward(seconds=31)  # type: ignore[attr-defined]
    send_due(services, "worker")
    assert len(set(slow.keys)) == len(slow.keys) == 3
    assert {m.state for n in range(3) for m in of(services, f"text{n}", MessageKind.PLAN_GIVEN)} == {State.SENT}
