"""Schedules as files: CSV and XLSX in, with one list of errors by row; a template and the current schedule out.

A cell that cannot be read is an error and nothing of the file is imported. A joint that can be read but is not covered
(no steel, no process, no electrode) is imported with the reason.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from frostshift_rules.job import Site
from frostshift_service.schedule_file.columns import BY_NAME, COLUMNS, Column
from frostshift_service.schedule_file.parse import read_joints, read_typed
from frostshift_service.schedule_file.report import CellError, Findings, ScheduleFile
from frostshift_service.schedule_file.sheet import FileProblem, Sheet, read_csv
from frostshift_service.schedule_file.template import joints_csv, joints_xlsx, row_of, template_csv, template_xlsx
from frostshift_service.schedule_file.workbook import COMPOUND_START, SHEET_NAME, ZIP_START, read_xlsx

__all__ = [
    "COLUMNS",
    "CellError",
    "Column",
    "Findings",
    "ScheduleFile",
    "joints_csv",
    "joints_xlsx",
    "read_schedule",
    "read_typed",
    "row_of",
    "rows_of",
    "template_csv",
    "template_xlsx",
]


def read_schedule(
    data: bytes, filename: str, site: Site, now: datetime, max_bytes: int = 10_000_000, max_rows: int = 20_000
) -> ScheduleFile:
    """A schedule from the bytes of a CSV or XLSX file; its content, not its name, says which.

    Args:
        data: the whole file.
        filename: for messages.
        site: whose clock, shifts, procedures and heat sources the rows are read against.
        now: aware; starts long before or after it get a warning.
        max_bytes: a larger file is refused unread.
        max_rows: most rows under the header.
    """
    findings = Findings()
    sheet = rows_of(data, filename, findings, max_bytes, max_rows)
    return findings.schedule_file(() if sheet is None else read_joints(sheet.rows, site, now, findings))


def rows_of(
    data: bytes,
    filename: str,
    findings: Findings,
    max_bytes: int,
    max_rows: int,
    columns: Collection[str] = BY_NAME,
    sheet_name: str = SHEET_NAME,
) -> Sheet | None:
    """The rows of a CSV or XLSX file, a header and at least one more; None where `findings` got an error.

    Args:
        data: the whole file.
        filename: for messages.
        findings: takes errors and warnings.
        max_bytes: a larger file is refused unread.
        max_rows: most rows under the header.
        columns: names of the columns that may be in it.
        sheet_name: the sheet of a workbook that is read where it is there, else the first.
    """
    try:
        if len(data) > max_bytes:
            limit = f"{max_bytes / 1e6:g} MB"
            raise FileProblem(f"has {len(data) / 1e6:,.1f} MB, more than {limit}", limit)
        if not data.strip():
            raise FileProblem("is empty")
        is_workbook = data.startswith((ZIP_START, COMPOUND_START))
        sheet = read_xlsx(data, max_rows, sheet_name) if is_workbook else read_csv(data, max_rows, columns)
        if not sheet.rows:
            raise FileProblem("is empty")
        if len(sheet.rows) == 1:
            raise FileProblem("has a header and no rows")
    except FileProblem as problem:
        findings.error(problem.row, "", filename, f"{filename} {problem.message}", problem.limit)
        return None
    for warning in sheet.warnings:
        findings.warn(warning)
    return sheet
