"""SMTP against a real server (aiosmtpd, in a thread on a free loopback port), and against one that misbehaves."""

from __future__ import annotations

from asyncio import get_running_loop
from collections import Counter
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP as POLICY
from pathlib import Path
from threading import Barrier, Event
from typing import Any

import pytest
from aiosmtpd.smtp import SMTP, Session
from aiosmtpd.smtp import Envelope as Received
from builders import free_port
from envelopes import an_envelope
from smtp_peer import GROUPS, PATIENCE, SILENCE, USUAL, Authority, Grouping, OnePassword, Sink, misbehaving, serving

from service.domain.message import Attachment, Envelope, Result
from service.errors import TransportError
from service.transports import smtp, smtp_line
from service.transports.contract import TransportContract
from service.transports.port import Transport, connections_of
from service.transports.smtp import SmtpTransport


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


def mails(sink: Sink) -> list[EmailMessage]:
    contents = [taken.content for taken in sink.taken]
    return [message_from_bytes(content, policy=POLICY) for content in contents if isinstance(content, bytes)]


def keys(sink: Sink) -> list[str]:
    return [str(mail["Message-ID"]).split("@")[0].removeprefix("<") for mail in mails(sink)]


class OverPlainSmtp(TransportContract):
    """The contract and one case more; the classes below choose the encryption."""

    def options(self, _authority: Authority) -> Mapping[str, str | int]:
        return {"security": "none"}

    def server(self, _authority: Authority) -> dict[str, object]:
        return {}

    def a_sink(self) -> Sink:
        return Sink()

    @pytest.fixture(autouse=True)
    def _server(self, authority: Authority) -> Iterator[None]:
        self.sink = self.a_sink()
        with serving(self.sink, self.options(authority), **self.server(authority)) as transport:
            self._transport = transport
            yield

    def transport(self) -> Transport:
        return self._transport

    def envelope(self, key: str) -> Envelope:
        return an_envelope(key)

    def arrived(self) -> list[str]:
        return keys(self.sink)

    def test_the_body_arrives_whole_also_where_a_line_starts_with_a_dot(self) -> None:  # RFC 5321 4.5.2
        self._transport.send(an_envelope())
        (mail,) = mails(self.sink)
        body = mail.get_body(("plain",))
        assert body is not None
        assert body.get_content().splitlines() == ["Hello Maud,", ".a line that starts with a dot", "Goodbye"]
        assert self.sink.taken[0].mail_from == "desk@larkfield.example"
        assert self.sink.taken[0].rcpt_tos == ["maud@example.org"]

    def test_several_mails_go_over_one_connection(self) -> None:
        for number in range(5):
            assert self._transport.send(an_envelope(f"k{number}")).result is Result.ACCEPTED
        assert keys(self.sink) == ["k0", "k1", "k2", "k3", "k4"]
        assert len(set(self.sink.lines)) == 1


class TestPlain(OverPlainSmtp):
    """Without encryption."""


class TestInGroups(OverPlainSmtp):
    """Without encryption, to a server that takes commands in a group."""

    def a_sink(self) -> Sink:
        return Grouping()


class TestStartTls(OverPlainSmtp):
    """Encrypted by STARTTLS; the server takes nothing before it."""

    def options(self, authority: Authority) -> Mapping[str, str | int]:
        return {"security": "starttls", "ca_file": str(authority.ca_file)}

    def server(self, authority: Authority) -> dict[str, object]:
        return {"tls_context": authority.server(), "require_starttls": True}


class TestTls(OverPlainSmtp):
    """Encrypted from the first octet."""

    def options(self, authority: Authority) -> Mapping[str, str | int]:
        return {"security": "tls", "ca_file": str(authority.ca_file)}

    def server(self, authority: Authority) -> dict[str, object]:
        return {"ssl_context": authority.server()}


# Encryption and sign-in


