"""Builds a running service from its settings: the only module that knows every part, and the only clock."""

from __future__ import annotations

import random
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Engine

from service.config import Settings
from service.content.loader import load_pack
from service.domain.contact import Channel
from service.messages.catalogs import load_catalogs
from service.services import Clock, Services
from service.storage.migrate import upgrade
from service.storage.unit_of_work import UnitOfWork, open_engine
from service.transports.port import load_transport


class SystemClock:
    """The machine's clock."""

    def now(self) -> datetime:
        """The present instant, UTC."""
        return datetime.now(UTC)


@dataclass(kw_only=True)
class PretendClock:
    """The machine's clock plus an offset kept in the database, so that every process of a demo tells one time."""

    engine: Engine

    def now(self) -> datetime:
        """The pretended instant, UTC."""
        with UnitOfWork(self.engine, read_only=True) as work:
            ahead = work.ledger.fact("clock-ahead-seconds")
        return datetime.now(UTC) + timedelta(seconds=float(ahead or 0))

    def set(self, instant: datetime) -> None:
        """Wind the clock to `instant`. It never goes back."""
        ahead = (instant - datetime.now(UTC)).total_seconds()
        with UnitOfWork(self.engine) as work:
            earlier = float(work.ledger.fact("clock-ahead-seconds") or 0)
            work.ledger.set_fact("clock-ahead-seconds", str(max(ahead, earlier)))
            work.commit()


def build(settings: Settings, *, clock: Clock | None = None, transports: bool = True) -> Services:
    """The parts of a running service, its database migrated; without `transports` for a process that only stores.

    Raises SettingsError, ContentError, TransportError.
    """
    if settings.database.startswith("sqlite:///") and ":memory:" not in settings.database:
        Path(settings.database.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)
    engine = open_engine(settings.database)
    upgrade(engine)
    if clock is None:
        clock = PretendClock(engine=engine) if settings.pretend_clock else SystemClock()
    pack = load_pack(settings.content_dir)
    chosen_transports = settings.transports if transports else {}
    return Services(
        clinic=settings.clinic,
        choices=settings.choices,
        pack=pack,
        catalogs=load_catalogs(settings.locales_dir, pack),
        clock=clock,
        open_work=lambda: UnitOfWork(engine),
        open_reading=lambda: UnitOfWork(engine, read_only=True),
        new_id=lambda: uuid.uuid4().hex,
        chance=random.SystemRandom().random,
        secret_key=settings.secret_key,
        transports={
            Channel(name): load_transport(chosen.use, chosen.options) for name, chosen in chosen_transports.items()
        },
    )
