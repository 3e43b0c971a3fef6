"""Sends texts through an HTTP gateway that a TOML file describes, and reads the gateway's callbacks.

What an answer means: without a connection, or before the whole request is written, nothing was taken (retry); after
that, only a whole answer that the description explains decides, and everything else is unknown. No redirect is
followed, no proxy is used, and no detail ever holds a text, a number or a secret.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import io
import json
import os
import re
import socket
import ssl
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from http.client import HTTPConnection, HTTPException, HTTPResponse, HTTPSConnection, IncompleteRead
from pathlib import Path
from typing import cast
from urllib.parse import parse_qsl, quote, urlencode, urlsplit

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Envelope, Inbound, Outcome, ReportState, Result
from service.errors import NotAllowedError, TransportError
from service.transports.gateway_file import (
    FROM_A_MIDDLEMAN,
    HEADER_VALUE,
    PLACEHOLDER,
    Encoding,
    Format,
    Gateway,
    InboundShape,
    Mark,
    Method,
    ReceiptShape,
    SignInKind,
    Spot,
    TimeForm,
    load_gateway,
    read_json,
    read_time,
)
from service.transports.port import Options, option_text

LONGEST_ANSWER = 64 * 1024  # octets, head and body together
LONGEST_CALLBACK = 1024 * 1024  # octets; gateways gather receipts into lists
_DETAIL_LENGTH = 200


class HttpGatewayTransport:
    """One connection a message. `idempotent_minutes`: for so long after the first attempt a repeat with the same key
    has one effect at the gateway, so that an unknown outcome may be tried again (0: never)."""

    def __init__(self, gateway: Gateway, sender: str | None = None, ca_file: str | None = None) -> None:
        self._gateway, self._sender = gateway, sender
        self._url = urlsplit(gateway.request.url)
        self._tls = ssl.create_default_context(cafile=ca_file) if self._url.scheme == "https" else None
        self.idempotent_minutes = gateway.request.idempotent_minutes

    @classmethod
    def from_options(cls, options: Options) -> HttpGatewayTransport:
        """Options: description (path of the TOML file), sender (in place of the clinic's name), ca_file (a PEM file,
        for a gateway whose certificate is signed by a private authority). Secrets come from the environment."""
        unknown = sorted(options.keys() - {"description", "sender", "ca_file"})
        if unknown:
            raise TransportError(f"option {unknown[0]} is not known; allowed: description, sender, ca_file")
        gateway = load_gateway(Path(option_text(options, "description")), os.environ)
        sender = option_text(options, "sender") if "sender" in options else None
        try:
            return cls(gateway, sender, option_text(options, "ca_file") if "ca_file" in options else None)
        except OSError as error:  # ssl.SSLError is one
            raise TransportError("option ca_file must name a readable PEM file") from error

    def send(self, envelope: Envelope) -> Outcome:
        """Hand one text to the gateway."""
        request = self._gateway.request
        try:
            target, headers, body = build_request(self._gateway, envelope, self._sender)
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
            return judge(self._gateway, response.status, dict(response.headers.items()), content)
        finally:
            connection.close()

    def close(self) -> None:
        """Nothing is kept open between messages."""

    def _connection(self) -> HTTPConnection:
        host, port, timeout = self._url.hostname or "", self._url.port, self._gateway.request.timeout
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
    headers |= _sign_in(gateway)
    query = urlencode({name: str(fill(value)) for name, value in request.query.items()}, quote_via=quote)
    target = (urlsplit(request.url).path or "/") + (f"?{query}" if query else "")
    if request.method is Method.GET:
        return target, headers, None
    if request.body_format is Format.FORM:
        headers["Content-Type"] = "application/x-www-form-urlencoded"
        return target, headers, urlencode({name: str(fill(value)) for name, value in request.body.items()}).encode()
    headers["Content-Type"] = "application/json"
    return target, headers, json.dumps(fill(request.body), ensure_ascii=False).encode()


def _sign_in(gateway: Gateway) -> dict[str, str]:
    who = gateway.sign_in
    if who is None:
        return {}
    secret = gateway.secrets[who.secret_env]
    if who.kind is SignInKind.HEADER:
        return {who.header: secret}
    if who.kind is SignInKind.BEARER:
        return {"Authorization": f"Bearer {secret}"}
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
            return Outcome(result=Result.REFUSED, detail=f"{said}: refused")
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


def verify(gateway: Gateway, headers: Mapping[str, str], raw_body: bytes, now: datetime) -> str:
    """Check who sent a callback, and when; returns an id that is the same when the same callback comes again.

    Raises NotAllowedError: no signature described, a header missing, a wrong signature, a timestamp out of tolerance.
    """
    rule = gateway.signature
    if rule is None:
        raise NotAllowedError("callbacks of this gateway are not taken: its description has no [signature]")
    found = {name.lower(): value for name, value in headers.items()}
    stamp, given = found.get(rule.timestamp_header.lower()), found.get(rule.header.lower())
    if stamp is None or given is None or len(raw_body) > LONGEST_CALLBACK:
        raise NotAllowedError(f"a callback needs {rule.header} and {rule.timestamp_header}, and at most 1 MB")
    parts = {"{timestamp}": stamp.encode("utf-8", errors="replace"), "{body}": raw_body}
    signed = b"".join(parts.get(part, part.encode()) for part in re.split(r"(\{timestamp\}|\{body\})", rule.signed))
    digest = hmac.digest(gateway.secrets[rule.secret_env].encode(), signed, "sha256")
    right = rule.prefix + (digest.hex() if rule.encoding is Encoding.HEX else base64.b64encode(digest).decode())
    if rule.encoding is Encoding.HEX:
        given, right = given.lower(), right.lower()
    if not hmac.compare_digest(given.encode("utf-8", errors="replace"), right.encode()):
        raise NotAllowedError("the signature of this callback is wrong")
    at = read_time(stamp, rule.timestamp_form)
    if at is None or abs(now - at) > timedelta(seconds=rule.tolerance_seconds):
        raise NotAllowedError("the timestamp of this callback is too far from now")
    return hashlib.sha256(digest).hexdigest()


def read_receipts(
    gateway: Gateway, headers: Mapping[str, str], raw_body: bytes, now: datetime
) -> tuple[DeliveryReport, ...]:
    """The receipts of one callback. Raises NotAllowedError (see `verify`), and TransportError, naming the place, when
    it is not of the described shape. A repeat gives equal reports; `verify` gives the id of the callback."""
    verify(gateway, headers, raw_body, now)
    if gateway.receipts is None:
        raise TransportError("this gateway's description has no [receipts]")
    shape = gateway.receipts
    return tuple(_receipt(shape, item, now) for item in _items(shape, raw_body, "receipts"))


def read_inbound(gateway: Gateway, headers: Mapping[str, str], raw_body: bytes, now: datetime) -> tuple[Inbound, ...]:
    """The words in one callback, each with the gateway's own id. Raises like `read_receipts`."""
    verify(gateway, headers, raw_body, now)
    if gateway.inbound is None:
        raise TransportError("this gateway's description has no [inbound]")
    shape, read = gateway.inbound, []
    for item in _items(shape, raw_body, "inbound"):
        sender = _needed(shape.sender, item, "inbound.sender")
        read.append(
            Inbound(
                channel=Channel.TEXT,
                id=_needed(shape.id, item, "inbound.id"),
                sender=f"+{sender}" if shape.add_plus and re.fullmatch(r"[0-9]+", sender) else sender,
                text=_needed(shape.text, item, "inbound.text", blank=True),
                at=_moment(shape.time, item, shape.time_form, "inbound.time") or now,
                in_reply_to=_maybe(shape.in_reply_to, item),
            )
        )
    return tuple(read)


