"""Sending on PostgreSQL: everything that holds on SQLite, and what many writers at once put at risk."""

from __future__ import annotations

import inspect
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from builders import StoppedClock, a_contact, a_person, a_service, a_visit, an_ear, ended
from database.postgres import Postgres
from delivery import test_dispatch
from delivery.test_dispatch import keys_in, many_people, run_peer, states
from sqlalchemy import Engine, event, text
from sqlalchemy.exc import IntegrityError
from storage import test_storage

from service.domain.contact import Channel
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.planning.aftercare import give, set_status
from service.planning.people import correct_person
from service.planning.preferences import mark_dose, stop
from service.services import Services
from service.storage.migrate import upgrade, version
from service.storage.queue import Held
from service.storage.records import Ending
from service.storage.unit_of_work import UnitOfWork, open_engine

SHORT = timedelta(seconds=10)
"""A lease."""

ON_SQLITE_ONLY = {
    "test_finding_what_is_due_uses_the_index",  # below, for both
    "test_readers_and_writers_side_by_side_never_find_the_database_locked",  # how SQLite locks
}


def found_in(module: object, *, given: str = "") -> list[Callable[..., None]]:
    """The tests of a module that take nothing but `given`."""
    found = inspect.getmembers(module, inspect.isfunction)
    return [
        test
        for name, test in found
        if name.startswith("test_")
        and set(inspect.signature(test).parameters) <= {given}
        and name not in ON_SQLITE_ONLY
    ]


