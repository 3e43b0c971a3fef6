"""One statement for many rows means the same as SQLAlchemy's own way of running it, on both databases."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from builders import a_database
from sqlalchemy import Connection, Table, bindparam, insert, literal_column, select, update

from service.storage.many import Many
from service.storage.tables import AuditRow, LeaseRow

LEASES: Table = LeaseRow.__table__  # type: ignore[assignment]
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
ROWS: list[dict[str, Any]] = [
    {"name": "it's %s, :name and ?", "owner": "Ærø", "until": NOON},
    {
        "name": "second",
        "owner": "",
        "until": (NOON + timedelta(microseconds=7)).astimezone(timezone(timedelta(hours=2))),
    },
]
ADD = insert(LEASES).values({name: bindparam(name) for name in ("name", "owner", "until")})
MOVE = (
    update(LEASES)
    .where(LEASES.c.name == bindparam("b_name"))
    .values(owner=literal_column("'nobody'"), until=bindparam("until"))
)


def rows(connection: Connection) -> list[tuple[Any, ...]]:
    return [tuple(row) for row in connection.execute(select(LEASES).order_by(LEASES.c.name))]


def test_it_stores_what_the_usual_way_stores(database_url: str) -> None:
    later = [{"b_name": each["name"], "until": each["until"] + timedelta(days=1)} for each in ROWS]
    with a_database(database_url).connect() as connection:
        connection.execute(ADD, ROWS)
        usual = [rows(connection)]
        connection.execute(MOVE, later)
        usual.append(rows(connection))
        connection.rollback()
        many = Many(ADD)
        many.run(connection, ROWS)
        ours = [rows(connection)]
        Many(MOVE).run(connection, later)
        ours.append(rows(connection))
        connection.rollback()
        many.run(connection, [])
        assert rows(connection) == []
    assert ours == usual
    assert len(ours[0]) == 2 and ours[0] != ours[1]


def test_a_moment_without_a_zone_and_a_missing_value_are_refused(database_url: str) -> None:
    with a_database(database_url).connect() as connection:
        with pytest.raises(ValueError, match="time zone"):
            Many(ADD).run(connection, [ROWS[0] | {"until": NOON.replace(tzinfo=None)}])
        with pytest.raises(KeyError, match="owner"):
            Many(ADD).run(connection, [{"name": "x", "until": NOON}])


def test_a_document_is_stored_as_such(database_url: str) -> None:
    table: Table = AuditRow.__table__  # type: ignore[assignment]
    names = ("at", "actor", "action", "subject", "detail")
    statement = insert(table).values({name: bindparam(name) for name in names})
    row = {"at": NOON, "actor": "a", "action": "b", "subject": "c", "detail": {"why": ["x", 1]}}
    with a_database(database_url).connect() as connection:
        Many(statement).run(connection, [row])
        found = connection.execute(select(*(table.c[name] for name in names))).mappings().one()
        assert dict(found) == row
        connection.rollback()
