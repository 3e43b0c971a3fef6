"""Databases of any size for the benchmarks: one real plan with its messages, copied under other ids."""

from __future__ import annotations

from datetime import datetime, timedelta

from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from sqlalchemy import Connection, insert, select, update

from service.domain.contact import Channel
from service.planning.aftercare import give
from service.services import Services
from service.storage.tables import LinkRow, MessageRow, PersonRow, PlanRow
from service.storage.unit_of_work import open_engine

TABLES = (PersonRow.__table__, PlanRow.__table__, LinkRow.__table__, MessageRow.__table__)
BATCH = 5000


def a_filled_service(
    url: str,
    count: int,
    *,
    channel: Channel = Channel.TEXT,
    due: datetime,
    every: timedelta = timedelta(0),
    most_people: int | None = None,
) -> Services:
    """A service whose database holds `count` waiting messages: the first due at `due`, each next one `every` later, for
    as many people, or for `most_people` in turn. The messages are those that ask after two days whether all is well."""
    people = min(count, most_people or count)
    clock = StoppedClock()
    services, _ = a_service(url, clock=clock)
    person = a_person(services, "template", channels=(channel,))
    give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    engine = open_engine(url)
    with engine.begin() as connection:
        one = {table.name: _template(connection, table, person) for table in TABLES}
        connection.execute(update(MessageRow.__table__).values(state="dropped"))
        for start in range(0, count, BATCH):
            for table in TABLES:
                numbers = range(start, min(start + BATCH, count if table.name == "messages" else people))
                rows = [_copy(table.name, one[table.name], n, n % people, due + every * n) for n in numbers]
                if rows:
                    connection.execute(insert(table), rows)
        if engine.dialect.name == "postgresql":
            connection.exec_driver_sql("ANALYZE messages")
    engine.dispose()
    return services


def _template(connection: Connection, table: object, person: str) -> dict[str, object]:
    column = table.c.id if table.name == "people" else table.c.person_id  # type: ignore[attr-defined]
    query = select(table).where(column == person)  # type: ignore[call-overload]
    if table.name == "messages":  # type: ignore[attr-defined]
        query = query.where(table.c.kind == "check-in")  # type: ignore[attr-defined]
    return dict(connection.execute(query.limit(1)).mappings().one())


def _copy(name: str, one: dict[str, object], number: int, person: int, due: datetime) -> dict[str, object]:
    row = one | {"id": f"{name[:2]}{number:030d}"}
    if name != "people":
        row["person_id"] = f"pe{person:030d}"
    if name == "links":
        row["token_hash"] = f"{number:064d}"
    if name == "messages":
        row |= {
            "plan_id": f"pl{person:030d}",
            "key": one["key"] if number == person else f"{one['key']}/{number}",  # one of each in a plan
            "state": "pending",
            "due": due,
            "earliest": due,
            "look_at": due,
            "last_useful": due + timedelta(days=1),
        }
    return row
