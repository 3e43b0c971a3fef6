"""How does one envelope become the octets of a standard mail?

The same envelope always gives the same octets, whenever it is handed over: nothing in them comes from chance or from
the clock, so that a repeat can be recognised. Headers of plain letters and the MIME frame are written here, since the
standard library's message objects cost some milliseconds a mail; encoded words and transfer encodings are its own.

Sources: RFC 5322 (headers), RFC 2046 5.1.4 (plainest alternative first), RFC 2047 (encoded words), RFC 6047 2.4
(calendar part), RFC 3834 5 (Auto-Submitted), RFC 8058 3.1 (one-click unsubscribe), RFC 3282 (Content-Language),
RFC 6531 and 6532 (letters beyond ASCII in an address).
"""

from __future__ import annotations

import re
from base64 import encodebytes
from binascii import b2a_qp
from dataclasses import dataclass
from email.header import Header
from email.utils import encode_rfc2231, format_datetime, quote
from functools import lru_cache

from email_validator import EmailNotValidError, validate_email

from service.domain.message import Attachment, Envelope

LINE = 78
"""Octets of a line without its end that we keep to (RFC 5322 2.1.1)."""

LONGEST_LINE = 998
"""Octets of a line without its end that a mail may have (RFC 5322 2.1.1)."""

_ATOMS = r"[^\s\x00-\x1f\x7f-\x9f()<>\[\]:;@\\,.\"]+(?:\.[^\s\x00-\x1f\x7f-\x9f()<>\[\]:;@\\,.\"]+)*"
_ADDRESS = re.compile(rf'({_ATOMS}|"(?:[^\x00-\x1f\x7f-\x9f"\\]|\\[ -~])*")@({_ATOMS}|\[[0-9A-Za-z.:]+\])')
_KEY = re.compile(r"[0-9A-Za-z_-]{1,60}")  # so that key and mark fit a boundary of 70 (RFC 2046 5.1.1)
_TOKEN = re.compile(r"[0-9A-Za-z!#$&^_.+-]+")
_MEDIA_TYPE = re.compile(rf"{_TOKEN.pattern}/{_TOKEN.pattern}")
_ID = re.compile(r"[!-;=?-~]{1,900}")
_GAP = re.compile(r"[\s\x00-\x1f\x7f-\x9f]+")
_PHRASE = re.compile(r"[0-9A-Za-z!#$%&'*+/=?^_`{|}~ -]*")  # words of atoms, which need no quotes


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """One mail, ready for the wire.

    `octets` has CRLF line ends. `return_path` ("" for none) and `to` are the addresses of the transaction, their
    domains in ASCII. `international`: one of them has letters beyond ASCII, so the server must offer SMTPUTF8.
    """

    octets: bytes
    return_path: str
    to: str
    international: bool

    def as_bytes(self) -> bytes:
        """The whole mail."""
        return self.octets


def build_mail(envelope: Envelope) -> Mail:
    """The mail. Line breaks inside a subject or a name become spaces: nobody adds a header through their name.

    Raises ValueError, saying what is wrong without repeating it, when no mail can be made of the envelope.
    """
    message, key = envelope.message, envelope.key
    sender = _address("sender's address", envelope.sender_address)
    to = _address("address", message.to)
    back = envelope.return_path
    return_path = sender if back is None else _address("return path", back) if back else ""
    if not _KEY.fullmatch(key):
        raise ValueError("the key must be letters, digits, _ and -, at most 60")
    try:
        content = _content(envelope)
        head = (
            f"Subject: {_words('Subject', _one_line(message.subject))}\r\n"
            f"{_from(_one_line(envelope.sender_name), sender)}To: {to}\r\n"
            f"Date: {format_datetime(envelope.dated)}\r\n"
            f"Message-ID: <{key}@{sender.rpartition('@')[2]}>\r\n"
            f"{_about_the_sending(envelope)}"
            f"Content-Language: {_token('language', message.language)}\r\nMIME-Version: 1.0\r\n"
        ).encode()
    except UnicodeError as error:
        raise ValueError("a text of it is not whole UTF-8") from error
    international = not (sender.isascii() and to.isascii() and return_path.isascii())
    return Mail(octets=head + content, return_path=return_path, to=to, international=international)


def _about_the_sending(envelope: Envelope) -> str:
    lines = f"Auto-Submitted: {'auto-replied' if envelope.automatic_answer else 'auto-generated'}\r\n"
    # A foreign id that no header can hold is left out: the answer is of use without it.
    if envelope.answers and _ID.fullmatch(envelope.answers):
        lines += f"In-Reply-To: <{envelope.answers}>\r\nReferences: <{envelope.answers}>\r\n"
    link = envelope.message.unsubscribe
    if link:
        if not _ID.fullmatch(link):
            raise ValueError("the link for unsubscribing must be plain letters without spaces, at most 900")
        # Never folded or encoded: mail programs read the link as it stands (RFC 2369 2).
        lines += f"List-Unsubscribe: <{link}>\r\nList-Unsubscribe-Post: List-Unsubscribe=One-Click\r\n"
    return lines


