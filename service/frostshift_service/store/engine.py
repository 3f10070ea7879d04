"""Opening a database, and the two kinds of session."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Final

from pydantic_core import from_json
from sqlalchemy import URL, Connection, Engine, ExceptionContext, NullPool, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.exc import TimeoutError as PoolTimeout
from sqlmodel import Session

from frostshift_service.metrics import DATABASE_TIMEOUTS, is_time_out
from frostshift_service.store.migrations.run import upgrade_to_head
from frostshift_service.store.records import StoreError

BUSY_TIMEOUT_MS: Final = 15_000
"""A writer waits so long for another writer of the same SQLite file."""
MIGRATION_TIMEOUT_MS: Final = 600_000
"""Who opens a SQLite file waits so long for another who changes its schema or fills it from a backup."""

NO_DRIVER: Final = "PostgreSQL needs psycopg: install frostshift with the extra 'postgres'"

WAITED_FOR_S: Final = 30
"""PostgreSQL breaks a statement off that somebody waits for at a page."""
LOCK_S: Final = 10
"""And one that waits so long for a lock of another."""

_READING: Final = "frostshift_reading"
_WAITED_FOR: Final = "frostshift_waited_for"


class NotInTime(Exception):
    """What somebody else had in hand was waited for too long: another time it may be free."""


def open_store(url: str) -> Engine:
    """The database at `url`, brought to the newest schema.

    Args:
        url: `sqlite:///FILE` (the directory is made where it is missing) or `postgresql://USER@HOST/NAME`.

    Raises:
        StoreError: the database cannot be opened, or was written by a newer version.
    """
    address = _checked(url)
    with _opening(address):
        with building(url) as connection:
            upgrade_to_head(connection)
        return _engine(address, foreign_keys=True)


def open_as_it_is(url: str) -> Engine:
    """The database at `url` with the schema it has; nothing is made or changed.

    Raises:
        StoreError: there is none, or it cannot be opened.
    """
    address = _checked(url)
    if address.get_backend_name() == "sqlite" and not Path(str(address.database)).is_file():
        raise StoreError(f"there is no database {address.database}")
    with _opening(address):
        engine = _engine(address, foreign_keys=True)
        engine.connect().close()
        return engine


@contextmanager
def building(url: str) -> Iterator[Connection]:
    """One transaction in which the schema may change, on a connection of its own; the database is made where it lacks.

    Foreign keys have to be off while a migration rebuilds a table: with them on, SQLite would delete its children.
    """
    address = _checked(url)
    with ExitStack() as closing:
        with _opening(address):
            if address.get_backend_name() == "sqlite":
                path = Path(str(address.database))
                path.parent.mkdir(parents=True, exist_ok=True)
                path.touch(0o600)  # hashes of passwords are in it; SQLite's files beside it take after it
            engine = _engine(address, foreign_keys=False, waits_ms=MIGRATION_TIMEOUT_MS, poolclass=NullPool)
            connection = closing.enter_context(engine.connect())
            closing.enter_context(connection.begin())
        yield connection


@contextmanager
def _opening(address: URL) -> Iterator[None]:
    """What goes wrong becomes a sentence that shows no password."""
    shown = address.render_as_string(hide_password=True)
    try:
        yield
    except ModuleNotFoundError as error:
        raise StoreError(NO_DRIVER) from error
    except (DBAPIError, OSError) as error:
        reason = error.orig if isinstance(error, DBAPIError) else error
        raise StoreError(f"the database {shown} cannot be opened: {reason}") from error


def store_as_it_is(url: str) -> Engine:
    """The database at `url`, whatever its schema; nothing is made or changed, and it is not connected to yet.

    Raises:
        StoreError: the address is none of ours, or its driver is missing.
    """
    try:
        return _engine(_checked(url), foreign_keys=True)
    except ModuleNotFoundError as error:
        raise StoreError(NO_DRIVER) from error


def waited_for(engine: Engine) -> Engine:
    """The same store, on the same connections, for those who wait for an answer: PostgreSQL gives up in time.

    SQLite has `BUSY_TIMEOUT_MS` for everybody, and no limit to a statement.
    """
    return engine.execution_options(**{_WAITED_FOR: True})


def is_busy(error: BaseException) -> bool:
    """Whether the store gave up because something, or the wait for it, took too long: another time it may work."""
    return isinstance(error, PoolTimeout | NotInTime) or (isinstance(error, DBAPIError) and is_time_out(error.orig))


@contextmanager
def reading(engine: Engine) -> Iterator[Session]:
    """A session that sees one moment of the database, writes nothing and holds no writer up."""
    with Session(engine.execution_options(**{_READING: True})) as session:
        yield session


@contextmanager
def writing(engine: Engine) -> Iterator[Session]:
    """A session that is committed once, at the end, or rolled back whole where an error leaves the block."""
    with Session(engine, expire_on_commit=False) as session, session.begin():
        yield session


def backend_of(url: str) -> str:
    """`sqlite` or `postgresql`; errors as `open_store`."""
    return _checked(url).get_backend_name()


def _checked(url: str) -> URL:
    try:
        address = make_url(url)
        backend = address.get_backend_name()
    except (ArgumentError, NoSuchModuleError):
        backend = ""
    if backend not in ("sqlite", "postgresql"):
        raise StoreError("the database address is neither sqlite:///FILE nor postgresql://USER@HOST/NAME")
    if backend == "sqlite" and address.database in (None, "", ":memory:"):
        raise StoreError("the SQLite address names no file; expected sqlite:///FILE")
    return address


def _engine(address: URL, *, foreign_keys: bool, waits_ms: int | None = None, **options: Any) -> Engine:
    engine = create_engine(
        address,
        json_serializer=partial(json.dumps, allow_nan=False),  # PostgreSQL refuses NaN, SQLite does not: neither here
        json_deserializer=from_json,  # reads the joints of a big site in half the time of json.loads
        pool_pre_ping=True,
        hide_parameters=True,  # what is kept may be secret, and errors are logged
        **options,
    )
    event.listen(engine, "handle_error", _count_time_out)
    if address.get_backend_name() == "sqlite":
        _set_up_sqlite(engine, foreign_keys, waits_ms)
    else:
        _set_up_postgresql(engine)
    return engine


def _count_time_out(context: ExceptionContext) -> None:
    if is_time_out(context.original_exception):
        DATABASE_TIMEOUTS.inc()


def _set_up_sqlite(engine: Engine, foreign_keys: bool, waits_ms: int | None) -> None:
    @event.listens_for(engine, "connect")
    def connect(dbapi: Any, _record: object) -> None:
        dbapi.isolation_level = None  # we say BEGIN ourselves, below
        dbapi.execute(f"PRAGMA busy_timeout = {waits_ms or BUSY_TIMEOUT_MS}")
        _into_wal(dbapi)
        dbapi.execute("PRAGMA synchronous = NORMAL")
        dbapi.execute(f"PRAGMA foreign_keys = {'ON' if foreign_keys else 'OFF'}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        # IMMEDIATE: two writers that read first and write after would otherwise lose an update or fail at once.
        only_reads = connection.get_execution_options().get(_READING, False)
        connection.exec_driver_sql(f"PRAGMA query_only = {'ON' if only_reads else 'OFF'}")
        connection.exec_driver_sql("BEGIN" if only_reads else "BEGIN IMMEDIATE")


def _into_wal(dbapi: Any) -> None:
    """Write-ahead log on; several who open a new file at once may be refused without waiting, whatever the time-out."""
    for _ in range(BUSY_TIMEOUT_MS // 50):
        try:
            dbapi.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError:
            time.sleep(0.05)
        else:
            return
    dbapi.execute("PRAGMA journal_mode = WAL")


def _set_up_postgresql(engine: Engine) -> None:
    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        options, first = connection.get_execution_options(), []
        if options.get(_READING, False):
            first.append("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        if options.get(_WAITED_FOR, False):
            first.append(f"SET LOCAL statement_timeout = '{WAITED_FOR_S}s'; SET LOCAL lock_timeout = '{LOCK_S}s'")
        if first:
            connection.exec_driver_sql("; ".join(first))
