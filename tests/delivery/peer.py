"""Run by the tests as a process of its own: sends what is due, journalling every hand-over with its key.

usage: peer.py DATABASE JOURNAL OWNER SECONDS_AHEAD DELAY_MS [PASSES]
"""

from __future__ import annotations

import os
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from builders import a_service

from service.delivery.dispatch import send_due
from service.domain.message import Envelope, Outcome, Result
from service.transports.port import RecordingTransport


class Ahead:
    def __init__(self, seconds: float) -> None:
        self.seconds = seconds

    def now(self) -> datetime:
        return datetime.now(UTC) + timedelta(seconds=self.seconds)


def main() -> None:
    database, journal, owner, ahead, delay, passes = (*sys.argv[1:6], (sys.argv[6:] or ["0"])[0])
    file = os.open(journal, os.O_WRONLY | os.O_APPEND | os.O_CREAT)

    def hand_over(envelope: Envelope) -> Outcome:
        os.write(file, f"{envelope.key}\n".encode())  # one write, appended whole, also when killed right after
        time.sleep(float(delay) / 1000)
        return Outcome(result=Result.ACCEPTED, detail="journalled")

    services, _ = a_service(database, clock=Ahead(float(ahead)), approve=())  # type: ignore[arg-type]
    services.transports = dict.fromkeys(services.transports, RecordingTransport(hand_over))
    idle = done = 0
    while idle < 3 and (passes == "0" or done < int(passes)):
        claimed = send_due(services, owner, 20).claimed
        idle = 0 if claimed else idle + 1
        done += 1
        time.sleep(0.02 if not claimed else 0)


main()
