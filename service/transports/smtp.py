"""Sends mail through the clinic's own mail server.

What an answer means, from RFC 5321: before the final dot nothing was taken; 4xx may be tried again, 5xx may not; when
the line breaks after the dot, the mail may have been taken (RFC 1047), so the outcome is unknown.
"""

from __future__ import annotations

import smtplib
import ssl
from contextlib import suppress

from service.domain.message import Envelope, Outcome, Result
from service.errors import TransportError
from service.transports.mail import build_mail
from service.transports.port import Options, option_number, option_text

DATA_TIMEOUT_SECONDS = 600
"""RFC 5321 4.5.3.2.6: wait ten minutes for the answer to the final dot; a shorter wait makes doubles."""


class SmtpTransport:
    """One connection a message, one recipient a transaction (so that every recipient has one outcome)."""

    def __init__(
        self, host: str, port: int, security: str, user: str | None, password: str | None, timeout: int
    ) -> None:
        self._host, self._port, self._security = host, port, security
        self._user, self._password, self._timeout = user, password, timeout

    @classmethod
    def from_options(cls, options: Options) -> SmtpTransport:
        """Options: host, port (587), security (starttls, tls or none), user, password, connect_timeout (30 seconds)."""
        security = option_text(options, "security", "starttls")
        if security not in ("starttls", "tls", "none"):
            raise TransportError("option security must be starttls, tls or none")
        user = option_text(options, "user") if "user" in options else None
        password = option_text(options, "password") if user else None
        port = option_number(options, "port", 587)
        timeout = option_number(options, "connect_timeout", 30)
        return cls(option_text(options, "host"), port, security, user, password, timeout)

    def send(self, envelope: Envelope) -> Outcome:
        """Hand one mail to the server."""
        try:
            server = self._connect()
        except smtplib.SMTPAuthenticationError as refused:
            return Outcome(result=Result.RETRY, detail=f"the mail server refused the sign-in: {refused.smtp_code}")
        except (OSError, smtplib.SMTPException) as failed:
            return Outcome(result=Result.RETRY, detail=f"no connection to the mail server: {failed}")
        try:
            return self._hand_over(server, envelope)
        finally:
            # The answer to the message is known by now; a failing goodbye must not turn a sent mail into an unsent one.
            with suppress(OSError, smtplib.SMTPException):
                server.quit()

    def close(self) -> None:
        """Nothing is kept open between messages."""

    def _connect(self) -> smtplib.SMTP:
        context = ssl.create_default_context()
        if self._security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(self._host, self._port, timeout=self._timeout, context=context)
        else:
            server = smtplib.SMTP(self._host, self._port, timeout=self._timeout)
        try:
            if self._security == "starttls":
                server.starttls(context=context)
            if self._user and self._password:
                server.login(self._user, self._password)
        except (OSError, smtplib.SMTPException):
            server.close()
            raise
        return server

    def _hand_over(self, server: smtplib.SMTP, envelope: Envelope) -> Outcome:
        mail = build_mail(envelope)
        try:
            server.ehlo_or_helo_if_needed()
            code, answer = server.mail(envelope.sender_address)
            if code < 400:
                code, answer = server.rcpt(envelope.message.to)
            if code < 400:
                code, answer = server.docmd("DATA")
                if code == 354:
                    return self._after_data(server, mail.as_bytes(), envelope)
        except (OSError, smtplib.SMTPException) as failed:
            return Outcome(result=Result.RETRY, detail=f"the line broke before the mail was sent: {failed}")
        return _refusal(code, answer)

    def _after_data(self, server: smtplib.SMTP, data: bytes, envelope: Envelope) -> Outcome:
        stuffed = b"\r\n".join(b"." + line if line.startswith(b".") else line for line in data.splitlines())
        if server.sock is not None:
            server.sock.settimeout(DATA_TIMEOUT_SECONDS)
        try:
            server.send(stuffed + b"\r\n.\r\n")
            code, answer = server.getreply()
        except (OSError, smtplib.SMTPException) as failed:
            return Outcome(result=Result.UNKNOWN, detail=f"the line broke after the mail was sent: {failed}")
        if 200 <= code < 300:
            return Outcome(result=Result.ACCEPTED, detail=f"{code} {answer.decode(errors='replace')}")
        return _refusal(code, answer)


def _refusal(code: int, answer: bytes) -> Outcome:
    result = Result.REFUSED if 500 <= code < 600 else Result.RETRY
    return Outcome(result=result, detail=f"{code} {answer.decode(errors='replace')}")
