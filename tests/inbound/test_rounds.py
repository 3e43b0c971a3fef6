"""What is done again and again with what came back, and that none of it stops the sending."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import pytest
from builders import StoppedClock, a_person, a_service
from inbound.sent import World, attention

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Envelope, Inbound, Outcome, ReportState, Result, State
from service.inbound import rounds
from service.inbound.receipts import take_report
from service.inbound.rounds import after_pass, bind, close_transports, take_receipt
from service.transports.port import RecordingTransport


class HearingTransport(RecordingTransport):
    """A recorder whose far side also talks to us."""

    def __init__(self) -> None:
        super().__init__(lambda _: Outcome(result=Result.ACCEPTED, detail="taken", reference="far-1"))
        self.bound = self.closed = 0

    def receive(
        self,
        report: Callable[[DeliveryReport], None],
        inbound: Callable[[Inbound], None],
        now: Callable[[], datetime],
    ) -> None:
        self.bound += 1
        self.report, self.inbound, self.now = report, inbound, now

    def close(self) -> None:
        self.closed += 1


def a_receipt(**changes: object) -> DeliveryReport:
    values: dict[str, object] = {"channel": Channel.TEXT, "at": StoppedClock().now(), "detail": "arrived"}
    return DeliveryReport(state=ReportState.DELIVERED, **(values | changes))  # type: ignore[arg-type]


def test_a_transport_that_hears_is_bound_once_though_it_carries_two_channels_and_others_are_left_alone() -> None:
    hearing, deaf = HearingTransport(), RecordingTransport()
    services, _ = a_service(transports={Channel.TEXT: hearing, Channel.EMAIL: deaf, Channel.LETTER: hearing})
    bind(services)
    assert hearing.bound == 1
    assert hearing.now() == services.clock.now()
    close_transports(services)
    assert hearing.closed == 1


def test_what_a_bound_transport_hears_is_stored_when_its_call_returns() -> None:
    world = World(Channel.TEXT)
    hearing = HearingTransport()
    woken: list[None] = []
    world.services.transports = {Channel.TEXT: hearing}
    world.services.wake = lambda: woken.append(None)
    bind(world.services)
    hearing.report(a_receipt(key=world.message_id))
    assert world.message.state is State.DELIVERED
    hearing.inbound(
        Inbound(channel=Channel.TEXT, id="1", sender="+447700900123", text="May I swim?", at=world.clock.now())
    )
    assert world.reasons() == ["reply"]
    assert woken, "an answer may be due"


def test_a_receipt_in_characters_that_no_database_takes_is_stored_without_them() -> None:
    world = World(Channel.TEXT)
    world.set(reference="a1")
    take_receipt(world.services, a_receipt(reference="a\x001", detail="half \ud83d and \x00 none"))
    with world.services.open_reading() as work:
        (stored,) = work.inbound.reports_of(world.message_id)
    assert (stored.report.reference, stored.report.detail) == ("a1", "half ? and  none")
    assert world.message.state is State.DELIVERED


def test_after_a_pass_a_receipt_that_outran_the_answer_is_applied() -> None:
    world = World(Channel.TEXT)
    world.set(state=State.HANDING.value, reference=None)
    take_report(world.services, a_receipt(reference="early"))
    world.set(state=State.SENT.value, reference="early")
    after_pass(world.services)
    assert world.message.state is State.DELIVERED


def test_after_a_pass_what_an_interruption_left_of_words_is_done() -> None:
    services, _ = a_service()
    a_person(services)
    words = Inbound(channel=Channel.TEXT, id="1", sender="+447700900123", text="Hello", at=services.clock.now())
    with services.open_work() as work:  # as `take_inbound` stores them, and no more
        work.inbound.add(words, "", "reply")
        work.commit()
    after_pass(services)
    assert attention(services) == ["reply"]


def test_a_fault_in_one_round_is_logged_without_stopping_the_other(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    services, _ = a_service()
    done: list[str] = []

    def faulty(_: object) -> int:
        raise RuntimeError("a fault")

    monkeypatch.setattr(rounds, "apply_kept", faulty)
    monkeypatch.setattr(rounds, "settle_left", lambda _: done.append("settled") or 0)
    after_pass(services)
    assert done == ["settled"]
    assert "waiting receipts could not be dealt with: RuntimeError" in caplog.text


def test_an_envelope_is_handed_over_while_the_rounds_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    from builders import a_visit, an_ear

    from service.ops.ticker import tick
    from service.planning.aftercare import give

    sent: list[Envelope] = []
    services, recorder = a_service()
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")

    def faulty(_: object) -> int:
        raise RuntimeError("a fault")

    monkeypatch.setattr(rounds, "apply_kept", faulty)
    monkeypatch.setattr(rounds, "settle_left", faulty)
    tick(services, "worker", 30)
    sent += recorder.sent
    assert len(sent) == 1
