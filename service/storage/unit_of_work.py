"""One transaction with every repository in it; leaving without `commit()` rolls back."""

from __future__ import annotations

import sqlite3
from types import TracebackType

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import Connection
from sqlalchemy.orm import Session
from sqlalchemy.pool import StaticPool

from service.storage.inbound import InboundBook
from service.storage.ledger import Ledger
from service.storage.messages import Messages
from service.storage.people import Links, People, StaffBook
from service.storage.plans import Plans

BUSY_TIMEOUT_MS = 10_000
"""How long a writer waits for another one on SQLite, milliseconds. Our choice: far above any transaction here."""


def open_engine(url: str) -> Engine:
    """The database engine. SQLite gets write-ahead logging, durable commits, and its BEGIN under our control."""
    if not url.startswith("sqlite"):
        return create_engine(url, pool_pre_ping=True)
    memory = url in ("sqlite://", "sqlite:///:memory:")
    engine = (
        create_engine(url, poolclass=StaticPool, connect_args={"check_same_thread": False})
        if memory
        else create_engine(url)
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


class UnitOfWork:
    """Use as a context manager: `with uow() as work: ...; work.commit()`."""

    def __init__(self, engine: Engine, *, read_only: bool = False) -> None:
        self._engine = engine.execution_options(read_only=True) if read_only else engine

    def __enter__(self) -> UnitOfWork:
        self._session = Session(self._engine, expire_on_commit=False)
        self.people = People(self._session)
        self.staff = StaffBook(self._session)
        self.links = Links(self._session)
        self.plans = Plans(self._session)
        self.messages = Messages(self._session)
        self.ledger = Ledger(self._session)
        self.inbound = InboundBook(self._session)
        return self

    def commit(self) -> None:
        """Keep what was done."""
        self._session.commit()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._session.close()
