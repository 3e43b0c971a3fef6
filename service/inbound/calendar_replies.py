"""A calendar's yes, no or perhaps to an appointment: acted on where it surely fits, else read by a person.

It fits when the mail and the attendee are the person's own address, the UID is that of their appointment, which only
they were sent, and the SEQUENCE is the present one: an older one answers another time (RFC 5546 2.1.4 and 2.1.5).
Words in it are words: they go to a person, whatever the answer is.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service.calendars import InvitationReply, read_reply
from service.domain.calendar_item import ItemState
from service.domain.contact import Channel, Contact, compared
from service.domain.message import MessageKind, State
from service.inbound.bounces import CalendarReply
from service.inbound.replies import Meaning
from service.inbound.reply_words import shipped_reply_words
from service.planning.appointments import book_in
from service.planning.attention import PERHAPS
from service.planning.calendar import APPOINTMENT
from service.services import Services
from service.storage.records import Audit, StoredPlan
from service.storage.unit_of_work import UnitOfWork

ACCEPTED = "calendar-accepted"
DECLINED = "calendar-declined"
"""Notes in the audit record of a plan; the last two are reasons of the attention list as well."""
_NOTES = {"ACCEPTED": ACCEPTED, "DECLINED": DECLINED, "TENTATIVE": PERHAPS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What is left of the mail once the answer was acted on: what its words mean, and the words."""

    meaning: Meaning
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """The appointment that an answer is about, with what was answered before."""

    stored: StoredPlan
    contact: Contact
    entry: ItemState
    earlier: tuple[Audit, ...]


def answer_invitation(services: Services, mail: CalendarReply) -> Answered:
    """Act on a calendar's answer; once it returns, its effect is stored. A repeated or late answer changes nothing.

    Yes is noted. Perhaps is put before a person. No cancels the appointment and says which slot is free. An answer that
    does not fit is left to a person. Raises nothing for the content of a mail.
    """
    said = mail.text or mail.subject
    try:
        reply = read_reply(mail.data)
    except ValueError:
        return Answered(meaning=Meaning.CALENDAR, text=said)
    now = services.clock.now()
    with services.open_work() as work:
        asked = _asked(work, mail.sender, reply)
        if asked is None or not _act(services, work, asked, reply, now):
            return _left(said, reply)
        words = _words(mail, reply, asked.contact)
        work.commit()
    services.wake()
    if not words:
        return Answered(meaning=Meaning.ANSWERED, text=said)
    return Answered(meaning=Meaning.WARNING if shipped_reply_words().warns(words) else Meaning.WORDS, text=words)


def _left(said: str, reply: InvitationReply) -> Answered:
    """For a person, with the words that were typed; a warning word among them warns."""
    words = "\n".join(dict.fromkeys(filter(None, (reply.comment, said))))
    return Answered(meaning=Meaning.WARNING if shipped_reply_words().warns(words) else Meaning.CALENDAR, text=words)


def _asked(work: UnitOfWork, sender: str, reply: InvitationReply) -> _Asked | None:
    """The appointment with this UID, of somebody whose own address it is that answers."""
    if compared(Channel.EMAIL, reply.attendee) != compared(Channel.EMAIL, sender):
        return None
    for person_id in work.inbound.people_at(Channel.EMAIL, sender):
        contact = work.people.get(person_id).contact
        for stored in work.plans.of_person(person_id):
            entry = work.plans.calendar_states(stored.id).get(APPOINTMENT)
            if entry is not None and str(entry.uid) == reply.uid.lower():
                notes = work.ledger.history(stored.id)
                earlier = tuple(each for each in notes if each.action in _NOTES.values())
                return _Asked(stored=stored, contact=contact, entry=entry, earlier=earlier)
    return None


def _act(services: Services, work: UnitOfWork, asked: _Asked, reply: InvitationReply, now: datetime) -> bool:
    """Do what the answer asks for, unless that was done or overtaken; False when a person has to read it."""
    action = _NOTES.get(reply.partstat)
    if action is None:
        return False
    detail = {"sequence": reply.sequence, "stamp": reply.stamp.isoformat()}
    before = [each for each in asked.earlier if each.detail["sequence"] == reply.sequence]
    if any(each.action == action and (action == DECLINED or each.detail == detail) for each in before):
        return True
    stored = asked.stored
    if stored.appointment is None or asked.entry.item.cancelled or asked.entry.sequence != reply.sequence:
        return False
    if services.instant_of(*stored.appointment) <= now:
        return False
    if any(datetime.fromisoformat(str(each.detail["stamp"])) > reply.stamp for each in before):
        return True  # a later answer came first (RFC 5546 2.1.5)
    work.ledger.note("patient", action, stored.id, now, **detail)
    when = " at ".join(stored.booked or ())
    if action == ACCEPTED:
        work.by_hand.close_open(stored.person_id, (PERHAPS,), "patient", now)
    elif action == PERHAPS:
        work.inbound.ask(stored.person_id, PERHAPS, now, detail=f"perhaps to {when}: ask whether they come")
    elif action == DECLINED:
        book_in(services, work, stored.id, None, "patient", now, by_the_person=True)
        told = _news(work, stored)  # so that a second slot is not hidden by an open entry about the first
        work.inbound.ask(
            stored.person_id, DECLINED, now, message_id=told, detail=f"declined by calendar: free the slot {when}"
        )
    return True


def _news(work: UnitOfWork, stored: StoredPlan) -> str | None:
    """The message that confirms the cancellation."""
    waiting = (
        each
        for each in work.messages.of_person(stored.person_id)
        if each.plan_id == stored.id and each.planned.kind is MessageKind.BOOKING and each.state is State.PENDING
    )
    return next((each.id for each in waiting if not each.superseded), None)


def _words(mail: CalendarReply, reply: InvitationReply, contact: Contact) -> str:
    """What the person typed: the comment, or the text of the mail unless a program wrote it.

    Programs begin their text with who answers. What begins otherwise may be somebody's words, and so does what warns.
    """
    text = "\n".join(line.strip() for line in mail.text.splitlines() if line.strip())
    first = text.partition("\n")[0].casefold()
    names = {reply.name, contact.name, contact.guardian or "", reply.attendee}
    by_program = not text or any(name and name.casefold() in first for name in names)
    if by_program and not shipped_reply_words().warns(text):
        return reply.comment
    return "\n".join(dict.fromkeys(filter(None, (reply.comment, text))))
