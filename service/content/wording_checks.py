"""Can every sentence be said where the content says it? Checks of the wording units and of the values they hold."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from service.content.mentions import all_steps
from service.content.places import KeyPath
from service.domain.pack import EASY, Pack, Wording
from service.domain.placeholders import PLACEHOLDERS, Kind

Found = Iterator[tuple[KeyPath, str]]

# What a step, an expected sign, a return and a water option can count: the values that the engine puts in.
_STEP_VALUES = frozenset({"days", "hours", "minutes"})
_RETURN_VALUES = frozenset({"date", "days", "weeks", "months"})
_EXPECTED_VALUES = frozenset({"hours", "days"})
# What the clinic itself fills in, wherever it is said.
_CLINIC_VALUES = frozenset({"clinic", "phone", "email", "text_number", "ways", "emergency", "urgent_line"})


_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_STRAY_BRACE = re.compile(r"[{}]")


def unit_faults(pack: Pack) -> Found:
    """Faults inside single units: unknown, uneven or broken placeholders, empty sentences."""
    for unit in pack.wording.values():
        sets: dict[str, frozenset[str]] = {}
        for form, forms in unit.forms.items():
            for number, text in (("one", forms.one), ("other", forms.other)):
                if text is None:
                    continue
                path = ("wording", unit.id, "forms", form)
                yield from ((path, message) for message in _text_faults(text, number))
                sets[f"{form}.{number}"] = frozenset(_PLACEHOLDER.findall(text))
        yield from _same_placeholders(unit, sets)


def _text_faults(text: str, number: str) -> Iterator[str]:
    if not text.strip():
        yield f"{number} is empty; write the sentence or take the unit out"
    for name in _PLACEHOLDER.findall(text):
        if name not in PLACEHOLDERS:
            yield f"{number} holds {{{name}}}, which is not a placeholder; known: {', '.join(sorted(PLACEHOLDERS))}"
    if _STRAY_BRACE.search(_PLACEHOLDER.sub("", text)):
        yield f"{number} has a brace without its partner; write placeholders as {{drops}}"


def _same_placeholders(unit: Wording, sets: Mapping[str, frozenset[str]]) -> Found:
    path: KeyPath = ("wording", unit.id)
    expected = next(found for form, found in sets.items() if form.endswith(".other"))
    counted = frozenset({unit.count} if unit.count is not None else ())
    for form, found in sets.items():
        given = found | counted if form.endswith(".one") else found
        if given != expected:
            differ = ", ".join(f"{{{name}}}" for name in sorted(given ^ expected))
            yield (
                (*path, "forms", form.partition(".")[0]),
                f"all forms need the same placeholders; {differ} is not in all",
            )
    if unit.count is not None:
        if PLACEHOLDERS.get(unit.count) is not Kind.NUMBER:
            yield (*path, "count"), f"{unit.count!r} is not a placeholder for a number"
        elif unit.count not in expected:
            yield (*path, "count"), f"the form other must hold {{{unit.count}}}"


def easy_faults(pack: Pack) -> Found:
    """A simpler form says what its unit says: the same ears, the same count, the same values, and as safely."""
    for unit in pack.wording.values():
        base_id, simpler, _ = unit.id.partition(EASY)
        if not simpler:
            continue
        path: KeyPath = ("wording", unit.id)
        base = pack.wording.get(base_id)
        if base is None:
            yield path, f"it is the simpler form of {base_id!r}, which is in no file of wording/"
        elif set(unit.forms) != set(base.forms) or unit.count != base.count:
            yield path, f"it needs the same forms and the same count as {base_id!r}"
        elif unit.safety != base.safety:
            yield path, f"safety must be the same as of {base_id!r}"
        elif _asked(unit) != _asked(base):
            yield path, f"it needs the same placeholders as {base_id!r}"


def _asked(unit: Wording) -> frozenset[str]:
    return frozenset(name for forms in unit.forms.values() for name in _PLACEHOLDER.findall(forms.other))


def value_faults(pack: Pack) -> Found:
    """A unit holds only what will be put in where it is said; otherwise the plan could not be spoken."""
    for path, step in all_steps(pack):
        given = frozenset(name for name in _STEP_VALUES if getattr(step, name) is not None)
        for unit in step.wording:
            yield from _unfilled(pack, (*path, "wording"), unit, given)
    for template in pack.templates.values():
        if template.return_wording is not None:
            yield from _unfilled(
                pack, ("template", template.id, "return_wording"), template.return_wording, _RETURN_VALUES
            )
    for rule in pack.rules.values():
        for unit in rule.change.technique if rule.change is not None else ():
            yield from _unfilled(pack, ("rule", rule.id, "change", "technique"), unit, frozenset())
        if rule.change is not None and rule.change.return_wording is not None:
            asked = rule.change.return_wording
            yield from _unfilled(pack, ("rule", rule.id, "change", "return_wording"), asked, _RETURN_VALUES)
    for agent in pack.agents.values():
        for unit in agent.use:
            yield from _unfilled(pack, ("agent", agent.id, "use"), unit, frozenset())
    for sign in pack.expected.values():
        yield from _unfilled(pack, ("expected", sign.id, "wording"), sign.wording, _EXPECTED_VALUES)
        yield from _any_form(pack, ("expected", sign.id, "wording"), sign.wording)
    for warning in pack.warnings.values():
        yield from _unfilled(pack, ("warning", warning.id, "wording"), warning.wording, frozenset())
        yield from _any_form(pack, ("warning", warning.id, "wording"), warning.wording)
    for advice in pack.urgent.values():
        for unit in advice.wording:
            yield from _unfilled(pack, ("urgent", advice.id, "wording"), unit, frozenset())
            yield from _any_form(pack, ("urgent", advice.id, "wording"), unit)
    for question in pack.questions.values():
        for unit in (question.ask, *question.answer):
            yield from _unfilled(pack, ("question", question.id, "answer"), unit, _CLINIC_VALUES)
            yield from _any_form(pack, ("question", question.id, "answer"), unit)
    for situation in pack.water.values():
        for number, option in enumerate(situation.options):
            given = frozenset({"days", "until"} if option.days is not None else ())
            for unit in option.wording:
                yield from _unfilled(pack, ("water", situation.id, "options", number, "wording"), unit, given)
            for unit in option.method:
                yield from _unfilled(pack, ("water", situation.id, "options", number, "method"), unit, frozenset())


def _unfilled(pack: Pack, path: KeyPath, unit: str, given: frozenset[str]) -> Found:
    wording = pack.wording.get(unit)
    if wording is None:
        return
    asked = {name for forms in wording.forms.values() for name in _PLACEHOLDER.findall(forms.other)}
    for name in sorted(asked - given):
        yield path, f"{unit!r} holds {{{name}}}, but no value for it is given here"


def _any_form(pack: Pack, path: KeyPath, unit: str) -> Found:
    wording = pack.wording.get(unit)
    if wording is not None and "any" not in wording.forms:
        yield path, f"{unit!r} speaks of one ear; a sentence said of the whole person needs the form any"
