"""Mail servers for tests: a real one (aiosmtpd) that keeps what it takes, one that misbehaves as told, certificates."""

from __future__ import annotations

import socket
import ssl
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Condition, Thread

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword, Session
from aiosmtpd.smtp import Envelope as Received
from builders import free_port

from service.transports.smtp import SmtpTransport

PATIENCE = 120.0
"""Seconds after which a test has failed; never waited for when all is well."""


class Sink:
    """Takes every mail, or answers as told. `lines` are the connections that mails came over, one entry a mail."""

    def __init__(self, answer: str = "250 taken") -> None:
        self.answer = answer
        self.taken: list[Received] = []
        self.lines: list[object] = []
        self.goodbyes = 0
        self._changed = Condition()

    async def handle_DATA(self, _server: SMTP, session: Session, envelope: Received) -> str:
        if self.answer.startswith("250"):
            self.taken.append(envelope)
            self.lines.append(session.peer)
        return self.answer

    async def handle_RCPT(
        self, _server: SMTP, _session: Session, envelope: Received, address: str, _options: list[str]
    ) -> str:
        if address.startswith("nobody"):
            return "550 5.1.1 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 ok"

    async def handle_QUIT(self, _server: SMTP, _session: Session, _envelope: Received) -> str:
        with self._changed:
            self.goodbyes += 1
            self._changed.notify_all()
        return "221 bye"

    def wait_for_goodbyes(self, number: int) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: self.goodbyes >= number, PATIENCE)


class Grouping(Sink):
    """The same, and it takes commands in a group."""

    async def handle_EHLO(
        self, _server: SMTP, session: Session, _envelope: Received, name: str, answers: list[str]
    ) -> list[str]:
        session.host_name = name
        return [*answers[:-1], "250-PIPELINING", answers[-1]]


class OnePassword:
    """An authenticator of aiosmtpd: the user "desk" with the password "right horse"."""

    def __init__(self) -> None:
        self.tries = 0

    def __call__(self, _server: SMTP, _session: Session, _envelope: Received, _kind: str, data: object) -> AuthResult:
        self.tries += 1
        assert isinstance(data, LoginPassword)
        return AuthResult(success=(data.login, data.password) == (b"desk", b"right horse"), handled=False)


@contextmanager
def serving(sink: Sink, options: Mapping[str, str | int] | None = None, **server: object) -> Iterator[SmtpTransport]:
    """A transport with `options` to a real server; `server` goes to aiosmtpd."""
    where = {"hostname": "127.0.0.1", "port": free_port(), "ready_timeout": PATIENCE}
    controller = Controller(sink, **(where | server))  # type: ignore[arg-type]
    controller.start()
    plain: dict[str, str | int] = {"host": "127.0.0.1", "port": controller.port, "security": "none"}
    transport = SmtpTransport.from_options(plain | dict(options or {}))
    try:
        yield transport
    finally:
        transport.close()
        controller.stop()


USUAL: Mapping[str, bytes | None] = {
    "HELLO": b"220 peer\r\n",
    "EHLO": b"250 peer\r\n",
    "MAIL": b"250 ok\r\n",
    "RCPT": b"250 ok\r\n",
    "DATA": b"354 go on\r\n",
    "DOT": b"250 2.0.0 taken\r\n",
    "RSET": b"250 ok\r\n",
    "QUIT": b"221 bye\r\n",
}
SILENCE = b""
GROUPS = b"250-peer\r\n250 PIPELINING\r\n"
"""How a server greets that takes commands in a group (RFC 2920)."""