@contextmanager
def secured(
    sink: Sink, security: str, ca_file: Path, authority: Authority, **certificate: object
) -> Iterator[SmtpTransport]:
    context = authority.server(**certificate)  # type: ignore[arg-type]
    server = {"tls_context" if security == "starttls" else "ssl_context": context}
    # aiosmtpd's controller tries its own server first, and does not check the certificate then.
    with serving(sink, {"security": security, "ca_file": str(ca_file)}, **server) as transport:
        yield transport


@pytest.mark.parametrize("security", ["starttls", "tls"])
@pytest.mark.parametrize(
    ("certificate", "why"),
    [
        ({"name": "DNS:other.example"}, "IP address mismatch"),
        ({"days": -1}, "certificate has expired"),
    ],
)
def test_a_certificate_of_another_name_or_one_that_ran_out_gets_no_mail(
    authority: Authority, security: str, certificate: dict[str, object], why: str
) -> None:
    sink = Sink()
    with secured(sink, security, authority.ca_file, authority, **certificate) as transport:
        outcome = transport.send(an_envelope())
    assert outcome.result is Result.RETRY
    assert why in outcome.detail
    assert sink.taken == []


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_of_an_authority_that_we_do_not_trust_gets_no_mail(
    authority: Authority, tmp_path: Path, security: str
) -> None:
    sink = Sink()
    with secured(sink, security, Authority(tmp_path, "stranger").ca_file, authority) as transport:
        outcome = transport.send(an_envelope())
    assert outcome.result is Result.RETRY
    assert "certificate verify failed" in outcome.detail
    assert sink.taken == []


def test_starttls_is_the_default_and_a_server_without_it_gets_no_mail_and_no_password() -> None:
    offer = {"EHLO": b"250-peer\r\n250 AUTH PLAIN LOGIN\r\n"}
    options = {"security": "starttls", "user": "desk", "password": "right horse"}
    with misbehaving(offer, options=options) as (peer, transport):
        outcome = transport.send(an_envelope())
        bare = SmtpTransport.from_options({"host": "127.0.0.1", "port": peer.port})
        assert bare.send(an_envelope()).detail == outcome.detail
        bare.close()
    assert outcome.result is Result.RETRY
    assert "STARTTLS" in outcome.detail
    assert {line[:4].upper() for line in peer.heard} == {"EHLO"}


@pytest.mark.parametrize("answer", [b"454 4.7.0 not now\r\n", b"501 5.5.4 no\r\n", None])
def test_a_server_that_offers_starttls_and_then_will_not_gets_no_mail(answer: bytes | None) -> None:
    offer = {"EHLO": b"250-peer\r\n250 STARTTLS\r\n", "STAR": answer}
    with misbehaving(offer, options={"security": "starttls"}) as (peer, transport):
        assert transport.send(an_envelope()).result is Result.RETRY
    assert {line[:4].upper() for line in peer.heard} == {"EHLO", "STAR"}


def test_what_a_stranger_slips_in_before_the_encryption_is_not_believed(authority: Authority) -> None:
    offer = {"EHLO": b"250-peer\r\n250 STARTTLS\r\n", "STAR": b"220 go\r\n250 AUTH PLAIN\r\n"}
    options = {"security": "starttls", "ca_file": str(authority.ca_file), "user": "desk", "password": "right horse"}
    with misbehaving(offer, options=options) as (peer, transport):
        peer_outcome = transport.send(an_envelope())
    assert peer_outcome.result is Result.RETRY
    assert not [line for line in peer.heard if line.upper().startswith(("AUTH", "MAIL"))]


