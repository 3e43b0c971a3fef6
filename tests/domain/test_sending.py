"""May this message go now, later, or never, and for which reason?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from builders import a_clinic, a_contact
from hypothesis import given
from hypothesis import strategies as st

from service.domain.contact import Channel, Contact
from service.domain.message import MessageKind, PlannedMessage
from service.domain.plan import Status
from service.domain.sending import (
    AT_ANY_HOUR,
    CHANNELS,
    LABELS,
    NEEDS_A_PERSON,
    Decision,
    Drop,
    Hold,
    Reason,
    Send,
    decide,
    pick_channel,
    retry_at,
)
from service.domain.wall_clock import in_window

DUE = datetime(2026, 11, 25, 13, 0, tzinfo=UTC)


def a_message(
    kind: MessageKind = MessageKind.DOSE,
    *,
    due: datetime = DUE,
    useful: timedelta = timedelta(minutes=90),
    zone: str = "Europe/London",
) -> PlannedMessage:
    return PlannedMessage(
        key="key",
        kind=kind,
        due=due,
        earliest=due,
        last_useful=due + useful,
        wall=due.astimezone(ZoneInfo(zone)).replace(tzinfo=None).isoformat(timespec="minutes"),
        zone=zone,
    )


@dataclass(frozen=True, kw_only=True)
class Case:
    """One row of the decision table; what it leaves out is an ordinary dose reminder at its due moment."""

    name: str
    expected: Decision
    kind: MessageKind = MessageKind.DOSE
    useful: timedelta = timedelta(minutes=90)
    due: datetime = DUE
    now: datetime = DUE
    contact: Callable[[], Contact] = a_contact
    status: Status = Status.ACTIVE
    superseded: bool = False


NIGHT = datetime(2026, 11, 25, 23, 0, tzinfo=UTC)
MORNING = datetime(2026, 11, 26, 7, 0, tzinfo=UTC)
TEXT = Send(channel=Channel.TEXT)


def paused(until: date) -> Callable[[], Contact]:
    return lambda: a_contact(paused_until=until)


TABLE = [
    Case(name="goes at its moment", expected=TEXT),
    Case(name="goes at its last useful moment", now=DUE + timedelta(minutes=90), expected=TEXT),
    Case(name="not yet", now=DUE - timedelta(seconds=1), expected=Hold(until=DUE, reason=Reason.NOT_YET)),
    Case(name="too late", now=DUE + timedelta(minutes=91), expected=Drop(reason=Reason.TOO_LATE)),
    Case(
        name="quiet hours, still useful in the morning",
        kind=MessageKind.PLAN_GIVEN,
        due=NIGHT,
        now=NIGHT,
        useful=timedelta(days=1),
        expected=Hold(until=MORNING, reason=Reason.QUIET_HOURS),
    ),
    Case(
        name="quiet hours, useless in the morning",
        due=NIGHT,
        now=NIGHT,
        expected=Drop(reason=Reason.QUIET_HOURS),
    ),
    Case(
        name="urgent advice ignores quiet hours",
        kind=MessageKind.URGENT,
        due=NIGHT,
        now=NIGHT,
        expected=TEXT,
    ),
    Case(
        name="a letter wakes nobody",
        kind=MessageKind.PLAN_GIVEN,
        due=NIGHT,
        now=NIGHT,
        contact=lambda: a_contact(channels=(Channel.LETTER,)),
        expected=Send(channel=Channel.LETTER),
    ),
    Case(
        name="paused, still useful afterwards",
        kind=MessageKind.RETURN_DUE,
        useful=timedelta(days=3),
        contact=paused(date(2026, 11, 26)),
        expected=Hold(until=datetime(2026, 11, 27, 0, 0, tzinfo=UTC), reason=Reason.PAUSED),
    ),
    Case(name="paused for too long", contact=paused(date(2026, 11, 25)), expected=Drop(reason=Reason.PAUSED)),
    Case(name="the pause is over", contact=paused(date(2026, 11, 24)), expected=TEXT),
    Case(
        name="urgent advice ignores a pause",
        kind=MessageKind.URGENT,
        contact=paused(date(2026, 12, 24)),
        expected=TEXT,
    ),
    Case(
        name="the person has left",
        contact=lambda: a_contact(left=date(2026, 11, 20)),
        expected=Drop(reason=Reason.PERSON_LEFT),
    ),
    Case(name="the plan was withdrawn", status=Status.REVOKED, expected=Drop(reason=Reason.PLAN_REVOKED)),
    Case(name="the plan was never given", status=Status.DRAFT, expected=Drop(reason=Reason.PLAN_REVOKED)),
    Case(name="the plan has ended", status=Status.COMPLETED, expected=Drop(reason=Reason.PLAN_OVER)),
    Case(
        name="an ended plan still brings the person back",
        kind=MessageKind.RETURN_DUE,
        status=Status.COMPLETED,
        expected=TEXT,
    ),
    Case(
        name="the plan is on hold: asked again after the last useful moment, and dropped then",
        status=Status.ON_HOLD,
        expected=Hold(until=DUE + timedelta(minutes=90, seconds=1), reason=Reason.PLAN_ON_HOLD),
    ),
    Case(name="a newer plan took its place", superseded=True, expected=Drop(reason=Reason.SUPERSEDED)),
    Case(
        name="stopped on every channel",
        contact=lambda: a_contact(stopped=frozenset({Channel.TEXT, Channel.EMAIL})),
        expected=Drop(reason=Reason.STOPPED),
    ),
    Case(
        name="stopped on one channel: the next one carries it",
        contact=lambda: a_contact(stopped=frozenset({Channel.TEXT})),
        expected=Send(channel=Channel.EMAIL),
    ),
    Case(
        name="no agreed channel",
        contact=lambda: a_contact(channels=()),
        expected=Drop(reason=Reason.NO_CHANNEL),
    ),
    Case(
        name="agreed, but there is no address",
        contact=lambda: a_contact(phone=None, email=None),
        expected=Drop(reason=Reason.NO_CHANNEL),
    ),
    Case(
        name="a dose does not go by letter",
        contact=lambda: a_contact(channels=(Channel.LETTER,)),
        expected=Drop(reason=Reason.NO_CHANNEL),
    ),
]


@pytest.mark.parametrize("case", TABLE, ids=lambda case: case.name)
def test_one_message_has_one_answer_and_one_reason(case: Case) -> None:
    message = a_message(case.kind, due=case.due, useful=case.useful)
    found = decide(message, case.contact(), case.status, a_clinic(), superseded=case.superseded, now=case.now)
    assert found == case.expected


def test_every_reason_that_a_decision_can_have_is_in_the_table() -> None:
    later = {Reason.WORDING_NOT_APPROVED, Reason.REFUSED, Reason.GAVE_UP, Reason.FAULT}  # found while handing over
    seen = {case.expected.reason for case in TABLE if not isinstance(case.expected, Send)}
    assert seen == set(Reason) - later


def test_every_reason_has_a_label_for_staff() -> None:
    assert set(LABELS) == set(Reason)
    assert all(LABELS.values())


def test_what_nobody_can_deliver_goes_to_a_person() -> None:
    assert {Reason.NO_CHANNEL, Reason.WORDING_NOT_APPROVED, Reason.REFUSED, Reason.GAVE_UP} <= NEEDS_A_PERSON


def test_every_kind_of_message_can_go_by_at_least_one_channel() -> None:
    assert set(CHANNELS) == set(MessageKind)
    assert all(CHANNELS.values())


def test_the_channel_that_the_person_prefers_is_used_first() -> None:
    assert pick_channel(MessageKind.DOSE, a_contact(channels=(Channel.EMAIL, Channel.TEXT))) is Channel.EMAIL


RETRIES = [
    # attempt, asked for by the next hop (s), spread, wait (s)
    (1, None, 0.0, 30),
    (2, None, 0.0, 60),
    (3, None, 0.0, 120),
    (6, None, 0.0, 960),
    (9, None, 0.0, 3600),  # never more than an hour
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
    assert retry_at(DUE, attempt, asked, spread) == DUE + timedelta(seconds=seconds)


zones = st.sampled_from(
    ["Europe/London", "Asia/Tokyo", "Australia/Lord_Howe", "America/St_Johns", "Pacific/Apia", "Africa/Cairo", "UTC"]
)
instants = st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC))  # noqa: DTZ001
windows = st.tuples(st.times(), st.times()).filter(lambda pair: pair[0] != pair[1])
kinds = st.sampled_from([kind for kind in MessageKind if kind not in AT_ANY_HOUR])


@given(zone=zones, now=instants, window=windows, kind=kinds, minutes=st.integers(0, 5000), ago=st.integers(0, 6000))
def test_nothing_but_urgent_advice_goes_in_quiet_hours_and_no_hold_outlives_its_use(
    zone: str, now: datetime, window: tuple[time, time], kind: MessageKind, minutes: int, ago: int
) -> None:
    message = a_message(kind, due=now - timedelta(minutes=ago), useful=timedelta(minutes=minutes), zone=zone)
    clinic = a_clinic(quiet_from=window[0], quiet_to=window[1])
    found = decide(message, a_contact(zone=zone), Status.ACTIVE, clinic, superseded=False, now=now)
    match found:
        case Send():
            assert not in_window(now.astimezone(ZoneInfo(zone)).time(), *window)
            assert now <= message.last_useful
        case Hold(until=until):
            assert now < until <= message.last_useful
            again = decide(message, a_contact(zone=zone), Status.ACTIVE, clinic, superseded=False, now=until)
            assert isinstance(again, Send)
        case Drop(reason=reason):
            assert reason in {Reason.TOO_LATE, Reason.QUIET_HOURS}


@given(zone=zones, now=instants, days=st.integers(-3, 3), hours=st.integers(0, 200))
def test_nothing_but_urgent_advice_goes_during_a_pause(zone: str, now: datetime, days: int, hours: int) -> None:
    local = now.astimezone(ZoneInfo(zone)).date()
    contact = a_contact(zone=zone, paused_until=local + timedelta(days=days))
    message = a_message(MessageKind.RETURN_DUE, due=now, useful=timedelta(hours=hours), zone=zone)
    found = decide(message, contact, Status.ACTIVE, a_clinic(), superseded=False, now=now)
    if days >= 0:
        assert not isinstance(found, Send)
    if isinstance(found, Hold):
        assert found.until <= message.last_useful
    urgent = a_message(MessageKind.URGENT, due=now, zone=zone)
    assert isinstance(decide(urgent, contact, Status.ACTIVE, a_clinic(), superseded=False, now=now), Send)
