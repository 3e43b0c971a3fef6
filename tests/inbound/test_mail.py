"""What a mail changes, and what a forged one does not."""

from __future__ import annotations

import pytest
from builders import SECRET, a_person
from hypothesis import given, settings
from hypothesis import strategies as st
from inbound.sent import MAIL_NAMES, World, sample, strangers

from service.domain.contact import Channel
from service.domain.message import Inbound, MessageKind, State
from service.inbound.mail import Sorted, take_mail
from service.inbound.replies import take_inbound
from service.links import BOUNCE, bounce_address, envelope_token, key_bounced


def stopped(world: World, person: str = "") -> frozenset[Channel]:
    with world.services.open_reading() as work:
        return work.people.get(person or world.person).contact.stopped


@pytest.mark.parametrize(
    ("name", "found", "state", "reasons"),
    [
        ("bounce-report-headers", Sorted.BOUNCE, State.FAILED, ["contact-invalid", "refused"]),
        ("bounce-report-whole-mail", Sorted.BOUNCE, State.FAILED, ["refused"]),
        ("bounce-temporary-but-final", Sorted.BOUNCE, State.FAILED, ["refused"]),
        ("bounce-no-third-part", Sorted.BOUNCE, State.FAILED, ["contact-invalid", "refused"]),
        ("bounce-international", Sorted.BOUNCE, State.FAILED, ["refused"]),
        ("bounce-plain-introduced", Sorted.BOUNCE, State.FAILED, ["contact-invalid", "refused"]),
        ("bounce-plain-copy", Sorted.BOUNCE, State.FAILED, ["refused"]),
        ("delay-report", Sorted.BOUNCE, State.SENT, []),
        ("delay-plain", Sorted.BOUNCE, State.SENT, []),
        ("delivered-report", Sorted.BOUNCE, State.DELIVERED, []),
        ("report-two-recipients", Sorted.BOUNCE, State.DELIVERED, []),
        ("complaint-abuse", Sorted.COMPLAINT, State.SENT, ["complaint"]),
        ("complaint-redacted", Sorted.COMPLAINT, State.SENT, ["complaint"]),
        ("complaint-not-spam", Sorted.COMPLAINT, State.SENT, []),
        ("out-of-office-standard", Sorted.AUTO_REPLY, State.SENT, []),
        ("out-of-office-null-path", Sorted.AUTO_REPLY, State.SENT, []),
        ("out-of-office-precedence", Sorted.AUTO_REPLY, State.SENT, []),
        ("calendar-reply", Sorted.CALENDAR_REPLY, State.SENT, ["calendar-reply"]),
        ("reply-above-quote", Sorted.REPLY, State.SENT, ["reply"]),
        ("reply-below-quote", Sorted.REPLY, State.SENT, ["reply-warning"]),
        ("reply-html-only", Sorted.REPLY, State.SENT, ["reply"]),
        ("reply-separator", Sorted.REPLY, State.SENT, ["reply"]),
        ("reply-stop", Sorted.REPLY, State.SENT, ["channel-stopped"]),
        ("reply-stop-and-more", Sorted.REPLY, State.SENT, ["channel-stopped", "reply-warning"]),
        ("reply-encoded", Sorted.REPLY, State.SENT, ["reply-warning"]),
    ],
)
def test_each_mail_has_its_one_effect_however_often_it_comes(
    name: str, found: Sorted, state: State, reasons: list[str]
) -> None:
    world = World(Channel.EMAIL)
    for _ in range(2):
        assert take_mail(world.services, world.mail(name)) is found
        assert world.message.state is state
        assert sorted(world.reasons()) == reasons
        assert strangers(world.services) == []
    should_stop = name in ("reply-stop", "reply-stop-and-more", "complaint-abuse", "complaint-redacted")
    assert stopped(world) == ({Channel.EMAIL} if should_stop else frozenset())


def test_every_sample_is_tried() -> None:
    table = next(m for m in test_each_mail_has_its_one_effect_however_often_it_comes.pytestmark if m.args)  # type: ignore[attr-defined]
    assert {row[0] for row in table.args[1]} == set(MAIL_NAMES)


