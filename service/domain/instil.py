"""What goes into an ear: which agent, by which regimen, from which day, and how much of it is needed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import takewhile

from service.domain.course import total_drops
from service.domain.pack import Agent, ClinicChoices, Pack, Phase, Purpose, Regimen, StepKind, StepSpec
from service.domain.plan import Because, Caution, Course, Phrase, Step, Supply
from service.domain.rules import Acting
from service.domain.visit import Ears, Side, Visit
from service.errors import SettingsError, VisitError


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseDraft:
    """The course for one ear, before both ears are read together; equal `key`s become one course for both."""

    step: StepSpec
    course: Course
    technique: tuple[str, ...]
    because: tuple[Because, ...]

    @property
    def key(self) -> object:
        """What must be equal for two ears to share one instruction (why each ear needs it may differ)."""
        return (replace(self.course, ears=Ears.BOTH), self.technique)


def draft_course(
    visit: Visit,
    pack: Pack,
    choices: ClinicChoices,
    side: Side,
    rules: Acting,
    step: StepSpec,
    because: tuple[Because, ...],
) -> CourseDraft | Caution:
    """The course that an instil step gives this ear, or the caution that says why there is none.

    Softening for a booked appointment counts back from it. Raises VisitError when the clinician picked an agent that
    a rule bars in this ear.
    """
    assert step.purpose is not None, "instil steps have a purpose (StepSpec)"
    ears = Ears.of([side])
    picked = visit.choice(side).agent
    barring = rules.bars_instilling(step.purpose)
    if barring is not None:
        if picked is not None:
            raise VisitError(f"choices.{side}.agent", f"nothing may be put in the {side} ear: {barring.why}")
        return _no_course(step, ears, f"Not given: {barring.why}", because)
    agent = _pick_agent(pack, choices, rules, step.purpose, picked, side)
    if agent is None:
        return _no_course(step, ears, "Every agent on offer is barred for this ear or person: decide by hand.", because)
    regimen = _pick_regimen(agent, step.purpose, choices)
    first, phases = _when(visit, step.purpose, regimen)
    course = Course(
        agent=agent.id,
        purpose=step.purpose,
        regimen=regimen.id,
        ears=ears,
        drops=regimen.drops,
        lie_minutes=regimen.lie_minutes,
        phases=phases,
        first_day=first,
    )
    regimen_because = Because(origin=regimen.id, sources=regimen.sources, note=regimen.label)
    return CourseDraft(step=step, course=course, technique=rules.change.technique, because=(*because, regimen_because))


def _no_course(step: StepSpec, ears: Ears, why: str, because: tuple[Because, ...]) -> Caution:
    return Caution(rule=f"step:{step.id}", ears=ears, effect="warn", why=why, because=because[0], overrulable=False)


def _pick_agent(
    pack: Pack, choices: ClinicChoices, rules: Acting, purpose: Purpose, picked: str | None, side: Side
) -> Agent | None:
    if picked is not None:
        barring = rules.forbidding(f"agent:{picked}")
        if barring is not None:
            raise VisitError(f"choices.{side}.agent", f"{picked} is barred in the {side} ear: {barring.why}")
        if purpose in pack.agents[picked].regimens:
            return pack.agents[picked]
        offered = ", ".join(name for name, agent in pack.agents.items() if purpose in agent.regimens)
        raise VisitError(f"choices.{side}.agent", f"{picked} has no regimen to {purpose}; allowed: {offered}")
    unknown = sorted(set(choices.agents) - set(pack.agents))
    if unknown:
        raise SettingsError(f"clinic.agents: {unknown[0]!r} is not in the content; allowed: {', '.join(pack.agents)}")
    for name in choices.agents or tuple(pack.agents):
        agent = pack.agents[name]
        if purpose in agent.regimens and rules.forbidding(f"agent:{name}") is None:
            return agent
    return None


def _pick_regimen(agent: Agent, purpose: Purpose, choices: ClinicChoices) -> Regimen:
    offered = agent.regimens[purpose]
    setting = f"{agent.id}/{purpose}"
    wanted = choices.regimens.get(setting, offered[0].id)
    for regimen in offered:
        if regimen.id == wanted:
            return regimen
    allowed = ", ".join(regimen.id for regimen in offered)
    raise SettingsError(f"clinic.regimens.{setting}: {wanted!r} is not on offer; allowed: {allowed}")


def _when(visit: Visit, purpose: Purpose, regimen: Regimen) -> tuple[date, tuple[Phase, ...]]:
    """First day and phases. Upkeep starts one interval after the visit; softening ends the day before a booking."""
    length = sum(phase.days for phase in regimen.phases)
    if purpose is Purpose.MAINTAIN:
        return visit.on + timedelta(days=regimen.phases[0].every), regimen.phases
    if visit.next_appointment is None:
        return visit.on, regimen.phases
    available = (visit.next_appointment - visit.on).days
    if available >= length:
        return visit.next_appointment - timedelta(days=length), regimen.phases
    return visit.on, shortened(regimen.phases, available)


def shortened(phases: tuple[Phase, ...], days: int) -> tuple[Phase, ...]:
    """The first so many days of a regimen; none of it for 0 days or fewer."""
    kept: list[Phase] = []
    for phase in phases:
        if days <= 0:
            break
        kept.append(replace(phase, days=min(phase.days, days)))
        days -= phase.days
    return tuple(kept)


def instil_step(group: list[CourseDraft], pack: Pack, *, alternate: bool) -> Step:
    """One instruction from the equal drafts of one ear or of both. Only softening, which blocks, alternates."""
    first = min(group, key=lambda draft: draft.step.id)
    ears = Ears.of([Side(draft.course.ears.value) for draft in group])
    turns = alternate and ears is Ears.BOTH and first.course.purpose is Purpose.SOFTEN
    course = replace(first.course, ears=ears, alternate=turns)
    agent = pack.agents[course.agent]
    phrases = [Phrase(wording=f"agent.{agent.id}.name"), *_dose_phrases(course, ears)]
    phrases += [Phrase(wording=unit, ears=ears) for unit in first.technique]
    phrases.append(Phrase(wording="instil.massage"))
    phrases += [Phrase(wording=unit, ears=ears) for unit in agent.use]
    return Step(
        id=first.step.id,
        kind=StepKind.INSTIL,
        ears=ears,
        phrases=tuple(phrases),
        picture="alternate-nights" if course.alternate else first.step.picture,
        because=tuple(dict.fromkeys(because for draft in group for because in draft.because)),
        course=course,
    )


_DOSE_WORDS = frozenset(
    {
        "instil.alternate",
        "instil.drops",
        "instil.only",
        "instil.times",
        "instil.every",
        "instil.weekly",
        "instil.then-times",
        "instil.then-every",
        "instil.then-weekly",
        "instil.days",
        "instil.until",
        "instil.lie",
    }
)
"""Every sentence that says how much, how often and for how long."""


def redosed(step: Step, course: Course) -> Step:
    """The same instruction with another course of the same drops: what it says of days follows the course."""
    if step.course is None or course.phases == step.course.phases:
        return replace(step, course=course)
    before = list(takewhile(lambda phrase: phrase.wording not in _DOSE_WORDS, step.phrases))
    after = [phrase for phrase in step.phrases[len(before) :] if phrase.wording not in _DOSE_WORDS]
    return replace(step, course=course, phrases=(*before, *_dose_phrases(course, step.ears), *after))


def _dose_phrases(course: Course, ears: Ears) -> list[Phrase]:
    # Ears that take turns are named one by one: a sentence about both would have them treated on the same day.
    single = [Ears.of([side]) for side in ears.sides] if course.alternate else [ears]
    said = [Phrase(wording="instil.alternate")] if course.alternate else []
    said += [Phrase(wording="instil.drops", ears=each, values={"drops": course.drops}) for each in single]
    if not course.alternate and ears is not Ears.BOTH:  # "in each ear" has just been said
        said.append(Phrase(wording="instil.only", ears=ears))
    for number, phase in enumerate(course.phases):
        said.append(_rhythm_phrase(phase, then=number > 0))
        if course.purpose is not Purpose.MAINTAIN:
            said.append(Phrase(wording="instil.days", values={"days": phase.days}))
    if course.purpose is Purpose.MAINTAIN:
        last = course.first_day + timedelta(days=course.days - 1)
        said.append(Phrase(wording="instil.until", values={"until": last.isoformat()}))
    if course.lie_minutes:
        said += [Phrase(wording="instil.lie", ears=each, values={"minutes": course.lie_minutes}) for each in single]
    return said


def _rhythm_phrase(phase: Phase, *, then: bool) -> Phrase:
    moments = tuple(f"moment.{moment}" for moment in phase.moments)
    prefix = "instil.then-" if then else "instil."
    if phase.every == 7:  # a week has a word of its own in every language
        return Phrase(wording=f"{prefix}weekly", values={"moments": moments})
    if phase.every > 1:
        return Phrase(wording=f"{prefix}every", values={"days": phase.every, "moments": moments})
    return Phrase(wording=f"{prefix}times", values={"times": len(phase.moments), "moments": moments})


def supplies_for(courses: tuple[Course, ...], pack: Pack) -> tuple[Supply, ...]:
    """How much of each agent the courses need together."""
    drops: dict[str, int] = {}
    for course in courses:
        drops[course.agent] = drops.get(course.agent, 0) + total_drops(course)
    found = []
    for name, count in drops.items():
        agent = pack.agents[name]
        millilitres = -(-count // agent.drops_per_ml)
        phrases = [
            Phrase(wording=f"agent.{name}.name"),
            Phrase(wording="supply.amount", values={"millilitres": millilitres}),
        ]
        if agent.opened_days is not None:
            phrases.append(Phrase(wording="supply.opened", values={"days": agent.opened_days}))
        found.append(
            Supply(
                agent=name,
                drops=count,
                millilitres=millilitres,
                opened_days=agent.opened_days,
                phrases=tuple(phrases),
            )
        )
    return tuple(found)
