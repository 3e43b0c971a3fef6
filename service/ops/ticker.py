"""Looks for due messages every few seconds, and for new mail. The database holds the schedule; this holds the tick."""

from __future__ import annotations

import logging
import threading
from datetime import timedelta

from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy.exc import SQLAlchemyError

from service.config import MailboxSettings
from service.delivery.dispatch import send_due
from service.delivery.exchange import Pass
from service.errors import DatabaseAwayError
from service.inbound.rounds import MAILBOX, after_pass, look_into_mailbox
from service.ops.hourly import EVERY, HOURLY, look_after
from service.services import Services

log = logging.getLogger("service.ticker")

BATCH = 100
"""Messages claimed at a time; small enough that a lease never runs out behind a slow far side."""
TICK = "tick"
"""The duty of the tick: one process at a time holds it."""


def tick(services: Services, owner: str, lease_seconds: int, stopping: threading.Event | None = None) -> Pass:
    """One pass over everything due, if this process holds the duty of the tick (or can take it).

    Two processes by mistake are harmless: only one holds the duty, and claims are leases anyway. Once `stopping` is
    set, nothing new is begun.
    """
    stopping = stopping or threading.Event()
    total = Pass()
    if stopping.is_set() or not services.clock_believed():
        return total
    with services.open_work() as work:
        held = work.ledger.take_lease(TICK, owner, services.clock.now(), timedelta(seconds=lease_seconds))
        work.commit()
    if not held:
        return total
    while not stopping.is_set():
        done = send_due(services, owner, BATCH, stop=stopping.is_set)
        total.claimed += done.claimed
        total.ended += done.ended
        after_pass(services)
        if done.claimed < BATCH:
            break
    if total.ended:
        log.info("sent what was due: %s", dict(total.ended))  # counts and reasons only: never a name or a text
    return total


def start(
    services: Services,
    owner: str,
    every_seconds: int,
    *,
    mailbox: MailboxSettings | None = None,
    stopping: threading.Event | None = None,
) -> BackgroundScheduler:
    """Start ticking in this process, and looking into the mailbox if there is one."""
    stopping = stopping or threading.Event()
    scheduler = start_rounds(services, owner, mailbox, stopping)
    _every(every_seconds, scheduler, tick, [services, owner, max(30, every_seconds * 4), stopping])
    return scheduler


def start_rounds(
    services: Services, owner: str, mailbox: MailboxSettings | None, stopping: threading.Event
) -> BackgroundScheduler:
    """Start what is done now and then beside sending: the hourly round, and the mailbox if there is one."""
    scheduler = BackgroundScheduler(timezone="UTC")
    _every(int(EVERY.total_seconds()), scheduler, look_after, [services, owner])
    if mailbox is not None:
        _every(mailbox.every_seconds, scheduler, look_into_mailbox, [services, mailbox, owner, stopping.is_set])
    scheduler.start()
    return scheduler


def _every(seconds: int, scheduler: BackgroundScheduler, job: object, arguments: list[object]) -> None:
    """A late or overlapping round is skipped: the next one finds the same rows."""
    scheduler.add_job(
        job,
        "interval",
        seconds=seconds,
        args=arguments,
        max_instances=1,
        coalesce=True,
        misfire_grace_time=None,
    )


def end(services: Services, scheduler: BackgroundScheduler, owner: str, stopping: threading.Event) -> None:
    """Begin nothing new, finish the hand-over and the mail under way, and let another process take the duties."""
    stopping.set()
    scheduler.shutdown(wait=True)
    try:
        with services.open_work() as work:
            for duty in (TICK, MAILBOX, HOURLY):
                work.ledger.give_up_lease(duty, owner)
            work.commit()
    except (DatabaseAwayError, SQLAlchemyError) as failed:
        log.warning("the duties are not given up; they run out by themselves: %s", type(failed).__name__)
