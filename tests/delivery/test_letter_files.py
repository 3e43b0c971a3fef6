"""What a letter encloses: the sheet where it gives the plan, and later only words, with the way to the plan."""

from __future__ import annotations

import io
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest
import zxingcpp
from builders import a_person, a_visit, draft_wordings
from PIL import Image
from planning.letter_desk import a_printing_clinic
from pypdf import PdfReader

from service.delivery.attachments import attachments_for
from service.domain.contact import Channel
from service.domain.message import Attachment, MessageKind, PlannedMessage
from service.domain.recall import invitation_key
from service.messages.compose import Letter, compose
from service.planning.aftercare import give
from service.planning.as_booked import plan_as_booked
from service.transports.printed import joined

TOKEN = "AbCdEfGhIjKlMnOpQrStUv"
LINK = f"https://larkfield.example/p/{TOKEN}"
KEYS = {MessageKind.RETURN_DUE: invitation_key(1, 1)}
BOOKED = ("2026-12-20", "14:30")
LATER = [MessageKind.RETURN_DUE, MessageKind.APPOINTMENT]


def files_of(folder: Path, kind: MessageKind, **contact: object) -> tuple[Attachment, ...]:
    services, clock = a_printing_clinic(folder)
    a_person(services, channels=(Channel.LETTER,), **contact)
    stored = give(services, "maud", a_visit(), by="nurse")
    with services.open_reading() as work:
        who = work.people.get("maud").contact
    now = clock.now()
    planned = PlannedMessage(
        key=KEYS.get(kind, kind.value), kind=kind, due=now, earliest=now, last_useful=now + timedelta(days=9),
        wall="2026-11-25T10:00", zone=who.zone,
    )  # fmt: skip
    letter, plan = Letter(link=LINK, pack="test", booked=BOOKED), plan_as_booked(services.pack, stored)
    composed = compose(planned, plan, who, services.clinic, draft_wordings(), Channel.LETTER, letter)
    return attachments_for(services, stored, who, composed, kind, TOKEN)


def pages_of(files: tuple[Attachment, ...]) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(joined([each.data for each in files]))).pages]


@pytest.mark.parametrize("kind", LATER)
def test_a_later_letter_encloses_no_drops_but_says_whom_to_call_and_where_the_plan_is(
    tmp_path: Path, kind: MessageKind
) -> None:
    files = files_of(tmp_path, kind)
    assert [each.name for each in files] == ["address.pdf"]
    (page,) = pages_of(files)
    assert "020 7946 0123" in page and LINK in page
    assert "drops" not in page and "RIGHT ear" not in page


def test_the_letter_with_the_plan_encloses_the_sheet_behind_a_page_with_a_blank_back(tmp_path: Path) -> None:
    files = files_of(tmp_path, MessageKind.PLAN_GIVEN)
    assert [each.name for each in files] == ["address.pdf", "plan.pdf"]
    address, back, *sheet = pages_of(files)
    assert "Maud Ellery" in address and back == "" and "RIGHT ear" in "".join(sheet)
    assert LINK not in address


def test_the_address_of_the_page_has_a_line_of_its_own_and_its_code_beside_it(tmp_path: Path) -> None:
    (page,) = files_of(tmp_path, MessageKind.RETURN_DUE)
    said = PdfReader(io.BytesIO(page.data)).pages[0].extract_text()
    lines = [line.strip() for line in said.splitlines()]
    at = lines.index(LINK)
    assert lines[at + 1] == "Or call 020 7946 0123.", "the number is not behind the address"
    (tmp_path / "letter.pdf").write_bytes(page.data)
    command = ["pdftoppm", "-r", "150", "-png", "-singlefile", "letter.pdf", "letter"]
    subprocess.run(command, cwd=tmp_path, check=True)
    with Image.open(tmp_path / "letter.png") as picture:
        assert [code.text for code in zxingcpp.read_barcodes(picture)] == [LINK]


@pytest.mark.parametrize("language", ["en", "ur", "bn", "zh-Hans", "cy", "ar"])
@pytest.mark.parametrize("large", [False, True], ids=["ordinary", "large"])
def test_no_page_of_a_letter_is_blank_in_any_print(tmp_path: Path, language: str, large: bool) -> None:
    pages = pages_of(files_of(tmp_path, MessageKind.RETURN_DUE, language=language, large_print=large))
    assert len(pages) == (2 if large else 1)
    assert all(page.strip() for page in pages)
