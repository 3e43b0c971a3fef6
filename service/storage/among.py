"""Is a column's value among those given? One statement whatever their number, so that it is compiled once."""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import Any

from sqlalchemy import ColumnElement, Dialect, Text, TypeDecorator, bindparam
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeEngine


class _Texts(TypeDecorator[Collection[str]]):
    """Several texts as one bound value: a JSON array on SQLite, an array on PostgreSQL."""

    impl = Text
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """The type that the database knows."""
        return dialect.type_descriptor(Text() if dialect.name == "sqlite" else ARRAY(Text()))

    def process_bind_param(self, value: Collection[str] | None, dialect: Dialect) -> Any:
        """The value as the driver wants it."""
        return json.dumps(list(value or ())) if dialect.name == "sqlite" else list(value or ())


class _Given(FunctionElement[str]):
    name = "given"
    inherit_cache = True


def among(column: ColumnElement[str], parameter: str) -> ColumnElement[bool]:
    """Whether the column's value is among the texts bound as `parameter`."""
    return column.op("IN", is_comparison=True)(_Given(bindparam(parameter, type_=_Texts())))


@compiles(_Given, "sqlite")
def _of_json(element: _Given, compiler: SQLCompiler, **kw: Any) -> str:
    return f"(SELECT value FROM json_each({compiler.process(element.clauses, **kw)}))"  # noqa: S608 (a bound parameter)


@compiles(_Given, "postgresql")
def _of_array(element: _Given, compiler: SQLCompiler, **kw: Any) -> str:
    return f"(SELECT unnest({compiler.process(element.clauses, **kw)}))"
