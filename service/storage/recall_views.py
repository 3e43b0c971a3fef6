"""What the recall board reads: counts by month, and lists of a bounded length."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from typing import cast

from sqlalchemy import ColumnElement, Table, and_, case, exists, func, select
from sqlalchemy.orm import Session

from service import codec
from service.domain.contact import Contact
from service.domain.message import MessageKind
from service.domain.recall import Recall, RecallState, Standing
from service.domain.visit import Visit
from service.storage.among import among
from service.storage.recalls import WENT, Recalls, recall_of
from service.storage.tables import MessageRow, PersonRow, PlanRow, RecallRow, VisitRow

_R = cast("Table", RecallRow.__table__).c
_M = cast("Table", MessageRow.__table__).c


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One recall on a list: with the person's name, how many invitations of this round are out, and the appointment."""

    recall: Recall
    name: str
    out: int
    appointment_on: date | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SentInvitation:
    """One invitation that went out: its key and channel, its language and sentences, and when (UTC)."""

    key: str
    channel: str
    language: str
    units: tuple[str, ...]
    handed: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class InvitedRow:
    """A recall with the invitations of its rounds that went out, oldest first, and the person's date of birth."""

    recall: Recall
    born: date | None
    sent: tuple[SentInvitation, ...]


_INVITED = exists().where(
    _M.plan_id == _R.plan_id, _M.kind == MessageKind.RETURN_DUE.value, _M.state.in_(WENT), _M.handed.is_not(None)
)
"""Any invitation of the plan has gone out, whichever its round: enough for a count."""


def _standing(today: date) -> ColumnElement[str]:
    """The standing of a recall as the database sees it; `domain/recall.standing` says the same of one recall."""
    return case(
        (_R.state != RecallState.DUE.value, _R.state),
        (_R.latest < today, Standing.OVERDUE.value),
        (_INVITED, Standing.INVITED.value),
        else_=Standing.DUE.value,
    )


class RecallViews:
    """Reads for the board; writes nothing."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def months(self, first: date, last: date, today: date) -> Mapping[date, Counter[Standing]]:
        """By month (its first day), how many recalls due in it stand how."""
        query = (
            select(_R.ideal, _standing(today).label("standing"), func.count())
            .where(_R.ideal.between(first, last))
            .group_by(_R.ideal, "standing")
        )
        found: dict[date, Counter[Standing]] = {}
        for ideal, standing, count in self._session.execute(query):
            found.setdefault(ideal.replace(day=1), Counter())[Standing(standing)] += count
        return found

    def reasons(self, first: date, last: date) -> Mapping[str, int]:
        """Why recalls due in this time ended without a visit."""
        query = (
            select(_R.ended, func.count())
            .where(_R.ideal.between(first, last), _R.state == RecallState.CLOSED.value)
            .group_by(_R.ended)
        )
        return {str(ended): count for ended, count in self._session.execute(query)}

    def open_counts(self, today: date) -> Counter[Standing]:
        """How many open recalls stand how, whenever they are due."""
        query = select(_standing(today).label("standing"), func.count()).where(_R.closed.is_(None)).group_by("standing")
        return Counter({Standing(standing): count for standing, count in self._session.execute(query)})

    def listed(
        self, today: date, *, standing: Standing | None, first: date | None, last: date | None, limit: int
    ) -> list[Listed]:
        """Recalls of one standing (or all open ones), due in a time, the heaviest and longest due first."""
        wanted: list[ColumnElement[bool]] = []
        if standing is not None:
            wanted.append(_standing(today) == standing.value)
        if standing not in (Standing.SEEN, Standing.CLOSED):
            wanted.append(_R.closed.is_(None))
        if first is not None and last is not None:
            wanted.append(_R.ideal.between(first, last))
        query = (
            select(RecallRow, PersonRow.name, PlanRow.appointment_on)
            .join(PersonRow, PersonRow.id == RecallRow.person_id)
            .join(PlanRow, PlanRow.id == RecallRow.plan_id)
            .where(and_(*wanted))
            .order_by(RecallRow.weight.desc(), RecallRow.latest, RecallRow.id)
            .limit(limit)
        )
        found = [(recall_of(row), name, on) for row, name, on in self._session.execute(query)]
        out = Recalls(self._session).invitations_out([recall for recall, _, _ in found])
        return [
            Listed(recall=recall, name=name, out=out.get(recall.id, 0), appointment_on=on) for recall, name, on in found
        ]

    def invited(self, first: date, last: date, limit: int) -> list[InvitedRow]:
        """Recalls whose present or last round began in this time and of which an invitation went out, newest first."""
        query = (
            select(RecallRow, PersonRow.born)
            .join(PersonRow, PersonRow.id == RecallRow.person_id)
            .where(RecallRow.invite_on.between(first, last), _INVITED)
            .order_by(RecallRow.invite_on.desc(), RecallRow.id)
            .limit(limit)
        )
        found = [(recall_of(row), born) for row, born in self._session.execute(query)]
        sent: dict[str, list[SentInvitation]] = {}
        messages = (
            select(_M.plan_id, _M.key, _M.channel, _M.language, _M.units, _M.handed)
            .where(
                among(_M.plan_id, "given"),
                _M.kind == MessageKind.RETURN_DUE.value,
                _M.state.in_(WENT),
                _M.handed.is_not(None),
            )
            .order_by(_M.handed, _M.key)
        )
        given = {"given": [recall.plan_id for recall, _ in found]}
        for plan_id, key, channel, language, units, handed in self._session.execute(messages, given):
            sent.setdefault(plan_id, []).append(
                SentInvitation(
                    key=key,
                    channel=channel or "",
                    language=language or "",
                    units=tuple(json.loads(units or "[]")),
                    handed=handed,
                )
            )
        return [InvitedRow(recall=recall, born=born, sent=tuple(sent[recall.plan_id])) for recall, born in found]

    def visit_at(self, person_id: str, created: datetime) -> Visit | None:
        """The visit that was recorded at this instant: the one that ended a recall."""
        query = select(VisitRow.document).where(VisitRow.person_id == person_id, VisitRow.created == created).limit(1)
        document = self._session.scalar(query)
        return None if document is None else codec.load(Visit, document)

    def contacts_of_open(self) -> Mapping[str, Contact]:
        """How everybody with an open recall is reached."""
        query = select(PersonRow.id, PersonRow.contact).join(
            RecallRow, and_(RecallRow.person_id == PersonRow.id, RecallRow.closed.is_(None))
        )
        return {person_id: codec.load(Contact, contact) for person_id, contact in self._session.execute(query)}

    def visits_by_person(self) -> Iterator[tuple[str, list[Visit]]]:
        """Every visit of everybody, person by person; not all of them are in memory at once."""
        query = (
            select(VisitRow.person_id, VisitRow.document)
            .order_by(VisitRow.person_id, VisitRow.created)
            .execution_options(yield_per=1000)
        )
        for person_id, rows in groupby(self._session.execute(query), key=lambda row: row[0]):
            yield person_id, [codec.load(Visit, document) for _, document in rows]

    def booked_by_day(self, first: date, last: date) -> Mapping[date, int]:
        """How many appointments are booked on each day of a time, by plans in force or not."""
        query = (
            select(PlanRow.appointment_on, func.count())
            .where(PlanRow.appointment_on.between(first, last))
            .group_by(PlanRow.appointment_on)
        )
        found: dict[date, int] = {}
        for day, count in self._session.execute(query):
            if day is not None:
                found[day] = count
        return found
