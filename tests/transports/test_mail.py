"""One mail as RFC 5322, 2046, 2047, 3834, 6047 and 8058 ask for it (clauses named at each check)."""

from __future__ import annotations

from email import message_from_bytes
from email.policy import SMTP

import pytest
from envelopes import a_calendar, an_envelope

from service.transports.mail import build_mail


def reread(**changes: object):  # type: ignore[no-untyped-def]
    return message_from_bytes(build_mail(an_envelope(**changes)).as_bytes(), policy=SMTP)


def test_headers_say_who_what_when_and_that_a_program_sent_it() -> None:
    mail = reread()
    assert mail["Message-ID"] == f"<{'a' * 32}@larkfield.example>"  # RFC 5322 3.6.4: unique, its domain ours
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 5
    assert mail["Content-Language"] == "en"  # RFC 3282
    assert mail["From"].addresses[0].display_name == "Larkfield Ear Care"
    assert mail["Date"].datetime.isoformat() == "2026-11-25T21:30:00+00:00"


def test_the_plainest_alternative_comes_first() -> None:  # RFC 2046 5.1.4
    mail = reread()
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]


def test_a_calendar_request_is_the_last_alternative_and_says_its_method() -> None:  # RFC 6047 2.4
    mail = reread(attachments=(a_calendar("REQUEST"),))
    alternatives = [part for part in mail.walk() if not part.is_multipart() and not part.is_attachment()]
    assert [part.get_content_type() for part in alternatives] == ["text/plain", "text/html", "text/calendar"]
    assert alternatives[-1].get_param("method") == "REQUEST"


def test_a_calendar_without_a_method_is_attached_without_the_parameter() -> None:  # RFC 5545 8.1
    mail = reread(attachments=(a_calendar(),))
    (attached,) = mail.iter_attachments()
    assert attached.get_content_type() == "text/calendar"
    assert attached.get_param("method") is None
    assert attached.get_filename() == "plan.ics"


@pytest.mark.parametrize("subject", ["Llŵyd: your plan", "آپ کا منصوبہ", "👂 plan", "x" * 300])
def test_any_subject_survives_the_journey(subject: str) -> None:  # RFC 2047
    assert reread(subject=subject)["Subject"] == subject


def test_a_line_break_in_a_subject_adds_no_header() -> None:  # RFC 5322 2.2: header injection
    mail = reread(subject="Your plan\r\nBcc: thief@example.com")
    assert mail["Bcc"] is None
    assert mail["Subject"] == "Your plan Bcc: thief@example.com"


def test_no_line_is_longer_than_998_octets() -> None:  # RFC 5322 2.1.1
    raw = build_mail(an_envelope(text="w" * 5000, html="<p>" + "آ" * 5000 + "</p>")).as_bytes()
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998


def test_one_click_unsubscribe_has_both_headers_and_https() -> None:  # RFC 8058 3.1, RFC 2369 2
    mail = reread(unsubscribe="https://larkfield.example/p/token/stop-now")
    assert mail["List-Unsubscribe"] == "<https://larkfield.example/p/token/stop-now>"
    assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    assert reread()["List-Unsubscribe"] is None
