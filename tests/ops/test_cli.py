"""Does the command line answer in one clear line, whatever it is given?"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from service.ops.cli import main

ROOT = Path(__file__).resolve().parents[2]
VISIT = ROOT / "demo" / "visits" / "wax-left-appointment-in-two-days.json"
TRAGUS = Path(sys.executable).parent / "tragus"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


def changed(change: Callable[[dict[str, Any]], object]) -> str:
    document = json.loads(VISIT.read_text(encoding="utf-8"))
    change(document)
    return json.dumps(document)


def visit_with(**fields: object) -> str:
    return changed(lambda document: document["visit"].update(fields))


def contact_with(**fields: object) -> str:
    return changed(lambda document: document["contact"].update(fields))


WRONG = [
    # what is in the file, what the line must name
    ("not JSON", "{", ("visit.json: document", "Invalid JSON")),
    ("an empty file", "", ("visit.json: document", "Invalid JSON")),
    ("no visit", "{}", ("visit.json: visit", "this field is required")),
    ("an unknown field", visit_with(rigth={}), ("visit.rigth", "not known")),
    ("an unknown field of an ear", visit_with(left={"finding": []}), ("visit.left.finding", "not known")),
    ("an unknown finding", visit_with(left={"findings": ["wax-lef"]}), ("left.findings", "did you mean wax-left?")),
    ("an unknown history", visit_with(history=["diabetis"]), ("history", "did you mean diabetes?")),
    (
        "an unknown way of removal",
        visit_with(left={"findings": ["normal"], "removed_by": ["x"]}),
        ("left.removed_by", "allowed: "),
    ),
    ("a date that is none", visit_with(on="2026-02-30"), ("visit.on", "date")),
    ("a date in words", visit_with(born="last spring"), ("visit.born", "date")),
    ("an appointment in the past", visit_with(next_appointment="2026-11-01"), ("visit", "later than the date")),
    ("born after the visit", visit_with(born="2026-11-26"), ("visit", "born must not be later")),
    (
        "text where a number goes",
        visit_with(choices={"left": {"return_days": "soon"}}),
        ("visit.choices.left.return_days", "integer"),
    ),
    (
        "a number out of bounds",
        visit_with(choices={"left": {"return_days": 500}}),
        ("choices.left.return_days", "5 to 42 days"),
    ),
    ("an ear that does not exist", visit_with(choices={"middle": {}}), ("visit.choices.middle", "'right' or 'left'")),
    (
        "an overruling without a reason",
        visit_with(overrules=[{"rule": "x", "side": "left", "reason": ""}]),
        ("visit.overrules.0", "needs a reason"),
    ),
    ("nothing ticked", visit_with(left={}), ("right, left", "at least one finding")),
    ("an unknown language", contact_with(language="tlh"), ("language", "allowed: en, ")),
    ("an unknown channel", contact_with(channels=["pigeon"]), ("contact.channels.0", "'text', 'email' or 'letter'")),
    ("times of day out of order", contact_with(rhythm={"morning": "22:00"}), ("contact.rhythm", "must rise")),
    ("an unknown zone", contact_with(zone="Europe/Atlantis"), ("zone", "choose one by its city")),
    ("a list where an object goes", "[]", ("visit.json: document", "should be an object")),
]


@pytest.mark.parametrize(("text", "named"), [row[1:] for row in WRONG], ids=[row[0] for row in WRONG])
@pytest.mark.parametrize("form", ["text", "messages"])
def test_a_wrong_visit_gives_one_line_that_names_the_place(
    tmp_path: Path, text: str, named: tuple[str, ...], form: str
) -> None:
    file = tmp_path / "visit.json"
    file.write_text(text, encoding="utf-8")
    result = run("plan", str(file), "--as", form)
    lines = result.stderr.splitlines()
    assert result.exit_code == 1, result.output
    assert len(lines) == 1
    assert lines[0].startswith("tragus: ")
    assert result.stdout == ""
    for part in named:
        assert part in lines[0]


def test_a_missing_file_is_named() -> None:
    result = run("plan", "no-such-visit.json")
    assert (result.exit_code, result.stderr) == (
        1,
        "tragus: no-such-visit.json: cannot be read: No such file or directory\n",
    )


def test_a_file_that_is_not_text_is_named(tmp_path: Path) -> None:
    file = tmp_path / "visit.json"
    file.write_bytes(b"\xff\xfe\x00")
    result = run("plan", str(file))
    assert (result.exit_code, len(result.stderr.splitlines())) == (1, 1)
    assert "it is not UTF-8 text" in result.stderr


def test_a_language_asked_for_that_has_no_catalog_names_those_that_have() -> None:
    result = run("plan", str(VISIT), "--lang", "tlh")
    assert (result.exit_code, len(result.stderr.splitlines())) == (1, 1)
    assert "'tlh' has no catalog; allowed: en, " in result.stderr


def test_an_unknown_form_names_those_that_exist() -> None:
    result = run("plan", str(VISIT), "--as", "docx")
    assert result.exit_code == 2
    assert "'text', 'json', 'html', 'pdf', 'ics', 'messages'" in result.stderr


def test_a_folder_that_cannot_be_written_to_is_one_line(tmp_path: Path) -> None:
    result = run("plan", str(VISIT), "--out", str(tmp_path / "missing" / "plan.txt"))
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
    assert "cannot be written" in result.stderr


def test_settings_that_are_not_there_are_one_line() -> None:
    result = run("plan", str(VISIT), "--config", "no-such-settings.toml")
    assert (result.exit_code, len(result.stderr.splitlines())) == (1, 1)
    assert "no-such-settings.toml" in result.stderr


def test_a_plan_can_be_written_to_a_file(tmp_path: Path) -> None:
    out = tmp_path / "plan.ics"
    result = run("plan", str(VISIT), "--as", "ics", "--out", str(out))
    assert result.exit_code == 0, result.stderr
    assert result.stdout == ""
    assert out.read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")
    assert out.read_bytes().endswith(b"END:VCALENDAR\r\n")


def test_a_pdf_is_a_pdf(tmp_path: Path) -> None:
    out = tmp_path / "plan.pdf"
    assert run("plan", str(VISIT), "--as", "pdf", "--out", str(out)).exit_code == 0
    assert out.read_bytes().startswith(b"%PDF-")
    assert out.read_bytes().rstrip().endswith(b"%%EOF")


@pytest.mark.parametrize("what", ["visit", "plan"])
def test_a_schema_is_valid_json_and_names_every_field(what: str) -> None:
    result = run("schema", what)
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["type"] == "object"
    assert {"visit": "contact", "plan": "signs"}[what] in found["properties"]


def test_the_same_visit_gives_the_same_plan_every_time() -> None:
    assert run("plan", str(VISIT), "--as", "json").stdout == run("plan", str(VISIT), "--as", "json").stdout


def test_the_shipped_content_has_no_fault_of_its_own(tmp_path: Path) -> None:
    result = run("check", "--locales", str(tmp_path))
    assert result.exit_code == 0, result.stderr
    assert result.stdout.strip().endswith("languages: en; 0 faults")


def test_the_shipped_content_and_every_catalog_pass_the_check() -> None:
    result = run("check")
    assert result.exit_code == 0, result.stderr


def test_a_fault_in_the_content_is_shown_with_its_place(tmp_path: Path) -> None:
    result = run("check", "--content", str(tmp_path))
    assert result.exit_code == 1
    assert "pack.toml" in result.stderr
    assert "Traceback" not in result.stderr


# --- The installed command itself ---


def called(*arguments: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([str(TRAGUS), *arguments], capture_output=True, check=False, timeout=120, cwd=ROOT)


def test_the_command_writes_a_plan_to_standard_output() -> None:
    done = called("plan", str(VISIT), "--lang", "en")
    assert (done.returncode, done.stderr) == (0, b"")
    assert "Put 2 drops in your LEFT ear." in done.stdout.decode()


def test_the_command_fails_in_one_line_and_with_an_exit_code(tmp_path: Path) -> None:
    file = tmp_path / "visit.json"
    file.write_text(visit_with(history=["diabetis"]), encoding="utf-8")
    done = called("plan", str(file))
    assert done.returncode == 1
    assert done.stdout == b""
    assert done.stderr.decode() == "tragus: history: 'diabetis' is not known; did you mean diabetes?\n"


def test_the_command_survives_a_reader_that_stops_reading() -> None:
    done = subprocess.run(
        ["/bin/sh", "-c", f'"{TRAGUS}" schema plan | head -n 1'], capture_output=True, check=False, timeout=120
    )
    assert done.stdout == b"{\n"
    assert b"Traceback" not in done.stderr
