"""A mail server for the benchmarks. Listens on the port given; ends when its input ends.

usage: sink.py PORT [FOLDER]

Without a folder it takes every mail and keeps none, which no real server may do. With one it does what RFC 5321 4.2.5
and 6.1 ask of a server before it says 250: each mail is written to a file there and is on the disk.
"""

from __future__ import annotations

import asyncio
import itertools
import os
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import Envelope, Session


class Taken:
    """Says yes to everything."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self.numbers = itertools.count()
        self.disk = ThreadPoolExecutor(8)

    async def handle_EHLO(
        self, _server: object, session: Session, _envelope: Envelope, name: str, answers: list[str]
    ) -> list[str]:
        """Take commands in a group, as the mail servers in use do (RFC 2920)."""
        session.host_name = name
        return [*answers[:-1], "250-PIPELINING", answers[-1]]

    async def handle_DATA(self, _server: object, _session: object, envelope: Envelope) -> str:
        """Take one mail; other connections go on while it is being kept."""
        if self.folder is not None:
            await asyncio.get_running_loop().run_in_executor(self.disk, self.keep, envelope.content)
        return "250 taken"

    def keep(self, content: bytes) -> None:
        """Return once the mail is on the disk."""
        assert self.folder is not None
        with open(self.folder / f"{next(self.numbers)}.eml", "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())


controller = Controller(
    Taken(Path(sys.argv[2]) if len(sys.argv) > 2 else None), hostname="127.0.0.1", port=int(sys.argv[1])
)
controller.start()
print("ready", flush=True)
sys.stdin.read()
controller.stop()
