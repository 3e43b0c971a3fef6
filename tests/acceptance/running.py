"""The service as a user runs it, beside a far side in a process of its own, and what a test asks of both."""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

from acceptance.sizes import size
from builders import SECRET, a_database, a_person, a_visit, an_ear, free_port
from sqlalchemy import Engine, MetaData, Table, text

from service.config import read_settings
from service.domain.contact import Channel
from service.domain.message import MessageKind
from service.links import hash_of, token_of
from service.planning.aftercare import give
from service.planning.approving import approve_language
from service.services import Services
from service.wiring import build

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
CALLBACK_SECRET = "what the far side knows"
PAST = "2000-01-01 00:00:00"

SETTINGS = """
secret_key = "{secret}"
database = "{database}"
engine = "{engine}"
port = {port}
allow_fiction = true
secure_cookies = false
pretend_clock = {pretend}
tick_seconds = 1
health_after_seconds = {health}

[clinic]
name = "Larkfield Ear Care"
phone = "020 7946 0123"
email = "desk@larkfield.example"
address = ["1 Larkfield Lane"]
zone = "Europe/London"
emergency = "999"
urgent_line = "111"
base_url = "http://127.0.0.1:8000"
quiet_from = "00:00"
quiet_to = "00:00"
daily_cap = 0

[transports.text]
use = "http"
options = {{ description = "{description}", connections = {connections} }}

[transports.email]
use = "smtp"
options = {{ host = "127.0.0.1", port = {smtp}, security = "none", connections = {connections} }}
"""

DESCRIPTION = """
[request]
method = "POST"
url = "http://127.0.0.1:{port}/texts"
timeout = {timeout}
body_format = "json"
{honour}

[request.body]
to = "{{to}}"
words = "{{text}}"
ref = "{{key}}"
lives = "{{valid_seconds}}"

[answer]
success_statuses = [202]
reference = {{ pointer = "/id" }}
retry_statuses = [429, 503]

[signature]
secret_env = "FAR_SIDE_SECRET"
header = "X-Mark"
timestamp_header = "X-Time"

[receipts]
path = "/callbacks/far/receipts"
key = {{ pointer = "/ref" }}
state = {{ pointer = "/state" }}
delivered = ["arrived"]
failed = ["lost"]
"""

os.environ["FAR_SIDE_SECRET"] = CALLBACK_SECRET


@dataclass(frozen=True)
class Line:
    """One hand-over that the far side saw."""

    via: str
    key: str
    hash: str
    at: float
    took: bool
    effect: bool
    clash: bool


@dataclass
class FarSide:
    """The far side's process, seen from the test."""

    folder: Path
    http: int = 0
    smtp: int = 0
    process: subprocess.Popen[bytes] | None = None
    _read: int = 0
    _handed: int = 0

    def told(self, **how: object) -> None:
        """Have it behave otherwise from now on."""
        body = json.dumps(how).encode()
        with urlopen(Request(f"http://127.0.0.1:{self.http}/control", data=body), timeout=30) as answer:
            assert answer.status == 200

    @property
    def journal(self) -> list[Line]:
        place = self.folder / "journal"
        return [Line(**json.loads(line)) for line in place.read_text().splitlines()] if place.exists() else []

    @property
    def handed(self) -> int:
        """How many hand-overs it saw; it reads only what is new since it was last asked."""
        with suppress(FileNotFoundError), (self.folder / "journal").open("rb") as journal:
            journal.seek(self._read)
            new = journal.read()
            self._read += len(new)
            self._handed += new.count(b"\n")
        return self._handed

    @property
    def taken(self) -> Counter[str]:
        """How often each key was accepted."""
        return Counter(line.key for line in self.journal if line.took)

    @property
    def effects(self) -> Counter[str]:
        """How often each key reached somebody."""
        return Counter(line.key for line in self.journal if line.effect)


def on_sqlite(folder: Path) -> str:
    """A new SQLite database in this folder."""
    return f"sqlite:///{folder / 'tragus.sqlite'}"


