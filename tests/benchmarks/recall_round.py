"""What a night's round and a look at the recall board cost with many open recalls, on SQLite.

python recall_round.py [PEOPLE]
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from sqlalchemy import insert, select

from service.domain.recall import Standing
from service.planning.aftercare import give
from service.planning.recall_board import look
from service.planning.recall_round import ask_about_silent
from service.planning.weeks import give_out_weeks
from service.services import Services
from service.storage.tables import MessageRow, PersonRow, PlanRow, RecallRow
from service.storage.unit_of_work import open_engine

TABLES = (PersonRow.__table__, PlanRow.__table__, MessageRow.__table__, RecallRow.__table__)
BATCH = 5000


def filled(url: str, people: int) -> Services:
    """So many people who are due over the coming year, more in some weeks than in others."""
    services, _ = a_service(url, clock=StoppedClock())
    visit = a_visit(an_ear("hard-wax-cleared"), history=frozenset({"prone-to-wax"}))
    give(services, a_person(services, "template"), visit, by="nurse")
    engine = open_engine(url)
    with engine.begin() as connection:
        one = {}
        for table in TABLES:
            query = select(table)
            if table.name == "messages":
                query = query.where(table.c.key == "return-due/1/1")
            one[table.name] = dict(connection.execute(query.limit(1)).mappings().one())
        first = date(2026, 12, 14)
        for start in range(0, people, BATCH):
            for table in TABLES:
                rows = []
                for number in range(start, min(start + BATCH, people)):
                    row = one[table.name] | {"id": f"{table.name[:2]}{number:030d}"}
                    if table.name != "people":
                        row["person_id"] = f"pe{number:030d}"
                    if table.name in ("messages", "recalls"):
                        row["plan_id"] = f"pl{number:030d}"
                    if table.name == "recalls":
                        ask = first + timedelta(days=(number * 7919 % 330) * (number * 104729 % 330) // 330)
                        seen = ask + timedelta(days=14)
                        row |= {
                            "invite_on": ask,
                            "ideal": seen,
                            "earliest": seen - timedelta(days=60),
                            "latest": seen + timedelta(days=90),
                            "weight": float(1 + number % 5),
                        }
                    rows.append(row)
                connection.execute(insert(table), rows)
    engine.dispose()
    return services


def timed(name: str, work: object) -> object:
    start = time.perf_counter()
    found = work()  # type: ignore[operator]
    print(f"  {name:<48} {time.perf_counter() - start:8.2f} s")
    return found


def main() -> None:
    people = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as folder:
        services = filled(f"sqlite:///{folder}/recalls.sqlite", people)
        print(f"{people} open recalls, SQLite")
        moved = timed("the first night: weeks given out, each one stored", lambda: give_out_weeks(services))
        print(f"  {'':<48} {moved} of them moved to another day")
        moved = timed("the next night: nothing changed", lambda: give_out_weeks(services))
        print(f"  {'':<48} {moved} moved")
        timed("silence looked for", lambda: ask_about_silent(services, date(2026, 11, 26)))
        with services.open_reading() as work:
            timed("the board", lambda: look(services, work))
            timed("the board, one month's list", lambda: look(services, work, Standing.DUE, date(2027, 3, 1)))


if __name__ == "__main__":
    main()
