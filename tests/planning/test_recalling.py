"""Asking back over a real database: opened with the plan, answered by word or by page, ended by the next visit."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Inbound, MessageKind, State
from service.domain.plan import Status
from service.domain.recall import Answer, Ended, Recall, RecallState
from service.inbound.replies import Meaning, take_inbound
from service.planning import recall_round
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.people import mark_died, mark_left
from service.planning.recalling import answer_in, invited
from service.services import Services

PHONE = "+447700900123"
CAVITY = a_visit(an_ear("mastoid-cavity"))
PRONE = a_visit(an_ear("hard-wax-cleared"), history=frozenset({"prone-to-wax"}))


def given(visit=CAVITY, person: str = "maud", clock: StoppedClock | None = None, **contact: object):  # type: ignore[no-untyped-def]
    clock = clock or StoppedClock()
    services, sent = a_service(clock=clock)
    a_person(services, person, phone=PHONE, channels=(Channel.TEXT,), **contact)
    return services, give(services, person, visit, "clinician"), clock, sent


def the_recall(services: Services, person: str = "maud") -> Recall:
    with services.open_reading() as work:
        found = work.recalls.newest_of(person)
    assert found is not None
    return found


def invitations(services: Services, *, waiting: bool = True) -> dict[str, date]:
    with services.open_reading() as work:
        found = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.RETURN_DUE]
    wanted = (State.PENDING,) if waiting else (State.SENT,)
    return {m.planned.key: m.planned.due.date() for m in found if m.state in wanted and not m.superseded}


def run_until(services: Services, clock: StoppedClock, day: datetime) -> None:
    while clock.at < day:
        send_due(services, "worker")
        clock.forward(hours=6)


def texted(services: Services, text: str, at: datetime, number: int = 1) -> Meaning:
    return take_inbound(
        services, Inbound(channel=Channel.TEXT, id=f"in-{number}-{text}", sender=PHONE, text=text, at=at)
    )


def attention(services: Services) -> dict[str, str]:
    with services.open_reading() as work:
        return {each.reason: each.detail for each in work.ledger.attention()}


def test_a_plan_with_a_return_opens_a_recall_with_three_invitations() -> None:
    services, stored, _, _ = given()
    recall = the_recall(services)
    assert (recall.state, recall.plan_id, recall.window.template) == (RecallState.DUE, stored.id, "mastoid-cavity")
    assert recall.window.weight == 5  # content: a cavity before a dry canal
    first = recall.invite_on
    days = invitations(services)
    assert list(days.values()) == [
        first,
        date.fromordinal(first.toordinal() + 14),
        date.fromordinal(first.toordinal() + 35),
    ]
    assert set(days) == {"return-due/1/1", "return-due/1/2", "return-due/1/3"}


def test_no_return_no_recall() -> None:
    services, _, _, _ = given(a_visit(an_ear("hard-wax-cleared")))
    with services.open_reading() as work:
        assert work.recalls.newest_of("maud") is None


def test_the_next_visit_ends_the_recall_as_seen_and_opens_the_next() -> None:
    services, _, clock, _ = given()
    first = the_recall(services)
    clock.forward(days=100)
    give(services, "maud", a_visit(an_ear("mastoid-cavity"), on=clock.at.date()), "clinician")
    with services.open_reading() as work:
        assert work.recalls.get(first.id).state is RecallState.SEEN
    assert the_recall(services).id != first.id


def test_an_urgent_visit_leaves_the_return_open() -> None:
    services, _, clock, _ = given()
    first = the_recall(services)
    clock.forward(days=10)
    give(services, "maud", a_visit(an_ear("sudden-hearing-loss"), on=clock.at.date()), "clinician")
    assert the_recall(services).id == first.id
    assert the_recall(services).open


@pytest.mark.parametrize(
    ("word", "meaning", "state", "unit"),
    [
        ("YES", Meaning.BOOK, RecallState.ANSWERED, "reply.recall-book"),
        ("later", Meaning.LATER, RecallState.DUE, "reply.recall-later"),
        ("No thanks.", Meaning.NO, RecallState.CLOSED, "reply.recall-no"),
        ("seen elsewhere", Meaning.ELSEWHERE, RecallState.CLOSED, "reply.recall-elsewhere"),
    ],
)
def test_one_word_answers_an_invitation_and_is_confirmed(
    word: str, meaning: Meaning, state: RecallState, unit: str
) -> None:
    services, _, clock, _sent = given()
    recall = the_recall(services)
    run_until(services, clock, datetime.combine(recall.invite_on, time(12), UTC))
    assert texted(services, word, clock.at) is meaning
    assert the_recall(services).state is state
    assert the_recall(services).answered_by == "text"
    send_due(services, "worker")
    with services.open_reading() as work:
        answers = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.REPLY]
    assert [m.state for m in answers] == [State.SENT]
    assert unit in answers[0].units
    waiting = invitations(services)
    assert set(waiting) == ({"return-due/2/1", "return-due/2/2", "return-due/2/3"} if word == "later" else set())


def test_without_an_invitation_the_same_words_are_read_by_a_person() -> None:
    services, _, clock, _ = given()
    assert texted(services, "no", clock.at) is Meaning.WORDS
    assert the_recall(services).answer is None
    assert attention(services)["reply"] == "no"


def test_with_two_people_invited_at_one_number_a_person_reads_it() -> None:
    services, _, clock, _ = given(guardian="Ann")
    a_person(services, "tom", phone=PHONE, channels=(Channel.TEXT,), guardian="Ann")
    give(services, "tom", CAVITY, "clinician")
    run_until(services, clock, datetime.combine(the_recall(services).invite_on, time(12), UTC))
    assert texted(services, "no", clock.at) is Meaning.WORDS
    assert the_recall(services).open and the_recall(services, "tom").open


def test_a_no_about_a_cavity_is_put_before_a_person_and_about_a_dry_canal_it_is_not() -> None:
    for visit, asked in ((CAVITY, True), (PRONE, False)):
        services, _, clock, _ = given(visit)
        run_until(services, clock, datetime.combine(the_recall(services).invite_on, time(12), UTC))
        texted(services, "no", clock.at)
        assert ("recall-declined" in attention(services)) is asked
        assert the_recall(services).ended is Ended.DECLINED


def test_a_wrong_number_is_written_to_no_more_and_its_link_opens_nothing() -> None:
    services, _, clock, _ = given(email="maud@example.org")
    with services.open_reading() as work:
        assert work.links.live_id("maud") is not None
    assert texted(services, "wrong number", clock.at) is Meaning.WRONG
    with services.open_reading() as work:
        assert work.people.get("maud").contact.bad == {Channel.TEXT}
        assert work.links.live_id("maud") is None
    assert "recall-wrong-person" in attention(services)
    assert the_recall(services).open  # the person still has to come
    before = the_recall(services)
    assert texted(services, "wrong number", clock.at, number=2) is Meaning.WRONG
    assert the_recall(services) == before


def test_a_second_answer_takes_the_place_of_the_first() -> None:
    services, _, clock, _ = given()
    run_until(services, clock, datetime.combine(the_recall(services).invite_on, time(12), UTC))
    texted(services, "no", clock.at)
    texted(services, "yes", clock.at, number=2)
    assert the_recall(services).state is RecallState.ANSWERED
    assert "wants to come" in attention(services)["recall-wants-visit"]


def test_booking_ends_the_invitations_and_cancelling_brings_them_back() -> None:
    services, stored, _, _ = given()
    before = invitations(services)
    book(services, stored.id, (date(2027, 3, 1), time(10, 30)), "desk")
    assert the_recall(services).state is RecallState.BOOKED
    assert invitations(services) == {}
    book(services, stored.id, None, "desk")
    assert the_recall(services).state is RecallState.DUE
    assert invitations(services) == before


@pytest.mark.parametrize(("mark", "why"), [(mark_died, Ended.DIED), (mark_left, Ended.LEFT)])
def test_death_and_a_move_close_everything_at_once_and_a_mistake_is_taken_back(mark: object, why: Ended) -> None:
    services, _, clock, sent = given()
    before = the_recall(services)
    field = "died" if why is Ended.DIED else "left"
    mark(services, "maud", "desk", **{field: True})  # type: ignore[operator]
    assert (the_recall(services).state, the_recall(services).ended) == (RecallState.CLOSED, why)
    done = len(sent.sent)
    run_until(services, clock, datetime(2027, 9, 1, tzinfo=UTC))
    assert len(sent.sent) == done  # nothing more, ever
    services, _, clock, sent = given()
    mark(services, "maud", "desk", **{field: True})  # type: ignore[operator]
    mark(services, "maud", "desk", **{field: False})  # type: ignore[operator]
    after = the_recall(services)
    assert (after.state, after.invite_on, after.round) == (RecallState.DUE, before.invite_on, 1)


def test_the_guardian_of_a_child_is_invited_for_the_child() -> None:
    services, _, clock, sent = given(guardian="Ann", given_name="Tom")
    run_until(services, clock, datetime.combine(the_recall(services).invite_on, time(12), UTC))
    assert "the next visit of Tom" in sent.sent[-1].message.text


def test_two_ears_due_at_different_times_are_one_invitation_for_the_earlier() -> None:
    services, stored, _, _ = given(a_visit(an_ear("mastoid-cavity"), an_ear("hearing-aid-worn", "hard-wax-cleared")))
    recall = the_recall(services)
    assert recall.window.ideal == min(back.on for back in stored.plan.returns)
    assert recall.window.latest <= min(back.latest for back in stored.plan.returns)
    assert recall.window.weight == 5


def test_an_answer_on_the_page_is_only_taken_while_somebody_asked() -> None:
    services, _, clock, _ = given()
    with services.open_work() as work:
        assert invited(work, "maud") is None
        assert answer_in(services, work, "maud", Answer.NO, by="page", now=clock.at) is None
        work.commit()
    assert the_recall(services).open


def test_a_withdrawn_plan_gives_the_return_before_it_back() -> None:
    services, _, clock, _ = given()
    first = the_recall(services)
    clock.forward(days=10)
    wrong = give(services, "maud", PRONE, "clinician")
    set_status(services, wrong.id, Status.REVOKED, "clinician", "given to the wrong person")
    with services.open_reading() as work:
        assert work.recalls.open_of("maud") == first
    assert set(invitations(services)) == {"return-due/1/1", "return-due/1/2", "return-due/1/3"}


def test_who_is_due_tomorrow_is_for_a_person_at_once_and_invited_tomorrow() -> None:
    services, _, clock, _ = given(a_visit(an_ear("battery-removed")))
    recall = the_recall(services)
    assert recall.invite_on == clock.at.date() + timedelta(days=1)
    assert "return is due on" in attention(services)["return-soon"]
    assert set(invitations(services)) == {"return-due/1/1", "return-due/1/2", "return-due/1/3"}
    booked, _, _, _ = given(
        a_visit(an_ear("battery-removed"), next_appointment=date(2026, 11, 26), next_appointment_time=time(9))
    )
    assert the_recall(booked).state is RecallState.BOOKED and "return-soon" not in attention(booked)


def test_who_is_due_within_three_days_is_for_a_person_at_once_also_with_an_invitation_to_come() -> None:
    services, _, clock, _ = given(a_visit(an_ear("infection-suspected")))
    recall, today = the_recall(services), clock.at.date()
    assert recall.window.ideal == today + timedelta(days=services.pack.recall.at_once_days)
    assert recall.invite_on > today
    assert "return is due on" in attention(services)["return-soon"]


def test_whose_latest_day_has_passed_is_overdue_and_no_longer_due_soon() -> None:
    services, _, clock, _ = given(a_visit(an_ear("battery-removed")))
    latest = the_recall(services).window.latest
    clock.at = datetime.combine(latest, time(9), UTC)
    recall_round.run(services)
    assert "return-soon" in attention(services) and "recall-overdue" not in attention(services)
    clock.forward(days=1)
    recall_round.run(services)
    assert "recall-overdue" in attention(services) and "return-soon" not in attention(services)


def test_silence_after_the_last_invitation_takes_the_place_of_overdue() -> None:
    services, _, clock, _ = given(a_visit(an_ear("battery-removed")))
    seen = []
    for _ in range(60):
        clock.forward(days=1)
        send_due(services, "worker")
        recall_round.run(services)
        seen.append(set(attention(services)))
    assert {"recall-overdue"} in seen
    assert seen[-1] == {"recall-no-answer"}, "one recall is one question"


def test_booking_closes_what_the_attention_list_asked() -> None:
    services, stored, clock, _ = given()
    run_until(services, clock, datetime.combine(the_recall(services).invite_on, time(12), UTC))
    texted(services, "yes", clock.at)
    assert "recall-wants-visit" in attention(services)
    book(services, stored.id, (clock.at.date() + timedelta(days=9), time(10, 30)), "desk")
    assert "recall-wants-visit" not in attention(services)
