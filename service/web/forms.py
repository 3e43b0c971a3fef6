"""From the discharge form to a visit: what was ticked and typed, kept as it was, and read into domain values.

Pure: it knows a form as names with values, no request. Whatever a form holds, only VisitError comes out.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, time
from typing import Protocol

from service.domain.pack import Pack
from service.domain.visit import Ear, EarChoice, Overrule, Side, Visit
from service.errors import VisitError
from service.planning.appointments import FARTHEST

LONGEST_REASON = 500
"""Characters of an overruling's reason. Our choice: a few sentences, not a letter."""
_KEY = re.compile(r"[0-9a-f]{32}")


class Form(Protocol):
    """Names with any number of values each, such as a submitted web form."""

    def get(self, key: str, /) -> str | None:
        """The first value of a name."""
        ...

    def getlist(self, key: str, /) -> list[str]:
        """Every value of a name."""
        ...

    def __contains__(self, key: object, /) -> bool:
        """Whether the name was sent."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class EarForm:
    """One ear's part of the form, as it was sent. `reasons` holds the typed reason of each rule."""

    findings: frozenset[str] = frozenset()
    removed_by: frozenset[str] = frozenset()
    template: str = ""
    agent: str = ""
    return_days: str = ""
    set_aside: frozenset[str] = frozenset()
    reasons: Mapping[str, str] = field(default_factory=dict)
    seen: str = ""

    @property
    def ticks(self) -> str:
        """What the choices for this ear were made for; when it changes, they are made anew."""
        return "+".join(sorted(self.findings | self.removed_by))


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitForm:
    """The whole form, as it was sent: shown again unchanged after a refusal."""

    ears: Mapping[Side, EarForm] = field(default_factory=lambda: {side: EarForm() for side in Side})
    history: frozenset[str] = frozenset()
    next_appointment: str = ""
    next_appointment_time: str = ""
    previewed: str = ""

    @property
    def outdated(self) -> tuple[Side, ...]:
        """The ears whose ticks changed after choices were made for them: those choices no longer count."""
        return tuple(
            side
            for side, ear in self.ears.items()
            if ear.seen and ear.seen != ear.ticks and (ear.template or ear.agent or ear.return_days or ear.set_aside)
        )


def read_form(form: Form, rules: frozenset[str]) -> VisitForm:
    """What was sent. `rules` are the rule ids for which a reason may be typed. Never raises."""
    return VisitForm(
        ears={side: _read_ear(form, side, rules) for side in Side},
        history=_codes(form, "history"),
        next_appointment=_text(form, "next_appointment"),
        next_appointment_time=_text(form, "next_appointment_time"),
        previewed=_text(form, "previewed"),
    )


def _read_ear(form: Form, side: Side, rules: frozenset[str]) -> EarForm:
    set_aside = _codes(form, f"{side}.set-aside")
    reasons = {rule: _text(form, f"{side}.reason.{rule}") for rule in sorted(rules)}
    return EarForm(
        findings=_codes(form, f"{side}.findings"),
        removed_by=_codes(form, f"{side}.removed_by"),
        template=_text(form, f"{side}.template"),
        agent=_text(form, f"{side}.agent"),
        return_days=_text(form, f"{side}.return_days"),
        set_aside=set_aside,
        reasons={rule: reason for rule, reason in reasons.items() if reason},
        seen=_text(form, f"{side}.seen"),
    )


def _codes(form: Form, name: str) -> frozenset[str]:
    return frozenset(value for value in map(_plain, form.getlist(name)) if value)


def _text(form: Form, name: str) -> str:
    return _plain(form.get(name) or "")


def _plain(value: str) -> str:
    """Without control characters and lone surrogates, which no database column takes."""
    return "".join(char for char in value if char.isprintable() or char == " ").strip()


def taken(form: VisitForm, pressed: str) -> VisitForm:
    """The form after a press on "take it" beside a proposed interval: `pressed` is take:<side>:<days>."""
    found = re.fullmatch(r"take:(right|left):([0-9]{1,3})", pressed)
    if found is None:
        return form
    side = Side(found[1])
    return replace(form, ears={**form.ears, side: replace(form.ears[side], return_days=found[2])})


def visit_of(form: VisitForm, *, on: date, born: date | None) -> Visit:
    """The visit that the form describes. Codes are checked against the content when the plan is built.

    Choices and overrulings of an ear whose ticks changed since are left out (`VisitForm.outdated`).
    Raises VisitError: a number, date or time that cannot be read, or an overruling without a reason.
    """
    outdated = form.outdated
    appointment = _appointment(form, on)
    choices, overrules = {}, []
    for side, ear in form.ears.items():
        if side in outdated:
            continue
        choice = _choice(side, ear)
        if choice != EarChoice():
            choices[side] = choice
        overrules += _overrules(side, ear)
    if born is not None and born > on:
        raise VisitError("born", "the date of birth lies after this visit; correct it in the person's record")
    return Visit(
        on=on,
        right=_ear(form.ears[Side.RIGHT]),
        left=_ear(form.ears[Side.LEFT]),
        born=born,
        history=form.history,
        choices=choices,
        overrules=tuple(overrules),
        next_appointment=appointment[0] if appointment else None,
        next_appointment_time=appointment[1] if appointment else None,
    )


def _ear(form: EarForm) -> Ear:
    return Ear(findings=form.findings, removed_by=form.removed_by)


