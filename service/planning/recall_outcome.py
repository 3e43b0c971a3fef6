"""What came of the invitations of a time: who came, by which way and words, after which invitation, and with a plug?

Groups of people only, never one person: the report helps the clinic to choose words and channels.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from service.domain.course import moments_in
from service.domain.course_moved import numbered
from service.domain.recall import Spacing, invitation_number
from service.domain.revision import Revision, current
from service.domain.uptake import (
    LEFT_OUT,
    CameBack,
    Group,
    Invited,
    Share,
    Words,
    age_band,
    came,
    group_of,
    plugs_by_marks,
    uptake,
)
from service.domain.visit import years_between
from service.planning.recall_settings import settings_now
from service.services import Services
from service.storage.recall_views import EndedRow, InvitedRow, SentInvitation
from service.storage.unit_of_work import UnitOfWork
from service.wording.book import Book

MOST = 20_000
"""Recalls that one report reads. Our choice: more than a clinic invites in a year."""

_SENTENCE = "message.return-due."
_BESIDE = frozenset({"subject", "words"})
"""What goes with the sentence of an invitation: a mail's subject, and which words a text may be answered with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The report. `answers` counts what was answered, by the number of the invitation that it followed; under "" who
    came or booked without an answer. `left_out` had an end that says nothing of the invitation; `again` were recalls of
    people who are counted already. `full`: more than `MOST` were invited, and the newest are counted."""

    all: Group
    by_channel: Mapping[str, Group]
    by_language: Mapping[str, Group]
    by_age: Mapping[str, Group]
    by_words: Mapping[Words, Group]
    answers: Mapping[str, Counter[int]]
    plugs: Mapping[str, Share]
    left_out: int = 0
    again: int = 0
    full: bool = False


def outcome(services: Services, work: UnitOfWork, first: date, last: date) -> Outcome:
    """What came of the recalls whose first invitation was handed over on these days of the clinic (both ends counted).

    The first invitation never changes, whatever is answered and however often somebody is invited anew, so every recall
    belongs to one time. A person counts once: of several recalls the one that began first, since a later one is there
    only because they came. Raises OverflowError for days at the ends of the calendar.
    """
    start, end = services.instant_of(first), services.instant_of(last + timedelta(days=1))
    rows = work.recall_views.invited(start, end, MOST)
    asked = [row for row in rows if row.recall.ended not in LEFT_OUT]
    counted = list({row.recall.person_id: row for row in asked}.values())  # the newest come first: the oldest stays
    spacing, today = settings_now(services, work).spacing, services.day_of(services.clock.now())
    book = services.book(work)
    invited = [_invited(services, row, book, spacing, today) for row in counted]
    return Outcome(
        all=group_of(invited),
        by_channel=uptake(invited, lambda each: each.channel),
        by_language=uptake(invited, lambda each: each.words.language),
        by_age=uptake(invited, lambda each: age_band(each.age)),
        by_words=uptake(invited, lambda each: each.words),
        answers=_answers(invited),
        plugs=plugs_by_marks(_came_back(services, work, [row.recall.id for row in counted])),
        left_out=len(rows) - len(asked),
        again=len(asked) - len(counted),
        full=len(rows) == MOST,
    )


def _invited(services: Services, row: InvitedRow, book: Book, spacing: Spacing, today: date) -> Invited:
    recall = row.recall
    led = _last_until(row.sent, recall.closed)
    followed = led if recall.answered is None else _last_until(row.sent, recall.answered)
    return Invited(
        channel=led.channel,
        words=_words(led, book),
        age=years_between(row.born, services.day_of(led.handed)),
        after=invitation_number(followed.key),
        answer=recall.answer.value if recall.answer is not None else "",
        came=came(recall, spacing, today),
    )


def _last_until(sent: Sequence[SentInvitation], until: datetime | None) -> SentInvitation:
    """The last invitation that was handed over at or before this instant, or at all for None. One whose hand-over was
    repeated after it, since nobody knew whether it had arrived, may be the only one."""
    before = [each for each in sent if until is None or each.handed <= until]
    return before[-1] if before else sent[0]


def _words(sent: SentInvitation, book: Book) -> Words:
    """Which text of which sentence it was."""
    own = (each for each in sent.units if each.startswith(_SENTENCE) and each.removeprefix(_SENTENCE) not in _BESIDE)
    unit = next(own, "")
    revision = _in_force(book, sent.language, unit, sent.handed)
    return Words(
        language=sent.language,
        sentence=unit.removeprefix(_SENTENCE),
        approved=revision.approval.at if revision is not None and revision.approval is not None else None,
    )


def _in_force(book: Book, language: str, unit: str, at: datetime) -> Revision | None:
    """The text of a sentence that was in force at this instant. Of a translation several may be approved, each beside
    its own source text: the book knows which of them was said. It does not know a sentence that left the content."""
    history = book.history(language, unit)
    if language == book.source or sum(each.approval is not None for each in history) < 2:
        return current(history, None, at)
    try:
        return book.entry(language, unit, at).approved
    except KeyError:
        return current(history, None, at)


def _answers(invited: Iterable[Invited]) -> dict[str, Counter[int]]:
    found: dict[str, Counter[int]] = {}
    for each in invited:
        if each.answer or each.came:
            found.setdefault(each.answer, Counter())[each.after] += 1
    return found


def _came_back(services: Services, work: UnitOfWork, recall_ids: list[str]) -> Iterator[CameBack]:
    """What was found in the ears that were due, of those who came."""
    for row in work.recall_views.visits_that_ended(recall_ids):
        seen = [row.visit.ear(side).findings for side in row.ears.sides]
        plug = any(findings & services.pack.recall.returned for findings in seen)
        yield CameBack(plug=plug, marked=_marked(row))


def _marked(row: EndedRow) -> float | None:
    """The share of a plan's doses that the person marked as done; None where it has none."""
    asked = moments_in(course for _, course in numbered(row.plan, row.followed))
    return min(1.0, row.marks / asked) if asked else None
