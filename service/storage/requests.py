"""What was already carried out for a form with this key? And the appointment that somebody asked for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete
from sqlalchemy.orm import Session

from service.storage.locks import add_once
from service.storage.tables import RequestRow


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """A request that was carried out: the digest of what was asked, and the id of what came of it."""

    digest: str
    answer: str


class Requests:
    """Requests by the random key of their form, so that a second press of a button does nothing a second time."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def find(self, key: str) -> Request | None:
        """What was carried out under this key, if anything was."""
        row = self._session.get(RequestRow, key)
        return None if row is None else Request(digest=row.digest, answer=row.answer)

    def claim(self, key: str, digest: str, answer: str, now: datetime) -> Request | None:
        """Note that `answer` comes of this request, in the same transaction as the answer itself.

        None when the key was free. Else what was carried out under it before, and nothing is noted; another
        transaction that holds the key at this moment is waited for.
        """
        earlier = self.find(key)
        if earlier is not None:
            return earlier
        if add_once(self._session, RequestRow(key=key, digest=digest, answer=answer, at=now)):
            return None
        return self.find(key)  # another transaction committed the key since we looked

    def tidy(self, before: datetime) -> int:
        """Forget requests older than this instant; returns how many. A form is not pressed again after weeks."""
        gone = self._session.execute(delete(RequestRow).where(RequestRow.at < before))
        return int(gone.rowcount)  # type: ignore[attr-defined]
