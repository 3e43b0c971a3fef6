"""SMPP against a message centre of our own (`smpp_peer.py`), well-behaved and not."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from envelopes import DATED, an_envelope
from hypothesis import given
from hypothesis import strategies as st
from smpp_peer import (
    PATIENCE,
    Behaviour,
    Line,
    Peer,
    a_peer,
    accept,
    drop_after_accept,
    garbage,
    half_a_pdu,
    in_turn,
    nack,
    piecemeal,
    refuse,
    silent,
)

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Envelope, Inbound, ReportState, Result
from service.domain.text_alphabet import BASIC, EXTENSION, SHIFTS, count_parts
from service.errors import TransportError
from service.transports import smpp
from service.transports.contract import TransportContract
from service.transports.gsm7 import code_text, from_septets, header, read_header, text_of, to_septets
from service.transports.port import Options, Transport, load_transport
from service.transports.smpp import SmppTransport, user_reference
from service.transports.smpp_pdu import Command, Pdu, ShortMessage, Status, Tag

NUMBER = "447700900123"
GIVEN: dict[str, str | int | bool] = {
    "host": "127.0.0.1",
    "system_id": "clinic",
    "password": "secret",
    "source": "+447700900999",
    "throughput": 0,
}


def a_text(key: str = "a" * 32, text: str = "Time for your drops", **changes: object) -> Envelope:
    return an_envelope(key, Channel.TEXT, text=text, **changes)


class Heard:
    """Keeps what the transport hands on."""

    def __init__(self) -> None:
        self.reports: list[DeliveryReport] = []
        self.inbound: list[Inbound] = []


@contextmanager
def sending(
    peer: Peer,
    heard: Heard | None = None,
    now: Callable[[], datetime] = lambda: DATED,
    context: ssl.SSLContext | None = None,
    **options: str | int | bool,
) -> Iterator[SmppTransport]:
    read = SmppTransport.from_options(GIVEN | {"port": peer.port} | options)._options
    transport = SmppTransport(read, now=now, context=context)
    if heard is not None:
        transport.receive(heard.reports.append, heard.inbound.append)
        peer.wait(lambda: bool(peer.lines) and bool(peer.binds), "the line")
    try:
        yield transport
    finally:
        transport.close()


@pytest.fixture(autouse=True)
def _no_thread_stays() -> Iterator[None]:
    yield
    deadline = time.monotonic() + PATIENCE
    while any(thread.name.startswith(("smpp-", "peer")) for thread in threading.enumerate()):
        assert time.monotonic() < deadline, threading.enumerate()
        time.sleep(0.01)


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
        keys = {user_reference(letter * 32, 1): letter * 32 for letter in "ab"}
        return [keys[reference or 0] for reference in self.peer.references()]


# -- what leaves ------------------------------------------------------------------------------------------------------


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


def test_a_relative_validity_ends_at_the_last_useful_moment() -> None:
    with a_peer() as peer, sending(peer, now=lambda: DATED + timedelta(minutes=20), validity="relative") as transport:
        transport.send(a_text())
    assert peer.submitted[0].validity == "000000004000000R"


def test_a_text_whose_last_useful_moment_has_passed_does_not_leave() -> None:
    with a_peer() as peer, sending(peer, now=lambda: DATED + timedelta(hours=1)) as transport:
        outcome = transport.send(a_text())
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
            transport.send(a_text(text=text, language="es"))
        with sending(peer, national_shift="yes") as transport:
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


# -- what an answer means ---------------------------------------------------------------------------------------------


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
    with a_peer(behaviour) as peer, sending(peer, response_timeout=1) as transport:
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
    monkeypatch.setattr(smpp, "monotonic", lambda: clock[0])
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


# -- the line ---------------------------------------------------------------------------------------------------------


def test_no_centre_is_a_retry_and_the_next_try_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [1000.0]
    monkeypatch.setattr(smpp, "monotonic", lambda: clock[0])
    with a_peer() as peer:
        pass  # its port is free again
    with sending(peer) as transport:
        waits = []
        for _ in range(9):
            outcome = transport.send(a_text())
            assert outcome.result is Result.RETRY
            assert outcome.retry_after is not None
            waits.append(outcome.retry_after)
            assert "waiting before the next try" in transport.send(a_text()).detail
            clock[0] += outcome.retry_after
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_a_refused_sign_in_is_a_retry_that_names_the_reason_and_not_the_password() -> None:
    with a_peer() as peer, sending(peer) as transport:
        peer.bind_status = Status.ESME_RINVPASWD
        outcome = transport.send(a_text())
    assert outcome.result is Result.RETRY
    assert "ESME_RINVPASWD" in outcome.detail
    assert "secret" not in outcome.detail + repr(transport._options)
    assert peer.submitted == []


def test_a_line_that_the_centre_cut_is_made_anew_at_the_next_text() -> None:
    with a_peer() as peer, sending(peer) as transport:
        assert transport.send(a_text()).result is Result.ACCEPTED
        session = transport._session
        assert session is not None
        peer.line.drop()
        assert session.ended.wait(PATIENCE)
        assert transport.send(a_text("b" * 32)).result is Result.ACCEPTED
    assert len(peer.binds) == 2


@pytest.mark.parametrize("before_it_breaks", [0, 30])
def test_a_line_that_breaks_before_the_whole_text_was_written_is_a_retry(before_it_breaks: int) -> None:
    with a_peer() as peer, sending(peer) as transport:
        assert transport.send(a_text()).result is Result.ACCEPTED
        session = transport._session
        assert session is not None

        class Breaking(socket.socket):
            """The same line, which breaks after some octets."""

            left = before_it_breaks

            def send(self, octets: bytes, flags: int = 0) -> int:  # type: ignore[override]
                if not self.left:
                    raise ConnectionResetError("the line broke")
                written, self.left = super().send(octets[: self.left], flags), 0
                return written

        session._line = Breaking(fileno=session._line.detach())
        session._line.setblocking(False)
        outcome = transport.send(a_text("b" * 32))
        assert outcome.result is Result.RETRY
        assert "before the text was sent" in outcome.detail
        assert session.ended.wait(PATIENCE)
        assert transport.send(a_text("b" * 32)).result is Result.ACCEPTED
    assert len(peer.submitted) == 2


def test_a_callback_that_sends_is_told_at_once_that_it_must_not() -> None:
    outcomes: list[Result] = []
    with a_peer() as peer, sending(peer) as transport:
        transport.receive(lambda _: outcomes.append(transport.send(a_text("b" * 32)).result), lambda _: None)
        transport.send(a_text())
        assert delivered(peer, receipt()) == Status.ESME_ROK
    assert outcomes == [Result.RETRY]
    assert len(peer.submitted) == 1


def test_an_unbind_by_the_centre_is_answered_and_the_line_made_anew() -> None:
    with a_peer() as peer, sending(peer) as transport:
        transport.send(a_text())
        session = transport._session
        assert session is not None
        assert peer.line.status_of(peer.line.ask(Command.UNBIND)) == Status.ESME_ROK
        assert session.ended.wait(PATIENCE)
        assert transport.send(a_text("b" * 32)).result is Result.ACCEPTED
    assert len(peer.binds) == 2


def test_the_centre_is_told_that_we_are_there_and_what_we_do_not_know() -> None:
    with a_peer() as peer, sending(peer) as transport:
        transport.send(a_text())
        assert peer.line.status_of(peer.line.ask(Command.ENQUIRE_LINK)) == Status.ESME_ROK
        assert peer.line.status_of(peer.line.ask(0x00000103, b"data_sm")) == Status.ESME_RINVCMDID
        peer.line.ask(Command.ALERT_NOTIFICATION, b"\0")  # has no answer, and does no harm
        assert peer.line.status_of(peer.line.ask(Command.ENQUIRE_LINK)) == Status.ESME_ROK
        assert peer.nacks == [Status.ESME_RINVCMDID]


def test_a_quiet_line_is_kept_alive() -> None:
    with a_peer() as peer, sending(peer, enquire_link=1) as transport:
        transport.send(a_text())
        peer.wait(lambda: peer.commands.count(Command.ENQUIRE_LINK) >= 2, "a second keep-alive")
        assert transport.send(a_text()).result is Result.ACCEPTED
    assert len(peer.lines) == 1


def test_a_line_without_a_sign_of_life_is_given_up() -> None:
    with a_peer() as peer, sending(peer, enquire_link=1, response_timeout=1) as transport:
        peer.answers_enquiries = False
        transport.send(a_text())
        session = transport._session
        assert session is not None
        assert session.ended.wait(PATIENCE)
        assert transport.send(a_text("b" * 32)).result is Result.ACCEPTED
    assert len(peer.lines) == 2


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


def test_the_throughput_is_kept() -> None:
    slots: list[float] = []
    with a_peer() as peer, sending(peer, throughput=50) as transport:
        started = time.monotonic()
        for number in range(11):
            transport.send(a_text(f"{number:032x}"))
            slots.append(time.monotonic())
    assert slots[-1] - started >= 10 / 50, "eleven texts need ten gaps of a fiftieth of a second"


@pytest.mark.parametrize("behaviour", [silent, accept])
def test_closing_lets_go_within_five_seconds_whatever_is_under_way(behaviour: Behaviour) -> None:
    with a_peer(behaviour) as peer, ThreadPoolExecutor(1) as pool:
        heard = Heard()
        with sending(peer, heard) as transport:
            peer.wait(lambda: transport._session is not None, "the line")
            sent = pool.submit(transport.send, a_text())
            peer.wait(lambda: bool(peer.submitted), "the text")
            before = time.monotonic()
            transport.close()
            assert time.monotonic() - before < 5
            expected = Result.ACCEPTED if behaviour is accept else Result.UNKNOWN
            assert sent.result(PATIENCE).result is expected
        assert transport.send(a_text()).result is Result.RETRY, "a closed transport takes nothing"
        assert len(peer.submitted) == 1


def test_closing_does_not_wait_for_a_centre_that_never_answers_the_sign_in() -> None:
    with a_peer() as peer, ThreadPoolExecutor(1) as pool:
        peer._hear = lambda line, pdu: peer.commands.append(pdu.command)  # type: ignore[method-assign]
        with sending(peer) as transport:
            sent = pool.submit(transport.send, a_text())
            peer.wait(lambda: Command.BIND_TRANSCEIVER in peer.commands, "the sign-in")
            before = time.monotonic()
            transport.close()
            assert time.monotonic() - before < 5
            assert sent.result(PATIENCE).result is Result.RETRY


def test_texts_travel_over_tls_in_both_directions() -> None:
    # An anonymous cipher spares the test a key; what we do on the line is the same.
    server, client = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname = False
    client.verify_mode = ssl.CERT_NONE
    for context in (server, client):
        context.maximum_version = ssl.TLSVersion.TLSv1_2
        context.set_ciphers("AECDH-AES256-SHA:@SECLEVEL=0")
    heard = Heard()
    with a_peer(context=server) as peer, sending(peer, heard, context=client, window=4) as transport:
        with ThreadPoolExecutor(4) as pool:
            texts = [a_text(f"{number:032x}", text="x" * 400) for number in range(12)]
            results = list(pool.map(transport.send, texts))
        assert {each.result for each in results} == {Result.ACCEPTED}
        assert len(peer.submitted) == 36
        answered = peer.line.deliver(words("Yes please"))
        assert peer.line.status_of(answered) == Status.ESME_ROK
        assert [each.text for each in heard.inbound] == ["Yes please"]


def test_tls_checks_the_centres_certificate_and_a_centre_without_tls_is_a_retry() -> None:
    with a_peer() as peer:
        transport = SmppTransport.from_options(GIVEN | {"port": peer.port, "tls": True})
        assert transport._context is not None
        assert transport._context.verify_mode is ssl.CERT_REQUIRED
        assert transport._context.check_hostname
        outcome = transport.send(replace(a_text(), last_useful=datetime.now(UTC) + timedelta(hours=1)))
        transport.close()
    assert outcome.result is Result.RETRY
    assert peer.submitted == []


# -- receipts ---------------------------------------------------------------------------------------------------------


def receipt(
    id_: str = "1", stat: str = "DELIVRD", err: str = "000", *tlvs: tuple[int, bytes], number: str = NUMBER
) -> ShortMessage:
    text = f"id:{id_} sub:001 dlvrd:001 submit date:2611252130 done date:2611252131 stat:{stat} err:{err} text:Time"
    return ShortMessage(
        source=number, destination="447700900999", esm_class=4, short_message=text.encode("ascii"), tlvs=tlvs
    )


def delivered(peer: Peer, message: ShortMessage) -> int:
    """Deliver it and wait for the answer."""
    return peer.line.status_of(peer.line.deliver(message))


def test_a_receipt_finds_the_key_by_the_id_and_is_answered_only_after_it_was_stored() -> None:
    storing, stored = threading.Event(), threading.Event()
    keys: list[str | None] = []

    def store(report: DeliveryReport) -> None:
        keys.append(report.key)
        storing.set()
        assert stored.wait(PATIENCE)

    with a_peer() as peer, sending(peer) as transport:
        transport.receive(store, lambda _: None)
        transport.send(a_text())
        sequence = peer.line.deliver(receipt())
        assert storing.wait(PATIENCE)
        time.sleep(0.1)  # an answer given too early would be there by now
        assert sequence not in peer.line.answers
        stored.set()
        assert peer.line.status_of(sequence) == Status.ESME_ROK
    assert keys == ["a" * 32]


def test_a_receipt_that_cannot_be_stored_stays_with_the_centre() -> None:
    def full(_: object) -> None:
        raise OSError("the disk is full")

    with a_peer() as peer, sending(peer) as transport:
        transport.receive(full, full)
        transport.send(a_text())
        assert delivered(peer, receipt()) == Status.ESME_RX_T_APPN
        assert delivered(peer, words("Yes")) == Status.ESME_RX_T_APPN


def test_nothing_is_taken_for_stored_while_nobody_receives() -> None:
    with a_peer() as peer, sending(peer) as transport:
        transport.send(a_text())
        assert delivered(peer, receipt()) == Status.ESME_RX_T_APPN


def test_a_receipt_says_when_by_our_clock_and_repeats_the_centres_words() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        transport.send(a_text())
        delivered(peer, receipt())
    assert heard.reports == [
        DeliveryReport(
            channel=Channel.TEXT,
            state=ReportState.DELIVERED,
            at=DATED,
            detail="receipt DELIVRD, error 000, done 2611252131 by the centre's clock",
            key="a" * 32,
            reference="1",
        )
    ]


def test_a_receipt_may_come_before_the_answer_that_names_it() -> None:
    heard = Heard()

    def receipt_first(line: Line, pdu: Pdu, message: ShortMessage) -> None:
        line.deliver(receipt())
        line.ask(Command.ENQUIRE_LINK)
        accept(line, pdu, message)

    with a_peer(receipt_first) as peer, sending(peer, heard) as transport:
        outcome = transport.send(a_text())
        assert outcome.reference == "1"
        assert peer.line.status_of(1) == Status.ESME_ROK
    assert [(each.key, each.state) for each in heard.reports] == [("a" * 32, ReportState.DELIVERED)]


def test_a_receipt_before_an_answer_that_never_comes_is_handed_on_all_the_same() -> None:
    heard = Heard()

    def receipt_only(line: Line, _pdu: Pdu, _message: ShortMessage) -> None:
        line.deliver(receipt("99"))

    with a_peer(receipt_only) as peer, sending(peer, heard, response_timeout=1) as transport:
        assert transport.send(a_text()).result is Result.UNKNOWN
        assert peer.line.status_of(1) == Status.ESME_ROK
    assert [(each.key, each.reference) for each in heard.reports] == [(None, "99")]


def test_our_own_reference_settles_a_text_whose_answer_was_lost() -> None:
    heard = Heard()
    with a_peer(drop_after_accept) as peer, sending(peer, heard) as transport:
        assert transport.send(a_text()).result is Result.UNKNOWN
        peer.wait(lambda: len(peer.binds) == 2, "the next line")
        ours = (int(Tag.USER_MESSAGE_REFERENCE), user_reference("a" * 32, 1).to_bytes(2))
        assert delivered(peer, receipt("555", "DELIVRD", "000", ours)) == Status.ESME_ROK
        assert delivered(peer, receipt("556", "DELIVRD", "000", ours, number="447700900456")) == Status.ESME_ROK
    assert [each.key for each in heard.reports] == ["a" * 32, None], "16 bits alone could be anybody's"


def test_an_answer_that_came_too_late_still_names_the_text() -> None:
    heard, late = Heard(), threading.Event()
    answers: list[threading.Thread] = []

    def answer_late(line: Line, pdu: Pdu, message: ShortMessage) -> None:
        def run() -> None:
            late.wait(PATIENCE)
            accept(line, pdu, message)
            line.deliver(receipt())

        answers.append(threading.Thread(target=run, name="peer-late"))
        answers[0].start()

    with a_peer(answer_late) as peer, sending(peer, heard, response_timeout=1) as transport:
        assert transport.send(a_text()).result is Result.UNKNOWN
        late.set()
        assert peer.line.status_of(1) == Status.ESME_ROK
        answers[0].join(PATIENCE)
    assert [each.key for each in heard.reports] == ["a" * 32]


@pytest.mark.parametrize(
    ("given", "named"),
    [("1a2b", "1A2B"), ("1A2B", "6699"), ("6699", "1a2b"), ("0006699", "6699"), ("7", "0007"), ("ab-CD_9", "ab-CD_9")],
)
def test_an_id_is_known_in_either_base_and_case(given: str, named: str) -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        peer.name_of = lambda _: given
        transport.send(a_text())
        delivered(peer, receipt(named))
        if given == "1A2B":  # a guess at the base counts for the right number only
            delivered(peer, receipt(named, number="447700900456"))
    assert [each.key for each in heard.reports] == ["a" * 32, None][: len(heard.reports)]
    assert len(heard.reports) == (2 if given == "1A2B" else 1)


def test_an_exact_id_wins_over_one_in_the_other_base() -> None:
    heard = Heard()
    names = iter(["10", "16"])  # 0x10 is 16
    with a_peer() as peer, sending(peer, heard) as transport:
        peer.name_of = lambda _: next(names)
        transport.send(a_text("a" * 32))
        transport.send(a_text("b" * 32))
        delivered(peer, receipt("10"))
        delivered(peer, receipt("16"))
    assert [each.key for each in heard.reports] == ["a" * 32, "b" * 32]


def test_receipts_twice_and_out_of_order_are_told_as_they_come() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        transport.send(a_text())
        for stat in ("DELIVRD", "DELIVRD", "ENROUTE", "ACCEPTD"):
            delivered(peer, receipt(stat=stat))
    told = [each.state for each in heard.reports]
    assert told == [ReportState.DELIVERED] * 2 + [ReportState.UNDERWAY] * 2
    assert {each.key for each in heard.reports} == {"a" * 32}


def test_a_long_text_is_delivered_when_its_last_part_is() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        assert transport.send(a_text(text="x" * 400)).reference == "1,2,3"
        for id_, stat in (("3", "DELIVRD"), ("1", "DELIVRD"), ("1", "DELIVRD"), ("2", "ENROUTE"), ("2", "DELIVRD")):
            delivered(peer, receipt(id_, stat))
    assert [each.state for each in heard.reports] == [ReportState.UNDERWAY] * 4 + [ReportState.DELIVERED]
    assert "part 3 of 3" in heard.reports[0].detail


def test_a_long_text_has_failed_as_soon_as_one_part_has() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        transport.send(a_text(text="x" * 400))
        delivered(peer, receipt("1"))
        delivered(peer, receipt("2", "EXPIRED"))
        delivered(peer, receipt("3"))
    told = [each.state for each in heard.reports]
    assert told == [ReportState.UNDERWAY, ReportState.FAILED, ReportState.UNDERWAY]


@pytest.mark.parametrize(
    ("stat", "err", "bad"),
    [
        ("UNDELIV", "001", True),
        ("UNDELIV", "1", True),
        ("UNDELIV", "00b", True),
        ("UNDELIV", "002", False),
        ("EXPIRED", "", False),
        ("DELIVRD", "001", False),
    ],
)
def test_a_number_is_bad_only_for_the_errors_that_the_clinic_listed(stat: str, err: str, bad: bool) -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard, unknown_subscriber_errors="001, 0B") as transport:
        transport.send(a_text())
        delivered(peer, receipt("1", stat, err))
    assert [each.contact_bad for each in heard.reports] == [bad]


def test_the_memory_of_what_was_sent_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp, "MOST_RECENT", 3)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        for number in range(5):
            transport.send(a_text(f"{number:032x}"))
        delivered(peer, receipt("1"))
        delivered(peer, receipt("5"))
        recent = transport._recent
        assert (len(recent._sent), len(recent._by_id), len(recent._by_reference)) == (3, 3, 3)
    assert [(each.key, each.reference) for each in heard.reports] == [(None, "1"), (f"{4:032x}", "5")]


# -- what people write ------------------------------------------------------------------------------------------------


def words(text: str, coding: int = 0, **changes: object) -> ShortMessage:
    octets = {0: to_septets, 3: lambda each: each.encode("latin-1"), 8: lambda each: each.encode("utf-16-be")}[coding]
    given: dict[str, object] = {
        "source": NUMBER,
        "source_ton": 1,
        "source_npi": 1,
        "destination": "447700900999",
        "data_coding": coding,
        "short_message": octets(text),
    }
    return ShortMessage(**(given | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (words("Yes @ 9 £5 {ok}"), "Yes @ 9 £5 {ok}"),
        (words("Tak, dziękuję 👂", 8), "Tak, dziękuję 👂"),
        (words("Ça va", 3), "Ça va"),
        (words("plain", data_coding=1, short_message=b"plain"), "plain"),
        (words("class", data_coding=0xF1), "class"),
        (words("", tlvs=((Tag.MESSAGE_PAYLOAD, b"long words"),)), "long words"),
        (words("", data_coding=4, short_message=b"\x00\x01a"), "��a"),
        (words("", data_coding=8, short_message=b"\x00a\x00"), "a�"),
        (words(""), ""),
    ],
)
def test_words_are_read_in_the_alphabet_they_came_in(message: ShortMessage, text: str) -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        assert delivered(peer, message) == Status.ESME_ROK
    (inbound,) = heard.inbound
    assert (inbound.text, inbound.sender, inbound.channel, inbound.at) == (text, f"+{NUMBER}", Channel.TEXT, DATED)


def test_a_sender_that_is_no_international_number_is_kept_as_received() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        delivered(peer, words("Hi", source="60777", source_ton=3))
    assert heard.inbound[0].sender == "60777"


def test_a_message_that_cannot_be_read_is_answered_with_an_error() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        assert peer.line.status_of(peer.line.ask(Command.DELIVER_SM, b"\0\1\1no end")) == Status.ESME_RX_P_APPN
        assert delivered(peer, words("Still here")) == Status.ESME_ROK
    assert [each.text for each in heard.inbound] == ["Still here"]


def parts_of(text: str, way: str, reference: int = 7) -> list[ShortMessage]:
    """Incoming parts, cut without regard to characters, as phones do."""
    octets, size = text.encode("utf-16-be"), 134
    pieces = [octets[at : at + size] for at in range(0, len(octets), size)]
    made = []
    for index, piece in enumerate(pieces, start=1):
        if way == "sar":
            tlvs = (
                (Tag.SAR_MSG_REF_NUM, reference.to_bytes(2)),
                (Tag.SAR_TOTAL_SEGMENTS, bytes((len(pieces),))),
                (Tag.SAR_SEGMENT_SEQNUM, bytes((index,))),
            )
            made.append(words("", 8, short_message=piece, tlvs=tlvs))
            continue
        head = header(reference=reference, total=len(pieces), index=index)
        if way == "udh16":
            head = bytes((6, 8, 4, 1, reference, len(pieces), index))
        made.append(words("", 8, short_message=head + piece, esm_class=0x40))
    return made


LETTER = "a" * 66 + "👂" + "b" * 100  # the pair lies across the cut


@pytest.mark.parametrize("way", ["udh", "udh16", "sar"])
def test_parts_in_any_order_become_one_text_and_are_answered_once_it_is_stored(way: str) -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        last, first, middle = (parts_of(LETTER, way)[index] for index in (2, 0, 1))
        sequences = [peer.line.deliver(each) for each in (last, first, first, middle)]
        assert [peer.line.status_of(each) for each in sequences] == [Status.ESME_ROK] * 4
    assert [each.text for each in heard.inbound] == [LETTER]


def test_two_people_with_the_same_reference_are_kept_apart() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        mine = parts_of("m" * 100, "udh")
        yours = [replace(each, source="447700900456") for each in parts_of("y" * 100, "udh")]
        sequences = [peer.line.deliver(each) for each in (mine[0], yours[1], mine[1], yours[0])]
        assert {peer.line.status_of(each) for each in sequences} == {Status.ESME_ROK}
    told = {(each.sender, each.text) for each in heard.inbound}
    assert told == {(f"+{NUMBER}", "m" * 100), ("+447700900456", "y" * 100)}


def test_a_centre_that_waits_for_each_answer_gets_it_and_the_text_is_still_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(smpp, "HOLD_SECONDS", 0.1)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        for each in parts_of(LETTER, "udh"):
            assert delivered(peer, each) == Status.ESME_ROK
    assert [each.text for each in heard.inbound] == [LETTER]


def test_parts_that_never_come_leave_a_gap_that_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp, "HOLD_SECONDS", 0.05)
    monkeypatch.setattr(smpp, "JOIN_SECONDS", 0.2)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        assert delivered(peer, parts_of("x" * 200, "udh")[1]) == Status.ESME_ROK
        peer.wait(lambda: bool(heard.inbound), "the text with gaps")
    assert [each.text for each in heard.inbound] == ["[…]" + "x" * 67 + "[…]"]


def test_closing_hands_on_the_parts_that_the_centre_believes_with_us(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp, "HOLD_SECONDS", 0.05)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        assert delivered(peer, parts_of("x" * 100, "udh")[0]) == Status.ESME_ROK
        assert heard.inbound == []
    assert [each.text for each in heard.inbound] == ["x" * 67 + "[…]"]


def test_a_reference_used_anew_begins_another_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp, "HOLD_SECONDS", 0.05)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        delivered(peer, parts_of("o" * 100, "udh")[0])
        for each in parts_of("n" * 100, "udh"):
            delivered(peer, each)
        peer.wait(lambda: len(heard.inbound) == 2, "both texts")
    assert sorted(each.text for each in heard.inbound) == ["n" * 100, "o" * 67 + "[…]"]


def test_the_memory_of_unfinished_texts_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp, "MOST_WAITING", 5)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        for reference in range(8):
            peer.line.deliver(parts_of(str(reference) * 100, "udh", reference)[0])
        peer.wait(lambda: len(heard.inbound) == 3, "the oldest")
        assert len(transport._joiner._groups) == 5
    assert [each.text[0] for each in heard.inbound[:3]] == ["0", "1", "2"]


def test_a_text_that_comes_again_on_another_line_keeps_its_id() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        delivered(peer, words("Yes"))
        peer.line.drop()
        peer.wait(lambda: len(peer.binds) == 2, "the next line")
        delivered(peer, words("Yes"))
    assert len(heard.inbound) == 2
    assert heard.inbound[0].id == heard.inbound[1].id


def test_the_same_words_again_on_one_line_are_a_new_text() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        for _ in range(3):
            delivered(peer, words("1"))
    assert len({each.id for each in heard.inbound}) == 3


def test_a_text_that_could_not_be_stored_keeps_its_id_when_it_comes_again() -> None:
    tried: list[Inbound] = []

    def once_full(inbound: Inbound) -> None:
        tried.append(inbound)
        if len(tried) == 1:
            raise OSError("the disk is full")

    with a_peer() as peer, sending(peer) as transport:
        transport.receive(lambda _: None, once_full)
        peer.wait(lambda: bool(peer.binds), "the line")
        parts = parts_of("p" * 100, "udh")
        first = [peer.line.deliver(each) for each in parts]
        assert [peer.line.status_of(each) for each in first] == [Status.ESME_RX_T_APPN] * 2
        assert delivered(peer, parts[1]) == Status.ESME_ROK
        assert delivered(peer, parts[0]) == Status.ESME_ROK, "it is known as part of what is stored"
    assert len(tried) == 2
    assert tried[0].id == tried[1].id
    assert tried[1].text == "p" * 100


def test_the_line_is_kept_up_for_what_people_write_also_after_it_broke() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        peer.line.drop()
        peer.wait(lambda: len(peer.binds) == 2, "the next line")
        assert delivered(peer, words("STOP")) == Status.ESME_ROK
    assert [each.text for each in heard.inbound] == ["STOP"]
    assert peer.submitted == []


# -- octets and options -----------------------------------------------------------------------------------------------

gsm_texts = st.text(alphabet=sorted(BASIC | EXTENSION), min_size=1, max_size=600)


@given(gsm_texts)
def test_septets_read_back_as_they_were_written(text: str) -> None:
    assert from_septets(to_septets(text)) == text


@given(gsm_texts | st.text(min_size=1, max_size=300) | st.text(alphabet="a€😀", min_size=60, max_size=400))
def test_every_part_is_read_by_itself_and_all_together_give_the_text(text: str) -> None:
    coded = code_text(text, "en")
    coding = 8 if coded.alphabet == "UCS2" else 0
    found = [text_of(part, coding) for part in coded.parts]
    assert len(found) == count_parts(text).parts
    assert text_of(b"".join(coded.parts), coding) == "".join(found)
    for part in coded.parts:
        if coding == 8:
            part.decode("utf-16-be")  # half a pair would not decode
            assert len(part) <= (140 if len(coded.parts) == 1 else 134)
        else:
            assert not part.endswith(b"\x1b"), "an escape was cut from its code"
            assert len(part) <= (160 if len(coded.parts) == 1 else 153)


@pytest.mark.parametrize("language", sorted(SHIFTS))
def test_every_character_of_a_national_table_reads_back(language: str) -> None:
    shift = SHIFTS[language]
    text = "".join(shift.codes)
    assert from_septets(to_septets(text, shift), shift) == text
    assert len(set(shift.codes.values())) == len(shift.codes), "each code once"
    assert max(shift.codes.values()) < 0x80


def test_an_unknown_extension_shows_the_plain_character_and_a_lone_escape_nothing() -> None:  # TS 23.038 6.2.1.1
    assert from_septets(b"\x1bA\x1be\x1b\x1b\x80\x1b") == "A€ \N{REPLACEMENT CHARACTER}"


@given(st.binary(max_size=160))
def test_any_octets_have_a_header_or_none(octets: bytes) -> None:
    headed = read_header(octets)
    assert octets.endswith(headed.octets)
    if headed.place is not None:
        assert 1 <= headed.place.index <= headed.place.total


def test_the_transport_is_found_by_its_name() -> None:
    transport = load_transport("smpp", GIVEN)
    assert isinstance(transport, SmppTransport)
    transport.close()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"windw": 1}, "option windw is not known; allowed: host"),
        ({"host": ""}, "option host must be given"),
        ({"system_id": "s" * 16}, "option system_id must be at most 15"),
        ({"password": "p" * 9}, "option password must be at most 8"),
        ({"system_type": "t" * 13}, "option system_type must be at most 12"),
        ({"port": 0}, "option port must be from 1 to 65535"),
        ({"window": 0}, "option window must be from 1 to 1000"),
        ({"window": "3"}, "option window must be a whole number"),
        ({"enquire_link": 0}, "option enquire_link must be from 1 to 3600"),
        ({"response_timeout": 301}, "option response_timeout must be from 1 to 300"),
        ({"throughput": -1}, "option throughput must be from 0 to"),
        ({"concatenation": "both"}, "option concatenation must be udh, sar or payload"),
        ({"validity": "none"}, "option validity must be absolute or relative"),
        ({"tls": "perhaps"}, "option tls must be yes or no"),
        ({"tls": "yes", "tls_ca": "nowhere.pem"}, "option tls_ca: nowhere.pem cannot be read"),
        ({"source": "Larkfield Ear Care"}, "option source must be a number"),
        ({"source": "+44x"}, "option source must be a number"),
        ({"source": "Öhr"}, "option source must be a number"),
        ({"source_ton": 7}, "option source_ton must be from 0 to 6"),
        ({"data_coding_default": 256}, "option data_coding_default must be from 0 to 255"),
        ({"national_shift": True, "concatenation": "sar"}, "option national_shift needs concatenation udh"),
    ],
)
def test_a_wrong_option_is_named_with_what_is_allowed(options: Options, sentence: str) -> None:
    with pytest.raises(TransportError, match=sentence):
        SmppTransport.from_options(GIVEN | dict(options))


@pytest.mark.parametrize(
    ("source", "ton", "npi"), [("+447700900999", 1, 1), ("Larkfield", 5, 0), ("60777", 0, 0), ("", 0, 0)]
)
def test_the_kind_of_sender_follows_from_the_sender(source: str, ton: int, npi: int) -> None:
    read = SmppTransport.from_options(GIVEN | {"source": source})._options
    assert (read.source_ton, read.source_npi) == (ton, npi)
    told = SmppTransport.from_options(GIVEN | {"source": source, "source_ton": 3, "source_npi": 9})._options
    assert (told.source_ton, told.source_npi) == (3, 9)


def test_the_coding_of_plain_texts_can_be_set_for_a_centre_that_wants_another() -> None:
    with a_peer() as peer, sending(peer, data_coding_default=0xF1) as transport:
        transport.send(a_text())
        transport.send(a_text(text="Llŷr"))
    assert [message.data_coding for message in peer.submitted] == [0xF1, 8]
