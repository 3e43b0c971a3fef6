"""The form of the clinic's values for recalls: as typed, and as what it means."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date
from urllib.parse import urlsplit

from werkzeug.datastructures import MultiDict

from service.domain.recall import monday
from service.domain.recall_settings import RecallSettings
from service.web.shown import sentence_of

LONGEST_REASON = 500
"""Characters of the reason of a decision. Our choice."""
LONGEST_ADDRESS = 500
"""Characters of the address of a booking page. Our choice."""
OVERTAKEN = (
    "Somebody else saved other values while this page was open: they stand beside yours. Save again to set yours."
)
MOST_WEEKS = 104
"""Single weeks with a capacity of their own. Our choice."""


NAMED = {
    "weekly": "Visits in a week",
    "weeks": "Single weeks",
    "chance": "The chance",
    "second": "Days to the second invitation",
    "last": "Days to the last invitation",
    "give_up": "Days until a person decides",
    "booking": "The booking page",
}
"""What the page calls its fields: a label begins with these words, and so does what is said of a mistake."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """What is wrong, in one sentence, and in which field. An empty field means the form as a whole, "revision" that
    somebody else saved meanwhile."""

    field: str = ""
    said: str


def in_words_of_the_form(refused: str) -> Mistake:
    """What the settings themselves refuse ("second_after_days: between ..."), as the page says it."""
    name, colon, allowed = refused.partition(": ")
    field = name.removesuffix("_after_days")
    if not colon or field not in NAMED:
        return Mistake(said=sentence_of(refused))
    return Mistake(field=field, said=sentence_of(f"{NAMED[field]}: {allowed}"))


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsForm:
    """What stands in the fields. `weeks` is one line for each week: its day and its visits."""

    revision: str = "0"
    weekly: str = ""
    weeks: str = ""
    chance: str = ""
    second: str = ""
    last: str = ""
    give_up: str = ""
    booking: str = ""

    @classmethod
    def of(cls, settings: RecallSettings) -> SettingsForm:
        """The form that says these settings."""
        return cls(
            revision=str(settings.revision),
            weekly=str(settings.weekly),
            weeks="\n".join(f"{day} {visits}" for day, visits in sorted(settings.weeks.items())),
            chance=f"{settings.chance * 100:g}",
            second=str(settings.second_after_days),
            last=str(settings.last_after_days),
            give_up=str(settings.give_up_after_days),
            booking=settings.booking,
        )

    def beside(self, present: RecallSettings) -> tuple[SettingsForm, dict[str, str]]:
        """What was typed here, to be saved in place of the present settings; and by field what those say otherwise."""
        theirs = SettingsForm.of(present)
        other = {name: getattr(theirs, name) for name in NAMED if getattr(theirs, name) != getattr(self, name)}
        return replace(self, revision=theirs.revision), other

    @classmethod
    def typed(cls, form: MultiDict[str, str]) -> SettingsForm:
        """The form as somebody typed it."""
        return cls(**{field.name: form.get(field.name, "").strip()[:5000] for field in fields(cls)})


def read_settings(form: SettingsForm, present: RecallSettings) -> RecallSettings | Mistake:
    """The settings that the form asks for, or which field is wrong and what is allowed there."""
    numbers: dict[str, int] = {}
    for field in ("revision", "weekly", "second", "last", "give_up"):
        value = getattr(form, field)
        if not value.isdecimal() or len(value) > 9:
            said = f"{NAMED.get(field, 'The form')}: a whole number, without a sign."
            return Mistake(field=field if field in NAMED else "", said=said)
        numbers[field] = int(value)
    weeks = _weeks(form.weeks)
    if isinstance(weeks, str):
        return Mistake(field="weeks", said=weeks)
    try:
        chance = float(form.chance.replace(",", ".").removesuffix("%")) / 100
    except ValueError:
        return Mistake(field="chance", said="The chance: a number of percent, such as 20.")
    if form.booking and not _is_address(form.booking):
        said = f"its whole address, without spaces, up to {LONGEST_ADDRESS} characters, beginning https://."
        return Mistake(field="booking", said=f"The booking page: {said}")
    if numbers["revision"] != present.revision:
        return Mistake(field="revision", said=OVERTAKEN)
    return replace(
        present,
        weekly=numbers["weekly"],
        weeks=weeks,
        chance=chance,
        second_after_days=numbers["second"],
        last_after_days=numbers["last"],
        give_up_after_days=numbers["give_up"],
        booking=form.booking,
    )


def _is_address(text: str) -> bool:
    try:
        parts = urlsplit(text)
    except ValueError:
        return False
    plain = text.isprintable() and not any(each.isspace() for each in text) and len(text) <= LONGEST_ADDRESS
    return plain and parts.scheme == "https" and bool(parts.hostname)


def _weeks(text: str) -> dict[str, int] | str:
    found: dict[str, int] = {}
    for number, line in enumerate((each.strip() for each in text.splitlines()), start=1):
        if not line:
            continue
        words = line.split()
        try:
            day, visits = date.fromisoformat(words[0]), int(words[1])
        except (ValueError, IndexError):
            return f"Single weeks, line {number}: a day of the week and its visits, such as 2026-12-21 0."
        if len(words) > 2 or monday(day).isoformat() in found:
            return f"Single weeks, line {number}: one line for each week, with its day and its visits and nothing else."
        found[monday(day).isoformat()] = visits
    return found if len(found) <= MOST_WEEKS else f"Single weeks: at most {MOST_WEEKS}."
