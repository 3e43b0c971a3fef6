"""Workers on one PostgreSQL: real processes, really killed, and a server that goes away and comes back."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import psycopg
import pytest
from builders import a_person, a_settings_file, a_visit, an_ear, some_settings
from conftest import connections_closed
from database.postgres import Postgres
from delivery.test_dispatch import keys_in, many_people, states
from procrastinate.periodic import croniter
from sqlalchemy import text

from service.config import read_settings
from service.domain.contact import Channel
from service.domain.message import DeliveryReport, MessageKind, ReportState, State
from service.errors import SettingsError
from service.ops.pump import BATCH, SCHEMA, Waker, every, prepare
from service.planning.aftercare import give
from service.planning.approving import approve_language
from service.services import Services
from service.storage.unit_of_work import open_engine
from service.wiring import build

PEER = Path(__file__).with_name("worker_peer.py")


def config_in(folder: Path, database: str, engine: str = "procrastinate") -> Path:
    return a_settings_file(folder / "clinic.toml", database=database, engine=engine)


@contextmanager
def running(*command: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process that is ended here, whatever happens."""
    process = subprocess.Popen([sys.executable, *command])
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(20)


def worker(url: str, journal: Path, owner: str, *, tick: int = 1, delay_ms: int = 0, held: int = 0):  # type: ignore[no-untyped-def]
    """One that waits in its hand-over number `held`, if that is given, until it is let `go_on` or is killed: the test
    then does what it does in the midst of sending, however seldom it is on."""
    return running(str(PEER), url, str(journal), owner, str(tick), str(delay_ms), str(held))


def go_on(journal: Path) -> None:
    Path(f"{journal}.go").touch()


