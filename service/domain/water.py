"""How to keep each ear dry: the clinic's choice per situation, and the stricter where several apply."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

from service.domain.pack import ClinicChoices, Pack, StepKind, WaterOption, WaterSituation
from service.domain.plan import Because, Phrase, Step
from service.domain.rules import Facts, codes_behind, holds
from service.domain.visit import Ears, Side
from service.errors import SettingsError

HOW = "water.how"
"""The id of the step that says how to keep an ear dry."""


def chosen(situation: WaterSituation, choices: ClinicChoices) -> WaterOption:
    """The clinic's option for this situation, or the content's cautious default. Raises SettingsError if unknown."""
    wanted = choices.water.get(situation.id, situation.default)
    for option in situation.options:
        if option.id == wanted:
            return option
    allowed = ", ".join(option.id for option in situation.options)
    raise SettingsError(f"clinic.water.{situation.id}: {wanted!r} is not on offer; allowed: {allowed}")


def steps(pack: Pack, choices: ClinicChoices, facts: Mapping[Side, Facts], on: date) -> tuple[Step, ...]:
    """The keep-dry steps of all ears: how long each is kept dry, and once an ear how that is done.

    In one ear an option is left out when another is at least as strict and lasts as long. An option without a limit
    is left out when the other ear has one that lasts as long: a head goes under water with both its ears.
    """
    kept = {side: _of_ear(pack, choices, each) for side, each in facts.items()}
    found: list[Step] = []
    for side, options in kept.items():
        other_ear = [option for _, option in kept.get(side.other, ())]
        said = [
            (situation, option)
            for situation, option in options
            if option.strictness > 0 or not any(_covers(other, option, earlier=False) for other in other_ear)
        ]
        found += [_step(situation, option, facts[side], side, on) for situation, option in said]
        found += _how([(situation, option) for situation, option in said if option.method], facts[side], side)
    return tuple(found)


def _of_ear(pack: Pack, choices: ClinicChoices, facts: Facts) -> tuple[tuple[WaterSituation, WaterOption], ...]:
    found = [
        (situation, chosen(situation, choices)) for situation in pack.water.values() if holds(situation.when, facts)
    ]
    return tuple(
        (situation, option)
        for number, (situation, option) in enumerate(found)
        if not any(
            _covers(other, option, earlier=place < number) for place, (_, other) in enumerate(found) if place != number
        )
    )


def _covers(other: WaterOption, option: WaterOption, *, earlier: bool) -> bool:
    """Whether `other` makes `option` needless; of two equals the earlier one stays."""
    lasts = other.days is None or (option.days is not None and other.days >= option.days)
    equal = (other.strictness, other.days) == (option.strictness, option.days)
    return other.strictness >= option.strictness and lasts and (earlier or not equal)


def _step(situation: WaterSituation, option: WaterOption, facts: Facts, side: Side, on: date) -> Step:
    ears = Ears.of([side])
    values: dict[str, int | str | tuple[str, ...]] = {}
    if option.days is not None:
        values = {"days": option.days, "until": (on + timedelta(days=option.days)).isoformat()}
    return Step(
        id=f"water.{option.id}",
        kind=StepKind.KEEP_DRY,
        ears=ears,
        phrases=tuple(Phrase(wording=unit, ears=ears, values=values) for unit in option.wording),
        picture="keep-dry" if option.strictness else "swimming-ok",
        because=(_because(situation, option, facts),),
    )


def _how(asking: list[tuple[WaterSituation, WaterOption]], facts: Facts, side: Side) -> list[Step]:
    """The step that says how this ear is kept dry; none where nothing asks for it."""
    units = dict.fromkeys(unit for _, option in asking for unit in option.method)
    if not units:
        return []
    ears = Ears.of([side])
    return [
        Step(
            id=HOW,
            kind=StepKind.KEEP_DRY,
            ears=ears,
            phrases=tuple(Phrase(wording=unit, ears=ears) for unit in units),
            picture="keep-dry",
            because=tuple(_because(situation, option, facts) for situation, option in asking),
        )
    ]


def _because(situation: WaterSituation, option: WaterOption, facts: Facts) -> Because:
    return Because(
        origin=f"water:{situation.id}",
        codes=codes_behind(situation.when, facts),
        sources=option.sources,
        note=f"{situation.label}: {option.label}",
    )
