"""Appointments from a file of the clinic's diary: read whole, checked whole, then carried out whole or not at all."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path

import click

from service.errors import NotAllowedError, NotFoundError, VisitError
from service.planning.appointments import book_in, booked_plans, check_booking, plan_to_book_on
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork

COLUMNS = ("person", "date", "time", "action")
ACTIONS = ("book", "cancel")
MOST_LINES = 10_000
"""Lines of one file. Our choice: more than a clinic books in a year; a larger file is taken for a mistake."""
LARGEST = 2_000_000
"""Octets of one file."""
BY = "import"
"""Who did it, in the audit record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the file: `appointment` is the clinic's local date and time; a cancellation may leave it out."""

    line: int
    person: str
    appointment: tuple[date, time] | None
    cancels: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What a line does: the appointment of a plan as it is, and as it will be."""

    row: Row
    plan_id: str
    before: tuple[date, time] | None
    after: tuple[date, time] | None

    def __str__(self) -> str:
        start = f"line {self.row.line}: {self.row.person}: "
        if self.before == self.after:
            return f"{start}{_said(self.after)} already, nothing to do"
        if self.after is None:
            return f"{start}cancel {_said(self.before)}"
        moved = f"move from {_said(self.before)} to" if self.before is not None else "book"
        return f"{start}{moved} {_said(self.after)}"


def import_appointments(services: Services, path: Path, *, dry_run: bool) -> Iterator[str]:
    """What each line does, as a sentence, and a sum at the end. Without `dry_run` it is done, all in one transaction.

    The same file twice changes nothing the second time. Raises VisitError naming the line and the field of the first
    mistake; then nothing is done.
    """
    rows = read_file(path)
    now = services.clock.now()
    with services.open_work() as work:
        changes = _changes(services, work, path.name, rows, now)
        done = [each for each in changes if each.before != each.after]
        if not dry_run:
            for each in done:
                book_in(services, work, each.plan_id, each.after, BY, now)
            work.commit()
    if done and not dry_run:
        services.wake()
    yield from map(str, changes)
    yield f"{'would change' if dry_run else 'changed'} {len(done)} of {len(changes)} appointments"


def read_file(path: Path) -> list[Row]:
    """The lines of a file. Raises VisitError naming the line and the field of the first mistake."""
    try:
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as failed:
        why = getattr(failed, "strerror", None) or "it is not UTF-8 text"
        raise VisitError(str(path), f"cannot be read: {why}") from failed
    if len(data) > LARGEST:
        raise VisitError(path.name, f"the file is larger than {LARGEST} octets; split it")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[Row] = []
    people: dict[str, int] = {}
    try:
        heads = [each.strip() for each in next(reader, [])]
        if sorted(heads) != sorted(COLUMNS):
            raise VisitError(f"{path.name}: line 1", f"the columns must be {', '.join(COLUMNS)}, each once")
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            place = f"{path.name}: line {reader.line_num}"
            if len(cells) != len(heads):
                raise VisitError(place, f"it has {len(cells)} fields; {len(heads)} are needed")
            row = _row(place, reader.line_num, dict(zip(heads, (cell.strip() for cell in cells), strict=True)))
            if row.person in people:
                raise VisitError(f"{place}, person", f"{row.person} stands in line {people[row.person]} already")
            people[row.person] = row.line
            rows.append(row)
            if len(rows) > MOST_LINES:
                raise VisitError(path.name, f"the file has more than {MOST_LINES} lines; split it")
    except csv.Error as broken:
        raise VisitError(f"{path.name}: line {reader.line_num}", f"this is not CSV: {broken}") from broken
    return rows


def _row(place: str, line: int, cells: dict[str, str]) -> Row:
    if not cells["person"]:
        raise VisitError(f"{place}, person", "give the id of the person in the record")
    if cells["action"] not in ACTIONS:
        raise VisitError(f"{place}, action", f"{cells['action']!r} is not known; allowed: {', '.join(ACTIONS)}")
    cancels = cells["action"] == "cancel"
    appointment = None
    if not cancels or cells["date"] or cells["time"]:
        appointment = (_date(place, cells["date"]), _time(place, cells["time"]))
    return Row(line=line, person=cells["person"], appointment=appointment, cancels=cancels)


def _date(place: str, text: str) -> date:
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()  # noqa: DTZ007 (a local date of the clinic)
    except ValueError:
        raise VisitError(f"{place}, date", "give the date as year-month-day, such as 2026-11-25") from None


def _time(place: str, text: str) -> time:
    try:
        return datetime.strptime(text, "%H:%M").time()  # noqa: DTZ007 (a local time of the clinic)
    except ValueError:
        raise VisitError(f"{place}, time", "give the time as hours:minutes, such as 14:30") from None


def _changes(services: Services, work: UnitOfWork, name: str, rows: Iterable[Row], now: datetime) -> list[Change]:
    """What every line does, in the order of the file. Raises the VisitError of the first line that is refused."""
    found: list[Change] = []
    refused: dict[int, VisitError] = {}
    for row in sorted(rows, key=lambda row: row.person):  # people are held in one order: nobody waits in a circle
        try:
            found.append(_change(services, work, name, row, now))
        except VisitError as mistake:
            refused[row.line] = mistake
    if refused:
        raise refused[min(refused)]
    return sorted(found, key=lambda change: change.row.line)


def _change(services: Services, work: UnitOfWork, name: str, row: Row, now: datetime) -> Change:
    place = f"{name}: line {row.line}"
    stored = _plan(services, work, place, row, now)
    after = None if row.cancels else row.appointment
    change = Change(row=row, plan_id=stored.id, before=stored.appointment, after=after)
    if change.before == after:
        return change
    if row.cancels and row.appointment not in (None, stored.appointment):
        said = f"the appointment of {row.person} is on {_said(stored.appointment)}; correct the line or cancel by hand"
        raise VisitError(f"{place}, date", said)
    try:
        check_booking(services, work, stored, after, now)
    except (VisitError, NotAllowedError) as refused:
        field = "date" if isinstance(refused, VisitError) else "person"
        raise VisitError(f"{place}, {field}", str(refused).removeprefix("appointment: ")) from refused
    return change


def _plan(services: Services, work: UnitOfWork, place: str, row: Row, now: datetime) -> StoredPlan:
    """The plan that a line is about: of a cancellation the one that has the appointment, else the one to book on."""
    try:
        work.people.get(row.person)
    except NotFoundError as missing:
        raise VisitError(f"{place}, person", f"{row.person} is not in the record") from missing
    booked = booked_plans(services, work, row.person, now)
    if row.cancels and row.appointment is not None:
        booked = [each for each in booked if each.appointment == row.appointment] or booked
    if len(booked) > 1 and row.cancels:
        said = " and ".join(_said(each.appointment) for each in booked)
        raise VisitError(f"{place}, date", f"{row.person} has appointments on {said}; give the date and time of one")
    stored = booked[0] if booked and row.cancels else plan_to_book_on(work, row.person)
    if stored is None:
        raise VisitError(f"{place}, person", f"{row.person} has no plan in force to book an appointment for")
    return stored


def _said(appointment: tuple[date, time] | None) -> str:
    if appointment is None:
        return "no appointment"
    return f"{appointment[0].isoformat()} {appointment[1].isoformat('minutes')}"


@click.group()
def appointments() -> None:
    """Appointments from the clinic's diary."""


@appointments.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Show what each line would do, and do nothing.")
@click.option(
    "--config", type=click.Path(path_type=Path), help="Settings file (default: TRAGUS_CONFIG or tragus.toml)."
)
def import_file(file: Path, dry_run: bool, config: Path | None) -> None:
    """Book and cancel the appointments in FILE: UTF-8 CSV with the columns person, date, time, action (book, cancel).

    A mistake in one line refuses the whole file. The same file twice changes nothing the second time.
    """
    from service.config import read_settings
    from service.wiring import build

    for line in import_appointments(build(read_settings(config), transports=False), file, dry_run=dry_run):
        click.echo(line)