def wait_until(happened: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + 120
    while not happened():
        assert time.monotonic() < deadline, f"not within two minutes: {what}"
        time.sleep(0.1)


def jobs(url: str) -> Counter[str]:
    """The pump's jobs, by state."""
    with open_engine(url).connect() as connection:
        rows = connection.execute(text(f"SELECT status::text, count(*) FROM {SCHEMA}.procrastinate_jobs GROUP BY 1"))
        return Counter({str(status): int(count) for status, count in rows})


def at_work(url: str) -> int:
    """How many workers run: each of them ends well at a word from now on."""
    with open_engine(url).connect() as connection:
        rows = connection.execute(text(f"SELECT count(*) FROM {SCHEMA}.procrastinate_workers"))
        return int(rows.scalar_one())


def execute(url: str, statement: str) -> None:
    with open_engine(url).begin() as connection:
        connection.execute(text(statement))


def given_at_once(services: Services, people: int) -> list[State]:
    with services.open_reading() as work:
        found = [m for n in range(people) for m in work.messages.of_person(f"person{n}")]
    return [m.state for m in found if m.planned.kind is MessageKind.PLAN_GIVEN]


def test_the_real_commands_send_each_message_once_and_keep_no_finished_job(postgres_url: str, tmp_path: Path) -> None:
    config = config_in(tmp_path, postgres_url)
    services = build(read_settings(config))
    approve_language(services, "en", "Dr Wren Halloway", reason="for a test")
    outgoing = tmp_path / "outgoing"
    with (
        running("-m", "service", "work", "--config", str(config)) as one,
        running("-m", "service", "work", "--config", str(config)) as two,
        running("-m", "service", "serve", "--config", str(config)) as server,
    ):
        # Nobody wakes the workers here (this process has no waker): the tick alone finds what is due.
        for number in range(20):
            give(services, a_person(services, f"person{number}"), a_visit(an_ear("normal")), by="nurse")
        wait_until(lambda: states(services)[State.SENT] == 20, "20 messages sent")
        wait_until(lambda: at_work(postgres_url) == 2, "both work, also the one that found nothing to do")
        assert all(process.poll() is None for process in (one, two, server))
        for process in (one, two):
            process.send_signal(signal.SIGTERM)
            assert process.wait(120) == 0
    assert len([file for file in outgoing.iterdir() if file.suffix == ".txt"]) == 20
    with services.open_reading() as work:
        assert {m.attempts for m in work.messages.recent([State.SENT], 100)} == {1}
        assert work.ledger.lease("tick") is None, "the tick of the embedded engine did not run"
    assert set(jobs(postgres_url)) <= {"todo"}, "what is done is deleted"


def test_giving_a_plan_wakes_the_workers_and_one_waiting_job_is_enough(postgres_url: str, tmp_path: Path) -> None:
    services = many_people(postgres_url, 0)
    waker = Waker(postgres_url)
    services.wake = waker.wake
    try:
        for number in range(3):
            give(services, a_person(services, f"person{number}"), a_visit(an_ear("normal")), by="nurse")
    finally:
        waker.close()
    assert jobs(postgres_url) == {"todo": 1}
    with worker(postgres_url, tmp_path / "journal", "worker", tick=3600):
        wait_until(lambda: states(services)[State.SENT] == 3, "3 messages sent")


def test_a_plan_is_given_also_when_no_worker_can_be_told(postgres_url: str, caplog: pytest.LogCaptureFixture) -> None:
    services = many_people(postgres_url, 0)
    waker = Waker(postgres_url)
    services.wake = waker.wake
    execute(postgres_url, f"DROP SCHEMA {SCHEMA} CASCADE")
    try:
        give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    finally:
        waker.close()
    assert states(services)[State.PENDING] > 0
    assert "the next tick finds what is due" in caplog.text


def test_a_killed_worker_leaves_a_job_that_holds_nobody_up_and_is_tidied_away(
    postgres_url: str, tmp_path: Path
) -> None:
    journal = tmp_path / "journal"
    services = many_people(postgres_url, 60)
    with worker(postgres_url, journal, "victim", delay_ms=50, held=20) as victim:
        wait_until(lambda: len(keys_in(journal)) >= 15, "15 hand-overs")
        victim.kill()
        victim.wait(30)
    assert jobs(postgres_url)["doing"] == 1
    execute(postgres_url, "UPDATE messages SET lease_until = '2000-01-01' WHERE lease_until IS NOT NULL")
    execute(postgres_url, f"UPDATE {SCHEMA}.procrastinate_workers SET last_heartbeat = now() - interval '1 hour'")
    with worker(postgres_url, journal, "next"):
        wait_until(lambda: set(given_at_once(services, 60)) <= {State.SENT, State.UNCERTAIN}, "all were dealt with")
        with psycopg.connect(psycopg_url(postgres_url), options=f"-c search_path={SCHEMA}") as connection:
            connection.execute(
                "INSERT INTO procrastinate_jobs (queue_name, task_name) SELECT 'pump', 'tidy'"
            )  # which comes by itself every five minutes
        wait_until(lambda: jobs(postgres_url)["doing"] == 0, "the job of the killed worker is gone")
    keys = keys_in(journal)
    assert len(keys) == len(set(keys)) == 60
    assert Counter(given_at_once(services, 60))[State.UNCERTAIN] <= 1


def psycopg_url(url: str) -> str:
    return url.replace("+psycopg", "")


def test_a_worker_told_to_stop_finishes_what_it_is_handing_over(postgres_url: str, tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    services = many_people(postgres_url, 40)
    with worker(postgres_url, journal, "worker", delay_ms=100, held=3) as process:
        wait_until(lambda: len(keys_in(journal)) >= 3, "3 hand-overs")
        process.send_signal(signal.SIGTERM)
        go_on(journal)
        assert process.wait(120) == 0
    ended = states(services)
    assert ended[State.SENT] == len(keys_in(journal)) < 40
    assert ended[State.HANDING] == ended[State.CLAIMED] == ended[State.UNCERTAIN] == 0, "nothing is left half-done"
    assert jobs(postgres_url)["doing"] == 0


def test_after_the_database_was_away_the_same_worker_goes_on(own_server: Postgres, tmp_path: Path) -> None:
    url = own_server.migrated()
    journal = tmp_path / "journal"
    services = many_people(url, 120)
    with worker(url, journal, "worker", delay_ms=20, held=40) as process:
        wait_until(lambda: len(keys_in(journal)) >= 40, "40 hand-overs")
        own_server.stop()
        go_on(journal)
        time.sleep(6)  # so that it meets a server that is away; it is no fault if it met it only once
        before = len(keys_in(journal))
        assert before < 120
        own_server.start()
        # What was claimed when the server went away waits for its claim to run out; one message may be in doubt.
        wait_until(lambda: states(services)[State.SENT] >= 120 - BATCH, "all but one batch went")
        assert process.poll() is None
    execute(url, "UPDATE messages SET lease_until = '2000-01-01' WHERE lease_until IS NOT NULL")
    with worker(url, journal, "next"):
        wait_until(lambda: set(given_at_once(services, 120)) <= {State.SENT, State.UNCERTAIN}, "all were dealt with")
    keys = keys_in(journal)
    assert len(keys) == len(set(keys)) == 120
    assert Counter(given_at_once(services, 120))[State.UNCERTAIN] <= 1


@pytest.fixture
def own_server() -> Iterator[Postgres]:
    """A server for one test alone, which may stop it."""
    server = Postgres()
    try:
        with connections_closed():
            yield server
    finally:
        server.end()


def is_due(services: Services) -> bool:
    with services.open_reading() as work:
        look = work.messages.next_look()
    return look is not None and look <= datetime.now(UTC)


def test_preparing_twice_changes_nothing_and_needs_no_migration(postgres_url: str) -> None:
    prepare(postgres_url)
    execute(postgres_url, f"CREATE TABLE {SCHEMA}.mark ()")
    prepare(postgres_url)
    execute(postgres_url, f"DROP TABLE {SCHEMA}.mark")


def test_a_server_that_cannot_be_reached_is_one_clear_sentence() -> None:
    with pytest.raises(SettingsError, match="cannot be made"):
        prepare("postgresql+psycopg://nobody@127.0.0.1:9/none")


@pytest.mark.parametrize(
    ("seconds", "gap"), [(1, 1), (5, 5), (30, 30), (59, 59), (60, 60), (3600, 60)], ids=lambda value: str(value)
)
def test_a_tick_comes_at_least_as_often_as_asked_and_at_least_every_minute(seconds: int, gap: int) -> None:
    moments = croniter.croniter(every(seconds), 1_000_000_000)
    before = moments.get_next(float)
    for _ in range(100):
        after = moments.get_next(float)
        assert 0 < after - before <= gap
        before = after


@pytest.mark.parametrize(
    ("database", "engine", "command", "said"),
    [
        ("sqlite:///x.sqlite", "procrastinate", "serve", "needs PostgreSQL"),
        ("mysql://x/y", "embedded", "serve", "sqlite:/// or postgresql+psycopg://"),
        ("sqlite:///x.sqlite", "celery", "serve", "'embedded' or 'procrastinate'"),
        ("sqlite:///x.sqlite", "embedded", "work", "a worker needs"),
        ("postgresql+psycopg://nobody@127.0.0.1:9/none", "procrastinate", "work", "cannot be opened"),
        ("postgresql+psycopg://nobody@127.0.0.1:9/none", "embedded", "serve", "cannot be opened"),
    ],
)
def test_settings_that_cannot_work_are_one_clear_line(
    tmp_path: Path, database: str, engine: str, command: str, said: str
) -> None:
    config = config_in(tmp_path, database, engine)
    assert tomllib.loads(config.read_text())["engine"] == engine
    ran = subprocess.run(
        [sys.executable, "-m", "service", command, "--config", str(config)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ran.returncode == 1
    assert said in ran.stderr
    assert len(ran.stderr.strip().splitlines()) == 1


def test_the_embedded_engine_is_what_runs_unless_another_is_named(tmp_path: Path) -> None:
    assert some_settings(tmp_path).engine == "embedded"


def test_a_worker_applies_the_receipts_that_outran_the_answer(postgres_url: str, tmp_path: Path) -> None:
    services = many_people(postgres_url, 1)
    with worker(postgres_url, tmp_path / "journal", "worker"):
        wait_until(lambda: states(services)[State.SENT] == 1, "the message is sent")
        with services.open_work() as work:
            (message,) = work.messages.recent([State.SENT], 1)
            report = DeliveryReport(
                channel=message.channel or Channel.TEXT,
                state=ReportState.DELIVERED,
                at=services.clock.now(),
                detail="arrived",
                key=message.id,
            )
            work.inbound.keep_report(report, services.clock.now())
            work.commit()
        wait_until(lambda: states(services)[State.DELIVERED] == 1, "the receipt is applied after a pass")
