"""The database: migrations, instants, transactions, and writers side by side."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from builders import a_contact, a_person, a_service, a_visit, ended
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError, StatementError

from service.domain.message import MessageKind, PlannedMessage, State
from service.domain.plan import Status
from service.errors import NotFoundError
from service.planning.aftercare import give
from service.storage.migrate import upgrade, version
from service.storage.queue import Held
from service.storage.records import Ending, Person
from service.storage.tables import Base
from service.storage.unit_of_work import UnitOfWork, open_engine

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def a_database(tmp_path: Path):  # type: ignore[no-untyped-def]
    engine = open_engine(f"sqlite:///{tmp_path / 'db.sqlite'}")
    upgrade(engine)
    return engine


def test_migrations_give_exactly_the_tables_of_this_version(tmp_path: Path) -> None:
    engine = a_database(tmp_path)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
    assert version(engine) is not None


def test_upgrading_twice_changes_nothing(tmp_path: Path) -> None:
    engine = a_database(tmp_path)
    before = version(engine)
    upgrade(engine)
    assert version(engine) == before


def test_an_instant_without_a_zone_is_refused(tmp_path: Path) -> None:
    with UnitOfWork(a_database(tmp_path)) as work, pytest.raises(StatementError, match="needs a time zone"):
        work.people.add(
            Person(id="x", name="x", born=None, contact=a_contact()),
            datetime(2026, 1, 1),  # noqa: DTZ001
        )


def test_an_instant_comes_back_as_it_went_in_utc(tmp_path: Path) -> None:
    engine = a_database(tmp_path)
    with UnitOfWork(engine) as work:
        assert work.ledger.take_lease("tick", "me", NOW, timedelta(seconds=30))
        work.commit()
    with UnitOfWork(engine, read_only=True) as work:
        assert work.ledger.lease("tick") == ("me", NOW + timedelta(seconds=30))


def test_leaving_without_commit_keeps_nothing(tmp_path: Path) -> None:
    engine = a_database(tmp_path)
    with UnitOfWork(engine) as work:
        work.people.add(Person(id="x", name="x", born=None, contact=a_contact()), NOW)
    with UnitOfWork(engine) as work, pytest.raises(NotFoundError):
        work.people.get("x")


def test_a_person_comes_back_as_stored(tmp_path: Path) -> None:
    engine = a_database(tmp_path)
    person = Person(
        id="x", name="Maud Ellery", born=date(1948, 3, 2), contact=a_contact(), history=frozenset({"diabetes"})
    )
    with UnitOfWork(engine) as work:
        work.people.add(person, NOW)
        work.commit()
    with UnitOfWork(engine) as work:
        assert work.people.get("x") == person
        assert work.people.search("ell MAUD") == [person]
        assert work.people.search("100%") == []


def a_message(key: str, due: datetime) -> PlannedMessage:
    return PlannedMessage(
        key=key,
        kind=MessageKind.DOSE,
        due=due,
        earliest=due,
        last_useful=due + timedelta(hours=1),
        wall="2026-11-25T10:00",
        zone="Europe/London",
    )


def test_one_plan_has_one_message_of_a_key_however_often_it_is_laid_out() -> None:
    services, _ = a_service()
    stored = give(services, a_person(services), a_visit(), by="nurse")
    with services.open_work() as work:
        before = work.messages.of_person("maud")
        work.messages.plan(stored.id, "maud", [before[0].planned], {})
        work.commit()
        assert [m.id for m in work.messages.of_person("maud")] == [m.id for m in before]


def test_what_was_sent_stays_as_it_was_when_the_plan_is_laid_out_anew() -> None:
    services, _ = a_service()
    stored = give(services, a_person(services), a_visit(), by="nurse")
    with services.open_work() as work:
        (claimed,) = work.queue.claim("w", services.clock.now(), timedelta(minutes=1), 1)
        assert ended(work, [Ending(message=claimed, state=State.SENT)], services.clock.now()) == [Held.OWN]
        work.messages.plan(stored.id, "maud", [a_message(claimed.planned.key, NOW + timedelta(days=1))], {})
        again = work.messages.get(claimed.id)
    assert again.state is State.SENT
    assert again.planned == claimed.planned


def test_two_owners_cannot_hold_one_duty_and_the_next_takes_over_when_it_runs_out(tmp_path: Path) -> None:
    engine = a_database(tmp_path)
    length = timedelta(seconds=30)
    with UnitOfWork(engine) as work:
        assert work.ledger.take_lease("tick", "a", NOW, length)
        assert not work.ledger.take_lease("tick", "b", NOW + timedelta(seconds=29), length)
        assert work.ledger.take_lease("tick", "a", NOW + timedelta(seconds=29), length), "the holder renews"
        assert work.ledger.take_lease("tick", "b", NOW + timedelta(seconds=60), length)


def test_foreign_keys_hold(tmp_path: Path) -> None:
    with UnitOfWork(a_database(tmp_path)) as work, pytest.raises(IntegrityError):
        work.links.add("id", "hash", "nobody", NOW)


def test_readers_and_writers_side_by_side_never_find_the_database_locked(tmp_path: Path) -> None:
    # SQLite cannot upgrade a reading transaction behind another writer, so writers take the lock at once (BEGIN
    # IMMEDIATE). Without that most of these fail at once with "database is locked". Common knowledge of SQLite; see
    # its page "Transactions", 2.2.
    engine = a_database(tmp_path)
    failures: list[Exception] = []

    def write(name: str) -> None:
        for number in range(50):
            try:
                with UnitOfWork(engine) as work:
                    seen = int(work.ledger.fact("count") or 0)
                    work.ledger.set_fact("count", str(seen + 1))
                    work.commit()
            except Exception as failed:
                failures.append(failed)
        assert name

    threads = [threading.Thread(target=write, args=(f"w{n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with UnitOfWork(engine, read_only=True) as work:
        assert work.ledger.fact("count") == "200", "no update was lost"


def test_finding_what_is_due_uses_the_index(tmp_path: Path) -> None:
    query = "EXPLAIN QUERY PLAN SELECT id FROM messages WHERE state = 'pending' AND look_at <= '2026' ORDER BY look_at LIMIT 100"
    with a_database(tmp_path).connect() as connection:
        steps = " ".join(row[-1] for row in connection.execute(text(query)))
    assert "ix_messages_waiting" in steps
    assert "TEMP B-TREE" not in steps


def test_the_current_plan_is_the_newest_that_still_runs() -> None:
    services, _ = a_service()
    person = a_person(services)
    first = give(services, person, a_visit(), by="nurse")
    services.clock.forward(days=1)  # type: ignore[attr-defined]
    second = give(services, person, a_visit(), by="nurse")
    with services.open_reading() as work:
        assert work.plans.current(person) == second
        assert work.plans.get(first.id).status is Status.COMPLETED
