"""Recalls: rows to values and back, and the lists that the board and the daily round read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import cast

from sqlalchemy import Table, bindparam, case, func, or_, select, update
from sqlalchemy.orm import Session

from service.domain.contact import Channel
from service.domain.message import MAY_HAVE_LEFT, MessageKind
from service.domain.plan import Status
from service.domain.recall import Answer, Ended, Recall, RecallState, Window, invitation_round, monday
from service.domain.visit import Ears
from service.errors import NotFoundError
from service.storage.among import among
from service.storage.locks import hold_person
from service.storage.tables import AttentionRow, MessageRow, PlanRow, RecallRow

_MESSAGES = cast("Table", MessageRow.__table__).c
WENT = [each.value for each in MAY_HAVE_LEFT]
COUNTS_FIRST = (
    case((RecallRow.closed.is_(None), 0), (RecallRow.ended == Ended.REPLACED.value, 2), else_=1),
    RecallRow.opened.desc(),
    RecallRow.id,
)
"""Of one person's recalls the one that counts now comes first: the open one, else the newest that ended, and one whose
plan was withdrawn last."""


class Recalls:
    """Who is to be asked back, and what came of it."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def save(self, recall: Recall) -> None:
        """Store a recall as it is now. The caller holds its person."""
        row = self._session.get(RecallRow, recall.id)
        if row is None:
            row = RecallRow(id=recall.id, person_id=recall.person_id, plan_id=recall.plan_id)
            self._session.add(row)
        window = recall.window
        row.ears, row.earliest, row.ideal, row.latest = window.ears.value, window.earliest, window.ideal, window.latest
        row.weight, row.template = window.weight, window.template
        row.invite_on, row.week, row.opened, row.state = recall.invite_on, recall.week, recall.opened, recall.state
        row.round, row.missed = recall.round, recall.missed
        row.answer = recall.answer.value if recall.answer is not None else None
        row.answered, row.answered_by = recall.answered, recall.answered_by
        row.ended = recall.ended.value if recall.ended is not None else None
        row.closed = recall.closed
        self._session.flush()

    def get(self, recall_id: str) -> Recall:
        """One recall, its person held. Raises NotFoundError."""
        person_id = self._session.scalar(select(RecallRow.person_id).where(RecallRow.id == recall_id))
        if person_id is None:
            raise NotFoundError("this recall is not in the record")
        hold_person(self._session, person_id)
        return recall_of(self._session.get_one(RecallRow, recall_id, populate_existing=True))

    def open_of(self, person_id: str) -> Recall | None:
        """The open recall of a person, who is held from now on."""
        hold_person(self._session, person_id)
        query = select(RecallRow).where(RecallRow.person_id == person_id, RecallRow.closed.is_(None))
        row = self._session.scalar(query)
        return None if row is None else recall_of(row)

    def newest_of(self, person_id: str) -> Recall | None:
        """The recall of a person that counts now: the open one, else the newest that ended. One whose plan was
        withdrawn counts only where there is no other."""
        hold_person(self._session, person_id)
        query = select(RecallRow).where(RecallRow.person_id == person_id)
        row = self._session.scalar(query.order_by(*COUNTS_FIRST).limit(1))
        return None if row is None else recall_of(row)

    def ended_by(self, person_id: str, at: datetime) -> Recall | None:
        """The recall of a person that the visit of this instant ended."""
        query = select(RecallRow).where(
            RecallRow.person_id == person_id, RecallRow.closed == at, RecallRow.state == RecallState.SEEN.value
        )
        row = self._session.scalar(query.limit(1))
        return None if row is None else recall_of(row)

    def of_plan(self, plan_id: str) -> Recall | None:
        """The newest recall that a plan opened."""
        query = select(RecallRow).where(RecallRow.plan_id == plan_id).order_by(RecallRow.opened.desc(), RecallRow.id)
        row = self._session.scalar(query.limit(1))
        return None if row is None else recall_of(row)

    def goes_on(self, plan_id: str) -> bool:
        """Whether the recall of this plan is open, be the plan over or not."""
        query = select(RecallRow.id).where(RecallRow.plan_id == plan_id, RecallRow.closed.is_(None))
        return self._session.scalar(query.limit(1)) is not None

    def all_open(self) -> list[Recall]:
        """Every open recall, by its ideal day."""
        query = select(RecallRow).where(RecallRow.closed.is_(None)).order_by(RecallRow.ideal, RecallRow.id)
        return [recall_of(row) for row in self._session.scalars(query)]

    def keep_weeks(self, recalls: Iterable[Recall]) -> None:
        """Note that these recalls keep the week that they are in, unless they changed since they were read."""
        given = [{"id_": each.id, "day": each.invite_on, "monday": monday(each.invite_on)} for each in recalls]
        if given:
            table = cast("Table", RecallRow.__table__)
            self._session.connection().execute(
                update(table)
                .where(
                    table.c.id == bindparam("id_"),
                    table.c.invite_on == bindparam("day"),
                    table.c.state == RecallState.DUE.value,
                )
                .values(week=bindparam("monday")),
                given,
            )
            self._session.expire_all()

    def put_before_a_person(self, person_id: str, reason: str, message_id: str) -> bool:
        """Whether this was on the attention list already, be it open or done."""
        query = select(AttentionRow.id).where(
            AttentionRow.person_id == person_id, AttentionRow.reason == reason, AttentionRow.message_id == message_id
        )
        return self._session.scalar(query.limit(1)) is not None

    def asked_since(self, person_id: str, reasons: tuple[str, ...], since: datetime) -> bool:
        """Whether a person has one of these on the attention list, or had it put there since (UTC), done or not."""
        query = select(AttentionRow.id).where(
            AttentionRow.person_id == person_id,
            AttentionRow.reason.in_(reasons),
            or_(AttentionRow.done.is_(None), AttentionRow.at >= since),
        )
        return self._session.scalar(query.limit(1)) is not None

    def seen_to_since(self, person_id: str, reason: str, since: datetime) -> bool:
        """Whether a person has this on the attention list, or it was taken off it since (UTC)."""
        query = select(AttentionRow.id).where(
            AttentionRow.person_id == person_id,
            AttentionRow.reason == reason,
            or_(AttentionRow.done.is_(None), AttentionRow.done >= since),
        )
        return self._session.scalar(query.limit(1)) is not None

    def plans_without(self, after: str, limit: int) -> list[str]:
        """Plans in force that never opened a recall, at most so many in the order of their ids, beginning after one.

        Most of them have no return; others were given before recalls were kept."""
        running = [Status.ACTIVE.value, Status.ON_HOLD.value]
        query = (
            select(PlanRow.id)
            .outerjoin(RecallRow, RecallRow.plan_id == PlanRow.id)
            .where(PlanRow.status.in_(running), RecallRow.id.is_(None), PlanRow.id > after)
            .order_by(PlanRow.id)
            .limit(limit)
        )
        return list(self._session.scalars(query))

    def last_invited(self, recall: Recall) -> datetime | None:
        """When (UTC) the last invitation of any of its rounds went out, or was due if it may have; None for none."""
        query = select(func.max(func.coalesce(MessageRow.handed, MessageRow.due))).where(
            MessageRow.plan_id == recall.plan_id,
            MessageRow.kind == MessageKind.RETURN_DUE.value,
            MessageRow.state.in_(WENT),
        )
        return self._session.scalar(query)

    def ways_invited(self, recall: Recall) -> frozenset[Channel]:
        """By which channels the invitations of all its rounds went out, or may have."""
        query = select(MessageRow.channel).where(
            MessageRow.plan_id == recall.plan_id,
            MessageRow.kind == MessageKind.RETURN_DUE.value,
            MessageRow.state.in_(WENT),
            MessageRow.channel.is_not(None),
        )
        return frozenset(Channel(each) for each in self._session.scalars(query.distinct()) if each is not None)

    def invitations_out(self, recalls: Iterable[Recall]) -> Mapping[str, int]:
        """By recall, how many invitations of its present round have gone out, or may have; 0 is left out."""
        by_plan = {recall.plan_id: recall for recall in recalls}
        query = select(MessageRow.plan_id, MessageRow.key).where(
            among(_MESSAGES.plan_id, "given"),
            MessageRow.kind == MessageKind.RETURN_DUE.value,
            MessageRow.state.in_(WENT),
        )
        found: Counter[str] = Counter()
        for plan_id, key in self._session.execute(query, {"given": list(by_plan)}):
            recall = by_plan[plan_id]
            if invitation_round(key) == recall.round:
                found[recall.id] += 1
        return found


def recall_of(row: RecallRow) -> Recall:
    """The recall that a row holds."""
    window = Window(
        ears=Ears(row.ears),
        earliest=row.earliest,
        ideal=row.ideal,
        latest=row.latest,
        weight=row.weight,
        template=row.template,
    )
    return Recall(
        id=row.id,
        person_id=row.person_id,
        plan_id=row.plan_id,
        window=window,
        invite_on=row.invite_on,
        opened=row.opened,
        state=RecallState(row.state),
        week=row.week,
        round=row.round,
        answer=Answer(row.answer) if row.answer is not None else None,
        answered=row.answered,
        answered_by=row.answered_by,
        missed=row.missed,
        ended=Ended(row.ended) if row.ended is not None else None,
        closed=row.closed,
    )
