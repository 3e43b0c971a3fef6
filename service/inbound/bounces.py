"""What is this mail: a bounce, a complaint, an automatic answer, a calendar's answer, or words of a person?

Sources: RFC 3464 and 6522 (delivery reports; decided by Action, 2.3.3, never by the first digit of Status), RFC 6533
(their international form), RFC 5965 (complaints), RFC 3834 2 and 5 (automatic mail), RFC 5546 3.2.3 (calendar replies).
Nothing here is believed: what a bounce or complaint may change is decided in `mail.py`, by our mark in it.

Bounces without a report are known by their sender (a null return path, or a mailer-daemon), read in English, and
judged so: a reply code 5xx or a status 5.x.x in the text is a failure; else words of delay are a delay; else a failure.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from email import message_from_bytes, policy
from email.header import decode_header
from email.message import Message
from email.utils import parseaddr
from typing import Any

from service.domain.message import ReportState
from service.inbound.reply_text import MOST_CHARACTERS, own_words, plain_of_html
from service.inbound.weight import MOST_HEADER, too_heavy
from service.transports.smtp_line import ADDRESS_BAD

MOST_OCTETS = 10_000_000
"""A larger mail is not read. Our choice: below what mail servers commonly take, above any answer with a photograph."""

MOST_PARTS = 200
"""Parts of one mail that are looked at."""

LONGEST_ADDRESS = 320
"""Characters of an address at most (RFC 5321 4.5.3.1: 64 before the @, 255 after it)."""

_ACTIONS = {
    "failed": ReportState.FAILED,
    "delayed": ReportState.UNDERWAY,
    "delivered": ReportState.DELIVERED,
    "relayed": ReportState.UNDERWAY,  # went on to a server that gives no reports: nobody will ever know
    "expanded": ReportState.UNDERWAY,  # became several; whoever cannot be reached among them is reported apart
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """What a bounce says about one address. `addresses`: the one we used, if given, and the final one."""

    addresses: tuple[str, ...]
    state: ReportState
    status: str
    detail: str

    @property
    def contact_bad(self) -> bool:
        """Whether the address itself is unusable."""
        return self.state is ReportState.FAILED and self.status in ADDRESS_BAD


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounce:
    """A delivery report or a plain bounce. `envelope`: addresses that may be our marked one; `message_ids`: of the mail
    that it is about (unchecked)."""

    recipients: tuple[Recipient, ...]
    envelope: tuple[str, ...]
    message_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """A mailbox provider says that somebody called our mail unwanted. `kind` is the Feedback-Type, lower case."""

    kind: str
    addresses: tuple[str, ...]
    envelope: tuple[str, ...]
    message_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """A mail that somebody, or for an `AutoReply` something, wrote. `text` is the sender's own part of `whole`."""

    sender: str
    message_id: str
    subject: str
    text: str
    whole: str
    answers: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AutoReply(Reply):
    """Out of office, list mail, and whatever else a program sent. It is kept and never answered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarReply(Reply):
    """A calendar program's yes, no or perhaps to an invitation; `data` is its calendar part in UTF-8."""

    data: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """A mail that is too large or broken; a person has to look at it in the mailbox."""

    why: str


Mail = Bounce | Complaint | AutoReply | CalendarReply | Reply | Unreadable


def read_mail(raw: bytes, envelope_to: str | None) -> Mail:
    """What one mail is. `envelope_to` is the address it was delivered to, if known. Raises nothing."""
    if len(raw) > MOST_OCTETS:
        return Unreadable(why=f"larger than {MOST_OCTETS} octets")
    if not raw.strip():
        return Unreadable(why="empty")
    if why := too_heavy(raw):
        return Unreadable(why=why)
    try:
        # compat32 keeps going where the newer policies raise on a broken header.
        return _read(message_from_bytes(raw, policy=policy.compat32), envelope_to)
    except Exception as fault:  # the standard parser has many ways to fail on broken mail; each means the same to us
        return Unreadable(why=f"broken: {type(fault).__name__}")


