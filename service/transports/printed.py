"""Puts letters and sheets into a folder as PDF files, ready for the clinic's printer."""

from __future__ import annotations

from pathlib import Path

from service.domain.message import Envelope, Outcome, Result
from service.transports.folder import write_whole
from service.transports.port import Options, option_text


class PrintedTransport:
    """One PDF a message. Accepted means that the file lies in the folder, not that it was posted."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    @classmethod
    def from_options(cls, options: Options) -> PrintedTransport:
        """Options: folder (path)."""
        return cls(Path(option_text(options, "folder")))

    def send(self, envelope: Envelope) -> Outcome:
        """Write the PDF; a message without one is refused, since a printer cannot carry it."""
        pdf = next((p.data for p in envelope.message.attachments if p.media_type == "application/pdf"), None)
        if pdf is None:
            return Outcome(result=Result.REFUSED, detail="there is no sheet to print with this message")
        name = f"{envelope.dated:%Y%m%dT%H%M}-{envelope.key}.pdf"
        write_whole(self._folder / name, pdf)
        return Outcome(result=Result.ACCEPTED, detail=f"ready to print: {name}", reference=name)

    def close(self) -> None:
        """Nothing to let go of."""
