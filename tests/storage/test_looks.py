"""Who looked at whom: one line a look, found from each person on it, on both databases and without reading it all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from alembic import command
from alembic.config import Config
from builders import StoppedClock, a_service
from sqlalchemy import Connection, Engine, event, func, insert, inspect, select, text

from service.services import Services
from service.storage import migrate
from service.storage.records import Audit
from service.storage.tables import AuditRow, AuditShownRow

ALONE = ("record-viewed", "recall-listed")
DINA, CLEO = "Dina Marsh (dina)", "Cleo Byrne (cleo)"


@contextmanager
def statements() -> Iterator[list[tuple[str, object]]]:
    """Every statement that is run meanwhile, with its parameters."""
    found: list[tuple[str, object]] = []

    def keep(_c: object, _cursor: object, statement: str, parameters: object, *_: object) -> None:
        found.append((statement, parameters))

    event.listen(Engine, "before_cursor_execute", keep)
    try:
        yield found
    finally:
        event.remove(Engine, "before_cursor_execute", keep)


def look(services: Services, people: list[str], actor: str = DINA, action: str = "people-listed") -> None:
    with services.open_work() as work:
        work.looks.note(actor, action, f"list:{action}", people, services.clock.now())
        work.commit()


def at(services: Services, person: str, limit: int = 50) -> list[Audit]:
    with services.open_reading() as work:
        return work.looks.at(person, limit, ALONE)


def rows(services: Services, table: type) -> int:
    with services.open_reading() as work:
        return work._session.scalar(select(func.count()).select_from(table)) or 0


def test_a_look_at_a_hundred_people_is_one_line_that_each_of_them_finds(database_url: str) -> None:
    services, _ = a_service(database_url, approve=())
    people = [f"p{number}" for number in range(100)]
    with statements() as run:
        look(services, [*people, "p7"])
    assert len([each for each, _ in run if each.startswith("INSERT")]) == 2
    assert (rows(services, AuditRow), rows(services, AuditShownRow)) == (1, 100)
    (line,) = at(services, "p99")
    assert (line.actor, line.action, line.subject) == (DINA, "people-listed", "list:people-listed")
    assert line.detail == {"people": sorted(people)}, "the line names them by itself"
    assert at(services, "p7") == [line]
    assert at(services, "p100") == []


def test_a_look_at_nobody_is_no_line(database_url: str) -> None:
    services, _ = a_service(database_url, approve=())
    look(services, [])
    assert rows(services, AuditRow) == 0


def test_lines_about_one_person_and_lines_about_many_are_one_history(database_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(database_url, clock=clock, approve=())
    with services.open_work() as work:  # as they were written before a line could name many
        work.ledger.note(CLEO, "recall-listed", "maud", clock.now())
        work.ledger.note(CLEO, "plan-given", "maud", clock.now())
        work.commit()
    look(services, ["ned", "maud"])
    clock.forward(hours=1)
    with services.open_work() as work:
        work.ledger.note(CLEO, "record-viewed", "maud", clock.now(), message="m1")
        work.commit()
    look(services, ["ned"])
    look(services, ["maud"], CLEO, "attention-listed")
    newest_first = ["attention-listed", "record-viewed", "people-listed", "recall-listed"]
    assert [line.action for line in at(services, "maud")] == newest_first
    assert [line.action for line in at(services, "maud", 2)] == newest_first[:2]
    with services.open_reading() as work:
        acts = work.ledger.history("maud", but=ALONE)
    assert [line.action for line in acts] == ["plan-given"], "looks at lists never push away what was done"


def test_whom_somebody_saw_lately_is_known_by_reader_kind_and_time(database_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(database_url, clock=clock, approve=())
    look(services, ["ann"])
    clock.forward(minutes=10)
    begun = clock.now()
    look(services, ["bea", "cat"])
    look(services, ["dan"])
    look(services, ["eve"], CLEO)
    look(services, ["fay"], action="attention-listed")
    with services.open_reading() as work:
        assert work.looks.shown_since(DINA, "people-listed", begun) == {"bea", "cat", "dan"}
        assert "ann" in work.looks.shown_since(DINA, "people-listed", begun - timedelta(minutes=10))
        assert work.looks.shown_since(DINA, "people-listed", begun + timedelta(seconds=1)) == frozenset()


def filled(connection: Connection, lines: int, clock: StoppedClock) -> None:
    """So many looks at fifty of a thousand people, one a minute, and as many other lines."""
    person = [f"p{number}" for number in range(1000)]
    audit, shown = [], []
    for number in range(lines):
        seen = sorted({person[(number * 37 + each * 19) % 1000] for each in range(50)})
        moment = {"actor": DINA, "at": clock.at - timedelta(minutes=lines - number)}
        audit.append({**moment, "id": 2 * number + 1, "action": "people-listed", "subject": "list:people-listed",
                      "detail": {"people": seen}})  # fmt: skip
        audit.append({**moment, "id": 2 * number + 2, "action": "record-viewed", "subject": person[number % 1000],
                      "detail": {}})  # fmt: skip
        shown += [{"person_id": each, "audit_id": 2 * number + 1} for each in seen]
    connection.execute(insert(AuditRow), audit)
    connection.execute(insert(AuditShownRow), shown)
    connection.commit()
    if connection.dialect.name == "postgresql":
        connection.execute(text("ANALYZE"))
        connection.commit()


def test_neither_question_reads_the_whole_record(database_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(database_url, clock=clock, approve=())
    engine = services.open_work()._engine
    with engine.connect() as connection:
        filled(connection, 2000, clock)
    with services.open_reading() as work, statements() as run:
        assert len(work.looks.at("p19", 50, ALONE)) == 50
        assert work.looks.shown_since(DINA, "people-listed", clock.now() - timedelta(minutes=30))
    asked = [(statement, parameters) for statement, parameters in run if "FROM audit" in statement]
    assert len(asked) == 3
    how = "EXPLAIN QUERY PLAN" if engine.dialect.name == "sqlite" else "EXPLAIN"
    with engine.connect() as connection:
        for statement, parameters in asked:
            steps = connection.exec_driver_sql(f"{how} {statement}", parameters).fetchall()
            plan = " / ".join(str(step[-1]) for step in steps)
            assert "SCAN" not in plan and "Seq Scan" not in plan, plan


def test_an_unfinished_look_leaves_neither_line_nor_names(database_url: str) -> None:
    services, _ = a_service(database_url, approve=())
    with services.open_work() as work:
        work.looks.note(DINA, "people-listed", "list:people-listed", ["maud"], services.clock.now())
    assert (rows(services, AuditRow), rows(services, AuditShownRow)) == (0, 0)


def test_the_migration_down_and_up_again_keeps_every_look(database_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(database_url, clock=clock, approve=())
    look(services, ["maud", "ned"])
    look(services, ["ned"], action="letter-batch-opened")
    config = Config()
    config.set_main_option("script_location", str(Path(migrate.__file__).parent / "migrations"))
    engine = services.open_work()._engine
    with engine.connect() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0007")
        names = inspect(connection).get_table_names()
        assert "audit" in names and "audit_shown" not in names
        old = {"at": clock.now(), "actor": CLEO, "action": "recall-listed", "subject": "maud", "detail": {}}
        connection.execute(insert(AuditRow), [old])
        migrate.upgrade_on(connection)
        connection.commit()
    assert [(line.actor, line.action) for line in at(services, "maud")] == [
        (CLEO, "recall-listed"),
        (DINA, "people-listed"),
    ]
    assert [line.action for line in at(services, "ned")] == ["letter-batch-opened", "people-listed"]
