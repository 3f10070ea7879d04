"""A site's welding procedures as a CSV (or XLSX) list, with one list of errors by row; a template and the list out.

A cell that cannot be read is an error and nothing of the file is taken in. Cells are written as in a schedule: every
quantity with its unit.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from frostshift_rules.job import Procedure
from frostshift_service.schedule_file import CellError, Column, cells, rows_of, writers
from frostshift_service.schedule_file.columns import YES_NO, column_name
from frostshift_service.schedule_file.grid import by_column, check_header, check_once, read_cell
from frostshift_service.schedule_file.report import Findings
from frostshift_service.schedule_file.sheet import Row, guarded
from frostshift_service.site_file import PROCEDURE_MAXIMUM_C, PROCEDURE_MINIMUM_C, PROCEDURE_MM, covered_steel

MAX_BYTES: Final = 1_000_000
MAX_ROWS: Final = 1_000
SHEET_NAME: Final = "procedures"
LONGEST_CELL: Final = 1_000
ALL: Final = "all"
"""What stands for every steel, as an empty cell does."""
BETWEEN_STEELS: Final = ";"


def _steels(cell: str) -> tuple[str, ...]:
    """The steels of a cell in their one spelling; empty for all."""
    if cell.casefold() == ALL:
        return ()
    found: list[str] = []
    for typed in [one.strip() for one in cell.split(BETWEEN_STEELS)]:
        try:
            steel = covered_steel(typed)
        except ValueError as error:
            if typed.endswith("-*") and typed != "-*":
                raise cells.CellProblem(str(error)) from None
            raise cells.CellProblem(
                f"{cells.shown(typed)} cannot be read as a steel; write specification and grade, several with "
                f"{BETWEEN_STEELS} between, for example A572-50{BETWEEN_STEELS} A588-*, or {ALL}"
            ) from None
        if steel in found:
            raise cells.CellProblem(f"{cells.shown(cell)} has {steel} twice")
        found.append(steel)
    return tuple(found)


_MM: Final = "0 mm to 1 m"

COLUMNS: Final[tuple[Column, ...]] = (
    Column("procedure", "cell", "text, 60 characters", "", "name of the welding procedure", "P-12", cells.text(60)),
    Column(
        "steels",
        "column",
        "specification and grade, several with ; between; A588-* for every grade of A588",
        ALL,
        "steels that it covers",
        "A572-50; A588-*",
        _steels,
    ),
    Column(
        "thickness_from",
        "column",
        f"length with unit, {_MM}",
        "no limit",
        "thinnest that the thickest part may be",
        "3/4 in",
        cells.length_mm(*PROCEDURE_MM, "20 mm or 3/4 in"),
    ),
    Column(
        "thickness_to",
        "column",
        f"length with unit, {_MM}",
        "no limit",
        "thickest that the thickest part may be",
        "2-1/2 in",
        cells.length_mm(*PROCEDURE_MM, "60 mm or 2-1/2 in"),
    ),
    Column(
        "process",
        "column",
        "SMAW | FCAW-S | FCAW-G | GMAW | GTAW | SAW",
        "any",
        "welding process that it covers",
        "SMAW",
        cells.process,
    ),
    Column(
        "minimum",
        "column",
        "temperature with unit, -20 °C to 400 °C",
        "not stated",
        "minimum preheat and interpass temperature",
        "230 F",
        cells.temperature_c(*PROCEDURE_MINIMUM_C),
    ),
    Column(
        "maximum",
        "column",
        "temperature with unit, 20 °C to 600 °C",
        "not stated",
        "maximum interpass temperature",
        "450 F",
        cells.temperature_c(*PROCEDURE_MAXIMUM_C),
    ),
    Column(
        "qualified_by_test",
        "column",
        "yes | no",
        "no",
        "yes: its minimum replaces the table's row, also where it is lower",
        "no",
        cells.choice(YES_NO),
    ),
)
"""Every column, in the order of the template; each has to be in the header, so that no limit is lost by a slip."""

BY_NAME: Final[Mapping[str, Column]] = {column.name: column for column in COLUMNS}


@dataclass(frozen=True, slots=True)
class ProcedureFile:
    """A list of procedures as it was read. `procedures` is empty where there is any error.

    Attributes:
        procedures: in the order of the file.
        errors: by row, the first of them; `error_count` counts all.
        warnings: sentences for people; the procedures are good all the same.
    """

    procedures: tuple[Procedure, ...]
    errors: tuple[CellError, ...]
    error_count: int
    warnings: tuple[str, ...]


def read_procedures(data: bytes, filename: str) -> ProcedureFile:
    """The procedures in the bytes of a CSV or XLSX file; its content, not its name, says which.

    Args:
        data: the whole file, at most `MAX_BYTES` and `MAX_ROWS` rows under its header.
        filename: for messages.
    """
    findings = Findings()
    sheet = rows_of(data, filename, findings, MAX_BYTES, MAX_ROWS, BY_NAME, SHEET_NAME)
    procedures = () if sheet is None else _procedures(sheet.rows, findings)
    return ProcedureFile(
        procedures=() if findings.error_count else procedures,
        errors=tuple(findings.errors),
        error_count=findings.error_count,
        warnings=findings.all_warnings(),
    )


def _procedures(rows: Sequence[Row], findings: Findings) -> tuple[Procedure, ...]:
    header, *body = rows
    names = tuple(column_name(cell) for cell in header.cells)
    if not check_header(names, header, BY_NAME, findings):
        return ()
    seen: dict[str, tuple[int, str]] = {}
    procedures = []
    for row in body:
        typed = by_column(names, row, findings)
        check_once("procedure", typed.get("procedure", ""), row.number, seen, findings)
        procedures.append(_procedure(row.number, typed, findings))
    return tuple(procedures)


def _procedure(row: int, typed: Mapping[str, str], findings: Findings) -> Procedure:
    """One row; what could not be read is None in it, and noted."""
    read: dict[str, Any] = {
        name: read_cell(column, typed.get(name, ""), row, findings, LONGEST_CELL) for name, column in BY_NAME.items()
    }
    minimum_c, maximum_c = read["minimum"], read["maximum"]
    if minimum_c is not None and maximum_c is not None and minimum_c >= maximum_c:
        said = f"{cells.shown(typed['minimum'])} is not below the maximum {cells.shown(typed['maximum'])}"
        findings.error(row, "minimum", typed["minimum"], said, f"below {typed['maximum']}")
    from_mm, to_mm = read["thickness_from"], read["thickness_to"]
    if from_mm is not None and to_mm is not None and from_mm > to_mm:
        said = f"{cells.shown(typed['thickness_from'])} is above thickness_to {cells.shown(typed['thickness_to'])}"
        findings.error(row, "thickness_from", typed["thickness_from"], said, f"at most {typed['thickness_to']}")
    if not typed.get("minimum"):
        findings.warn("is empty: the procedure states no minimum", row, "minimum")
    return Procedure(
        name=read["procedure"] or "",
        minimum_c=minimum_c,
        maximum_c=maximum_c,
        qualified_by_test=bool(read["qualified_by_test"]),
        steels=read["steels"] or (),
        from_mm=from_mm,
        to_mm=to_mm,
        process=read["process"],
    )


def template_csv() -> bytes:
    """A CSV file with the header alone."""
    return _csv(())


def procedures_csv(procedures: Iterable[Procedure], show: writers.Units) -> bytes:
    """The procedures as CSV (UTF-8 with its mark) that `read_procedures` takes.

    Args:
        procedures: to write.
        show: units to prefer; a value that would not read back the same in them is written in SI.
    """
    return _csv([{**row, "procedure": guarded(row["procedure"])} for row in procedure_cells(procedures, show)])


def procedure_cells(procedures: Iterable[Procedure], show: writers.Units) -> list[dict[str, str]]:
    """The procedures as cells by column; empty where a procedure states nothing."""
    return [
        {
            "procedure": one.name,
            "steels": f"{BETWEEN_STEELS} ".join(one.steels),
            "thickness_from": "" if one.from_mm is None else writers.length(one.from_mm, show),
            "thickness_to": "" if one.to_mm is None else writers.length(one.to_mm, show),
            "process": one.process or "",
            "minimum": "" if one.minimum_c is None else writers.temperature(one.minimum_c, show),
            "maximum": "" if one.maximum_c is None else writers.temperature(one.maximum_c, show),
            "qualified_by_test": writers.word(YES_NO, one.qualified_by_test),
        }
        for one in procedures
    ]


def _csv(rows: Iterable[Mapping[str, str]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(BY_NAME), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode("utf-8-sig")
