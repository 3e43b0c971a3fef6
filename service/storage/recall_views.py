"""What the recall board reads: counts by month, and lists of a bounded length."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from typing import Any, cast

from sqlalchemy import ColumnElement, String, Table, and_, case, exists, func, literal, select
from sqlalchemy.orm import Session

from service import codec
from service.domain.contact import Channel, Contact
from service.domain.course_moved import Followed
from service.domain.message import MessageKind
from service.domain.plan import Plan
from service.domain.recall import FINAL_ENDS, Recall, RecallState, Standing
from service.domain.visit import Ears, Visit
from service.storage.among import among
from service.storage.recalls import COUNTS_FIRST, WENT, Recalls, recall_of
from service.storage.tables import DoseMarkRow, MessageRow, PersonRow, PlanRow, RecallRow, VisitRow

_R = cast("Table", RecallRow.__table__).c
_M = cast("Table", MessageRow.__table__).c
_P = cast("Table", PlanRow.__table__).c


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One recall on a list: with the person's name, how many invitations of this round are out, the appointment, and
    of the contact what a call takes: the number (None for none, and for who is gone), whether it is known to be
    bad, and the guardian or carer to ask for."""

    recall: Recall
    name: str
    out: int
    appointment_on: date | None
    phone: str | None
    phone_is_bad: bool
    guardian: str | None


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


@dataclass(frozen=True, slots=True, kw_only=True)
class EndedRow:
    """A recall that ended with a visit: the ears that were due, what the visit found, and the plan before it with how
    its softening courses stand and how many of its doses are marked as done."""

    ears: Ears
    visit: Visit
    plan: Plan
    followed: tuple[Followed, ...]
    marks: int


_HANDED = (_M.kind == MessageKind.RETURN_DUE.value, _M.state.in_(WENT), _M.handed.is_not(None))
_INVITED = exists().where(_M.plan_id == _R.plan_id, *_HANDED)
"""Any invitation of the plan has gone out, whichever its round: enough for a count."""


_ASKED = exists().where(
    _M.plan_id == _R.plan_id, *_HANDED, _M.key.like(literal("return-due/").concat(_R.round.cast(String)).concat("/%"))
)
"""An invitation of the present round has gone out."""


def _standing(today: date) -> ColumnElement[str]:
    """The standing of a recall as the database sees it; `domain/recall.standing` says the same of one recall."""
    return case(
        (_R.state != RecallState.DUE.value, _R.state),
        (_R.latest < today, Standing.OVERDUE.value),
        (_ASKED, Standing.INVITED.value),
        else_=Standing.DUE.value,
    )


