"""Looks for due messages every few seconds, and for new mail. The database holds the schedule; this holds the tick."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable
from datetime import timedelta

from apscheduler.schedulers.background import BackgroundScheduler
from sqlalchemy.exc import SQLAlchemyError

from service.config import MailboxSettings
from service.delivery.dispatch import send_due
from service.delivery.exchange import Pass
from service.errors import DatabaseAwayError
from service.inbound.rounds import MAILBOX, after_pass, bind, close_transports, look_into_mailbox
from service.ops.hourly import EVERY, HOURLY, look_after
from service.ops.job_threads import JobThreads
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
    scheduler = BackgroundScheduler(timezone="UTC", executors={"default": JobThreads()})
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


class TickBeside:
    """The tick beside pages that a server of the operator's own serves, in each of its processes that serve.

    A thread does not survive a fork. So nothing begins in the first `every_seconds`: a process that forks meanwhile
    never ticks, and each of its children does in its stead. The tick ends with the process: the hand-over under way is
    finished, and the duties are given up.
    """

    def __init__(
        self, services: Services, owner: Callable[[], str], every_seconds: int, mailbox: MailboxSettings | None
    ) -> None:
        """`owner` is asked in the process that ticks."""
        self._services, self._owner, self._every, self._mailbox = services, owner, every_seconds, mailbox
        self._turn, self._ended, self._forked = threading.Lock(), threading.Event(), False
        self._scheduler: BackgroundScheduler | None = None

    def begin(self) -> None:
        """Tick soon, in this process or in those that it forks. To be called once."""
        os.register_at_fork(
            before=lambda: self._turn.acquire(), after_in_parent=self._in_parent, after_in_child=self._in_child
        )
        threading.Thread(target=self._live, name="tick").start()

    def _in_parent(self) -> None:
        self._forked = True
        self._turn.release()

    def _in_child(self) -> None:
        self._turn, self._ended, self._forked = threading.Lock(), threading.Event(), False
        if self._scheduler is None:
            threading.Thread(target=self._live, name="tick").start()
        self._scheduler = None  # the parent's, which ticks itself: this is no process that serves

    def _live(self) -> None:
        main = threading.main_thread()
        main.join(self._every)
        with self._turn:
            if self._forked or not main.is_alive():
                return
            bind(self._services)
            self._scheduler = start(
                self._services, self._owner(), self._every, mailbox=self._mailbox, stopping=self._ended
            )
        main.join()  # the interpreter waits for this thread in its turn
        with self._turn:
            if self._scheduler is not None:
                try:
                    end(self._services, self._scheduler, self._owner(), self._ended)
                finally:
                    close_transports(self._services)
