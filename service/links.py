"""A patient's link: unguessable, revocable, and not readable from the database.

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
