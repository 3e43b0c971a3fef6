"""Run by the tests as a process of its own: sends what is due, journalling every hand-over with its key.

usage: peer.py DATABASE JOURNAL OWNER SECONDS_AHEAD DELAY_MS [MOST]

In its hand-over number MOST it waits until it is killed, however slow the one that kills it is.
"""

from __future__ import annotations

import itertools
import os
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

from builders import a_clinic_at_all_hours, a_service

from service.delivery.dispatch import send_due
from service.domain.message import Envelope, Outcome, Result
from service.transports.port import RecordingTransport


class Ahead:
    def __init__(self, seconds: float) -> None:
        self.seconds = seconds

    def now(self) -> datetime:
        return datetime.now(UTC) + timedelta(seconds=self.seconds)


def main() -> None:
    database, journal, owner, ahead, delay, most = (*sys.argv[1:6], (sys.argv[6:] or ["0"])[0])
    file = os.open(journal, os.O_WRONLY | os.O_APPEND | os.O_CREAT)

    handed = itertools.count(1)

    def hand_over(envelope: Envelope) -> Outcome:
        os.write(file, f"{envelope.key}\n".encode())  # one write, appended whole, also when killed right after
        time.sleep(120 if next(handed) == int(most) else float(delay) / 1000)
        return Outcome(result=Result.ACCEPTED, detail="journalled")

    clock, clinic = Ahead(float(ahead)), a_clinic_at_all_hours()
    services, _ = a_service(database, clock=clock, clinic=clinic, approve=())  # type: ignore[arg-type]
    services.transports = dict.fromkeys(services.transports, RecordingTransport(hand_over))
    idle = 0
    while idle < 3:
        claimed = send_due(services, owner, 20).claimed
        idle = 0 if claimed else idle + 1
        time.sleep(0.02 if not claimed else 0)


main()
