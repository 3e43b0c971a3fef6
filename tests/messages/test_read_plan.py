"""Do common questions follow the language of their plan, one by one, without ever changing it?"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable
from itertools import groupby

import pytest
from builders import a_clinic, a_visit, an_ear, draft_wordings, the_catalogs, the_pack
from pypdf import PdfReader

from service.content.checks import FIXED
from service.domain.build import build_plan
from service.domain.pack import ClinicChoices
from service.domain.questions import QUESTIONS_FRAME, questions_for
from service.domain.visit import Visit
from service.messages.layout import as_html, as_text
from service.messages.read_plan import read_plan, units_of
from service.messages.reading import Reading
from service.messages.sheet import render_sheet
from service.messages.wordings import Approvals, Wordings

VISITS = {
    "wax left": a_visit(),
    "cleared": a_visit(right=an_ear("hard-wax-cleared", by="suction")),
    "grommet": a_visit(right=an_ear("grommet"), left=an_ear("dry-skin")),
    "cavity and aid": a_visit(right=an_ear("mastoid-cavity"), left=an_ear("wax-left", "hearing-aid-worn")),
    "perforation": a_visit(right=an_ear("perforation")),
    "infected": a_visit(right=an_ear("otitis-externa", "prescribed-drops")),
    "battery": a_visit(right=an_ear("battery-removed")),
    "nothing": a_visit(right=an_ear("normal")),
    "muffled": a_visit(right=an_ear("hard-wax-cleared", "muffled-after-clearance", by="suction")),
}


def all_but(missing: Iterable[str], language: str = "en") -> Wordings:
    """Every text of a language approved, except these units."""
    catalogs = the_catalogs()
    digests = {unit: catalogs.digest(language, unit) for unit in the_pack().wording}
    entries = frozenset((language, unit, digest) for unit, digest in digests.items() if digest and unit not in missing)
    return Wordings(the_pack(), catalogs, Approvals(entries=entries), a_clinic().said())


def read(visit: Visit, wordings: Wordings | None = None, *, language: str = "en", person: str = "") -> Reading:
    plan = build_plan(visit, the_pack(), ClinicChoices())
    return read_plan(
        plan,
        wordings or draft_wordings(),
        language,
        a_clinic(),
        person=person,
        questions=questions_for(plan, visit, the_pack()),
    )


def ids(reading: Reading) -> list[str]:
    return [each.id for each in reading.questions.asked] if reading.questions else []


def test_without_questions_a_reading_has_no_such_part() -> None:
    plan = build_plan(a_visit(), the_pack(), ClinicChoices())
    assert read_plan(plan, draft_wordings(), "en", a_clinic()).questions is None


@pytest.mark.parametrize("missing", ["question.missed.ask", "question.missed.next"])
def test_a_question_without_approved_words_is_left_out_alone(missing: str) -> None:
    whole, lacking = read(a_visit()), read(a_visit(), all_but({missing}))
    assert "missed-next" in ids(whole)
    assert ids(lacking) == [each for each in ids(whole) if each != "missed-next"]
    assert lacking.sections == whole.sections


@pytest.mark.parametrize("unit", QUESTIONS_FRAME)
def test_without_the_words_around_them_no_question_is_shown(unit: str) -> None:
    assert read(a_visit(), all_but({unit})).questions is None


def test_questions_never_decide_the_language_of_a_plan() -> None:
    plan = build_plan(a_visit(), the_pack(), ClinicChoices())
    units = units_of(plan)
    assert not [unit for unit in units if unit.startswith("question.")]
    topic = [unit for unit in the_pack().wording if unit.startswith("question.")]
    choice = all_but(topic).choose_language("en", units)
    assert (choice.language, choice.fallback, choice.missing) == ("en", False, ())


def test_an_answer_that_cannot_be_said_makes_no_room_for_a_bolder_one() -> None:
    visit = a_visit(right=an_ear("perforation"), left=an_ear("hard-wax-cleared"))
    assert "swim-no" in ids(read(visit))
    assert not [each for each in ids(read(visit, all_but({"question.swim.no"}))) if each.startswith("swim")]


def test_an_answer_about_a_symptom_ends_with_the_way_to_help_and_no_other_does() -> None:
    for visit in VISITS.values():
        reading = read(visit)
        assert reading.questions is not None
        for each in reading.questions.asked:
            assert bool(each.help) is bool(the_pack().questions[each.id].signs), each.id
            assert not each.help or ("When to get help" in each.help and a_clinic().phone in each.help)


@pytest.mark.parametrize("name", VISITS)
def test_an_answer_names_only_headings_that_its_plan_has(name: str) -> None:
    reading = read(VISITS[name])
    headings = {section.heading for section in reading.sections} | {reading.labels["section.help"]}
    assert reading.questions is not None
    for each in reading.questions.asked:
        for heading in re.findall(r'"([^"]+)"', " ".join(each.answer)):
            assert heading in headings, (each.id, heading)


def test_somebody_who_reads_for_another_is_told_who_is_meant() -> None:
    reading = read(a_visit(), person="Mo")
    assert reading.questions is not None
    assert any("Mo" in sentence for sentence in reading.questions.intro)
    own = read(a_visit())
    assert own.questions is not None
    assert len(own.questions.intro) == 1


def test_what_is_said_around_the_questions_belongs_to_the_content() -> None:
    assert set(QUESTIONS_FRAME) == {unit for unit in FIXED if unit.startswith("question.")}


@pytest.mark.parametrize("name", VISITS)
def test_what_one_ear_needs_stands_together(name: str) -> None:
    """The other ear in between is what mixes two ears up."""
    for section in read(VISITS[name]).sections:
        labels = [block.ears_label for block in section.blocks]
        assert [label for label, _ in groupby(labels)] == list(dict.fromkeys(labels)), section.id


def test_the_order_for_one_ear_stays_as_the_plan_has_it() -> None:
    visit = a_visit(right=an_ear("grommet"), left=an_ear("wax-left"))
    steps = next(section for section in read(visit).sections if section.id == "do")
    left = [block.sentences[0] for block in steps.blocks if block.ears_label == "LEFT ear"]
    assert left == ["Olive oil drops", "Some wax may come out by itself over about 14 days."]


def as_sheet(reading: Reading) -> str:
    """The words of the printed sheet."""
    pdf = PdfReader(io.BytesIO(render_sheet(reading, link="https://larkfield.example/p/x")))
    return " ".join(" ".join(page.extract_text().split()) for page in pdf.pages)


@pytest.mark.parametrize("layout", [as_text, as_html, as_sheet])
@pytest.mark.parametrize("name", [*VISITS, "urgent"])
def test_whom_you_means_is_said_once_before_anything_says_you(name: str, layout: Callable[[Reading], str]) -> None:
    """A sheet, a mail and the page begin with different parts; every one of them says "you"."""
    visit = VISITS.get(name, a_visit(right=an_ear("battery-in-ear")))
    said = layout(read(visit, person="Mo")).replace("&#34;", '"')
    whose = 'In this plan, "you" and "your" mean Mo.'
    assert said.count(whose) == 1
    before = said[: said.index(whose)].replace("From your visit", "")
    assert not re.search(r"\byour?\b", before)
    assert "mean Mo" not in layout(read(visit))
