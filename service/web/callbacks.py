"""What do other machines say to us and ask us? A text gateway's receipts and words, signed; and whether all is well.

No session and no form token: a callback is believed for its signature only. Numbers and words are never logged, and a
wrong signature is answered without a word why. The addresses of the callbacks stand in the gateway's description.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import TypeVar

from flask import Blueprint, Response, abort, jsonify, request
from sqlalchemy.exc import SQLAlchemyError

from service.domain.contact import Channel
from service.errors import DatabaseAwayError, NotAllowedError, SettingsError, TransportError
from service.inbound.rounds import MAILBOX_TROUBLE, take_receipt, take_words
from service.services import Services
from service.transports.gateway_callbacks import LONGEST_CALLBACK, read_inbound, read_receipts, verify
from service.transports.gateway_shape import Gateway
from service.transports.http_gateway import HttpGatewayTransport
from service.web.app import the_services, the_settings

log = logging.getLogger("service.callbacks")

bp = Blueprint("callbacks", __name__)

ROOT = "/callbacks/"
"""What the path of every callback begins with; the rest is as the gateway's description says."""
AGAIN_AHEAD = timedelta(days=1)
"""How far ahead the health address looks for what is tried again. Our choice: only a far side's own wish is longer."""
REMEMBERED = timedelta(days=1)
"""How long a call is remembered. Our choice: far beyond the 15 minutes in which a signature may be believed."""

UNKNOWN_STATES = "unknown-receipt-states"
"""The fact that counts receipts with a state word that the description does not know: the clinic's day, how many on it,
and the last word."""

_Item = TypeVar("_Item")
_Taking = Callable[[Services, Gateway, Mapping[str, str], bytes, datetime], None]


@bp.route(f"{ROOT}<path:rest>", methods=["GET", "POST"])
def called(rest: str) -> Response:
    """Take the receipts or the words of one call, and answer once they are stored. A repeat changes nothing."""
    services = the_services()
    found = _described(services).get(f"{ROOT}{rest}")
    if found is None:
        abort(404)
    channel, gateway, take = found
    request.max_content_length = LONGEST_CALLBACK
    # A gateway that calls with GET has its fields in the query, and signs that in place of a body.
    raw = request.query_string if request.method == "GET" else request.get_data(cache=False)
    headers, now = dict(request.headers.items()), services.clock.now()
    try:
        mark = f"{rest}/{verify(gateway, headers, raw, now)}"
        with services.open_reading() as work:
            known = work.ledger.callback_known(mark)
        if not known:
            take(services, gateway, headers, raw, now)
            with services.open_work() as work:
                work.ledger.note_callback(mark, now, REMEMBERED)
                work.commit()
    except NotAllowedError:
        log.warning("a callback for %s was refused: its signature or its time is wrong", channel)
        return Response(status=403)
    except TransportError as strange:  # names the place in the description, never a value
        log.warning("a callback for %s cannot be read: %s", channel, strange)
        return Response(status=400)
    return Response(status=200, content_type="text/plain; charset=utf-8")


def _receipts(services: Services, gateway: Gateway, headers: Mapping[str, str], raw: bytes, now: datetime) -> None:
    found = read_receipts(gateway, headers, raw, now)
    _each(services, take_receipt, found.reports)
    if found.unknown:
        _note_unknown(services, found.unknown, now)


def _note_unknown(services: Services, words: tuple[str, ...], now: datetime) -> None:
    """Count the receipts of today whose state word the description does not know, for the page of what goes out."""
    # A field that was taken for the state by mistake may hold a number or a name, which is not kept.
    last = words[-1] if re.fullmatch(r"[A-Za-z_-]{1,30}|[0-9]{1,3}", words[-1]) else ""
    today = services.day_of(now).isoformat()
    with services.open_work() as work:
        before = (work.ledger.fact(UNKNOWN_STATES) or "").split(" ")
        count = len(words) + (int(before[1]) if before[0] == today else 0)
        work.ledger.set_fact(UNKNOWN_STATES, f"{today} {count} {last}")
        work.commit()
    log.warning(
        "%d receipts hold a state word that the gateway's description does not know%s; add it to [receipts]",
        len(words),
        f" (the last: {last})" if last else "",
    )


