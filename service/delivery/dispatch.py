"""One pass over what is due: claim, decide, compose, write it down, hand over, record.

Two short transactions around one network call. The order of the commits is explained in `storage/messages.py`.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from service.delivery.attachments import attachments_for
from service.domain.message import ComposedMessage, Envelope, MessageKind, Outcome, Result, State
from service.domain.sending import COMFORT, MAX_ATTEMPTS, NEEDS_A_PERSON, Drop, Hold, Reason, decide, retry_at
from service.errors import WordingError
from service.links import STAND_IN, page_url, token_of
from service.messages.compose import Letter, compose
from service.planning.aftercare import live_link
from service.services import Services
from service.storage.records import StoredMessage
from service.storage.unit_of_work import UnitOfWork

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
    """Send what is due now, at most `limit` messages."""
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
        prepared = _prepare(services, message, done)
        if prepared is not None:
            _hand_over(services, *prepared, done)
    return done


def _prepare(services: Services, message: StoredMessage, done: Pass) -> tuple[StoredMessage, Envelope] | None:
    """Decide, compose and write down that the hand-over begins; None when the message does not go now."""
    now = services.clock.now()
    with services.open_work() as work:
        stored = work.plans.get(message.plan_id)
        contact = work.people.get(message.person_id).contact
        decision = decide(
            message.planned, contact, stored.status, services.clinic, superseded=message.superseded, now=now
        )
        if isinstance(decision, Hold):
            work.messages.give_back(message, decision.until, now, reason=decision.reason)
            done.note("held", decision.reason)
        elif isinstance(decision, Drop):
            _drop(work, message, decision.reason, now, done)
        elif decision.channel not in services.transports:
            _drop(work, message, Reason.NO_CHANNEL, now, done, f"no transport is set up for {decision.channel}")
        else:
            token = live_link(services, work, message.person_id, now)
            booked = None
            if stored.appointment is not None:
                booked = (stored.appointment[0].isoformat(), stored.appointment[1].isoformat("minutes"))
            letter = Letter(link=page_url(services.clinic.base_url, STAND_IN), booked=booked)
            try:
                composed = compose(
                    message.planned,
                    stored.plan,
                    contact,
                    services.clinic,
                    services.wordings(work),
                    decision.channel,
                    letter,
                )
            except WordingError as unsaid:
                _drop(work, message, Reason.WORDING_NOT_APPROVED, now, done, str(unsaid))
            else:
                begun = work.messages.begin(message, composed, body_hash(composed), now, LEASE)
                if begun is not None:
                    if composed.missing:
                        detail = f"sent in {composed.language}: {composed.wanted_language} is not approved"
                        work.ledger.ask(message.person_id, "language", now, detail=detail)
                    sent = replace(
                        with_link(composed, token),
                        attachments=attachments_for(
                            services, work, stored, contact, composed, message.planned.kind, token
                        ),
                    )
                    work.commit()
                    return begun, _envelope(services, begun, sent)
        work.commit()
    return None


def _drop(
    work: UnitOfWork, message: StoredMessage, reason: Reason, now: datetime, done: Pass, detail: str = ""
) -> None:
    work.messages.finish(message, State.DROPPED, now, reason=reason, detail=detail)
    if reason in NEEDS_A_PERSON and not (reason is Reason.NO_CHANNEL and message.planned.kind in COMFORT):
        work.ledger.ask(message.person_id, reason, now, message_id=message.id, detail=detail)
    done.note(State.DROPPED, reason)


def _envelope(services: Services, message: StoredMessage, composed: ComposedMessage) -> Envelope:
    return Envelope(
        key=message.id,
        message=composed,
        dated=message.planned.due,
        last_useful=message.planned.last_useful,
        sender_name=services.clinic.name,
        sender_address=services.clinic.email,
    )


def _hand_over(services: Services, message: StoredMessage, envelope: Envelope, done: Pass) -> None:
    outcome = services.transports[envelope.message.channel].send(envelope)
    now = services.clock.now()
    with services.open_work() as work:
        _record(services, work, message, outcome, now, done)
        work.commit()


def _record(
    services: Services, work: UnitOfWork, message: StoredMessage, outcome: Outcome, now: datetime, done: Pass
) -> None:
    if outcome.result is Result.ACCEPTED:
        work.messages.finish(message, State.SENT, now, detail=outcome.detail, reference=outcome.reference)
        done.note(State.SENT)
        return
    if outcome.result is Result.RETRY:
        again = retry_at(now, message.attempts, outcome.retry_after, services.chance())
        if again <= message.planned.last_useful and message.attempts < MAX_ATTEMPTS:
            work.messages.give_back(message, again, now, detail=outcome.detail)
            done.note("retry")
            return
    state = State.UNCERTAIN if outcome.result is Result.UNKNOWN else State.FAILED
    reason = {Result.REFUSED: Reason.REFUSED, Result.RETRY: Reason.GAVE_UP}.get(outcome.result)
    work.messages.finish(message, state, now, reason=reason, detail=outcome.detail)
    work.ledger.ask(message.person_id, reason or "uncertain", now, message_id=message.id, detail=outcome.detail)
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
    )
