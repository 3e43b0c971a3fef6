"""Texts by SMPP against a message centre that is not ours: a process on Node, built on the general library `smpp`
(`tests/smpp_node/`). What it prints is its own reading of what we sent."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from envelopes import DATED
from smpp_node.centre import PATIENCE, NodeCentre, a_node_centre
from smpp_peer import GIVEN, NUMBER, Heard, a_text, at_dated
from smtp_peer import Authority

from service.domain.message import Inbound, ReportState, Result
from service.domain.text_alphabet import BASIC_CODES, EXTENSION_CODES, SHIFTS, count_parts
from service.transports.port import Transport, load_transport
from service.transports.smpp_pdu import Command, Status, Tag
from service.transports.smpp_sent import user_reference

CLINIC = "447700900999"
FIELDS = {
    "source_addr": NUMBER,
    "source_addr_ton": 1,
    "source_addr_npi": 1,
    "destination_addr": CLINIC,
    "dest_addr_ton": 1,
    "dest_addr_npi": 1,
}


@pytest.fixture(scope="module")
def running() -> Iterator[NodeCentre]:
    with a_node_centre() as started:
        yield started


@pytest.fixture
def centre(running: NodeCentre) -> NodeCentre:
    """The one process of this file, with nothing left of the test before."""
    running.begin_anew()
    return running


@contextmanager
def linked(centre: NodeCentre, heard: Heard | None = None, **options: str | int | bool) -> Iterator[Transport]:
    """Our transport, by its entry point and its options, over the centre. With `heard` the line is up at once. At the
    end the line is closed, and all that the centre said is here."""
    transport = load_transport("smpp", GIVEN | {"port": centre.port} | options)
    if heard is not None:
        transport.receive(heard.reports.append, heard.inbound.append, at_dated)
        centre.wait("bind_transceiver")
    try:
        yield transport
    finally:
        transport.close()
    centre.quiet()


def messages(centre: NodeCentre) -> list[str]:
    """The words of every submit_sm, as the library decoded them."""
    return [pdu.get("message_payload", pdu["short_message"])["message"] for pdu in centre.pdus("submit_sm")]


def receipt_text(name: str, stat: str = "DELIVRD") -> str:
    return f"id:{name} sub:001 dlvrd:001 submit date:2611252130 done date:2611252131 stat:{stat} err:000 text:Time"


def deliver_receipt(centre: NodeCentre, text: str, **more: Any) -> None:
    """One receipt, and our answer to it, which comes once it is stored."""
    answered = len(centre.named("deliver_sm_resp"))
    centre.tell("deliver", fields=FIELDS | {"esm_class": 4, "short_message": text} | more)
    assert centre.answers("deliver_sm", answered + 1)[-1] == Status.ESME_ROK


# -- the line ---------------------------------------------------------------------------------------------------------


def test_the_other_library_reads_our_sign_in_and_our_leave(centre: NodeCentre) -> None:
    with linked(centre, system_type="ears") as transport:
        assert transport.send(a_text()).result is Result.ACCEPTED
    (bind,) = centre.pdus("bind_transceiver")
    assert {name: bind[name] for name in ("system_id", "password", "system_type", "interface_version")} == {
        "system_id": "clinic",
        "password": "secret",
        "system_type": "ears",
        "interface_version": 0x34,
    }
    said = [each["event"] for each in centre.events if "pdu" in each]
    assert said == ["bind_transceiver", "submit_sm", "unbind"]


@pytest.mark.parametrize(
    ("account", "status"),
    [({"password": "wrong"}, "ESME_RINVPASWD (0x0E)"), ({"system_id": "stranger"}, "ESME_RINVSYSID (0x0F)")],
)
def test_a_sign_in_that_the_centre_refuses_is_a_retry_with_its_reason(
    centre: NodeCentre, account: dict[str, str], status: str
) -> None:
    with linked(centre, **account) as transport:
        outcome = transport.send(a_text())
    assert outcome.result is Result.RETRY
    assert status in outcome.detail
    assert not centre.pdus("submit_sm")


def test_each_side_answers_that_the_other_is_there(centre: NodeCentre) -> None:
    with linked(centre, Heard(), enquire_link=1) as transport:
        centre.tell("enquire")
        assert centre.answers("enquire_link", 1) == [Status.ESME_ROK]
        centre.wait("enquire_link", 2)  # the second one is asked only after the first was answered
        assert transport.send(a_text()).result is Result.ACCEPTED
    assert len(centre.pdus("bind_transceiver")) == 1


def test_after_the_centre_unbound_the_next_text_binds_anew(centre: NodeCentre) -> None:
    with linked(centre) as transport:
        assert transport.send(a_text()).reference == "1"
        centre.tell("unbind")
        assert centre.answers("unbind", 1) == [Status.ESME_ROK]
        centre.wait("close")
        assert transport.send(a_text("b" * 32)).reference == "2"
    assert len(centre.pdus("bind_transceiver")) == 2


def test_a_line_that_only_listens_comes_back_after_the_centre_unbound(centre: NodeCentre) -> None:
    heard = Heard()
    with linked(centre, heard):
        centre.tell("unbind")
        centre.wait("bind_transceiver", 2)
        centre.tell("deliver", fields=FIELDS | {"short_message": "Yes"})
        assert centre.answers("deliver_sm", 1) == [Status.ESME_ROK]
    assert [each.text for each in heard.inbound] == ["Yes"]


def test_texts_travel_over_tls_when_the_centres_certificate_is_right(tmp_path: Path) -> None:
    trusted, other = Authority(tmp_path), Authority(tmp_path, "other")
    trusted.server()
    with a_node_centre(*(next(tmp_path.glob(f"IP-*.{end}")) for end in ("key", "pem"))) as centre:
        heard = Heard()
        with linked(centre, heard, tls=True, tls_ca=str(trusted.ca_file)) as transport:
            assert transport.send(a_text(text="قطرة واحدة")).result is Result.ACCEPTED
            deliver_receipt(centre, receipt_text("1"))
        with linked(centre, tls=True, tls_ca=str(other.ca_file)) as transport:
            outcome = transport.send(a_text("b" * 32))
        assert messages(centre) == ["قطرة واحدة"]
    assert [each.state for each in heard.reports] == [ReportState.DELIVERED]
    assert outcome.result is Result.RETRY
    assert "certificate" in outcome.detail


# -- what leaves ------------------------------------------------------------------------------------------------------


def test_the_numbers_of_the_standard_are_the_same_in_both(centre: NodeCentre) -> None:
    centre.tell("tables")
    (tables,) = centre.named("tables")
    # The library uses the names of SMPP 5.0 for the statuses of optional parameters.
    newer = {
        "ESME_RINVOPTPARSTREAM": "ESME_RINVTLVSTREAM",
        "ESME_ROPTPARNOTALLWD": "ESME_RTLVNOTALLWD",
        "ESME_RINVPARLEN": "ESME_RINVTLVLEN",
        "ESME_RMISSINGOPTPARAM": "ESME_RMISSINGTLV",
        "ESME_RINVOPTPARAMVAL": "ESME_RINVTLVVAL",
    }
    for status in Status:
        assert tables["statuses"].get(newer.get(status.name, status.name)) == status, status.name
    assert {each.name: tables["commands"].get(each.name.lower()) for each in Command} == {e.name: e for e in Command}
    assert {each.name: tables["tags"].get(each.name.lower()) for each in Tag} == {each.name: each for each in Tag}


def test_every_field_of_a_short_text_is_read_as_it_was_meant(centre: NodeCentre) -> None:
    envelope = a_text()
    with linked(centre) as transport:
        outcome = transport.send(envelope)
    assert (outcome.result, outcome.reference) == (Result.ACCEPTED, "1")
    (pdu,) = centre.pdus("submit_sm")
    for name in ("command_length", "sequence_number"):
        assert pdu.pop(name) > 0
    assert pdu == {
        "command": "submit_sm",
        "command_id": Command.SUBMIT_SM,
        "command_status": 0,
        "service_type": "",
        "source_addr_ton": 1,
        "source_addr_npi": 1,
        "source_addr": CLINIC,
        "dest_addr_ton": 1,
        "dest_addr_npi": 1,
        "destination_addr": NUMBER,
        "esm_class": 0,
        "protocol_id": 0,
        "priority_flag": 0,
        "schedule_delivery_time": "",
        "validity_period": f"{envelope.last_useful:%Y-%m-%dT%H:%M:%S}.000Z",
        "registered_delivery": 1,
        "replace_if_present_flag": 0,
        "data_coding": 0,
        "sm_default_msg_id": 0,
        "short_message": {"message": "Time for your drops"},
        "user_message_reference": user_reference("a" * 32, 1),
    }


def test_a_relative_validity_ends_at_the_last_useful_moment_by_the_centres_clock(centre: NodeCentre) -> None:
    with linked(centre, validity="relative") as transport:
        transport.send(a_text())
    (event,) = centre.named("submit_sm")
    ends, came = (datetime.fromisoformat(each) for each in (event["pdu"]["validity_period"], event["at"]))
    assert timedelta(0) <= timedelta(hours=1) - (ends - came) < timedelta(seconds=PATIENCE)


@pytest.mark.parametrize(
    ("text", "coding"),
    [
        ("".join(BASIC_CODES), 0),
        ("Left {both}\\[ears]~^|\f€5 £5 @ 9_00 §", 0),
        ("".join(EXTENSION_CODES) * 7, 0),
        ("ضع قطرتين في الأذن اليمنى الساعة ٩:٠٠", 8),
        ("دائیں کان میں دو قطرے ڈالیں۔ شکریہ!", 8),
        ("Time for your drops 👂🏽 😀", 8),
        ("Llŷr, mae'n bryd ichi roi'r diferion", 8),
    ],
)
def test_a_short_text_is_read_letter_by_letter_as_we_wrote_it(centre: NodeCentre, text: str, coding: int) -> None:
    with linked(centre) as transport:
        assert transport.send(a_text(text=text)).result is Result.ACCEPTED
    assert messages(centre) == [text]
    assert [pdu["data_coding"] for pdu in centre.pdus("submit_sm")] == [coding]


LONG = {
    "plain": "Put the drops in at nine, please. " * 12,
    "extension": "a" * 152 + "€" + "b" * 152 + "{" + "c" * 20,
    "urdu": "دائیں کان میں دو قطرے صبح اور شام ڈالیں۔ " * 5,
    "emoji": "a" * 66 + "😀" + "b" * 65 + "👂🏽" + "c" * 9,
}


@pytest.mark.parametrize("name", LONG)
@pytest.mark.parametrize("concatenation", ["udh", "sar", "payload"])
def test_a_long_text_is_whole_again_on_the_other_side(centre: NodeCentre, name: str, concatenation: str) -> None:
    text = LONG[name]
    total = count_parts(text).parts
    with linked(centre, concatenation=concatenation) as transport:
        outcome = transport.send(a_text(text=text))
    assert outcome.result is Result.ACCEPTED
    pdus = centre.pdus("submit_sm")
    assert "".join(messages(centre)) == text
    if concatenation == "payload":
        assert [(pdu["esm_class"], pdu["short_message"]) for pdu in pdus] == [(0, {"message": ""})]
        assert outcome.reference == "1"
        return
    assert outcome.reference == ",".join(str(each) for each in range(1, total + 1))
    if concatenation == "udh":
        (elements,) = zip(*(pdu["short_message"]["udh"] for pdu in pdus), strict=True)  # one element a part
        kind, reference, *_ = {(each[:4], each[4:6]) for each in elements}.pop()
        assert kind == "0003"
        assert elements == tuple(f"0003{reference}{total:02x}{index:02x}" for index in range(1, total + 1))
    else:
        assert len({pdu["sar_msg_ref_num"] for pdu in pdus}) == 1
        assert {pdu["sar_total_segments"] for pdu in pdus} == {total}
        assert [pdu["sar_segment_seqnum"] for pdu in pdus] == list(range(1, total + 1))


@pytest.mark.parametrize("language", SHIFTS)
def test_the_letters_of_a_national_table_are_read_by_the_table_that_the_header_names(
    centre: NodeCentre, language: str
) -> None:
    # Beside them only letters that its locking table has too: the library reads both headers by both tables.
    letters = "".join(char for char in SHIFTS[language].codes if char not in BASIC_CODES | EXTENSION_CODES)
    short, long = f"{letters} {{ok}} ü", f"{letters} and more " * 9
    with linked(centre, national_shift=True) as transport:
        for key, text in (("a" * 32, short), ("b" * 32, long)):
            assert transport.send(a_text(key, text=text, language=language)).result is Result.ACCEPTED
    first, *rest = messages(centre)
    assert (first, "".join(rest)) == (short, long)
    assert len(rest) > 1
    assert {pdu["data_coding"] for pdu in centre.pdus("submit_sm")} == {0}
    assert {pdu["short_message"]["udh"][-1] for pdu in centre.pdus("submit_sm")} == {f"2401{SHIFTS[language].code:02x}"}


# -- what an answer means ---------------------------------------------------------------------------------------------


def test_a_throttled_text_is_a_retry_and_is_taken_after_the_pause(
    centre: NodeCentre, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = [1000.0]
    monkeypatch.setattr("service.transports.smpp_line.monotonic", lambda: clock[0])
    centre.tell("statuses", statuses=["ESME_RTHROTTLED"] * 2)
    with linked(centre) as transport:
        for pause in (1, 2):
            outcome = transport.send(a_text())
            assert (outcome.result, outcome.retry_after) == (Result.RETRY, pause)
            assert "ESME_RTHROTTLED (0x58)" in outcome.detail
            assert transport.send(a_text()).result is Result.RETRY
            clock[0] += pause
        assert transport.send(a_text()).result is Result.ACCEPTED
    assert len(messages(centre)) == 3, "nothing was sent during the pauses"


def test_a_long_text_that_is_throttled_in_the_middle_arrives_whole(centre: NodeCentre) -> None:
    centre.tell("statuses", statuses=["ESME_ROK", "ESME_RTHROTTLED"])
    with linked(centre) as transport:
        outcome = transport.send(a_text(text="x" * 300))
    assert (outcome.result, outcome.reference) == (Result.ACCEPTED, "1,2")
    assert [pdu["short_message"]["udh"][0][-2:] for pdu in centre.pdus("submit_sm")] == ["01", "02", "02"]


@pytest.mark.parametrize(
    ("status", "result"),
    [
        ("ESME_RINVDSTADR", Result.REFUSED),
        ("ESME_RINVTLVVAL", Result.REFUSED),
        ("ESME_RMSGQFUL", Result.RETRY),
        ("ESME_RSYSERR", Result.RETRY),
    ],
)
def test_an_error_without_a_body_is_understood(centre: NodeCentre, status: str, result: Result) -> None:
    centre.tell("statuses", statuses=[status])
    with linked(centre) as transport:
        assert transport.send(a_text()).result is result


def test_answers_in_the_wrong_order_name_the_right_texts(centre: NodeCentre) -> None:
    heard = Heard()
    keys = [f"{number:032x}" for number in range(5)]
    centre.tell("gather", count=5)
    with linked(centre, heard, window=5) as transport, ThreadPoolExecutor(5) as pool:
        outcomes = list(pool.map(lambda key: transport.send(a_text(key)), keys))
        assert {each.result for each in outcomes} == {Result.ACCEPTED}
        centre.wait("submit_sm", 5)
        names = {pdu["user_message_reference"]: str(at) for at, pdu in enumerate(centre.pdus("submit_sm"), start=1)}
        assert [each.reference for each in outcomes] == [names[user_reference(key, 1)] for key in keys]
        for each in outcomes:
            deliver_receipt(centre, receipt_text(each.reference or ""))
    assert [each.key for each in heard.reports] == keys


# -- receipts ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "told"),
    [
        ("ENROUTE", ReportState.UNDERWAY),
        ("DELIVERED", ReportState.DELIVERED),
        ("EXPIRED", ReportState.FAILED),
        ("DELETED", ReportState.FAILED),
        ("UNDELIVERABLE", ReportState.FAILED),
        ("ACCEPTED", ReportState.UNDERWAY),
        ("UNKNOWN", ReportState.UNDERWAY),
        ("REJECTED", ReportState.FAILED),
    ],
)
def test_each_state_that_the_library_names_is_told_for_the_right_text(
    centre: NodeCentre, state: str, told: ReportState
) -> None:
    heard = Heard()
    centre.tell("tables")
    number = centre.named("tables")[0]["states"][state]
    with linked(centre, heard) as transport:
        transport.send(a_text())
        more = {
            "receipted_message_id": "1",
            "message_state": number,
            "user_message_reference": user_reference("a" * 32, 1),
        }
        deliver_receipt(centre, "", **more)
    assert [(each.key, each.reference, each.state) for each in heard.reports] == [("a" * 32, "1", told)]


@pytest.mark.parametrize("name", ["7", "0A1B2C", "ab-CD_9", "a@b", "f3b1c2d4-5e6f-4a7b-8c9d-0e1f2a3b4c5d"])
@pytest.mark.parametrize("coding", [None, 0, 3])
def test_a_receipt_of_text_alone_names_its_text_in_every_coding(
    centre: NodeCentre, name: str, coding: int | None
) -> None:
    heard = Heard()
    centre.tell("ids", ids=[name])
    with linked(centre, heard) as transport:
        assert transport.send(a_text()).reference == name
        deliver_receipt(centre, receipt_text(name), **({} if coding is None else {"data_coding": coding}))
    (report,) = heard.reports
    assert (report.key, report.reference, report.state) == ("a" * 32, name, ReportState.DELIVERED)


def test_a_receipt_in_ucs_2_names_its_text(centre: NodeCentre) -> None:
    heard = Heard()
    with linked(centre, heard) as transport:
        transport.send(a_text())
        deliver_receipt(centre, "id:1 stat:DELIVRD err:000 text:قطرة", data_coding=8)
    assert [(each.key, each.state) for each in heard.reports] == [("a" * 32, ReportState.DELIVERED)]


def test_a_long_text_is_delivered_once_every_part_has_its_receipt(centre: NodeCentre) -> None:
    heard = Heard()
    with linked(centre, heard) as transport:
        assert transport.send(a_text(text="x" * 400)).reference == "1,2,3"
        for name in "312":
            deliver_receipt(centre, receipt_text(name))
    assert [each.state for each in heard.reports] == [ReportState.UNDERWAY] * 2 + [ReportState.DELIVERED]
    assert {each.key for each in heard.reports} == {"a" * 32}


# -- what people write ------------------------------------------------------------------------------------------------


def heard_from(centre: NodeCentre, do: str = "deliver", parts: int = 1, **told: Any) -> list[Inbound]:
    """Have the centre bring something, wait for our answers, and give what was handed on."""
    heard = Heard()
    with linked(centre, heard):
        centre.tell(do, **told)
        assert centre.answers("deliver_sm", parts) == [Status.ESME_ROK] * parts
    return heard.inbound


@pytest.mark.parametrize("coding", [None, 0])
@pytest.mark.parametrize(
    "text",
    [
        "Yes, booked.",
        "STOP",
        "Sì, £5 @ 9 è già lì",
        "ear_ache {left} [both] €5 ~^|\\",
        "".join(char for char in BASIC_CODES if char not in "\r\n"),
    ],
)
def test_words_in_the_default_alphabet_come_in_as_they_were_written(
    centre: NodeCentre, text: str, coding: int | None
) -> None:
    """Left to itself the library codes in the default alphabet and names IA5 as the coding."""
    fields = FIELDS | {"short_message": text} | ({} if coding is None else {"data_coding": coding})
    (inbound,) = heard_from(centre, fields=fields)
    assert (inbound.text, inbound.sender, inbound.at) == (text, f"+{NUMBER}", DATED)


@pytest.mark.parametrize("text", ["نعم، شكرا", "جی ہاں، شکریہ", "Tak, dziękuję 👂🏽", "Да 😀"])
def test_words_in_ucs_2_come_in_as_they_were_written(centre: NodeCentre, text: str) -> None:
    (inbound,) = heard_from(centre, fields=FIELDS | {"short_message": text})
    assert inbound.text == text


def test_words_in_latin_1_and_in_a_payload_come_in_as_they_were_written(centre: NodeCentre) -> None:
    heard = Heard()
    with linked(centre, heard):
        centre.tell("deliver", fields=FIELDS | {"short_message": "Ça va, merci", "data_coding": 3})
        centre.tell("deliver", fields=FIELDS | {"message_payload": {"message": "نعم " * 60}, "data_coding": 8})
        assert centre.answers("deliver_sm", 2) == [Status.ESME_ROK] * 2
    assert [each.text for each in heard.inbound] == ["Ça va, merci", "نعم " * 60]


def test_words_in_a_national_table_come_in_as_they_were_written(centre: NodeCentre) -> None:
    """Whatever coding the library was told, it says IA5 beside such a header."""
    (inbound,) = heard_from(centre, fields=FIELDS | {"short_message": "mañana, día 5: sí {ok}"}, udh="03240102")
    assert inbound.text == "mañana, día 5: sí {ok}"


@pytest.mark.parametrize("end", ["", "\r\n", "\0", "\x1a"])
def test_words_that_are_ia5_in_truth_stay_so(centre: NodeCentre, end: str) -> None:
    text = f"[Yes]\tit_is $5 @ {{9}} ~^{end}"
    (inbound,) = heard_from(centre, fields=FIELDS | {"data_coding": 1}, octets=text.encode("ascii").hex())
    assert inbound.text == text


@pytest.mark.parametrize("by", ["udh", "sar"])
@pytest.mark.parametrize(
    ("text", "units", "coding"),
    [
        ("My left ear has been blocked since Sunday {3 days}. " * 7, 153, 0),
        ("£5? " + "and then plain words " * 9 + "mañana ¡señor!", 153, None),
        ("a" * 66 + "😀" + "b" * 65 + "👂🏽" + "c" * 9, 67, 8),
        ("أذني اليسرى مسدودة منذ يوم الأحد. " * 5, 67, 8),
    ],
)
def test_a_long_text_in_parts_comes_in_whole_in_whatever_order(
    centre: NodeCentre, by: str, text: str, units: int, coding: int | None
) -> None:
    parts = -(-len(text.encode("utf-16-be")) // 2 // units)
    told: dict[str, Any] = {"text": text, "units": units, "by": by, "reference": 200, "fields": dict(FIELDS)}
    if coding is not None:
        told["fields"]["data_coding"] = coding
    (inbound,) = heard_from(centre, "deliver_long", parts, order=[*range(2, parts + 1), 1], **told)
    assert inbound.text == text


def test_a_burst_of_words_comes_in_whole_and_in_order(centre: NodeCentre) -> None:
    heard = Heard()
    said = [f"Answer {number} 😀" if number % 2 else f"Answer {number} {{ok}}" for number in range(50)]
    with linked(centre, heard):
        for each in said:
            centre.tell("deliver", fields=FIELDS | {"short_message": each})
        assert centre.answers("deliver_sm", 50) == [Status.ESME_ROK] * 50
    assert [each.text for each in heard.inbound] == said
    assert len({each.id for each in heard.inbound}) == 50
