"""Visits, plans, what the patient marked, and what calendars were told: rows to values and back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, datetime, time
from uuid import UUID

from sqlalchemy import delete, exists, or_, select, update
from sqlalchemy.orm import Session

from service import codec
from service.domain.calendar_item import ItemState, item_from, item_record
from service.domain.course_moved import Followed
from service.domain.plan import Plan, Status
from service.domain.visit import Visit
from service.errors import NotFoundError
from service.storage.locks import hold_person, hold_person_of_plan
from service.storage.records import StoredPlan, StoredVisit
from service.storage.tables import CalendarStateRow, DoseMarkRow, PlanRow, RecallRow, VisitRow


class Plans:
    """Visits and the plans given after them."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add_visit(self, stored: StoredVisit) -> None:
        """Store a visit."""
        self._session.add(
            VisitRow(
                id=stored.id,
                person_id=stored.person_id,
                document=codec.dump(stored.visit),
                by=stored.by,
                created=stored.created,
            )
        )
        self._session.flush()

    def add(self, stored: StoredPlan) -> None:
        """Store a plan, frozen as it is."""
        on, at = stored.appointment or (None, None)
        self._session.add(
            PlanRow(
                id=stored.id,
                person_id=stored.person_id,
                visit_id=stored.visit_id,
                status=stored.status.value,
                document=codec.dump(stored.plan),
                pack=stored.plan.pack,
                given=stored.given,
                by=stored.by,
                appointment_on=on,
                appointment_at=at,
                calendar_seed=stored.calendar_seed,
            )
        )
        self._session.flush()

    def get(self, plan_id: str) -> StoredPlan:
        """One plan. Raises NotFoundError."""
        hold_person_of_plan(self._session, plan_id)
        row = self._session.get(PlanRow, plan_id)
        if row is None:
            raise NotFoundError("this plan is not in the record")
        return _plan(row)

    def of_person(self, person_id: str) -> list[StoredPlan]:
        """Every plan of a person, newest first."""
        hold_person(self._session, person_id)
        query = select(PlanRow).where(PlanRow.person_id == person_id).order_by(PlanRow.given.desc(), PlanRow.id)
        return [_plan(row) for row in self._session.scalars(query)]

    def current(self, person_id: str) -> StoredPlan | None:
        """The newest plan that is active or on hold."""
        hold_person(self._session, person_id)
        query = (
            select(PlanRow)
            .where(PlanRow.person_id == person_id, PlanRow.status.in_([Status.ACTIVE.value, Status.ON_HOLD.value]))
            .order_by(PlanRow.given.desc(), PlanRow.id)
            .limit(1)
        )
        row = self._session.scalar(query)
        return None if row is None else _plan(row)

    def set_status(self, plan_id: str, status: Status) -> None:
        """Change where a plan stands."""
        self._session.execute(update(PlanRow).where(PlanRow.id == plan_id).values(status=status.value))

    def visits_of(self, person_id: str) -> list[StoredVisit]:
        """Every visit of a person, newest first."""
        query = select(VisitRow).where(VisitRow.person_id == person_id).order_by(VisitRow.created.desc(), VisitRow.id)
        return [_visit(row) for row in self._session.scalars(query)]

    def visit_of(self, stored: StoredPlan) -> Visit:
        """The visit that a plan was made from. Raises NotFoundError."""
        row = self._session.get(VisitRow, stored.visit_id)
        if row is None:
            raise NotFoundError("the visit of this plan is not in the record")
        return _visit(row).visit

    def newest_visits(self, limit: int) -> list[StoredVisit]:
        """The last visits of all people, newest first."""
        query = select(VisitRow).order_by(VisitRow.created.desc(), VisitRow.id).limit(limit)
        return [_visit(row) for row in self._session.scalars(query)]

    def mark_dose(self, plan_id: str, wall: str, now: datetime) -> None:
        """Note a dose as done; noting it twice changes nothing."""
        if self._session.get(DoseMarkRow, (plan_id, wall)) is None:
            self._session.add(DoseMarkRow(plan_id=plan_id, wall=wall, at=now))

    def unmark_dose(self, plan_id: str, wall: str) -> None:
        """Take a mark back."""
        row = self._session.get(DoseMarkRow, (plan_id, wall))
        if row is not None:
            self._session.delete(row)

    def marks(self, plan_id: str) -> frozenset[str]:
        """The local times of the doses marked as done."""
        return frozenset(self._session.scalars(select(DoseMarkRow.wall).where(DoseMarkRow.plan_id == plan_id)))

    def appoint(self, plan_id: str, appointment: tuple[date, time] | None) -> None:
        """Store the booked appointment of a plan at the clinic's local date and time, or that there is none."""
        hold_person_of_plan(self._session, plan_id)
        on, at = appointment or (None, None)
        self._session.execute(update(PlanRow).where(PlanRow.id == plan_id).values(appointment_on=on, appointment_at=at))

    def follow(self, plan_id: str, followed: tuple[Followed, ...]) -> None:
        """Store how the softening courses of a plan stand since its appointment changed."""
        softening = codec.dump(followed) if followed else None
        self._session.execute(update(PlanRow).where(PlanRow.id == plan_id).values(softening=softening))

    def appointments_until(self, last: date, limit: int) -> list[str]:
        """Plans in force, or by which the person is due back again, whose appointment was on this day or before; at
        most so many, the longest past first."""
        query = (
            select(PlanRow.id)
            .where(
                PlanRow.appointment_on.is_not(None),
                PlanRow.appointment_on <= last,
                or_(
                    PlanRow.status.in_([Status.ACTIVE.value, Status.ON_HOLD.value]),
                    exists().where(RecallRow.plan_id == PlanRow.id, RecallRow.closed.is_(None)),
                ),
            )
            .order_by(PlanRow.appointment_on, PlanRow.id)
            .limit(limit)
        )
        return list(self._session.scalars(query))

    def visit_since(self, person_id: str, since: datetime) -> bool:
        """Whether a visit of this person was recorded at this instant or later, and its plan was not withdrawn."""
        query = select(VisitRow.id).where(
            VisitRow.person_id == person_id,
            VisitRow.created >= since,
            ~exists().where(PlanRow.visit_id == VisitRow.id, PlanRow.status == Status.REVOKED.value),
        )
        return self._session.scalar(query.limit(1)) is not None

    def calendar_states(self, plan_id: str) -> dict[str, ItemState]:
        """What calendars were last told about this plan, by item key."""
        hold_person_of_plan(self._session, plan_id)
        rows = self._session.scalars(select(CalendarStateRow).where(CalendarStateRow.plan_id == plan_id))
        return {row.key: _state(row.document) for row in rows}

    def hand_calendar_entry_on(self, before: str, after: str, key: str, *, seed: str) -> None:
        """A calendar entry goes on under another plan, with its UID and SEQUENCE, in the place of a cancelled one. New
        entries of the plan that had it are made from another seed."""
        self._session.execute(
            delete(CalendarStateRow).where(CalendarStateRow.plan_id == after, CalendarStateRow.key == key)
        )
        self._session.execute(
            update(CalendarStateRow)
            .where(CalendarStateRow.plan_id == before, CalendarStateRow.key == key)
            .values(plan_id=after)
        )
        self._session.execute(update(PlanRow).where(PlanRow.id == before).values(calendar_seed=seed))
        self._session.expire_all()

    def save_calendar_states(self, plan_id: str, states: Mapping[str, ItemState]) -> None:
        """Remember what calendars are now told."""
        for key, state in states.items():
            self._session.merge(CalendarStateRow(plan_id=plan_id, key=key, document=_state_document(state)))


