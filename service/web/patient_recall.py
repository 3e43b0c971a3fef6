"""The invitation on the patient's page: what is asked, and what was answered."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from service.domain.recall import Answer, Ended, Recall, RecallState
from service.planning.recall_settings import settings_now
from service.planning.recalling import invited
from service.services import Services
from service.storage.unit_of_work import UnitOfWork


@dataclass(frozen=True, slots=True, kw_only=True)
class Invitation:
    """What the page asks. `given` is the answer that holds; `later` the weeks that "later" offers, none where the visit
    must not wait; `online` the clinic's booking page, empty where there is none."""

    recall: Recall
    given: Answer | None
    later: tuple[int, ...]
    online: str


def invitation(services: Services, work: UnitOfWork, person_id: str) -> Invitation | None:
    """The invitation that this person may answer now, if there is one."""
    found = invited(work, person_id)
    if found is None:
        return None
    recall, out = found
    return Invitation(
        recall=recall,
        given=_given(recall, out),
        later=weeks_offered(services, recall, services.day_of(services.clock.now())),
        online=settings_now(services, work).booking,
    )


def weeks_offered(services: Services, recall: Recall, today: date) -> tuple[int, ...]:
    """The weeks that "later" offers on this day of the clinic. Where much depends on the visit they end by its latest
    day, and near it there are none."""
    rules, window = services.pack.recall, recall.window
    heavy = window.weight >= rules.heavy_weight
    return tuple(
        days // 7 for days in rules.later_days if not heavy or today + timedelta(weeks=days // 7) <= window.latest
    )


def _given(recall: Recall, out: int) -> Answer | None:
    """The answer that holds now. What was answered before a visit that was missed or cancelled holds no more, and a
    "later" whose day has come is asked anew."""
    if recall.state is RecallState.ANSWERED:
        return Answer.BOOK
    if recall.ended is Ended.DECLINED:
        return Answer.NO
    if recall.ended is Ended.ELSEWHERE:
        return Answer.ELSEWHERE
    return Answer.LATER if recall.answer is Answer.LATER and not out else None
