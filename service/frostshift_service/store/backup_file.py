"""The file of a backup: lines of JSON in gzip, a member a table; the same whichever database rows come from or go to.

The first line says what the backup is (`Head`). Then each table has a line with its name and columns, and a line a row:
whole numbers, texts, true and false as they are; other numbers as the shortest text that gives the same number again;
times as ISO 8601 in UTC; bytes as base64; JSON as the text the database has of it. The last line has the SHA-256 of all
before it, which is against damage, not against somebody who means harm. Nothing in it names a path.
"""

from __future__ import annotations

import base64
import binascii
import gzip
import hashlib
import io
import json
import math
import os
import tempfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, BinaryIO, Final, Protocol, get_args

from frostshift_service.store.migrations.run import is_known
from frostshift_service.store.records import StoreError
from frostshift_service.store.shapes import Kind, TableShape, shapes_at

FORMAT: Final = 1
LONGEST_LINE: Final = 200_000_000
"""A row that is longer was not written by us [bytes]; the largest that the service takes in are some ten MB."""

_AT_ONCE: Final = 1 << 18
_LIMIT: Final = 2**63
_ODD: Final = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}
"""Numbers that JSON has no word for."""


class BackupError(StoreError):
    """A file that is no backup, or one that is damaged."""


@dataclass(frozen=True, slots=True)
class Head:
    """What a backup is.

    Attributes:
        version: of the program that made it.
        schema: of the rows.
        made_utc: when, aware; the moment that the rows are of.
        store: kind of database they come from, `sqlite` or `postgresql`.
        rows: number of rows by table, in the order of the tables.
    """

    version: str
    schema: str
    made_utc: datetime
    store: str
    rows: Mapping[str, int]


Row = tuple[Any, ...]
"""Values of a row in the order of the columns of its table."""

# Values to JSON and back

_TO: Final[Mapping[Kind, Callable[[Any], Any]]] = {
    "text": str,
    "int": int,
    "float": lambda value: float(value) if math.isfinite(value) else repr(float(value)),
    "bool": bool,
    "time": lambda value: (value if value.tzinfo else value.replace(tzinfo=UTC)).astimezone(UTC).isoformat(),
    "date": lambda value: value.isoformat(),
    "bytes": lambda value: base64.b64encode(value).decode("ascii"),
    "json": str,
}


def _of_type(*kinds: type) -> Callable[[Any], Any]:
    def read(value: Any) -> Any:
        if type(value) not in kinds:
            raise ValueError("of another kind")
        return value

    return read


def _number(value: Any) -> float:
    return _ODD[value] if isinstance(value, str) else float(_of_type(float, int)(value))


def _whole(value: Any) -> int:
    if not -_LIMIT <= _of_type(int)(value) < _LIMIT:
        raise ValueError("too large")
    return int(value)


def _time(value: Any) -> datetime:
    at = datetime.fromisoformat(value)
    if at.utcoffset() is None:
        raise ValueError("a time without its zone")
    return at.astimezone(UTC)


def _json(value: Any) -> str:
    json.loads(value)
    return str(value)


_FROM: Final[Mapping[Kind, Callable[[Any], Any]]] = {
    "text": _of_type(str),
    "int": _whole,
    "float": _number,
    "bool": _of_type(bool),
    "time": _time,
    "date": date.fromisoformat,
    "bytes": lambda value: base64.b64decode(value, validate=True),
    "json": _json,
}
assert set(_TO) == set(_FROM) == set(get_args(Kind))

# Writing


@contextmanager
def new_file(path: Path) -> Iterator[BinaryIO]:
    """A file that has its name only once all of it is on the disk; for its owner alone (0600).

    Where the process is killed, a hidden file that ends in `.part` is left, never half a backup of the name.

    Raises:
        StoreError: there is a file of that name, or it cannot be written.
    """
    replaced = StoreError(f"{path} is there already and stays as it is")
    if os.path.lexists(path):
        raise replaced
    part = None
    try:
        handle, part = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(part, path)  # unlike a rename it never takes another file's place
        except FileExistsError:
            raise replaced from None
        except OSError:  # a file system without links
            if os.path.lexists(path):
                raise replaced from None
            os.rename(part, path)
        with suppress(OSError):  # not every system lets a directory be opened
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
    except OSError as error:
        raise StoreError(f"{path} cannot be written: {error.strerror or error}; nothing was kept") from error
    finally:
        if part is not None:
            with suppress(OSError):
                os.unlink(part)


