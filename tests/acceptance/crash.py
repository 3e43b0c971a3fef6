"""Kills workers at random moments, many a second: a parent that has everything loaded forks them, and SIGKILLs them.

usage: crash.py CONFIG KILLS WORKERS SEED MOST_MS BATCH [MINUTES,MINUTES...]

The parent holds no connection and no thread while it forks. Each worker opens its own connections and sends what is
due, as a pump does. Three in four are killed 0 to MOST_MS milliseconds after their first hand-over began, the others
that long after they were connected. When all of a round are gone, their leases are moved into the past, so that nobody
waits for eleven minutes. It stops early when nothing is left to send.

Then, if MINUTES are given, as many workers send what is left and are not killed; after each such round the pretended
clock is wound on by the next number, and the last round follows the last winding. Prints one line of JSON: kills, met
(hand-overs that were under way at a kill), rounds, seconds, faults (workers that ended by themselves).

usage: crash.py --stand-by

Loads everything once. Each line of its standard input is a JSON list of such arguments; a forked process obeys it, and
one line of JSON answers with its status, what it printed, and its errors.
"""

from __future__ import annotations

import gc
import itertools
import json
import os
import random
import select
import signal
import sqlite3
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

import psycopg
from sqlalchemy import Engine

from service.config import read_settings
from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Envelope, Outcome
from service.errors import DatabaseAwayError
from service.inbound.rounds import close_transports
from service.services import Services
from service.transports.port import load_transport
from service.wiring import build

PAST = "2000-01-01 00:00:00"
LONGEST_LIFE = 60
"""Seconds after which a worker that nobody killed ends by itself."""
MOST_HANDED = 11
"""Hand-overs of one life; in the next ones, one on each of its four lines, it waits to be killed. So no life uses up
more than the sixteen messages that there are for each (scenarios.MESSAGES_PER_KILL), however late its kill comes."""


class Telling:
    """A transport that says when its first hand-over begins, and is the real one for MOST_HANDED of them."""

    def __init__(self, real: Any, tell: Callable[[], None]) -> None:
        self.real, self.tell, self.numbers = real, tell, itertools.count(1)

    def send(self, envelope: Envelope) -> Outcome:
        self.tell()
        if next(self.numbers) > MOST_HANDED:
            time.sleep(2 * LONGEST_LIFE)
        answer: Outcome = self.real.send(envelope)
        return answer

    def __getattr__(self, name: str) -> Any:
        return getattr(self.real, name)


def passed(services: Services, owner: str, batch: int) -> bool:
    """One pass, and whether there was something to do. A database that is away is waited for, as the service does: on a
    busy machine eight writers can keep one from SQLite's lock for longer than it waits."""
    try:
        done = send_due(services, owner, batch)
    except DatabaseAwayError:
        return True
    return bool(done.claimed or done.ended)  # repeats are not claimed


def work(services: Services, owner: str, batch: int, ready: int, *, at_once: bool) -> None:
    """The life of one worker; it never returns."""
    signal.alarm(LONGEST_LIFE)
    told = False

    def tell() -> None:
        nonlocal told
        if not told:
            told = True
            os.write(ready, b".")

    telling: Any = {channel: Telling(real, tell) for channel, real in services.transports.items()}
    services.transports = telling
    try:
        with services.open_reading() as reading:
            reading.messages.next_look()
        if at_once:
            tell()
        while True:
            if not passed(services, owner, batch):
                tell()
                time.sleep(0.002)
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
    os._exit(1)


def work_off(services: Services, owner: str, batch: int) -> None:
    """The life of a worker that ends when nothing is due; it never returns."""
    signal.alarm(LONGEST_LIFE * 4)
    idle = 0
    try:
        while idle < 3:
            idle = 0 if passed(services, owner, batch) else idle + 1
            time.sleep(0.01 if idle else 0)
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
        os._exit(1)
    os._exit(0)


def ask(url: str, *statements: str) -> list[int]:
    """Statements over a connection that is open for them only; the first number of each answer."""
    found: list[int] = []
    if url.startswith("sqlite:///"):
        line = sqlite3.connect(url.removeprefix("sqlite:///"), timeout=30, isolation_level=None)
        for statement in statements:
            row = line.execute(statement).fetchone()
            found.append(int(row[0]) if row else 0)
        line.close()
        return found
    with psycopg.connect(url.replace("+psycopg", ""), autocommit=True) as connection:
        for statement in statements:
            cursor = connection.execute(statement)
            row = cursor.fetchone() if cursor.description else None
            found.append(int(row[0]) if row else 0)
    return found


