"""When each ear should be looked at again, and how the two become as few visits as they may."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta
from itertools import groupby

from service.domain.pack import Effect, Template
from service.domain.plan import Because, Caution, Phrase, Return
from service.domain.rules import Acting, Facts, codes_behind, rule_because
from service.domain.visit import Ears, Side, Visit
from service.errors import VisitError


def ear_return(visit: Visit, side: Side, template: Template, rules: Acting, facts: Facts) -> Return | None:
    """When this ear is due, or None where neither its aftercare nor a rule asks for a return.

    A return that only a rule asks for is due on the rule's latest day, and not before its earliest one.
    Raises VisitError when the clinician set a day outside the bounds of the aftercare and of the rules.
    """
    change = rules.change
    cap, asked, soonest = change.return_days_at_most, change.return_wording, change.return_days_at_least
    wanted = visit.choice(side).return_days
    own = template.return_days is not None
    if template.return_days is not None and template.return_within is not None and template.return_wording is not None:
        usual, (low, high), wording = template.return_days, template.return_within, template.return_wording
    elif cap is not None and asked is not None and soonest is not None:
        usual, low, high, wording = cap, soonest, cap, asked
    elif wanted is not None:
        raise VisitError(f"choices.{side}.return_days", f"{template.id} has no return; choose another aftercare")
    else:
        return None
    if cap is not None:
        high, low = min(high, cap), min(low, cap)
    if wanted is not None and not low <= wanted <= high:
        raise VisitError(f"choices.{side}.return_days", f"{wanted} is outside {low} to {high} days for {template.id}")
    days = wanted if wanted is not None else min(usual, high)
    on = visit.on + timedelta(days=days)
    ears = Ears.of([side])
    because = []
    if own:
        because += [Because(origin=template.id, codes=codes_behind(template.when, facts), sources=template.sources)]
    because += [
        rule_because(rule, facts)
        for rule in rules.rules
        if rule.effect is Effect.CHANGE
        and rule.change is not None
        and rule.change.return_days_at_most == (days if own else cap)
    ]
    return Return(
        ears=ears,
        on=on,
        earliest=visit.on + timedelta(days=low),
        latest=visit.on + timedelta(days=high),
        phrases=(Phrase(wording=wording, ears=ears, values=_values(on, visit)),),
        because=tuple(because),
    )


def joined(visit: Visit, found: Iterable[Return | None]) -> tuple[Return, ...]:
    """When each ear is due, ears due on the same day together; the earliest first."""
    backs = sorted((back for back in found if back is not None), key=lambda back: back.on)
    # One visit at the earlier date, where the bounds allow it and the clinician did not set the day.
    set_by_hand = {side for side in Side if visit.choice(side).return_days is not None}
    backs = [
        back if set_by_hand & set(back.ears.sides) or backs[0].on < back.earliest else _moved(back, backs[0].on, visit)
        for back in backs
    ]
    together = []
    for _, same in groupby(backs, key=lambda back: (back.on, back.phrases[0].wording)):
        group = list(same)
        if len(group) == 1:
            together.append(group[0])
            continue
        together.append(
            replace(
                group[0],
                ears=Ears.BOTH,
                earliest=max(back.earliest for back in group),
                latest=min(back.latest for back in group),
                phrases=tuple(replace(phrase, ears=Ears.BOTH) for phrase in group[0].phrases),
                because=tuple(dict.fromkeys(because for back in group for because in back.because)),
            )
        )
    return tuple(together)


def _values(on: date, visit: Visit) -> dict[str, int | str | tuple[str, ...]]:
    days = (on - visit.on).days
    return {"date": on.isoformat(), "days": days, "weeks": round(days / 7), "months": round(days / 30.44)}


def _moved(back: Return, on: date, visit: Visit) -> Return:
    return replace(back, on=on, phrases=tuple(replace(phrase, values=_values(on, visit)) for phrase in back.phrases))


def booked_too_late(visit: Visit, returns: tuple[Return, ...]) -> tuple[Caution, ...]:
    """The booked visit comes after the last day on which an ear should be seen."""
    if visit.next_appointment is None:
        return ()
    return tuple(
        Caution(
            rule=back.because[0].origin,
            ears=back.ears,
            effect=Effect.WARN.value,
            why=f"The booked visit comes after {back.latest}, the last day for this ear: book an earlier one.",
            because=back.because[0],
            overrulable=False,
        )
        for back in returns
        if back.latest < visit.next_appointment
    )
