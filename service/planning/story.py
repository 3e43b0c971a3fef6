"""Why was this message sent, why not, why twice? Everything that happened to one message, in sentences, in order.

Pure: `gather` reads the record, `tell` makes the sentences of what it found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import zip_longest

from service.domain.contact import Channel, Contact
from service.domain.message import MessageKind, ReportState, State
from service.domain.plan import Status
from service.domain.sending import LABELS, Reason
from service.services import Services
from service.storage.inbound import StoredReport
from service.storage.outbox_views import Attempt
from service.storage.records import Attention, Audit, StoredMessage, StoredPlan
from service.storage.unit_of_work import UnitOfWork

BY = {Channel.TEXT: "by text", Channel.EMAIL: "by e-mail", Channel.LETTER: "by letter"}
WHAT = {
    MessageKind.URGENT: "urgent advice",
    MessageKind.PLAN_GIVEN: "the plan",
    MessageKind.DOSE: "a dose reminder",
    MessageKind.CHECK_IN: "a check-in",
    MessageKind.COURSE_END: "the message at the end of the drops",
    MessageKind.APPOINTMENT: "an appointment reminder",
    MessageKind.RETURN_DUE: "an invitation to come back",
    MessageKind.BOOKING: "news of an appointment",
    MessageKind.REPLY: "an automatic answer",
}
BECAUSE = {
    MessageKind.URGENT: "the visit found something that cannot wait, and urgent advice goes at once",
    MessageKind.PLAN_GIVEN: "a plan was given, and its words go to the person once",
    MessageKind.DOSE: "the plan has a dose at this moment",
    MessageKind.CHECK_IN: "the plan asks how the ear does some days after the visit",
    MessageKind.COURSE_END: "the drops of the plan end here",
    MessageKind.APPOINTMENT: "an appointment is booked",
    MessageKind.RETURN_DUE: "the ear is due to be seen again",
    MessageKind.BOOKING: "an appointment was booked, moved or cancelled",
    MessageKind.REPLY: "the person wrote to the clinic, and this answer follows by itself",
}
"""Why a message of this kind is planned at all."""

DONE = {
    "message-repeated": "handed it over once more, because nobody knew whether it had arrived",
    "message-other-channel": "gave it to another channel, because this one did not reach the person",
    "message-arrived": "recorded that it arrived, and with that closed the question",
    "message-sent-again": "said that it did not arrive, and had it sent again",
    "message-left": "left it as it is, and took it off the attention list",
    "letter-posted": "posted the letter",
    "letter-posting-undone": "took back that the letter was posted",
}
"""What is noted about a message itself."""
AROUND = {
    "plan-active": "took the plan up again",
    "plan-on-hold": "put the plan on hold",
    "plan-revoked": "withdrew the plan",
    "plan-completed": "ended the plan",
    "appointment-booked": "booked the appointment",
    "appointment-moved": "moved the appointment",
    "appointment-cancelled": "cancelled the appointment",
    "appointment-missed": "recorded that nobody came to the appointment",
    "appointment-attended": "recorded that the person came to the appointment",
    "calendar-declined": "declined the appointment by calendar",
    "softening-followed": "had the softening drops follow the appointment",
    "person-corrected": "corrected the person's record",
    "person-left": "recorded that the person moved away",
    "person-back": "took back that the person moved away",
    "person-died": "recorded the person's death",
    "person-lives": "took back the record of a death",
    "consent-withdrawn": "recorded that consent to messages was withdrawn",
    "consent-recorded": "recorded consent to messages anew",
    "contact-invalid": "found the number or address unusable",
    "channel-mended": "corrected a number or address that was unusable",
    "channel-trusted": "said that a number or address is right after all",
    "channel-stopped": "stopped a channel",
    "channel-started-again": "started a channel again",
    "stopped": "stopped every channel",
    "started-again": "started the channels again",
    "paused": "paused messages",
    "pause-ended": "ended the pause",
    "times-changed": "changed the times of day, and what was unsent moved with them",
    "zone-changed": "changed the time zone, and what was unsent moved with it",
    "language-changed": "changed the language",
    "sentences-changed": "asked for simpler sentences, or took that back",
    "reach-changed": "changed how messages reach the person",
}
"""What is noted about the person or the plan, and can move or end a message."""

_ARRIVED_PERHAPS = frozenset({State.SENT, State.DELIVERED, State.UNCERTAIN})


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """What the record knows about one message. `shared` are the messages said in the same text, `carrier` the one that
    carries this one. `around` are the notes about its person and plan. `ended` says why it will never go, while it
    still waits. `now` is UTC."""

    now: datetime
    message: StoredMessage
    plan: StoredPlan
    attempts: Sequence[Attempt] = ()
    carrier: StoredMessage | None = None
    shared: Sequence[StoredMessage] = ()
    reports: Sequence[StoredReport] = ()
    notes: Sequence[Audit] = ()
    around: Sequence[Audit] = ()
    attention: Sequence[Attention] = ()
    ended: Reason | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One thing that happened (or, `to_come`, will), at an instant (UTC)."""

    at: datetime
    text: str
    to_come: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """The question that somebody asks about this message, its answer, and all that happened, oldest first."""

    question: str
    answer: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clockface:
    """How the page writes an instant (in the person's zone), a stored local time, and the code of a reason."""

    moment: Callable[[datetime], str]
    wall: Callable[[str], str]
    reason: Callable[[str], str]


