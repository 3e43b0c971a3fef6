"""Puts letters into a folder as PDF files, ready for the clinic's printer: what goes into one envelope is one file.

Each part (the address page, the sheet) begins on a sheet of its own: a blank page stands between a part of an odd
number of pages and the next one, so that a letter can be printed on both sides.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Protocol, runtime_checkable

from pypdf import PdfReader, PdfWriter
from pypdf.errors import PyPdfError

from service.domain.message import Envelope, Outcome, Result
from service.domain.window import DEFAULT, WINDOWS, Window
from service.errors import NotFoundError, TransportError
from service.transports.folder import made, not_written
from service.transports.port import Options, option_text


@runtime_checkable
class KeepsLetters(Protocol):
    """What a transport of letters has besides, when the clinic itself prints and posts them."""

    window: Window
    """The window of the envelopes that the clinic uses."""

    def read(self, reference: str) -> bytes:
        """The PDF of a letter that was accepted, by the outcome's reference. Raises NotFoundError."""
        ...


class PrintedTransport:
    """One PDF a message. Accepted means that the file lies in the folder, not that it was posted."""

    def __init__(self, folder: Path, window: Window = WINDOWS[DEFAULT]) -> None:
        self.window = window
        self._folder = made(folder)

    @classmethod
    def from_options(cls, options: Options) -> PrintedTransport:
        """Options: folder (path), window (the envelopes' window by its name in `domain/window.py`; bs-4264-dl)."""
        name = option_text(options, "window", DEFAULT)
        if name not in WINDOWS:
            raise TransportError(f"option window must be one of {', '.join(WINDOWS)}")
        return cls(Path(option_text(options, "folder")), WINDOWS[name])

    def send(self, envelope: Envelope) -> Outcome:
        """Write the PDF; a message without one is refused, since a printer cannot carry it."""
        parts = [part.data for part in envelope.message.attachments if part.media_type == "application/pdf"]
        if not parts:
            return Outcome(result=Result.REFUSED, detail="there is no sheet to print with this message")
        try:
            letter = joined(parts)
        except PyPdfError as broken:
            return Outcome(result=Result.REFUSED, detail=f"the sheet of this message is not a usable PDF: {broken}")
        name = f"{envelope.dated:%Y%m%dT%H%M}-{envelope.key}.pdf"
        return not_written(self._folder / name, letter) or Outcome(
            result=Result.ACCEPTED, detail=f"ready to print: {name}", reference=name
        )

    def read(self, reference: str) -> bytes:
        """The PDF of a letter. Raises NotFoundError when it lies no longer in the folder."""
        place = self._folder / Path(reference).name
        if not reference or not place.is_file():
            raise NotFoundError(f"the file {reference or 'of this letter'} is no longer in the folder of letters")
        return place.read_bytes()

    def close(self) -> None:
        """Nothing to let go of."""


def joined(parts: list[bytes]) -> bytes:
    """The PDFs one after another, each beginning on an odd page. Raises PyPdfError for one that cannot be read."""
    writer = PdfWriter()
    for part in parts:
        if len(writer.pages) % 2:
            writer.add_blank_page()
        writer.append(PdfReader(io.BytesIO(part)), import_outline=False)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()
