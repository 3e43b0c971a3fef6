"""The page for the window of the envelope: measured in millimetres, for each kind of window."""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import date

import pytest
from builders import a_clinic
from pypdf import PageObject, PdfReader

from service.domain.window import WINDOWS, Window
from service.errors import WordingError
from service.messages.address_page import render_address_page
from service.messages.print_run import render_marks

MM = 72 / 25.4
"""Points in a millimetre."""
DAY = date(2026, 11, 25)
SHORT = ("Maud Ellery", "2 Elm Row", "Exampleton", "EX1 0AB")
SIX_LINES = (
    "Aleksandra Wiśniewska",
    "Flat 14, Zażółć House",
    "Long Meadow Nursing Home",
    "128 Świętokrzyska Road",
    "Little Exampleton",
    "Exampleshire",
    "EX1 0AB",
)
URDU = ("محمد اقبال حسین", "2 Elm Row", "Exampleton", "EX1 0AB")
every_window = pytest.mark.parametrize("window", WINDOWS.values(), ids=WINDOWS)


@dataclass(frozen=True)
class Run:
    """A run of text on a page: where its baseline begins, millimetres from the left and upper edges, and its size."""

    text: str
    left: float
    baseline: float
    points: float


def runs_of(page: PageObject) -> list[Run]:
    found: list[Run] = []
    height = float(page.mediabox.height)

    def note(text: str, cm: list[float], tm: list[float], _font: object, size: float) -> None:
        if text.strip():
            x, y = tm[4] * cm[0] + tm[5] * cm[2] + cm[4], tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
            scale = abs(cm[3] * tm[3]) or 1.0
            found.append(Run(text.strip(), x / MM, (height - y) / MM, size * scale))

    page.extract_text(visitor_text=note)
    return found


def pages_of(recipient: tuple[str, ...], window: Window, language: str = "en") -> list[PageObject]:
    pdf = render_address_page(recipient, a_clinic(), window, language=language, dated=DAY)
    return list(PdfReader(io.BytesIO(pdf)).pages)


def in_window(page: PageObject, window: Window) -> list[Run]:
    """Every run of which a part may be seen through the window, however the paper lies in the envelope."""
    seen = window.ever
    return [
        run
        for run in runs_of(page)
        if run.baseline + run.points / MM * 0.3 > seen.top and run.baseline - run.points / MM < seen.bottom
    ]


@every_window
@pytest.mark.parametrize("recipient", [SHORT, SIX_LINES], ids=["short", "six lines"])
def test_the_address_stands_where_the_window_always_shows_it(window: Window, recipient: tuple[str, ...]) -> None:
    runs = in_window(pages_of(recipient, window)[0], window)
    assert [run.text for run in runs] == list(recipient), "the name and the address, and nothing else"
    for run in runs:
        assert run.points >= 9 - 0.01
        assert run.left == pytest.approx(window.block.left, abs=0.1)
        # A letter reaches at most 1.07 of the size above its line (an accent on a capital), 0.3 below it.
        assert run.baseline - 0.85 * run.points / MM >= window.block.top - 0.05
        assert run.baseline + 0.25 * run.points / MM <= window.block.bottom + 0.05


@every_window
def test_the_block_lies_within_what_is_seen_wherever_the_paper_slides(window: Window) -> None:
    always, ever, block = window.always, window.ever, window.block
    assert ever.left <= always.left < block.left and block.right < always.right <= ever.right
    assert ever.top <= always.top < block.top and block.bottom < always.bottom <= ever.bottom
    assert block.right - block.left >= 65 and block.bottom - block.top >= 26


