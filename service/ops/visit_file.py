"""A visit as a JSON file: what `tragus plan` reads, and what its schema says."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, time
from pathlib import Path

from service import codec
from service.domain.contact import Channel, Contact
from service.domain.visit import Visit
from service.domain.wall_clock import to_instant, zone_named
from service.errors import VisitError


def _somebody() -> Contact:
    return Contact(
        name="A Patient",
        given_name="A",
        language="en",
        zone="Europe/London",
        phone="+447700900000",
        email="patient@example.org",
        channels=(Channel.TEXT, Channel.EMAIL),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitFile:
    """One visit with the person to tell. `shows` says in a line what the file is for; `at` is the local time at which
    the plan is given, so that the same file always gives the same messages."""

    visit: Visit
    shows: str = ""
    at: time = time(10, 0)
    contact: Contact = field(default_factory=_somebody)

    @property
    def given(self) -> datetime:
        """When the plan is given (UTC)."""
        wall = datetime.combine(self.visit.on, self.at)
        return to_instant(wall, zone_named(self.contact.zone)).astimezone(UTC)


def read_visit(path: Path) -> VisitFile:
    """The visit in a file. Raises VisitError naming the field and what is allowed."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as failed:
        raise VisitError(
            str(path), f"cannot be read: {getattr(failed, 'strerror', None) or 'it is not UTF-8 text'}"
        ) from failed
    try:
        return codec.load(VisitFile, text)
    except ValueError as wrong:
        first, *more = str(wrong).splitlines()
        rest = f" (and {len(more)} more)" if more else ""
        place, _, message = first.partition(": ")
        raise VisitError(f"{path.name}: {place}", f"{message}{rest}") from wrong
