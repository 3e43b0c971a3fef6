"""A message whose row cannot be read stops nobody else, and a person is told of it."""

from __future__ import annotations

import logging
from datetime import timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from sqlalchemy import text

from service.delivery.dispatch import send_due
from service.delivery.exchange import LEASE
from service.domain.message import MessageKind, State
from service.domain.sending import Reason
from service.planning.aftercare import give
from service.services import Services
from service.transports.port import RecordingTransport

BREAKS = {
    "an unknown kind": "kind = 'horoscope'",
    "broken parts": "parts = '[{'",
    "parts of another shape": """parts = '[{"agent": 3}]'""",
    "an unknown channel": "tried = 'pigeon@1'",
    "moments in the wrong order": "last_useful = '2020-01-01 00:00:00+00:00'",
}


def two_plans(url: str) -> tuple[Services, RecordingTransport, StoppedClock]:
    clock = StoppedClock()
    services, recorder = a_service(url, clock=clock)
    for person in ("maud", "zofia"):
        a_person(services, person)
        give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    return services, recorder, clock


def break_row(services: Services, how: str, person: str = "maud", also: str = "") -> str:
    """Spoil the person's message with the plan as only another program could; returns its id."""
    with services.open_work() as work:
        where = {"person": person, "kind": MessageKind.PLAN_GIVEN.value}
        chosen = "SELECT id FROM messages WHERE person_id = :person AND kind = :kind"
        found: str = work._session.execute(text(chosen), where).scalar_one()
        work._session.execute(text(f"UPDATE messages SET {how}{also} WHERE id = :id"), {"id": found})
        work.commit()
    return found


def row(services: Services, message_id: str) -> tuple[str, str | None, str]:
    with services.open_reading() as work:
        query = text("SELECT state, reason, detail FROM messages WHERE id = :id")
        state, reason, detail = work._session.execute(query, {"id": message_id}).one()
    return state, reason, detail


def asked(services: Services) -> list[tuple[str, str | None, str]]:
    with services.open_reading() as work:
        return [(entry.person_id, entry.message_id, entry.reason) for entry in work.ledger.attention()]


@pytest.mark.parametrize("how", BREAKS.values(), ids=BREAKS)
def test_a_message_that_cannot_be_read_is_set_aside_and_the_others_go(
    database_url: str, how: str, caplog: pytest.LogCaptureFixture
) -> None:
    services, recorder, _ = two_plans(database_url)
    broken = break_row(services, how)
    with caplog.at_level(logging.ERROR):
        send_due(services, "worker")
    assert len(recorder.sent) == 1, "the other one went"
    state, reason, detail = row(services, broken)
    assert (state, reason) == (State.FAILED, Reason.FAULT)
    assert "cannot be read" in detail
    assert asked(services) == [("maud", broken, Reason.FAULT)]
    assert broken in caplog.text
    assert "Ellery" not in caplog.text and "horoscope" not in caplog.text, "a log quotes no record"
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    assert len(asked(services)) == 1, "it is asked once"


def test_what_was_being_handed_over_and_cannot_be_read_is_uncertain_and_put_before_a_person(database_url: str) -> None:
    services, recorder, clock = two_plans(database_url)
    handing = f", state = 'handing', lease_until = '{clock.now() - timedelta(minutes=1):%Y-%m-%d %H:%M:%S}+00:00'"
    broken = break_row(services, BREAKS["an unknown kind"], also=handing)
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    assert row(services, broken)[0] == State.UNCERTAIN
    assert asked(services) == [("maud", broken, "uncertain")]


def test_a_claim_that_ran_out_is_given_back_and_set_aside_when_it_is_claimed_again(database_url: str) -> None:
    services, recorder, clock = two_plans(database_url)
    claimed = f", state = 'claimed', lease_until = '{clock.now() - LEASE:%Y-%m-%d %H:%M:%S}+00:00'"
    broken = break_row(services, BREAKS["broken parts"], also=claimed)
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    assert row(services, broken)[0] == State.FAILED


def test_an_uncertain_message_that_cannot_be_read_is_repeated_no_more_and_stops_no_repeat(database_url: str) -> None:
    services, recorder, clock = two_plans(database_url)
    doubt = f", state = 'uncertain', repeat_at = '{clock.now() - timedelta(minutes=1):%Y-%m-%d %H:%M:%S}+00:00'"
    broken = break_row(services, BREAKS["an unknown channel"], also=doubt)
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    assert asked(services) == [("maud", broken, "uncertain")]
    with services.open_reading() as work:
        assert not work.queue.anything(clock.now(), LEASE), "no pass comes back to it for ever"


def test_the_record_of_the_person_can_still_be_opened(database_url: str) -> None:
    services, _, _ = two_plans(database_url)
    broken = break_row(services, BREAKS["an unknown kind"])
    send_due(services, "worker")
    with services.open_reading() as work:
        messages = work.messages.of_person("maud")
        assert messages and broken not in {message.id for message in messages}
        assert {message.person_id for message in work.messages.recent(list(State))} == {"maud", "zofia"}


def test_what_else_the_person_is_due_is_counted_without_a_message_of_an_unknown_kind(database_url: str) -> None:
    services, _, clock = two_plans(database_url)
    until = clock.now() + timedelta(days=400)
    with services.open_reading() as work:
        before = work.facts.waiting_until({"maud"}, until)["maud"]
    break_row(services, BREAKS["an unknown kind"])
    with services.open_reading() as work:
        after = work.facts.waiting_until({"maud"}, until)["maud"]
    assert sorted(after) == sorted(each for each in before if each[0] is not MessageKind.PLAN_GIVEN)
    assert len(after) == len(before) - 1 > 0
