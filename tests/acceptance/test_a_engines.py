"""A1 to A3: many processes on one database, the tick that one of them holds, and an outage over the due time."""

from __future__ import annotations

import os
import signal
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from acceptance.desk import Desk, add_wren
from acceptance.running import PAST, Site, a_site, children, health, on_sqlite, wait_until, with_messages
from acceptance.scenarios import KILLS
from acceptance.sizes import size
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
        ids = with_messages(site, size("A1 messages"), due=lambda _: instant)
        crowd = ["serve", "serve"] if site.engine_name == "embedded" else ["work", "work", "work"]
        processes = [site.start(command) for command in crowd]
        wait_until(site.settled, "all are sent")
        assert site.far.taken == dict.fromkeys(ids, 1)
        assert site.states == {"sent": len(ids)}
        assert all(process.poll() is None for process in processes)
        well(site)


def test_a1_what_is_added_through_one_process_goes_out_by_the_other(database_url: str, tmp_path: Path) -> None:
    with a_site(tmp_path, database_url) as site:
        with_messages(site, 1)
        services = site.services()
        add_wren(services)
        servers = site.serve_all(2)
        wait_until(site.settled, "somebody ticks")
        owners = {str(row[0]) for row in site.rows("SELECT owner FROM leases WHERE name = 'tick'")}
        port = next(port for process, port in servers if not any(owner.endswith(f":{process.pid}") for owner in owners))
        assert site.engine_name == "procrastinate" or len(owners) == 1, (
            "one of the two servers ticks, and it is not this one"
        )
        plan_id = Desk(port).give(a_person(services, "added"))
        sent = f"SELECT count(*) FROM messages WHERE plan_id = '{plan_id}' AND kind = 'plan-given' AND state = 'sent'"
        wait_until(lambda: site.rows(sent) == [(1,)], "what was given at one server went out by the other process")
        assert {row[0] for row in site.rows("SELECT owner FROM leases WHERE name = 'tick'")} == owners
        assert set(site.far.taken.values()) == {1}
        well(site)


GUNICORN = ("-w", "4", "-b", "127.0.0.1:{port}", "--no-control-socket", "service.wsgi:app")


def ticking(site: Site) -> int:
    """The process that holds the tick; 0 when nobody does."""
    found = site.rows("SELECT owner FROM leases WHERE name = 'tick'")
    assert len(found) <= 1, "the duty is one row"
    return int(str(found[0][0]).rpartition(":")[2]) if found else 0


def sending(site: Site) -> set[int]:
    """The processes that have a message in hand."""
    found = site.rows("SELECT DISTINCT lease_owner FROM messages WHERE lease_owner IS NOT NULL")
    return {int(str(owner).rpartition(":")[2]) for (owner,) in found}


