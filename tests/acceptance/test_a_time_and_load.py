"""A4 to A6: clock changes, many writers on one SQLite file, and messages far in the future."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from acceptance.desk import Desk, add_wren
from acceptance.running import a_site, copies, on_sqlite, wait_until, with_messages
from acceptance.sizes import size
from builders import a_clinic, a_person, a_service, a_visit
from delivery.test_pretend import WoundClock

from service.delivery.pretend import wind
from service.domain.contact import ReminderLevel, Rhythm
from service.domain.message import MessageKind, State
from service.planning.aftercare import give

CHANGES = [
    ("Europe/Berlin", datetime(2027, 3, 28, 1, tzinfo=UTC)),
    ("Europe/Berlin", datetime(2027, 10, 31, 1, tzinfo=UTC)),
    ("America/New_York", datetime(2027, 3, 14, 7, tzinfo=UTC)),
    ("America/New_York", datetime(2027, 11, 7, 6, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2027, 10, 2, 15, 30, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2027, 4, 3, 15, tzinfo=UTC)),
    ("Europe/Istanbul", datetime(2015, 11, 8, 1, tzinfo=UTC)),  # put off by two weeks in that year
    ("Pacific/Apia", datetime(2011, 12, 30, 10, tzinfo=UTC)),  # a whole day was skipped
]


@pytest.mark.parametrize(("name", "change"), CHANGES, ids=lambda value: str(value)[:19])
def test_a4_over_a_clock_change_there_is_one_message_a_local_day_at_the_right_instant(
    name: str, change: datetime
) -> None:
    zone = ZoneInfo(name)
    before, after_it = ((change + timedelta(seconds=by)).astimezone(zone) for by in (-1, 1))
    back = (after_it.utcoffset() or timedelta()) < (before.utcoffset() or timedelta())
    middle = before - timedelta(minutes=20) if back else before + timedelta(minutes=1)
    wanted = middle.time().replace(second=0, microsecond=0)  # a time that comes twice, or one that is skipped
    clock = WoundClock(change - timedelta(days=3))
    clinic = a_clinic(quiet_from=wanted.replace(hour=0, minute=0), quiet_to=wanted.replace(hour=0, minute=0))
    services, recorder = a_service(clock=clock, clinic=clinic)
    names = ("morning", "midday", "evening", "bedtime")
    rhythm = {each: wanted.replace(hour=wanted.hour + 2 * number) for number, each in enumerate(names)}
    person = a_person(services, zone=name, rhythm=Rhythm(**rhythm), reminders=ReminderLevel.ONCE_A_DAY)
    give(services, person, a_visit(on=clock.now().astimezone(zone).date()), by="nurse")
    with services.open_reading() as work:
        doses = [m for m in work.messages.of_person(person) if m.planned.kind is MessageKind.DOSE]
    assert len(doses) >= 3
    assert min(m.planned.due for m in doses) < change < max(m.planned.due for m in doses) + timedelta(days=2)
    days = [m.planned.wall[:10] for m in doses]
    assert len(days) == len(set(days)), "one a local day"
    for message in doses:
        wall = datetime.fromisoformat(message.planned.wall)
        # RFC 5545 3.3.5: a time that is skipped is read with the offset before, one that comes twice is the first.
        assert message.planned.due == wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
        assert message.planned.zone == name
    assert wind(services, clock, clock.now() + timedelta(days=20)).whole
    sent = [envelope for envelope in recorder.sent if envelope.key in {m.id for m in doses}]
    assert len(sent) == len({envelope.key for envelope in sent}) == len(doses)
    with services.open_reading() as work:
        after = {m.id: m for m in work.messages.of_person(person)}
    assert all(after[m.id].state is State.SENT and after[m.id].finished == m.planned.due for m in doses)


def test_a5_many_writers_a_sender_and_a_reader_never_find_the_database_locked(tmp_path: Path) -> None:
    with a_site(tmp_path, on_sqlite(tmp_path)) as site:
        with_messages(site, 100)
        services = site.services()
        add_wren(services)
        _, port = site.serve()
        wrong: list[str] = []
        done: list[str] = []
        took: list[float] = []
        people = [a_person(services, f"w{number}") for number in range(8)]

        def write(desk: Desk, person: str) -> None:
            try:
                while time.monotonic() < ends or done.count(person) < 2:
                    form = desk.propose(person)
                    begun = time.monotonic()
                    plan = desk.give(person, form)
                    took.append(time.monotonic() - begun)
                    desk.post(f"/plans/{plan}/status", {"do": "withdraw", "reason": "given to the wrong person"})
                    done.append(person)
            except Exception as fault:  # every answer that is not 2xx
                wrong.append(repr(fault))

        def read(desk: Desk) -> None:
            try:
                while time.monotonic() < ends:
                    for place in ("/outgoing", "/attention", "/people", f"/people/{people[0]}"):
                        desk.get(place)
            except Exception as fault:
                wrong.append(repr(fault))

        first, *desks = Desk(port).many(9)
        threads = [threading.Thread(target=write, args=pair) for pair in zip(desks, people, strict=True)]
        threads.append(threading.Thread(target=read, args=(first,)))
        ends = time.monotonic() + size("A5 seconds")
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert not wrong, wrong[:3]
        p50, p99 = (sorted(took)[int(len(took) * part)] * 1000 for part in (0.5, 0.99))
        print(f"{len(took)} plans given: half within {p50:.0f} ms, 99 % within {p99:.0f} ms; 8 writers and a reader")
        assert set(done) == set(people)
        assert "database is locked" not in site.logs
        assert "Traceback" not in site.logs
        assert set(site.far.taken.values()) <= {1}


def test_a5_the_write_lock_is_not_held_while_a_far_side_takes_its_time(database_url: str, tmp_path: Path) -> None:
    with a_site(tmp_path, database_url, timeout=300, connections=1) as site:
        with_messages(site, 1)
        site.far.told(play="held")
        site.start("serve" if site.engine_name == "embedded" else "work")
        wait_until(lambda: site.far.handed > 0, "a hand-over is under way", pause=0.01)
        for number in range(20):
            site.run("INSERT INTO facts (name, value) VALUES (:name, 'x')", name=f"written{number}")
        assert site.states == {"handing": 1}, "twenty others wrote while one hand-over lasted"
        site.far.told()
        wait_until(site.settled, "it is answered")
        assert site.states == {"sent": 1}


def memory_of(pid: int) -> int:
    """Resident memory, MiB."""
    (line,) = [each for each in Path(f"/proc/{pid}/status").read_text().splitlines() if each.startswith("VmRSS")]
    return int(line.split()[1]) // 1024


def test_a6_messages_far_in_the_future_cost_no_memory_go_out_once_and_are_cancelled_by_one_row(
    database_url: str, tmp_path: Path
) -> None:
    """Some of them come due, and are sent; the others stay where they are."""
    count, some = size("A6 messages"), size("A6 messages sent")
    with a_site(tmp_path, database_url, pretend=True) as site:
        start = datetime.now(UTC)
        now_due, pattern = with_messages(
            site, 2, due=lambda n: start + n * timedelta(days=80), useful=timedelta(days=90)
        )
        site.serve()
        wait_until(lambda: site.states["sent"] == 1, "it runs, and has sent what was due")
        time.sleep(3)
        before = [memory_of(process.pid) for process in site.processes]
        # The first `some` come due within 30 days, the others in the 30 days after.
        future = copies(
            site.engine,
            count,
            more=True,
            due=lambda n: start + timedelta(days=1 + 29 * n / some if n < some else 31 + n % 30, seconds=n % 60),
            useful=timedelta(days=90),
        )
        time.sleep(size("A6 seconds"))
        grown = [memory_of(process.pid) - had for process, had in zip(site.processes, before, strict=True)]
        print(f"{count} future messages: the processes grew by {grown} MiB from {before}")
        assert max(grown) < 20, "they read none of them ahead of time"
        assert site.far.taken == {now_due: 1}
        gone = future[some // 2]
        assert site.run("UPDATE messages SET superseded = true WHERE id = :id", id=gone) == 1, "one row"
        changed = future[1]
        assert site.run("UPDATE messages SET look_at = :far WHERE id = :id", far=FAR, id=changed) == 1, "one row"
        site.wind(days=30, hours=13)
        waiting = "SELECT count(*) FROM messages WHERE look_at < :soon AND state IN ('pending', 'claimed', 'handing')"
        soon = str(start + timedelta(days=30, hours=12))[:26]
        wait_until(lambda: site.rows(waiting, soon=soon)[0][0] == 0, "all that are due are sent", pause=1)
        states = site.ids
        assert (states[gone], states[changed], states[pattern]) == ("dropped", "pending", "pending")
        expected = set(future[:some]) - {gone, changed} | {now_due}
        assert site.far.taken == dict.fromkeys(expected, 1), "each exactly once"
        print(
            f"{len(expected)} of them were sent, each once; RSS then {[memory_of(each.pid) for each in site.processes]} MiB"
        )


FAR = "2100-01-01 00:00:00.000000"
