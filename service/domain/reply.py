"""Which automatic answer is this, and to what? An answer's message key says so: reply/<unit>/<channel>/<inbound>."""

from __future__ import annotations

import hashlib

from service.domain.contact import Channel


def answer_key(unit: str, channel: Channel, inbound_id: str) -> str:
    """The message key of the answer that says `unit` to one inbound message; the same for a repeat of that message.

    The inbound id is hashed, since the far side chose it.
    """
    mark = hashlib.sha256(inbound_id.encode(errors="surrogatepass")).hexdigest()[:16]
    return f"{answer_prefix(unit, channel)}{mark}"


def answer_prefix(unit: str, channel: Channel) -> str:
    """What the keys of all answers of one kind by one channel begin with."""
    return f"reply/{unit}/{channel.value}/"


def unit_said(key: str) -> str:
    """The wording unit that an answer says. Raises ValueError for the key of another message."""
    return _parts(key)[0]


def channel_asked(key: str) -> Channel:
    """The channel that the answered words came in by. Raises ValueError for the key of another message."""
    return Channel(_parts(key)[1])


def _parts(key: str) -> tuple[str, str]:
    parts = key.split("/")
    if len(parts) != 4 or parts[0] != "reply":
        raise ValueError(f"{key!r} is not the key of an answer: reply/<unit>/<channel>/<inbound>")
    return parts[1], parts[2]
