"""The line to a message centre: made, kept alive, cut, made anew and let go."""

from __future__ import annotations

import socket
import ssl
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from smpp_peer import (
    GIVEN,
    PATIENCE,
    Behaviour,
    Heard,
    a_peer,
    a_text,
    accept,
    at_dated,
    delivered,
    receipt,
    sending,
    silent,
    words,
)

from service.domain.message import Result
from service.transports import smpp_line
from service.transports.smpp import SmppTransport
from service.transports.smpp_options import read_options
from service.transports.smpp_pdu import Command, Status


def test_no_centre_is_a_retry_and_the_next_try_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [1000.0]
    monkeypatch.setattr(smpp_line, "monotonic", lambda: clock[0])
    waits = []
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # nobody listens there, and nobody else can
        transport = SmppTransport(read_options(GIVEN | {"port": int(nobody.getsockname()[1])}))
        for _ in range(9):
            outcome = transport.send(a_text())
            assert outcome.result is Result.RETRY
            assert outcome.retry_after is not None
            waits.append(outcome.retry_after)
            assert "waiting before the next try" in transport.send(a_text()).detail
            clock[0] += outcome.retry_after
        transport.close()
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
        session = transport._line.current
        assert session is not None
        peer.line.drop()
        assert session.ended.wait(PATIENCE)
        assert transport.send(a_text("b" * 32)).result is Result.ACCEPTED
    assert len(peer.binds) == 2


@pytest.mark.parametrize("before_it_breaks", [0, 30])
def test_a_line_that_breaks_before_the_whole_text_was_written_is_a_retry(before_it_breaks: int) -> None:
    with a_peer() as peer, sending(peer) as transport:
        assert transport.send(a_text()).result is Result.ACCEPTED
        session = transport._line.current
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
        transport.receive(lambda _: outcomes.append(transport.send(a_text("b" * 32)).result), lambda _: None, at_dated)
        transport.send(a_text())
        assert delivered(peer, receipt()) == Status.ESME_ROK
    assert outcomes == [Result.RETRY]
    assert len(peer.submitted) == 1


def test_an_unbind_by_the_centre_is_answered_and_the_line_made_anew() -> None:
    with a_peer() as peer, sending(peer) as transport:
        transport.send(a_text())
        session = transport._line.current
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
    with a_peer() as peer, sending(peer, enquire_link=1, response_timeout=4) as transport:
        peer.answers_enquiries = False
        transport.send(a_text())
        session = transport._line.current
        assert session is not None
        assert session.ended.wait(PATIENCE)
        assert transport.send(a_text("b" * 32)).result is Result.ACCEPTED
    assert len(peer.lines) == 2


@pytest.mark.parametrize("behaviour", [silent, accept])
def test_closing_lets_go_without_the_answer_that_does_not_come(behaviour: Behaviour) -> None:
    with a_peer(behaviour) as peer, ThreadPoolExecutor(1) as pool:
        heard = Heard()
        with sending(peer, heard, response_timeout=300) as transport:
            peer.wait(lambda: transport._line.current is not None, "the line")
            sent = pool.submit(transport.send, a_text())
            peer.wait(lambda: bool(peer.submitted), "the text")
            before = time.monotonic()
            transport.close()
            assert time.monotonic() - before < 150, "it would have waited for five minutes"
            expected = Result.ACCEPTED if behaviour is accept else Result.UNKNOWN
            assert sent.result(PATIENCE).result is expected
        assert transport.send(a_text()).result is Result.RETRY, "a closed transport takes nothing"
        assert len(peer.submitted) == 1


def test_closing_does_not_wait_for_a_centre_that_never_answers_the_sign_in() -> None:
    with a_peer() as peer, ThreadPoolExecutor(1) as pool:
        peer._hear = lambda line, pdu: peer.commands.append(pdu.command)  # type: ignore[method-assign]
        with sending(peer, response_timeout=300) as transport:
            sent = pool.submit(transport.send, a_text())
            peer.wait(lambda: Command.BIND_TRANSCEIVER in peer.commands, "the sign-in")
            before = time.monotonic()
            transport.close()
            assert time.monotonic() - before < 150, "it would have waited for five minutes"
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
        assert transport._line._context is not None
        assert transport._line._context.verify_mode is ssl.CERT_REQUIRED
        assert transport._line._context.check_hostname
        outcome = transport.send(a_text())
        transport.close()
    assert outcome.result is Result.RETRY
    assert peer.submitted == []