def wind(url: str, minutes: float) -> None:
    """Set the pretended clock forward."""
    fact = "facts WHERE name = 'clock-ahead-seconds'"
    (ahead,) = ask(url, f"SELECT CAST(CAST(value AS FLOAT) AS INTEGER) FROM {fact}")
    ask(url, f"DELETE FROM {fact}", f"INSERT INTO facts VALUES ('clock-ahead-seconds', '{ahead + minutes * 60}')")


def kill_each(hears: dict[int, tuple[int, float]]) -> Iterator[int]:
    """Kill each process its lifetime (seconds) after it has told; how each ended. Keys are the pipes it tells by."""
    waiting = dict(hears)
    due: list[tuple[float, int]] = []
    while waiting or due:
        patience = max(0.0, min(due)[0] - time.monotonic()) if due else None
        for hear in select.select(list(waiting), [], [], patience)[0]:
            pid, life = waiting.pop(hear)
            os.close(hear)
            due.append((time.monotonic() + life, pid))
        for each in [each for each in due if each[0] <= time.monotonic()]:
            due.remove(each)
            os.kill(each[1], signal.SIGKILL)
            yield os.waitpid(each[1], 0)[1]


def finish(services: Services, url: str, workers: int, batch: int) -> int:
    """Send what is left, winding the clock between; how many workers ended by a fault."""
    faults = 0
    windings = [float(part) for part in sys.argv[7].split(",")] if len(sys.argv) > 7 else []
    for minutes in [0.0, *windings] if windings else []:
        if minutes:
            wind(url, minutes)
        pids = []
        for number in range(workers):
            pid = os.fork()
            if pid == 0:
                work_off(services, f"worker{number}", batch)
            pids.append((0.0, pid))
        for _, pid in pids:
            faults += os.waitpid(pid, 0)[1] != 0
    return faults


def stand_by() -> None:
    """Obey one line after the other, until there is none."""
    gc.freeze()
    for line in iter(sys.stdin.readline, ""):
        with tempfile.TemporaryFile() as said, tempfile.TemporaryFile() as errors:
            pid = os.fork()
            if pid == 0:
                os.dup2(said.fileno(), 1)
                os.dup2(errors.fileno(), 2)
                sys.argv[1:] = json.loads(line)
                status = 1
                try:
                    run()
                    status = 0
                except BaseException:
                    traceback.print_exc()
                sys.stdout.flush()
                sys.stderr.flush()
                os._exit(status)
            status = os.waitpid(pid, 0)[1]
            said.seek(0)
            errors.seek(0)
            print(json.dumps([status, said.read().decode(), errors.read().decode()]), flush=True)


def run() -> None:
    config, kills, workers, seed, most_ms, batch = Path(sys.argv[1]), *map(int, sys.argv[2:7])
    chance = random.Random(seed)
    settings = read_settings(config)
    services = build(settings)
    send_due(services, "warm", 1)  # so that every statement and sentence is ready before the first fork
    engine: Engine = services.open_work()._engine
    close_transports(services)
    services.transports = {
        Channel(name): load_transport(chosen.use, chosen.options) for name, chosen in settings.transports.items()
    }
    engine.dispose()
    gc.freeze()
    assert threading.active_count() == 1, "a fork copies no thread"
    killed = met = rounds = faults = pending = 0
    started = time.monotonic()
    while killed < kills:
        hears: dict[int, tuple[int, float]] = {}
        for number in range(min(workers, kills - killed)):
            life, at_once = chance.uniform(0, most_ms / 1000), chance.random() < 0.25
            hear, say = os.pipe()
            pid = os.fork()
            if pid == 0:
                work(services, f"victim{rounds}.{number}", batch, say, at_once=at_once)
            os.close(say)
            hears[hear] = (pid, life)
        for status in kill_each(hears):
            by_us = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
            killed += by_us
            faults += not by_us
        rounds += 1
        handing, pending, _ = ask(
            settings.database,
            "SELECT count(*) FROM messages WHERE state = 'handing'",
            "SELECT count(*) FROM messages WHERE state IN ('pending', 'claimed')",
            f"UPDATE messages SET lease_until = '{PAST}' WHERE state IN ('claimed', 'handing')",
        )
        met += handing
        if not pending or faults > 10:
            break
    seconds = time.monotonic() - started
    faults += finish(services, settings.database, workers, batch)
    said = {
        "kills": killed,
        "met": met,
        "rounds": rounds,
        "seconds": round(seconds, 1),
        "faults": faults,
        "left": pending,
    }
    print(json.dumps(said))


if __name__ == "__main__":
    stand_by() if sys.argv[1:] == ["--stand-by"] else run()
