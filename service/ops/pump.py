"""Who looks for due messages when many processes share one PostgreSQL? Workers that take turns at a pump.

A pump job holds no message and no due time. It says "send what is due now" and no more: the messages table is the only
truth. So a lost, doubled or failed job does no harm, and the next tick finds whatever is due.
"""

from __future__ import annotations

import asyncio
import logging
import signal
import threading
from contextlib import suppress
from importlib.metadata import version
from typing import Any

import psycopg
from procrastinate import App, PsycopgConnector, SyncPsycopgConnector
from procrastinate.connector import BaseConnector
from procrastinate.exceptions import AlreadyEnqueued, ConnectorException
from procrastinate.jobs import DeleteJobCondition, Status
from procrastinate.schema import SchemaManager
from psycopg.sql import SQL, Identifier
from sqlalchemy import make_url

from service.delivery.dispatch import send_due
from service.errors import SettingsError
from service.inbound.rounds import after_pass
from service.services import Services
from service.storage.unit_of_work import connect_arguments

log = logging.getLogger("service.pump")

BATCH = 50
"""Messages claimed at a time. So many that a claim costs little beside the sending (of 10 at a time half as many go out
in a second); so few that a worker that is killed holds few of them up until its claim runs out."""
QUEUE = "pump"
SCHEMA = f"procrastinate_{version('procrastinate').replace('.', '_')}"
"""Procrastinate's own schema, one for each of its versions: there is nothing in it to keep, so nothing to migrate."""
AGAIN_SECONDS = 3.0
"""How long a worker waits before it tries a database anew that went away."""
STALLED_SECONDS = 60.0
"""A worker without a sign of life for so long is gone (it gives one every 10 s)."""
_LOCK = 0x7472616775730002
_GONE = (ConnectorException, psycopg.Error, OSError)


def prepare(url: str) -> None:
    """Make Procrastinate's tables if they are missing. Raises SettingsError."""
    try:
        with psycopg.connect(**_arguments(url)) as connection:
            connection.execute("SELECT pg_advisory_xact_lock(%s)", (_LOCK,))
            connection.execute(SQL("CREATE SCHEMA IF NOT EXISTS {}").format(Identifier(SCHEMA)))
            row = connection.execute("SELECT to_regclass(%s)", (f"{SCHEMA}.procrastinate_jobs",)).fetchone()
            if row is None or row[0] is None:
                connection.execute(SchemaManager.get_schema())
    except psycopg.Error as failed:
        said = str(failed).strip().splitlines()[0]
        raise SettingsError(f"database: the tables of the workers cannot be made ({said})") from failed


class Waker:
    """Tells the workers that something may be due. Losing that is harmless: the next tick finds it."""

    def __init__(self, url: str) -> None:
        """Opens two connections at most. Raises SettingsError."""
        prepare(url)
        self._app = App(connector=SyncPsycopgConnector(**_pool(url, most=2, wait=2.0)))
        self._app.open()

    def wake(self) -> None:
        """Have a worker look now. Never raises: what it is about is stored already."""
        try:
            _defer(self._app)
        except _GONE as failed:
            log.warning("no worker was told; the next tick finds what is due: %s", type(failed).__name__)

    def close(self) -> None:
        """Give the connections back."""
        self._app.close()


class Worker:
    """One of any number of workers. It takes a pump job, sends what is due, and waits for the next one."""

    def __init__(
        self,
        services: Services,
        url: str,
        owner: str,
        tick_seconds: int,
        stopping: threading.Event | None = None,
    ) -> None:
        """`stopping` is set when the worker is told to stop; then nothing new is begun. Raises SettingsError when the
        database does not let it."""
        prepare(url)
        self._services, self._url, self._owner, self._tick = services, url, owner, tick_seconds
        self._stopping = stopping or threading.Event()

    def run(self) -> None:
        """Work until SIGTERM or SIGINT; the hand-overs of the batch under way are finished first."""
        asyncio.run(self._run())

    async def _run(self) -> None:
        told = asyncio.Event()

        def stop() -> None:
            self._stopping.set()
            told.set()

        for name in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(name, stop)
        waiting = asyncio.create_task(told.wait())
        while not told.is_set():
            life = asyncio.create_task(self._live())
            await asyncio.wait({life, waiting}, return_when=asyncio.FIRST_COMPLETED)
            if told.is_set():
                life.cancel()  # which lets the running job end
            try:
                with suppress(asyncio.CancelledError):
                    await life
            except _GONE as failed:
                log.warning("the database is away; trying again: %s", type(failed).__name__)
            await asyncio.wait({waiting}, timeout=AGAIN_SECONDS)

    async def _live(self) -> None:
        """Work until told to stop, or until the database goes away."""
        app = self._app(PsycopgConnector(**_pool(self._url, most=4, wait=10.0)))
        async with app.open_async():
            await app.run_worker_async(
                queues=[QUEUE],
                name=self._owner,
                concurrency=1,
                fetch_job_polling_interval=self._tick,
                delete_jobs=DeleteJobCondition.ALWAYS,
                install_signal_handlers=False,
                stalled_worker_timeout=STALLED_SECONDS,
            )

    def _app(self, connector: BaseConnector) -> App:
        app = App(connector=connector)

        @app.periodic(cron=every(self._tick), periodic_id="tick")
        @app.task(name="pump", queue=QUEUE, queueing_lock="pump")
        def pump(timestamp: int = 0) -> None:
            self._pump(app)

        @app.periodic(cron="*/5 * * * *", periodic_id="tidy")
        @app.task(name="tidy", queue=QUEUE, queueing_lock="tidy")
        async def tidy(timestamp: int = 0) -> None:
            """Forget the jobs of workers that are gone. Nothing waits for them."""
            for job in await app.job_manager.get_stalled_jobs(seconds_since_heartbeat=STALLED_SECONDS):
                await app.job_manager.finish_job(job, status=Status.FAILED, delete_job=True)

        return app

    def _pump(self, app: App) -> None:
        while not self._stopping.is_set() and self._services.clock_believed():
            done = send_due(
                self._services, self._owner, BATCH, stop=self._stopping.is_set, more=lambda: self._call_another(app)
            )
            after_pass(self._services)
            if done.ended:
                log.info("sent what was due: %s", dict(done.ended))  # counts and reasons only: never a name or a text
            if done.claimed < BATCH:
                return

    def _call_another(self, app: App) -> None:
        """There may be more: another worker may help. If it is not told, the next tick or this worker finds it."""
        try:
            _defer(app)
        except _GONE as failed:
            log.warning("no other worker was told: %s", type(failed).__name__)


def every(seconds: int) -> str:
    """A cron expression, its last field seconds, for a tick about every so many seconds and at least every minute."""
    return "* * * * *" if seconds >= 60 else f"* * * * * */{seconds}"


def _defer(app: App) -> None:
    # One pump waiting is enough: it begins later than this moment, so it sees what was stored before it.
    with suppress(AlreadyEnqueued):
        app.configure_task("pump", queue=QUEUE, queueing_lock="pump").defer()


def _arguments(url: str) -> dict[str, Any]:
    parsed = make_url(url)
    _, from_url = parsed.get_dialect()().create_connect_args(parsed)
    ours = connect_arguments(parsed)
    return {**from_url, **ours, "options": f"{ours['options']} -c search_path={SCHEMA}"}


def _pool(url: str, *, most: int, wait: float) -> dict[str, Any]:
    """A pool with at most so many connections; `wait` is how long to wait for one, seconds."""
    return {"conninfo": "", "kwargs": _arguments(url), "min_size": 1, "max_size": most, "timeout": wait}
