"""A schedule file's bytes to rows of text. What a cell means is not asked here."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Final

from frostshift_service.schedule_file.columns import BY_NAME, column_name

SEPARATORS: Final = (",", ";", "\t")
_UTF16_BOMS: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_FORMULA: Final = re.compile("'*[=+@-]")
_GUARDED: Final = re.compile("'+[=+@-]")


class FileProblem(ValueError):
    """A file that cannot be read at all, or not from row `row` on; `limit` where one was passed, else empty."""

    def __init__(self, message: str, limit: str = "", row: int | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.limit = limit
        self.row = row


@dataclass(frozen=True, slots=True)
class Row:
    """One row that is not blank: its number as a spreadsheet counts, and its cells as typed, without outer spaces."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of a file, the header first, and what had to be assumed to read them."""

    rows: tuple[Row, ...]
    warnings: tuple[str, ...] = ()


def guarded(cell: str) -> str:
    """Free text for a file that a spreadsheet opens: what it would take for a formula gets an apostrophe before it."""
    return f"'{cell}" if _FORMULA.match(cell) else cell


def unguarded(cell: str) -> str:
    """The text that `guarded` was given."""
    return cell[1:] if _GUARDED.match(cell) else cell


def tidy(cell: str) -> str:
    """A cell without outer spaces and with single spaces inside, so that no two marks differ by spaces alone."""
    return " ".join(cell.split())


def filled(rows: Iterator[tuple[int, list[str]]], max_rows: int) -> Iterator[Row]:
    """The rows that are not blank, the header included.

    Raises:
        FileProblem: more than `max_rows` rows under the header.
    """
    count = 0
    for number, cells in rows:
        if not any(cells):
            continue
        count += 1
        if count > max_rows + 1:
            raise FileProblem(f"has more than {max_rows:,} rows", f"{max_rows:,} rows", number)
        yield Row(number, tuple(cells))


def decode(data: bytes) -> tuple[str, str]:
    """The text of a CSV file and a warning (else empty): UTF-8, UTF-16 with its mark, and cp1252 as a last resort.

    Raises:
        FileProblem: no text in any of these.
    """
    warning = ""
    try:
        content = data.decode("utf-16" if data.startswith(_UTF16_BOMS) else "utf-8-sig")
    except UnicodeDecodeError as error:
        if data.startswith(_UTF16_BOMS):
            raise FileProblem(f"is marked as UTF-16 but cannot be read as such at byte {error.start}") from None
        if b"\0" in data:
            raise FileProblem("holds NUL bytes: it is no text file; save it as CSV UTF-8") from None
        try:
            content = data.decode("cp1252")
        except UnicodeDecodeError:
            raise FileProblem(
                f"is neither UTF-8 (byte {error.start}) nor Windows-1252 text; save it as CSV UTF-8"
            ) from None
        warning = (
            "the file is not UTF-8 and was read as Windows-1252: check names with accents, "
            "or save it as CSV UTF-8 and load it again"
        )
    if "\0" in content:
        raise FileProblem("holds NUL bytes: it is no text file; save it as CSV UTF-8")
    return content, warning


def _separator(content: str, columns: Collection[str]) -> str:
    """The separator that finds most of `columns` in the header, which is the first line that is not blank."""
    header = next((line for line in content.splitlines() if line.strip(" ,;\t\"'")), "")

    def known(separator: str) -> int:
        return sum(column_name(name.strip(" \"'")) in columns for name in header.split(separator))

    return max(SEPARATORS, key=known)


def read_csv(data: bytes, max_rows: int, columns: Collection[str] = BY_NAME) -> Sheet:
    """The rows of a CSV file whose header names `columns`, which settle what separates its cells.

    Raises:
        FileProblem: no text, a quote that is never closed, or more than `max_rows` rows.
    """
    content, warning = decode(data)
    # strict: a quote that is never closed would otherwise swallow the rest of the file as one cell
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=_separator(content, columns), strict=True)
    numbered = ((number, [tidy(cell) for cell in cells]) for number, cells in enumerate(reader, 1))
    try:
        rows = tuple(filled(numbered, max_rows))
    except csv.Error as error:
        raise FileProblem(
            f"cannot be read as CSV near line {reader.line_num}: {error}; look for a quote that is not closed"
        ) from None
    return Sheet(rows, (warning,) if warning else ())
