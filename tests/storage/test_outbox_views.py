"""Are the outbox's counts right on both databases, and does no look at it read the whole table of messages?"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta

from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from sqlalchemy import Engine, event, text

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import MessageKind, Outcome, Result, State
from service.domain.sending import Reason
from service.planning.aftercare import give
from service.services import Services
from service.storage.unit_of_work import UnitOfWork
from service.transports.port import RecordingTransport

DAY, WEEK = timedelta(days=1), timedelta(days=7)


def given(url: str = "sqlite://", people: int = 3) -> tuple[Services, StoppedClock]:
    clock = StoppedClock()
    services, _ = a_service(url, clock=clock)
    for number in range(people):
        give(services, a_person(services, f"person{number}"), a_visit(), by="nurse")
    return services, clock


def answer(services: Services, result: Result, detail: str = "said the far side") -> None:
    outcome = Outcome(result=result, detail=detail)
    services.transports = dict.fromkeys(Channel, RecordingTransport(lambda _: outcome))


def test_what_is_due_is_counted_with_its_oldest_moment(database_url: str) -> None:
    services, clock = given(database_url)
    begun = clock.now()
    clock.forward(minutes=12)
    with services.open_reading() as work:
        due = work.views.due(clock.now())
    assert (due.count, due.oldest) == (3, begun)
    send_due(services, "worker")
    with services.open_reading() as work:
        assert (work.views.due(clock.now()).count, work.views.due(clock.now()).oldest) == (0, None)


def test_what_a_worker_that_is_gone_took_is_due_once_its_lease_has_run_out(database_url: str) -> None:
    """Else nothing would look late when every worker was killed with all that was due in its hands."""
    services, clock = given(database_url)
    begun = clock.now()
    with services.open_work() as work:
        work.queue.claim("killed:1", clock.now(), timedelta(minutes=2), 2)
        work.commit()
    with services.open_reading() as work:
        assert work.views.due(clock.now()).count == 1
    clock.forward(minutes=12)
    with services.open_reading() as work:
        due = work.views.due(clock.now())
        assert (due.count, due.oldest) == (3, begun)
        assert work.views.in_hand_count(clock.now()) == {}


def test_what_is_held_is_counted_by_reason_with_the_next_look(database_url: str) -> None:
    services, clock = given(database_url)
    with services.open_work() as work:
        for channel in Channel:
            work.transports.switch(channel, "Wren Halloway (wren)", clock.now(), off=True)
        work.commit()
    send_due(services, "worker")
    with services.open_reading() as work:
        (held,) = work.views.held(clock.now(), clock.now() + WEEK)
        assert work.views.held(clock.now(), clock.now() + timedelta(minutes=1)) == []
    assert (held.reason, held.count) == (Reason.CHANNEL_OFF, 3)
    assert held.next_look == clock.now() + timedelta(minutes=15)


def test_what_was_dropped_is_counted_by_reason_for_a_day_and_a_week(database_url: str) -> None:
    services, clock = given(database_url)
    clock.forward(days=60)
    send_due(services, "worker")
    dropped = counted(services, clock.now())
    assert set(dropped) == {(State.DROPPED, Reason.TOO_LATE)}
    short, long = dropped[State.DROPPED, Reason.TOO_LATE]
    assert short == long >= 3
    clock.forward(days=2)
    assert counted(services, clock.now()) == {(State.DROPPED, Reason.TOO_LATE): (0, long)}
    clock.forward(days=6)
    assert counted(services, clock.now()) == {}


def counted(services: Services, now: datetime) -> dict[tuple[State, str | None], tuple[int, int]]:
    with services.open_reading() as work:
        return {(each.state, each.reason): (each.short, each.long) for each in work.views.ended(now - DAY, now - WEEK)}


def test_every_uncertain_message_is_listed_whether_a_person_or_the_clock_settles_it(database_url: str) -> None:
    services, clock = given(database_url, people=2)  # twice two unknown outcomes do not pause the transport
    answer(services, Result.UNKNOWN, "the line broke")
    send_due(services, "worker")  # the plans: repeated by themselves
    with services.open_reading() as work:
        listed = work.views.uncertain(50)
        assert work.views.uncertain_count() == len(listed) == 2
        assert all(each.repeat_at is not None for each in listed)
        assert len(work.views.uncertain(1)) == 1
    clock.forward(hours=1, minutes=1)
    send_due(services, "worker")  # the one repeat comes to nothing either: now they are a person's
    with services.open_reading() as work:
        listed = work.views.uncertain(50)
        assert work.views.uncertain_count() == len(listed) == 2
        assert all(each.repeat_at is None and each.planned.kind is MessageKind.PLAN_GIVEN for each in listed)
        entry = work.ledger.attention()[0]
    with services.open_work() as work:
        work.ledger.attention_done(entry.id, "dina", clock.now())
        work.commit()
    with services.open_reading() as work:
        assert work.views.uncertain_count() == 1, "what was left as it is does not stay on the list"


def test_what_a_worker_has_is_listed_with_its_lease(database_url: str) -> None:
    services, clock = given(database_url)
    with services.open_work() as work:
        work.queue.claim("host:1", clock.now(), timedelta(minutes=2), 2)
        work.commit()
    with services.open_reading() as work:
        assert work.views.in_hand_count(clock.now()) == {State.CLAIMED: 2}
        found = work.views.in_hand(10)
    assert [(each.owner, each.until) for each in found] == [("host:1", clock.now() + timedelta(minutes=2))] * 2


def test_the_attempts_of_a_message_keep_their_order_their_key_and_what_was_answered(database_url: str) -> None:
    services, clock = given(database_url, people=1)
    answer(services, Result.RETRY, "busy")
    send_due(services, "worker")
    answer(services, Result.ACCEPTED)
    clock.forward(minutes=10)
    send_due(services, "worker")
    with services.open_reading() as work:
        (message,) = [m for m in work.messages.of_person("person0") if m.state is State.SENT]
        first, second = work.views.attempts_of(message.id)
    assert (first.number, first.result, first.detail) == (1, State.PENDING, "busy")
    assert (second.number, second.result, second.key) == (2, State.SENT, first.key)
    assert second.body_hash == first.body_hash


@contextmanager
def plans_of(engine: Engine) -> Iterator[dict[str, str]]:
    """How SQLite carries out each statement over messages that is run meanwhile."""
    found: dict[str, str] = {}

    def note(connection: object, cursor: object, statement: str, parameters: object, *_: object) -> None:
        if re.search(r"\bmessages\b", statement) and not statement.startswith("EXPLAIN"):
            raw = connection.connection.driver_connection  # type: ignore[attr-defined]
            steps = raw.execute(f"EXPLAIN QUERY PLAN {statement}", parameters).fetchall()
            found[statement] = "\n".join(step[-1] for step in steps)

    event.listen(engine, "before_cursor_execute", note)
    try:
        yield found
    finally:
        event.remove(engine, "before_cursor_execute", note)


def test_no_look_at_the_outbox_reads_the_whole_table_of_messages() -> None:
    services, clock = given(people=1)
    with services.open_work() as work:
        engine = work._session.get_bind()
        engine = getattr(engine, "engine", engine)
    now = clock.now()
    with plans_of(engine) as plans, services.open_reading() as work:
        looks = every_look(work, now)
    assert len(plans) >= looks
    for statement, steps in plans.items():
        for step in steps.splitlines():
            if re.match(r"(SCAN|SEARCH) messages", step):
                assert re.search(r"USING (COVERING )?INDEX", step), f"{statement}\n{steps}"
            if step.startswith("SCAN messages"):  # from end to end: a partial index only
                assert re.search(r"ix_messages_(waiting|leased|repeat)\b", step), f"{statement}\n{steps}"


def every_look(work: UnitOfWork, now: datetime) -> int:
    """Look at everything that the page shows; returns the number of statements at least."""
    work.views.due(now)
    work.views.held(now, now + WEEK)
    work.views.again(now, now + WEEK)
    work.views.waits(now + DAY, 100)
    work.views.asked({"m1", "m2"})
    work.views.ended(now - DAY, now - WEEK)
    work.views.uncertain_count()
    work.views.uncertain(50)
    work.views.in_hand_count(now)
    work.views.in_hand(20)
    work.views.next_due(20)
    work.views.newest(20)
    return 11


def test_a_test_of_the_looks_would_find_one_that_reads_everything() -> None:
    services, _ = given(people=1)
    with services.open_work() as work:
        engine = work._session.get_bind()
        engine = getattr(engine, "engine", engine)
    with plans_of(engine) as plans, services.open_reading() as work:
        work._session.execute(text("SELECT count(*) FROM messages WHERE text = 'x'"))
    assert list(plans.values()) == ["SCAN messages"]


def test_looking_at_what_is_held_at_once_leaves_the_rest_as_it_is(database_url: str) -> None:
    services, clock = given(database_url)
    with services.open_work() as work:
        work.transports.switch(Channel.TEXT, "wren", clock.now(), off=True)
        work.transports.switch(Channel.EMAIL, "wren", clock.now(), off=True)
        work.transports.switch(Channel.LETTER, "wren", clock.now(), off=True)
        work.commit()
    send_due(services, "worker")
    give(services, a_person(services, "later"), a_visit(an_ear("normal")), by="nurse")
    with services.open_work() as work:
        before = {m.id: m.look_at for m in work.views.next_due(500)}
        until = clock.now() + timedelta(minutes=20)
        assert work.by_hand.look_now(Reason.PAUSED, clock.now(), until) == 0
        assert work.by_hand.look_now(Reason.CHANNEL_OFF, clock.now(), until) == 3
        work.commit()
    with services.open_reading() as work:
        after = {m.id: m.look_at for m in work.views.next_due(500)}
    moved = {each for each in before if before[each] != after[each]}
    assert len(moved) == 3
    assert {after[each] for each in moved} == {clock.now()}
