"""What is wrong with a description of an HTTP text gateway?"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import fields

from service.transports.gateway_shape import (
    FROM_A_MIDDLEMAN,
    HEADER_VALUE,
    PLACEHOLDER,
    PLACEHOLDERS,
    Answer,
    Format,
    Gateway,
    InboundShape,
    Method,
    ReceiptShape,
    Request,
    Signature,
    SignIn,
    SignInKind,
    Spot,
)

LONGEST_TIMEOUT = 300  # seconds; well inside the lease under which a message is handed over

_LABEL = r"[A-Za-z0-9_-]{1,63}"
_URL = re.compile(
    rf"(?P<scheme>https?)://(?P<host>{_LABEL}(?:\.{_LABEL})*|\[[0-9a-fA-F:.]+\])(?::(?P<port>\d{{1,5}}))?"
    r"(?:/[A-Za-z0-9._~!$&'()*+,;=:@%/-]*)?"  # RFC 3986 3.3
)
_LOOPBACK = re.compile(r"localhost|127(?:\.\d{1,3}){3}|\[::1\]")  # RFC 6761 6.3; RFC 6890 2.2.2, 2.2.3
_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")  # RFC 6901 3
_HEADER_NAME = re.compile(r"[A-Za-z0-9!#$%&'*+.^_`|~-]+")  # RFC 9110 5.6.2, token
_OURS = {"authorization", "connection", "content-length", "content-type", "host", "transfer-encoding"}
NOTHING_HIDDEN = "no secret belongs in this file: put it into the environment and name the variable in secret_env"


def faults_in(written: Gateway, environ: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Every fault of a description as it was written: its key path, and what to do about it."""
    if written.secrets:
        yield "secrets", NOTHING_HIDDEN
    yield from _check_request(written.request)
    yield from _check_answer(written.answer)
    if written.sign_in is not None:
        yield from _check_sign_in(written.sign_in, written.request.method, environ)
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
    for name in ("success", "reference", "retry", "refuse", "contact_bad"):
        yield from _check_spot(f"answer.{name}", getattr(answer, name), ("pointer", "regex"))


def _check_sign_in(sign_in: SignIn, method: Method, environ: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    secret = environ.get(sign_in.secret_env, "")
    if not secret:
        yield "sign_in.secret_env", f"the environment variable {sign_in.secret_env} is not set"
    elif sign_in.kind in (SignInKind.BEARER, SignInKind.HEADER) and not HEADER_VALUE.fullmatch(secret):
        yield "sign_in.secret_env", f"the environment variable {sign_in.secret_env} must hold printable ASCII only"
    signed = sign_in.kind is SignInKind.SIGNATURE
    if (sign_in.kind is SignInKind.BASIC) != bool(sign_in.user) or ":" in sign_in.user:
        yield "sign_in.user", 'goes with kind "basic", and has no colon'
    if _free_header(sign_in.header) != (signed or sign_in.kind is SignInKind.HEADER):
        yield (
            "sign_in.header",
            'names a header to carry the secret or signature, with kind "header" or "signature"',
        )
    if signed and not HEADER_VALUE.fullmatch(f"{sign_in.prefix}x"):
        yield "sign_in.prefix", "must hold printable ASCII only"
    same = signed and sign_in.timestamp_header.lower() == sign_in.header.lower()
    if same or _free_header(sign_in.timestamp_header) != signed:
        yield "sign_in.timestamp_header", 'names another header, to carry the moment, with kind "signature" only'
    what = "{target}" if method is Method.GET else "{body}"
    if signed and (sign_in.signed.count("{timestamp}"), sign_in.signed.count(what)) != (1, 1):
        yield "sign_in.signed", f"must hold {{timestamp}} once and {what} once"
    elif not signed and sign_in.signed:
        yield "sign_in.signed", 'goes with kind "signature" only'


def _free_header(name: str) -> bool:
    return bool(_HEADER_NAME.fullmatch(name)) and name.lower() not in _OURS - {"authorization"}


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
