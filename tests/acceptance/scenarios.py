"""Faults while messages are sent, and the figures that come of them. The tests and the nightly run share these."""

from __future__ import annotations

import atexit
import json
import logging
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any

from acceptance.running import HERE, ROOT, Site, a_site, wait_until, with_messages
from acceptance.sizes import size
from database.postgres import Postgres
from sqlalchemy.exc import OperationalError

from service.domain.contact import Channel
from service.domain.message import MessageKind

SEED = int(os.environ.get("TRAGUS_SEED", "0")) or random.SystemRandom().randrange(1, 10**6)
"""Where the random moments come from; printed, and set again with TRAGUS_SEED."""

CONNECTIONS = 4
"""Hand-overs that one worker has under way at most."""

ANSWER_MS = 10
"""How long the far side takes to answer while workers are killed. In a life of 30 ms at the most, 15 as a rule, one
worker so ends eight hand-overs as a rule, however fast the machine is."""

MESSAGES_PER_KILL = 16
"""Enough that there is always something to send."""


@dataclass(frozen=True, kw_only=True)
class Figures:
    """One line of the table. `tries` are kills, or hand-overs that met the fault. `lost`: neither out nor accounted
    for. `doubled`: accepted twice without ever having been uncertain. `uncertain`: messages that were ever so; `left`
    those that still are; `twice` those that reached somebody twice, after the rule repeated them. `seconds`: how long it
    took; for a database that was away, from its return to the next hand-over."""

    fault: str
    engine: str
    workers: int
    messages: int
    tries: int
    lost: int
    doubled: int
    uncertain: int
    left: int
    twice: int
    seconds: float = 0.0

    @staticmethod
    def head() -> str:
        names = [each.name for each in fields(Figures)]
        return f"| {' | '.join(names)} |\n|{' --- |' * len(names)}"

    def line(self) -> str:
        return f"| {' | '.join(str(getattr(self, each.name)) for each in fields(self))} |"


def figures(site: Site, fault: str, ids: list[str], *, workers: int, tries: int, seconds: float = 0.0) -> Figures:
    """What the far side saw, against what the record says."""
    journal = site.far.journal
    states = site.ids
    assert set(states) == set(ids), "no message vanished and none appeared"
    taken: dict[str, int] = {}
    effects: dict[str, int] = {}
    words: dict[str, set[str]] = {}
    for line in journal:
        words.setdefault(line.key, set()).add(line.hash)
        taken[line.key] = taken.get(line.key, 0) + line.took
        effects[line.key] = effects.get(line.key, 0) + line.effect
    assert all(len(each) == 1 for each in words.values()), "a key never carries two bodies"
    keys = dict(site.rows("SELECT DISTINCT key, message_id FROM attempts"))
    assert set(taken) <= set(keys), "nothing reached the far side that was not written down first"
    unended = {
        row[0]
        for row in site.rows(
            "SELECT DISTINCT message_id FROM attempts WHERE result IS NULL OR result = 'uncertain' OR late"
        )
    }
    accepted = {keys[key] for key, count in taken.items() if count}
    accounted = {"uncertain", "dropped", "failed"}
    lost = [each for each in ids if each not in accepted and states[each] not in accounted]
    doubled = [key for key, count in taken.items() if count > 1 and keys[key] not in unended]
    return Figures(
        fault=fault,
        engine="SQLite" if site.url.startswith("sqlite") else "PostgreSQL",
        workers=workers,
        messages=len(ids),
        tries=tries,
        lost=len(lost),
        doubled=len(doubled),
        uncertain=len(unended),
        left=sum(1 for state in states.values() if state == "uncertain"),
        twice=sum(1 for count in effects.values() if count > 1),
        seconds=round(seconds, 1),
    )


def crew(
    site: Site, *, kills: int = 0, workers: int = 2, most_ms: int = 30, batch: int = 10, wind: str = ""
) -> dict[str, Any]:
    """Forked workers, killed at random moments; see crash.py."""
    arguments = [str(site.config()), str(kills), str(workers), str(SEED), str(most_ms), str(batch)]
    process = _stand_by()
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(json.dumps([*arguments, *([wind] if wind else [])]) + "\n")
    process.stdin.flush()
    status, said, errors = json.loads(process.stdout.readline())
    assert status == 0, errors[-3000:]
    found: dict[str, Any] = json.loads(said.splitlines()[-1])
    assert not found["faults"], f"{found}: {errors[-3000:]}"
    KILLS.append(found["kills"])
    return found


KILLS: list[int] = []
"""How many processes each crew lost by SIGKILL in this run."""


