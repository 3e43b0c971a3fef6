"""What does a callback of an HTTP text gateway say, and is it really from there?

`verify` is called by the other two, first. `Gateway.receipts` and `Gateway.inbound` have the paths that callbacks come
to.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import parse_qsl

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Inbound, ReportState
from service.errors import NotAllowedError, TransportError
from service.transports.gateway_shape import Encoding, Format, Gateway, InboundShape, ReceiptShape, Spot, TimeForm
from service.transports.gateway_values import at_pointer, find, matches, read_json, read_time, sign

LONGEST_CALLBACK = 1024 * 1024  # octets; gateways gather receipts into lists
_DETAIL_LENGTH = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipts:
    """The receipts of one callback; `unknown` are the state words that the description does not know, one for each
    receipt that is left out because of it."""

    reports: tuple[DeliveryReport, ...]
    unknown: tuple[str, ...] = ()


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
    digest, right = sign(rule, gateway.secrets[rule.secret_env], parts)
    if rule.encoding is Encoding.HEX:
        given, right = given.lower(), right.lower()
    if not hmac.compare_digest(given.encode("utf-8", errors="replace"), right.encode()):
        raise NotAllowedError("the signature of this callback is wrong")
    at = read_time(stamp, rule.timestamp_form)
    if at is None or abs(now - at) > timedelta(seconds=rule.tolerance_seconds):
        raise NotAllowedError("the timestamp of this callback is too far from now")
    return hashlib.sha256(digest).hexdigest()


def read_receipts(gateway: Gateway, headers: Mapping[str, str], raw_body: bytes, now: datetime) -> Receipts:
    """The receipts of one callback. Raises NotAllowedError (see `verify`), and TransportError, naming the place, when
    it is not of the described shape. A repeat gives equal reports; `verify` gives the id of the callback. A receipt
    with a state word that the description does not know is left out: nothing follows from it, and the others count.

    `raw_body` is the body as it came in. For a callback that carries its fields in the query (format "form", method
    GET), it is the query as it came in, without the question mark."""
    verify(gateway, headers, raw_body, now)
    if gateway.receipts is None:
        raise TransportError("this gateway's description has no [receipts]")
    shape = gateway.receipts
    states = dict.fromkeys(shape.delivered, ReportState.DELIVERED) | dict.fromkeys(shape.failed, ReportState.FAILED)
    states |= dict.fromkeys(shape.underway, ReportState.UNDERWAY)
    reports, unknown = list[DeliveryReport](), list[str]()
    for item in _items(shape, raw_body, "receipts"):
        word = _needed(shape.state, item, "receipts.state")
        if word in states:
            reports.append(_receipt(shape, item, word, states[word], now))
        else:
            unknown.append(word)
    return Receipts(reports=tuple(reports), unknown=tuple(unknown))


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


def _receipt(shape: ReceiptShape, item: object, word: str, state: ReportState, now: datetime) -> DeliveryReport:
    key, reference = _maybe(shape.key, item), _maybe(shape.reference, item)
    if key is None and reference is None:
        raise _strange("receipts.reference", "is missing, so the receipt names no message")
    detail = "".join(char if char.isprintable() else " " for char in _maybe(shape.detail, item) or word)
    return DeliveryReport(
        channel=Channel.TEXT,
        state=state,
        at=_moment(shape.time, item, shape.time_form, "receipts.time") or now,
        detail=detail[:_DETAIL_LENGTH],
        key=key,
        reference=reference,
        contact_bad=state is ReportState.FAILED
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
