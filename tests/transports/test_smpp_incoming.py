"""What people write: read in its alphabet, joined from its parts, and known when it comes again."""

from __future__ import annotations

from dataclasses import replace

import pytest
from envelopes import DATED
from smpp_peer import (
    NUMBER,
    Heard,
    a_peer,
    at_dated,
    delivered,
    sending,
    words,
)

from service.domain.contact import Channel
from service.domain.message import Inbound
from service.transports import smpp_hearing, smpp_incoming
from service.transports.gsm7 import header
from service.transports.smpp_pdu import Command, ShortMessage, Status, Tag


@pytest.mark.parametrize(
    ("message", "text"),
    [
        (words("Yes @ 9 £5 {ok}"), "Yes @ 9 £5 {ok}"),
        (words("Tak, dziękuję 👂", 8), "Tak, dziękuję 👂"),
        (words("Ça va", 3), "Ça va"),
        (words("plain", data_coding=1, short_message=b"plain"), "plain"),
        (words("class", data_coding=0xF1), "class"),
        (words("", tlvs=((Tag.MESSAGE_PAYLOAD, b"long words"),)), "long words"),
        (words("", data_coding=4, short_message=b"\x00\x01a"), "��a"),
        (words("", data_coding=8, short_message=b"\x00a\x00"), "a�"),
        (words(""), ""),
    ],
)
def test_words_are_read_in_the_alphabet_they_came_in(message: ShortMessage, text: str) -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        assert delivered(peer, message) == Status.ESME_ROK
    (inbound,) = heard.inbound
    assert (inbound.text, inbound.sender, inbound.channel, inbound.at) == (text, f"+{NUMBER}", Channel.TEXT, DATED)


def test_a_sender_that_is_no_international_number_is_kept_as_received() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        delivered(peer, words("Hi", source="60777", source_ton=3))
    assert heard.inbound[0].sender == "60777"


def test_a_message_that_cannot_be_read_is_answered_with_an_error() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        assert peer.line.status_of(peer.line.ask(Command.DELIVER_SM, b"\0\1\1no end")) == Status.ESME_RX_P_APPN
        assert delivered(peer, words("Still here")) == Status.ESME_ROK
    assert [each.text for each in heard.inbound] == ["Still here"]


def parts_of(text: str, way: str, reference: int = 7) -> list[ShortMessage]:
    """Incoming parts, cut without regard to characters, as phones do."""
    octets, size = text.encode("utf-16-be"), 134
    pieces = [octets[at : at + size] for at in range(0, len(octets), size)]
    made = []
    for index, piece in enumerate(pieces, start=1):
        if way == "sar":
            tlvs = (
                (Tag.SAR_MSG_REF_NUM, reference.to_bytes(2)),
                (Tag.SAR_TOTAL_SEGMENTS, bytes((len(pieces),))),
                (Tag.SAR_SEGMENT_SEQNUM, bytes((index,))),
            )
            made.append(words("", 8, short_message=piece, tlvs=tlvs))
            continue
        head = header(reference=reference, total=len(pieces), index=index)
        if way == "udh16":
            head = bytes((6, 8, 4, 1, reference, len(pieces), index))
        made.append(words("", 8, short_message=head + piece, esm_class=0x40))
    return made


LETTER = "a" * 66 + "👂" + "b" * 100  # the pair lies across the cut


@pytest.mark.parametrize("way", ["udh", "udh16", "sar"])
def test_parts_in_any_order_become_one_text_and_are_answered_once_it_is_stored(way: str) -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        last, first, middle = (parts_of(LETTER, way)[index] for index in (2, 0, 1))
        sequences = [peer.line.deliver(each) for each in (last, first, first, middle)]
        assert [peer.line.status_of(each) for each in sequences] == [Status.ESME_ROK] * 4
    assert [each.text for each in heard.inbound] == [LETTER]


def test_two_people_with_the_same_reference_are_kept_apart() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        mine = parts_of("m" * 100, "udh")
        yours = [replace(each, source="447700900456") for each in parts_of("y" * 100, "udh")]
        sequences = [peer.line.deliver(each) for each in (mine[0], yours[1], mine[1], yours[0])]
        assert {peer.line.status_of(each) for each in sequences} == {Status.ESME_ROK}
    told = {(each.sender, each.text) for each in heard.inbound}
    assert told == {(f"+{NUMBER}", "m" * 100), ("+447700900456", "y" * 100)}


