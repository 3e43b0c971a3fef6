"""The tick: one holder at a time, everything due in one go, and a scheduler that survives a late tick."""

from __future__ import annotations

import time
from datetime import timedelta

from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.ops.ticker import start, tick
from service.planning.aftercare import give


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
        deadline = time.monotonic() + 30
        while not recorder.sent and time.monotonic() < deadline:
            time.sleep(0.05)
    finally:
        scheduler.shutdown(wait=True)
    assert len(recorder.sent) == 1
