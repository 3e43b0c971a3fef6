"""Does a plan name every way of reaching the clinic that there is, and none that there is not?

Somebody who cannot hear on the telephone has only the number for texts and the address for mail. The numbers are from
the ranges that Ofcom keeps for drama (020 7946 0000 to 0999, 07700 900000 to 900999).
"""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime

import pytest
from builders import a_clinic, a_contact, a_visit, an_ear, draft_wordings, the_catalogs, the_pack
from pypdf import PdfReader

from service.domain.build import build_plan
from service.domain.contact import WAYS, Channel, Clinic
from service.domain.message import MessageKind
from service.domain.pack import ClinicChoices
from service.domain.plan import Phrase
from service.domain.schedule import lay_out
from service.errors import WordingError
from service.messages.compose import Letter, compose
from service.messages.i18n import direction
from service.messages.layout import as_html, as_text
from service.messages.read_plan import read_plan, units_of
from service.messages.reading import Reading
from service.messages.sheet import render_sheet
from service.messages.wordings import Approvals, Wordings

PHONE, TEXTS, MAIL = "020 7946 0123", "07700 900456", "desk@larkfield.example"
VISIT = a_visit(an_ear("wax-left"), an_ear("mastoid-cavity"))
CLINICS = {
    "all": (a_clinic(text_number=TEXTS), {PHONE, TEXTS, MAIL}),
    "no texts": (a_clinic(), {PHONE, MAIL}),
    "no mail": (a_clinic(email="", text_number=TEXTS), {PHONE, TEXTS}),
    "phone alone": (a_clinic(email=""), {PHONE}),
}
UNITS = ("urgency.same-day", "urgency.next-day", "urgency.few-days", "page.reach-us", "question.to-help")


def read(clinic: Clinic, language: str = "en") -> Reading:
    plan = build_plan(VISIT, the_pack(), ClinicChoices())
    return read_plan(plan, draft_wordings(clinic), language, clinic)


def named(text: str) -> set[str]:
    return {way for way in (PHONE, TEXTS, MAIL) if way in text}


@pytest.mark.parametrize("case", CLINICS)
@pytest.mark.parametrize("language", the_catalogs().languages)
def test_each_sentence_about_reaching_the_clinic_names_the_ways_that_there_are(language: str, case: str) -> None:
    clinic, ways = CLINICS[case]
    wordings = draft_wordings(clinic)
    for unit in (*UNITS, "question.none-found"):
        said = wordings.label(unit, language)
        assert named(said) == ways, unit
        assert "{" not in said


@pytest.mark.parametrize("case", CLINICS)
def test_the_headings_of_the_signs_and_the_footer_name_them_and_nothing_else_is_promised(case: str) -> None:
    clinic, ways = CLINICS[case]
    reading = read(clinic)
    for part in reading.help:
        assert named(part.heading) == (ways if part.urgency != "emergency" else set())
    assert named(" ".join(reading.footer)) == ways
    everything = as_text(reading)
    assert "on this plan" not in everything
    assert ("by text" in everything) is (TEXTS in ways)
    assert ("e-mail" in everything) is (MAIL in ways)


def test_the_ways_are_alternatives() -> None:
    heading = draft_wordings(CLINICS["all"][0]).label("urgency.next-day", "en")
    assert heading == (
        f"Contact us by the next day: by phone on {PHONE}, by text to {TEXTS} or by e-mail to {MAIL}. Do this if:"
    )
    assert draft_wordings(CLINICS["phone alone"][0]).label("urgency.few-days", "en") == (
        f"Contact us within 3 days: by phone on {PHONE}. Do this if:"
    )


@pytest.mark.parametrize("language", [code for code in the_catalogs().languages if direction(code) == "rtl"])
def test_numbers_and_addresses_are_isolated_in_right_to_left_text(language: str) -> None:
    """UAX #9 section 2.4: each stands between LRI and PDI, so that its parts keep their order."""
    said = draft_wordings(CLINICS["all"][0]).label("page.reach-us", language)
    for way in (PHONE, TEXTS, MAIL):
        assert f"\u2066{way}\u2069" in said


def test_the_sheet_and_the_page_of_html_print_them() -> None:
    clinic, ways = CLINICS["all"]
    reading = read(clinic)
    assert named(as_html(reading)) == ways
    for large in (False, True):
        pdf = render_sheet(reading, link="https://larkfield.example/p/x", large_print=large)
        printed = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages))
        assert printed.count(TEXTS) >= len(reading.help)  # each heading but the emergency's, and the footer


@pytest.mark.parametrize("case", CLINICS)
@pytest.mark.parametrize("channel", [Channel.EMAIL, Channel.LETTER])
def test_a_mail_and_a_letter_with_the_plan_name_them(channel: Channel, case: str) -> None:
    clinic, ways = CLINICS[case]
    plan, contact = build_plan(VISIT, the_pack(), ClinicChoices()), a_contact(address=("2 Reed Row",))
    laid = lay_out(plan, contact, the_pack().timing, given=datetime(2026, 11, 25, 10, tzinfo=UTC), appointment=None)
    given = next(message for message in laid if message.kind is MessageKind.PLAN_GIVEN)
    letter = Letter(link="https://larkfield.example/p/x", pack="core")
    composed = compose(given, plan, contact, clinic, draft_wordings(clinic), channel, letter)
    assert named(composed.text) == ways
    assert composed.html is not None
    assert named(composed.html) == ways
    assert composed.text.count(TEXTS) == (0 if TEXTS not in ways else len(read(clinic).help))


def test_a_plan_in_a_language_that_cannot_say_a_way_is_not_sent_in_it() -> None:
    plan = build_plan(VISIT, the_pack(), ClinicChoices())
    assert set(WAYS.values()) <= units_of(plan)
    catalogs = the_catalogs()
    entries = frozenset(
        (language, unit, digest)
        for language in ("en", "ur")
        for unit in the_pack().wording
        if (digest := catalogs.digest(language, unit)) and (language, unit) != ("ur", "contact.text")
    )
    wordings = Wordings(the_pack(), catalogs, Approvals(entries=entries), CLINICS["all"][0].said())
    choice = wordings.choose_language("ur", units_of(plan))
    assert (choice.language, choice.missing) == ("en", ("contact.text",))


def test_no_way_at_all_is_an_error_and_not_an_empty_sentence() -> None:
    wordings = Wordings(the_pack(), the_catalogs(), None, {"clinic": "Larkfield", "phone": "", "email": ""})
    with pytest.raises(WordingError, match=r"\{ways\} has no value"):
        wordings.say(Phrase(wording="page.reach-us"), "en")
