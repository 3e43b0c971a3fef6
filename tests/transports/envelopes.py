"""Envelopes for the tests of transports."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from service.domain.contact import Channel
from service.domain.message import Attachment, ComposedMessage, Envelope

DATED = datetime(2026, 11, 25, 21, 30, tzinfo=UTC)


def an_envelope(key: str = "a" * 32, channel: Channel = Channel.EMAIL, **changes: object) -> Envelope:
    parts: dict[str, object] = {
        "channel": channel,
        "to": "+447700900123" if channel is Channel.TEXT else "maud@example.org",
        "language": "en",
        "wanted_language": "en",
        "subject": "Your plan",
        "text": "Hello Maud,\n.a line that starts with a dot\nGoodbye",
        "html": "<p>Hello Maud,</p>",
        "attachments": (),
        "units": (),
        "missing": (),
        "pack": "test",
    }
    return Envelope(
        key=key,
        message=ComposedMessage(**(parts | changes)),  # type: ignore[arg-type]
        dated=DATED,
        handed=DATED,
        last_useful=DATED + timedelta(hours=1),
        sender_name="Larkfield Ear Care",
        sender_address="desk@larkfield.example",
    )


def a_calendar(method: str | None = None) -> Attachment:
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//tragus//test//EN", "END:VCALENDAR", ""]
    if method:
        lines.insert(3, f"METHOD:{method}")
    return Attachment(name="plan.ics", media_type="text/calendar", data="\r\n".join(lines).encode(), method=method)


def a_pdf() -> Attachment:
    return Attachment(name="plan.pdf", media_type="application/pdf", data=b"%PDF-1.7 a sheet")
