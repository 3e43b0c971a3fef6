"""A message centre on Node, built on the general library `smpp` (version pinned in package.json)."""

from __future__ import annotations

import json
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Condition, Thread
from typing import Any

HERE = Path(__file__).parent
PATIENCE = 120.0
"""Seconds after which a test has failed; never waited for when all is well."""

Event = dict[str, Any]


def install() -> None:
    """Install the library, with the versions of package-lock.json, if it is not there."""
    if not (HERE / "node_modules" / "smpp").exists():
        subprocess.run(["npm", "ci", "--no-audit", "--no-fund"], cwd=HERE, check=True, capture_output=True)


class NodeCentre:
    """The running process. `events` holds what it printed, in order."""

    def __init__(self, *files: Path) -> None:
        install()
        self.events: list[Event] = []
        self._changed = Condition()
        self._process = subprocess.Popen(
            ["node", str(HERE / "server.js"), *map(str, files)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
            env=os.environ | {"TZ": "UTC"},  # the library counts relative times in the local zone
        )
        self._reader = Thread(target=self._read, name="node-centre")
        self._reader.start()
        try:
            self.port = int(self.wait("listening")[0]["port"])
        except BaseException:
            self.stop()
            raise

    def tell(self, do: str, **more: Any) -> None:
        """Have it do something, and wait until it did."""
        before = len(self.named("done"))
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({"do": do} | more) + "\n")
        self._process.stdin.flush()
        self.wait("done", before + 1)

    def quiet(self) -> None:
        """Wait until everything that it said so far was read here, and every line to it is closed."""
        self.tell("look")
        self.wait_until(lambda: len(self.named("close")) == len(self.named("open")), "the end of every line")

    def begin_anew(self) -> None:
        """Forget the test before."""
        self.quiet()
        self.tell("begin_anew")
        self.events.clear()

    def named(self, event: str) -> list[Event]:
        """What it printed under this name."""
        return [each for each in self.events if each["event"] == event]

    def pdus(self, command: str) -> list[Event]:
        """Every PDU of this command that came in, as the library decoded it."""
        return [each["pdu"] for each in self.named(command)]

    def wait(self, event: str, count: int = 1) -> list[Event]:
        """Everything of this name, once there are so many; fails after a generous while."""
        self.wait_until(lambda: len(self.named(event)) >= count, event)
        return self.named(event)

    def answers(self, command: str, count: int) -> list[int]:
        """The statuses of our answers to the centre's own PDUs, once there are so many."""
        return [each["pdu"]["command_status"] for each in self.wait(f"{command}_resp", count)]

    def wait_until(self, holds: Callable[[], bool], what: str) -> None:
        deadline = time.monotonic() + PATIENCE
        with self._changed:
            while not holds():
                assert time.monotonic() < deadline, f"{what} did not come; came: {self.events}"
                assert self._process.poll() is None, f"the centre ended; it said: {self.events}"
                self._changed.wait(0.05)

    def stop(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        try:
            code = self._process.wait(PATIENCE)
        finally:
            if self._process.poll() is None:
                self._process.kill()
                self._process.wait(PATIENCE)
            self._reader.join(PATIENCE)
            assert self._process.stdout is not None
            self._process.stdout.close()
        assert code == 0

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            with self._changed:
                self.events.append(json.loads(line))
                self._changed.notify_all()


@contextmanager
def a_node_centre(*files: Path) -> Iterator[NodeCentre]:
    """A running centre; `files` are its key and its certificate, for TLS."""
    centre = NodeCentre(*files)
    try:
        yield centre
    finally:
        centre.stop()
