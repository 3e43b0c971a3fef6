"""A person with a plan that asks them back, and what the record says of them then."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

from builders import StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.domain.recall import Answer, Recall
from service.planning.aftercare import give
from service.planning.recalling import answer_in
from service.services import Services

PHONE = "+447700900123"
CAVITY = a_visit(an_ear("mastoid-cavity"))
PRONE = a_visit(an_ear("hard-wax-cleared"), history=frozenset({"prone-to-wax"}))


def given(visit=CAVITY, clock: StoppedClock | None = None, **contact: object):  # type: ignore[no-untyped-def]
    clock = clock or StoppedClock()
    services, sent = a_service(clock=clock)
    a_person(services, "maud", **({"phone": PHONE, "channels": (Channel.TEXT,)} | contact))
    return services, give(services, "maud", visit, "clinician"), clock, sent


def open_recall(services: Services) -> Recall:
    with services.open_reading() as work:
        found = work.recalls.open_of("maud")
    assert found is not None
    return found


def of_plan(services: Services, plan_id: str) -> Recall:
    with services.open_reading() as work:
        found = work.recalls.of_plan(plan_id)
    assert found is not None
    return found


def waiting(services: Services) -> dict[str, date]:
    with services.open_reading() as work:
        found = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.RETURN_DUE]
        running = {each.id for each in work.plans.of_person("maud") if each.status is not Status.REVOKED}
    unsent = [m for m in found if m.plan_id in running and m.state is State.PENDING and not m.superseded]
    return {m.planned.key: m.planned.due.date() for m in unsent}


def attention(services: Services) -> dict[str, str]:
    with services.open_reading() as work:
        return {each.reason: each.detail for each in work.ledger.attention()}


def to_first_invitation(services: Services, clock: StoppedClock) -> None:
    clock.at = datetime.combine(open_recall(services).invite_on, time(12), UTC)
    send_due(services, "worker")


def says(services: Services, answer: Answer, clock: StoppedClock, later: date | None = None) -> Recall | None:
    with services.open_work() as work:
        after = answer_in(services, work, "maud", answer, by="page", now=clock.at, later=later)
        work.commit()
    return after
