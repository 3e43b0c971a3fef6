from __future__ import annotations

import io
import re
import subprocess
from collections import Counter
from dataclasses import replace
from html import unescape
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import zxingcpp
from builders import a_clinic, a_visit, an_ear, draft_wordings, the_pack
from PIL import Image
from pypdf import PdfReader

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices
from service.domain.questions import questions_for
from service.domain.visit import Ears, Visit
from service.errors import NotFoundError, WordingError
from service.messages import sheet
from service.messages.read_plan import read_plan
from service.messages.reading import Answered, Block, Questions, Reading, Section
from service.messages.sheet import SIDES, render_sheet
from service.pictograms import names

LINK = "https://ear.example.org/p/Zk3vQ9xT2mB7aLwR5nYcHd"
SMALLEST_LARGE_PRINT = 18.0  # points
PHONE = "\u2066+44 20 7946 0123\u2069"
POINTS_PER_INCH = 72
OLIVE = (0x6B, 0x7A, 0x2A)
POINTS_PER_MM = POINTS_PER_INCH / 25.4


def block(picture: str, *sentences: str, ears: Ears | None = None, label: str = "") -> Block:
    return Block(picture=picture, sentences=sentences, ears=ears, ears_label=label)


EMERGENCY = Section(
    id="help",
    urgency="emergency",
    heading="Get emergency help now. Call 999, or go to the emergency department. Do this if:",
    blocks=(
        block("hearing-drop", "your hearing drops suddenly, in one ear or both"),
        block("face-droop", "your face droops on one side, or your speech is slurred"),
        block("bleeding", "blood keeps coming out of your ear"),
    ),
)
FEW_DAYS = Section(
    id="help",
    urgency="few-days",
    heading="Contact us within 3 days on 020 7946 0123, or use the e-mail address on this plan. Do this if:",
    blocks=(block("blocked", "your ear is still blocked after the drops"),),
)
STEPS = (
    Section(
        id="do",
        heading="What to do",
        blocks=(
            block(
                "drops-in",
                "Put 2 drops in your RIGHT ear, 2 times a day, for 7 days.",
                "Lie on your LEFT side for 5 minutes.",
                ears=Ears.RIGHT,
                label="RIGHT ear",
            ),
            block("nothing-in-ear", "Put nothing in your LEFT ear.", ears=Ears.LEFT, label="LEFT ear"),
            block("hearing-aid-out", "Take your hearing aid out of both ears.", ears=Ears.BOTH, label="BOTH ears"),
        ),
    ),
    Section(
        id="water",
        heading="Water",
        intro=("Water can do harm for now.",),
        blocks=(block("keep-dry", "Keep your LEFT ear dry.", ears=Ears.LEFT, label="LEFT ear"),),
    ),
)
URGENT = (
    Section(
        id="urgent",
        urgency="emergency",
        heading="Do this now",
        blocks=(block("emergency", "Go to the emergency department now.", "Tell them that it is a battery."),),
    ),
    Section(
        id="urgent",
        urgency="emergency",
        heading="Do this now",
        blocks=(block("no-drops", "Put no drops in the ear."),),
    ),
)


def a_reading(**changes: Any) -> Reading:
    reading = Reading(
        language="en-GB",
        direction="ltr",
        title="Your ear care plan",
        person="",
        date="From your visit on Wednesday, 25 November 2026",
        clinic="Harbour Ear Clinic",
        clinic_lines=("12 Example Street", "London N1 1AA"),
        phone="020 7946 0123",
        emergency="999",
        urgent=(),
        help=(EMERGENCY, FEW_DAYS),
        sections=STEPS,
        footer=("Questions? Phone 020 7946 0123.", "In an emergency call 999."),
        labels={"section.help": "When to get help", "sheet.link": "This plan is also on the web:"},
    )
    return replace(reading, **changes)


