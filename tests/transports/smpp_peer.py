"""A small message centre for tests: threads on the loopback, a free port, and every misbehaviour on demand."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from threading import Condition, Thread

from envelopes import DATED, an_envelope

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Envelope, Inbound
from service.transports.gsm7 import read_header, text_of, to_septets
from service.transports.smpp import SmppTransport
from service.transports.smpp_options import read_options
from service.transports.smpp_pdu import RESPONSE, Command, Pdu, PduError, PduStream, ShortMessage, Status, Tag

PATIENCE = 120.0
"""Seconds after which a test has failed; never waited for when all is well."""


class Line:
    """One connection of a client, as the centre sees it."""

    def __init__(self, peer: Peer, connection: socket.socket) -> None:
        self.peer, self.connection = peer, connection
        self.sequence = 0
        self.answers: dict[int, int] = {}

    def say(self, pdu: Pdu) -> None:
        with suppress(OSError):
            self.connection.sendall(pdu.encode())

    def raw(self, octets: bytes) -> None:
        with suppress(OSError):
            self.connection.sendall(octets)

    def answer(self, pdu: Pdu, status: int = 0, body: bytes = b"") -> None:
        self.say(Pdu(command=pdu.command | RESPONSE, sequence=pdu.sequence, status=status, body=body))

    def ask(self, command: int, body: bytes = b"") -> int:
        """Send a PDU of the centre's own; gives its sequence number."""
        self.sequence += 1
        self.say(Pdu(command=command, sequence=self.sequence, body=body))
        return self.sequence

    def deliver(self, message: ShortMessage) -> int:
        return self.ask(Command.DELIVER_SM, message.encode())

    def status_of(self, sequence: int) -> int:
        """The client's answer to one of our PDUs, waited for."""
        self.peer.wait(lambda: sequence in self.answers, "an answer to the centre")
        return self.answers[sequence]

    def drop(self) -> None:
        with suppress(OSError):
            self.connection.shutdown(socket.SHUT_RDWR)


Behaviour = Callable[[Line, Pdu, ShortMessage], None]


def accept(line: Line, pdu: Pdu, _: ShortMessage) -> None:
    """Take it and say so."""
    line.peer.counted += 1
    line.answer(pdu, body=line.peer.name_of(line.peer.counted).encode() + b"\0")


def silent(_line: Line, _pdu: Pdu, _: ShortMessage) -> None:
    """Take it and never say so."""


def drop_after_accept(line: Line, _pdu: Pdu, _: ShortMessage) -> None:
    line.drop()


def refuse(status: int) -> Behaviour:
    return lambda line, pdu, _: line.answer(pdu, status)


def nack(status: int) -> Behaviour:
    return lambda line, pdu, _: line.say(Pdu(command=Command.GENERIC_NACK, sequence=pdu.sequence, status=status))


def half_a_pdu(line: Line, pdu: Pdu, _: ShortMessage) -> None:
    line.raw(Pdu(command=pdu.command | RESPONSE, sequence=pdu.sequence, body=b"7\0").encode()[:-1])
    line.drop()


def garbage(line: Line, _pdu: Pdu, _: ShortMessage) -> None:
    line.raw(b"HTTP/1.1 400 Bad Request\r\n\r\n")


def piecemeal(line: Line, pdu: Pdu, message: ShortMessage) -> None:
    """Take it, and say so octet by octet."""
    line.peer.counted += 1
    body = line.peer.name_of(line.peer.counted).encode() + b"\0"
    for octet in Pdu(command=pdu.command | RESPONSE, sequence=pdu.sequence, body=body).encode():
        line.raw(bytes((octet,)))


def in_turn(*behaviours: Behaviour) -> Behaviour:
    """One behaviour a submit_sm; the last one stays."""
    left = list(behaviours)
    return lambda line, pdu, message: (left.pop(0) if len(left) > 1 else left[0])(line, pdu, message)