@cache
def _stand_by() -> subprocess.Popen[str]:
    """The process that forks crews; it has everything loaded, and ends with this one."""
    command = [sys.executable, str(HERE / "crash.py"), "--stand-by"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT)

    def end() -> None:
        process.communicate(timeout=60)

    atexit.register(end)
    return process


LATER = "2,31,61,61"
"""Minutes after which what was repeated, paused or held has gone: pauses, an hour's wait, and what follows them."""


def killed(
    folder: Path,
    url: str,
    *,
    kills: int,
    workers: int,
    honour: bool = False,
    kind: MessageKind = MessageKind.PLAN_GIVEN,
    most_ms: int = 30,
) -> Figures:
    """SIGKILL at random moments; then the others finish, and the rule for uncertain messages does its work."""
    with a_site(folder, url, pretend=True, connections=CONNECTIONS, honour=1440 if honour else 0) as site:
        ids = with_messages(site, kills * MESSAGES_PER_KILL + 50, kind=kind)
        site.far.told(wait_ms=ANSWER_MS, honour=honour)
        ran = crew(site, kills=kills, workers=workers, most_ms=most_ms, wind=LATER)
        assert site.settled(), site.states
        name = "SIGKILL, keys honoured" if honour else "SIGKILL"
        found = figures(site, name, ids, workers=workers, tries=ran["kills"], seconds=ran["seconds"])
        assert ran["kills"] == kills, "there was always something to send"
        assert found.uncertain <= kills * CONNECTIONS
        left = {each for each, state in site.ids.items() if state == "uncertain"}
        assert site.asked() >= left, site.rows(
            "SELECT id, detail, repeat_at, repeats, carrier FROM messages WHERE state = 'uncertain'"
        )[:3]
        return found


def misbehaving(
    folder: Path,
    url: str,
    play: str,
    *,
    workers: int,
    messages: int,
    channel: Channel = Channel.TEXT,
    honour: bool = False,
) -> Figures:
    """Each fourth message meets a far side that does something else than to answer in time and in words."""
    with a_site(folder, url, pretend=True, timeout=4, honour=1440 if honour else 0) as site:
        ids = with_messages(site, messages, channel=channel)
        every = 4
        site.far.told(play=play, first=True, every=every, seconds=8, honour=honour)
        ran = crew(site, workers=workers, wind=LATER)
        assert site.settled(), site.states
        met = len(ids[::every])
        name = f"{play}, {'mail' if channel is Channel.EMAIL else 'text'}{', keys honoured' if honour else ''}"
        return figures(site, name, ids, workers=workers, tries=met, seconds=ran["seconds"])


@contextmanager
def write_lock_held(place: Path, patience: float = 30) -> Iterator[None]:
    """Nobody else can write to this SQLite file meanwhile."""
    with closing(sqlite3.connect(place, timeout=patience, isolation_level=None)) as line:
        line.execute("BEGIN IMMEDIATE")
        try:
            yield
        finally:
            line.execute("ROLLBACK")


