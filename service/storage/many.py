"""One statement for many rows, prepared once. To have it prepared anew for each row costs more than to run it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Delete, Dialect, Insert, Update


@dataclass(frozen=True, slots=True)
class _Prepared:
    """The words for one database, and of each value its name and what makes it fit for the driver, if anything must."""

    words: str
    places: tuple[tuple[str, Callable[[Any], Any] | None], ...]
    positional: bool


@dataclass(slots=True)
class Many:
    """An INSERT, UPDATE or DELETE in which every value that is bound has a name of its own, and no default of a table
    is called for."""

    statement: Insert | Update | Delete
    _prepared: dict[str, _Prepared] = field(default_factory=dict)

    def run(self, connection: Connection, rows: Sequence[Mapping[str, object]]) -> None:
        """Once for each row, in their order; nothing for none."""
        if not rows:
            return
        dialect = connection.dialect
        ready = self._prepared.get(dialect.name)
        if ready is None:
            ready = self._prepared[dialect.name] = self._prepare(dialect)
        values = [[row[name] if fit is None else fit(row[name]) for name, fit in ready.places] for row in rows]
        if ready.positional:
            connection.exec_driver_sql(ready.words, [tuple(each) for each in values])
        else:
            names = [name for name, _ in ready.places]
            connection.exec_driver_sql(ready.words, [dict(zip(names, each, strict=True)) for each in values])

    def _prepare(self, dialect: Dialect) -> _Prepared:
        compiled = self.statement.compile(dialect=dialect)
        names = compiled.positiontup if compiled.positional else list(compiled.binds)
        assert names is not None
        places = tuple(
            (name, compiled.binds[name].type.dialect_impl(dialect).bind_processor(dialect)) for name in names
        )
        return _Prepared(str(compiled), places, compiled.positional)
