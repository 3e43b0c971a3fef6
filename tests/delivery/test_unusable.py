"""A far side that says at the hand-over itself that a number or address is unusable."""

from __future__ import annotations

from dataclasses import replace

from builders import RecordingTransport, StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Envelope, Outcome, Result
from service.domain.sending import Reason
from service.planning.aftercare import give
from service.planning.people import correct_person
from service.services import Services

GONE = Outcome(result=Result.REFUSED, detail="550 5.1.1 no such mailbox", contact_bad=True)


def no_mailbox(envelope: Envelope) -> Outcome:
    """Mail cannot arrive, and is known not to; the rest does."""
    return GONE if envelope.message.channel is Channel.EMAIL else Outcome(result=Result.ACCEPTED, detail="taken")


def a_world(**contact: object) -> tuple[Services, StoppedClock, RecordingTransport, str]:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    recorder = RecordingTransport(no_mailbox)
    services.transports = dict.fromkeys(Channel, recorder)
    person = a_person(services, **contact)
    give(services, person, a_visit(an_ear("wax-left")), by="nurse")
    return services, clock, recorder, person


def bad(services: Services, person: str) -> frozenset[Channel]:
    with services.open_reading() as work:
        return work.people.get(person).contact.bad


def to_do(services: Services, person: str) -> list[str]:
    with services.open_reading() as work:
        return [each.reason for each in work.ledger.attention() if each.person_id == person]


def days(services: Services, clock: StoppedClock, count: int) -> None:
    for _ in range(count * 8):
        send_due(services, "worker")
        clock.forward(hours=3)


def test_it_is_tried_once_marked_and_everything_after_it_goes_another_way() -> None:
    services, clock, recorder, person = a_world(channels=(Channel.EMAIL, Channel.TEXT))
    days(services, clock, 3)
    channels = [each.message.channel for each in recorder.sent]
    assert channels[:2] == [Channel.EMAIL, Channel.TEXT]
    assert len(channels) > 3
    assert set(channels[1:]) == {Channel.TEXT}
    assert bad(services, person) == {Channel.EMAIL}
    assert to_do(services, person) == [Reason.CONTACT_INVALID]


def test_without_another_way_a_person_is_asked_about_it_once_and_nothing_more_goes_there() -> None:
    services, clock, recorder, person = a_world(channels=(Channel.EMAIL,))
    days(services, clock, 3)
    assert len(recorder.sent) == 1
    assert to_do(services, person).count(Reason.CONTACT_INVALID) == 1


def test_everybody_at_that_address_is_marked_and_nobody_else() -> None:
    services, clock, _, person = a_world(channels=(Channel.EMAIL,))
    same = a_person(services, "same", channels=(Channel.EMAIL, Channel.TEXT))
    other = a_person(services, "other", channels=(Channel.EMAIL,), email="other@example.org")
    days(services, clock, 1)
    assert (bad(services, person), bad(services, same), bad(services, other)) == (
        {Channel.EMAIL},
        {Channel.EMAIL},
        set(),
    )
    assert to_do(services, same) == [Reason.CONTACT_INVALID]


def test_an_address_that_was_corrected_while_the_answer_was_on_its_way_stays_good() -> None:
    services, _, _, person = a_world(channels=(Channel.EMAIL,))

    def corrected(envelope: Envelope) -> Outcome:
        with services.open_reading() as work:
            known = work.people.get(person)
        contact = replace(known.contact, email="right@example.org")
        correct_person(services, person, known.name, known.born, contact, "desk")
        return GONE

    services.transports = dict.fromkeys(Channel, RecordingTransport(corrected))
    send_due(services, "worker")
    assert bad(services, person) == frozenset()


def test_a_refusal_of_one_message_marks_nothing() -> None:
    services, _, _, person = a_world(channels=(Channel.EMAIL, Channel.TEXT))
    services.transports = dict.fromkeys(
        Channel, RecordingTransport(lambda _: Outcome(result=Result.REFUSED, detail="554 5.7.1 not wanted"))
    )
    send_due(services, "worker")
    assert bad(services, person) == frozenset()
