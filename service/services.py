"""What a use case is handed: the content, the clinic, a clock, ids, and a way to open a unit of work."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Protocol

from service.domain.contact import Channel, Clinic
from service.domain.pack import ClinicChoices, Pack
from service.messages.catalogs import Catalogs
from service.messages.wordings import Approvals, Wordings
from service.storage.unit_of_work import UnitOfWork
from service.transports.port import Transport


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
    hand-overs under way by transport, in this process.
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
    busy: dict[int, int] = field(default_factory=dict)
    _wordings: tuple[object, Wordings] | None = None

    def wordings(self, work: UnitOfWork) -> Wordings:
        """The approved wording as it stands now; read anew only when an approval was added."""
        mark = work.ledger.approvals_mark()
        if self._wordings is None or self._wordings[0] != mark:
            approvals = Approvals(entries=work.ledger.approvals())
            self._wordings = (mark, Wordings(self.pack, self.catalogs, approvals, self.clinic.said()))
        return self._wordings[1]

    def drafts(self) -> Wordings:
        """Every sentence, approved or not: for previews that say so, never for sending."""
        return Wordings(self.pack, self.catalogs, None, self.clinic.said())
