"""Several workers under one command: started, watched, told to stop, and never left behind.

Python runs one thread of a process at a time, so more workers than one use more processors than one. They share
nothing but the database; this process does nothing but look after them.
"""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from types import FrameType

log = logging.getLogger("service.several")

LOOK_SECONDS = 0.5
"""How often it is looked whether every worker lives."""
LONGEST_PAUSE_SECONDS = 30.0
"""A worker that ends by itself is started anew at once, and after twice the time when that one ends soon, too."""
LIVED_SECONDS = 60.0
"""A worker that lived for so long ended for another reason than the one before."""


@dataclass(slots=True)
class _Place:
    """One worker, and what follows it when it ends. `start_at` is on the steady clock."""

    process: subprocess.Popen[bytes] | None = None
    started: float = 0.0
    start_at: float = 0.0
    pause: float = 0.0


@dataclass(slots=True)
class Several:
    """So many processes of one command. Each is given an input that ends when this process does, however it ends."""

    command: Sequence[str]
    count: int
    _told: threading.Event = field(default_factory=threading.Event)
    _places: list[_Place] = field(default_factory=list)

    def run(self) -> bool:
        """Until SIGTERM or SIGINT, which every worker is told in its turn; whether all then ended as they should. To
        be called in the main thread."""
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, self._tell)
        self._places = [_Place() for _ in range(self.count)]
        while not self._told.is_set():
            for place in self._places:
                self._look(place)
            self._told.wait(LOOK_SECONDS)
        processes = [place.process for place in self._places if place.process is not None]
        for process in processes:
            process.terminate()
        codes = [process.wait() for process in processes]
        return {0, -signal.SIGTERM}.issuperset(codes)  # the second: it was told before it had begun anything

    def _tell(self, _signal: int, _frame: FrameType | None) -> None:
        self._told.set()

    def _look(self, place: _Place) -> None:
        now = time.monotonic()
        if place.process is not None:
            code = place.process.poll()
            if code is None:
                return
            place.pause = (
                0.0 if now - place.started > LIVED_SECONDS else min(place.pause * 2 or 1.0, LONGEST_PAUSE_SECONDS)
            )
            log.error("worker %s ended by itself (%s); another one starts", place.process.pid, code)
            place.process, place.start_at = None, now + place.pause
        if now >= place.start_at:
            # A session of its own: Ctrl-C reaches this process only, so that nobody is told twice.
            place.process = subprocess.Popen(self.command, stdin=subprocess.PIPE, start_new_session=True)  # noqa: S603
            place.started = now


def stop_with_input() -> None:
    """Have this process stop, as if it were told to, when its input ends: whoever started it is gone."""

    def read() -> None:
        while os.read(0, 4096):  # not `sys.stdin`, whose lock would outlive this thread at the end
            pass
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=read, name="input", daemon=True).start()
