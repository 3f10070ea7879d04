"""Observed air temperatures as a CSV (or XLSX) list, with one list of errors by row.

Columns `time_utc` (ISO 8601 with its offset) and one of `air_c` and `air_f`, a number each. A cell that cannot be read
is an error and nothing of the file is used.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from frostshift_rules.air_correction import AIR_LIMITS_C
from frostshift_rules.job import AirReading
from frostshift_rules.units import c_from_f, f_from_c
from frostshift_service.schedule_file import CellError, Column, cells, rows_of
from frostshift_service.schedule_file.columns import column_name
from frostshift_service.schedule_file.grid import by_column, check_header, check_once, read_cell
from frostshift_service.schedule_file.report import Findings
from frostshift_service.schedule_file.sheet import Row

MAX_BYTES: Final = 10_000_000
MAX_ROWS: Final = 100_000
"""A reading every ten minutes for more than a year."""
SHEET_NAME: Final = "observed"
_TIME_EXAMPLE: Final = "2026-01-15T06:00Z"
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")


def _time_utc(cell: str) -> datetime:
    try:
        at = datetime.fromisoformat(cell)
    except ValueError:
        raise cells.CellProblem(f"{cells.shown(cell)} is not a time; write {_TIME_EXAMPLE}") from None
    if at.utcoffset() is None:
        raise cells.CellProblem(f"{cells.shown(cell)} has no offset from UTC; write {_TIME_EXAMPLE}")
    return at.astimezone(UTC)


def _air_c(unit: str, to_c: Callable[[float], float], from_c: Callable[[float], float]) -> Callable[[str], float]:
    low, high = (from_c(end) for end in AIR_LIMITS_C)
    limit = f"{low:g} to {high:g} {unit}"

    def read(cell: str) -> float:
        if not _NUMBER.fullmatch(cell):
            raise cells.CellProblem(f"{cells.shown(cell)} is not a number of {unit}; write for example -12.3")
        if not low <= float(cell) <= high:
            raise cells.CellProblem(f"{cells.shown(cell)} is outside {limit}", limit)
        return to_c(float(cell))

    return read


_C: Final = _air_c("°C", lambda c: c, lambda c: c)
_F: Final = _air_c("°F", c_from_f, f_from_c)

COLUMNS: Final[Mapping[str, Column]] = {
    column.name: column
    for column in (
        Column("time_utc", "cell", "date and time with its offset", "", "when", _TIME_EXAMPLE, _time_utc),
        Column("air_c", "no", "number of °C", "", "air temperature", "-12.3", _C),
        Column("air_f", "no", "number of °F", "", "air temperature", "9.9", _F),
    )
}
AIR_COLUMNS: Final = ("air_c", "air_f")


@dataclass(frozen=True, slots=True)
class ObservedFile:
    """A list of observed temperatures as it was read. `readings` is empty where there is any error.

    Attributes:
        readings: in the order of the file; a row without a temperature is none.
        errors: by row, the first of them; `error_count` counts all.
        warnings: sentences for people; the readings are good all the same.
    """

    readings: tuple[AirReading, ...]
    errors: tuple[CellError, ...]
    error_count: int
    warnings: tuple[str, ...]


def read_observed(data: bytes, filename: str) -> ObservedFile:
    """The readings in the bytes of a CSV or XLSX file; its content, not its name, says which.

    Args:
        data: the whole file, at most `MAX_BYTES` and `MAX_ROWS` rows under its header.
        filename: for messages.
    """
    findings = Findings()
    sheet = rows_of(data, filename, findings, MAX_BYTES, MAX_ROWS, COLUMNS, SHEET_NAME)
    readings = () if sheet is None else _readings(sheet.rows, findings)
    return ObservedFile(
        readings=() if findings.error_count else readings,
        errors=tuple(findings.errors),
        error_count=findings.error_count,
        warnings=findings.all_warnings(),
    )


def _readings(rows: Sequence[Row], findings: Findings) -> tuple[AirReading, ...]:
    header, *body = rows
    names = tuple(column_name(cell) for cell in header.cells)
    if not check_header(names, header, COLUMNS, findings):
        return ()
    air = [name for name in AIR_COLUMNS if name in names]
    if len(air) != 1:
        said = "both" if air else "neither"
        findings.error(
            header.number, "", " ".join(header.cells), f"the header has {said} of air_c and air_f; write one"
        )
        return ()
    seen: dict[str, tuple[int, str]] = {}
    readings = []
    for row in body:
        typed = by_column(names, row, findings)
        at: Any = read_cell(COLUMNS["time_utc"], typed.get("time_utc", ""), row.number, findings)
        air_c: Any = read_cell(COLUMNS[air[0]], typed.get(air[0], ""), row.number, findings)
        if at is not None:
            check_once("time_utc", at.isoformat(), row.number, seen, findings)
        if at is not None and air_c is not None:
            readings.append(AirReading(air_c, at))
    return tuple(readings)
