"""Does another database hold exactly the same rows? Copies every table, and proves it by counts and digests."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any

from sqlalchemy import Connection, Engine, Integer, Row, String, Table, collate, func, insert, inspect, select, text
from sqlalchemy.exc import DatabaseError, DBAPIError

from service.domain.message import State
from service.errors import NotAllowedError
from service.storage.migrate import unreachable
from service.storage.tables import Base, LeaseRow, MessageRow

TABLES = tuple(Base.metadata.sorted_tables)
"""Every table; one that refers to another comes after it."""
BATCH = 1000
"""Rows at a time: few enough for memory, many enough for speed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What one table holds: rows, and the SHA-256 over them in the order of the primary key."""

    table: str
    rows: int
    digest: str


def opened(engine: Engine) -> Connection:
    """A connection of its own. Raises SettingsError when the database cannot be opened."""
    try:
        return engine.connect()
    except DatabaseError as failed:
        raise unreachable(failed) from failed


def take_time(connection: Connection) -> None:
    """Let this transaction last as long as it takes: a copy is the one long transaction of this service."""
    if connection.dialect.name == "postgresql":
        for limit in ("statement_timeout", "idle_in_transaction_session_timeout"):
            connection.execute(text(f"SET LOCAL {limit} = 0"))


def hold_still(source: Connection) -> None:
    """Keep every writer off the source until the transaction ends, so that nothing is written and then left behind."""
    if source.dialect.name == "postgresql":
        names = ", ".join(f'"{table.name}"' for table in TABLES)
        source.execute(text(f"LOCK TABLE {names} IN SHARE MODE"))  # on SQLite, BEGIN IMMEDIATE did it


def in_use(connection: Connection, now: datetime) -> str | None:
    """Why the service still seems to run on this database, or None."""
    if connection.dialect.name == "postgresql":
        others = connection.scalar(
            text(
                "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
                " AND application_name = current_setting('application_name') AND pid <> pg_backend_pid()"
            )
        )
        if others:
            return f"{others} other connections of the service are open"
    # What a killed worker left behind under a lease that has run out is moved as it is, and recovered there.
    leased = MessageRow.state.in_([State.CLAIMED.value, State.HANDING.value]), MessageRow.lease_until > now
    count, until = connection.execute(select(func.count(), func.max(MessageRow.lease_until)).where(*leased)).one()
    if count:
        return (
            f"{count} messages are being sent; if the worker that has them was killed, "
            f"try again after {until:%H:%M:%S} UTC, when its lease has run out"
        )
    until = connection.scalar(select(LeaseRow.until).where(LeaseRow.name == "tick", LeaseRow.until > now))
    if until is not None:
        return f"a tick holds its lease for another {(until - now).total_seconds():.0f} seconds"
    return None


def filled_table(connection: Connection) -> str | None:
    """The name of a table that holds rows, or None for an empty database."""
    present = set(inspect(connection).get_table_names())
    for table in TABLES:
        if table.name in present and connection.execute(select(table).limit(1)).first() is not None:
            return str(table.name)
    return None


def copy_table(table: Table, source: Connection, target: Connection) -> Counted:
    """Copy one table; returns what the source holds. Raises NotAllowedError when the target refuses a row."""
    count, digest = 0, hashlib.sha256()
    for rows in _batches(table, source):
        for row in rows:
            digest.update(_canonical(row))
        count += len(rows)
        try:
            target.execute(insert(table), [dict(row._mapping) for row in rows])
        except (DBAPIError, ValueError) as refused:
            said = str(getattr(refused, "orig", refused)).strip().splitlines()[0]
            raise NotAllowedError(
                f"the target refuses a row of the table {table.name} ({said}); nothing was moved"
            ) from refused
    return Counted(table=table.name, rows=count, digest=digest.hexdigest())


def count_table(table: Table, connection: Connection) -> Counted:
    """What one table holds, read anew."""
    count, digest = 0, hashlib.sha256()
    for rows in _batches(table, connection):
        for row in rows:
            digest.update(_canonical(row))
        count += len(rows)
    return Counted(table=table.name, rows=count, digest=digest.hexdigest())


def set_sequences(target: Connection) -> None:
    """Have the next new row get the next free number. SQLite needs no telling."""
    if target.dialect.name != "postgresql":
        return
    for table in TABLES:
        column = table.autoincrement_column
        if column is not None and isinstance(column.type, Integer):
            sequence = func.pg_get_serial_sequence(f'"{table.name}"', column.name)
            highest = func.max(column)
            target.execute(select(func.setval(sequence, func.coalesce(highest, 1), highest.is_not(None))))


def _batches(table: Table, connection: Connection) -> Iterator[list[Row[Any]]]:
    order = [
        collate(column, "C") if connection.dialect.name == "postgresql" and isinstance(column.type, String) else column
        for column in table.primary_key
    ]  # by code points, as SQLite orders text: another database may sort by a language
    query = select(table).order_by(*order).execution_options(yield_per=BATCH)
    for part in connection.execute(query).partitions(BATCH):
        yield list(part)


def _canonical(row: Row[Any]) -> bytes:
    return json.dumps(list(row), default=_plain, ensure_ascii=False, sort_keys=True).encode() + b"\n"


def _plain(value: object) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, (date, time)):
        return value.isoformat()
    raise TypeError(f"a column holds a {type(value).__name__}, which has no canonical form yet")
