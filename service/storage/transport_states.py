"""How the transports do, and which channels the clinic switched off; shared by every process on the database."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.contact import Channel
from service.domain.transport_health import Health
from service.storage.locks import holds_rows
from service.storage.tables import TransportStateRow

_ALL = select(TransportStateRow.__table__)


class TransportStates:
    """One row for each channel that ever needed one."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def read(self, *, lock: bool = False) -> tuple[dict[Channel, Health], frozenset[Channel]]:
        """How each channel's transport does, and the channels that the clinic switched off. A channel without trouble
        may be missing. `lock`: in a transaction that may write, other processes wait with a change until it ends."""
        health, off = {}, set()
        query = _ALL.with_for_update() if lock and holds_rows(self._session) else _ALL
        for row in self._session.connection().execute(query):
            channel = Channel(row.channel)
            health[channel] = Health(
                failures=row.failures,
                pauses=row.pauses,
                paused_until=row.paused_until,
                trial_until=row.trial_until,
                next_free=row.next_free,
                detail=row.detail,
            )
            if row.off_since is not None:
                off.add(channel)
        return health, frozenset(off)

    def save(self, channel: Channel, health: Health) -> None:
        """Store how a channel's transport does."""
        row = self._row(channel)
        row.failures, row.pauses, row.paused_until = health.failures, health.pauses, health.paused_until
        row.trial_until, row.next_free, row.detail = health.trial_until, health.next_free, health.detail
        self._session.flush()

    def off(self) -> dict[Channel, tuple[datetime, str]]:
        """The channels that the clinic switched off: since when, and by whom."""
        query = select(TransportStateRow).where(TransportStateRow.off_since.is_not(None))
        return {
            Channel(row.channel): (row.off_since, row.off_by or "")
            for row in self._session.scalars(query)
            if row.off_since is not None
        }

    def switch(self, channel: Channel, by: str, now: datetime, *, off: bool) -> None:
        """Switch a channel off, or on again."""
        row = self._row(channel)
        row.off_since, row.off_by = (now, by) if off else (None, None)
        self._session.flush()

    def _row(self, channel: Channel) -> TransportStateRow:
        row = self._session.get(TransportStateRow, channel.value)
        if row is None:
            row = TransportStateRow(channel=channel.value, failures=0, pauses=0, detail="")
            self._session.add(row)
        return row