def write_backup(raw: BinaryIO, head: Head, tables: Iterable[tuple[TableShape, Iterable[Sequence[Any]]]]) -> None:
    """Write a backup.

    Args:
        raw: file to write to.
        head: what it is; its counts are those of the rows that follow.
        tables: each with its rows, one at a time.
    """
    digest = hashlib.sha256()

    def write(lines: bytes | bytearray, pack: _Pack) -> None:
        digest.update(lines)
        raw.write(pack.compress(lines))

    pack = _pack()
    write(
        _line(
            {
                "frostshift_backup": FORMAT,
                "version": head.version,
                "schema": head.schema,
                "made_utc": head.made_utc.astimezone(UTC).isoformat(),
                "store": head.store,
                "rows": dict(head.rows),
            }
        ),
        pack,
    )
    raw.write(pack.flush())
    for shape, rows in tables:
        pack = _pack(packed_already=any(column.kind == "bytes" for column in shape.columns))
        write(_line({"table": shape.name, "columns": [column.name for column in shape.columns]}), pack)
        writers = [_TO[column.kind] for column in shape.columns]
        waiting = bytearray()
        for row in rows:
            waiting += _line([None if value is None else to(value) for to, value in zip(writers, row, strict=True)])
            if len(waiting) > _AT_ONCE:
                write(waiting, pack)
                waiting.clear()
        write(waiting, pack)
        raw.write(pack.flush())
    pack = _pack()
    raw.write(pack.compress(_line({"sha256": digest.hexdigest()})) + pack.flush())


class _Pack(Protocol):
    def compress(self, data: bytes | bytearray, /) -> bytes: ...
    def flush(self) -> bytes: ...


def _pack(*, packed_already: bool = False) -> _Pack:
    """A member of a gzip file. In base64 of what is compressed already it is no use to look for repetitions."""
    return zlib.compressobj(1, zlib.DEFLATED, 31, 9, zlib.Z_HUFFMAN_ONLY if packed_already else zlib.Z_DEFAULT_STRATEGY)


