"""A7 to A13: kills, a database that goes away, faults of transports, frozen workers, boundaries, and keys."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from urllib.error import HTTPError

import pytest
from acceptance.desk import Desk, add_wren
from acceptance.running import HERE, ROOT, a_site, health, on_sqlite, wait_until, with_messages
from acceptance.scenarios import (
    ANSWER_MS,
    CONNECTIONS,
    KILLS,
    LATER,
    MESSAGES_PER_KILL,
    SEED,
    away,
    crew,
    disk_full,
    figures,
    frozen,
    misbehaving,
    more,
)
from acceptance.sizes import size
from builders import StoppedClock, a_person
from conftest import connections_closed
from database.postgres import Postgres
from delivery.test_both_databases import explained
from sqlalchemy import event

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Envelope, MessageKind, Outcome
from service.services import Services
from service.transports.port import RecordingTransport


def test_a7_kills_at_random_moments_lose_nothing_and_leave_what_is_uncertain_to_a_person(
    database_url: str, tmp_path: Path
) -> None:
    """Most kills meet forked workers, which is fast; some meet the real command."""
    kills, real = size("A7 kills of forked workers"), size("A7 kills of the command")
    chance = random.Random(SEED)
    with a_site(tmp_path, database_url, connections=CONNECTIONS) as site:
        ids = with_messages(site, kills * MESSAGES_PER_KILL + real * 30, kind=MessageKind.CHECK_IN)
        add_wren(site.services())
        site.far.told(wait_ms=ANSWER_MS)
        assert crew(site, kills=kills, workers=4)["kills"] == kills
        for _ in range(real):
            victim = site.start("serve" if site.engine_name == "embedded" else "work")
            more(site, chance.randrange(1, 20))
            victim.kill()
            victim.wait(60)
            KILLS.append(1)
            site.leases_run_out()
            site.run("DELETE FROM leases")
        _, port = site.serve()
        wait_until(site.settled, "the last one sends what is left")
        found = figures(site, "SIGKILL", ids, workers=4, tries=kills + real)
        print(f"seed {SEED}: {found.line()}")
        assert (found.lost, found.doubled, found.twice) == (0, 0, 0)
        assert set(site.states) <= {"sent", "uncertain"}
        uncertain = {each for each, state in site.ids.items() if state == "uncertain"}
        assert 0 < len(uncertain) <= (kills + real) * CONNECTIONS
        assert site.asked() == uncertain, "each is on the attention list"
        desk = Desk(port)
        desk.get("/attention")
        for (entry,) in site.rows("SELECT id FROM attention WHERE done IS NULL ORDER BY id")[:3]:
            desk.post(f"/attention/{entry}/done", {})
        assert len(site.asked()) == len(uncertain) - min(3, len(uncertain)), "and a person takes it off"


@pytest.fixture
def own_server(request: pytest.FixtureRequest) -> Iterator[Postgres]:
    """A server for one test alone, which may stop it."""
    server = Postgres()
    try:
        with connections_closed():
            yield server
    finally:
        server.end()


def turned_red(port: int) -> None:
    wait_until(lambda: health(port)[0] == 503, "/health says that it is not well")


def test_a8_after_postgresql_was_away_sending_goes_on_without_a_restart(own_server: Postgres, tmp_path: Path) -> None:
    url = own_server.migrated()
    found = away(
        tmp_path,
        url,
        messages=size("A8 messages"),
        seconds=size("A8 seconds away, PostgreSQL"),
        server=own_server,
        seen=turned_red,
    )
    print(found.line())
    assert (found.lost, found.doubled) == (0, 0), found
    assert found.uncertain <= CONNECTIONS


def test_a8_after_sqlite_could_not_be_written_to_sending_goes_on_without_a_restart(tmp_path: Path) -> None:
    """SQLite has no server to stop: another process holds its write lock for longer than anybody waits."""
    url = on_sqlite(tmp_path)
    found = away(
        tmp_path,
        url,
        messages=size("A8 messages"),
        seconds=size("A8 seconds away, SQLite"),
        server=None,
        seen=turned_red,
    )
    print(found.line())
    assert (found.lost, found.doubled) == (0, 0), found
    assert found.uncertain <= CONNECTIONS


FUTURE = """
INSERT INTO messages (id, plan_id, person_id, key, kind, due, earliest, last_useful, wall, zone, parts, state, look_at,
    superseded, detail, lease_token, attempts)
