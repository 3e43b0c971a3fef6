"""Sends mail through the clinic's own mail server, over a few connections that are kept open for a while.

What an answer means, from RFC 5321: before the final dot nothing was taken; 4xx may be tried again, 5xx may not; when
the line breaks after the dot, the mail may have been taken (RFC 1047), so the outcome is unknown. 421 says that the
server goes away. Nothing is sent when the encryption that was asked for cannot be had.
"""

from __future__ import annotations

import re
import select
import smtplib
import socket
import ssl
import time
from base64 import b64encode
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import ip_address
from threading import BoundedSemaphore, Lock, Timer

from service.domain.message import Envelope, Outcome, Result
from service.errors import TransportError
from service.transports.mail import Mail, build_mail
from service.transports.port import Options, option_number, option_text

DATA_TIMEOUT_SECONDS = 600
"""RFC 5321 4.5.3.2.6: wait ten minutes for the answer to the final dot; a shorter wait makes doubles."""

GOODBYE_SECONDS = 2
"""How long we wait, for all connections together, until the server has answered our QUIT."""

_ALLOWED = (
    "host",
    "port",
    "security",
    "user",
    "password",
    "ca_file",
    "connect_timeout",
    "connections",
    "keep_seconds",
    "messages_per_connection",
)
_REPLY = re.compile(rb"([2-5][0-9]{2})(?:([ -])([^\n]*?))?\r?\n")
_LONGEST_REPLY_LINE = 4096  # octets; RFC 5321 4.5.3.1.5 says 512
_MOST_REPLY_LINES = 128
_DETAIL_LENGTH = 300


