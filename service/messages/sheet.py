"""How does a plan look on paper? One A4 PDF: what to watch for first, then what to do, with the page's link as a code.

The text goes to the compiler as data (JSON), never as its source, so nothing that a person typed can be markup. Fonts
come from font packages and from nowhere else: the sheet is the same on every machine, and the same plan gives the
same bytes. The file is tagged to PDF/UA-1 (ISO 14289-1), which also refuses a character that no font can show.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterable
from itertools import groupby

import segno
import typst

from service.domain.placeholders import Kind
from service.errors import WordingError
from service.messages.i18n import canonical_tag, direction, format_number, isolate
from service.messages.reading import Block, Questions, Reading, Section
from service.messages.typesetting import compiler, pdf_of
from service.pictograms import FALLBACK, path_of

LABELS = ("section.help", "sheet.link")
"""The ids of the short words that the sheet takes from `Reading.labels`."""

SIDES = 2
"""Pages on one sheet of paper."""
QUIET_ZONE = 4
"""Blank modules around the code, the least that ISO/IEC 18004 allows."""

# The first words of a text: up to a full stop, question or exclamation mark, comma or colon (Latin, Arabic, Urdu,
# Indic) before a space, or a Chinese one, which no space follows. They are set in bold, the rest as text on that line.
_LEAD = re.compile(r"(.+?(?:[.!?,:؟۔،।](?=\s)|[。！？，：]))\s*(\S.*)", re.DOTALL)


def render_sheet(
    reading: Reading, *, link: str, large_print: bool = False, draft_note: str | None = None, questions: int = 0
) -> bytes:
    """The plan as a PDF for A4 paper.

    `link` is the address of the patient's page; it is printed and also drawn as a code. With `large_print` no letter
    is smaller than 18 points; otherwise sentences are set in 12.5 points (13.5 in Bengali letters, 14 in Arabic ones),
    or in 11.5 (12.5, 13) where that saves a page and the plan does not fit on one sheet of paper anyway. `draft_note`,
    if given, stands in a frame at the top of every page. `questions` is how many of the common questions follow the
    plan at most; in ordinary print only as many as what is left of the last sheet of paper holds.

    Raises:
        NotFoundError: a block asks for a picture that does not exist.
        WordingError: a label is missing, or a character cannot be printed; names it.
    """
    missing = [label for label in LABELS if not reading.labels.get(label)]
    if missing:
        raise WordingError(f"the sheet needs the labels {', '.join(missing)}; say them with the plan")
    language, region = _language(reading.language)
    sheet: dict[str, object] = {
        "language": language,
        "region": region,
        "direction": reading.direction,
        "large": large_print,
        "draft_note": draft_note,
        "title": reading.title,
        "clinic": isolate(reading.clinic, Kind.TEXT, direction(reading.language)),
        "date": reading.date,
        "about": reading.about,
        "urgent": _urgent(reading.urgent),
        "help_heading": reading.labels["section.help"],
        "help": [_section(section, split=True) for section in reading.help],
        "sections": [_section(section) for section in reading.sections],
        "link": link,
        "link_label": reading.labels["sheet.link"],
        "footer": reading.footer,
        "clinic_lines": [isolate(line, Kind.TEXT, direction(reading.language)) for line in reading.clinic_lines],
        "digits": [format_number(digit, reading.language) for digit in range(10)],
    }
    code = square_code(link)
    sheet["questions"] = _questions(reading.questions, questions)
    tight, roomy = (
        {"sheet": json.dumps({**sheet, "roomy": roomy}, ensure_ascii=False), "code": code} for roomy in (False, True)
    )
    if large_print:
        return _compile(tight, reading.language)
    # Larger letters where they cost no paper: within the two sides of one sheet, or where small ones save no page.
    pages = _pages(roomy, reading.language)
    fits = pages <= SIDES or pages <= _pages(tight, reading.language)
    return _compile(roomy if fits else tight, reading.language)


def _pages(inputs: dict[str, str], language: str) -> int:
    (count,) = json.loads(_compiler(inputs, language).query("<pages>", field="value"))
    return int(count)


def _compile(inputs: dict[str, str], language: str) -> bytes:
    instead = "write the name in one of these or give the page in place of the sheet"
    return pdf_of(_compiler(inputs, language), "the sheet", instead)


def _compiler(inputs: dict[str, str], language: str) -> typst.Compiler:
    return compiler("sheet", inputs, language, path_of(FALLBACK).parent)


def _language(tag: str) -> tuple[str, str | None]:
    """The language and the country of a tag, as the compiler wants them; it works out the script from the letters."""
    language, *rest = canonical_tag(tag).split("-")
    return language, next((part for part in rest if len(part) == 2 and part.isupper()), None)


def square_code(link: str) -> str:
    """The link as a QR code in SVG, correction level M or better where that costs no space."""
    out = io.BytesIO()
    segno.make(link, error="m", micro=False).save(out, kind="svg", border=QUIET_ZONE, xmldecl=False, scale=4)
    return out.getvalue().decode()


def _questions(questions: Questions | None, most: int) -> dict[str, object] | None:
    """The first `most` questions as data. The way to help, the same for all, is said once below them."""
    if questions is None or most < 1:
        return None
    shown = questions.asked[:most]
    return {
        "heading": questions.heading,
        "more": questions.intro,
        "asked": [{"ask": each.ask, "answer": each.answer, "leads": bool(each.help)} for each in shown],
        "help": next((each.help for each in shown if each.help), ""),
    }


def _urgent(sections: Iterable[Section]) -> list[dict[str, object]]:
    """The urgent sections; those that follow each other under the same heading share it, and one frame."""
    found: list[dict[str, object]] = []
    for heading, same in groupby(sections, key=lambda section: section.heading):
        blocks = tuple(block for section in same for block in section.blocks)
        found.append(_section(Section(id="urgent", heading=heading, blocks=blocks)))
    return found


def _section(section: Section, *, split: bool = False) -> dict[str, object]:
    """One section as data. `split`: only the first words of the heading are set as a heading, the rest as text."""
    heading, more = section.heading, list(section.intro)
    match = _LEAD.fullmatch(heading) if split else None
    if match is not None:
        heading, more = match[1], [match[2], *more]
    return {
        "heading": heading,
        "more": more,
        "urgency": section.urgency,
        "blocks": [_block(block) for block in section.blocks],
        "groups": _groups(section.blocks),
    }


def _groups(blocks: Iterable[Block]) -> list[dict[str, object]]:
    """The blocks with those that follow each other for the same ear together: the ear is named once for all of them."""
    return [
        {"ears": ears.value if ears else None, "ears_label": label, "blocks": [_block(block) for block in same]}
        for (ears, label), same in groupby(blocks, key=lambda block: (block.ears, block.ears_label))
    ]


def _block(block: Block) -> dict[str, object]:
    return {
        "picture": path_of(block.picture).name,
        "sentences": block.sentences,
    }
