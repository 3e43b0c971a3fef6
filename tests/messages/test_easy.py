"""Simpler sentences for who asked for them."""

from __future__ import annotations

from builders import a_clinic, a_person, a_service, a_visit, an_ear, the_catalogs, the_pack

from service.delivery.dispatch import send_due
from service.domain.build import build_plan
from service.domain.contact import Channel
from service.domain.pack import EASY, ClinicChoices
from service.domain.plan import Phrase
from service.messages.read_plan import read_plan
from service.messages.wordings import Approvals, Wordings
from service.planning.aftercare import give

UNIT = "page.local-advice"


def wordings(*but: str) -> Wordings:
    """Everything approved in English and Polish, but these units."""
    catalogs, entries = the_catalogs(), set()
    for language in ("en", "pl"):
        for unit in the_pack().wording:
            digest = catalogs.digest(language, unit)
            if digest is not None and unit not in but:
                entries.add((language, unit, digest))
    return Wordings(the_pack(), catalogs, Approvals(entries=frozenset(entries)), a_clinic().said())


def test_who_asked_for_simpler_sentences_gets_them_and_nobody_else() -> None:
    everything = wordings()
    plain, easy = everything.for_reader(easy=False), everything.for_reader(easy=True)
    assert easy.label(UNIT, "en") == everything.label(f"{UNIT}{EASY}", "en")
    assert plain.label(UNIT, "en") != easy.label(UNIT, "en")
    assert easy.unit_said(UNIT, "en") == f"{UNIT}{EASY}"
    assert plain.unit_said(UNIT, "en") == UNIT
    assert easy.for_reader(easy=True) is easy


def test_a_sentence_without_a_simpler_form_is_said_as_it_is() -> None:
    easy = wordings().for_reader(easy=True)
    assert easy.label("page.title", "en") == wordings().label("page.title", "en")


def test_a_simpler_form_that_is_not_approved_is_not_said_and_keeps_no_language_back() -> None:
    easy = wordings(f"{UNIT}{EASY}").for_reader(easy=True)
    assert easy.label(UNIT, "en") == wordings().label(UNIT, "en")
    assert easy.choose_language("en", [UNIT]).language == "en"


def test_a_simpler_form_keeps_its_values() -> None:
    phrase = Phrase(wording="normal.grommet-discharge", values={"hours": 48})
    assert "48 hours" in wordings().for_reader(easy=True).say(phrase, "en")


def test_a_plan_is_read_in_simpler_sentences() -> None:
    plan = build_plan(a_visit(an_ear("wax-left"), an_ear("normal")), the_pack(), ClinicChoices())
    plain = str(read_plan(plan, wordings(), "en", a_clinic(), person=""))
    easy = str(read_plan(plan, wordings().for_reader(easy=True), "en", a_clinic(), person=""))
    assert "so that we can take the wax out" in plain
    assert "We will take the wax out of your RIGHT ear." in easy


def test_the_record_says_which_form_was_sent() -> None:
    services, recorder = a_service()
    person = a_person(services, channels=(Channel.EMAIL,), easy_read=True)
    give(services, person, a_visit(an_ear("wax-left")), by="nurse")
    send_due(services, "worker")
    message = recorder.sent[-1].message
    assert "We will take the wax out" in message.text
    assert f"back.remove-wax{EASY}" in message.units
    assert "back.remove-wax" not in message.units