class Peer:
    """A server that answers as told. `changes` has one entry a connection; the last holds for all that follow.

    An answer is said as it stands. None hangs up instead, and so does the peer after half a line; SILENCE says nothing.
    "IDLE" is said unasked after a mail was taken, and then the peer hangs up. "BODY" hangs up within the mail. `told`
    is how the newest connection answers, and may be changed while it is open.
    """

    def __init__(self, *changes: Mapping[str, bytes | None]) -> None:
        self._changes = changes or ({},)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.told: dict[str, bytes | None] = {}
        self.heard: list[str] = []
        self.taken: list[bytes] = []
        self.opened = self.closed = 0
        self._changed = Condition()
        self._open: list[socket.socket] = []
        Thread(target=self._accept, daemon=True).start()

    def stop(self) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        with self._changed:
            for connection in self._open:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
        self.wait_for_closed(self.opened)

    def wait_for_closed(self, number: int) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: self.closed >= number, PATIENCE)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with self._changed:
                self.told = told = {**USUAL, **self._changes[min(self.opened, len(self._changes) - 1)]}
                self.opened += 1
                self._open.append(connection)
            Thread(target=self._serve, args=(connection, told), daemon=True).start()

    def _serve(self, connection: socket.socket, told: Mapping[str, bytes | None]) -> None:
        try:
            with suppress(OSError):
                self._converse(connection, told)
        finally:
            connection.close()
            with self._changed:
                self._open.remove(connection)
                self.closed += 1
                self._changed.notify_all()

    def _converse(self, connection: socket.socket, told: Mapping[str, bytes | None]) -> None:
        def say(answer: bytes | None) -> bool:
            if answer is None:
                return False
            connection.sendall(answer)
            return answer == SILENCE or answer.endswith(b"\n")

        if not say(told["HELLO"]):
            return
        with connection.makefile("rb") as lines:
            while line := lines.readline().decode(errors="replace"):
                self.heard.append(line.strip())
                verb = line[:4].upper()
                begin = told["DATA"]
                if verb == "DATA" and begin is not None and begin.endswith(b"354 go on\r\n"):
                    connection.sendall(begin)
                    if "BODY" in told:
                        return
                    mail = b""
                    while not mail.endswith(b"\r\n.\r\n"):
                        mail += (more := lines.readline())
                        if not more:
                            return
                    answer = told["DOT"]
                    if answer is not None and answer.startswith(b"250 2"):
                        self.taken.append(mail)
                    if not say(answer):
                        return
                    if "IDLE" in told:
                        say(told["IDLE"])
                        return
                elif not say(told.get(verb, b"500 what\r\n")) or verb == "QUIT":
                    return


@contextmanager
def misbehaving(
    *changes: Mapping[str, bytes | None], options: Mapping[str, str | int] | None = None
) -> Iterator[tuple[Peer, SmtpTransport]]:
    """A peer, and a transport with `options` to it."""
    peer = Peer(*changes)
    plain: dict[str, str | int] = {"host": "127.0.0.1", "port": peer.port, "security": "none"}
    transport = SmtpTransport.from_options(plain | dict(options or {}))
    try:
        yield peer, transport
    finally:
        transport.close()
        peer.stop()


class Authority:
    """A private certificate authority in a folder, made with openssl."""

    def __init__(self, folder: Path, name: str = "authority") -> None:
        self._folder, self.ca_file, self._key = folder, folder / f"{name}.pem", folder / f"{name}.key"
        openssl(
            *f"req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN={name}".split(),
            *("-addext", "keyUsage=critical,keyCertSign", "-keyout", str(self._key), "-out", str(self.ca_file)),
        )

    def server(self, name: str = "IP:127.0.0.1", days: int = 2) -> ssl.SSLContext:
        """What a server of this name needs; `days` below 0 for a certificate that has run out."""
        place = self._folder / f"{name.replace(':', '-')}{days}"
        request, key, signed, more = (
            place.with_suffix(f"{place.suffix}.{end}") for end in ("csr", "key", "pem", "ext")
        )
        openssl(
            *["req", "-new", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj", "/CN=server"],
            *("-keyout", str(key), "-out", str(request)),
        )
        more.write_text(f"subjectAltName={name}\n")
        openssl(
            *("x509", "-req", "-in", str(request), "-CA", str(self.ca_file), "-CAkey", str(self._key)),
            *("-set_serial", "7", "-days", str(days), "-extfile", str(more), "-out", str(signed)),
        )
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(signed, key)
        return context


def openssl(*arguments: str) -> None:
    done = subprocess.run(["openssl", *arguments], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