@contextmanager
def a_far_side(folder: Path) -> Iterator[FarSide]:
    """A far side that ends with the test."""
    folder.mkdir(parents=True, exist_ok=True)
    ready = folder / "ready"
    command = [sys.executable, str(HERE / "far_side.py"), str(folder / "journal"), str(ready)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE)
    try:
        wait_until(ready.exists, "the far side listens")
        http, smtp = json.loads(ready.read_text())
        yield FarSide(folder, http, smtp, process)
    finally:
        assert process.stdin is not None
        process.stdin.close()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(20)


def wait_until(happened: Callable[[], bool], what: str, pause: float = 0.1) -> None:
    patience = size("patience, seconds")
    deadline = time.monotonic() + patience
    while not happened():
        assert time.monotonic() < deadline, f"not within {patience} seconds: {what}"
        time.sleep(pause)


@dataclass
class Site:
    """One clinic's installation: settings, database, far side, and the processes that a test starts."""

    folder: Path
    url: str
    far: FarSide
    engine_name: str
    engine: Engine
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)
    reloaders: list[subprocess.Popen[bytes]] = field(default_factory=list)
    options: dict[str, Any] = field(default_factory=dict)

    def config(self, port: int | None = None) -> Path:
        """A settings file; each process has its own."""
        told = {"honour": 0, "timeout": 60, "connections": 4, "pretend": False, "health": 300, **self.options}
        minutes = int(told["honour"])
        description = self.folder / "far.toml"
        description.write_text(
            DESCRIPTION.format(
                port=self.far.http,
                timeout=told["timeout"],
                honour=f"idempotent_minutes = {minutes}" if minutes else "",
            )
        )
        place = self.folder / f"clinic{len(list(self.folder.glob('clinic*.toml')))}.toml"
        place.write_text(
            SETTINGS.format(
                secret=SECRET,
                database=self.url,
                engine=self.engine_name,
                port=port or free_port(),
                pretend=str(told["pretend"]).lower(),
                health=told["health"],
                description=description,
                connections=told["connections"],
                smtp=self.far.smtp,
            )
        )
        return place

    def services(self) -> Services:
        """The parts of the service in this process, for a test that gives a plan as a page does."""
        return build(read_settings(self.config()))

    def start(self, command: str, port: int | None = None, **more: Any) -> subprocess.Popen[bytes]:
        """`tragus serve` or `tragus work`; what it logs is kept."""
        return self.run_python("-m", "service", command, "--config", str(self.config(port)), **more)

    def run_python(self, *arguments: str, **more: Any) -> subprocess.Popen[bytes]:
        """A process that ends with the test; what it logs is kept."""
        with (self.folder / f"log{len(self.processes)}").open("ab") as log:
            process = subprocess.Popen([sys.executable, *arguments], stdout=log, stderr=log, cwd=ROOT, **more)
        self.processes.append(process)
        return process

    def behind(self, module: str, *arguments: str) -> tuple[subprocess.Popen[bytes], int]:
        """`service.wsgi` behind a server of the operator's own, which answers already; and its port. {port} stands for
        it in the arguments."""
        port = free_port()
        told = [each.replace("{port}", str(port)) for each in arguments]
        env = os.environ | {"TRAGUS_CONFIG": str(self.config(port))}
        process = self.run_python("-m", module, *told, env=env)
        self.answers(process, port)
        return process, port

    def serve(self, *, worker: bool = True) -> tuple[subprocess.Popen[bytes], int]:
        """A server that answers already, and its port; beside it a worker, where the engine has one."""
        ((process, port),) = self.serve_all(1, worker=worker)
        return process, port

    def serve_all(self, count: int, *, worker: bool = True) -> list[tuple[subprocess.Popen[bytes], int]]:
        """So many servers that answer already, and their ports; and one worker, where the engine has one. All are
        started at once, for that takes them longest."""
        ports = [free_port() for _ in range(count)]
        servers = [(self.start("serve", port), port) for port in ports]
        if worker and self.engine_name == "procrastinate":
            self.start("work")
        for process, port in servers:
            self.answers(process, port)
        return servers

    def answers(self, process: subprocess.Popen[bytes], port: int) -> None:
        def up() -> bool:
            assert process.poll() is None, f"the server ended: {self.logs[-2000:]}"
            return health(port)[0] != 0

        wait_until(up, "the server answers")

    @property
    def logs(self) -> str:
        return "\n".join(place.read_text(errors="replace") for place in sorted(self.folder.glob("log*")))

    def end(self) -> None:
        for process in self.processes:
            if process.poll() is None:
                process.send_signal(signal.SIGCONT)
                for child in children(process.pid) if process in self.reloaders else ():
                    os.kill(child, signal.SIGTERM)  # which its parent waits for, and ends with
                process.terminate()
        for process in self.processes:
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(30)
        self.engine.dispose()

    # the database, as an operator sees it

    def rows(self, statement: str, **values: object) -> list[tuple[Any, ...]]:
        with self.engine.connect() as connection:
            return [tuple(row) for row in connection.execute(text(statement), values)]

    def run(self, statement: str, **values: object) -> int:
        with self.engine.begin() as connection:
            return connection.execute(text(statement), values).rowcount

    @property
    def states(self) -> Counter[str]:
        return Counter(dict(self.rows("SELECT state, count(*) FROM messages GROUP BY state")))

    @property
    def ids(self) -> dict[str, str]:
        """The state of every message, by id."""
        return dict(self.rows("SELECT id, state FROM messages"))

    def settled(self) -> bool:
        states = self.states
        return not states["pending"] + states["claimed"] + states["handing"]

    def leases_run_out(self, *first: str) -> None:
        """As if the lease of whoever is gone had passed; other statements may come first in the transaction."""
        with self.engine.begin() as connection:
            for statement in (*first, f"UPDATE messages SET lease_until = '{PAST}' WHERE lease_until IS NOT NULL"):
                connection.execute(text(statement))

    def wind(self, **by: float) -> None:
        """Set the pretended clock of every process forward."""
        (found,) = self.rows(
            "SELECT coalesce(max(CAST(value AS FLOAT)), 0) FROM facts WHERE name = 'clock-ahead-seconds'"
        )
        ahead = float(found[0]) + timedelta(**by).total_seconds()
        self.run("DELETE FROM facts WHERE name = 'clock-ahead-seconds'")
        self.run("INSERT INTO facts (name, value) VALUES ('clock-ahead-seconds', :ahead)", ahead=str(ahead))

    def asked(self) -> set[str]:
        """The messages that the attention list names as uncertain and open."""
        return {row[0] for row in self.rows("SELECT message_id FROM attention WHERE done IS NULL")}


