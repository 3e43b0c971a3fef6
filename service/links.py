"""A patient's link, and the mark that tells a true bounce from a forged one.

A patient's link: unguessable, revocable, and not readable from the database.

The token is derived from the link's random id and the service's secret key; the database holds the id and a hash of
the token. So a copy of the database opens nobody's page. 132 bits of the HMAC are used (at least 128 are asked for by
common practice for links that stand in for a sign-in).
"""

from __future__ import annotations

import base64
import hashlib
import hmac

TOKEN_LENGTH = 22
STAND_IN = "x" * TOKEN_LENGTH
"""Stands for the token in stored message bodies, with the same length so that text parts count the same."""


def stand_in(number: int) -> str:
    """The stand-in of one of several people whom a message speaks of; the first (0) has `STAND_IN`."""
    return STAND_IN if number == 0 else f"{number:x>{TOKEN_LENGTH}}"


def token_of(secret_key: str, link_id: str) -> str:
    """The token of one link: 22 characters that need no escaping in a URL or a text."""
    digest = hmac.digest(secret_key.encode(), f"patient-link:{link_id}".encode(), "sha256")
    return base64.urlsafe_b64encode(digest).decode()[:TOKEN_LENGTH]


def hash_of(token: str) -> str:
    """What is stored of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


def page_url(base_url: str, token: str) -> str:
    """The address of the patient's page."""
    return f"{base_url.rstrip('/')}/p/{token}"


MARK_LENGTH = 20
"""Characters of an envelope mark: 100 bits in base 32, which survive a server that lower-cases an address."""
BOUNCE = "bounce+"
"""What the local part of every envelope sender begins with (with a key of 32 characters, 60 of 64 are used)."""


def envelope_token(secret_key: str, key: str) -> str:
    """What a bounce must carry to be believed about the message `key`: `<key>.<mark>`."""
    digest = hmac.digest(secret_key.encode(), f"envelope:{key}".encode(), "sha256")
    return f"{key}.{base64.b32encode(digest).decode().lower()[:MARK_LENGTH]}"


def bounce_address(secret_key: str, key: str, domain: str) -> str:
    """The envelope sender of one mail; bounces come back to it."""
    return f"{BOUNCE}{envelope_token(secret_key, key)}@{domain}"


def key_bounced(secret_key: str, address: str) -> str | None:
    """The message that a bounce to `address` is about, or None when we never made this address."""
    local = address.strip().strip("<>").rpartition("@")[0].lower()
    if not local.isascii():  # ours are; and half a character has no octets to compare
        return None
    key = local.removeprefix(BOUNCE).rpartition(".")[0]
    if not local.startswith(BOUNCE) or not key:
        return None
    expected = f"{BOUNCE}{envelope_token(secret_key, key)}"
    return key if hmac.compare_digest(local.encode(), expected.encode()) else None
