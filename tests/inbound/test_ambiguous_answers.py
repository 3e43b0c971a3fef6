"""A word that means something else in the person's own language than where it is listed is no answer of theirs."""

from __future__ import annotations

from datetime import UTC, datetime, time

import pytest
from inbound.sent import World

from service.domain.contact import Channel
from service.domain.message import Inbound, MessageKind
from service.domain.recall import Answer, Recall
from service.inbound.replies import Meaning, take_inbound

SENDERS = {Channel.TEXT: "+447700900123", Channel.EMAIL: "maud@example.org"}


class Invited(World):
    """A patient who was invited by this channel and speaks this language."""

    def __init__(self, channel: Channel, language: str) -> None:
        super().__init__(channel, language=language)
        self.channel = channel
        self.clock.at = datetime.combine(self.recall.invite_on, time(12), UTC)
        self.send()

    @property
    def recall(self) -> Recall:
        with self.services.open_reading() as work:
            found = work.recalls.newest_of(self.person)
        assert found is not None
        return found

    def writes(self, text: str) -> Meaning:
        invitation = next(m for m in self.messages() if m.planned.kind is MessageKind.RETURN_DUE and m.handed)
        answer = Inbound(
            channel=self.channel,
            id=f"in-{text}",
            sender=SENDERS[self.channel],
            text=text,
            at=self.clock.at,
            in_reply_to=invitation.id,
        )
        return take_inbound(self.services, answer)

    def details(self) -> dict[str, str]:
        with self.services.open_reading() as work:
            return {each.reason: each.detail for each in work.ledger.attention()}


@pytest.mark.parametrize(
    ("channel", "text"), [(Channel.TEXT, "No"), (Channel.TEXT, " no! "), (Channel.EMAIL, "No,\npozdrawiam, Maud")]
)
def test_no_from_a_polish_reader_is_read_by_a_person(channel: Channel, text: str) -> None:
    world = Invited(channel, "pl")
    assert world.writes(text) is Meaning.WORDS
    assert (world.recall.answer, world.recall.open) == (None, True)
    note = world.details()["reply"]
    assert note == f"(not taken as an answer: in their language this word can mean something else)\n{text}"
    assert not [m for m in world.messages() if m.planned.kind is MessageKind.REPLY]


@pytest.mark.parametrize("text", ["nie", "No thanks", "no gracias"])
def test_a_polish_reader_can_still_refuse_in_any_language(text: str) -> None:
    world = Invited(Channel.TEXT, "pl")
    assert world.writes(text) is Meaning.NO
    assert world.recall.answer is Answer.NO


@pytest.mark.parametrize("language", ["en", "es", "uk", "ro"])
def test_no_from_anybody_else_is_a_refusal(language: str) -> None:
    world = Invited(Channel.TEXT, language)
    assert world.writes("No") is Meaning.NO
    assert world.recall.answer is Answer.NO
    assert [m for m in world.messages() if m.planned.kind is MessageKind.REPLY]


def test_without_an_invitation_it_is_an_ordinary_reply() -> None:
    world = World(Channel.TEXT, language="pl")
    answer = Inbound(channel=Channel.TEXT, id="in-1", sender=SENDERS[Channel.TEXT], text="No", at=world.clock.at)
    assert take_inbound(world.services, answer) is Meaning.WORDS
    with world.services.open_reading() as work:
        assert [each.detail for each in work.ledger.attention() if each.reason == "reply"] == ["No"]
