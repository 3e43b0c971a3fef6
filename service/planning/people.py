"""Adding a person, correcting how they are reached, renewing their link, and marking what ends every message."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from typing import Any

from service.domain.contact import Channel, Contact, compared
from service.domain.recall import Ended
from service.domain.wall_clock import zone_named
from service.planning.aftercare import live_link
from service.planning.attention import STANDS, WRONG_CONTACT
from service.planning.laying_out import replan
from service.planning.recalling import reached_anew_in, takes_appointments
from service.planning.standing import ask_in, stands
from service.planning.taking_back import end_in, reopen_in
from service.services import Services
from service.storage.records import Person
from service.storage.unit_of_work import UnitOfWork


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
    """Store a corrected contact; what is still unsent follows it at once.

    What only the person decides stays: their times of day, a pause, a stop, a withdrawn consent; and so do a move away
    and a death. A number or address that was found unusable counts as usable again only when it really changed.
    Raises NotFoundError, ContactError.
    """
    zone_named(contact.zone)
    now = services.clock.now()
    with services.open_work() as work:
        person = work.people.get(person_id)
        before = person.contact
        mended = {channel for channel in before.bad if _goes_to(before, channel) != _goes_to(contact, channel)}
        kept = replace(
            contact,
            rhythm=before.rhythm,
            paused_until=before.paused_until,
            stopped=before.stopped,
            left=before.left,
            died=before.died,
            withdrawn=before.withdrawn,
            bad=before.bad - mended,
        )
        work.people.save(replace(person, name=name, born=born, contact=kept))
        fresh = frozenset(each for each in Channel if _goes_to(before, each) != _goes_to(kept, each))
        if fresh:
            reached_anew_in(services, work, person_id, kept, now)
        if mended and not kept.bad:
            work.by_hand.close_open(person_id, WRONG_CONTACT, by, now)
        _lay_out_anew(services, work, person_id, kept, now, fresh)
        work.ledger.note(by, "person-corrected", person_id, now)
        for channel in sorted(mended):
            work.ledger.note(by, "channel-mended", person_id, now, channel=channel.value)
        work.commit()


def _goes_to(contact: Contact, channel: Channel) -> str:
    """Where a channel goes to, in the form in which two are compared."""
    if channel is Channel.LETTER:
        return "\n".join(" ".join(line.split()).casefold() for line in contact.address)
    return compared(channel, (contact.phone if channel is Channel.TEXT else contact.email) or "")


def trust_channel(services: Services, person_id: str, channel: Channel, by: str) -> None:
    """The number or address that was found unusable is right after all: it is used again. Raises NotFoundError."""
    now = services.clock.now()
    with services.open_work() as work:
        person = work.people.get(person_id)
        if channel not in person.contact.bad:
            return
        contact = replace(person.contact, bad=person.contact.bad - {channel})
        work.people.save(replace(person, contact=contact))
        reached_anew_in(services, work, person_id, contact, now)
        if not contact.bad:
            work.by_hand.close_open(person_id, WRONG_CONTACT, by, now)
        _lay_out_anew(services, work, person_id, contact, now, frozenset({channel}))
        work.ledger.note(by, "channel-trusted", person_id, now, channel=channel.value)
        work.commit()
    services.wake()


def mark_left(services: Services, person_id: str, by: str, *, left: bool) -> None:
    """The person moved away (or that was a mistake): from now on nothing (or again everything) is sent.

    Raises NotFoundError.
    """
    _mark(services, person_id, by, "left", left, "person-left" if left else "person-back")


def mark_died(services: Services, person_id: str, by: str, *, died: bool) -> None:
    """The person died (or that was a mistake): from now on nothing (or again everything) is sent.

    Raises NotFoundError.
    """
    _mark(services, person_id, by, "died", died, "person-died" if died else "person-lives")


def mark_withdrawn(services: Services, person_id: str, by: str, *, withdrawn: bool) -> None:
    """The person withdrew consent to messages, or gave it anew. Channels that they stopped stay stopped.

    Raises NotFoundError.
    """
    _mark(services, person_id, by, "withdrawn", withdrawn, "consent-withdrawn" if withdrawn else "consent-recorded")


_ENDS_RECALL = {"left": Ended.LEFT, "died": Ended.DIED}


def _mark(services: Services, person_id: str, by: str, field: str, holds: bool, action: str) -> None:
    """Set or clear one of the days that end every message: the present day at the clinic. The first day stands when it
    is marked twice."""
    now = services.clock.now()
    with services.open_work() as work:
        person = work.people.get(person_id)
        if (getattr(person.contact, field) is not None) is holds:
            return
        today = services.day_of(now)
        change: dict[str, Any] = {field: today if holds else None}
        contact = replace(person.contact, **change)
        work.people.save(replace(person, contact=contact))
        if holds:
            if field in _ENDS_RECALL:
                end_in(services, work, person_id, _ENDS_RECALL[field], by, now)
                _ask_for_the_slot(services, work, person_id, now)
            work.messages.hurry(person_id, now)  # what waits is looked at now, and dropped
        else:
            if field in _ENDS_RECALL:
                reopen_in(services, work, person_id, by, now)
                if not contact.gone:
                    ask_in(services, work, person_id, now)
            _lay_out_anew(services, work, person_id, contact, now)
        work.ledger.note(by, action, person_id, now)
        work.commit()
    services.wake()


def _ask_for_the_slot(services: Services, work: UnitOfWork, person_id: str, now: datetime) -> None:
    """An appointment of somebody who died or moved away still stands in the clinic's diary."""
    slots = [each.booked for each in work.plans.of_person(person_id) if each.booked and stands(services, each, now)]
    if slots:
        detail = f"{', '.join(' at '.join(each) for each in slots)}: free it in the diary, and cancel it here"
        work.ledger.ask(person_id, STANDS, now, detail=detail)


def _lay_out_anew(
    services: Services,
    work: UnitOfWork,
    person_id: str,
    contact: Contact,
    now: datetime,
    fresh: frozenset[Channel] = frozenset(),
) -> None:
    for stored in work.plans.of_person(person_id):
        if takes_appointments(work, stored):
            replan(services, work, stored, contact, now, fresh)


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
