"""The messages of a plan and of its recall: planned when it is given, and laid out anew after every change."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time

from service.domain.contact import Channel, Contact
from service.domain.message import MessageKind, PlannedMessage
from service.domain.plan import Plan, Status
from service.domain.recall import Recall, RecallState, invitation_days, invitation_key
from service.domain.schedule import lay_out
from service.domain.sending import COMFORT, pick_channel
from service.planning.as_booked import plan_as_booked
from service.planning.recall_settings import settings_now
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork

ABOUT_A_VISIT = frozenset({MessageKind.RETURN_DUE, MessageKind.APPOINTMENT})
"""What a plan that is over still calls for, where the person is due back by it."""
AT_ONCE = frozenset({MessageKind.PLAN_GIVEN, MessageKind.URGENT, MessageKind.BOOKING, MessageKind.REPLY})


def messages_for(
    services: Services,
    plan: Plan,
    contact: Contact,
    appointment: tuple[date, time] | None,
    given: datetime,
    invitations: Sequence[tuple[str, date]] | None = None,
) -> tuple[PlannedMessage, ...]:
    """The messages that a plan calls for, without those that no agreed channel can carry usefully."""
    laid_out = lay_out(
        plan, contact, services.pack.timing, given=given, appointment=appointment, invitations=invitations
    )
    return tuple(m for m in laid_out if m.kind not in COMFORT or pick_channel(m.kind, contact) is not None)


def plan_messages(services: Services, work: UnitOfWork, stored: StoredPlan, contact: Contact, now: datetime) -> None:
    """Plan the messages of a plan that is given now, its recall opened already."""
    invitations = invitations_for(services, work, stored)
    plan = plan_as_booked(services.pack, stored)
    planned = messages_for(services, plan, contact, stored.appointment, now, invitations)
    work.messages.plan(stored.id, stored.person_id, planned, {m.key: services.new_id() for m in planned})


def replan(
    services: Services,
    work: UnitOfWork,
    stored: StoredPlan,
    contact: Contact,
    now: datetime,
    fresh: frozenset[Channel] = frozenset(),
) -> None:
    """Lay the unsent messages out anew after the person's times, zone or wishes changed; sent ones stay.

    What waits for its next attempt goes on waiting, unless a channel is `fresh`: it goes to another number or address
    now, or the present one was found to be right after all. What fell due a moment ago and has not left yet is still
    wanted, as long as the plan calls for it.
    """
    invitations = invitations_for(services, work, stored)
    plan = plan_as_booked(services.pack, stored)
    called_for = messages_for(services, plan, contact, stored.appointment, stored.given, invitations)
    if not stored.running:
        due_again = work.recalls.goes_on(stored.id)
        called_for = tuple(m for m in called_for if due_again and m.kind in ABOUT_A_VISIT)
    planned = tuple(m for m in called_for if m.kind not in AT_ONCE and m.due >= now)
    kinds = [kind for kind in MessageKind if kind not in AT_ONCE]
    work.messages.supersede(stored.id, keep=frozenset(m.key for m in called_for), kinds=kinds)
    work.messages.plan(stored.id, stored.person_id, planned, {m.key: services.new_id() for m in planned}, fresh)
    work.messages.hurry(stored.person_id, now, retries=bool(fresh))


def follow_recall(services: Services, work: UnitOfWork, recall: Recall, now: datetime) -> None:
    """What is unsent follows a recall that was just changed."""
    stored, contact = work.plans.get(recall.plan_id), work.people.get(recall.person_id).contact
    replan(services, work, stored, contact, now)


def urgent_runs(work: UnitOfWork, person_id: str) -> bool:
    """Whether urgent advice to a person is in force: until it is over nobody is asked back for anything else."""
    return any(each.status is Status.ACTIVE and each.plan.urgent for each in work.plans.of_person(person_id))


def invitations_for(services: Services, work: UnitOfWork, stored: StoredPlan) -> list[tuple[str, date]] | None:
    """The keys and days of the invitations that a plan's recall calls for; None when the plan never had a recall."""
    recall = work.recalls.of_plan(stored.id)
    if recall is None:
        return None
    late = stored.appointment is not None and stored.appointment[0] > recall.window.latest
    if recall.state is RecallState.BOOKED and late:
        # The booking comes too late for an ear: the invitation is not sent, but puts it before a person.
        return [(invitation_key(recall.round, 1), recall.invite_on)]
    if recall.state is RecallState.DUE and not stored.running and urgent_runs(work, stored.person_id):
        return []  # a plan on hold keeps its messages back by itself; this one is over, and its return came back
    days = invitation_days(recall, settings_now(services, work).spacing)
    return [(invitation_key(recall.round, number), day) for number, day in enumerate(days, start=1)]
