"""All rows of a store into a backup and back: of one moment, in one transaction, from either database to either."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import (
    JSON,
    Boolean,
    Connection,
    Date,
    DateTime,
    Double,
    Engine,
    Integer,
    LargeBinary,
    Text,
    bindparam,
    cast,
    column,
    func,
    inspect,
    select,
    table,
    text,
)
from sqlalchemy.exc import DBAPIError
from sqlalchemy.types import TypeEngine

from frostshift_service.store.backup_file import Head, new_file, open_backup, write_backup
from frostshift_service.store.engine import backend_of, building, reading
from frostshift_service.store.migrations.run import hold_schema, newest_schema, run_steps, schema_of
from frostshift_service.store.records import StoreError
from frostshift_service.store.shapes import Kind, TableShape, shapes_at

_TYPES: Final[dict[Kind, TypeEngine[Any]]] = {
    "text": Text(),
    "int": Integer(),
    "float": Double(),
    "bool": Boolean(),
    "time": DateTime(timezone=True),
    "date": Date(),
    "bytes": LargeBinary(),
    "json": Text(),  # as the database has it: to be read and written again would lose its exact words
}
_ROWS_AT_ONCE: Final = 1_000
_PACKED_AT_ONCE: Final = 20
"""Of tables with packed columns, which may have megabytes a row."""


def make_backup(engine: Engine, path: Path, *, version: str, now: datetime) -> Head:
    """All rows of a store, of one moment, into a new file. It holds no writer up.

    Args:
        engine: of the store, whatever its schema.
        path: where to; there must be no file of that name.
        version: of this program.
        now: aware.

    Raises:
        StoreError: the store has no schema yet, or one that this version does not know; the file cannot be written.
    """
    with reading(engine) as session:
        schema = schema_of(session.connection())
    if schema is None:
        raise StoreError("there is nothing to keep: the database is empty")
    shapes = shapes_at(schema)
    with new_file(path) as raw, reading(engine) as session:
        connection = session.connection()
        if connection.dialect.name == "postgresql":
            # Before the first look, from which on this transaction sees one moment: a change of the schema waits.
            names = ", ".join(f'"{name}"' for name in ("alembic_version", *(shape.name for shape in shapes)))
            connection.exec_driver_sql(f"LOCK TABLE {names} IN ACCESS SHARE MODE")
        if schema_of(connection) != schema:
            raise StoreError("the database was updated at this very moment: try again")
        counts = {shape.name: _count(connection, shape) for shape in shapes}
        head = Head(version, schema, now, connection.dialect.name, counts)
        write_backup(raw, head, ((shape, _rows(connection, shape)) for shape in shapes))
    return head


def restore_backup(url: str, path: Path) -> Head:
    """The rows of a backup into an empty store, all or none, brought to the newest schema.

    All of the backup is read and checked before anything is written.

    Args:
        url: as for `open_store`; the store is made where there is none.
        path: of the backup.

    Raises:
        StoreError: the backup is damaged or of a newer version, the store is not empty, or it does not take a row.
    """
    with open_backup(path) as backup:
        backup.check(backend_of(url))
        with _all_or_none(), building(url) as connection:
            hold_schema(connection)
            _empty_at(connection, backup.head.schema)
            for shape, rows in backup.tables(backend_of(url)):
                _fill(connection, shape, rows)
            if connection.dialect.name == "sqlite":
                for name, _row, points_at, _number in connection.exec_driver_sql("PRAGMA foreign_key_check"):
                    raise StoreError(f"{path}: a row of {name} points at none of {points_at}; nothing was restored")
            else:
                _set_counters(connection, backup.shapes)
            if backup.head.schema != newest_schema():
                run_steps(connection, "head")
        return backup.head


@contextmanager
def _all_or_none() -> Iterator[None]:
    """A database that gives up, such as on a full disk, where not even the last of it may fit: in a sentence."""
    try:
        yield
    except DBAPIError as error:
        said = str(error.orig).partition("\n")[0]
        raise StoreError(f"the database does not take the backup: {said}; nothing was restored") from error


def _column(name: str, kind: Kind, dialect: str) -> Any:
    if kind == "json" and dialect == "postgresql":
        return cast(column(name, JSON()), Text()).label(name)
    return column(name, _TYPES[kind])


def _count(connection: Connection, shape: TableShape) -> int:
    return connection.execute(select(func.count()).select_from(table(shape.name))).scalar_one()


def _rows(connection: Connection, shape: TableShape) -> Iterator[Any]:
    columns = [_column(one.name, one.kind, connection.dialect.name) for one in shape.columns]
    ordered = select(*columns).select_from(table(shape.name)).order_by(*(column(name) for name in shape.key))
    yield from connection.execute(ordered, execution_options={"yield_per": _at_once(shape)})


def _at_once(shape: TableShape) -> int:
    return _PACKED_AT_ONCE if any(one.kind == "bytes" for one in shape.columns) else _ROWS_AT_ONCE


def _empty_at(connection: Connection, schema: str) -> None:
    """Bring a store without rows to a schema; nobody else writes to it until the transaction ends."""
    there = schema_of(connection)
    if there is None:
        if names := sorted(inspect(connection).get_table_names()):
            raise StoreError(f"the database holds the table {names[0]}, which is not ours: restore into an empty one")
    else:
        for shape in shapes_at(there):
            if connection.dialect.name == "postgresql":
                connection.exec_driver_sql(f'LOCK TABLE "{shape.name}" IN ACCESS EXCLUSIVE MODE')
            if count := _count(connection, shape):
                raise StoreError(
                    f"the database is in use: {count} in its table {shape.name}. A backup goes into an empty one "
                    "alone; name a new one with FROSTSHIFT_DATABASE_URL, or move the old one away"
                )
        if there == schema:
            return
        run_steps(connection, "base", back=True)
    run_steps(connection, schema)


def _fill(connection: Connection, shape: TableShape, rows: Iterator[tuple[Any, ...]]) -> None:
    dialect, names = connection.dialect.name, [one.name for one in shape.columns]
    values = {
        one.name: cast(bindparam(one.name, type_=Text()), JSON())
        if one.kind == "json" and dialect == "postgresql"
        else bindparam(one.name, type_=_TYPES[one.kind])
        for one in shape.columns
    }
    into = table(shape.name, *(column(name) for name in names)).insert().values(values)
    waiting: list[dict[str, Any]] = []
    count = 0

    def write() -> None:
        try:
            connection.execute(into, waiting)
        except DBAPIError as error:
            said = str(error.orig).partition("\n")[0]
            raise StoreError(
                f"table {shape.name}, rows {count - len(waiting) + 1} to {count}: the database does not take them: "
                f"{said}; nothing was restored"
            ) from error
        waiting.clear()

    for row in rows:
        waiting.append(dict(zip(names, row, strict=True)))
        count += 1
        if len(waiting) >= _at_once(shape):
            write()
    if waiting:
        write()


def _set_counters(connection: Connection, shapes: tuple[TableShape, ...]) -> None:
    """New rows get numbers after those that were restored."""
    for shape in shapes:
        for name in (one.name for one in shape.columns if shape.key == (one.name,) and one.kind == "int"):
            connection.execute(
                text(
                    f'SELECT setval(pg_get_serial_sequence(:table, :column), max("{name}")) FROM "{shape.name}" '
                    f'HAVING max("{name}") IS NOT NULL'
                ),
                {"table": f'"{shape.name}"', "column": name},
            )
