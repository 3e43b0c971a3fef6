"""Sending exactly what is due, over a real database and, where it matters, with real processes."""

from __future__ import annotations

import subprocess
import sys
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from builders import StoppedClock, a_clinic, a_clinic_at_all_hours, a_person, a_service, a_visit, an_ear, ended
from sqlalchemy import text

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Envelope, MessageKind, Outcome, Result, State
from service.domain.plan import Status
from service.domain.sending import Reason
from service.errors import TragusError
from service.links import STAND_IN
from service.planning.aftercare import give, set_status
from service.planning.preferences import change_rhythm, pause, start_again, stop
from service.services import Services
from service.storage.queue import Held
from service.storage.records import Ending
from service.storage.unit_of_work import open_engine
from service.transports.port import RecordingTransport

PEER = Path(__file__).with_name("peer.py")


def states(services: Services) -> Counter[str]:
    with services.open_reading() as work:
        counts: Counter[str] = Counter()
        for (state, _), count in work.messages.counts().items():
            counts[state] += count
        return counts


def reasons(services: Services) -> set[str | None]:
    with services.open_reading() as work:
        return {reason for (_, reason) in work.messages.counts()}


def many_people(url: str, count: int) -> Services:
    """People who were each given a plan just now, on the machine's clock (other processes share it)."""

    class Now:
        def now(self) -> datetime:
            return datetime.now(UTC)

    services, _ = a_service(url, clock=Now(), clinic=a_clinic_at_all_hours())  # type: ignore[arg-type]
    for number in range(count):
        person = a_person(services, f"person{number}")
        give(services, person, a_visit(an_ear("normal"), an_ear("normal")), by="nurse")
    return services


def run_peer(
    url: str, journal: Path, owner: str, delay_ms: int = 0, ahead: float = 0, most: int = 0
) -> subprocess.Popen[bytes]:
    """One that stops in its hand-over number `most`, if that is given, and waits there to be killed."""
    arguments = [url, str(journal), owner, str(ahead), str(delay_ms), str(most)]
    return subprocess.Popen([sys.executable, str(PEER), *arguments])


def keys_in(journal: Path) -> list[str]:
    return journal.read_text().split() if journal.exists() else []


def test_two_processes_on_one_database_never_send_one_message_twice(tmp_path: Path) -> None:
    url, journal = f"sqlite:///{tmp_path / 'db.sqlite'}", tmp_path / "journal"
    services = many_people(url, 60)
    peers = [run_peer(url, journal, f"peer{number}", delay_ms=2) for number in range(2)]
    assert [peer.wait(120) for peer in peers] == [0, 0]
    keys = keys_in(journal)
    assert len(keys) == len(set(keys)) == 60
    with services.open_reading() as work:
        assert {m.state for m in work.messages.recent([State.SENT], 500)} == {State.SENT}
        assert sum(1 for _ in work.messages.recent([State.SENT], 500)) == 60


