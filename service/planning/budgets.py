"""How long and how hard a text may be at this clinic: the content's budgets, and what the clinic set in their place."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace

from service.domain.budget import Budget
from service.errors import NotAllowedError, NotFoundError
from service.services import BUDGETS, Services
from service.storage.unit_of_work import UnitOfWork

LIMITS = ("parts", "parts_ucs2", "sentence_words")
"""What a clinic sets itself; the scores of the readability formulas are the content's."""


def set_budget(services: Services, kind: str, limits: Mapping[str, int], by: str) -> Budget:
    """Set the clinic's own limits for one kind of message; an approval is measured by them from then on.

    Raises NotFoundError for a kind that has no budget, NotAllowedError for a limit that is not a whole number from 1.
    """
    with services.open_work() as work:
        shipped = services.pack.budgets.get(kind)
        if shipped is None:
            raise NotFoundError(f"there is no budget for {kind!r}; choose one of {', '.join(services.pack.budgets)}")
        for name, value in limits.items():
            if name not in LIMITS or (name != "sentence_words" and shipped.parts is None):
                raise NotAllowedError(f"{name}: {kind} has no such limit; choose one of {', '.join(LIMITS)}")
            if value < 1 or value > 200:
                raise NotAllowedError(f"{name}: give a whole number from 1 to 200")
        before = services.budgets(work)[kind]
        changed = replace(
            before,
            parts=limits.get("parts", before.parts),
            parts_ucs2=limits.get("parts_ucs2", before.parts_ucs2),
            sentence_words=limits.get("sentence_words", before.sentence_words),
        )
        own = {each: _own(services.pack.budgets[each], budget) for each, budget in services.budgets(work).items()}
        own[kind] = _own(shipped, changed)
        work.ledger.set_fact(BUDGETS, json.dumps({each: limits for each, limits in own.items() if limits}))
        work.ledger.note(by, "budget-set", f"budget:{kind}", services.clock.now(), **dict(limits))
        work.commit()
    return changed


def _own(shipped: Budget, budget: Budget) -> dict[str, int]:
    """The limits that differ from the content's."""
    values = {name: getattr(budget, name) for name in LIMITS}
    return {name: value for name, value in values.items() if value is not None and value != getattr(shipped, name)}


def budgets_of(services: Services, work: UnitOfWork) -> list[tuple[Budget, Budget]]:
    """Every budget beside the content's own, in the order of the content."""
    now = services.budgets(work)
    return [(now[kind], shipped) for kind, shipped in services.pack.budgets.items()]
