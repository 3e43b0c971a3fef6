"""The straight path, end to end: a visit becomes a plan, the plan becomes messages, the messages leave when due."""

from __future__ import annotations

import logging
from datetime import timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.message import MessageKind, State
from service.planning.aftercare import give


def test_a_visit_becomes_a_plan_and_its_first_message_at_once() -> None:
    services, recorder = a_service()
    person = a_person(services)
    stored = give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    (first,) = recorder.sent
    assert first.message.to == "+447700900123"
    assert "https://larkfield.example/p/" in first.message.text
    assert "020 7946 0123" in first.message.text
    with services.open_reading() as work:
        assert work.plans.get(stored.id).plan == stored.plan
        sent = [m for m in work.messages.of_person(person) if m.state is State.SENT]
    assert [m.planned.kind for m in sent] == [MessageKind.PLAN_GIVEN]


def test_every_message_of_the_plan_leaves_once_and_in_order(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(an_ear("wax-left"), an_ear("grommet")), by="nurse")
    for _ in range(60 * 24 * 2):  # sixty days, every half hour: the last invitation too
        send_due(services, "worker")
        clock.forward(minutes=30)
    with services.open_reading() as work:
        messages = work.messages.of_person(person)
    assert {m.state for m in messages} == {State.SENT}
    keys = [envelope.key for envelope in recorder.sent]
    carriers = [m for m in messages if m.carrier is None]
    assert len(keys) == len(set(keys)) == len(carriers)
    assert len(messages) - len(carriers) == 1, "two reminders of one moment are one message"
    doses = [m for m in messages if m.planned.kind is MessageKind.DOSE]
    assert len(doses) == 14  # 5 days, 3 times a day, without the morning before the visit
    late = [m for m in messages if m.finished and m.finished - m.planned.due > timedelta(minutes=30)]
    assert not late
    for secret in ("Maud", "Ellery", "07700", "7700900123", "maud@example.org"):
        assert secret not in caplog.text


def test_texts_name_no_ear_no_condition_and_no_product() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    give(services, a_person(services), a_visit(), by="nurse")
    for _ in range(60):
        send_due(services, "worker")
        clock.forward(hours=1)
    assert len(recorder.sent) > 5
    for envelope in recorder.sent:
        body = envelope.message.text.casefold().replace("larkfield ear care", "")
        for word in (" ear", "wax", "oil", "drops", "right", "left"):
            assert word not in body, envelope.message.text
