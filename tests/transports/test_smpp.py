"""Texts by SMPP against a message centre of our own (`smpp_peer.py`), well-behaved and not: what leaves, and what an
answer means."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta

import pytest
from envelopes import DATED
from smpp_peer import (
    GIVEN,
    NUMBER,
    PATIENCE,
    Behaviour,
    Line,
    a_peer,
    a_text,
    accept,
    drop_after_accept,
    garbage,
    half_a_pdu,
    in_turn,
    nack,
    piecemeal,
    refuse,
    sending,
    silent,
)

from service.domain.message import Envelope, Result
from service.domain.text_alphabet import count_parts
from service.transports import smpp, smpp_line
from service.transports.contract import TransportContract
from service.transports.port import Transport, connections_of, load_transport, repeat_seconds_of, shifts_of
from service.transports.smpp_pdu import Command, Pdu, ShortMessage, Status, Tag
from service.transports.smpp_sent import user_reference


class TestSmpp(TransportContract):
    @pytest.fixture(autouse=True)
    def _centre(self) -> Iterator[None]:
        with a_peer() as self.peer, sending(self.peer) as self._transport:
            yield

    def transport(self) -> Transport:
        return self._transport

    def envelope(self, key: str) -> Envelope:
        return a_text(key)

    def arrived(self) -> list[str]:
        handed = [letter * 32 for letter in "ab"] + [f"{number:032d}" for number in range(3)]
        keys = {user_reference(key, 1): key for key in handed}
        return [keys[reference or 0] for reference in self.peer.references()]


def test_a_short_text_is_one_part_with_everything_the_centre_needs() -> None:
    with a_peer() as peer, sending(peer) as transport:
        outcome = transport.send(a_text(text="Drops at 9 {both}"))
        assert outcome.result is Result.ACCEPTED
        assert outcome.reference == "1"
    (message,) = peer.submitted
    assert message == ShortMessage(
        source="447700900999",
        source_ton=1,
        source_npi=1,
        destination=NUMBER,
        destination_ton=1,
        destination_npi=1,
        validity="261125223000000+",
        registered_delivery=1,
        short_message=b"Drops at 9 \x1b(both\x1b)",
        tlvs=((Tag.USER_MESSAGE_REFERENCE, user_reference("a" * 32, 1).to_bytes(2)),),
    )
    assert peer.binds == [b"clinic\0secret\0\0\x34\0\0\0"]
    assert peer.commands == [Command.BIND_TRANSCEIVER, Command.SUBMIT_SM, Command.UNBIND]


def test_a_relative_validity_is_counted_from_the_hand_over_to_the_last_useful_moment(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(smpp, "monotonic", lambda: 1000.0)
    with a_peer() as peer, sending(peer, validity="relative") as transport:
        transport.send(replace(a_text(), handed=DATED + timedelta(minutes=20)))
    assert peer.submitted[0].validity == "000000004000000R"


def test_what_a_text_waited_for_its_turn_is_taken_off_its_validity(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = itertools.count(1000, 90)  # each look at it finds it a minute and a half later
    monkeypatch.setattr(smpp, "monotonic", lambda: next(clock))
    with a_peer() as peer, sending(peer, validity="relative") as transport:
        transport.send(replace(a_text(), handed=DATED + timedelta(minutes=20)))
        outcome = transport.send(replace(a_text("b" * 32), handed=DATED + timedelta(minutes=59)))
    assert [message.validity for message in peer.submitted] == ["000000003830000R"]
    assert outcome.result is Result.RETRY
    assert "last useful" in outcome.detail


def test_a_text_whose_last_useful_moment_has_passed_does_not_leave() -> None:
    with a_peer() as peer, sending(peer) as transport:
        outcome = transport.send(replace(a_text(), handed=DATED + timedelta(hours=1)))
    assert outcome.result is Result.RETRY
    assert "last useful" in outcome.detail
    assert peer.submitted == []


LONG = {
    "plain": ("Put the drops in at nine, please. " * 12, 0),
    "extension": ("a" * 152 + "€" + "b" * 152 + "{" + "c" * 20, 0),
    "arabic": ("قطرة واحدة في الأذن اليمنى صباحا ومساء. " * 5, 8),
    "emoji": ("a" * 66 + "😀" + "b" * 65 + "👂🏽" + "c" * 9, 8),
}


@pytest.mark.parametrize("name", LONG)
@pytest.mark.parametrize("concatenation", ["udh", "sar", "payload"])
def test_a_long_text_arrives_whole_by_every_way_of_concatenation(name: str, concatenation: str) -> None:
    text, coding = LONG[name]
    parts = count_parts(text).parts
    with a_peer() as peer, sending(peer, concatenation=concatenation) as transport:
        outcome = transport.send(a_text(text=text))
    assert outcome.result is Result.ACCEPTED
    assert "".join(peer.texts()) == text
    assert {message.data_coding for message in peer.submitted} == {coding}
    assert {message.validity for message in peer.submitted} == {"261125223000000+"}
    if concatenation == "payload":
        (message,) = peer.submitted
        assert (message.esm_class, message.short_message) == (0, b"")
        assert outcome.reference == "1"
        return
    assert len(peer.submitted) == parts > 1
    assert outcome.reference == ",".join(str(each) for each in range(1, parts + 1))
    assert len(set(peer.references())) == parts, "each part has a reference of its own"
    if concatenation == "udh":
        heads = [message.short_message[:6] for message in peer.submitted]
        assert {head[:3] for head in heads} == {b"\x05\x00\x03"}
        assert len({head[3] for head in heads}) == 1
        assert [(head[4], head[5]) for head in heads] == [(parts, index) for index in range(1, parts + 1)]
        assert {message.esm_class for message in peer.submitted} == {0x40}
        assert all(message.tlv(Tag.SAR_MSG_REF_NUM) is None for message in peer.submitted)
    else:
        assert {message.esm_class for message in peer.submitted} == {0}
        assert len({message.number(Tag.SAR_MSG_REF_NUM) for message in peer.submitted}) == 1
        assert {message.number(Tag.SAR_TOTAL_SEGMENTS) for message in peer.submitted} == {parts}
        assert [message.number(Tag.SAR_SEGMENT_SEQNUM) for message in peer.submitted] == list(range(1, parts + 1))


def test_a_repeat_of_a_message_carries_the_same_references() -> None:
    with a_peer() as peer, sending(peer) as transport:
        transport.send(a_text(text="x" * 200))
        transport.send(a_text(text="x" * 200))
        transport.send(a_text("b" * 32, text="x" * 200))
    assert peer.submitted[0:2] == peer.submitted[2:4]
    assert peer.submitted[0].tlvs != peer.submitted[4].tlvs


def test_a_national_table_is_used_only_when_allowed() -> None:
    text = "Ponga las gotas en el oído derecho mañana, según se acordó."
    with a_peer() as peer:
        with sending(peer) as transport:
            assert not shifts_of(transport)
            transport.send(a_text(text=text, language="es"))
        with sending(peer, national_shift="yes") as transport:
            assert shifts_of(transport)
            transport.send(a_text(text=text, language="es"))
            transport.send(a_text(text=text * 4, language="es"))
            transport.send(a_text(text="Llŷr", language="cy"))
    plain, shifted, *parts, welsh = peer.submitted
    assert (plain.data_coding, shifted.data_coding, welsh.data_coding) == (8, 0, 8)
    assert shifted.short_message[:4] == bytes.fromhex("03 24 01 02")
    assert [part.short_message[:3] for part in parts] == [bytes.fromhex("08 00 03")] * 2
    assert all(len(part.short_message) <= 9 + 149 for part in parts)
    assert peer.texts()[:2] == [text, text]
    assert "".join(peer.texts()[2:4]) == text * 4


@pytest.mark.parametrize(
    ("changes", "detail"),
    [
        ({"to": "desk@larkfield.example"}, "telephone number"),
        ({"to": "+4477009001231234567"}, "telephone number"),
        ({"text": ""}, "empty text"),
        ({"text": "x" * 153 * 256}, "too many"),
        ({"text": "half a pair: \ud83d"}, "cannot be sent"),
    ],
)
def test_what_can_never_be_sent_is_refused_before_any_line(changes: dict[str, str], detail: str) -> None:
    with a_peer() as peer, sending(peer) as transport:
        outcome = transport.send(a_text(**changes))  # type: ignore[arg-type]
    assert outcome.result is Result.REFUSED
    assert detail in outcome.detail
    assert peer.lines == []


def test_the_coding_of_plain_texts_can_be_set_for_a_centre_that_wants_another() -> None:
    with a_peer() as peer, sending(peer, data_coding_default=0xF1) as transport:
        transport.send(a_text())
        transport.send(a_text(text="Llŷr"))
    assert [message.data_coding for message in peer.submitted] == [0xF1, 8]


@pytest.mark.parametrize(
    ("behaviour", "result", "detail"),
    [
        (refuse(Status.ESME_RINVDSTADR), Result.REFUSED, "ESME_RINVDSTADR (0x0B)"),
        (refuse(Status.ESME_RINVSRCADR), Result.REFUSED, "ESME_RINVSRCADR"),
        (refuse(Status.ESME_RINVEXPIRY), Result.REFUSED, "ESME_RINVEXPIRY"),
        (refuse(Status.ESME_RSYSERR), Result.RETRY, "ESME_RSYSERR"),
        (refuse(Status.ESME_RINVBNDSTS), Result.RETRY, "ESME_RINVBNDSTS"),
        (refuse(0x413), Result.RETRY, "status 0x00000413"),
        (nack(Status.ESME_RINVCMDLEN), Result.REFUSED, "ESME_RINVCMDLEN"),
        (nack(0), Result.RETRY, "ESME_RSYSERR"),  # a nack is a no, whatever status it has
        (piecemeal, Result.ACCEPTED, "took it"),
        (silent, Result.UNKNOWN, "no answer came"),
        (drop_after_accept, Result.UNKNOWN, "the line broke"),
        (half_a_pdu, Result.UNKNOWN, "the line broke"),
        (garbage, Result.UNKNOWN, "not SMPP"),
    ],
)
def test_the_answer_to_the_only_part_decides(behaviour: Behaviour, result: Result, detail: str) -> None:
    with a_peer(behaviour) as peer, sending(peer, response_timeout=4 if behaviour is silent else 60) as transport:
        outcome = transport.send(a_text())
    assert outcome.result is result, outcome.detail
    assert detail in outcome.detail
    assert len(peer.submitted) == 1, "nothing is ever sent twice by itself"


def test_after_octets_that_are_not_smpp_the_line_is_given_up_and_made_anew() -> None:
    with a_peer(in_turn(garbage, accept)) as peer, sending(peer) as transport:
        assert transport.send(a_text()).result is Result.UNKNOWN
        assert transport.send(a_text("b" * 32)).result is Result.ACCEPTED
    assert len(peer.lines) == 2
    assert peer.nacks == [Status.ESME_RINVCMDLEN]


@pytest.mark.parametrize("behaviour", [refuse(Status.ESME_RINVDSTADR), refuse(Status.ESME_RSYSERR), drop_after_accept])
def test_a_text_taken_in_part_is_unknown_and_says_how_much(behaviour: Behaviour) -> None:
    with a_peer(in_turn(accept, accept, behaviour)) as peer, sending(peer) as transport:
        outcome = transport.send(a_text(text="x" * 500))
    assert outcome.result is Result.UNKNOWN
    assert outcome.detail.startswith("2 of 4 parts were accepted")
    assert outcome.reference == "1,2"
    assert len(peer.submitted) == 3, "the rest was not sent"


def test_the_first_part_refused_refuses_the_whole_text() -> None:
    with a_peer(in_turn(refuse(Status.ESME_RINVDSTADR), accept)) as peer, sending(peer) as transport:
        assert transport.send(a_text(text="x" * 500)).result is Result.REFUSED
    assert len(peer.submitted) == 1


@pytest.mark.parametrize("status", [Status.ESME_RTHROTTLED, Status.ESME_RMSGQFUL])
def test_a_busy_centre_is_left_alone_for_a_while_that_doubles(status: Status, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [1000.0]
    monkeypatch.setattr(smpp_line, "monotonic", lambda: clock[0])
    with a_peer(in_turn(refuse(status), refuse(status), accept, refuse(status))) as peer, sending(peer) as transport:
        first = transport.send(a_text())
        assert (first.result, first.retry_after) == (Result.RETRY, 1)
        meanwhile = transport.send(a_text())
        assert (meanwhile.result, meanwhile.retry_after) == (Result.RETRY, 1)
        assert len(peer.submitted) == 1, "nothing was sent during the pause"
        clock[0] += 1
        assert transport.send(a_text()).retry_after == 2
        clock[0] += 2
        assert transport.send(a_text()).result is Result.ACCEPTED
        assert transport.send(a_text()).retry_after == 1, "after a yes the pauses begin anew"


def test_a_centre_that_is_busy_in_the_middle_of_a_text_gets_the_rest_later() -> None:
    busy = refuse(Status.ESME_RTHROTTLED)
    with a_peer(in_turn(accept, busy, accept)) as peer, sending(peer) as transport:
        outcome = transport.send(a_text(text="x" * 300))
    assert outcome.result is Result.ACCEPTED
    assert outcome.reference == "1,2"
    assert [message.short_message[5] for message in peer.submitted] == [1, 2, 2]


def test_several_threads_fill_the_window_and_never_more() -> None:
    waiting: list[tuple[Line, Pdu, ShortMessage]] = []
    lock = threading.Lock()

    def gather(line: Line, pdu: Pdu, message: ShortMessage) -> None:
        with lock:
            waiting.append((line, pdu, message))

    with a_peer(gather) as peer, sending(peer, window=3) as transport, ThreadPoolExecutor(8) as pool:
        sent = [pool.submit(transport.send, a_text(f"{number:032x}")) for number in range(8)]
        answered = most = 0
        while answered < 8:
            peer.wait(lambda: len(waiting) >= min(3, 8 - answered), "a full window")  # noqa: B023
            most = max(most, len(waiting))
            accept(*waiting.pop())  # the newest first: answers come in any order
            answered += 1
        results = [each.result(PATIENCE) for each in sent]
    assert most == 3
    assert {each.result for each in results} == {Result.ACCEPTED}
    assert len({each.reference for each in results}) == 8
    assert sorted(filter(None, peer.references())) == sorted(user_reference(f"{n:032x}", 1) for n in range(8))
    assert len(peer.lines) == 1


def test_it_says_how_many_texts_it_takes_at_once_and_that_no_repeat_is_recognised() -> None:
    for options, connections in ((GIVEN, 1), (GIVEN | {"window": 7}, 7)):
        transport = load_transport("smpp", options)
        assert (connections_of(transport), repeat_seconds_of(transport)) == (connections, 0)
        transport.close()


def test_the_throughput_is_kept() -> None:
    slots: list[float] = []
    with a_peer() as peer, sending(peer, throughput=50) as transport:
        started = time.monotonic()
        for number in range(11):
            transport.send(a_text(f"{number:032x}"))
            slots.append(time.monotonic())
    assert slots[-1] - started >= 10 / 50, "eleven texts need ten gaps of a fiftieth of a second"
