"""Which plans, made by the engine from small visits, say one sentence group: for each ear, and with which numbers?

The visits are made from the conditions of whatever in the content says the unit: one finding per ear, history, age.
They are planned as the clinic chose; where that never says the unit, with other choices. Nobody's record is looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, time
from threading import Lock

from service.domain.build import build_plan
from service.domain.contact import WAYS
from service.domain.pack import (
    Agent,
    ClinicChoices,
    Condition,
    Moment,
    Pack,
    Purpose,
    Question,
    Rule,
    StepKind,
    StepSpec,
    Urgency,
    WarningSign,
    WaterOption,
)
from service.domain.placeholders import PLACEHOLDERS, Kind
from service.domain.plan import Phrase, Plan
from service.domain.questions import questions_for
from service.domain.visit import Ear, EarChoice, Ears, Side, Visit
from service.errors import PlanError, SettingsError
from service.messages.read_plan import phrases_of
from service.messages.wordings import unit_ids_of
from service.wording.sample_values import candidates

ON = date(2026, 11, 25)
"""The day of every example; any day would do."""
GROWN = 50
"""The age of whoever an example is about, where no condition asks for another; any adult would do."""
ORDINARY = ("wax-left", "dry-skin")
"""Findings of the examples that only surround a sentence: one plan that softens, one that maintains."""

Value = int | str | tuple[str, ...]
_NUMBERS = {
    "drops": 3, "times": 2, "minutes": 5, "hours": 48, "days": 7, "weeks": 2, "months": 6, "millilitres": 10,
    "doses": 14,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """One visit and its plan. `form` is the form of the unit that is said ("any", "right", ...). `by_plan`: the plan
    says it; otherwise only a question beside the plan does, or the plan is just what surrounds it. `as_chosen`: planned
    with the clinic's choices as they are."""

    form: str
    visit: Visit
    plan: Plan
    by_plan: bool
    as_chosen: bool = True
    questions: tuple[Question, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Clue:
    """What a visit must be like for a part of the content to act."""

    when: Condition
    choices: ClinicChoices = field(default_factory=ClinicChoices)
    template: str | None = None


CONTENTS_OWN = ClinicChoices()
"""The choices of a clinic that chose nothing."""
_kept: dict[tuple[int, str, str], tuple[Pack, tuple[Example, ...]]] = {}
_lock = Lock()
_MOST_KEPT = 2000


def examples_of(pack: Pack, unit_id: str, choices: ClinicChoices = CONTENTS_OWN) -> tuple[Example, ...]:
    """The smallest example found for each form of the unit, in the order right, left, both. Never empty: what no plan
    says is shown beside an ordinary one, and then `by_plan` is False. Made once for a pack and a clinic's `choices`,
    then looked up.

    Raises KeyError for a unit that the content does not have.
    """
    key = (id(pack), unit_id, _key_of(choices))
    with _lock:
        kept = _kept.get(key)
    if kept is not None and kept[0] is pack:  # the pack is held, so its id is nobody else's
        return kept[1]
    found = tuple(_find(pack, unit_id, choices))
    with _lock:
        if len(_kept) >= _MOST_KEPT:
            _kept.clear()
        _kept[key] = (pack, found)
    return found


def _key_of(choices: ClinicChoices) -> str:
    parts = (choices.agents, sorted(choices.regimens.items()), sorted(choices.water.items()))
    return repr((*parts, sorted(choices.templates_off)))


def counting(plan: Plan, unit_id: str, name: str, number: int) -> Plan:
    """The same plan with another number where this unit counts `name`: to see each plural form in its place."""

    def put(phrases: tuple[Phrase, ...]) -> tuple[Phrase, ...]:
        return tuple(
            replace(each, values={**each.values, name: number}) if each.wording == unit_id else each for each in phrases
        )

    drops = name == "drops"  # said of the course, too: on the page's list of today
    return replace(
        plan,
        steps=tuple(
            replace(
                step,
                phrases=put(step.phrases),
                course=replace(step.course, drops=number) if drops and step.course is not None else step.course,
            )
            for step in plan.steps
        ),
        normal=tuple(replace(each, phrase=put((each.phrase,))[0]) for each in plan.normal),
        supplies=tuple(replace(each, phrases=put(each.phrases)) for each in plan.supplies),
        returns=tuple(replace(each, phrases=put(each.phrases)) for each in plan.returns),
    )


def phrase_of(pack: Pack, unit_id: str, example: Example, language: str, own: Mapping[str, str]) -> Phrase:
    """The unit as the example says it; where it does not, with typical values. `own` are the clinic's values."""
    ears = None if example.form == "any" else Ears(example.form)
    said = next(
        (each for each in phrases_of(example.plan) if each.wording == unit_id and ears in (None, each.ears)), None
    )
    values: dict[str, Value] = {name: _value(name, language, own) for name in PLACEHOLDERS}
    return Phrase(wording=unit_id, ears=ears, values={**values, **(said.values if said else {})})


def _value(name: str, language: str, own: Mapping[str, str]) -> Value:
    match PLACEHOLDERS[name]:
        case Kind.NUMBER:
            return _NUMBERS[name]
        case Kind.DATE:
            return ON.isoformat()
        case Kind.TIME:
            return time(14, 30).isoformat("minutes")
        case Kind.LIST:
            return tuple(f"moment.{moment}" for moment in (Moment.MORNING, Moment.BEDTIME))
        case Kind.CHOICE:
            return tuple(unit for way, unit in WAYS.items() if own.get(way))
        case _:
            return own.get(name) or candidates(name, language)[0]


def _find(pack: Pack, unit_id: str, choices: ClinicChoices) -> Iterator[Example]:
    """The first example of each form, by plan or at least by question; else an ordinary plan."""
    wanted = [form for form in ("any", "right", "left", "both") if form in pack.wording[unit_id].forms]
    found: dict[str, Example] = {}
    for visit, chosen in _tried(pack, unit_id, choices):
        for example in _said(pack, unit_id, visit, chosen):
            found.setdefault(example.form, replace(example, as_chosen=chosen == choices))
        if len(found) == len(wanted):
            break
    for form in wanted:
        yield found.get(form) or _around(pack, unit_id, form, choices)


def _tried(pack: Pack, unit_id: str, choices: ClinicChoices) -> Iterator[tuple[Visit, ClinicChoices]]:
    """Every visit worth trying: with the clinic's choices, then with what says the unit put in their place, last with
    that and otherwise the content's own. Each clue once (clues hold mappings and cannot be hashed)."""
    clues: list[_Clue] = []
    for clue in _clues(pack, unit_id):
        if clue not in clues:
            clues.append(clue)
    ways = ((choices, False), (choices, True), (CONTENTS_OWN, True))
    for base, with_clue in ways if choices != CONTENTS_OWN else ways[:2]:
        for clue in clues:
            chosen = _over(base, clue.choices) if with_clue else base
            if not with_clue or chosen != choices:  # otherwise it was tried already
                yield from ((visit, chosen) for visit in _visits(pack, clue))


def _over(base: ClinicChoices, clue: ClinicChoices) -> ClinicChoices:
    """`base` with what the clue chooses in its place."""
    return replace(
        base,
        agents=clue.agents or base.agents,
        regimens={**base.regimens, **clue.regimens},
        water={**base.water, **clue.water},
    )


_SHOWS: Mapping[str, Callable[[Plan], bool]] = {
    "section.water": lambda plan: bool(plan.steps_of(StepKind.KEEP_DRY)),
    "section.avoid": lambda plan: bool(plan.steps_of(StepKind.DO_NOT)),
    "section.normal": lambda plan: bool(plan.normal),
    "section.supply": lambda plan: bool(plan.supplies),
    "section.return": lambda plan: bool(plan.returns),
    **{
        f"urgency.{urgency}": lambda plan, urgency=urgency: any(sign.urgency is urgency for sign in plan.signs)  # type: ignore[misc]
        for urgency in Urgency
    },
}
"""Headings that no step says, and which plans have them."""


def _around(pack: Pack, unit_id: str, form: str, choices: ClinicChoices) -> Example:
    """A plan that has this heading, or an ordinary one, or an urgent one, for the ears of the form or of the label."""
    sides = {"right": (Side.RIGHT,), "left": (Side.LEFT,)}.get(form if form != "any" else unit_id.partition(".")[2])
    urgent = "urgent" in unit_id.split(".")
    first = [code.id for code in pack.findings.values() if code.red_flag] if urgent else list(ORDINARY)
    shows, found = _SHOWS.get(unit_id), None
    for code in dict.fromkeys((*first, *(pack.findings if shows is not None else ()))):
        ear = Ear(findings=frozenset({code}))
        ears = dict.fromkeys(sides or tuple(Side), ear)
        visit = Visit(on=ON, born=_born(GROWN), right=ears.get(Side.RIGHT, Ear()), left=ears.get(Side.LEFT, Ear()))
        try:
            plan = build_plan(visit, pack, choices)
        except (PlanError, SettingsError):  # the clinic took away what this visit needs
            plan = build_plan(visit, pack, CONTENTS_OWN)
        found = found or (visit, plan)
        if shows is None or shows(plan):
            found = (visit, plan)
            break
    assert found is not None, "the content has findings"
    asked = questions_for(found[1], found[0], pack)
    return Example(form=form, visit=found[0], plan=found[1], by_plan=False, questions=asked)


def _said(pack: Pack, unit_id: str, visit: Visit, choices: ClinicChoices) -> Iterator[Example]:
    """The examples that this visit gives, one for each form that is said."""
    try:
        plan = build_plan(visit, pack, choices)
    except (PlanError, SettingsError):  # these findings or choices do not go together: another clue or visit will do
        return
    asked = questions_for(plan, visit, pack)
    forms = {
        phrase.ears.value if phrase.ears is not None and "any" not in pack.wording[unit_id].forms else "any"
        for phrase in phrases_of(plan)
        if unit_id in unit_ids_of([phrase])
    }
    for form in sorted(forms):
        yield Example(form=form, visit=visit, plan=plan, by_plan=True, questions=asked)
    if not forms and any(unit_id in (each.ask, *each.answer) for each in asked):
        yield Example(form="any", visit=visit, plan=plan, by_plan=False, questions=asked)


def _visits(pack: Pack, clue: _Clue) -> Iterator[Visit]:
    """Small visits that meet a condition: of one ear each, and of both."""
    when = clue.when
    findings = [when.ear_all | {code} for code in sorted(when.ear_any)] or [when.ear_all]
    fitting = next((code for code in ORDINARY if code in pack.findings and code not in when.ear_none), None)
    for codes in findings:
        ear = Ear(
            findings=codes or frozenset([fitting] if fitting else ()),
            removed_by=frozenset(sorted(when.removed_by_any)[:1]),
        )
        other = Ear(findings=frozenset(sorted(when.other_ear_any)[:1]))
        for code in sorted(when.person_any) or [""]:
            history = frozenset([code] if code else ())
            for sides in ((Side.RIGHT,), (Side.LEFT,), tuple(Side)):
                ears = dict.fromkeys(sides, ear)
                if len(sides) == 1 and other.findings:
                    ears[sides[0].other] = other
                chosen = {side: EarChoice(template=clue.template) for side in sides if clue.template}
                yield Visit(
                    on=ON,
                    born=_born(_age(when)),
                    history=history,
                    choices=chosen,
                    right=ears.get(Side.RIGHT, Ear()),
                    left=ears.get(Side.LEFT, Ear()),
                )


def _age(when: Condition) -> int:
    if when.age_under is not None:
        return max(when.age_under - 1, 0)
    return max(GROWN, when.age_from or 0)


def _born(age: int) -> date:
    return ON.replace(year=ON.year - age)


def _clues(pack: Pack, unit_id: str) -> Iterator[_Clue]:
    """Where the content says the unit, and what a visit must be like for that."""
    for template in pack.templates.values():
        if template.return_wording == unit_id or _in_steps(template.steps, unit_id):
            yield _Clue(when=template.when)
            yield _Clue(when=template.when, template=template.id)
    for rule in pack.rules.values():
        if _in_rule(rule, unit_id):
            yield from _clues_of_rule(pack, rule)
    for sign in pack.warnings.values():
        if sign.wording == unit_id:
            yield from _clues_of_sign(pack, sign)
        if sign.raise_when is not None and unit_id == f"urgency.{sign.urgency.raised}":
            yield _Clue(when=sign.raise_when)
    for normal in pack.expected.values():
        if normal.wording == unit_id:
            yield _Clue(when=normal.when)
    for situation in pack.water.values():
        for option in situation.options:
            if unit_id in (*option.wording, *option.method):
                yield _Clue(when=situation.when, choices=_choosing_water(situation.id, option))
    for advice in pack.urgent.values():
        if unit_id in advice.wording:
            yield _Clue(when=Condition(ear_any=advice.codes & set(pack.findings)))
            yield _Clue(when=Condition(person_any=advice.codes & set(pack.history)))
    for question in pack.questions.values():
        if unit_id in (question.ask, *question.answer):
            yield from _clues_of_question(pack, question)
    if unit_id.partition(".")[0] in ("instil", "supply", "moment", "agent") or any(
        unit_id in agent.use for agent in pack.agents.values()
    ):
        yield from _clues_of_courses(pack, unit_id)


def _in_steps(steps: Iterable[StepSpec], unit_id: str) -> bool:
    return any(unit_id in step.wording for step in steps)


def _in_rule(rule: Rule, unit_id: str) -> bool:
    said = rule.say is not None and unit_id in rule.say.wording
    return said or (rule.change is not None and unit_id in rule.change.technique)


def _clues_of_rule(pack: Pack, rule: Rule) -> Iterator[_Clue]:
    """The rule's own condition, and that with wax to soften: many rules only add to a course."""
    yield _Clue(when=rule.when)
    for code in ORDINARY:
        if code in pack.findings and code not in rule.when.ear_none:
            yield _Clue(when=replace(rule.when, ear_all=rule.when.ear_all | {code}))


def _clues_of_sign(pack: Pack, sign: WarningSign) -> Iterator[_Clue]:
    """The sign's own condition; where it depends on a step, also beside what brings about or avoids that step."""
    yield _Clue(when=sign.when)
    for template in pack.templates.values():
        if sign.steps_any & {step.id for step in template.steps}:
            yield _Clue(when=replace(sign.when, other_ear_any=template.when.ear_any | template.when.ear_all))
    for code in ORDINARY:
        if sign.steps_none and code in pack.findings and code not in sign.when.ear_none:
            yield _Clue(when=replace(sign.when, ear_all=sign.when.ear_all | {code}))


def _clues_of_question(pack: Pack, question: Question) -> Iterator[_Clue]:
    when = question.when
    yield _Clue(when=when)
    for unit_id in sorted(question.if_said):
        if unit_id != question.ask:
            yield from (clue for clue in _clues(pack, unit_id) if not _contradicts(clue.when, when))
    for code in pack.findings.values():
        if not code.red_flag and (not when.ear_any or code.id in when.ear_any) and code.id not in when.ear_none:
            yield _Clue(when=replace(when, ear_any=frozenset({code.id})))


def _contradicts(one: Condition, other: Condition) -> bool:
    return bool(one.ear_all & other.ear_none or other.ear_all & one.ear_none)


def _clues_of_courses(pack: Pack, unit_id: str) -> Iterator[_Clue]:
    """Every agent with every regimen, in a plan that softens or maintains; and both ears in turn."""
    for agent in pack.agents.values():
        named = unit_id == f"agent.{agent.id}.name" or unit_id in agent.use
        if unit_id.startswith("agent.") and not named:
            continue
        yield from _clues_of_agent(pack, agent)
    for rule in pack.rules.values():
        if rule.change is not None and rule.change.alternate_ears:
            yield from _clues_of_rule(pack, rule)


def _clues_of_agent(pack: Pack, agent: Agent) -> Iterator[_Clue]:
    for purpose, regimens in agent.regimens.items():
        for template in pack.templates.values():
            if any(step.purpose is purpose for step in template.steps):
                for regimen in regimens:
                    yield _Clue(when=template.when, choices=_choosing(agent, purpose, regimen.id))
                break


def _choosing(agent: Agent, purpose: Purpose, regimen: str) -> ClinicChoices:
    return ClinicChoices(agents=(agent.id,), regimens={f"{agent.id}/{purpose}": regimen})


def _choosing_water(situation: str, option: WaterOption) -> ClinicChoices:
    return ClinicChoices(water={situation: option.id})