def _state_document(state: ItemState) -> str:
    record = {"uid": state.uid.hex, "sequence": state.sequence, "stamp": state.stamp.isoformat()}
    return json.dumps(record | {"item": item_record(state.item)})


def _state(document: str) -> ItemState:
    found = json.loads(document)
    return ItemState(
        uid=UUID(hex=found["uid"]),
        sequence=found["sequence"],
        stamp=datetime.fromisoformat(found["stamp"]),
        item=item_from(found["item"]),
    )


def _visit(row: VisitRow) -> StoredVisit:
    return StoredVisit(
        id=row.id,
        person_id=row.person_id,
        visit=codec.load(Visit, row.document),
        by=row.by,
        created=row.created,
    )


def _plan(row: PlanRow) -> StoredPlan:
    appointment = None
    if row.appointment_on is not None and row.appointment_at is not None:
        appointment = (row.appointment_on, row.appointment_at)
    return StoredPlan(
        id=row.id,
        person_id=row.person_id,
        visit_id=row.visit_id,
        status=Status(row.status),
        plan=codec.load(Plan, row.document),
        given=row.given,
        by=row.by,
        appointment=appointment,
        calendar_seed=row.calendar_seed,
        followed=codec.load(tuple[Followed, ...], row.softening) if row.softening is not None else (),
    )
