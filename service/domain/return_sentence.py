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
        return f"No estimate: the clinic’s record could not be fitted ({found.why})."
    moved = f", {found.moved} than in ears like it" if found.moved else ""
    return f"By {found.ears} ears on record and this ear’s own past ({_past(found)}{moved}), {_chance(found)}."


def in_days(days: int) -> str:
    """A number of days, as the field beside it takes them: weeks and months would have to be rounded."""
    return f"{days} day" if days == 1 else f"{days} days"


def level_said(level: float) -> str:
    """The chance that the clinic allows (0 to 1), in percent."""
    return f"{round(level * 100, 1):g}%"


def chance_said(chance: float) -> str:
    """A chance that was computed (0 to 1), in whole percent."""
    return "under 1%" if chance < 0.005 else f"about {round(chance * 100)}%"


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
    first, last = found.found_after
    after = "it" if number == 1 else "each" if back > 1 else "that"
    when = in_days(last) if first == last else f"{first} to {in_days(last)}"
    return f"wax back after {which}, found {when} after {after}"


def _chance(found: Proposal) -> str:
    level, chance = level_said(found.level), chance_said(found.chance)
    from_today = " from today" if found.clear_for else ""
    if not found.bound:
        stays = f"stays under the clinic’s {level} for about {in_days(found.days)}{from_today}"
        return f"the chance of wax that needs removal {stays}"
    just = "just " if chance == f"about {level}" else ""
    side = "over" if found.bound == "earliest" else "under"
    at = f"{in_days(found.days)}{from_today}, the {found.bound} that this aftercare allows"
    return f"the chance of wax that needs removal at {at}, is {chance}, {just}{side} the clinic’s {level}"
