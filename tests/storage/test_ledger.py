"""The attention list, duties, facts and taken callbacks."""

from __future__ import annotations

from datetime import timedelta

import pytest
from builders import StoppedClock, a_person, a_service
from inbound.sent import World
from sqlalchemy.exc import IntegrityError

from service.domain.contact import Channel
from service.domain.message import Inbound
from service.storage.tables import CallbackRow


def test_an_entry_that_was_done_is_opened_again_when_the_same_thing_needs_a_person_again(database_url: str) -> None:
    world = World(Channel.TEXT, database_url)

    def ask(detail: str, message_id: str | None) -> None:
        with world.services.open_work() as work:
            work.ledger.ask(world.person, "uncertain", world.clock.now(), message_id=message_id, detail=detail)
            work.commit()

    for message_id in (world.message_id, None):
        ask("first", message_id)
        ask("while it is open", message_id)
        with world.services.open_work() as work:
            (entry,) = work.ledger.attention()
            assert entry.detail == "first"
            work.ledger.attention_done(entry.id, "desk", world.clock.now())
            work.commit()
        world.clock.forward(hours=1)
        ask("again", message_id)
        with world.services.open_work() as work:
            (entry,) = work.ledger.attention()
            assert (entry.detail, entry.at, entry.message_id) == ("again", world.clock.now(), message_id)
            work.ledger.attention_done(entry.id, "desk", world.clock.now())
            work.commit()


def test_an_entry_about_nobody_is_an_error_and_not_silence(database_url: str) -> None:
    services, _ = a_service(database_url)
    with services.open_work() as work, pytest.raises(IntegrityError):
        work.ledger.ask("nobody", "uncertain", services.clock.now())


def test_warnings_are_listed_apart_however_many_older_entries_there_are() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    for number in range(5):
        a_person(services, f"p{number}")
    with services.open_work() as work:
        for number in range(5):
            clock.forward(minutes=1)
            work.ledger.ask(f"p{number}", "reply-warning" if number == 4 else "uncertain", clock.now())
        work.commit()
        assert [entry.person_id for entry in work.ledger.attention(2, only="reply-warning")] == ["p4"]
        assert [entry.person_id for entry in work.ledger.attention(2, but="reply-warning")] == ["p0", "p1"]


def test_words_of_a_stranger_count_among_what_needs_a_person() -> None:
    services, _ = a_service()
    words = Inbound(channel=Channel.TEXT, id="1", sender="+447700900999", text="Hello", at=services.clock.now())
    with services.open_work() as work:
        work.inbound.add(words, "", "reply")
        work.commit()
        assert work.inbound.open_count() == 1
        work.inbound.handle(Channel.TEXT, "1", "desk", services.clock.now())
        work.commit()
        assert work.inbound.open_count() == 0


def test_a_duty_that_is_given_up_can_be_taken_at_once_but_only_its_holder_can_give_it_up(database_url: str) -> None:
    services, _ = a_service(database_url)
    now, length = services.clock.now(), timedelta(minutes=10)
    with services.open_work() as work:
        assert work.ledger.take_lease("tick", "one", now, length)
        work.ledger.give_up_lease("tick", "two")
        assert not work.ledger.take_lease("tick", "two", now, length)
        work.ledger.give_up_lease("tick", "one")
        work.commit()
    with services.open_work() as work:
        assert work.ledger.take_lease("tick", "two", now, length)
        work.commit()


def test_a_taken_callback_is_known_for_a_day_and_then_forgotten(database_url: str) -> None:
    clock = StoppedClock()
    services, _ = a_service(database_url, clock=clock)

    def note(mark: str) -> None:
        with services.open_work() as work:
            work.ledger.note_callback(mark, clock.now(), timedelta(days=1))
            work.commit()

    for _ in range(2):
        note("first")
    clock.forward(hours=23)
    note("second")
    with services.open_reading() as work:
        assert work.ledger.callback_known("first") and work.ledger.callback_known("second")
    clock.forward(hours=2)
    note("third")
    with services.open_reading() as work:
        assert not work.ledger.callback_known("first")
        assert work._session.query(CallbackRow).count() == 2