def _read(mail: Message, envelope_to: str | None) -> Mail:
    parts = list(_parts(mail))
    if not any(mail.get(name) for name in ("From", "Date", "Subject", "Message-ID", "Return-Path", "To")):
        return Unreadable(why="it has none of the headers of a mail")
    report = next((p for p in parts if p.get_content_type() in _REPORTS), None)
    if report is not None:
        return Bounce(
            recipients=tuple(_recipients(report)),
            envelope=tuple(filter(None, (envelope_to, _text(mail, "To"), *_returned_senders(parts)))),
            message_ids=tuple(_returned_ids(parts)),
        )
    feedback = next((p for p in parts if p.get_content_type() == "message/feedback-report"), None)
    if feedback is not None:
        return _complaint(feedback, parts)
    words = _words(mail, parts)
    answer = next((part for part in parts if _is_calendar_reply(part)), None)
    if answer is not None:
        return CalendarReply(**_fields_of(words), data=_octets(answer))
    daemon = _from_daemon(mail)
    if daemon or _null_path(mail):
        plain = _plain_bounce(mail, parts, envelope_to, daemon)
        if plain is not None:
            return plain
    return AutoReply(**_fields_of(words)) if daemon or _null_path(mail) or _automatic(mail) else words


def _fields_of(words: Reply) -> dict[str, Any]:
    return {each.name: getattr(words, each.name) for each in fields(words)}


_REPORTS = ("message/delivery-status", "message/global-delivery-status")
_HEADERS_ONLY = ("text/rfc822-headers", "message/global-headers")


def _parts(mail: Message) -> Iterator[Message]:
    """The parts of this mail itself, not those of a mail inside it: a forwarded bounce is not a bounce."""
    waiting, seen = [mail], 0
    while waiting and seen < MOST_PARTS:
        part = waiting.pop(0)
        seen += 1
        yield part
        inner = part.get_payload()
        if part.get_content_maintype() == "multipart" and isinstance(inner, list):
            waiting[:0] = [each for each in inner if isinstance(each, Message)]


def _text(mail: Message, name: str) -> str:
    """One header as one line of text."""
    value = mail.get(name)
    if value is None:
        return ""
    found = []
    for piece, charset in decode_header(str(value)[:MOST_HEADER]):
        found.append(piece if isinstance(piece, str) else _decoded(piece, charset))
    return clean(" ".join("".join(found).split()))


def _decoded(data: bytes, charset: str | None) -> str:
    try:
        return data.decode(charset or "utf-8", errors="replace")
    except (LookupError, ValueError):
        return data.decode("utf-8", errors="replace")


def clean(text: str) -> str:
    """Text that every database takes: no NUL and no half characters."""
    return text.replace("\x00", "").encode("utf-8", "replace").decode("utf-8")


def _content(part: Message) -> str:
    """The text of a leaf, decoded; of a part with parts inside, as it was written. Lines end in LF."""
    return _encoded(part).replace("\r\n", "\n")


def _encoded(part: Message) -> str:
    inner = part.get_payload()
    if isinstance(inner, list):
        return "\n\n".join(each.as_string() for each in inner if isinstance(each, Message))
    data = part.get_payload(decode=True)
    charset = part.get_content_charset()
    return clean(_decoded(data, charset)) if isinstance(data, bytes) else clean(str(inner or ""))


def _octets(part: Message) -> bytes:
    """A leaf in UTF-8. As it came where it says so, since a line may be folded inside a letter (RFC 5545 3.1)."""
    data = part.get_payload(decode=True)
    plain = (part.get_content_charset() or "utf-8") in ("utf-8", "us-ascii")
    return (data if isinstance(data, bytes) and plain else _encoded(part).encode()).replace(b"\r\n", b"\n")


# -- delivery reports -------------------------------------------------------------------------------------------------


