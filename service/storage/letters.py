"""Letters on their way to the letter box: which wait, which were printed together, and which somebody posted.

A letter is a message that was sent by letter: its file is ready. A row of its own begins when it goes into a batch or
is ticked. One row a letter and one batch a row: two people who press at the same time make no letter twice.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time

from sqlalchemy import Select, select, update
from sqlalchemy.orm import Session

from service.domain.contact import Channel
from service.domain.message import State
from service.domain.plan import Status
from service.errors import NotFoundError
from service.storage.locks import add_once, holds_rows
from service.storage.tables import AttentionRow, LetterBatchRow, LetterRow, MessageRow, PlanRow


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredLetter:
    """Where one letter stands; `posted` is when somebody ticked it. `plan` and `booked` are the status of its plan and
    the appointment as it stands now, local date and time."""

    message_id: str
    plan: Status
    booked: tuple[date, time] | None = None
    batch_id: str | None = None
    posted: datetime | None = None
    posted_by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBatch:
    """Letters that were put together for one print run."""

    id: str
    made: datetime
    by: str


class Letters:
    """The letters and their batches."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def waiting(self) -> list[StoredLetter]:
        """Letters that are in no batch and not ticked as posted, by due moment."""
        return self._found(_ready().where(LetterRow.posted.is_(None), LetterRow.batch_id.is_(None)))

    def running_out(self, useful_until: datetime, made_since: datetime, reason: str) -> list[StoredLetter]:
        """Letters that are not ticked as posted, in a batch or not, of no use after `useful_until`, and never on the
        attention list for this reason, done or not."""
        asked = select(AttentionRow.message_id).where(
            AttentionRow.message_id.is_not(None), AttentionRow.reason == reason
        )
        query = _ready().where(
            LetterRow.posted.is_(None),
            MessageRow.finished >= made_since,
            MessageRow.last_useful <= useful_until,
            MessageRow.id.not_in(asked),
        )
        return self._found(query)

    def get(self, message_id: str) -> StoredLetter:
        """One letter. Raises NotFoundError when the message is not a letter that is ready."""
        found = self._found(_ready().where(MessageRow.id == message_id))
        if not found:
            raise NotFoundError("this message is not a letter that is ready to post")
        return found[0]

    def add_batch(self, batch: StoredBatch, message_ids: Iterable[str], made: datetime) -> list[str]:
        """Put letters into a new batch; returns those that are in another one already, or posted."""
        self._session.add(LetterBatchRow(id=batch.id, made=batch.made, by=batch.by))
        self._session.flush()
        # Always in the same order, so that two batches made at the same time never wait for each other.
        return [each for each in sorted(set(message_ids)) if not self._put(batch.id, each, made)]

    def _put(self, batch_id: str, message_id: str, made: datetime) -> bool:
        taken = self._session.execute(
            update(LetterRow)
            .where(LetterRow.message_id == message_id, LetterRow.batch_id.is_(None), LetterRow.posted.is_(None))
            .values(batch_id=batch_id)
        )
        return bool(taken.rowcount) or self._added(  # type: ignore[attr-defined]
            LetterRow(message_id=message_id, made=made, batch_id=batch_id)
        )

    def batches(self, limit: int = 30) -> list[StoredBatch]:
        """The newest batches."""
        query = select(LetterBatchRow).order_by(LetterBatchRow.made.desc(), LetterBatchRow.id).limit(limit)
        return [_batch(row) for row in self._session.scalars(query)]

    def batch(self, batch_id: str) -> StoredBatch:
        """One batch. Raises NotFoundError."""
        row = self._session.get(LetterBatchRow, batch_id)
        if row is None:
            raise NotFoundError("this batch of letters is not in the record")
        return _batch(row)

    def of_batch(self, batch_id: str) -> list[StoredLetter]:
        """The letters of a batch in the order in which they are printed, which never changes."""
        return self._found(_letters().where(LetterRow.batch_id == batch_id))

    def post(self, message_id: str, by: str, now: datetime) -> bool:
        """Tick a letter as posted. False when it was ticked before, and then nothing changes."""
        ticked = self._session.execute(
            update(LetterRow)
            .where(LetterRow.message_id == message_id, LetterRow.posted.is_(None))
            .values(posted=now, posted_by=by)
        )
        return bool(ticked.rowcount) or self._added(  # type: ignore[attr-defined]
            LetterRow(message_id=message_id, made=now, posted=now, posted_by=by)
        )

    def unpost(self, message_id: str) -> bool:
        """Take a tick back. False when there was none."""
        unticked = self._session.execute(
            update(LetterRow)
            .where(LetterRow.message_id == message_id, LetterRow.posted.is_not(None))
            .values(posted=None, posted_by=None)
        )
        return bool(unticked.rowcount)  # type: ignore[attr-defined]

    def _found(self, query: Select[str, LetterRow, PlanRow]) -> list[StoredLetter]:
        rows = self._session.execute(query.execution_options(populate_existing=True))
        return [_letter(message_id, row, plan) for message_id, row, plan in rows]

    def _added(self, row: LetterRow) -> bool:
        """Add a row, unless the letter has one already or gets one from another process at this moment."""
        known = select(LetterRow.message_id).where(LetterRow.message_id == row.message_id)
        if self._session.scalar(known.with_for_update() if holds_rows(self._session) else known) is not None:
            return False
        return add_once(self._session, row)


def _letters() -> Select[str, LetterRow, PlanRow]:
    return (
        select(MessageRow.id, LetterRow, PlanRow)
        .join(PlanRow, PlanRow.id == MessageRow.plan_id)
        .outerjoin(LetterRow, LetterRow.message_id == MessageRow.id)
        .order_by(MessageRow.due, MessageRow.id)
    )


def _ready() -> Select[str, LetterRow, PlanRow]:
    return _letters().where(MessageRow.state == State.SENT.value, MessageRow.channel == Channel.LETTER.value)


def _letter(message_id: str, row: LetterRow | None, plan: PlanRow) -> StoredLetter:
    on, at = plan.appointment_on, plan.appointment_at
    return StoredLetter(
        message_id=message_id,
        plan=Status(plan.status),
        booked=(on, at) if on is not None and at is not None else None,
        batch_id=row.batch_id if row is not None else None,
        posted=row.posted if row is not None else None,
        posted_by=row.posted_by if row is not None else None,
    )


def _batch(row: LetterBatchRow) -> StoredBatch:
    return StoredBatch(id=row.id, made=row.made, by=row.by)