class SmtpTransport:
    """At most `connections` mails at the same time; one recipient a transaction, so that each has one outcome."""

    def __init__(
        self,
        *,
        host: str,
        port: int,
        security: str,
        user: str | None,
        password: str | None,
        tls: ssl.SSLContext | None,
        timeout: int,
        connections: int,
        keep_seconds: int,
        messages_per_connection: int,
    ) -> None:
        self._host, self._port, self._security, self._tls = host, port, security, tls
        self._user, self._password, self._timeout = user, password, timeout
        self.connections = connections
        self._keep_seconds, self._most_mails = keep_seconds, messages_per_connection
        self._own_name: str | None = None
        self._slots = BoundedSemaphore(connections)
        self._lock = Lock()  # guards the three below
        self._idle: list[_Line] = []  # the one used last is at the end
        self._sweeper: Timer | None = None
        self._closed = False

    @classmethod
    def from_options(cls, options: Options) -> SmtpTransport:
        """Options: host, port (587, or 465 for tls), security (starttls, tls or none), user, password, ca_file (a PEM
        file, for a server whose certificate is signed by a private authority), connect_timeout (30 seconds, for the
        connection and for each answer before the mail), connections (4, at most at the same time), keep_seconds (30,
        how long an idle connection is kept; 0 for not at all), messages_per_connection (100).

        Raises TransportError naming the option that is wrong."""
        unknown = sorted(options.keys() - set(_ALLOWED))
        if unknown:
            raise TransportError(f"option {unknown[0]} is not known; allowed: {', '.join(_ALLOWED)}")
        host = option_text(options, "host")
        security = option_text(options, "security", "starttls")
        if security not in ("starttls", "tls", "none"):
            raise TransportError("option security must be starttls, tls or none")
        user = option_text(options, "user") if "user" in options else None
        if user and security == "none" and not _is_loopback(host):
            raise TransportError("option user needs security starttls or tls: a password is never sent in the open")
        ca_file = option_text(options, "ca_file") if "ca_file" in options else None
        try:
            tls = ssl.create_default_context(cafile=ca_file) if security != "none" else None
        except OSError as error:  # ssl.SSLError is one
            raise TransportError("option ca_file must name a readable PEM file") from error
        return cls(
            host=host,
            port=_number(options, "port", 465 if security == "tls" else 587, 1, 65535),
            security=security,
            user=user,
            password=option_text(options, "password") if user else None,
            tls=tls,
            timeout=_number(options, "connect_timeout", 30, 1, 600),
            connections=_number(options, "connections", 4, 1, 100),
            keep_seconds=_number(options, "keep_seconds", 30, 0, 3600),
            messages_per_connection=_number(options, "messages_per_connection", 100, 1, 1_000_000),
        )

    def send(self, envelope: Envelope) -> Outcome:
        """Hand one mail to the server. May be called from several threads; those beyond `connections` wait."""
        try:
            mail = build_mail(envelope)
        except ValueError as error:
            return Outcome(result=Result.REFUSED, detail=f"the mail cannot be made: {error}")
        with self._slots:
            kept = self._take_idle()
            if kept is not None:
                # A kept connection may have died unseen. Nothing was taken over it, so the mail goes over a fresh one.
                with suppress(OSError, smtplib.SMTPException):
                    return self._hand_over(kept, mail)
            if self._closed:
                return Outcome(result=Result.RETRY, detail="not sent: the transport is closed")
            try:
                fresh = self._open()
            except smtplib.SMTPAuthenticationError as refused:
                return Outcome(result=Result.RETRY, detail=f"the mail server refused the sign-in: {refused.smtp_code}")
            except (OSError, smtplib.SMTPException, ValueError) as failed:  # ValueError: a host that is no name
                return Outcome(result=Result.RETRY, detail=f"no connection to the mail server: {_why(failed)}")
            try:
                return self._hand_over(fresh, mail)
            except (OSError, smtplib.SMTPException) as failed:
                return Outcome(result=Result.RETRY, detail=f"the line broke before the mail was sent: {_why(failed)}")

    def close(self) -> None:
        """Say goodbye on every idle connection; one that still carries a mail is closed when that is done."""
        with self._lock:
            self._closed = True
            lines, self._idle = self._idle, []
            if self._sweeper is not None:
                self._sweeper.cancel()
        _say_goodbye(lines)

    # Connections

    def _open(self) -> _Line:
        assert self._tls is not None or self._security == "none"  # else the standard library would check nothing
        if self._security == "tls":
            server: _Server = _TlsServer(
                self._host, self._port, self._own_name, timeout=self._timeout, context=self._tls
            )
        else:
            server = _Server(self._host, self._port, self._own_name, timeout=self._timeout)
        try:
            assert server.sock is not None
            server.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # a mail ends in a short packet
            self._own_name = server.local_hostname  # asked once: the question may go to a name server
            if self._security == "starttls":
                server.starttls(context=self._tls)
            server.ehlo_or_helo_if_needed()
            if self._user and self._password:
                server.sign_in(self._user, self._password)
        except BaseException:
            server.close()
            raise
        return _Line(server)

    def _take_idle(self) -> _Line | None:
        found, stale = None, []
        with self._lock:
            while self._idle and found is None:
                line = self._idle.pop()
                if time.monotonic() - line.since < self._keep_seconds and line.is_quiet():
                    found = line
                else:
                    stale.append(line)
        _say_goodbye(stale)
        return found

    def _give_back(self, line: _Line) -> None:
        with self._lock:
            keep = not self._closed and line.mails < self._most_mails and self._keep_seconds > 0
            if keep:
                line.since = time.monotonic()
                self._idle.append(line)
                self._sweep_later()
        if not keep:
            _say_goodbye([line])

    def _sweep_later(self) -> None:
        if self._sweeper is None and self._idle and not self._closed:
            oldest = min(line.since for line in self._idle)
            sweeper = Timer(max(0.0, oldest + self._keep_seconds - time.monotonic()), self._sweep)
            sweeper.daemon = True
            # Without a thread to spare nothing is swept now; the outcome of the mail must not suffer for it.
            with suppress(RuntimeError):
                sweeper.start()
                self._sweeper = sweeper

    def _sweep(self) -> None:
        now = time.monotonic()
        with self._lock:
            self._sweeper = None
            old = [line for line in self._idle if now - line.since >= self._keep_seconds]
            self._idle = [line for line in self._idle if line not in old]
            self._sweep_later()
        _say_goodbye(old)

    # One mail

    def _hand_over(self, line: _Line, mail: Mail) -> Outcome:
        """Raises OSError or SMTPException only while the mail surely was not taken."""
        usable = False
        try:
            outcome, usable = self._transact(line, mail)
        finally:
            if not usable:
                line.server.close()
        if usable:
            self._give_back(line)
        return outcome

    def _transact(self, line: _Line, mail: Mail) -> tuple[Outcome, bool]:
        """The outcome, and whether the connection is still good for another mail."""
        server = line.server
        if mail.international and not server.has_extn("smtputf8"):
            detail = "the mail server does not take addresses with letters beyond ASCII before the @ (no SMTPUTF8)"
            return Outcome(result=Result.REFUSED, detail=detail), True
        if line.half_done:
            server.must("RSET", "", 250)
            line.half_done = False
        line.mails += 1
        server.command_encoding = "utf-8" if mail.international else "ascii"
        size = f" SIZE={len(mail.octets)}" if server.has_extn("size") else ""
        letters = " SMTPUTF8 BODY=8BITMIME" if mail.international else ""
        code, answer = server.docmd("MAIL", f"FROM:<{mail.return_path}>{size}{letters}")
        if code == 250:
            code, answer = server.docmd("RCPT", f"TO:<{mail.to}>")
            if code in (250, 251):
                code, answer = server.docmd("DATA")
                if code == 354:
                    return self._after_data(server, mail)
        line.half_done = True
        return _refusal(code, answer), 400 <= code != 421

    def _after_data(self, server: _Server, mail: Mail) -> tuple[Outcome, bool]:
        assert server.sock is not None
        server.sock.settimeout(DATA_TIMEOUT_SECONDS)
        # If this fails, the system did not even take over the last octets, so the server has not seen the final dot.
        server.send(mail.octets.replace(b"\r\n.", b"\r\n..") + b".\r\n")
        try:
            code, answer = server.getreply()
        except (OSError, smtplib.SMTPException) as failed:
            detail = f"the line broke after the mail was sent: {_why(failed)}"
            return Outcome(result=Result.UNKNOWN, detail=detail), False
        server.sock.settimeout(self._timeout)
        if 200 <= code < 300:
            return Outcome(result=Result.ACCEPTED, detail=f"{code} {_text(answer)}"), True
        if code < 400:
            detail = f"the mail was sent, and the answer was neither yes nor no: {code} {_text(answer)}"
            return Outcome(result=Result.UNKNOWN, detail=detail), False
        return _refusal(code, answer), code != 421