def _inbound(services: Services, gateway: Gateway, headers: Mapping[str, str], raw: bytes, now: datetime) -> None:
    _each(services, take_words, read_inbound(gateway, headers, raw, now))


def _each(services: Services, take: Callable[[Services, _Item], object], items: tuple[_Item, ...]) -> None:
    """Take every item. After a fault in one the others are taken all the same, and the gateway is told to call again:
    what was taken by then is known as a repeat."""
    faults = 0
    for item in items:
        try:
            take(services, item)
        except Exception as fault:  # a traceback might quote a number or a word
            log.error("a part of a callback could not be stored: %s", type(fault).__name__)
            faults += 1
    if faults:
        abort(500)


def _described(services: Services) -> dict[str, tuple[Channel, Gateway, _Taking]]:
    """The callbacks that the transports describe, by path."""
    found: dict[str, tuple[Channel, Gateway, _Taking]] = {}
    for channel, transport in services.transports.items():
        if isinstance(transport, HttpGatewayTransport):
            gateway = transport.gateway
            for shape, take in ((gateway.receipts, _receipts), (gateway.inbound, _inbound)):
                if shape is not None:
                    found[shape.path] = (channel, gateway, take)
    return found


def check_paths(services: Services) -> None:
    """Raises SettingsError when a description has a callback at an address that this service does not answer."""
    for path, (channel, _, _) in _described(services).items():
        if not path.startswith(ROOT) or path == ROOT:
            raise SettingsError(f"transports.{channel}: the path {path} of a callback must begin with {ROOT}")


@bp.get("/health")
def health() -> tuple[Response, int]:
    """Whether what is due goes out, as JSON: 200 when well, else 503. Says nothing about anybody.

    Not well is: the database does not answer; a message has been due and unsent for longer than `health_after_seconds`;
    a transport is paused after failures, or was and has not worked since while something waits for another attempt for
    so long; or, with engine "embedded", whoever held the tick has not renewed it for so long. Trouble with the mailbox
    is shown and not judged: nothing waits unsent for it.
    """
    services, limit = the_services(), timedelta(seconds=the_settings().health_after_seconds)
    try:
        now = services.clock.now()
        with services.open_reading() as work:
            oldest_due = work.views.due(now).oldest
            states, _ = work.transports.read()
            duty = work.ledger.lease("tick")
            mailbox = work.ledger.fact(MAILBOX_TROUBLE)
            failing = any(not state.well for state in states.values())
            tried_since = work.views.again(now, now + AGAIN_AHEAD).oldest if failing else None
    except (DatabaseAwayError, SQLAlchemyError, OSError) as failed:
        log.error("the database does not answer: %s", type(failed).__name__)
        return jsonify({"well": False, "database": False}), 503
    paused = sorted(channel for channel, state in states.items() if (state.paused_until or now) > now)
    overdue = max(now - oldest_due, timedelta(0)) if oldest_due is not None else timedelta(0)
    unsent = max(now - tried_since, timedelta(0)) if tried_since is not None else timedelta(0)
    ticks = duty is not None and the_settings().engine == "embedded"
    unheld = max(now - duty[1], timedelta(0)) if duty is not None and ticks else timedelta(0)
    well = overdue <= limit and unsent <= limit and unheld <= limit and not paused
    said = {
        "well": well,
        "database": True,
        "oldest_due_seconds": int(overdue.total_seconds()),
        "oldest_failing_seconds": int(unsent.total_seconds()),
        "paused": paused,
        "tick_held": duty[1] > now if duty is not None and ticks else None,
        "mailbox_trouble": mailbox is not None,
    }
    return jsonify(said), 200 if well else 503
