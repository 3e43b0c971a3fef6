"""A form that is sent many times gives one plan."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from builders import a_person, a_service, a_visit, an_ear

from service.domain.sending import Reason
from service.errors import AskedOtherwiseError, NotAllowedError, PlanError
from service.planning.aftercare import answered, give
from service.services import Services
from service.storage.records import StoredPlan

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
        start.wait(30)
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
