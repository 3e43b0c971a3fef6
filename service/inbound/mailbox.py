"""How does mail get from the clinic's mailbox to us? By IMAP (RFC 3501), marked as seen only once it is stored.

A crash between the two fetches the mail again, and `take_mail` makes a repeat harmless.
"""

from __future__ import annotations

import imaplib
import logging
import ssl
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from email import message_from_bytes, policy

from service.config import MailboxSettings
from service.errors import TransportError
from service.inbound.mail import take_mail
from service.services import Services

log = logging.getLogger("service.inbound")

_DELIVERED_TO = ("X-Original-To", "Delivered-To", "Envelope-To")
"""Where servers write the envelope recipient. A forged one does no harm: only one with our mark means anything."""


@dataclass(slots=True)
class Fetched:
    """What one visit to the mailbox brought: how many mails of each kind, and how many stay unseen after a fault."""

    kinds: Counter[str] = field(default_factory=Counter)
    faults: int = 0


def fetch(settings: MailboxSettings, services: Services, stop: Callable[[], bool] = lambda: False) -> Fetched:
    """Take every unseen mail. A fault of ours in one leaves it unseen, to be tried again, and does not stop the others.

    `stop` is asked before each mail; the others then wait for the next visit. Raises TransportError when the server
    cannot be reached, refuses the sign-in, or breaks off; what was taken by then stays taken.
    """
    done = Fetched()
    try:
        server = _connect(settings)
        try:
            _take_unseen(server, settings, services, done, stop)
        finally:
            with suppress(OSError, imaplib.IMAP4.error):
                server.logout()
    except (OSError, imaplib.IMAP4.error) as failed:
        raise TransportError(f"the mailbox at {settings.host} cannot be read: {failed}") from failed
    return done


def _connect(settings: MailboxSettings) -> imaplib.IMAP4:
    context = ssl.create_default_context(cafile=settings.ca_file or None)
    if settings.security == "tls":
        server: imaplib.IMAP4 = imaplib.IMAP4_SSL(
            settings.host, settings.port or 993, ssl_context=context, timeout=settings.timeout
        )
    else:
        server = imaplib.IMAP4(settings.host, settings.port or 143, timeout=settings.timeout)
    try:
        if settings.security == "starttls":
            server.starttls(context)
        server.login(settings.user, settings.password)
    except BaseException:
        server.shutdown()
        raise
    return server


def _take_unseen(
    server: imaplib.IMAP4, settings: MailboxSettings, services: Services, done: Fetched, stop: Callable[[], bool]
) -> None:
    folder = settings.folder.replace("\\", "\\\\").replace('"', '\\"')
    _ok(server.select(f'"{folder}"'), f"the folder {settings.folder} cannot be opened")
    found = _ok(server.uid("SEARCH", "UNSEEN"), "the search failed")
    for uid in b" ".join(each for each in found if isinstance(each, bytes)).decode().split():
        if stop():
            return
        # PEEK leaves the mail unseen until it is stored.
        answer = _ok(server.uid("FETCH", uid, "(BODY.PEEK[])"), "a mail cannot be fetched")
        raw = next((each[1] for each in answer if isinstance(each, tuple)), None)
        if raw is None:
            continue  # somebody else took it out of the folder meanwhile
        try:
            done.kinds[take_mail(services, raw, delivered_to(raw))] += 1
        except Exception as fault:
            log.exception("a mail in the mailbox could not be taken: %s", type(fault).__name__)
            done.faults += 1
            continue
        _ok(server.uid("STORE", uid, "+FLAGS.SILENT", r"(\Seen)"), "a mail cannot be marked as seen")


def _ok(answer: tuple[str, Sequence[object]], otherwise: str) -> Sequence[object]:
    if answer[0] != "OK":
        raise imaplib.IMAP4.error(otherwise)
    return answer[1]


def delivered_to(raw: bytes) -> str | None:
    """The address that the last server delivered a mail to, if it wrote it down."""
    head = raw.replace(b"\r\n", b"\n").partition(b"\n\n")[0]
    mail = message_from_bytes(head + b"\n\n", policy=policy.compat32)
    for name in _DELIVERED_TO:
        value = mail.get(name)
        if value is not None:
            return " ".join(str(value).split()).strip("<>")
    return None