SELECT 'future' || n, plan_id, person_id, 'future' || n, kind, {due}, {due}, {due}, wall, zone, parts, 'pending', {due},
    superseded, '', 0, 0
FROM {numbers}, (SELECT * FROM messages LIMIT 1) AS one
"""


def what_looking_costs(services: Services) -> dict[str, list[float]]:
    """The database's milliseconds for a pass when nothing is due, and for finding a hundred that are, nine times each,
    the least first: on a busy machine only that one says what the work costs."""
    engine = services.open_work()._engine
    spent: list[float] = []
    begun: list[float] = []
    event.listen(engine, "before_cursor_execute", lambda *_: begun.append(time.perf_counter()))
    event.listen(engine, "after_cursor_execute", lambda *_: spent.append(time.perf_counter() - begun[-1]))
    idle, found = [], []
    now = services.clock.now()
    for _ in range(9):
        spent.clear()
        with services.open_work() as work:  # and it is rolled back, so that they are due again
            assert len(work.queue.claim("looker", now, timedelta(minutes=1), 100)) == 100
        found.append(sum(spent))
    waiting, services.clock = services.clock, StoppedClock(now - timedelta(days=1))
    for _ in range(9):
        spent.clear()
        assert not send_due(services, "looker").claimed
        idle.append(sum(spent))
    services.clock = waiting
    engine.dispose()
    costs = {"an idle tick": idle, "finding 100 due": found}
    return {what: sorted(each * 1000 for each in cost) for what, cost in costs.items()}


def test_a9_behind_future_messages_what_is_due_is_found_by_its_index_and_no_claim_outlives_its_lease(
    database_url: str, tmp_path: Path
) -> None:
    count = size("A9 messages")
    sqlite = database_url.startswith("sqlite")
    with a_site(tmp_path, database_url) as site:
        ids = with_messages(site, 100, kind=MessageKind.CHECK_IN)
        due = (
            "strftime('%Y-%m-%d %H:%M:%S.000000', 'now', '+' || (1 + n % 1400) || ' hours')"
            if sqlite
            else "now() + (1 + n % 1400) * interval '1 hour'"
        )
        for first in range(1, count, 100_000):  # no statement may take longer than a minute
            last = min(count, first + 99_999)
            numbers = (
                f"(WITH RECURSIVE c(n) AS (SELECT {first} UNION ALL SELECT n + 1 FROM c WHERE n < {last}) SELECT n FROM c)"
                if sqlite
                else f"generate_series({first}, {last}) AS n"
            )
            site.run(FUTURE.format(numbers=numbers, due=due))
        with site.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("ANALYZE messages")
        for what, cost in what_looking_costs(site.services()).items():
            print(
                f"{what} behind {count} future messages: {cost[0]:.2f} ms of the database; half within {cost[4]:.2f} ms"
            )
        site.far.told(wait_ms=200)  # slow enough that the kill comes before the end
        victim = site.start("serve" if sqlite else "work")
        wait_until(lambda: site.far.handed > 5, "the worker sends", pause=0.01)
        victim.kill()
        victim.wait(60)
        site.far.told(wait_ms=20)
        site.leases_run_out()
        services = site.services()
        engine = services.open_work()._engine
        with explained(engine) as steps:
            for _ in range(20):
                if not send_due(services, "next", 100).claimed:
                    break
        engine.dispose()
        assert any("ix_messages_waiting" in step for step in steps)
        assert any("ix_messages_leased" in step for step in steps)
        whole = [step for step in steps if "Seq Scan on messages" in step or step.strip() == "SCAN messages"]
        assert not whole, "no statement reads the whole table"
        states = site.states
        assert states["pending"] == count, "nothing of the future was touched"
        assert states["claimed"] + states["handing"] == 0, "no row stays claimed"
        ended = site.ids
        assert {ended[each] for each in ids} <= {"sent", "uncertain"}
        assert set(site.far.taken.values()) == {1}


def test_a10_an_error_of_an_unknown_kind_is_never_retried(database_url: str, tmp_path: Path) -> None:
    with a_site(tmp_path, database_url, pretend=True) as site:
        ids = with_messages(site, 4)
        services = site.services()
        faults = dict(zip(ids, (RuntimeError, OSError, TimeoutError, MemoryError), strict=True))

        def breaks(envelope: Envelope) -> Outcome:
            raise faults[envelope.key]("nobody foresaw this")

        recorder = RecordingTransport(breaks)
        services.transports = dict.fromkeys(Channel, recorder)
        for _ in range(8):
            send_due(services, "worker")
            site.wind(minutes=61)
        services.open_work()._engine.dispose()
        assert Counter(envelope.key for envelope in recorder.sent) == dict.fromkeys(ids, 1)
        assert site.states == {"uncertain": 4}
        assert site.asked() == set(ids)
        written = site.rows("SELECT message_id, result FROM attempts ORDER BY message_id")
        assert written == [(each, "uncertain") for each in ids]


def test_a11_a_worker_that_was_frozen_past_its_lease_overwrites_nothing(database_url: str, tmp_path: Path) -> None:
    found = frozen(
        tmp_path,
        database_url,
        messages=size("A11 messages"),
        workers=size("A11 workers"),
        tries=size("A11 times frozen"),
    )
    print(f"seed {SEED}: {found.line()}")
    assert (found.lost, found.doubled, found.twice) == (0, 0, 0), found
    assert found.uncertain <= found.tries * 2, "at most what was in flight, and it is flagged"


def test_a11_no_transaction_is_open_while_a_far_side_is_slow(postgres_url: str, tmp_path: Path) -> None:
    with a_site(tmp_path, postgres_url, timeout=300) as site:
        with_messages(site, 8)
        site.far.told(play="held")
        for _ in range(2):
            site.start("work")
        wait_until(lambda: site.far.handed >= 4, "as many hand-overs are under way as one worker has lines")
        under_way = (
            "SELECT count(*) FROM pg_stat_activity"
            " WHERE datname = current_database() AND state LIKE 'idle in transaction%'"
        )
        wait_until(lambda: site.rows(under_way) == [(0,)], "no transaction waits for the far side", pause=0.01)
        assert site.states["handing"] >= 4
        site.far.told()
        wait_until(site.settled, "all are sent")
        assert site.states == {"sent": 8}


def test_a12_killed_at_any_statement_either_the_whole_plan_is_stored_or_nothing(
    database_url: str, tmp_path: Path
) -> None:
    with a_site(tmp_path, database_url) as site:
        with_messages(site, 1)
        services = site.services()
        people = [a_person(services, f"b{number:03d}") for number in range(120)]
        services.open_work()._engine.dispose()
        command = [sys.executable, str(HERE / "boundary.py"), str(site.config()), *people]
        ran = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=600, check=False)
        assert ran.returncode == 0, ran.stderr
        ended = json.loads(ran.stdout)
        assert list(ended.values()).count("lived") == 1, "every boundary was met, and the first beyond them lives"
        assert len(ended) > 10
        wait_until(lambda: site.run("UPDATE people SET joins = joins WHERE id LIKE 'b%'") == 120, "no lock is left")
        whole: dict[tuple[int, ...], list[str]] = {}
        for person in ended:
            parts = tuple(
                site.rows(f"SELECT count(*) FROM {table} WHERE person_id = :id", id=person)[0][0]
                for table in ("visits", "plans", "messages", "links")
            )
            whole.setdefault(parts, []).append(person)
        lived = [person for person, how in ended.items() if how == "lived"]
        assert len(whole) == 2, f"nothing, or everything: {whole}"
        assert (0, 0, 0, 0) in whole
        everything = next(parts for parts in whole if parts != (0, 0, 0, 0))
        assert everything[2] > 1, "several messages, however late in the day: half of them would be seen"
        assert lived[0] in whole[everything]
        # Nobody was told of it: no process had a waker, or lived to use it. The tick finds what is due all the same.
        site.start("serve" if site.engine_name == "embedded" else "work")
        due = "SELECT count(*) FROM messages WHERE person_id LIKE 'b%' AND kind = 'plan-given' AND state = 'sent'"
        wait_until(lambda: site.rows(due)[0][0] == len(whole[everything]), "the tick finds them")


def test_a13_a_form_given_ten_times_at_once_gives_one_plan_and_with_other_ticks_none(
    database_url: str, tmp_path: Path
) -> None:
    with a_site(tmp_path, database_url) as site:
        with_messages(site, 1)
        services = site.services()
        add_wren(services)
        person = a_person(services, "maud")
        _, port = site.serve(worker=False)
        desks = Desk(port).many(10)
        form = desks[0].propose(person)
        with ThreadPoolExecutor(10) as pool:
            answers = list(pool.map(lambda desk: desk.give(person, form), desks))
        assert len(set(answers)) == 1, "one answer"
        with pytest.raises(HTTPError) as refused:
            desks[0].give(person, form | {"left.findings": "grommet"})
        with refused.value as answer:
            assert answer.code == 409
        assert site.rows("SELECT id FROM plans WHERE person_id = 'maud'") == [(answers[0],)]
        twice = "SELECT kind, due FROM messages WHERE person_id = 'maud' GROUP BY kind, due HAVING count(*) > 1"
        assert site.rows(twice) == []


@pytest.mark.parametrize(("play", "channel"), [("busy", Channel.TEXT), ("drop", Channel.TEXT), ("busy", Channel.EMAIL)])
def test_a13_every_attempt_of_a_message_carries_the_same_key_and_the_same_octets(
    play: str, channel: Channel, tmp_path: Path
) -> None:
    with a_site(tmp_path, on_sqlite(tmp_path), pretend=True) as site:
        with_messages(site, 4, channel=channel)
        site.far.told(play=play, first=True, every=2)
        crew(site, workers=1, wind=LATER)
        assert site.states == {"sent": 4}
        tries: dict[str, list[str]] = {}
        for line in site.far.journal:
            tries.setdefault(line.key, []).append(line.hash)
        assert sorted(map(len, tries.values())) == [1, 1, 2, 2]
        assert all(len(set(hashes)) == 1 for hashes in tries.values()), "byte for byte the same"
        written = site.rows("SELECT key, count(*), count(DISTINCT body_hash) FROM attempts GROUP BY key")
        assert {(row[0], row[1]) for row in written} == {(key, len(hashes)) for key, hashes in tries.items()}
        assert {row[2] for row in written} == {1}


def test_a13_what_would_be_repeated_after_the_far_side_forgot_the_key_stays_uncertain(tmp_path: Path) -> None:
    with a_site(tmp_path, on_sqlite(tmp_path), pretend=True, honour=10) as site:
        ids = with_messages(site, 4)
        site.far.told(play="drop", first=True, every=4)
        crew(site, workers=1, wind="120")  # the service stood still for two hours
        uncertain = {each for each, state in site.ids.items() if state == "uncertain"}
        assert site.far.taken == dict.fromkeys(ids, 1), "nothing went out once more"
        assert len(uncertain) == 1
        crew(site, workers=1, wind=LATER)
        assert site.far.taken == dict.fromkeys(ids, 1)
        assert site.asked() == uncertain, "a person decides"


def test_a_far_side_that_misbehaves_loses_nothing_and_doubles_only_what_is_uncertain(tmp_path: Path) -> None:
    plays = ("drop", "half", "garbage", "hang", "late", "error", "busy")
    messages = size("misbehaving, messages of each play") * len(plays)  # each fourth meets one of them, in turn
    found = misbehaving(tmp_path, on_sqlite(tmp_path), ",".join(plays), workers=2, messages=messages)
    print(found.line())
    assert (found.lost, found.doubled, found.left) == (0, 0, 0), found
    assert found.twice <= found.uncertain
    assert found.uncertain == found.tries * 6 // 7, "of all but the busy one nobody knows what it did"


def test_a_full_disk_loses_nothing_and_doubles_nothing(tmp_path: Path) -> None:
    found = disk_full(tmp_path, on_sqlite(tmp_path), messages=size("disk full, messages"))
    print(found.line())
    assert (found.lost, found.doubled, found.twice) == (0, 0, 0), found
    assert threading.active_count() < 50
