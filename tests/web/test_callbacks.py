"""What a text gateway tells us over HTTP, through the real application; and the health address."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from builders import a_person, a_service, a_visit, an_ear, some_settings
from flask.testing import FlaskClient
from http_peer import ENVIRON, HERON, MARSH, Kind, Peer, answering, dropping, serving
from inbound.sent import attention, strangers
from test_gateway_callbacks import heron_signs, marsh_signs

from service.config import Settings
from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import State
from service.domain.transport_health import Health
from service.errors import DatabaseAwayError, SettingsError
from service.planning.aftercare import give
from service.services import Services
from service.storage.records import StoredMessage
from service.storage.tables import CallbackRow
from service.storage.unit_of_work import UnitOfWork
from service.transports.gateway_callbacks import LONGEST_CALLBACK
from service.transports.http_gateway import HttpGatewayTransport
from service.web.app import create_app
from service.web.callbacks import UNKNOWN_STATES

RECEIPTS, WORDS = "/callbacks/heron/receipts", "/callbacks/heron/words"


@dataclass
class World:
    """A service whose texts go through one invented gateway, and a far side that can call it."""

    services: Services
    peer: Peer
    client: FlaskClient
    settings: Settings

    def now(self) -> datetime:
        return self.services.clock.now()

    @property
    def message(self) -> StoredMessage:
        """The one message that went to the gateway."""
        with self.services.open_reading() as work:
            return next(m for m in work.messages.of_person("maud") if m.attempts)

    def call(self, path: str, body: bytes, headers: dict[str, str] | None = None) -> tuple[int, bytes]:
        signed = headers if headers is not None else heron_signs(body, self.now())
        answer = self.client.post(path, data=body, headers=signed)
        return answer.status_code, answer.data

    def rows(self) -> int:
        with self.services.open_reading() as work:
            return work._session.query(CallbackRow).count()


def a_world(folder: Path, peer: Peer, kind: Kind, **swaps: str) -> World:
    services, _ = a_service()
    transport = HttpGatewayTransport.from_options({"description": str(kind.described(folder, peer.url, **swaps))})
    services.transports = {Channel.TEXT: transport}
    settings = some_settings(folder)
    app = create_app(services, settings)
    give(services, a_person(services, channels=(Channel.TEXT,)), a_visit(an_ear("normal")), by="nurse")
    send_due(services, "worker")
    return World(services=services, peer=peer, client=app.test_client(), settings=settings)


@pytest.fixture(autouse=True)
def _environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in ENVIRON.items():
        monkeypatch.setenv(name, value)


@pytest.fixture
def world(tmp_path: Path, _environment: None) -> Iterator[World]:
    with serving(HERON.yes) as peer:
        found = a_world(tmp_path, peer, HERON)
        assert found.message.state is State.SENT
        yield found


def receipts(*items: dict[str, object]) -> bytes:
    return json.dumps({"receipts": items}).encode()


ARRIVED = {"text": {"id": "hr-81"}, "state": "arrived"}


def test_a_late_receipt_settles_an_uncertain_message_and_closes_its_entry(tmp_path: Path) -> None:
    with serving(dropping) as peer:
        world = a_world(tmp_path, peer, MARSH, **{"idempotent_minutes = 60": ""})
        for _ in range(6):  # until it was repeated as often as it may be
            world.services.clock.forward(minutes=30)  # type: ignore[attr-defined]
            send_due(world.services, "worker")
        assert world.message.state is State.UNCERTAIN
        assert attention(world.services) == ["uncertain"]
        key = MARSH.key_of(peer.arrived[0])
        body = f"ticket=77&client_ref={key}&outcome=1".encode()
        assert world.call("/callbacks/marsh", body, marsh_signs(body, world.now())) == (200, b"")
    assert world.message.state is State.DELIVERED
    assert attention(world.services) == []


def test_after_a_late_receipt_an_uncertain_message_is_not_repeated(tmp_path: Path) -> None:
    with serving(dropping) as peer:
        world = a_world(tmp_path, peer, MARSH)
        assert world.message.state is State.UNCERTAIN
        body = f"ticket=77&client_ref={MARSH.key_of(peer.arrived[0])}&outcome=1".encode()
        assert world.call("/callbacks/marsh", body, marsh_signs(body, world.now())) == (200, b"")
        for _ in range(60):
            world.services.clock.forward(minutes=1)  # type: ignore[attr-defined]
            send_due(world.services, "worker")
        assert len(peer.arrived) == 1
    assert world.message.state is State.DELIVERED


def test_a_callback_that_carries_its_fields_in_the_query_is_taken_as_well(tmp_path: Path) -> None:
    with serving(MARSH.yes) as peer:
        world = a_world(tmp_path, peer, MARSH)
        query = f"ticket=77&client_ref={MARSH.key_of(peer.arrived[0])}&outcome=1"
        answer = world.client.get(f"/callbacks/marsh?{query}", headers=marsh_signs(query.encode(), world.now()))
    assert (answer.status_code, answer.data) == (200, b"")
    assert world.message.state is State.DELIVERED


def test_one_call_may_bring_many_receipts(world: World) -> None:
    body = receipts({"text": {"id": "hr-80"}, "state": "lost"}, ARRIVED)
    assert world.call(RECEIPTS, body) == (200, b"")
    assert world.message.state is State.DELIVERED


def test_a_receipt_with_an_unknown_state_word_is_counted_and_the_others_of_its_call_are_taken(
    world: World, caplog: pytest.LogCaptureFixture
) -> None:
    strange = [{"text": {"id": "hr-70"}, "state": word} for word in ("towed", "parked")]
    body = receipts(strange[0], ARRIVED, strange[1])
    for _ in range(2):
        assert world.call(RECEIPTS, body) == (200, b"")
    assert world.message.state is State.DELIVERED
    with world.services.open_reading() as work:
        assert work.ledger.fact(UNKNOWN_STATES) == "2026-11-25 2 parked"
    assert "2 receipts hold a state word that the gateway's description does not know (the last: parked)" in caplog.text
    body = receipts({"text": {"id": "hr-71"}, "state": "+447700900123 my ear"})
    assert world.call(RECEIPTS, body) == (200, b"")
    with world.services.open_reading() as work:
        assert work.ledger.fact(UNKNOWN_STATES) == "2026-11-25 3 "
    assert "900123" not in caplog.text


def test_words_come_in_and_wake_whoever_answers(world: World) -> None:
    woken: list[None] = []
    world.services.wake = lambda: woken.append(None)
    body = json.dumps(
        [
            {"id": "1", "from": "+447700900123", "words": "I feel dizzy"},
            {"id": "2", "from": "+447700900999", "words": "Who is this?"},
        ]
    ).encode()
    assert world.call(WORDS, body) == (200, b"")
    assert attention(world.services) == ["reply-warning"]
    assert strangers(world.services) == ["reply"]
    assert woken


def test_a_replay_is_answered_like_the_first_and_changes_nothing(world: World) -> None:
    body = json.dumps([{"id": "1", "from": "+447700900123", "words": "STOP"}]).encode()
    signed = heron_signs(body, world.now())
    assert world.call(WORDS, body, signed) == (200, b"")
    with world.services.open_work() as work:
        for entry in work.ledger.attention():
            work.ledger.attention_done(entry.id, "desk", world.now())
        work.commit()
    for _ in range(2):
        assert world.call(WORDS, body, signed) == (200, b"")
    assert attention(world.services) == []
    assert world.rows() == 1


def test_the_same_receipt_under_another_signature_changes_nothing_either(world: World) -> None:
    body = receipts({"text": {"id": "hr-81"}, "state": "lost", "why": "no-such-line"})
    for minutes in (0, 1):
        assert world.call(RECEIPTS, body, heron_signs(body, world.now() + timedelta(minutes=minutes)))[0] == 200
    assert sorted(attention(world.services)) == ["contact-invalid", "refused"]
    assert world.rows() == 2


WRONG = {
    "another secret": lambda body, now: heron_signs(body, now, "guessed"),
    "another body": lambda body, now: heron_signs(body + b" ", now),
    "too old": lambda body, now: heron_signs(body, now - timedelta(minutes=6)),
    "no signature": lambda body, now: {},
}


@pytest.mark.parametrize("name", WRONG)
def test_a_call_that_is_not_rightly_signed_gets_403_without_a_word_and_changes_nothing(world: World, name: str) -> None:
    body = receipts(ARRIVED)
    assert world.call(RECEIPTS, body, WRONG[name](body, world.now())) == (403, b"")
    assert world.message.state is State.SENT
    assert world.rows() == 0


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'{"receipts": [{"state": "arrived"}]}', b"\xff\xfe", b"null"])
def test_a_signed_call_that_cannot_be_read_gets_400_and_may_come_again(world: World, body: bytes) -> None:
    for _ in range(2):
        assert world.call(RECEIPTS, body) == (400, b"")
    assert world.rows() == 0


def test_a_call_to_the_address_of_the_other_kind_cannot_be_read_and_does_not_shadow_the_right_one(world: World) -> None:
    body = receipts(ARRIVED)
    signed = heron_signs(body, world.now())
    assert world.call(WORDS, body, signed)[0] == 400
    assert world.call(RECEIPTS, body, signed)[0] == 200
    assert world.message.state is State.DELIVERED


def test_a_call_larger_than_one_megabyte_is_not_read_and_one_below_it_is(world: World) -> None:
    assert world.call(RECEIPTS, b" " * (LONGEST_CALLBACK + 1))[0] == 413
    body = receipts({**ARRIVED, "note": "x" * (LONGEST_CALLBACK - 1000)})
    assert world.call(RECEIPTS, body)[0] == 200


@pytest.mark.parametrize("path", ["/callbacks/", "/callbacks/heron", "/callbacks/text/receipts", "/callbacks/marsh"])
def test_an_address_that_no_description_names_is_not_there(world: World, path: str) -> None:
    assert world.call(path, receipts(ARRIVED))[0] == 404


def test_a_service_without_a_gateway_takes_no_callbacks(tmp_path: Path) -> None:
    services, _ = a_service()
    client = create_app(services, some_settings(tmp_path)).test_client()
    assert client.post(RECEIPTS, data=b"{}").status_code == 404


def test_a_fault_of_ours_is_a_500_so_that_the_gateway_calls_again_and_what_could_be_taken_is(
    world: World, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from service.inbound import rounds

    real, failing = rounds.take_inbound, [True]

    def faulty(services: Services, inbound: object, **more: object) -> object:
        if failing and inbound.id == "1":  # type: ignore[attr-defined]
            raise RuntimeError("+447700900123 wrote: my ear bleeds")
        return real(services, inbound, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(rounds, "take_inbound", faulty)
    items = [{"id": str(number), "from": "+447700900123", "words": "my ear bleeds"} for number in (1, 2)]
    body = json.dumps(items).encode()
    assert world.call(WORDS, body)[0] == 500
    assert attention(world.services) == ["reply-warning"]
    failing.clear()
    assert world.call(WORDS, body)[0] == 200
    assert attention(world.services) == ["reply-warning"]
    with world.services.open_reading() as work:
        assert work.inbound.get(Channel.TEXT, "1") is not None and work.inbound.get(Channel.TEXT, "2") is not None
    assert "RuntimeError" in caplog.text
    assert not re.search("bleeds|900123", caplog.text), "no number and no word is logged"


def test_logs_hold_no_number_and_no_word(world: World, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("DEBUG")
    body = json.dumps([{"id": "1", "from": "+447700900123", "words": "my ear bleeds"}, {"id": "2"}]).encode()
    world.call(WORDS, body)
    world.call(WORDS, body, {})
    assert "refused" in caplog.text and "cannot be read" in caplog.text
    assert not re.search("bleeds|900123", caplog.text)


def test_a_description_with_an_address_of_our_own_pages_is_refused_at_the_start(tmp_path: Path) -> None:
    services, _ = a_service()
    path = HERON.described(tmp_path, "http://127.0.0.1:1", **{RECEIPTS: "/people"})
    services.transports = {Channel.TEXT: HttpGatewayTransport.from_options({"description": str(path)})}
    with pytest.raises(SettingsError, match="the path /people of a callback must begin with /callbacks/"):
        create_app(services, some_settings(tmp_path))


# --- Health ---


def health(world: World) -> tuple[int, dict[str, object]]:
    answer = world.client.get("/health")
    assert "maud" not in answer.text.casefold()
    return answer.status_code, answer.get_json()


def test_all_is_well_while_nothing_due_waits(world: World) -> None:
    code, said = health(world)
    assert (code, said["well"], said["database"], said["oldest_due_seconds"]) == (200, True, True, 0)


def test_a_message_that_is_due_and_unsent_for_too_long_is_not_well(world: World) -> None:
    with world.services.open_reading() as work:
        look = work.messages.next_look()
    assert look is not None
    world.services.clock.at = look + timedelta(seconds=300)  # type: ignore[attr-defined]
    assert health(world)[0] == 200
    world.services.clock.forward(seconds=1)  # type: ignore[attr-defined]
    code, said = health(world)
    assert (code, said["oldest_due_seconds"]) == (503, 301)


def test_a_paused_transport_is_not_well_and_is_named(world: World) -> None:
    with world.services.open_work() as work:
        work.transports.save(Channel.TEXT, Health(paused_until=world.now() + timedelta(minutes=1)))
        work.commit()
    code, said = health(world)
    assert (code, said["paused"]) == (503, ["text"])
    world.services.clock.forward(minutes=2)  # type: ignore[attr-defined]
    assert health(world)[1]["paused"] == []


def test_between_two_tries_of_a_way_out_that_has_not_worked_since_its_pause_it_is_not_well(tmp_path: Path) -> None:
    """What did not get through is looked at again only after a wait; an outage is no shorter for that."""
    with serving(answering(503)) as peer:
        world = a_world(tmp_path, peer, HERON)
        clock = world.services.clock
        for _ in range(12):  # 30 s, doubled up to an hour: with the fifth failure the transport is paused
            clock.forward(minutes=6)  # type: ignore[attr-defined]
            send_due(world.services, "worker")
        for _ in range(100):
            if not health(world)[1]["paused"] and health(world)[1]["oldest_due_seconds"] == 0:
                break
            clock.forward(minutes=1)  # type: ignore[attr-defined]
        code, said = health(world)
        assert (said["paused"], said["oldest_due_seconds"]) == ([], 0), "between two tries"
        assert said["oldest_failing_seconds"] > 300  # type: ignore[operator]
        assert code == 503


def test_a_tick_that_nobody_renews_is_not_well_and_workers_need_none(world: World, tmp_path: Path) -> None:
    with world.services.open_work() as work:
        work.ledger.take_lease("tick", "gone", world.now(), timedelta(seconds=30))
        work.commit()
    assert health(world)[1]["tick_held"] is True
    world.services.clock.forward(seconds=31)  # type: ignore[attr-defined]
    assert health(world)[1]["tick_held"] is False
    assert health(world)[0] == 200, "the next one may be about to take it"
    world.services.clock.forward(seconds=300)  # type: ignore[attr-defined]
    assert health(world)[0] == 503
    scaled = some_settings(tmp_path, engine="procrastinate", database="postgresql+psycopg://nobody@127.0.0.1/none")
    world.client = create_app(world.services, scaled).test_client()
    assert health(world)[0] == 200


def test_a_database_that_does_not_answer_is_not_well(world: World) -> None:
    def away() -> UnitOfWork:
        raise DatabaseAwayError("the database does not take part now: connection to 127.0.0.1 refused")

    body = receipts(ARRIVED)
    world.services.open_reading = away
    assert health(world) == (503, {"database": False, "well": False})
    code, said = world.call(RECEIPTS, body)
    assert code == 503, "the gateway calls again"
    assert b"127.0.0.1" not in said


def test_trouble_with_the_mailbox_is_shown_without_its_words(world: World) -> None:
    with world.services.open_work() as work:
        work.ledger.set_fact("mailbox-trouble", "OSError: the mailbox at mail.larkfield.example cannot be read")
        work.commit()
    code, said = health(world)
    assert (code, said["mailbox_trouble"]) == (200, True)
    assert "larkfield" not in json.dumps(said)
