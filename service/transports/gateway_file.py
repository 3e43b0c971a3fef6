"""How does one HTTP text gateway want to be spoken to? Its description: values, and their reading from a TOML file.

A description says what to send, how to sign in, what the answers mean, and what its callbacks look like. Secrets are
never in it: it names environment variables. In the texts of a request `{to}` (E.164), `{to_plain}` (its digits only),
`{text}`, `{key}`, `{sender}`, `{valid_until}` (UTC, ISO 8601) and `{valid_seconds}` (from the moment that the message
belongs to until its last useful one) are filled in, as data. A JSON text that is `"{valid_seconds}"` alone becomes a
number. Where several values may stand, a `Spot` says which.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path

from pydantic import ConfigDict, JsonValue, TypeAdapter, ValidationError

from service.errors import Fault, TransportError

PLACEHOLDERS = ("to", "to_plain", "text", "key", "sender", "valid_until", "valid_seconds")
PLACEHOLDER = re.compile(r"\{([A-Za-z_]+)\}")
HEADER_VALUE = re.compile(r"(?:[\x21-\x7e](?:[\x20-\x7e]*[\x21-\x7e])?)?")
"""What may stand in a header: printable ASCII, no blank at either end (RFC 9110 5.5, without its obsolete octets)."""
LONGEST_TIMEOUT = 300  # seconds; well inside the lease under which a message is handed over
FROM_A_MIDDLEMAN = (502, 504)  # RFC 9110 15.6.3, 15.6.5: says nothing about what stood behind it

_LABEL = r"[A-Za-z0-9_-]{1,63}"
_URL = re.compile(
    rf"(?P<scheme>https?)://(?P<host>{_LABEL}(?:\.{_LABEL})*|\[[0-9a-fA-F:.]+\])(?::(?P<port>\d{{1,5}}))?"
    r"(?:/[A-Za-z0-9._~!$&'()*+,;=:@%/-]*)?"  # RFC 3986 3.3
)
_LOOPBACK = re.compile(r"localhost|127(?:\.\d{1,3}){3}|\[::1\]")  # RFC 6761 6.3; RFC 6890 2.2.2, 2.2.3
_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")  # RFC 6901 3
_HEADER_NAME = re.compile(r"[A-Za-z0-9!#$%&'*+.^_`|~-]+")  # RFC 9110 5.6.2, token
_OURS = {"authorization", "connection", "content-length", "content-type", "host", "transfer-encoding"}
_HIDDEN_KEYS = {"secret", "token", "password"}
_NOTHING_HIDDEN = "no secret belongs in this file: put it into the environment and name the variable in secret_env"


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
    """Who we are. `header` is for kind "header", `user` for kind "basic" (RFC 7617)."""

    kind: SignInKind
    secret_env: str
    user: str = ""
    header: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What answers mean. An answer with one of `success_statuses` is a yes when `success` and `reference` (the
    gateway's own id), as far as described, are found. `retry_statuses` are documented as "not taken, try again"."""

    success_statuses: tuple[int, ...] = (200, 201, 202)
    success: Mark | None = None
    reference: Spot | None = None
    retry_statuses: tuple[int, ...] = ()
    retry: Mark | None = None
    refuse: Mark | None = None


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


# The settings of pydantic reach a standard dataclass from what contains it: hence the dict around the description.
_FILE: TypeAdapter[dict[str, Gateway]] = TypeAdapter(dict[str, Gateway], config=ConfigDict(extra="forbid", strict=True))