def an_urdu_reading() -> Reading:
    return a_reading(
        language="ur",
        direction="rtl",
        title="آپ کے کان کی دیکھ بھال کا منصوبہ",
        date="بدھ، 25 نومبر، 2026",
        labels={"section.help": "مدد کب لینی ہے", "sheet.link": "یہ منصوبہ انٹرنیٹ پر بھی ہے:"},
        footer=(f"کوئی سوال ہے؟ {PHONE} پر فون کریں۔",),
        help=(
            Section(
                id="help",
                urgency="emergency",
                heading="ابھی ہنگامی مدد لیں۔ ایسا کریں اگر:",
                blocks=(block("hearing-drop", "آپ کی سماعت اچانک کم ہو جائے"),),
            ),
        ),
        sections=(
            Section(
                id="do",
                heading="کیا کرنا ہے",
                blocks=(block("keep-dry", "اپنے بائیں کان کو خشک رکھیں۔", ears=Ears.LEFT, label="بایاں کان"),),
            ),
        ),
    )


def text_of(pdf: bytes, *options: str) -> str:
    """The words in reading order, with single spaces; fails where poppler-utils is not installed."""
    command = ["pdftotext", *options, "-", "-"]
    found = subprocess.run(command, input=pdf, capture_output=True, check=True).stdout.decode()
    return re.sub(r"\s+", " ", found)


def pages_of(pdf: bytes, folder: Path) -> list[Image.Image]:
    (folder / "sheet.pdf").write_bytes(pdf)
    command = ["pdftoppm", "-r", "150", "-png", str(folder / "sheet.pdf"), str(folder / "page")]
    subprocess.run(command, check=True, capture_output=True)
    return [Image.open(path) for path in sorted(folder.glob("page*.png"))]


def words_of(pdf: bytes) -> list[tuple[float, float, str]]:
    """Every piece of text as (size in points, distance from the left edge in points, text)."""
    found: list[tuple[float, float, str]] = []

    def see(text: str, cm: list[float], tm: list[float], _font: object, size: float) -> None:
        if text.strip():
            found.append((round(size * abs(tm[3] * cm[3]), 2), tm[4] * cm[0] + cm[4], text.strip()))

    for page in PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_text=see)
    return found


def catalog_of(pdf: bytes) -> Any:
    """The catalog of the file, from which everything else hangs."""
    return PdfReader(io.BytesIO(pdf)).trailer["/Root"]


def tags_of(pdf: bytes) -> list[str]:
    """The structure types of a tagged PDF, in reading order."""
    found: list[str] = []

    def walk(node: Any) -> None:
        node = node.get_object()
        if isinstance(node, list):
            for kid in node:
                walk(kid)
        elif isinstance(node, dict):
            if "/S" in node:
                found.append(node["/S"])
            if "/K" in node:
                walk(node["/K"])

    walk(catalog_of(pdf)["/StructTreeRoot"])
    return found


@pytest.mark.parametrize("large_print", [False, True])
def test_the_sheet_says_every_sentence_of_the_plan(large_print: bool) -> None:
    reading = a_reading()
    text = text_of(render_sheet(reading, link=LINK, large_print=large_print))
    sections = (*reading.help, *reading.sections)
    wanted = [reading.title, reading.clinic, reading.date, *reading.labels.values(), *reading.footer]
    wanted += [*reading.clinic_lines, *(section.heading for section in sections)]
    wanted += [line for section in sections for line in section.intro]
    blocks = [part for section in sections for part in section.blocks]
    wanted += [sentence for part in blocks for sentence in (*part.sentences, part.ears_label)]
    assert [sentence for sentence in wanted if sentence not in text] == []


@pytest.mark.parametrize("large_print", [False, True])
@pytest.mark.parametrize("make", [a_reading, an_urdu_reading])
def test_a_phone_reads_the_link_of_the_page_from_the_printed_code(make: Any, large_print: bool, tmp_path: Path) -> None:
    pages = pages_of(render_sheet(make(), link=LINK, large_print=large_print), tmp_path)
    assert [code.text for page in pages for code in zxingcpp.read_barcodes(page)] == [LINK]


def test_the_link_is_printed_for_people_without_a_camera() -> None:
    assert LINK in text_of(render_sheet(a_reading(), link=LINK))


def test_a_link_longer_than_a_line_breaks_and_stays_on_the_paper() -> None:
    link = "https://averylongnameofaclinic.andofallofitsmanyfriendlydepartments.example.org/p/Zk3vQ9xT2mB7aLwR5nYcHd"
    text = text_of(render_sheet(a_reading(), link=link, large_print=True))
    assert link in text.replace(" ", "")  # without hyphens: pdftotext drops them at the end of a line


