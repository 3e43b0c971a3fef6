"""The `tragus` command. Every sub-command is a few lines into a use case; every error is one clear line."""

from __future__ import annotations

import json
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from service import codec
from service.config import Settings, read_settings, shipped_content, shipped_locales
from service.errors import SettingsError, TragusError, VisitError
from service.ops.appointments import appointments
from service.ops.wording import wording
from service.services import Services

CONFIG = click.option(
    "--config", type=click.Path(path_type=Path), help="Settings file (default: TRAGUS_CONFIG or tragus.toml)."
)

TRY_AGAIN = 75
"""EX_TEMPFAIL of sysexits.h: a mail server keeps the mail and tries again."""


class _OneLine(click.Group):
    """Turns the service's own errors into one clear line and exit code 1; anything else is a fault and may be seen."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except TragusError as wrong:
            click.echo(f"tragus: {wrong}", err=True)
            ctx.exit(1)


@click.group(cls=_OneLine)
@click.version_option(package_name="tragus")
def main() -> None:
    """From the findings of one ear-care visit to a kept aftercare plan."""


@main.command()
@click.argument("visit", type=click.Path(path_type=Path))
@click.option("--as", "form", type=click.Choice(["text", "json", "html", "pdf", "ics", "messages"]), default="text")
@click.option("--lang", help="Language of the words (a BCP 47 tag such as cy); default: the person's.")
@click.option("--out", type=click.Path(path_type=Path), help="Write to this file in place of the standard output.")
@CONFIG
def plan(visit: Path, form: str, lang: str | None, out: Path | None, config: Path | None) -> None:
    """Show the plan that a visit file gives. Needs no database and no server."""
    from service.ops.show import prepare, read_sample, show
    from service.ops.visit_file import read_visit

    clinic, choices = read_sample(config)
    data = show(prepare(read_visit(visit), lang, clinic, choices), form)
    if out is None:
        sys.stdout.buffer.write(data)
        return
    try:
        out.write_bytes(data)
    except OSError as failed:
        raise VisitError("--out", f"{out} cannot be written: {failed.strerror}") from failed


@main.command()
@click.argument("what", type=click.Choice(["visit", "plan"]))
def schema(what: str) -> None:
    """Print the JSON Schema of a visit file or of a plan."""
    from service.domain.plan import Plan
    from service.ops.visit_file import VisitFile

    click.echo(json.dumps(codec.schema({"visit": VisitFile, "plan": Plan}[what]), indent=2, ensure_ascii=False))


@main.command()
@click.option("--content", type=click.Path(path_type=Path), help="Folder of the content pack.")
@click.option("--locales", type=click.Path(path_type=Path), help="Folder of the catalogs.")
def check(content: Path | None, locales: Path | None) -> None:
    """Validate content and wording: every fault, with its place. Exit code 1 when there is one."""
    from service.content.loader import load_pack
    from service.messages.catalogs import load_catalogs

    pack = load_pack(content or shipped_content())
    catalogs = load_catalogs(locales or shipped_locales(), pack)
    faults = catalogs.faults()
    for fault in faults:
        click.echo(str(fault), err=True)
    click.echo(
        f"{len(pack.templates)} templates, {len(pack.rules)} rules, {len(pack.wording)} wording units, "
        f"languages: {', '.join(catalogs.languages)}; {len(faults)} faults"
    )
    if faults:
        raise SystemExit(1)


main.add_command(wording)
main.add_command(appointments)


@main.command()
@CONFIG
def serve(config: Path | None) -> None:
    """Run the web service; with engine "embedded" it also sends what is due."""
    import waitress

    from service.transports.gateway_callbacks import LONGEST_CALLBACK
    from service.web.app import create_app
    from service.wiring import build

    settings = read_settings(config)
    services = build(settings)
    app = create_app(services, settings)
    stopping = threading.Event()
    end = _sending(services, settings, stopping)

    def stop(*_: object) -> None:
        stopping.set()
        sys.exit(0)  # as Ctrl+C does: the hand-over under way is finished first

    signal.signal(signal.SIGTERM, stop)
    try:
        waitress.serve(
            app,
            host=settings.host,
            port=settings.port,
            threads=8,
            ident=None,
            max_request_body_size=LONGEST_CALLBACK + 1,  # nobody sends us more; the pages take less
        )
    finally:
        end()


def _sending(services: Services, settings: Settings, stopping: threading.Event) -> Callable[[], None]:
    """See to it that due messages are looked for: by a tick in this process, or by telling the workers. Returns what
    ends it: the hand-over under way is finished, nothing new is begun, and the lines are closed."""
    if settings.engine == "procrastinate":
        with _scaled():
            from service.ops.pump import Waker
        waker = Waker(settings.database)
        services.wake = waker.wake
        return waker.close
    from service.inbound.rounds import bind, close_transports
    from service.ops import ticker

    bind(services)
    scheduler = ticker.start(services, owner(), settings.tick_seconds, mailbox=settings.mailbox, stopping=stopping)

    def end() -> None:
        try:
            ticker.end(services, scheduler, owner(), stopping)
        finally:
            close_transports(services)

    return end


@contextmanager
def _scaled() -> Iterator[None]:
    try:
        yield
    except ModuleNotFoundError as missing:
        raise SettingsError(
            f'engine: "procrastinate" needs the extra `scaled` ({missing.name} is missing)'
        ) from missing


@main.command()
@click.option("--processes", type=click.IntRange(1, 64), default=1, help="So many workers, looked after by this one.")
@click.option("--until-input-ends", is_flag=True, hidden=True)
@CONFIG
def work(processes: int, until_input_ends: bool, config: Path | None) -> None:
    """Run a worker that sends what is due; any number of them, with engine "procrastinate"."""
    from service.inbound.rounds import bind, close_transports
    from service.ops import several, ticker
    from service.wiring import build

    settings = read_settings(config)
    if settings.engine != "procrastinate":
        raise SettingsError('engine: a worker needs "procrastinate"; with "embedded", `tragus serve` sends by itself')
    with _scaled():
        from service.ops.pump import Worker
    if processes > 1:
        one = [sys.executable, "-m", "service", "work", "--until-input-ends"]
        named = ["--config", str(config)] if config is not None else []
        sys.exit(0 if several.Several([*one, *named], processes).run() else 1)
    if until_input_ends:
        several.stop_with_input()
    services, stopping = build(settings), threading.Event()
    worker = Worker(services, settings.database, owner(), settings.tick_seconds, stopping)
    bind(services)
    scheduler = ticker.start_rounds(services, owner(), settings.mailbox, stopping)
    try:
        worker.run()
    finally:
        try:
            ticker.end(services, scheduler, owner(), stopping)
        finally:
            close_transports(services)


@main.command("move-database")
@click.option("--to", "target", required=True, help="URL of an empty database, SQLite or PostgreSQL.")
@CONFIG
def move_database(target: str, config: Path | None) -> None:
    """Copy everything into another database, and prove that nothing is lost or changed."""
    from service.ops.move import move

    for line in move(read_settings(config), target):
        click.echo(line)


@main.command()
@CONFIG
def send(config: Path | None) -> None:
    """One pass over what is due, and what came of it; the mailbox is looked into as well, if there is one."""
    from service.delivery.dispatch import send_due
    from service.inbound.rounds import MAILBOX, after_pass, bind, close_transports, look_into_mailbox
    from service.wiring import build

    settings = read_settings(config)
    services = build(settings)
    bind(services)
    try:
        if settings.mailbox is not None:
            look_into_mailbox(services, settings.mailbox, owner())
            with services.open_work() as work:
                work.ledger.give_up_lease(MAILBOX, owner())
                work.commit()
        done = send_due(services, owner())
        after_pass(services)
    finally:
        close_transports(services)
    click.echo(f"claimed {done.claimed}")
    for what, count in sorted(done.ended.items()):
        click.echo(f"{what}: {count}")


@main.command("take-mail")
@click.option("--to", "address", help="The address that the mail was delivered to (the envelope recipient).")
@CONFIG
def take_mail(address: str | None, config: Path | None) -> None:
    """Take one mail from the standard input, as mail servers pipe it: exit code 0 once stored, else 75 (try again)."""
    from service.inbound.bounces import MOST_OCTETS
    from service.inbound.mail import take_mail as take
    from service.inbound.mailbox import delivered_to
    from service.wiring import build

    try:
        raw = sys.stdin.buffer.read(MOST_OCTETS + 1)  # one octet more is enough to say that it is too large
        while sys.stdin.buffer.read(1 << 20):
            pass
        services = build(read_settings(config), transports=False)
        take(services, raw, address or delivered_to(raw))
    except Exception as failed:  # whatever it is, the mail server keeps the mail, and nobody's words are lost
        why = str(failed) if isinstance(failed, TragusError) else type(failed).__name__
        click.echo(f"tragus: the mail is not stored; try again later: {why}", err=True)
        raise SystemExit(TRY_AGAIN) from failed


@main.command()
@click.option("--json", "as_json", is_flag=True, help="As JSON: counts, codes and moments only.")
@click.option(
    "--late",
    default=5.0,
    show_default=True,
    metavar="MINUTES",
    help="Exit code 1 when the oldest due message waits longer.",
)
@CONFIG
def outbox(as_json: bool, late: float, config: Path | None) -> None:
    """What is due, held, dropped and uncertain, per reason."""
    from service.domain.contact import Channel
    from service.ops.outbox import outbox as look_at
    from service.wiring import build

    settings = read_settings(config)
    fitted = {Channel(name): chosen.use for name, chosen in settings.transports.items()}
    said, is_late = look_at(build(settings, transports=False), fitted, late_minutes=late, as_json=as_json)
    click.echo(said)
    if is_late:
        raise SystemExit(1)


@main.command("add-staff")
@click.option("--login", required=True)
@click.option("--name", required=True)
@click.option(
    "--role", "roles", multiple=True, required=True, type=click.Choice(["clinician", "lead", "desk", "wording"])
)
@click.option("--approves", multiple=True, help="A language whose wording they may approve; the lead may all of them.")
@click.option("--password", prompt=True, hide_input=True, confirmation_prompt=True, help="At least 12 characters.")
@CONFIG
def add_staff(
    login: str, name: str, roles: tuple[str, ...], approves: tuple[str, ...], password: str, config: Path | None
) -> None:
    """Add a member of staff."""
    from service.planning.staffing import add_member
    from service.wiring import build

    add_member(
        build(read_settings(config)),
        login,
        name,
        frozenset(roles),
        password,
        by="command line",
        approves=frozenset(approves) or None,
    )
    click.echo(f"{login} can sign in")


@main.command()
@click.option("--language", required=True, help="Which language to approve (a BCP 47 tag such as en).")
@click.option("--by", required=True, help="Full name of the clinical lead who read and approves the wording.")
@click.option("--reason", default="", help="Why sentences that cost more than the budget may stay.")
@CONFIG
def approve(language: str, by: str, reason: str, config: Path | None) -> None:
    """Record that a named person approved every sentence of a language as it stands now."""
    from service.planning.approving import approve_language
    from service.wiring import build

    count = approve_language(build(read_settings(config)), language, by, reason)
    click.echo(f"{count} units of {language} newly approved by {by}")


@main.command()
@click.argument("languages", nargs=-1)
def catalogs(languages: tuple[str, ...]) -> None:
    """Write the catalog template, and bring the catalogs of LANGUAGES (default: all present) up to it."""
    from service.content.loader import load_pack
    from service.messages.catalogs import update_po, write_pot

    pack, root = load_pack(shipped_content()), shipped_locales()
    write_pot(pack, root / "wording.pot")
    for language in languages or sorted(place.name for place in root.iterdir() if place.is_dir()):
        update_po(pack, root / language / "LC_MESSAGES" / "wording.po", language)
        click.echo(f"{language}: brought up to date")


def owner() -> str:
    """Names this process in leases."""
    return f"{socket.gethostname()}:{os.getpid()}"
