"""Sends texts through an HTTP gateway that a TOML file describes (see gateway_file; its callbacks: gateway_callbacks).

What an answer means: without a connection, or before the whole request is written, nothing was taken (retry); after
that, only a whole answer that the description explains decides, and everything else is unknown. No redirect is
followed, no proxy is used, and no detail ever holds a text, a number or a secret.
"""

from __future__ import annotations

import base64
import io
import json
import os
import re
import socket
import ssl
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http.client import HTTPConnection, HTTPException, HTTPResponse, HTTPSConnection, IncompleteRead
from pathlib import Path
from typing import cast
from urllib.parse import quote, urlencode, urlsplit

from service.domain.message import Envelope, Outcome, Result
from service.errors import TransportError
from service.transports.gateway_file import load_gateway
from service.transports.gateway_shape import (
    FROM_A_MIDDLEMAN,
    HEADER_VALUE,
    PLACEHOLDER,
    Format,
    Gateway,
    Method,
    SignInKind,
)
from service.transports.gateway_values import find, matches, read_json, sign, write_time
from service.transports.port import Options, option_number, option_text

LONGEST_ANSWER = 64 * 1024  # octets, head and body together
CONNECTIONS = 4
"""How many texts are under way at once if the clinic does not say; each has its own connection."""
MOST_CONNECTIONS = 100


class HttpGatewayTransport:
    """One connection a message: whether a line that was kept open still stands is known only after a text was lost.

    `gateway` is the description, for whoever takes the callbacks. `connections` is how many texts may be under way at
    once. `repeat_seconds`: for so long after the first attempt a repeat with the same key has one effect at the
    gateway, so that an unknown outcome may be tried again (0: never).
    """

    def __init__(
        self, gateway: Gateway, sender: str | None = None, ca_file: str | None = None, connections: int = CONNECTIONS
    ) -> None:
        self.gateway, self.connections, self._sender = gateway, connections, sender
        self._url = urlsplit(gateway.request.url)
        self._tls = ssl.create_default_context(cafile=ca_file) if self._url.scheme == "https" else None
        self.repeat_seconds = gateway.request.idempotent_minutes * 60

    @classmethod
    def from_options(cls, options: Options) -> HttpGatewayTransport:
        """Options: description (path of the TOML file), sender (in place of the clinic's name), ca_file (a PEM file,
        for a gateway whose certificate is signed by a private authority), connections (4: texts under way at once).
        Secrets come from the environment."""
        known = ("description", "sender", "ca_file", "connections")
        unknown = sorted(options.keys() - set(known))
        if unknown:
            raise TransportError(f"option {unknown[0]} is not known; allowed: {', '.join(known)}")
        connections = option_number(options, "connections", CONNECTIONS)
        if not 1 <= connections <= MOST_CONNECTIONS:
            raise TransportError(f"option connections must be from 1 to {MOST_CONNECTIONS}")
        gateway = load_gateway(Path(option_text(options, "description")), os.environ)
        sender = option_text(options, "sender") if "sender" in options else None
        ca_file = option_text(options, "ca_file") if "ca_file" in options else None
        try:
            return cls(gateway, sender, ca_file, connections)
        except OSError as error:  # ssl.SSLError is one
            raise TransportError("option ca_file must name a readable PEM file") from error

    def send(self, envelope: Envelope) -> Outcome:
        """Hand one text to the gateway."""
        request = self.gateway.request
        try:
            target, headers, body = build_request(self.gateway, envelope, self._sender)
        except ValueError as error:
            return Outcome(result=Result.REFUSED, detail=f"not sent: {error}")
        connection = self._connection()
        try:
            try:
                connection.connect()
            except (OSError, HTTPException) as error:
                return Outcome(result=Result.RETRY, detail=f"no connection to the gateway: {_why(error)}")
            try:
                connection.request(request.method, target, body=body, headers=headers)
            except (OSError, HTTPException) as error:
                return Outcome(result=Result.RETRY, detail=f"the line broke before all was sent: {_why(error)}")
            try:
                line = _Line(connection.sock, request.timeout)
                response = HTTPResponse(cast("socket.socket", line), method=request.method)
                response.begin()
                content = response.read()
                if not re.search(rb"\n\r?\n", line.heard):  # which http.client takes for a whole head
                    raise IncompleteRead(b"")
            except (OSError, HTTPException, ValueError) as error:
                return Outcome(result=Result.UNKNOWN, detail=f"sent, but no whole answer: {_why(error)}")
            return judge(self.gateway, response.status, dict(response.headers.items()), content)
        finally:
            connection.close()

    def close(self) -> None:
        """Nothing is kept open between messages."""

    def _connection(self) -> HTTPConnection:
        host, port, timeout = self._url.hostname or "", self._url.port, self.gateway.request.timeout
        if self._tls is not None:
            return HTTPSConnection(host, port or 443, timeout=timeout, context=self._tls)
        return HTTPConnection(host, port or 80, timeout=timeout)


