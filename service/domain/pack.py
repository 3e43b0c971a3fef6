"""A content pack as values: what the clinic's clinical lead owns, read from `content/` and checked at load.

Every clinical number and every choice among published regimens is in here, each with its source; code holds none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from service.domain.budget import Budget, OverBudget
from service.domain.change import Change
from service.domain.recall_rules import RecallRules


class Mark(StrEnum):
    """How well a source is known (shown beside every fact that leans on it)."""

    READ = "read"
    SUMMARY = "read-via-summary"
    MEMORY = "memory"
    PRACTICE = "common-practice"
    CHOICE = "our-choice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a clinical fact comes from."""

    id: str
    title: str
    section: str = ""
    year: int | None = None
    mark: Mark


class Scope(StrEnum):
    """Whether a code is ticked for one ear or for the whole person."""

    EAR = "ear"
    PERSON = "person"


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """One box to tick: a finding of an ear, a fact of the person's history, or a way of removing wax.

    `red_flag` stops the ordinary plan for the whole person. `excludes` names codes that cannot be ticked with it.
    """

    id: str
    label: str
    group: str
    red_flag: bool = False
    excludes: frozenset[str] = frozenset()
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """When something applies to one ear of one person. Every part that is given must hold; an empty one always does.

    `*_any`: at least one of these codes; `*_all`: every one; `*_none`: none of them. Ages are completed years:
    `age_under` is exclusive, `age_from` inclusive. With an unknown age an age condition holds only if `age_unknown`
    says so, which a cautious rule does.
    """

    ear_any: frozenset[str] = frozenset()
    ear_all: frozenset[str] = frozenset()
    ear_none: frozenset[str] = frozenset()
    other_ear_any: frozenset[str] = frozenset()
    person_any: frozenset[str] = frozenset()
    person_none: frozenset[str] = frozenset()
    removed_by_any: frozenset[str] = frozenset()
    age_under: int | None = None
    age_from: int | None = None
    age_unknown: bool = False


class Moment(StrEnum):
    """A time of day as the person lives it; the clock time is the person's own (`contact.Rhythm`)."""

    MORNING = "morning"
    MIDDAY = "midday"
    EVENING = "evening"
    BEDTIME = "bedtime"


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """A stretch of a course with one rhythm: on every `every`-th day for `days` days, at each of `moments`."""

    days: int
    moments: tuple[Moment, ...]
    every: int = 1

    def __post_init__(self) -> None:
        if self.days < 1 or self.every < 1:
            raise ValueError("a phase lasts at least 1 day and repeats at least every 1 day")
        if not self.moments or len(set(self.moments)) != len(self.moments):
            raise ValueError("a phase names at least one moment of the day, each once")


class Purpose(StrEnum):
    """Why something is put into an ear."""

    SOFTEN = "soften"
    MAINTAIN = "maintain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Regimen:
    """How one agent is used for one purpose: drops each time, minutes lying down, and the phases in order."""

    id: str
    label: str
    drops: int
    lie_minutes: int
    phases: tuple[Phase, ...]
    sources: tuple[str, ...]

    def __post_init__(self) -> None:
        if self.drops < 1 or self.lie_minutes < 0 or not self.phases:
            raise ValueError("a regimen has at least 1 drop, 0 or more minutes, and at least one phase")


@dataclass(frozen=True, slots=True, kw_only=True)
class Agent:
    """Something that may be put into an ear to soften or to moisten.

    `regimens` gives, per purpose, the regimens on offer; the first is the default and the clinic may choose another.
    `use` names the wording units that say how this agent is used. `drops_per_ml` and `opened_days` (how long an
    opened bottle keeps, days; None where no source says) give the supply line. `contains` holds allergen codes.
    """

    id: str
    label: str
    regimens: Mapping[Purpose, tuple[Regimen, ...]]
    use: tuple[str, ...]
    drops_per_ml: int
    opened_days: int | None = None
    contains: frozenset[str] = frozenset()
    sources: tuple[str, ...] = ()


