"""Is this visit something that a plan can be made from? Every 'no' names the field and what is allowed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches

from service.domain.pack import Code, Overrulable, Pack
from service.domain.visit import EarChoice, Side, Visit
from service.errors import VisitError


def check_visit(visit: Visit, pack: Pack) -> None:
    """Raise VisitError for the first thing in the visit that the pack does not know or that excludes another."""
    if not visit.right.findings and not visit.left.findings:
        raise VisitError(
            "right, left", "tick at least one finding in at least one ear (an ear not looked at stays empty)"
        )
    for side in Side:
        ear = visit.ear(side)
        _known(f"{side}.findings", ear.findings, pack.findings)
        _known(f"{side}.removed_by", ear.removed_by, pack.methods)
        _compatible(f"{side}.findings", ear.findings, pack.findings)
        if ear.removed_by and not ear.findings:
            raise VisitError(f"{side}.findings", "wax removal is ticked but no finding: tick what was seen in this ear")
        choice = visit.choice(side)
        if choice != EarChoice() and not ear.findings:
            raise VisitError(f"choices.{side}", f"the {side} ear has no finding: tick what was seen, or choose nothing")
        if choice.template is not None:
            _known(f"choices.{side}.template", [choice.template], pack.templates)
        if choice.agent is not None:
            _known(f"choices.{side}.agent", [choice.agent], pack.agents)
    if visit.next_appointment_time is not None and visit.next_appointment is None:
        raise VisitError("next_appointment", "there is a time without a date; give the date or leave out the time")
    _known("history", visit.history, pack.history)
    _compatible("history", visit.history, pack.history)
    for number, made in enumerate(visit.overrules):
        _known(f"overrules[{number}].rule", [made.rule], pack.rules)
        if pack.rules[made.rule].overrule is Overrulable.NEVER:
            raise VisitError(
                f"overrules[{number}].rule", f"{made.rule} cannot be set aside: {pack.rules[made.rule].why}"
            )


def _known(field: str, given: Iterable[str], allowed: Mapping[str, object]) -> None:
    for code in sorted(given):
        if code not in allowed:
            near = get_close_matches(code, allowed, n=1, cutoff=0.6)
            hint = f"did you mean {near[0]}?" if near else f"allowed: {', '.join(sorted(allowed))}"
            raise VisitError(field, f"{code!r} is not known; {hint}")


def _compatible(field: str, ticked: frozenset[str], codes: Mapping[str, Code]) -> None:
    for code in sorted(ticked):
        clash = sorted(codes[code].excludes & ticked)
        if clash:
            raise VisitError(field, f"{code} and {clash[0]} cannot both be true of one ear or person: untick one")
