"""What a plan is: the aftercare given to one person after one visit, in no language yet.

Every sentence is a `Phrase` (wording unit, ears, values), so one plan reads in any language, and every part names
what it came from. `build.py` makes plans; this module only says what they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from service.domain.pack import Phase, Purpose, StepKind, Urgency
from service.domain.visit import Ears, Side


class Status(StrEnum):
    """Where a plan stands; the codes of FHIR R4 CarePlan.status that this service uses."""

    DRAFT = "draft"
    ACTIVE = "active"
    ON_HOLD = "on-hold"
    REVOKED = "revoked"
    COMPLETED = "completed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """One sentence to be said: which wording unit, of which ears, with which values put in.

    Values are whole numbers, ISO dates ("2026-11-25") or times ("21:30") as text, or a tuple of wording ids to be
    joined as a list; the placeholder's name decides how a value is written (`domain/placeholders.py`).
    """

    wording: str
    ears: Ears | None = None
    values: Mapping[str, int | str | tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Because:
    """Why a part of the plan is there: a template, rule or setting, the codes that called for it, its sources."""

    origin: str
    codes: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The run of doses that an instil step asks for.

    `drops` are drops into each ear at each dose; `first_day` is the first local date. With `alternate` the ears take
    turns by dose day, right first, so that both are never blocked at once.
    """

    agent: str
    purpose: Purpose
    regimen: str
    ears: Ears
    drops: int
    lie_minutes: int
    phases: tuple[Phase, ...]
    first_day: date
    alternate: bool = False

    @property
    def days(self) -> int:
        """Length from the first to the last possible dose day, days."""
        return sum(phase.days for phase in self.phases)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One instruction, for one ear or both."""

    id: str
    kind: StepKind
    ears: Ears
    phrases: tuple[Phrase, ...]
    picture: str
    because: tuple[Because, ...]
    course: Course | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """One warning sign with how fast to act."""

    id: str
    urgency: Urgency
    phrase: Phrase
    picture: str
    because: Because


@dataclass(frozen=True, slots=True, kw_only=True)
class Normal:
    """Something that is expected after this visit, for at most `hours`."""

    id: str
    hours: int
    phrase: Phrase
    picture: str
    because: Because


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """How much of a product the courses need: drops in all, millilitres (rounded up), and how long a bottle keeps."""

    agent: str
    drops: int
    millilitres: int
    opened_days: int | None
    phrases: tuple[Phrase, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Return:
    """When these ears should be looked at again: the ideal local date and the bounds for moving it."""

    ears: Ears
    on: date
    earliest: date
    latest: date
    phrases: tuple[Phrase, ...]
    because: tuple[Because, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """What the clinician must see before giving the plan: a rule that acted, and whether it may be set aside."""

    rule: str
    ears: Ears
    effect: str
    why: str
    because: Because
    overrulable: bool
    overruled: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Urgent:
    """The urgent advice that replaces an ordinary plan for the whole person."""

    id: str
    urgency: Urgency
    phrases: tuple[Phrase, ...]
    picture: str
    because: Because


@dataclass(frozen=True, slots=True, kw_only=True)
class EarSummary:
    """What was decided for one ear: its findings, the template proposed and the one used."""

    findings: tuple[str, ...]
    proposed: str
    template: str
    alternatives: tuple[str, ...] = ()
    agents_allowed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One aftercare plan. With `urgent` set there are no steps, no courses and no return: only help, now.

    `choices_revision` is the revision of the clinic's choices that it was made under; 0: those of the settings file.
    """

    on: date
    pack: str
    ears: Mapping[Side, EarSummary]
    urgent: tuple[Urgent, ...] = ()
    steps: tuple[Step, ...] = ()
    signs: tuple[Sign, ...]
    normal: tuple[Normal, ...] = ()
    supplies: tuple[Supply, ...] = ()
    returns: tuple[Return, ...] = ()
    cautions: tuple[Caution, ...] = ()
    choices_revision: int = 0

    @property
    def courses(self) -> tuple[Course, ...]:
        """Every course of the plan, in the order of its steps."""
        return tuple(step.course for step in self.steps if step.course is not None)

    def steps_of(self, kind: StepKind) -> tuple[Step, ...]:
        """The steps of one kind."""
        return tuple(step for step in self.steps if step.kind is kind)

    @property
    def latest_return(self) -> date:
        """The day after which an ear is late: the earliest of the latest days, and none before the next return. Raises
        ValueError where no ear has a return."""
        latest = min(each.latest for each in self.returns)
        return max(latest, min(each.on for each in self.returns))

    @property
    def next_return(self) -> Return | None:
        """The earliest return: one visit serves both ears."""
        return min(self.returns, key=lambda back: back.on, default=None)