class StepKind(StrEnum):
    """What one instruction asks for."""

    INSTIL = "instil"
    KEEP_DRY = "keep-dry"
    WAIT = "wait"
    DO = "do"
    DO_NOT = "do-not"
    RETURN = "return"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSpec:
    """One instruction that a template suggests or a rule requires.

    An `instil` step has a `purpose`: the engine finds the agent and the regimen. Every other step is said by its
    `wording` units, in order, with `days`, `hours`, `minutes` or `months` put into those that count something.
    With `steps_any` it is left out unless the same ear gets one of those steps. `place` orders steps under one heading:
    lower comes first, before any order of kinds or ears.
    """

    id: str
    kind: StepKind
    picture: str
    wording: tuple[str, ...] = ()
    steps_any: frozenset[str] = frozenset()
    place: int = 0
    purpose: Purpose | None = None
    days: int | None = None
    hours: int | None = None
    minutes: int | None = None

    def __post_init__(self) -> None:
        if (self.kind is StepKind.INSTIL) != (self.purpose is not None):
            raise ValueError("an instil step has a purpose (soften or maintain), and no other step has one")
        if self.kind is not StepKind.INSTIL and not self.wording:
            raise ValueError("a step that is not instil needs at least one wording unit")


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """A clinic-approved kind of aftercare for one ear.

    Proposed where `when` holds; among several the highest `rank` is proposed (ranks are unique, checked at load).
    `return_days` is the ideal number of days after the visit, `return_within` the earliest and latest that the
    clinician may set; `return_wording` says it to the patient and `return_booked` says that it follows a booking.
    """

    id: str
    label: str
    about: str
    rank: int
    when: Condition
    steps: tuple[StepSpec, ...]
    return_days: int | None
    return_within: tuple[int, int] | None = None
    return_wording: str | None = None
    sources: tuple[str, ...]

    def __post_init__(self) -> None:
        if (self.return_days is None) != (self.return_within is None):
            raise ValueError("return_days and return_within come together")
        if self.return_days is not None and self.return_within is not None:
            low, high = self.return_within
            if not 1 <= low <= self.return_days <= high:
                raise ValueError("return_within must be [earliest, latest] days around return_days")
            if self.return_wording is None:
                raise ValueError("a template with return_days needs return_wording")


class Effect(StrEnum):
    """What a rule does. The safer wins: forbid beats require beats a template's suggestion."""

    FORBID = "forbid"
    REQUIRE = "require"
    WARN = "warn"
    CHANGE = "change"


