"""Rows in every table of a schema, made from what the database says of its tables, with odd values; and all rows back.

Shares nothing with `store/shapes.py` and `store/backup.py`.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final
from zlib import compress

from sqlalchemy import (
    JSON,
    Boolean,
    Connection,
    Date,
    DateTime,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    UniqueConstraint,
    cast,
    create_engine,
    func,
    select,
    type_coerce,
)
from sqlalchemy import Column as AnyColumn
from sqlalchemy import Table as PlainTable

COUNT: Final = 12
BEGAN: Final = datetime(2025, 11, 3, 5, 30, 0, 1, tzinfo=UTC)

TEXTS: Final = (
    "north line 4", "", "Überzug ☃ 𝄞 é", "two\nlines\tand a tab\r\n", "it's \"quoted\" \\ back", "null", "[1, 2]", " ",
    "\x01\x7f\u2028\ufeff", "0123", "'; DROP TABLE site; --", "x" * 3_000,
)  # fmt: skip
INTS: Final = (0, 1, -1, 2**31 - 1, -(2**31), 7, 1_000_000, 3, 12, 5, 9, 42)
FLOATS: Final = (0.0, 0.1, 1 / 3, 5e-324, 1.7976931348623157e308, -273.15, 1e22, 47.500000000000001, 2**53 + 0.0, 1e-7,
                 float("inf"), float("-inf"))  # fmt: skip
TIMES: Final = (
    BEGAN, BEGAN.replace(microsecond=0), datetime(1970, 1, 1, tzinfo=UTC),
    datetime(2199, 12, 31, 23, 59, 59, 999_999, UTC),
    datetime(1904, 2, 29, 12, tzinfo=UTC), datetime(2026, 3, 29, 1, 30, tzinfo=UTC),
    datetime(2026, 11, 1, 6, tzinfo=UTC),
)  # fmt: skip
DAYS: Final = (date(2026, 1, 12), date(1999, 12, 31), date(2024, 2, 29))
PACKED: Final = (compress(json.dumps({"a": [1.5, None]}).encode()), b"", bytes(range(256)), b"\x00\x00")
JSONS: Final = (
    '{"doubt_k": 3.0, "name": "\\u00fc \\" \\\\"}', "[]", "{}", '["A1", "A-2 \\u2603"]', '{"b":1,  "a":0.1000}', "null",
    '{"deep": [[[{"x": [true, false, null, 1e-7, 12345678901234567890]}]]]}',
)  # fmt: skip


def fill(connection: Connection) -> None:
    """Add `COUNT` rows to every table that is there, each pointing at rows that are."""
    found = MetaData()
    found.reflect(connection)
    made: dict[str, list[dict[str, Any]]] = {}
    for table in found.sorted_tables:
        if table.name != "alembic_version":
            made[table.name] = [_row(table, number, made) for number in range(COUNT)]
            for row in made[table.name]:
                connection.execute(table.insert().values(_as_written(connection, table, row)))
            if connection.dialect.name == "postgresql":
                _counted(connection, table)


def _counted(connection: Connection, table: PlainTable) -> None:
    """PostgreSQL counts on from the highest id, as it does where it gave the ids itself."""
    if "id" in table.c and isinstance(table.c["id"].type, Integer):
        sequence = func.pg_get_serial_sequence(table.name, "id")
        connection.execute(select(func.setval(sequence, select(func.max(table.c["id"])).scalar_subquery())))


def all_rows(url: str) -> dict[str, list[dict[str, Any]]]:
    """Every row of every table, each value as exactly as the database has it; in the order of their keys."""
    engine, found = create_engine(url), MetaData()
    with engine.connect() as connection:
        found.reflect(connection)
        rows = {table.name: _rows(connection, table) for table in found.sorted_tables}
    engine.dispose()
    return rows


def _rows(connection: Connection, table: PlainTable) -> list[dict[str, Any]]:
    columns = [_as_text(connection, column) if isinstance(column.type, JSON) else column for column in table.columns]
    rows = [dict(row._mapping) for row in connection.execute(select(*columns))]
    for row in rows:
        for name, value in row.items():
            if isinstance(value, datetime):
                row[name] = (value if value.tzinfo else value.replace(tzinfo=UTC)).astimezone(UTC)
            elif isinstance(value, bytes | memoryview):
                row[name] = bytes(value)
    keys = sorted(column.name for column in table.primary_key)
    return sorted(rows, key=lambda row: [repr(row[key]) for key in keys])


def _as_text(connection: Connection, column: AnyColumn[Any]) -> Any:
    as_is = cast(column, Text) if connection.dialect.name == "postgresql" else type_coerce(column, Text)
    return as_is.label(column.name)


def _as_written(connection: Connection, table: PlainTable, row: dict[str, Any]) -> dict[str, Any]:
    """JSON goes in as the text it is."""
    return {
        name: cast(type_coerce(value, Text), JSON)
        if isinstance(table.c[name].type, JSON) and value is not None and connection.dialect.name == "postgresql"
        else type_coerce(value, Text)
        if isinstance(table.c[name].type, JSON)
        else value
        for name, value in row.items()
    }


def _row(table: PlainTable, number: int, made: dict[str, list[dict[str, Any]]]) -> dict[str, Any]:
    once = {column.name for column in table.primary_key}
    for constraint in table.constraints:
        if isinstance(constraint, UniqueConstraint):
            once |= {column.name for column in constraint.columns}
    row = {column.name: _value(column, number, once=column.name in once) for column in table.columns}
    for key in table.foreign_key_constraints:
        for element in key.elements:
            name, to = element.parent.name, element.column
            if to.table.name != table.name:
                # A part of a key that another key has filled already is the same: row N points at row N everywhere.
                row[name] = made[to.table.name][number][to.name]
            elif name != to.name:  # a row that points at itself, or at none
                row[name] = row[to.name] if number % 2 else None
    return row


def _value(column: AnyColumn[Any], number: int, *, once: bool) -> Any:
    kind = column.type
    if column.nullable and not column.primary_key and number % 3 == 2:
        return None

    def of(values: tuple[Any, ...]) -> Any:
        return values[(number + len(column.name)) % len(values)]

    if isinstance(kind, JSON):
        return of(JSONS)
    if isinstance(kind, Boolean):
        return number % 2 == 0
    if isinstance(kind, Integer):
        return 3 * number + 1 if once else of(INTS)
    if isinstance(kind, Float):
        return of(FLOATS)
    if isinstance(kind, DateTime):
        return BEGAN + timedelta(seconds=number, microseconds=number) if once else of(TIMES)
    if isinstance(kind, Date):
        return of(DAYS)
    if isinstance(kind, LargeBinary):
        return of(PACKED)
    assert isinstance(kind, String), kind
    return f"{number}-{column.table.name}-{of(TEXTS)}" if once else of(TEXTS)
