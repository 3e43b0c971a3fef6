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
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from envelopes import an_envelope
from http_peer import (
    ENVIRON,
    FOLDER,
    HERON,
    KINDS,
    MARSH,
    QUARRY,
    Kind,
    Play,
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
from service.domain.message import Envelope, Outcome, ReportState, Result
from service.errors import NotAllowedError, TransportError
from service.transports.contract import TransportContract
from service.transports.gateway_file import Gateway, load_gateway
from service.transports.http_gateway import (
    HttpGatewayTransport,
    judge,
    read_inbound,
    read_receipts,
    retry_after,
    verify,
)
from service.transports.port import Transport, load_transport

NOW = datetime(2026, 11, 25, 22, 0, tzinfo=UTC)
every_gateway = pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)


@pytest.fixture(autouse=True)
def _environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in ENVIRON.items():
        monkeypatch.setenv(name, value)


def a_text(key: str = "a" * 32, **changes: object) -> Envelope:
    return an_envelope(key, Channel.TEXT, html=None, subject="", **changes)


def a_gateway(kind: Kind) -> Gateway:
    return load_gateway(FOLDER / f"{kind.name}.toml", ENVIRON)


def through(folder: Path, kind: Kind, url: str, *, wait: int = 30, **options: str) -> HttpGatewayTransport:
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

    def test_the_request_is_a_query_with_a_key_in_a_header(self) -> None:
        self.made.send(a_text())
        arrived = self.peer.arrived[0]
        assert arrived.method == "GET"
        assert arrived.target.startswith("/cgi/send?")
        assert arrived.headers["X-Quarry-Key"] == "k3y-of-the-quarry"
        assert "k3y" not in arrived.target, "a secret in an address ends in logs"
        assert arrived.fields["number"] == ["+447700900123"]
        assert arrived.body == b""


def test_it_is_found_by_name_and_says_how_long_a_repeat_is_harmless() -> None:
    minutes = {}
    for kind in KINDS:
        transport = load_transport("http", {"description": str(FOLDER / f"{kind.name}.toml")})
        assert isinstance(transport, HttpGatewayTransport)
        minutes[kind.name] = transport.idempotent_minutes
    assert minutes == {"heron": 1440, "marsh": 60, "quarry": 0}


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
        ({"description": "nowhere.toml"}, "nowhere.toml: this file cannot be read"),
    ],
)
def test_a_wrong_option_is_named(options: dict[str, str], message: str) -> None:
    with pytest.raises(TransportError, match=message):
        HttpGatewayTransport.from_options(options)


# --- callbacks -------------------------------------------------------------------------------------------------------


