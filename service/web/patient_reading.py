"""What of a plan stands on the patient's page on one day: nothing that must not be followed, a booked visit on top."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from service.domain.contact import Contact
from service.domain.plan import Status
from service.domain.questions import questions_for
from service.domain.recall import Answer
from service.domain.wall_clock import to_wall, zone_named
from service.messages.read_plan import AsOf, read_plan
from service.messages.reading import Reading
from service.messages.today import finished_courses
from service.planning.recalling import to_come
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork
from service.web.patient_recall import Invitation
from service.web.patient_words import Voice

NOT_SHOWN = {
    Status.ON_HOLD: frozenset({"do", "supply", "questions"}),
    Status.COMPLETED: frozenset({"urgent", "do", "water", "avoid", "normal", "supply", "questions"}),
}
"""Sections of a plan that somebody must not follow in this status."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """The visit that is booked and to come: ISO date and time of the clinic. `person` is the given name when the reader
    is not the patient."""

    date: str
    time: str
    person: str = ""


def booked_visit(services: Services, stored: StoredPlan | None, contact: Contact, now: datetime) -> Booked | None:
    """The card of the next visit; None once its moment is past."""
    if stored is None or stored.booked is None or not to_come(services, stored, now):
        return None
    on, at = stored.booked
    return Booked(date=on, time=at, person=contact.given_name if contact.guardian else "")


def as_of(stored: StoredPlan, contact: Contact, asked: Invitation | None, now: datetime) -> AsOf:
    """What this moment leaves of the plan on its page. The booked visit stands above, until it is past."""
    later = asked is not None and asked.given is Answer.LATER
    return AsOf(
        on=to_wall(now, zone_named(contact.zone)).date(),
        finished=finished_courses(stored.plan, contact, now, given=stored.given),
        asked_again=asked.recall.invite_on if asked is not None and later else None,
        says_booking=False,
    )


def read_for_page(
    services: Services,
    work: UnitOfWork,
    stored: StoredPlan,
    contact: Contact,
    voice: Voice,
    asked: Invitation | None,
) -> Reading:
    """The plan in the page's language, as it is to be followed now. Raises WordingError."""
    reading = read_plan(
        stored.plan,
        voice.wordings,
        voice.language,
        services.clinic,
        person=contact.given_name if contact.guardian else "",
        booked=stored.booked,
        questions=questions_for(stored.plan, work.plans.visit_of(stored), services.pack),
        as_of=as_of(stored, contact, asked, services.clock.now()),
    )
    return followed(reading, stored.status)


def followed(reading: Reading, status: Status) -> Reading:
    """The reading without what must not be followed in this status; the warning signs always stay."""
    dropped = NOT_SHOWN.get(status, frozenset())
    return replace(
        reading,
        urgent=() if "urgent" in dropped else reading.urgent,
        sections=tuple(section for section in reading.sections if section.id not in dropped),
        questions=None if "questions" in dropped else reading.questions,
    )