@pytest.mark.parametrize("make", [a_reading, an_urdu_reading])
def test_no_letter_of_a_large_print_sheet_is_under_18_points(make: Any) -> None:
    pdf = render_sheet(make(), link=LINK, large_print=True, draft_note="Draft wording")
    assert min(size for size, _, _ in words_of(pdf)) >= SMALLEST_LARGE_PRINT


def test_an_ordinary_sheet_sets_its_sentences_in_at_least_12_and_a_half_points() -> None:
    words = words_of(render_sheet(a_reading(), link=LINK))
    sizes = {size for size, _, text in words if "Put nothing" in text or "blood keeps" in text}
    assert sizes == {12.5}


@pytest.mark.parametrize(
    "name",
    [
        '#read("pain.svg")',
        "*Ana* _Bo_ $x$ <b> @ref",
        "back\\slash \\u{41} \\",
        "#{panic()} [x] ] }",
        "\"quoted\" 'single' a--b c---d",
        "= Heading",
        "{person} %s",
    ],
)
def test_a_name_that_looks_like_markup_is_printed_as_it_is(name: str) -> None:
    title = f"Ear care plan for {name}"
    assert title in text_of(render_sheet(a_reading(title=title, person=name), link=LINK))


def test_the_same_plan_gives_the_same_bytes() -> None:
    first = render_sheet(a_reading(), link=LINK)
    render_sheet(an_urdu_reading(), link=LINK, large_print=True)
    assert render_sheet(a_reading(), link=LINK) == first


def test_the_file_holds_no_time_of_making() -> None:
    assert b"CreationDate" not in render_sheet(a_reading(), link=LINK)


@pytest.mark.parametrize("name", sorted(names()))
def test_every_picture_can_be_printed(name: str) -> None:
    steps = (Section(id="do", heading="What to do", blocks=(block(name, "A sentence."),)),)
    with_picture = render_sheet(a_reading(sections=steps, help=()), link=LINK)
    assert "A sentence." in text_of(with_picture)


def test_a_picture_that_does_not_exist_is_refused_by_name() -> None:
    steps = (Section(id="do", heading="What to do", blocks=(block("../sheet", "A sentence."),)),)
    with pytest.raises(NotFoundError, match=r"\.\./sheet"):
        render_sheet(a_reading(sections=steps), link=LINK)


def test_signs_to_get_help_come_before_the_steps_and_the_most_urgent_come_first() -> None:
    text = text_of(render_sheet(a_reading(), link=LINK))
    order = ["Your ear care plan", "This plan is also", "When to get help", "Get emergency help now."]
    order += ["Contact us within 3 days", "What to do", "Water", "Questions?"]
    places = [text.index(part) for part in order]
    assert all(before < after for before, after in pairwise(places))


def test_a_large_print_sheet_gives_its_first_page_to_the_signs_and_its_link_at_the_end() -> None:
    text = text_of(render_sheet(a_reading(), link=LINK, large_print=True))
    order = ["Your ear care plan", "When to get help", "Get emergency help now.", "Contact us within 3 days"]
    places = [text.index(part) for part in (*order, "What to do", "Water", "This plan is also", "Questions?")]
    assert all(before < after for before, after in pairwise(places))


def test_the_code_stands_beside_the_title_at_the_end_of_the_line(tmp_path: Path) -> None:
    for make, at_end in ((a_reading, True), (an_urdu_reading, False)):
        page = pages_of(render_sheet(make(), link=LINK), tmp_path)[0]
        (code,) = zxingcpp.read_barcodes(page)
        assert (code.position.top_left.x > page.width / 2) is at_end
        assert code.position.bottom_left.y < page.height / 5


def test_neighbouring_steps_for_one_ear_share_its_name() -> None:
    parts = [block("plug", f"Sentence {number}.", ears=Ears.LEFT, label="LEFT ear") for number in range(4)]
    other = block("plug", "Another.", ears=Ears.RIGHT, label="RIGHT ear")
    steps = (Section(id="do", heading="What to do", blocks=(*parts[:3], other, parts[3])),)
    words = " ".join(text for _, _, text in words_of(render_sheet(a_reading(help=(), sections=steps), link=LINK)))
    order = ["LEFT ear", *(f"Sentence {number}." for number in range(3)), "RIGHT ear", "Another."]
    order += ["LEFT ear", "Sentence 3."]
    assert re.findall(r"(?:LEFT|RIGHT) ear|Sentence \d\.|Another\.", re.sub(r"\s+", " ", words)) == order


