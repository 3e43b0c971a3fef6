"""Looks for due messages every few seconds. The database holds the schedule; this holds only the tick."""

from __future__ import annotations

import logging
from datetime import timedelta

from apscheduler.schedulers.background import BackgroundScheduler

from service.delivery.dispatch import Pass, send_due
from service.services import Services

log = logging.getLogger("service.ticker")

BATCH = 100
"""Messages claimed at a time; small enough that a lease never runs out behind a slow far side."""


def tick(services: Services, owner: str, lease_seconds: int) -> Pass:
    """One pass over everything due, if this process holds the duty of the tick (or can take it).

    Two processes by mistake are harmless: only one holds the duty, and claims are leases anyway.
    """
    total = Pass()
    with services.open_work() as work:
        held = work.ledger.take_lease("tick", owner, services.clock.now(), timedelta(seconds=lease_seconds))
        work.commit()
    if not held:
        return total
    while True:
        done = send_due(services, owner, BATCH)
        total.claimed += done.claimed
        total.ended += done.ended
        if done.claimed < BATCH:
            break
    if total.ended:
        log.info("sent what was due: %s", dict(total.ended))  # counts and reasons only: never a name or a text
    return total


def start(services: Services, owner: str, every_seconds: int) -> BackgroundScheduler:
    """Start ticking in this process. A late or overlapping tick is skipped: the next one finds the same rows."""
    scheduler = BackgroundScheduler(timezone="UTC")
    scheduler.add_job(
        tick,
        "interval",
        seconds=every_seconds,
        args=[services, owner, max(30, every_seconds * 4)],
        max_instances=1,
        coalesce=True,
        misfire_grace_time=None,
    )
    scheduler.start()
    return scheduler