@pytest.mark.parametrize("without", [[], ["PLAIN"]])  # then by LOGIN
@pytest.mark.parametrize(("password", "result"), [("right horse", Result.ACCEPTED), ("wrong pony", Result.RETRY)])
def test_the_sign_in_decides_and_a_wrong_password_is_tried_once_and_never_told(
    authority: Authority, without: list[str], password: str, result: Result
) -> None:
    sink, checker = Sink(), OnePassword()
    options = {"security": "starttls", "ca_file": str(authority.ca_file), "user": "desk", "password": password}
    server: dict[str, object] = {"tls_context": authority.server(), "authenticator": checker, "auth_required": True}
    with serving(sink, options, **server, auth_exclude_mechanism=without) as transport:
        outcome = transport.send(an_envelope())
    assert outcome.result is result
    assert len(sink.taken) == (result is Result.ACCEPTED)
    assert checker.tries == 1
    assert password not in outcome.detail
    assert password not in repr(transport)


def test_a_password_that_the_server_repeats_is_not_told() -> None:
    offer = {"EHLO": b"250-peer\r\n250 AUTH PLAIN\r\n", "AUTH": b"535 5.7.8 not 'wrong pony'\r\n"}
    with misbehaving(offer, options={"user": "desk", "password": "wrong pony"}) as (_, transport):
        outcome = transport.send(an_envelope())
    assert outcome.result is Result.RETRY
    assert outcome.detail == "the mail server refused the sign-in: 535"


def test_a_password_may_have_any_letters() -> None:
    offer = {"EHLO": b"250-peer\r\n250 AUTH PLAIN\r\n", "AUTH": b"235 ok\r\n"}
    with misbehaving(offer, options={"user": "desk", "password": "Pförtner"}) as (peer, transport):
        assert transport.send(an_envelope()).result is Result.ACCEPTED
    assert "AUTH PLAIN AGRlc2sAUGbDtnJ0bmVy" in peer.heard  # RFC 4616: UTF-8


def test_a_server_that_wants_a_sign_in_first_gets_the_mail_later() -> None:  # RFC 4954 6
    with misbehaving({"MAIL": b"530 5.7.0 sign in first\r\n"}) as (_, transport):
        assert transport.send(an_envelope()).result is Result.RETRY


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"security": "maybe"}, "security must be starttls, tls or none"),
        ({"security": "none", "user": "desk", "password": "p"}, "user needs security starttls or tls"),
        ({"user": "desk"}, "option password must be given"),
        ({"ca_file": "/no/such/file.pem"}, "ca_file must name a readable PEM file"),
        ({"connections": 0}, "connections must be from 1 to 100"),
        ({"keep_seconds": -1}, "keep_seconds must be from 0"),
        ({"messages_per_connection": 0}, "messages_per_connection must be from 1"),
        ({"port": 65536}, "port must be from 1 to 65535"),
        ({"secuirty": "tls"}, "option secuirty is not known; allowed: host, port, security"),
    ],
)
def test_a_wrong_option_is_named(options: dict[str, str | int], words: str) -> None:
    with pytest.raises(TransportError, match=words) as caught:
        SmtpTransport.from_options({"host": "mail.example"} | options)
    assert "horse" not in str(caught.value)


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost"])
def test_a_password_may_go_in_the_open_to_this_machine_only(host: str) -> None:
    SmtpTransport.from_options({"host": host, "security": "none", "user": "desk", "password": "p"}).close()


# Connections


def test_four_connections_are_the_default_and_the_caller_can_see_how_many() -> None:
    assert connections_of(SmtpTransport.from_options({"host": "mail.example"})) == 4
    assert connections_of(SmtpTransport.from_options({"host": "mail.example", "connections": 7})) == 7


def test_a_connection_is_renewed_after_so_many_mails() -> None:
    sink = Sink()
    with serving(sink, {"messages_per_connection": 2}) as transport:
        for number in range(5):
            assert transport.send(an_envelope(f"k{number}")).result is Result.ACCEPTED
        transport.close()
        sink.wait_for_goodbyes(3)
    assert sorted(Counter(sink.lines).values()) == [1, 2, 2]
    assert sink.goodbyes == 3, "each was left politely"


