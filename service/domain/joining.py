"""Which messages are said in one? Reminders that fall near each other reach a person as one message, not as several.

That is so for one person's own (both ears, two plans), and for several patients at one number (two children of one
guardian) when each of them said that it may be.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from service.domain.contact import Channel, Contact, compared
from service.domain.message import MessageKind, PlannedMessage
from service.domain.sending import IMPORTANCE

JOINED = frozenset(
    {
        MessageKind.APPOINTMENT,
        MessageKind.CHECK_IN,
        MessageKind.COURSE_END,
        MessageKind.DOSE,
    }
)
"""Kinds that may share one message. Warnings, the plan, news of an appointment and answers always stand alone, and so
do invitations: each asks for an answer of its own, of one person."""

APART = (frozenset({MessageKind.COURSE_END, MessageKind.DOSE}),)
"""Kinds that contradict each other when one message says both of one person: "a part of the plan is finished" beside
"it is time for the next step". Our choice."""

MOST_JOINED = 6
MOST_PEOPLE = 3
"""Messages in one, and people of whom one speaks: a longer text is no longer read. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """A message that may go by this channel: now, or within the time in which messages are joined.

    `overdue` says that it goes now in any case; another one goes early with it, and never by itself.
    """

    id: str
    person_id: str
    message: PlannedMessage
    contact: Contact
    channel: Channel
    overdue: bool = True


def join(ready: Iterable[Ready]) -> list[tuple[Ready, ...]]:
    """The messages put together: each tuple is one, the most important first, which carries the others. One that is
    not due yet and finds nobody to go with is left out."""
    groups: dict[object, list[Ready]] = {}
    for each in sorted(ready, key=_order):
        groups.setdefault(_recipient(each), []).append(each)
    bundles: list[tuple[Ready, ...]] = []
    for group in groups.values():
        while any(each.overdue for each in group):
            # Those that are due come first into the message; what only could go along fills the rest.
            chosen = _first_of(sorted(group, key=lambda each: (not each.overdue, _order(each))))
            bundles.append(tuple(sorted(chosen, key=_order)))
            taken = {each.id for each in chosen}
            group[:] = [each for each in group if each.id not in taken]
    return sorted(bundles, key=lambda bundle: _order(bundle[0]))


def _first_of(group: Sequence[Ready]) -> list[Ready]:
    people: set[str] = set()
    chosen: list[Ready] = []
    for each in group:
        room = len(chosen) < MOST_JOINED and (each.person_id in people or len(people) < MOST_PEOPLE)
        if room and not any(_contradict(each, other) for other in chosen):
            people.add(each.person_id)
            chosen.append(each)
    return chosen


def _contradict(one: Ready, other: Ready) -> bool:
    return one.person_id == other.person_id and {one.message.kind, other.message.kind} in APART


class OfPerson(Protocol):
    """Anything that is about one person."""

    @property
    def person_id(self) -> str:
        """Whom it is about."""
        ...


def people_of(bundle: Sequence[OfPerson]) -> list[str]:
    """The ids of those whom a bundle speaks of: the carrier's person first, the others in the order of their ids."""
    first = bundle[0].person_id
    return [first, *sorted({each.person_id for each in bundle} - {first})]


def order_of(message: PlannedMessage, message_id: str) -> tuple[int, datetime, str]:
    """Sorts messages as they are said: the most important first, then the one that was due first."""
    return IMPORTANCE[message.kind], message.due, message_id


def _order(ready: Ready) -> tuple[int, datetime, str]:
    return order_of(ready.message, ready.id)


def _recipient(ready: Ready) -> object:
    """Equal for two messages that may be one."""
    contact = ready.contact
    if ready.message.kind not in JOINED or ready.channel is Channel.LETTER:
        return ready.id
    number = compared(Channel.TEXT, contact.phone or "")
    if ready.channel is Channel.TEXT and contact.join_with_others and number:
        return contact.language, number
    return ready.person_id, ready.channel
