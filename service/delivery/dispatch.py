"""One pass over what is due: claim, decide, compose, write it down, hand over, record.

Two short transactions around one network call. The order of the commits is explained in `storage/messages.py`.
"""

from __future__ import annotations

import hashlib
import logging
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from service.delivery.attachments import attachments_for
from service.domain.contact import Channel, Contact
from service.domain.message import ComposedMessage, Envelope, Outcome, Result, State
from service.domain.sending import (
    MAX_ATTEMPTS,
    Decision,
    Drop,
    Hold,
    Reason,
    Send,
    decide,
    needs_a_person,
    retry_at,
)
from service.errors import WordingError
from service.links import STAND_IN, page_url
from service.messages.compose import Letter, compose
from service.planning.aftercare import live_link
from service.services import Services
from service.storage.records import StoredMessage, StoredPlan
from service.storage.unit_of_work import UnitOfWork

log = logging.getLogger("service.delivery")

LEASE = timedelta(minutes=11)
"""Longer than the slowest honest answer (ten minutes, RFC 5321 4.5.3.2.6), so that no live hand-over is given away."""


@dataclass(slots=True)
class Pass:
    """What one pass did: how many messages ended how, and why."""

    claimed: int = 0
    ended: Counter[str] = field(default_factory=Counter)

    def note(self, state: str, reason: str | None = None) -> None:
        """Count one message."""
        self.ended[f"{state}: {reason}" if reason else state] += 1


def send_due(services: Services, owner: str, limit: int = 100) -> Pass:
    """Send what is due now, at most `limit` messages.

    A fault in one message (a plug-in that breaks its promise, a record that cannot be read) is recorded on that message
    and put before a person; the others go on.
    """
    done = Pass()
    now = services.clock.now()
    with services.open_work() as work:
        for lost in work.messages.recover(now):
            work.ledger.ask(lost.person_id, "uncertain", now, message_id=lost.id, detail=lost.detail)
            done.note(State.UNCERTAIN)
        claimed = work.messages.claim(owner, now, LEASE, limit)
        work.commit()
    done.claimed = len(claimed)
    for message in claimed:
        current = message
        try:
            ready = _prepare(services, message, done)
            if ready is not None:
                current = ready.message
                outcome = services.transports[ready.envelope.message.channel].send(ready.envelope)
                _record(services, current, outcome, done)
        except Exception as fault:
            log.exception("message %s: %s", current.id, type(fault).__name__)
            _record_fault(services, current, fault, done)
    return done


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ready:
    """A message whose hand-over is written down as begun."""

    message: StoredMessage
    envelope: Envelope