class Peer:
    """The centre. `submitted` holds every submit_sm that came in whole, `binds` the body of every bind."""

    def __init__(self, behaviour: Behaviour = accept, context: ssl.SSLContext | None = None) -> None:
        self.behaviour = behaviour
        self.bind_status: int = Status.ESME_ROK
        self.name_of: Callable[[int], str] = str
        self.counted = 0
        self.answers_enquiries = True
        self.submitted: list[ShortMessage] = []
        self.binds: list[bytes] = []
        self.commands: list[int] = []
        self.nacks: list[int] = []
        self.lines: list[Line] = []
        self._changed = Condition()
        self._context = context
        self._threads: list[Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._accepting = Thread(target=self._accept, name="peer")
        self._accepting.start()

    def wait(self, holds: Callable[[], bool], what: str) -> None:
        """Wait until something holds; fail after a generous while."""
        with self._changed:
            deadline = time.monotonic() + PATIENCE
            while not holds():
                assert time.monotonic() < deadline, f"{what} did not come"
                self._changed.wait(0.02)

    @property
    def line(self) -> Line:
        """The newest line."""
        return self.lines[-1]

    def stop(self) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for line in self.lines:
            line.drop()
        for thread in (self._accepting, *self._threads):
            thread.join(PATIENCE)
            assert not thread.is_alive()

    def texts(self) -> list[str]:
        """The words of every submit_sm, without headers."""
        found = []
        for message in self.submitted:
            headed = read_header(message.words) if message.esm_class & 0x40 else None
            octets = headed.octets if headed else message.words
            found.append(text_of(octets, message.data_coding, headed.language_code if headed else None))
        return found

    def references(self) -> list[int | None]:
        return [message.number(Tag.USER_MESSAGE_REFERENCE) for message in self.submitted]

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            thread = Thread(target=self._serve, args=(connection,), name="peer-line")
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        if self._context is not None:
            try:
                connection = self._context.wrap_socket(connection, server_side=True)
            except OSError:
                connection.close()
                return
        line, stream = Line(self, connection), PduStream()
        self.lines.append(line)
        with connection:
            while True:
                try:
                    octets = connection.recv(65536)
                except OSError:
                    return
                if not octets:
                    return
                try:
                    for pdu in stream.feed(octets):
                        self._hear(line, pdu)
                except PduError:  # an HTTP client, or the like
                    return

    def _hear(self, line: Line, pdu: Pdu) -> None:
        self.commands.append(pdu.command)
        if pdu.command == Command.BIND_TRANSCEIVER:
            self.binds.append(pdu.body)
            line.answer(pdu, self.bind_status, b"centre\0" if not self.bind_status else b"")
        elif pdu.command == Command.SUBMIT_SM:
            message = ShortMessage.decode(pdu.body)
            self.submitted.append(message)
            self.behaviour(line, pdu, message)
        elif pdu.command == Command.ENQUIRE_LINK:
            if self.answers_enquiries:
                line.answer(pdu)
        elif pdu.command == Command.UNBIND:
            line.answer(pdu)
        elif pdu.command == Command.GENERIC_NACK:
            self.nacks.append(pdu.status)
            line.answers[pdu.sequence] = pdu.status
        elif pdu.command & RESPONSE:
            line.answers[pdu.sequence] = pdu.status
        with self._changed:
            self._changed.notify_all()


@contextmanager
def a_peer(behaviour: Behaviour = accept, context: ssl.SSLContext | None = None) -> Iterator[Peer]:
    """A centre for one test. The transport must have been closed, and all its threads be gone, when it ends."""
    peer = Peer(behaviour, context)
    try:
        yield peer
    finally:
        peer.stop()
    deadline = time.monotonic() + PATIENCE
    while any(thread.name.startswith(("smpp-", "peer")) for thread in threading.enumerate()):
        assert time.monotonic() < deadline, threading.enumerate()
        time.sleep(0.01)


# -- the transport's side ---------------------------------------------------------------------------------------------

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


def at_dated() -> datetime:
    """The time, for `receive`."""
    return DATED


class Heard:
    """Keeps what the transport hands on."""

    def __init__(self) -> None:
        self.reports: list[DeliveryReport] = []
        self.inbound: list[Inbound] = []


@contextmanager
def sending(
    peer: Peer,
    heard: Heard | None = None,
    context: ssl.SSLContext | None = None,
    **options: str | int | bool,
) -> Iterator[SmppTransport]:
    """A transport over the centre, closed at the end."""
    transport = SmppTransport(read_options(GIVEN | {"port": peer.port} | options), context=context)
    if heard is not None:
        transport.receive(heard.reports.append, heard.inbound.append, at_dated)
        peer.wait(lambda: bool(peer.lines) and bool(peer.binds), "the line")
    try:
        yield transport
    finally:
        transport.close()


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
