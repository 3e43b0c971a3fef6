"""How hard each kind of message may read at this clinic: the content's scores, and the clinic's own in their place."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace

from service.domain.budget import Budget
from service.errors import NotAllowedError, NotFoundError, OvertakenError
from service.services import GRADES, Services

MOST = 200
"""The highest score that can be set; the scores of our formulas end before it."""


def set_grades(
    services: Services, kind: str, scores: Mapping[str, float], by: str, *, seen: Mapping[str, float]
) -> Budget:
    """Set the hardest scores of one kind of message, by the formula's id; an approval is measured by them from then on.
    `seen` are the scores of this kind that `by` was looking at.

    Raises NotFoundError for a kind that has no budget, NotAllowedError for a formula that it has not or a score that is
    no number from 0 to 200, OvertakenError when somebody saved other scores meanwhile: theirs stay.
    """
    shipped = services.pack.budgets.get(kind)
    if shipped is None:
        raise NotFoundError(f"there is no budget for {kind!r}; choose one of {', '.join(services.pack.budgets)}")
    for formula, score in scores.items():
        if formula not in shipped.hardest:
            raise NotAllowedError(f"{formula}: there is no such formula; choose one of {', '.join(shipped.hardest)}")
        if not 0 <= score <= MOST:
            raise NotAllowedError(f"{formula}: give a number from 0 to {MOST}")
    with services.open_work() as work:
        document, before = work.ledger.fact(GRADES), services.budgets(work)[kind]
        if dict(before.hardest) != dict(seen):
            last = work.ledger.history(f"grade:{kind}", limit=1)
            whose = last[0].actor if last else "somebody else"
            raise OvertakenError(f"{whose} saved other grades meanwhile: look at them, then save yours")
        hardest = {**before.hardest, **scores}
        own = {name: score for name, score in hardest.items() if score != shipped.hardest[name]}
        others = {each: theirs for each, theirs in json.loads(document or "{}").items() if each != kind}
        if not work.ledger.swap_fact(GRADES, document, json.dumps(others | ({kind: own} if own else {}))):
            raise OvertakenError("others save grades at this very moment; nothing of yours was saved, save it again")
        work.ledger.note(by, "grades-set", f"grade:{kind}", services.clock.now(), **dict(scores))
        work.commit()
    return replace(before, hardest=hardest)