def away(
    folder: Path, url: str, *, messages: int, seconds: float, server: Postgres | None, seen: Callable[[int], None]
) -> Figures:
    """The database goes away while real processes send, and comes back; `seen` is handed the port of the server while
    it is away. SQLite has no server: somebody else holds its write lock for longer than anybody waits for it."""
    with a_site(folder, url, health=2) as site:
        ids = with_messages(site, messages)
        site.far.told(wait_ms=100)  # slow enough that much is left when it goes away
        _, port = site.serve()
        wait_until(lambda: site.far.handed > messages // 10, "sending is under way")
        if server is not None:
            server.stop()
            site.far.told(wait_ms=30)
            time.sleep(seconds)
            seen(port)
            server.start()
        else:
            with write_lock_held(Path(url.removeprefix("sqlite:///"))):
                site.far.told(wait_ms=30)
                time.sleep(seconds)
                seen(port)
        back, handed = time.monotonic(), site.far.handed
        wait_until(lambda: site.far.handed > handed, "sending goes on", pause=0.01)
        recovery = time.monotonic() - back
        wait_until(lambda: quiet(site), "what is due is sent again, without a restart")
        assert all(process.poll() is None for process in site.processes)
        site.leases_run_out()  # of what was claimed when it went away
        wait_until(site.settled, "what was held up went out, or is uncertain")
        return figures(site, "database away", ids, workers=1, tries=1, seconds=recovery)


def quiet(site: Site) -> bool:
    return site.states["pending"] == 0


def frozen(folder: Path, url: str, *, messages: int, workers: int, tries: int) -> Figures:
    """A worker is frozen in the middle of a hand-over, past its lease, and goes on when others have taken its place."""
    with a_site(folder, url, pretend=True, connections=1) as site:
        ids = with_messages(site, messages)
        site.far.told(wait_ms=100)  # slow enough that something is left to send each time
        command = "work" if site.engine_name == "procrastinate" else "serve"
        crowd = [site.start(command) for _ in range(workers)]
        done = 0
        for _ in range(tries):
            more(site, 3)
            victim = stopped(site, crowd)
            if command == "serve":
                site.run("UPDATE leases SET until = :past", past="2000-01-01 00:00:00")
            more(site, 3)
            victim.send_signal(signal.SIGCONT)
            done += 1
        site.far.told(wait_ms=15)
        wait_until(lambda: site.states["pending"] == 0 and site.states["claimed"] == 0, "all is dealt with")
        wait_until(site.settled, "nothing is under way any more")
        assert all(process.poll() is None for process in crowd)
        return figures(site, "SIGSTOP past the lease", ids, workers=workers, tries=done)


def stopped(site: Site, crowd: list[subprocess.Popen[bytes]]) -> subprocess.Popen[bytes]:
    """A process that is frozen during a hand-over, and whose lease has run out. One that was frozen in the middle of a
    transaction goes on for a moment and is frozen again, for nobody could write to what it has locked."""
    deadline = time.monotonic() + size("patience, seconds")
    while time.monotonic() < deadline:
        victim = holder(site, crowd)
        victim.send_signal(signal.SIGSTOP)
        try:
            if site.url.startswith("sqlite"):
                with write_lock_held(Path(site.url.removeprefix("sqlite:///")), 1):
                    pass
                site.leases_run_out()
            else:
                site.leases_run_out("SET LOCAL lock_timeout = '1s'")
        except (sqlite3.OperationalError, OperationalError):
            victim.send_signal(signal.SIGCONT)
        else:
            return victim
    raise AssertionError("no process was frozen between two transactions")


def more(site: Site, count: int) -> None:
    """Wait until so many more hand-overs came, or nothing waits any more."""
    wanted = site.far.handed + count
    wait_until(lambda: site.far.handed >= wanted or not site.states["pending"], "sending is under way", pause=0.01)


def holder(site: Site, crowd: list[subprocess.Popen[bytes]]) -> subprocess.Popen[bytes]:
    """A process that has a hand-over under way."""
    found: list[subprocess.Popen[bytes]] = []

    def look() -> bool:
        owners = {
            row[0].rpartition(":")[2] for row in site.rows("SELECT lease_owner FROM messages WHERE state = 'handing'")
        }
        found[:] = [each for each in crowd if str(each.pid) in owners]
        return bool(found)

    wait_until(look, "a hand-over is under way", pause=0.01)
    return found[0]


def disk_full(folder: Path, url: str, *, messages: int) -> Figures:
    """The SQLite file may grow no further while messages are sent, then it may again. The bound is the database's own
    (PRAGMA max_page_count, set on every connection), which says the same as a full disk: "database or disk is full"."""
    from sqlalchemy import event

    from service.delivery.dispatch import send_due
    from service.errors import DatabaseAwayError

    with a_site(folder, url, pretend=True) as site:
        ids = with_messages(site, messages)
        services = site.services()
        engine = services.open_work()._engine
        (pages,) = site.rows("PRAGMA page_count")
        heard = Heard()
        logging.getLogger("service.delivery").addHandler(heard)

        @event.listens_for(engine, "begin")
        def _bounded(connection: Any) -> None:
            most = pages[0] + 4 if heard.full < 4 else 2**30
            connection.connection.driver_connection.execute(f"PRAGMA max_page_count = {most}")

        deadline = time.monotonic() + size("patience, seconds")
        try:
            while True:
                assert time.monotonic() < deadline, site.states
                try:
                    if not send_due(services, "worker", 20).claimed and heard.full >= 4:
                        break
                except DatabaseAwayError as away:
                    heard.full += "full" in str(away)
                    time.sleep(0.2)
                    site.leases_run_out()
        finally:
            logging.getLogger("service.delivery").removeHandler(heard)
            engine.dispose()
            for transport in set(services.transports.values()):
                transport.close()
        assert heard.full, "the disk was full at least once"
        assert site.settled(), site.states
        return figures(site, "disk full", ids, workers=1, tries=heard.full)


class Heard(logging.Handler):
    """Counts how often the log says that the disk is full."""

    full = 0

    def emit(self, record: logging.LogRecord) -> None:
        self.full += "full" in record.getMessage()