def test_many_threads_deliver_each_mail_once_over_no_more_connections_than_allowed() -> None:
    sink, together = Sink(), Barrier(8)

    def send(number: int) -> Result:
        if number < 8:
            together.wait(PATIENCE)
        return transport.send(an_envelope(f"k{number}")).result

    with serving(sink, {"connections": 3}) as transport, ThreadPoolExecutor(8) as pool:
        results = list(pool.map(send, range(80)))
    assert set(results) == {Result.ACCEPTED}
    assert Counter(keys(sink)) == Counter(f"k{number}" for number in range(80))
    assert len(set(sink.lines)) <= 3


def test_an_idle_connection_is_left_after_a_while_also_when_no_mail_follows() -> None:
    sink = Sink()
    with serving(sink, {"keep_seconds": 1}) as transport:
        transport.send(an_envelope())
        sink.wait_for_goodbyes(1)
        assert transport.send(an_envelope("b")).result is Result.ACCEPTED
    assert len(set(sink.lines)) == 2


def test_a_connection_need_not_be_kept() -> None:
    sink = Sink()
    with serving(sink, {"keep_seconds": 0}) as transport:
        for key in "ab":
            transport.send(an_envelope(key))
    assert len(set(sink.lines)) == 2


@pytest.mark.parametrize("last_words", [SILENCE, b"421 4.4.2 idle too long\r\n"])
def test_a_server_that_drops_an_idle_connection_gets_the_next_mail_over_a_fresh_one(last_words: bytes) -> None:
    with misbehaving({"IDLE": last_words}) as (peer, transport):
        for number in (1, 2, 3):
            assert transport.send(an_envelope(f"k{number}")).result is Result.ACCEPTED
            peer.wait_for_closed(number)
    assert len(peer.taken) == 3
    assert peer.opened == 3


@pytest.mark.parametrize("answer", [None, SILENCE, b"what?\r\n"])
@pytest.mark.parametrize("verb", ["MAIL", "RCPT", "DATA"])
@pytest.mark.parametrize("greeting", [USUAL["EHLO"], GROUPS])
def test_a_kept_connection_that_dies_before_the_final_dot_is_replaced_once(
    greeting: bytes, verb: str, answer: bytes | None
) -> None:
    patience = {"connect_timeout": 4} if answer == SILENCE else {}
    with misbehaving({"EHLO": greeting}, {}, options=patience) as (peer, transport):
        assert transport.send(an_envelope("k1")).result is Result.ACCEPTED
        peer.told[verb] = answer
        assert transport.send(an_envelope("k2")).result is Result.ACCEPTED
    assert [b"<k1@" in mail for mail in peer.taken] == [True, False]
    assert peer.opened == 2


def test_a_fresh_connection_that_dies_is_not_tried_again() -> None:
    with misbehaving({}, {"RCPT": None}) as (peer, transport):
        assert transport.send(an_envelope("k1")).result is Result.ACCEPTED
        peer.told["MAIL"] = None
        assert transport.send(an_envelope("k2")).result is Result.RETRY
    assert peer.opened == 2


@pytest.mark.parametrize("sink", [Sink(), Grouping()], ids=["alone", "in groups"])
def test_a_refused_recipient_does_not_spoil_the_connection(sink: Sink) -> None:
    with serving(sink) as transport:
        transport.send(an_envelope("k1"))
        assert transport.send(an_envelope("k2", to="nobody@example.org")).result is Result.REFUSED
        assert transport.send(an_envelope("k3")).result is Result.ACCEPTED
    assert keys(sink) == ["k1", "k3"]
    assert [taken.rcpt_tos for taken in sink.taken] == [["maud@example.org"]] * 2
    assert len(set(sink.lines)) == 1


def test_a_connection_that_cannot_be_reset_is_replaced() -> None:
    first = {"RCPT": b"550 5.1.1 no\r\n", "RSET": b"502 what\r\n"}
    with misbehaving(first, {}) as (peer, transport):
        assert transport.send(an_envelope("k1")).result is Result.REFUSED
        assert transport.send(an_envelope("k2")).result is Result.ACCEPTED
    assert peer.opened == 2
    assert len(peer.taken) == 1


