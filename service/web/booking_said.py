"""What the record says about an appointment: who is told of a change and how, and what about its day is unusual."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time

from babel.dates import format_datetime, format_skeleton

from service.domain.booking import booking_of, tells_truly
from service.domain.contact import Channel, Clinic, Contact
from service.domain.message import MessageKind, State
from service.domain.plan import Plan
from service.domain.recall import Recall
from service.domain.sending import pick_channel
from service.domain.visit import Visit
from service.domain.wall_clock import next_allowed, zone_named
from service.planning.recalling import takes_appointments
from service.planning.standing import TAKEN_OVER, stands
from service.services import Services
from service.storage.records import StoredMessage, StoredPlan
from service.storage.unit_of_work import UnitOfWork
from service.web.shown import day

USUAL_HOURS = (time(7), time(20))
"""An appointment before the first or after the last of these, or on a Sunday, is asked about. Our choice: a slip of the
finger is seen, and nothing is refused, since clinics differ."""
SUNDAY = 7

_BY = {Channel.TEXT: "A text", Channel.EMAIL: "An e-mail", Channel.LETTER: "A letter"}
_WAITS = frozenset({State.PENDING, State.CLAIMED, State.HANDING})
_NOT_GONE = frozenset({State.FAILED, State.DROPPED})
_PHONE_THEM = "Nobody is told by a message: phone them."


@dataclass(frozen=True, slots=True, kw_only=True)
class Teller:
    """Says whom the news of an appointment goes to, and how; `now` in UTC, `post_days` as in the pack's timing."""

    contact: Contact
    clinic: Clinic
    post_days: int
    now: datetime

    def before(self) -> str:
        """Before an appointment is booked, moved or cancelled: whom that tells."""
        if self._channel is None:
            return self._nobody
        if self._channel is Channel.LETTER:
            needed = f"with at least {self.post_days} days for the post; else phone them"
            return f"A letter tells {self._whom} if it comes in time, {needed}."
        return self._goes()

    def after(self, stored: StoredPlan, messages: Sequence[StoredMessage]) -> str:
        """After it was: what has become of the news of the appointment as it stands, of all messages to the person."""
        last = max(
            (
                each
                for each in messages
                if each.plan_id == stored.id and each.planned.kind is MessageKind.BOOKING and not each.superseded
            ),
            key=lambda each: (booking_of(each.planned.key).sequence, each.planned.due),
            default=None,
        )
        if last is not None and tells_truly(last.planned.key, stored.appointment):
            if last.state in _NOT_GONE:
                return _PHONE_THEM
            if last.state not in _WAITS and last.channel is not None:
                return f"{_BY[last.channel]} went to {self._whom}."
            return self._nobody if self._channel is None else self._goes()
        if self._channel is None:
            return self._nobody
        if self._channel is Channel.LETTER:
            return "No letter goes, since it would come too late or they know it so: phone them if they do not."
        return "No message goes: they know it so already."

    @property
    def _whom(self) -> str:
        return self.contact.guardian or self.contact.name

    @property
    def _channel(self) -> Channel | None:
        if self.contact.gone or self.contact.withdrawn is not None:
            return None
        return pick_channel(MessageKind.BOOKING, self.contact)

    @property
    def _nobody(self) -> str:
        return "Nobody is told by a message." if self.contact.died is not None else _PHONE_THEM

    def _goes(self) -> str:
        channel = self._channel
        return f"{_BY[channel]} goes to {self._whom} {self._when(channel)}." if channel is not None else self._nobody

    def _when(self, channel: Channel) -> str:
        """As `domain/sending` has it: not before a pause or the quiet hours are over."""
        contact, zone = self.contact, zone_named(self.contact.zone)
        if contact.paused_until is not None and self.now.astimezone(zone).date() <= contact.paused_until:
            return f"when their pause is over, after {format_skeleton('yMMMd', contact.paused_until, locale='en_GB')}"
        if channel is Channel.LETTER:
            return "at once"
        begin, end = self.clinic.quiet_from, self.clinic.quiet_to
        if contact.quiet_from is not None and contact.quiet_to is not None:
            begin, end = contact.quiet_from, contact.quiet_to
        return "at once" if next_allowed(self.now, zone, begin, end) <= self.now else "when the quiet hours are over"


def not_usual(appointment: tuple[date, time]) -> str:
    """A question about a day or an hour at which few clinics see anybody; empty for any other."""
    on, at = appointment
    if on.isoweekday() != SUNDAY and USUAL_HOURS[0] <= at <= USUAL_HOURS[1]:
        return ""
    return f"This is a {format_datetime(datetime.combine(on, at), 'EEEE, HH:mm', locale='en_GB')}: is that right?"


def too_late_for(recall: Recall | None, stored: StoredPlan) -> date | None:
    """The latest day of the ear that is due, where the appointment of this plan comes after it."""
    if recall is None or not recall.open or stored.appointment is None:
        return None
    of_it = stored.running or recall.plan_id == stored.id
    return recall.window.latest if of_it and stored.appointment[0] > recall.window.latest else None


def still_booked(
    services: Services, current: StoredPlan | None, visit: Visit | None, plan: Plan | None, now: datetime
) -> str:
    """Before a plan is given in place of the current one: what becomes of the appointment that stands. Empty where none
    does, or the visit has the same."""
    if current is None or plan is None or visit is None or current.appointment is None:
        return ""
    if not stands(services, current, now) or visit.appointment == current.appointment:
        return ""
    booked = f"Still booked: {_moment(current.appointment)}."
    if plan.urgent and not current.plan.urgent and visit.appointment is None:
        return f"{booked} It stays with the plan that is put on hold."
    if visit.appointment is None:
        return f"{booked} Leaving it out does not cancel it: the attention list asks."
    return f"{booked} It moves to {_moment(visit.appointment)}."


def left_booked(services: Services, work: UnitOfWork, given: StoredPlan, now: datetime) -> list[str]:
    """After a plan was given: what became of appointments that stood under earlier plans."""
    said = []
    for earlier in work.plans.of_person(given.person_id):
        if earlier.id == given.id:
            continue
        if earlier.appointment is not None and stands(services, earlier, now):
            over = not takes_appointments(work, earlier)
            then = "It is not cancelled: the attention list asks." if over else "It stays with its plan."
            said.append(f"Still booked: {_moment(earlier.appointment)}. {then}")
        for line in work.ledger.history(earlier.id, only=(TAKEN_OVER,)):
            before = datetime.fromisoformat(str(line.detail["before"]))
            was = (before.date(), before.time())
            if line.detail.get("by") == given.id and given.appointment is not None and given.appointment != was:
                said.append(f"The appointment of {_moment(was)} moved to {_moment(given.appointment)}.")
    return said


def _moment(appointment: tuple[date, time]) -> str:
    return f"{day(appointment[0])}, {appointment[1]:%H:%M}"