def test_a_killed_worker_loses_nothing_and_repeats_nothing(tmp_path: Path) -> None:
    url, journal = f"sqlite:///{tmp_path / 'db.sqlite'}", tmp_path / "journal"
    services = many_people(url, 60)
    kills = 0
    deadline = time.monotonic() + 120
    while len(keys_in(journal)) < 50 and time.monotonic() < deadline:
        # At most eight hand-overs in one life: seven lives at least, also where this process is seldom on.
        peer = run_peer(url, journal, f"victim{kills}", delay_ms=15, most=8)
        before = len(keys_in(journal))
        while peer.poll() is None and len(keys_in(journal)) < before + 7 and time.monotonic() < deadline:
            time.sleep(0.01)
        if peer.poll() is None:
            peer.kill()
            kills += 1
        peer.wait(30)
        with open_engine(url).begin() as connection:  # the lease runs out at once, so that the test need not wait
            connection.execute(
                text("UPDATE messages SET lease_until = '2000-01-01 00:00:00' WHERE lease_until IS NOT NULL")
            )
    assert kills >= 5
    assert run_peer(url, journal, "last").wait(120) == 0
    keys = keys_in(journal)
    assert len(keys) == len(set(keys)), "no key was handed over twice"
    ended = states(services)
    assert ended[State.UNCERTAIN] <= kills, "at most the one message in flight at each kill"
    with services.open_reading() as work:
        at_once = [
            m
            for n in range(60)
            for m in work.messages.of_person(f"person{n}")
            if m.planned.kind is MessageKind.PLAN_GIVEN
        ]
        assert len(at_once) == 60
        assert all(m.state in (State.SENT, State.UNCERTAIN) for m in at_once), "none is lost"
        uncertain = [m for m in at_once if m.state is State.UNCERTAIN]
        asked = {entry.message_id for entry in work.ledger.attention() if entry.reason == "uncertain"}
        assert all(m.repeat_at is not None or m.id in asked for m in uncertain), "each is repeated or a person's"


def answering(services: Services, answer: Outcome | Exception) -> RecordingTransport:
    def reply(_: Envelope) -> Outcome:
        if isinstance(answer, Exception):
            raise answer
        return answer

    recorder = RecordingTransport(reply)
    services.transports = dict.fromkeys(Channel, recorder)
    return recorder


def test_an_unknown_outcome_of_a_dose_reminder_is_shown_to_a_person_and_not_sent_again() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    give(services, a_person(services), a_visit(), by="nurse")
    send_due(services, "worker")
    recorder = answering(services, Outcome(result=Result.UNKNOWN, detail="the line broke"))
    while not recorder.sent:
        clock.forward(minutes=30)
        send_due(services, "worker")
    clock.forward(minutes=80)
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    with services.open_reading() as work:
        (entry,) = work.ledger.attention()
    assert entry.reason == "uncertain"
    assert entry.detail == "the line broke"


def test_a_retry_carries_the_same_key_and_the_same_words() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    recorder = answering(services, Outcome(result=Result.RETRY, detail="busy", retry_after=120))
    send_due(services, "worker")
    clock.forward(seconds=119)
    send_due(services, "worker")
    assert len(recorder.sent) == 1, "the far side asked for 120 seconds"
    clock.forward(seconds=2)
    send_due(services, "worker")
    first, second = recorder.sent
    assert (first.key, first.message.text) == (second.key, second.message.text)


def test_after_the_last_useful_moment_it_is_dropped_and_counted_never_sent_late() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    give(services, a_person(services), a_visit(), by="nurse")
    clock.forward(days=60)  # an outage of two months
    send_due(services, "worker")
    assert recorder.sent == []
    assert set(states(services)) == {State.DROPPED}
    assert reasons(services) == {Reason.TOO_LATE}


def test_a_refusal_by_the_last_channel_goes_to_a_person() -> None:
    services, _ = a_service()
    give(services, a_person(services, channels=(Channel.TEXT,)), a_visit(), by="nurse")
    answering(services, Outcome(result=Result.REFUSED, detail="no such number"))
    send_due(services, "worker")
    with services.open_reading() as work:
        assert [entry.reason for entry in work.ledger.attention()] == [Reason.REFUSED]


def test_a_transport_that_breaks_its_promise_and_raises_leaves_an_uncertain_message_and_does_not_stop_the_others() -> (
    None
):
    services, _ = a_service()
    for name in ("one", "two"):
        give(services, a_person(services, name), a_visit(an_ear("normal")), by="nurse")
    answering(services, RuntimeError("a fault in a plug-in"))
    send_due(services, "worker")
    assert states(services)[State.UNCERTAIN] == 2
    with services.open_reading() as work:
        assert {entry.reason for entry in work.ledger.attention()} == {Reason.FAULT}