def test_closing_says_goodbye_on_every_connection_and_a_mail_after_it_waits() -> None:
    sink, together = Sink(), Barrier(3)

    def send(key: str) -> None:
        together.wait(PATIENCE)
        transport.send(an_envelope(key))

    with serving(sink) as transport:
        with ThreadPoolExecutor(3) as pool:
            list(pool.map(send, "abc"))
        transport.close()
        sink.wait_for_goodbyes(len(set(sink.lines)))
        assert sink.goodbyes == len(set(sink.lines))
        transport.close()
        outcome = transport.send(an_envelope("d"))
    assert outcome.result is Result.RETRY
    assert sorted(keys(sink)) == ["a", "b", "c"]


def test_closing_lets_the_mail_that_is_under_way_arrive() -> None:
    started, go_on = Event(), Event()

    class Slow(Sink):
        async def handle_DATA(self, server: SMTP, session: Session, envelope: Received) -> str:
            started.set()
            await get_running_loop().run_in_executor(None, go_on.wait, PATIENCE)
            return await super().handle_DATA(server, session, envelope)

    sink = Slow()
    with serving(sink) as transport, ThreadPoolExecutor(1) as pool:
        under_way = pool.submit(transport.send, an_envelope())
        assert started.wait(PATIENCE)
        transport.close()
        go_on.set()
        assert under_way.result(PATIENCE).result is Result.ACCEPTED
        sink.wait_for_goodbyes(1)
    assert len(sink.taken) == 1


def test_closing_does_not_wait_for_a_server_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smtp_line, "GOODBYE_SECONDS", 0.1)
    with misbehaving({"QUIT": SILENCE}) as (peer, transport):
        transport.send(an_envelope())
        transport.close()
        peer.wait_for_closed(1)
    assert peer.heard[-1] == "QUIT"


def test_no_server_is_a_retry_since_nothing_was_taken() -> None:
    transport = SmtpTransport.from_options({"host": "127.0.0.1", "port": free_port(), "security": "none"})
    assert transport.send(an_envelope()).result is Result.RETRY


def test_a_host_that_is_no_name_is_a_retry() -> None:
    transport = SmtpTransport.from_options({"host": "mail..example", "security": "none"})
    assert transport.send(an_envelope()).result is Result.RETRY


# Answers


@pytest.mark.parametrize(
    ("answer", "result"),
    [
        ("451 4.3.0 try later", Result.RETRY),  # RFC 5321 4.2.1: 4yz is transient
        ("554 5.7.1 not wanted", Result.REFUSED),  # 5yz is permanent
    ],
)
def test_the_answer_after_the_final_dot_decides_and_the_connection_stays(answer: str, result: Result) -> None:
    sink = Sink(answer)
    with serving(sink) as transport:
        outcome = transport.send(an_envelope())
        sink.answer = "250 taken"
        assert transport.send(an_envelope()).result is Result.ACCEPTED
        transport.close()
    assert outcome.result is result
    assert outcome.detail == answer
    assert outcome.retry_after is None
    assert sink.goodbyes == 1


def test_an_unknown_mailbox_is_refused_before_any_data() -> None:
    sink = Sink()
    with serving(sink) as transport:
        outcome = transport.send(an_envelope(to="nobody@example.org"))
    assert outcome.result is Result.REFUSED
    assert outcome.detail == "550 5.1.1 no such mailbox"
    assert sink.taken == []


