"""What must a transaction hold while it reads in order to write? SQLite has one writer at a time; PostgreSQL many.

On PostgreSQL a transaction that may write holds the person's row from its first look at the person or at one of their
plans. So two changes to one person follow each other (a stop is never overwritten by a corrected address), and the
last look before a hand-over sees every change that was committed before it. Changes to other people go on meanwhile.
The order is always person first, then messages, so that two transactions never wait for each other.
"""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.storage.tables import Base, PersonRow, PlanRow


def holds_rows(session: Session) -> bool:
    """Whether this transaction must lock what it reads: it may write, and others may write at the same time."""
    bind = session.get_bind()
    return bind.dialect.name != "sqlite" and not bind.get_execution_options().get("read_only", False)


def hold_person(session: Session, person_id: str) -> None:
    """Keep other changes to this person waiting until this transaction ends."""
    if holds_rows(session):
        # Not FOR UPDATE: a new row that refers to the person (an attention entry, a link) need not wait.
        session.execute(select(PersonRow.id).where(PersonRow.id == person_id).with_for_update(key_share=True))


def hold_person_of_plan(session: Session, plan_id: str) -> None:
    """The same, for the person whose plan this is."""
    if holds_rows(session):
        person_id = session.scalar(select(PlanRow.person_id).where(PlanRow.id == plan_id))
        if person_id is not None:
            hold_person(session, person_id)


def add_once(session: Session, row: Base) -> bool:
    """Add a row, unless another process adds the same one at this moment; whether it was added."""
    try:
        with session.begin_nested():
            session.add(row)
    except IntegrityError:
        return False
    return True