@pytest.mark.parametrize("large_print", [False, True])
def test_steps_that_go_on_overleaf_stand_under_the_name_of_their_ear_there_too(large_print: bool) -> None:
    parts = tuple(
        block("plug", f"Sentence number {number} is here.", ears=Ears.LEFT, label="LEFT ear") for number in range(1, 81)
    )
    steps = (Section(id="do", heading="What to do", blocks=parts),)
    pdf = render_sheet(a_reading(help=(), sections=steps), link=LINK, large_print=large_print)
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]
    with_steps = [page for page in pages if "Sentence number" in page]
    assert len(with_steps) > 1
    assert all("LEFT ear" in page for page in with_steps)


def test_boxes_of_lesser_urgency_stand_side_by_side_where_that_saves_paper_but_the_emergency_never_does() -> None:
    signs = tuple(block("pain", f"sign {number}") for number in range(3))
    help_ = (
        EMERGENCY,
        Section(id="help", urgency="next-day", heading="Contact us tomorrow. Do this if:", blocks=signs),
        Section(id="help", urgency="few-days", heading="Contact us soon. Do this if:", blocks=signs),
    )
    found = {text: left for _, left, text in words_of(render_sheet(a_reading(help=help_), link=LINK))}

    def left_of(start: str) -> float:
        return next(left for text, left in found.items() if text.startswith(start))

    assert left_of("Get emergency help now.") == left_of("Contact us tomorrow.")
    assert left_of("Contact us soon.") > left_of("Contact us tomorrow.") + 50 * POINTS_PER_MM


def a_shipped_plan(visit: Visit, language: str = "en") -> Reading:
    """A plan with every sentence of the shipped content, approved or not."""
    clinic = a_clinic()
    return read_plan(build_plan(visit, the_pack(), ClinicChoices()), draft_wordings(clinic), language, clinic)


HARD_WAX = a_visit(right=an_ear("hard-wax-cleared", by="suction"), left=an_ear("normal"))
TWO_EARS = a_visit(right=an_ear("wax-left", by="suction"), left=an_ear("perforation"), history=frozenset({"diabetes"}))


@pytest.mark.parametrize("language", ["en", "ur", "bn", "zh-Hans"])
@pytest.mark.parametrize(("visit", "most"), [(HARD_WAX, 2), (TWO_EARS, 3)], ids=["hard wax", "two ears"])
def test_a_common_plan_fits_on_one_sheet_of_paper_and_a_long_one_on_three_pages(
    visit: Visit, most: int, language: str
) -> None:
    pdf = render_sheet(a_shipped_plan(visit, language), link=LINK)
    assert len(PdfReader(io.BytesIO(pdf)).pages) <= most


@pytest.mark.parametrize(("visit", "most"), [(HARD_WAX, 4), (TWO_EARS, 6)], ids=["hard wax", "two ears"])
def test_a_plan_in_large_print_takes_no_more_than_three_sheets_of_paper(visit: Visit, most: int) -> None:
    pdf = render_sheet(a_shipped_plan(visit), link=LINK, large_print=True)
    assert len(PdfReader(io.BytesIO(pdf)).pages) <= most


def main_size_of(pdf: bytes) -> float:
    """The size, in points, in which most letters are set."""
    letters: Counter[float] = Counter()
    for found, _, text in words_of(pdf):
        letters[found] += len(text)
    return letters.most_common(1)[0][0]


@pytest.mark.parametrize(
    ("language", "sizes"), [("en", {11.5, 12.5}), ("ur", {13.0, 14.0}), ("bn", {12.5, 13.5}), ("zh-Hans", {11.5, 12.5})]
)
def test_a_long_plan_is_set_in_one_of_two_sizes(language: str, sizes: set[float]) -> None:
    assert main_size_of(render_sheet(a_shipped_plan(TWO_EARS, language), link=LINK)) in sizes


