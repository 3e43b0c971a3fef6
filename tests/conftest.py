"""What many tests share: a fresh database, on SQLite and on a real PostgreSQL."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest
from database.postgres import Postgres
from hypothesis import HealthCheck, settings
from ical_reader import READER, Reader
from sqlalchemy import event
from sqlalchemy.pool import Pool

settings.register_profile("no test asserts a time", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("no test asserts a time")
os.environ["no_proxy"] = "127.0.0.1,localhost,::1"  # the tests serve themselves


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full", action="store_true", help="tests/acceptance at full size; it takes about an hour")


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """The PostgreSQL server of this run, started when the first test asks for it."""
    server = Postgres()
    try:
        yield server
    finally:
        server.end()


@pytest.fixture
def postgres_url(postgres: Postgres) -> Iterator[str]:
    """A fresh migrated PostgreSQL database."""
    url = postgres.migrated()
    with connections_closed():
        yield url
    postgres.drop(url)


@contextmanager
def connections_closed() -> Iterator[None]:
    """Closes every connection to PostgreSQL that was opened in this process meanwhile; psycopg warns of open ones."""
    opened: list[psycopg.Connection] = []

    def note(connection: object, _: object) -> None:
        if isinstance(connection, psycopg.Connection):
            opened.append(connection)

    event.listen(Pool, "connect", note)
    try:
        yield
    finally:
        event.remove(Pool, "connect", note)
        for connection in opened:
            connection.close()


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A fresh database, once on each of the two."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'tragus.sqlite'}"
    else:
        yield request.getfixturevalue("postgres_url")


@pytest.fixture(scope="session")
def read_by_node(tmp_path_factory: pytest.TempPathFactory) -> Reader:
    """Reads calendar files with ical.js on Node, all in one go; installs it at first use."""
    if not (READER / "node_modules" / "ical.js").exists():
        subprocess.run(["npm", "ci", "--no-audit", "--no-fund"], cwd=READER, check=True, capture_output=True)

    def read(*files: bytes) -> list[dict[str, Any]]:
        folder = tmp_path_factory.mktemp("calendars")
        paths = [folder / f"{number}.ics" for number in range(len(files))]
        for path, data in zip(paths, files, strict=True):
            path.write_bytes(data)
        command = ["node", str(READER / "read.mjs"), *map(str, paths)]
        done = subprocess.run(command, check=True, capture_output=True, text=True, encoding="utf-8")
        calendars: list[dict[str, Any]] = json.loads(done.stdout)
        return calendars

    return read
