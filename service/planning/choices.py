"""The clinic's choices among what content offers: are they possible, how do they differ, and who saved them?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from service import codec
from service.domain.pack import ClinicChoices, Pack, Purpose, WaterSituation
from service.domain.rules import Facts, holds
from service.errors import NotAllowedError, SettingsError
from service.services import Services
from service.storage.clinic_choices import CLINIC_CHOICES, ChoicesInForce, choices_in


class Kind(StrEnum):
    """What a choice is about."""

    TEMPLATE = "template"
    AGENTS = "agents"
    REGIMEN = "regimen"
    WATER = "water"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceChange:
    """One choice that differs: its id among its kind, its name, and what was and would be chosen, in words.

    `less_cautious`: content orders the two (water options by strictness), and the new one is the less cautious.
    """

    kind: Kind
    id: str
    name: str
    before: str
    after: str
    less_cautious: bool = False


def check_choices(choices: ClinicChoices, pack: Pack) -> tuple[str, ...]:
    """One sentence for each choice that content does not offer; empty when all of them are possible."""
    return (
        *_wrong_templates(choices, pack),
        *_wrong_agents(choices, pack),
        *_wrong_regimens(choices, pack),
        *_wrong_water(choices, pack),
    )


def _wrong_templates(choices: ClinicChoices, pack: Pack) -> Iterator[str]:
    for name in sorted(choices.templates_off - set(pack.templates)):
        yield f"Templates: {name!r} is not in the content; choose among {_listed(pack.templates)}."
    if not set(pack.templates) - choices.templates_off:
        yield "Templates: every one is switched off; leave at least one on, or no visit can end in a plan."


def _wrong_agents(choices: ClinicChoices, pack: Pack) -> Iterator[str]:
    for name in sorted(set(choices.agents) - set(pack.agents)):
        yield f"Agents: {name!r} is not in the content; choose among {_listed(pack.agents)}."
    for name, times in Counter(choices.agents).items():
        if times > 1:
            yield f"Agents: {_agent(name, pack)} is named {times} times; name it once."
    if set(choices.agents) - set(pack.agents):
        return  # which of them could soften or maintain is not known
    offered = [pack.agents[name] for name in choices.agents or pack.agents]
    for purpose in _asked_for(choices, pack):
        if not any(purpose in agent.regimens for agent in offered):
            able = [agent.label for agent in pack.agents.values() if purpose in agent.regimens]
            yield (
                f"Agents: none of those chosen has a regimen to {purpose}, which a template that is on asks for; "
                f"choose at least one of {', '.join(able)}."
            )


def _asked_for(choices: ClinicChoices, pack: Pack) -> list[Purpose]:
    asked = {
        step.purpose
        for template in pack.templates.values()
        if template.id not in choices.templates_off
        for step in template.steps
    }
    return [purpose for purpose in Purpose if purpose in asked]


def _wrong_regimens(choices: ClinicChoices, pack: Pack) -> Iterator[str]:
    settings = {
        f"{agent.id}/{purpose}": regimens
        for agent in pack.agents.values()
        for purpose, regimens in agent.regimens.items()
    }
    for setting, wanted in sorted(choices.regimens.items()):
        if setting not in settings:
            yield f"Regimens: {setting!r} is not in the content; choose among {_listed(settings)}."
        elif wanted not in {regimen.id for regimen in settings[setting]}:
            allowed = ", ".join(regimen.id for regimen in settings[setting])
            yield f"Regimens, {_setting(setting, pack)}: {wanted!r} is not on offer; choose among {allowed}."


def _wrong_water(choices: ClinicChoices, pack: Pack) -> Iterator[str]:
    for name, wanted in sorted(choices.water.items()):
        situation = pack.water.get(name)
        if situation is None:
            yield f"Water: {name!r} is not in the content; choose among {_listed(pack.water)}."
        elif wanted not in {option.id for option in situation.options}:
            allowed = ", ".join(option.id for option in situation.options)
            yield f"Water, {situation.label}: {wanted!r} is not on offer; choose among {allowed}."


def left_without(choices: ClinicChoices, pack: Pack) -> tuple[str, ...]:
    """The labels of findings that had a template of their own and, with those switched off, have none."""
    found = []
    for code in pack.findings.values():
        nothing: frozenset[str] = frozenset()
        facts = Facts(ear=frozenset({code.id}), other_ear=nothing, person=nothing, removed_by=nothing, age=None)
        fitting = {template.id for template in pack.templates.values() if holds(template.when, facts)}
        if fitting and fitting <= choices.templates_off:
            found.append(code.label)
    return tuple(found)


def less_cautious(situation: WaterSituation, option_id: str) -> bool:
    """Whether this option is less cautious than the content's default, which is its most cautious one."""
    strictness = {option.id: option.strictness for option in situation.options}
    return strictness[option_id] < strictness[situation.default]


