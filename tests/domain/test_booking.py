"""What is a person told of an appointment, by which words, and until when?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from builders import a_contact, the_pack
from hypothesis import given
from hypothesis import strategies as st

from service.domain.booking import Appointment, Booking, News, booking_message, booking_of, news_for, tells_truly
from service.domain.message import MessageKind, PlannedMessage

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
LONDON = ZoneInfo("Europe/London")
FIRST = (date(2026, 12, 10), time(10, 30))
LATER = (date(2026, 12, 17), time(14, 0))
moments = st.tuples(
    st.dates(date(2026, 1, 1), date(2030, 1, 1)), st.times().map(lambda at: at.replace(second=0, microsecond=0))
)


@pytest.mark.parametrize(
    ("told", "booked", "news"),
    [
        (None, FIRST, News.BOOKED),
        (FIRST, LATER, News.MOVED),
        (FIRST, (FIRST[0], time(11, 0)), News.MOVED),
        (FIRST, None, News.CANCELLED),
        (FIRST, FIRST, None),
        (None, None, None),
    ],
)
def test_what_counts_is_what_the_person_knows(
    told: Appointment | None, booked: Appointment | None, news: News | None
) -> None:
    assert news_for(told, booked) is news


@given(sequence=st.integers(0, 10_000), news=st.sampled_from(News), appointment=moments)
def test_the_key_holds_all_that_the_words_need(sequence: int, news: News, appointment: Appointment) -> None:
    booking = Booking(sequence=sequence, news=news, appointment=None if news is News.CANCELLED else appointment)
    assert booking_of(booking.key) == booking
    assert tells_truly(booking.key, booking.appointment)
    assert not tells_truly(booking.key, (appointment[0] + timedelta(days=1), appointment[1]))


def test_each_news_has_its_sentence_and_its_values() -> None:
    pack = the_pack()
    for news in News:
        booking = Booking(sequence=1, news=news, appointment=None if news is News.CANCELLED else FIRST)
        assert {booking.unit, f"{booking.unit}-guardian"} <= pack.wording.keys()
        assert booking.values == ({} if news is News.CANCELLED else {"date": "2026-12-10", "time": "10:30"})


@pytest.mark.parametrize(
    "key",
    ["appointment/2026-12-10/5", "booking", "booking/1/moved", "booking/1/cancelled/2026-12-10T10:30", "booking/x/y"],
)
def test_another_key_is_no_news(key: str) -> None:
    with pytest.raises(ValueError, match=r"booking|invalid|valid|news"):
        booking_of(key)


def message(about: Appointment, *, by_letter: bool = False, now: datetime = NOW) -> PlannedMessage | None:
    booking = Booking(sequence=0, news=News.BOOKED, appointment=about)
    return booking_message(
        booking, about, a_contact(zone="America/New_York"), the_pack().timing, LONDON, by_letter=by_letter, now=now
    )


def test_the_news_goes_at_once_and_helps_for_two_days() -> None:
    found = message(FIRST)
    assert found is not None
    assert (found.kind, found.due, found.earliest) == (MessageKind.BOOKING, NOW, NOW)
    assert found.last_useful == NOW + timedelta(minutes=the_pack().timing.useful_minutes["booking"])
    assert (found.wall, found.zone) == ("2026-11-25T05:00", "America/New_York")


def test_the_news_never_comes_after_the_appointment_whose_clock_is_the_clinics() -> None:
    found = message((date(2026, 11, 25), time(15, 0)))
    assert found is not None
    assert found.last_useful == datetime(2026, 11, 25, 15, 0, tzinfo=UTC)  # London has no offset in November
    assert message((date(2026, 11, 25), time(10, 0))) is None


def test_a_letter_must_be_in_the_post_some_days_before() -> None:
    post = the_pack().timing.post_days
    found = message((date(2026, 11, 29), time(10, 30)), by_letter=True)
    assert found is not None
    assert found.last_useful == datetime(2026, 11, 29 - post, 10, 30, tzinfo=UTC)
    assert message((date(2026, 11, 27), time(10, 30)), by_letter=True) is None
    assert message((date(2026, 11, 27), time(10, 30))) is not None
