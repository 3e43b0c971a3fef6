"""What would change? The last visits, planned once under the present choices and once under others. Never writes.

Both plans are made now, by the same content and code, so that a difference comes from the choices and nothing else.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import date

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices, Pack
from service.domain.plan import Plan
from service.domain.plan_differences import Difference, differences
from service.domain.visit import Visit
from service.errors import PlanError, SettingsError
from service.planning.choices import check_choices
from service.services import Services
from service.storage.records import StoredVisit


@dataclass(frozen=True, slots=True, kw_only=True)
class RerunVisit:
    """One visit that would end otherwise. `refused`: why it could not be planned as it was ticked; then there are no
    differences. `person_id` leads to the record."""

    visit_id: str
    person_id: str
    on: date
    refused: PlanError | None = None
    differences: tuple[Difference, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Rerun:
    """What other choices would do to the last visits, newest first.

    `refused`: could be planned, and no longer. `changed`: another plan. `possible`: could not be planned, and would be.
    `never`: cannot be planned under either, because content changed since.
    """

    looked_at: int
    refused: tuple[RerunVisit, ...]
    changed: tuple[RerunVisit, ...]
    possible: int
    never: int

    @property
    def unchanged(self) -> int:
        """How many visits would end in the same plan."""
        return self.looked_at - len(self.refused) - len(self.changed) - self.possible - self.never

    @property
    def counted(self) -> tuple[tuple[Difference, int], ...]:
        """Each difference, whichever the ear, with the number of visits it is found at, the most frequent first."""
        counts = Counter(
            each for visit in self.changed for each in {replace(found, ears=None) for found in visit.differences}
        )
        return tuple(sorted(counts.items(), key=lambda pair: (-pair[1], pair[0].said)))


def rerun(services: Services, choices: ClinicChoices, last_n: int) -> Rerun:
    """Plan the last `last_n` visits again, under the present choices and under these; nothing is stored.

    Raises SettingsError with a sentence for each choice that content does not offer.
    """
    wrong = check_choices(choices, services.pack)
    if wrong:
        raise SettingsError(" ".join(wrong))
    with services.open_reading() as work:
        present = services.choices_now(work).choices
        visits = work.plans.newest_visits(last_n)
    refused, changed, possible, never = [], [], 0, 0
    for stored in visits:
        before, after = _planned(stored.visit, services.pack, present), _planned(stored.visit, services.pack, choices)
        if isinstance(after, Plan) and isinstance(before, Plan):
            if before != after and (found := differences(before, after, services.pack)):
                changed.append(_of(stored, found))
        elif isinstance(after, Plan):
            possible += 1
        elif isinstance(before, Plan) and isinstance(after, PlanError):
            refused.append(_of(stored, (), after))
        else:
            never += 1
    return Rerun(looked_at=len(visits), refused=tuple(refused), changed=tuple(changed), possible=possible, never=never)


def _planned(visit: Visit, pack: Pack, choices: ClinicChoices) -> Plan | PlanError | SettingsError:
    try:
        return build_plan(visit, pack, choices)
    except (PlanError, SettingsError) as refused:  # told to the reader, visit by visit
        return refused


def _of(stored: StoredVisit, found: tuple[Difference, ...], refused: PlanError | None = None) -> RerunVisit:
    return RerunVisit(
        visit_id=stored.id, person_id=stored.person_id, on=stored.visit.on, refused=refused, differences=found
    )
