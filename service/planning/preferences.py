"""What a patient changes through their page: a dose marked, times, language, simpler sentences, channels, a pause, a
stop.

Each change is one transaction with its audit line, and what is still unsent follows it at once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, time, timedelta

from service.domain.contact import Channel, Contact, ReminderLevel, Rhythm
from service.domain.course import doses
from service.domain.plan import Plan
from service.domain.wall_clock import zone_named
from service.errors import ContactError, NotFoundError
from service.planning.as_booked import plan_as_booked
from service.planning.laying_out import replan
from service.planning.recalling import takes_appointments
from service.services import Services
from service.storage.unit_of_work import UnitOfWork

LONGEST_PAUSE_DAYS = 60
"""A longer pause would outlast the plan; who wants that stops instead. Our choice."""


def mark_dose(services: Services, person_id: str, wall: str, *, done: bool) -> None:
    """Note one dose of the current plan as done, or take that back; `wall` is its local time, "2026-11-25T21:30".

    Raises NotFoundError when there is no plan, or no dose at that time.
    """
    now = services.clock.now()
    with services.open_work() as work:
        stored = work.plans.current(person_id)
        if stored is None:
            raise NotFoundError("there is no plan to mark a dose of")
        contact = work.people.get(person_id).contact
        walls = _walls(plan_as_booked(services.pack, stored), contact)
        if wall not in work.plans.marks(stored.id) and wall not in walls:
            raise NotFoundError("there is no dose at that time")
        if done:
            work.plans.mark_dose(stored.id, wall, now)
        else:
            work.plans.unmark_dose(stored.id, wall)
        work.commit()


def _walls(plan: Plan, contact: Contact) -> set[str]:
    zone = zone_named(contact.zone)
    found = (dose for course in plan.courses for dose in doses(course, contact.rhythm, zone))
    return {dose.wall.isoformat(timespec="minutes") for dose in found}


def change_rhythm(services: Services, person_id: str, times: dict[str, time]) -> None:
    """The person's own times of day. Raises ContactError when they do not rise through the day."""
    try:
        rhythm = Rhythm(**times)
    except ValueError as wrong:
        raise ContactError("times", str(wrong)) from wrong
    _change(services, person_id, "times-changed", lambda contact: replace(contact, rhythm=rhythm))


def change_zone(services: Services, person_id: str, zone: str) -> None:
    """Where the person is, as an IANA zone name. Raises ContactError for an unknown one."""
    zone_named(zone)
    _change(services, person_id, "zone-changed", lambda contact: replace(contact, zone=zone))


def change_language(services: Services, person_id: str, language: str) -> None:
    """The person's language. Raises ContactError when no catalog has it."""
    if language != services.pack.source_language and language not in services.catalogs.languages:
        raise ContactError("language", "choose one of the languages shown")
    _change(services, person_id, "language-changed", lambda contact: replace(contact, language=language))


def change_sentences(services: Services, person_id: str, *, easy: bool) -> None:
    """Whether the person gets the simpler form of each sentence that has one."""
    _change(services, person_id, "sentences-changed", lambda contact: replace(contact, easy_read=easy))


def change_reach(
    services: Services, person_id: str, channels: tuple[Channel, ...], reminders: ReminderLevel, *, discreet: bool
) -> None:
    """Which channels the person wants, in order, how many reminders, and whether texts stay discreet.

    Raises ContactError when a channel has no number or address yet.
    """

    def change(contact: Contact) -> Contact:
        for channel in channels:
            lacking = {
                Channel.TEXT: contact.phone is None,
                Channel.EMAIL: contact.email is None,
                Channel.LETTER: not contact.address,
            }
            if lacking[channel]:
                raise ContactError("channels", f"we have no way to reach you by {channel.value} yet: ask the clinic")
        return replace(contact, channels=channels, stopped=frozenset(), reminders=reminders, discreet=discreet)

    _change(services, person_id, "reach-changed", change)