@pytest.mark.parametrize("test", found_in(test_dispatch), ids=lambda test: test.__name__)
def test_what_holds_for_sending_on_sqlite_holds_on_postgresql(
    test: Callable[[], None], postgres_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(test_dispatch, "a_service", lambda **parts: a_service(postgres_url, **parts))
    test()


@pytest.mark.parametrize("test", found_in(test_storage, given="tmp_path"), ids=lambda test: test.__name__)
def test_what_holds_for_storage_on_sqlite_holds_on_postgresql(
    test: Callable[..., None], postgres_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    engine = open_engine(postgres_url)
    monkeypatch.setattr(test_storage, "a_database", lambda _: engine)
    monkeypatch.setattr(test_storage, "a_service", lambda **parts: a_service(postgres_url, **parts))
    test(tmp_path) if inspect.signature(test).parameters else test()


def test_the_tests_to_repeat_are_found() -> None:
    assert len(found_in(test_dispatch)) >= 20
    assert len(found_in(test_storage, given="tmp_path")) >= 11


@pytest.mark.parametrize("workers", [2, 4])
def test_many_processes_never_send_one_of_two_hundred_messages_twice(
    workers: int, postgres_url: str, tmp_path: Path
) -> None:
    journal = tmp_path / "journal"
    services = many_people(postgres_url, 200)
    peers = [run_peer(postgres_url, journal, f"peer{number}", delay_ms=2) for number in range(workers)]
    assert [peer.wait(240) for peer in peers] == [0] * workers
    keys = keys_in(journal)
    assert len(keys) == len(set(keys)) == 200
    assert states(services)[State.SENT] == 200
    with services.open_reading() as work:
        assert {message.attempts for message in work.messages.recent([State.SENT], 500)} == {1}


def test_workers_killed_on_postgresql_lose_nothing_and_repeat_nothing(postgres_url: str, tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    services = many_people(postgres_url, 60)
    kills = 0
    deadline = time.monotonic() + 240
    while len(keys_in(journal)) < 45 and time.monotonic() < deadline:
        # At most seven hand-overs in one life: four rounds at least, also where this process is seldom on.
        peers = [run_peer(postgres_url, journal, f"victim{kills}.{n}", delay_ms=15, most=7) for n in range(2)]
        before = len(keys_in(journal))
        while len(keys_in(journal)) < before + 6 and any(peer.poll() is None for peer in peers):
            time.sleep(0.01)
        for peer in peers:
            if peer.poll() is None:
                peer.kill()
                kills += 1
            peer.wait(30)
        leases_run_out(postgres_url)
    assert kills >= 6
    assert run_peer(postgres_url, journal, "last").wait(240) == 0
    keys = keys_in(journal)
    assert len(keys) == len(set(keys)), "no key was handed over twice"
    ended = states(services)
    assert ended[State.UNCERTAIN] <= kills, "at most the one message in flight at each kill"
    with services.open_reading() as work:
        given = [m for n in range(60) for m in work.messages.of_person(f"person{n}")]
    at_once = [m for m in given if m.planned.kind is MessageKind.PLAN_GIVEN]
    assert len(at_once) == 60
    assert all(m.state in (State.SENT, State.UNCERTAIN) for m in at_once), "none is lost"


def leases_run_out(url: str) -> None:
    """As if eleven minutes had passed."""
    with open_engine(url).begin() as connection:
        past = datetime(2000, 1, 1, tzinfo=UTC)
        connection.execute(
            text("UPDATE messages SET lease_until = :past WHERE lease_until IS NOT NULL"), {"past": past}
        )


def test_an_error_of_the_database_quotes_no_person(database_url: str) -> None:
    services, _ = a_service(database_url)
    a_person(services, name="Zebulon Quint")
    with pytest.raises(IntegrityError) as failed:
        a_person(services, name="Zebulon Quint")
    assert "Zebulon" not in str(failed.value)


def test_an_outcome_that_is_being_recorded_goes_before_a_recovery(postgres_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(postgres_url, clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    with services.open_work() as work:
        (claimed,) = work.queue.claim("slow", clock.now(), SHORT, 10)
        work._session.execute(text("UPDATE messages SET state = 'handing' WHERE id = :id"), {"id": claimed.id})
        work.commit()
    clock.forward(seconds=20)
    with services.open_work() as slow:
        assert ended(slow, [Ending(message=claimed, state=State.SENT)], clock.now()) == [Held.OWN]
        with services.open_work() as other:
            recovered = other.queue.recover(clock.now(), SHORT, lambda _: None)
            assert recovered == [], "it neither waits nor calls it uncertain"
            other.commit()
        slow.commit()
    with services.open_reading() as work:
        assert work.messages.get(claimed.id).state is State.SENT


def together(*doings: Callable[[], object]) -> list[Exception]:
    """Run everything at the same time; what went wrong."""
    failures: list[Exception] = []
    start = threading.Barrier(len(doings))

    def run(doing: Callable[[], object]) -> None:
        start.wait(120)
        try:
            doing()
        except Exception as failed:
            failures.append(failed)

    threads = [threading.Thread(target=run, args=(doing,)) for doing in doings]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return failures


def with_own_ids(url: str) -> Services:
    services, _ = a_service(url, new_id=lambda: uuid.uuid4().hex)
    return services


def test_plans_given_at_one_moment_leave_one_that_runs(database_url: str) -> None:
    services = with_own_ids(database_url)
    person = a_person(services)
    assert together(*[lambda: give(services, person, a_visit(), by="nurse")] * 8) == []
    with services.open_reading() as work:
        plans = work.plans.of_person(person)
        running = {plan.id for plan in plans if plan.status is Status.ACTIVE}
        messages = work.messages.of_person(person)
    assert len(plans) == 8
    assert len(running) == 1
    assert {m.plan_id for m in messages if m.state is State.PENDING and not m.superseded} == running


def test_plans_given_to_many_people_at_one_moment_all_stand(database_url: str) -> None:
    services = with_own_ids(database_url)
    people = [a_person(services, f"person{number}") for number in range(8)]
    assert together(*[lambda p=p: give(services, p, a_visit(), by="nurse") for p in people]) == []  # type: ignore[misc]
    with services.open_reading() as work:
        assert all(work.plans.current(person) for person in people)


def test_a_stop_is_not_overwritten_by_a_correction_at_the_same_moment(database_url: str) -> None:
    services = with_own_ids(database_url)
    for number in range(10):
        person = a_person(services, f"person{number}")
        moved = a_contact(address=("9 Oak Row", "Exampleton", "EX1 0AC"))
        wrong = together(
            lambda p=person: stop(services, p),  # type: ignore[misc]
            lambda p=person, to=moved: correct_person(services, p, "Maud Ellery", None, to, by="desk"),  # type: ignore[misc]
        )
        assert wrong == []
        with services.open_reading() as work:
            contact = work.people.get(person).contact
        assert contact.stopped == frozenset(Channel)
        assert contact.address == moved.address


def test_a_withdrawal_under_way_is_waited_for_before_the_last_look(postgres_url: str) -> None:
    services = with_own_ids(postgres_url)
    stored = give(services, a_person(services), a_visit(), by="nurse")
    seen: list[Status] = []

    def look() -> None:
        with services.open_work() as work:
            seen.append(work.plans.get(stored.id).status)

    with services.open_work() as work:
        work.plans.get(stored.id)
        work.plans.set_status(stored.id, Status.REVOKED)
        looking = threading.Thread(target=look)
        looking.start()
        looking.join(0.5)
        assert seen == [], "it waits"
        work.commit()
    looking.join()
    assert seen == [Status.REVOKED]


def test_changes_to_one_plan_from_many_sides_never_block_each_other_for_good(database_url: str) -> None:
    services = with_own_ids(database_url)
    person = a_person(services)
    stored = give(services, person, a_visit(), by="nurse")

    def statuses() -> None:
        for number in range(8):
            set_status(services, stored.id, Status.ON_HOLD if number % 2 else Status.ACTIVE, "nurse", "try")

    def corrections() -> None:
        for number in range(8):
            moved = a_contact(address=(f"{number} Elm Row", "Exampleton", "EX1 0AB"), zone="Europe/Paris")
            correct_person(services, person, "Maud Ellery", None, moved, by="desk")

    def sending() -> None:
        for _ in range(8):
            with services.open_work() as work:
                now = services.clock.now()
                work.queue.recover(now, SHORT, lambda _: None)
                claimed = work.queue.claim("worker", now + timedelta(days=9), timedelta(0), 5)
                work.commit()
            with services.open_work() as work:  # people are held before messages, so never in the claim's transaction
                back = [Ending(message=each, state=State.PENDING, look_at=each.look_at) for each in claimed]
                ended(work, back, now)
                work.commit()

    assert together(statuses, corrections, sending, sending) == []


def test_a_double_tap_on_a_dose_is_one_mark(database_url: str) -> None:
    services = with_own_ids(database_url)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    with services.open_reading() as work:
        dose = next(m for m in work.messages.of_person(person) if m.planned.kind is MessageKind.DOSE)
    assert together(*[lambda: mark_dose(services, person, dose.planned.wall, done=True)] * 6) == []
    with services.open_reading() as work:
        assert work.plans.marks(dose.plan_id) == {dose.planned.wall}


def test_one_process_takes_a_duty_that_nobody_ever_had(database_url: str) -> None:
    services = with_own_ids(database_url)
    took: list[str] = []

    def take(name: str) -> None:
        with services.open_work() as work:
            if work.ledger.take_lease("tick", name, services.clock.now(), timedelta(seconds=30)):
                took.append(name)
            work.commit()

    assert together(*[lambda n=n: take(f"process{n}") for n in range(6)]) == []  # type: ignore[misc]
    assert len(took) == 1


def test_processes_that_start_at_one_moment_migrate_once(postgres: Postgres) -> None:
    url = postgres.empty()
    engines = [open_engine(url) for _ in range(4)]
    try:
        assert together(*[lambda e=engine: upgrade(e) for engine in engines]) == []  # type: ignore[misc]
        assert version(engines[0]) is not None
    finally:
        for engine in engines:
            engine.dispose()
        postgres.drop(url)


def with_future_messages(url: str, count: int) -> Engine:
    """Messages due in the next sixty days, and fifty that are due now."""
    services, _ = a_service(url, approve=())
    stored = give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    engine = open_engine(url)
    with engine.begin() as connection:
        columns = "kind, due, earliest, last_useful, wall, zone, parts, superseded, detail, lease_token, attempts"
        row = connection.execute(text(f"SELECT person_id, {columns} FROM messages LIMIT 1")).mappings().one()
        names = ["id", "plan_id", "key", "state", "look_at", *row]
        insert = text(f"INSERT INTO messages ({', '.join(names)}) VALUES ({', '.join(':' + name for name in names)})")
        now = services.clock.now()
        moments = [now - timedelta(minutes=5)] * 50 + [
            now + timedelta(minutes=1 + number % 86400) for number in range(count)
        ]
        connection.execute(
            insert,
            [
                {**row, "id": f"future{n}", "plan_id": stored.id, "key": f"key{n}", "state": "pending", "look_at": at}
                for n, at in enumerate(moments)
            ],
        )
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("ANALYZE messages")
    return engine


@contextmanager
def explained(engine: Engine) -> Iterator[list[str]]:
    """Collects how the database goes about every statement on messages."""
    steps: list[str] = []
    how = "EXPLAIN QUERY PLAN" if engine.dialect.name == "sqlite" else "EXPLAIN"

    def note(connection, cursor, statement, parameters, context, executemany) -> None:  # type: ignore[no-untyped-def]
        if "messages" in statement and not statement.startswith("EXPLAIN"):
            other = connection.connection.cursor()
            other.execute(f"{how} {statement}", parameters)
            steps.extend(str(row[-1]) for row in other.fetchall())
            other.close()

    event.listen(engine, "before_cursor_execute", note)
    try:
        yield steps
    finally:
        event.remove(engine, "before_cursor_execute", note)


def test_a_pass_over_a_hundred_thousand_future_messages_reads_none_of_them(database_url: str) -> None:
    engine = with_future_messages(database_url, 100_000)
    now = StoppedClock().now()
    with explained(engine) as steps, UnitOfWork(engine) as work:
        assert work.queue.recover(now, SHORT, lambda _: None) == []
        claimed = work.queue.claim("worker", now, timedelta(minutes=1), 20)
        work.commit()
    assert len(claimed) == 20
    plan = "\n".join(steps)
    assert "ix_messages_waiting" in plan
    assert "ix_messages_leased" in plan
    # That index holds nothing but what some process has in hand: to walk it is to read no future message.
    plan = plan.replace("SCAN messages USING INDEX ix_messages_leased", "")
    for slow in ("Seq Scan", "Sort", "SCAN messages", "TEMP B-TREE FOR ORDER"):
        assert slow not in plan, plan