def test_a_centre_that_waits_for_each_answer_gets_it_and_the_text_is_still_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(smpp_hearing, "HOLD_SECONDS", 0.1)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        for each in parts_of(LETTER, "udh"):
            assert delivered(peer, each) == Status.ESME_ROK
    assert [each.text for each in heard.inbound] == [LETTER]


def test_parts_that_never_come_leave_a_gap_that_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp_hearing, "HOLD_SECONDS", 0.05)
    monkeypatch.setattr(smpp_hearing, "JOIN_SECONDS", 0.2)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        assert delivered(peer, parts_of("x" * 200, "udh")[1]) == Status.ESME_ROK
        peer.wait(lambda: bool(heard.inbound), "the text with gaps")
    assert [each.text for each in heard.inbound] == ["[…]" + "x" * 67 + "[…]"]


def test_closing_hands_on_the_parts_that_the_centre_believes_with_us(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp_hearing, "HOLD_SECONDS", 0.05)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        assert delivered(peer, parts_of("x" * 100, "udh")[0]) == Status.ESME_ROK
        assert heard.inbound == []
    assert [each.text for each in heard.inbound] == ["x" * 67 + "[…]"]


def test_a_reference_used_anew_begins_another_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp_hearing, "HOLD_SECONDS", 0.05)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        delivered(peer, parts_of("o" * 100, "udh")[0])
        for each in parts_of("n" * 100, "udh"):
            delivered(peer, each)
        peer.wait(lambda: len(heard.inbound) == 2, "both texts")
    assert sorted(each.text for each in heard.inbound) == ["n" * 100, "o" * 67 + "[…]"]


def test_the_memory_of_unfinished_texts_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp_incoming, "MOST_TEXTS", 5)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        for reference in range(8):
            peer.line.deliver(parts_of(str(reference) * 100, "udh", reference)[0])
        peer.wait(lambda: len(heard.inbound) == 3, "the oldest")
        assert len(transport._hearing._joiner._groups) == 5
    assert [each.text[0] for each in heard.inbound[:3]] == ["0", "1", "2"]


def test_a_text_that_comes_again_on_another_line_keeps_its_id() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        delivered(peer, words("Yes"))
        peer.line.drop()
        peer.wait(lambda: len(peer.binds) == 2, "the next line")
        delivered(peer, words("Yes"))
    assert len(heard.inbound) == 2
    assert heard.inbound[0].id == heard.inbound[1].id


def test_the_same_words_again_on_one_line_are_a_new_text() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        for _ in range(3):
            delivered(peer, words("1"))
    assert len({each.id for each in heard.inbound}) == 3


def test_a_text_that_could_not_be_stored_keeps_its_id_when_it_comes_again() -> None:
    tried: list[Inbound] = []

    def once_full(inbound: Inbound) -> None:
        tried.append(inbound)
        if len(tried) == 1:
            raise OSError("the disk is full")

    with a_peer() as peer, sending(peer) as transport:
        transport.receive(lambda _: None, once_full, at_dated)
        peer.wait(lambda: bool(peer.binds), "the line")
        parts = parts_of("p" * 100, "udh")
        first = [peer.line.deliver(each) for each in parts]
        assert [peer.line.status_of(each) for each in first] == [Status.ESME_RX_T_APPN] * 2
        assert delivered(peer, parts[1]) == Status.ESME_ROK
        assert delivered(peer, parts[0]) == Status.ESME_ROK, "it is known as part of what is stored"
    assert len(tried) == 2
    assert tried[0].id == tried[1].id
    assert tried[1].text == "p" * 100


def test_the_line_is_kept_up_for_what_people_write_also_after_it_broke() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard):
        peer.line.drop()
        peer.wait(lambda: len(peer.binds) == 2, "the next line")
        assert delivered(peer, words("STOP")) == Status.ESME_ROK
    assert [each.text for each in heard.inbound] == ["STOP"]
    assert peer.submitted == []
