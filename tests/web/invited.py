"""A person with a plan that asks them back, and a browser on their page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path

from builders import StoppedClock, a_person, a_service, a_visit, an_ear, some_settings
from flask.testing import FlaskClient

from service.delivery.dispatch import send_due
from service.domain.contact import Channel, Contact
from service.domain.recall import Recall
from service.planning.aftercare import give, live_link
from service.planning.preferences import change_reach
from service.services import Services
from service.web.app import create_app


@dataclass
class Invited:
    """The person "maud", her plan, and her browser."""

    services: Services
    clock: StoppedClock
    client: FlaskClient
    plan: str

    @property
    def page(self) -> str:
        """Where the link that is live now leads to."""
        with self.services.open_work() as work:
            token = live_link(self.services, work, "maud", self.clock.at)
            work.commit()
        return f"/p/{token}"

    @property
    def contact(self) -> Contact:
        with self.services.open_reading() as work:
            return work.people.get("maud").contact

    @property
    def recall(self) -> Recall:
        with self.services.open_reading() as work:
            found = work.recalls.newest_of("maud")
        assert found is not None
        return found

    def at(self, day: date) -> str:
        """The page as it is read at noon (UTC) of a day."""
        self.clock.at = datetime.combine(day, time(12), UTC)
        return self.client.get(self.page).text

    def invite(self, channel: Channel | None = None) -> str:
        """The first invitation of the present round goes out, by this channel; returns the page after it."""
        if channel is not None:
            contact = self.contact
            change_reach(self.services, "maud", (channel,), contact.reminders, discreet=contact.discreet)
        self.clock.at = datetime.combine(self.recall.invite_on, time(12), UTC)
        send_due(self.services, "worker")
        return self.client.get(self.page).text

    def later(self, weeks: int) -> None:
        """The person asks on the page for later."""
        answer = self.client.post(f"{self.page}/answer", data={"answer": "later", "weeks": str(weeks)})
        assert answer.status_code == 303


def a_patient(folder: Path, finding: str = "wax-left", **contact: object) -> Invited:
    """Somebody with this finding and contact, in a database in this folder."""
    clock = StoppedClock()
    services, _ = a_service(f"sqlite:///{folder / 'clinic.sqlite'}", clock=clock)
    a_person(services, **contact)
    plan = give(services, "maud", a_visit(an_ear(finding)), "Dr Wren Halloway").id
    client = create_app(services, some_settings(folder)).test_client(use_cookies=False)
    return Invited(services, clock, client, plan)