def gather(services: Services, work: UnitOfWork, message_id: str) -> Material:
    """Everything that the record holds about one message. Raises NotFoundError."""
    message = work.messages.get(message_id)
    carrier = work.messages.get(message.carrier) if message.carrier else None
    shared = [each for each in work.queue.carried_by((carrier or message).id) if each.id != message.id]
    now = services.clock.now()
    until = message.finished or now
    plan = work.plans.get(message.plan_id)
    about = (message.person_id, message.plan_id)
    around = [line for subject in about for line in work.ledger.history(subject, only=tuple(AROUND))]
    return Material(
        now=now,
        message=message,
        plan=plan,
        attempts=work.views.attempts_of(message.id),
        carrier=carrier,
        shared=([carrier] if carrier else []) + shared,
        reports=work.inbound.reports_of((carrier or message).id),
        notes=work.ledger.history(message.id),
        around=[line for line in around if plan.given <= line.at <= until],
        attention=work.views.attention_about(message.person_id, message.id),
        ended=_ended(message, plan, work.people.get(message.person_id).contact),
    )


def _ended(message: StoredMessage, plan: StoredPlan, contact: Contact) -> Reason | None:
    """What the next look at a waiting message will drop it for, in the order of `sending.decide`."""
    reasons = {
        Reason.DIED: contact.died is not None,
        Reason.PERSON_LEFT: contact.left is not None,
        Reason.CONSENT_WITHDRAWN: contact.withdrawn is not None,
        Reason.PLAN_REVOKED: plan.status is Status.REVOKED,
        Reason.SUPERSEDED: message.superseded,
    }
    return next((reason for reason, holds in reasons.items() if holds), None)


def tell(material: Material, face: Clockface) -> Story:
    """The story of a message."""
    question, answer = _answer(material, face)
    lines = list(_lines(material, face))
    return Story(question=question, answer=answer, lines=tuple(sorted(lines, key=lambda line: (line.to_come, line.at))))


def by_channel(channel: Channel | None) -> str:
    """Words for a channel, or nothing before one is chosen."""
    return BY[channel] if channel is not None else ""


# The answer


