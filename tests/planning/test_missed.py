"""Nobody came: the person goes back to the recall, once; and somebody who came without a record is closed by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from sqlalchemy import text

from service.delivery.dispatch import send_due
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.domain.recall import Recall, RecallState
from service.errors import NotAllowedError, NotFoundError
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.attention import MISSED, RETURN_SOON
from service.planning.missed import look_for_missed, record_attended, record_missed
from service.services import Services

FIRST = (date(2026, 12, 10), time(10, 30))


def given(person: str = "maud", **parts: object) -> tuple[Services, str, StoppedClock]:
    clock = StoppedClock()
    services, _ = a_service(clock=clock, **parts)  # type: ignore[arg-type]
    return services, plan_for(services, person), clock


def plan_for(services: Services, person: str) -> str:
    a_person(services, person)
    visit = a_visit(an_ear("mastoid-cavity"), next_appointment=FIRST[0], next_appointment_time=FIRST[1])
    return give(services, person, visit, by="nurse").id


def day(number: int, hour: int = 9) -> datetime:
    return datetime(2026, 12, number, hour, tzinfo=UTC)


def recall_of(services: Services, person: str = "maud") -> Recall:
    with services.open_reading() as work:
        found = work.recalls.newest_of(person)
    assert found is not None
    return found


def asked(services: Services) -> dict[str, str]:
    with services.open_reading() as work:
        return {entry.reason: entry.detail for entry in work.ledger.attention()}


def appointment(services: Services, plan: str) -> object:
    with services.open_reading() as work:
        return work.plans.get(plan).appointment


def invited(services: Services) -> set[str]:
    with services.open_reading() as work:
        found = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.RETURN_DUE]
    return {m.planned.key for m in found if m.state is State.PENDING and not m.superseded}


def test_a_missed_appointment_goes_back_to_the_recall_once() -> None:
    services, plan, clock = given()
    wait = services.pack.recall.missed_after_days
    assert recall_of(services).state is RecallState.BOOKED
    clock.at = day(10 + wait - 1, 23)
    assert look_for_missed(services) == 0
    clock.at = day(10 + wait, 1)
    assert look_for_missed(services) == 1
    assert (recall_of(services).state, recall_of(services).missed) == (RecallState.DUE, 1)
    assert appointment(services, plan) is None
    assert "2026-12-10 at 10:30" in asked(services)[MISSED]
    assert invited(services)
    assert look_for_missed(services) == 0
    assert recall_of(services).missed == 1


def test_an_ear_that_is_due_and_was_missed_is_one_question_until_somebody_says_that_nobody_came() -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    a_person(services)
    due = a_visit(an_ear("battery-removed"), next_appointment=date(2026, 11, 26), next_appointment_time=time(9))
    plan = give(services, "maud", due, by="nurse").id
    clock.forward(days=5)
    assert look_for_missed(services) == 1
    assert set(asked(services)) == {MISSED}, "whether they came is asked before anything else"
    other = a_service(clock=StoppedClock())[0]
    a_person(other)
    plan = give(other, "maud", due, by="nurse").id
    other.clock.forward(days=2)  # type: ignore[attr-defined]
    record_missed(other, plan, "desk")
    assert set(asked(other)) == {RETURN_SOON}


def test_nobody_is_told_that_a_missed_appointment_is_cancelled() -> None:
    services, _, clock = given()
    clock.at = day(14)
    look_for_missed(services)
    send_due(services, "worker")
    with services.open_reading() as work:
        assert not [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.BOOKING]


@pytest.mark.parametrize("after", [timedelta(hours=10), timedelta(days=1)])
def test_a_visit_on_the_day_or_after_it_is_no_miss(after: timedelta) -> None:
    services, plan, clock = given()
    clock.at = day(10, 0) + after
    urgent = give(services, "maud", a_visit(an_ear("sudden-hearing-loss"), on=clock.at.date()), by="nurse")
    assert urgent.plan.urgent, "it puts the earlier plan on hold and leaves its appointment"
    clock.at = day(20)
    assert look_for_missed(services) == 0
    assert appointment(services, plan) == FIRST


def test_a_visit_before_the_day_does_not_count() -> None:
    services, _, clock = given()
    clock.at = day(9)
    give(services, "maud", a_visit(an_ear("sudden-hearing-loss"), on=clock.at.date()), by="nurse")
    clock.at = day(20)
    assert look_for_missed(services) == 1


def test_a_plan_that_has_ended_has_no_missed_appointment() -> None:
    services, plan, clock = given()
    set_status(services, plan, Status.REVOKED, "nurse", "x")
    clock.at = day(20)
    assert look_for_missed(services) == 0


def test_an_appointment_that_was_moved_away_is_not_missed() -> None:
    services, plan, clock = given()
    clock.at = day(9)
    book(services, plan, (date(2026, 12, 22), time(9, 0)), "desk")
    clock.at = day(20)
    assert look_for_missed(services) == 0


def test_more_people_than_are_read_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.planning.missed.AT_ONCE", 2)
    services, _, clock = given()
    for number in range(4):
        plan_for(services, f"person-{number}")
    clock.at = day(9)
    give(services, "person-0", a_visit(an_ear("sudden-hearing-loss"), on=clock.at.date()), by="nurse")
    clock.at = day(11)
    give(services, "person-1", a_visit(an_ear("sudden-hearing-loss"), on=clock.at.date()), by="nurse")
    clock.at = day(20)
    assert look_for_missed(services) == 4


def test_who_came_is_closed_as_seen_and_not_invited_any_more() -> None:
    services, plan, clock = given()
    clock.at = day(11)
    record_attended(services, plan, "desk")
    assert recall_of(services).state is RecallState.SEEN
    assert (appointment(services, plan), invited(services), asked(services)) == (None, set(), {})
    clock.at = day(20)
    assert look_for_missed(services) == 0


def test_who_is_said_not_to_have_come_goes_back_at_once_and_nobody_is_asked_again() -> None:
    services, plan, clock = given()
    clock.at = day(11)
    record_missed(services, plan, "desk")
    assert (recall_of(services).state, recall_of(services).missed) == (RecallState.DUE, 1)
    assert MISSED not in asked(services)
    clock.at = day(20)
    assert look_for_missed(services) == 0


@pytest.mark.parametrize("say", [record_attended, record_missed])
def test_nothing_is_said_of_an_appointment_that_is_still_to_come_or_not_there(say) -> None:  # type: ignore[no-untyped-def]
    services, plan, clock = given()
    clock.at = day(10, 23)
    with pytest.raises(NotAllowedError, match="has passed"):
        say(services, plan, "desk")
    assert appointment(services, plan) == FIRST
    with pytest.raises(NotFoundError):
        say(services, "none", "desk")


def test_the_list_of_past_appointments_is_read_by_its_index() -> None:
    services, _, _ = given()
    with services.open_reading() as work:
        seen: list[str] = []
        session = work.plans._session
        plan = session.execute(
            text(
                "EXPLAIN QUERY PLAN SELECT id FROM plans WHERE appointment_on IS NOT NULL AND appointment_on <= :day "
                "AND status IN ('active', 'on-hold') ORDER BY appointment_on, id LIMIT 200"
            ),
            {"day": "2026-12-10"},
        )
        seen += [str(row[-1]) for row in plan]
    assert any("ix_plans_appointment_on" in line for line in seen), seen


def test_it_holds_on_both_databases(database_url: str) -> None:
    services, plan, clock = given(url=database_url)
    clock.at = day(20)
    assert look_for_missed(services) == 1
    assert appointment(services, plan) is None
    book(services, plan, (date(2026, 12, 30), time(9, 0)), "desk")
    assert recall_of(services).state is RecallState.BOOKED
