"""A visit becomes a plan that a person gave: visit, plan, messages, link and audit line in one transaction."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from enum import Enum

from service.domain.build import build_plan
from service.domain.message import MessageKind
from service.domain.pack import Pack
from service.domain.plan import Plan, Status
from service.domain.sending import Reason, pick_channel
from service.domain.visit import Visit
from service.errors import AskedOtherwiseError, NotAllowedError
from service.links import hash_of, token_of
from service.planning.attention import HELD
from service.planning.laying_out import plan_messages
from service.planning.recalling import follow_appointment_in, open_in
from service.planning.standing import ask_in, give_back_in, on_hold, take_over_in
from service.planning.taking_back import go_on_in, withdraw_in
from service.services import Services
from service.storage.records import StoredPlan, StoredVisit
from service.storage.requests import Request
from service.storage.unit_of_work import UnitOfWork


def propose(services: Services, visit: Visit) -> Plan:
    """The plan that this visit asks for under the clinic's present choices; nothing is stored. Raises PlanError."""
    with services.open_reading() as work:
        present = services.choices_now(work)
    return replace(build_plan(visit, services.pack, present.choices), choices_revision=present.revision)


class AnyPlan(Enum):
    """Stands for "whatever plan the person has now"."""

    ANY = "any"


def answered(services: Services, request: tuple[str, str]) -> str | None:
    """The id of the plan that this request (key, digest) gave before; None when the key is new.

    Raises AskedOtherwiseError when the key stands for another digest.
    """
    with services.open_reading() as work:
        return _answer(work.requests.find(request[0]), request[1])


def _answer(earlier: Request | None, digest: str) -> str | None:
    if earlier is None:
        return None
    if earlier.digest != digest:
        raise AskedOtherwiseError(earlier.answer)
    return earlier.answer


def give(
    services: Services,
    person_id: str,
    visit: Visit,
    by: str,
    *,
    replacing: str | AnyPlan | None = AnyPlan.ANY,
    request: tuple[str, str] | None = None,
    plan: Plan | None = None,
) -> StoredPlan:
    """Give the plan of this visit to a person: everything or nothing is stored.

    An earlier plan of the person ends, its unsent messages overtaken; an urgent plan puts it on hold instead, whole
    person, both ears. `replacing` is the id of the plan that the giver saw as the present one (None for none): if
    another was given meanwhile, say from a second window, nothing is stored and NotAllowedError is raised.

    `plan` is what the giver saw proposed for this visit a moment ago; without it, what is proposed now is given.

    `request` is the random key of the form and a digest of what was asked. The same key with the same digest gives the
    same plan, however often and from however many sides at once it is asked; with another digest AskedOtherwiseError is
    raised. Raises PlanError, NotFoundError besides.
    """
    plan = propose(services, visit) if plan is None else plan
    now = services.clock.now()
    visit_id, plan_id = services.new_id(), services.new_id()
    with services.open_work() as work:
        person = work.people.get(person_id)
        if request is not None:
            key, digest = request
            earlier = _answer(work.requests.claim(key, digest, plan_id, now), digest)
            if earlier is not None:
                return work.plans.get(earlier)
        current = work.plans.current(person_id)
        if replacing is not AnyPlan.ANY and replacing != (current.id if current is not None else None):
            raise NotAllowedError(
                "another plan was given to this person meanwhile: look at the record, then propose again"
            )
        _end_earlier(work, person_id, by, now, urgent=bool(plan.urgent), told=visit.appointment is not None)
        lasting = lasting_history(services.pack, visit.history)
        work.people.save(replace(person, history=lasting, born=visit.born or person.born))
        work.plans.add_visit(StoredVisit(id=visit_id, person_id=person_id, visit=visit, by=by, created=now))
        stored = StoredPlan(
            id=plan_id,
            person_id=person_id,
            visit_id=visit_id,
            status=Status.ACTIVE,
            plan=plan,
            given=now,
            by=by,
            appointment=visit.appointment,
            calendar_seed=services.new_id(),
        )
        work.plans.add(stored)
        if not plan.urgent:
            open_in(services, work, stored, now)
        if stored.appointment is not None:
            take_over_in(services, work, stored, by, now)
        ask_in(services, work, person_id, now)
        if plan.urgent and stored.appointment is not None:  # what the person is due back for stays open
            follow_appointment_in(services, work, stored, now, by=by)
        if plan.urgent:
            go_on_in(services, work, person_id, now)
        plan_messages(services, work, stored, person.contact, now)
        live_link(services, work, person_id, now)
        for made in visit.overrules:
            work.ledger.note(
                by, "rule-overruled", plan_id, now, rule=made.rule, side=made.side.value, reason=made.reason
            )
        urgent = [each.id for each in plan.urgent]
        work.ledger.note(by, "plan-given", plan_id, now, pack=plan.pack, urgent=urgent, choices=plan.choices_revision)
        first = MessageKind.URGENT if plan.urgent else MessageKind.PLAN_GIVEN
        if person.contact.withdrawn is not None or pick_channel(first, person.contact) is None:
            work.ledger.ask(person_id, Reason.NO_CHANNEL, now, detail="hand over the printed sheet")
        work.commit()
    services.wake()
    return stored