def _receipt(shape: ReceiptShape, item: object, now: datetime) -> DeliveryReport:
    word = _needed(shape.state, item, "receipts.state")
    states = dict.fromkeys(shape.delivered, ReportState.DELIVERED) | dict.fromkeys(shape.failed, ReportState.FAILED)
    states |= dict.fromkeys(shape.underway, ReportState.UNDERWAY)
    key, reference = _maybe(shape.key, item), _maybe(shape.reference, item)
    if word not in states:
        raise _strange("receipts.state", "holds a word that the description does not know; add it there")
    if key is None and reference is None:
        raise _strange("receipts.reference", "is missing, so the receipt names no message")
    detail = "".join(char if char.isprintable() else " " for char in _maybe(shape.detail, item) or word)
    return DeliveryReport(
        channel=Channel.TEXT,
        state=states[word],
        at=_moment(shape.time, item, shape.time_form, "receipts.time") or now,
        detail=detail[:_DETAIL_LENGTH],
        key=key,
        reference=reference,
        contact_bad=states[word] is ReportState.FAILED
        and shape.contact_bad is not None
        and matches(shape.contact_bad, "", item),
    )


def _items(shape: ReceiptShape | InboundShape, raw_body: bytes, table: str) -> Iterator[object]:
    try:
        text = raw_body.decode("utf-8")
        if shape.format is Format.FORM:
            pairs = parse_qsl(text, keep_blank_values=True, strict_parsing=True, errors="strict", max_num_fields=100)
            if len(dict(pairs)) < len(pairs):
                raise ValueError("a field stands twice")
            yield dict(pairs)
            return
        value = read_json(text)
    except ValueError as error:
        raise _strange(f"{table}.format", f"says {shape.format}, and the callback is none") from error
    items = [value] if shape.each is None else at_pointer(value, shape.each)
    if not isinstance(items, list):
        raise _strange(f"{table}.each", "does not lead to a list")
    yield from items


