"""How many messages a second go from due to a recorded outcome, beside a loop that only renders and sends.

usage: python sending.py [--count 5000] [--full]

Every figure stands beside its limit from the same run. Nothing here is a test: a slow machine fails nothing.
"""

from __future__ import annotations

import argparse
import os
import smtplib
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]

from builders import StoppedClock, a_contact, free_port
from database.postgres import Postgres
from filling import a_filled_service
from sqlalchemy import text

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Envelope, Outcome, Result
from service.links import page_url, token_of
from service.messages.compose import Letter, compose
from service.services import Services
from service.storage.unit_of_work import open_engine
from service.transports.mail import build_mail
from service.transports.smtp import SmtpTransport

DUE = StoppedClock().at
LANES = 8


class NoOp:
    """Says yes at once."""

    connections = LANES

    def send(self, envelope: Envelope) -> Outcome:
        """Accept."""
        return Outcome(result=Result.ACCEPTED, detail="taken")

    def close(self) -> None:
        """Nothing."""


def rate(count: int, do: Callable[[], None]) -> float:
    """Messages a second."""
    begun = time.perf_counter()
    do()
    return count / (time.perf_counter() - begun)


def bare(services: Services, count: int, channel: Channel, carry: Callable[[Envelope], object]) -> float:
    """The limit: render the same words for the same people and hand them over, one after the other, writing nothing."""
    with services.open_reading() as work:
        wordings = services.wordings(work)
        message = work.messages.of_person("pe" + "0" * 30)[0]
        plan = work.plans.get(message.plan_id).plan

    def loop() -> None:
        for number in range(count):
            contact = a_contact(channels=(channel,))
            link = page_url(services.clinic.base_url, token_of(services.secret_key, f"li{number:030d}"))
            letter = Letter(link=link, pack=plan.pack)
            composed = compose(message.planned, plan, contact, services.clinic, wordings, channel, letter)
            carry(
                Envelope(
                    key=f"{number:032d}",
                    message=composed,
                    dated=message.planned.due,
                    handed=message.planned.due,
                    last_useful=message.planned.last_useful,
                    sender_name=services.clinic.name,
                    sender_address=services.clinic.email,
                )
            )

    return rate(count, loop)


def ours(services: Services, count: int) -> tuple[float, float]:
    """From due to recorded outcome: messages a second, and milliseconds of this process's processor for each, which a
    busy machine changes less."""
    services.clock.forward(seconds=1)  # type: ignore[attr-defined]

    def passes() -> None:
        while send_due(services, "benchmark").claimed:
            pass

    before = time.process_time()
    found = rate(count, passes)
    each = (time.process_time() - before) / count * 1000
    with services.open_reading() as work:
        sent = work.messages.counts().get(("sent", None), 0)
    if sent != count:
        raise SystemExit(f"only {sent} of {count} were sent: the figure would be wrong")
    return found, each


@contextmanager
def sink(folder: Path | None = None) -> Iterator[int]:
    """The port of a mail server in a process of its own; with a folder it keeps each mail on the disk first."""
    port = free_port()
    command = [sys.executable, str(HERE / "sink.py"), str(port), *([str(folder)] if folder else [])]
    server = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None
    assert server.stdin is not None
    try:
        server.stdout.readline()
        yield port
    finally:
        server.stdin.close()
        server.wait(10)


def no_op(count: int, urls: dict[str, str]) -> None:
    """Sending where the far side costs nothing."""
    limit = 0.0
    for name, url in urls.items():
        services = a_filled_service(url, count, due=DUE)
        services.transports = {Channel.TEXT: NoOp()}
        if not limit:
            limit = bare(services, count, Channel.TEXT, NoOp().send)
            print(f"no-op, bare loop that renders and hands over          {limit:10.0f} /s")
        found, each = ours(services, count)
        print(
            f"no-op, {name:<12} one process, every commit durable {found:10.0f} /s   {found / limit:6.3f} of bare, "
            f"{each:.2f} ms CPU"
        )


def bare_mail(services: Services, count: int, port: int) -> float:
    """The same limit over one connection to a mail server."""
    line = smtplib.SMTP("127.0.0.1", port)

    def carry(envelope: Envelope) -> None:
        line.sendmail(envelope.sender_address, envelope.message.to, build_mail(envelope).as_bytes())

    limit = bare(services, count, Channel.EMAIL, carry)
    line.quit()
    return limit


