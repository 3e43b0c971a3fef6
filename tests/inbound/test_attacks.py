"""What a stranger can do to us with one mail: nothing that lasts, whatever is in it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from builders import SECRET
from inbound.sent import World, strangers
from sqlalchemy import event

from service.domain.contact import Channel
from service.domain.message import State
from service.inbound.bounces import LONGEST_ADDRESS, read_mail
from service.inbound.mail import MOST_LOOKED_UP, Sorted, take_mail
from service.inbound.reply_text import own_words, plain_of_html
from service.links import BOUNCE, key_bounced

DAEMON = "From: MAILER-DAEMON@mx.example.org\nSubject: hello\n\n"
HTML = "From: a@example.org\nSubject: hello\nContent-Type: text/html\n\n"
PLAIN = "From: a@example.org\nSubject: hello\n\n"


def nested(depth: int) -> str:
    parts = (f"Content-Type: multipart/mixed; boundary=b{each}\n\n--b{each}\n" for each in range(depth))
    return "From: a@example.org\nSubject: hello\n" + "".join(parts) + "\n"


# Before they were read in one go, the first of each took from minutes to hours, and nothing else ran meanwhile.
LONG: dict[str, Callable[[int], str]] = {
    "blanks after an introduction": lambda n: PLAIN + "On Monday, we wrote" + " " * n + "x",
    "a line of blanks": lambda n: PLAIN + "a\n" + " " * n + "x",
    "half words of failure": lambda n: DAEMON + "fail" * (n // 4),
    "half words of delivery": lambda n: DAEMON + "deliver" * (n // 7),
    "comments never closed": lambda n: HTML + "<!--a>" * (n // 6),
    "sections never closed": lambda n: HTML + "<![CDATA[a>" * (n // 11),
    "tags never closed": lambda n: HTML + "<a " * (n // 3),
    "end tags never closed": lambda n: HTML + "</a" * (n // 3),
    "instructions never closed": lambda n: HTML + "<?a" * (n // 3),
    "brackets in a header": lambda n: f"From: a@example.org\nAuto-Submitted: {'(' * n}\n\nx",
    "encoded words in a header": lambda n: f"From: a@example.org\nSubject: {'=?a?q?' * (n // 6)}\n\nx",
    "parameters in a header": lambda n: "From: a@example.org\nContent-Type: text/plain; " + ';"' * (n // 2) + "\n\nx",
    "parameters in folds": lambda n: "From: a@example.org\nContent-Type: text/plain" + ';\r "' * (n // 4) + "\n\nx",
    "parts in parts": lambda n: nested(200) + "a\n" * n,
    "senders in a header": lambda n: f"From: {'a@b,' * (n // 4)}\nSubject: hello\n\nx",
}


@pytest.mark.parametrize("made", LONG.values(), ids=LONG)
def test_a_mail_made_to_be_slow_is_read(made: Callable[[int], str]) -> None:
    """No time is asserted: with patterns that take the square of the length, this would not come to its end."""
    assert read_mail(made(1_000_000).encode(), None) is not None


@pytest.mark.parametrize(
    ("html", "plain"),
    [
        ("<p>Yes<!-- no --> please</p>", "Yes please"),
        ("<p>Yes<!--[if mso]>no<![endif]--> please</p>", "Yes please"),
        ("<![if !mso]><p>Yes</p><![endif]>", "Yes"),
        ("<!DOCTYPE html><p>Yes</p>", "Yes"),
        ("Yes<!--> please<!-- no -->", "Yes please"),
        ("<p>Yes <!-- please", "Yes <!-- please"),
        ("<p>Yes <!-- <b>please</b>", "Yes please"),
        ("<p>Yes</p>I <3 you", "Yes\nI <3 you"),
        ("2 < 3", "2 < 3"),
        ("", ""),
    ],
)
def test_no_visible_word_of_a_person_is_lost_with_comments_and_declarations(html: str, plain: str) -> None:
    assert plain_of_html(html) == plain


def test_a_quotation_is_known_however_its_introduction_is_spaced() -> None:
    assert own_words("Yes\n\n  On   Monday 3 August,  the clinic\twrote:  \n> old words") == "Yes"


def test_a_sender_without_end_is_cut_to_what_an_address_can_be() -> None:
    mail = read_mail(f"From: <{'a' * 5000}@example.org>\nSubject: hello\n\nwords".encode(), None)
    assert len(mail.sender) == LONGEST_ADDRESS  # type: ignore[union-attr]


@pytest.mark.parametrize("mark", [f"{BOUNCE}\udcff.mark@example.org", f"{BOUNCE}\u0130.mark@example.org"])
def test_an_envelope_address_that_we_cannot_have_made_is_about_nothing(mark: str) -> None:
    assert key_bounced(SECRET, mark) is None
    world = World(Channel.EMAIL)
    assert take_mail(world.services, world.mail("bounce-report-headers").replace(b"bounce+", b"x"), mark)
    # It still carries the message id with the address; so it is believed for that, and not for the envelope.
    assert world.message.state is State.FAILED


def test_a_bounce_that_names_thousands_of_our_mails_is_not_looked_up_without_end() -> None:
    world = World(Channel.EMAIL)
    domain = world.services.clinic.email.rpartition("@")[2]
    named = "".join(f"<{number:032}@{domain}>\n" for number in range(2000))
    forged = f"{DAEMON}Returned mail: someone@example.org\n{named}".encode()
    asked: list[str] = []

    def count(_: object, __: object, statement: str, *___: object) -> None:
        asked.append(statement)

    with world.services.open_reading() as work:
        engine = work._session.get_bind()
    event.listen(engine, "before_cursor_execute", count)
    assert take_mail(world.services, forged) is Sorted.UNMATCHED
    assert len([each for each in asked if "FROM messages" in each]) <= MOST_LOOKED_UP
    assert strangers(world.services) == ["unmatched-bounce"]