def _needed(spot: Spot, item: object, place: str, *, blank: bool = False) -> str:
    found = find(spot, "", item)
    if found is None or not (found or blank):
        raise _strange(place, "is missing")
    return found


def _maybe(spot: Spot | None, item: object) -> str | None:
    return find(spot, "", item) or None if spot is not None else None


def _moment(spot: Spot | None, item: object, form: TimeForm, place: str) -> datetime | None:
    text = _maybe(spot, item)
    at = read_time(text, form) if text is not None else None
    if text is not None and at is None:
        raise _strange(place, f"is not a moment written as {form}")
    return at


def _strange(place: str, what: str) -> TransportError:
    return TransportError(f"a callback is not as the gateway's description says: {place} {what}")


def at_pointer(value: object, pointer: str) -> object:
    """What a JSON pointer (RFC 6901) names in a document, or None."""
    for raw in pointer.split("/")[1:]:
        step = raw.replace("~1", "/").replace("~0", "~")
        if isinstance(value, dict):
            value = value.get(step)
        elif isinstance(value, list) and re.fullmatch(r"0|[1-9][0-9]{0,8}", step) and int(step) < len(value):
            value = value[int(step)]
        else:
            return None
    return value


def find(spot: Spot, text: str, value: object) -> str | None:
    """The value at a spot, as text, or None when it is not there. `value` is what the document `text` says."""
    if spot.regex is not None:
        match = re.search(spot.regex, text)
        return match[1] if match else None
    found = at_pointer(value, spot.pointer or "")
    if spot.field is not None:
        found = value.get(spot.field) if isinstance(value, dict) else None
    if isinstance(found, bool):
        return "true" if found else "false"
    return found if isinstance(found, str) else None


def matches(mark: Mark, text: str, value: object) -> bool:
    """Whether a mark is there."""
    found = find(mark, text, value)
    return found is not None and (not mark.words or found in mark.words)
