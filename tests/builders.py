"""Builders with defaults: a test says only what it is about."""

from __future__ import annotations

import itertools
import random
import socket
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path

from sqlalchemy import Engine

from service.config import Settings, TransportSettings, shipped_content, shipped_locales
from service.content.loader import load_pack
from service.domain.contact import Channel, Clinic, Contact
from service.domain.pack import ClinicChoices, Pack
from service.domain.visit import Ear, Visit
from service.messages.catalogs import Catalogs, load_catalogs
from service.messages.wordings import Wordings
from service.planning.approving import approve_language
from service.services import Services
from service.storage.migrate import upgrade
from service.storage.queue import Held
from service.storage.records import Ending, Person
from service.storage.unit_of_work import UnitOfWork, open_engine
from service.transports.port import RecordingTransport

VISIT_DAY = date(2026, 11, 25)
SECRET = "a secret for tests only, 32 characters or more"

SETTINGS = """
secret_key = "{secret}"
database = "{database}"
engine = "{engine}"
port = {port}
allow_fiction = true
secure_cookies = false
tick_seconds = 1

[clinic]
name = "Larkfield Ear Care"
phone = "020 7946 0123"
email = "desk@larkfield.example"
address = ["1 Larkfield Lane"]
zone = "Europe/London"
emergency = "999"
urgent_line = "111"
base_url = "http://127.0.0.1:{port}"
quiet_from = "00:00"
quiet_to = "00:00"

[transports.text]
use = "folder"
options = {{ folder = "{folder}/outgoing" }}
"""

PICTURES = frozenset(
    [
        "drops-in",
        "lie-on-side",
        "massage-tragus",
        "keep-dry",
        "shower",
        "no-swimming",
        "swimming-ok",
        "no-cotton-buds",
        "nothing-in-ear",
        "no-drops",
        "wait",
        "calendar-return",
        "hearing-aid-out",
        "hearing-aid-in",
        "bottle",
        "throw-away",
        "prescribed-drops",
        "no-nose-blowing",
        "no-plug",
        "plug",
        "hair-dryer-low",
        "phone",
        "emergency",
        "hearing-drop",
        "face-droop",
        "spinning",
        "bleeding",
        "discharge",
        "pain",
        "swelling",
        "fever",
        "ringing",
        "rash",
        "battery",
        "foreign-body",
        "loud-sounds",
        "blocked",
        "alternate-nights",
        "helper",
        "cough",
        "itch",
        "bad-smell",
        "flying",
        "examine",
    ]
)
"""Every picture that content may name; each of them is drawn."""


@cache
def the_pack() -> Pack:
    """The shipped content pack."""
    return load_pack(shipped_content())


@cache
def the_catalogs() -> Catalogs:
    """The shipped catalogs."""
    return load_catalogs(shipped_locales(), the_pack())


def a_clinic(**changes: object) -> Clinic:
    """An invented clinic."""
    clinic = Clinic(
        name="Larkfield Ear Care",
        phone="020 7946 0123",
        email="desk@larkfield.example",
        address=("1 Larkfield Lane", "Exampleton", "EX1 0AA"),
        zone="Europe/London",
        emergency="999",
        urgent_line="111",
        base_url="https://larkfield.example",
    )
    return replace(clinic, **changes)


def a_clinic_at_all_hours(**changes: object) -> Clinic:
    """The same without quiet hours, for tests on the machine's clock: they run at night, too."""
    return a_clinic(quiet_from=time(0), quiet_to=time(0), **changes)


def a_contact(**changes: object) -> Contact:
    """An adult reached by text, then e-mail."""
    contact = Contact(
        name="Maud Ellery",
        given_name="Maud",
        language="en",
        zone="Europe/London",
        phone="+447700900123",
        email="maud@example.org",
        address=("2 Elm Row", "Exampleton", "EX1 0AB"),
        channels=(Channel.TEXT, Channel.EMAIL),
    )
    return replace(contact, **changes)


def an_ear(*findings: str, by: str | None = None) -> Ear:
    """One ear with these findings, wax removed `by` a method if given."""
    return Ear(findings=frozenset(findings), removed_by=frozenset({by} if by else ()))


def a_visit(right: Ear | None = None, left: Ear | None = None, **changes: object) -> Visit:
    """A visit of an adult of 78 on a fixed day; the right ear has wax to return for unless said otherwise."""
    visit = Visit(
        on=VISIT_DAY,
        born=date(1948, 3, 2),
        right=right if right is not None else an_ear("wax-left"),
        left=left if left is not None else Ear(),
    )
    return replace(visit, **changes)


