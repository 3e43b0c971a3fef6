"""How long and how hard a text may be at this clinic: the content's budgets, and what the clinic set in their place."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace

from service.domain.budget import Budget
from service.errors import NotAllowedError, NotFoundError, OvertakenError
from service.services import BUDGETS, Services
from service.storage.unit_of_work import UnitOfWork

LIMITS = ("parts", "parts_ucs2", "sentence_words")
"""What a clinic sets itself; the scores of the readability formulas are the content's."""
TRIES = 5
"""How often to begin again when budgets of other kinds are saved at the very same moment. Our choice."""

Seen = tuple[int | None, ...]
"""The limits of one kind of message as somebody looked at them, in the order of LIMITS."""


def limits_of(budget: Budget) -> Seen:
    """What a clinic can set of a budget, as it stands."""
    return tuple(getattr(budget, name) for name in LIMITS)


def set_budget(services: Services, kind: str, limits: Mapping[str, int], by: str, *, seen: Seen) -> Budget:
    """Set the clinic's own limits for one kind of message; an approval is measured by them from then on. `seen` are
    the limits of this kind that `by` was looking at (`limits_of`); other kinds may be saved at the same time.

    Raises NotFoundError for a kind that has no budget, NotAllowedError for a limit that is not a whole number from 1,
    OvertakenError when somebody saved other limits for this kind meanwhile: theirs stay, and it says whose they are.
    """
    shipped = services.pack.budgets.get(kind)
    if shipped is None:
        raise NotFoundError(f"there is no budget for {kind!r}; choose one of {', '.join(services.pack.budgets)}")
    for name, value in limits.items():
        if name not in LIMITS or (name != "sentence_words" and shipped.parts is None):
            raise NotAllowedError(f"{name}: {kind} has no such limit; choose one of {', '.join(LIMITS)}")
        if value < 1 or value > 200:
            raise NotAllowedError(f"{name}: give a whole number from 1 to 200")
    for _ in range(TRIES):
        with services.open_work() as work:
            changed = _save(services, work, kind, limits, by, seen)
            if changed is not None:
                work.commit()
                return changed
    raise OvertakenError("others save budgets at this very moment, and nothing of yours was saved: save it again")


def _save(
    services: Services, work: UnitOfWork, kind: str, limits: Mapping[str, int], by: str, seen: Seen
) -> Budget | None:
    """The changed budget; None when budgets of other kinds were saved between reading and writing."""
    document, budgets = work.ledger.fact(BUDGETS), services.budgets(work)
    if limits_of(budgets[kind]) != seen:
        last = work.ledger.history(f"budget:{kind}", limit=1, only=("budget-set",))
        whose = last[0].actor if last else "somebody else"
        raise OvertakenError(f"{whose} saved other limits meanwhile: look at them, then save yours")
    before = budgets[kind]
    budgets[kind] = replace(
        before,
        parts=limits.get("parts", before.parts),
        parts_ucs2=limits.get("parts_ucs2", before.parts_ucs2),
        sentence_words=limits.get("sentence_words", before.sentence_words),
    )
    own = {each: _own(services.pack.budgets[each], budget) for each, budget in budgets.items()}
    new = json.dumps({each: differing for each, differing in own.items() if differing})
    if not work.ledger.swap_fact(BUDGETS, document, new):
        return None
    work.ledger.note(by, "budget-set", f"budget:{kind}", services.clock.now(), **dict(limits))
    return budgets[kind]


def _own(shipped: Budget, budget: Budget) -> dict[str, int]:
    """The limits that differ from the content's."""
    values = {name: getattr(budget, name) for name in LIMITS}
    return {name: value for name, value in values.items() if value is not None and value != getattr(shipped, name)}


def budgets_of(services: Services, work: UnitOfWork) -> list[tuple[Budget, Budget]]:
    """Every budget beside the content's own, in the order of the content."""
    now = services.budgets(work)
    return [(now[kind], shipped) for kind, shipped in services.pack.budgets.items()]
