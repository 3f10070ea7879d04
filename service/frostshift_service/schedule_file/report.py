"""What a read schedule hands back: joints, or every error of the file, and warnings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from frostshift_service.store.records import ImportedJoint

SHOWN: Final = 200
"""So many errors, and so many warnings, are listed; the rest is counted."""


@dataclass(frozen=True, slots=True)
class CellError:
    """Why a schedule is not imported.

    Attributes:
        row: number of the row as a spreadsheet counts; None where it concerns the whole file.
        column: name of the column; empty where it concerns a whole row or the file.
        value: what was typed.
        message: a sentence for people that repeats the value and says what is expected.
        limit: the limit that was passed, such as `1 mm to 300 mm`; empty where there is none.
    """

    row: int | None
    column: str
    value: str
    message: str
    limit: str = ""

    def __str__(self) -> str:
        return f"{_place(self.row, self.column)}{self.message}"


def _place(row: int | None, column: str) -> str:
    if row is None:
        return f"{column}: " if column else ""
    return f"{column} in row {row}: " if column else f"row {row}: "


@dataclass(frozen=True, slots=True)
class ScheduleFile:
    """A schedule as it was read. `joints` is empty where there is any error.

    Attributes:
        joints: in the order of the file.
        errors: by row, the first `SHOWN` of them.
        error_count: of all errors.
        warnings: sentences for people; the joints are good all the same.
    """

    joints: tuple[ImportedJoint, ...]
    errors: tuple[CellError, ...]
    error_count: int
    warnings: tuple[str, ...]


@dataclass(slots=True)
class Findings:
    """Errors and warnings as they are found; only so many are kept, all are counted."""

    errors: list[CellError] = field(default_factory=list)
    error_count: int = 0
    warnings: list[str] = field(default_factory=list)
    warning_count: int = 0

    def error(self, row: int | None, column: str, value: str, message: str, limit: str = "") -> None:
        """Note an error."""
        self.error_count += 1
        if len(self.errors) < SHOWN:
            self.errors.append(CellError(row, column, value, message, limit))

    def warn(self, message: str, row: int | None = None, column: str = "") -> None:
        """Note a warning."""
        self.warning_count += 1
        if len(self.warnings) < SHOWN:
            self.warnings.append(f"{_place(row, column)}{message}")

    def all_warnings(self) -> tuple[str, ...]:
        """The warnings that were kept, and how many more there were."""
        more = self.warning_count - len(self.warnings)
        return (*self.warnings, *([f"and {more:,} more warnings"] if more else []))

    def schedule_file(self, joints: tuple[ImportedJoint, ...]) -> ScheduleFile:
        """What is handed back: no joint at all where there is any error."""
        return ScheduleFile(
            joints=() if self.error_count else joints,
            errors=tuple(self.errors),
            error_count=self.error_count,
            warnings=self.all_warnings(),
        )
