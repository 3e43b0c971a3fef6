"""`tragus outbox`: what is due, held, dropped and uncertain, per reason, for a person's eyes or for a monitor."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from service.domain.contact import Channel
from service.domain.message import State
from service.planning.outgoing import Outbox, Transport, Way, look
from service.services import Services

LATE_MINUTES = 5
"""How long the oldest due message may wait before the command says so by its exit code. Our choice."""


def outbox(
    services: Services, fitted: Mapping[Channel, str], *, late_minutes: float = LATE_MINUTES, as_json: bool = False
) -> tuple[str, bool]:
    """The text to print, and whether the oldest due message has waited for longer than `late_minutes`: to be looked at,
    for another attempt, or for a paused way out.

    `fitted` names the transport of each channel that has one. Counts, codes and moments only: no name, no number to
    dial, no word of a message.
    """
    with services.open_reading() as work:
        found = look(services, work, fitted)
    limit = timedelta(minutes=late_minutes)
    late = found.oldest_age > limit
    return (_json(found, late) if as_json else _text(found, limit)), late


def _json(found: Outbox, late: bool) -> str:
    record = {
        "now": _iso(found.now),
        "late": late,
        "due": {
            "count": found.due.count,
            "oldest": _iso(found.due.oldest),
            "waited_seconds": int(found.age.total_seconds()),
        },
        "in_hand": {state.value: found.in_hand.get(state, 0) for state in (State.CLAIMED, State.HANDING)},
        "again": {
            "count": found.again.count,
            "oldest": _iso(found.again.oldest),
            "waited_seconds": int(found.again_age.total_seconds()),
        },
        "held": {
            each.reason: {"count": each.count, "next_look": _iso(each.next_look), "oldest": _iso(each.oldest)}
            for each in found.held
        },
        "uncertain": found.uncertain,
        "ended": [
            {"state": each.state.value, "reason": each.reason, "day": each.short, "week": each.long}
            for each in found.ended
        ],
        "transports": {
            each.channel.value: {
                "use": each.use,
                "way": each.way.value,
                "failures": each.failures,
                "paused_until": _iso(each.until),
                "off_since": _iso(each.off_since),
            }
            for each in found.transports
        },
    }
    return json.dumps(record, indent=2)


def _text(found: Outbox, limit: timedelta) -> str:
    def since(oldest: datetime | None, age: timedelta) -> str:
        if oldest is None:
            return ""
        return f"oldest since {_iso(oldest)}, {int(age.total_seconds() // 60)} min{' LATE' * (age > limit)}"

    rows: list[tuple[str, object, str]] = [
        ("due now", found.due.count, since(found.due.oldest, found.age)),
        ("to be tried again", found.again.count, since(found.again.oldest, found.again_age)),
    ]
    rows += [(state.value, found.in_hand.get(state, 0), "") for state in (State.CLAIMED, State.HANDING)]
    rows.append(("uncertain", found.uncertain, "wait for a person or for their repeat"))
    for each in found.held:
        waits = f", {since(each.oldest, found.blocked_age)}" if each is found.blocked else ""
        rows.append((f"held: {each.reason}", each.count, f"next {_iso(each.next_look)}{waits}"))
    ended: list[tuple[str, object, str]] = [
        (_ending(each.state, each.reason), each.short, f"{each.long} in 7 days") for each in found.ended
    ]
    ways: list[tuple[str, object, str]] = [
        (f"transport: {each.channel.value}", each.way.value, _way_said(each)) for each in found.transports
    ]
    return "\n".join([*_aligned(rows), "", "ended in the last 24 hours", *_aligned(ended), "", *_aligned(ways)])


def _ending(state: State, reason: str | None) -> str:
    return f"{state.value}: {reason}" if reason else state.value


def _way_said(each: Transport) -> str:
    if each.way is Way.OFF:
        return f"since {_iso(each.off_since)}"
    if each.way is Way.PAUSED:
        return f"{each.use} until {_iso(each.until)}"
    return each.use


def _aligned(rows: Iterable[tuple[str, object, str]]) -> list[str]:
    found = [(first, str(second), third) for first, second, third in rows] or [("none", "", "")]
    wide, wider = max(len(row[0]) for row in found), max(len(row[1]) for row in found)
    return [f"{first:<{wide}}  {second:>{wider}}  {third}".rstrip() for first, second, third in found]


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat(timespec="seconds")
