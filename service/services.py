"""What a use case is handed: the content, the clinic, a clock, ids, and a way to open a unit of work."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from typing import Protocol

from service.domain.budget import Budget
from service.domain.contact import Channel, Clinic
from service.domain.pack import ClinicChoices, Pack
from service.domain.wall_clock import to_instant, to_wall, zone_named
from service.messages.catalogs import Catalogs
from service.messages.wordings import Wordings
from service.storage.clinic_choices import CLINIC_CHOICES, ChoicesInForce, choices_in
from service.storage.unit_of_work import UnitOfWork
from service.transports.port import Transport, shifts_of
from service.wording.book import Book

BUDGETS = "wording-budgets"
"""The fact that holds the clinic's own limits, by kind of message."""
GRADES = "wording-grades"
"""The fact that holds the clinic's own hardest scores, by kind of message and formula."""


class Clock(Protocol):
    """Tells the time. The only way that anything here learns it."""

    def now(self) -> datetime:
        """The present instant, UTC."""
        ...


@dataclass(kw_only=True)
class Services:
    """The parts of a running service. `chance` gives a random number from 0 to 1 (spreads retries).

    `wake` is called after something may have fallen due; if it does nothing, or is lost, the next tick finds it.
    `rates` are the most messages a second by channel, where there is a limit. `bounce_domain` is the mail domain that
    bounces come back to, marked so that each finds its message; empty when nobody reads them. `clock_believed` is asked
    before each pass: while the clock has just jumped nothing is sent and nothing is dropped. `busy` counts the
    hand-overs under way by transport, in this process. `own_words`: in a clinic of one person the writer of a sentence
    may approve it. `choices` are the settings file's, which hold until staff save
    others: `choices_now` says which hold.
    """

    clinic: Clinic
    choices: ClinicChoices
    pack: Pack
    catalogs: Catalogs
    clock: Clock
    open_work: Callable[[], UnitOfWork]
    open_reading: Callable[[], UnitOfWork]
    new_id: Callable[[], str]
    chance: Callable[[], float]
    secret_key: str
    transports: Mapping[Channel, Transport] = field(default_factory=dict)
    rates: Mapping[Channel, float] = field(default_factory=dict)
    bounce_domain: str = ""
    wake: Callable[[], None] = lambda: None
    clock_believed: Callable[[], bool] = lambda: True
    own_words: bool = False
    busy: dict[int, int] = field(default_factory=dict)
    _book: tuple[object, Book] | None = None
    _wordings: tuple[Book, datetime | None, Wordings] | None = None
    _choices: tuple[str | None, ChoicesInForce] | None = None

    def day_of(self, instant: datetime) -> date:
        """The day at the clinic at this instant."""
        return to_wall(instant, zone_named(self.clinic.zone)).date()

    def instant_of(self, on: date, at: time = time()) -> datetime:
        """The instant of a day and time of day at the clinic; without a time, of the day's beginning."""
        return to_instant(datetime.combine(on, at), zone_named(self.clinic.zone))

    @property
    def shifts(self) -> bool:
        """Whether texts go with the national shift table of their language, where it has one that holds them."""
        return shifts_of(self.transports.get(Channel.TEXT))

    def book(self, work: UnitOfWork) -> Book:
        """Every text of every language with its history; read anew only when the wording changed."""
        mark = work.revisions.mark()
        if self._book is None or self._book[0] != mark:
            self._book = (mark, Book(self.pack, self.catalogs, work.revisions.all(), work.revisions.languages()))
        return self._book[1]

    def wordings(self, work: UnitOfWork) -> Wordings:
        """The approved wording at this moment; made anew only when it changed or a text came into force."""
        book, now, kept = self.book(work), self.clock.now(), self._wordings
        if kept is None or kept[0] is not book or (kept[1] is not None and kept[1] <= now):
            catalogs, approvals = book.edition(now)
            made = Wordings(self.pack, catalogs, approvals, self.clinic.said())
            self._wordings = kept = (book, book.changes_after(now), made)
        return kept[2]

    def choices_now(self, work: UnitOfWork) -> ChoicesInForce:
        """The clinic's choices as they stand now, in every process; read anew only when they were saved anew.

        Raises SettingsError when the stored ones cannot be read.
        """
        document, kept = work.ledger.fact(CLINIC_CHOICES), self._choices
        if kept is None or kept[0] != document:
            self._choices = kept = (document, choices_in(document, self.choices))
        return kept[1]

    def budgets(self, work: UnitOfWork) -> dict[str, Budget]:
        """How long and how hard each kind of message may be: the content's budgets, with the clinic's own limits."""
        own, grades = json.loads(work.ledger.fact(BUDGETS) or "{}"), json.loads(work.ledger.fact(GRADES) or "{}")
        return {
            kind: replace(budget, **own.get(kind, {}), hardest={**budget.hardest, **grades.get(kind, {})})
            for kind, budget in self.pack.budgets.items()
        }

    def drafts(self, work: UnitOfWork) -> Wordings:
        """The newest text of every sentence, approved or not: for previews that say so, never for sending."""
        return Wordings(self.pack, self.book(work).drafts(self.clock.now()), None, self.clinic.said())
