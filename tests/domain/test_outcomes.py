"""What follows when a message was handed over?"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.contact import Channel
from service.domain.message import MessageKind, Outcome, PlannedMessage, Result, State
from service.domain.outcomes import MOST_ATTEMPTS, REPEAT_AFTER, REPEATED, Next, Tries, after, repeat_at, retry_at
from service.domain.sending import CHANNELS, Reason

NOW = datetime(2026, 11, 25, 13, 0, tzinfo=UTC)


def a_message(
    kind: MessageKind = MessageKind.APPOINTMENT, *, useful: timedelta = timedelta(hours=10)
) -> PlannedMessage:
    return PlannedMessage(
        key="key",
        kind=kind,
        due=NOW,
        earliest=NOW,
        last_useful=NOW + useful,
        wall="2026-11-25T13:00",
        zone="Europe/London",
    )


def outcome(result: Result, retry_after: int | None = None) -> Outcome:
    return Outcome(result=result, detail="as the next hop said", retry_after=retry_after)


ONCE = Tries(channel=Channel.TEXT, attempts=1, key_since=NOW)
SHORT = timedelta(seconds=29)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One row: what it leaves out is an appointment's reminder, handed over by text once, at its due moment."""

    name: str
    result: Result
    expected: Next
    kind: MessageKind = MessageKind.APPOINTMENT
    useful: timedelta = timedelta(hours=10)
    tries: Tries = ONCE
    now: datetime = NOW
    retry_after: int | None = None


HALF_MINUTE = Next(state=State.PENDING, at=NOW + timedelta(seconds=30))
NEXT_CHANNEL = Next(state=State.PENDING, at=NOW, other_channel=True)
FOR_A_PERSON = Next(state=State.UNCERTAIN)
OTHERS = replace(ONCE, others=True)
KEYED = replace(ONCE, repeat_seconds=86_400)