def by_mail(folder: Path, count: int, *, kept: bool) -> None:
    """Sending to a mail server on this machine, which keeps each mail on the disk or only says so."""
    kind = "kept on the disk" if kept else "taken and forgotten"
    place = folder / f"mail-{kept}"
    place.mkdir()
    with sink(place if kept else None) as port:
        services = a_filled_service(f"sqlite:///{place}.sqlite", count, channel=Channel.EMAIL, due=DUE)
        limit = bare_mail(services, count, port)
        print(f"SMTP, {kind:<20} bare loop over one connection {limit:8.0f} /s")
        options = {"host": "127.0.0.1", "port": port, "security": "none", "connections": LANES}
        services.transports = {Channel.EMAIL: SmtpTransport.from_options(options)}
        found, each = ours(services, count)
        print(
            f"SMTP, {kind:<20} SQLite, {LANES} connections         {found:8.0f} /s   {found / limit:6.3f} of bare, "
            f"{each:.2f} ms CPU"
        )
        services.transports[Channel.EMAIL].close()


def waiting_anew(url: str) -> None:
    """Let what was sent wait again."""
    engine = open_engine(url)
    with engine.begin() as connection:
        connection.execute(text("UPDATE messages SET state = 'pending', attempts = 0 WHERE state = 'sent'"))
        connection.execute(text("DELETE FROM attempts"))
    engine.dispose()


def together(url: str, workers: int, *more: object) -> float:
    """How long so many processes take for all that is due, seconds, without their start."""
    processes = [
        subprocess.Popen(
            [sys.executable, str(HERE / "worker.py"), url, f"worker{number}", *map(str, more)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for number in range(workers)
    ]
    for process in processes:
        assert process.stdout is not None
        if process.stdout.readline() != "ready\n":
            raise SystemExit("a worker did not start")
    begun = time.perf_counter()
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    codes = [process.wait(600) for process in processes]
    took = time.perf_counter() - begun
    if any(codes):
        raise SystemExit("a worker failed")
    with open_engine(url).connect() as connection:
        left = connection.scalar(text("SELECT count(*) FROM messages WHERE state NOT IN ('sent', 'dropped')"))
    if left:
        raise SystemExit(f"{left} were not sent: the figure would be wrong")
    return took


def many_workers(url: str, count: int, name: str) -> None:
    """Several processes on one database."""
    for workers in (1, 2, 4):
        waiting_anew(url)
        print(f"no-op, {name}, {workers} worker processes {count / together(url, workers):6.0f} /s")


def many_workers_by_mail(url: str, count: int, name: str) -> None:
    """Several processes on one database, each with several connections to one mail server."""
    services = a_filled_service(url, count, channel=Channel.EMAIL, due=DUE)
    with sink() as port:
        limit = bare_mail(services, count, port)
        print(f"SMTP, {name}: bare loop over one connection {limit:6.0f} /s")
        for workers in (1, 2, 4):
            waiting_anew(url)
            found = count / together(url, workers, port, LANES)
            print(
                f"SMTP, {name}, {workers} worker processes, {LANES} connections each "
                f"{found:6.0f} /s   {found / limit:6.3f} of bare"
            )


def memory(folder: Path, count: int) -> None:
    """Memory while many messages are sent."""
    services = a_filled_service(f"sqlite:///{folder}/memory.sqlite", count, due=DUE)
    services.transports = {Channel.TEXT: NoOp()}
    services.clock.forward(seconds=1)  # type: ignore[attr-defined]
    after: dict[int, float] = {}
    sent = 0
    while claimed := send_due(services, "benchmark").claimed:
        sent += claimed
        if sent % (count // 5) < claimed:
            after[sent] = resident()
    print("memory, MiB resident after so many sent: " + ", ".join(f"{n}: {mib:.0f}" for n, mib in after.items()))


def resident() -> float:
    """Resident memory of this process, MiB."""
    with open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--full", action="store_true", help="memory over 100,000 messages in place of 20,000")
    chosen = parser.parse_args()
    server = Postgres()
    try:
        with tempfile.TemporaryDirectory() as place:
            folder, postgresql = Path(place), server.migrated()
            no_op(chosen.count, {"SQLite": f"sqlite:///{folder}/text.sqlite", "PostgreSQL": postgresql})
            by_mail(folder, chosen.count, kept=False)
            by_mail(folder, chosen.count, kept=True)
            many_workers(postgresql, chosen.count, "PostgreSQL")
            many_workers_by_mail(server.migrated(), chosen.count, "PostgreSQL")
            many_workers_by_mail(f"sqlite:///{folder}/shared.sqlite", chosen.count, "SQLite")
            memory(folder, 100_000 if chosen.full else 20_000)
    finally:
        server.end()


if __name__ == "__main__":
    main()
