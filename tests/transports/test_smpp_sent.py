"""Which text a receipt is about, and what it says of it."""

from __future__ import annotations

import threading
import time

import pytest
from envelopes import DATED
from smpp_peer import (
    PATIENCE,
    Heard,
    Line,
    a_peer,
    a_text,
    accept,
    at_dated,
    delivered,
    drop_after_accept,
    receipt,
    sending,
    words,
)

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, ReportState, Result
from service.transports import smpp_sent
from service.transports.smpp_pdu import Command, Pdu, ShortMessage, Status, Tag
from service.transports.smpp_sent import user_reference


def test_a_receipt_finds_the_key_by_the_id_and_is_answered_only_after_it_was_stored() -> None:
    storing, stored = threading.Event(), threading.Event()
    keys: list[str | None] = []

    def store(report: DeliveryReport) -> None:
        keys.append(report.key)
        storing.set()
        assert stored.wait(PATIENCE)

    with a_peer() as peer, sending(peer) as transport:
        transport.receive(store, lambda _: None, at_dated)
        transport.send(a_text())
        sequence = peer.line.deliver(receipt())
        assert storing.wait(PATIENCE)
        time.sleep(0.1)  # an answer given too early would be there by now
        assert sequence not in peer.line.answers
        stored.set()
        assert peer.line.status_of(sequence) == Status.ESME_ROK
    assert keys == ["a" * 32]


def test_a_receipt_that_cannot_be_stored_stays_with_the_centre() -> None:
    def full(_: object) -> None:
        raise OSError("the disk is full")

    with a_peer() as peer, sending(peer) as transport:
        transport.receive(full, full, at_dated)
        transport.send(a_text())
        assert delivered(peer, receipt()) == Status.ESME_RX_T_APPN
        assert delivered(peer, words("Yes")) == Status.ESME_RX_T_APPN


def test_nothing_is_taken_for_stored_while_nobody_receives() -> None:
    with a_peer() as peer, sending(peer) as transport:
        transport.send(a_text())
        assert delivered(peer, receipt()) == Status.ESME_RX_T_APPN


def test_a_receipt_says_when_by_our_clock_and_repeats_the_centres_words() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        transport.send(a_text())
        delivered(peer, receipt())
    assert heard.reports == [
        DeliveryReport(
            channel=Channel.TEXT,
            state=ReportState.DELIVERED,
            at=DATED,
            detail="receipt DELIVRD, error 000, done 2611252131 by the centre's clock",
            key="a" * 32,
            reference="1",
        )
    ]


def test_a_receipt_may_come_before_the_answer_that_names_it() -> None:
    heard = Heard()

    def receipt_first(line: Line, pdu: Pdu, message: ShortMessage) -> None:
        line.deliver(receipt())
        line.ask(Command.ENQUIRE_LINK)
        accept(line, pdu, message)

    with a_peer(receipt_first) as peer, sending(peer, heard) as transport:
        outcome = transport.send(a_text())
        assert outcome.reference == "1"
        assert peer.line.status_of(1) == Status.ESME_ROK
    assert [(each.key, each.state) for each in heard.reports] == [("a" * 32, ReportState.DELIVERED)]


def test_a_receipt_before_an_answer_that_never_comes_is_handed_on_all_the_same() -> None:
    heard = Heard()

    def receipt_only(line: Line, _pdu: Pdu, _message: ShortMessage) -> None:
        line.deliver(receipt("99"))

    with a_peer(receipt_only) as peer, sending(peer, heard, response_timeout=4) as transport:
        assert transport.send(a_text()).result is Result.UNKNOWN
        assert peer.line.status_of(1) == Status.ESME_ROK
    assert [(each.key, each.reference) for each in heard.reports] == [(None, "99")]


def test_our_own_reference_settles_a_text_whose_answer_was_lost() -> None:
    heard = Heard()
    with a_peer(drop_after_accept) as peer, sending(peer, heard) as transport:
        assert transport.send(a_text()).result is Result.UNKNOWN
        peer.wait(lambda: len(peer.binds) == 2, "the next line")
        ours = (int(Tag.USER_MESSAGE_REFERENCE), user_reference("a" * 32, 1).to_bytes(2))
        assert delivered(peer, receipt("555", "DELIVRD", "000", ours)) == Status.ESME_ROK
        assert delivered(peer, receipt("556", "DELIVRD", "000", ours, number="447700900456")) == Status.ESME_ROK
    assert [each.key for each in heard.reports] == ["a" * 32, None], "16 bits alone could be anybody's"


def test_after_a_new_start_a_receipt_names_its_text_by_the_centres_id_only() -> None:
    heard = Heard()
    ours = (int(Tag.USER_MESSAGE_REFERENCE), user_reference("a" * 32, 1).to_bytes(2))
    with a_peer() as peer:
        with sending(peer) as before:
            assert before.send(a_text()).reference == "1"
        with sending(peer, heard):
            peer.wait(lambda: len(peer.binds) == 2, "the next line")
            assert delivered(peer, receipt("1", "DELIVRD", "000", ours)) == Status.ESME_ROK
    assert [(each.key, each.reference, each.state) for each in heard.reports] == [(None, "1", ReportState.DELIVERED)]


