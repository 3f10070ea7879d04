"""Rows of text under a header, by column: what schedules and other lists that people fill in share."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, Final

from frostshift_service.schedule_file.cells import CellProblem, shown
from frostshift_service.schedule_file.columns import Column
from frostshift_service.schedule_file.report import Findings
from frostshift_service.schedule_file.sheet import Row, unguarded

LONGEST_CELL: Final = 200


def check_header(
    names: Sequence[str],
    header: Row,
    columns: Mapping[str, Column],
    findings: Findings,
    *,
    numbered: re.Pattern[str] | None = None,
    numbers: str = "",
) -> bool:
    """Whether the rows under this header can be read.

    Args:
        names: of the columns, one for each cell of the header.
        header: as typed.
        columns: by name, all that are read.
        findings: takes errors and warnings.
        numbered: names of columns that come with a number, of which only some are read.
        numbers: how those are numbered, for the message.
    """
    before = findings.error_count
    typed = dict(zip(names, header.cells, strict=True))
    missing = [name for name, column in columns.items() if column.need != "no" and name not in typed]
    if missing:
        there = ", ".join(shown(cell) for cell in header.cells if cell) or "nothing"
        message = f"required columns are missing: {', '.join(missing)}; the header has {there}"
        findings.error(header.number, "", ", ".join(missing), message)
    for name in dict.fromkeys(name for name in names if name and names.count(name) > 1):
        findings.error(header.number, name, typed[name], "the column is in the header twice")
    absent = [name for name in columns if name not in typed and name not in missing]
    ignored = []
    for name in [name for name in typed if name and name not in columns]:
        if numbered and numbered.fullmatch(name) and not get_close_matches(name, absent, n=1, cutoff=0.95):
            findings.error(header.number, name, typed[name], f"unknown column; {numbers}")
        elif meant := _meant(name, absent):
            # a misspelt column must not be passed over: with it a part, or a shelter, would vanish
            findings.error(
                header.number, name, typed[name], f"unknown column; is {meant} meant? Rename or remove the column"
            )
        else:
            ignored.append(shown(typed[name]))
    if ignored:
        findings.warn(f"unknown columns are not read: {', '.join(ignored)}", header.number)
    return findings.error_count == before


def _meant(name: str, absent: Sequence[str]) -> str | None:
    longer = next((known for known in absent if re.match(rf"{known}[_(\[]", name)), None)
    return longer or next(iter(get_close_matches(name, absent, n=1, cutoff=0.85)), None)


def by_column(names: Sequence[str], row: Row, findings: Findings) -> dict[str, str]:
    """The filled cells of a row by column."""
    values = {}
    for index, cell in enumerate(row.cells):
        name = names[index] if index < len(names) else ""
        if cell and name:
            values[name] = unguarded(cell)
        elif cell:
            findings.error(
                row.number,
                "",
                cell,
                f"{shown(cell)} in place {index + 1} stands under no column name; is a separator typed inside a cell?",
            )
    return values


def read_cell(column: Column, cell: str, row: int | None, findings: Findings, longest: int = LONGEST_CELL) -> Any:
    """The value of a cell; None where it is empty or, the error being noted, cannot be read."""
    name = column.name
    if not cell:
        if column.need == "cell":
            findings.error(row, name, cell, f"is empty; write {column.how}, for example {column.example}")
        return None
    if len(cell) > longest:
        message = f"has {len(cell)} characters, more than {longest}"
        findings.error(row, name, cell, message, f"{longest} characters")
        return None
    try:
        return column.read(cell)
    except CellProblem as problem:
        findings.error(row, name, cell, problem.message, problem.limit)
        return None


def check_once(column: str, name: str, row: int, seen: dict[str, tuple[int, str]], findings: Findings) -> None:
    """Refuse a name that an earlier row has, whatever its capitals; `seen` remembers row and spelling."""
    if not name:
        return
    first = seen.setdefault(name.casefold(), (row, name))
    if first[0] != row:
        spelled = "" if first[1] == name else f" as {shown(first[1])}"
        findings.error(row, column, name, f"{shown(name)} is already in row {first[0]}{spelled}")
