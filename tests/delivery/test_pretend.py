"""Winding the demo's clock."""

from __future__ import annotations

from datetime import datetime, timedelta

from builders import StoppedClock, a_person, a_service, a_visit

from service.delivery.pretend import WindableClock, wind, wind_to_next
from service.domain.message import State
from service.planning.aftercare import give


class WoundClock(StoppedClock):
    """A clock that goes forward only."""

    def set(self, instant: datetime) -> None:
        self.at = max(self.at, instant)


def test_every_message_leaves_at_its_own_moment_however_far_the_clock_is_wound() -> None:
    clock = WoundClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    start = clock.now()
    wound = wind(services, clock, start + timedelta(days=60))
    with services.open_reading() as work:
        messages = work.messages.of_person(person)
    assert wound.whole and wound.reached == clock.now() == start + timedelta(days=60)
    carriers = [m for m in messages if m.carrier is None]  # two reminders of one moment are one message
    assert wound.sent == len(recorder.sent) == len(carriers) > 10
    assert all(m.state is State.SENT and m.finished == m.planned.due for m in messages)


def test_the_next_message_is_one_step_away() -> None:
    clock = WoundClock()
    services, recorder = a_service(clock=clock)
    give(services, a_person(services), a_visit(), by="nurse")
    assert wind_to_next(services, clock).sent == 1
    before = clock.now()
    assert wind_to_next(services, clock).sent >= 1
    assert clock.now() > before
    assert len(recorder.sent) >= 2


def test_with_nothing_to_send_the_clock_still_goes_where_it_is_wound_to() -> None:
    clock = WoundClock()
    services, _ = a_service(clock=clock)
    until = clock.now() + timedelta(days=7)
    assert wind(services, clock, until).reached == until
    assert not wind_to_next(services, clock).whole


def test_a_winding_that_runs_out_of_steps_drops_nothing_and_can_go_on() -> None:
    clock = WoundClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    until = clock.now() + timedelta(days=60)
    first = wind(services, clock, until, most_steps=3)
    assert not first.whole and clock.now() < until
    assert wind(services, clock, until).whole
    with services.open_reading() as work:
        assert {m.state for m in work.messages.of_person(person)} == {State.SENT}
    assert len({envelope.key for envelope in recorder.sent}) == len(recorder.sent)


def test_a_stopped_clock_cannot_be_wound_and_a_wound_one_can() -> None:
    assert isinstance(WoundClock(), WindableClock)
    assert not isinstance(StoppedClock(), WindableClock)
