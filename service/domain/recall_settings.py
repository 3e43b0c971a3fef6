"""What the clinic sets for its recalls, in place of what content proposes; each value with its bounds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from service.domain.recall import Spacing, monday
from service.domain.recall_rules import RecallRules
from service.errors import SettingsError

MOST_A_WEEK = 100_000
"""Visits in a week; more is taken for a slip of the finger. Our choice."""
SPACING_DAYS = (3, 180)
"""The least and the most days between two invitations. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallSettings:
    """What holds now. `weekly` is the capacity of an ordinary week in visits, `weeks` that of single weeks by the ISO
    date of their Monday (0: closed). `chance`: the chance of wax that needs removal at which an ear should be seen.
    `booking` is the address of the clinic's booking page, empty where there is none. Revision 0 are the values of
    content."""

    weekly: int
    weeks: Mapping[str, int] = field(default_factory=dict)
    chance: float
    second_after_days: int
    last_after_days: int
    give_up_after_days: int
    booking: str = ""
    revision: int = 0

    @property
    def spacing(self) -> Spacing:
        """The days between invitations."""
        return Spacing(second=self.second_after_days, last=self.last_after_days, give_up=self.give_up_after_days)

    def capacity(self, week: date) -> int:
        """The visits for recalls in the week of this day."""
        return self.weeks.get(monday(week).isoformat(), self.weekly)


def proposed_by(rules: RecallRules) -> RecallSettings:
    """What holds until the clinic sets its own."""
    return RecallSettings(
        weekly=rules.weekly_capacity,
        chance=rules.plug_chance,
        second_after_days=rules.second_after_days,
        last_after_days=rules.last_after_days,
        give_up_after_days=rules.give_up_after_days,
    )


def check_recall_settings(settings: RecallSettings, rules: RecallRules) -> None:
    """Raise SettingsError for the first value that is out of its bounds, naming it and what is allowed."""
    for name, visits in (("weekly", settings.weekly), *(("weeks", each) for each in settings.weeks.values())):
        if not 0 <= visits <= MOST_A_WEEK:
            raise SettingsError(f"{name}: visits in a week are a number from 0 to {MOST_A_WEEK}")
    if any(date.fromisoformat(day) != monday(date.fromisoformat(day)) for day in settings.weeks):
        raise SettingsError("weeks: name each week by its Monday")
    low, high = rules.plug_chance_within
    if not low <= settings.chance <= high:
        raise SettingsError(f"chance: between {low:.0%} and {high:.0%}")
    for name in ("second_after_days", "last_after_days", "give_up_after_days"):
        if not SPACING_DAYS[0] <= getattr(settings, name) <= SPACING_DAYS[1]:
            raise SettingsError(f"{name}: between {SPACING_DAYS[0]} and {SPACING_DAYS[1]} days")
    if settings.booking and not settings.booking.startswith("https://"):
        raise SettingsError("booking: the address of the booking page begins with https://")
