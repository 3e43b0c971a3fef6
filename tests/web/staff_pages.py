"""A browser at the staff pages: signs in, fills forms with the session's own token, follows."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from argon2 import PasswordHasher
from babel.messages.pofile import read_po, write_po
from builders import StoppedClock, a_service, some_settings, the_catalogs, the_pack
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.config import Settings
from service.messages.catalogs import Catalogs, load_catalogs, update_po
from service.services import Services
from service.storage.records import Staff
from service.transports.port import RecordingTransport
from service.web.app import create_app

PASSWORD = "a long enough password"
# The form about a person, filled in for builders.a_contact.
FULL = {
    "name": "Maud Ellery",
    "given_name": "Maud",
    "born": "1948-03-02",
    "language": "en",
    "zone": "Europe/London",
    "phone": "07700 900123",
    "email": "maud@example.org",
    "address": "2 Elm Row\r\nExampleton\r\n\r\nEX1 0AB",
    "discreet": "yes",
    "reminders": "every-dose",
    "first": "text",
    "second": "email",
}


@cache
def password_hash() -> str:
    """The hash of `PASSWORD`, made once because a good one is slow."""
    return PasswordHasher().hash(PASSWORD)


@dataclass
class Browser:
    """One browser at one running service."""

    client: FlaskClient
    services: Services
    recorder: RecordingTransport
    clock: StoppedClock

    def get(self, place: str) -> TestResponse:
        return self.client.get(place)

    def token(self, place: str = "/people") -> str:
        """The form token of the signed-in session."""
        found = re.search(r'name="csrf" value="([^"]+)"', self.get(place).text)
        assert found is not None, "the page has a form with a token"
        return found[1]

    def post(self, place: str, data: dict[str, object] | None = None) -> TestResponse:
        """Send a staff form with its token."""
        return self.client.post(place, data={**(data or {}), "csrf": self.token()})

    def press_twice(self, place: str, data: dict[str, object] | None = None) -> TestResponse:
        """Send a staff form whose first press only asks, and then the form of the page that asks."""
        asking = self.post(place, data)
        assert asking.status_code == 200 and "Nothing has happened yet." in asking.text
        found = re.search(r'name="sure" value="([^"]+)"', asking.text)
        assert found is not None
        return self.post(place, {**(data or {}), "sure": found[1]})

    def sign_in(self, login: str = "wren", password: str = PASSWORD) -> TestResponse:
        found = re.search(r'name="form-token" value="([^"]+)"', self.get("/sign-in").text)
        assert found is not None
        return self.client.post("/sign-in", data={"login": login, "password": password, "form-token": found[1]})


def a_browser(
    folder: Path, *, approve: tuple[str, ...] = ("en",), catalogs: Catalogs | None = None, **changes: object
) -> Browser:
    """A browser that nobody signed in on; staff: wren (every role), dina (desk), cleo (clinician)."""
    clock = StoppedClock()
    services, recorder = a_service(clock=clock, approve=approve, catalogs=catalogs or the_catalogs())
    for login, name, roles in (
        ("wren", "Wren Halloway", {"clinician", "lead", "desk"}),
        ("dina", "Dina Marsh", {"desk"}),
        ("cleo", "Cleo Byrne", {"clinician"}),
    ):
        with services.open_work() as work:
            approves = frozenset({"*"} if "lead" in roles else ())
            member = Staff(id=login, login=login, name=name, roles=frozenset(roles), approves=approves)
            work.staff.add(member, password_hash())
            work.commit()
    settings: Settings = some_settings(folder, **changes)
    app = create_app(services, settings)
    app.testing = True
    return Browser(client=app.test_client(), services=services, recorder=recorder, clock=clock)


def signed_in(folder: Path, login: str = "wren", **changes: object) -> Browser:
    """A browser on which `login` is signed in."""
    browser = a_browser(folder, **changes)
    assert browser.sign_in(login).status_code == 302
    return browser


def previewed(page: TestResponse) -> str:
    """The mark of the preview on the discharge page."""
    found = re.search(r'name="previewed" value="([^"]*)"', page.text)
    assert found is not None
    return found[1]


def invented_urdu(folder: Path) -> Catalogs:
    """Catalogs in which every sentence has a stand-in translation: the English behind an Urdu word."""
    place = folder / "ur" / "LC_MESSAGES" / "wording.po"
    update_po(the_pack(), place, "ur")
    with place.open("rb") as file:
        catalog = read_po(file)
    for message in catalog:
        if isinstance(message.id, tuple):
            message.string = tuple(f"ترجمہ {text}" for text in message.id)
        elif message.id:
            message.string = f"ترجمہ {message.id}"
    with place.open("wb") as file:
        write_po(file, catalog)
    found = load_catalogs(folder, the_pack())
    assert not found.faults(), found.faults()[:3]
    return found
