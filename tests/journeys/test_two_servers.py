"""The real command, as a user runs it: two servers on one database, one of them killed, every message exactly once."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import pytest
from builders import (
    SECRET,
    a_clinic_at_all_hours,
    a_person,
    a_settings_file,
    a_visit,
    an_ear,
    free_port,
    some_settings,
)

from service.domain.message import State
from service.planning.aftercare import give
from service.planning.approving import approve_language
from service.wiring import build


@contextmanager
def serving(folder: Path, name: str) -> Iterator[subprocess.Popen[bytes]]:
    port = free_port()
    config = a_settings_file(folder / f"{name}.toml", port=port)
    server = subprocess.Popen([sys.executable, "-m", "service", "serve", "--config", str(config)])
    try:
        deadline = time.monotonic() + 120
        while True:
            try:
                with urlopen(f"http://127.0.0.1:{port}/sign-in", timeout=60) as answer:
                    assert answer.status == 200
                break
            except OSError:
                assert server.poll() is None, "the server ended at once"
                assert time.monotonic() < deadline, "the server did not answer within two minutes"
                time.sleep(0.1)
        yield server
    finally:
        if server.poll() is None:
            server.terminate()
            try:
                server.wait(15)
            except subprocess.TimeoutExpired:
                server.kill()
                server.wait(15)


def test_two_servers_send_each_message_once_also_when_the_one_that_ticks_is_killed(tmp_path: Path) -> None:
    services = build(some_settings(tmp_path, clinic=a_clinic_at_all_hours()))
    approve_language(services, "en", "Dr Wren Halloway", reason="for a test")

    def someone(name: str) -> None:
        give(services, a_person(services, name), a_visit(an_ear("normal")), by="nurse")

    def outgoing() -> list[Path]:
        place = tmp_path / "outgoing"
        return [file for file in place.iterdir() if file.suffix == ".txt"] if place.exists() else []

    def recorded() -> int:
        with services.open_reading() as work:
            return len(work.messages.recent([State.SENT], 100))

    def wait_for(count: int) -> None:
        deadline = time.monotonic() + 120
        while len(outgoing()) < count or recorded() < count:  # the file comes first, then the record
            assert time.monotonic() < deadline, f"{len(outgoing())} of {count} messages went out"
            time.sleep(0.1)

    with serving(tmp_path, "one") as one, serving(tmp_path, "two") as two:
        for number in range(10):
            someone(f"before{number}")
        wait_for(10)
        with services.open_reading() as work:
            held = work.ledger.lease("tick")
        assert held is not None
        holder = one if held[0].endswith(f":{one.pid}") else two
        assert held[0].endswith(f":{holder.pid}")
        os.kill(holder.pid, signal.SIGKILL)
        holder.wait(60)
        for number in range(10):
            someone(f"after{number}")
        wait_for(20)
    with services.open_reading() as work:
        sent = work.messages.recent([State.SENT], 100)
        attempts = Counter(message.attempts for message in sent)
    assert len(sent) == 20
    assert attempts == {1: 20}


@pytest.mark.parametrize("setting", ["base_url", "secret_key"])
def test_a_broken_settings_file_is_one_clear_line(tmp_path: Path, setting: str) -> None:
    config = a_settings_file(tmp_path / "broken.toml", port=1)
    text = config.read_text()
    config.write_text(text.replace(SECRET, "short") if setting == "secret_key" else text.replace("http://", "ftp://"))
    ran = subprocess.run(
        [sys.executable, "-m", "service", "serve", "--config", str(config)], capture_output=True, text=True, timeout=120
    )
    assert ran.returncode == 1
    assert setting in ran.stderr
    assert "Traceback" not in ran.stderr
    assert len(ran.stderr.strip().splitlines()) == 1
