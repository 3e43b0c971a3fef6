"""What content says about bringing people back: spacing, answers, weights, and what counts as wax that returned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from service.domain.spreading import Costs


@dataclass(frozen=True, slots=True, kw_only=True)
class EarTrait:
    """Something about an ear or person that may make wax return sooner or later; the estimate gives it a number.

    It holds with any of these findings, any of these codes of history, or from this age on (completed years; never when
    the age is not known).
    """

    label: str
    ear_any: frozenset[str] = frozenset()
    person_any: frozenset[str] = frozenset()
    age_from: int | None = None

    def holds(self, findings: frozenset[str], history: frozenset[str], age: int | None) -> bool:
        """Whether it is true of an ear with these findings, of a person with this history and age."""
        old = self.age_from is not None and age is not None and age >= self.age_from
        return bool(self.ear_any & findings or self.person_any & history or old)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallRules:
    """How recalls work unless the clinic sets its own values. Days are days of the clinic's calendar.

    `second_after_days`, `last_after_days`: from one invitation to the next. `give_up_after_days`: after the last one a
    person decides. `soon_days`: returns sooner than this are not spread over weeks. `at_once_days`: one within so many
    days that is not booked is for a person, and not for an invitation alone. `later_days`: what "later" offers;
    `later_by_word_days`: what the bare word means. `missed_after_days`: after the appointment, until a visit that
    nobody recorded counts as missed; `missed_wait_days`: from then until they are asked back. `frozen_weeks`: weeks,
    the present one counted, whose invitations stay.

    `weekly_capacity`: visits that the clinic has for recalls in a week. `plug_chance`: the chance of wax that needs
    removal at which an ear should be seen, within `plug_chance_within`. `least_ears`, `least_returns`,
    `least_visits`: fewer ears, fewer times that wax returned, or fewer earlier visits of the ear are too little for an
    estimate.

    `answer_prior`: answers, of so many invitations, by channel: what is assumed before the clinic has its own record.
    `weights`: how much worse it is to see this kind of ear late, by template; `usual_weight` for the others. From
    `heavy_weight` on, a person looks at every no and every silence.

    `clear`, `returned`, `left_out`: findings after which an ear is clear, those that mean wax to be removed, and those
    that take an ear out of the estimate. `estimated`: templates whose interval may be proposed from the record.
    """

    second_after_days: int
    last_after_days: int
    give_up_after_days: int
    soon_days: int
    at_once_days: int
    later_days: tuple[int, ...]
    later_by_word_days: int
    missed_after_days: int
    missed_wait_days: int
    horizon_weeks: int
    frozen_weeks: int
    weekly_capacity: int
    plug_chance: float
    plug_chance_within: tuple[float, float]
    least_ears: int
    least_returns: int
    least_visits: int
    answer_prior: Mapping[str, tuple[float, float]]
    weights: Mapping[str, float]
    usual_weight: float
    heavy_weight: float
    costs: Costs
    clear: frozenset[str]
    returned: frozenset[str]
    left_out: frozenset[str]
    estimated: frozenset[str]
    traits: Mapping[str, EarTrait]
    sources: tuple[str, ...]

    def __post_init__(self) -> None:
        low, high = self.plug_chance_within
        if not 0 < low <= self.plug_chance <= high < 1:
            raise ValueError("plug_chance lies within plug_chance_within, and both within 0 and 1")
        if not self.later_days or list(self.later_days) != sorted(set(self.later_days)):
            raise ValueError("later_days rise, and there is at least one")
        if self.clear & self.left_out or self.returned & self.left_out:
            raise ValueError("a finding that is left out is neither clear nor returned")
        if any(not 0 < answers < of for answers, of in self.answer_prior.values()):
            raise ValueError("answer_prior: more than 0 answers, and fewer than the invitations")

    def much_depends(self, weight: float) -> bool:
        """Whether much depends on a visit of this weight, so that a person looks at every no and every silence."""
        return weight >= self.heavy_weight
