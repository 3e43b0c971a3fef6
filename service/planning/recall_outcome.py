"""What came of the invitations of a time: who came, by which way and words, after which invitation, and with a plug?

Groups of people only, never one person: the report helps the clinic to choose words and channels.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from service.domain.course import moments_in
from service.domain.plan import Plan
from service.domain.recall import RecallState, invitation_number
from service.domain.revision import current
from service.domain.uptake import CameBack, Invited, Share, age_band, plugs_by_marks, uptake, wilson
from service.domain.visit import years_between
from service.planning.as_booked import plan_as_booked
from service.services import Services
from service.storage.recall_views import InvitedRow, SentInvitation
from service.storage.unit_of_work import UnitOfWork
from service.wording.book import Book

MOST = 20_000
"""Recalls that one report reads. Our choice: more than a clinic invites in a year."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The report. `answers` counts what was answered, by the number of the invitation; `full`: more than `MOST` were
    invited, and the newest are counted."""

    all: Share
    by_channel: Mapping[str, Share]
    by_language: Mapping[str, Share]
    by_age: Mapping[str, Share]
    by_wording: Mapping[str, Share]
    answers: Mapping[str, Counter[int]]
    plugs: Mapping[str, Share]
    full: bool = False


def outcome(services: Services, work: UnitOfWork, first: date, last: date) -> Outcome:
    """What came of the recalls whose first invitation of the last round fell in this time (both ends counted)."""
    rows = work.recall_views.invited(first, last, MOST)
    book = services.book(work)
    invited = [_invited(row, book) for row in rows]
    answers: dict[str, Counter[int]] = {}
    for each in invited:
        if each.answer:
            answers.setdefault(each.answer, Counter())[each.after] += 1
    return Outcome(
        all=wilson(sum(each.came for each in invited), len(invited)),
        by_channel=uptake(invited, lambda each: each.channel),
        by_language=uptake(invited, lambda each: each.language),
        by_age=uptake(invited, lambda each: age_band(each.age)),
        by_wording=uptake(invited, lambda each: each.wording),
        answers=answers,
        plugs=plugs_by_marks(_came_back(services, work, rows)),
        full=len(rows) == MOST,
    )


def _invited(row: InvitedRow, book: Book) -> Invited:
    recall = row.recall
    to = recall.answered_to or max(invitation_number(each.key) for each in row.sent)
    # The invitation that was answered, or the last one that went out.
    sent = next((each for each in row.sent if invitation_number(each.key) == to), row.sent[-1])
    return Invited(
        channel=sent.channel,
        language=sent.language,
        wording=_words(sent, book),
        age=years_between(row.born, sent.handed.date()),
        after=to,
        answer=recall.answer.value if recall.answer is not None else "",
        came=recall.state in (RecallState.BOOKED, RecallState.SEEN),
    )


def _words(sent: SentInvitation, book: Book) -> str:
    """Which text of which sentence it was: its unit, and the day on which that text was approved."""
    unit = next((each for each in sent.units if each.startswith("message.return-due.")), "joined with other reminders")
    then = current(book.history(sent.language, unit), None, sent.handed)
    approved = then.approval if then is not None else None
    name = f"{sent.language}, {unit.removeprefix('message.return-due.')}"
    return name if approved is None else f"{name}, approved {approved.at.date()}"


def _came_back(services: Services, work: UnitOfWork, rows: list[InvitedRow]) -> list[CameBack]:
    """What was found in the ears that were due, of those who came."""
    found = []
    for row in rows:
        if row.recall.state is not RecallState.SEEN or row.recall.closed is None:
            continue
        visit = work.recall_views.visit_at(row.recall.person_id, row.recall.closed)
        if visit is None:
            continue
        seen = [visit.ear(side).findings for side in row.recall.window.ears.sides]
        stored = work.plans.get(row.recall.plan_id)
        found.append(
            CameBack(
                plug=any(findings & services.pack.recall.returned for findings in seen),
                marked=_marked(plan_as_booked(services.pack, stored), len(work.plans.marks(stored.id))),
            )
        )
    return found


def _marked(plan: Plan, marks: int) -> float | None:
    """The share of a plan's doses that the person marked as done; None where it has none."""
    asked = moments_in(plan.courses)
    return min(1.0, marks / asked) if asked else None
