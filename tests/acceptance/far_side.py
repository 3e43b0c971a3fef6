"""The far side, as a process of its own: an HTTP text gateway and a mail server that write down every hand-over.

usage: far_side.py JOURNAL READY

It listens on two free loopback ports and writes them into READY. Every hand-over is one line of JSON, appended with one
write before a word is answered: `via`, `key`, `hash` of the exact body, `at`, `took` (it counts as accepted) and
`effect` (it reaches somebody: with `honour`, a repeat with the same key does not). POST /control changes how it
behaves: {"play": NAME, "first": true, "every": 1, "honour": false, "seconds": 0, "wait_ms": 0}; with `first`, each key
meets the play once and is then accepted; with `every`, only each so-manieth new key meets it; NAME may be several with commas, which
such keys meet in turn. What meets "held" is answered with a yes when the next POST /control comes. It ends when its
standard input closes.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import re
import sys
import time
from contextlib import suppress
from pathlib import Path

PLAYS = ("accept", "drop", "late", "half", "garbage", "hang", "held", "busy", "refuse", "error")


class FarSide:
    """What it was told, and what it saw."""

    def __init__(self, journal: Path) -> None:
        self.file = os.open(journal, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
        self.told: dict[str, object] = {"play": "accept"}
        self.seen: dict[str, str] = {}
        self.met: dict[str, int] = {}
        self.count = 0
        self.released = asyncio.Event()

    def play_for(self, key: str) -> str:
        again = key in self.met
        self.met[key] = self.met.get(key, len(self.met))
        every, names = int(str(self.told.get("every", 1))), str(self.told["play"]).split(",")
        if (self.told.get("first") and again) or self.met[key] % every:
            return "accept"
        return names[self.met[key] // every % len(names)]

    def note(self, via: str, key: str, body: bytes, *, took: bool) -> bool:
        """Write it down; False when this key came before with another body, and keys are honoured."""
        digest = hashlib.sha256(body).hexdigest()
        honour = bool(self.told.get("honour"))
        clash = honour and took and self.seen.get(key, digest) != digest
        effect = took and not clash and not (honour and key in self.seen)
        line = {"via": via, "key": key, "hash": digest, "at": time.time(), "took": took and not clash, "effect": effect}
        os.write(self.file, json.dumps(line | {"clash": clash}).encode() + b"\n")
        if took:
            self.seen.setdefault(key, digest)
        return not clash

    async def wait(self) -> None:
        milliseconds = float(str(self.told.get("wait_ms", 0)))
        if milliseconds:
            await asyncio.sleep(milliseconds / 1000)

    # HTTP

    async def http(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError, asyncio.IncompleteReadError, TimeoutError):
            await self._request(reader, writer)
        writer.close()

    async def _request(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
        length = re.search(r"(?im)^content-length: *(\d+)", head)
        body = await reader.readexactly(int(length[1])) if length else b""
        if head.startswith("POST /control "):
            self.told = {"play": "accept", **json.loads(body)}
            assert set(str(self.told["play"]).split(",")) <= set(PLAYS)
            self.met.clear()
            self.released.set()
            self.released = asyncio.Event()
            writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}")
            await writer.drain()
            return
        key = str(json.loads(body)["ref"])
        play = self.play_for(key)
        took = play not in ("busy", "refuse", "error")
        released = self.released
        fits = self.note("http", key, body, took=took)
        await self.wait()
        if play == "held":
            await released.wait()
        if play in ("late", "hang"):
            await asyncio.sleep(float(str(self.told.get("seconds", 3))) if play == "late" else 120)
        if play == "drop":
            return
        self.count += 1
        said = json.dumps({"id": f"far-{key}"}).encode()
        status, more = "202 Accepted", ""
        if play == "busy":
            status, more, said = "429 Too Many Requests", f"Retry-After: {self.told.get('seconds', 1)}\r\n", b"{}"
        elif play == "refuse" or not fits:
            status, said = "422 Unprocessable Content", b"{}"
        elif play == "error":
            status, said = "500 Internal Server Error", b"{}"
        answer = f"HTTP/1.1 {status}\r\n{more}Content-Length: {len(said)}\r\n\r\n".encode() + said
        if play == "half":
            answer = answer[: len(answer) - len(said) // 2]
        elif play == "garbage":
            answer = b"\x00\xff\x00 neither yes nor no\r\n\r\n"
        writer.write(answer)
        await writer.drain()

    # SMTP

    async def smtp(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError, asyncio.IncompleteReadError, TimeoutError):
            await self._mails(reader, writer)
        writer.close()

    async def _mails(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        async def say(line: str) -> None:
            writer.write(f"{line}\r\n".encode())
            await writer.drain()

        await say("220 far side")
        while line := await reader.readline():
            verb = line[:4].upper()
            if verb == b"DATA":
                await say("354 go on")
                mail = (await reader.readuntil(b"\r\n.\r\n"))[:-3]
                if not await self._mail(mail, say, writer):
                    return
            elif verb == b"QUIT":
                await say("221 bye")
                return
            else:
                await say("250 ok")

    async def _mail(self, mail: bytes, say: object, writer: asyncio.StreamWriter) -> bool:
        found = re.search(rb"(?im)^message-id: *<([^@>]+)@", mail)
        assert found is not None
        key = found[1].decode()
        play = self.play_for(key)
        took = play not in ("busy", "refuse", "error")
        self.note("smtp", key, mail, took=took)
        await self.wait()
        if play in ("late", "hang"):
            await asyncio.sleep(float(str(self.told.get("seconds", 3))) if play == "late" else 120)
        answer = {
            "busy": b"451 4.3.0 later\r\n",
            "error": b"451 4.3.0 later\r\n",
            "refuse": b"550 5.7.1 no\r\n",
            "drop": b"",
            "half": b"250 2.0",
            "garbage": b"\x00\xff neither yes nor no\r\n",
        }.get(play, b"250 2.0.0 taken\r\n")
        writer.write(answer)
        await writer.drain()
        return play not in ("drop", "half", "garbage")


async def main(journal: Path, ready: Path) -> None:
    far = FarSide(journal)
    http = await asyncio.start_server(far.http, "127.0.0.1", 0, limit=2**22, backlog=1024)
    smtp = await asyncio.start_server(far.smtp, "127.0.0.1", 0, limit=2**22, backlog=1024)
    ports = [server.sockets[0].getsockname()[1] for server in (http, smtp)]
    part = ready.with_suffix(".part")
    part.write_text(json.dumps(ports))
    part.rename(ready)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.buffer.read)
    os._exit(0)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), Path(sys.argv[2])))
