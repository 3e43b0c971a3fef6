"""Folder and printed sheet: whole files, one a message."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from envelopes import a_pdf, an_envelope
from pypdf import PdfReader, PdfWriter

from service.domain.contact import Channel
from service.domain.message import Attachment, Envelope, Result
from service.domain.window import DEFAULT, WINDOWS
from service.errors import NotFoundError, TransportError
from service.transports.contract import TransportContract
from service.transports.folder import FolderTransport
from service.transports.port import Transport, load_transport
from service.transports.printed import KeepsLetters, PrintedTransport


def a_sheet(pages: int, width: float = 595) -> Attachment:
    """A readable PDF of blank pages."""
    writer, out = PdfWriter(), io.BytesIO()
    for _ in range(pages):
        writer.add_blank_page(width, 842)
    writer.write(out)
    return Attachment(name="plan.pdf", media_type="application/pdf", data=out.getvalue())


class TestFolder(TransportContract):
    @pytest.fixture(autouse=True)
    def _folder(self, tmp_path: Path) -> None:
        self.folder = tmp_path / "out"

    def transport(self) -> Transport:
        return FolderTransport.from_options({"folder": str(self.folder)})

    def envelope(self, key: str) -> Envelope:
        return an_envelope(key)

    def arrived(self) -> list[str]:
        return [place.stem.split("-")[1] for place in sorted(self.folder.iterdir())]

    @pytest.mark.parametrize(
        ("channel", "suffix", "holds"),
        [
            (Channel.TEXT, ".txt", b"To: +447700900123\n\nHello Maud,"),
            (Channel.EMAIL, ".eml", b"Subject: Your plan\r\n"),
            (Channel.LETTER, ".pdf", b"%PDF-1.7"),
        ],
    )
    def test_each_channel_has_its_own_kind_of_file(self, channel: Channel, suffix: str, holds: bytes) -> None:
        self.transport().send(an_envelope(channel=channel, attachments=(a_pdf(),) if suffix == ".pdf" else ()))
        (place,) = self.folder.iterdir()
        assert place.suffix == suffix
        assert holds in place.read_bytes()


class TestPrinted(TransportContract):
    @pytest.fixture(autouse=True)
    def _folder(self, tmp_path: Path) -> None:
        self.folder = tmp_path / "letters"

    def transport(self) -> Transport:
        return PrintedTransport.from_options({"folder": str(self.folder)})

    def envelope(self, key: str) -> Envelope:
        return an_envelope(key, Channel.LETTER, attachments=(a_sheet(3),))

    def arrived(self) -> list[str]:
        return [place.stem.split("-")[1] for place in sorted(self.folder.iterdir())]

    def test_every_part_of_a_letter_begins_on_a_sheet_of_its_own(self) -> None:
        printer = PrintedTransport.from_options({"folder": str(self.folder)})
        outcome = printer.send(an_envelope(channel=Channel.LETTER, attachments=(a_sheet(1, 300), a_sheet(3, 400))))
        pages = PdfReader(io.BytesIO(printer.read(outcome.reference or ""))).pages
        # The blank page that follows an odd one is as large as the page before it.
        assert [float(page.mediabox.width) for page in pages] == [300, 300, 400, 400, 400]

    def test_the_same_letter_gives_the_same_file(self) -> None:
        printer = PrintedTransport.from_options({"folder": str(self.folder)})
        outcomes = [printer.send(self.envelope("a" * 32)) for _ in range(2)]
        assert outcomes[0] == outcomes[1]
        first = printer.read(outcomes[0].reference or "")
        printer.send(self.envelope("a" * 32))
        assert printer.read(outcomes[0].reference or "") == first

    def test_a_broken_sheet_is_refused_and_leaves_no_file(self) -> None:
        outcome = self.transport().send(an_envelope(channel=Channel.LETTER, attachments=(a_pdf(),)))
        assert outcome.result is Result.REFUSED and "not a usable PDF" in outcome.detail
        assert list(self.folder.iterdir()) == []

    @pytest.mark.parametrize("reference", ["", "20261125T2130-gone.pdf", "../secret.pdf"])
    def test_a_file_that_is_not_in_the_folder_is_not_found(self, reference: str) -> None:
        printer = PrintedTransport.from_options({"folder": str(self.folder)})
        (self.folder.parent / "secret.pdf").write_bytes(b"not a letter")
        with pytest.raises(NotFoundError, match="no longer in the folder"):
            printer.read(reference)

    def test_the_window_of_the_envelopes_is_chosen_by_name(self) -> None:
        assert PrintedTransport.from_options({"folder": str(self.folder)}).window.name == DEFAULT
        chosen = PrintedTransport.from_options({"folder": str(self.folder), "window": "din-5008-b"})
        assert isinstance(chosen, KeepsLetters) and chosen.window is WINDOWS["din-5008-b"]
        with pytest.raises(TransportError, match="option window must be one of bs-4264-dl, din-5008-b, uk-c5"):
            PrintedTransport.from_options({"folder": str(self.folder), "window": "large"})

    def test_a_message_without_a_sheet_is_refused_since_a_printer_cannot_carry_it(self) -> None:
        assert self.transport().send(an_envelope(channel=Channel.LETTER)).result is Result.REFUSED


def test_transports_are_found_by_entry_point_like_foreign_ones(tmp_path: Path) -> None:
    assert isinstance(load_transport("folder", {"folder": str(tmp_path)}), FolderTransport)
    with pytest.raises(TransportError, match="'pigeon' is not installed; installed: folder, http, printed, smpp, smtp"):
        load_transport("pigeon", {})


@pytest.mark.parametrize(("name", "channel"), [("folder", Channel.TEXT), ("printed", Channel.LETTER)])
def test_what_cannot_be_written_was_surely_not_taken_and_is_tried_again(
    tmp_path: Path, name: str, channel: Channel
) -> None:
    transport = load_transport(name, {"folder": str(tmp_path / "out")})
    envelope = an_envelope("a" * 32, channel, attachments=(a_sheet(1),) if channel is Channel.LETTER else ())
    (tmp_path / "out").rename(tmp_path / "away")
    outcome = transport.send(envelope)
    assert (outcome.result, outcome.detail) == (Result.RETRY, "the file cannot be written: No such file or directory")
    (tmp_path / "away").rename(tmp_path / "out")
    assert transport.send(envelope).result is Result.ACCEPTED


@pytest.mark.parametrize("name", ["folder", "printed"])
def test_a_folder_that_cannot_be_made_is_said_in_one_sentence(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("a file")
    with pytest.raises(TransportError, match=r"option folder: .*file cannot be made or is no folder: File exists"):
        load_transport(name, {"folder": str(tmp_path / "file")})


def test_a_missing_option_is_named() -> None:
    with pytest.raises(TransportError, match="option folder must be given as text"):
        load_transport("folder", {})
