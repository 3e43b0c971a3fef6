"""What is to do today: days, zones, marks, and where a course stands."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest
from builders import a_contact

from service.domain.contact import Contact, Rhythm
from service.domain.pack import Moment, Phase, Purpose, StepKind
from service.domain.plan import Course, Plan, Step
from service.domain.visit import Ears
from service.errors import ContactError
from service.messages.today import Stand, Today, what_today

BEDTIME = (Moment.BEDTIME,)
TWICE = (Moment.MORNING, Moment.BEDTIME)


def a_course(
    ears: Ears = Ears.RIGHT,
    *,
    days: int = 5,
    moments: tuple[Moment, ...] = BEDTIME,
    first: date = date(2026, 11, 25),
    every: int = 1,
    alternate: bool = False,
    agent: str = "olive-oil",
    drops: int = 3,
) -> Course:
    return Course(
        agent=agent,
        purpose=Purpose.SOFTEN,
        regimen="any",
        ears=ears,
        drops=drops,
        lie_minutes=5,
        phases=(Phase(days=days, moments=moments, every=every),),
        first_day=first,
        alternate=alternate,
    )


def a_plan(*courses: Course) -> Plan:
    steps = tuple(
        Step(id=f"s{n}", kind=StepKind.INSTIL, ears=c.ears, phrases=(), picture="drops-in", because=(), course=c)
        for n, c in enumerate(courses)
    )
    return Plan(on=date(2026, 11, 25), pack="1", ears={}, steps=steps, signs=())


GIVEN = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)


def today(
    *courses: Course,
    now: datetime = GIVEN,
    contact: Contact | None = None,
    marks: tuple[str, ...] = (),
    given: datetime = GIVEN,
) -> Today:
    return what_today(a_plan(*courses), contact or a_contact(), marks, now, given=given)


def test_a_dose_of_today_says_how_many_drops_which_ear_and_when() -> None:
    found = today(a_course())
    (dose,) = found.doses
    (part,) = dose.parts
    assert (part.drops, part.ears, part.agent) == (3, Ears.RIGHT, "olive-oil")
    assert dose.key == "2026-11-25T21:30"
    assert dose.moment is Moment.BEDTIME
    assert dose.mark is None
    assert found.stand is Stand.RUNNING


def test_a_dose_before_the_visit_ended_is_not_asked_for() -> None:
    found = today(a_course(moments=TWICE))
    assert [dose.moment for dose in found.doses] == [Moment.BEDTIME]


def test_the_next_dose_is_the_first_of_a_later_day() -> None:
    found = today(a_course(moments=TWICE))
    assert found.next is not None
    assert found.next.key == "2026-11-26T08:00"


def test_a_day_between_two_dose_days_has_none_and_names_the_next() -> None:
    found = today(a_course(every=3), now=datetime(2026, 11, 26, 10, 0, tzinfo=UTC))
    assert found.doses == ()
    assert found.stand is Stand.RUNNING
    assert found.next is not None
    assert found.next.wall.date() == date(2026, 11, 28)


def test_a_course_that_has_not_begun_says_so() -> None:
    found = today(a_course(first=date(2026, 12, 1)))
    assert (found.stand, found.doses) == (Stand.NOT_BEGUN, ())
    assert found.next is not None
    assert found.next.wall.date() == date(2026, 12, 1)


def test_a_course_that_is_over_has_nothing_next() -> None:
    found = today(a_course(days=2), now=datetime(2026, 11, 27, 0, 5, tzinfo=UTC))
    assert (found.stand, found.doses, found.next) == (Stand.OVER, (), None)


def test_a_plan_without_drops_says_so() -> None:
    assert today().stand is Stand.NO_COURSE


def test_alternate_ears_take_turns_day_by_day() -> None:
    course = a_course(Ears.BOTH, alternate=True)
    turns = [
        today(course, now=datetime(2026, 11, day, 12, 0, tzinfo=UTC)).doses[0].parts[0].ears for day in (25, 26, 27)
    ]
    assert turns == [Ears.RIGHT, Ears.LEFT, Ears.RIGHT]


def test_two_courses_at_one_moment_are_one_thing_to_do_right_ear_first() -> None:
    found = today(a_course(Ears.LEFT, agent="almond-oil", drops=2), a_course(Ears.RIGHT))
    (dose,) = found.doses
    assert [(part.ears, part.drops) for part in dose.parts] == [(Ears.RIGHT, 3), (Ears.LEFT, 2)]


@pytest.mark.parametrize(
    ("now", "on"),
    [
        (datetime(2026, 11, 26, 4, 59, tzinfo=UTC), date(2026, 11, 25)),  # still the evening before in New York
        (datetime(2026, 11, 26, 5, 0, tzinfo=UTC), date(2026, 11, 26)),
    ],
)
def test_today_is_the_day_where_the_person_is(now: datetime, on: date) -> None:
    found = today(a_course(), contact=a_contact(zone="America/New_York"), now=now)
    assert found.on == on
    assert [dose.wall.date() for dose in found.doses] == [on]


def test_on_the_day_that_clocks_go_forward_the_dose_shows_the_time_on_the_clock() -> None:
    night_owl = a_contact(rhythm=Rhythm(morning=time(1, 30), midday=time(13), evening=time(18), bedtime=time(21, 30)))
    course = a_course(moments=TWICE, first=date(2027, 3, 28))
    found = today(course, contact=night_owl, now=datetime(2027, 3, 28, 10, 0, tzinfo=UTC))
    assert [dose.key for dose in found.doses] == ["2027-03-28T02:30", "2027-03-28T21:30"]
    assert found.doses[1].at == datetime(2027, 3, 28, 20, 30, tzinfo=UTC)


def test_a_marked_dose_is_done_and_the_others_are_not() -> None:
    morning = datetime(2026, 11, 26, 6, 0, tzinfo=UTC)
    found = today(a_course(moments=TWICE), now=morning, marks=("2026-11-26T08:00", "2026-11-25T21:30"))
    assert [dose.mark for dose in found.doses] == ["2026-11-26T08:00", None]
    assert not found.all_done


def test_a_day_with_every_dose_marked_is_all_done() -> None:
    assert today(a_course(), marks=("2026-11-25T21:30",)).all_done


def test_a_day_without_doses_is_not_called_all_done() -> None:
    assert not today(a_course(first=date(2026, 12, 1))).all_done


def test_what_was_marked_stays_done_when_the_person_moves_their_times_later_that_day() -> None:
    early = a_contact(rhythm=Rhythm(morning=time(9), midday=time(13), evening=time(18), bedtime=time(22)))
    found = today(
        a_course(moments=TWICE),
        contact=early,
        now=datetime(2026, 11, 26, 10, 0, tzinfo=UTC),
        marks=("2026-11-26T08:00",),
    )
    assert [dose.mark for dose in found.doses] == ["2026-11-26T08:00", None]


def test_a_pause_is_told_while_it_lasts_and_does_not_take_doses_away() -> None:
    until = a_contact(paused_until=date(2026, 11, 25))
    assert today(a_course(), contact=until).paused_until == date(2026, 11, 25)
    assert len(today(a_course(), contact=until).doses) == 1
    tomorrow = datetime(2026, 11, 26, 10, 0, tzinfo=UTC)
    assert today(a_course(), contact=until, now=tomorrow).paused_until is None


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(ContactError, match="zone"):
        today(a_course(), contact=a_contact(zone="Mars/Olympus"))
