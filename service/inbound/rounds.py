"""What is done again and again with what came back: with each transport that hears, after each pass, at the mailbox?

Nothing here ever stops sending: a fault is logged by its kind, and the next round tries again.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

from service.config import MailboxSettings
from service.domain.message import DeliveryReport, Inbound
from service.errors import DatabaseAwayError, TransportError
from service.inbound.bounces import clean
from service.inbound.mailbox import fetch
from service.inbound.receipts import Taken, apply_kept, take_report
from service.inbound.replies import settle_left, take_inbound
from service.services import Services

log = logging.getLogger("service.inbound")

MAILBOX = "mailbox"
"""The duty of looking into the mailbox: one process at a time holds it."""
MAILBOX_TROUBLE = "mailbox-trouble"
"""The fact that says why the mailbox cannot be read; it is not there while all is well."""


def take_receipt(services: Services, report: DeliveryReport) -> Taken:
    """Store one receipt of a far side, in characters that every database takes, and apply it. Raises when it could not
    be stored."""
    report = replace(
        report,
        detail=clean(report.detail),
        key=clean(report.key) if report.key else None,
        reference=clean(report.reference) if report.reference else None,
    )
    return take_report(services, report)


def take_words(services: Services, inbound: Inbound) -> None:
    """Store words that a far side brought and do what they ask; an answer to them may go at once."""
    take_inbound(services, inbound)
    services.wake()


def bind(services: Services) -> None:
    """Tell every transport that hears on its own line where receipts and words go. For each process that sends."""
    for transport in dict.fromkeys(services.transports.values()):
        receive = getattr(transport, "receive", None)
        if receive is not None:
            receive(
                lambda report: take_receipt(services, report),
                lambda inbound: take_words(services, inbound),
                services.clock.now,
            )


def close_transports(services: Services) -> None:
    """Let go of every line, each once."""
    for transport in dict.fromkeys(services.transports.values()):
        transport.close()


def after_pass(services: Services) -> None:
    """Apply the receipts that waited for their message, and finish what an interruption left of incoming words."""
    _guarded("waiting receipts", apply_kept, services)
    _guarded("unfinished words", settle_left, services)


def _guarded(what: str, do: Callable[[Services], int], services: Services) -> None:
    try:
        count = do(services)
    except DatabaseAwayError as away:
        log.warning("%s wait: %s", what, away)
        return
    except Exception as fault:
        log.exception("%s could not be dealt with: %s", what, type(fault).__name__)
        return
    if count:
        log.info("%s: %s dealt with", what, count)


def look_into_mailbox(
    services: Services, settings: MailboxSettings, owner: str, stop: Callable[[], bool] = lambda: False
) -> None:
    """Take the new mail, if this process holds the duty of the mailbox or can take it. Raises nothing.

    The duty outlasts three rounds, so that one process keeps it, and a dead one is followed soon. Two at the same time
    do no harm: a repeated mail changes nothing.
    """
    now = services.clock.now()
    length = timedelta(seconds=3 * settings.every_seconds + settings.timeout)
    try:
        with services.open_work() as work:
            held = work.ledger.take_lease(MAILBOX, owner, now, length)
            work.commit()
        if held:
            _tell(services, settings.host, _fetched(services, settings, stop))
    except DatabaseAwayError as away:
        log.warning("the mailbox waits: %s", away)
    except Exception as fault:
        log.exception("the mailbox could not be looked into: %s", type(fault).__name__)


def _fetched(services: Services, settings: MailboxSettings, stop: Callable[[], bool]) -> tuple[str, str]:
    """The kind of trouble that there was, and what it said; both empty when there was none."""
    try:
        done = fetch(settings, services, stop)
    except TransportError as failed:
        return type(failed.__cause__).__name__, clean(str(failed))[:300]
    if done.faults:
        return "fault", "mail came that could not be taken; it stays unseen in the mailbox and is tried again"
    return "", ""


def _tell(services: Services, host: str, trouble: tuple[str, str]) -> None:
    """Keep the trouble as a fact, and log it when its kind changed: servers put something new into every refusal."""
    kind, said = trouble
    with services.open_work() as work:
        before = work.ledger.fact(MAILBOX_TROUBLE)
        if kind and (before is None or before.partition(": ")[0] != kind):
            work.ledger.set_fact(MAILBOX_TROUBLE, f"{kind}: {said}")
            log.warning("mailbox: %s", said)
        elif not kind and before is not None:
            work.ledger.clear_fact(MAILBOX_TROUBLE)
            log.info("mailbox: %s is read again", host)
        work.commit()
