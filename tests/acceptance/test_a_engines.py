"""A1 to A3: many processes on one database, the tick that one of them holds, and an outage over the due time."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from acceptance.desk import Desk, add_wren
from acceptance.running import PAST, Site, a_site, health, on_sqlite, wait_until, with_messages
from acceptance.scenarios import size
from builders import a_person


def well(site: Site) -> None:
    """Nothing in the logs that an operator would have to look into."""
    assert "Traceback" not in site.logs
    assert "JobLookupError" not in site.logs
    assert "database is locked" not in site.logs


def test_a1_processes_on_one_database_send_a_thousand_messages_of_one_instant_once_each(
    database_url: str, tmp_path: Path
) -> None:
    with a_site(tmp_path, database_url) as site:
        instant = datetime.now(UTC)
        ids = with_messages(site, 1000, due=lambda _: instant)
        crowd = ["serve", "serve"] if site.engine_name == "embedded" else ["work", "work", "work"]
        processes = [site.start(command) for command in crowd]
        wait_until(site.settled, "all are sent")
        assert site.far.taken == dict.fromkeys(ids, 1)
        assert site.states == {"sent": 1000}
        assert all(process.poll() is None for process in processes)
        well(site)


def test_a1_what_is_added_through_one_process_goes_out_by_the_other(database_url: str, tmp_path: Path) -> None:
    with a_site(tmp_path, database_url) as site:
        with_messages(site, 1)
        services = site.services()
        add_wren(services)
        servers = [site.serve() for _ in range(2)]
        worker = site.start("work") if site.engine_name == "procrastinate" else None
        wait_until(site.settled, "somebody ticks")
        owners = {str(row[0]) for row in site.rows("SELECT owner FROM leases WHERE name = 'tick'")}
        port = next(port for process, port in servers if not any(owner.endswith(f":{process.pid}") for owner in owners))
        assert worker is not None or len(owners) == 1, "one of the two servers ticks, and it is not this one"
        plan_id = Desk(port).give(a_person(services, "added"))
        sent = f"SELECT count(*) FROM messages WHERE plan_id = '{plan_id}' AND kind = 'plan-given' AND state = 'sent'"
        wait_until(lambda: site.rows(sent) == [(1,)], "what was given at one server went out by the other process")
        assert {row[0] for row in site.rows("SELECT owner FROM leases WHERE name = 'tick'")} == owners
        assert set(site.far.taken.values()) == {1}
        well(site)


def test_a2_one_of_four_servers_holds_the_tick_and_another_takes_over_when_it_is_killed(tmp_path: Path) -> None:
    """Four processes of `tragus serve` stand for four workers of a forking web server: each has its own scheduler."""
    with a_site(tmp_path, on_sqlite(tmp_path), connections=1) as site:
        ids = with_messages(site, size(80, 200))
        site.far.told(wait_ms=20)
        servers = [site.start("serve") for _ in range(4)]

        def holders() -> list[subprocess.Popen[bytes]]:
            found = site.rows("SELECT owner FROM leases WHERE name = 'tick'")
            assert len(found) <= 1, "the duty is one row"
            return [each for each in servers if found and str(found[0][0]).endswith(f":{each.pid}")]

        wait_until(lambda: bool(holders()) and len(site.far.journal) > 20, "one holds the tick and sends")
        (first,) = holders()
        for _ in range(20):
            owners = {row[0] for row in site.rows("SELECT lease_owner FROM messages WHERE lease_owner IS NOT NULL")}
            assert {str(owner).rpartition(":")[2] for owner in owners} <= {str(first.pid)}, "the others do not send"
            time.sleep(0.02)
        os.kill(first.pid, signal.SIGKILL)
        first.wait(30)
        assert site.run("UPDATE leases SET until = :past", past=PAST) == 1, "as if its half minute had passed"
        wait_until(lambda: [each.pid for each in holders()] not in ([], [first.pid]), "another takes the duty")
        site.leases_run_out()
        wait_until(site.settled, "the others finish")
        states, taken = site.ids, site.far.taken
        assert set(taken) <= set(ids)
        assert set(taken.values()) == {1}
        uncertain = [each for each, state in states.items() if state == "uncertain"]
        assert len(uncertain) <= 1, "one hand-over was under way"
        assert {states[each] for each in ids} <= {"sent", "uncertain"}
        well(site)


def test_a3_after_an_outage_over_the_due_time_each_is_sent_or_dropped_as_too_late_and_shown(
    database_url: str, tmp_path: Path
) -> None:
    with a_site(tmp_path, database_url) as site:
        count, now = size(150, 500), datetime.now(UTC)
        ids = with_messages(site, count, due=lambda _: now - timedelta(minutes=10), useful=timedelta(hours=5))
        short = set(ids[::5])
        for each in short:
            site.run(
                "UPDATE messages SET last_useful = :at WHERE id = :id", id=each, at=str(now - timedelta(minutes=5))[:26]
            )
        add_wren(site.services())
        _, port = site.serve()
        if site.engine_name == "procrastinate":
            site.start("work")
        wait_until(site.settled, "all are dealt with")
        states = site.ids
        assert set(states) == set(ids), "none vanished"
        assert {states[each] for each in short} == {"dropped"}
        assert {row[0] for row in site.rows("SELECT DISTINCT reason FROM messages WHERE state = 'dropped'")} == {
            "too-late"
        }
        assert site.far.taken == dict.fromkeys(set(ids) - short, 1)
        assert "too late to be useful" in Desk(port).get("/outgoing")
        well(site)


def test_a3_a_pass_that_takes_many_ticks_loses_nothing_and_doubles_nothing(database_url: str, tmp_path: Path) -> None:
    with a_site(tmp_path, database_url, connections=1) as site:
        count = size(12, 100)
        ids = with_messages(site, count)
        site.far.told(wait_ms=250)  # a tick comes every second, a pass takes many
        _, port = site.serve()
        if site.engine_name == "procrastinate":
            site.start("work")
        wait_until(site.settled, "all are sent")
        assert site.far.taken == dict.fromkeys(ids, 1)
        assert site.states == {"sent": count}
        assert health(port)[0] == 200
        well(site)


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("no_proxy", "*")
