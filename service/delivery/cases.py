"""A message beside everything that decides about it at this moment, and the decision. Loaded for many at a time."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from service import codec
from service.domain.contact import Channel, Contact
from service.domain.joining import JOINED, Ready
from service.domain.letter_time import useful_by_letter
from service.domain.message import MessageKind, PlannedMessage, State
from service.domain.sending import (
    EXEMPT,
    IMPORTANCE,
    LABELS,
    Circumstances,
    Decision,
    Drop,
    Hold,
    Reason,
    Send,
    channels_for,
    decide,
    pick_channel,
)
from service.domain.transport_health import Health, not_before
from service.domain.wall_clock import zone_named
from service.services import Services
from service.storage.records import Ending, Facts, StoredMessage
from service.storage.unit_of_work import UnitOfWork

_DAY = timedelta(hours=26)
"""Longer than the longest local day, so that a count of today misses nothing."""

_TIME_RAN_OUT = frozenset({Reason.TOO_LATE, Reason.QUIET_HOURS, Reason.DAILY_CAP})
"""Reasons that say no more than that there is no time left in which the message may go."""

_ROOM = 5
"""Important messages that one person may be due on one day, at most: nearer to the cap than this, they are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One message, its person, what is true about it now, and what may be done with it."""

    message: StoredMessage
    contact: Contact
    facts: Facts
    circumstances: Circumstances
    decision: Decision
    detail: str = ""

    @property
    def channel(self) -> Channel | None:
        """The channel it may go by now, if it may."""
        return self.decision.channel if isinstance(self.decision, Send) else None

    def ready(self, services: Services, now: datetime) -> Ready | None:
        """How it may go: now, or (`overdue` false) only along with another one that does; None when it may not."""
        planned, decision = self.message.planned, self.decision
        if isinstance(decision, Send):
            # What waits for its next attempt may go along with another one, and never by itself before its time.
            return self._ready(decision.channel, overdue=self.message.look_at <= now)
        soon = timedelta(minutes=services.pack.timing.join_minutes)
        early = isinstance(decision, Hold) and decision.reason is Reason.NOT_YET and planned.due <= now + soon
        if early and planned.kind is MessageKind.DOSE:  # "it is time" must be true
            return None
        if planned.kind not in JOINED or not (early or decision.reason is Reason.DAILY_CAP):
            return None
        along = replace(self.circumstances, sent_today=0, waiting_today=0)
        asked = decide(
            replace(planned, earliest=min(planned.earliest, now)), self.contact, services.clinic, along, now=now
        )
        return self._ready(asked.channel, overdue=False) if isinstance(asked, Send) else None

    def _ready(self, channel: Channel, *, overdue: bool) -> Ready:
        return Ready(
            id=self.message.id,
            person_id=self.message.person_id,
            message=self.message.planned,
            contact=self.contact,
            channel=channel,
            overdue=overdue,
        )

    def ending(self, now: datetime) -> Ending:
        """What becomes of it when it does not go now: dropped, held, or looked at again at once."""
        message = self.message
        if isinstance(self.decision, Drop):
            reason = self.decision.reason
            if reason in _TIME_RAN_OUT and message.attempts:  # it was tried, and came to nothing in time
                detail = f"{LABELS[reason]}; the last attempt: {message.detail}"
                return Ending(message=message, state=State.FAILED, reason=Reason.GAVE_UP, detail=detail)
            if reason in _TIME_RAN_OUT and message.reason == Reason.TRANSPORT_PAUSED:
                reason = Reason.TRANSPORT_PAUSED  # nothing but the way out kept it, so a person is told
            return Ending(message=message, state=State.DROPPED, reason=reason, detail=self.detail)
        if isinstance(self.decision, Hold):
            return Ending(
                message=self.message, state=State.PENDING, look_at=self.decision.until, reason=self.decision.reason
            )
        return Ending(message=self.message, state=State.PENDING, look_at=now)


@dataclass(slots=True)
class Looking:
    """Looks at messages in one pass; remembers the contacts that it has read, and how the transports last did."""

    services: Services
    contacts: dict[str, Contact] = field(default_factory=dict)
    health: dict[Channel, Health] = field(default_factory=dict)

    def cases(self, work: UnitOfWork, messages: Sequence[StoredMessage], now: datetime) -> dict[str, Case]:
        """Each message's case, by id, as the record stands in this transaction."""
        return self.cases_with(work, messages, self.facts(work, messages, now), now)

    def facts(self, work: UnitOfWork, messages: Sequence[StoredMessage], now: datetime) -> dict[str, Facts]:
        """What is true about each of these messages, by id."""
        return work.facts.about([message.id for message in messages], now - _DAY) if messages else {}

    def cases_with(
        self, work: UnitOfWork, messages: Sequence[StoredMessage], facts: Mapping[str, Facts], now: datetime
    ) -> dict[str, Case]:
        """The same, where the facts were read before in this transaction."""
        if not messages:
            return {}
        around = self._around(work, [facts[message.id] for message in messages if message.id in facts], now)
        found = {}
        for message in messages:
            if message.id in facts:
                found[message.id] = self._case(message, facts[message.id], around, now)
        return found

    def _case(self, message: StoredMessage, facts: Facts, around: _Around, now: datetime) -> Case:
        contact = self.contacts.get(facts.contact)
        if contact is None:
            contact = self.contacts[facts.contact] = codec.load(Contact, facts.contact)
        circumstances = around.of(message, facts, contact, now)
        decision = decide(message.planned, contact, self.services.clinic, circumstances, now=now)
        if (until := self._until_by_letter(message.planned, contact, circumstances, decision)) is not None:
            message = replace(message, planned=replace(message.planned, last_useful=until))
            decision = decide(message.planned, contact, self.services.clinic, circumstances, now=now)
        detail = ""
        if isinstance(decision, Drop) and decision.reason is Reason.NO_CHANNEL:
            unfitted = [each for each in contact.channels if contact.reach(each) and each not in circumstances.fitted]
            detail = f"no transport is set up for {unfitted[0]}" if unfitted else ""
        return Case(
            message=message,
            contact=contact,
            facts=facts,
            circumstances=circumstances,
            decision=decision,
            detail=detail,
        )

    def _until_by_letter(
        self, planned: PlannedMessage, contact: Contact, circumstances: Circumstances, decision: Decision
    ) -> datetime | None:
        """The last useful moment of a message that was planned for another channel and goes by letter now."""
        if Channel.LETTER not in contact.channels or pick_channel(planned.kind, contact) is Channel.LETTER:
            return None
        left = [each for each in channels_for(planned, contact, circumstances) if each not in circumstances.off]
        goes_so = isinstance(decision, Send) and decision.channel is Channel.LETTER
        if left[:1] != [Channel.LETTER] and not goes_so:
            return None
        return useful_by_letter(planned, contact, self.services.pack.timing)

    def _around(self, work: UnitOfWork, facts: Collection[Facts], now: datetime) -> _Around:
        cap = self.services.clinic.daily_cap
        counted = {each.person_id for each in facts if each.handed_lately} if cap else set()
        near = {each.person_id for each in facts if cap and each.handed_lately + _ROOM >= cap}
        handed = work.facts.handed_since(counted, now - _DAY) if counted else {}
        self.health, off = work.transports.read(lock=bool(self.services.rates))
        return _Around(
            fitted=frozenset(self.services.transports),
            off=off,
            health=self.health,
            handed=handed,
            waiting=work.facts.waiting_until(near, now + _DAY) if near else {},
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Around:
    """What is true for many messages at once."""

    fitted: frozenset[Channel]
    off: frozenset[Channel]
    health: Mapping[Channel, Health]
    handed: Mapping[str, Sequence[datetime]]
    waiting: Mapping[str, Sequence[tuple[MessageKind, datetime]]]

    def of(self, message: StoredMessage, facts: Facts, contact: Contact, now: datetime) -> Circumstances:
        """The circumstances of one message."""
        handed = self.handed.get(facts.person_id, ())
        waiting = self.waiting.get(facts.person_id, ())
        sent_today = waiting_today = 0
        if handed or waiting:
            zone = zone_named(contact.zone)
            today = now.astimezone(zone).date()
            mine = IMPORTANCE[message.planned.kind]
            sent_today = sum(1 for at in handed if at.astimezone(zone).date() == today)
            waiting_today = sum(
                1
                for kind, due in waiting
                if IMPORTANCE[kind] < mine and kind not in EXEMPT and due.astimezone(zone).date() <= today
            )
        return Circumstances(
            plan=facts.plan,
            superseded=facts.superseded,
            booked=facts.booked,
            dose_done=facts.dose_done,
            tried=facts.tried,
            fitted=self.fitted,
            off=self.off,
            paused={
                channel: ready for channel, health in self.health.items() if (ready := not_before(health, now)) > now
            },
            sent_today=sent_today,
            waiting_today=waiting_today,
        )
