"""Do the demo's visits together show everything that the content offers, in every form?"""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from builders import draft_wordings, the_catalogs, the_pack

from service.domain.build import build_plan
from service.domain.contact import Channel
from service.domain.pack import ClinicChoices
from service.domain.plan import Plan
from service.messages.wordings import Wordings
from service.ops.show import Shown, prepare, sample_clinic, show
from service.ops.visit_file import VisitFile, read_visit

FOLDER = Path(__file__).resolve().parents[2] / "demo" / "visits"
FILES = sorted(FOLDER.glob("*.json"))
NAMES = [path.stem for path in FILES]
STARTS = {
    "text": b"DRAFT: not for patients.",
    "json": b"{",
    "html": b"<!doctype html>",
    "pdf": b"%PDF-",
    "ics": b"BEGIN:VCALENDAR\r\n",
    "messages": b"DRAFT: not for patients.",
}


@cache
def the_file(name: str) -> VisitFile:
    return read_visit(FOLDER / f"{name}.json")


@cache
def the_plan(name: str) -> Plan:
    return build_plan(the_file(name).visit, the_pack(), ClinicChoices())


def complete_languages() -> list[str]:
    """The languages of which no catalog file has a fault."""
    faulty = {Path(fault.file).parts[-3] for fault in the_catalogs().faults()}
    return [language for language in the_catalogs().languages if language not in faulty]


@cache
def the_wordings() -> Wordings:
    return draft_wordings(sample_clinic())


def shown(name: str, language: str) -> Shown:
    """What `prepare` makes, over content that is read once for all files."""
    file = the_file(name)
    return Shown(
        file=replace(file, contact=replace(file.contact, language=language)),
        plan=the_plan(name),
        pack=the_pack(),
        clinic=sample_clinic(),
        wordings=the_wordings(),
        language=language,
    )


def test_a_visit_prepared_for_showing_is_what_the_other_tests_show() -> None:
    assert prepare(the_file(NAMES[0]), "en", sample_clinic(), ClinicChoices()).reading == shown(NAMES[0], "en").reading


def test_there_are_enough_visits_and_each_says_what_it_shows_in_a_sentence() -> None:
    assert len(FILES) >= 24
    said = [the_file(name).shows for name in NAMES]
    assert all(line.endswith(".") and "\n" not in line and len(line) <= 160 for line in said)
    assert len(set(said)) == len(said)


def test_together_they_tick_every_finding() -> None:
    ticked = {
        code for name in NAMES for ear in ("right", "left") for code in getattr(the_file(name).visit, ear).findings
    }
    assert ticked == set(the_pack().findings)


def test_together_they_tick_every_line_of_the_history() -> None:
    assert {code for name in NAMES for code in the_file(name).visit.history} == set(the_pack().history)


def test_together_they_use_every_way_of_removing_wax() -> None:
    used = {
        method
        for name in NAMES
        for ear in (the_file(name).visit.right, the_file(name).visit.left)
        for method in ear.removed_by
    }
    assert used == set(the_pack().methods)


def test_together_they_use_every_kind_of_aftercare_and_every_urgent_route() -> None:
    used = {summary.template for name in NAMES for summary in the_plan(name).ears.values()}
    assert used - {"urgent"} == set(the_pack().templates)
    assert {advice.id for name in NAMES for advice in the_plan(name).urgent} == set(the_pack().urgent)


def test_together_they_show_a_choice_an_overruling_and_a_booking() -> None:
    files = [the_file(name) for name in NAMES]
    choices = [choice for file in files for choice in file.visit.choices.values()]
    assert any(choice.template for choice in choices)
    assert any(choice.agent for choice in choices)
    assert any(choice.return_days for choice in choices)
    assert any(file.visit.overrules for file in files)
    assert any(caution.overruled for name in NAMES for caution in the_plan(name).cautions)
    assert any(file.visit.next_appointment for file in files)


def test_together_they_show_every_kind_of_person() -> None:
    files = [the_file(name) for name in NAMES]
    ages = [file.visit.age for file in files]
    assert min(age for age in ages if age is not None) <= 3
    assert max(age for age in ages if age is not None) >= 94
    assert None in ages
    assert {file.contact.language for file in files} == {"en", "cy", "pl", "ur"}
    assert len({file.contact.zone for file in files}) >= 3
    assert len({file.contact.rhythm for file in files}) >= 3
    assert len({file.contact.reminders for file in files}) == 3
    assert any(file.contact.large_print for file in files)
    assert any(not file.contact.discreet for file in files)
    assert any(file.contact.channels == (Channel.LETTER,) for file in files)


def test_under_sixteen_the_words_go_to_a_guardian() -> None:
    for name in NAMES:
        age = the_file(name).visit.age
        assert (the_file(name).contact.guardian is not None) is (age is not None and age < 16), name


def test_everybody_is_invented_and_no_two_are_one() -> None:
    contacts = [the_file(name).contact for name in NAMES]
    phones = [contact.phone for contact in contacts if contact.phone]
    assert all(phone.startswith("+447700900") and len(phone) == 13 for phone in phones)  # reserved for fiction
    assert all(contact.email.endswith("@example.org") for contact in contacts if contact.email)
    assert len(set(phones)) == len(phones)
    assert len({contact.name for contact in contacts}) == len(contacts)


@pytest.mark.parametrize("name", NAMES)
def test_a_visit_is_shown_in_every_form(name: str) -> None:
    found = shown(name, "en")
    forms = set(STARTS) if found.plan.courses or found.plan.returns else set(STARTS) - {"ics"}
    if found.appointment and not found.plan.urgent:
        forms |= {"ics"}
    for form in forms:
        assert show(found, form).startswith(STARTS[form]), form
    assert json.loads(show(found, "json"))["on"] == found.plan.on.isoformat()


@pytest.mark.parametrize("language", complete_languages())
def test_every_visit_is_read_in_every_language_that_is_complete(language: str) -> None:
    for name in NAMES:
        reading = shown(name, language).reading
        assert reading.language == language
        lines = [
            line
            for part in (*reading.urgent, *reading.help, *reading.sections)
            for b in part.blocks
            for line in b.sentences
        ]
        assert all(line.strip() and "{" not in line for line in lines), name


def test_no_plan_puts_drops_into_an_ear_that_it_forbids_them() -> None:
    for name in NAMES:
        plan = the_plan(name)
        forbidden = {side for step in plan.steps if step.id == "no-softener" for side in step.ears.sides}
        treated = {side for course in plan.courses for side in course.ears.sides}
        assert not forbidden & treated, name
