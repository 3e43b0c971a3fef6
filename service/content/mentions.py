"""Where does a pack mention steps, conditions, sources and wording units? Each mention comes with its key path."""

from __future__ import annotations

from collections.abc import Iterator

from service.content.places import KeyPath
from service.domain.pack import Condition, Pack, StepSpec


def all_steps(pack: Pack) -> Iterator[tuple[KeyPath, StepSpec]]:
    """Every step that a template suggests or a rule asks for."""
    for template in pack.templates.values():
        for number, step in enumerate(template.steps):
            yield ("template", template.id, "steps", number), step
    for rule in pack.rules.values():
        if rule.say is not None:
            yield ("rule", rule.id, "say"), rule.say


def named_steps(pack: Pack) -> Iterator[tuple[KeyPath, frozenset[str]]]:
    """Every set of step ids on which something depends."""
    for path, step in all_steps(pack):
        yield (*path, "steps_any"), step.steps_any
    for sign in pack.warnings.values():
        yield ("warning", sign.id, "steps_any"), sign.steps_any
        yield ("warning", sign.id, "steps_none"), sign.steps_none


def all_conditions(pack: Pack) -> Iterator[tuple[KeyPath, Condition]]:
    """Every condition of the pack."""
    parts = (("template", pack.templates), ("rule", pack.rules), ("expected", pack.expected), ("water", pack.water))
    for table, part in parts:
        for entry in part.values():
            yield (table, entry.id, "when"), entry.when
    for sign in pack.warnings.values():
        yield ("warning", sign.id, "when"), sign.when
        if sign.raise_when is not None:
            yield ("warning", sign.id, "raise_when"), sign.raise_when
    for question in pack.questions.values():
        yield ("question", question.id, "when"), question.when
        if question.unless is not None:
            yield ("question", question.id, "unless"), question.unless


def all_sources(pack: Pack) -> Iterator[tuple[KeyPath, tuple[str, ...]]]:
    """Every list of sources of the pack."""
    for agent in pack.agents.values():
        yield ("agent", agent.id, "sources"), agent.sources
        for purpose, regimens in agent.regimens.items():
            for number, regimen in enumerate(regimens):
                yield ("agent", agent.id, "regimens", purpose.value, number, "sources"), regimen.sources
    for situation in pack.water.values():
        for number, option in enumerate(situation.options):
            yield ("water", situation.id, "options", number, "sources"), option.sources
    yield ("timing", "sources"), pack.timing.sources
    yield ("recall", "sources"), pack.recall.sources
    parts = (
        ("template", pack.templates),
        ("rule", pack.rules),
        ("urgent", pack.urgent),
        ("warning", pack.warnings),
        ("expected", pack.expected),
        ("question", pack.questions),
    )
    for table, part in parts:
        for entry in part.values():
            yield (table, entry.id, "sources"), entry.sources


def said(pack: Pack) -> Iterator[tuple[KeyPath, str]]:
    """Every mention of a wording unit."""
    for path, step in all_steps(pack):
        for unit in step.wording:
            yield (*path, "wording"), unit
    for template in pack.templates.values():
        if template.return_wording is not None:
            yield ("template", template.id, "return_wording"), template.return_wording
    for rule in pack.rules.values():
        for unit in rule.change.technique if rule.change is not None else ():
            yield ("rule", rule.id, "change", "technique"), unit
        if rule.change is not None and rule.change.return_wording is not None:
            yield ("rule", rule.id, "change", "return_wording"), rule.change.return_wording
    for agent in pack.agents.values():
        yield ("agent", agent.id), f"agent.{agent.id}.name"
        for unit in agent.use:
            yield ("agent", agent.id, "use"), unit
    for advice in pack.urgent.values():
        for unit in advice.wording:
            yield ("urgent", advice.id, "wording"), unit
    for table, part in (("warning", pack.warnings), ("expected", pack.expected)):
        for entry in part.values():
            yield (table, entry.id, "wording"), entry.wording
    for situation in pack.water.values():
        for number, option in enumerate(situation.options):
            for name, units in (("wording", option.wording), ("method", option.method)):
                for unit in units:
                    yield ("water", situation.id, "options", number, name), unit
    for question in pack.questions.values():
        yield ("question", question.id, "ask"), question.ask
        for unit in question.answer:
            yield ("question", question.id, "answer"), unit