def _answer(material: Material, face: Clockface) -> tuple[str, str]:
    message = material.message
    state = message.state
    left = [each for each in material.attempts if each.result in _ARRIVED_PERHAPS or each.result is None]
    what = WHAT[message.planned.kind]
    if len(left) > 1 and state is not State.HANDING:
        return "Why twice?", _why_twice(material, left, face)
    if state in (State.SENT, State.DELIVERED):
        return "Why was this sent?", f"Because {BECAUSE[message.planned.kind]}; {_how_sent(message, face)}."
    if state is State.UNCERTAIN:
        return (
            "Did it arrive?",
            f"Nobody knows: {message.detail or 'no clear answer came'}. {_what_next(message, face)}",
        )
    again = " again" if left else ""
    if state in (State.DROPPED, State.FAILED):
        word = "did not get through" if state is State.FAILED else f"was not sent{again}"
        said = face.reason(message.reason or "") or message.detail or "no reason is recorded"
        return "Why not?", f"It {word}: {said}."
    if state is State.HANDING:
        return (
            "Why not yet?",
            f"It is being handed over at this moment: {what} {by_channel(message.channel)}".rstrip() + ".",
        )
    if state is State.CLAIMED:
        return "Why not yet?", "It is being made ready, and nothing of it has left."
    if material.ended is not None:
        return "Why not?", f"It will not be sent{again}: {LABELS[material.ended]}."
    said = face.reason(message.reason or "") or _why_waiting(material)
    return f"Why not yet{again}?", f"It waits until {face.moment(message.look_at)}: {said}."


def _why_waiting(material: Material) -> str:
    if material.attempts:
        return "an earlier hand-over came to nothing, and it is tried again"
    if material.message.look_at <= material.now:
        return "it is due, and goes at the next turn"
    return "it is not due yet"


def _how_sent(message: StoredMessage, face: Clockface) -> str:
    how = f"it left {by_channel(message.channel)}".rstrip()
    if message.handed is not None:
        how += f" on {face.moment(message.handed)}"
    if message.state is State.DELIVERED:
        return f"{how}, and a receipt says that it was delivered"
    return f"{how}, and was taken for delivery; no receipt has come"


def _why_twice(material: Material, left: Sequence[Attempt], face: Clockface) -> str:
    by_hand = next((line for line in material.notes if line.action == "message-sent-again"), None)
    bounced = any(line.action == "message-other-channel" for line in material.notes)
    if by_hand is not None:
        why = f"{by_hand.actor} said on {face.moment(by_hand.at)} that it had not arrived"
    elif bounced:
        why = "the first channel did not reach the person, and another one was taken"
    else:
        why = "nobody knew whether the first had arrived"
    times = "twice" if len(left) == 2 else f"{len(left)} times"
    same = ", each time with the same words under the same reference," if len({each.key for each in left}) == 1 else ""
    unknown = " Whether it arrived is not known yet." if material.message.state is State.UNCERTAIN else ""
    return f"It was handed over {times}{same} because {why}.{unknown}"


def _what_next(message: StoredMessage, face: Clockface) -> str:
    if message.repeat_at is not None:
        return f"It is handed over once more by itself on {face.moment(message.repeat_at)}."
    return "A person must find out."


# What happened


def _lines(material: Material, face: Clockface) -> Iterator[Line]:
    # Of the same instant: a decision stands before the hand-over that follows from it.
    yield from _planned(material, face)
    yield from (_report(each, material) for each in material.reports)
    for note in material.notes:
        if note.action == "message-held":
            why = LABELS[Reason(str(note.detail["reason"]))]
            yield Line(at=note.at, text=f"It waited from now on: {why}.")
        elif note.action in DONE:
            yield Line(at=note.at, text=f"{_name(note.actor)} {DONE[note.action]}.")
        else:
            yield Line(at=note.at, text=f"{_name(note.actor)}: {note.action.replace('-', ' ')}.")
    for note in material.around:
        yield Line(at=note.at, text=f"{_name(note.actor)} {AROUND[note.action]}.")
    yield from _attempts(material)
    for entry in material.attention:
        detail = f" ({entry.detail})" if entry.detail else ""
        yield Line(at=entry.at, text=f"It was put on the attention list: {face.reason(entry.reason)}{detail}.")
        if entry.done is not None:
            yield Line(at=entry.done, text=f"{_name(entry.done_by or '')} took it off the attention list.")
    yield from _standing(material, face)


