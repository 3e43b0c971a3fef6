"""What stands in a person's calendar, and what a change to it does to its number and its stamp.

The words come from the caller (they are approved wording); `service/calendars.py` writes the file.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from service.domain.contact import Rhythm
from service.domain.course import Slot, timed_slots
from service.domain.pack import Moment
from service.domain.plan import Course
from service.domain.wall_clock import exists, repeated, to_wall

# How long a dose stands in the calendar, minutes. Our choice of a block that can be seen, not a clinical fact.
DOSE_BLOCK = 15


class ItemKind(StrEnum):
    """What an item is; a dose and a return leave the time free, an appointment takes it."""

    DOSE = "dose"
    APPOINTMENT = "appointment"
    RETURN = "return"


@dataclass(frozen=True, slots=True, kw_only=True)
class Recurrence:
    """`count` occurrences (at least 2), one every `every` days, at the same local time."""

    every: int
    count: int

    def __post_init__(self) -> None:
        if self.every < 1 or self.count < 2:
            raise ValueError("a recurrence has every >= 1 day and count >= 2; a single occurrence has no recurrence")


@dataclass(frozen=True, slots=True, kw_only=True)
class CalendarItem:
    """One item of a calendar.

    `key` tells it from every other item of the same person for good; it never leaves the service. `start` is a naive
    local time in `zone` (an IANA name), or a date for an all-day item. `duration` is minutes, 0 for an all-day item.
    `alarm` is minutes before the start, None for no alarm; whole days of it are days of the calendar, so 1440 rings at
    the same clock time on the day before. `location` is where it takes place, in one line; empty for nowhere.
    """

    key: str
    kind: ItemKind
    start: datetime | date
    zone: str
    title: str
    description: str = ""
    duration: int = 0
    recurrence: Recurrence | None = None
    alarm: int | None = None
    cancelled: bool = False
    location: str = ""

    def __post_init__(self) -> None:
        if not self.key or not self.title.strip():
            raise ValueError("a calendar item needs a key and a title")
        if isinstance(self.start, datetime) and self.start.tzinfo is not None:
            raise ValueError("a calendar item starts at a naive local time; its zone is named beside it")
        if isinstance(self.start, datetime) != (self.duration > 0):
            raise ValueError("an item at a time lasts at least 1 minute; an all-day item has duration 0")
        if self.alarm is not None and self.alarm < 0:
            raise ValueError("an alarm rings 0 or more minutes before the start")

    @property
    def all_day(self) -> bool:
        """Whether the item has a date and no time."""
        return not isinstance(self.start, datetime)

    @property
    def last_start(self) -> datetime | date:
        """The local start of the last occurrence."""
        if self.recurrence is None:
            return self.start
        return self.start + timedelta(days=self.recurrence.every * (self.recurrence.count - 1))

    @property
    def timing(self) -> tuple[object, ...]:
        """Whatever, when changed, makes this a significant revision (RFC 5546 section 2.1.4)."""
        zone = "" if self.all_day else self.zone
        return (self.all_day, self.start, zone, self.duration, self.recurrence, self.cancelled)


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemState:
    """One item as it was last given out: `uid` for good, `sequence` of significant revisions, `stamp` (UTC) of any.

    The item is kept with it, since an item that has vanished must still be written once more, as cancelled.
    """

    uid: UUID
    sequence: int
    stamp: datetime
    item: CalendarItem

    @property
    def digest(self) -> str:
        """A SHA-256 in hexadecimal of all that a reader of the file sees of this item."""
        content = json.dumps([str(self.uid), self.sequence, item_record(self.item)], sort_keys=True)
        return hashlib.sha256(content.encode()).hexdigest()


def revise(
    previous: Mapping[str, ItemState], items: Iterable[CalendarItem], *, now: datetime, seed: UUID
) -> tuple[dict[str, ItemState], tuple[ItemState, ...]]:
    """The states after these items replace the earlier ones, by key; and those among them that are new or differ.

    A new item has sequence 0. A change of start, zone, duration, recurrence or cancelled adds 1; a change of words,
    location or alarm does not, and gets a new stamp only. An item that vanished becomes cancelled and stays so. An item
    that did not change keeps its state, so giving out the same calendar twice changes nothing. A stamp never goes back:
    it is at least one second after the one before. `seed` is random, drawn once per person; with the key it makes the
    uid.

    Raises:
        ValueError: when two items share a key, or `now` is naive.

    Source: RFC 5545 sections 3.8.4.7 and 3.8.7.4; RFC 5546 sections 2.1.4 and 2.1.5; RFC 7986 section 5.3.
    """
    if now.tzinfo is None:
        raise ValueError("now must be aware")
    wanted: dict[str, CalendarItem] = {}
    for item in items:
        if item.key in wanted:
            raise ValueError(f"two calendar items share the key {item.key}")
        wanted[item.key] = item
    for key, gone in previous.items():
        if key not in wanted:
            wanted[key] = replace(gone.item, cancelled=True)
    states = {key: _state(previous.get(key), item, now, seed) for key, item in wanted.items()}
    return states, tuple(state for key, state in states.items() if state is not previous.get(key))


def _state(before: ItemState | None, item: CalendarItem, now: datetime, seed: UUID) -> ItemState:
    stamp = now.astimezone(UTC).replace(microsecond=0)
    if before is None:
        return ItemState(uid=uuid5(seed, item.key), sequence=0, stamp=stamp, item=item)
    if before.item == item:
        return before
    sequence = before.sequence + (before.item.timing != item.timing)
    stamp = max(stamp, before.stamp + timedelta(seconds=1))
    return ItemState(uid=before.uid, sequence=sequence, stamp=stamp, item=item)


def item_record(item: CalendarItem) -> dict[str, str | int | bool | None]:
    """The item as a flat JSON-ready record, for keeping; `item_from` reads it back."""
    recurrence = item.recurrence
    return {
        "key": item.key,
        "kind": item.kind.value,
        "start": item.start.isoformat(),
        "zone": item.zone,
        "title": item.title,
        "description": item.description,
        "duration": item.duration,
        "every": recurrence.every if recurrence else None,
        "count": recurrence.count if recurrence else None,
        "alarm": item.alarm,
        "cancelled": item.cancelled,
        "location": item.location,
    }


def item_from(record: Mapping[str, str | int | bool | None]) -> CalendarItem:
    """The item that `item_record` wrote. Raises KeyError or ValueError for a record that it did not write."""
    start, every, count, alarm = (str(record["start"]), record["every"], record["count"], record["alarm"])
    return CalendarItem(
        key=str(record["key"]),
        kind=ItemKind(str(record["kind"])),
        start=datetime.fromisoformat(start) if "T" in start else date.fromisoformat(start),
        zone=str(record["zone"]),
        title=str(record["title"]),
        description=str(record["description"]),
        duration=int(record["duration"] or 0),
        recurrence=None if every is None or count is None else Recurrence(every=int(every), count=int(count)),
        alarm=None if alarm is None else int(alarm),
        cancelled=bool(record["cancelled"]),
        location=str(record.get("location", "")),  # records from before there were locations lack it
    )


def items_of_course(
    course: Course,
    rhythm: Rhythm,
    zone: ZoneInfo,
    *,
    key: str,
    words: Mapping[Moment, tuple[str, str]],
    alarm: int | None = 0,
    duration: int = DOSE_BLOCK,
    not_before: datetime | None = None,
    not_after: datetime | None = None,
) -> tuple[CalendarItem, ...]:
    """The doses of a course as calendar items: one that recurs for every phase and moment.

    Where a clock change skips or repeats a usual time of such an item, single items stand instead, a moved one at the
    time that the clock shows: RFC 5545 section 3.3.10 reads a recurring time in a gap in two ways, and some readers
    take the second of two equal times against section 3.3.5.

    `key` names the course for good; `words` gives title and description for each moment. `not_before` and `not_after`
    are as for `course.doses`; give the same ones each time, since another start is a revision.

    Raises:
        KeyError: when `words` lacks a moment of the course.
    """
    groups: dict[tuple[int, Moment], list[tuple[datetime, Slot]]] = defaultdict(list)
    for at, slot in timed_slots(course, rhythm, zone, not_before=not_before, not_after=not_after):
        groups[slot.phase, slot.moment].append((at, slot))
    items: list[CalendarItem] = []
    for (phase, moment), members in groups.items():
        title, description = words[moment]
        item = CalendarItem(
            key=f"{key}/{phase}/{moment}",
            kind=ItemKind.DOSE,
            start=members[0][1].wall,
            zone=zone.key,
            title=title,
            description=description,
            duration=duration,
            alarm=alarm,
        )
        every, count = course.phases[phase].every, len(members)
        # A slot that a clock change pushed onto another dose is left out, and then the days no longer come evenly.
        even = members[-1][1].day - members[0][1].day == every * (count - 1)
        if even and all(exists(slot.wall, zone) and not repeated(slot.wall, zone) for _, slot in members):
            items.append(replace(item, recurrence=Recurrence(every=every, count=count) if count > 1 else None))
        else:
            items += [replace(item, key=f"{item.key}/{slot.day}", start=to_wall(at, zone)) for at, slot in members]
    return tuple(items)
