"""A number or address that the far side calls unusable: nothing more goes there until a person corrects it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from service.domain.contact import Channel
from service.domain.sending import Reason
from service.storage.unit_of_work import UnitOfWork


def hold_people_at(work: UnitOfWork, channel: Channel | None, to: str, person_id: str) -> list[str]:
    """Everybody who is reached at this number or address, held with the person whose message it was: people first, then
    messages, as everywhere, so that nobody waits in a circle."""
    people = work.inbound.people_at(channel, to) if channel is not None else []
    for each in sorted({person_id, *people}):
        work.people.get(each)
    return people


def mark_unusable_in(
    work: UnitOfWork, people: Sequence[str], person_id: str, channel: Channel, detail: str, by: str, now: datetime
) -> None:
    """Mark the contact of these `people`, and put them before a person of the clinic, with the one whose message it
    was: each once, since ten messages to a dead number are one thing to do."""
    for each in people:
        person = work.people.get(each)
        bad = person.contact.bad | {channel}
        work.people.save(replace(person, contact=replace(person.contact, bad=bad)))
        work.ledger.note(by, Reason.CONTACT_INVALID, each, now, channel=channel.value)
    for each in dict.fromkeys([*people, person_id]):
        work.ledger.ask(each, Reason.CONTACT_INVALID, now, detail=f"{channel}: {detail}")
