"""SIGTERM to the real commands: they end well, and what they held is free at once."""

from __future__ import annotations

import json
import signal
import time
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

from builders import a_settings_file, free_port
from ops.test_pump import at_work, running, wait_until

from service.config import read_settings
from service.wiring import build

MAILBOX = """
[mailbox]
host = "127.0.0.1"
port = {port}
security = "none"
user = "desk"
password = "x"
every_seconds = 1
"""


def said(port: int) -> dict[str, object]:
    try:
        with urlopen(f"http://127.0.0.1:{port}/health", timeout=60) as answer:
            return dict(json.load(answer))
    except (HTTPError, OSError):
        return {}


def test_a_server_ends_at_a_word_gives_up_its_duties_and_says_before_that_all_was_well(tmp_path: Path) -> None:
    port = free_port()
    config = a_settings_file(tmp_path / "clinic.toml", port=port)
    config.write_text(config.read_text() + MAILBOX.format(port=free_port()))
    with running("-m", "service", "serve", "--config", str(config)) as server:
        wait_until(lambda: said(port).get("tick_held") is True, "the server ticks")
        wait_until(lambda: said(port).get("mailbox_trouble") is True, "the server looked into the mailbox")
        assert said(port)["well"] is True
        server.send_signal(signal.SIGTERM)
        assert server.wait(120) == 0
    services = build(read_settings(config))
    with services.open_reading() as work:
        assert (work.ledger.lease("tick"), work.ledger.lease("mailbox")) == (None, None)


def test_of_two_workers_one_looks_into_the_mailbox_and_the_other_follows_it(postgres_url: str, tmp_path: Path) -> None:
    config = a_settings_file(tmp_path / "clinic.toml", database=postgres_url, engine="procrastinate")
    config.write_text(config.read_text() + MAILBOX.format(port=free_port()))
    services = build(read_settings(config))

    def holder() -> str:
        with services.open_reading() as work:
            held = work.ledger.lease("mailbox")
        return held[0].rpartition(":")[2] if held is not None else ""

    command = ("-m", "service", "work", "--config", str(config))
    with running(*command) as one, running(*command) as two:
        workers = {str(process.pid): process for process in (one, two)}
        wait_until(lambda: holder() in workers, "one of them holds the duty")
        wait_until(lambda: at_work(postgres_url) == 2, "both work")
        first = holder()
        time.sleep(3)
        assert holder() == first, "it keeps it"
        workers.pop(first).send_signal(signal.SIGTERM)
        wait_until(lambda: holder() in workers, "the other one follows")
        for process in workers.values():
            process.send_signal(signal.SIGTERM)
        assert [process.wait(120) for process in (one, two)] == [0, 0]
