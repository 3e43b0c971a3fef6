"""The tick: one holder at a time, everything due in one go, and a scheduler that survives a late tick."""

from __future__ import annotations

import threading
import time
from datetime import timedelta
from pathlib import Path

from builders import StoppedClock, a_person, a_service, a_visit, an_ear, free_port

from service.config import MailboxSettings
from service.domain.message import Envelope, Outcome, Result
from service.inbound.rounds import MAILBOX, MAILBOX_TROUBLE
from service.ops.ticker import end, start, tick
from service.planning.aftercare import give
from service.transports.port import RecordingTransport


def test_one_process_ticks_and_another_takes_over_when_it_is_gone() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    with services.open_work() as work:
        work.ledger.take_lease("tick", "another process", clock.now(), timedelta(seconds=30))
        work.commit()
    assert tick(services, "this process", 30).claimed == 0
    clock.forward(seconds=31)
    assert tick(services, "this process", 30).claimed == 1
    assert len(recorder.sent) == 1


def test_a_tick_sends_everything_that_is_due_not_only_one_batch() -> None:
    services, recorder = a_service()
    for number in range(130):
        give(services, a_person(services, f"p{number}"), a_visit(an_ear("normal")), by="nurse")
    tick(services, "worker", 30)
    assert len(recorder.sent) == 130


def test_the_scheduler_in_this_process_sends_what_is_due() -> None:
    services, recorder = a_service()
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    scheduler = start(services, "worker", every_seconds=1)
    try:
        deadline = time.monotonic() + 120
        while not recorder.sent and time.monotonic() < deadline:
            time.sleep(0.05)
    finally:
        scheduler.shutdown(wait=True)
    assert len(recorder.sent) == 1


def test_a_process_that_is_told_to_stop_begins_nothing_new_and_takes_no_duty() -> None:
    services, recorder = a_service()
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    stopping = threading.Event()
    stopping.set()
    assert tick(services, "worker", 30, stopping).claimed == 0
    assert recorder.sent == []
    with services.open_reading() as work:
        assert work.ledger.lease("tick") is None


def test_the_end_finishes_the_hand_over_under_way_and_lets_another_process_tick_at_once() -> None:
    begun, may_go_on = threading.Event(), threading.Event()

    def slow(_: Envelope) -> Outcome:
        begun.set()
        may_go_on.wait(120)
        return Outcome(result=Result.ACCEPTED, detail="taken")

    services, _ = a_service()
    transport = RecordingTransport(slow)
    services.transports = dict.fromkeys(services.transports, transport)
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    stopping = threading.Event()
    scheduler = start(services, "this process", every_seconds=1, stopping=stopping)
    assert begun.wait(120)
    ending = threading.Thread(target=end, args=[services, scheduler, "this process", stopping])
    ending.start()
    assert stopping.wait(120)
    may_go_on.set()
    ending.join(120)
    assert not ending.is_alive()
    assert len(transport.sent) == 1
    assert tick(services, "another process", 30).claimed == 0, "it was recorded, so nothing is due any more"
    with services.open_reading() as work:
        held = work.ledger.lease("tick")
        assert held is not None and held[0] == "another process"


def test_the_scheduler_looks_into_the_mailbox_and_a_mailbox_that_is_away_stops_no_message(
    tmp_path: Path,
) -> None:
    services, recorder = a_service(f"sqlite:///{tmp_path / 'tragus.sqlite'}")  # two threads need two connections
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    away = MailboxSettings(
        host="127.0.0.1", port=free_port(), security="none", user="desk", password="x", every_seconds=1
    )
    stopping = threading.Event()
    scheduler = start(services, "worker", every_seconds=1, mailbox=away, stopping=stopping)

    def trouble() -> str | None:
        with services.open_reading() as work:
            return work.ledger.fact(MAILBOX_TROUBLE)

    try:
        deadline = time.monotonic() + 120
        while (not recorder.sent or trouble() is None) and time.monotonic() < deadline:
            time.sleep(0.05)
    finally:
        end(services, scheduler, "worker", stopping)
    assert len(recorder.sent) == 1
    assert "127.0.0.1" in (trouble() or "")
    with services.open_reading() as work:
        assert work.ledger.lease(MAILBOX) is None