def _choice(side: Side, ear: EarForm) -> EarChoice:
    days = None
    if ear.return_days:
        if not re.fullmatch(r"[0-9]{1,3}", ear.return_days) or not 1 <= int(ear.return_days) <= 730:
            raise VisitError(f"choices.{side}.return_days", "give whole days from 1 to 730, or leave it empty")
        days = int(ear.return_days)
    return EarChoice(template=ear.template or None, agent=ear.agent or None, return_days=days)


def _overrules(side: Side, ear: EarForm) -> list[Overrule]:
    for rule in sorted(ear.reasons.keys() - ear.set_aside):
        raise VisitError(
            f"overrules.{side}.{rule}", "a reason is typed but the box is not ticked: tick it, or clear the reason"
        )
    made = []
    for rule in sorted(ear.set_aside):
        reason = ear.reasons.get(rule, "")
        if not reason:
            raise VisitError(f"overrules.{side}.{rule}", "to set this aside, say why this person is an exception")
        if len(reason) > LONGEST_REASON:
            raise VisitError(
                f"overrules.{side}.{rule}", f"the reason may have up to {LONGEST_REASON} characters; shorten it"
            )
        made.append(Overrule(rule=rule, side=side, reason=reason))
    return made


def _appointment(form: VisitForm, on: date) -> tuple[date, time | None] | None:
    if not form.next_appointment:
        if form.next_appointment_time:
            raise VisitError("next_appointment", "there is a time without a date; give the date or clear the time")
        return None
    try:
        day = date.fromisoformat(form.next_appointment)
    except ValueError:
        raise VisitError("next_appointment", "give the date as year-month-day, such as 2026-11-25") from None
    if not on < day <= on + FARTHEST:
        raise VisitError("next_appointment", "the appointment must be after today and within two years")
    if not form.next_appointment_time:
        return day, None
    at = clock_time(form.next_appointment_time)
    if at is None:
        raise VisitError("next_appointment_time", "give the time as hours:minutes, such as 14:30")
    return day, at


def clock_time(text: str) -> time | None:
    """A time of day as browsers send it ("14:30", perhaps with seconds, which are let go); None for anything else."""
    if not re.fullmatch(r"[0-9]{2}:[0-9]{2}(:[0-9]{2})?", text):
        return None
    try:
        return time.fromisoformat(text).replace(second=0)
    except ValueError:
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class BookingForm:
    """The form about the appointment of one plan, as it was sent, with the sentence about what cannot be used."""

    plan: str
    on: str = ""
    at: str = ""
    errors: Mapping[str, str] = field(default_factory=dict)
    appointment: tuple[date, time] | None = None


def read_booking(form: Form, plan: str) -> BookingForm:
    """Read date ("on") and time ("at") of an appointment; without both, `appointment` is None. Never raises."""
    on, at = _text(form, "on"), _text(form, "at")
    errors: dict[str, str] = {}
    day, moment = None, clock_time(at)
    try:
        day = date.fromisoformat(on)
    except ValueError:
        errors["on"] = "Give the date as year-month-day, such as 2026-11-25." if on else "Give the date too."
    if moment is None:
        errors["at"] = "Give the time as hours:minutes, such as 14:30." if at else "Give the time too."
    if not on and not at:
        errors = {"on": "Give the date and the time of the appointment."}
    appointment = (day, moment) if day is not None and moment is not None else None
    return BookingForm(plan=plan, on=on, at=at, errors=errors, appointment=appointment)


def read_key(form: Form) -> str | None:
    """The random key that the server wrote into a form; None when there is none or it is not one of ours."""
    key = _text(form, "request")
    return key if _KEY.fullmatch(key) else None


_CODE = re.compile(r"'?(?<![\w.-])([a-z0-9]+(?:-[a-z0-9]+)*)(?![\w-])'?")
_FIELDS = {
    "right.findings": "Right ear",
    "left.findings": "Left ear",
    "right.removed_by": "Right ear, how wax was removed",
    "left.removed_by": "Left ear, how wax was removed",
    "right, left": "Ears",
    "history": "History",
    "next_appointment": "Next appointment",
    "next_appointment_time": "Time of the next appointment",
    "born": "Date of birth",
    "template": "aftercare",
    "agent": "what to put in",
    "return_days": "days until the return",
}


def explain(error: VisitError, pack: Pack) -> str:
    """The error in the words of the form: labels in place of fields and codes."""
    place, message = error.field, str(error).removeprefix(f"{error.field}: ")
    label = _FIELDS.get(place)
    parts = place.split(".")
    if label is None and parts[0] == "choices" and len(parts) == 3:
        label = f"{parts[1].capitalize()} ear, {_FIELDS.get(parts[2], parts[2])}"
    elif label is None and parts[0] == "overrules" and len(parts) == 3:
        rule = pack.rules.get(parts[2])
        label = f"{parts[1].capitalize()} ear, “{rule.why if rule else parts[2]}”"
    # Codes of two tables may be spelled alike: where a choice is refused its templates speak, elsewhere the boxes.
    boxes = (pack.methods, pack.history, pack.findings)
    tables = (*boxes, pack.agents, pack.templates) if parts[0] == "choices" else (pack.templates, pack.agents, *boxes)
    labels = {
        code: value.label
        for table in tables
        for code, value in table.items()
        if "-" in code  # a one-word code such as "normal" is also an ordinary word
    }
    said = _CODE.sub(lambda found: f"“{labels[found[1]]}”" if found[1] in labels else found[0], message)
    return f"{label or place}: {said}"