def test_after_a_new_start_each_part_of_a_long_text_is_reported_by_its_own_id() -> None:
    heard = Heard()
    with a_peer() as peer:
        with sending(peer) as before:
            assert before.send(a_text(text="x" * 400)).reference == "1,2,3"
        with sending(peer, heard):
            peer.wait(lambda: len(peer.binds) == 2, "the next line")
            for id_ in "312":
                delivered(peer, receipt(id_))
    assert [(each.key, each.reference) for each in heard.reports] == [(None, "3"), (None, "1"), (None, "2")]


def test_an_answer_that_came_too_late_still_names_the_text() -> None:
    heard, late = Heard(), threading.Event()
    answers: list[threading.Thread] = []

    def answer_late(line: Line, pdu: Pdu, message: ShortMessage) -> None:
        def run() -> None:
            late.wait(PATIENCE)
            accept(line, pdu, message)
            line.deliver(receipt())

        answers.append(threading.Thread(target=run, name="peer-late"))
        answers[0].start()

    with a_peer(answer_late) as peer, sending(peer, heard, response_timeout=4) as transport:
        assert transport.send(a_text()).result is Result.UNKNOWN
        late.set()
        assert peer.line.status_of(1) == Status.ESME_ROK
        answers[0].join(PATIENCE)
    assert [each.key for each in heard.reports] == ["a" * 32]


@pytest.mark.parametrize(
    ("given", "named"),
    [("1a2b", "1A2B"), ("1A2B", "6699"), ("6699", "1a2b"), ("0006699", "6699"), ("7", "0007"), ("ab-CD_9", "ab-CD_9")],
)
def test_an_id_is_known_in_either_base_and_case(given: str, named: str) -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        peer.name_of = lambda _: given
        transport.send(a_text())
        delivered(peer, receipt(named))
        if given == "1A2B":  # a guess at the base counts for the right number only
            delivered(peer, receipt(named, number="447700900456"))
    assert [each.key for each in heard.reports] == ["a" * 32, None][: len(heard.reports)]
    assert len(heard.reports) == (2 if given == "1A2B" else 1)


def test_an_exact_id_wins_over_one_in_the_other_base() -> None:
    heard = Heard()
    names = iter(["10", "16"])  # 0x10 is 16
    with a_peer() as peer, sending(peer, heard) as transport:
        peer.name_of = lambda _: next(names)
        transport.send(a_text("a" * 32))
        transport.send(a_text("b" * 32))
        delivered(peer, receipt("10"))
        delivered(peer, receipt("16"))
    assert [each.key for each in heard.reports] == ["a" * 32, "b" * 32]


def test_receipts_twice_and_out_of_order_are_told_as_they_come() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        transport.send(a_text())
        for stat in ("DELIVRD", "DELIVRD", "ENROUTE", "ACCEPTD"):
            delivered(peer, receipt(stat=stat))
    told = [each.state for each in heard.reports]
    assert told == [ReportState.DELIVERED] * 2 + [ReportState.UNDERWAY] * 2
    assert {each.key for each in heard.reports} == {"a" * 32}


def test_a_long_text_is_delivered_when_its_last_part_is() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        assert transport.send(a_text(text="x" * 400)).reference == "1,2,3"
        for id_, stat in (("3", "DELIVRD"), ("1", "DELIVRD"), ("1", "DELIVRD"), ("2", "ENROUTE"), ("2", "DELIVRD")):
            delivered(peer, receipt(id_, stat))
    assert [each.state for each in heard.reports] == [ReportState.UNDERWAY] * 4 + [ReportState.DELIVERED]
    assert "part 3 of 3" in heard.reports[0].detail


def test_a_long_text_has_failed_as_soon_as_one_part_has() -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        transport.send(a_text(text="x" * 400))
        delivered(peer, receipt("1"))
        delivered(peer, receipt("2", "EXPIRED"))
        delivered(peer, receipt("3"))
    told = [each.state for each in heard.reports]
    assert told == [ReportState.UNDERWAY, ReportState.FAILED, ReportState.UNDERWAY]


@pytest.mark.parametrize(
    ("stat", "err", "bad"),
    [
        ("UNDELIV", "001", True),
        ("UNDELIV", "1", True),
        ("UNDELIV", "00b", True),
        ("UNDELIV", "002", False),
        ("EXPIRED", "", False),
        ("DELIVRD", "001", False),
    ],
)
def test_a_number_is_bad_only_for_the_errors_that_the_clinic_listed(stat: str, err: str, bad: bool) -> None:
    heard = Heard()
    with a_peer() as peer, sending(peer, heard, unknown_subscriber_errors="001, 0B") as transport:
        transport.send(a_text())
        delivered(peer, receipt("1", stat, err))
    assert [each.contact_bad for each in heard.reports] == [bad]


def test_the_memory_of_what_was_sent_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(smpp_sent, "MOST_RECENT", 3)
    heard = Heard()
    with a_peer() as peer, sending(peer, heard) as transport:
        for number in range(5):
            transport.send(a_text(f"{number:032x}"))
        delivered(peer, receipt("1"))
        delivered(peer, receipt("5"))
        recent = transport._recent
        assert (len(recent._sent), len(recent._by_id), len(recent._by_reference)) == (3, 3, 3)
    assert [(each.key, each.reference) for each in heard.reports] == [(None, "1"), (f"{4:032x}", "5")]