def test_a_record_that_cannot_be_read_is_put_before_a_person_and_does_not_stop_the_others() -> None:
    services, recorder = a_service()
    broken = give(services, a_person(services, "one"), a_visit(an_ear("normal")), by="nurse")
    give(services, a_person(services, "two"), a_visit(an_ear("normal")), by="nurse")
    with services.open_work() as work:
        work._session.execute(text("UPDATE people SET contact = '{}' WHERE id = :id"), {"id": broken.person_id})
        work.commit()
    send_due(services, "worker")
    assert len(recorder.sent) == 1
    assert states(services)[State.FAILED] == 1
    with services.open_reading() as work:
        (entry,) = work.ledger.attention()
    assert (entry.reason, entry.person_id) == (Reason.FAULT, "one")


def test_a_worker_that_lost_its_lease_cannot_overwrite_its_successor() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    give(services, a_person(services), a_visit(), by="nurse")
    with services.open_work() as work:
        (slow,) = work.queue.claim("slow", clock.now(), timedelta(seconds=10), 10)
        work.commit()
    clock.forward(seconds=20)
    recorder = answering(services, Outcome(result=Result.ACCEPTED, detail="ok"))
    send_due(services, "quick")
    assert len(recorder.sent) == 1
    with services.open_work() as work:
        assert ended(work, [Ending(message=slow, state=State.FAILED)], clock.now()) == [Held.LOST]
        work.commit()
        assert work.messages.get(slow.id).state is State.SENT


def run_days(services: Services, clock: StoppedClock, days: int) -> None:
    for _ in range(days * 24):
        clock.forward(hours=1)
        send_due(services, "worker")


def test_after_stop_nothing_more_is_sent() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    stop(services, person)
    stop(services, person)
    run_days(services, clock, 20)
    assert len(recorder.sent) == 1
    assert Reason.STOPPED in reasons(services)


def test_a_stop_between_claim_and_hand_over_still_counts() -> None:
    services, recorder = a_service()
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    original = services.open_work
    calls = 0

    def open_work() -> object:
        nonlocal calls
        calls += 1
        if calls == 2:  # the first opening claims, the second begins the hand-over
            services.open_work = original
            stop(services, person)
        return original()

    services.open_work = open_work  # type: ignore[assignment]
    send_due(services, "worker")
    assert recorder.sent == []


def test_a_pause_holds_and_then_only_what_still_helps_goes_out() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    pause(services, person, 3)
    run_days(services, clock, 2)
    assert len(recorder.sent) == 1
    pause(services, person, 0)
    run_days(services, clock, 8)
    later = [envelope for envelope in recorder.sent[1:]]
    assert later
    assert all(envelope.dated >= datetime(2026, 11, 27, 9, tzinfo=UTC) for envelope in later)


def test_a_withdrawn_plan_sends_nothing_more() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    stored = give(services, a_person(services), a_visit(), by="nurse")
    set_status(services, stored.id, Status.REVOKED, "nurse", "given to the wrong person")
    run_days(services, clock, 60)
    assert recorder.sent == []
    assert reasons(services) == {Reason.PLAN_REVOKED}


def test_urgent_advice_goes_at_night_and_silences_the_ordinary_plan() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    clock.at = datetime(2026, 11, 25, 23, 30, tzinfo=UTC)
    give(services, person, a_visit(an_ear("sudden-hearing-loss")), by="nurse")
    send_due(services, "worker")
    assert len(recorder.sent) == 2
    assert "act now" in recorder.sent[1].message.text
    run_days(services, clock, 20)
    assert len(recorder.sent) == 2, "the reminders of the ordinary plan stay silent"


def test_a_message_in_quiet_hours_waits_for_the_morning() -> None:
    clock = StoppedClock(datetime(2026, 11, 25, 22, 30, tzinfo=UTC))
    services, recorder = a_service(clock=clock)
    give(services, a_person(services), a_visit(an_ear("normal")), by="nurse")
    send_due(services, "worker")
    assert recorder.sent == []
    clock.at = datetime(2026, 11, 26, 6, 59, tzinfo=UTC)
    send_due(services, "worker")
    assert recorder.sent == []
    clock.at = datetime(2026, 11, 26, 7, 0, tzinfo=UTC)
    send_due(services, "worker")
    assert len(recorder.sent) == 1