@pytest.mark.parametrize("options", [(), ("--preload",)], ids=["loaded by each", "loaded before the fork"])
def test_a2_one_of_four_workers_of_gunicorn_holds_the_tick_and_another_takes_over_when_it_is_killed(
    options: tuple[str, ...], tmp_path: Path
) -> None:
    with a_site(tmp_path, on_sqlite(tmp_path), connections=1) as site:
        count = size("A2 messages")
        ids = with_messages(site, 2 * count)
        first, later = set(ids[:count]), set(ids[count:])
        site.run("UPDATE messages SET look_at = '2100-01-01 00:00:00.000000' WHERE id >= :id", id=ids[count])
        master, _ = site.behind("gunicorn", *options, *GUNICORN)
        wait_until(lambda: site.far.handed >= count and not site.states["handing"], "the first half is sent")
        assert site.far.taken == dict.fromkeys(first, 1), "so many hand-overs, and none twice"
        assert site.states == {"sent": count, "pending": count}

        site.far.told(wait_ms=200)  # slow enough that the kill comes before the end, however seldom this process is on
        site.run("UPDATE messages SET look_at = due WHERE state = 'pending'")
        wait_until(lambda: site.far.handed > count + 3, "the second half is under way", pause=0.01)
        holder = ticking(site)
        assert holder in children(master.pid), "a process that serves ticks, and not the one that forks"
        for _ in range(20):
            assert sending(site) <= {holder}, "the others do not send"
            time.sleep(0.01)
        os.kill(holder, signal.SIGKILL)
        KILLS.append(1)
        wait_until(lambda: holder not in children(master.pid), "it is gone")
        site.far.told(wait_ms=20)
        handed = site.far.handed
        assert handed < 2 * count, "it was killed while there was something to send"
        expired = time.monotonic()
        site.leases_run_out(f"UPDATE leases SET until = '{PAST}' WHERE name = 'tick'")  # the duty, and messages in hand
        wait_until(
            lambda: site.far.handed > handed and ticking(site) in children(master.pid) - {holder},
            "another takes over",
            pause=0.01,
        )
        print(f"sending went on {time.monotonic() - expired:.1f} s after the leases; a tick is 1 s")
        wait_until(site.settled, "the others finish")
        states, taken = site.ids, site.far.taken
        assert set(taken.values()) == {1}
        uncertain = {each for each, state in states.items() if state == "uncertain"}
        assert len(uncertain) <= 1, "one hand-over was under way"
        assert first | later == set(taken) | uncertain
        assert {states[each] for each in ids} <= {"sent", "uncertain"}
        well(site)


def test_a2_over_a_reload_of_the_development_server_each_message_goes_out_once(tmp_path: Path) -> None:
    with a_site(tmp_path, on_sqlite(tmp_path), connections=1) as site:
        ids = with_messages(site, size("A2 messages"))
        site.far.told(wait_ms=400)  # the reloader looks once a second, and on a busy machine late
        watched = tmp_path / "watched.py"
        watched.write_text("")
        arguments = ("--app", "service.wsgi", "run", "--debug", "--port", "{port}", "--extra-files", str(watched))
        reloader, _ = site.behind("flask", *arguments)
        site.reloaders.append(reloader)
        wait_until(lambda: site.far.handed > 2, "it sends", pause=0.01)
        before = ticking(site)
        assert before in children(reloader.pid), "the process that serves ticks, and not the one that starts it anew"
        assert sending(site) <= {before}
        watched.write_text("# changed")
        wait_until(lambda: children(reloader.pid) not in (set(), {before}), "another process took its place")
        assert site.far.handed < len(ids), "it was reloaded while there was something to send"
        site.far.told(wait_ms=20)
        wait_until(site.settled, "all are sent")
        assert ticking(site) not in {before, reloader.pid}
        assert site.far.taken == dict.fromkeys(ids, 1)
        assert site.states == {"sent": len(ids)}, "the hand-over under way was finished first"
        well(site)


def test_a3_after_an_outage_over_the_due_time_each_is_sent_or_dropped_as_too_late_and_shown(
    database_url: str, tmp_path: Path
) -> None:
    with a_site(tmp_path, database_url) as site:
        count, now = size("A3 messages"), datetime.now(UTC)
        ids = with_messages(site, count, due=lambda _: now - timedelta(minutes=10), useful=timedelta(hours=5))
        short = set(ids[::5])
        for each in short:
            site.run(
                "UPDATE messages SET last_useful = :at WHERE id = :id", id=each, at=str(now - timedelta(minutes=5))[:26]
            )
        add_wren(site.services())
        _, port = site.serve()
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
        count = size("A3 messages of a long pass")
        ids = with_messages(site, count)
        site.far.told(wait_ms=250)  # a tick comes every second, a pass takes many
        _, port = site.serve()
        wait_until(site.settled, "all are sent")
        assert site.far.taken == dict.fromkeys(ids, 1)
        assert site.states == {"sent": count}
        assert health(port)[0] == 200
        well(site)


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("no_proxy", "*")