def test_letters_get_smaller_only_where_that_saves_a_page_of_a_plan_longer_than_one_sheet() -> None:
    found = []
    for times in range(1, 13):
        pdf = render_sheet(a_reading(help=(), sections=STEPS * times), link=LINK)
        found.append((len(PdfReader(io.BytesIO(pdf)).pages), main_size_of(pdf)))
    assert {size for pages, size in found if pages <= sheet.SIDES - 1} == {12.5}
    assert {size for _, size in found} == {11.5, 12.5}


def test_an_urgent_plan_says_what_to_do_now_before_anything_else_and_larger() -> None:
    pdf = render_sheet(a_reading(urgent=URGENT, sections=()), link=LINK)
    text = text_of(pdf)
    places = [text.index(part) for part in ("Do this now", "Go to the emergency department now.", "When to get help")]
    assert places == sorted(places)
    sizes = {text: size for size, _, text in words_of(pdf)}
    urgent = next(size for part, size in sizes.items() if part.startswith("Put no drops"))
    ordinary = next(size for part, size in sizes.items() if part.startswith("blood keeps"))
    assert urgent > ordinary


def test_urgent_advice_with_one_heading_says_it_once() -> None:
    text = text_of(render_sheet(a_reading(urgent=URGENT, sections=()), link=LINK))
    assert text.count("Do this now") == 1
    assert "Put no drops in the ear." in text


@pytest.mark.parametrize(("tag", "written"), [("en-GB", "en-GB"), ("cy", "cy"), ("pl", "pl"), ("pt-BR", "pt-BR")])
def test_the_file_says_its_language(tag: str, written: str) -> None:
    assert catalog_of(render_sheet(a_reading(language=tag), link=LINK))["/Lang"] == written


def test_an_urdu_sheet_says_its_language_and_reads_from_the_right() -> None:
    pdf = render_sheet(an_urdu_reading(), link=LINK)
    assert catalog_of(pdf)["/Lang"] == "ur"
    assert catalog_of(pdf)["/ViewerPreferences"]["/Direction"] == "/R2L"
    assert len(PdfReader(io.BytesIO(pdf)).pages) == 1


def test_a_phone_number_in_urdu_keeps_its_order_with_the_plus_on_the_left() -> None:
    pdf = render_sheet(an_urdu_reading(), link=LINK)
    boxes = text_of(pdf, "-bbox")
    places = {word: float(left) for left, word in re.findall(r'xMin="([\d.]+)"[^>]*>([+\d]+)</word>', boxes)}
    assert places["+44"] < places["20"] < places["7946"] < places["0123"]


@pytest.mark.parametrize("make", [a_reading, an_urdu_reading])
def test_digits_within_a_link_are_not_taken_for_a_phone_number(make: Any) -> None:
    link = "https://ear.example.org/p/Zk3vQ9xTmB2079460123Hd"
    assert link in text_of(render_sheet(make(), link=link))


