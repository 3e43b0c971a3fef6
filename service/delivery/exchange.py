"""The one transaction between hand-overs: record what came of the last ones, begin the next ones, commit once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from service.delivery.bundles import Bundle, carries_live_links, links_of, unsent
from service.delivery.cases import Case, Looking
from service.delivery.lanes import Handed, Handing
from service.domain.contact import Channel
from service.domain.message import Envelope, MessageKind, Outcome, Result, State
from service.domain.outcomes import Next, Tries, after
from service.domain.sending import COMFORT, EXEMPT, Hold, Reason, channels_for, needs_a_person
from service.domain.transport_health import TRIAL, Health, begun, not_before
from service.domain.transport_health import after as health_after
from service.links import bounce_address
from service.services import Services
from service.storage.queue import Held
from service.storage.records import Ending, Facts, StoredMessage
from service.storage.unit_of_work import UnitOfWork
from service.transports.port import repeat_seconds_of

LEASE = timedelta(minutes=11)
"""Longer than the slowest honest answer (ten minutes, RFC 5321 4.5.3.2.6), so that no live hand-over is given away."""

UNCERTAIN = "uncertain"
"""A reason of the attention list: nobody knows whether the message arrived."""


@dataclass(slots=True)
class Pass:
    """What one pass did: how many messages ended how, and why."""

    claimed: int = 0
    ended: Counter[str] = field(default_factory=Counter)

    def note(self, state: str, reason: str | None = None) -> None:
        """Count one message."""
        self.ended[f"{state}: {reason}" if reason else state] += 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Later:
    """A bundle that waits its turn under a rate limit, for so many seconds."""

    bundle: Bundle
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Written:
    """One ending, the note that counts it, and the reason under which a person is asked, if one is."""

    ending: Ending
    note: tuple[str, str | None] | None
    asks: str | None = None


@dataclass(slots=True)
class Exchange:
    """Writes for one pass."""

    services: Services
    looking: Looking
    done: Pass

    def run(
        self, endings: Sequence[Ending], handed: Sequence[Handed], starts: Sequence[Bundle]
    ) -> tuple[list[Handing], list[Later]]:
        """Record, begin and commit; returns what may leave now, and what waits its turn. Raises DatabaseAwayError, and
        then nothing was written."""
        services, now = self.services, self.services.clock.now()
        with services.open_work() as work:
            messages = [case.message for bundle in starts for case in bundle.members]
            messages += [ending.message for ending in endings if _decided(ending)]
            others = [ending.message for ending in endings if not _decided(ending)]
            others += [message for each in handed for message in each.handing.messages]
            facts = self.looking.facts(work, [*messages, *others], now)
            fresh = self.looking.cases_with(work, messages, facts, now)
            before = self.looking.health if messages else work.transports.read()[0]
            health = dict(before)
            written = [_plain(self._as_it_stands(ending, fresh, now)) for ending in endings]
            for each in handed:
                channel = each.handing.envelope.message.channel
                health[channel] = health_after(health.get(channel, Health()), each.outcome, now)
                written += self._outcome(each, now)
            handings, later, unbegun = self._begin(work, starts, fresh, health, now)
            written += [_plain(ending) for ending in unbegun]
            self._end(work, written, facts, now)
            for channel, state in health.items():
                was = before.get(channel, Health())
                if state != was:
                    work.transports.save(channel, state)
                if state.well and not was.well:  # what waited for this trial need not wait for its end
                    work.by_hand.look_now(Reason.TRANSPORT_PAUSED, now, now + TRIAL)
            work.commit()
        for one in written:
            if one.note is not None:
                self.done.note(*one.note)
        return handings, later

    def _as_it_stands(self, ending: Ending, fresh: Mapping[str, Case], now: datetime) -> Ending:
        """The ending that follows from a decision, decided once more: its reason may have gone since. Whoever took a
        plan up again, or a stop back, could not reach a message that is claimed."""
        case = fresh.get(ending.message.id)
        return unsent(case, now) if case is not None and _decided(ending) else ending

    def note_hanging(self, channels: Iterable[Channel]) -> None:
        """Count a far side that does not answer as a failure of its transport, so that it is paused and shown."""
        now = self.services.clock.now()
        with self.services.open_work() as work:
            health, _ = work.transports.read(lock=True)
            for channel in channels:
                outcome = Outcome(result=Result.UNKNOWN, detail="a hand-over is not answered for a long time")
                work.transports.save(channel, health_after(health.get(channel, Health()), outcome, now))
            work.commit()

    def _end(self, work: UnitOfWork, written: Sequence[_Written], facts: Mapping[str, Facts], now: datetime) -> None:
        held = work.queue.end([each.ending for each in written], now, facts)
        for each, how in zip(written, held, strict=True):
            message = each.ending.message
            if how is Held.SETTLED:
                work.inbound.answered(message.id, UNCERTAIN, "late-answer", now)
            if how is not Held.LOST and _newly_held(each.ending):
                until = each.ending.look_at.isoformat(timespec="seconds") if each.ending.look_at else ""
                work.ledger.note("tragus", "message-held", message.id, now, reason=each.ending.reason, until=until)
            if how is not Held.LOST and each.asks is not None:
                # Ten reminders to a dead number are one thing to do.
                by_person = each.asks is Reason.CONTACT_INVALID and message.planned.kind in COMFORT
                about = None if by_person else message.id
                work.ledger.ask(message.person_id, each.asks, now, message_id=about, detail=each.ending.detail)

    def _outcome(self, handed: Handed, now: datetime) -> list[_Written]:
        """What follows for every message of a bundle. What nobody knows is one question for them all; what surely did
        not go is looked at for each."""
        bundle, outcome, channel = handed.handing.bundle, handed.outcome, handed.handing.envelope.message.channel
        carrier, spread = handed.handing.messages[0], self.services.chance()
        shared = self._follows(bundle.members[0], carrier, handed, now, spread)
        if handed.fault:
            shared = Next(state=State.UNCERTAIN, reason=Reason.FAULT)
        found = []
        for case, message in zip(bundle.members, handed.handing.messages, strict=True):
            first = message is carrier
            follows = shared
            if not first and shared.state in (State.PENDING, State.FAILED):
                follows = self._follows(case, message, handed, now, spread)
            ending = Ending(
                message=message,
                state=follows.state,
                look_at=follows.at if follows.state is State.PENDING else None,
                reason=follows.reason,
                detail=outcome.detail,
                reference=outcome.reference if first else None,
                tried=channel if follows.other_channel else None,
                repeat_at=follows.at if follows.state is State.UNCERTAIN and first else None,
            )
            asks = (follows.reason or UNCERTAIN) if follows.needs_a_person else None
            found.append(_Written(ending=ending, note=_note_of(follows, first=first), asks=asks))
        return found

    def _follows(self, case: Case, message: StoredMessage, handed: Handed, now: datetime, spread: float) -> Next:
        channel = handed.handing.envelope.message.channel
        others = False
        if handed.outcome.result is not Result.ACCEPTED:
            refused = replace(case.circumstances, tried=case.circumstances.tried | {channel})
            others = bool(channels_for(message.planned, case.contact, refused))
        tries = Tries(
            channel=channel,
            attempts=message.attempts - message.attempts_elsewhere,
            key_since=message.key_since or now,
            others=others,
            repeat_seconds=repeat_seconds_of(self.services.transports[channel]),
            repeats=message.repeats,
            joined=tuple(each.planned for each in handed.handing.messages if each is not message),
        )
        return after(message.planned, tries, handed.outcome, now=now, spread=spread)

    def _begin(
        self,
        work: UnitOfWork,
        starts: Sequence[Bundle],
        fresh: Mapping[str, Case],
        health: dict[Channel, Health],
        now: datetime,
    ) -> tuple[list[Handing], list[Later], list[Ending]]:
        """Look once more, and write down that the hand-overs start: a stop, a death, a withdrawal may have come in."""
        handings: list[Handing] = []
        later: list[Later] = []
        endings: list[Ending] = []
        if not starts:
            return handings, later, endings
        wordings = self.services.wordings(work)
        links = links_of(fresh.values())
        begun_for: Counter[str] = Counter()
        beginnings = []
        for bundle in starts:
            channel = bundle.composed.channel
            state = health.get(channel, Health())
            stale = bundle.wordings is not wordings
            if not bundle.repeat and not carries_live_links(self.services, bundle, links):
                stale = True  # a link was renewed since these words were made; a repeat keeps its own
            cases = [fresh[case.message.id] for case in bundle.members if case.message.id in fresh]
            ready = not_before(state, now)
            if bundle.repeat and (stale or not self._repeatable(work, bundle, cases, ready, now)):
                continue  # with another wording the next pass looks whether the words are still the same
            if not bundle.repeat and (stale or not self._unchanged(bundle, cases, now)):
                endings += [unsent(case, now) for case in cases if _ours(case)]
                continue
            person_id, counts = bundle.carrier.person_id, bundle.carrier.planned.kind not in EXEMPT
            if counts and not bundle.repeat and begun_for[person_id]:
                # The counts for the daily cap were read before this transaction's own hand-overs: look again.
                endings += [unsent(case, now) for case in cases]
                continue
            if ready > now:
                endings += [_paused(case.message, ready) for case in bundle.members]
                continue
            per_second = self.services.rates.get(channel, 0.0)
            if per_second and state.next_free is not None and state.next_free > now:
                later.append(Later(bundle=bundle, seconds=(state.next_free - now).total_seconds()))
                continue
            health[channel] = begun(state, now, per_second)
            begun_for[person_id] += counts
            written = bundle.beginnings(now)
            beginnings += written
            begun_messages = tuple(
                replace(
                    each.message,
                    state=State.HANDING,
                    attempts=each.message.attempts + 1,
                    rendering=each.rendering,
                    key_since=each.key_since,
                )
                for each in written
            )
            if bundle.composed.missing:
                detail = f"sent in {bundle.composed.language}: {bundle.composed.wanted_language} is not approved"
                work.ledger.ask(bundle.carrier.person_id, "language", now, detail=detail)
            if bundle.repeat:
                work.ledger.note("tragus", "message-repeated", bundle.carrier.id, now, because="its outcome is unknown")
            envelope = self._envelope(work, begun_messages[0], bundle, now)
            handings.append(Handing(bundle=bundle, messages=begun_messages, envelope=envelope))
        work.queue.begin(beginnings, now, LEASE)
        return handings, later, endings

    def _unchanged(self, bundle: Bundle, cases: Sequence[Case], now: datetime) -> bool:
        """Whether every message of a bundle may still go, in these words."""
        if len(cases) < len(bundle.members) or not all(_ours(case) for case in cases):
            return False
        if not _same_words(bundle, cases):
            return False
        ready = [case.ready(self.services, now) for case in cases]
        fits = all(each is not None and each.channel is bundle.composed.channel for each in ready)
        return fits and any(each is not None and each.overdue for each in ready)

    def _repeatable(
        self, work: UnitOfWork, bundle: Bundle, cases: Sequence[Case], ready: datetime, now: datetime
    ) -> bool:
        """Whether an uncertain message may be handed over once more; if not, it is put off, or given to a person."""
        if len(cases) < len(bundle.members) or not _same_words(bundle, cases):
            return False
        if any(
            (each.facts.state, each.facts.lease_token) != (State.UNCERTAIN, each.message.lease_token) for each in cases
        ):
            return False
        case, latest = cases[0], cases[0].message.planned.last_useful
        known_for = repeat_seconds_of(self.services.transports[bundle.composed.channel])
        if known_for and case.message.key_since is not None:  # later the far side takes a repeat for another message
            latest = min(latest, case.message.key_since + timedelta(seconds=known_for))
        wanted = all(each.channel is bundle.composed.channel for each in cases)
        if wanted and ready <= now <= latest:
            return True
        until = case.decision.until if isinstance(case.decision, Hold) else None
        if ready > now:
            until = ready
        if now > latest or (until is not None and until > latest):
            until = None
        if work.queue.put_off(case.message, until) and until is None:
            work.ledger.ask(case.message.person_id, UNCERTAIN, now, message_id=case.message.id)
        return False

    def _envelope(self, work: UnitOfWork, message: StoredMessage, bundle: Bundle, now: datetime) -> Envelope:
        services, planned = self.services, message.planned
        mail = bundle.composed.channel is Channel.EMAIL
        answer = planned.kind is MessageKind.REPLY
        return_path = None
        if mail and services.bounce_domain:
            return_path = bounce_address(services.secret_key, message.far_key, services.bounce_domain)
        return Envelope(
            key=message.far_key,
            message=bundle.outgoing or bundle.composed,
            dated=planned.due,
            handed=now,
            last_useful=planned.last_useful,
            sender_name=services.clinic.name,
            sender_address=services.clinic.email,
            return_path=return_path,
            automatic_answer=answer,
            answers=work.inbound.mail_answered(planned) if mail else None,
        )


def _decided(ending: Ending) -> bool:
    """Whether an ending follows from a decision alone, and is not a fault, a missing wording or a place in a queue."""
    if ending.message.state is not State.CLAIMED or ending.reason in (Reason.WORDING_NOT_APPROVED, Reason.RATE_LIMIT):
        return False
    if ending.state is State.FAILED:
        return ending.reason == Reason.GAVE_UP
    return ending.state is State.DROPPED or (
        ending.look_at != ending.message.look_at and ending.reason != Reason.TRANSPORT_PAUSED
    )


def _newly_held(ending: Ending) -> bool:
    """Whether this hold is worth a line in the record: waiting for its moment or its turn is not."""
    usual = ending.reason in (None, Reason.NOT_YET, Reason.RATE_LIMIT)
    return ending.state is State.PENDING and not usual and ending.reason != ending.message.reason


def _ours(case: Case) -> bool:
    return case.facts.state is State.CLAIMED and case.facts.lease_token == case.message.lease_token


def _same_words(bundle: Bundle, cases: Sequence[Case]) -> bool:
    """Whether nothing that the words were made of has changed since."""
    return all(
        (new.facts.contact, new.facts.booked) == (old.facts.contact, old.facts.booked)
        for old, new in zip(bundle.members, cases, strict=True)
    )


def _paused(message: StoredMessage, ready: datetime) -> Ending:
    look_at = min(ready, message.planned.last_useful + timedelta(seconds=1))
    return Ending(message=message, state=State.PENDING, look_at=look_at, reason=Reason.TRANSPORT_PAUSED)


def _plain(ending: Ending) -> _Written:
    """An ending that follows from a decision: dropped, failed by a fault, or given back."""
    state, reason = ending.state, Reason(ending.reason) if ending.reason else None
    if state is State.PENDING:
        held = reason is not None and ending.look_at != ending.message.look_at
        return _Written(ending=ending, note=("held", reason) if held else None)
    asks = state is State.FAILED or (reason is not None and needs_a_person(ending.message.planned.kind, reason))
    return _Written(ending=ending, note=(state, reason), asks=reason if asks else None)


def _note_of(follows: Next, *, first: bool) -> tuple[str, str | None]:
    if follows.state is State.PENDING:
        return ("other-channel" if follows.other_channel else "retry", None)
    if follows.state is State.SENT and not first:
        return ("joined", None)
    return (follows.state, follows.reason)