def _prepare(services: Services, message: StoredMessage, done: Pass) -> _Ready | None:
    """Decide, compose, decide again and write down that the hand-over begins; None when it does not go now."""
    with services.open_reading() as work:
        case = _look(services, work, message)
        if case.channel is None:
            composed = None
        else:
            try:
                composed = _compose(services, work, message, case, case.channel)
            except WordingError as unsaid:
                case = replace(case, decision=Drop(reason=Reason.WORDING_NOT_APPROVED), detail=str(unsaid))
                composed = None
    if composed is None:
        with services.open_work() as work:
            _settle(work, message, case, services.clock.now(), done)
            work.commit()
        return None
    token, composed = _with_files(services, message, case, composed)
    now = services.clock.now()
    with services.open_work() as work:
        again = _look(services, work, message)  # a stop, a death, a withdrawal may have come in meanwhile
        if again.channel is not composed.channel:
            _settle(work, message, again, now, done)
            work.commit()
            return None
        begun = work.messages.begin(message, composed, body_hash(composed), now, LEASE)
        if begun is not None and composed.missing:
            detail = f"sent in {composed.language}: {composed.wanted_language} is not approved"
            work.ledger.ask(message.person_id, "language", now, detail=detail)
        work.commit()
    if begun is None:
        return None
    return _Ready(message=begun, envelope=_envelope(services, begun, with_link(composed, token)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """A message beside its plan and its person, and what may be done with it now."""

    stored: StoredPlan
    contact: Contact
    decision: Decision
    detail: str = ""

    @property
    def channel(self) -> Channel | None:
        """The channel it may go by now, if it may."""
        return self.decision.channel if isinstance(self.decision, Send) else None


def _look(services: Services, work: UnitOfWork, message: StoredMessage) -> _Case:
    stored = work.plans.get(message.plan_id)
    contact = work.people.get(message.person_id).contact
    now = services.clock.now()
    superseded = work.messages.get(message.id).superseded
    decision = decide(message.planned, contact, stored.status, services.clinic, superseded=superseded, now=now)
    if isinstance(decision, Send) and decision.channel not in services.transports:
        detail = f"no transport is set up for {decision.channel}"
        return _Case(stored=stored, contact=contact, decision=Drop(reason=Reason.NO_CHANNEL), detail=detail)
    return _Case(stored=stored, contact=contact, decision=decision)


def _compose(
    services: Services, work: UnitOfWork, message: StoredMessage, case: _Case, channel: Channel
) -> ComposedMessage:
    link = page_url(services.clinic.base_url, STAND_IN)
    letter = Letter(
        link=link,
        booked=case.stored.booked,
        unsubscribe=f"{link}/stop-now" if link.startswith("https://") else None,  # RFC 8058 asks for HTTPS
    )
    wordings = services.wordings(work)
    return compose(message.planned, case.stored.plan, case.contact, services.clinic, wordings, channel, letter)


def _with_files(
    services: Services, message: StoredMessage, case: _Case, composed: ComposedMessage
) -> tuple[str, ComposedMessage]:
    """The token of the person's link, and the message with its files (made while no lock is held)."""
    with services.open_work() as work:
        token = live_link(services, work, message.person_id, services.clock.now())
        work.commit()
    files = attachments_for(services, case.stored, case.contact, composed, message.planned.kind, token)
    return token, replace(composed, attachments=files)


def _settle(work: UnitOfWork, message: StoredMessage, case: _Case, now: datetime, done: Pass) -> None:
    """Record a hold or a drop. A message that may go after all, by another channel, is looked at again at once."""
    if isinstance(case.decision, Drop):
        _drop(work, message, case.decision.reason, now, done, case.detail)
    elif isinstance(case.decision, Hold):
        work.messages.give_back(message, case.decision.until, now, reason=case.decision.reason)
        done.note("held", case.decision.reason)
    else:
        work.messages.give_back(message, now, now)


def _drop(
    work: UnitOfWork, message: StoredMessage, reason: Reason, now: datetime, done: Pass, detail: str = ""
) -> None:
    work.messages.finish(message, State.DROPPED, now, reason=reason, detail=detail)
    if needs_a_person(message.planned.kind, reason):
        work.ledger.ask(message.person_id, reason, now, message_id=message.id, detail=detail)
    done.note(State.DROPPED, reason)


def _envelope(services: Services, message: StoredMessage, composed: ComposedMessage) -> Envelope:
    return Envelope(
        key=message.id,
        message=composed,
        dated=message.planned.due,
        handed=services.clock.now(),
        last_useful=message.planned.last_useful,
        sender_name=services.clinic.name,
        sender_address=services.clinic.email,
    )


def _record(services: Services, message: StoredMessage, outcome: Outcome, done: Pass) -> None:
    """Write down what came of a hand-over."""
    now = services.clock.now()
    with services.open_work() as work:
        if outcome.result is Result.ACCEPTED:
            work.messages.finish(message, State.SENT, now, detail=outcome.detail, reference=outcome.reference)
            done.note(State.SENT)
        elif outcome.result is Result.RETRY and (again := _again(services, message, outcome, now)) is not None:
            work.messages.give_back(message, again, now, detail=outcome.detail)
            done.note("retry")
        else:
            state = State.UNCERTAIN if outcome.result is Result.UNKNOWN else State.FAILED
            reason = {Result.REFUSED: Reason.REFUSED, Result.RETRY: Reason.GAVE_UP}.get(outcome.result)
            _fail(work, message, state, reason, outcome.detail, now, done)
        work.commit()


def _again(services: Services, message: StoredMessage, outcome: Outcome, now: datetime) -> datetime | None:
    """When to try again, or None when that would be too late or too often."""
    again = retry_at(now, message.attempts, outcome.retry_after, services.chance())
    return again if again <= message.planned.last_useful and message.attempts < MAX_ATTEMPTS else None


def _record_fault(services: Services, message: StoredMessage, fault: Exception, done: Pass) -> None:
    """A fault before the hand-over began fails the message; one after it leaves it uncertain."""
    state = State.UNCERTAIN if message.state is State.HANDING else State.FAILED
    with services.open_work() as work:
        detail = f"a fault in the service: {type(fault).__name__}"
        _fail(work, message, state, Reason.FAULT, detail, services.clock.now(), done)
        work.commit()


def _fail(
    work: UnitOfWork,
    message: StoredMessage,
    state: State,
    reason: Reason | None,
    detail: str,
    now: datetime,
    done: Pass,
) -> None:
    work.messages.finish(message, state, now, reason=reason, detail=detail)
    work.ledger.ask(message.person_id, reason or "uncertain", now, message_id=message.id, detail=detail)
    done.note(state, reason)


def body_hash(composed: ComposedMessage) -> str:
    """What pins the exact words of a message: channel, recipient, subject, text and HTML."""
    parts = (composed.channel.value, composed.to, composed.subject, composed.text, composed.html or "")
    return hashlib.sha256("\x00".join(parts).encode()).hexdigest()


def with_link(composed: ComposedMessage, token: str) -> ComposedMessage:
    """The message with the real token in place of its stand-in: what leaves, but is never stored."""
    return replace(
        composed,
        text=composed.text.replace(STAND_IN, token),
        html=composed.html.replace(STAND_IN, token) if composed.html is not None else None,
        unsubscribe=composed.unsubscribe.replace(STAND_IN, token) if composed.unsubscribe is not None else None,
    )