@pytest.mark.parametrize("greeting", [USUAL["EHLO"], GROUPS])
@pytest.mark.parametrize(
    ("verb", "answer", "bad"),
    [
        ("RCPT", "550 5.1.1 no such mailbox", True),  # RFC 3463 3.2
        ("DOT", "550 5.1.1 no such mailbox", True),
        ("RCPT", "556 5.1.10 takes no mail", True),  # RFC 7505 4.2
        ("RCPT", "550 5.7.1 not from you", False),
        ("RCPT", "550 no such mailbox", False),  # 550 alone may be a matter of policy (RFC 5321 4.2.3)
        ("RCPT", "450 4.1.1 ask later", False),
        ("RCPT", "550 5.1.11 of another kind", False),
        ("MAIL", "550 5.1.1 we do not know the sender", False),
        ("DATA", "554 5.1.1 no valid recipients", False),
    ],
)
def test_an_address_is_unusable_only_when_the_server_says_so_of_the_recipient(
    greeting: bytes, verb: str, answer: str, bad: bool
) -> None:
    with misbehaving({"EHLO": greeting, verb: f"{answer}\r\n".encode()}) as (_, transport):
        outcome = transport.send(an_envelope())
    assert (outcome.contact_bad, outcome.detail) == (bad, answer)


@pytest.mark.parametrize("verb", ["HELLO", "EHLO", "MAIL", "RCPT", "DATA", "DOT"])
@pytest.mark.parametrize("greeting", [USUAL["EHLO"], GROUPS])
def test_421_is_a_retry_and_the_next_mail_goes_over_a_fresh_connection(
    greeting: bytes, verb: str
) -> None:  # RFC 5321 3.8
    told = {"EHLO": greeting, verb: b"421 4.3.2 going down\r\n", "HELO": b"421 going down\r\n"}
    with misbehaving(told, {}) as (peer, transport):
        outcome = transport.send(an_envelope("k1"))
        assert outcome.result is Result.RETRY
        assert transport.send(an_envelope("k2")).result is Result.ACCEPTED
    assert len(peer.taken) == 1
    assert peer.opened == 2


BROKEN = [
    None,
    b"what?\r\n",
    b"2500 ok\r\n",
    b"25",
    b"250 o",
    b"250-ok\r\n25",
    b"250-ok\r\n550 no\r\n",
    b"250-" + b"x" * 5000 + b"\r\n",
    b"250-ok\r\n" * 200,
]


@pytest.mark.parametrize("answer", BROKEN)
@pytest.mark.parametrize("verb", ["HELLO", "EHLO", "MAIL", "RCPT", "DATA"])
@pytest.mark.parametrize("greeting", [USUAL["EHLO"], GROUPS])
def test_garbage_and_half_an_answer_before_the_mail_are_a_retry(
    greeting: bytes, verb: str, answer: bytes | None
) -> None:
    with misbehaving({"EHLO": greeting, verb: answer, "HELO": answer}) as (peer, transport):
        assert transport.send(an_envelope()).result is Result.RETRY
    assert peer.taken == []


@pytest.mark.parametrize("answer", [*BROKEN, b"354 go on\r\n"])
def test_garbage_and_half_an_answer_after_the_final_dot_are_unknown_not_failed(answer: bytes | None) -> None:
    with misbehaving({"DOT": answer}, {}) as (peer, transport):  # RFC 1047
        assert transport.send(an_envelope()).result is Result.UNKNOWN
        assert transport.send(an_envelope()).result is Result.ACCEPTED
    assert peer.opened == 2, "a broken line is not used again"


def test_a_server_that_hangs_after_the_final_dot_leaves_the_outcome_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    assert smtp.DATA_TIMEOUT_SECONDS == 600  # RFC 5321 4.5.3.2.6
    monkeypatch.setattr(smtp, "DATA_TIMEOUT_SECONDS", 1)
    with misbehaving({"DOT": SILENCE}) as (_, transport):
        outcome = transport.send(an_envelope())
    assert outcome.result is Result.UNKNOWN


def test_a_line_that_breaks_within_the_mail_is_a_retry_since_no_final_dot_was_sent() -> None:
    huge = Attachment(name="plan.pdf", media_type="application/pdf", data=b"%PDF" * 4_000_000)
    with misbehaving({"BODY": None}) as (_, transport):
        assert transport.send(an_envelope(attachments=(huge,))).result is Result.RETRY