def plain(choices: ClinicChoices, pack: Pack) -> ClinicChoices:
    """The same choices, without those that only repeat the content's default: they follow the content."""
    defaults = {
        f"{agent.id}/{purpose}": regimens[0].id
        for agent in pack.agents.values()
        for purpose, regimens in agent.regimens.items()
    }
    return ClinicChoices(
        agents=() if choices.agents == tuple(pack.agents) else choices.agents,
        regimens={name: wanted for name, wanted in choices.regimens.items() if defaults.get(name) != wanted},
        water={
            name: wanted
            for name, wanted in choices.water.items()
            if name not in pack.water or pack.water[name].default != wanted
        },
        templates_off=choices.templates_off,
    )


def choice_changes(before: ClinicChoices, after: ClinicChoices, pack: Pack) -> tuple[ChoiceChange, ...]:
    """What is chosen differently, in the order of the content."""
    return (
        *_template_changes(before, after, pack),
        *_dose_changes(before, after, pack),
        *_water_changes(before, after, pack),
    )


def _template_changes(before: ClinicChoices, after: ClinicChoices, pack: Pack) -> Iterator[ChoiceChange]:
    for name in sorted(before.templates_off ^ after.templates_off, key=lambda name: _place(name, pack)):
        label = pack.templates[name].label if name in pack.templates else name
        was, would = ("off", "on") if name in before.templates_off else ("on", "off")
        yield ChoiceChange(kind=Kind.TEMPLATE, id=name, name=label, before=was, after=would)


def _dose_changes(before: ClinicChoices, after: ClinicChoices, pack: Pack) -> Iterator[ChoiceChange]:
    was, would = (choices.agents or tuple(pack.agents) for choices in (before, after))
    if was != would:
        labels = (", ".join(_agent(name, pack) for name in names) for names in (was, would))
        yield ChoiceChange(kind=Kind.AGENTS, id="agents", name="Order", before=next(labels), after=next(labels))
    for agent in pack.agents.values():
        for purpose, regimens in agent.regimens.items():
            setting, labels_of = f"{agent.id}/{purpose}", {regimen.id: regimen.label for regimen in regimens}
            first, second = (choices.regimens.get(setting, regimens[0].id) for choices in (before, after))
            if first != second:
                yield ChoiceChange(
                    kind=Kind.REGIMEN,
                    id=setting,
                    name=_setting(setting, pack),
                    before=labels_of.get(first, first),
                    after=labels_of.get(second, second),
                )


def _water_changes(before: ClinicChoices, after: ClinicChoices, pack: Pack) -> Iterator[ChoiceChange]:
    for situation in pack.water.values():
        options = {option.id: option for option in situation.options}
        was, would = (choices.water.get(situation.id, situation.default) for choices in (before, after))
        if was == would:
            continue
        known = was in options and would in options
        yield ChoiceChange(
            kind=Kind.WATER,
            id=situation.id,
            name=situation.label,
            before=options[was].label if was in options else was,
            after=options[would].label if would in options else would,
            less_cautious=known and options[would].strictness < options[was].strictness,
        )


def save_choices(services: Services, choices: ClinicChoices, *, seen: int, by: str) -> ChoicesInForce:
    """Make these the clinic's choices from the next plan on; plans that were given stay as they are.

    `seen` is the revision that `by` was looking at: if somebody saved another one meanwhile nothing is stored and
    NotAllowedError says who. Raises SettingsError with a sentence for each choice that content does not offer.
    """
    if not by.strip():
        raise NotAllowedError("saved by: give the full name of the person who decides")
    wrong = check_choices(choices, services.pack)
    if wrong:
        raise SettingsError(" ".join(wrong))
    choices, now = plain(choices, services.pack), services.clock.now()
    with services.open_work() as work:
        document = work.ledger.fact(CLINIC_CHOICES)
        present = choices_in(document, services.choices)
        if present.revision != seen:
            raise NotAllowedError(f"{present.by} saved other choices meanwhile: look at them, then save yours")
        saved = ChoicesInForce(choices=choices, revision=present.revision + 1, by=by, at=now)
        if not work.ledger.swap_fact(CLINIC_CHOICES, document, codec.dump(saved)):
            raise NotAllowedError("somebody saved other choices at this moment: look at them, then save yours")
        changed = [f"{each.kind}:{each.id}" for each in choice_changes(present.choices, choices, services.pack)]
        before, after = codec.to_plain(present.choices), codec.to_plain(choices)
        work.ledger.note(
            by,
            "choices-changed",
            CLINIC_CHOICES,
            now,
            revision=saved.revision,
            changed=changed,
            before=before,
            after=after,
        )
        work.commit()
    return saved


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names)


def _place(name: str, pack: Pack) -> tuple[int, str]:
    names = list(pack.templates)
    return (names.index(name) if name in pack.templates else len(names), name)


def _agent(name: str, pack: Pack) -> str:
    return pack.agents[name].label if name in pack.agents else name


def _setting(setting: str, pack: Pack) -> str:
    name, _, purpose = setting.partition("/")
    return f"{_agent(name, pack)} to {purpose}"
