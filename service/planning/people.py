"""Adding a person, correcting how they are reached, renewing their link, and marking them as left."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from service.domain.contact import Contact
from service.domain.plan import Status
from service.domain.wall_clock import zone_named
from service.planning.aftercare import live_link, replan
from service.services import Services
from service.storage.records import Person


def add_person(services: Services, name: str, born: date | None, contact: Contact, by: str) -> Person:
    """Store a new person. Raises ContactError for an unknown zone."""
    zone_named(contact.zone)
    now = services.clock.now()
    person = Person(id=services.new_id(), name=name, born=born, contact=contact)
    with services.open_work() as work:
        work.people.add(person, now)
        work.ledger.note(by, "person-added", person.id, now)
        work.commit()
    return person


def correct_person(services: Services, person_id: str, name: str, born: date | None, contact: Contact, by: str) -> None:
    """Store a corrected contact; what is still unsent follows it at once. What only the person decides stays:
    their times of day, a pause and a stop. Raises NotFoundError, ContactError."""
    zone_named(contact.zone)
    now = services.clock.now()
    with services.open_work() as work:
        person = work.people.get(person_id)
        before = person.contact
        kept = replace(
            contact,
            rhythm=before.rhythm,
            paused_until=before.paused_until,
            stopped=before.stopped,
            left=before.left,
        )
        work.people.save(replace(person, name=name, born=born, contact=kept))
        for stored in work.plans.of_person(person_id):
            if stored.status in (Status.ACTIVE, Status.ON_HOLD):
                replan(services, work, stored, kept, now)
        work.ledger.note(by, "person-corrected", person_id, now)
        work.commit()


def mark_left(services: Services, person_id: str, by: str, *, left: bool) -> None:
    """The person moved away or died (or that was a mistake): from now on nothing (or again everything) is sent.

    Raises NotFoundError.
    """
    now = services.clock.now()
    with services.open_work() as work:
        person = work.people.get(person_id)
        on = now.astimezone(zone_named(services.clinic.zone)).date() if left else None
        work.people.save(replace(person, contact=replace(person.contact, left=on)))
        work.messages.hurry(person_id, now)
        work.ledger.note(by, "person-left" if left else "person-back", person_id, now)
        work.commit()


def revoke_links(services: Services, person_id: str, by: str) -> None:
    """Make every link of the person worthless, for one that went to somebody else. Raises NotFoundError."""
    now = services.clock.now()
    with services.open_work() as work:
        work.people.get(person_id)
        work.links.revoke_all(person_id, now)
        work.ledger.note(by, "link-revoked", person_id, now)
        work.commit()


def renew_link(services: Services, person_id: str, by: str) -> None:
    """Revoke every link of the person and make a new one; later messages carry it. Raises NotFoundError."""
    now = services.clock.now()
    with services.open_work() as work:
        work.people.get(person_id)
        work.links.revoke_all(person_id, now)
        live_link(services, work, person_id, now)
        work.ledger.note(by, "link-renewed", person_id, now)
        work.commit()
