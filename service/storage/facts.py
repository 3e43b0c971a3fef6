"""What decisions about messages rest on, read for many messages at a time."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any, cast

from sqlalchemy import ColumnElement, Table, and_, bindparam, exists, func, select
from sqlalchemy.orm import Session

from service.domain.message import MAY_HAVE_LEFT, MessageKind, State
from service.domain.plan import Status
from service.domain.sending import EXEMPT
from service.storage.among import among
from service.storage.locks import holds_rows
from service.storage.message_rows import tried_from
from service.storage.records import Facts
from service.storage.tables import DoseMarkRow, LinkRow, MessageRow, PersonRow, PlanRow

_MESSAGES = cast("Table", MessageRow.__table__)
_PEOPLE = cast("Table", PersonRow.__table__)
_M, _P = _MESSAGES.c, _PEOPLE.c
_PLANS = cast("Table", PlanRow.__table__)
_MARKS = cast("Table", DoseMarkRow.__table__).c
_LINKS = cast("Table", LinkRow.__table__).c

# Made once: to build a statement costs more than to run it.
_HOLD_PEOPLE = (
    select(_P.id)
    .where(_P.id.in_(select(_M.person_id).where(among(_M.id, "given"))))
    .order_by(_P.id)
    .with_for_update(key_share=True)
)
_HOLD_MESSAGES = select(_M.id).where(among(_M.id, "given")).order_by(_M.id).with_for_update()
_KINDS = frozenset(MessageKind)
_MAY_HAVE_LEFT = [each.value for each in MAY_HAVE_LEFT]


def _counted(messages: Any) -> ColumnElement[bool]:
    """Whether a message counts for the daily cap: it may have left since then, and was not said in another one."""
    return and_(
        messages.handed >= bindparam("since"),
        messages.carrier.is_(None),
        messages.state.in_(_MAY_HAVE_LEFT),
        messages.kind.not_in([kind.value for kind in EXEMPT]),
    )


_OTHERS = _MESSAGES.alias("others")
_HANDED = select(_M.person_id, _M.handed).where(among(_M.person_id, "given"), _counted(_M))
_HANDED_NUMBER = (
    select(func.count())
    .select_from(_OTHERS)
    .where(_OTHERS.c.person_id == _M.person_id, _counted(_OTHERS.c))
    .scalar_subquery()
)
_LIVE_LINK = (
    select(_LINKS.id)
    .where(_LINKS.person_id == _M.person_id, _LINKS.revoked.is_(None))
    .order_by(_LINKS.created.desc(), _LINKS.id)
    .limit(1)
    .scalar_subquery()
)
_FACTS = (
    select(
        _M.id,
        _M.person_id,
        _M.state,
        _M.lease_token,
        _M.superseded,
        _M.tried,
        _P.contact,
        _PLANS.c.status,
        _PLANS.c.pack,
        _PLANS.c.appointment_on,
        _PLANS.c.appointment_at,
        exists().where(_MARKS.plan_id == _M.plan_id, _MARKS.wall == _M.wall).label("dose_done"),
        _HANDED_NUMBER.label("handed_lately"),
        _LIVE_LINK.label("link"),
    )
    .select_from(_MESSAGES.join(_PEOPLE, _P.id == _M.person_id).join(_PLANS, _PLANS.c.id == _M.plan_id))
    .where(among(_M.id, "given"))
)
_WAITING = select(_M.person_id, _M.kind, _M.due).where(
    _M.plan_id == _PLANS.c.id,
    _PLANS.c.status == Status.ACTIVE.value,
    among(_M.person_id, "given"),
    _M.state.in_([State.PENDING.value, State.CLAIMED.value]),
    _M.due <= bindparam("until"),
    _M.superseded.is_(False),
)


class FactsBook:
    """Reads, and in a transaction that may write also holds, what decisions rest on."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def about(self, message_ids: Collection[str], since: datetime) -> dict[str, Facts]:
        """The facts of each message; what was handed over is counted since then. In a transaction that may write, the
        messages and their people are kept from other changes until it ends."""
        connection, given = self._session.connection(), {"given": message_ids, "since": since}
        if holds_rows(self._session):  # people first, then messages, each in one order: nobody waits in a circle
            connection.execute(_HOLD_PEOPLE, given)
            connection.execute(_HOLD_MESSAGES, given)
        found = {}
        for row in connection.execute(_FACTS, given):
            booked = None
            if row.appointment_on is not None and row.appointment_at is not None:
                booked = (row.appointment_on, row.appointment_at)
            found[row.id] = Facts(
                message_id=row.id,
                person_id=row.person_id,
                state=State(row.state),
                lease_token=row.lease_token,
                superseded=row.superseded,
                tried=tried_from(row.tried),
                contact=row.contact,
                plan=Status(row.status),
                pack=row.pack,
                booked=booked,
                dose_done=bool(row.dose_done),
                handed_lately=row.handed_lately,
                link=row.link,
            )
        return found

    def handed_since(self, people: Collection[str], since: datetime) -> dict[str, list[datetime]]:
        """When messages that count for the daily cap were handed over to these people; joined ones count once."""
        values = {"given": people, "since": since}
        found: dict[str, list[datetime]] = {}
        for person_id, handed in self._session.connection().execute(_HANDED, values):
            found.setdefault(person_id, []).append(handed)
        return found

    def waiting_until(self, people: Collection[str], until: datetime) -> dict[str, list[tuple[MessageKind, datetime]]]:
        """What these people are still due until then, as kind and due moment."""
        values = {"given": people, "until": until}
        found: dict[str, list[tuple[MessageKind, datetime]]] = {}
        for person_id, kind, due in self._session.connection().execute(_WAITING, values):
            if kind in _KINDS:  # what cannot be read is set aside when it is claimed, and stops nothing here
                found.setdefault(person_id, []).append((MessageKind(kind), due))
        return found
