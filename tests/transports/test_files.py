"""Folder and printed sheet: whole files, one a message."""

from __future__ import annotations

from pathlib import Path

import pytest
from envelopes import a_pdf, an_envelope

from service.domain.contact import Channel
from service.domain.message import Envelope, Result
from service.errors import TransportError
from service.transports.contract import TransportContract
from service.transports.folder import FolderTransport
from service.transports.port import Transport, load_transport
from service.transports.printed import PrintedTransport


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
        return an_envelope(key, Channel.LETTER, attachments=(a_pdf(),))

    def arrived(self) -> list[str]:
        return [place.stem.split("-")[1] for place in sorted(self.folder.iterdir())]

    def test_a_message_without_a_sheet_is_refused_since_a_printer_cannot_carry_it(self) -> None:
        assert self.transport().send(an_envelope(channel=Channel.LETTER)).result is Result.REFUSED


def test_transports_are_found_by_entry_point_like_foreign_ones(tmp_path: Path) -> None:
    assert isinstance(load_transport("folder", {"folder": str(tmp_path)}), FolderTransport)
    with pytest.raises(TransportError, match="'pigeon' is not installed; installed: folder, http, printed, smpp, smtp"):
        load_transport("pigeon", {})


def test_a_missing_option_is_named() -> None:
    with pytest.raises(TransportError, match="option folder must be given as text"):
        load_transport("folder", {})