def lasting_history(pack: Pack, history: Iterable[str]) -> frozenset[str]:
    """What stays true of a person after the visit. A red flag is of its day: ticked by itself at the next visit, it
    would stand in the way of every plan, and be believed."""
    return frozenset(code for code in history if code not in pack.history or not pack.history[code].red_flag)


_NOT_NEWS = [kind for kind in MessageKind if kind is not MessageKind.BOOKING]
"""News of an appointment is judged by that, and not by its plan."""


def _end_earlier(work: UnitOfWork, person_id: str, by: str, now: datetime, *, urgent: bool, told: bool) -> None:
    """What came before ends. `told`: the person hears of their appointment at this visit, so no news of it is left."""
    for earlier in work.plans.of_person(person_id):
        if told:
            work.messages.supersede(earlier.id, kinds=[MessageKind.BOOKING])
        if not earlier.running:
            continue
        status = Status.ON_HOLD if urgent and not earlier.plan.urgent else Status.COMPLETED
        work.plans.set_status(earlier.id, status)
        if status is Status.COMPLETED:
            work.messages.supersede(earlier.id, kinds=_NOT_NEWS)
        work.ledger.note(by, f"plan-{status}", earlier.id, now, because="a newer plan was given")


def set_status(services: Services, plan_id: str, status: Status, by: str, reason: str) -> None:
    """Withdraw a plan, put it on hold, or take it up again; the reason goes on record. Raises NotFoundError."""
    now = services.clock.now()
    with services.open_work() as work:
        stored = work.plans.get(plan_id)
        work.plans.set_status(plan_id, status)
        if status is Status.REVOKED:
            give_back_in(services, work, stored, by, now)
            withdraw_in(services, work, stored, now)
            ask_in(services, work, stored.person_id, now)
            if stored.plan.urgent and (held := on_hold(work, stored.person_id)) is not None:
                detail = f"the plan of {held.plan.on} is still on hold: take it up again, or withdraw it"
                work.ledger.ask(stored.person_id, HELD, now, detail=detail)
        if status is Status.ACTIVE or on_hold(work, stored.person_id) is None:
            work.by_hand.close_open(stored.person_id, (HELD,), by, now)
        if stored.plan.urgent or status is Status.ACTIVE:
            go_on_in(services, work, stored.person_id, now)
        work.messages.hurry(stored.person_id, now)
        work.ledger.note(by, f"plan-{status}", plan_id, now, reason=reason)
        work.commit()


def live_link(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> str:
    """The token of the person's link, made when there is none (or every earlier one was revoked)."""
    link_id = work.links.live_id(person_id)
    if link_id is None:
        link_id = services.new_id()
        work.links.add(link_id, hash_of(token_of(services.secret_key, link_id)), person_id, now)
    return token_of(services.secret_key, link_id)
