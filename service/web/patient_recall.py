"""The invitation on the patient's page: what is asked, and what was answered."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.recall import Answer, Ended, Recall, RecallState, later_days
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
    today = services.day_of(services.clock.now())
    return Invitation(
        recall=recall,
        given=_given(recall, out),
        later=tuple(days // 7 for days in later_days(recall.window, services.pack.recall, today)),
        online=settings_now(services, work).booking,
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
