"""Somebody who got another person's invitation says so on the page: told first what it does, and blocked every way."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, time
from pathlib import Path

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear, some_settings
from flask.testing import FlaskClient

from service.delivery.dispatch import send_due
from service.domain.contact import Channel, Contact
from service.domain.message import Inbound
from service.domain.recall import Answer
from service.inbound.replies import Meaning, take_inbound
from service.planning.aftercare import give, live_link
from service.planning.preferences import change_reach
from service.planning.recalling import answer_in
from service.services import Services
from service.web.app import create_app

SURE = "Press this only if our message was not meant for you or for somebody you look after."
UNDO = re.compile(
    r'Did you press this by mistake\? Please call us: (?:<span class="whole">)?<a class="number" dir="ltr" '
    r'href="tel:02079460123">'
)


@dataclass
class Invited:
    """A person with a plan that asks them back, and a browser."""

    services: Services
    clock: StoppedClock
    client: FlaskClient
    plan: str

    @property
    def page(self) -> str:
        with self.services.open_work() as work:
            token = live_link(self.services, work, "maud", self.clock.at)
            work.commit()
        return f"/p/{token}"

    @property
    def contact(self) -> Contact:
        with self.services.open_reading() as work:
            return work.people.get("maud").contact

    def invite(self, channel: Channel | None = None) -> None:
        """The first invitation of the present round goes out, by this channel."""
        if channel is not None:
            contact = self.contact
            change_reach(self.services, "maud", (channel,), contact.reminders, discreet=contact.discreet)
        with self.services.open_reading() as work:
            recall = work.recalls.newest_of("maud")
        assert recall is not None
        self.clock.at = datetime.combine(recall.invite_on, time(12), UTC)
        send_due(self.services, "worker")

    def later(self) -> None:
        """The person asks for later: another round begins."""
        with self.services.open_work() as work:
            assert answer_in(self.services, work, "maud", Answer.LATER, by="page", now=self.clock.at) is not None
            work.commit()

    def wrong(self) -> str:
        answer = self.client.post(f"{self.page}/answer", data={"answer": "wrong-person"})
        assert answer.status_code == 200
        return answer.text

    def detail(self) -> str:
        with self.services.open_reading() as work:
            return {each.reason: each.detail for each in work.ledger.attention()}["recall-wrong-person"]


@pytest.fixture
def invited(tmp_path: Path) -> Invited:
    clock = StoppedClock()
    services, _ = a_service(f"sqlite:///{tmp_path / 'clinic.sqlite'}", clock=clock)
    a_person(services)
    plan = give(services, "maud", a_visit(an_ear("mastoid-cavity")), "Dr Wren Halloway").id
    client = create_app(services, some_settings(tmp_path)).test_client(use_cookies=False)
    return Invited(services=services, clock=clock, client=client, plan=plan)


def test_what_the_button_does_stands_folded_above_it(invited: Invited) -> None:
    invited.invite()
    page = invited.client.get(invited.page).text
    (folded,) = re.findall(r'<details class="asked not-mine">(.*?)</details>', page, re.DOTALL)
    assert 0 < folded.index(SURE) < folded.index("<button>You have the wrong number or address</button>")
    assert SURE not in page.replace(folded, "")


def test_the_page_that_follows_ends_with_the_number_for_who_pressed_by_mistake(invited: Invited) -> None:
    invited.invite()
    page = invited.wrong()
    assert "You have the wrong number" not in page  # said to the clinic; here it would be said to the reader
    said = page.index("<h1>Thank you. We will not write to this number or address again.")
    undo = UNDO.search(page)
    assert undo is not None and said < undo.start()
    assert re.search(r"020 7946 0123</a>\.?(?:</span>)?</p>\s*</main>", page)
    assert "Maud" not in page and "cavity" not in page.casefold()


def test_every_way_by_which_an_invitation_of_the_recall_went_is_blocked(invited: Invited) -> None:
    invited.invite(Channel.EMAIL)
    invited.later()
    invited.invite(Channel.TEXT)
    invited.wrong()
    assert invited.contact.bad == {Channel.TEXT, Channel.EMAIL}  # the link of the mail opens the same page
    assert invited.detail() == "text, email: somebody answered that this is not for them"
    with invited.services.open_reading() as work:
        noted = {each.detail["channel"] for each in work.ledger.history("maud") if each.action == "wrong-person"}
    assert noted == {"email", "text"}


def test_a_way_by_which_no_invitation_went_stays_open(invited: Invited) -> None:
    invited.invite(Channel.TEXT)
    invited.wrong()
    assert invited.contact.bad == {Channel.TEXT}


def test_an_invitation_of_an_earlier_recall_does_not_count(invited: Invited) -> None:
    invited.invite(Channel.EMAIL)
    visit = a_visit(an_ear("mastoid-cavity"), on=invited.clock.at.date())
    give(invited.services, "maud", visit, "Dr Wren Halloway")
    invited.invite(Channel.TEXT)
    invited.wrong()
    assert invited.contact.bad == {Channel.TEXT}


def test_before_any_invitation_both_ways_of_writing_are_blocked(invited: Invited) -> None:
    invited.wrong()
    assert invited.contact.bad == {Channel.TEXT, Channel.EMAIL}


@pytest.mark.parametrize("channel", [Channel.TEXT, Channel.EMAIL])
def test_a_written_answer_blocks_only_its_own_way(channel: Channel, invited: Invited) -> None:
    invited.invite(Channel.EMAIL)
    invited.later()
    invited.invite(Channel.TEXT)
    sender = "+447700900123" if channel is Channel.TEXT else "maud@example.org"
    with invited.services.open_reading() as work:
        by_it = [m.id for m in work.messages.of_person("maud") if m.channel is channel and m.handed is not None]
    at = invited.clock.at
    words = Inbound(channel=channel, id="in-1", sender=sender, text="wrong number", at=at, in_reply_to=by_it[0])
    assert take_inbound(invited.services, words) is Meaning.WRONG
    assert invited.contact.bad == {channel}
