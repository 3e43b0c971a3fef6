"""People, staff, sessions and patients' links: rows to values and back."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service import codec
from service.domain.contact import Channel, Contact, compared
from service.errors import NotFoundError
from service.storage.locks import hold_person, holds_rows
from service.storage.records import Person, Staff
from service.storage.tables import LinkRow, PersonRow, StaffRow, StaffSessionRow


class People:
    """Patients and their contacts."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, person: Person, created: datetime) -> None:
        """Store a new person."""
        row = PersonRow(id=person.id, created=created, **_columns(person))
        self._session.add(row)
        self._session.flush()

    def save(self, person: Person) -> None:
        """Store a changed person. Raises NotFoundError."""
        row = self._row(person.id)
        for name, value in _columns(person).items():
            setattr(row, name, value)

    def get(self, person_id: str) -> Person:
        """One person. Raises NotFoundError."""
        return _person(self._row(person_id))

    def search(self, words: str, limit: int = 50) -> list[Person]:
        """People whose name holds every word, by name; all of them (up to `limit`) for an empty search."""
        query = select(PersonRow).order_by(PersonRow.search).limit(limit)
        for word in words.casefold().split():
            query = query.where(PersonRow.search.contains(word, autoescape=True))
        return [_person(row) for row in self._session.scalars(query)]

    def _row(self, person_id: str) -> PersonRow:
        hold_person(self._session, person_id)
        row = self._session.get(PersonRow, person_id)
        if row is None:
            raise NotFoundError("this person is not in the record")
        return row


def _columns(person: Person) -> dict[str, object]:
    born = f" {person.born.isoformat()}" if person.born else ""
    return {
        "name": person.name,
        "search": f"{person.name.casefold()}{born}",
        "born": person.born,
        "contact": codec.dump(person.contact),
        "phone": compared(Channel.TEXT, person.contact.phone or "") or None,
        "email": compared(Channel.EMAIL, person.contact.email or "") or None,
        "joins": person.contact.join_with_others,
        "history": ",".join(sorted(person.history)),
    }


def _person(row: PersonRow) -> Person:
    return Person(
        id=row.id,
        name=row.name,
        born=row.born,
        contact=codec.load(Contact, row.contact),
        history=frozenset(filter(None, row.history.split(","))),
    )


class StaffBook:
    """Staff, and who is signed in."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, staff: Staff, password_hash: str) -> None:
        """Store a new member of staff."""
        self._session.add(
            StaffRow(
                id=staff.id,
                login=staff.login,
                name=staff.name,
                password_hash=password_hash,
                roles=",".join(sorted(staff.roles)),
                approves=",".join(sorted(staff.approves)),
                active=staff.active,
            )
        )
        self._session.flush()

    def row_by_login(self, login: str) -> StaffRow | None:
        """The stored row (with the password hash and the count of failures), for `web/access.py` only."""
        query = select(StaffRow).where(StaffRow.login == login)
        # Many tries at once must each be counted.
        return self._session.scalar(query.with_for_update() if holds_rows(self._session) else query)

    def all(self) -> list[Staff]:
        """Everybody, by name."""
        return [_staff(row) for row in self._session.scalars(select(StaffRow).order_by(StaffRow.name))]

    def start_session(self, token_hash: str, staff_id: str, csrf: str, now: datetime) -> None:
        """Remember a signed-in browser."""
        self._session.add(StaffSessionRow(token_hash=token_hash, staff_id=staff_id, csrf=csrf, started=now, seen=now))

    def session(self, token_hash: str) -> tuple[Staff, StaffSessionRow] | None:
        """Who a session belongs to, if it is there and the person is still active."""
        found = self._session.execute(
            select(StaffRow, StaffSessionRow)
            .join(StaffSessionRow, StaffSessionRow.staff_id == StaffRow.id)
            .where(StaffSessionRow.token_hash == token_hash, StaffRow.active)
        ).first()
        return (_staff(found[0]), found[1]) if found else None

    def end_session(self, token_hash: str) -> None:
        """Forget a signed-in browser; a copied cookie is worthless afterwards."""
        row = self._session.get(StaffSessionRow, token_hash)
        if row is not None:
            self._session.delete(row)


def _staff(row: StaffRow) -> Staff:
    roles = frozenset(filter(None, row.roles.split(",")))
    approves = frozenset(filter(None, row.approves.split(",")))
    return Staff(id=row.id, login=row.login, name=row.name, roles=roles, approves=approves, active=row.active)


class Links:
    """Patients' links, by the hash of their token."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def add(self, link_id: str, token_hash: str, person_id: str, created: datetime) -> None:
        """Store a new link."""
        self._session.add(LinkRow(id=link_id, token_hash=token_hash, person_id=person_id, created=created))
        self._session.flush()

    def live_id(self, person_id: str) -> str | None:
        """The id of the person's newest link that is not revoked."""
        return self._session.scalar(
            select(LinkRow.id)
            .where(LinkRow.person_id == person_id, LinkRow.revoked.is_(None))
            .order_by(LinkRow.created.desc(), LinkRow.id)
            .limit(1)
        )

    def person_of(self, token_hash: str) -> str | None:
        """Whose link this is, or None when there is no such link or it was revoked."""
        return self._session.scalar(
            select(LinkRow.person_id).where(LinkRow.token_hash == token_hash, LinkRow.revoked.is_(None))
        )

    def revoke_all(self, person_id: str, now: datetime) -> int:
        """Make every link of this person worthless; returns how many."""
        changed = self._session.execute(
            update(LinkRow).where(LinkRow.person_id == person_id, LinkRow.revoked.is_(None)).values(revoked=now)
        )
        return int(changed.rowcount)  # type: ignore[attr-defined]
