"""The nightly round: weeks given out so that the answers fit, silence put before a person, older plans taken in."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from sqlalchemy import delete

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import MessageKind
from service.domain.recall import Answer, Recall, RecallState, monday
from service.errors import SolvingError
from service.ops.hourly import look_after
from service.planning import recall_round
from service.planning.aftercare import give
from service.planning.people import mark_died
from service.planning.recall_settings import save_settings, settings_now
from service.planning.recalling import answer_in
from service.planning.weeks import SPREAD, chances_now, give_out_weeks
from service.services import Services
from service.storage.tables import RecallRow

PRONE = a_visit(an_ear("hard-wax-cleared"), history=frozenset({"prone-to-wax"}))  # back in nine months
CAVITY = a_visit(an_ear("mastoid-cavity"))  # back in four


def a_clinic_of(people: int, visit=PRONE, **contact: object) -> tuple[Services, StoppedClock]:  # type: ignore[no-untyped-def]
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    for number in range(people):
        give(services, a_person(services, f"p{number}", **contact), visit, "clinician")
    return services, clock


def recalls(services: Services) -> list[Recall]:
    with services.open_reading() as work:
        return work.recalls.all_open()


def set_weekly(services: Services, weekly: int, **changes: object) -> None:
    with services.open_reading() as work:
        present = settings_now(services, work)
    save_settings(services, replace(present, weekly=weekly, **changes), "lead")  # type: ignore[arg-type]


def attention(services: Services) -> Counter[str]:
    with services.open_reading() as work:
        return Counter(each.reason for each in work.ledger.attention())


def invitation_days(services: Services) -> Counter[date]:
    with services.open_reading() as work:
        found = [m for r in recalls(services) for m in work.messages.of_person(r.person_id)]
    return Counter(
        monday(m.planned.due.date())
        for m in found
        if m.planned.key.endswith("/1") and m.planned.kind is MessageKind.RETURN_DUE and not m.superseded
    )


def test_the_week_of_everybody_is_kept_where_there_is_room() -> None:
    services, _ = a_clinic_of(5)
    before = {each.invite_on for each in recalls(services)}
    assert give_out_weeks(services) == 0
    assert {each.invite_on for each in recalls(services)} == before
    assert all(each.week == monday(each.invite_on) for each in recalls(services))


def test_more_answers_than_room_are_spread_and_the_messages_follow() -> None:
    services, _ = a_clinic_of(12)
    set_weekly(services, 1)  # 0.37 answers to each invitation: two fit into a week
    assert give_out_weeks(services) > 0
    by_week = invitation_days(services)
    assert by_week == Counter(monday(each.invite_on) for each in recalls(services))
    assert max(by_week.values()) == 2 and len(by_week) == 6
    with services.open_reading() as work:
        spread = json.loads(work.ledger.fact(SPREAD) or "{}")
    assert spread["over"] == {} and set(spread["load"].values()) == {0.74}
    assert give_out_weeks(services) == 0, "nobody moves the next night"


def test_a_closed_week_is_given_to_nobody() -> None:
    services, _ = a_clinic_of(4)
    week = monday(recalls(services)[0].invite_on)
    set_weekly(services, 40, weeks={week.isoformat(): 0})
    give_out_weeks(services)
    assert week not in {monday(each.invite_on) for each in recalls(services)}
    assert all(r.window.earliest <= r.invite_on + timedelta(days=14) <= r.window.latest for r in recalls(services))


def test_a_return_that_cannot_wait_is_not_moved() -> None:
    services, _ = a_clinic_of(6, a_visit(an_ear("wax-left")))  # back in two weeks
    before = [each.invite_on for each in recalls(services)]
    set_weekly(services, 1)
    give_out_weeks(services)
    assert [each.invite_on for each in recalls(services)] == before


def test_the_chance_of_an_answer_comes_from_the_clinics_own_record_beside_the_prior() -> None:
    services, clock = a_clinic_of(4, CAVITY, phone="+447700900123", channels=(Channel.TEXT,))
    clock.at = datetime.combine(recalls(services)[0].invite_on, time(12), UTC)
    send_due(services, "worker")
    with services.open_work() as work:
        answer_in(services, work, "p0", Answer.BOOK, by="page", now=clock.at)
        for name in ("p1", "p2"):
            answer_in(services, work, name, Answer.NO, by="page", now=clock.at)
        chances = chances_now(services, work, clock.at.date())
        work.commit()
    assert chances["text"] == (7.4 + 1) / (20 + 3)  # who has not answered yet counts neither way
    assert chances["letter"] == 7.4 / 20


def test_silence_to_the_end_is_no_answer_and_a_death_is_nothing_at_all() -> None:
    services, clock = a_clinic_of(3, CAVITY, phone="+447700900123", channels=(Channel.TEXT,))
    clock.at = datetime.combine(recalls(services)[0].invite_on, time(12), UTC)
    send_due(services, "worker")
    mark_died(services, "p0", "desk", died=True)
    clock.forward(days=14 + 21 + 14)
    with services.open_reading() as work:
        chances = chances_now(services, work, services.day_of(clock.at))
    assert chances["text"] == 7.4 / (20 + 2)


def test_silence_after_the_last_invitation_is_put_before_a_person_once() -> None:
    services, clock = a_clinic_of(1, CAVITY)
    end = datetime.combine(recalls(services)[0].invite_on + timedelta(days=14 + 21 + 14), time(12), UTC)
    while clock.at < end:
        send_due(services, "worker")
        clock.forward(hours=12)
    assert recall_round.run(services).silent == 1
    with services.open_reading() as work:
        (entry,) = [each for each in work.ledger.attention() if each.reason == "recall-no-answer"]
    assert "3 of 3 invitations" in entry.detail and "weight 5: much depends on this visit" in entry.detail
    with services.open_work() as work:
        work.ledger.attention_done(entry.id, "desk", clock.at)
        work.commit()
    assert recall_round.run(services).silent == 0, "who was decided about is not asked about again"
    assert recalls(services)[0].state is RecallState.DUE


def test_plans_from_before_recalls_were_kept_are_taken_in() -> None:
    services, _ = a_clinic_of(3)
    with services.open_work() as work:
        work._session.execute(delete(RecallRow))
        work.commit()
    assert recall_round.run(services).opened == 3
    assert recall_round.run(services).opened == 0


def test_who_died_takes_no_part() -> None:
    services, _ = a_clinic_of(2)
    mark_died(services, "p0", "desk", died=True)
    recall_round.run(services)
    assert [each.person_id for each in recalls(services)] == ["p1"]


def test_the_round_runs_once_a_day_and_not_before_two_at_night() -> None:
    services, clock = a_clinic_of(1)
    clock.at = datetime(2026, 11, 26, 1, 30, tzinfo=UTC)
    assert not recall_round.due(services)
    clock.at = datetime(2026, 11, 26, 2, 30, tzinfo=UTC)
    look_after(services, "one")
    assert not recall_round.due(services)
    with services.open_reading() as work:
        assert work.ledger.fact(recall_round.ROUND) == "2026-11-26"
    clock.forward(days=1)
    assert recall_round.due(services)


def test_when_the_weeks_cannot_be_solved_everybody_keeps_theirs_and_the_round_goes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fails(services: Services) -> int:
        raise SolvingError("no solution was found")

    services, _ = a_clinic_of(2)
    before = recalls(services)
    monkeypatch.setattr(recall_round, "give_out_weeks", fails)
    assert recall_round.run(services).moved == 0
    assert recalls(services) == before
    with services.open_reading() as work:
        assert work.ledger.fact(recall_round.ROUND) == "2026-11-25"
