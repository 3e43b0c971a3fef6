"""E1 to E4: what nobody knows the outcome of is counted, shown, and repeated only as the rule says."""

from __future__ import annotations

from pathlib import Path

import pytest
from acceptance.running import a_site, call_back, on_sqlite, wait_until, with_messages
from acceptance.scenarios import LATER, SEED, Figures, crew, figures, killed, misbehaving
from acceptance.sizes import size
from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from smpp_peer import GIVEN, Peer, accept, drop_after_accept, in_turn, receipt, silent
from smpp_peer import a_peer as a_centre

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import MessageKind, State
from service.inbound.rounds import after_pass, bind
from service.planning.aftercare import give
from service.services import Services
from service.storage.records import StoredMessage
from service.transports.smpp import SmppTransport
from service.transports.smpp_options import read_options
from service.transports.smpp_pdu import Tag


def repeated_once(url: str, folder: Path, channel: Channel) -> None:
    with a_site(folder, url, pretend=True) as site:
        ids = with_messages(site, 8, channel=channel)
        site.far.told(play="drop", first=True, every=4)
        crew(site, workers=1, wind="0")
        uncertain = {each for each, state in site.ids.items() if state == "uncertain"}
        assert len(uncertain) == 2
        assert site.far.taken == dict.fromkeys(ids, 1), "one acceptance"
        assert not site.asked(), "it is repeated by itself, so nobody is asked yet"
        crew(site, workers=1, wind=LATER)
        assert site.states == {"sent": 8}
        assert {key: count for key, count in site.far.taken.items() if count > 1} == dict.fromkeys(uncertain, 2)
        figures(site, "drop", ids, workers=1, tries=2)  # one key never carries two bodies
        why = site.rows("SELECT subject, CAST(detail AS TEXT) FROM audit WHERE action = 'message-repeated'")
        assert {row[0] for row in why} == uncertain
        assert all("its outcome is unknown" in row[1] for row in why)


def test_e1_a_text_taken_and_never_answered_ends_uncertain_and_is_repeated_once_in_the_same_words(
    database_url: str, tmp_path: Path
) -> None:
    repeated_once(database_url, tmp_path, Channel.TEXT)


def test_e1_a_mail_taken_and_never_answered_ends_uncertain_and_is_repeated_once_in_the_same_words(
    tmp_path: Path,
) -> None:
    repeated_once(on_sqlite(tmp_path), tmp_path, Channel.EMAIL)


def test_e1_what_must_not_double_is_shown_to_a_person_and_stays_at_one_acceptance(tmp_path: Path) -> None:
    with a_site(tmp_path, on_sqlite(tmp_path), pretend=True) as site:
        ids = with_messages(site, 4, kind=MessageKind.CHECK_IN)
        site.far.told(play="drop", first=True, every=4)
        crew(site, workers=1, wind=LATER)
        uncertain = {each for each, state in site.ids.items() if state == "uncertain"}
        assert len(uncertain) == 1
        assert site.asked() == uncertain
        assert site.far.taken == dict.fromkeys(ids, 1)


def over_smpp(peer: Peer) -> tuple[Services, SmppTransport, StoppedClock]:
    clock = StoppedClock()
    options = GIVEN | {"port": peer.port, "response_timeout": 4}
    transport = SmppTransport(read_options(options))
    services, _ = a_service(clock=clock, transports={Channel.TEXT: transport})
    give(
        services, a_person(services, channels=(Channel.TEXT,)), a_visit(an_ear("normal"), an_ear("normal")), by="nurse"
    )
    return services, transport, clock


def the_plan(services: Services) -> StoredMessage:
    with services.open_reading() as work:
        (found,) = [each for each in work.messages.of_person("maud") if each.planned.kind is MessageKind.PLAN_GIVEN]
    return found


