"""One mail as RFC 5322, 2046, 2047, 3834, 6047 and 8058 ask for it (clauses named at each check)."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from email import message_from_bytes
from email.header import decode_header, make_header
from email.policy import SMTP
from email.utils import parseaddr
from typing import Any

import pytest
from envelopes import a_calendar, a_pdf, an_envelope
from hypothesis import example, given
from hypothesis import strategies as st

from service.domain.message import Attachment, Envelope
from service.transports.mail import build_mail


def read(envelope: Envelope):  # type: ignore[no-untyped-def]
    return message_from_bytes(build_mail(envelope).as_bytes(), policy=SMTP)


def reread(**changes: Any):  # type: ignore[no-untyped-def]
    return read(an_envelope(**changes))


def test_headers_say_who_what_when_and_that_a_program_sent_it() -> None:
    mail = reread()
    assert mail["Message-ID"] == f"<{'a' * 32}@larkfield.example>"  # RFC 5322 3.6.4: unique, its domain ours
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 5
    assert mail["Content-Language"] == "en"  # RFC 3282
    assert mail["From"].addresses[0].display_name == "Larkfield Ear Care"
    assert mail["From"].addresses[0].addr_spec == "desk@larkfield.example"
    assert mail["To"].addresses[0].addr_spec == "maud@example.org"
    assert mail["Date"].datetime.isoformat() == "2026-11-25T21:30:00+00:00"
    assert mail["MIME-Version"] == "1.0"
    assert mail["In-Reply-To"] is None
    assert mail["References"] is None


def test_each_header_stands_once_also_when_there_are_attachments() -> None:  # RFC 5322 3.6
    mail = reread(attachments=(a_calendar("REQUEST"), a_pdf()), unsubscribe="https://larkfield.example/p/t/stop")
    assert len(mail.keys()) == len({name.lower() for name in mail})
    assert mail["Content-Language"] == "en"


def test_an_automatic_answer_says_so_and_names_the_mail_that_it_answers() -> None:  # RFC 3834 3.1.5, 5
    mail = read(replace(an_envelope(), automatic_answer=True, answers="q1@phone.example.org"))
    assert mail["Auto-Submitted"] == "auto-replied"
    assert mail["In-Reply-To"] == "<q1@phone.example.org>"
    assert mail["References"] == "<q1@phone.example.org>"


@pytest.mark.parametrize("foreign", ["q1@example.org>\r\nBcc: <thief@example.com", "two words", "q" * 999, "é@x", ""])
def test_a_foreign_id_that_no_header_can_hold_is_left_out(foreign: str) -> None:
    mail = read(replace(an_envelope(), automatic_answer=True, answers=foreign))
    assert mail["Auto-Submitted"] == "auto-replied"
    assert mail["In-Reply-To"] is None
    assert mail["Bcc"] is None


def test_a_repeat_is_the_same_to_the_octet_and_another_message_is_not() -> None:
    everything = an_envelope(
        attachments=(a_calendar("REQUEST"), a_pdf()),
        subject="آپ کا منصوبہ",
        text="Llŵyd " * 90,
        unsubscribe="https://larkfield.example/p/t/stop",
    )
    later = replace(everything, handed=everything.handed + timedelta(minutes=9))
    assert build_mail(everything) == build_mail(later)
    assert build_mail(everything).octets != build_mail(replace(everything, key="b" * 32)).octets


def test_the_plainest_alternative_comes_first() -> None:  # RFC 2046 5.1.4
    mail = reread()
    assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]


def test_a_mail_of_text_alone_has_no_parts() -> None:
    mail = reread(html=None)
    assert mail.get_content_type() == "text/plain"
    assert mail.get_content().splitlines()[0] == "Hello Maud,"


def test_a_calendar_request_is_the_last_alternative_and_says_its_method() -> None:  # RFC 6047 2.4
    mail = reread(attachments=(a_calendar("REQUEST"),))
    alternatives = [part for part in mail.walk() if not part.is_multipart() and not part.is_attachment()]
    assert [part.get_content_type() for part in alternatives] == ["text/plain", "text/html", "text/calendar"]
    assert alternatives[-1].get_param("method") == "REQUEST"
    assert alternatives[-1].get_payload(decode=True) == a_calendar("REQUEST").data


def test_a_calendar_without_a_method_is_attached_without_the_parameter() -> None:  # RFC 5545 8.1
    mail = reread(attachments=(a_calendar(),))
    (attached,) = mail.iter_attachments()
    assert attached.get_content_type() == "text/calendar"
    assert attached.get_param("method") is None
    assert attached.get_filename() == "plan.ics"


@pytest.mark.parametrize("name", ["plan.pdf", 'the "new" plan.pdf', "cynllun tŷ.pdf", "x" * 120 + ".pdf", "آپ.pdf"])
def test_an_attachment_arrives_whole_under_its_name(name: str) -> None:  # RFC 2183 2.3, RFC 2231 4
    mail = reread(attachments=(Attachment(name=name, media_type="application/pdf", data=bytes(range(256)) * 9),))
    (attached,) = mail.iter_attachments()
    assert attached.get_filename() == name
    assert attached.get_content() == bytes(range(256)) * 9


@pytest.mark.parametrize(
    "subject",
    ["Llŵyd: your plan", "آپ کا منصوبہ", "👂 plan", "x" * 300, "x" * 69, "x" * 70, "=?utf-8?q?no?=", "a b " * 90 + "é"],
)
def test_any_subject_survives_the_journey(subject: str) -> None:  # RFC 2047
    assert reread(subject=subject)["Subject"] == subject


@pytest.mark.parametrize(
    "name",
    [
        "Dr. Lark, ears",
        'The "Ear" Room',
        "Clust a Llŵyd",
        "آپ کا کلینک " * 9 + "x",
        "Lark " * 30 + "x",
        "=?x?=",
        "a\\b",
    ],
)
def test_any_clinic_name_survives_the_journey(name: str) -> None:  # RFC 5322 3.4, RFC 2047 5
    mail = message_from_bytes(build_mail(replace(an_envelope(), sender_name=name)).octets)
    written, address = parseaddr(mail["From"])
    assert str(make_header(decode_header(written))) == name
    assert address == "desk@larkfield.example"


def test_a_clinic_without_a_name_is_its_address() -> None:
    assert read(replace(an_envelope(), sender_name=" "))["From"] == "desk@larkfield.example"


@example(text="\0")  # RFC 2045 2.7: not as it stands
@given(text=st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\r\n"), max_size=300))
def test_any_words_survive_the_journey(text: str) -> None:
    raw = build_mail(an_envelope(text=text, html=text, subject=text)).octets
    mail = message_from_bytes(raw, policy=SMTP)
    for part in mail.iter_parts():
        assert part.get_payload(decode=True) == f"{text}\r\n".encode()
    lines = raw.split(b"\r\n")
    assert max(map(len, lines)) <= 78
    assert not any(b"\n" in line or b"\r" in line or b"\0" in line for line in lines)


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_every_line_ends_as_the_wire_wants_it(line_end: str) -> None:  # RFC 5321 2.3.8
    for words in ("one", "öne", "آپ کا"):
        mail = reread(text=line_end.join([words, "", ".two"]), html=None)
        assert str(mail.get_payload(decode=True), "utf-8").split("\r\n") == [words, "", ".two", ""]


def test_words_that_look_like_our_boundary_do_not_cut_the_mail() -> None:  # RFC 2046 5.1.1
    text = f"--=_{'a' * 32}.a--\n--=_{'a' * 32}.m\nand on"
    mail = reread(text=text, attachments=(a_pdf(),))
    assert [part.get_content_type() for part in mail.iter_parts()] == ["multipart/alternative", "application/pdf"]
    assert mail.get_body(("plain",)).get_payload(decode=True).decode().split("\r\n") == [*text.split("\n"), ""]
    assert not mail.defects


def test_a_line_break_in_a_subject_or_a_name_adds_no_header() -> None:  # RFC 5322 2.2: header injection
    mail = reread(subject="Your plan\r\nBcc: thief@example.com")
    assert mail["Bcc"] is None
    assert mail["Subject"] == "Your plan Bcc: thief@example.com"
    mail = read(replace(an_envelope(), sender_name="Lark\nBcc: thief@example.com"))
    assert mail["Bcc"] is None


def test_no_line_is_longer_than_998_octets() -> None:  # RFC 5322 2.1.1
    raw = build_mail(an_envelope(text="w" * 5000, html="<p>" + "آ" * 5000 + "</p>")).as_bytes()
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998


@pytest.mark.parametrize("token", ["token", "t" * 200])
def test_one_click_unsubscribe_has_both_headers_and_the_link_as_it_stands(token: str) -> None:  # RFC 8058 3.1
    link = f"https://larkfield.example/p/{token}/stop-now"
    raw = build_mail(an_envelope(unsubscribe=link)).octets
    assert f"\r\nList-Unsubscribe: <{link}>\r\n".encode() in raw, "neither folded nor encoded, RFC 2369 2"
    assert b"\r\nList-Unsubscribe-Post: List-Unsubscribe=One-Click\r\n" in raw
    assert reread()["List-Unsubscribe"] is None


def test_bounces_come_back_to_the_return_path_or_else_to_the_sender() -> None:
    assert build_mail(an_envelope()).return_path == "desk@larkfield.example"
    back = replace(an_envelope(), return_path="bounces+a@larkfield.example")
    assert build_mail(back).return_path == "bounces+a@larkfield.example"
    assert build_mail(replace(an_envelope(), return_path="")).return_path == ""  # RFC 3834 3.3
    assert build_mail(back).octets == build_mail(an_envelope()).octets, "it is said to the server only"


@pytest.mark.parametrize(
    ("address", "wire", "international"),
    [
        ("maud.o'brien+ears@example.org", "maud.o'brien+ears@example.org", False),
        ('"maud lark"@example.org', '"maud lark"@example.org', False),
        ("Maud@[192.0.2.7]", "Maud@[192.0.2.7]", False),
        ("maud@faß.example", "maud@xn--fa-hia.example", False),  # RFC 5890; of old it became another's, fass
        ("mäud@bücher.example", "mäud@xn--bcher-kva.example", True),  # RFC 6531
    ],
)
def test_an_address_is_written_as_the_wire_wants_it(address: str, wire: str, international: bool) -> None:
    mail = build_mail(an_envelope(to=address))
    assert (mail.to, mail.international) == (wire, international)
    assert f"\r\nTo: {wire}\r\n".encode() in mail.octets


def test_the_longest_address_is_carried() -> None:  # RFC 5321 4.5.3.1.3: 256 with its brackets
    longest = "m" * 64 + "@" + "x" * 189
    assert build_mail(an_envelope(to=longest)).to == longest


def test_a_sender_beyond_ascii_keeps_its_address() -> None:  # RFC 6532 3.2
    mail = build_mail(replace(an_envelope(), sender_address="bücher@larkfield.example", sender_name="Tŷ Clust"))
    assert mail.international
    assert " <bücher@larkfield.example>\r\n".encode() in mail.octets


@pytest.mark.parametrize(
    ("envelope", "words"),
    [
        (an_envelope(to="maud"), "the address must be one mail address"),
        (an_envelope(to="a@example.org,b@example.org"), "the address must be one mail address"),
        (an_envelope(to="a b@example.org"), "the address must be one mail address"),
        (an_envelope(to="a@example.org\r\n"), "the address must be one mail address"),
        (an_envelope(to="ä" * 33 + "@example.org"), "the address is too long"),
        (an_envelope(to="maud@" + "x" * 250), "the address is too long"),  # 255 octets
        (an_envelope(to="maud@b\u00fc--\u2028.example"), "the address must be one mail address"),
        (an_envelope(to="maud@-bü.example"), "is no domain"),
        (replace(an_envelope(), sender_address="desk"), "the sender's address must be one mail address"),
        (replace(an_envelope(), return_path="<>"), "the return path must be one mail address"),
        (an_envelope("two words"), "the key must be letters"),
        (an_envelope(language="en\r\nBcc: x"), "the language must be one plain word"),
        (an_envelope(text="half \ud83d"), "not whole UTF-8"),
        (an_envelope(subject="half \ud83d"), "not whole UTF-8"),
        (an_envelope(unsubscribe="https://a b"), "the link for unsubscribing must be"),
        (an_envelope(attachments=(replace(a_calendar(), data=b"\xff"),)), "not whole UTF-8"),
        (an_envelope(attachments=(replace(a_calendar("A B"), name="x"),)), "the method of a calendar must be"),
        (an_envelope(attachments=(replace(a_pdf(), media_type="pdf"),)), "the media type of an attachment must be"),
        (an_envelope(attachments=(replace(a_pdf(), name="é" * 500),)), "the name of an attachment is too long"),
    ],
)
def test_what_no_mail_can_hold_is_named_without_repeating_it(envelope: Envelope, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        build_mail(envelope)
