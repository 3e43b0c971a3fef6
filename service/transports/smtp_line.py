"""One connection to a mail server: commands, alone or in a group, and answers read strictly.

Sources: RFC 5321 (commands and answers), RFC 2920 (commands in a group), RFC 4954 (signing in), RFC 8314 (TLS).
"""

from __future__ import annotations

import re
import select
import smtplib
import time
from base64 import b64encode
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

GOODBYE_SECONDS = 2
"""How long we wait, for all connections together, until the server has answered our QUIT."""

ADDRESS_BAD = frozenset({"5.1.1", "5.1.2", "5.1.3", "5.1.6", "5.1.10", "5.2.1"})
"""RFC 3463 3.2, 3.3 and RFC 7505: no such mailbox or domain, bad syntax, moved away, no mail taken there, disabled."""

_REPLY = re.compile(rb"([2-5][0-9]{2})(?:([ -])([^\n]*?))?\r?\n")
_LONGEST_REPLY_LINE = 4096  # octets; RFC 5321 4.5.3.1.5 says 512
_MOST_REPLY_LINES = 128


class Server(smtplib.SMTP):
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

    def told(self, commands: Sequence[str]) -> list[tuple[int, bytes]]:
        """The answers to these commands, up to the first that is a refusal; all of them where the server takes commands
        in a group (RFC 2920), which saves the way there and back for each."""
        together = self.has_extn("pipelining")
        if together:
            if any("\r" in each or "\n" in each for each in commands):
                raise ValueError("a line end within a command")
            self.send("".join(f"{each}\r\n" for each in commands))
        answers: list[tuple[int, bytes]] = []
        for each in commands:
            if not together:
                self.putcmd(each)
            try:
                answers.append(self.getreply())
            except smtplib.SMTPServerDisconnected:
                if all(code < 400 for code, _ in answers):
                    raise
                break  # it refused, and hung up on the rest
            if not together and answers[-1][0] not in (250, 251):
                break
        return answers

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


class TlsServer(Server, smtplib.SMTP_SSL):
    """The same, encrypted from the first octet (RFC 8314 3.3)."""


@dataclass(slots=True, eq=False)
class Line:
    """One open connection. `since`: idle from this monotonic second on; `half_done`: a transaction is still open."""

    server: Server
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


def say_goodbye(lines: list[Line]) -> None:
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


def _coded(secret: str) -> str:
    return b64encode(secret.encode()).decode()
