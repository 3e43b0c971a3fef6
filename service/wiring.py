"""Builds a running service from its settings: the only module that knows every part, and the only clock."""

from __future__ import annotations

import logging
import random
import time
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import Engine

from service.config import Settings, TransportSettings
from service.content.loader import load_pack
from service.domain.clock_watch import ClockWatch
from service.domain.contact import Channel
from service.errors import SettingsError, TransportError
from service.messages.catalogs import load_catalogs
from service.services import Clock, Services
from service.storage.migrate import upgrade
from service.storage.unit_of_work import UnitOfWork, open_engine
from service.transports.port import Transport, load_transport

log = logging.getLogger("service.clock")


class SystemClock:
    """The machine's clock."""

    def now(self) -> datetime:
        """The present instant, UTC."""
        return datetime.now(UTC)


@dataclass(kw_only=True)
class WatchedClock:
    """Compares the machine's clock with its steady one, and says when it jumped."""

    watch: ClockWatch | None = None

    def believed(self) -> bool:
        """Whether the clock can be trusted now; to be asked often."""
        wall, steady = datetime.now(UTC), time.monotonic()
        before = self.watch or ClockWatch(wall=wall, steady=steady)
        self.watch = before.look(wall, steady)
        if before.believed and not self.watch.believed:
            log.warning("the clock jumped from %s to %s: sending waits until it holds", self.watch.before, wall)
        elif self.watch.believed and not before.believed:
            log.warning("the clock is believed again: %s", wall)
        return self.watch.believed


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
        folder = Path(settings.database.removeprefix("sqlite:///")).parent
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as failed:
            raise SettingsError(f"database: the folder {folder} cannot be made: {failed.strerror}") from failed
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
        transports={Channel(name): _transport(name, chosen) for name, chosen in chosen_transports.items()},
        rates={Channel(name): chosen.per_second for name, chosen in chosen_transports.items() if chosen.per_second},
        own_words=settings.own_words,
        bounce_domain=settings.clinic.email.rpartition("@")[2] if settings.mailbox is not None else "",
        clock_believed=WatchedClock().believed if isinstance(clock, SystemClock) else lambda: True,
    )


def _transport(channel: str, chosen: TransportSettings) -> Transport:
    try:
        return load_transport(chosen.use, chosen.options)
    except TransportError as wrong:
        raise TransportError(f"transports.{channel}: {wrong}") from wrong
