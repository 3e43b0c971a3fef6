"""What can a description of an HTTP text gateway say? Its values, one table of the file each.

In the texts of a request `{to}` (E.164), `{to_plain}` (its digits only), `{text}`, `{key}`, `{sender}`, `{valid_until}`
(UTC, ISO 8601) and `{valid_seconds}` (from the moment that the message belongs to until its last useful one) are filled
in, as data. A JSON text that is `"{valid_seconds}"` alone becomes a number. Where several values may stand, a `Spot`
says which.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from pydantic import JsonValue

PLACEHOLDERS = ("to", "to_plain", "text", "key", "sender", "valid_until", "valid_seconds")
PLACEHOLDER = re.compile(r"\{([A-Za-z_]+)\}")
HEADER_VALUE = re.compile(r"(?:[\x21-\x7e](?:[\x20-\x7e]*[\x21-\x7e])?)?")
"""What may stand in a header: printable ASCII, no blank at either end (RFC 9110 5.5, without its obsolete octets)."""
FROM_A_MIDDLEMAN = (502, 504)  # RFC 9110 15.6.3, 15.6.5: says nothing about what stood behind it


class Method(StrEnum):
    """The HTTP method of the request."""

    GET = "GET"
    POST = "POST"
    PUT = "PUT"


class Format(StrEnum):
    """How fields are written in a body. A callback that carries its fields in the query is read as a form."""

    JSON = "json"
    FORM = "form"


class SignInKind(StrEnum):
    """How the request says who we are."""

    BEARER = "bearer"
    BASIC = "basic"
    HEADER = "header"
    SIGNATURE = "signature"


class TimeForm(StrEnum):
    """How a moment is written."""

    SECONDS = "unix-seconds"
    MILLISECONDS = "unix-milliseconds"
    ISO = "iso-8601"


class Encoding(StrEnum):
    """How the octets of a signature are written."""

    HEX = "hex"
    BASE64 = "base64"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """Where one value is: exactly one of a JSON pointer (RFC 6901), a form field, a regex with one group."""

    pointer: str | None = None
    field: str | None = None
    regex: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark(Spot):
    """A value that means something when it is one of `words`; without words, when it is there at all."""

    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What is sent. `timeout` (seconds) bounds the wait for the connection, and again for the whole answer. With
    `idempotent_minutes` the gateway promises that a repeat with the same key has one effect, for that long."""

    method: Method
    url: str
    timeout: int = 30
    allow_plain_http: bool = False
    idempotency_header: str = ""
    idempotent_minutes: int = 0
    body_format: Format = Format.JSON
    headers: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)
    body: Mapping[str, JsonValue] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignIn:
    """Who we are. `header` is for the kinds "header" and "signature", `user` for kind "basic" (RFC 7617), the rest for
    kind "signature": HMAC-SHA256 over `signed`, in which {timestamp} is the moment of the hand-over as written in its
    header, {target} path and query of the request, and {body} the octets of its body (none with GET)."""

    kind: SignInKind
    secret_env: str
    user: str = ""
    header: str = ""
    timestamp_header: str = ""
    signed: str = ""
    prefix: str = ""
    encoding: Encoding = Encoding.HEX
    timestamp_form: TimeForm = TimeForm.SECONDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What answers mean. An answer with one of `success_statuses` is a yes when `success` and `reference` (the
    gateway's own id), as far as described, are found. `retry_statuses` are documented as "not taken, try again".
    A refusal with `contact_bad` says that the number itself is unusable."""

    success_statuses: tuple[int, ...] = (200, 201, 202)
    success: Mark | None = None
    reference: Spot | None = None
    retry_statuses: tuple[int, ...] = ()
    retry: Mark | None = None
    refuse: Mark | None = None
    contact_bad: Mark | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """HMAC-SHA256 over `signed`, in which {timestamp} is the header's text and {body} the raw octets of the body."""

    secret_env: str
    header: str
    timestamp_header: str
    signed: str = "{timestamp}.{body}"
    prefix: str = ""
    encoding: Encoding = Encoding.HEX
    timestamp_form: TimeForm = TimeForm.SECONDS
    tolerance_seconds: int = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiptShape:
    """Where a receipt says what. `each` is the pointer to a list of them; without it the body is one receipt."""

    path: str
    state: Spot
    delivered: tuple[str, ...]
    failed: tuple[str, ...]
    underway: tuple[str, ...] = ()
    format: Format = Format.JSON
    each: str | None = None
    reference: Spot | None = None
    key: Spot | None = None
    detail: Spot | None = None
    time: Spot | None = None
    time_form: TimeForm = TimeForm.ISO
    contact_bad: Mark | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class InboundShape:
    """Where words from a person stand. With `add_plus` the sender is E.164 without its "+", which is put back."""

    path: str
    id: Spot
    sender: Spot
    text: Spot
    format: Format = Format.JSON
    each: str | None = None
    time: Spot | None = None
    time_form: TimeForm = TimeForm.ISO
    in_reply_to: Spot | None = None
    add_plus: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Gateway:
    """A checked description, with the `secrets` that it names, by environment variable (never from the file)."""

    request: Request
    answer: Answer
    sign_in: SignIn | None = None
    signature: Signature | None = None
    receipts: ReceiptShape | None = None
    inbound: InboundShape | None = None
    secrets: Mapping[str, str] = field(default_factory=dict, repr=False)