def _planned(material: Material, face: Clockface) -> Iterator[Line]:
    message, plan = material.message, material.plan
    planned = message.planned
    yield Line(
        at=plan.given,
        text=f"{_name(plan.by)} gave the plan that this message belongs to. It is planned because "
        f"{BECAUSE[planned.kind]}.",
    )
    yield Line(
        at=planned.due,
        text=f"It is due at this time: {face.wall(planned.wall)} in {planned.zone}. It may go from "
        f"{face.moment(planned.earliest)}, and helps until {face.moment(planned.last_useful)}.",
        to_come=planned.due > material.now,
    )


def _attempts(material: Material) -> Iterator[Line]:
    seen: set[str] = set()
    for each, following in zip_longest(material.attempts, material.attempts[1:]):
        elsewhere = following is not None and following.channel is not each.channel
        key = f"(reference {each.key})"
        if each.key in seen:
            key = f"again, with the same words {key}"
        elif seen:
            key = f"with other words or by another way (new reference {each.key})"
        seen.add(each.key)
        yield Line(
            at=each.begun, text=f"Hand-over {each.number} began {by_channel(each.channel)} {key}.{_with(material)}"
        )
        late = " This answer came after the hand-over had been given up as lost." if each.late else ""
        if each.ended is not None:
            yield Line(at=each.ended, text=f"{_outcome(each, elsewhere=elsewhere)}{_said(each.detail)}.{late}")


def _with(material: Material) -> str:
    if material.carrier is not None:
        return f" It was said in the text of another message ({material.carrier.id})."
    if material.shared:
        return " The same text also said: " + "; ".join(WHAT[each.planned.kind] for each in material.shared) + "."
    return ""


def _outcome(attempt: Attempt, *, elsewhere: bool) -> str:
    """What came of a hand-over. `elsewhere`: the next one went by another channel."""
    if attempt.result in (State.SENT, State.DELIVERED):
        return "It was taken for delivery"
    if attempt.result is State.FAILED:
        return "It was refused, and is not tried again this way"
    if attempt.result is State.PENDING and elsewhere:
        return "It was surely not taken, and is tried by another way"
    if attempt.result is State.PENDING:
        return "It was surely not taken, and waits for another try"
    return "Nobody knows whether it was taken"


_REPORTED = {
    ReportState.UNDERWAY: "A receipt says that it is still under way",
    ReportState.DELIVERED: "A receipt says that it was delivered",
    ReportState.FAILED: "A receipt or bounce says that it did not arrive",
}


def _report(stored: StoredReport, material: Material) -> Line:
    report = stored.report
    about = " (about the text that it was said in)" if material.carrier is not None else ""
    bad = " The number or address itself is unusable." if report.contact_bad else ""
    return Line(at=report.at, text=f"{_REPORTED[report.state]}{about}{_said(report.detail)}.{bad}")


def _standing(material: Material, face: Clockface) -> Iterator[Line]:
    """How it ended, where no hand-over says so; and what comes next."""
    message = material.message
    if message.state in (State.DROPPED, State.FAILED) and message.finished is not None:
        word = "It failed" if message.state is State.FAILED else "It was dropped and not sent"
        yield Line(at=message.finished, text=f"{word}: {face.reason(message.reason or '')}{_said(message.detail)}.")
    elif message.state is State.UNCERTAIN and message.finished is not None:
        if not material.attempts or material.attempts[-1].result is None:
            yield Line(at=message.finished, text="The hand-over began, and its end is not recorded.")
        if message.repeat_at is not None:
            yield Line(at=message.repeat_at, text="It will be handed over once more by itself.", to_come=True)
    elif message.state is State.PENDING:
        why = face.reason(message.reason or "")
        next_look = (
            f"Until then it waits: {why}. Then it is looked at again." if why else "It goes, if nothing forbids it."
        )
        if material.ended is not None:
            next_look = f"It is dropped and not sent: {LABELS[material.ended]}."
        yield Line(at=message.look_at, text=next_look, to_come=True)


def _said(detail: str) -> str:
    return f": {detail.rstrip('.')}" if detail else ""


def _name(actor: str) -> str:
    return {"tragus": "The service", "receipt": "A receipt", "patient": "The person"}.get(actor, actor) or "Somebody"