def test_e1_over_smpp_the_repeat_carries_the_same_reference_and_the_same_words() -> None:
    with a_centre(in_turn(drop_after_accept, accept)) as peer:
        services, transport, clock = over_smpp(peer)
        try:
            send_due(services, "worker")
            assert the_plan(services).state is State.UNCERTAIN
            assert len(peer.submitted) == 1, "the line broke at its first part"
            clock.forward(minutes=61)
            send_due(services, "worker")
            assert the_plan(services).state is State.SENT
            first, *second = peer.submitted
            assert second[0].words == first.words
            assert second[0].number(Tag.USER_MESSAGE_REFERENCE) == first.number(Tag.USER_MESSAGE_REFERENCE)
            with services.open_reading() as work:
                assert [line.action for line in work.ledger.history(the_plan(services).id)] == ["message-repeated"]
        finally:
            transport.close()


def test_e2_a_callback_of_the_gateway_settles_what_was_answered_too_late(database_url: str, tmp_path: Path) -> None:
    with a_site(tmp_path, database_url, timeout=4) as site:
        ids = with_messages(site, 4, kind=MessageKind.CHECK_IN)
        site.far.told(play="late", first=True, every=4, seconds=8)
        _, port = site.serve()
        wait_until(site.settled, "every hand-over ended")
        uncertain = [each for each, state in site.ids.items() if state == "uncertain"]
        assert len(uncertain) == 1
        assert site.asked() == set(uncertain)
        assert call_back(port, uncertain[0]) == 200
        assert site.states == {"sent": 3, "delivered": 1}
        assert site.asked() == set(), "nobody needs to look any more"
        assert site.far.taken == dict.fromkeys(ids, 1)


def test_e2_a_receipt_of_the_centre_settles_what_was_never_answered() -> None:
    with a_centre(in_turn(accept, silent)) as peer:  # of two parts the second is never answered
        services, transport, clock = over_smpp(peer)
        try:
            bind(services)
            send_due(services, "worker")
            assert the_plan(services).state is State.UNCERTAIN
            assert len(peer.submitted) == 2
            for number, reference in enumerate(peer.references(), 1):
                assert reference is not None
                told = receipt(
                    str(number), "DELIVRD", "000", (Tag.USER_MESSAGE_REFERENCE, reference.to_bytes(2, "big"))
                )
                assert peer.line.status_of(peer.line.deliver(told)) == 0

            def settled() -> bool:
                after_pass(services)
                return the_plan(services).state is State.DELIVERED

            wait_until(settled, "the receipts settle it")
            clock.forward(hours=3)
            submitted = len(peer.submitted)
            send_due(services, "worker")
            assert len(peer.submitted) == submitted, "nothing is repeated"
        finally:
            transport.close()


def holds(found: Figures, capfd: pytest.CaptureFixture[str]) -> None:
    with capfd.disabled():
        print(f"\nseed {SEED}: {found.line()}")
    assert (found.lost, found.doubled) == (0, 0), found


@pytest.mark.parametrize("workers", [2, 8])
def test_e3_killed_between_hand_over_and_outcome_loses_nothing_and_doubles_only_what_is_uncertain(
    database_url: str, tmp_path: Path, workers: int, capfd: pytest.CaptureFixture[str]
) -> None:
    """With those of A7 and E4 more than a thousand kills over the suite; it ends with their number."""
    holds(killed(tmp_path, database_url, kills=size(f"E3 kills of one of {workers}"), workers=workers), capfd)


def test_e4_where_keys_are_honoured_kills_leave_one_effect_each_and_nothing_uncertain(
    database_url: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    found = killed(tmp_path, database_url, kills=size("E4 kills"), workers=4, honour=True)
    holds(found, capfd)
    assert (found.left, found.twice) == (0, 0)


def test_e4_where_keys_are_honoured_a_lost_or_late_answer_leaves_one_effect_and_nothing_uncertain(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    url = on_sqlite(tmp_path)
    found = misbehaving(tmp_path, url, "drop,late", workers=2, messages=size("E4 messages"), honour=True)
    holds(found, capfd)
    assert (found.left, found.twice) == (0, 0)
    assert found.uncertain >= found.tries
