"""What becomes of a message whose row cannot be read? It is set aside and put before a person, and stops no other."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, cast

from sqlalchemy import Row, Table, update
from sqlalchemy.orm import Session

from service.domain.message import State
from service.domain.sending import Reason
from service.storage.ledger import Ledger
from service.storage.message_rows import message_of
from service.storage.records import StoredMessage
from service.storage.tables import MessageRow

log = logging.getLogger("service.storage")

_MESSAGES = cast("Table", MessageRow.__table__)


def readable(rows: Iterable[MessageRow | Row[Any]]) -> tuple[list[StoredMessage], list[tuple[str, str, str]]]:
    """The rows that can be read, as values, and of each other one its id, its person's id and the kind of the fault."""
    found: list[StoredMessage] = []
    unreadable: list[tuple[str, str, str]] = []
    for row in rows:
        try:
            found.append(message_of(row))
        except (ValueError, TypeError, KeyError) as fault:
            log.error("message %s cannot be read: %s", row.id, type(fault).__name__)  # its values stay out of the log
            unreadable.append((row.id, row.person_id, type(fault).__name__))
    return found, unreadable


def read_or_set_aside(
    session: Session, rows: Sequence[MessageRow | Row[Any]], now: datetime, ends: State = State.FAILED
) -> list[StoredMessage]:
    """The rows as values. One that cannot be read ends as FAILED, or as UNCERTAIN if it may have left already, with the
    reason in its detail, and is put on the attention list."""
    found, unreadable = readable(rows)
    for message_id, person_id, fault in unreadable:
        detail = f"this message cannot be read in the record: {fault}"
        session.execute(
            update(_MESSAGES)
            .where(_MESSAGES.c.id == message_id)
            .values(
                state=ends.value,
                reason=Reason.FAULT.value,
                detail=detail,
                finished=now,
                lease_owner=None,
                lease_until=None,
                repeat_at=None,
            )
        )
        asks = Reason.FAULT.value if ends is State.FAILED else State.UNCERTAIN.value
        Ledger(session).ask(person_id, asks, now, message_id=message_id, detail=detail)
    return found