# Commands in a group (RFC 2920)


def test_a_server_that_takes_groups_hears_all_before_the_mail_at_once() -> None:
    told = {"EHLO": GROUPS, "MAIL": SILENCE, "RCPT": SILENCE, "DATA": b"250 ok\r\n250 ok\r\n354 go on\r\n"}
    with misbehaving(told, options={"connect_timeout": 5}) as (peer, transport):
        assert transport.send(an_envelope()).result is Result.ACCEPTED
    assert len(peer.taken) == 1


@pytest.mark.parametrize("verb", ["MAIL", "RCPT"])
def test_a_server_that_asks_for_the_mail_after_a_refusal_does_not_get_it(verb: str) -> None:
    with misbehaving({"EHLO": GROUPS, verb: b"550 5.1.1 no such mailbox\r\n"}, {}) as (peer, transport):
        outcome = transport.send(an_envelope("k1"))
        assert (outcome.result, outcome.detail) == (Result.REFUSED, "550 5.1.1 no such mailbox")
        assert transport.send(an_envelope("k2")).result is Result.ACCEPTED
    assert [b"<k2@" in mail for mail in peer.taken] == [True]
    assert peer.opened == 2, "what was half said on the first line is left there"


@pytest.mark.parametrize(("verb", "after"), [("MAIL", "RCPT"), ("MAIL", "DATA"), ("RCPT", "DATA")])
@pytest.mark.parametrize(("answer", "result"), [("550 5.7.1 no", Result.REFUSED), ("450 4.2.1 later", Result.RETRY)])
def test_a_refusal_counts_also_when_the_server_then_hangs_up(
    verb: str, after: str, answer: str, result: Result
) -> None:
    with misbehaving({"EHLO": GROUPS, verb: f"{answer}\r\n".encode(), after: None}, {}) as (peer, transport):
        outcome = transport.send(an_envelope("k1"))
        assert (outcome.result, outcome.detail) == (result, answer)
        assert transport.send(an_envelope("k2")).result is Result.ACCEPTED
    assert (len(peer.taken), peer.opened) == (1, 2)


def test_after_a_refusal_the_next_group_begins_anew() -> None:
    told = {"EHLO": GROUPS, "RCPT": b"550 5.1.1 no\r\n", "DATA": b"503 5.5.1 nobody\r\n"}
    with misbehaving(told) as (peer, transport):
        assert transport.send(an_envelope("k1")).result is Result.REFUSED
        peer.told.update(USUAL)
        assert transport.send(an_envelope("k2")).result is Result.ACCEPTED
    verbs = [line.split()[0].upper() for line in peer.heard]
    assert verbs == ["EHLO", "MAIL", "RCPT", "DATA", "RSET", "MAIL", "RCPT", "DATA", "QUIT"]


@pytest.mark.parametrize("answer", [b"250 ok\r\n", b"503 5.5.1 not now\r\n"])
@pytest.mark.parametrize("greeting", [USUAL["EHLO"], GROUPS])
def test_a_server_that_does_not_ask_for_the_mail_does_not_get_it(greeting: bytes, answer: bytes) -> None:
    with misbehaving({"EHLO": greeting, "DATA": answer}) as (peer, transport):
        outcome = transport.send(an_envelope())
    assert outcome.result is (Result.RETRY if answer.startswith(b"2") else Result.REFUSED)
    assert "Subject" not in " ".join(peer.heard)


def test_a_failing_goodbye_does_not_make_a_sent_mail_unsent() -> None:
    with misbehaving({"QUIT": None}, options={"keep_seconds": 0}) as (_, transport):
        assert transport.send(an_envelope()).result is Result.ACCEPTED


