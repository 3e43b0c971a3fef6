"""What of a plan stands on the patient's page on one day: nothing that must not be followed, a booked visit on top."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.domain.booking import Appointment
from service.domain.contact import Contact
from service.domain.questions import questions_for
from service.domain.recall import Answer
from service.domain.wall_clock import to_wall, zone_named
from service.messages.read_plan import AsOf, followed, read_plan
from service.messages.reading import Reading
from service.messages.today import finished_courses
from service.planning.appointments import booked_plans, called_off
from service.services import Services
from service.storage.records import StoredPlan
from service.storage.unit_of_work import UnitOfWork
from service.web.patient_recall import Invitation
from service.web.patient_words import Voice


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """The visit that is booked and to come, under whichever plan: ISO date and time of the clinic. More than one is
    rare; they are shown until a person says which stands. `person` is the given name when the reader is not the
    patient. `cancelled` is the visit that the reader knows of and that does not stand, where none is booked."""

    visits: tuple[tuple[str, str], ...] = ()
    person: str = ""
    cancelled: tuple[str, str] | None = None


def booked_visit(
    services: Services, work: UnitOfWork, person_id: str, contact: Contact, now: datetime
) -> Booked | None:
    """The card of the next visit; None once its moment is past."""
    booked = [each.appointment for each in booked_plans(services, work, person_id, now)]
    visits = tuple(_iso(each) for each in sorted(each for each in booked if each is not None))
    if visits:
        return Booked(visits=visits, person=contact.given_name if contact.guardian else "")
    cancelled = called_off(services, work, person_id, now)
    return Booked(cancelled=_iso(cancelled)) if cancelled is not None else None


def _iso(appointment: Appointment) -> tuple[str, str]:
    return appointment[0].isoformat(), appointment[1].isoformat("minutes")


def as_of(stored: StoredPlan, contact: Contact, asked: Invitation | None, now: datetime) -> AsOf:
    """What this moment leaves of the plan on its page. The booked visit stands above, until it is past."""
    later = asked is not None and asked.given is Answer.LATER
    return AsOf(
        on=to_wall(now, zone_named(contact.zone)).date(),
        finished=finished_courses(stored.plan, contact, now, given=stored.given),
        folds=True,
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
