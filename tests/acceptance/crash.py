"""Kills workers at random moments, many a second: a parent that has everything loaded forks them, and SIGKILLs them.

usage: crash.py CONFIG KILLS WORKERS SEED MOST_MS BATCH [MINUTES,MINUTES...]

The parent holds no connection and no thread while it forks. Each worker opens its own connections and sends what is
due, as a pump does, until it is killed after 0 to MOST_MS milliseconds. When all of a round are gone, their leases are
moved into the past, so that nobody waits for eleven minutes. It stops early when nothing is left to send.

Then, if MINUTES are given, as many workers send what is left and are not killed; after each such round the pretended
clock is wound on by the next number, and the last round follows the last winding. Prints one line of JSON: kills, met
(hand-overs that were under way at a kill), rounds, seconds, faults (workers that ended by themselves).
"""

from __future__ import annotations

import gc
import json
import os
import random
import signal
import sqlite3
import sys
import threading
import time
import traceback
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

import psycopg
from sqlalchemy import Engine

from service.config import read_settings
from service.delivery.dispatch import send_due
from service.services import Services
from service.wiring import build

PAST = "2000-01-01 00:00:00"
LONGEST_LIFE = 60
"""Seconds after which a worker that nobody killed ends by itself."""


def work(services: Services, owner: str, batch: int, ready: int) -> None:
    """The life of one worker; it never returns."""
    signal.alarm(LONGEST_LIFE)
    try:
        with services.open_reading() as reading:
            reading.messages.next_look()
        os.write(ready, b".")
        while True:
            if not send_due(services, owner, batch).claimed:
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
            idle = 0 if send_due(services, owner, batch).claimed else idle + 1
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
            cursor = connection.execute(statement)  # type: ignore[call-overload]
            row = cursor.fetchone() if cursor.description else None
            found.append(int(row[0]) if row else 0)
    return found


def wind(url: str, minutes: float) -> None:
    """Set the pretended clock forward."""
    fact = "facts WHERE name = 'clock-ahead-seconds'"
    (ahead,) = ask(url, f"SELECT CAST(CAST(value AS FLOAT) AS INTEGER) FROM {fact}")
    ask(url, f"DELETE FROM {fact}", f"INSERT INTO facts VALUES ('clock-ahead-seconds', '{ahead + minutes * 60}')")


def main() -> None:
    config, kills, workers, seed, most_ms, batch = Path(sys.argv[1]), *map(int, sys.argv[2:7])
    chance = random.Random(seed)
    settings = read_settings(config)
    services = build(settings)
    send_due(services, "warm", 1)  # so that every statement and sentence is ready before the first fork
    engine: Engine = services.open_work()._engine
    engine.dispose()
    gc.freeze()
    assert threading.active_count() == 1, "a fork copies no thread"
    killed = met = rounds = faults = pending = 0
    started = time.monotonic()
    while killed < kills:
        pids: list[tuple[float, int]] = []
        hear, say = os.pipe()
        count = min(workers, kills - killed)
        for number in range(count):
            life = chance.uniform(0, most_ms / 1000)
            pid = os.fork()
            if pid == 0:
                work(services, f"victim{rounds}.{number}", batch, say)
            pids.append((life, pid))
        os.close(say)
        up = 0
        while up < count and (heard := os.read(hear, count)):  # all are connected, or ended by a fault
            up += len(heard)
        os.close(hear)
        begun = time.monotonic()
        for life, pid in sorted(pids):
            time.sleep(max(0.0, begun + life - time.monotonic()))
            os.kill(pid, signal.SIGKILL)
            _, status = os.waitpid(pid, 0)
            if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL:
                killed += 1
            else:
                faults += 1
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
    windings = [float(part) for part in sys.argv[7].split(",")] if len(sys.argv) > 7 else []
    for minutes in [0.0, *windings] if windings else []:
        if minutes:
            wind(settings.database, minutes)
        pids = []
        for number in range(workers):
            pid = os.fork()
            if pid == 0:
                work_off(services, f"worker{number}", batch)
            pids.append((0.0, pid))
        for _, pid in pids:
            faults += os.waitpid(pid, 0)[1] != 0
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
    main()