def _content(envelope: Envelope) -> bytes:
    """The Content-Type header and all that follows it: text, or alternatives, or a mixture with attachments."""
    message = envelope.message
    parts = [_text("plain", message.text.encode())]
    if message.html is not None:
        parts.append(_text("html", message.html.encode()))
    for one in message.attachments:
        if one.method is not None:
            parts.append(_text("calendar", one.data, f'; method="{_token("method of a calendar", one.method)}"'))
    whole = parts[0] if len(parts) == 1 else _multipart("alternative", f"=_{envelope.key}.a", parts)
    if message.attachments:
        attached = [_attached(one) for one in message.attachments]
        whole = _multipart("mixed", f"=_{envelope.key}.m", [whole, *attached])
    return whole


def _multipart(kind: str, boundary: str, parts: list[bytes]) -> bytes:
    line = f"--{boundary}".encode()
    head = f'Content-Type: multipart/{kind};\r\n boundary="{boundary}"\r\n\r\n'.encode()
    return head + b"".join(line + b"\r\n" + part + b"\r\n" for part in parts) + line + b"--\r\n"


def _text(kind: str, data: bytes, more: str = "") -> bytes:
    """A part of UTF-8 text in the shortest encoding. "=_" opens our boundaries, and no encoding of ours writes it."""
    data.decode()  # raises what is not UTF-8
    lines = data.splitlines()
    raw = b"\r\n".join(lines) + b"\r\n"
    if raw.isascii() and b"=_" not in raw and b"\0" not in raw and max(map(len, lines), default=0) <= LINE:
        encoding, body = "7bit", raw
    else:
        encoding, body = "quoted-printable", b2a_qp(raw)
        if len(body) * 3 > len(raw) * 4:  # what base64 makes of it
            encoding, body = "base64", _base64(raw)
    head = f'Content-Type: text/{kind}; charset="utf-8"{more}\r\nContent-Transfer-Encoding: {encoding}\r\n'
    return head.encode() + b"\r\n" + body


def _attached(part: Attachment) -> bytes:
    name = _one_line(part.name)
    plain = name.isascii() and len(name) <= 50
    named = f'filename="{quote(name)}"' if plain else f"filename*={encode_rfc2231(name, 'utf-8')}"
    if len(named) > LONGEST_LINE - 2:
        raise ValueError("the name of an attachment is too long")
    disposition = f"\r\nContent-Disposition: attachment;\r\n {named}"
    if not _MEDIA_TYPE.fullmatch(part.media_type):
        raise ValueError("the media type of an attachment must be two words with a stroke between them")
    main, _, kind = part.media_type.partition("/")
    if main == "text":
        return _text(kind, part.data, disposition)
    head = f"Content-Type: {part.media_type}\r\nContent-Transfer-Encoding: base64{disposition}\r\n"
    return head.encode() + b"\r\n" + _base64(part.data)


def _base64(data: bytes) -> bytes:
    return encodebytes(data).replace(b"\n", b"\r\n")


def _address(what: str, text: str) -> str:
    """An address as the wire wants it. Limits: RFC 5321 4.5.3.1; a domain beyond ASCII is written as RFC 5890 says."""
    match = _ADDRESS.fullmatch(text)
    if match is None:
        raise ValueError(f"the {what} must be one mail address, such as name@example.org")
    local, domain = match.groups()
    if not domain.isascii():
        domain = _ascii_domain(domain)
    octets = len(local.encode(errors="replace"))
    if octets > 64 or octets + 1 + len(domain) > 254:
        raise ValueError(f"the {what} is too long: at most 64 octets before the @, and 254 in all")
    return f"{local}@{domain}"


@lru_cache(maxsize=64)
def _ascii_domain(domain: str) -> str:
    try:
        return validate_email(f"name@{domain}", check_deliverability=False, test_environment=True).ascii_domain
    except EmailNotValidError as error:
        raise ValueError("the part of an address after the @ is no domain") from error


@lru_cache(maxsize=64)
def _from(name: str, address: str) -> str:
    if not name:
        return f"From: {address}\r\n"
    if name.isascii() and "=?" not in name and not _PHRASE.fullmatch(name) and len(name) <= LINE - 20:
        written = f'"{quote(name)}"'
    else:
        written = _words("From", name)
    last = f"From: {written}".rpartition("\n")[2]
    gap = " " if len(last) + len(address) + 3 <= LINE else "\r\n "
    return f"From: {written}{gap}<{address}>\r\n"


@lru_cache(maxsize=64)
def _words(header: str, text: str) -> str:
    """Free text of a header: as it is if it is short and plain, else as encoded words."""
    if text.isascii() and "=?" not in text and len(header) + 2 + len(text) <= LINE:
        return text
    return str(Header(text, "utf-8", maxlinelen=LINE - 2, header_name=header).encode(linesep="\r\n"))


def _token(what: str, text: str) -> str:
    if not _TOKEN.fullmatch(text):
        raise ValueError(f"the {what} must be one plain word")
    return text


def _one_line(text: str) -> str:
    return _GAP.sub(" ", text).strip()
