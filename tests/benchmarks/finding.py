"""What does it cost to find 100 due messages among many that are due later? On both databases.

usage: python finding.py [--rows 10000 1000000] (10000000 takes about half an hour to fill)
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]

from builders import StoppedClock
from database.postgres import Postgres
from filling import a_filled_service

from service.delivery.dispatch import LEASE, send_due
from service.services import Services
from service.storage import queue_statements
from service.storage.unit_of_work import open_engine

DUE = StoppedClock().at
TIMES = 20
PEOPLE = 100_000
"""So many people wait for all the rows: what is looked for is messages, and a plan takes far more room than one."""


def milliseconds(do: Callable[[], None]) -> float:
    """The median of several runs."""
    found = []
    for _ in range(TIMES):
        begun = time.perf_counter()
        do()
        found.append((time.perf_counter() - begun) * 1000)
    return statistics.median(found)


def measure(services: Services, url: str, rows: int, name: str) -> None:
    """An idle pass, and a claim of 100 that is rolled back."""
    engine = open_engine(url)
    soon = DUE + timedelta(seconds=60 * 99 + 1)

    def find() -> None:
        with engine.connect() as connection:
            found = connection.scalars(queue_statements.DUE, {"now": soon, "limit": 100}).all()
        if len(found) != 100:
            raise SystemExit(f"{len(found)} found, not 100")

    def claim() -> None:
        with services.open_work() as work:
            claimed = work.queue.claim("benchmark", soon, LEASE, 100)
        if len(claimed) != 100:
            raise SystemExit(f"{len(claimed)} found, not 100")

    def with_company() -> None:
        with services.open_work() as work:
            claimed = work.queue.claim("benchmark", soon, LEASE, 100)
            if work.queue.claim_beside("benchmark", soon, LEASE, claimed, timedelta(minutes=30)):
                raise SystemExit("nobody is due two messages here")

    def look() -> None:
        with services.open_reading() as work:
            if work.queue.anything(DUE - timedelta(days=1), LEASE):
                raise SystemExit("something is due: the figure would be wrong")

    services.clock.at = DUE - timedelta(days=1)  # type: ignore[attr-defined]
    idle = milliseconds(lambda: _nothing(send_due(services, "benchmark").claimed))
    print(
        f"{name:<11} {rows:>9} rows: idle pass {idle:6.2f} ms, of that the looks {milliseconds(look):6.2f} ms; "
        f"100 due found {milliseconds(find):6.2f} ms, and claimed {milliseconds(claim):6.2f} ms, with what could go along "
        f"{milliseconds(with_company):6.2f} ms"
    )


def _nothing(claimed: int) -> None:
    if claimed:
        raise SystemExit("something was due: the figure would be wrong")


def main() -> None:
    """Fill, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, nargs="+", default=[10_000, 1_000_000])
    server = Postgres()
    try:
        with tempfile.TemporaryDirectory() as place:
            for rows in parser.parse_args().rows:
                for name, url in (("SQLite", f"sqlite:///{place}/{rows}.sqlite"), ("PostgreSQL", server.migrated())):
                    services = a_filled_service(url, rows, due=DUE, every=timedelta(minutes=1), most_people=PEOPLE)
                    measure(services, url, rows, name)
    finally:
        server.end()


if __name__ == "__main__":
    main()
