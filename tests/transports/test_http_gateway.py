"""Texts through HTTP gateways: three invented ones, against a real server that behaves well, badly and late."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import logging
import re
import socket
import subprocess
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from envelopes import DATED, an_envelope
from http_peer import (
    ENVIRON,
    FOLDER,
    HERON,
    KINDS,
    MARSH,
    QUARRY,
    Handler,
    Kind,
    Play,
    a_gateway,
    answering,
    dripping,
    dropping,
    late,
    resetting,
    saying,
    serving,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.contact import Channel
from service.domain.message import Envelope, Outcome, Result
from service.errors import TransportError
from service.transports.contract import TransportContract
from service.transports.gateway_shape import SignIn, SignInKind, TimeForm
from service.transports.http_gateway import HttpGatewayTransport, build_request, judge, retry_after
from service.transports.port import Transport, connections_of, load_transport, repeat_seconds_of

every_gateway = pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)


@pytest.fixture(autouse=True)
def _environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in ENVIRON.items():
        monkeypatch.setenv(name, value)


def a_text(key: str = "a" * 32, **changes: object) -> Envelope:
    return an_envelope(key, Channel.TEXT, html=None, subject="", **changes)


def through(folder: Path, kind: Kind, url: str, *, wait: int = 30, **options: str | int) -> HttpGatewayTransport:
    """The transport over a peer, as the service makes it; `wait` is its time-out, seconds."""
    path = kind.described(folder, url)
    text = re.sub(r"(?m)^timeout = .*$", "", path.read_text(encoding="utf-8"))
    path.write_text(text.replace("[request]", f"[request]\ntimeout = {wait}"), encoding="utf-8")
    return HttpGatewayTransport.from_options({"description": str(path), **options})


def outcome_of(
    folder: Path, kind: Kind, play: Play, envelope: Envelope | None = None, *, wait: int = 30
) -> tuple[Outcome, int]:
    """What comes of one text when the far side plays so, and how many requests arrived there."""
    with serving(play) as peer:
        transport = through(folder, kind, peer.url, wait=wait)
        outcome = transport.send(envelope or a_text())
        transport.close()
        return outcome, len(peer.arrived)


class Contract(TransportContract):
    """The contract suite over one gateway."""

    kind: Kind

    @pytest.fixture(autouse=True)
    def _peer(self, tmp_path: Path, _environment: None) -> Iterator[None]:
        with serving(self.kind.yes) as self.peer:
            self.made = through(tmp_path, self.kind, self.peer.url)
            yield

    def transport(self) -> Transport:
        return self.made

    def envelope(self, key: str) -> Envelope:
        return a_text(key)

    def arrived(self) -> list[str]:
        return [self.kind.key_of(one) for one in self.peer.arrived]

    def test_the_gateways_own_id_is_kept_and_the_text_and_the_number_are_whole(self) -> None:
        assert self.made.send(a_text()).reference == self.kind.reference
        arrived = self.peer.arrived[0]
        assert self.kind.text_of(arrived) == a_text().message.text
        assert [to.removeprefix("+") for to in self.kind.to_of(arrived)] == ["447700900123"]

    def test_every_attempt_is_the_same_request(self) -> None:
        self.made.send(a_text())
        self.made.send(a_text())
        first, second = self.peer.arrived
        assert (first.method, first.target, first.body) == (second.method, second.target, second.body)
        assert first.headers.items() == second.headers.items()


class TestHeron(Contract):
    kind = HERON

    def test_the_request_is_json_with_a_bearer_token(self) -> None:
        self.made.send(a_text())
        arrived = self.peer.arrived[0]
        assert (arrived.method, arrived.target) == ("POST", "/v2/texts")
        assert arrived.headers["Authorization"] == "Bearer t0ken-of-the-heron"
        assert arrived.headers["Content-Type"] == "application/json"
        assert arrived.document == {
            "recipients": ["+447700900123"],
            "from": "Larkfield Ear Care",
            "give_up_after": 3600,  # a number, and counted from the moment that the message belongs to
            "report": True,
            "content": {"kind": "plain", "words": a_text().message.text},
        }


class TestMarsh(Contract):
    kind = MARSH

    def test_the_request_is_a_form_with_basic_sign_in(self) -> None:
        self.made.send(a_text())
        arrived = self.peer.arrived[0]
        assert (arrived.method, arrived.target) == ("POST", "/submit")
        scheme, _, pair = arrived.headers["Authorization"].partition(" ")
        assert (scheme, base64.b64decode(pair).decode()) == ("Basic", "larkfield:pass:wörd")
        assert arrived.headers["Content-Type"] == "application/x-www-form-urlencoded"
        assert arrived.fields["dest"] == ["447700900123"]
        assert arrived.fields["expires"] == ["2026-11-25T22:30:00Z"]


class TestQuarry(Contract):
    kind = QUARRY

    def test_the_request_is_a_signed_query(self) -> None:
        self.made.send(a_text())
        arrived = self.peer.arrived[0]
        assert arrived.method == "GET"
        assert arrived.target.startswith("/cgi/send?")
        assert arrived.headers["X-Quarry-Time"] == str(int(DATED.timestamp() * 1000)), "the moment of the hand-over"
        signed = f"{arrived.headers['X-Quarry-Time']} {arrived.target}".encode()
        mark = hmac.new(ENVIRON["QUARRY_KEY"].encode(), signed, hashlib.sha256).digest()
        assert arrived.headers["X-Quarry-Mark"] == base64.b64encode(mark).decode()
        assert "k3y" not in arrived.target + str(arrived.headers), "what is signed with never travels"
        assert arrived.fields["number"] == ["+447700900123"]
        assert arrived.body == b""


def test_a_secret_can_travel_in_a_header_of_its_own() -> None:
    sign_in = SignIn(kind=SignInKind.HEADER, header="X-Larkfield", secret_env="HERON_TOKEN")
    _, headers, _ = build_request(replace(a_gateway(HERON), sign_in=sign_in), a_text(), None)
    assert headers["X-Larkfield"] == "t0ken-of-the-heron"
    assert "Authorization" not in headers


def test_a_body_can_be_signed_and_a_later_attempt_has_a_new_moment_and_the_same_body() -> None:
    sign_in = SignIn(
        kind=SignInKind.SIGNATURE,
        header="Mark",
        timestamp_header="Moment",
        secret_env="HERON_TOKEN",
        signed="{timestamp}|{target}|{body}",
        prefix="v1=",
        timestamp_form=TimeForm.ISO,
    )
    gateway = replace(a_gateway(HERON), sign_in=sign_in)
    bodies = set()
    for minutes in (0, 5):
        handed = DATED + timedelta(minutes=minutes)
        target, headers, body = build_request(gateway, replace(a_text(), handed=handed), None)
        assert body is not None
        assert headers["Moment"] == f"2026-11-25T21:{30 + minutes}:00Z"
        signed = f"{headers['Moment']}|{target}|".encode() + body
        assert headers["Mark"] == "v1=" + hmac.new(b"t0ken-of-the-heron", signed, hashlib.sha256).hexdigest()
        bodies.add(body)
    assert len(bodies) == 1


def test_it_is_found_by_name_and_says_how_long_a_repeat_is_harmless() -> None:
    seconds = {}
    for kind in KINDS:
        transport = load_transport("http", {"description": str(FOLDER / f"{kind.name}.toml")})
        assert isinstance(transport, HttpGatewayTransport)
        assert transport.gateway == a_gateway(kind), "for whoever takes the callbacks"
        seconds[kind.name] = repeat_seconds_of(transport)
    assert seconds == {"heron": 86_400, "marsh": 3600, "quarry": 0}


def test_texts_are_carried_at_the_same_time_as_many_as_were_asked_for(tmp_path: Path) -> None:
    together = threading.Barrier(3)

    def all_at_once(handler: Handler) -> None:
        together.wait(120)  # none is answered before all are there
        QUARRY.yes(handler)

    with serving(all_at_once) as peer, ThreadPoolExecutor(3) as pool:
        assert connections_of(through(tmp_path, QUARRY, peer.url)) == 4
        transport = through(tmp_path, QUARRY, peer.url, connections=3)
        assert connections_of(transport) == 3
        outcomes = pool.map(transport.send, [a_text(letter * 32) for letter in "abc"])
        assert {each.result for each in outcomes} == {Result.ACCEPTED}
        assert {QUARRY.key_of(one)[0] for one in peer.arrived} == set("abc")


def test_the_sender_can_be_chosen(tmp_path: Path) -> None:
    with serving(QUARRY.yes) as peer:
        through(tmp_path, QUARRY, peer.url, sender="LARKFIELD").send(a_text())
        assert peer.arrived[0].fields["origin"] == ["LARKFIELD"]


# What comes of a request that arrived, when the far side does not say yes or no in full.
SILENCES: dict[str, Play] = {
    "taken, then the line drops": dropping,
    "taken, then the line is reset": resetting,
    "the answer is late": late,
    "the answer drips without end": dripping,
    "half an answer": saying(b'HTTP/1.1 202 Accepted\r\nContent-Length: 400\r\n\r\n{"texts": [{"id": "hr-8'),
    "half a status": saying(b"HTTP/1.1 429 Too"),
    "half a head": saying(b"HTTP/1.1 400 Bad Request\r\nContent-Type: text/pl"),
    "half a head, after a line": saying(b"HTTP/1.1 400 Bad Request\r\n"),
    "a redirect with a word": answering(303, '{"fault": {"code": "busy"}}', {"Location": "/elsewhere"}),
    "half a chunk": saying(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n40\r\n{"),
    "a chunk of no size": saying(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n{}"),
    "garbage": saying(b"\x00\xff\x16\x03 what is this\r\n\r\n"),
    "a head without end": saying(b"HTTP/1.1 200 OK\r\n" + b"X: " + b"a" * 100_000),
    "a longer answer than anybody needs": answering(202, HERON.yes_body + " " * 70_000),
    "a yes that is not JSON": answering(202, "<html>welcome</html>"),
    "a document nested without end": answering(202, "[" * 60_000),
    "a yes without an id": answering(202, '{"texts": [{"state": "queued"}]}'),
    "a yes with an empty id": answering(202, '{"texts": [{"state": "queued", "id": ""}]}'),
    "a yes with a word that is not described": answering(202, '{"texts": [{"state": "parked", "id": "hr-1"}]}'),
    "another yes than described": answering(204),
    "a middleman without an answer": answering(502, '{"fault": {"code": "busy"}}'),
    "a middleman that waited": answering(504, '{"fault": {"code": "number-barred"}}'),
    "a fault that is not described": answering(500),
    "a redirect": answering(307, "", {"Location": "/elsewhere"}),
}


@pytest.mark.parametrize("play", SILENCES.values(), ids=SILENCES.keys())
def test_a_text_that_may_have_been_taken_is_unknown(tmp_path: Path, play: Play) -> None:
    outcome, arrived = outcome_of(tmp_path, HERON, play, wait=1 if play in (late, dripping) else 30)
    assert outcome.result is Result.UNKNOWN, outcome
    assert arrived == 1, "a transport never tries again by itself, and follows no redirect"


@every_gateway
@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_no_redirect_is_followed(tmp_path: Path, kind: Kind, status: int) -> None:
    with serving(kind.yes) as elsewhere:
        away = answering(status, kind.yes_body, {"Location": elsewhere.url + "/v2/texts"})
        outcome, arrived = outcome_of(tmp_path, kind, away)
        assert (outcome.result, arrived, elsewhere.arrived) == (Result.UNKNOWN, 1, [])


# gateway, status, body, what it means
ANSWERS = [
    (HERON, 429, "", Result.RETRY),  # documented as not taken
    (HERON, 503, "", Result.RETRY),
    (HERON, 401, "", Result.RETRY),  # documented: our sign-in is broken, which is no fault of the message
    (HERON, 409, '{"fault": {"code": "busy"}}', Result.RETRY),  # told by a word
    (HERON, 500, '{"fault": {"code": "number-barred"}}', Result.REFUSED),
    (HERON, 400, "", Result.REFUSED),
    (HERON, 404, "<html>nothing here</html>", Result.REFUSED),
    (HERON, 408, "", Result.REFUSED),  # not described, so it is any other 4xx
    (MARSH, 200, '{"ok": false, "code": 17}', Result.RETRY),  # the truth is in the body
    (MARSH, 200, '{"ok": false, "code": "40"}', Result.REFUSED),
    (MARSH, 200, '{"ok": false, "code": 99}', Result.UNKNOWN),
    (MARSH, 200, '{"ok": "true", "ticket": "7"}', Result.ACCEPTED),  # a word may be written as text
    (MARSH, 200, '{"ok": 1, "ticket": 7}', Result.UNKNOWN),
    (MARSH, 200, '{"ok": true, "ticket": null}', Result.UNKNOWN),
    (MARSH, 200, "[]", Result.UNKNOWN),
    (MARSH, 200, "", Result.UNKNOWN),
    (MARSH, 503, "", Result.UNKNOWN),  # this gateway does not document it as not taken
    (MARSH, 500, '{"code": 18}', Result.RETRY),
    (QUARRY, 200, "<code>1</code><ticket>AB</ticket>", Result.ACCEPTED),
    (QUARRY, 200, "<code>10</code><ticket>AB</ticket>", Result.UNKNOWN),  # not the word 1
    (QUARRY, 200, "<code>31</code>", Result.RETRY),
    (QUARRY, 200, "<code>52</code>", Result.REFUSED),
    (QUARRY, 403, "<code>0</code><ticket>AB</ticket>", Result.REFUSED),  # the status is no yes
]


@pytest.mark.parametrize(("code", "bad"), [("no-such-number", True), ("number-barred", False), ("busy", False)])
def test_a_number_is_unusable_only_where_the_description_says_so(code: str, bad: bool) -> None:
    outcome = judge(a_gateway(HERON), 400, {}, f'{{"fault": {{"code": "{code}"}}}}'.encode())
    assert outcome.contact_bad is bad


@pytest.mark.parametrize(("kind", "status", "body", "result"), ANSWERS)
def test_an_answer_means_what_the_description_says(kind: Kind, status: int, body: str, result: Result) -> None:
    outcome = judge(a_gateway(kind), status, {}, body.encode())
    assert outcome.result is result
    assert str(status) in outcome.detail


@pytest.mark.parametrize(
    ("headers", "seconds"),
    [
        ({"Retry-After": "120"}, 120),
        ({"retry-after": " 0 "}, 0),
        ({"Retry-After": "Wed, 25 Nov 2026 22:05:00 GMT", "Date": "Wed, 25 Nov 2026 22:00:00 GMT"}, 300),
        ({"Retry-After": "Wed, 25 Nov 2026 21:00:00 GMT", "Date": "Wed, 25 Nov 2026 22:00:00 GMT"}, 0),
        ({"Retry-After": "Wed, 25 Nov 2026 22:05:00 GMT"}, None),  # a date without a now says nothing
        ({"Retry-After": "9" * 5000}, None),
        ({"Retry-After": "-5"}, None),
        ({"Retry-After": "soon"}, None),
        ({}, None),
    ],
)
def test_retry_after_is_read_as_seconds_or_as_a_date(headers: dict[str, str], seconds: int | None) -> None:
    assert retry_after(headers) == seconds


def test_an_answer_that_ends_with_the_line_is_whole(tmp_path: Path) -> None:  # RFC 9112 6.3, case 8
    outcome, _ = outcome_of(tmp_path, HERON, saying(b"HTTP/1.1 202 Accepted\r\n\r\n" + HERON.yes_body.encode()))
    assert (outcome.result, outcome.reference) == (Result.ACCEPTED, "hr-81")


def test_a_busy_gateway_says_when_to_come_back(tmp_path: Path) -> None:
    outcome, _ = outcome_of(tmp_path, HERON, answering(429, "", {"Retry-After": "77"}))
    assert (outcome.result, outcome.retry_after) == (Result.RETRY, 77)


@every_gateway
def test_no_server_is_a_retry_since_nothing_was_taken(tmp_path: Path, kind: Kind) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{probe.getsockname()[1]}"  # bound, but nobody listens
        assert through(tmp_path, kind, url).send(a_text()).result is Result.RETRY


def test_a_line_that_breaks_before_all_is_sent_is_a_retry(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as deaf:  # takes the line, and never reads from it
        url = f"http://127.0.0.1:{deaf.getsockname()[1]}"
        outcome = through(tmp_path, MARSH, url, wait=1).send(a_text(text="x" * 30_000_000))
    assert outcome.result is Result.RETRY
    assert "before all was sent" in outcome.detail


def a_certificate(folder: Path) -> tuple[Path, Path]:
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    make = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=127.0.0.1"
    make += " -addext subjectAltName=IP:127.0.0.1"
    subprocess.run([*make.split(), "-keyout", key, "-out", certificate], check=True, capture_output=True)
    return certificate, key


def test_a_certificate_that_nobody_vouches_for_gets_no_text(tmp_path: Path) -> None:
    with serving(HERON.yes, a_certificate(tmp_path)) as peer:
        outcome = through(tmp_path, HERON, peer.url).send(a_text())
        assert outcome.result is Result.RETRY
        assert "certificate" in outcome.detail
        assert peer.arrived == []


def test_a_private_authority_can_vouch(tmp_path: Path) -> None:
    certificate = a_certificate(tmp_path)
    with serving(HERON.yes, certificate) as peer:
        outcome = through(tmp_path, HERON, peer.url, ca_file=str(certificate[0])).send(a_text())
        assert (outcome.result, outcome.reference) == (Result.ACCEPTED, "hr-81")


def test_a_certificate_for_another_name_gets_no_text(tmp_path: Path) -> None:
    certificate = a_certificate(tmp_path)
    with serving(HERON.yes, certificate) as peer:
        url = peer.url.replace("127.0.0.1", "localhost")
        outcome = through(tmp_path, HERON, url, ca_file=str(certificate[0])).send(a_text())
        assert (outcome.result, peer.arrived) == (Result.RETRY, [])


def test_a_plain_answer_where_tls_was_expected_is_a_retry(tmp_path: Path) -> None:
    with serving(HERON.yes) as peer:
        outcome = through(tmp_path, HERON, peer.url.replace("http:", "https:")).send(a_text())
        assert (outcome.result, peer.arrived) == (Result.RETRY, [])


ATTEMPTS = [
    '", "recipients": ["+447700900999"], "x": "',
    "&dest=447700900999&number=%2B447700900999",
    "x\r\nX-Evil: yes\r\n\r\nGET /second HTTP/1.1\r\n\r\n",
    "{to}{to_plain}{key}{sender}{{text}}%s{0}",
    "<code>50</code>\x00\u2028\u0007#fragment?query=1;y",
]


@every_gateway
@pytest.mark.parametrize("words", ATTEMPTS)
def test_the_words_of_a_text_are_data_and_never_syntax(tmp_path: Path, kind: Kind, words: str) -> None:
    with serving(kind.yes) as peer:
        assert through(tmp_path, kind, peer.url).send(a_text(text=words)).result is Result.ACCEPTED
        [arrived] = peer.arrived
    assert kind.text_of(arrived) == words
    assert [to.removeprefix("+") for to in kind.to_of(arrived)] == ["447700900123"]
    assert arrived.headers["X-Evil"] is None


@every_gateway
@pytest.mark.parametrize("key", ["k\r\nX-Evil: yes", "k&dest=447700900999", 'k", "from": "x', "ключ"])
def test_a_key_is_data_and_one_that_a_header_cannot_hold_is_refused(tmp_path: Path, kind: Kind, key: str) -> None:
    with serving(kind.yes) as peer:
        outcome = through(tmp_path, kind, peer.url).send(a_text(key))
        if kind is HERON and not (key.isascii() and key.isprintable()):
            assert (outcome.result, peer.arrived) == (Result.REFUSED, [])
            assert "Idempotency-Key" in outcome.detail
            return
        [arrived] = peer.arrived
    assert outcome.result is Result.ACCEPTED
    assert kind.key_of(arrived) == key
    assert arrived.headers["X-Evil"] is None
    assert len(kind.to_of(arrived)) == 1


def test_a_sender_that_a_header_cannot_hold_is_refused(tmp_path: Path) -> None:
    envelope = replace(a_text(), sender_name="Lark\r\nX-Evil: yes")
    outcome, arrived = outcome_of(tmp_path, HERON, HERON.yes, envelope)
    assert (outcome.result, arrived) == (Result.REFUSED, 0)
    assert "X-Sent-By" in outcome.detail


@pytest.mark.parametrize(
    "to", ["07700900123", "+44 7700 900123", "+44", "maud@example.org", "+447700900123\n", "+٤٤٧٧"]
)
def test_a_number_that_is_not_international_is_refused_and_not_repeated(tmp_path: Path, to: str) -> None:
    outcome, arrived = outcome_of(tmp_path, MARSH, MARSH.yes, a_text(to=to))
    assert (outcome.result, arrived) == (Result.REFUSED, 0)
    assert to not in outcome.detail


def test_half_a_character_is_refused(tmp_path: Path) -> None:
    outcome, arrived = outcome_of(tmp_path, MARSH, MARSH.yes, a_text(text="half \ud83d"))
    assert (outcome.result, arrived) == (Result.REFUSED, 0)
    assert outcome.detail == "not sent: the text holds half a character"


@every_gateway
def test_any_text_arrives_as_it_is(tmp_path: Path, kind: Kind) -> None:
    with serving(kind.yes) as peer:
        transport = through(tmp_path, kind, peer.url)

        @settings(max_examples=60, deadline=None)
        @given(
            text=st.text(max_size=300), sender=st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1)
        )
        def arrives(text: str, sender: str) -> None:
            outcome = transport.send(replace(a_text(text=text), sender_name=sender))
            assert outcome.result is Result.ACCEPTED
            assert kind.text_of(peer.arrived[-1]).encode() == text.encode()

        arrives()


@every_gateway
def test_details_and_logs_hold_no_text_number_or_secret(
    tmp_path: Path, kind: Kind, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    echo = "+447700900123 Hello Maud " + " ".join(ENVIRON.values())
    details = []
    for status in (200, 202, 302, 400, 429, 500, 502):
        details.append(outcome_of(tmp_path, kind, answering(status, json.dumps({"why": echo})))[0].detail)
    details.append(outcome_of(tmp_path, kind, saying(f"{echo}\r\n\r\n".encode()))[0].detail)
    details.append(outcome_of(tmp_path, kind, saying(f"HTTP/1.1 {echo}\r\n\r\n".encode()))[0].detail)
    said = "\n".join([*details, caplog.text, repr(a_gateway(kind))])
    for hidden in ("7700900", "Maud", *ENVIRON.values()):
        assert hidden not in said


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "option description must be given"),
        ({"description": "x.toml", "url": "http://x"}, "option url is not known"),
        ({"description": str(FOLDER / "heron.toml"), "ca_file": "nowhere.pem"}, "option ca_file must name a readable"),
        ({"description": str(FOLDER / "heron.toml"), "connections": 0}, "option connections must be from 1 to 100"),
        ({"description": str(FOLDER / "heron.toml"), "connections": "4"}, "option connections must be a whole number"),
        ({"description": "nowhere.toml"}, "nowhere.toml: this file cannot be read"),
    ],
)
def test_a_wrong_option_is_named(options: dict[str, str | int], message: str) -> None:
    with pytest.raises(TransportError, match=message):
        HttpGatewayTransport.from_options(options)
