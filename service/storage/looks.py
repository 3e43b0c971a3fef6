"""Who looked at whom. A look at a list is one line of the audit record that names everybody on it.

The ids stand in the line itself (`detail["people"]`), and `audit_shown` holds each beside the number of the line: so
"who looked at this person?" reads an index, and a look at a hundred people is one line and not a hundred. Both are
written here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime
from typing import cast

from sqlalchemy import Table, insert, select
from sqlalchemy.orm import Session

from service.storage.records import Audit
from service.storage.tables import AuditRow, AuditShownRow

_SHOWN = cast("Table", AuditShownRow.__table__)


class Looks:
    """The looks on record."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def note(
        self, actor: str, action: str, subject: str, people: Iterable[str], now: datetime, **detail: object
    ) -> None:
        """Add one line that names these people; `subject` is the list. Nothing for nobody."""
        named = sorted(set(people))
        if not named:
            return
        line = AuditRow(at=now, actor=actor, action=action, subject=subject, detail={"people": named, **detail})
        self._session.add(line)
        self._session.flush()
        rows = [{"person_id": each, "audit_id": line.id} for each in named]
        self._session.connection().execute(insert(_SHOWN), rows)

    def shown_since(self, actor: str, action: str, since: datetime) -> frozenset[str]:
        """The people whom somebody's looks at lists of this kind name since then, that moment included."""
        query = select(AuditRow.detail).where(AuditRow.at >= since, AuditRow.actor == actor, AuditRow.action == action)
        return frozenset(each for detail in self._session.scalars(query) for each in detail.get("people", ()))

    def at(self, person_id: str, limit: int, actions: Collection[str]) -> list[Audit]:
        """The looks at one person, newest first: the lines about the person that only look (`actions`), and every line
        that names the person among others."""
        newest = select(AuditRow).order_by(AuditRow.id.desc()).limit(limit)
        alone = newest.where(AuditRow.subject == person_id, AuditRow.action.in_(list(actions)))
        among = (
            select(AuditRow)
            .join(AuditShownRow, AuditShownRow.audit_id == AuditRow.id)
            .where(AuditShownRow.person_id == person_id)
            .order_by(AuditShownRow.audit_id.desc())
            .limit(limit)
        )
        rows = [*self._session.scalars(alone), *self._session.scalars(among)]
        return [
            Audit(at=row.at, actor=row.actor, action=row.action, subject=row.subject, detail=row.detail)
            for row in sorted(rows, key=lambda row: row.id, reverse=True)[:limit]
        ]
