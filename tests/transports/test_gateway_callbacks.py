"""Callbacks of HTTP gateways: receipts by list, form and query, words of people, and forgeries."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from http_peer import ENVIRON, HERON, MARSH, QUARRY, a_gateway

from service.domain.contact import Channel
from service.domain.message import ReportState
from service.errors import NotAllowedError, TransportError
from service.transports.gateway_callbacks import read_inbound, read_receipts, verify

NOW = datetime(2026, 11, 25, 22, 0, tzinfo=UTC)


def heron_signs(body: bytes, at: datetime = NOW, secret: str = ENVIRON["HERON_CALLBACK_SECRET"]) -> dict[str, str]:
    stamp = str(int(at.timestamp()))
    digest = hmac.new(secret.encode(), stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
    return {"heron-time": stamp, "HERON-SIGNATURE": f"v1={digest}"}  # names of headers have no case


def marsh_signs(body: bytes, at: datetime = NOW) -> dict[str, str]:
    stamp = at.isoformat()
    digest = hmac.new(ENVIRON["MARSH_CALLBACK_SECRET"].encode(), body + b"\n" + stamp.encode(), hashlib.sha256).digest()
    return {"X-Marsh-Stamp": stamp, "X-Marsh-Mac": base64.b64encode(digest).decode()}


def quarry_signs(query: bytes, at: datetime = NOW) -> dict[str, str]:
    stamp = str(int(at.timestamp()) * 1000)
    secret = ENVIRON["QUARRY_CALLBACK_SECRET"].encode()
    return {
        "X-Quarry-Time": stamp,
        "X-Quarry-Mark": hmac.new(secret, stamp.encode() + b" " + query, hashlib.sha256).hexdigest(),
    }


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
    first, second, third, fourth = read_receipts(a_gateway(HERON), heron_signs(RECEIPTS), RECEIPTS, NOW).reports
    assert (first.channel, first.reference, first.key) == (Channel.TEXT, "hr-81", None)
    assert (first.state, first.detail) == (ReportState.DELIVERED, "arrived")
    assert first.at == datetime(2026, 11, 25, 21, 0, tzinfo=UTC)
    assert (second.state, second.contact_bad) == (ReportState.FAILED, True)
    assert (third.state, third.contact_bad, third.at) == (ReportState.FAILED, False, NOW)
    assert third.detail == "phone  off"
    assert (fourth.state, fourth.contact_bad) == (ReportState.UNDERWAY, False), "only a final failure spoils a number"


def test_a_receipt_with_an_unknown_state_word_is_left_out_and_the_others_are_read() -> None:
    items = [("parked", "1"), ("arrived", "2"), ("towed", "")]
    body = json.dumps({"receipts": [{"state": state, "text": {"id": id}} for state, id in items]}).encode()
    found = read_receipts(a_gateway(HERON), heron_signs(body), body, NOW)
    assert [(each.reference, each.state) for each in found.reports] == [("2", ReportState.DELIVERED)]
    assert found.unknown == ("parked", "towed")


def test_receipts_are_read_from_a_signed_form_with_our_own_key() -> None:
    body = b"ticket=77&client_ref=" + b"a" * 32 + b"&outcome=2&reason=dead&when=1795640400"
    [report] = read_receipts(a_gateway(MARSH), marsh_signs(body), body, NOW).reports
    assert (report.key, report.reference, report.state) == ("a" * 32, "77", ReportState.FAILED)
    assert (report.contact_bad, report.at) == (True, NOW - timedelta(hours=1))


def test_receipts_are_read_from_a_signed_query() -> None:
    query = b"ref=" + b"a" * 32 + b"&ticket=4F2A&st=F&err=8"
    [report] = read_receipts(a_gateway(QUARRY), quarry_signs(query), query, NOW).reports
    assert (report.key, report.reference, report.state) == ("a" * 32, "4F2A", ReportState.FAILED)
    assert (report.contact_bad, report.at) == (True, NOW)
    with pytest.raises(NotAllowedError):
        read_receipts(a_gateway(QUARRY), quarry_signs(query), query.replace(b"st=F", b"st=D"), NOW)


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
        read_receipts(replace(a_gateway(QUARRY), signature=None), {}, b"{}", NOW)


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