def children(pid: int) -> set[int]:
    """The processes that this one started and that are not gone."""
    found = set()
    for place in Path("/proc").glob("[0-9]*/stat"):
        with suppress(FileNotFoundError, ProcessLookupError):
            state, parent = place.read_text().rpartition(")")[2].split()[:2]
            if int(parent) == pid and state != "Z":
                found.add(int(place.parent.name))
    return found


@contextmanager
def a_site(folder: Path, url: str, *, engine: str = "", **options: Any) -> Iterator[Site]:
    """A migrated, approved installation with its far side. The engine suits the database unless named."""
    with a_far_side(folder / "far") as far:
        chosen = engine or ("embedded" if url.startswith("sqlite") else "procrastinate")
        site = Site(folder, url, far, chosen, a_database(url), options=options)
        try:
            yield site
        finally:
            site.end()


def health(port: int) -> tuple[int, dict[str, Any]]:
    """What /health says; status 0 when nobody answers."""
    try:
        with urlopen(f"http://127.0.0.1:{port}/health", timeout=60) as answer:
            return answer.status, json.load(answer)
    except HTTPError as refused:
        with refused:
            return refused.code, json.load(refused)
    except OSError:
        return 0, {}


def call_back(port: int, key: str, state: str = "arrived") -> int:
    """A signed receipt of the far side."""
    body = json.dumps({"ref": key, "state": state}).encode()
    stamp = str(int(time.time()))
    mark = hmac.new(CALLBACK_SECRET.encode(), f"{stamp}.".encode() + body, hashlib.sha256).hexdigest()
    headers = {"X-Mark": mark, "X-Time": stamp, "Content-Type": "application/json"}
    request = Request(f"http://127.0.0.1:{port}/callbacks/far/receipts", data=body, headers=headers)
    with urlopen(request, timeout=30) as answer:
        return int(answer.status)


