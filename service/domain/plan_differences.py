"""How does one plan differ from another of the same visit? In the words of the trade, ear by ear. Pure.

Days are counted from the visit, so that the same change at two visits reads the same and can be counted. What only the
clinician may choose instead (other templates that fit, other agents that are allowed) is no difference of the plan.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from service.domain.pack import Pack, Phase, StepKind
from service.domain.plan import Course, Plan, Return, Step, Supply
from service.domain.visit import Ears, Side


class About(StrEnum):
    """Which part of a plan differs, in the order in which a reader needs them."""

    URGENT = "urgent advice"
    WARNING = "warning sign"
    CAUTION = "told to the clinician"
    AFTERCARE = "aftercare"
    DROPS = "drops"
    WATER = "water"
    STEP = "instruction"
    RETURN = "return"
    NORMAL = "what is normal"
    SUPPLY = "supply"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One part that differs. `ears` is None for what concerns the whole person; `before` is None for what is new,
    `after` None for what is no longer there."""

    about: About
    name: str
    ears: Ears | None
    before: str | None
    after: str | None

    @property
    def way(self) -> str:
        """Added, removed or changed."""
        if self.before is None:
            return "added"
        return "removed" if self.after is None else "changed"

    @property
    def said(self) -> str:
        """The difference as one sentence."""
        whose = (
            "" if self.ears is None else "Both ears: " if self.ears is Ears.BOTH else f"{self.ears} ear: ".capitalize()
        )
        name = f" ({self.name})" if self.name else ""
        if self.before is None:
            return f"{whose}{self.about}{name} added: {self.after}."
        if self.after is None:
            return f"{whose}{self.about}{name} removed: {self.before}."
        return f"{whose}{self.about}{name}: {self.before}, would be: {self.after}."


_Key = tuple[About, str, str]
_OF_A_DAY = {1: "once a day", 2: "twice a day"}
_KINDS = {
    StepKind.DO: "do",
    StepKind.DO_NOT: "do not",
    StepKind.WAIT: "wait",
    StepKind.RETURN: "come back",
    StepKind.KEEP_DRY: "keep dry",
    StepKind.INSTIL: "put in",
}


def differences(before: Plan, after: Plan, pack: Pack) -> tuple[Difference, ...]:
    """Everything in which `after` differs from `before`; `pack` lends labels. Equal changes of both ears are one."""
    found: dict[tuple[_Key, str | None, str | None], list[Side]] = {}
    for side in Side:
        for key, was, would in _compared(dict(_of_ear(before, side, pack)), dict(_of_ear(after, side, pack))):
            found.setdefault((key, was, would), []).append(side)
    made = [_difference(key, Ears.of(sides), was, would) for (key, was, would), sides in found.items()]
    whole = _compared(dict(_of_person(before, pack)), dict(_of_person(after, pack)))
    made += [_difference(key, None, was, would) for key, was, would in whole]
    order = list(About)
    return tuple(sorted(made, key=lambda each: (order.index(each.about), each.ears or "", each.name)))


def dose_words(drops: int, lie_minutes: int, phases: tuple[Phase, ...]) -> str:
    """A regimen in words: drops each time, how often, at which moments of the day, how many days, lying how long."""
    rhythm = ", then ".join(_phase_words(phase) for phase in phases)
    lying = f", lying {_counted(lie_minutes, 'minute')}" if lie_minutes else ""
    return f"{_counted(drops, 'drop')} {rhythm}{lying}"


def _phase_words(phase: Phase) -> str:
    often = _OF_A_DAY.get(len(phase.moments), f"{len(phase.moments)} times a day")
    if phase.every == 7:
        often = "once a week" if len(phase.moments) == 1 else f"{often} once a week"
    elif phase.every > 1:
        often = f"every {phase.every} days" if len(phase.moments) == 1 else f"{often} every {phase.every} days"
    return f"{often} ({', '.join(phase.moments)}) for {_counted(phase.days, 'day')}"


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _in_words(code: str) -> str:
    return code.replace("-", " ").replace(".", " ")


