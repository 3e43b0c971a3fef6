"""Somebody who got another person's invitation says so on the page: told first what it does, and blocked every way."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from builders import a_visit, an_ear
from web.invited import Invited, a_patient

from service.domain.contact import Channel
from service.domain.message import Inbound
from service.inbound.replies import Meaning, take_inbound
from service.planning.aftercare import give

SURE = "Press this only if our message was not meant for you or for somebody you look after."
UNDO = re.compile(
    r'Did you press this by mistake\? Please call us: (?:<span class="whole">)?<a class="number" dir="ltr" '
    r'href="tel:02079460123">'
)


@pytest.fixture
def invited(tmp_path: Path) -> Invited:
    return a_patient(tmp_path, "mastoid-cavity")


def wrong(invited: Invited) -> str:
    answer = invited.client.post(f"{invited.page}/answer", data={"answer": "wrong-person"})
    assert answer.status_code == 200
    return answer.text


def detail(invited: Invited) -> str:
    with invited.services.open_reading() as work:
        return {each.reason: each.detail for each in work.ledger.attention()}["recall-wrong-person"]


def test_what_the_button_does_stands_folded_above_it(invited: Invited) -> None:
    invited.invite()
    page = invited.client.get(invited.page).text
    (folded,) = re.findall(r'<details class="asked not-mine">(.*?)</details>', page, re.DOTALL)
    assert 0 < folded.index(SURE) < folded.index("<button>You have the wrong number or address</button>")
    assert SURE not in page.replace(folded, "")


def test_the_page_that_follows_ends_with_the_number_for_who_pressed_by_mistake(invited: Invited) -> None:
    invited.invite()
    page = wrong(invited)
    assert "You have the wrong number" not in page  # said to the clinic; here it would be said to the reader
    said = page.index("<h1>Thank you. We will not write to this number or address again.")
    undo = UNDO.search(page)
    assert undo is not None and said < undo.start()
    assert re.search(r"020 7946 0123</a>\.?(?:</span>)?</p>\s*</main>", page)
    assert "Maud" not in page and "cavity" not in page.casefold()


def test_every_way_by_which_an_invitation_of_the_recall_went_is_blocked(invited: Invited) -> None:
    invited.invite(Channel.EMAIL)
    invited.later(4)
    invited.invite(Channel.TEXT)
    wrong(invited)
    assert invited.contact.bad == {Channel.TEXT, Channel.EMAIL}  # the link of the mail opens the same page
    assert detail(invited) == "text, email: somebody answered that this is not for them"
    with invited.services.open_reading() as work:
        noted = {each.detail["channel"] for each in work.ledger.history("maud") if each.action == "wrong-person"}
    assert noted == {"email", "text"}


def test_a_way_by_which_no_invitation_went_stays_open(invited: Invited) -> None:
    invited.invite(Channel.TEXT)
    wrong(invited)
    assert invited.contact.bad == {Channel.TEXT}


def test_an_invitation_of_an_earlier_recall_does_not_count(invited: Invited) -> None:
    invited.invite(Channel.EMAIL)
    visit = a_visit(an_ear("mastoid-cavity"), on=invited.clock.at.date())
    give(invited.services, "maud", visit, "Dr Wren Halloway")
    invited.invite(Channel.TEXT)
    wrong(invited)
    assert invited.contact.bad == {Channel.TEXT}


def test_before_any_invitation_both_ways_of_writing_are_blocked(invited: Invited) -> None:
    wrong(invited)
    assert invited.contact.bad == {Channel.TEXT, Channel.EMAIL}


@pytest.mark.parametrize("channel", [Channel.TEXT, Channel.EMAIL])
def test_a_written_answer_blocks_only_its_own_way(channel: Channel, invited: Invited) -> None:
    invited.invite(Channel.EMAIL)
    invited.later(4)
    invited.invite(Channel.TEXT)
    sender = "+447700900123" if channel is Channel.TEXT else "maud@example.org"
    with invited.services.open_reading() as work:
        by_it = [m.id for m in work.messages.of_person("maud") if m.channel is channel and m.handed is not None]
    at = invited.clock.at
    words = Inbound(channel=channel, id="in-1", sender=sender, text="wrong number", at=at, in_reply_to=by_it[0])
    assert take_inbound(invited.services, words) is Meaning.WRONG
    assert invited.contact.bad == {channel}