TABLE = [
    Case(name="taken", result=Result.ACCEPTED, expected=Next(state=State.SENT)),
    Case(
        name="taken at last", result=Result.ACCEPTED, tries=replace(KEYED, repeats=4), expected=Next(state=State.SENT)
    ),
    Case(name="not taken now", result=Result.RETRY, expected=HALF_MINUTE),
    Case(name="not taken now, another channel is left", result=Result.RETRY, tries=OTHERS, expected=HALF_MINUTE),
    Case(
        name="not taken so often that another channel is better",
        result=Result.RETRY,
        tries=replace(OTHERS, attempts=MOST_ATTEMPTS),
        expected=NEXT_CHANNEL,
    ),
    Case(
        name="not taken ever so often, and there is no other channel",
        result=Result.RETRY,
        tries=replace(ONCE, attempts=50),
        expected=Next(state=State.PENDING, at=NOW + timedelta(hours=1)),
    ),
    Case(
        name="the far side asks for a pause",
        result=Result.RETRY,
        retry_after=1800,
        expected=Next(state=State.PENDING, at=NOW + timedelta(minutes=30)),
    ),
    Case(
        name="the far side asks for more than is left",
        result=Result.RETRY,
        retry_after=36_001,
        expected=Next(state=State.FAILED, reason=Reason.GAVE_UP),
    ),
    Case(
        name="the far side asks for more than is left, another channel carries it",
        result=Result.RETRY,
        retry_after=36_001,
        tries=OTHERS,
        expected=NEXT_CHANNEL,
    ),
    Case(
        name="too late for another attempt",
        result=Result.RETRY,
        useful=SHORT,
        expected=Next(state=State.FAILED, reason=Reason.GAVE_UP),
    ),
    Case(
        name="too late even for another channel",
        result=Result.RETRY,
        useful=SHORT,
        now=NOW + timedelta(seconds=30),
        tries=OTHERS,
        expected=Next(state=State.FAILED, reason=Reason.GAVE_UP),
    ),
    Case(name="refused for good", result=Result.REFUSED, expected=Next(state=State.FAILED, reason=Reason.REFUSED)),
    Case(name="refused for good by one channel", result=Result.REFUSED, tries=OTHERS, expected=NEXT_CHANNEL),
    Case(
        name="refused for good, too late for another channel",
        result=Result.REFUSED,
        useful=SHORT,
        now=NOW + timedelta(seconds=30),
        tries=OTHERS,
        expected=Next(state=State.FAILED, reason=Reason.REFUSED),
    ),
    Case(
        name="unknown: repeated once when no receipt came",
        result=Result.UNKNOWN,
        expected=Next(state=State.UNCERTAIN, at=NOW + REPEAT_AFTER[Channel.TEXT]),
    ),
    Case(
        name="unknown by mail: a bounce would have come by then",
        result=Result.UNKNOWN,
        tries=replace(ONCE, channel=Channel.EMAIL),
        expected=Next(state=State.UNCERTAIN, at=NOW + REPEAT_AFTER[Channel.EMAIL]),
    ),
    Case(
        name="unknown, another channel is left: still no second message by that",
        result=Result.UNKNOWN,
        tries=OTHERS,
        expected=Next(state=State.UNCERTAIN, at=NOW + REPEAT_AFTER[Channel.TEXT]),
    ),
    Case(name="unknown twice", result=Result.UNKNOWN, tries=replace(ONCE, repeats=1), expected=FOR_A_PERSON),
    Case(
        name="a dose by text of unknown outcome",
        result=Result.UNKNOWN,
        kind=MessageKind.DOSE,
        expected=FOR_A_PERSON,
    ),
    Case(
        name="a dose by mail of unknown outcome",
        result=Result.UNKNOWN,
        kind=MessageKind.DOSE,
        tries=replace(ONCE, channel=Channel.EMAIL),
        expected=FOR_A_PERSON,
    ),
    Case(
        name="a dose of unknown outcome where the far side knows a repeat",
        result=Result.UNKNOWN,
        kind=MessageKind.DOSE,
        tries=KEYED,
        expected=Next(state=State.UNCERTAIN, at=NOW + timedelta(seconds=30)),
    ),
    Case(
        name="a repeat that is refused says nothing of the first",
        result=Result.REFUSED,
        tries=replace(ONCE, repeats=1, others=True),
        expected=FOR_A_PERSON,
    ),
    Case(
        name="a known repeat that is not taken now waits as the far side asks",
        result=Result.RETRY,
        retry_after=1200,
        tries=replace(KEYED, repeats=1),
        expected=Next(state=State.UNCERTAIN, at=NOW + timedelta(minutes=20)),
    ),
    Case(
        name="unknown, and the far side asks for longer than a receipt takes",
        result=Result.UNKNOWN,
        retry_after=7200,
        expected=Next(state=State.UNCERTAIN, at=NOW + timedelta(hours=2)),
    ),
    Case(
        name="the far side no longer knows the key",
        result=Result.UNKNOWN,
        tries=replace(KEYED, key_since=NOW - timedelta(seconds=86_371)),
        expected=FOR_A_PERSON,
    ),
    Case(
        name="too late for a repeat",
        result=Result.UNKNOWN,
        useful=timedelta(minutes=59),
        expected=FOR_A_PERSON,
    ),
    Case(
        name="an appointment of unknown outcome whose text also says a dose",
        result=Result.UNKNOWN,
        tries=replace(ONCE, joined=(a_message(MessageKind.DOSE),)),
        expected=FOR_A_PERSON,
    ),
    Case(
        name="a known repeat whose text also says a dose that is over by then",
        result=Result.UNKNOWN,
        tries=replace(KEYED, joined=(a_message(MessageKind.DOSE, useful=SHORT),)),
        expected=FOR_A_PERSON,
    ),
    Case(
        name="a letter of unknown outcome",
        result=Result.UNKNOWN,
        kind=MessageKind.RETURN_DUE,
        tries=replace(ONCE, channel=Channel.LETTER),
        expected=FOR_A_PERSON,
    ),
]


@pytest.mark.parametrize("case", TABLE, ids=lambda case: case.name)
def test_one_outcome_has_one_consequence(case: Case) -> None:
    message = a_message(case.kind, useful=case.useful)
    assert after(message, case.tries, outcome(case.result, case.retry_after), now=case.now, spread=0.0) == case.expected


def test_a_person_is_asked_about_what_failed_and_about_what_nobody_knows_and_nothing_repeats() -> None:
    assert Next(state=State.FAILED, reason=Reason.REFUSED).needs_a_person
    assert Next(state=State.UNCERTAIN).needs_a_person
    assert not Next(state=State.UNCERTAIN, at=NOW).needs_a_person
    assert not Next(state=State.PENDING, at=NOW).needs_a_person
    assert not Next(state=State.SENT).needs_a_person


def test_no_dose_and_no_answer_is_ever_repeated_blindly() -> None:
    assert set(REPEATED) == set(REPEAT_AFTER)
    for channel, kinds in REPEATED.items():
        assert not kinds & {MessageKind.DOSE, MessageKind.REPLY}
        assert all(channel in CHANNELS[kind] for kind in kinds)


