"""The tables of a schema as plain values, whichever database it is on: what a backup holds and is checked against."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Final, Literal

from sqlalchemy import JSON, Boolean, Date, DateTime, Float, Integer, LargeBinary, MetaData, String, create_engine
from sqlalchemy.types import TypeEngine

from frostshift_service.store.migrations.run import run_steps

Kind = Literal["text", "int", "float", "bool", "time", "date", "bytes", "json"]

_KINDS: Final[tuple[tuple[type[Any], Kind], ...]] = (
    (JSON, "json"),
    (Boolean, "bool"),
    (Integer, "int"),
    (Float, "float"),
    (DateTime, "time"),
    (Date, "date"),
    (LargeBinary, "bytes"),
    (String, "text"),
)


@dataclass(frozen=True, slots=True)
class Column:
    """A column: what it holds, and whether it may hold nothing."""

    name: str
    kind: Kind
    nullable: bool


@dataclass(frozen=True, slots=True)
class TableShape:
    """A table: its columns by name, and those of its primary key."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]


@cache
def shapes_at(schema: str) -> tuple[TableShape, ...]:
    """The tables of a schema, each after those that it points at. The schema's own steps say so, run in memory."""
    engine = create_engine("sqlite://")
    with engine.begin() as connection:
        run_steps(connection, schema)
        found = MetaData()
        found.reflect(connection)
    engine.dispose()
    return tuple(
        TableShape(
            table.name,
            tuple(
                Column(one.name, _kind(one.type), bool(one.nullable))
                for one in sorted(table.columns, key=lambda one: one.name)
            ),
            tuple(one.name for one in table.primary_key),
        )
        for table in found.sorted_tables
        if table.name != "alembic_version"
    )


def _kind(of: TypeEngine[Any]) -> Kind:
    return next(kind for type_, kind in _KINDS if isinstance(of, type_))