def forged(name: str, world: World) -> dict[str, bytes]:
    """The sample as somebody would forge it who does not hold what makes it true."""
    raw = world.mail(name)
    mark = envelope_token(SECRET, world.message_id).encode()
    another = envelope_token("another secret, 32 characters long", world.message_id).encode()
    without_mark = raw.replace(mark, another)
    key = world.message_id.encode()
    return {
        "wrong mark and a guessed key": without_mark.replace(b"<" + key, b"<" + b"0" * 32),
        "wrong mark and another address": without_mark.replace(b"maud@example.org", b"other@example.org"),
        "wrong mark and another domain": without_mark.replace(b"@larkfield.example", b"@elsewhere.example"),
        "the mark of a message that is not there": raw.replace(mark, envelope_token(SECRET, "f" * 32).encode()).replace(
            b"<" + key, b"<" + b"f" * 32
        ),
    }


@pytest.mark.parametrize(
    "name",
    [
        "bounce-report-headers",
        "bounce-report-whole-mail",
        "bounce-no-third-part",
        "bounce-plain-introduced",
        "bounce-plain-copy",
        "delivered-report",
        "complaint-abuse",
        "complaint-redacted",
    ],
)
def test_a_forged_bounce_or_complaint_changes_nothing_and_the_desk_hears_of_it_once_a_day(name: str) -> None:
    world = World(Channel.EMAIL)
    for how, raw in forged(name, world).items():
        assert take_mail(world.services, raw) is Sorted.UNMATCHED, how
        assert world.message.state is State.SENT, how
        assert world.reasons() == [], how
        assert stopped(world) == frozenset(), how
    assert strangers(world.services) == ["unmatched-bounce"]
    world.clock.forward(days=1)
    take_mail(world.services, raw)
    assert strangers(world.services) == ["unmatched-bounce"] * 2


def test_the_delivery_address_alone_is_mark_enough() -> None:
    world = World(Channel.EMAIL)
    raw = world.mail("bounce-no-third-part").replace(BOUNCE.encode(), b"x+")
    assert take_mail(world.services, raw) is Sorted.UNMATCHED
    address = bounce_address(SECRET, world.message_id, "larkfield.example")
    assert take_mail(world.services, raw, address.upper()) is Sorted.BOUNCE
    assert world.message.state is State.FAILED


def test_a_bounce_from_a_forwarded_address_counts_by_the_mark() -> None:
    world = World(Channel.EMAIL)
    raw = world.mail("bounce-no-third-part").replace(b"maud@example.org", b"m.ellery@example.com")
    assert take_mail(world.services, raw) is Sorted.BOUNCE
    assert world.message.state is State.FAILED


def test_a_mail_about_a_text_is_about_nothing() -> None:
    world = World(Channel.TEXT)
    assert take_mail(world.services, world.mail("bounce-report-headers")) is Sorted.UNMATCHED
    assert world.message.state is State.SENT


def test_a_complaint_stops_mail_for_everybody_at_the_address() -> None:
    world = World(Channel.EMAIL)
    other = a_person(world.services, "tom", email="MAUD@example.org")
    take_mail(world.services, world.mail("complaint-abuse"))
    assert stopped(world) == stopped(world, other) == {Channel.EMAIL}


def test_a_complaint_of_another_kind_is_for_a_person_to_judge() -> None:
    world = World(Channel.EMAIL)
    take_mail(world.services, world.mail("complaint-abuse").replace(b"Type: abuse", b"Type: virus"))
    assert stopped(world) == frozenset()
    assert world.reasons() == ["complaint"]


def test_automatic_mail_is_kept_and_never_answered() -> None:
    world = World(Channel.EMAIL)
    for name in ("out-of-office-standard", "out-of-office-null-path", "out-of-office-precedence"):
        take_mail(world.services, world.mail(name))
    world.send()
    assert len(world.recorder.sent) == 1
    with world.services.open_reading() as work:
        contact = work.people.get(world.person).contact
        assert {s.meaning for s in work.inbound.of_person(world.person, contact)} == {"auto-reply"}


def test_two_programs_that_answer_each_other_exchange_one_mail_at_most() -> None:
    world = World(Channel.EMAIL)
    take_mail(world.services, world.mail("reply-below-quote"))
    for turn in range(10):
        world.send()
        echo = f"From: maud@example.org\nMessage-ID: <{turn}@example.org>\nSubject: Re\n\nthere is blood {turn}\n"
        take_mail(world.services, echo.encode())
        world.clock.forward(minutes=5)
    assert len(world.recorder.sent) == 2


def test_a_second_mail_under_an_old_message_id_is_not_lost() -> None:
    world = World(Channel.EMAIL)
    raw = world.mail("reply-separator")
    take_mail(world.services, raw)
    take_mail(world.services, raw.replace(b"Tuesday", b"Friday"))
    assert world.reasons() == ["reply"]
    with world.services.open_reading() as work:
        (entry,) = work.ledger.attention()
        pile = work.inbound.pile_of(entry, work.people.get(world.person).contact)
    assert pile is not None and pile.count == 2