def with_messages(
    site: Site,
    count: int,
    *,
    kind: MessageKind = MessageKind.PLAN_GIVEN,
    channel: Channel = Channel.TEXT,
    due: Callable[[int], datetime] | None = None,
    useful: timedelta = timedelta(days=3),
) -> list[str]:
    """So many people, each with one message that is due now (or as `due` says). The first is given through the
    service; the others are its rows once more. Returns the ids of the messages."""
    services = site.services()
    approve_language(services, "en", "Dr Wren Halloway", reason="for a test")
    person = a_person(services, "p0", channels=(channel,))
    give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    return copies(site.engine, count, kind=kind, due=due, useful=useful)


def copies(
    engine: Engine,
    count: int,
    *,
    kind: MessageKind = MessageKind.PLAN_GIVEN,
    due: Callable[[int], datetime] | None = None,
    useful: timedelta = timedelta(days=3),
    more: bool = False,
) -> list[str]:
    """The one person in the database, `count` times over, each with one message of this kind; in place of the messages
    that are there, unless they are `more`."""
    meta = MetaData()
    names = ("people", "visits", "plans", "links", "messages")
    sqlite = engine.dialect.name == "sqlite"
    now = datetime.now(UTC)
    ids: list[str] = []
    with engine.begin() as connection:
        meta.reflect(connection, only=names)
        first = {name: _first(connection, meta.tables[name]) for name in names}
        if not more:
            connection.execute(text("DELETE FROM messages"))
    for start in range(0, count, 5000):  # short transactions: others may be writing
        rows: dict[str, list[dict[str, Any]]] = {name: [] for name in names}
        for number in range(start, min(count, start + 5000)):
            at = due(number) if due is not None else now
            if sqlite:
                at = at.replace(tzinfo=None)
            mark = f"{'x' if more else ''}{number:024d}"
            person, visit, plan, link = f"person{mark}", f"visit{mark}", f"plan{mark}", f"link{mark}"
            rows["people"].append(first["people"] | {"id": person})
            rows["visits"].append(first["visits"] | {"id": visit, "person_id": person})
            rows["plans"].append(first["plans"] | {"id": plan, "person_id": person, "visit_id": visit})
            hashed = hash_of(token_of(SECRET, link))
            rows["links"].append(first["links"] | {"id": link, "person_id": person, "token_hash": hashed})
            moments = {"due": at, "earliest": at, "look_at": at, "last_useful": at + useful}
            owned = {"id": f"m{mark}", "person_id": person, "plan_id": plan, "key": kind.value, "kind": kind.value}
            rows["messages"].append(first["messages"] | moments | owned)
        with engine.begin() as connection:
            for name in names:
                connection.execute(meta.tables[name].insert(), rows[name])
        ids += [row["id"] for row in rows["messages"]]
    return ids


def _first(connection: Any, table: Table) -> dict[str, Any]:
    wanted = text("1 = 1")
    if table.name == "messages":
        wanted = text(f"kind = '{MessageKind.PLAN_GIVEN.value}' AND state = 'pending'")
    return dict(connection.execute(table.select().where(wanted).limit(1)).mappings().one())