def heron_signs(body: bytes, at: datetime = NOW, secret: str = ENVIRON["HERON_CALLBACK_SECRET"]) -> dict[str, str]:
    stamp = str(int(at.timestamp()))
    digest = hmac.new(secret.encode(), stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
    return {"heron-time": stamp, "HERON-SIGNATURE": f"v1={digest}"}  # names of headers have no case


def marsh_signs(body: bytes, at: datetime = NOW) -> dict[str, str]:
    stamp = at.isoformat()
    digest = hmac.new(ENVIRON["MARSH_CALLBACK_SECRET"].encode(), body + b"\n" + stamp.encode(), hashlib.sha256).digest()
    return {"X-Marsh-Stamp": stamp, "X-Marsh-Mac": base64.b64encode(digest).decode()}


RECEIPTS = json.dumps(
    {
        "receipts": [
            {"text": {"id": "hr-81"}, "state": "arrived", "at": "2026-11-25T23:00:00+02:00"},
            {"text": {"id": "hr-82"}, "state": "lost", "why": "no-such-line", "at": "2026-11-25T21:30:00Z"},
            {"text": {"id": "hr-83"}, "state": "lost", "why": "phone\r\noff"},
            {"text": {"id": "hr-84"}, "state": "waiting", "why": "no-such-line"},
        ]
    }
).encode()


def test_a_signature_is_that_of_another_maker() -> None:
    # printf '1795644000.{}' | openssl dgst -sha256 -hmac 'what the heron knows'
    headers = {
        "Heron-Time": "1795644000",
        "Heron-Signature": "v1=04b824e2132eeebafac8837142bddab06ab96c1c2a4e36de702304935ddee60b",
    }
    assert verify(a_gateway(HERON), headers, b"{}", NOW)


def test_receipts_are_read_from_a_signed_list() -> None:
    first, second, third, fourth = read_receipts(a_gateway(HERON), heron_signs(RECEIPTS), RECEIPTS, NOW)
    assert (first.channel, first.reference, first.key) == (Channel.TEXT, "hr-81", None)
    assert (first.state, first.detail) == (ReportState.DELIVERED, "arrived")
    assert first.at == datetime(2026, 11, 25, 21, 0, tzinfo=UTC)
    assert (second.state, second.contact_bad) == (ReportState.FAILED, True)
    assert (third.state, third.contact_bad, third.at) == (ReportState.FAILED, False, NOW)
    assert third.detail == "phone  off"
    assert (fourth.state, fourth.contact_bad) == (ReportState.UNDERWAY, False), "only a final failure spoils a number"


def test_receipts_are_read_from_a_signed_form_with_our_own_key() -> None:
    body = b"ticket=77&client_ref=" + b"a" * 32 + b"&outcome=2&reason=dead&when=1795640400"
    [report] = read_receipts(a_gateway(MARSH), marsh_signs(body), body, NOW)
    assert (report.key, report.reference, report.state) == ("a" * 32, "77", ReportState.FAILED)
    assert (report.contact_bad, report.at) == (True, NOW - timedelta(hours=1))


def test_inbound_words_are_read_whole() -> None:
    words = 'No thanks\n— \U0001f642 "STOP" {text}'
    body = json.dumps([{"id": 12345678901234567890, "from": "+447700900123", "words": words}]).encode()
    [inbound] = read_inbound(a_gateway(HERON), heron_signs(body), body, NOW)
    assert (inbound.id, inbound.sender, inbound.text) == ("12345678901234567890", "+447700900123", words)
    assert (inbound.channel, inbound.at, inbound.in_reply_to) == (Channel.TEXT, NOW, None)


def test_an_inbound_form_gives_back_the_plus_and_names_our_message() -> None:
    body = b"ticket=9&src=447700900123&msg=&when=1795644000000&client_ref=k1"
    [inbound] = read_inbound(a_gateway(MARSH), marsh_signs(body), body, NOW)
    assert (inbound.sender, inbound.text, inbound.in_reply_to, inbound.at) == ("+447700900123", "", "k1", NOW)
    short = body.replace(b"447700900123", b"LARKSHOP")
    assert read_inbound(a_gateway(MARSH), marsh_signs(short), short, NOW)[0].sender == "LARKSHOP"


def _without(headers: dict[str, str], name: str) -> dict[str, str]:
    return {key: value for key, value in headers.items() if key.lower() != name}


GOOD = heron_signs(RECEIPTS)
FORGERIES = {
    "no headers": {},
    "no signature": _without(GOOD, "heron-signature"),
    "no timestamp": _without(GOOD, "heron-time"),
    "another secret": heron_signs(RECEIPTS, secret="guessed"),
    "another body": heron_signs(RECEIPTS + b" "),
    "another timestamp": {**GOOD, "heron-time": str(int(NOW.timestamp()) + 1)},
    "without its prefix": {**GOOD, "HERON-SIGNATURE": GOOD["HERON-SIGNATURE"].removeprefix("v1=")},
    "cut short": {**GOOD, "HERON-SIGNATURE": GOOD["HERON-SIGNATURE"][:-1]},
    "empty": {**GOOD, "HERON-SIGNATURE": "v1="},
    "not ASCII": {**GOOD, "HERON-SIGNATURE": "v1=é\ud800"},
    "no moment": {**heron_signs(RECEIPTS), "heron-time": "\ud800"},
}


@pytest.mark.parametrize("headers", FORGERIES.values(), ids=FORGERIES.keys())
def test_a_callback_that_is_not_rightly_signed_is_not_allowed(headers: dict[str, str]) -> None:
    with pytest.raises(NotAllowedError):
        read_receipts(a_gateway(HERON), headers, RECEIPTS, NOW)
    with pytest.raises(NotAllowedError):
        read_inbound(a_gateway(HERON), headers, RECEIPTS, NOW)


def test_a_signature_is_checked_before_the_body_is_looked_at() -> None:
    with pytest.raises(NotAllowedError, match="signature"):
        read_receipts(a_gateway(HERON), heron_signs(b"[", secret="guessed"), b"[", NOW)


@pytest.mark.parametrize("seconds", [301, -301, 86400])
def test_a_stale_callback_is_not_allowed(seconds: int) -> None:
    headers = heron_signs(RECEIPTS, NOW - timedelta(seconds=seconds))
    with pytest.raises(NotAllowedError, match="too far from now"):
        verify(a_gateway(HERON), headers, RECEIPTS, NOW)


@pytest.mark.parametrize("seconds", [300, -300])
def test_a_callback_at_the_edge_of_its_tolerance_is_taken(seconds: int) -> None:
    assert verify(a_gateway(HERON), heron_signs(RECEIPTS, NOW - timedelta(seconds=seconds)), RECEIPTS, NOW)


@pytest.mark.parametrize("stamp", ["now", "", "-1", "1e9", "9" * 16, "9" * 40, "１７９５６４４０００", "1795644000.0"])
def test_a_signed_timestamp_that_is_no_moment_is_not_allowed(stamp: str) -> None:
    digest = hmac.new(ENVIRON["HERON_CALLBACK_SECRET"].encode(), f"{stamp}.{{}}".encode(), hashlib.sha256).hexdigest()
    with pytest.raises(NotAllowedError, match="too far from now"):
        verify(a_gateway(HERON), {"Heron-Time": stamp, "Heron-Signature": f"v1={digest}"}, b"{}", NOW)


def test_a_replay_has_the_same_id_and_another_callback_has_not() -> None:
    gateway, headers = a_gateway(HERON), heron_signs(RECEIPTS)
    first = verify(gateway, headers, RECEIPTS, NOW)
    shouted = {name: value.replace("v1=", "V1=").upper() for name, value in headers.items()}
    assert verify(gateway, headers, RECEIPTS, NOW + timedelta(seconds=60)) == first
    assert verify(gateway, shouted, RECEIPTS, NOW) == first, "spelling makes no new callback"
    later = NOW + timedelta(seconds=1)
    assert verify(gateway, heron_signs(RECEIPTS, later), RECEIPTS, later) != first
    assert first not in headers.values()
    assert read_receipts(gateway, headers, RECEIPTS, NOW) == read_receipts(gateway, headers, RECEIPTS, NOW)


def test_a_gateway_without_a_signature_gets_no_callback_taken() -> None:
    with pytest.raises(NotAllowedError, match=r"no \[signature\]"):
        read_receipts(a_gateway(QUARRY), {}, b"{}", NOW)


def test_a_huge_callback_is_not_allowed() -> None:
    body = b" " * (1024 * 1024 + 1)
    with pytest.raises(NotAllowedError):
        verify(a_gateway(HERON), heron_signs(body), body, NOW)


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (b"{", "receipts.format says json"),
        (b"\xff\xfe", "receipts.format"),
        (b"[" * 50_000, "receipts.format"),
        (b"{}", "receipts.each does not lead to a list"),
        (b'{"receipts": {}}', "receipts.each"),
        (b'{"receipts": [7]}', "receipts.state is missing"),
        (b'{"receipts": [{"state": {"x": 1}}]}', "receipts.state is missing"),
        (b'{"receipts": [{"state": "parked", "text": {"id": "1"}}]}', "receipts.state holds a word"),
        (b'{"receipts": [{"state": "lost", "text": {"id": ""}}]}', "receipts.reference is missing"),
        (b'{"receipts": [{"state": "lost", "text": {"id": 1}, "at": "yesterday"}]}', "receipts.time is not a moment"),
        (b'{"receipts": [{"state": "lost", "text": {"id": 1}, "at": "2026-11-25T21:30:00"}]}', "receipts.time"),
    ],
)
def test_a_callback_of_another_shape_names_the_place_that_does_not_fit(body: bytes, place: str) -> None:
    with pytest.raises(TransportError, match=place) as caught:
        read_receipts(a_gateway(HERON), heron_signs(body), body, NOW)
    assert "parked" not in str(caught.value)
    assert "yesterday" not in str(caught.value)


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (b"", "inbound.sender is missing"),
        (b"ticket", "inbound.format says form"),
        (b"ticket=1&ticket=2&src=1&msg=x", "inbound.format"),
        (b"ticket=1&src=1&msg=%FF", "inbound.format"),
        (b"src=1&msg=x", "inbound.id is missing"),
        (b"ticket=1&src=&msg=x", "inbound.sender is missing"),
        (b"ticket=1&src=1", "inbound.text is missing"),
    ],
)
def test_a_form_of_another_shape_names_the_place_that_does_not_fit(body: bytes, place: str) -> None:
    with pytest.raises(TransportError, match=place):
        read_inbound(a_gateway(MARSH), marsh_signs(body), body, NOW)


def test_a_table_that_is_not_described_is_named() -> None:
    gateway = replace(a_gateway(HERON), receipts=None, inbound=None)
    with pytest.raises(TransportError, match=r"no \[receipts\]"):
        read_receipts(gateway, heron_signs(b"{}"), b"{}", NOW)
    with pytest.raises(TransportError, match=r"no \[inbound\]"):
        read_inbound(gateway, heron_signs(b"{}"), b"{}", NOW)
