"""Which content applies to one ear, and how effects combine: forbid beats require beats suggest, never file order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.domain.change import Change
from service.domain.pack import Condition, Effect, Overrulable, Pack, Purpose, Rule, StepSpec
from service.domain.plan import Because
from service.domain.visit import Side, Visit
from service.errors import ContradictionError


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Everything a condition can ask about one ear of one person."""

    ear: frozenset[str]
    other_ear: frozenset[str]
    person: frozenset[str]
    removed_by: frozenset[str]
    age: int | None

    @classmethod
    def of(cls, visit: Visit, side: Side) -> Facts:
        """The facts about one ear at this visit."""
        return cls(
            ear=visit.ear(side).findings,
            other_ear=visit.ear(side.other).findings,
            person=visit.history,
            removed_by=visit.ear(side).removed_by,
            age=visit.age,
        )


def holds(condition: Condition, facts: Facts) -> bool:
    """Whether every given part of the condition is true of these facts."""
    needs_any = (
        (condition.ear_any, facts.ear),
        (condition.other_ear_any, facts.other_ear),
        (condition.person_any, facts.person),
        (condition.removed_by_any, facts.removed_by),
    )
    return (
        all(not wanted or wanted & have for wanted, have in needs_any)
        and condition.ear_all <= facts.ear
        and not condition.ear_none & facts.ear
        and not condition.person_none & facts.person
        and _age_holds(condition, facts.age)
    )


def _age_holds(condition: Condition, age: int | None) -> bool:
    if condition.age_under is None and condition.age_from is None:
        return True
    if age is None:
        return condition.age_unknown
    over = condition.age_from is None or age >= condition.age_from
    return over and (condition.age_under is None or age < condition.age_under)


def codes_behind(condition: Condition, facts: Facts) -> tuple[str, ...]:
    """The ticked codes that made the condition hold, sorted, for the 'why' beside each part of a plan."""
    asked = condition.ear_any | condition.ear_all | condition.person_any | condition.removed_by_any
    return tuple(sorted(asked & (facts.ear | facts.person | facts.removed_by)))


def rule_because(rule: Rule, facts: Facts) -> Because:
    """Why a rule acted: itself, the codes that called for it, its sources and its sentence for the clinician."""
    return Because(origin=rule.id, codes=codes_behind(rule.when, facts), sources=rule.sources, note=rule.why)


@dataclass(frozen=True, slots=True, kw_only=True)
class Acting:
    """The rules that act on one ear. `overruled` are set aside by the clinician, each with the reason given."""

    rules: tuple[Rule, ...]
    overruled: Mapping[str, str] = field(default_factory=dict)

    def _active(self, effect: Effect) -> tuple[Rule, ...]:
        return tuple(rule for rule in self.rules if rule.effect is effect and rule.id not in self.overruled)

    def forbidding(self, *targets: str) -> Rule | None:
        """The first rule (by id) that bars any of the targets, or None."""
        barring = [rule for rule in self._active(Effect.FORBID) if rule.target in targets]
        return min(barring, key=lambda rule: (rule.overrule is not Overrulable.NEVER, rule.id), default=None)

    def bars_instilling(self, purpose: Purpose) -> Rule | None:
        """The rule that bars this purpose in this ear whatever the agent, or None."""
        return self.forbidding("softener", purpose.value)

    @property
    def required(self) -> tuple[tuple[Rule, StepSpec], ...]:
        """Steps that rules require, forbidden ones left out: forbid beats require."""
        return tuple(
            (rule, rule.say)
            for rule in self._active(Effect.REQUIRE)
            if rule.say is not None and self.forbidding(f"step:{rule.say.id}") is None
        )

    @property
    def said(self) -> tuple[tuple[Rule, StepSpec], ...]:
        """What forbidding, warning and changing rules have the patient told."""
        effects = (Effect.FORBID, Effect.WARN, Effect.CHANGE)
        return tuple((rule, rule.say) for effect in effects for rule in self._active(effect) if rule.say is not None)

    @property
    def change(self) -> Change:
        """All changes combined to the safer one: the earliest return, every technique line, alternation if any asks."""
        changes = [rule.change for rule in self._active(Effect.CHANGE) if rule.change is not None]
        returns = [change.return_days_at_most for change in changes if change.return_days_at_most is not None]
        earliest = min(returns, default=None)
        asking = [change for change in changes if change.return_wording and change.return_days_at_most == earliest]
        soonest = min((each.return_days_at_least for each in asking if each.return_days_at_least), default=None)
        return Change(
            return_days_at_most=earliest,
            return_days_at_least=soonest,
            return_wording=next((change.return_wording for change in asking), None),
            technique=tuple(dict.fromkeys(line for change in changes for line in change.technique)),
            alternate_ears=any(change.alternate_ears for change in changes),
        )


def acting(pack: Pack, facts: Facts, side: Side, visit: Visit) -> Acting:
    """The rules of the pack that act on this ear, with the clinician's overrulings taken in (lawful ones only)."""
    rules = tuple(rule for _, rule in sorted(pack.rules.items()) if holds(rule.when, facts))
    may = {rule.id for rule in rules if rule.overrule is Overrulable.WITH_REASON}
    overruled = {made.rule: made.reason for made in visit.overrules if made.side is side and made.rule in may}
    return Acting(rules=rules, overruled=overruled)


def unite(steps: tuple[tuple[str, StepSpec], ...]) -> tuple[StepSpec, ...]:
    """One step per id from (origin, step) pairs, in the order first met.

    Raises ContradictionError, naming both origins, when one id comes with two different contents.
    """
    kept: dict[str, tuple[str, StepSpec]] = {}
    for origin, step in steps:
        first = kept.setdefault(step.id, (origin, step))
        if first[1] != step:
            raise ContradictionError(first[0], origin, f"step {step.id} is asked for in two different ways")
    return tuple(step for _, step in kept.values())