@pytest.mark.parametrize(("make", "side"), [(a_reading, "left"), (an_urdu_reading, "right")])
def test_pictures_stand_where_a_line_of_the_language_begins(make: Any, side: str, tmp_path: Path) -> None:
    steps = (Section(id="do", heading="1", blocks=(block("plug", "2", ears=Ears.LEFT, label="3"),)),)
    reading = replace(make(), help=(), sections=steps, title="4")
    page = pages_of(render_sheet(reading, link=LINK), tmp_path)[0].convert("RGB")
    rows = [[x for x in range(page.width) if page.getpixel((x, y)) == OLIVE] for y in range(page.height)]
    olive = [x for row in rows if len(row) < page.width // 2 for x in row]  # the picture, without the rules
    assert olive
    assert {"left" if x < page.width // 2 else "right" for x in olive} == {side}


def test_the_file_is_tagged_for_screen_readers_and_says_so() -> None:
    pdf = render_sheet(a_reading(), link=LINK)
    root = catalog_of(pdf)
    assert b"<pdfuaid:part>1</pdfuaid:part>" in root["/Metadata"].get_object().get_data()
    assert root["/MarkInfo"]["/Marked"].value is True
    assert PdfReader(io.BytesIO(pdf)).metadata.title == "Your ear care plan"  # type: ignore[union-attr]


def test_headings_and_lists_are_tagged_and_pictures_are_passed_over() -> None:
    tags = tags_of(render_sheet(a_reading(), link=LINK))
    assert tags.count("/H1") == 3  # when to get help, what to do, water
    assert tags.count("/H2") == 2  # one a degree of urgency
    assert tags.count("/LI") == 3 + 1 + 2  # signs of each box, and the step with two sentences
    assert "/Figure" not in tags


def test_a_draft_note_stands_on_every_page() -> None:
    note = "Draft wording: do not give this sheet to a patient."
    pdf = render_sheet(a_reading(sections=STEPS * 3), link=LINK, draft_note=note)
    pages = len(PdfReader(io.BytesIO(pdf)).pages)
    assert pages > 1
    assert text_of(pdf).count(note) == pages


def test_a_sheet_without_a_draft_note_does_not_speak_of_drafts() -> None:
    assert "Draft" not in text_of(render_sheet(a_reading(), link=LINK))


def test_pages_are_numbered_with_their_count() -> None:
    pdf = render_sheet(a_reading(sections=STEPS * 3), link=LINK)
    pages = len(PdfReader(io.BytesIO(pdf)).pages)
    found = [page.extract_text().splitlines()[-1] for page in PdfReader(io.BytesIO(pdf)).pages]
    assert found == [f"Harbour Ear Clinic {page} / {pages}" for page in range(1, pages + 1)]


@pytest.mark.parametrize("large_print", [False, True])
def test_signs_that_fill_more_than_a_page_go_on_to_the_next_and_none_is_lost(large_print: bool) -> None:
    signs = tuple(block("pain", f"sign number {number} is here") for number in range(1, 61))
    pdf = render_sheet(a_reading(help=(replace(EMERGENCY, blocks=signs),)), link=LINK, large_print=large_print)
    text = text_of(pdf)
    assert [sign for sign in signs if sign.sentences[0] not in text] == []
    for page in PdfReader(io.BytesIO(pdf)).pages:  # nothing runs off the paper
        bottom = [0.0]
        page.extract_text(visitor_text=lambda text, cm, tm, *_, seen=bottom: seen.append(tm[5] * cm[3] + cm[5]))
        assert min(bottom) >= 0


def test_signs_that_go_on_overleaf_stand_under_their_heading_there_too() -> None:
    signs = tuple(block("pain", f"sign number {number} is here") for number in range(1, 61))
    pdf = render_sheet(a_reading(help=(replace(EMERGENCY, blocks=signs),)), link=LINK, large_print=True)
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]
    with_signs = [page for page in pages if "sign number" in page]
    assert len(with_signs) > 1
    assert all("Get emergency help now." in page for page in with_signs)
    assert tags_of(pdf).count("/H2") == 1  # a screen reader hears it once


def test_a_step_that_fits_on_a_page_is_not_cut_in_two() -> None:
    sentences = tuple(f"Sentence number {number} of a long step." for number in range(1, 19))
    long = (Section(id="do", heading="What to do", blocks=(block("drops-in", *sentences),)),)
    pdf = render_sheet(a_reading(sections=STEPS + long), link=LINK, large_print=True)
    pages = [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]
    assert len([page for page in pages if "of a long step" in page]) == 1


def test_text_keeps_away_from_the_edges_of_the_paper() -> None:
    pdf = render_sheet(a_reading(), link=LINK, large_print=True)
    assert min(left for _, left, _ in words_of(pdf)) >= 15 * POINTS_PER_MM


def test_a_letter_that_the_fonts_do_not_have_is_refused_and_named() -> None:
    with pytest.raises(WordingError, match=r"no letter for த.*: only Latin, .*, Bengali, Chinese, Japanese and Korean"):
        render_sheet(a_reading(title="Ear care plan for தமிழ்"), link=LINK)


@pytest.mark.parametrize("language", ["pl", "cy", "el", "uk", "vi", "tr", "so", "bn", "zh-Hans", "zh-Hant", "ja", "ko"])
def test_letters_of_the_languages_of_these_scripts_can_be_printed(language: str) -> None:
    samples = {
        "pl": "Zażółć gęślą jaźń",
        "cy": "tŷ ŵyr ïâ",
        "el": "Το σχέδιό σας",
        "uk": "Ваш план, ґанок їжак",
        "vi": "Kế hoạch chăm sóc tai của bạn",
        "tr": "Kulak bakım planınız, ığşİ",
        "so": "Qorshahaaga daryeelka dhegta",
        "bn": "কানের যত্ন: ক্ষত, জ্ঞান, র‍্যাশ, ঊর্ধ্ব ১২৩",
        "zh-Hans": "您的耳朵护理计划",
        "zh-Hant": "您的耳朵護理計劃",
        "ja": "耳のケアの計画",
        "ko": "귀 관리 계획",
    }
    pdf = render_sheet(a_reading(language=language, title=samples[language]), link=LINK)
    assert samples[language] in text_of(pdf)


@pytest.mark.parametrize("label", sheet.LABELS)
def test_a_plan_without_a_label_that_the_sheet_needs_is_refused(label: str) -> None:
    labels = {name: text for name, text in a_reading().labels.items() if name != label}
    with pytest.raises(WordingError, match=re.escape(label)):
        render_sheet(a_reading(labels=labels), link=LINK)


def test_the_fonts_come_from_the_font_packages_alone() -> None:
    pages: Any = PdfReader(io.BytesIO(render_sheet(an_urdu_reading(), link=LINK))).pages
    fonts = {font.get_object()["/BaseFont"] for page in pages for font in page["/Resources"]["/Font"].values()}
    families = {re.sub(r"^/[A-Z]{6}\+|(-?(Regular|Bold))?$", "", font) for font in fonts}
    assert families == {"NotoSans", "NotoSansArabic"}, fonts


def some_questions(count: int, words: int = 20) -> Questions:
    asked = tuple(
        Answered(id=str(n), ask=f"Question {n}?", answer=(f"Answer {n}: " + "word " * words + ".",), help="Get help.")
        for n in range(count)
    )
    return Questions(heading="Common questions", intro=("The clinic wrote these.",), asked=asked)


@pytest.mark.parametrize("large_print", [False, True])
def test_the_first_questions_stand_after_the_plan_with_the_way_to_help_once_below_them(large_print: bool) -> None:
    reading = a_reading(questions=some_questions(6))
    text = text_of(render_sheet(reading, link=LINK, large_print=large_print, questions=2))
    order = [text.index(part) for part in ("When to get help", "What to do", "Common questions", "Question 1?")]
    assert order == sorted(order)
    assert "Answer 0" in text
    assert "Question 2?" not in text
    assert text.count("Get help.") == 1


def test_a_sheet_has_no_questions_unless_asked_for() -> None:
    assert "Question" not in text_of(render_sheet(a_reading(questions=some_questions(6), footer=()), link=LINK))
    none = a_reading(footer=())
    assert "Question" not in text_of(render_sheet(none, link=LINK, questions=5))


@pytest.mark.parametrize("times", [1, 3, 5, 7, 9, 11, 13])
def test_questions_need_no_further_sheet_of_paper(times: int) -> None:
    def paper(pdf: bytes) -> int:
        return -(-len(PdfReader(io.BytesIO(pdf)).pages) // SIDES)

    reading = a_reading(sections=STEPS * times, questions=some_questions(5, words=60))
    assert paper(render_sheet(reading, link=LINK, questions=5)) == paper(render_sheet(reading, link=LINK))


def test_in_large_print_every_question_asked_for_is_there() -> None:
    reading = a_reading(sections=STEPS * 3, questions=some_questions(5, words=60))
    text = text_of(render_sheet(reading, link=LINK, large_print=True, questions=5))
    assert all(f"Question {n}?" in text for n in range(5))
    pdf = render_sheet(reading, link=LINK, large_print=True, questions=5)
    assert min(size for size, _, _ in words_of(pdf)) >= 18


@pytest.mark.parametrize("large_print", [False, True])
def test_the_questions_of_a_shipped_plan_are_printed(large_print: bool) -> None:
    pack, plan = the_pack(), build_plan(HARD_WAX, the_pack(), ClinicChoices())
    reading = read_plan(plan, draft_wordings(), "en", a_clinic(), questions=questions_for(plan, HARD_WAX, pack))
    assert reading.questions is not None
    text = text_of(render_sheet(reading, link=LINK, large_print=large_print, questions=pack.questions_on_sheet))
    assert reading.questions.asked[0].ask in text
    assert sum(each.ask in text for each in reading.questions.asked) <= pack.questions_on_sheet


@pytest.mark.parametrize(
    ("language", "own"),
    [("bn", {"HindSiliguri-Regular", "HindSiliguri-Bold"}), ("zh-Hans", {"NotoSansCJKsc-Thin"})],
)
def test_a_bengali_or_chinese_sheet_is_set_in_its_own_letters_and_latin_ones(language: str, own: set[str]) -> None:
    pages: Any = PdfReader(io.BytesIO(render_sheet(a_shipped_plan(HARD_WAX, language), link=LINK))).pages
    fonts = {font.get_object()["/BaseFont"][8:] for page in pages for font in page["/Resources"]["/Font"].values()}
    assert fonts == own | {"NotoSans-Regular"}, "one variable font counts as its first weight"


def boxes_of(pdf: bytes) -> list[tuple[str, float, float]]:
    """Every line as (its text, its width, its distance from the left edge), points."""
    command = ["pdftotext", "-bbox-layout", "-", "-"]
    found = subprocess.run(command, input=pdf, capture_output=True, check=True).stdout.decode()
    lines = re.findall(r'<line xMin="([\d.]+)" yMin="[\d.]+" xMax="([\d.]+)".*?>(.*?)</line>', found, re.DOTALL)
    return [
        (unescape("".join(re.findall(r">([^<]*)</word>", words))), float(right) - float(left), float(left))
        for left, right, words in lines
    ]


@pytest.mark.parametrize("large_print", [False, True])
@pytest.mark.parametrize("visit", [HARD_WAX, TWO_EARS], ids=["hard wax", "two ears"])
def test_no_line_of_chinese_begins_with_a_mark_that_ends_or_ends_with_one_that_opens(
    visit: Visit, large_print: bool
) -> None:
    lines = [
        text
        for text, _, _ in boxes_of(render_sheet(a_shipped_plan(visit, "zh-Hans"), link=LINK, large_print=large_print))
    ]
    assert sum(text.endswith(("。", "，")) for text in lines) > 5, "the marks are there to be found"
    assert [text for text in lines if text.startswith(tuple("。，、；：！？”）·"))] == []
    assert [text for text in lines if text.endswith(("“", "（"))] == []


@pytest.mark.parametrize(("joined", "apart"), [("ক্ষ", "কষ"), ("জ্ঞ", "জঞ"), ("ত্ত", "তত"), ("ন্ত্র", "নতর")])
def test_bengali_letters_that_form_one_sign_are_drawn_as_one(joined: str, apart: str) -> None:
    def width(letters: str) -> float:
        reading = a_reading(language="bn", title=letters * 6, help=(), sections=(), footer=())
        lines = boxes_of(render_sheet(reading, link=LINK))
        return next(width for text, width, _ in lines if text[0] == letters[0])

    assert width(joined) < 0.85 * width(apart)


@pytest.mark.parametrize("large_print", [False, True])
def test_a_telephone_number_stays_on_one_line_and_in_latin_digits_among_bengali_ones(large_print: bool) -> None:
    pdf = render_sheet(a_shipped_plan(TWO_EARS, "bn"), link=LINK, large_print=large_print)
    text = text_of(pdf)
    assert "020 7946 0123" in text
    assert "999" in text
    assert "২০২৬" in text
    assert "2026" not in text


def test_the_first_words_of_a_chinese_heading_are_the_heading_and_no_space_follows_its_full_stop() -> None:
    text = text_of(render_sheet(a_shipped_plan(HARD_WAX, "zh-Hans"), link=LINK))
    assert "请马上求救。打" in text
    heading = Section(id="help", urgency="emergency", heading="请马上求救。打 999。", blocks=EMERGENCY.blocks)
    assert sheet._section(heading, split=True) | {"blocks": [], "groups": []} == {
        "heading": "请马上求救。",
        "more": ["打 999。"],
        "urgency": "emergency",
        "blocks": [],
        "groups": [],
    }
