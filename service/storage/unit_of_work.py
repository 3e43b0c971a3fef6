"""One transaction with every repository in it; leaving without `commit()` rolls back."""

from __future__ import annotations

import math
import sqlite3
import time
from collections.abc import Mapping
from contextlib import suppress
from functools import partial
from types import TracebackType
from typing import Any

from sqlalchemy import Engine, create_engine, event, make_url
from sqlalchemy.engine import URL, Connection, Dialect
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import InterfaceError, InvalidatePoolError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from sqlalchemy.orm import Session
from sqlalchemy.pool import ConnectionPoolEntry, StaticPool

from service.errors import DatabaseAwayError, SettingsError
from service.storage.by_hand import ByHand
from service.storage.facts import FactsBook
from service.storage.inbound import InboundBook
from service.storage.ledger import Ledger
from service.storage.letters import Letters
from service.storage.looks import Looks
from service.storage.messages import Messages
from service.storage.outbox_views import OutboxViews
from service.storage.people import Links, People, StaffBook
from service.storage.plans import Plans
from service.storage.queue import Queue
from service.storage.recall_views import RecallViews
from service.storage.recalls import Recalls
from service.storage.requests import Requests
from service.storage.revisions import Revisions
from service.storage.transport_states import TransportStates

BUSY_TIMEOUT_MS = 10_000
"""How long a writer waits for another one on SQLite, milliseconds. Our choice: far above any transaction here."""

ASK_AFTER_SECONDS = 1.0
"""A connection to PostgreSQL that was idle for so long is asked whether it lives before it is used again."""

_POSTGRESQL = {
    "lock_timeout": "10s",  # as long as a writer waits on SQLite
    "statement_timeout": "60s",
    "idle_in_transaction_session_timeout": "60s",  # no transaction here waits for anything but the database
    "timezone": "UTC",
    "application_name": "tragus",
}
"""What each PostgreSQL session starts with. `options` in the database URL win over these."""


