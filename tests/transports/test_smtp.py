"""SMTP against a real server (aiosmtpd, in a thread on a free loopback port), and against one that misbehaves."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.policy import SMTP as POLICY

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Session
from aiosmtpd.smtp import Envelope as Received
from builders import free_port
from envelopes import an_envelope

from service.domain.message import Envelope, Result
from service.errors import TransportError
from service.transports.contract import TransportContract
from service.transports.port import Transport
from service.transports.smtp import SmtpTransport


class Sink:
    """Takes every mail, or answers as told."""

    def __init__(self, answer: str = "250 taken") -> None:
        self.answer = answer
        self.taken: list[Received] = []

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Received) -> str:
        if self.answer.startswith("250"):
            self.taken.append(envelope)
        return self.answer

    async def handle_RCPT(
        self, _server: SMTP, _session: Session, envelope: Received, address: str, _options: list[str]
    ) -> str:
        if address.startswith("nobody"):
            return "550 5.1.1 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 ok"


@contextmanager
def serving(sink: Sink) -> Iterator[SmtpTransport]:
    controller = Controller(sink, hostname="127.0.0.1", port=free_port())
    controller.start()
    try:
        yield SmtpTransport.from_options({"host": "127.0.0.1", "port": controller.port, "security": "none"})
    finally:
        controller.stop()


class TestSmtp(TransportContract):
    @pytest.fixture(autouse=True)
    def _server(self) -> Iterator[None]:
        self.sink = Sink()
        with serving(self.sink) as transport:
            self._transport = transport
            yield

    def transport(self) -> Transport:
        return self._transport

    def envelope(self, key: str) -> Envelope:
        return an_envelope(key)

    def arrived(self) -> list[str]:
        mails = [message_from_bytes(bytes(taken.content or b""), policy=POLICY) for taken in self.sink.taken]
        return [str(mail["Message-ID"]).split("@")[0].removeprefix("<") for mail in mails]

    def test_the_body_arrives_whole_also_where_a_line_starts_with_a_dot(self) -> None:  # RFC 5321 4.5.2
        self._transport.send(an_envelope())
        mail = message_from_bytes(bytes(self.sink.taken[0].content or b""), policy=POLICY)
        body = mail.get_body(("plain",))
        assert body is not None
        assert body.get_content().splitlines() == ["Hello Maud,", ".a line that starts with a dot", "Goodbye"]
        assert self.sink.taken[0].mail_from == "desk@larkfield.example"
        assert self.sink.taken[0].rcpt_tos == ["maud@example.org"]


@pytest.mark.parametrize(
    ("answer", "result"),
    [
        ("451 4.3.0 try later", Result.RETRY),  # RFC 5321 4.2.1: 4yz is transient
        ("554 5.7.1 not wanted", Result.REFUSED),  # 5yz is permanent
    ],
)
def test_the_answer_after_the_final_dot_decides(answer: str, result: Result) -> None:
    with serving(Sink(answer)) as transport:
        outcome = transport.send(an_envelope())
    assert outcome.result is result
    assert outcome.detail.startswith(answer[:3])


def test_an_unknown_mailbox_is_refused_before_any_data() -> None:
    sink = Sink()
    with serving(sink) as transport:
        outcome = transport.send(an_envelope(to="nobody@example.org"))
    assert outcome.result is Result.REFUSED
    assert sink.taken == []


def test_no_server_is_a_retry_since_nothing_was_taken() -> None:
    transport = SmtpTransport.from_options({"host": "127.0.0.1", "port": free_port(), "security": "none"})
    assert transport.send(an_envelope()).result is Result.RETRY


def talk(script: list[bytes | None]) -> tuple[int, threading.Thread, list[bytes]]:
    """A server that says its lines one by one, reading in between; None drops the line."""
    listener = socket.create_server(("127.0.0.1", 0))
    heard: list[bytes] = []

    def run() -> None:
        connection, _ = listener.accept()
        with connection, listener:
            for line in script:
                if line is None:
                    return
                connection.sendall(line + b"\r\n")
                data = connection.recv(65536)
                heard.append(data)
                while line.startswith(b"354") and not heard[-1].endswith(b"\r\n.\r\n"):
                    heard[-1] += connection.recv(65536)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return int(listener.getsockname()[1]), thread, heard


def test_a_line_that_breaks_after_the_final_dot_is_unknown_not_failed() -> None:  # RFC 1047
    port, thread, heard = talk([b"220 hello", b"250 hello", b"250 ok", b"250 ok", b"354 go on", None])
    outcome = SmtpTransport.from_options({"host": "127.0.0.1", "port": port, "security": "none"}).send(an_envelope())
    thread.join(10)
    assert outcome.result is Result.UNKNOWN
    assert heard[-1].endswith(b"\r\n.\r\n"), "the whole mail had been sent"


def test_a_line_that_breaks_before_the_mail_is_a_retry() -> None:
    port, thread, _ = talk([b"220 hello", b"250 hello", b"250 ok", None])
    outcome = SmtpTransport.from_options({"host": "127.0.0.1", "port": port, "security": "none"}).send(an_envelope())
    thread.join(10)
    assert outcome.result is Result.RETRY


def test_a_failing_goodbye_does_not_make_a_sent_mail_unsent() -> None:
    port, thread, _ = talk([b"220 hello", b"250 hello", b"250 ok", b"250 ok", b"354 go on", b"250 taken", None])
    outcome = SmtpTransport.from_options({"host": "127.0.0.1", "port": port, "security": "none"}).send(an_envelope())
    thread.join(10)
    assert outcome.result is Result.ACCEPTED


def test_starttls_is_the_default_and_a_server_without_it_gets_no_mail() -> None:
    controller = Controller(Sink(), hostname="127.0.0.1", port=free_port())
    controller.start()
    try:
        outcome = SmtpTransport.from_options({"host": "127.0.0.1", "port": controller.port}).send(an_envelope())
    finally:
        controller.stop()
    assert outcome.result is Result.RETRY
    assert ssl.HAS_TLSv1_3


def test_a_wrong_security_option_is_named() -> None:
    with pytest.raises(TransportError, match="security must be starttls, tls or none"):
        SmtpTransport.from_options({"host": "mail.example", "security": "maybe"})
