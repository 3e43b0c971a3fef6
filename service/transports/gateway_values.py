"""How are the values of an answer or a callback found, and how are moments and signatures written?"""

from __future__ import annotations

import base64
import hmac
import json
import re
from collections.abc import Mapping
from datetime import UTC, datetime

from service.transports.gateway_shape import Encoding, Mark, Signature, SignIn, Spot, TimeForm


def read_time(text: str, form: TimeForm) -> datetime | None:
    """A moment as UTC, or None when it is none. ISO 8601 needs its offset."""
    try:
        if form is TimeForm.ISO:
            at = datetime.fromisoformat(text)
            return at.astimezone(UTC) if at.tzinfo is not None else None
        if not re.fullmatch(r"[0-9]{1,16}", text):
            return None
        return datetime.fromtimestamp(int(text) / (1000 if form is TimeForm.MILLISECONDS else 1), tz=UTC)
    except (ValueError, OverflowError, OSError):
        return None


def read_json(text: str) -> object:
    """A JSON document whose numbers stay text, digit by digit. Raises ValueError when it is none."""
    try:
        return json.loads(text, parse_int=str, parse_float=str, parse_constant=str)
    except RecursionError as error:
        raise ValueError("the document is nested too deeply") from error


def at_pointer(value: object, pointer: str) -> object:
    """What a JSON pointer (RFC 6901) names in a document, or None."""
    for raw in pointer.split("/")[1:]:
        step = raw.replace("~1", "/").replace("~0", "~")
        if isinstance(value, dict):
            value = value.get(step)
        elif isinstance(value, list) and re.fullmatch(r"0|[1-9][0-9]{0,8}", step) and int(step) < len(value):
            value = value[int(step)]
        else:
            return None
    return value


def find(spot: Spot, text: str, value: object) -> str | None:
    """The value at a spot, as text, or None when it is not there. `value` is what the document `text` says."""
    if spot.regex is not None:
        match = re.search(spot.regex, text)
        return match[1] if match else None
    found = at_pointer(value, spot.pointer or "")
    if spot.field is not None:
        found = value.get(spot.field) if isinstance(value, dict) else None
    if isinstance(found, bool):
        return "true" if found else "false"
    return found if isinstance(found, str) else None


def matches(mark: Mark, text: str, value: object) -> bool:
    """Whether a mark is there."""
    found = find(mark, text, value)
    return found is not None and (not mark.words or found in mark.words)


def write_time(at: datetime, form: TimeForm) -> str:
    """A moment, by the second or, in milliseconds, by the thousandth of one."""
    if form is TimeForm.ISO:
        return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return str(int(at.timestamp() * (1000 if form is TimeForm.MILLISECONDS else 1)))


def sign(rule: Signature | SignIn, secret: str, parts: Mapping[str, bytes]) -> tuple[bytes, str]:
    """HMAC-SHA256 over what the rule says is signed, with `parts` in the place of their names in braces: the digest,
    and how it is written in its header."""
    names = "|".join(map(re.escape, parts))
    signed = b"".join(parts.get(part, part.encode()) for part in re.split(f"({names})", rule.signed))
    digest = hmac.digest(secret.encode(), signed, "sha256")
    return digest, rule.prefix + (digest.hex() if rule.encoding is Encoding.HEX else base64.b64encode(digest).decode())
