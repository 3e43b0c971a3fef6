"""A form that is sent many times gives one plan, and a plan laid out anew forgets nothing that was tried."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable
from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Envelope, MessageKind, Outcome, Result
from service.domain.sending import Reason
from service.errors import AskedOtherwiseError, NotAllowedError, PlanError
from service.planning.aftercare import answered, give
from service.planning.people import correct_person
from service.planning.preferences import change_rhythm, start_channel, stop_channel
from service.services import Services
from service.storage.records import StoredMessage, StoredPlan
from service.transports.port import RecordingTransport

KEY = "0123456789abcdef0123456789abcdef"
REQUEST = (KEY, "digest of the form")
AT_ONCE = 10


def a_real_service(url: str = "sqlite://") -> Services:
    services, _ = a_service(url, new_id=lambda: uuid.uuid4().hex)
    return services


def plans(services: Services, person: str = "maud") -> list[StoredPlan]:
    with services.open_reading() as work:
        return work.plans.of_person(person)


def at_once(doings: list[Callable[[], StoredPlan]]) -> tuple[list[StoredPlan], list[Exception]]:
    """Run them all at the same moment; what came of them."""
    start, answers, failures = threading.Barrier(len(doings)), [], []

    def run(doing: Callable[[], StoredPlan]) -> None:
        start.wait(120)
        try:
            answers.append(doing())
        except Exception as failed:
            failures.append(failed)

    threads = [threading.Thread(target=run, args=(doing,)) for doing in doings]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return answers, failures


def test_the_same_request_again_gives_the_same_plan_and_no_second_one() -> None:
    services = a_real_service()
    person = a_person(services)
    first = give(services, person, a_visit(), by="nurse", replacing=None, request=REQUEST)
    for _ in range(9):
        assert give(services, person, a_visit(), by="nurse", replacing=None, request=REQUEST) == first
    assert plans(services) == [first]
    assert answered(services, REQUEST) == first.id
    with services.open_reading() as work:
        assert [line.action for line in work.ledger.history(first.id)] == ["plan-given"]
        assert len(work.plans.visits_of(person)) == 1


def test_the_same_key_with_other_content_is_refused_and_gives_nothing() -> None:
    services = a_real_service()
    person = a_person(services)
    first = give(services, person, a_visit(), by="nurse", request=REQUEST)
    for ask in (
        lambda: give(services, person, a_visit(left=an_ear("grommet")), by="nurse", request=(KEY, "another")),
        lambda: answered(services, (KEY, "another")),
    ):
        with pytest.raises(AskedOtherwiseError) as refused:
            ask()
        assert refused.value.plan_id == first.id
    assert plans(services) == [first]


def test_ten_at_once_with_one_key_give_one_plan_and_one_answer(database_url: str) -> None:
    services = a_real_service(database_url)
    person = a_person(services)
    ask = lambda: give(services, person, a_visit(), by="nurse", replacing=None, request=REQUEST)  # noqa: E731
    answers, failures = at_once([ask] * AT_ONCE)
    assert failures == []
    (stored,) = plans(services)
    assert [answer.id for answer in answers] == [stored.id] * AT_ONCE
    with services.open_reading() as work:
        assert sum(m.planned.key == "plan-given" for m in work.messages.of_person(person)) == 1


def test_ten_people_at_once_under_one_key_give_one_plan_and_nine_refusals(database_url: str) -> None:
    services = a_real_service(database_url)
    people = [a_person(services, f"person{number}") for number in range(AT_ONCE)]

    def asking(person: str) -> Callable[[], StoredPlan]:
        return lambda: give(services, person, a_visit(), by="nurse", request=(KEY, person))

    answers, failures = at_once([asking(person) for person in people])
    assert len(answers) == 1
    assert [type(failed) for failed in failures] == [AskedOtherwiseError] * (AT_ONCE - 1)
    assert [plans(services, person) for person in people if plans(services, person)] == [answers]


def test_a_plan_that_was_refused_leaves_its_key_free() -> None:
    services = a_real_service()
    person = a_person(services)
    with pytest.raises(PlanError):
        give(services, person, a_visit(right=an_ear("no-such-finding")), by="nurse", request=REQUEST)
    with pytest.raises(NotAllowedError):
        give(services, person, a_visit(), by="nurse", replacing="another plan", request=REQUEST)
    assert answered(services, REQUEST) is None
    assert give(services, person, a_visit(), by="nurse", request=REQUEST) == plans(services)[0]


def test_requests_are_forgotten_by_age() -> None:
    services = a_real_service()
    give(services, a_person(services), a_visit(), by="nurse", request=REQUEST)
    now = services.clock.now()
    for before, gone, left in ((now, 0, True), (now + timedelta(seconds=1), 1, False)):
        with services.open_work() as work:
            assert work.requests.tidy(before) == gone
            work.commit()
        assert (answered(services, REQUEST) is not None) is left


def test_a_plan_for_somebody_who_withdrew_consent_goes_on_the_attention_list() -> None:
    services = a_real_service()
    give(services, a_person(services, withdrawn=date(2026, 11, 1)), a_visit(), by="nurse")
    with services.open_reading() as work:
        (entry,) = work.ledger.attention()
    assert (entry.reason, entry.detail) == (Reason.NO_CHANNEL, "hand over the printed sheet")


def waiting_to_be_retried(result: Result) -> tuple[Services, StoppedClock, StoredMessage]:
    """A dose reminder whose first attempt, by text, came to this result."""
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    send_due(services, "worker")

    def answer(sent: Envelope) -> Outcome:
        busy = sent.message.channel is Channel.EMAIL
        return Outcome(result=Result.RETRY if busy else result, detail="as told", retry_after=900)

    services.transports = dict.fromkeys(Channel, RecordingTransport(answer))
    clock.at = the_dose(services).planned.due
    send_due(services, "worker")
    if result is Result.REFUSED:
        send_due(services, "worker")
    return services, clock, the_dose(services)


def the_dose(services: Services) -> StoredMessage:
    with services.open_reading() as work:
        return next(m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.DOSE)


def corrected(services: Services, **changes: object) -> StoredMessage:
    with services.open_reading() as work:
        who = work.people.get("maud")
    correct_person(services, "maud", who.name, who.born, replace(who.contact, **changes), "desk")  # type: ignore[arg-type]
    return the_dose(services)


def test_a_message_that_waits_for_its_next_attempt_goes_on_waiting_when_the_plan_is_laid_out_anew() -> None:
    services, clock, before = waiting_to_be_retried(Result.RETRY)
    assert before.look_at >= clock.now() + timedelta(seconds=900), "the far side asked for time"
    assert corrected(services, large_print=True).look_at == before.look_at


def test_a_channel_that_refused_a_message_is_not_asked_again_because_the_plan_is_laid_out_anew() -> None:
    services, _, before = waiting_to_be_retried(Result.REFUSED)
    assert before.tried == {Channel.TEXT}
    after = corrected(services, large_print=True)
    assert (after.tried, after.look_at) == (before.tried, before.look_at)
    assert after.attempts_elsewhere == before.attempts_elsewhere == 1


def test_a_corrected_number_is_tried_at_once() -> None:
    services, clock, _ = waiting_to_be_retried(Result.REFUSED)
    after = corrected(services, phone="+447700900777")
    assert after.tried == frozenset()
    assert after.look_at <= clock.now()


def test_a_reminder_that_moves_to_another_time_begins_anew() -> None:
    services, _, before = waiting_to_be_retried(Result.REFUSED)
    change_rhythm(services, "maud", {"midday": time(13, 30)})
    with services.open_reading() as work:
        moved = [m for m in work.messages.of_person("maud") if m.planned.wall == "2026-11-25T13:30"]
    assert [m.tried for m in moved] == [frozenset()]
    assert the_dose(services).id == before.id and the_dose(services).superseded


def test_a_channel_that_the_person_starts_again_is_tried_again() -> None:
    services, _, _ = waiting_to_be_retried(Result.REFUSED)
    stop_channel(services, "maud", Channel.TEXT, "patient", "page")
    assert the_dose(services).tried == {Channel.TEXT}
    start_channel(services, "maud", Channel.TEXT, "patient", "page")
    assert the_dose(services).tried == frozenset()


def test_a_red_flag_is_of_its_day_and_no_part_of_the_lasting_history() -> None:
    services, _ = a_service()
    a_person(services)
    give(services, "maud", a_visit(history=frozenset({"stroke-signs", "diabetes"})), by="nurse")
    with services.open_reading() as work:
        assert work.people.get("maud").history == {"diabetes"}
