"""Writes each message to a file: the embedded default, for demos and development. Nothing leaves the machine."""

from __future__ import annotations

import os
from pathlib import Path

from service.domain.contact import Channel
from service.domain.message import Envelope, Outcome, Result
from service.errors import TransportError
from service.transports.mail import build_mail
from service.transports.port import Options, option_text


class FolderTransport:
    """One file a message, named by its key: handing the same message over twice leaves one file."""

    repeat_seconds = 10 * 365 * 24 * 3600
    """A repeat is recognised by its name for as long as the file is there."""

    def __init__(self, folder: Path) -> None:
        self._folder = made(folder)

    @classmethod
    def from_options(cls, options: Options) -> FolderTransport:
        """Options: folder (path)."""
        return cls(Path(option_text(options, "folder")))

    def send(self, envelope: Envelope) -> Outcome:
        """Write the file whole or not at all."""
        try:
            suffix, data = _file_of(envelope)
        except ValueError as wrong:
            return Outcome(result=Result.REFUSED, detail=f"this cannot be written as a mail: {wrong}")
        place = self._folder / f"{envelope.dated:%Y%m%dT%H%M}-{envelope.key}{suffix}"
        return not_written(place, data) or Outcome(
            result=Result.ACCEPTED, detail=f"written to {place.name}", reference=place.name
        )

    def close(self) -> None:
        """Nothing to let go of."""


def made(folder: Path) -> Path:
    """The folder of an option, made if it is missing. Raises TransportError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as failed:
        raise TransportError(f"option folder: {folder} cannot be made or is no folder: {failed.strerror}") from failed
    return folder


def _file_of(envelope: Envelope) -> tuple[str, bytes]:
    message = envelope.message
    if message.channel is Channel.TEXT:
        return ".txt", f"To: {message.to}\n\n{message.text}\n".encode()
    if message.channel is Channel.EMAIL:
        return ".eml", build_mail(envelope).as_bytes()
    pdf = next((part.data for part in message.attachments if part.media_type == "application/pdf"), None)
    return (".pdf", pdf) if pdf is not None else (".txt", f"{message.to}\n\n{message.text}\n".encode())


def write_whole(place: Path, data: bytes) -> None:
    """Write a file so that a reader sees all of it or none, also after a crash."""
    part = place.with_name(f".{place.name}.part")
    with part.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    part.replace(place)


def not_written(place: Path, data: bytes) -> Outcome | None:
    """Write a file whole; what to answer when that cannot be done (a full disk, a folder that is gone), else None.
    Then no file of that name was made or changed, so that trying again later is safe."""
    try:
        write_whole(place, data)
    except OSError as failed:
        return Outcome(result=Result.RETRY, detail=f"the file cannot be written: {failed.strerror}")
    return None