class Overrulable(StrEnum):
    """Whether a clinician may set a rule aside."""

    NEVER = "never"
    WITH_REASON = "with-reason"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One safety or care rule with its source.

    `target` says what a forbidding rule bars: "softener" (every agent, both purposes), "soften" or "maintain" (one
    purpose), "agent:<id>", or "step:<id>". `why` is the sentence for the clinician; `say` names the step that tells
    the patient (a do-not step beside a forbidding rule, the required step of a requiring one).
    """

    id: str
    when: Condition
    effect: Effect
    why: str
    sources: tuple[str, ...]
    overrule: Overrulable
    target: str | None = None
    say: StepSpec | None = None
    change: Change | None = None

    def __post_init__(self) -> None:
        if (self.effect is Effect.FORBID) != (self.target is not None):
            raise ValueError("a forbidding rule has a target, and no other rule has one")
        if (self.effect is Effect.CHANGE) != (self.change is not None):
            raise ValueError("a changing rule has a change, and no other rule has one")
        if self.effect is Effect.REQUIRE and self.say is None:
            raise ValueError("a requiring rule has the step that it requires (say)")


class Urgency(StrEnum):
    """How fast to act on a sign. Safer means earlier in this order."""

    EMERGENCY = "emergency"
    SAME_DAY = "same-day"
    NEXT_DAY = "next-day"
    FEW_DAYS = "few-days"

    @property
    def raised(self) -> Urgency:
        """One step more urgent; the top stays the top."""
        order = list(Urgency)
        return order[max(0, order.index(self) - 1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class WarningSign:
    """One sign that needs help, and how fast.

    Shown where `when` holds for at least one ear, the plan has one of the steps `steps_any` (where given) and none of
    `steps_none`. `raise_when`: one level more urgent where this holds for an ear. `covers`: signs that its sentence
    says too; they are left out beside it unless they are more urgent.
    """

    id: str
    wording: str
    urgency: Urgency
    picture: str
    when: Condition = field(default_factory=Condition)
    raise_when: Condition | None = None
    steps_any: frozenset[str] = frozenset()
    steps_none: frozenset[str] = frozenset()
    covers: frozenset[str] = frozenset()
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UrgentAdvice:
    """What takes the place of an ordinary plan when one of `codes` (red flags) was found."""

    id: str
    codes: frozenset[str]
    urgency: Urgency
    wording: tuple[str, ...]
    picture: str
    why: str
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Something normal after this visit, and for how long (hours): beyond that it is a reason to call."""

    id: str
    wording: str
    hours: int
    picture: str
    when: Condition
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What people often ask, with the clinic's answer: `ask` is said as a heading, the `answer` units below it.

    It fits a plan when `when` holds for one of its ears and `unless` for none, and the plan itself says one of the
    wording units `if_said` (where given) and none of `unless_said`. `signs` are the warning signs that the answer leads
    to; empty where it touches no symptom. Of those with one `ask` the lowest `order` is shown: the most cautious first.
    """

    id: str
    order: int
    ask: str
    answer: tuple[str, ...]
    when: Condition = field(default_factory=Condition)
    unless: Condition | None = None
    if_said: frozenset[str] = frozenset()
    unless_said: frozenset[str] = frozenset()
    signs: frozenset[str]
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterOption:
    """One way to keep an ear dry. `strictness` orders options across situations: higher is more cautious.

    `days` counts from the visit; None lasts until an examination says otherwise. `method` says how the ear is kept dry:
    once for all ears that ask for the same.
    """

    id: str
    label: str
    strictness: int
    days: int | None
    wording: tuple[str, ...]
    method: tuple[str, ...] = ()
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterSituation:
    """When water matters to an ear, and what the clinic can choose; `default` is the most cautious option."""

    id: str
    label: str
    when: Condition
    default: str
    options: tuple[WaterOption, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Forms:
    """The English of one unit for one ear choice: `other` alone, or `one` and `other` when it counts something."""

    other: str
    one: str | None = None


EASY = "~easy"
"""Behind a unit's id: its simpler form, for people who asked for that. It says the same, approved like any unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wording:
    """One approved-as-a-whole sentence group: the same sentence for any ear, or for right, left and both.

    `forms` keys are "any", or "right", "left" and "both". `count` names the placeholder that picks the plural form.
    `topic` groups units for the admin. `safety` units can be reworded but never emptied or left out.
    """

    id: str
    topic: str
    forms: Mapping[str, Forms]
    count: str | None = None
    safety: bool = False
    note: str = ""

    def __post_init__(self) -> None:
        if set(self.forms) not in ({"any"}, {"right", "left", "both"}):
            raise ValueError("a unit has the form any, or the three forms right, left and both")
        for forms in self.forms.values():
            if (self.count is None) != (forms.one is None):
                raise ValueError("a unit that counts has one and other in every form, and count names its placeholder")


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """When the messages around a plan go out, and how long each stays worth sending.

    `check_in_days`: days after the visit of the "is this normal" message, at the person's `check_in_at` moment.
    `appointment_before_days`: days before a booked appointment, one reminder each, at the morning moment.
    `return_before_days`: how many days before an unbooked return the person is asked to book.
    `join_minutes`: reminders of one recipient that are due within so many minutes of each other become one message.
    `useful_minutes`: by message kind, how long after its due moment a message still helps; later it is dropped.
    `useful_minutes_by_letter`: the same for what goes by letter, until it is in the post.
    `post_days`: days that a letter is on its way; a reminder of an appointment that would come later is not written.
    """

    check_in_days: int
    check_in_at: Moment
    appointment_before_days: tuple[int, ...]
    return_before_days: int
    join_minutes: int
    useful_minutes: Mapping[str, int]
    useful_minutes_by_letter: Mapping[str, int]
    post_days: int
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """The whole content, with the version that plans freeze in; a sheet holds `questions_on_sheet` at most."""

    id: str
    version: str
    source_language: str
    review_by: date
    sources: Mapping[str, Source]
    findings: Mapping[str, Code]
    history: Mapping[str, Code]
    methods: Mapping[str, Code]
    agents: Mapping[str, Agent]
    templates: Mapping[str, Template]
    rules: Mapping[str, Rule]
    urgent: Mapping[str, UrgentAdvice]
    warnings: Mapping[str, WarningSign]
    expected: Mapping[str, Expected]
    water: Mapping[str, WaterSituation]
    wording: Mapping[str, Wording]
    timing: Timing
    recall: RecallRules
    budgets: Mapping[str, Budget] = field(default_factory=dict)
    over_budget: Mapping[str, OverBudget] = field(default_factory=dict)
    questions: Mapping[str, Question] = field(default_factory=dict)
    questions_on_sheet: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClinicChoices:
    """What this clinic chose among what the content offers; empty means the content's cautious defaults.

    `agents`: agents in order of preference. `regimens`: "agent/purpose" to regimen id. `water`: situation to option.
    `templates_off`: templates that are not offered here.
    """

    agents: tuple[str, ...] = ()
    regimens: Mapping[str, str] = field(default_factory=dict)
    water: Mapping[str, str] = field(default_factory=dict)
    templates_off: frozenset[str] = frozenset()