class _Server(smtplib.SMTP):
    """The standard library's client, strict about answers: half an answer, or one that is none, breaks the line."""

    def getreply(self) -> tuple[int, bytes]:
        """One whole answer. Raises SMTPServerDisconnected when there is none; the line is closed then."""
        if self.file is None:
            assert self.sock is not None
            self.file = self.sock.makefile("rb")
        codes: set[bytes] = set()
        texts: list[bytes] = []
        fault = "the answer was not one of SMTP"
        while len(texts) < _MOST_REPLY_LINES:
            try:
                line = self.file.readline(_LONGEST_REPLY_LINE)
            except OSError as error:
                fault = str(error)
                break
            match = _REPLY.fullmatch(line)
            if match is None:
                fault = fault if line.endswith(b"\n") else "the server hung up" if not line else "half an answer"
                break
            codes.add(match[1])
            texts.append((match[3] or b"").strip())
            if match[2] != b"-":
                if len(codes) > 1:
                    break
                return int(match[1]), b"\n".join(texts)
        self.close()
        raise smtplib.SMTPServerDisconnected(fault)

    def must(self, command: str, argument: str, wanted: int) -> bytes:
        """The answer's text. Raises SMTPResponseException when its code is not the one wanted."""
        code, answer = self.docmd(command, argument)
        if code != wanted:
            raise smtplib.SMTPResponseException(code, answer)
        return answer

    def sign_in(self, user: str, password: str) -> None:
        """AUTH PLAIN or LOGIN (RFC 4954), one try with one of them, so that a wrong password counts once."""
        offered = self.esmtp_features.get("auth", "").upper().split()
        if "PLAIN" in offered:
            code, _ = self.docmd("AUTH", "PLAIN " + _coded(f"\0{user}\0{password}"))
        elif "LOGIN" in offered:
            code, _ = self.docmd("AUTH", "LOGIN")
            for secret in (user, password):
                if code == 334:
                    code, _ = self.docmd(_coded(secret))
        else:
            raise smtplib.SMTPNotSupportedError("the server offers neither AUTH PLAIN nor AUTH LOGIN")
        if code != 235:
            raise smtplib.SMTPAuthenticationError(code, b"")  # without the server's words: they may repeat ours


class _TlsServer(_Server, smtplib.SMTP_SSL):
    """The same, encrypted from the first octet (RFC 8314 3.3)."""


@dataclass(slots=True, eq=False)
class _Line:
    """One open connection. `since`: idle from this monotonic second on; `half_done`: a transaction is still open."""

    server: _Server
    mails: int = 0
    since: float = 0.0
    half_done: bool = False

    def is_quiet(self) -> bool:
        """Whether the server has said nothing unasked: on an idle line that is a 421, or the end."""
        if self.server.sock is None:
            return False
        waiting = select.poll()
        waiting.register(self.server.sock, select.POLLIN)
        return not waiting.poll(0)


def _say_goodbye(lines: list[_Line]) -> None:
    """QUIT on each, and a short wait for the answers. What becomes of it is no matter: no mail is under way."""
    until = time.monotonic() + GOODBYE_SECONDS
    for line in lines:
        with suppress(OSError, smtplib.SMTPException):
            if line.server.sock is not None:
                line.server.sock.settimeout(GOODBYE_SECONDS / len(lines))
                line.server.putcmd("QUIT")
    for line in lines:
        with suppress(OSError):
            if line.server.sock is not None:
                line.server.sock.settimeout(max(0.01, until - time.monotonic()))
                line.server.sock.recv(_LONGEST_REPLY_LINE)
        line.server.close()


def _refusal(code: int, answer: bytes) -> Outcome:
    # 530: the server wants a sign-in or encryption first (RFC 4954 6). That is our settings' fault, not this mail's.
    result = Result.REFUSED if code >= 500 and code != 530 else Result.RETRY
    return Outcome(result=result, detail=f"{code} {_text(answer)}")


def _why(failed: Exception) -> str:
    if isinstance(failed, smtplib.SMTPResponseException):
        words = failed.smtp_error
        return f"{failed.smtp_code} {_text(words if isinstance(words, bytes) else words.encode())}"
    return str(failed)


def _text(answer: bytes) -> str:
    words = " ".join(answer.decode(errors="replace").split())
    return "".join(letter if letter.isprintable() else "?" for letter in words)[:_DETAIL_LENGTH]


def _coded(secret: str) -> str:
    return b64encode(secret.encode()).decode()


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _number(options: Options, name: str, default: int, least: int, most: int) -> int:
    value = option_number(options, name, default)
    if not least <= value <= most:
        raise TransportError(f"option {name} must be from {least} to {most}")
    return value