def build_request(gateway: Gateway, envelope: Envelope, sender: str | None) -> tuple[str, dict[str, str], bytes | None]:
    """Target, headers and body of the request. Raises ValueError (without the value) when one cannot be carried."""
    request, to = gateway.request, envelope.message.to
    if not re.fullmatch(r"\+[0-9]{6,15}", to):
        raise ValueError("the number is not in international form")
    valid = envelope.last_useful - envelope.dated
    values = {
        "to": to,
        "to_plain": to.removeprefix("+"),
        "text": envelope.message.text,
        "key": envelope.key,
        "sender": sender or envelope.sender_name,
        "valid_until": envelope.last_useful.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        # From a fixed moment, so that every attempt has the same body, as idempotency keys demand.
        "valid_seconds": str(max(1, int(valid.total_seconds()))),
    }
    for name, value in values.items():
        if re.search("[\ud800-\udfff]", value):
            raise ValueError(f"the {name} holds half a character")

    def fill(part: object) -> object:
        if part == "{valid_seconds}":
            return int(values["valid_seconds"])
        if isinstance(part, str):  # in one pass: what was filled in is never looked at again
            return PLACEHOLDER.sub(lambda match: values[match[1]], part)
        if isinstance(part, Mapping):
            return {name: fill(one) for name, one in part.items()}
        return [fill(one) for one in part] if isinstance(part, list) else part

    headers = {"User-Agent": "tragus", "Accept": "*/*"}
    headers |= {name: str(fill(value)) for name, value in request.headers.items()}
    if request.idempotency_header:
        headers[request.idempotency_header] = envelope.key
    for name, value in headers.items():
        if not HEADER_VALUE.fullmatch(value):
            raise ValueError(f"the header {name} can hold printable ASCII only")
    query = urlencode({name: str(fill(value)) for name, value in request.query.items()}, quote_via=quote)
    target = (urlsplit(request.url).path or "/") + (f"?{query}" if query else "")
    body: bytes | None = None
    if request.method is not Method.GET and request.body_format is Format.FORM:
        headers["Content-Type"] = "application/x-www-form-urlencoded"
        body = urlencode({name: str(fill(value)) for name, value in request.body.items()}).encode()
    elif request.method is not Method.GET:
        headers["Content-Type"] = "application/json"
        body = json.dumps(fill(request.body), ensure_ascii=False).encode()
    return target, headers | _sign_in(gateway, envelope.handed, target, body or b""), body


def _sign_in(gateway: Gateway, handed: datetime, target: str, body: bytes) -> dict[str, str]:
    who = gateway.sign_in
    if who is None:
        return {}
    secret = gateway.secrets[who.secret_env]
    if who.kind is SignInKind.HEADER:
        return {who.header: secret}
    if who.kind is SignInKind.BEARER:
        return {"Authorization": f"Bearer {secret}"}
    if who.kind is SignInKind.SIGNATURE:
        stamp = write_time(handed, who.timestamp_form)
        parts = {"{timestamp}": stamp.encode(), "{target}": target.encode(), "{body}": body}
        return {who.timestamp_header: stamp, who.header: sign(who, secret, parts)[1]}
    return {"Authorization": "Basic " + base64.b64encode(f"{who.user}:{secret}".encode()).decode()}


class _Line(io.RawIOBase):
    """A socket that is read until a deadline and up to a limit, however slowly the other side drips."""

    def __init__(self, line: socket.socket, seconds: int) -> None:
        self._line, self._ends, self.heard = line, time.monotonic() + seconds, bytearray()

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        seconds = self._ends - time.monotonic()
        if seconds <= 0:
            raise TimeoutError
        self._line.settimeout(seconds)
        count = self._line.recv_into(buffer)
        self.heard += buffer[:count]
        if len(self.heard) > LONGEST_ANSWER:
            raise OSError(f"it is longer than {LONGEST_ANSWER} octets")
        return count

    def makefile(self, _mode: str) -> io.BufferedReader:
        return io.BufferedReader(self)


def _why(error: Exception) -> str:
    """What went wrong, without anything that the other side wrote."""
    said = error.strerror or (str(error) if type(error) is OSError else "") if isinstance(error, OSError) else ""
    return f"{type(error).__name__} {said}".strip()


def judge(gateway: Gateway, status: int, headers: Mapping[str, str], content: bytes) -> Outcome:
    """What a whole answer means."""
    rule, text = gateway.answer, content.decode("utf-8", errors="replace")
    try:
        value = read_json(text)
    except ValueError:
        value = None  # not every answer is JSON; what is looked for in it is then not there
    said = f"the gateway answered {status}"
    if status in rule.success_statuses and (rule.success is None or matches(rule.success, text, value)):
        reference = find(rule.reference, text, value) if rule.reference else None
        if reference or rule.reference is None:
            return Outcome(result=Result.ACCEPTED, detail=said, reference=reference)
        return Outcome(result=Result.UNKNOWN, detail=f"{said}, without its own id for the message")
    if not 300 <= status < 400 and status not in FROM_A_MIDDLEMAN:
        if status in rule.retry_statuses or (rule.retry and matches(rule.retry, text, value)):
            wait = retry_after(headers)
            return Outcome(result=Result.RETRY, detail=f"{said}: not taken, to be tried again", retry_after=wait)
        if 400 <= status < 500 or (rule.refuse and matches(rule.refuse, text, value)):
            bad = rule.contact_bad is not None and matches(rule.contact_bad, text, value)
            return Outcome(result=Result.REFUSED, detail=f"{said}: refused", contact_bad=bad)
    return Outcome(result=Result.UNKNOWN, detail=f"{said}, which says neither yes nor no")


def retry_after(headers: Mapping[str, str]) -> int | None:
    """Retry-After in seconds (RFC 9110 10.2.3). A date in it is counted from the answer's own Date."""
    found = {name.lower(): value.strip() for name, value in headers.items()}
    text = found.get("retry-after", "")
    if re.fullmatch(r"[0-9]{1,9}", text):
        return int(text)
    try:
        wait = parsedate_to_datetime(text) - parsedate_to_datetime(found.get("date", ""))
    except (ValueError, TypeError):
        return None
    return max(0, int(wait.total_seconds()))
