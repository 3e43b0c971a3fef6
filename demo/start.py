"""The demo: an invented clinic with invented patients, on a pretend clock, everything going to a folder."""

from __future__ import annotations

import secrets
import shutil
import sys
from dataclasses import replace
from pathlib import Path

import waitress

from service.config import Settings, read_settings
from service.domain.wall_clock import zone_named
from service.links import page_url
from service.ops.cli import owner
from service.ops.ticker import start
from service.ops.visit_file import VisitFile, read_visit
from service.planning.aftercare import give, lasting_history, live_link
from service.planning.approving import approve_language
from service.planning.staffing import add_member
from service.services import Services
from service.storage.records import Person
from service.web.app import create_app
from service.wiring import build

HERE = Path(__file__).resolve().parent
PLACE = Path("var/demo")
STAFF = (
    ("nurse", "Orla Finch", ("clinician",)),
    ("lead", "Dr Wren Halloway", ("clinician", "lead")),
    ("desk", "Tam Okoro", ("desk",)),
)
GIVEN = 6
"""How many of the demo's people already have a plan when the demo starts; the others are there to practise on."""


def secret() -> str:
    """This demo's own secret key, made once."""
    place = PLACE / "secret_key"
    if not place.exists():
        place.write_text(secrets.token_urlsafe(48))
    return place.read_text()


def today(services: Services, file: VisitFile) -> VisitFile:
    """The visit moved to today in the person's zone, its appointment by as many days."""
    day = services.clock.now().astimezone(zone_named(file.contact.zone)).date()
    moved = day - file.visit.on
    appointment = file.visit.next_appointment
    return replace(
        file,
        visit=replace(file.visit, on=day, next_appointment=appointment + moved if appointment is not None else None),
    )


def seed(services: Services) -> str:
    """Staff, approvals, people, and plans for the first few; returns what to print about signing in."""
    lines = []
    for login, name, roles in STAFF:
        password = secrets.token_urlsafe(12)
        add_member(services, login, name, frozenset(roles), password, by="demo")
        lines.append(f"  {login:<6} {password}   ({name}: {', '.join(roles)})")
    for language in services.catalogs.languages:
        approve_language(services, language, "Dr Wren Halloway (invented, for this demo only)", reason="it is a demo")
    files = [read_visit(place) for place in sorted((HERE / "visits").glob("*.json"))]
    first = []  # one for each language, so that every language can be seen
    for wanted in services.catalogs.languages:
        first += [f for f in files if f.contact.language == wanted and f.contact.phone][:1]
    rest = [f for f in files if f not in first]
    to_give = (first + rest)[:GIVEN]
    for file in files:
        file = today(services, file)
        person_id = services.new_id()
        with services.open_work() as work:
            person = Person(
                id=person_id,
                name=file.contact.name,
                born=file.visit.born,
                contact=file.contact,
                history=lasting_history(services.pack, file.visit.history),
            )
            work.people.add(person, services.clock.now())
            live_link(services, work, person_id, services.clock.now())
            work.commit()
        if any(given.contact == file.contact for given in to_give):
            give(services, person_id, file.visit, by="Orla Finch")
    return "\n".join(lines)


def main() -> None:
    """Seed what is missing, say where to look, and serve."""
    if "--fresh" in sys.argv[1:]:
        shutil.rmtree(PLACE, ignore_errors=True)
    PLACE.mkdir(parents=True, exist_ok=True)
    settings: Settings = read_settings(HERE / "clinic.toml", {"TRAGUS_SECRET_KEY": secret()})
    services = build(settings)
    sign_in = PLACE / "sign-in.txt"
    if not sign_in.exists():
        print("Making the demo's people and plans ...", flush=True)
        sign_in.write_text(seed(services))
    base = settings.clinic.base_url
    with services.open_work() as work:
        person = next(p for p in work.people.search("") if work.plans.current(p.id) is not None)
        link = page_url(base, live_link(services, work, person.id, services.clock.now()))
        work.commit()
    print(
        f"""
tragus demo: an invented clinic. Nothing leaves this machine; what would be sent lies in {PLACE / "outgoing"}.

  Sign in as staff        {base}/
{sign_in.read_text()}

  A patient's own page    {link}   ({person.name})
  What would be sent,     {base}/demo
  and the pretend clock

Ctrl+C stops it; demo/run --fresh starts over.
""",
        flush=True,
    )
    scheduler = start(services, owner(), settings.tick_seconds)
    try:
        waitress.serve(create_app(services, settings), host=settings.host, port=settings.port, threads=8, ident=None)
    finally:
        scheduler.shutdown(wait=True)


if __name__ == "__main__":
    main()