def pause(services: Services, person_id: str, days: int) -> None:
    """Nothing for `days` days from today (0 ends a pause). Raises ContactError outside 0 to 60."""
    if not 0 <= days <= LONGEST_PAUSE_DAYS:
        raise ContactError("days", f"a pause lasts from 0 (none) to {LONGEST_PAUSE_DAYS} days")
    now = services.clock.now()

    def change(contact: Contact) -> Contact:
        today: date = now.astimezone(zone_named(contact.zone)).date()
        return replace(contact, paused_until=today + timedelta(days=days - 1) if days else None)

    _change(services, person_id, "paused" if days else "pause-ended", change)


def stop(services: Services, person_id: str, actor: str = "patient") -> None:
    """Stop every message to this person; the plan and its page stay. Stopping twice changes nothing."""
    _change(services, person_id, "stopped", lambda contact: replace(contact, stopped=frozenset(Channel)), actor)


def start_again(services: Services, person_id: str, actor: str = "patient") -> None:
    """Take a stop back."""
    _change(services, person_id, "started-again", lambda contact: replace(contact, stopped=frozenset()), actor)


def stop_channel(services: Services, person_id: str, channel: Channel, actor: str, how: str) -> bool:
    """Stop one channel; the others go on. `how` is a code for the record ("reply", "complaint").

    Returns False when it was stopped already. Raises NotFoundError.
    """
    with services.open_work() as work:
        changed = stop_channel_in(services, work, person_id, channel, actor, how)
        work.commit()
    return changed


def start_channel(services: Services, person_id: str, channel: Channel, actor: str, how: str) -> bool:
    """Take the stop of one channel back. Returns False when it was not stopped. Raises NotFoundError."""
    with services.open_work() as work:
        changed = start_channel_in(services, work, person_id, channel, actor, how)
        work.commit()
    return changed


def stop_channel_in(
    services: Services, work: UnitOfWork, person_id: str, channel: Channel, actor: str, how: str
) -> bool:
    """Like `stop_channel`, as a part of a larger transaction."""
    return _switch_channel(services, work, person_id, channel, actor, how, stop=True)


def start_channel_in(
    services: Services, work: UnitOfWork, person_id: str, channel: Channel, actor: str, how: str
) -> bool:
    """Like `start_channel`, as a part of a larger transaction."""
    return _switch_channel(services, work, person_id, channel, actor, how, stop=False)


def _switch_channel(
    services: Services, work: UnitOfWork, person_id: str, channel: Channel, actor: str, how: str, *, stop: bool
) -> bool:
    def change(contact: Contact) -> Contact:
        return replace(contact, stopped=contact.stopped | {channel} if stop else contact.stopped - {channel})

    action = "channel-stopped" if stop else "channel-started-again"
    return _change_in(services, work, person_id, action, change, actor, {"channel": channel.value, "how": how})


def _change(
    services: Services, person_id: str, action: str, change: Callable[[Contact], Contact], actor: str = "patient"
) -> None:
    with services.open_work() as work:
        if _change_in(services, work, person_id, action, change, actor, {}):
            work.commit()


def _change_in(
    services: Services,
    work: UnitOfWork,
    person_id: str,
    action: str,
    change: Callable[[Contact], Contact],
    actor: str,
    detail: Mapping[str, object],
) -> bool:
    person = work.people.get(person_id)
    contact = change(person.contact)
    if contact == person.contact:
        return False
    work.people.save(replace(person, contact=contact))
    again = frozenset(each for each in Channel if contact.reach(each) and not person.contact.reach(each))
    _follow(services, work, person_id, contact, again)
    work.ledger.note(actor, action, person_id, services.clock.now(), **detail)
    return True


def _follow(services: Services, work: UnitOfWork, person_id: str, contact: Contact, again: frozenset[Channel]) -> None:
    """What is unsent follows the change; a channel that is open `again` is tried even where it had refused."""
    now = services.clock.now()
    for stored in work.plans.of_person(person_id):
        if takes_appointments(work, stored):
            replan(services, work, stored, contact, now, again)