def load_gateway(path: Path, environ: Mapping[str, str]) -> Gateway:
    """The description in a TOML file. Raises TransportError: one line a fault, with file, key path and what to do."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        written = _FILE.validate_json(json.dumps({"": data}, default=str), strict=True)[""]
    except OSError as error:
        raise _broken([Fault(file=str(path), path="", message="this file cannot be read; check its path")]) from error
    except ValidationError as error:
        raise _broken([_fault(path, one["loc"][1:], one["type"], one["msg"]) for one in error.errors()]) from error
    except ValueError as error:  # not TOML, or not UTF-8
        raise _broken([Fault(file=str(path), path="", message=f"is not TOML: {error}")]) from error
    faults = [Fault(file=str(path), path=place, message=message) for place, message in _check(written, environ)]
    if faults:
        raise _broken(faults)
    names = [part.secret_env for part in (written.sign_in, written.signature) if part is not None]
    return replace(written, secrets={name: environ[name] for name in names})


def read_time(text: str, form: TimeForm) -> datetime | None:
    """A moment as UTC, or None when it is none. ISO 8601 needs its offset."""
    try:
        if form is TimeForm.ISO:
            at = datetime.fromisoformat(text)
            return at.astimezone(UTC) if at.tzinfo is not None else None
        if not re.fullmatch(r"[0-9]{1,16}", text):
            return None
        return datetime.fromtimestamp(int(text) / (1000 if form is TimeForm.MILLISECONDS else 1), tz=UTC)
    except (ValueError, OverflowError, OSError):
        return None


def read_json(text: str) -> object:
    """A JSON document whose numbers stay text, digit by digit. Raises ValueError when it is none."""
    try:
        return json.loads(text, parse_int=str, parse_float=str, parse_constant=str)
    except RecursionError as error:
        raise ValueError("the document is nested too deeply") from error


def _templates(value: object, path: str) -> Iterator[tuple[str, str]]:
    """Every text in a part of the request, with its key path."""
    if isinstance(value, str):
        yield path, value
    elif isinstance(value, Mapping):
        for name, one in value.items():
            yield from _templates(one, f"{path}.{name}")
    elif isinstance(value, list):
        for index, one in enumerate(value):
            yield from _templates(one, f"{path}.{index}")


def _broken(faults: list[Fault]) -> TransportError:
    return TransportError("\n".join(map(str, faults)))


def _fault(path: Path, loc: tuple[int | str, ...], kind: str, message: str) -> Fault:
    if kind == "unexpected_keyword_argument":
        message = "this key is not known: look for a typing mistake"
        if loc[-1] in _HIDDEN_KEYS:
            message = _NOTHING_HIDDEN
    elif kind.startswith("missing"):
        message = "this key is missing"
    return Fault(file=str(path), path=".".join(map(str, loc)), message=message)


def _check(written: Gateway, environ: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    if written.secrets:
        yield "secrets", _NOTHING_HIDDEN
    yield from _check_request(written.request)
    yield from _check_answer(written.answer)
    if written.sign_in is not None:
        yield from _check_sign_in(written.sign_in, environ)
    if written.signature is not None:
        yield from _check_signature(written.signature, environ)
    for name, shape in (("receipts", written.receipts), ("inbound", written.inbound)):
        if shape is not None:
            if written.signature is None:
                yield name, "callbacks are only taken when signed: describe [signature]"
            yield from _check_shape(name, shape)


def _check_request(request: Request) -> Iterator[tuple[str, str]]:
    fault = _url_fault(request.url, request.allow_plain_http)
    if fault:
        yield "request.url", fault
    if not 1 <= request.timeout <= LONGEST_TIMEOUT:
        yield "request.timeout", f"must be 1 to {LONGEST_TIMEOUT} seconds"
    if request.body and request.method is Method.GET:
        yield "request.body", "a GET request has no body; put the fields under [request.query]"
    for name, value in request.body.items():
        if request.body_format is Format.FORM and not isinstance(value, str):
            yield f"request.body.{name}", "a form field must be text, in quotes"
    named = dict(request.headers)
    if request.idempotency_header:
        named[request.idempotency_header] = "{key}"
    for name, value in named.items():
        if not _HEADER_NAME.fullmatch(name) or name.lower() in _OURS:
            yield f"request.headers.{name}", "this header cannot be set here (see [sign_in] and body_format)"
        if not HEADER_VALUE.fullmatch(value) or "{text}" in value:
            yield f"request.headers.{name}", "a header holds printable ASCII only, and never {text}"
    used: set[str] = set()
    parts = {"headers": named, "query": request.query, "body": request.body}
    for place, template in _templates(parts, "request"):
        for name in PLACEHOLDER.findall(template):
            used.add(name)
            if name not in PLACEHOLDERS:
                yield place, f"{{{name}}} is not known; there are {{{'}, {'.join(PLACEHOLDERS)}}}"
    if "text" not in used or not used & {"to", "to_plain"}:
        yield "request", "the request must carry {text}, and {to} or {to_plain}"
    if request.idempotent_minutes < 0 or (request.idempotent_minutes and "key" not in used):
        yield "request.idempotent_minutes", "needs 0 or more minutes, and {key} or idempotency_header in the request"


def _url_fault(url: str, plain_allowed: bool) -> str | None:
    match = _URL.fullmatch(url)
    if match is None or not 0 < int(match["port"] or 443) < 65536:
        return "must be such as https://gateway.example/texts: no user, query or placeholder (see [request.query])"
    if match["scheme"] == "http" and not plain_allowed and not _LOOPBACK.fullmatch(match["host"]):
        return "must be https; only a gateway on a closed network may be plain, with allow_plain_http = true"
    return None


def _check_answer(answer: Answer) -> Iterator[tuple[str, str]]:
    if answer.success is None and answer.reference is None:
        yield "answer", "describe success or reference: a status alone is no yes"
    if not answer.success_statuses or any(not 200 <= status < 300 for status in answer.success_statuses):
        yield "answer.success_statuses", "must be statuses from 200 to 299"
    if any(not 400 <= status < 600 or status in FROM_A_MIDDLEMAN for status in answer.retry_statuses):
        yield "answer.retry_statuses", "must be from 400 to 599, but never 502 or 504: a middleman says those"
    for name in ("success", "reference", "retry", "refuse"):
        yield from _check_spot(f"answer.{name}", getattr(answer, name), ("pointer", "regex"))


def _check_sign_in(sign_in: SignIn, environ: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    secret = environ.get(sign_in.secret_env, "")
    if not secret:
        yield "sign_in.secret_env", f"the environment variable {sign_in.secret_env} is not set"
    elif sign_in.kind is not SignInKind.BASIC and not HEADER_VALUE.fullmatch(secret):
        yield "sign_in.secret_env", f"the environment variable {sign_in.secret_env} must hold printable ASCII only"
    if (sign_in.kind is SignInKind.BASIC) != bool(sign_in.user) or ":" in sign_in.user:
        yield "sign_in.user", 'goes with kind "basic", and has no colon'
    named = bool(_HEADER_NAME.fullmatch(sign_in.header)) and sign_in.header.lower() not in _OURS - {"authorization"}
    if named != (sign_in.kind is SignInKind.HEADER):
        yield "sign_in.header", 'names the header that carries the secret, with kind "header" only'


def _check_signature(signature: Signature, environ: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    if not environ.get(signature.secret_env):
        yield "signature.secret_env", f"the environment variable {signature.secret_env} is not set"
    if signature.signed.count("{timestamp}") != 1 or signature.signed.count("{body}") != 1:
        yield "signature.signed", "must hold {timestamp} once and {body} once"
    if not 1 <= signature.tolerance_seconds <= 900:
        yield "signature.tolerance_seconds", "must be 1 to 900 seconds"


def _check_shape(name: str, shape: ReceiptShape | InboundShape) -> Iterator[tuple[str, str]]:
    if not shape.path.startswith("/"):
        yield f"{name}.path", 'must begin with "/"'
    if shape.each is not None and (shape.format is Format.FORM or not _POINTER.fullmatch(shape.each)):
        yield f"{name}.each", "must be a JSON pointer to a list; a form holds one only"
    allowed = ("field",) if shape.format is Format.FORM else ("pointer",)
    for one in fields(shape):
        if isinstance(spot := getattr(shape, one.name), Spot):
            yield from _check_spot(f"{name}.{one.name}", spot, allowed)
    if isinstance(shape, ReceiptShape):
        words = [*shape.delivered, *shape.failed, *shape.underway]
        if not shape.delivered or not shape.failed or len(set(words)) < len(words):
            yield name, "delivered and failed need words, and no word may stand twice"
        if shape.reference is None and shape.key is None:
            yield name, "describe reference or key: a receipt must name its message"


def _check_spot(path: str, spot: Spot | None, allowed: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    if spot is None:
        return
    given = [name for name in ("pointer", "field", "regex") if getattr(spot, name) is not None]
    if len(given) != 1 or given[0] not in allowed:
        yield path, f"must have exactly one of: {', '.join(allowed)}"
    elif spot.pointer is not None and not _POINTER.fullmatch(spot.pointer):
        yield f"{path}.pointer", 'must be a JSON pointer, such as "/status"'
    elif spot.regex is not None:
        try:
            usable = re.compile(spot.regex).groups == 1
        except re.error:
            usable = False
        if not usable:
            yield f"{path}.regex", "must be a regular expression with exactly one group, around the value"
