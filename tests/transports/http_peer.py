"""The far side for the tests of HTTP gateways: a real server on a loopback port that behaves as told, and what each of
the three invented gateways says and carries."""

from __future__ import annotations

import io
import json
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from service.transports.gateway_file import load_gateway
from service.transports.gateway_shape import Gateway

FOLDER = Path(__file__).resolve().parents[1] / "data" / "gateways"
ENVIRON = {
    "HERON_TOKEN": "t0ken-of-the-heron",
    "HERON_CALLBACK_SECRET": "what the heron knows",
    "MARSH_PASSWORD": "pass:wörd",
    "MARSH_CALLBACK_SECRET": "what the marsh knows",
    "QUARRY_KEY": "k3y-of-the-quarry",
    "QUARRY_CALLBACK_SECRET": "what the quarry knows",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrived:
    """One whole request as it came in."""

    method: str
    target: str
    headers: Message
    body: bytes

    @property
    def fields(self) -> dict[str, list[str]]:
        """The fields of the query and of a form body."""
        form = self.body.decode() if "form" in str(self.headers["Content-Type"]) else ""
        parts = [part for part in (urlsplit(self.target).query, form) if part]
        return parse_qs("&".join(parts), keep_blank_values=True, strict_parsing=True)

    @property
    def document(self) -> Any:
        """The JSON body."""
        return json.loads(self.body.decode("utf-8"))


class Handler(BaseHTTPRequestHandler):
    """Takes the whole request, writes it down, then does what the peer was told."""

    server: Peer
    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        length = int(self.headers.get("Content-Length", 0))
        body = self.rfile.read(length)
        self.server.arrived.append(Arrived(method=self.command, target=self.path, headers=self.headers, body=body))
        self.close_connection = True
        self.server.play(self)

    do_POST = do_PUT = do_GET

    def log_message(self, format: str, *args: object) -> None:
        """Nothing to say."""


Play = Callable[[Handler], None]


class Peer(ThreadingHTTPServer):
    """The server; `arrived` is what really came in, in order."""

    daemon_threads = False

    def __init__(self, play: Play) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.play = play
        self.arrived: list[Arrived] = []
        self.over = threading.Event()
        self.scheme = "http"

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.server_address[1]}"


@contextmanager
def serving(play: Play, certificate: tuple[Path, Path] | None = None) -> Iterator[Peer]:
    peer = Peer(play)
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*certificate)
        peer.socket = context.wrap_socket(peer.socket, server_side=True)
        peer.scheme = "https"
    thread = threading.Thread(target=peer.serve_forever, args=(0.01,), daemon=True)
    thread.start()
    try:
        yield peer
    finally:
        peer.over.set()
        peer.shutdown()
        thread.join(10)
        peer.server_close()


def answering(status: int, body: str = "", headers: Mapping[str, str] | None = None) -> Play:
    def play(handler: Handler) -> None:
        content = body.encode()
        handler.send_response(status)
        for name, value in {"Content-Length": str(len(content)), **(headers or {})}.items():
            handler.send_header(name, value)
        handler.end_headers()
        handler.wfile.write(content)

    return play


def saying(octets: bytes) -> Play:
    """Octets as they are, then the line is closed."""

    def play(handler: Handler) -> None:
        handler.wfile.write(octets)

    return play


def dropping(handler: Handler) -> None:
    """The request was taken; the line breaks before a word is said."""
    handler.connection.shutdown(socket.SHUT_RDWR)


def resetting(handler: Handler) -> None:
    """The request was taken; the line is reset, as by a crash."""
    handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    handler.rfile.close()
    handler.wfile = io.BytesIO()
    handler.connection.close()


def late(handler: Handler) -> None:
    """The request was taken; the answer comes when the test is over."""
    handler.server.over.wait(30)


def dripping(handler: Handler) -> None:
    """One octet now and then, for as long as the other side stays: every read succeeds, and there is no end."""
    try:
        handler.wfile.write(b"HTTP/1.1 200 OK\r\nX-Slow: ")
        while not handler.server.over.wait(0.2):
            handler.wfile.write(b"a")
    except OSError:
        return  # the other side had enough, as it should


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One invented gateway: its yes, and where it finds key, text and number."""

    name: str
    host: str
    yes: Play
    yes_body: str
    yes_status: int
    reference: str
    key_of: Callable[[Arrived], str]
    text_of: Callable[[Arrived], str]
    to_of: Callable[[Arrived], list[str]]

    def described(self, folder: Path, url: str, **swaps: str) -> Path:
        """The description with the address of the peer in it, and other words replaced."""
        text = (FOLDER / f"{self.name}.toml").read_text(encoding="utf-8").replace(self.host, url)
        for old, new in swaps.items():
            assert old in text
            text = text.replace(old, new)
        path = folder / f"{self.name}.toml"
        path.write_text(text, encoding="utf-8")
        return path


def _kind(
    name: str,
    status: int,
    body: str,
    reference: str,
    key_of: Callable[[Arrived], str],
    text_of: Callable[[Arrived], str],
    to_of: Callable[[Arrived], list[str]],
) -> Kind:
    return Kind(
        name=name,
        host=f"https://{name}.example",
        yes=answering(status, body),
        yes_body=body,
        yes_status=status,
        reference=reference,
        key_of=key_of,
        text_of=text_of,
        to_of=to_of,
    )


HERON = _kind(
    "heron",
    202,
    '{"texts": [{"id": "hr-81", "state": "queued"}]}',
    "hr-81",
    lambda one: str(one.headers["Idempotency-Key"]),
    lambda one: str(one.document["content"]["words"]),
    lambda one: list(one.document["recipients"]),
)
MARSH = _kind(
    "marsh",
    200,
    '{"ok": true, "ticket": 98765432109876543210, "code": 0}',
    "98765432109876543210",
    lambda one: one.fields["client_ref"][0],
    lambda one: one.fields["msg"][0],
    lambda one: one.fields["dest"],
)
QUARRY = _kind(
    "quarry",
    200,
    "<answer><code>0</code><ticket>4F2A</ticket></answer>",
    "4F2A",
    lambda one: one.fields["ref"][0],
    lambda one: one.fields["body"][0],
    lambda one: one.fields["number"],
)
KINDS = (HERON, MARSH, QUARRY)


def a_gateway(kind: Kind) -> Gateway:
    return load_gateway(FOLDER / f"{kind.name}.toml", ENVIRON)
