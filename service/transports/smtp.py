"""Sends mail through the clinic's own mail server, over a few connections that are kept open for a while.

What an answer means, from RFC 5321: before the final dot nothing was taken; 4xx may be tried again, 5xx may not; when
the line breaks after the dot, the mail may have been taken (RFC 1047), so the outcome is unknown. 421 says that the
server goes away. Nothing is sent when the encryption that was asked for cannot be had.
"""

from __future__ import annotations

import re
import smtplib
import socket
import ssl
import time
from contextlib import suppress
from ipaddress import ip_address
from threading import BoundedSemaphore, Lock, Timer

from service.domain.message import Envelope, Outcome, Result
from service.errors import TransportError
from service.transports.mail import Mail, build_mail
from service.transports.port import Options, option_number, option_text
from service.transports.smtp_line import ADDRESS_BAD, Line, Server, TlsServer, say_goodbye

DATA_TIMEOUT_SECONDS = 600
"""RFC 5321 4.5.3.2.6: wait ten minutes for the answer to the final dot; a shorter wait makes doubles."""

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
_DETAIL_LENGTH = 300
_ENHANCED = re.compile(rb"5\.[0-9]{1,3}\.[0-9]{1,3}(?![0-9.])")  # RFC 2034 4
_WANTED = ((250,), (250, 251), (354,))  # of MAIL, RCPT and DATA


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
        self._idle: list[Line] = []  # the one used last is at the end
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
        say_goodbye(lines)

    # Connections

    def _open(self) -> Line:
        assert self._tls is not None or self._security == "none"  # else the standard library would check nothing
        if self._security == "tls":
            server: Server = TlsServer(self._host, self._port, self._own_name, timeout=self._timeout, context=self._tls)
        else:
            server = Server(self._host, self._port, self._own_name, timeout=self._timeout)
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
        return Line(server)

    def _take_idle(self) -> Line | None:
        found, stale = None, []
        with self._lock:
            while self._idle and found is None:
                line = self._idle.pop()
                if time.monotonic() - line.since < self._keep_seconds and line.is_quiet():
                    found = line
                else:
                    stale.append(line)
        say_goodbye(stale)
        return found

    def _give_back(self, line: Line) -> None:
        with self._lock:
            keep = not self._closed and line.mails < self._most_mails and self._keep_seconds > 0
            if keep:
                line.since = time.monotonic()
                self._idle.append(line)
                self._sweep_later()
        if not keep:
            say_goodbye([line])

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
        say_goodbye(old)

    # One mail

    def _hand_over(self, line: Line, mail: Mail) -> Outcome:
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

    def _transact(self, line: Line, mail: Mail) -> tuple[Outcome, bool]:
        """The outcome, and whether the connection is still good for another mail."""
        server = line.server
        if mail.international and not server.has_extn("smtputf8"):
            detail = "the mail server does not take addresses with letters beyond ASCII before the @ (no SMTPUTF8)"
            return Outcome(result=Result.REFUSED, detail=detail), True
        line.mails += 1
        server.command_encoding = "utf-8" if mail.international else "ascii"
        size = f" SIZE={len(mail.octets)}" if server.has_extn("size") else ""
        letters = " SMTPUTF8 BODY=8BITMIME" if mail.international else ""
        commands = [f"MAIL FROM:<{mail.return_path}>{size}{letters}", f"RCPT TO:<{mail.to}>", "DATA"]
        if line.half_done:
            commands.insert(0, "RSET")
        answers = server.told(commands)
        if line.half_done:
            reset, *answers = answers
            if reset[0] != 250:
                raise smtplib.SMTPResponseException(*reset)
            line.half_done = False
        asked = len(answers) == 3 and answers[2][0] == 354
        refused = [each for each, wanted in zip(answers, _WANTED, strict=False) if each[0] not in wanted]
        if asked and not refused:
            return self._after_data(server, mail)
        line.half_done = True
        # Asked for a mail that we may not send, we leave: RFC 2920 3.1 would have a lone dot, but then it is the server
        # that decides whether an empty mail was sent.
        usable = not asked and server.sock is not None and all(code >= 400 and code != 421 for code, _ in refused)
        # Only an answer to RCPT speaks of the recipient's address.
        return _refusal(*refused[0], of_recipient=answers[0][0] == 250 and refused[0] is answers[1]), usable

    def _after_data(self, server: Server, mail: Mail) -> tuple[Outcome, bool]:
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
        return _refusal(code, answer, of_recipient=True), code != 421


def _refusal(code: int, answer: bytes, *, of_recipient: bool) -> Outcome:
    # 530: the server wants a sign-in or encryption first (RFC 4954 6). That is our settings' fault, not this mail's.
    result = Result.REFUSED if code >= 500 and code != 530 else Result.RETRY
    status = _ENHANCED.match(answer)
    bad = result is Result.REFUSED and of_recipient and status is not None and status[0].decode() in ADDRESS_BAD
    return Outcome(result=result, detail=f"{code} {_text(answer)}", contact_bad=bad)


def _why(failed: Exception) -> str:
    if isinstance(failed, smtplib.SMTPResponseException):
        words = failed.smtp_error
        return f"{failed.smtp_code} {_text(words if isinstance(words, bytes) else words.encode())}"
    return str(failed)


def _text(answer: bytes) -> str:
    words = " ".join(answer.decode(errors="replace").split())
    return "".join(letter if letter.isprintable() else "?" for letter in words)[:_DETAIL_LENGTH]


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
