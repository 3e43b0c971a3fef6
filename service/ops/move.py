"""`tragus move-database`: everything into another database, or nothing."""

from __future__ import annotations

from collections.abc import Iterator

from service.config import Settings
from service.errors import NotAllowedError, SettingsError
from service.storage.copying import (
    TABLES,
    Counted,
    copy_table,
    count_table,
    filled_table,
    hold_still,
    in_use,
    opened,
    set_sequences,
    take_time,
)
from service.storage.migrate import upgrade, upgrade_on
from service.storage.unit_of_work import open_engine
from service.wiring import PretendClock, SystemClock


def move(settings: Settings, target_url: str) -> Iterator[str]:
    """Copy the database of `settings` into the empty one at `target_url`, and prove it; yields lines to print.

    The target keeps nothing unless every table is proved equal. Raises NotAllowedError when the service still runs,
    when the target holds anything, or when a table differs; SettingsError when a database cannot be named or opened.
    """
    if not target_url.startswith(("sqlite:///", "postgresql+psycopg://")):
        raise SettingsError("--to: the URL must start with sqlite:/// or postgresql+psycopg://")
    source_engine, target_engine = open_engine(settings.database), open_engine(target_url)
    try:
        upgrade(source_engine)
        now = (PretendClock(engine=source_engine) if settings.pretend_clock else SystemClock()).now()
        source_engine.dispose()  # only the connection below is to be open
        if source_engine.dialect.name == "postgresql":
            source_engine = source_engine.execution_options(isolation_level="REPEATABLE READ")  # one snapshot
        with opened(source_engine) as source, opened(target_engine) as target:
            take_time(source)
            hold_still(source)
            if (why := in_use(source, now)) is not None:
                raise NotAllowedError(f"stop the service first: {why}")
            if (name := filled_table(target)) is not None:
                raise NotAllowedError(
                    f"--to: that database is not empty (its table {name} holds rows); name an empty one"
                )
            upgrade_on(target)
            take_time(target)
            pairs = []
            for table in TABLES:
                there = copy_table(table, source, target)
                pairs.append((there, count_table(table, target)))
                yield _line(*pairs[-1])
            different = [there.table for there, here in pairs if there != here]
            if different:
                raise NotAllowedError(f"nothing was moved: {', '.join(different)} came out different in the target")
            set_sequences(target)
            target.commit()
    finally:
        source_engine.dispose()
        target_engine.dispose()
    yield f"{sum(there.rows for there, _ in pairs)} rows moved and proved equal."
    yield "Now set `database` to the new one and start the service. The old database is as it was; keep it safe."


def _line(there: Counted, here: Counted) -> str:
    verdict = "same" if there == here else "DIFFERENT"
    return f"{there.table:<16} {there.rows:>8} {here.rows:>8}  {there.digest}  {here.digest}  {verdict}"