def _difference(key: _Key, ears: Ears | None, was: str | None, would: str | None) -> Difference:
    return Difference(about=key[0], name=key[2], ears=ears, before=was, after=would)


def _compared(before: Mapping[_Key, str], after: Mapping[_Key, str]) -> Iterator[tuple[_Key, str | None, str | None]]:
    for key in dict.fromkeys((*before, *after)):
        if before.get(key) != after.get(key):
            yield key, before.get(key), after.get(key)


def _of_ear(plan: Plan, side: Side, pack: Pack) -> Iterator[tuple[_Key, str]]:
    """What the plan says of one ear, part by part."""
    if side in plan.ears:
        template = plan.ears[side].template
        yield (About.AFTERCARE, "", ""), pack.templates[template].label if template in pack.templates else template
    for step in plan.steps:
        if side in step.ears.sides:
            yield _step(step, plan.on, pack)
    for back in plan.returns:
        if side in back.ears.sides:
            yield (About.RETURN, "", ""), _return_words(back, plan.on)
    for caution in plan.cautions:
        if side in caution.ears.sides:
            aside = f" Set aside: {caution.overruled}" if caution.overruled else ""
            yield (About.CAUTION, caution.rule, ""), f"{caution.why.rstrip('.')}{aside}"


def _step(step: Step, on: date, pack: Pack) -> tuple[_Key, str]:
    if step.course is not None:
        return (About.DROPS, step.id, f"to {step.course.purpose}"), _course_words(step.course, on, pack)
    origin = step.because[0]
    if origin.origin.startswith("water:"):
        situation = pack.water.get(origin.origin.removeprefix("water:"))
        label = situation.label if situation is not None else origin.origin
        return (About.WATER, origin.origin, label), origin.note.removeprefix(f"{label}: ")
    # The phrases of a step can differ while its id is the same: their units and numbers are part of what is said.
    values = {name: value for phrase in step.phrases for name, value in phrase.values.items() if isinstance(value, int)}
    counted = "".join(f", {_counted(value, name.removesuffix('s'))}" for name, value in values.items())
    return (About.STEP, "+".join((step.id, *(p.wording for p in step.phrases))), _in_words(step.id)), (
        f"{_KINDS[step.kind]}{counted}"
    )


def _course_words(course: Course, on: date, pack: Pack) -> str:
    agent = pack.agents[course.agent].label if course.agent in pack.agents else course.agent
    start = (course.first_day - on).days
    first = "from the day of the visit" if start == 0 else f"from day {start} after the visit"
    turns = ", the ears in turn" if course.alternate else ""
    return f"{agent}, {dose_words(course.drops, course.lie_minutes, course.phases)}, {first}{turns}"


def _return_words(back: Return, on: date) -> str:
    ideal, low, high = ((day - on).days for day in (back.on, back.earliest, back.latest))
    return f"{_counted(ideal, 'day')} after the visit ({low} to {high})"


def _of_person(plan: Plan, pack: Pack) -> Iterator[tuple[_Key, str]]:
    """What the plan says of the whole person, part by part."""
    for urgent in plan.urgent:
        yield (About.URGENT, urgent.id, _in_words(urgent.id)), _in_words(urgent.urgency)
    for sign in plan.signs:
        yield (About.WARNING, sign.id, _in_words(sign.id)), _in_words(sign.urgency)
    for normal in plan.normal:
        yield (About.NORMAL, normal.id, _in_words(normal.id)), f"for {_counted(normal.hours, 'hour')}"
    for supply in plan.supplies:
        yield (About.SUPPLY, supply.agent, ""), _supply_words(supply, pack)


def _supply_words(supply: Supply, pack: Pack) -> str:
    agent = pack.agents[supply.agent].label if supply.agent in pack.agents else supply.agent
    kept = f", keeps {_counted(supply.opened_days, 'day')} once opened" if supply.opened_days is not None else ""
    return f"{agent} {supply.millilitres} ml ({_counted(supply.drops, 'drop')}){kept}"
