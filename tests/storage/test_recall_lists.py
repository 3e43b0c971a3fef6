"""The lists of recalls on both databases: their order, and what a row says of the contact."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from builders import a_person, a_service, a_visit, an_ear

from service.domain.recall import Ended, RecallState, Standing
from service.planning.aftercare import give
from service.planning.recall_board import look
from service.services import Services

CAVITY = a_visit(an_ear("mastoid-cavity"))


@pytest.fixture(params=["sqlite", "postgresql"])
def services(request: pytest.FixtureRequest) -> Iterator[Services]:
    """A service over each database."""
    url = "sqlite://" if request.param == "sqlite" else request.getfixturevalue("postgres_url")
    yield a_service(url)[0]


def a_recall(services: Services, person: str, **changes: object) -> str:
    """A person with a recall in this state; returns the id of the recall."""
    give(services, a_person(services, person, guardian=f"{person}'s mother"), CAVITY, by="nurse")
    weight, latest = changes.pop("weight", 3.0), changes.pop("latest", date(2027, 9, 1))
    with services.open_work() as work:
        recall = work.recalls.newest_of(person)
        assert recall is not None
        window = replace(recall.window, weight=weight, latest=latest)
        work.recalls.save(replace(recall, window=window, **changes))
        work.commit()
    return recall.id


def order(services: Services, standing: Standing | None = None) -> list[str]:
    with services.open_reading() as work:
        return [each.recall.person_id for each in look(services, work, standing).listed]


def test_who_waits_for_a_call_is_first_then_who_is_late_then_the_rest(services: Services) -> None:
    past = date(2026, 11, 1)
    a_recall(services, "rest-light", weight=1.0)
    a_recall(services, "rest", weight=2.0, state=RecallState.BOOKED)
    a_recall(services, "late", latest=past)
    a_recall(services, "late-longer", latest=date(2026, 10, 1))
    a_recall(services, "late-heavy", latest=past, weight=5.0)
    a_recall(services, "waits", state=RecallState.ANSWERED, answered=datetime(2026, 11, 24, tzinfo=UTC), weight=5.0)
    a_recall(services, "waits-longer", state=RecallState.ANSWERED, answered=datetime(2026, 11, 2, tzinfo=UTC))
    late = ["late-heavy", "late-longer", "late"]
    assert order(services) == ["waits-longer", "waits", *late, "rest", "rest-light"]
    assert order(services, Standing.OVERDUE) == late
    assert order(services, Standing.ANSWERED) == ["waits-longer", "waits"]
    assert order(services, Standing.BOOKED) == ["rest"]
    assert order(services, Standing.CLOSED) == []


def test_the_recall_that_counts_is_found_for_many_at_once_as_for_one(services: Services) -> None:
    closed = datetime(2026, 11, 25, 9, tzinfo=UTC)
    first = a_recall(services, "ann", state=RecallState.CLOSED, ended=Ended.DECLINED, closed=closed)
    replaced = a_recall(services, "bea", state=RecallState.CLOSED, ended=Ended.REPLACED, closed=closed)
    with services.open_work() as work:
        old = work.recalls.get(replaced)
        work.recalls.save(
            replace(old, id=services.new_id(), ended=Ended.DECLINED, opened=datetime(2020, 1, 1, tzinfo=UTC))
        )
        work.commit()
    a_person(services, "cat")
    with services.open_reading() as work:
        newest = work.recalls.newest_of("bea")
        assert newest is not None and newest.id != replaced
        assert work.recall_views.that_count(["ann", "bea", "cat"]) == {"ann": first, "bea": newest.id}
        assert work.recall_views.that_count([]) == {}
