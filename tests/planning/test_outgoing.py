"""What a person does about what goes out: channels switched, a pause ended, an uncertain message settled."""

from __future__ import annotations

import threading
from collections import Counter
from datetime import timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Outcome, Result, State
from service.domain.sending import Reason
from service.errors import NotAllowedError, NotFoundError
from service.planning.aftercare import give
from service.planning.outgoing import Finding, Outbox, Way, look, settle, switch_channel, try_now
from service.planning.preferences import stop
from service.services import Services
from service.storage.records import StoredMessage
from service.transports.port import RecordingTransport

LEAD = "Wren Halloway (wren)"
FITTED = dict.fromkeys(Channel, "folder")


def answering(services: Services, result: Result, detail: str = "said the far side") -> RecordingTransport:
    recorder = RecordingTransport(lambda _: Outcome(result=result, detail=detail))
    services.transports = dict.fromkeys(Channel, recorder)
    return recorder


def outbox(services: Services) -> Outbox:
    with services.open_reading() as work:
        return look(services, work, FITTED)


def way(services: Services, channel: Channel = Channel.TEXT) -> Way:
    return next(each.way for each in outbox(services).transports if each.channel is channel)


def one_uncertain(url: str = "sqlite://") -> tuple[Services, StoppedClock, StoredMessage]:
    """The plan of one person, handed over twice with an unknown outcome: a person's to settle."""
    clock = StoppedClock()
    services, _ = a_service(url, clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    answering(services, Result.UNKNOWN, "the line broke")
    send_due(services, "worker")
    clock.forward(hours=1, minutes=5)
    send_due(services, "worker")
    with services.open_reading() as work:
        (message,) = work.views.uncertain(10)
        assert [entry.message_id for entry in work.ledger.attention()] == [message.id]
    return services, clock, message


def stands(services: Services, message: StoredMessage) -> StoredMessage:
    with services.open_reading() as work:
        return work.messages.get(message.id)


def test_the_outbox_knows_how_long_the_oldest_due_message_has_waited() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    assert not outbox(services).overdue
    give(services, a_person(services), a_visit(), by="nurse")
    assert not outbox(services).overdue, "it fell due at this moment"
    clock.forward(minutes=12)
    assert outbox(services).age == timedelta(minutes=12)
    assert outbox(services).overdue
    send_due(services, "worker")
    assert outbox(services).age == timedelta(0)


def test_after_an_outage_nothing_stale_goes_out_and_what_was_dropped_is_counted() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    give(services, a_person(services), a_visit(), by="nurse")
    clock.forward(days=40)
    before = outbox(services)
    send_due(services, "worker")
    dropped = {each.reason: each.short for each in outbox(services).of_state(State.DROPPED)}
    assert dropped == {Reason.TOO_LATE: before.due.count - len(recorder.sent)}
    now = clock.now()
    with services.open_reading() as work:
        sent = [m for m in work.messages.of_person("maud") if m.state is State.SENT]
    assert all(m.planned.last_useful >= now for m in sent)


def test_a_channel_that_is_switched_off_holds_and_switched_on_sends_at_once() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    give(services, a_person(services, channels=(Channel.TEXT,)), a_visit(an_ear("normal")), by="nurse")
    switch_channel(services, Channel.TEXT, LEAD, off=True)
    send_due(services, "worker")
    found = outbox(services)
    assert (way(services), [(each.reason, each.count) for each in found.held]) == (Way.OFF, [(Reason.CHANNEL_OFF, 1)])
    assert recorder.sent == []
    clock.forward(minutes=1)
    switch_channel(services, Channel.TEXT, LEAD, off=False)
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    with services.open_reading() as work:
        assert [line.action for line in work.ledger.history("channel:text")] == ["channel-on", "channel-off"]


def test_two_people_who_switch_one_channel_off_learn_of_each_other() -> None:
    services, _ = a_service()
    switch_channel(services, Channel.TEXT, LEAD, off=True)
    with pytest.raises(NotAllowedError, match="switched off already"):
        switch_channel(services, Channel.TEXT, "Other Lead (other)", off=True)
    switch_channel(services, Channel.TEXT, LEAD, off=False)
    with pytest.raises(NotAllowedError, match="switched on already"):
        switch_channel(services, Channel.TEXT, LEAD, off=False)


def test_a_transport_that_fails_in_a_row_is_paused_and_tried_again_on_demand() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    assert way(services) is Way.WELL
    for number in range(8):
        person = a_person(services, f"p{number}", channels=(Channel.TEXT,))
        give(services, person, a_visit(an_ear("normal")), by="nurse")
    answering(services, Result.RETRY, "no connection")
    send_due(services, "worker")
    (paused,) = [each for each in outbox(services).transports if each.channel is Channel.TEXT]
    assert (paused.way, paused.detail, paused.use) == (Way.PAUSED, "no connection", "folder")
    assert paused.until is not None and paused.until > clock.now()
    held = Counter({each.reason: each.count for each in outbox(services).held})
    assert held[Reason.TRANSPORT_PAUSED] >= 1
    recorder = answering(services, Result.ACCEPTED)
    send_due(services, "worker")
    assert recorder.sent == [], "the pause still lasts"
    try_now(services, Channel.TEXT, LEAD)
    assert way(services) is Way.TRIED
    send_due(services, "worker")
    assert recorder.sent
    assert way(services) is Way.WELL
    with services.open_reading() as work:
        (line,) = work.ledger.history("channel:text")
    assert (line.actor, line.action) == (LEAD, "channel-tried")
    with pytest.raises(NotAllowedError, match="not paused now"):
        try_now(services, Channel.TEXT, LEAD)


def test_a_channel_without_a_transport_is_named_as_such() -> None:
    services, _ = a_service()
    with services.open_reading() as work:
        found = look(services, work, {Channel.EMAIL: "smtp"})
    assert {each.channel: each.way for each in found.transports} == {
        Channel.TEXT: Way.MISSING,
        Channel.EMAIL: Way.WELL,
        Channel.LETTER: Way.MISSING,
    }


def test_one_that_arrived_is_recorded_as_sent_and_never_as_delivered(database_url: str) -> None:
    services, clock, message = one_uncertain(database_url)
    settle(services, message.id, Finding.ARRIVED, "Dina Marsh (dina)")
    after = stands(services, message)
    assert (after.state, after.detail, after.repeat_at) == (State.SENT, "a person found that it arrived", None)
    recorder = answering(services, Result.ACCEPTED)
    clock.forward(hours=2)
    send_due(services, "worker")
    assert message.far_key not in {envelope.key for envelope in recorder.sent}
    with services.open_reading() as work:
        assert work.ledger.attention() == []
        assert ("Dina Marsh (dina)", "message-arrived") in {
            (line.actor, line.action) for line in work.ledger.history(message.id)
        }


def test_one_that_did_not_arrive_goes_again_under_the_same_key_with_the_same_words(database_url: str) -> None:
    services, _, message = one_uncertain(database_url)
    settle(services, message.id, Finding.SEND_AGAIN, "Dina Marsh (dina)")
    recorder = answering(services, Result.ACCEPTED)
    send_due(services, "worker")
    (again,) = [envelope for envelope in recorder.sent if envelope.key == message.far_key]
    after = stands(services, message)
    assert (after.state, after.text) == (State.SENT, message.text)
    assert again.message.to == message.to
    with services.open_reading() as work:
        assert {each.key for each in work.views.attempts_of(message.id)} == {message.far_key}
        assert len(work.views.attempts_of(message.id)) == 3


def test_one_that_is_too_late_is_not_sent_again() -> None:
    services, clock, message = one_uncertain()
    clock.at = message.planned.last_useful + timedelta(seconds=1)
    with pytest.raises(NotAllowedError, match="too late to be useful now"):
        settle(services, message.id, Finding.SEND_AGAIN, "dina")
    assert stands(services, message) == message
    settle(services, message.id, Finding.ARRIVED, "dina")
    assert stands(services, message).state is State.SENT


def test_a_person_who_stopped_meanwhile_gets_nothing_again() -> None:
    services, _, message = one_uncertain()
    stop(services, "maud")
    settle(services, message.id, Finding.SEND_AGAIN, "dina")
    recorder = answering(services, Result.ACCEPTED)
    send_due(services, "worker")
    assert recorder.sent == []
    assert (stands(services, message).state, stands(services, message).reason) == (State.DROPPED, Reason.STOPPED)


def test_one_that_is_left_stays_uncertain_and_leaves_the_attention_list() -> None:
    services, _, message = one_uncertain()
    settle(services, message.id, Finding.LEAVE, "dina")
    assert stands(services, message).state is State.UNCERTAIN
    with services.open_reading() as work:
        assert work.ledger.attention() == []
    with pytest.raises(NotAllowedError, match="not on the attention list any more"):
        settle(services, message.id, Finding.LEAVE, "cleo")


@pytest.mark.parametrize("second", list(Finding))
@pytest.mark.parametrize("first", [Finding.ARRIVED, Finding.SEND_AGAIN])
def test_of_two_people_the_second_is_told_that_it_is_settled(first: Finding, second: Finding) -> None:
    services, _, message = one_uncertain()
    settle(services, message.id, first, "dina")
    before = stands(services, message)
    with pytest.raises(NotAllowedError, match="not uncertain now"):
        settle(services, message.id, second, "cleo")
    assert stands(services, message) == before


def test_of_two_people_at_the_same_moment_one_settles_it(database_url: str) -> None:
    services, _, message = one_uncertain(database_url)
    start, refused = threading.Barrier(2), list[str]()

    def press(finding: Finding, by: str) -> None:
        start.wait()
        try:
            settle(services, message.id, finding, by)
        except NotAllowedError as error:
            refused.append(str(error))

    people = [
        threading.Thread(target=press, args=pair) for pair in ((Finding.ARRIVED, "dina"), (Finding.SEND_AGAIN, "cleo"))
    ]
    for each in people:
        each.start()
    for each in people:
        each.join()
    assert len(refused) == 1
    assert "somebody else" in refused[0]
    with services.open_reading() as work:
        lines = {line.action for line in work.ledger.history(message.id)}
    expected = {State.SENT: "message-arrived", State.PENDING: "message-sent-again"}[stands(services, message).state]
    assert lines & {"message-arrived", "message-sent-again"} == {expected}


@pytest.mark.parametrize("finding", list(Finding))
def test_nothing_is_settled_while_a_worker_hands_it_over(finding: Finding) -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    answering(services, Result.UNKNOWN, "the line broke")
    send_due(services, "worker")
    with services.open_reading() as work:
        (message,) = work.views.uncertain(10)
    refused: list[str] = []

    def meanwhile(_: object) -> Outcome:
        try:
            settle(services, message.id, finding, "dina")
        except NotAllowedError as error:
            refused.append(str(error))
        return Outcome(result=Result.ACCEPTED, detail="taken")

    services.transports = dict.fromkeys(Channel, RecordingTransport(meanwhile))
    clock.forward(hours=1, minutes=5)
    send_due(services, "worker")  # its repeat
    assert refused == ["this message is being handed over at this moment; wait a minute and look again"]
    assert stands(services, message).state is State.SENT


def test_messages_of_one_text_are_settled_together(database_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(database_url, clock=clock)
    for name in ("ada", "ben"):
        person = a_person(services, name, join_with_others=True, channels=(Channel.TEXT,))
        give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    answering(services, Result.UNKNOWN, "the line broke")
    while True:
        clock.forward(minutes=30)
        send_due(services, "worker")
        with services.open_reading() as work:
            found = work.views.uncertain(10)
        if found:
            break
    assert len(found) == 2, "two doses in one text"
    carried = next(each for each in found if each.carrier is not None)
    settle(services, carried.id, Finding.ARRIVED, "dina")
    assert {stands(services, each).state for each in found} == {State.SENT}
    with services.open_reading() as work:
        assert work.ledger.attention() == []


def test_a_message_that_does_not_exist_is_not_settled() -> None:
    services, _ = a_service()
    with pytest.raises(NotFoundError):
        settle(services, "0" * 32, Finding.ARRIVED, "dina")