def draft_wordings(clinic: Clinic | None = None) -> Wordings:
    """Every shipped sentence, approved or not."""
    return Wordings(the_pack(), the_catalogs(), None, (clinic or a_clinic()).said())


class StoppedClock:
    """A clock that stands until it is moved."""

    def __init__(self, at: datetime = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)) -> None:
        self.at = at

    def now(self) -> datetime:
        """Where it stands."""
        return self.at

    def forward(self, **by: float) -> None:
        """Move it."""
        self.at += timedelta(**by)


@cache
def _migrated() -> bytes:
    """The image of an empty, migrated SQLite database: migrating anew for every test takes longer than the test."""
    engine = open_engine("sqlite://")
    upgrade(engine)
    connection = engine.raw_connection()
    image = connection.driver_connection.serialize()  # type: ignore[union-attr]
    connection.close()
    engine.dispose()
    return image


def a_database(url: str) -> Engine:
    """A migrated database: from the image where SQLite allows it."""
    if url == "sqlite://":
        engine = open_engine(url)
        connection = engine.raw_connection()
        connection.driver_connection.deserialize(_migrated())  # type: ignore[union-attr]
        connection.close()
        return engine
    place = Path(url.removeprefix("sqlite:///"))
    if url.startswith("sqlite:///") and not place.exists():
        place.write_bytes(_migrated())
    engine = open_engine(url)
    upgrade(engine)
    return engine


def a_service(
    url: str = "sqlite://", *, clock: StoppedClock | None = None, approve: tuple[str, ...] = ("en",), **changes: object
) -> tuple[Services, RecordingTransport]:
    """A whole service over a real database, with a transport that remembers what it was handed."""
    engine = a_database(url)
    recorder = RecordingTransport()
    numbers = itertools.count(1)
    parts: dict[str, object] = {
        "clinic": a_clinic(),
        "choices": ClinicChoices(),
        "pack": the_pack(),
        "catalogs": the_catalogs(),
        "clock": clock or StoppedClock(),
        "open_work": lambda: UnitOfWork(engine),
        "open_reading": lambda: UnitOfWork(engine, read_only=True),
        "new_id": lambda: f"{next(numbers):032x}",
        "chance": lambda: 0.5,
        "secret_key": SECRET,
        "transports": dict.fromkeys(Channel, recorder),
    }
    services = Services(**(parts | changes))
    for language in approve:
        approve_language(services, language, "Dr Wren Halloway", reason="for a test, at whatever cost")
    return services, recorder


def a_person(services: Services, person_id: str = "maud", **contact: object) -> str:
    """A person in the record; returns the id."""
    who = a_contact(**contact)
    with services.open_work() as work:
        person = Person(id=person_id, name=who.name, born=date(1948, 3, 2), contact=who)
        work.people.add(person, services.clock.now())
        work.commit()
    return person_id


def ended(work: UnitOfWork, endings: list[Ending], now: datetime) -> list[Held]:
    """Record how messages end, as a pass does: after a look at them in the same transaction."""
    facts = work.facts.about([each.message.id for each in endings], now)
    return work.queue.end(endings, now, facts)


def some_settings(folder: Path, **changes: object) -> Settings:
    """Settings that write everything below `folder`."""
    outgoing = TransportSettings(use="folder", options={"folder": str(folder / "outgoing")})
    settings = Settings(
        secret_key=SECRET,
        clinic=a_clinic(),
        database=f"sqlite:///{folder / 'tragus.sqlite'}",
        allow_fiction=True,
        secure_cookies=False,
        transports={"text": outgoing, "email": outgoing, "letter": outgoing},
    )
    return replace(settings, **changes)


def free_port() -> int:
    """A port of this machine that nobody listens on now. It is below those that the system hands out by itself
    (32768 and up on Linux), so that no connection takes it before the process that it is meant for."""
    for port in random.SystemRandom().sample(range(20_000, 32_000), 200):
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port
    raise AssertionError("no port is free")


def a_settings_file(place: Path, *, port: int | None = None, database: str = "", engine: str = "embedded") -> Path:
    """A settings file for real processes: texts go to a folder beside it, and there are no quiet hours."""
    database = database or f"sqlite:///{place.parent}/tragus.sqlite"
    filled = SETTINGS.format(
        secret=SECRET, database=database, engine=engine, port=port or free_port(), folder=place.parent
    )
    place.write_text(filled)
    return place
