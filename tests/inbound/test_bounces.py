"""What a mail is, in every shape that servers and people send."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from inbound.sent import MAIL_NAMES, sample

from service.domain.message import ReportState
from service.inbound.bounces import (
    MOST_OCTETS,
    AutoReply,
    Bounce,
    CalendarReply,
    Complaint,
    Recipient,
    Reply,
    Unreadable,
    read_mail,
)

KEY = "0123456789abcdef0123456789abcdef"
FAILED, UNDERWAY, DELIVERED = ReportState.FAILED, ReportState.UNDERWAY, ReportState.DELIVERED


@pytest.mark.parametrize(
    ("name", "state", "status", "bad"),
    [
        ("bounce-report-headers", FAILED, "5.1.1", True),
        ("bounce-report-whole-mail", FAILED, "5.0.0", False),  # refused by policy: the address may be fine
        ("bounce-temporary-but-final", FAILED, "4.4.7", False),  # Action decides, not the 4
        ("bounce-no-third-part", FAILED, "5.1.10", True),
        ("bounce-international", FAILED, "5.2.2", False),
        ("delay-report", UNDERWAY, "4.4.1", False),
        ("delivered-report", DELIVERED, "2.0.0", False),
        ("bounce-plain-introduced", FAILED, "5.1.1", True),
        ("bounce-plain-copy", FAILED, "", False),  # the word "retry" in it does not make it a delay
        ("delay-plain", UNDERWAY, "4.7.1", False),
    ],
)
def test_a_bounce_is_read_in_every_shape(name: str, state: ReportState, status: str, bad: bool) -> None:
    mail = read_mail(sample(name, KEY), None)
    assert isinstance(mail, Bounce)
    (recipient,) = mail.recipients
    assert "maud@example.org" in recipient.addresses
    assert (recipient.state, recipient.status, recipient.contact_bad) == (state, status, bad)


@pytest.mark.parametrize(
    "name", ["bounce-report-headers", "bounce-report-whole-mail", "bounce-international", "bounce-plain-introduced"]
)
def test_the_id_of_the_returned_mail_is_found(name: str) -> None:
    mail = read_mail(sample(name, KEY), None)
    assert isinstance(mail, Bounce)
    assert f"{KEY}@larkfield.example" in mail.message_ids


def test_each_recipient_of_a_report_has_its_own_outcome() -> None:
    mail = read_mail(sample("report-two-recipients", KEY), None)
    assert isinstance(mail, Bounce)
    assert [(each.addresses, each.state) for each in mail.recipients] == [
        (("somebody@example.com",), FAILED),
        (("maud@example.org", "m.ellery@example.com"), DELIVERED),
    ]


@pytest.mark.parametrize(
    ("action", "state"),
    [
        ("FAILED", FAILED),
        ("Delayed", UNDERWAY),
        ("relayed", UNDERWAY),
        ("expanded", UNDERWAY),
        ("delivered (to mailbox)", DELIVERED),
        ("vanished", UNDERWAY),  # unknown to the standard: changes nothing
    ],
)
def test_the_action_decides_in_any_letter_case(action: str, state: ReportState) -> None:
    raw = sample("bounce-report-headers", KEY).replace(b"Action: failed", f"Action: {action}".encode())
    mail = read_mail(raw, None)
    assert isinstance(mail, Bounce)
    assert [each.state for each in mail.recipients] == [state]


def test_line_ends_of_the_wire_make_no_difference() -> None:
    for name in MAIL_NAMES:
        raw = sample(name, KEY)
        assert read_mail(raw.replace(b"\n", b"\r\n"), None) == read_mail(raw, None), name


def test_a_bounce_inside_a_mail_is_not_a_bounce() -> None:
    inner = sample("bounce-report-headers", KEY).decode()
    raw = (
        "From: maud@example.org\nSubject: Fwd\nMessage-ID: <f@example.org>\nMIME-Version: 1.0\n"
        'Content-Type: multipart/mixed; boundary="out"\n\n--out\nContent-Type: text/plain\n\nWhat is this?\n\n'
        f"--out\nContent-Type: message/rfc822\n\n{inner}\n--out--\n"
    )
    mail = read_mail(raw.encode(), None)
    assert type(mail) is Reply
    assert mail.text == "What is this?"


@pytest.mark.parametrize(
    ("name", "kind"),
    [("complaint-abuse", "abuse"), ("complaint-not-spam", "not-spam"), ("complaint-redacted", "abuse")],
)
def test_a_complaint_is_read(name: str, kind: str) -> None:
    mail = read_mail(sample(name, KEY), None)
    assert isinstance(mail, Complaint)
    assert mail.kind == kind
    assert mail.message_ids == (f"{KEY}@larkfield.example",)


@pytest.mark.parametrize("name", ["out-of-office-standard", "out-of-office-null-path", "out-of-office-precedence"])
def test_automatic_mail_is_known_for_what_it_is(name: str) -> None:
    assert type(read_mail(sample(name, KEY), None)) is AutoReply


@pytest.mark.parametrize(
    ("header", "automatic"),
    [
        ("Auto-Submitted: no", False),
        ("Auto-Submitted: NO (a person wrote this)", False),
        ("Auto-Submitted: auto-generated", True),
        ("Auto-Submitted: auto-replied (vacation); x=1", True),
        ("Auto-Submitted: auto-notified", True),
        ("Precedence: list", True),
        ("Precedence: first-class", False),
        ("List-Id: <news.example.org>", True),
        ("Return-Path: <>", True),
    ],
)
def test_what_says_automatic_and_what_does_not(header: str, automatic: bool) -> None:
    raw = f"From: maud@example.org\nSubject: Re\n{header}\n\nWords\n".encode()
    assert isinstance(read_mail(raw, None), AutoReply) is automatic


def test_a_calendars_answer_is_known_and_an_invitation_is_not_an_answer() -> None:
    raw = sample("calendar-reply", KEY)
    assert type(read_mail(raw, None)) is CalendarReply
    assert type(read_mail(raw.replace(b"; method=REPLY", b""), None)) is CalendarReply, "the method is inside as well"
    assert type(read_mail(raw.replace(b"REPLY", b"REQUEST"), None)) is Reply


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("reply-above-quote", "Thank you, may I come on Tuesday instead?\n\nMaud"),
        ("reply-below-quote", "My face went numb this morning."),
        ("reply-html-only", "Could you call me, please? My café has no signal."),
        ("reply-separator", "Tuesday suits me."),
        ("reply-stop", "Stop."),
        ("reply-stop-and-more", "STOP\n\nI have a terrible headache."),
        ("reply-encoded", "میرے کان میں بہت درد ہے"),
    ],
)
def test_a_reply_gives_the_senders_own_words_and_keeps_the_whole(name: str, text: str) -> None:
    mail = read_mail(sample(name, KEY), None)
    assert type(mail) is Reply
    assert mail.text == text
    assert mail.sender.lower() == "maud@example.org"
    if name == "reply-html-only":
        assert "In an emergency call 999." in mail.whole
    if name in ("reply-above-quote", "reply-stop"):
        assert "> " in mail.whole
        assert mail.answers == (f"{KEY}@larkfield.example",)


@pytest.mark.parametrize("raw", [b"", b"\n \n", b"no headers at all", b"\x00\xff\xfe", b"x" * (MOST_OCTETS + 1)])
def test_what_is_no_mail_is_said_to_be_unreadable(raw: bytes) -> None:
    assert isinstance(read_mail(raw, None), Unreadable)


def test_half_characters_and_unknown_character_sets_do_not_stop_the_reading() -> None:
    raw = (
        b"From: =?nonsense?q?Maud?= <maud@example.org>\nSubject: =?utf-8?b?!!!?=\n"
        b"Content-Type: text/plain; charset=nonsense\n\nCall me \xff\x00 please\n"
    )
    mail = read_mail(raw, None)
    assert isinstance(mail, Reply)
    mail.text.encode()
    assert "\x00" not in mail.text
    assert mail.text.startswith("Call me")


whole = {name: sample(name, KEY) for name in MAIL_NAMES}


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=2000) | st.binary(max_size=500).map(lambda tail: b"From: a@example.org\nSubject: x\n" + tail))
def test_any_octets_give_a_clean_answer(raw: bytes) -> None:
    assert isinstance(read_mail(raw, None), (Bounce, Complaint, Reply, Unreadable))


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(MAIL_NAMES), st.integers(0, 5000), st.integers(0, 200), st.binary(max_size=60))
def test_a_mail_damaged_anywhere_gives_a_clean_answer(name: str, at: int, length: int, put: bytes) -> None:
    raw = whole[name]
    at %= len(raw)
    mail = read_mail(raw[:at] + put + raw[at + length :], None)
    assert isinstance(mail, (Bounce, Complaint, Reply, Unreadable))
    for each in mail.recipients if isinstance(mail, Bounce) else ():
        assert isinstance(each, Recipient)
        each.detail.encode()
