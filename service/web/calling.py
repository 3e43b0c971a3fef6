"""Whom to ring, and how: what lists say of a number, and whether somebody said that it is not this person's."""

from __future__ import annotations

from service.domain.contact import Channel, Contact
from service.storage.unit_of_work import UnitOfWork

_SAID = ("wrong-person", "channel-mended", "channel-trusted")
"""Notes of the audit record: not theirs, corrected, and right after all. The newest about a channel counts."""


def said_not_to_be_theirs(work: UnitOfWork, person_id: str, contact: Contact | None = None) -> frozenset[Channel]:
    """The channels whose number or address somebody said to be not this person's, and nobody has mended since. With a
    contact, nothing is read for who has no unusable channel."""
    if contact is not None and not contact.bad:
        return frozenset()
    newest: dict[str, str] = {}
    for line in work.ledger.history(person_id, only=_SAID):
        newest.setdefault(str(line.detail.get("channel", "")), line.action)
    return frozenset(each for each in Channel if newest.get(each.value) == "wrong-person")


def named(channels: frozenset[Channel], contact: Contact) -> tuple[str, ...]:
    """The numbers and addresses themselves, in the order of the channels."""
    address = {Channel.TEXT: contact.phone, Channel.EMAIL: contact.email, Channel.LETTER: ", ".join(contact.address)}
    return tuple(found for each in Channel if each in channels and (found := address[each]))