def _recipients(report: Message) -> Iterator[Recipient]:
    """Each block about a recipient (RFC 3464 2.3). A block that names none is the one about the message."""
    for block in re.split(r"\n[ \t]*\n", _content(report)):
        given = _fields(block)
        addresses = [given[name].partition(";")[2].strip() for name in _RECIPIENT_FIELDS if ";" in given.get(name, "")]
        if not addresses or "action" not in given:
            continue
        found = re.search(r"\d\.\d{1,3}\.\d{1,3}", given.get("status", ""))
        status = found.group() if found else ""
        said = given.get("diagnostic-code", "").partition(";")[2].strip()
        yield Recipient(
            addresses=tuple(dict.fromkeys(address.strip("<>") for address in addresses)),
            # An Action that the standard does not know changes nothing.
            state=_ACTIONS.get(given["action"].split("(")[0].strip().lower(), ReportState.UNDERWAY),
            status=status,
            detail=clean(" ".join(filter(None, ("bounce:", given["action"], status, said))))[:300],
        )


_RECIPIENT_FIELDS = ("original-recipient", "final-recipient")


def _fields(block: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for line in re.sub(r"\n[ \t]+", " ", block.strip("\n")).split("\n"):
        name, colon, value = line.partition(":")
        if colon:
            found.setdefault(name.strip().lower(), value.strip())
    return found


def _returned(parts: Iterable[Message]) -> Iterator[Message]:
    """The mail that came back, whole or its headers only."""
    for part in parts:
        kind, inner = part.get_content_type(), part.get_payload()
        if kind in ("message/rfc822", "message/global") and isinstance(inner, list):
            yield from (each for each in inner if isinstance(each, Message))
        elif kind in _HEADERS_ONLY:
            text = _content(part)
            yield message_from_bytes(text.lstrip().encode("utf-8", "replace"), policy=policy.compat32)


def _returned_ids(parts: Iterable[Message]) -> Iterator[str]:
    for mail in _returned(parts):
        yield from ids_in(_text(mail, "Message-ID"))


def _returned_senders(parts: Iterable[Message]) -> Iterator[str]:
    for mail in _returned(parts):
        yield _text(mail, "Return-Path")


def ids_in(text: str) -> list[str]:
    """Every message id in a header or a text, without its brackets, in order."""
    return list(dict.fromkeys(re.findall(r"<([^<>\s@]{1,200}@[^<>\s@]{1,255})>", text)))


# -- complaints -------------------------------------------------------------------------------------------------------


def _complaint(feedback: Message, parts: list[Message]) -> Complaint:
    given = _fields(_content(feedback))
    addresses = [given.get("original-rcpt-to", "")]
    for mail in _returned(parts):
        addresses.append(parseaddr(_text(mail, "To"))[1])
    return Complaint(
        kind=clean(given.get("feedback-type", ""))[:60].lower(),
        addresses=tuple(clean(each.strip("<> ")) for each in addresses if each.strip("<> ")),
        envelope=tuple(filter(None, (clean(given.get("original-mail-from", "")), *_returned_senders(parts)))),
        message_ids=tuple(_returned_ids(parts)),
    )


# -- bounces without a report -----------------------------------------------------------------------------------------

_DAEMON = re.compile(r"^(mailer-daemon|postmaster|mail-daemon|mdaemon)$", re.IGNORECASE)
_PERMANENT = re.compile(r"(?<![\d.])5\d\d[ -]|(?<![\d.])5\.\d{1,3}\.\d{1,3}(?![\d.])")
_DELAY = re.compile(
    r"delay|will (keep trying|retry|be retried|try again)|still (trying|in the queue)|not yet|no action is required"
    r"|(?<![\d.])4\d\d[ -]\d|(?<![\d.])4\.\d{1,3}\.\d{1,3}(?![\d.])",
    re.IGNORECASE,
)
_FAILED = re.compile(
    r"undeliver|deliver\w{0,20} (has )?failed|fail\w{0,20} (of |to )deliver|returned mail|returning your"
    r"|could ?n.?t be delivered|could not be delivered|was not delivered|failure notice|permanent error",
    re.IGNORECASE,
)
_ADDRESS = re.compile(r"[^\s<>()\[\]:;,\"]{1,64}@[A-Za-z0-9.-]{1,255}[A-Za-z0-9]")


def _plain_bounce(mail: Message, parts: list[Message], envelope_to: str | None, daemon: bool) -> Bounce | None:
    """A bounce in words, or None when the mail does not sound like one: out-of-office mail has a null path as well."""
    text = "\n".join(_content(part) for part in parts if part.get_content_maintype() == "text")[:100_000]
    subject = _text(mail, "Subject")
    named = _text(mail, "X-Failed-Recipients")
    # Judged by what comes before the returned mail, which may hold any number.
    told = re.split(r"(?im)^[ -]*(this is a copy of|below this line|original message|received: |return-path: )", text)[
        0
    ]
    permanent = _PERMANENT.search(told)
    if not (named or permanent or _FAILED.search(f"{subject}\n{told}") or (daemon and _DELAY.search(told))):
        return None
    delayed = not permanent and not named and _DELAY.search(f"{subject}\n{told}") is not None
    found = re.search(r"(?<![\d.])[45]\.\d{1,3}\.\d{1,3}(?![\d.])", told)
    status = found.group() if found else ""
    state = ReportState.UNDERWAY if delayed else ReportState.FAILED
    addresses = dict.fromkeys(_ADDRESS.findall(f"{named}\n{text}"))
    return Bounce(
        recipients=(
            Recipient(
                addresses=tuple(addresses)[:50],
                state=state,
                status=status,
                detail=f"bounce without a report: {'delayed' if delayed else 'failed'} {status}".strip(),
            ),
        ),
        envelope=tuple(filter(None, (envelope_to, _text(mail, "To"), *_returned_senders(parts)))),
        message_ids=(*_returned_ids(parts), *ids_in(text)),
    )


# -- programs and people ----------------------------------------------------------------------------------------------


def _from_daemon(mail: Message) -> bool:
    return _DAEMON.match(parseaddr(_text(mail, "From"))[1].partition("@")[0]) is not None


def _null_path(mail: Message) -> bool:
    path = mail.get("Return-Path")
    return path is not None and "".join(str(path).split()) in ("<>", "")


def _automatic(mail: Message) -> bool:
    """RFC 3834 2 and 5.2 (the field may carry parameters and comments), and the fields that came before it."""
    submitted = re.sub(r"\([^)]*\)", "", _text(mail, "Auto-Submitted")).partition(";")[0].strip().lower()
    return (
        submitted not in ("", "no")
        or _text(mail, "Precedence").lower() in ("bulk", "junk", "list", "auto_reply")
        or any(mail.get(name) is not None for name in ("List-Id", "List-Unsubscribe", "X-Autoreply", "X-Autorespond"))
    )


def _is_calendar_reply(part: Message) -> bool:
    if part.get_content_type() != "text/calendar":
        return False
    method = part.get_param("method")
    if isinstance(method, str) and method:
        return method.strip().upper() == "REPLY"
    return re.search(r"(?im)^METHOD:REPLY\s*$", _content(part)) is not None


def _words(mail: Message, parts: list[Message]) -> Reply:
    whole = own = ""
    for wanted in ("text/plain", "text/html"):
        found = (
            part
            for part in parts
            if part.get_content_type() == wanted and part.get_content_disposition() != "attachment"
        )
        text = "\n".join(_content(part) for part in found).strip()
        if text and wanted == "text/html":
            whole, own = plain_of_html(text, quoted=True), plain_of_html(text)
        elif text:
            whole = own = text
        if whole:
            break
    sender = parseaddr(_text(mail, "From"))[1] or parseaddr(_text(mail, "Return-Path"))[1]
    return Reply(
        sender=sender[:LONGEST_ADDRESS],
        message_id=next(iter(ids_in(_text(mail, "Message-ID"))), ""),
        subject=_text(mail, "Subject")[:500],
        text=own_words(own or whole),
        whole=whole[:MOST_CHARACTERS],
        answers=tuple(ids_in(f"{_text(mail, 'In-Reply-To')} {_text(mail, 'References')}")),
    )
