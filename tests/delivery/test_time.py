"""Outages of any length and clocks that jump: nothing stale goes out, nothing goes twice, and what was dropped shows."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.clock_watch import ClockWatch
from service.domain.message import MessageKind, State
from service.domain.sending import Reason
from service.ops.ticker import tick
from service.planning.aftercare import give
from service.services import Services
from service.storage.records import StoredMessage


def all_of(services: Services, person: str = "maud") -> list[StoredMessage]:
    with services.open_reading() as work:
        return work.messages.of_person(person)


def run(services: Services, clock: StoppedClock, until: datetime, step: timedelta = timedelta(minutes=10)) -> None:
    while clock.at < until:
        clock.at = min(until, clock.at + step)
        send_due(services, "worker")


@pytest.mark.parametrize("hours", [2, 9, 30, 24 * 10, 24 * 400])
def test_after_an_outage_what_goes_out_is_still_useful_and_what_is_dropped_is_counted(hours: int) -> None:
    clock = StoppedClock(datetime(2026, 11, 26, 7, 30, tzinfo=UTC))
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    before = len(recorder.sent)
    clock.forward(hours=hours)
    while send_due(services, "worker").claimed:
        pass
    for envelope in recorder.sent[before:]:
        assert envelope.dated <= clock.at <= envelope.last_useful
    due = [m for m in all_of(services) if m.planned.due <= clock.at]
    assert all(m.state in (State.SENT, State.DROPPED) for m in due), "each is sent or dropped, with its reason"
    late = [m for m in due if m.planned.last_useful < clock.at and m.state is State.DROPPED]
    with services.open_reading() as work:
        counts = work.messages.counts()
    assert counts.get(("dropped", Reason.TOO_LATE), 0) == sum(m.reason == Reason.TOO_LATE for m in late)
    if hours >= 9:
        assert counts["dropped", Reason.TOO_LATE] >= 1


def test_a_clock_that_jumps_back_sends_nothing_twice_and_loses_nothing() -> None:
    clock = StoppedClock(datetime(2026, 11, 25, 10, 0, tzinfo=UTC))
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    run(services, clock, datetime(2026, 11, 27, 14, 0, tzinfo=UTC))
    sent = [envelope.key for envelope in recorder.sent]
    clock.at -= timedelta(hours=7)
    send_due(services, "worker")
    assert [envelope.key for envelope in recorder.sent] == sent
    run(services, clock, datetime(2026, 12, 10, tzinfo=UTC))
    assert max(Counter(envelope.key for envelope in recorder.sent).values()) == 1
    assert {m.state for m in all_of(services) if m.planned.due < clock.at} == {State.SENT}


def test_a_claim_made_under_a_clock_that_was_ahead_is_taken_up_once_the_clock_is_right() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    with services.open_work() as work:
        ahead = clock.now() + timedelta(hours=9)
        assert work.queue.claim("a worker that died", ahead, timedelta(minutes=2), 10)
        work.commit()
    send_due(services, "worker")
    assert len(recorder.sent) == 1


@dataclass
class TwoClocks:
    """A wall clock that can jump beside a steady one that cannot."""

    clock: StoppedClock
    steady: float = 0
    watch: ClockWatch | None = None

    def go(self, seconds: float) -> None:
        self.clock.forward(seconds=seconds)
        self.steady += seconds

    def believed(self) -> bool:
        before = self.watch or ClockWatch(wall=self.clock.at, steady=self.steady)
        self.watch = before.look(self.clock.at, self.steady)
        return self.watch.believed


@pytest.mark.parametrize("hours", [8, 40])
def test_a_clock_that_jumps_ahead_and_is_put_right_has_sent_nothing_early_and_dropped_nothing(hours: int) -> None:
    clock = StoppedClock(datetime(2026, 11, 25, 10, 0, tzinfo=UTC))
    clocks = TwoClocks(clock)
    services, recorder = a_service(clock=clock, clock_believed=clocks.believed)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")

    def ticks(count: int) -> None:
        for _ in range(count):
            clocks.go(60)
            tick(services, "this process", 30)

    ticks(5)
    before = [(m.id, m.state) for m in all_of(services)]
    clock.forward(hours=hours)
    ticks(9)
    assert [(m.id, m.state) for m in all_of(services)] == before
    clock.forward(hours=-hours)
    ticks(1)
    assert [(m.id, m.state) for m in all_of(services)] == before
    while clock.at < datetime(2026, 12, 10, tzinfo=UTC):
        clocks.go(240)
        tick(services, "this process", 30)
    assert max(Counter(envelope.key for envelope in recorder.sent).values()) == 1
    for envelope in recorder.sent:
        assert envelope.dated <= envelope.handed <= envelope.last_useful
    kinds = {m.planned.kind for m in all_of(services) if m.state is State.SENT}
    assert MessageKind.DOSE in kinds


def test_a_clock_that_keeps_its_new_time_is_believed_after_ten_minutes() -> None:
    clock = StoppedClock(datetime(2026, 11, 25, 10, 0, tzinfo=UTC))
    clocks = TwoClocks(clock)
    services, recorder = a_service(clock=clock, clock_believed=clocks.believed)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    tick(services, "this process", 30)
    clock.at = min(m.planned.due for m in all_of(services) if m.planned.kind is MessageKind.DOSE)
    for _ in range(9):
        clocks.go(60)
        tick(services, "this process", 30)
    assert len(recorder.sent) == 1
    for _ in range(3):
        clocks.go(60)
        tick(services, "this process", 30)
    assert len(recorder.sent) == 2


def test_a_hold_is_written_down_once_so_that_the_record_says_why_it_came_late() -> None:
    clock = StoppedClock(datetime(2026, 11, 25, 22, 30, tzinfo=UTC))
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    for _ in range(3):
        send_due(services, "worker")
        clock.forward(hours=1)
    (message,) = [m for m in all_of(services) if m.planned.kind is MessageKind.PLAN_GIVEN]
    with services.open_reading() as work:
        lines = work.ledger.history(message.id)
    assert [(line.action, line.detail["reason"]) for line in lines] == [("message-held", Reason.QUIET_HOURS)]
    assert recorder.sent == []
