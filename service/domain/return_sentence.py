"""One sentence for staff: why an ear is proposed to be due then, or why nothing is proposed."""

from __future__ import annotations

from service.domain.return_time import Lack, NotFitted, Proposal, TooLittle

_LACKING = {
    Lack.EARS: ("ear on record", "ears on record"),
    Lack.RETURNS: ("return of wax on record", "returns of wax on record"),
    Lack.VISITS: ("earlier visit of this ear", "earlier visits of this ear"),
    Lack.CLEARINGS: ("clearing of this ear that can be counted", "clearings of this ear that can be counted"),
}


def sentence(found: Proposal | TooLittle | NotFitted) -> str:
    """The reasoning behind a proposal, or the reason for none, in one plain sentence."""
    if isinstance(found, TooLittle):
        lacks = (f"{held} {_LACKING[lack][held != 1]}, {needed} needed" for lack, held, needed in found.lacks)
        return f"Too little data for an estimate: {'; '.join(lacks)}."
    if isinstance(found, NotFitted):
        return f"No estimate: the clinic's record could not be fitted ({found.why})."
    moved = f", {found.moved} than in ears like it" if found.moved else ""
    return f"By {found.ears} ears on record and this ear's own past ({_past(found)}{moved}), {_chance(found)}."


def span(days: int) -> str:
    """A number of days as people say it: days, weeks, or months of 30.44 days."""
    for unit, length, below in (("day", 1.0, 28), ("week", 7.0, 84)):
        if days < below:
            return _counted(round(days / length), unit)
    return _counted(round(days / 30.44), "month")


def _counted(number: int, unit: str) -> str:
    return f"{number} {unit}" if number == 1 else f"{number} {unit}s"


def _past(found: Proposal) -> str:
    number, back = found.own_gaps, found.own_returned
    if found.found_after is None:
        return (
            "wax not back so far after its one clearing"
            if number == 1
            else f"wax not back after any of {number} clearings"
        )
    if number == 1:
        which = "its one clearing"
    elif back == number:
        which = "both clearings" if number == 2 else f"all {number} clearings"
    else:
        which = f"{back} of {number} clearings"
    first, last = (span(days) for days in found.found_after)
    if first != last and first.split()[1] == last.split()[1]:
        first = first.split()[0]
    return f"wax back after {which}, found at {first if first == last else f'{first} to {last}'}"


def _chance(found: Proposal) -> str:
    level, chance = f"{round(found.level * 100, 1):g}%", f"about {round(found.chance * 100)}%"
    from_today = " from today" if found.clear_for else ""
    if not found.bound:
        return f"the chance of a hard plug stays under the clinic's {level} for about {span(found.days)}{from_today}"
    if found.chance < 0.005:
        chance = "under 1%"
    just = "just " if chance == f"about {level}" else ""
    side = "over" if found.bound == "earliest" else "under"
    at = f"{span(found.days)}{from_today}, the {found.bound} that this aftercare allows"
    return f"the chance of a hard plug at {at}, is {chance}, {just}{side} the clinic's {level}"