def open_engine(url: str) -> Engine:
    """The database engine. SQLite gets write-ahead logging, durable commits, and its BEGIN under our control;
    PostgreSQL gets time limits, so that a stuck statement ends as an error and not as a stuck service."""
    if not url.startswith("sqlite"):
        return _open_postgresql(make_url(url))
    memory = url in ("sqlite://", "sqlite:///:memory:")
    engine = (
        create_engine(url, poolclass=StaticPool, connect_args={"check_same_thread": False}, hide_parameters=True)
        if memory
        else create_engine(url, hide_parameters=True)
    )

    @event.listens_for(engine, "connect")
    def _configure(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # we emit BEGIN ourselves, below
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",
            f"busy_timeout = {BUSY_TIMEOUT_MS}",
            "foreign_keys = ON",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # A transaction that reads and then writes must take the write lock at once: SQLite cannot upgrade a reader
        # behind another writer and fails at once with "database is locked", whatever the timeout.
        read_only = connection.get_execution_options().get("read_only", False)
        connection.exec_driver_sql("BEGIN" if read_only else "BEGIN IMMEDIATE")

    return engine


def connect_arguments(url: URL) -> dict[str, str | int]:
    """How every PostgreSQL session of this service is opened, beside what the URL says; in libpq's words."""
    ours = " ".join(f"-c {name}={value}" for name, value in _POSTGRESQL.items())
    theirs = url.query.get("options", "")
    return {
        "connect_timeout": 10,
        "tcp_user_timeout": 30_000,  # a server that vanished without a word is given up after 30 seconds
        "options": f"{ours} {theirs if isinstance(theirs, str) else ' '.join(theirs)}".strip(),
    }


def _open_postgresql(url: URL) -> Engine:
    try:
        engine = create_engine(
            url,
            hide_parameters=True,  # an error that reaches a log names no person and quotes no message
            isolation_level="READ COMMITTED",  # with the row locks of locks.py
            pool_size=5,
            max_overflow=10,
            pool_timeout=30,
            pool_recycle=1800,
            connect_args=connect_arguments(url),
        )
    except ModuleNotFoundError as missing:
        raise SettingsError(f"database: PostgreSQL needs the extra `scaled` ({missing.name} is missing)") from missing
    event.listen(engine, "checkin", _note_use)
    event.listen(engine, "checkout", partial(_ask_if_idle, engine.dialect))
    return engine


def _note_use(_connection: object, record: ConnectionPoolEntry) -> None:
    record.info["used"] = time.monotonic()


def _ask_if_idle(dialect: Dialect, connection: DBAPIConnection, record: ConnectionPoolEntry, _proxy: object) -> None:
    """A connection that died with a restarted server is replaced, not handed out. One that was in use a moment ago is
    not asked: sending takes one many times a second, and each question is one more way to the server and back."""
    if time.monotonic() - record.info.get("used", -math.inf) < ASK_AFTER_SECONDS:
        return
    try:
        dialect.do_ping(connection)
    except dialect.loaded_dbapi.Error as dead:
        raise InvalidatePoolError from dead


_READING: dict[str, dict[str, Any]] = {
    "sqlite": {"read_only": True},
    # One snapshot for a whole page, as SQLite gives it; it never waits and never fails.
    "postgresql": {"read_only": True, "isolation_level": "REPEATABLE READ", "postgresql_readonly": True},
}


class _Session(Session):
    """Keeps the connection of its transaction at hand: to be asked for it costs as much as a small statement does."""

    _at_hand: Connection | None = None

    def connection(
        self,
        bind_arguments: dict[str, Any] | None = None,
        execution_options: Mapping[str, Any] | None = None,
    ) -> Connection:
        """The connection of this transaction."""
        if bind_arguments or execution_options:
            return super().connection(bind_arguments, execution_options)
        if self._at_hand is None or not self._at_hand.in_transaction():
            self._at_hand = super().connection()
        return self._at_hand


class UnitOfWork:
    """Use as a context manager: `with uow() as work: ...; work.commit()`."""

    def __init__(self, engine: Engine, *, read_only: bool = False) -> None:
        self._engine = engine.execution_options(**_READING[engine.dialect.name]) if read_only else engine

    def __enter__(self) -> UnitOfWork:
        self._session = _Session(self._engine, expire_on_commit=False)
        self.people = People(self._session)
        self.staff = StaffBook(self._session)
        self.links = Links(self._session)
        self.plans = Plans(self._session)
        self.messages = Messages(self._session)
        self.queue = Queue(self._session)
        self.facts = FactsBook(self._session)
        self.transports = TransportStates(self._session)
        self.ledger = Ledger(self._session)
        self.looks = Looks(self._session)
        self.letters = Letters(self._session)
        self.inbound = InboundBook(self._session)
        self.recalls = Recalls(self._session)
        self.recall_views = RecallViews(self._session)
        self.requests = Requests(self._session)
        self.revisions = Revisions(self._session)
        self.views = OutboxViews(self._session)
        self.by_hand = ByHand(self._session)
        return self

    def let_go(self) -> None:
        """Close every idle connection to the database, for all units of work: two processes may share none."""
        self._engine.dispose()

    def commit(self) -> None:
        """Keep what was done. Raises DatabaseAwayError."""
        try:
            self._session.commit()
        except _AWAY as failed:
            raise _away(failed) from failed

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(*_AWAY):  # nothing is lost: what was not committed was not to be kept
            self._session.close()
        if isinstance(error, _AWAY):
            raise _away(error) from error


_AWAY = (OperationalError, InterfaceError, PoolTimeoutError)
"""How the drivers say that the server is gone, the disk is full, or somebody else holds what we need for too long."""


def _away(failed: Exception) -> DatabaseAwayError:
    said = str(getattr(failed, "orig", failed)).strip().splitlines()
    return DatabaseAwayError(f"the database does not take part now: {said[0] if said else type(failed).__name__}")