def _line(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8") + b"\n"


# Reading


class Backup:
    """A backup that is read line by line, as often as it takes."""

    def __init__(self, raw: BinaryIO, name: str) -> None:
        """Read what the backup is.

        Raises:
            BackupError: it is none, or it was made by a newer version.
        """
        self._raw, self.name = raw, name
        with self._said(), self._lines() as (line, _):
            self.head = self._head(line())
        shapes = {shape.name: shape for shape in shapes_at(self.head.schema)}
        if set(self.head.rows) != set(shapes):
            raise BackupError(f"{name} does not hold the tables of schema {self.head.schema}")
        self.shapes = tuple(shapes[table] for table in self.head.rows)

    def check(self, store: str = "") -> None:
        """Read it to its end.

        Args:
            store: kind of database that is to take it, where there is one.

        Raises:
            BackupError: something in it is damaged, or that database cannot hold it.
        """
        for _shape, rows in self.tables(store):
            for _row in rows:
                pass

    def tables(self, store: str = "") -> Iterator[tuple[TableShape, Iterator[Row]]]:
        """The tables in order, each with its rows, to be read one after the other to their end; errors as `check`."""
        with self._said(), self._lines() as (line, digest):
            line()
            for shape in self.shapes:
                columns = [column.name for column in shape.columns]
                if json.loads(line()) != {"table": shape.name, "columns": columns}:
                    raise BackupError(f"{self.name} is damaged: table {shape.name} is not where it has to be")
                count = self.head.rows[shape.name]
                rows = self._rows(shape, count, line, store)
                yield shape, rows
                if next(rows, None) is not None:
                    raise AssertionError(f"table {shape.name} was not read to its end")
            expected = digest()
            if json.loads(line()) != {"sha256": expected} or line():
                raise BackupError(f"{self.name} is damaged: its checksum does not fit")

    def _rows(self, shape: TableShape, count: int, line: Callable[[], bytes], store: str) -> Iterator[Row]:
        for number in range(1, count + 1):
            with self._said():
                values = json.loads(line())
            if not isinstance(values, list) or len(values) != len(shape.columns):
                raise BackupError(f"{self.name} is damaged: {shape.name}, row {number} of {count}, is none")
            row = []
            for column, value in zip(shape.columns, values, strict=True):
                try:
                    if value is None and not column.nullable:
                        raise ValueError("missing")
                    read = None if value is None else _FROM[column.kind](value)
                except (ValueError, TypeError, KeyError, RecursionError, binascii.Error) as error:
                    raise BackupError(
                        f"{self.name} is damaged: {shape.name}, row {number}, column {column.name}: expected "
                        f"{column.kind}"
                    ) from error
                if reason := _not_for(store, read):
                    raise BackupError(
                        f"{self.name}: {shape.name}, row {number}, column {column.name}: {reason}; nothing was restored"
                    )
                row.append(read)
            yield tuple(row)

    def _head(self, line: bytes) -> Head:
        said = json.loads(line)
        if not isinstance(said, dict) or "frostshift_backup" not in said:
            raise BackupError(f"{self.name} is no backup of Frostshift")
        if said["frostshift_backup"] != FORMAT or not is_known(said["schema"]):
            raise BackupError(
                f"{self.name} was made by version {said.get('version')}, with schema {said.get('schema')}, which this "
                "version does not know. Install that one, or a newer one"
            )
        rows = {_of_type(str)(name): _whole(count) for name, count in said["rows"].items()}
        return Head(str(said["version"]), str(said["schema"]), _time(said["made_utc"]), str(said["store"]), rows)

    @contextmanager
    def _lines(self) -> Iterator[tuple[Callable[[], bytes], Callable[[], str]]]:
        """From the start: what reads the next line (empty: there is none), and the SHA-256 of those read so far."""
        self._raw.seek(0)
        digest = hashlib.sha256()
        with gzip.GzipFile(fileobj=self._raw, mode="rb") as packed, io.BufferedReader(packed, _AT_ONCE) as lines:

            def line() -> bytes:
                found = lines.readline(LONGEST_LINE)
                if len(found) == LONGEST_LINE:
                    raise BackupError(f"{self.name}: a line is longer than {LONGEST_LINE // 1_000_000} MB")
                digest.update(found)
                return found

            yield line, digest.hexdigest

    @contextmanager
    def _said(self) -> Iterator[None]:
        """What cannot be read becomes a sentence."""
        try:
            yield
        except EOFError as error:
            raise BackupError(f"{self.name} is cut off: it has no end") from error
        except (gzip.BadGzipFile, zlib.error, ValueError, KeyError, TypeError, RecursionError) as error:
            raise BackupError(f"{self.name} is no backup, or it is damaged") from error
        except OSError as error:
            raise BackupError(f"{self.name} cannot be read: {error.strerror or error}") from error


@contextmanager
def open_backup(path: Path) -> Iterator[Backup]:
    """A backup to read; it is held open, so that what was checked is what is restored. Errors as `Backup`."""
    try:
        raw = path.open("rb")
    except OSError as error:
        raise BackupError(f"{path} cannot be read: {error.strerror}") from error
    with raw:
        yield Backup(raw, str(path))


def _not_for(store: str, value: Any) -> str:
    """Why a database cannot hold a value; empty where it can."""
    if store == "postgresql" and isinstance(value, str) and "\0" in value:
        return "PostgreSQL cannot hold a text with a NUL"
    if store == "postgresql" and type(value) is int and not -(2**31) <= value < 2**31:
        return f"PostgreSQL cannot hold {value} there"
    if store == "sqlite" and isinstance(value, float) and math.isnan(value):
        return "SQLite cannot hold a number that is none (NaN)"
    return ""