def _order(standing: Standing | None, today: date) -> tuple[ColumnElement[Any], ...]:
    """How a list is ordered for whoever rings people up. Who wants to come and who is late go before the rest, each by
    its own measure; a list of one standing has its measure alone."""
    answered, overdue = (
        _R.state == RecallState.ANSWERED.value,
        and_(_R.state == RecallState.DUE.value, _R.latest < today),
    )
    by_weight = (_R.weight.desc(), _R.latest, _R.id)
    match standing:
        case Standing.BOOKED:
            return (_P.appointment_on.nulls_last(), _P.appointment_at, *by_weight)
        case Standing.SEEN | Standing.CLOSED:
            return (_R.closed.desc(), *by_weight)
    return (
        case((answered, 0), (overdue, 1), else_=2),
        case((answered, _R.answered)),
        *by_weight,
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
        """Recalls of one standing (or all open ones), due in a time, in the order in which the desk takes them.

        First who wants to come, the longest waiting first; then the overdue, by weight and then the longest overdue;
        then the rest, by weight and then the latest day. Booked ones alone are in the order of their appointments,
        seen or closed ones the last closed first."""
        wanted: list[ColumnElement[bool]] = []
        if standing is not None:
            wanted.append(_standing(today) == standing.value)
        if standing not in (Standing.SEEN, Standing.CLOSED):
            wanted.append(_R.closed.is_(None))
        if first is not None and last is not None:
            wanted.append(_R.ideal.between(first, last))
        query = (
            select(RecallRow, PersonRow.name, PersonRow.contact, PlanRow.appointment_on)
            .join(PersonRow, PersonRow.id == RecallRow.person_id)
            .join(PlanRow, PlanRow.id == RecallRow.plan_id)
            .where(and_(*wanted))
            .order_by(*_order(standing, today))
            .limit(limit)
        )
        found = [
            (recall_of(row), name, codec.load(Contact, contact), on)
            for row, name, contact, on in self._session.execute(query)
        ]
        out = Recalls(self._session).invitations_out([recall for recall, *_ in found])
        return [
            Listed(
                recall=recall,
                name=name,
                out=out.get(recall.id, 0),
                appointment_on=on,
                phone=None if contact.gone else contact.phone,
                phone_is_bad=Channel.TEXT in contact.bad,
                guardian=contact.guardian,
            )
            for recall, name, contact, on in found
        ]

    def that_count(self, person_ids: Collection[str]) -> Mapping[str, str]:
        """By person, the id of the recall that counts now (as `Recalls.newest_of`); who never had one is left out."""
        query = select(_R.person_id, _R.id).where(among(_R.person_id, "given")).order_by(*COUNTS_FIRST)
        found: dict[str, str] = {}
        for person_id, recall_id in self._session.execute(query, {"given": list(person_ids)}):
            found.setdefault(person_id, recall_id)
        return found

    def invited(self, start: datetime, end: datetime, limit: int) -> list[InvitedRow]:
        """Recalls whose first invitation that went out was handed over in this time (instants, the end not counted), in
        whichever round; the one handed over last comes first."""
        first = func.min(_M.handed)
        asked = (
            select(_R.id, first.label("first"))
            .join(MessageRow, and_(_M.plan_id == _R.plan_id, *_HANDED))
            .group_by(_R.id)
            .having(and_(first >= start, first < end))
            .subquery()
        )
        query = (
            select(RecallRow, PersonRow.born)
            .join(asked, asked.c.id == RecallRow.id)
            .join(PersonRow, PersonRow.id == RecallRow.person_id)
            .order_by(asked.c.first.desc(), RecallRow.id)
            .limit(limit)
        )
        found = [(recall_of(row), born) for row, born in self._session.execute(query)]
        sent: dict[str, list[SentInvitation]] = {}
        messages = (
            select(_M.plan_id, _M.key, _M.channel, _M.language, _M.units, _M.handed)
            .where(among(_M.plan_id, "given"), *_HANDED)
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

    def visits_that_ended(self, recall_ids: Collection[str]) -> Iterator[EndedRow]:
        """What was found when they came, of those of these recalls that a visit of the record ended; read in one
        statement, and not all of it is in memory at once."""
        marks = select(func.count()).where(DoseMarkRow.plan_id == _R.plan_id).correlate(RecallRow).scalar_subquery()
        query = (
            select(_R.id, _R.ears, VisitRow.document, PlanRow.document, PlanRow.softening, marks)
            .join(VisitRow, and_(VisitRow.person_id == _R.person_id, VisitRow.created == _R.closed))
            .join(PlanRow, PlanRow.id == _R.plan_id)
            .where(among(_R.id, "given"), _R.state == RecallState.SEEN.value)
            .order_by(_R.id, VisitRow.id)
            .execution_options(yield_per=1000)
        )
        rows = self._session.execute(query, {"given": list(recall_ids)})
        for _, (first, *_more) in groupby(rows, key=lambda row: row[0]):
            _id, ears, visit, plan, softening, marked = first
            yield EndedRow(
                ears=Ears(ears),
                visit=codec.load(Visit, visit),
                plan=codec.load(Plan, plan),
                followed=codec.load(tuple[Followed, ...], softening) if softening is not None else (),
                marks=marked,
            )

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
        """How many appointments are booked on each day of a time, by plans in force or not; without those of people
        whose recall ended since they died or moved away."""
        gone = [each.value for each in FINAL_ENDS]
        query = (
            select(PlanRow.appointment_on, func.count())
            .where(
                PlanRow.appointment_on.between(first, last),
                ~exists().where(_R.person_id == PlanRow.person_id, _R.ended.in_(gone)),
            )
            .group_by(PlanRow.appointment_on)
        )
        found: dict[date, int] = {}
        for day, count in self._session.execute(query):
            if day is not None:
                found[day] = count
        return found
