"""Until when a message helps that falls back to a letter."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from builders import a_contact, the_pack

from service.domain.letter_time import useful_by_letter
from service.domain.message import MessageKind, PlannedMessage

DUE = datetime(2026, 11, 25, 9, tzinfo=UTC)
TIMING = the_pack().timing


def planned(kind: MessageKind, key: str = "key") -> PlannedMessage:
    return PlannedMessage(
        key=key,
        kind=kind,
        due=DUE,
        earliest=DUE,
        last_useful=DUE + timedelta(minutes=30),
        wall="2026-11-25T09:00",
        zone="Europe/London",
    )


def test_a_kind_that_may_be_posted_has_a_letters_time() -> None:
    found = useful_by_letter(planned(MessageKind.PLAN_GIVEN), a_contact(), TIMING)
    assert found == DUE + timedelta(minutes=TIMING.useful_minutes_by_letter["plan-given"])


@pytest.mark.parametrize("kind", [MessageKind.DOSE, MessageKind.CHECK_IN, MessageKind.BOOKING])
def test_others_keep_their_own(kind: MessageKind) -> None:
    assert useful_by_letter(planned(kind), a_contact(), TIMING) is None


def test_a_reminder_of_an_appointment_must_be_in_the_post_in_time() -> None:
    contact = a_contact()
    soon = DUE.date() + timedelta(days=TIMING.post_days + 1)
    found = useful_by_letter(planned(MessageKind.APPOINTMENT, f"appointment/{soon}/2"), contact, TIMING)
    morning = datetime.combine(DUE.date() + timedelta(days=1), contact.rhythm.morning, tzinfo=UTC)  # London, in winter
    assert found == min(morning, DUE + timedelta(minutes=TIMING.useful_minutes_by_letter["appointment"]))


def test_where_the_post_comes_too_late_it_goes_no_more() -> None:
    tomorrow = DUE.date() + timedelta(days=1)
    assert useful_by_letter(planned(MessageKind.APPOINTMENT, f"appointment/{tomorrow}/1"), a_contact(), TIMING) == DUE
