"""The statements of the queue, each made once: to build one costs more than to run it."""

from __future__ import annotations

from typing import Any, cast

from sqlalchemy import (
    BindParameter,
    ColumnElement,
    Integer,
    Select,
    Table,
    Text,
    and_,
    bindparam,
    exists,
    insert,
    literal_column,
    null,
    or_,
    select,
    text,
    true,
    update,
)
from sqlalchemy.sql.dml import ReturningUpdate

from service.domain.message import State
from service.storage.among import among
from service.storage.many import Many
from service.storage.tables import AttemptRow, MessageRow, PersonRow

_MESSAGES = cast("Table", MessageRow.__table__)
_ATTEMPTS = cast("Table", AttemptRow.__table__)
_M, _P, _A = _MESSAGES.c, cast("Table", PersonRow.__table__).c, _ATTEMPTS.c


def _word(state: State) -> ColumnElement[str]:
    return literal_column(f"'{state.value}'", Text())


def _is(state: State) -> ColumnElement[bool]:
    """Written out, not bound: only then can a prepared statement use the index of just these rows."""
    return _M.state == _word(state)


# Word for word the condition of the index; without it SQLite reads the whole table.
_LEASED = and_(text("messages.state IN ('claimed', 'handing')"), true())
# Twice the lease: another process may have begun after this one read its clock, or its clock is a little ahead.
_RAN_OUT = and_(_LEASED, or_(_M.lease_until < bindparam("now"), _M.lease_until > bindparam("never")))
_AGAIN = and_(_M.repeat_at <= bindparam("now"), _is(State.UNCERTAIN))
ANYTHING = select(
    or_(
        exists().where(_is(State.PENDING), _M.look_at <= bindparam("now")),
        exists().where(_M.repeat_at <= bindparam("now")),
        exists().where(_RAN_OUT),
    )
)
REPEATS = (
    select(_MESSAGES)
    .where(_AGAIN, _M.carrier.is_(None))
    .order_by(_M.repeat_at)
    .limit(bindparam("limit", type_=Integer))
)
GIVE_UNSTARTED = (
    update(_MESSAGES)
    .where(
        _M.id.in_(
            select(
                select(_M.id)
                .where(_is(State.CLAIMED), _RAN_OUT)
                .with_for_update(skip_locked=True)
                .cte("unstarted")
                .c.id
            )
        )
    )
    .values(state=_word(State.PENDING), lease_owner=null(), lease_until=null(), look_at=bindparam("now"))
)
BEGUN = select(MessageRow).where(_is(State.HANDING), _RAN_OUT).with_for_update(skip_locked=True)
DUE_AGAIN = select(_MESSAGES).where(_AGAIN).with_for_update(skip_locked=True)


def _pending(*which: ColumnElement[bool]) -> Select[Any]:
    return (
        select(_M.id)
        .where(_is(State.PENDING), *which)
        .order_by(_M.look_at)
        .limit(bindparam("limit", type_=Integer))
        .with_for_update(skip_locked=True)
    )


def _take(found: Select[Any]) -> ReturningUpdate[Any]:
    # A CTE, not a bare subquery: PostgreSQL runs it exactly once, whatever plan it chooses, so the limit holds.
    chosen = found.cte("chosen")
    return (
        update(_MESSAGES)
        .where(_M.id.in_(select(chosen.c.id)))
        .values(
            state=_word(State.CLAIMED),
            lease_owner=bindparam("owner"),
            lease_until=bindparam("until"),
            lease_token=_M.lease_token + 1,
        )
        .returning(*_M)
    )


DUE = _pending(_M.look_at <= bindparam("now"))
CLAIM = _take(DUE)
CLAIM_BESIDE = _take(
    _pending(among(_M.person_id, "given"), _M.due <= bindparam("soon"), _M.look_at <= bindparam("soon"))
)
_JOINT = select(_P.phone).where(among(_P.id, "given"), _P.joins)
SHARING = select(_P.id).where(_P.phone.in_(_JOINT), _P.joins)

_WORDS = (
    "lease_token",
    "attempts",
    "channel",
    "to",
    "language",
    "subject",
    "text",
    "html",
    "units",
    "body_hash",
    "rendering",
    "key_since",
    "carrier",
    "repeats",
    "last_useful",
    "lease_until",
    "handed",
)
BEGIN = Many(
    update(_MESSAGES)
    .where(_M.id == bindparam("b_id"))
    .values(state=_word(State.HANDING), repeat_at=null(), **{name: bindparam(name) for name in _WORDS})
)
_ATTEMPT = ("message_id", "number", "lease_token", "channel", "key", "body_hash", "begun", "detail", "late")
BEGIN_ATTEMPT = Many(insert(_ATTEMPTS).values({name: bindparam(name) for name in _ATTEMPT}))
_ENDED = ("state", "reason", "detail", "tried", "repeat_at")


def _end_with(*more: str) -> Many:
    values: dict[str, BindParameter[object]] = {name: bindparam(name) for name in (*_ENDED, *more)}
    return Many(
        update(_MESSAGES).where(_M.id == bindparam("b_id")).values(lease_owner=null(), lease_until=null(), **values)
    )


END = _end_with("reference", "finished")
GIVE_BACK = _end_with("look_at", "carrier")
END_ATTEMPT = Many(
    update(_ATTEMPTS)
    .where(_A.message_id == bindparam("b_id"), _A.lease_token == bindparam("b_token"))
    .values({name: bindparam(name) for name in ("ended", "result", "detail", "late")})
)
