"""Brings a database to this version's tables, and says which version it has."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Engine


def upgrade(engine: Engine, revision: str = "head") -> None:
    """Run the migrations that are missing, in one transaction; does nothing when there is none."""
    with engine.connect() as connection:
        config = Config()
        config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        connection.commit()


def version(engine: Engine) -> str | None:
    """The revision that the database is at, or None for an empty one."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()