def test_a_stop_to_the_marked_address_of_our_mail_is_as_sure_as_an_answer() -> None:
    raw = b"From: maud@example.org\nSubject: STOP\nMessage-ID: <s@example.org>\n\nSTOP\n"
    for secret, reason in ((SECRET, "channel-stopped"), ("another secret, 32 characters long", "stop-unsure")):
        world = World(Channel.EMAIL)
        take_mail(world.services, raw, bounce_address(secret, world.message_id, "larkfield.example"))
        assert stopped(world) == {Channel.EMAIL}
        assert world.reasons() == [reason]


def test_a_mail_that_says_stop_in_its_subject_only_is_a_stop() -> None:
    world = World(Channel.EMAIL)
    take_mail(world.services, b"From: maud@example.org\nSubject: STOP\nMessage-ID: <s@example.org>\n\n\n")
    assert stopped(world) == {Channel.EMAIL}


def test_a_mail_that_cannot_be_read_is_shown_to_the_desk_once() -> None:
    world = World(Channel.EMAIL)
    assert take_mail(world.services, b"\x00\x01") is Sorted.UNREADABLE
    assert take_mail(world.services, b"\x00\x01") is Sorted.UNREADABLE
    assert strangers(world.services) == ["unreadable"]


shared = World(Channel.EMAIL)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(MAIL_NAMES), st.integers(0, 5000), st.integers(0, 200), st.binary(max_size=60))
def test_no_damaged_mail_stops_the_taking(name: str, at: int, length: int, put: bytes) -> None:
    raw = sample(name, "0" * 32)
    at %= len(raw)
    assert take_mail(shared.services, raw[:at] + put + raw[at + length :]) in Sorted


def test_a_mark_is_made_for_one_key_and_fits_an_address() -> None:
    address = bounce_address(SECRET, "a" * 32, "larkfield.example")
    assert len(address.partition("@")[0]) <= 64
    assert key_bounced(SECRET, address) == "a" * 32
    assert key_bounced(SECRET, f"<{address.upper()}>") == "a" * 32
    assert key_bounced("another secret of the same service", address) is None
    assert key_bounced(SECRET, address.replace("a" * 32, "b" * 32)) is None


@given(st.text(max_size=80))
def test_no_address_but_ours_gives_a_key(text: str) -> None:
    for address in (text, f"{BOUNCE}{text}@larkfield.example", f"{BOUNCE}{'a' * 32}.{text}@x"):
        assert key_bounced(SECRET, address) is None


def answered(world: World) -> list[str | None]:
    """For each automatic answer, the id of the mail that it is about."""
    with world.services.open_reading() as work:
        replies = [m for m in work.messages.of_person(world.person) if m.planned.kind is MessageKind.REPLY]
        return [work.inbound.mail_answered(m.planned) for m in replies]


def a_mail(message_id: str, text: str = "I feel dizzy") -> bytes:
    return f"From: maud@example.org\nSubject: Hello\nMessage-ID: <{message_id}>\n\n{text}\n".encode()


def test_an_automatic_answer_names_the_mail_that_it_answers() -> None:
    world = World(Channel.EMAIL)
    take_mail(world.services, a_mail("one.2-3+4@mail.example.org"))
    assert answered(world) == ["one.2-3+4@mail.example.org"]
    world.clock.forward(hours=2)
    take_mail(world.services, a_mail("two/with/slashes@mail.example.org"))
    assert answered(world) == ["one.2-3+4@mail.example.org", "two/with/slashes@mail.example.org"]


@pytest.mark.parametrize(
    "message_id", ["", "żółw@example.org", "a\x01b@example.org", "no-at-sign", f"{'a' * 300}@b.org"]
)
def test_an_id_that_no_header_can_carry_is_not_named(message_id: str) -> None:
    world = World(Channel.EMAIL)
    take_mail(world.services, a_mail(message_id))
    assert answered(world) == [None]


def test_an_answer_to_a_text_names_no_mail_and_other_messages_none_either() -> None:
    world = World(Channel.TEXT)
    take_inbound(
        world.services,
        Inbound(channel=Channel.TEXT, id="1", sender="+447700900123", text="I feel dizzy", at=world.clock.now()),
    )
    assert answered(world) == [None]
    with world.services.open_reading() as work:
        assert work.inbound.mail_answered(world.message.planned) is None
