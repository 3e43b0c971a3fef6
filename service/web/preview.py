"""What would this plan look like to this person? The same words by the same code as when it is given."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time

from service.domain.contact import Contact
from service.domain.message import ComposedMessage, MessageKind, PlannedMessage
from service.domain.plan import Plan
from service.domain.questions import questions_for
from service.domain.sending import pick_channel
from service.domain.visit import Visit
from service.errors import WordingError
from service.links import STAND_IN, page_url
from service.messages.compose import Letter, compose
from service.messages.read_plan import read_plan, units_of
from service.messages.reading import Reading
from service.messages.sms import PartCount, count_parts
from service.messages.wordings import Wordings
from service.planning.laying_out import messages_for
from service.services import Services
from service.storage.unit_of_work import UnitOfWork

Appointment = tuple[date, time] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MessagePreview:
    """All messages of one kind: how many, from when to when (local times), and the first one word for word.

    `composed` is None when no agreed channel carries this kind; `approved` is False when the words are drafts, which
    would not be sent.
    """

    kind: MessageKind
    count: int
    first: str
    last: str
    composed: ComposedMessage | None
    approved: bool
    parts: PartCount | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """The page as a `Reading`, and the messages. `missing` names the units not approved in the person's language."""

    reading: Reading
    wanted: str
    fallback: bool
    missing: tuple[str, ...]
    approved: bool
    messages: tuple[MessagePreview, ...]


def preview(services: Services, work: UnitOfWork, plan: Plan, visit: Visit, contact: Contact, now: datetime) -> Preview:
    """What the person would see and be sent if this plan of this visit were given at `now`. Stores nothing."""
    appointment = visit.appointment
    wordings, booked = services.wordings(work), booked_text(appointment)
    approved = True
    try:
        choice = wordings.choose_language(contact.language, units_of(plan))
    except WordingError:  # not even the source language is approved: show the drafts and say so
        approved, wordings = False, services.drafts(work)
        choice = wordings.choose_language(contact.language, units_of(plan))
    wordings = wordings.for_reader(easy=contact.easy_read)
    person = contact.given_name if contact.guardian else ""
    asked = questions_for(plan, visit, services.pack)
    reading = read_plan(plan, wordings, choice.language, services.clinic, person=person, booked=booked, questions=asked)
    kinds: dict[MessageKind, list[PlannedMessage]] = {}
    for planned in messages_for(services, plan, contact, appointment, now):
        kinds.setdefault(planned.kind, []).append(planned)
    letter = Letter(link=page_url(services.clinic.base_url, STAND_IN), pack=plan.pack, booked=booked)
    usable = services.wordings(work)
    return Preview(
        reading=reading,
        wanted=choice.wanted,
        fallback=choice.fallback,
        missing=choice.missing,
        approved=approved,
        messages=tuple(_of_kind(services, work, usable, plan, contact, letter, group) for group in kinds.values()),
    )


def _of_kind(
    services: Services,
    work: UnitOfWork,
    wordings: Wordings,
    plan: Plan,
    contact: Contact,
    letter: Letter,
    group: list[PlannedMessage],
) -> MessagePreview:
    first, channel = group[0], pick_channel(group[0].kind, contact)
    composed, approved = None, True
    if channel is not None:
        try:
            composed = compose(first, plan, contact, services.clinic, wordings, channel, letter)
        except WordingError:
            approved = False
            composed = compose(first, plan, contact, services.clinic, services.drafts(work), channel, letter)
    return MessagePreview(
        kind=first.kind,
        count=len(group),
        first=first.wall,
        last=group[-1].wall,
        composed=composed,
        approved=approved,
        parts=count_parts(composed.text) if composed is not None and channel == "text" else None,
    )


def booked_text(appointment: Appointment) -> tuple[str, str] | None:
    """A booked appointment as ISO date and time, as sentences take it."""
    return (appointment[0].isoformat(), appointment[1].isoformat("minutes")) if appointment is not None else None
