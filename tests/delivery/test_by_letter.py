"""A message that falls back to a letter has a letter's time: days, where a text has hours."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta

from builders import StoppedClock, a_person, a_service, a_visit, the_pack

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Envelope, MessageKind, Outcome, Result, State
from service.domain.sending import Reason
from service.planning.aftercare import give
from service.services import Services
from service.storage.records import StoredMessage


@dataclass
class Desk:
    """Texts are refused, or come to nothing for now; letters are taken."""

    texts: Result
    connections: int = 1
    sent: list[Envelope] = field(default_factory=list)

    def send(self, envelope: Envelope) -> Outcome:
        self.sent.append(envelope)
        taken = envelope.message.channel is Channel.LETTER
        return Outcome(result=Result.ACCEPTED if taken else self.texts, detail="so it is")

    def close(self) -> None:
        pass


def a_plan_given(desk: Desk, *channels: Channel) -> tuple[Services, StoppedClock, StoredMessage]:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    services.transports = dict.fromkeys(Channel, desk)
    person = a_person(services, channels=channels)
    give(services, person, a_visit(), by="nurse")
    return services, clock, given(services)


def given(services: Services) -> StoredMessage:
    with services.open_reading() as work:
        (found,) = [each for each in work.messages.of_person("maud") if each.planned.kind is MessageKind.PLAN_GIVEN]
    return found


def by_letter(message: StoredMessage) -> timedelta:
    return timedelta(minutes=the_pack().timing.useful_minutes_by_letter[message.planned.kind.value])


def test_a_refused_text_goes_by_letter_with_a_letters_time_and_the_record_says_so() -> None:
    desk = Desk(Result.REFUSED)
    services, _, before = a_plan_given(desk, Channel.TEXT, Channel.LETTER)
    send_due(services, "worker")
    send_due(services, "worker")
    text, letter = desk.sent
    assert (text.message.channel, letter.message.channel) == (Channel.TEXT, Channel.LETTER)
    assert text.last_useful == before.planned.last_useful
    assert letter.last_useful == before.planned.due + by_letter(before) > before.planned.last_useful
    after = given(services)
    assert (after.state, after.planned.last_useful) == (State.SENT, letter.last_useful), "who prints it sees its time"


def test_what_waited_as_a_text_and_can_only_be_a_letter_now_still_goes_while_a_letter_helps() -> None:
    desk = Desk(Result.REFUSED)
    services, clock, before = a_plan_given(desk, Channel.TEXT, Channel.LETTER)
    send_due(services, "worker")  # refused; the letter is next
    clock.at = before.planned.last_useful + timedelta(minutes=5)
    send_due(services, "worker")
    assert [each.message.channel for each in desk.sent] == [Channel.TEXT, Channel.LETTER]
    assert given(services).state is State.SENT


def test_a_text_gets_no_letters_time_while_it_is_a_text() -> None:
    desk = Desk(Result.RETRY)
    services, clock, before = a_plan_given(desk, Channel.TEXT, Channel.LETTER)
    send_due(services, "worker")
    clock.at = before.planned.last_useful + timedelta(minutes=5)
    send_due(services, "worker")
    assert [each.message.channel for each in desk.sent] == [Channel.TEXT]
    after = given(services)
    assert (after.state, after.reason) == (State.FAILED, Reason.GAVE_UP), "a person is asked"


def test_who_gets_letters_anyway_has_the_time_that_was_planned() -> None:
    desk = Desk(Result.ACCEPTED)
    services, _, before = a_plan_given(desk, Channel.LETTER, Channel.TEXT)
    send_due(services, "worker")
    assert [each.last_useful for each in desk.sent] == [before.planned.last_useful]