RETRIES = [
    # attempt, asked for by the next hop (s), spread, wait (s)
    (1, None, 0.0, 30),
    (2, None, 0.0, 60),
    (3, None, 0.0, 120),
    (6, None, 0.0, 960),
    (9, None, 0.0, 3600),  # never more than an hour
    (10_000, None, 0.0, 3600),
    (1, None, 1.0, 37.5),  # spread by up to a quarter
    (8, None, 1.0, 4500),
    (1, 120, 0.0, 120),  # never before the next hop's own wish
    (1, 10, 0.0, 30),  # and never sooner than our own wait
    (1, 86400, 0.5, 86400),
]


@pytest.mark.parametrize(("attempt", "asked", "spread", "seconds"), RETRIES)
def test_the_wait_before_another_attempt_doubles_up_to_an_hour(
    attempt: int, asked: int | None, spread: float, seconds: float
) -> None:
    assert retry_at(NOW, attempt, asked, spread) == NOW + timedelta(seconds=seconds)


messages = st.builds(
    a_message, st.sampled_from(list(MessageKind)), useful=st.integers(0, 300_000).map(lambda n: timedelta(seconds=n))
)
outcomes = st.builds(outcome, st.sampled_from(list(Result)), st.none() | st.integers(0, 500_000))
spreads = st.floats(0, 1)
tries = st.builds(
    Tries,
    channel=st.sampled_from(list(Channel)),
    attempts=st.integers(1, 200),
    key_since=st.integers(0, 100_000).map(lambda n: NOW - timedelta(seconds=n)),
    others=st.booleans(),
    repeat_seconds=st.sampled_from([0, 60, 3600, 86_400]),
    repeats=st.integers(0, 5),
    joined=st.lists(messages, max_size=3).map(tuple),
)


@given(message=messages, tried=tries, came=outcomes, spread=spreads, late=st.integers(0, 400_000))
def test_nothing_is_tried_again_or_repeated_after_its_last_useful_moment_or_before_the_far_side_allows_it(
    message: PlannedMessage, tried: Tries, came: Outcome, spread: float, late: int
) -> None:
    now = NOW + timedelta(seconds=late)
    follows = after(message, tried, came, now=now, spread=spread)
    assert (follows.state is State.SENT) == (came.result is Result.ACCEPTED)
    if follows.at is not None:
        assert now <= follows.at <= message.last_useful
        if not follows.other_channel:
            assert follows.at >= now + timedelta(seconds=came.retry_after or 0)
            assert follows.at > now
    if follows.state is State.PENDING:
        assert follows.at is not None, "or nobody would ever look again"
        assert came.result in (Result.RETRY, Result.REFUSED)
        assert tried.repeats == 0, "what may have gone out once is never handed over as if it had not"
    if follows.other_channel:
        assert tried.others
    if follows.state is State.FAILED:
        assert follows.reason in (Reason.REFUSED, Reason.GAVE_UP)
        assert came.result is not Result.UNKNOWN
    if came.result is Result.UNKNOWN:
        assert follows.state is State.UNCERTAIN


@given(message=messages, tried=tries, spread=spreads, asked=st.none() | st.integers(0, 500_000))
def test_a_repeat_is_known_by_its_key_or_is_the_only_one_of_a_harmless_kind(
    message: PlannedMessage, tried: Tries, spread: float, asked: int | None
) -> None:
    at = repeat_at(message, tried, now=NOW, spread=spread, retry_after=asked)
    if at is None:
        return
    said = [message, *tried.joined]
    assert all(at <= each.last_useful for each in said)
    if tried.repeat_seconds:
        assert at <= tried.key_since + timedelta(seconds=tried.repeat_seconds)
    else:
        assert tried.repeats == 0
        assert all(each.kind in REPEATED[tried.channel] for each in said)


@given(
    kind=st.sampled_from(list(MessageKind)),
    minutes=st.integers(0, 4320),
    channel=st.sampled_from(list(Channel)),
    spread=spreads,
)
def test_a_message_that_is_never_taken_ends_and_each_wait_is_longer_up_to_the_hour(
    kind: MessageKind, minutes: int, channel: Channel, spread: float
) -> None:
    message, now, attempts, waits = a_message(kind, useful=timedelta(minutes=minutes)), NOW, 1, []
    while True:
        tried = Tries(channel=channel, attempts=attempts, key_since=NOW)
        follows = after(message, tried, outcome(Result.RETRY), now=now, spread=spread)
        if follows.at is None:
            break
        waits.append(follows.at - now)
        now, attempts = follows.at, attempts + 1
    assert follows == Next(state=State.FAILED, reason=Reason.GAVE_UP)
    assert waits == sorted(waits)
    assert now <= message.last_useful
    assert message.last_useful - now < timedelta(minutes=75), "it was tried as long as it helped"
