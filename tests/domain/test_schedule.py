"""Which messages does a plan call for, and when, on the clock of the person?"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from builders import VISIT_DAY, a_contact, a_visit, an_ear, the_pack

from service.domain.build import build_plan
from service.domain.contact import Channel, Contact, ReminderLevel, Rhythm
from service.domain.message import MessageKind, PlannedMessage
from service.domain.pack import ClinicChoices
from service.domain.schedule import lay_out
from service.domain.visit import EarChoice, Ears, Side, Visit
from service.errors import ContactError

GIVEN = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def laid_out(
    visit: Visit,
    contact: Contact | None = None,
    *,
    given: datetime = GIVEN,
    appointment: tuple[date, time] | None = None,
) -> tuple[PlannedMessage, ...]:
    plan = build_plan(visit, the_pack(), ClinicChoices())
    return lay_out(plan, contact or a_contact(), the_pack().timing, given=given, appointment=appointment)


def of_kind(messages: tuple[PlannedMessage, ...], kind: MessageKind) -> list[PlannedMessage]:
    return [message for message in messages if message.kind is kind]


def walls(messages: tuple[PlannedMessage, ...], kind: MessageKind) -> list[str]:
    return [message.wall for message in of_kind(messages, kind)]


def test_a_softening_plan_calls_for_these_messages_at_these_times() -> None:
    messages = laid_out(a_visit())
    assert walls(messages, MessageKind.PLAN_GIVEN) == ["2026-11-25T10:00"]
    assert walls(messages, MessageKind.DOSE)[:4] == [  # from the next moment on: the morning has passed
        "2026-11-25T13:00",
        "2026-11-25T21:30",
        "2026-11-26T08:00",
        "2026-11-26T13:00",
    ]
    assert walls(messages, MessageKind.CHECK_IN) == ["2026-11-27T13:00"]  # day 2
    assert walls(messages, MessageKind.COURSE_END) == ["2026-11-30T08:00"]  # the morning after the last day
    assert walls(messages, MessageKind.RETURN_DUE) == ["2026-12-02T08:00"]  # half of a 14-day wait is over


def test_messages_come_in_order_and_every_key_is_its_own() -> None:
    messages = laid_out(a_visit(an_ear("wax-left"), an_ear("dry-skin")))
    assert list(messages) == sorted(messages, key=lambda message: (message.due, message.key))
    assert len({message.key for message in messages}) == len(messages)


def test_the_same_plan_laid_out_again_keeps_its_keys() -> None:
    assert [m.key for m in laid_out(a_visit())] == [m.key for m in laid_out(a_visit())]


def test_what_falls_on_one_moment_is_one_message_for_both_ears() -> None:
    visit = a_visit(an_ear("wax-left"), an_ear("wax-left"), choices={Side.LEFT: EarChoice(agent="docusate")})
    doses = of_kind(laid_out(visit), MessageKind.DOSE)
    assert len({dose.due for dose in doses}) == len(doses)
    bedtime = next(dose for dose in doses if dose.wall == "2026-11-25T21:30")
    assert {(part.agent, part.ears) for part in bedtime.parts} == {
        ("olive-oil", Ears.RIGHT),
        ("docusate", Ears.LEFT),
    }
    midday = next(dose for dose in doses if dose.wall == "2026-11-26T13:00")
    assert [part.agent for part in midday.parts] == ["olive-oil"]  # docusate is twice a day


def test_ears_that_take_turns_are_reminded_one_at_a_time() -> None:
    history = frozenset({"needs-hearing-both-sides"})
    doses = of_kind(laid_out(a_visit(an_ear("wax-left"), an_ear("wax-left"), history=history)), MessageKind.DOSE)
    by_day: dict[str, set[Ears]] = {}
    for dose in doses:
        by_day.setdefault(dose.wall[:10], set()).update(part.ears for part in dose.parts)
    assert list(by_day.values()) == [{Ears.RIGHT}, {Ears.LEFT}, {Ears.RIGHT}, {Ears.LEFT}, {Ears.RIGHT}]


def test_a_dose_reminder_is_useful_for_90_minutes_and_never_past_the_next_one() -> None:
    doses = of_kind(laid_out(a_visit()), MessageKind.DOSE)
    for dose in doses:
        assert dose.last_useful - dose.due == timedelta(minutes=90)
    crowded = a_contact(rhythm=Rhythm(morning=time(12), midday=time(12, 30), evening=time(13), bedtime=time(22)))
    doses = of_kind(laid_out(a_visit(), crowded), MessageKind.DOSE)
    for one, following in pairwise(doses):
        assert one.last_useful <= following.due


REMINDERS = [
    (ReminderLevel.EVERY_DOSE, 14),  # 3 times a day for 5 days, the first morning has passed
    (ReminderLevel.ONCE_A_DAY, 5),
    (ReminderLevel.NONE, 0),
]


@pytest.mark.parametrize(("level", "count"), REMINDERS)
def test_a_person_gets_as_many_dose_reminders_as_they_want(level: ReminderLevel, count: int) -> None:
    messages = laid_out(a_visit(), a_contact(reminders=level))
    assert len(of_kind(messages, MessageKind.DOSE)) == count
    assert of_kind(messages, MessageKind.CHECK_IN)  # the other messages stay


def test_urgent_advice_is_one_message_at_once_and_alone() -> None:
    (message,) = laid_out(a_visit(an_ear("sudden-hearing-loss"), an_ear("wax-left")))
    assert (message.kind, message.due) == (MessageKind.URGENT, GIVEN)
    assert message.last_useful == GIVEN + timedelta(days=1)


def test_the_person_is_reminded_by_their_own_clock() -> None:
    tokyo = laid_out(a_visit(), a_contact(zone="Asia/Tokyo"))
    first = of_kind(tokyo, MessageKind.DOSE)[0]
    assert first.wall == "2026-11-25T21:30"  # 10:00 in London is 19:00 in Tokyo
    assert first.due == datetime(2026, 11, 25, 12, 30, tzinfo=UTC)


def test_a_zone_that_is_not_known_is_refused() -> None:
    with pytest.raises(ContactError, match="is not a known time zone"):
        laid_out(a_visit(), a_contact(zone="Europe/Atlantis"))


CHANGES = [
    # zone, day of the change, hours from one evening to the next
    ("Europe/London", date(2026, 10, 25), 25),  # clocks go back
    ("Europe/London", date(2027, 3, 28), 23),  # clocks go forward
    ("Australia/Lord_Howe", date(2026, 10, 4), 23.5),  # half an hour forward
    ("Asia/Kolkata", date(2026, 10, 25), 24),  # no change
]


@pytest.mark.parametrize(("zone", "day", "hours"), CHANGES)
def test_the_evening_dose_keeps_its_time_on_the_wall_when_clocks_change(zone: str, day: date, hours: float) -> None:
    on = day - timedelta(days=2)
    visit = a_visit(on=on)
    given = datetime.combine(on, time(6), ZoneInfo(zone)).astimezone(UTC)
    doses = of_kind(laid_out(visit, a_contact(zone=zone), given=given), MessageKind.DOSE)
    evenings = {dose.wall[:10]: dose.due for dose in doses if dose.wall.endswith("T21:30")}
    before, after = evenings[(day - timedelta(days=1)).isoformat()], evenings[day.isoformat()]
    assert after - before == timedelta(hours=hours)


def test_a_booked_visit_is_reminded_5_days_and_1_day_before_and_nobody_is_asked_to_book() -> None:
    visit = a_visit(next_appointment=date(2026, 12, 9))
    messages = laid_out(visit, appointment=(date(2026, 12, 9), time(14, 15)))
    assert walls(messages, MessageKind.APPOINTMENT) == ["2026-12-04T08:00", "2026-12-08T08:00"]
    assert walls(messages, MessageKind.RETURN_DUE) == []


def test_a_reminder_whose_moment_has_passed_is_not_planned() -> None:
    visit = a_visit(next_appointment=date(2026, 11, 27))
    messages = laid_out(visit, appointment=(date(2026, 11, 27), time(9, 40)))
    assert walls(messages, MessageKind.APPOINTMENT) == ["2026-11-26T08:00"]
    assert all(message.due >= GIVEN for message in messages)


BY_LETTER = (Channel.LETTER,)


def test_a_letter_stays_useful_for_longer_than_a_text_says() -> None:
    posted = {message.key: message for message in laid_out(a_visit(), a_contact(channels=BY_LETTER))}
    texted = {message.key: message for message in laid_out(a_visit())}
    useful = {key: message.last_useful - message.due for key, message in posted.items()}
    assert useful["plan-given"] == timedelta(days=5), "a long weekend"
    assert useful["return-due"] == timedelta(days=7)
    assert all(useful[key] > texted[key].last_useful - texted[key].due for key in ("plan-given", "return-due"))
    assert posted["check-in"].last_useful == texted["check-in"].last_useful, "it never goes by letter"


def test_who_would_rather_have_a_text_is_sent_nothing_late_though_letters_are_agreed_to() -> None:
    both = laid_out(a_visit(), a_contact(channels=(Channel.TEXT, Channel.LETTER)))
    assert both == laid_out(a_visit())


def test_urgent_advice_by_letter_is_posted_within_the_day() -> None:
    (urgent,) = laid_out(a_visit(an_ear("sudden-hearing-loss")), a_contact(channels=BY_LETTER))
    assert urgent.last_useful - urgent.due == timedelta(days=1)


def test_a_letter_about_an_appointment_is_written_only_while_the_post_brings_it_in_time() -> None:
    visit = a_visit(next_appointment=date(2026, 12, 9))
    messages = laid_out(visit, a_contact(channels=BY_LETTER), appointment=(date(2026, 12, 9), time(14, 15)))
    (reminder,) = of_kind(messages, MessageKind.APPOINTMENT)
    assert reminder.wall == "2026-12-04T08:00", "5 days before; a letter of the day before would come too late"
    assert reminder.last_useful == datetime(2026, 12, 6, 8, 0, tzinfo=UTC), "3 days before it must be in the post"


def test_a_booking_too_late_for_an_ear_does_not_silence_its_return() -> None:
    visit = a_visit(an_ear("infection-suspected"), next_appointment=date(2027, 1, 20))
    messages = laid_out(visit, appointment=(date(2027, 1, 20), time(9)))
    assert walls(messages, MessageKind.RETURN_DUE) == ["2026-11-26T08:00"]
    assert len(walls(messages, MessageKind.APPOINTMENT)) == 2


def test_a_plan_without_a_return_asks_nobody_to_come_back() -> None:
    assert walls(laid_out(a_visit(an_ear("hard-wax-cleared"))), MessageKind.RETURN_DUE) == []


def test_two_courses_that_end_on_two_days_close_on_two_mornings() -> None:
    visit = a_visit(an_ear("wax-left"), an_ear("wax-left"), choices={Side.LEFT: EarChoice(agent="docusate")})
    assert walls(laid_out(visit), MessageKind.COURSE_END) == ["2026-11-27T08:00", "2026-11-30T08:00"]


def test_softening_for_a_booked_visit_reminds_only_in_the_days_before_it() -> None:
    visit = a_visit(next_appointment=VISIT_DAY + timedelta(days=30))
    days = {wall[:10] for wall in walls(laid_out(visit), MessageKind.DOSE)}
    assert days == {(VISIT_DAY + timedelta(days=25 + n)).isoformat() for n in range(5)}


def test_times_of_the_messages_are_on_the_persons_own_rhythm() -> None:
    early = a_contact(rhythm=Rhythm(morning=time(5, 45), midday=time(11, 30), evening=time(17), bedtime=time(19, 50)))
    messages = laid_out(a_visit(), early)
    assert {wall[11:] for wall in walls(messages, MessageKind.DOSE)} == {"05:45", "11:30", "19:50"}
    assert walls(messages, MessageKind.CHECK_IN) == ["2026-11-27T11:30"]
