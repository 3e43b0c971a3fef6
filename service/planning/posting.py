"""How does a letter get from the printer's folder to the letter box? Batches to print, and a tick when it was posted.

A letter is "sent" once its file is ready. Posted means that a member of staff put it into the post; nobody knows then
whether it arrives, so it is never called delivered.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from pypdf import PdfReader, PdfWriter

from service.domain.contact import Channel, Contact
from service.domain.message import MessageKind
from service.domain.sending import LABELS, Circumstances, Drop, Hold, Reason, decide
from service.domain.wall_clock import zone_named
from service.errors import NotAllowedError, NotFoundError
from service.messages.i18n import format_date
from service.messages.print_run import Listed, render_marks, render_print_list
from service.services import Services
from service.storage.letters import StoredBatch, StoredLetter
from service.storage.records import StoredMessage
from service.storage.unit_of_work import UnitOfWork
from service.transports.printed import KeepsLetters

LETTER_WAITING = "letter-waiting"
"""The reason on the attention list: a letter is ready, its time runs out, and nobody ticked it as posted."""
ASK_BEFORE = timedelta(hours=6)
"""How long before its last useful moment a waiting letter is put before a person. Our choice: within a working day."""
SHOWN_FOR = timedelta(days=60)
"""How long a letter that must not be posted stays on the page with its reason. Our choice."""
MOST_IN_BATCH = 200
"""Letters in one batch. Our choice: as many as one tray of a printer takes, and a PDF that opens at once."""
ADDRESS_CHANGED = (
    "the name or address was corrected after it was made; print the sheet from the record and post it by hand"
)
KINDS = {
    MessageKind.URGENT: "Plan, post today",
    MessageKind.PLAN_GIVEN: "Plan",
    MessageKind.APPOINTMENT: "Appointment",
    MessageKind.RETURN_DUE: "Invitation",
    MessageKind.BOOKING: "Appointment",
}
"""What the print list calls a letter: enough to fill an envelope, and nothing about health."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """A letter as the page shows it. `left_out` says why it must not be posted, empty if it may be. `late`: its last
    useful moment has passed, so it goes only where a person ticks it."""

    message: StoredMessage
    stored: StoredLetter
    name: str
    left_out: str
    late: bool

    @property
    def kind(self) -> str:
        """What the print list calls it."""
        return KINDS.get(self.message.planned.kind, "Letter")


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """A batch with its letters in the order of printing."""

    stored: StoredBatch
    letters: tuple[Letter, ...]

    @property
    def to_post(self) -> tuple[Letter, ...]:
        """Those that are not ticked yet and may be posted."""
        return tuple(each for each in self.letters if each.stored.posted is None and not each.left_out)


def clinic_prints(services: Services) -> bool:
    """Whether the clinic itself prints its letters."""
    return isinstance(services.transports.get(Channel.LETTER), KeepsLetters)


def waiting(services: Services, work: UnitOfWork) -> list[Letter]:
    """The letters that are in no batch and not posted, with those that must not be posted (for `SHOWN_FOR`)."""
    since = services.clock.now() - SHOWN_FOR
    found = [_seen(services, work, stored) for stored in work.letters.waiting()]
    return [each for each in found if not each.left_out or _made(each.message) >= since]


def batches(services: Services, work: UnitOfWork, limit: int = 10) -> list[Batch]:
    """The newest batches."""
    return [_batch(services, work, stored) for stored in work.letters.batches(limit)]


def batch(services: Services, work: UnitOfWork, batch_id: str) -> Batch:
    """One batch with its letters as they stand now. Raises NotFoundError."""
    return _batch(services, work, work.letters.batch(batch_id))


def make_batch(services: Services, by: str, message_ids: Collection[str] | None = None) -> str:
    """Put letters into one batch: these, or all that are not late. Returns the batch's id.

    Raises NotAllowedError when there is none, too many, one that must not be posted, or one that is in another batch.
    """
    with services.open_reading() as work:
        letters = waiting(services, work)
    chosen = _chosen(letters, message_ids)
    for each in chosen:
        _file_of(services, each.message)  # a missing file is found before anything is written
    now = services.clock.now()
    batch = StoredBatch(id=services.new_id(), made=now, by=by)
    names = {each.message.id: each.name for each in chosen}
    with services.open_work() as work:
        # Looked at again under the person's lock, always in the same order: a death may have been noted meanwhile.
        for each in sorted(chosen, key=lambda letter: (letter.message.person_id, letter.message.id)):
            work.people.get(each.message.person_id)
            _check(_seen(services, work, work.letters.get(each.message.id)))
        taken = work.letters.add_batch(batch, names, now)
        if taken:
            raise NotAllowedError(
                f"the letter to {names[taken[0]]} was put into another batch or ticked as posted at this moment: "
                "look at the list again"
            )
        work.ledger.note(by, "letter-batch-made", batch.id, now, letters=sorted(names))
        work.commit()
    return batch.id


def _chosen(letters: list[Letter], message_ids: Collection[str] | None) -> list[Letter]:
    if message_ids is None:
        chosen = [each for each in letters if not each.left_out and not each.late]
    else:
        chosen = [each for each in letters if each.message.id in message_ids]
        for each in chosen:
            _check(each)
        if len(chosen) < len(set(message_ids)):
            raise NotAllowedError(
                "a ticked letter waits no longer: it is in another batch or was posted; look at the list again"
            )
    if not chosen:
        raise NotAllowedError("no letter is ticked: tick the letters to print" if letters else "no letter waits")
    if len(chosen) > MOST_IN_BATCH:
        raise NotAllowedError(f"a batch holds at most {MOST_IN_BATCH} letters: tick fewer")
    return chosen


def _check(letter: Letter) -> None:
    if letter.left_out:
        raise NotAllowedError(f"the letter to {letter.name} must not be posted: {letter.left_out}; take its tick away")


def batch_pdf(services: Services, batch_id: str, by: str) -> bytes:
    """Every letter of a batch, one after another, each beginning on an odd page, with its mark for the envelopes. The
    same batch gives the same bytes as long as its files lie in the folder. Raises NotFoundError."""
    batch = _opened(services, batch_id, by, "letter-batch-opened")
    letters = [PdfReader(io.BytesIO(_file_of(services, each.message))) for each in batch.letters]
    marks = PdfReader(io.BytesIO(render_marks([_sheets(each) for each in letters])))
    writer = PdfWriter()
    for letter, mark in zip(letters, marks.pages, strict=True):
        first = len(writer.pages)
        writer.append(letter, import_outline=False)
        writer.pages[first].merge_page(mark)
        if len(writer.pages) % 2:
            writer.add_blank_page()
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def print_list(services: Services, batch_id: str, by: str) -> bytes:
    """The list of a batch for the person who fills the envelopes, as a PDF. Raises NotFoundError, WordingError."""
    batch = _opened(services, batch_id, by, "letter-list-opened")
    zone = zone_named(services.clinic.zone)
    listed = []
    for number, each in enumerate(batch.letters, 1):
        lines = (each.message.to or "").splitlines() or [""]
        pages = PdfReader(io.BytesIO(_file_of(services, each.message)))
        listed.append(
            Listed(
                number=number,
                name=lines[0],
                place=lines[-1],
                sheets=_sheets(pages),
                kind=each.kind,
                due=f"{each.message.planned.due.astimezone(zone):%d %b %Y}",
            )
        )
    made = batch.stored.made.astimezone(zone)
    return render_print_list(
        f"Letters to post, batch {batch_id[:8]}",
        f"{services.clinic.name}. Made on {format_date(made.date(), 'en')} at {made:%H:%M} by {batch.stored.by}.",
        listed,
    )


def mark_posted(services: Services, message_id: str, by: str) -> bool:
    """Tick one letter as posted. False when somebody ticked it before: then that tick stays.

    Raises NotFoundError, and NotAllowedError for a letter that must not be posted.
    """
    now = services.clock.now()
    with services.open_work() as work:
        _check_post(_seen(services, work, work.letters.get(message_id)))
        new = work.letters.post(message_id, by, now)
        if new:
            work.ledger.note(by, "letter-posted", message_id, now)
        work.commit()
    return new


def mark_batch_posted(services: Services, batch_id: str, by: str) -> int:
    """Tick every letter of a batch that may be posted and is not ticked yet; returns how many. Raises NotFoundError."""
    now = services.clock.now()
    with services.open_work() as work:
        new = [
            each.message.id
            for each in _batch(services, work, work.letters.batch(batch_id)).to_post
            if work.letters.post(each.message.id, by, now)
        ]
        for message_id in new:
            work.ledger.note(by, "letter-posted", message_id, now, batch=batch_id)
        work.commit()
    return len(new)


def undo_posted(services: Services, message_id: str, by: str) -> bool:
    """Take a wrong tick back. False when there was none. Raises NotFoundError."""
    now = services.clock.now()
    with services.open_work() as work:
        work.letters.get(message_id)
        undone = work.letters.unpost(message_id)
        if undone:
            work.ledger.note(by, "letter-posting-undone", message_id, now)
        work.commit()
    return undone


def ask_about_waiting(services: Services) -> int:
    """Put letters on the attention list that nobody posted and whose last useful moment is near; each once, ever.
    Returns how many were new. Does nothing where another house prints the letters."""
    if not clinic_prints(services):
        return 0
    now = services.clock.now()
    with services.open_reading() as work:
        near = [
            each
            for each in (
                _seen(services, work, one)
                for one in work.letters.running_out(now + ASK_BEFORE, now - SHOWN_FOR, LETTER_WAITING)
            )
            if each.left_out in ("", ADDRESS_CHANGED)  # what must not go out for another reason needs nobody
        ]
    if not near:
        return 0
    with services.open_work() as work:
        for each in near:
            detail = each.left_out or ("in a batch" if each.stored.batch_id else "not printed yet")
            work.ledger.ask(each.message.person_id, LETTER_WAITING, now, message_id=each.message.id, detail=detail)
        work.commit()
    return len(near)


def _seen(services: Services, work: UnitOfWork, stored: StoredLetter) -> Letter:
    message = work.messages.get(stored.message_id)
    person = work.people.get(message.person_id)
    now = services.clock.now()
    return Letter(
        message=message,
        stored=stored,
        name=person.contact.guardian or person.name,
        left_out="" if stored.posted is not None else _left_out(services, message, stored, person.contact, now),
        late=now > message.planned.last_useful,
    )


def _left_out(services: Services, message: StoredMessage, stored: StoredLetter, contact: Contact, now: datetime) -> str:
    """Why a letter that is ready must not be posted now, or nothing. Being late is no such reason: a person decides."""
    circumstances = Circumstances(
        plan=stored.plan,
        superseded=message.superseded,
        booked=stored.booked,
        fitted=frozenset({Channel.LETTER}),
    )
    # Asked as if it were still useful: what came in meanwhile counts, the hour does not.
    moment = min(now, message.planned.last_useful)
    decision = decide(message.planned, contact, services.clinic, circumstances, now=moment)
    if isinstance(decision, Drop | Hold) and decision.reason is not Reason.NOT_YET:
        return LABELS[decision.reason]
    if message.to is not None and message.to.splitlines() != [contact.guardian or contact.name, *contact.address]:
        return ADDRESS_CHANGED
    return ""


def _check_post(letter: Letter) -> None:
    if letter.left_out and letter.stored.posted is None:
        raise NotAllowedError(f"the letter to {letter.name} must not be posted: {letter.left_out}")


def _batch(services: Services, work: UnitOfWork, stored: StoredBatch) -> Batch:
    letters: Iterable[StoredLetter] = work.letters.of_batch(stored.id)
    return Batch(stored=stored, letters=tuple(_seen(services, work, each) for each in letters))


def _opened(services: Services, batch_id: str, by: str, action: str) -> Batch:
    now = services.clock.now()
    with services.open_reading() as work:
        batch = _batch(services, work, work.letters.batch(batch_id))
    with services.open_work() as work:
        people = (each.message.person_id for each in batch.letters)
        work.looks.note(by, action, batch_id, people, now)
        work.commit()
    return batch


def _file_of(services: Services, message: StoredMessage) -> bytes:
    transport = services.transports.get(Channel.LETTER)
    if not isinstance(transport, KeepsLetters):
        raise NotFoundError("this clinic does not print its letters itself: set the printed transport for letters")
    return transport.read(message.reference or "")


def _sheets(letter: PdfReader) -> int:
    """Sheets of paper of a letter that is printed on both sides."""
    return (len(letter.pages) + 1) // 2


def _made(message: StoredMessage) -> datetime:
    return message.finished or message.planned.due
