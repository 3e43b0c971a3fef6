"""One envelope as a standard mail message.

Sources: RFC 5322 (headers), RFC 2046 5.1.4 (plainest alternative first), RFC 6047 2.4 (calendar part), RFC 3834 5
(Auto-Submitted), RFC 8058 3.1 (one-click unsubscribe), RFC 3282 (Content-Language).
"""

from __future__ import annotations

from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime

from service.domain.message import Envelope


def build_mail(envelope: Envelope) -> EmailMessage:
    """The mail. Line breaks inside a subject or a name become spaces: nobody adds a header through their name."""
    message = envelope.message
    mail = EmailMessage(policy=SMTP)
    mail["Subject"] = _one_line(message.subject)
    sender = envelope.sender_address
    mail["From"] = Address(display_name=_one_line(envelope.sender_name), addr_spec=sender)
    mail["To"] = Address(addr_spec=_one_line(message.to))
    mail["Date"] = format_datetime(envelope.dated)
    mail["Message-ID"] = f"<{envelope.key}@{sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"
    if message.unsubscribe:
        mail["List-Unsubscribe"] = f"<{message.unsubscribe}>"
        mail["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    mail.set_content(message.text)
    if message.html is not None:
        mail.add_alternative(message.html, subtype="html")
    for part in message.attachments:
        if part.method is not None:
            mail.add_alternative(part.data.decode(), subtype="calendar", params={"method": part.method})
    mail["Content-Language"] = message.language  # here, since setting content clears Content-* headers
    for part in message.attachments:
        main, _, sub = part.media_type.partition("/")
        if main == "text":
            mail.add_attachment(part.data.decode(), subtype=sub, filename=part.name)
        else:
            mail.add_attachment(part.data, maintype=main, subtype=sub, filename=part.name)
    return mail


def _one_line(text: str) -> str:
    return " ".join(text.split())
