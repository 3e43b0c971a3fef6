"""Several workers under one command, with real processes that are really killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from builders import a_person, a_settings_file, a_visit, an_ear

from service.config import read_settings
from service.domain.message import State
from service.planning.aftercare import give
from service.planning.approving import approve_language
from service.wiring import build

ROOT = Path(__file__).resolve().parents[2]
# A stand-in for a worker: it says that it lives, and ends well when it is told to.
WORKER = """
import os, pathlib, signal, sys, threading
from service.ops.several import stop_with_input
told = threading.Event()
signal.signal(signal.SIGTERM, lambda *_: told.set())
stop_with_input()
place = pathlib.Path(sys.argv[1])
(place / f"{os.getpid()}.began").touch()
while not told.wait(0.05):
    pass
(place / f"{os.getpid()}.ended").touch()
"""
KEEPER = """
import sys
from service.ops.several import Several
sys.exit(0 if Several([sys.executable, "-c", sys.argv[2], sys.argv[1]], 3).run() else 1)
"""


@contextmanager
def kept(place: Path) -> Iterator[subprocess.Popen[bytes]]:
    keeper = subprocess.Popen([sys.executable, "-c", KEEPER, str(place), WORKER], cwd=ROOT)
    try:
        yield keeper
    finally:
        keeper.kill()
        keeper.wait(60)


def pids(place: Path, what: str) -> set[int]:
    return {int(each.stem) for each in place.glob(f"*.{what}")}


def wait_for(true: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + 120
    while not true():
        assert time.monotonic() < deadline, what
        time.sleep(0.05)


def lives(pid: int) -> bool:
    """Not one that has ended and that nobody asks for: not every first process of a container asks for its orphans."""
    try:
        said = Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False
    return said.rpartition(")")[2].split()[0] not in ("Z", "X")


def test_it_starts_them_all_and_every_one_ends_when_it_is_told_to(tmp_path: Path) -> None:
    with kept(tmp_path) as keeper:
        wait_for(lambda: len(pids(tmp_path, "began")) == 3, "three began")
        keeper.send_signal(signal.SIGTERM)
        assert keeper.wait(120) == 0
    assert pids(tmp_path, "ended") == pids(tmp_path, "began"), "each one finished what it did, and none was killed"


def test_one_that_dies_is_seen_and_another_one_starts(tmp_path: Path) -> None:
    with kept(tmp_path) as keeper:
        wait_for(lambda: len(pids(tmp_path, "began")) == 3, "three began")
        killed = min(pids(tmp_path, "began"))
        os.kill(killed, signal.SIGKILL)
        wait_for(lambda: len(pids(tmp_path, "began")) == 4, "a fourth began")
        keeper.send_signal(signal.SIGINT)
        assert keeper.wait(120) == 0, "the one that died is no fault of the end"
    assert pids(tmp_path, "ended") == pids(tmp_path, "began") - {killed}


def test_none_is_left_behind_when_the_one_that_looks_after_them_is_killed(tmp_path: Path) -> None:
    with kept(tmp_path) as keeper:
        wait_for(lambda: len(pids(tmp_path, "began")) == 3, "three began")
        keeper.kill()
        began = pids(tmp_path, "began")
        wait_for(lambda: pids(tmp_path, "ended") == began, "each one ended as if it were told to")
        wait_for(lambda: not any(map(lives, began)), "none lives")


def test_the_real_command_sends_each_message_once_and_ends_with_its_workers(postgres_url: str, tmp_path: Path) -> None:
    config = a_settings_file(tmp_path / "clinic.toml", database=postgres_url, engine="procrastinate")
    services = build(read_settings(config))
    approve_language(services, "en", "Dr Wren Halloway", reason="for a test")
    command = [sys.executable, "-m", "service", "work", "--processes", "2", "--config", str(config)]
    keeper = subprocess.Popen(command, cwd=ROOT)
    try:
        for number in range(12):
            give(services, a_person(services, f"person{number}"), a_visit(an_ear("normal")), by="nurse")
        outgoing = tmp_path / "outgoing"
        wait_for(lambda: len(list(outgoing.glob("*.txt"))) == 12, "12 messages went")
        workers = {int(pid) for pid in Path(f"/proc/{keeper.pid}/task/{keeper.pid}/children").read_text().split()}
        assert len(workers) == 2
        keeper.send_signal(signal.SIGTERM)
        assert keeper.wait(120) == 0
        assert not any(map(lives, workers))
    finally:
        keeper.kill()
        keeper.wait(60)
    with services.open_reading() as work:
        assert [message.attempts for message in work.messages.recent([State.SENT])] == [1] * 12
