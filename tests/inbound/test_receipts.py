"""Receipts in any order, any number of times, about anything."""

from __future__ import annotations

import itertools
from datetime import timedelta

import pytest
from builders import StoppedClock
from hypothesis import given, settings
from hypothesis import strategies as st
from inbound.sent import World

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, ReportState, State
from service.domain.sending import Reason
from service.inbound.receipts import KEPT_FOR, MOST_LOOKED_AT, TURN, Taken, apply_kept, take_report

FAILED, DELIVERED, UNDERWAY = ReportState.FAILED, ReportState.DELIVERED, ReportState.UNDERWAY


def a_report(
    state: ReportState, *, key: str | None = None, reference: str | None = None, bad: bool = False, **changes: object
) -> DeliveryReport:
    values: dict[str, object] = {"channel": Channel.TEXT, "at": StoppedClock().now(), "detail": f"receipt {state}"}
    return DeliveryReport(state=state, key=key, reference=reference, contact_bad=bad, **(values | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("before", "report", "after", "reasons"),
    [
        (State.SENT, DELIVERED, State.DELIVERED, []),
        (State.UNCERTAIN, DELIVERED, State.DELIVERED, []),  # it did arrive: nobody has to look any more
        (State.SENT, FAILED, State.FAILED, [Reason.REFUSED]),
        (State.UNCERTAIN, FAILED, State.FAILED, [Reason.REFUSED]),
        (State.SENT, UNDERWAY, State.SENT, []),
        (State.UNCERTAIN, UNDERWAY, State.UNCERTAIN, []),
        (State.DELIVERED, DELIVERED, State.DELIVERED, []),
        (State.DELIVERED, UNDERWAY, State.DELIVERED, []),
        (State.DELIVERED, FAILED, State.DELIVERED, ["late-bounce"]),  # a delivered text does not come back
        (State.FAILED, DELIVERED, State.FAILED, []),  # a person looks at it already
        (State.DROPPED, DELIVERED, State.DROPPED, []),
    ],
)
def test_a_receipt_moves_a_text_only_where_it_may(
    before: State, report: ReportState, after: State, reasons: list[str]
) -> None:
    world = World(Channel.TEXT)
    world.set(state=before.value)
    assert take_report(world.services, a_report(report, key=world.message_id)) is Taken.APPLIED
    assert world.message.state is after
    assert world.reasons() == reasons
    if report is FAILED and after is State.FAILED:
        assert world.message.reason == Reason.REFUSED


@pytest.mark.parametrize(
    ("channels", "late_by", "after"),
    [
        ((Channel.TEXT, Channel.LETTER), 0, State.PENDING),
        ((Channel.TEXT, Channel.LETTER), 1, State.PENDING),  # a letter helps for longer than the text would have
        ((Channel.TEXT, Channel.EMAIL), 1, State.FAILED),
        ((Channel.TEXT, Channel.EMAIL, Channel.LETTER), 1, State.FAILED),  # the mail comes first, and helps no more
        ((Channel.TEXT, Channel.LETTER), 60 * 24 * 30, State.FAILED),
    ],
)
def test_what_a_late_failure_sends_elsewhere_is_judged_by_the_channel_that_follows(
    channels: tuple[Channel, ...], late_by: int, after: State
) -> None:
    world = World(Channel.TEXT, channels=channels)
    world.clock.at = world.message.planned.last_useful + timedelta(minutes=late_by)
    take_report(world.services, a_report(FAILED, key=world.message_id))
    assert world.message.state is after
    assert world.reasons() == ([Reason.REFUSED] if after is State.FAILED else [])
    if after is State.PENDING:  # and so it is made as a letter, not dropped as too late
        world.send()
        assert (world.message.state, world.message.channel) == (State.SENT, Channel.LETTER)


def test_a_mail_that_was_delivered_and_came_back_has_failed_and_is_shown() -> None:
    world = World(Channel.EMAIL)
    for state in (DELIVERED, FAILED):
        take_report(world.services, a_report(state, key=world.message_id, channel=Channel.EMAIL))
    assert world.message.state is State.FAILED
    assert world.reasons() == ["late-bounce"]


def test_a_receipt_takes_an_uncertain_message_off_the_attention_list() -> None:
    world = World(Channel.TEXT)
    world.set(state=State.UNCERTAIN.value)
    with world.services.open_work() as work:
        work.ledger.ask(world.person, "uncertain", world.clock.now(), message_id=world.message_id)
        work.commit()
    take_report(world.services, a_report(DELIVERED, key=world.message_id))
    assert world.reasons() == []


def test_a_repeat_is_known_and_changes_nothing() -> None:
    world = World(Channel.TEXT)
    report = a_report(FAILED, key=world.message_id)
    assert [take_report(world.services, report) for _ in range(3)] == [Taken.APPLIED, Taken.REPEATED, Taken.REPEATED]
    assert world.reasons() == [Reason.REFUSED]


def test_a_failure_after_its_entry_was_done_opens_the_entry_again() -> None:
    world = World(Channel.TEXT)
    with world.services.open_work() as work:
        work.ledger.ask(world.person, Reason.REFUSED, world.clock.now(), message_id=world.message_id)
        work.ledger.attention_done(work.ledger.attention()[0].id, "desk", world.clock.now())
        work.commit()
    take_report(world.services, a_report(FAILED, key=world.message_id))
    assert world.reasons() == [Reason.REFUSED]


def test_a_receipt_is_matched_by_the_far_sides_name_for_one_part_of_a_long_text() -> None:
    world = World(Channel.TEXT)
    world.set(reference="a1,b2_,c3")
    assert take_report(world.services, a_report(DELIVERED, reference="b2_")) is Taken.APPLIED
    assert take_report(world.services, a_report(DELIVERED, reference="b2x")) is Taken.KEPT, "_ is no wildcard"
    take_report(world.services, a_report(DELIVERED, reference="c3"))
    assert world.message.state is State.SENT, "one part is still out"
    take_report(world.services, a_report(DELIVERED, reference="a1"))
    assert world.message.state is State.DELIVERED


def test_one_lost_part_of_a_long_text_fails_the_text() -> None:
    world = World(Channel.TEXT)
    world.set(reference="a1,b2")
    take_report(world.services, a_report(DELIVERED, reference="a1"))
    take_report(world.services, a_report(FAILED, reference="b2"))
    assert world.message.state is State.FAILED


def test_a_receipt_for_another_channel_is_not_ours() -> None:
    world = World(Channel.TEXT)
    world.set(reference="a1")
    assert take_report(world.services, a_report(DELIVERED, reference="a1", channel=Channel.EMAIL)) is Taken.KEPT
    assert world.message.state is State.SENT


def test_a_name_that_the_far_side_used_twice_marks_neither_message() -> None:
    world = World(Channel.TEXT)
    other = next(m for m in world.messages() if m.id != world.message_id)
    world.set(reference="a1")
    first, world.message_id = world.message_id, other.id
    world.set(reference="a1", channel="text", state=State.SENT.value)
    assert take_report(world.services, a_report(DELIVERED, reference="a1")) is Taken.KEPT
    world.message_id = first
    assert world.message.state is State.SENT


@pytest.mark.parametrize("state", [State.PENDING, State.CLAIMED, State.HANDING])
def test_a_receipt_that_outruns_the_answer_waits_for_it(state: State) -> None:
    world = World(Channel.TEXT)
    world.set(state=state.value, reference=None, attempts=int(state is State.HANDING))
    assert take_report(world.services, a_report(DELIVERED, reference="early")) is Taken.KEPT
    assert take_report(world.services, a_report(DELIVERED, key=world.message_id, reference="x")) is Taken.KEPT
    assert apply_kept(world.services) == 0
    assert world.message.state is state, "the hand-over is its worker's to record"
    world.set(state=State.SENT.value, reference="early")
    assert apply_kept(world.services) == 2
    assert world.message.state is State.DELIVERED
    assert apply_kept(world.services) == 0


def test_a_receipt_about_nothing_is_counted_and_given_up_in_the_end() -> None:
    world = World(Channel.TEXT)
    assert take_report(world.services, a_report(FAILED, key="f" * 32, bad=True)) is Taken.KEPT
    assert take_report(world.services, a_report(FAILED)) is Taken.KEPT
    with world.services.open_reading() as work:
        assert work.inbound.unknown_count() == 2
    assert world.reasons() == []
    world.clock.forward(seconds=(KEPT_FOR + timedelta(days=1)).total_seconds())
    world.set(reference="late")
    assert apply_kept(world.services) == 0


def test_however_many_receipts_fit_nothing_every_other_one_has_its_turn() -> None:
    world = World(Channel.TEXT)

    def keep(start: int, number: int) -> None:
        with world.services.open_work() as work:
            for each in range(start, start + number):
                assert work.inbound.keep_report(a_report(DELIVERED, reference=f"r{each}"), world.clock.now())
            work.commit()

    keep(0, MOST_LOOKED_AT + 100)
    take_report(world.services, a_report(DELIVERED, reference="ours"))
    keep(10_000, MOST_LOOKED_AT + 100)
    world.set(reference="ours")
    rounds = [apply_kept(world.services) for _ in range(3)]
    assert sum(rounds) == 1 and world.message.state is State.DELIVERED
    with world.services.open_reading() as work:
        assert (work.ledger.fact(TURN) is None) == (len(rounds) % 2 == 0), "the turn began anew after two rounds"


def test_a_number_that_is_no_good_is_one_thing_to_do_however_many_messages_say_so() -> None:
    world = World(Channel.TEXT)
    take_report(world.services, a_report(FAILED, key=world.message_id, bad=True))
    take_report(world.services, a_report(FAILED, key=world.message_id, reference="again", bad=True))
    assert sorted(world.reasons()) == ["contact-invalid", Reason.REFUSED]


def test_every_receipt_about_a_message_is_on_record() -> None:
    world = World(Channel.TEXT)
    for state in (UNDERWAY, DELIVERED, FAILED):
        take_report(world.services, a_report(state, key=world.message_id))
    with world.services.open_reading() as work:
        assert [each.report.state for each in work.inbound.reports_of(world.message_id)] == [
            UNDERWAY,
            DELIVERED,
            FAILED,
        ]


def test_in_whatever_order_receipts_come_a_loss_is_never_silent() -> None:
    for order in itertools.permutations([UNDERWAY, DELIVERED, FAILED]):
        for channel in (Channel.TEXT, Channel.EMAIL):
            world = World(channel)
            for state in order:
                take_report(world.services, a_report(state, key=world.message_id, channel=channel))
            assert world.reasons(), f"{channel}: {order}"
            expected = State.FAILED
            if channel is Channel.TEXT and order.index(DELIVERED) < order.index(FAILED):
                expected = State.DELIVERED
            assert world.message.state is expected


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(ReportState), st.sampled_from(["a", "b", "a,b", "", "%"]), st.booleans()), max_size=8
    )
)
def test_no_run_of_receipts_takes_a_message_out_of_a_final_state(
    run: list[tuple[ReportState, str, bool]],
) -> None:
    world = World(Channel.TEXT)
    world.set(reference="a,b")
    states = [world.message.state]
    for state, reference, keyed in run:
        take_report(
            world.services, a_report(state, reference=reference or None, key=world.message_id if keyed else None)
        )
        states.append(world.message.state)
    assert set(states) <= {State.SENT, State.DELIVERED, State.FAILED}
    changes = [each for each, _ in itertools.groupby(states)]
    assert len(changes) <= 2, "sent, then one end"
    if changes[-1] is State.FAILED:
        assert world.reasons()
