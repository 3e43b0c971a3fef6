"""What a local clock time means: instants, clock changes, and the hours in which nothing is sent.

"Wall" is a naive local date and time as a clock on the wall shows it; an "instant" is an aware datetime in UTC.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo, available_timezones

from service.errors import ContactError

# Names that the zone data offers and that say nothing to another computer.
_NOT_PLACES = frozenset({"Factory", "localtime", "posixrules"})

# Two clock changes closer together than this would be missed; in today's zone data they are weeks apart.
_STEP = timedelta(days=1)

# Every window of quiet hours ends within a day; a second day covers a skipped date, a third the edges.
_LONGEST_QUIET = timedelta(days=3)


@cache
def _places() -> frozenset[str]:
    return frozenset(available_timezones()) - _NOT_PLACES


def zone_named(name: str) -> ZoneInfo:
    """The time zone of an IANA name such as "Europe/London".

    Raises:
        ContactError: on field "zone", when no such zone is known.
    """
    if name not in _places():
        raise ContactError("zone", f'"{name}" is not a known time zone; choose one by its city, such as Europe/London')
    return ZoneInfo(name)


def to_instant(wall: datetime, zone: ZoneInfo) -> datetime:
    """The instant, in UTC, that a naive local time means in this zone.

    A time that happens twice means the first one. A time that does not exist is read with the offset before the gap,
    so it moves forward by the length of the gap, be that half an hour, an hour or a whole day.

    Raises:
        ValueError: when `wall` already carries a zone.

    Source: RFC 5545 section 3.3.5, form 3.
    """
    if wall.tzinfo is not None:
        raise ValueError("a wall time is naive: give the zone beside it, not in it")
    return wall.replace(tzinfo=zone, fold=0).astimezone(UTC)


def to_wall(instant: datetime, zone: ZoneInfo) -> datetime:
    """What a clock in this zone shows at an instant, as a naive local time.

    Raises:
        ValueError: when `instant` carries no zone.
    """
    if instant.tzinfo is None:
        raise ValueError("an instant is aware: it carries its zone or UTC")
    return instant.astimezone(zone).replace(tzinfo=None, fold=0)


def exists(wall: datetime, zone: ZoneInfo) -> bool:
    """Whether a clock in this zone ever shows this local time (it does not while clocks go forward)."""
    return to_wall(to_instant(wall, zone), zone) == wall


def repeated(wall: datetime, zone: ZoneInfo) -> bool:
    """Whether a clock in this zone shows this local time twice (it does while clocks go back)."""
    first, second = (wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    # In a gap the two readings also differ, the other way round.
    return first < second


def changes(zone: ZoneInfo, after: datetime, until: datetime) -> Iterator[datetime]:
    """The instants, later than `after` and not later than `until`, from which the zone has another offset from UTC."""
    # Clock changes fall on whole seconds.
    low = after.astimezone(UTC).replace(microsecond=0)
    end = until.astimezone(UTC).replace(microsecond=0)
    while low < end:
        high = min(low + _STEP, end)
        offset = _offset(low, zone)
        if _offset(high, zone) != offset:
            same, other = low, high
            while other - same > timedelta(seconds=1):
                middle = same + timedelta(seconds=(other - same) // timedelta(seconds=2))
                if _offset(middle, zone) == offset:
                    same = middle
                else:
                    other = middle
            yield other
        low = high


def _offset(instant: datetime, zone: ZoneInfo) -> timedelta | None:
    return instant.astimezone(zone).utcoffset()


def in_window(local: time, start: time, end: time) -> bool:
    """Whether a local clock time lies in a daily window; `start` belongs to it, `end` does not.

    The window may cross midnight. With `start` equal to `end` there is no window.
    """
    if start <= end:
        return start <= local < end
    return local >= start or local < end


def next_allowed(instant: datetime, zone: ZoneInfo, quiet_from: time, quiet_to: time) -> datetime:
    """The first instant, in UTC and not before `instant`, that is outside the quiet hours of this zone.

    Quiet hours are read off the local clock, so they hold through clock changes: where the end of the quiet hours is
    skipped, they end at the change; where it comes twice, the hour that is quiet again stays quiet.
    """
    start = instant.astimezone(UTC)
    if not _quiet(start, zone, quiet_from, quiet_to):
        return start
    # Quiet hours can only end when the clock shows their end, or when a clock change jumps out of them.
    midnight = datetime.combine(to_wall(start, zone).date(), time())
    ends = [datetime.combine(midnight + timedelta(days=days), quiet_to) for days in range(-1, 4)]
    candidates = [end.replace(tzinfo=zone, fold=fold).astimezone(UTC) for end in ends for fold in (0, 1)]
    candidates += changes(zone, start, start + _LONGEST_QUIET)
    return min(at for at in candidates if at >= start and not _quiet(at, zone, quiet_from, quiet_to))


def _quiet(instant: datetime, zone: ZoneInfo, quiet_from: time, quiet_to: time) -> bool:
    return in_window(to_wall(instant, zone).time(), quiet_from, quiet_to)
