"""PDUs against octets laid out by hand from the SMPP 3.4 specification, and properties that hold for all of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.message import ReportState
from service.transports.smpp_pdu import (
    LONGEST_PDU,
    Command,
    Pdu,
    PduError,
    PduStream,
    ShortMessage,
    Status,
    Tag,
    absolute_time,
    bind_body,
    message_id_of,
    read_receipt,
    relative_time,
    status_name,
)

# Section 4.11.1: enquire_link is a header only. Section 3.2: length, id, status, sequence, each 4 octets, big-endian.
ENQUIRE_LINK = bytes.fromhex("00000010 00000015 00000000 00000007")

# Section 4.1.5: system_id, password, system_type, interface_version, addr_ton, addr_npi, address_range.
BIND_TRANSCEIVER = bytes.fromhex(
    "00000025 00000009 00000000 00000001"
    "636c696e696300"  # "clinic", NUL
    "736563726574 00"  # "secret", NUL
    "414200"  # "AB", NUL
    "34 00 00"  # version 3.4, unknown type of number and plan
    "00"  # any address
)

# Section 4.4.1, with a text of two octets, a receipt asked for, and one optional parameter (section 5.3.2.17).
SUBMIT_SM = bytes.fromhex(
    "0000004b 00000004 00000000 00000002"
    "00"  # service_type
    "05 00 45617200"  # source: alphanumeric, "Ear"
    "01 01 34343737303039303031323300"  # destination: international, E.164, 447700900123
    "00 00 00"  # esm_class, protocol_id, priority_flag
    "00"  # schedule_delivery_time
    "3236313132353232333030303030302b00"  # validity_period: 261125223000000+
    "01 00 00 00"  # registered_delivery, replace_if_present, data_coding, sm_default_msg_id
    "02 4869"  # sm_length, "Hi"
    "0204 0002 beef"  # user_message_reference
)

# Section 4.4.2: message_id.
SUBMIT_SM_RESP = bytes.fromhex("00000014 80000004 00000000 00000002 37346200")


def only(octets: bytes) -> Pdu:
    (pdu,) = PduStream().feed(octets)
    return pdu


def test_a_keep_alive_is_a_bare_header() -> None:
    assert Pdu(command=Command.ENQUIRE_LINK, sequence=7).encode() == ENQUIRE_LINK
    assert only(ENQUIRE_LINK) == Pdu(command=Command.ENQUIRE_LINK, sequence=7)


def test_a_sign_in_is_laid_out_as_in_section_4_1_5() -> None:
    body = bind_body("clinic", "secret", "AB")
    assert Pdu(command=Command.BIND_TRANSCEIVER, sequence=1, body=body).encode() == BIND_TRANSCEIVER


@pytest.mark.parametrize("names", [("c" * 16, "s", ""), ("c", "s" * 9, ""), ("c", "s", "t" * 13), ("ĉ", "s", "")])
def test_names_that_do_not_fit_the_sign_in_are_refused_by_name(names: tuple[str, str, str]) -> None:
    with pytest.raises(PduError, match="must be at most"):
        bind_body(*names)


def test_a_text_is_laid_out_as_in_section_4_4_1() -> None:
    message = ShortMessage(
        source="Ear",
        source_ton=5,
        destination="447700900123",
        destination_ton=1,
        destination_npi=1,
        validity="261125223000000+",
        registered_delivery=1,
        short_message=b"Hi",
        tlvs=((0x0204, b"\xbe\xef"),),
    )
    octets = Pdu(command=Command.SUBMIT_SM, sequence=2, body=message.encode()).encode()
    assert octets[4:] == SUBMIT_SM[4:]
    assert int.from_bytes(octets[:4]) == len(octets) == len(SUBMIT_SM)
    assert ShortMessage.decode(octets[16:]) == message


def test_an_answer_gives_the_id_and_an_empty_one_gives_none() -> None:
    assert message_id_of(only(SUBMIT_SM_RESP).body) == "74b"
    assert message_id_of(b"") == "", "a refusal may leave its body out (section 4.4.2)"


@pytest.mark.parametrize("length", [0, 15, LONGEST_PDU + 1, 0xFFFFFFFF])
def test_a_length_that_cannot_be_loses_the_stream(length: int) -> None:
    with pytest.raises(PduError, match="cannot have"):
        list(PduStream().feed(length.to_bytes(4) + bytes(12)))


@pytest.mark.parametrize("cut", range(1, len(SUBMIT_SM) - 16))
def test_a_body_cut_short_is_an_error_and_never_a_shorter_message(cut: int) -> None:
    body = SUBMIT_SM[16:-cut]
    if cut == 6:  # exactly the optional parameter is missing
        assert ShortMessage.decode(body).tlvs == ()
        return
    with pytest.raises(PduError):
        ShortMessage.decode(body)


def test_a_text_longer_than_254_octets_must_travel_as_payload() -> None:  # section 5.2.21
    with pytest.raises(PduError, match="at most 254"):
        ShortMessage(destination="447700900123", short_message=bytes(255)).encode()
    message = ShortMessage(destination="447700900123", tlvs=((Tag.MESSAGE_PAYLOAD, bytes(255)),))
    assert ShortMessage.decode(message.encode()).words == bytes(255)


ascii_up_to = lambda longest: st.text(st.characters(min_codepoint=1, max_codepoint=127), max_size=longest)  # noqa: E731
octet = st.integers(0, 255)
messages = st.builds(
    ShortMessage,
    destination=ascii_up_to(20),
    source=ascii_up_to(20),
    service_type=ascii_up_to(5),
    source_ton=octet,
    source_npi=octet,
    destination_ton=octet,
    destination_npi=octet,
    esm_class=octet,
    protocol_id=octet,
    priority=octet,
    schedule=ascii_up_to(16),
    validity=ascii_up_to(16),
    registered_delivery=octet,
    replace_if_present=octet,
    data_coding=octet,
    default_message=octet,
    short_message=st.binary(max_size=254),
    tlvs=st.lists(st.tuples(st.integers(0, 0xFFFF), st.binary(max_size=300)), max_size=4).map(tuple),
)


@given(messages)
def test_a_message_reads_back_as_it_was_written(message: ShortMessage) -> None:
    assert ShortMessage.decode(message.encode()) == message


pdus = st.builds(
    Pdu,
    command=st.integers(0, 0xFFFFFFFF),
    sequence=st.integers(0, 0xFFFFFFFF),
    status=st.integers(0, 0xFFFFFFFF),
    body=st.binary(max_size=60),
)


@given(st.lists(pdus, max_size=6), st.lists(st.integers(1, 40), min_size=1))
def test_pdus_come_out_whole_however_the_line_cuts_them(sent: list[Pdu], cuts: list[int]) -> None:
    octets, stream, heard, at = b"".join(pdu.encode() for pdu in sent), PduStream(), [], 0
    for turn in range(len(octets)):
        step = cuts[turn % len(cuts)]
        heard += stream.feed(octets[at : at + step])
        at += step
    assert heard == sent


@given(st.binary(max_size=300))
def test_any_octets_are_read_or_refused_and_nothing_else(octets: bytes) -> None:
    try:
        message = ShortMessage.decode(octets)
    except PduError:
        return
    receipt = read_receipt(message)
    assert receipt is None or receipt.state in ReportState


def test_validity_ends_at_the_moment_in_utc() -> None:  # section 7.1.1
    moment = datetime(2026, 11, 25, 23, 30, 59, 999_999, tzinfo=timezone(timedelta(hours=1)))
    assert absolute_time(moment) == "261125223059000+"
    assert relative_time(timedelta(days=1, hours=2, minutes=3, seconds=4.9)) == "000001020304000R"
    assert relative_time(timedelta(days=400)) == "000030000000000R"


@given(st.timedeltas(timedelta(0), timedelta(days=30)))
def test_a_relative_validity_never_ends_late_and_at_most_a_second_early(span: timedelta) -> None:
    written = relative_time(span)
    days, hours, minutes, seconds = (int(written[at : at + 2]) for at in (4, 6, 8, 10))
    said = timedelta(days=days, hours=hours, minutes=minutes, seconds=seconds)
    assert said <= span < said + timedelta(seconds=1)


@given(st.integers(1_600_000_000, 3_000_000_000).map(lambda seconds: datetime.fromtimestamp(seconds + 0.75, UTC)))
def test_an_absolute_validity_drops_the_part_of_a_second(moment: datetime) -> None:
    written = absolute_time(moment)
    assert len(written) == 16
    assert datetime.strptime(written[:12] + "+0000", "%y%m%d%H%M%S%z") == moment.replace(microsecond=0)


def test_a_status_is_named_as_in_the_specification() -> None:
    assert status_name(Status.ESME_RTHROTTLED) == "ESME_RTHROTTLED (0x58)"
    assert status_name(0x413) == "status 0x00000413"


# -- receipts: appendix B, and what centres make of it ----------------------------------------------------------------

FULL = (
    "id:0123456789 sub:001 dlvrd:001 submit date:2611252130 done date:2611252131 stat:{} err:000 text:Your reminder is"
)


def receipt_text(text: str, tlvs: tuple[tuple[int, bytes], ...] = (), esm_class: int = 0x04) -> ShortMessage:
    return ShortMessage(
        source="447700900123", destination="Ear", esm_class=esm_class, short_message=text.encode("latin-1"), tlvs=tlvs
    )


@pytest.mark.parametrize(
    ("word", "state"),
    [
        ("DELIVRD", ReportState.DELIVERED),
        ("UNDELIV", ReportState.FAILED),
        ("EXPIRED", ReportState.FAILED),
        ("DELETED", ReportState.FAILED),
        ("REJECTD", ReportState.FAILED),
        ("ENROUTE", ReportState.UNDERWAY),
        ("ACCEPTD", ReportState.UNDERWAY),
        ("UNKNOWN", ReportState.UNDERWAY),
        ("delivrd", ReportState.DELIVERED),
        ("Undeliverable", ReportState.FAILED),
        ("BUFFERED", ReportState.UNDERWAY),  # a word of the centre's own promises nothing
    ],
)
def test_each_state_of_appendix_b_has_one_meaning(word: str, state: ReportState) -> None:
    receipt = read_receipt(receipt_text(FULL.format(word)))
    assert receipt is not None
    assert receipt.state is state
    assert (receipt.id, receipt.error, receipt.done) == ("0123456789", "000", "2611252131")
    assert receipt.number == "447700900123"


@pytest.mark.parametrize(
    ("text", "id_", "error", "done"),
    [
        ("id:A7 submit date:261125213005 done date:261125213107 stat:DELIVRD err:000", "A7", "000", "261125213107"),
        ("ID:A7 SUB:001 STAT:DELIVRD", "A7", None, None),
        ("id: A7 stat: DELIVRD err: text:", "A7", None, None),
        ("stat:DELIVRD id:A7 done_date:2611252131", "A7", None, "2611252131"),
        ("id:a_b-7 stat:DELIVRD", "a_b-7", None, None),  # not the section sign of the default alphabet
        ("stat:DELIVRD", None, None, None),
        ("id:A7 stat:DELIVRD text:stat:EXPIRED id:B8", "A7", None, None),
        ("id:A7 stat:DELIVRD text:err:5 done date:9", "A7", None, None),  # what follows text: is ours
    ],
)
def test_a_receipt_is_understood_however_the_centre_writes_it(
    text: str, id_: str | None, error: str | None, done: str | None
) -> None:
    receipt = read_receipt(receipt_text(text))
    assert receipt is not None
    assert receipt.state is ReportState.DELIVERED
    assert (receipt.id, receipt.error, receipt.done) == (id_, error, done)


@pytest.mark.parametrize(
    ("number", "state"),
    [  # section 5.2.28
        (1, ReportState.UNDERWAY),
        (2, ReportState.DELIVERED),
        (3, ReportState.FAILED),
        (4, ReportState.FAILED),
        (5, ReportState.FAILED),
        (6, ReportState.UNDERWAY),
        (7, ReportState.UNDERWAY),
        (8, ReportState.FAILED),
    ],
)
def test_optional_parameters_win_over_the_text(number: int, state: ReportState) -> None:
    tlvs = ((0x001E, b"7FB2\0"), (0x0427, bytes((number,))), (0x0423, b"\x03\x00\x1b"), (0x0204, b"\x12\x34"))
    receipt = read_receipt(receipt_text("id:1 stat:ENROUTE", tlvs))
    assert receipt is not None
    assert (receipt.state, receipt.id, receipt.error, receipt.our_reference) == (state, "7FB2", "27", 0x1234)


def test_a_receipt_in_ucs_2_is_understood() -> None:
    message = ShortMessage(
        destination="Ear", esm_class=0x04, data_coding=8, short_message="id:9 stat:DELIVRD".encode("utf-16-be")
    )
    receipt = read_receipt(message)
    assert receipt is not None
    assert (receipt.id, receipt.state) == ("9", ReportState.DELIVERED)


def test_an_intermediate_notice_is_never_the_end() -> None:  # section 5.2.12, esm_class 0x20
    receipt = read_receipt(receipt_text("id:9 stat:DELIVRD", esm_class=0x20))
    assert receipt is not None
    assert receipt.state is ReportState.UNDERWAY


def test_words_that_look_like_a_receipt_are_somebodys_words() -> None:
    assert read_receipt(receipt_text(FULL.format("DELIVRD"), esm_class=0)) is None
