"""Run by the tests as a process of its own: a worker whose transport journals every hand-over with its key.

usage: worker_peer.py DATABASE JOURNAL OWNER TICK_SECONDS DELAY_MS [HELD]

In its hand-over number HELD it waits for a file of the journal's name with ".go" behind it, or to be killed.
"""

from __future__ import annotations

import itertools
import os
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from builders import a_clinic_at_all_hours, a_service

from service.domain.message import Envelope, Outcome, Result
from service.ops.pump import Worker
from service.transports.port import RecordingTransport


class Now:
    def now(self) -> datetime:
        return datetime.now(UTC)


def main() -> None:
    database, journal, owner, tick, delay, held = (*sys.argv[1:6], (sys.argv[6:] or ["0"])[0])
    file = os.open(journal, os.O_WRONLY | os.O_APPEND | os.O_CREAT)

    handed, go = itertools.count(1), Path(f"{journal}.go")

    def hand_over(envelope: Envelope) -> Outcome:
        os.write(file, f"{envelope.key}\n".encode())  # one write, appended whole, also when killed right after
        this = next(handed) == int(held)
        while this and not go.exists():
            time.sleep(0.01)
        time.sleep(float(delay) / 1000)
        return Outcome(result=Result.ACCEPTED, detail="journalled")

    services, _ = a_service(database, clock=Now(), clinic=a_clinic_at_all_hours(), approve=())  # type: ignore[arg-type]
    services.transports = dict.fromkeys(services.transports, RecordingTransport(hand_over))
    Worker(services, database, owner, int(tick)).run()


main()
