"""From one visit to one plan: what is asked of this person, in which ear, and why. Pure; the heart of the service."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from service.domain import water
from service.domain.check_visit import check_visit
from service.domain.instil import CourseDraft, draft_course, instil_step, supplies_for
from service.domain.pack import (
    ClinicChoices,
    Effect,
    Overrulable,
    Pack,
    Purpose,
    Rule,
    StepKind,
    StepSpec,
    Template,
    Urgency,
)
from service.domain.plan import Because, Caution, EarSummary, Normal, Phrase, Plan, Sign, Step, Urgent
from service.domain.returns import booked_too_late, ear_return, joined
from service.domain.rules import Acting, Facts, acting, codes_behind, holds, rule_because, unite
from service.domain.visit import Ears, Side, Visit
from service.errors import ContradictionError, VisitError

# The order of reading: what to do, water, what not to do; within each by the content's `place`; of equals what goes in
# first; then both ears, right, left.
_HEADING = {StepKind.KEEP_DRY: 1, StepKind.DO_NOT: 2}
_HOW_PLACE = 1
"""Where the step stands that says how the ears are kept dry: after those that say which ears and how long."""
_EARS = {Ears.BOTH: 0, Ears.RIGHT: 1, Ears.LEFT: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class _EarDraft:
    """What was decided for one ear before the two are read together."""

    side: Side
    facts: Facts
    acting: Acting
    proposed: Template
    template: Template
    alternatives: tuple[str, ...]
    agents_allowed: tuple[str, ...]
    courses: tuple[CourseDraft, ...]
    steps: tuple[Step, ...]
    notes: tuple[Caution, ...]
    given: frozenset[str]
    places: Mapping[str, int]


def build_plan(visit: Visit, pack: Pack, choices: ClinicChoices) -> Plan:
    """The plan that this visit asks for under this pack and this clinic's choices.

    Raises VisitError when the visit names something unknown or barred, ContradictionError when two rules ask for
    opposites. A red flag found in either ear, or in the person, replaces the whole ordinary plan by urgent advice.
    """
    check_visit(visit, pack)
    sides = tuple(side for side in Side if visit.ear(side).findings)
    facts = {side: Facts.of(visit, side) for side in sides}
    urgent = _urgent(visit, pack)
    if urgent:
        ears = {
            side: EarSummary(findings=tuple(sorted(visit.ear(side).findings)), proposed="urgent", template="urgent")
            for side in sides
        }
        return Plan(on=visit.on, pack=pack.version, ears=ears, urgent=urgent, signs=_signs(pack, facts.values(), ()))
    drafts = tuple(_decide_ear(visit, pack, choices, side, facts[side]) for side in sides)
    keep_dry = water.steps(pack, choices, facts, visit.on)
    steps = _merge_steps(drafts, keep_dry, pack)
    returns = joined(visit, [ear_return(visit, d.side, d.template, d.acting, d.facts) for d in drafts])
    return Plan(
        on=visit.on,
        pack=pack.version,
        ears={
            draft.side: EarSummary(
                findings=tuple(sorted(draft.facts.ear)),
                proposed=draft.proposed.id,
                template=draft.template.id,
                alternatives=draft.alternatives,
                agents_allowed=draft.agents_allowed,
            )
            for draft in drafts
        },
        steps=steps,
        signs=_signs(pack, facts.values(), steps),
        normal=_normal(pack, drafts),
        supplies=supplies_for(tuple(step.course for step in steps if step.course is not None), pack),
        returns=returns,
        cautions=(*_cautions(drafts), *_no_turns(drafts, steps), *booked_too_late(visit, returns)),
    )


def _urgent(visit: Visit, pack: Pack) -> tuple[Urgent, ...]:
    ticked = visit.right.findings | visit.left.findings | visit.history
    found = [advice for _, advice in sorted(pack.urgent.items()) if advice.codes & ticked]
    said: set[str] = set()
    urgent = []
    for advice in sorted(found, key=lambda advice: list(Urgency).index(advice.urgency)):
        urgent.append(
            Urgent(
                id=advice.id,
                urgency=advice.urgency,
                phrases=tuple(Phrase(wording=unit) for unit in advice.wording if unit not in said),
                picture=advice.picture,
                because=Because(
                    origin=advice.id,
                    codes=tuple(sorted(advice.codes & ticked)),
                    sources=advice.sources,
                    note=advice.why,
                ),
            )
        )
        said.update(advice.wording)
    return tuple(urgent)


def _signs(pack: Pack, facts: Iterable[Facts], steps: tuple[Step, ...]) -> tuple[Sign, ...]:
    ears = tuple(facts)
    given = {step.id for step in steps}
    found = []
    for sign in pack.warnings.values():
        matching = [each for each in ears if holds(sign.when, each)]
        if not matching or (sign.steps_any and not sign.steps_any & given) or sign.steps_none & given:
            continue
        raising = [each for each in ears if sign.raise_when is not None and holds(sign.raise_when, each)]
        codes = {code for each in matching for code in codes_behind(sign.when, each)}
        if sign.raise_when is not None:
            codes |= {code for each in raising for code in codes_behind(sign.raise_when, each)}
        found.append(
            Sign(
                id=sign.id,
                urgency=sign.urgency.raised if raising else sign.urgency,
                phrase=Phrase(wording=sign.wording),
                picture=sign.picture,
                because=Because(origin=sign.id, codes=tuple(sorted(codes)), sources=sign.sources),
            )
        )
    found.sort(key=lambda sign: list(Urgency).index(sign.urgency))
    kept: dict[str, Sign] = {}
    for each in found:  # of two signs with one sentence the more urgent one is said
        kept.setdefault(each.phrase.wording, each)
    return _uncovered(pack, list(kept.values()))


def _uncovered(pack: Pack, signs: list[Sign]) -> tuple[Sign, ...]:
    """The signs without those that another one says too, and as soon; that one stands where the first of them stood."""
    order = list(Urgency)
    for each in tuple(signs):
        covers = pack.warnings[each.id].covers
        same = [s for s in signs if s.id in covers and order.index(s.urgency) >= order.index(each.urgency)]
        if same and each in signs:
            first = same[0] if same[0].urgency is each.urgency else each
            signs = [each if s is first else s for s in signs if s is first or (s is not each and s not in same)]
    return tuple(signs)


def _decide_ear(visit: Visit, pack: Pack, choices: ClinicChoices, side: Side, facts: Facts) -> _EarDraft:
    rules = acting(pack, facts, side, visit)
    fitting = _fitting_templates(pack, choices, facts)
    if not fitting:
        raise VisitError(
            f"{side}.findings", "no aftercare is offered for these findings alone: tick what else was seen"
        )
    picked = visit.choice(side).template
    if picked is not None and picked in choices.templates_off:
        raise VisitError(f"choices.{side}.template", f"{picked} is switched off in this clinic; choose {fitting[0].id}")
    template = pack.templates[picked] if picked is not None else fitting[0]
    if visit.choice(side).agent is not None and not any(step.purpose for step in template.steps):
        raise VisitError(
            f"choices.{side}.agent",
            f"{template.id} puts nothing in the {side} ear; choose another aftercare or leave the agent open",
        )
    asked = tuple((template.id, step) for step in template.steps if rules.forbidding(f"step:{step.id}") is None)
    ruled = tuple((rule.id, step) for rule, step in (*rules.required, *rules.said))
    origins: dict[str, list[str]] = {}
    for origin, step in (*asked, *ruled):
        origins.setdefault(step.id, []).append(origin)
    courses: list[CourseDraft] = []
    notes: list[Caution] = []
    plain: list[tuple[StepSpec, tuple[Because, ...]]] = []
    united = unite((*asked, *ruled))
    for step in united:
        because = tuple(_because(origin, template, rules, facts) for origin in origins[step.id])
        if step.purpose is None:
            plain.append((step, because))
            continue
        drafted = draft_course(visit, pack, choices, side, rules, step, because)
        if isinstance(drafted, CourseDraft):
            courses.append(drafted)
        else:
            notes.append(drafted)
    given = frozenset(c.step.id for c in courses) | frozenset(step.id for step, _ in plain if not step.steps_any)
    allowed = tuple(
        agent for agent in pack.agents if not rules.forbidding("softener") and not rules.forbidding(f"agent:{agent}")
    )
    return _EarDraft(
        side=side,
        facts=facts,
        acting=rules,
        proposed=fitting[0],
        template=template,
        alternatives=tuple(other.id for other in fitting if other.id != template.id),
        agents_allowed=allowed,
        courses=tuple(courses),
        steps=tuple(
            _plain_step(step, side, because) for step, because in plain if not step.steps_any or step.steps_any & given
        ),
        notes=tuple(notes),
        given=given,
        places={step.id: step.place for step in united},
    )


def _fitting_templates(pack: Pack, choices: ClinicChoices, facts: Facts) -> list[Template]:
    """The templates that fit this ear, the one to propose first. Equal ranks are a contradiction in the content."""
    fitting = sorted(
        (t for t in pack.templates.values() if t.id not in choices.templates_off and holds(t.when, facts)),
        key=lambda template: (-template.rank, template.id),
    )
    if len(fitting) > 1 and fitting[0].rank == fitting[1].rank:
        raise ContradictionError(fitting[0].id, fitting[1].id, "both templates fit this ear with the same rank")
    return fitting


def _because(origin: str, template: Template, rules: Acting, facts: Facts) -> Because:
    if origin == template.id:
        return Because(
            origin=origin, codes=codes_behind(template.when, facts), sources=template.sources, note=template.about
        )
    rule = next(rule for rule in rules.rules if rule.id == origin)
    return rule_because(rule, facts)


def _plain_step(step: StepSpec, side: Side, because: tuple[Because, ...]) -> Step:
    values = {name: value for name in ("days", "hours", "minutes") if (value := getattr(step, name)) is not None}
    ears = Ears.of([side])
    return Step(
        id=step.id,
        kind=step.kind,
        ears=ears,
        phrases=tuple(Phrase(wording=unit, ears=ears, values=values) for unit in step.wording),
        picture=step.picture,
        because=because,
    )


def _merge_steps(drafts: tuple[_EarDraft, ...], keep_dry: tuple[Step, ...], pack: Pack) -> tuple[Step, ...]:
    """The steps of both ears as one list: what is the same for both is said once, of both."""
    alternate = any(draft.acting.change.alternate_ears for draft in drafts)
    courses: dict[object, list[CourseDraft]] = {}
    for draft in drafts:
        for course in draft.courses:
            courses.setdefault(course.key, []).append(course)
    merged = [instil_step(group, pack, alternate=alternate) for group in courses.values()]
    plain: dict[object, list[Step]] = {}
    for step in (*(step for draft in drafts for step in draft.steps), *keep_dry):
        key = (step.id, step.kind, step.picture, tuple((p.wording, tuple(p.values.items())) for p in step.phrases))
        plain.setdefault(key, []).append(step)
    merged.extend(_join(group) for group in plain.values())
    places = {water.HOW: _HOW_PLACE}
    for draft in drafts:
        places.update(draft.places)

    def order(step: Step) -> tuple[int, int, bool, int]:
        return (
            _HEADING.get(step.kind, 0),
            places.get(step.id, 0),
            step.kind is not StepKind.INSTIL,
            _EARS[step.ears],
        )

    return tuple(sorted(merged, key=order))


def _join(group: list[Step]) -> Step:
    if len(group) == 1:
        return group[0]
    return replace(
        group[0],
        ears=Ears.BOTH,
        phrases=tuple(replace(phrase, ears=Ears.BOTH) for phrase in group[0].phrases),
        because=tuple(dict.fromkeys(because for step in group for because in step.because)),
    )


def _normal(pack: Pack, drafts: tuple[_EarDraft, ...]) -> tuple[Normal, ...]:
    found = []
    for item in pack.expected.values():
        matching = [draft.facts for draft in drafts if holds(item.when, draft.facts)]
        if matching:
            codes = {code for facts in matching for code in codes_behind(item.when, facts)}
            found.append(
                Normal(
                    id=item.id,
                    hours=item.hours,
                    phrase=Phrase(wording=item.wording, values={"hours": item.hours, "days": -(-item.hours // 24)}),
                    picture=item.picture,
                    because=Because(origin=item.id, codes=tuple(sorted(codes)), sources=item.sources),
                )
            )
    return tuple(found)


def _no_turns(drafts: tuple[_EarDraft, ...], steps: tuple[Step, ...]) -> tuple[Caution, ...]:
    """Both ears are softened by unlike courses although this person must not lose hearing on both sides."""
    asking = [
        (rule, draft.facts)
        for draft in drafts
        for rule in draft.acting.rules
        if rule.change is not None and rule.change.alternate_ears and rule.id not in draft.acting.overruled
    ]
    softened = [step for step in steps if step.course is not None and step.course.purpose is Purpose.SOFTEN]
    if not asking or len(softened) < 2:
        return ()
    rule, facts = asking[0]
    return (
        Caution(
            rule=rule.id,
            ears=Ears.BOTH,
            effect=Effect.WARN.value,
            why="The two ears have different courses and cannot take turns: choose one agent for both, or one ear now.",
            because=rule_because(rule, facts),
            overrulable=False,
        ),
    )


def _only_about_instilling(rule: Rule) -> bool:
    technique = rule.change is not None and bool(rule.change.technique) and rule.change.return_days_at_most is None
    return technique or (rule.target or "").startswith("agent:")


def _cautions(drafts: tuple[_EarDraft, ...]) -> tuple[Caution, ...]:
    """Every acting rule, once, with the ears it acts on; what cannot be set aside comes first."""
    found: dict[tuple[str, str | None], list[tuple[Side, Rule, Facts]]] = {}
    for draft in drafts:
        for rule in draft.acting.rules:
            if not draft.courses and _only_about_instilling(rule):
                continue  # nothing is put into this ear, so how or what says nothing
            if rule.say is not None and rule.say.steps_any and not rule.say.steps_any & draft.given:
                continue  # what it would say of a step that this ear does not get is not said
            found.setdefault((rule.id, draft.acting.overruled.get(rule.id)), []).append((draft.side, rule, draft.facts))
    cautions = [note for draft in drafts for note in draft.notes]
    for (_, reason), group in found.items():
        rule = group[0][1]
        codes = tuple(sorted({code for _, _, facts in group for code in codes_behind(rule.when, facts)}))
        cautions.append(
            Caution(
                rule=rule.id,
                ears=Ears.of([side for side, _, _ in group]),
                effect=rule.effect.value,
                why=rule.why,
                because=Because(origin=rule.id, codes=codes, sources=rule.sources),
                overrulable=rule.overrule is Overrulable.WITH_REASON,
                overruled=reason,
            )
        )
    order = {Effect.FORBID.value: 0, Effect.WARN.value: 1, Effect.REQUIRE.value: 2, Effect.CHANGE.value: 3}
    return tuple(sorted(cautions, key=lambda caution: (order[caution.effect], caution.overrulable, caution.rule)))
