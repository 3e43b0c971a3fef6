"""Appointments from a file: shown first, refused whole, carried out whole, and harmless a second time."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest
from builders import StoppedClock, a_person, a_service, a_settings_file, a_visit
from click.testing import CliRunner, Result

from service.config import read_settings
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.errors import VisitError
from service.ops.appointments import import_appointments
from service.ops.cli import main
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.services import Services
from service.storage.records import StoredPlan
from service.wiring import build

HEAD = "person,date,time,action\n"
FIRST = (date(2026, 12, 10), time(10, 30))


@pytest.fixture
def services() -> Services:
    found, _ = a_service(clock=StoppedClock())
    for person in ("maud", "rowan"):
        a_person(found, person)
        give(found, person, a_visit(), by="nurse")
    return found


def the_plan(services: Services, person: str) -> StoredPlan:
    with services.open_reading() as work:
        current = work.plans.current(person)
    assert current is not None
    return current


def plan_of(services: Services, person: str) -> str:
    return the_plan(services, person).id


def booked(services: Services) -> dict[str, object]:
    return {person: the_plan(services, person).appointment for person in ("maud", "rowan")}


def file_of(folder: Path, text: str, *, encoding: str = "utf-8") -> Path:
    place = folder / "diary.csv"
    place.write_bytes(text.encode(encoding))
    return place


def run(services: Services, folder: Path, text: str, *, dry_run: bool = False) -> list[str]:
    return list(import_appointments(services, file_of(folder, text), dry_run=dry_run))


def test_each_line_is_booked_moved_or_cancelled_and_told(services: Services, tmp_path: Path) -> None:
    book(services, plan_of(services, "rowan"), FIRST, "desk")
    said = run(services, tmp_path, f"{HEAD}maud,2026-12-11,09:15,book\nrowan,2026-12-12,14:00,book\n")
    assert said == [
        "line 2: maud: book 2026-12-11 09:15",
        "line 3: rowan: move from 2026-12-10 10:30 to 2026-12-12 14:00",
        "changed 2 of 2 appointments",
    ]
    assert booked(services) == {"maud": (date(2026, 12, 11), time(9, 15)), "rowan": (date(2026, 12, 12), time(14))}
    said = run(services, tmp_path, f"{HEAD}rowan,,,cancel\n")
    assert said[0] == "line 2: rowan: cancel 2026-12-12 14:00"
    assert booked(services)["rowan"] is None
    plan = plan_of(services, "maud")
    with services.open_reading() as work:
        news = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.BOOKING]
        assert [m.state for m in news] == [State.PENDING]
        assert {line.actor for line in work.ledger.history(plan) if "appointment" in line.action} == {"import"}


def test_a_dry_run_says_the_same_and_does_nothing(services: Services, tmp_path: Path) -> None:
    text = f"{HEAD}maud,2026-12-11,09:15,book\n"
    shown = run(services, tmp_path, text, dry_run=True)
    assert shown == ["line 2: maud: book 2026-12-11 09:15", "would change 1 of 1 appointments"]
    assert booked(services)["maud"] is None
    assert run(services, tmp_path, text)[0] == shown[0]


def test_the_same_file_again_changes_nothing_even_when_its_day_has_passed(services: Services, tmp_path: Path) -> None:
    text = f"{HEAD}maud,2026-12-11,09:15,book\nrowan,2026-12-10,10:30,cancel\n"
    run(services, tmp_path, text)
    services.clock.at = datetime(2026, 12, 20, 10, 0, tzinfo=UTC)  # type: ignore[attr-defined]
    assert run(services, tmp_path, text) == [
        "line 2: maud: 2026-12-11 09:15 already, nothing to do",
        "line 3: rowan: no appointment already, nothing to do",
        "changed 0 of 2 appointments",
    ]


@pytest.mark.parametrize(
    "text",
    [
        "\ufeffperson,date,time,action\r\nmaud,2026-12-11,09:15,book\r\n",
        'action,time,date,person\nbook," 09:15 ",2026-12-11,"maud"\n\n,,,\n',
    ],
)
def test_files_of_other_programs_are_read_too(services: Services, tmp_path: Path, text: str) -> None:
    run(services, tmp_path, text)
    assert booked(services)["maud"] == (date(2026, 12, 11), time(9, 15))


WRONG = [
    ("", "line 1", "the columns must be person, date, time, action"),
    ("person,date,time\n", "line 1", "the columns must be"),
    ("person,date,time,action,why\n", "line 1", "the columns must be"),
    (f"{HEAD}maud,2026-12-11,09:15\n", "line 2", "it has 3 fields; 4 are needed"),
    (f"{HEAD}maud,2026-12-11,09:15,move\n", "line 2, action", "'move' is not known; allowed: book, cancel"),
    (f"{HEAD},2026-12-11,09:15,book\n", "line 2, person", "give the id"),
    (f"{HEAD}nobody,2026-12-11,09:15,book\n", "line 2, person", "nobody is not in the record"),
    (f"{HEAD}maud,11.12.2026,09:15,book\n", "line 2, date", "year-month-day"),
    (f"{HEAD}maud,2026-02-30,09:15,book\n", "line 2, date", "year-month-day"),
    (f"{HEAD}maud,,,book\n", "line 2, date", "year-month-day"),
    (f"{HEAD}maud,2026-12-11,25:00,book\n", "line 2, time", "hours:minutes"),
    (f"{HEAD}maud,2026-12-11,,cancel\n", "line 2, time", "hours:minutes"),
    (f"{HEAD}maud,2026-11-20,09:15,book\n", "line 2, date", "has passed"),
    (f"{HEAD}maud,2036-11-20,09:15,book\n", "line 2, date", "more than two years"),
    (f"{HEAD}maud,2026-12-11,09:15,book\nmaud,2026-12-12,09:15,book\n", "line 3, person", "stands in line 2 already"),
    (f'{HEAD}maud,"2026-12-11,09:15,book\n', "line", "this is not CSV"),
    (f"{HEAD}rowan,2026-12-11,09:15,book\nnobody,2026-12-11,09:15,book\n", "line 3, person", "not in the record"),
]


@pytest.mark.parametrize(("text", "place", "said"), WRONG)
def test_one_mistake_refuses_the_whole_file_and_names_its_line_and_field(
    services: Services, tmp_path: Path, text: str, place: str, said: str
) -> None:
    with pytest.raises(VisitError) as refused:
        run(services, tmp_path, text)
    assert refused.value.field.startswith(f"diary.csv: {place}")
    assert said in str(refused.value)
    assert booked(services) == {"maud": None, "rowan": None}


def test_the_first_mistake_of_the_file_is_the_one_that_is_named(services: Services, tmp_path: Path) -> None:
    with pytest.raises(VisitError, match="line 2, person"):
        run(services, tmp_path, f"{HEAD}zoe,2026-12-11,09:15,book\nann,2026-12-11,09:15,book\n")


def test_an_appointment_at_another_time_is_not_cancelled_by_mistake(services: Services, tmp_path: Path) -> None:
    book(services, plan_of(services, "maud"), FIRST, "desk")
    with pytest.raises(VisitError, match="the appointment of maud is on 2026-12-10 10:30"):
        run(services, tmp_path, f"{HEAD}maud,2026-12-11,09:15,cancel\n")
    assert booked(services)["maud"] == FIRST


def test_who_has_no_plan_in_force_has_nothing_to_book_for(services: Services, tmp_path: Path) -> None:
    set_status(services, plan_of(services, "maud"), Status.REVOKED, "nurse", "x")
    with pytest.raises(VisitError, match="maud has no plan in force"):
        run(services, tmp_path, f"{HEAD}maud,2026-12-11,09:15,book\n")


@pytest.mark.parametrize("encoding", ["utf-16", "latin-1"])
def test_a_file_that_is_not_utf_8_is_refused(services: Services, tmp_path: Path, encoding: str) -> None:
    with pytest.raises(VisitError, match="not UTF-8"):
        list(
            import_appointments(services, file_of(tmp_path, f"{HEAD}maudé,,,cancel\n", encoding=encoding), dry_run=True)
        )


def command(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["appointments", "import", *map(str, arguments)])


def test_the_command_shows_then_does_and_tells_a_mistake_in_one_line(tmp_path: Path) -> None:
    config = a_settings_file(tmp_path / "tragus.toml")
    services = build(read_settings(config), transports=False)
    a_person(services, "maud")
    today = services.day_of(services.clock.now())
    give(services, "maud", a_visit(on=today), by="nurse")
    day = date.fromordinal(today.toordinal() + 20)
    place = file_of(tmp_path, f"{HEAD}maud,{day},09:15,book\n")
    shown = command(place, "--dry-run", "--config", config)
    assert (shown.exit_code, shown.output.splitlines()[-1]) == (0, "would change 1 of 1 appointments")
    assert command(place, "--config", config).output.splitlines()[-1] == "changed 1 of 1 appointments"
    wrong = command(file_of(tmp_path, f"{HEAD}maud,{day},9 o'clock,book\n"), "--config", config)
    assert wrong.exit_code == 1
    assert wrong.output.splitlines() == [
        "tragus: diary.csv: line 2, time: give the time as hours:minutes, such as 14:30"
    ]
    missing = command(tmp_path / "none.csv", "--config", config)
    assert missing.exit_code == 1 and "cannot be read" in missing.output
