"""Brings a database to this version's tables, and says which version it has."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DatabaseError

from service.errors import SettingsError

_LOCK = 0x7472616775730001
"""Names the PostgreSQL advisory lock under which migrations run. Any fixed number does."""


def upgrade(engine: Engine, revision: str = "head") -> None:
    """Run the migrations that are missing, in one transaction; does nothing when there is none.

    Processes that start at the same time wait for the first one. Raises SettingsError when the database cannot be
    reached.
    """
    try:
        connection = engine.connect()
    except DatabaseError as failed:
        raise unreachable(failed) from failed
    with connection:
        upgrade_on(connection, revision)
        connection.commit()


def upgrade_on(connection: Connection, revision: str = "head") -> None:
    """The same as a part of the transaction of `connection`, which the caller commits."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SET LOCAL lock_timeout = '5min'"))
        connection.execute(text("SET LOCAL statement_timeout = '30min'"))
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
        # From here on short: a change of a table waits for its lock, and everybody else waits behind it.
        connection.execute(text("SET LOCAL lock_timeout = '5s'"))
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def version(engine: Engine) -> str | None:
    """The revision that the database is at, or None for an empty one."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def unreachable(failed: DatabaseError) -> SettingsError:
    """The one sentence for a database that cannot be opened."""
    said = str(failed.orig).strip().splitlines()[0]
    return SettingsError(f"database: it cannot be opened ({said}); check the setting and that the server runs")