@pytest.mark.parametrize(
    ("name", "left", "first_line"),
    [
        ("bs-4264-dl", 22.0, 59.0),  # 2 in from the window's left edge (20); 2 below 57, the upper edge of 90 x 35
        ("din-5008-b", 25.0, 62.7),  # DIN 5008 form B: text from 25, the recipient's zone from 62.7
        ("uk-c5", 22.0, 60.0),  # 2 in from 20; 2 below 58 (162 - 60 - 44)
    ],
)
def test_an_ordinary_address_begins_at_the_place_of_the_standard(name: str, left: float, first_line: float) -> None:
    first = in_window(pages_of(SHORT, WINDOWS[name])[0], WINDOWS[name])[0]
    assert first.left == pytest.approx(left, abs=0.1)
    assert first.baseline - 0.85 * first.points / MM == pytest.approx(first_line, abs=0.15)


@every_window
def test_the_back_of_the_page_is_blank(window: Window) -> None:
    front, back = pages_of(SHORT, window)
    assert runs_of(back) == []
    assert [round(float(side)) for side in front.mediabox[2:]] == [595, 842], "A4"


@every_window
def test_a_letter_mark_stands_outside_the_window(window: Window) -> None:
    pages = PdfReader(io.BytesIO(render_marks([2, 1]))).pages
    assert [page.extract_text() for page in pages] == ["Letter 1 of 2, 2 sheets", "Letter 2 of 2, 1 sheet"]
    assert all(in_window(page, window) == [] for page in pages)


@every_window
def test_a_name_in_urdu_is_set_from_its_own_letters(window: Window) -> None:
    page = pages_of(URDU, window, "ur")[0]
    fonts = {str(font.get_object()["/BaseFont"]) for font in page["/Resources"]["/Font"].values()}  # type: ignore[index]
    assert any("Arabic" in font for font in fonts)
    latin = [run for run in in_window(page, window) if run.text in URDU]
    assert [run.text for run in latin] == list(URDU[1:])
    assert all(run.left == pytest.approx(window.block.left, abs=0.1) for run in latin)


@every_window
@pytest.mark.parametrize(
    ("language", "name", "font"), [("bn", "রহিমা খাতুন", "HindSiliguri"), ("zh-Hans", "李秀英", "NotoSansCJKsc")]
)
def test_a_name_in_bengali_or_chinese_is_set_from_its_own_letters(
    window: Window, language: str, name: str, font: str
) -> None:
    for tag in (language, "en"):  # a letter in English to somebody with such a name too
        page = pages_of((name, *URDU[1:]), window, tag)[0]
        fonts = {str(found.get_object()["/BaseFont"]) for found in page["/Resources"]["/Font"].values()}  # type: ignore[index]
        assert any(font in found for found in fonts), fonts


def test_a_long_line_goes_on_in_the_next_line_of_the_window() -> None:
    window = WINDOWS["uk-c5"]
    runs = in_window(
        pages_of(("Maud Ellery", "The Long Meadow Residential Nursing Home, Upper East Wing", "EX1 0AB"), window)[0],
        window,
    )
    assert len(runs) == 4
    assert " ".join(run.text for run in runs[1:3]) == "The Long Meadow Residential Nursing Home, Upper East Wing"


@pytest.mark.parametrize(
    ("recipient", "said"),
    [
        (("Maud Ellery",), "no address under the name"),
        ((*SIX_LINES, "United Kingdom"), "take 8 lines, and the window of the envelope shows 7"),
        (("Maud Ellery", "M" * 60, "EX1 0AB"), "shorten the longest line"),
        (tuple(f"{line} and quite a lot more to say in one line" for line in SIX_LINES), "do not fit into the window"),
        (("Maud தமிழ்", "2 Elm Row"), "the address page has no letter for த"),
    ],
)
def test_an_address_that_cannot_be_shown_is_refused_with_what_to_do(recipient: tuple[str, ...], said: str) -> None:
    with pytest.raises(WordingError, match=said):
        pages_of(recipient, WINDOWS["bs-4264-dl"])


def test_what_a_person_typed_is_never_read_as_markup() -> None:
    window = WINDOWS["bs-4264-dl"]
    typed = ("Maud *Ellery* #panic()", "$x$ [2] <Elm> \\ Row", "EX1 0AB")
    assert [run.text for run in in_window(pages_of(typed, window)[0], window)] == list(typed)
