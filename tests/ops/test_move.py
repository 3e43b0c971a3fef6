"""Moving the whole database: everything arrives and is proved, or nothing is moved."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from builders import SECRET, a_person, a_service, a_visit, some_settings
from click.testing import CliRunner, Result
from conftest import connections_closed
from database.postgres import Postgres
from sqlalchemy import Boolean, Date, Integer, Table, Time, insert, select, text

from service.delivery.dispatch import send_due
from service.domain.message import State
from service.ops.cli import main
from service.planning.aftercare import give
from service.services import Services
from service.storage.copying import TABLES, count_table, filled_table
from service.storage.tables import UtcDateTime
from service.storage.unit_of_work import open_engine

NOW = datetime(2026, 11, 25, 10, 0, 0, 123456, tzinfo=UTC)


@pytest.fixture
def target(postgres: Postgres) -> Iterator[str]:
    """An empty PostgreSQL database."""
    url = postgres.empty()
    with connections_closed():
        yield url
    postgres.drop(url)


def a_row(table: Table, keys: dict[str, str]) -> dict[str, object]:
    """A row of any table, with something in every column that allows it."""
    values: dict[str, object] = {}
    for column in table.columns:
        if column.foreign_keys:
            values[column.name] = keys[next(iter(column.foreign_keys)).column.table.name]
        elif column is table.autoincrement_column and isinstance(column.type, Integer):
            values[column.name] = 41
        elif column.name == "channel" and table.name == "transport_states":
            values[column.name] = "letter"  # the service goes on with this row, which switches a channel off
        else:
            kinds = {UtcDateTime: NOW, Date: date(1948, 3, 2), Time: time(9, 30), Boolean: True, Integer: 7}
            values[column.name] = kinds.get(type(column.type), f"ä Ω \u0645 {column.name}"[:32])
    return values


def a_full_database(url: str) -> None:
    """A service that was used, and a row in every table that use left empty."""
    services, _ = a_service(url)
    for name in ("Maud", "maud", "Émile", "zoe", "Zoe", "ärzte"):  # languages sort these in other ways than code points
        give(services, a_person(services, name), a_visit(), by="nurse")
    send_due(services, "worker")
    engine = engine_of(services)
    with engine.begin() as connection:
        keys: dict[str, str] = {}
        for table in TABLES:
            if connection.execute(select(table).limit(1)).first() is None:
                connection.execute(insert(table), [a_row(table, keys)])
            if len(table.primary_key.columns) == 1:
                keys[table.name] = str(connection.execute(select(*table.primary_key)).scalars().first())
        connection.execute(text("DELETE FROM leases"))
        connection.execute(text("INSERT INTO leases VALUES ('tick', 'old', :at)"), {"at": NOW - timedelta(days=900)})
        assert all(count_table(table, connection).rows for table in TABLES)
    engine.dispose()


def engine_of(services: Services):  # type: ignore[no-untyped-def]
    return services.open_work()._engine


def run_move(folder: Path, source: str, target_url: str) -> Result:
    settings = some_settings(folder)
    config = folder / "clinic.toml"
    clinic = settings.clinic
    config.write_text(
        f'secret_key = "{SECRET}"\ndatabase = "{source}"\n[clinic]\nname = "{clinic.name}"\nphone = "{clinic.phone}"\n'
        f'email = "{clinic.email}"\naddress = ["1 Larkfield Lane"]\nzone = "{clinic.zone}"\n'
        f'emergency = "999"\nurgent_line = "111"\nbase_url = "{clinic.base_url}"\n'
    )
    return CliRunner().invoke(main, ["move-database", "--to", target_url, "--config", str(config)])


def sums(url: str) -> dict[str, tuple[int, str]]:
    engine = open_engine(url)
    with engine.connect() as connection:
        found = {table.name: count_table(table, connection) for table in TABLES}
    engine.dispose()
    return {name: (counted.rows, counted.digest) for name, counted in found.items()}


def is_empty(url: str) -> bool:
    engine = open_engine(url)
    with engine.connect() as connection:
        name = filled_table(connection)
    engine.dispose()
    return name is None


def test_everything_moves_to_postgresql_and_back_unchanged(tmp_path: Path, target: str) -> None:
    first, last = f"sqlite:///{tmp_path / 'first.sqlite'}", f"sqlite:///{tmp_path / 'last.sqlite'}"
    a_full_database(first)
    there = run_move(tmp_path, first, target)
    assert there.exit_code == 0, there.output
    back = run_move(tmp_path, target, last)
    assert back.exit_code == 0, back.output
    assert sums(first) == sums(target) == sums(last)
    for name, (rows, digest) in sums(first).items():
        assert f"{name:<16} {rows:>8} {rows:>8}  {digest}  {digest}  same" in there.output
        assert rows > 0


def test_the_service_goes_on_in_the_new_database(tmp_path: Path, target: str) -> None:
    first = f"sqlite:///{tmp_path / 'first.sqlite'}"
    a_full_database(first)
    assert run_move(tmp_path, first, target).exit_code == 0
    numbers = iter(range(10**6, 2 * 10**6))
    services, recorder = a_service(target, new_id=lambda: f"{next(numbers):032x}")
    with services.open_work() as work:
        work.ledger.ask("Maud", "call", NOW)  # a new row takes a free number
        work.commit()
    give(services, a_person(services, "new"), a_visit(), by="nurse")
    send_due(services, "worker")
    assert recorder.sent


def test_a_database_that_holds_something_is_not_written_to(tmp_path: Path, target: str) -> None:
    first, other = f"sqlite:///{tmp_path / 'first.sqlite'}", f"sqlite:///{tmp_path / 'other.sqlite'}"
    a_full_database(first)
    a_full_database(other)
    before = sums(other)
    refused = run_move(tmp_path, first, other)
    assert refused.exit_code == 1
    assert "not empty" in refused.output
    assert sums(other) == before
    assert run_move(tmp_path, first, target).exit_code == 0
    assert "not empty" in run_move(tmp_path, first, target).output, "twice is refused"


def test_what_a_killed_worker_left_behind_is_moved_and_recovered_there(tmp_path: Path, target: str) -> None:
    """Nobody gives it back in a database that is to be left, so waiting for that would never end."""
    first = f"sqlite:///{tmp_path / 'first.sqlite'}"
    a_full_database(first)
    with open_engine(first).begin() as connection:
        chosen = connection.scalar(text("SELECT min(id) FROM messages WHERE state = 'pending'"))
        left = "UPDATE messages SET state = 'claimed', lease_until = '2026-11-25 09:00:00.000000' WHERE id = :id"
        connection.execute(text(left), {"id": chosen})
    moved = run_move(tmp_path, first, target)
    assert moved.exit_code == 0, moved.output
    services, _ = a_service(target)
    with services.open_work() as work:
        work.queue.recover(services.clock.now(), timedelta(minutes=11), lambda _: None)
        work.commit()
        assert chosen is not None and work.messages.get(chosen).state is State.PENDING


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        (
            "UPDATE messages SET state = 'handing', lease_until = '2999-01-01 00:00:00.000000'"
            " WHERE id = (SELECT min(id) FROM messages)",
            "1 messages are being sent; if the worker that has them was killed, try again after 00:00:00 UTC",
        ),
        (
            "UPDATE messages SET state = 'claimed', lease_until = '2999-01-01 00:00:00.000000'"
            " WHERE id = (SELECT min(id) FROM messages)",
            "1 messages are being sent; if the worker that has them was killed, try again after 00:00:00 UTC",
        ),
        ("UPDATE leases SET until = '2999-01-01 00:00:00.000000'", "a tick holds its lease"),
    ],
)
def test_while_the_service_runs_nothing_is_moved(tmp_path: Path, target: str, statement: str, said: str) -> None:
    first = f"sqlite:///{tmp_path / 'first.sqlite'}"
    a_full_database(first)
    with open_engine(first).begin() as connection:
        connection.execute(text(statement))
    refused = run_move(tmp_path, first, target)
    assert refused.exit_code == 1
    assert refused.output.startswith(f"tragus: stop the service first: {said}")
    assert is_empty(target)


def test_while_the_service_has_postgresql_open_nothing_is_moved(tmp_path: Path, postgres_url: str) -> None:
    last = f"sqlite:///{tmp_path / 'last.sqlite'}"
    services, _ = a_service(postgres_url)
    with services.open_reading() as work:
        assert work.ledger.attention() == []
        refused = run_move(tmp_path, postgres_url, last)
    assert refused.exit_code == 1
    assert "other connections of the service are open" in refused.output
    assert is_empty(last)
    engine_of(services).dispose()
    assert run_move(tmp_path, postgres_url, last).exit_code == 0


def test_one_changed_letter_is_found_and_nothing_is_moved(tmp_path: Path, postgres_url: str) -> None:
    first = f"sqlite:///{tmp_path / 'first.sqlite'}"
    a_full_database(first)
    with open_engine(postgres_url).begin() as connection:  # a target that meddles with what it is given
        connection.exec_driver_sql(
            "CREATE FUNCTION meddle() RETURNS trigger LANGUAGE plpgsql AS"
            " $$ BEGIN NEW.name = replace(NEW.name, 'M', 'N'); RETURN NEW; END $$"
        )
        connection.exec_driver_sql(
            "CREATE TRIGGER meddle BEFORE INSERT ON people FOR EACH ROW EXECUTE FUNCTION meddle()"
        )
    refused = run_move(tmp_path, first, postgres_url)
    assert refused.exit_code == 1
    assert "nothing was moved: people came out different" in refused.output
    assert refused.output.count("DIFFERENT") == 1
    assert is_empty(postgres_url)


def test_a_row_that_the_target_cannot_hold_is_named_and_nothing_is_moved(tmp_path: Path, target: str) -> None:
    first = f"sqlite:///{tmp_path / 'first.sqlite'}"
    a_full_database(first)
    with open_engine(first).begin() as connection:
        connection.execute(text("UPDATE facts SET value = :odd"), {"odd": "a\x00b"})
    refused = run_move(tmp_path, first, target)
    assert refused.exit_code == 1
    assert "refuses a row of the table facts" in refused.output
    assert is_empty(target)


@pytest.mark.parametrize(
    ("to", "said"),
    [
        ("mysql://x/y", "--to: the URL must start with"),
        ("sqlite:////no/such/folder/x.sqlite", "cannot be opened"),
        ("postgresql+psycopg://nobody@127.0.0.1:9/none", "cannot be opened"),
    ],
)
def test_a_target_that_cannot_be_opened_is_one_clear_line(tmp_path: Path, to: str, said: str) -> None:
    first = f"sqlite:///{tmp_path / 'first.sqlite'}"
    a_full_database(first)
    refused = run_move(tmp_path, first, to)
    assert refused.exit_code == 1
    assert said in refused.output
    assert len(refused.output.strip().splitlines()) == 1
