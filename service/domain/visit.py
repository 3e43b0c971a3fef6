"""What was seen and done at one visit, per ear, and what is true of the person."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, time
from enum import StrEnum


def years_between(born: date | None, on: date) -> int | None:
    """Completed years of age on a day."""
    if born is None:
        return None
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))


class Side(StrEnum):
    """One ear."""

    RIGHT = "right"
    LEFT = "left"

    @property
    def other(self) -> Side:
        """The opposite ear."""
        return Side.LEFT if self is Side.RIGHT else Side.RIGHT


class Ears(StrEnum):
    """Which ear, or ears, a sentence speaks of."""

    RIGHT = "right"
    LEFT = "left"
    BOTH = "both"

    @classmethod
    def of(cls, sides: Iterable[Side]) -> Ears:
        """The ears made up of `sides`. Raises ValueError when there is none."""
        found = frozenset(sides)
        if not found:
            raise ValueError("a sentence about ears needs at least one ear")
        return cls.BOTH if len(found) == 2 else cls(next(iter(found)).value)

    @property
    def sides(self) -> tuple[Side, ...]:
        """The single ears, right first (the order of an audiogram)."""
        return tuple(Side) if self is Ears.BOTH else (Side(self.value),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ear:
    """One ear at one visit: finding codes and how wax was removed, both from `content/`."""

    findings: frozenset[str] = frozenset()
    removed_by: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Overrule:
    """A clinician's decision against one rule in one ear, with the reason that goes on record."""

    rule: str
    side: Side
    reason: str

    def __post_init__(self) -> None:
        if not self.reason.strip():
            raise ValueError("an overruling needs a reason: say in a few words why this person is an exception")


@dataclass(frozen=True, slots=True, kw_only=True)
class EarChoice:
    """What the clinician picked for one ear in place of the proposal; None keeps the proposal."""

    template: str | None = None
    agent: str | None = None
    return_days: int | None = None

    def __post_init__(self) -> None:
        if self.return_days is not None and not 1 <= self.return_days <= 730:
            raise ValueError("return_days must be between 1 and 730 days")


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One attendance, as the clinician ticked it.

    `on` is the clinic's local date. `history` holds history codes from `content/`. `born` may be missing: the plan
    then assumes an adult and says so. `next_appointment` and `next_appointment_time` are the clinic's local
    date and time of a booked appointment;
    they come together or not at all.
    """

    on: date
    right: Ear = field(default_factory=Ear)
    left: Ear = field(default_factory=Ear)
    born: date | None = None
    history: frozenset[str] = frozenset()
    choices: Mapping[Side, EarChoice] = field(default_factory=dict)
    overrules: tuple[Overrule, ...] = ()
    next_appointment: date | None = None
    next_appointment_time: time | None = None

    def __post_init__(self) -> None:
        if self.born is not None and self.born > self.on:
            raise ValueError("born must not be later than the date of the visit")
        if self.next_appointment is not None and self.next_appointment <= self.on:
            raise ValueError("next_appointment must be later than the date of the visit")

    def ear(self, side: Side) -> Ear:
        """The record of one ear."""
        return self.right if side is Side.RIGHT else self.left

    def choice(self, side: Side) -> EarChoice:
        """What the clinician picked for one ear; an empty choice when nothing was changed."""
        return self.choices.get(side, EarChoice())

    @property
    def appointment(self) -> tuple[date, time] | None:
        """The booked appointment at the clinic's local date and time, when both are known."""
        if self.next_appointment is None or self.next_appointment_time is None:
            return None
        return self.next_appointment, self.next_appointment_time

    @property
    def age(self) -> int | None:
        """Completed years on the day of the visit, or None when the date of birth is not known."""
        return years_between(self.born, self.on)