def test_changed_times_move_what_is_unsent_and_leave_what_was_sent() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    run_days(services, clock, 1)
    sent = {envelope.key for envelope in recorder.sent}
    with services.open_reading() as work:
        rhythm = work.people.get(person).contact.rhythm
    later = {name: getattr(rhythm, name) for name in ("morning", "midday", "evening", "bedtime")}
    change_rhythm(services, person, later | {"morning": rhythm.morning.replace(hour=9, minute=15)})
    run_days(services, clock, 8)
    with services.open_reading() as work:
        doses = [m for m in work.messages.of_person(person) if m.planned.kind is MessageKind.DOSE]
    for message in doses:
        if message.planned.wall.endswith("T08:00") and message.id not in sent:
            assert message.reason == Reason.SUPERSEDED
    moved = [m for m in doses if m.planned.wall.endswith("T09:15")]
    assert len(moved) == 3
    assert {m.state for m in moved} == {State.SENT}
    walls = Counter(m.planned.wall for m in doses if m.state is State.SENT)
    assert max(walls.values()) == 1


def test_start_after_stop_takes_the_reminders_up_again() -> None:
    clock = StoppedClock()
    services, recorder = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    stop(services, person)
    run_days(services, clock, 1)
    start_again(services, person)
    run_days(services, clock, 2)
    assert len(recorder.sent) > 1


def test_draft_wording_is_never_sent_and_the_desk_is_told() -> None:
    services, recorder = a_service(approve=())
    give(services, a_person(services), a_visit(), by="nurse")
    send_due(services, "worker")
    assert recorder.sent == []
    with services.open_reading() as work:
        assert [entry.reason for entry in work.ledger.attention()] == [Reason.WORDING_NOT_APPROVED]


def test_the_approved_source_language_stands_in_for_a_draft_translation() -> None:
    services, recorder = a_service(approve=("en",))
    give(services, a_person(services, language="cy"), a_visit(), by="nurse")
    send_due(services, "worker")
    (first,) = recorder.sent
    assert (first.message.language, first.message.wanted_language) == ("en", "cy")
    with services.open_reading() as work:
        assert [entry.reason for entry in work.ledger.attention()] == ["language"]


def test_the_database_holds_the_exact_words_but_not_the_live_link() -> None:
    services, recorder = a_service()
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")
    (sent,) = recorder.sent
    with services.open_reading() as work:
        (stored,) = [m for m in work.messages.of_person(person) if m.state is State.SENT]
    assert stored.text is not None
    assert STAND_IN in stored.text
    token = sent.message.text.split("/p/")[1][: len(STAND_IN)]
    assert stored.text.replace(STAND_IN, token) == sent.message.text
    assert token not in stored.text


def test_nobody_to_reach_is_a_task_for_a_person_at_once() -> None:
    services, _ = a_service()
    give(services, a_person(services, channels=()), a_visit(), by="nurse")
    with services.open_reading() as work:
        assert [entry.reason for entry in work.ledger.attention()] == [Reason.NO_CHANNEL]
        kinds = {m.planned.kind for m in work.messages.of_person("maud")}
    assert MessageKind.DOSE not in kinds


def test_a_visit_that_cannot_be_planned_stores_nothing() -> None:
    services, _ = a_service()
    person = a_person(services)
    with pytest.raises(TragusError):
        give(services, person, a_visit(an_ear("no-such-finding")), by="nurse")
    with services.open_reading() as work:
        assert work.plans.of_person(person) == []
        assert work.plans.visits_of(person) == []
        assert work.messages.of_person(person) == []
    assert a_clinic().name == "Larkfield Ear Care"