def test_an_answer_is_told_in_one_printable_line() -> None:
    with misbehaving({"RCPT": b"550-5.1.1 no\x00\x1b[2J\r\n550 \xff" + b"y" * 900 + b"\r\n"}) as (_, transport):
        detail = transport.send(an_envelope()).detail
    assert detail.startswith("550 5.1.1 no??[2J")
    assert detail.isprintable()
    assert len(detail) < 320


# What a mail says to the server


@pytest.mark.parametrize(
    ("return_path", "heard"), [("bounces+k1@larkfield.example", "bounces+k1@larkfield.example"), ("", "")]
)
def test_bounces_come_back_to_the_return_path(return_path: str, heard: str) -> None:
    with misbehaving() as (peer, transport):
        transport.send(replace(an_envelope(), return_path=return_path))
    assert f"MAIL FROM:<{heard}>" in peer.heard


def test_an_address_beyond_ascii_needs_a_server_that_takes_it() -> None:  # RFC 6531
    sink = Sink()
    with serving(sink, enable_SMTPUTF8=False) as transport:
        outcome = transport.send(an_envelope(to="mäud@example.org"))
        assert transport.send(an_envelope("k2")).result is Result.ACCEPTED
    assert outcome.result is Result.REFUSED
    assert "SMTPUTF8" in outcome.detail
    with serving(sink, enable_SMTPUTF8=True) as transport:
        assert transport.send(an_envelope("k3", to="mäud@example.org")).result is Result.ACCEPTED
    assert [taken.rcpt_tos for taken in sink.taken] == [["maud@example.org"], ["mäud@example.org"]]


def test_an_address_beyond_ascii_is_announced() -> None:  # RFC 6531 3.4
    with misbehaving({"EHLO": b"250-peer\r\n250-8BITMIME\r\n250 SMTPUTF8\r\n"}) as (peer, transport):
        assert transport.send(an_envelope(to="mäud@example.org")).result is Result.ACCEPTED
        assert transport.send(an_envelope()).result is Result.ACCEPTED
    assert [line for line in peer.heard if line.startswith(("MAIL", "RCPT"))] == [
        "MAIL FROM:<desk@larkfield.example> SMTPUTF8 BODY=8BITMIME",
        "RCPT TO:<mäud@example.org>",
        "MAIL FROM:<desk@larkfield.example>",
        "RCPT TO:<maud@example.org>",
    ]


def test_a_domain_beyond_ascii_is_carried_by_every_server() -> None:  # RFC 5890
    sink = Sink()
    with serving(sink, enable_SMTPUTF8=False) as transport:
        assert transport.send(an_envelope(to="maud@bücher.example")).result is Result.ACCEPTED
    assert sink.taken[0].rcpt_tos == ["maud@xn--bcher-kva.example"]


def test_a_mail_that_is_too_large_for_the_server_is_refused_before_it_is_sent() -> None:  # RFC 1870 6.1
    sink = Sink()
    with serving(sink, data_size_limit=1000) as transport:
        outcome = transport.send(an_envelope(text="word " * 1000))
    assert outcome.result is Result.REFUSED
    assert outcome.detail.startswith("552")


@pytest.mark.parametrize(
    "changes",
    [
        {"to": "maud"},
        {"to": "maud@example.org, thief@example.com"},
        {"to": "maud@example.org>\r\nRCPT TO:<thief@example.com"},
        {"to": "m" * 65 + "@example.org"},
        {"to": "maud@" + "x" * 300 + ".example"},
        {"subject": "half \ud83d"},
        {"text": "half \ud83d"},
        {"unsubscribe": "https://larkfield.example/" + "x" * 2000},
    ],
)
def test_a_mail_that_cannot_be_made_is_refused_with_a_reason_and_the_server_is_not_troubled(
    changes: dict[str, Any],
) -> None:
    with misbehaving() as (peer, transport):
        outcome = transport.send(an_envelope(**changes))
    assert outcome.result is Result.REFUSED
    assert outcome.detail.startswith("the mail cannot be made: ")
    assert peer.opened == 0
