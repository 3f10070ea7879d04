"""Schedules out: an empty template, and the current joints in the same columns, as CSV and XLSX.

What is written here reads back to the same joints, apart from their state, which is no column.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Final, Literal, TypeVar
from zoneinfo import ZoneInfo

from frostshift_rules import units
from frostshift_rules.job import Joint, Part
from frostshift_service.schedule_file import cells
from frostshift_service.schedule_file.columns import COLUMNS, ENDS, YES_NO
from frostshift_service.schedule_file.sheet import guarded

if TYPE_CHECKING:
    import pandas as pd

Units = Literal["us", "si"]
K = TypeVar("K")

_EXPLAINED: Final = ("column", "needed", "how to write it", "left empty", "what it is", "example")
_NEED: Final = {"cell": "yes", "column": "yes, may be empty", "no": "no"}
_ANY_C: Final = cells.temperature_c(-1e9, 1e9)
_ANY_MS: Final = cells.speed_ms(-1e9, 1e9)


def template_csv() -> bytes:
    """A CSV file with the header alone."""
    return _csv(_frame(()))


def template_xlsx() -> bytes:
    """A workbook with the header alone on the sheet `joints`, and a sheet `columns` that explains each column."""
    return _xlsx(_frame(()))


def joints_csv(joints: Iterable[Joint], zone: str, show: Units) -> bytes:
    """The joints as CSV (UTF-8 with its mark), starts on the clock of `zone`.

    Args:
        joints: to write.
        zone: name of the site's time zone.
        show: units to prefer; a value that would not read back the same in them is written in SI, and a thickness that
            was typed in inches stays in inches.
    """
    return _csv(_frame([_cells(joint, ZoneInfo(zone), show) for joint in joints]))


def joints_xlsx(joints: Iterable[Joint], zone: str, show: Units) -> bytes:
    """The joints as a workbook; see `joints_csv`."""
    return _xlsx(_frame([_cells(joint, ZoneInfo(zone), show) for joint in joints]))


def _frame(rows: Sequence[Mapping[str, str]]) -> pd.DataFrame:
    import pandas as pd  # on demand: it takes a third of a second that most commands need not wait for

    return pd.DataFrame(rows, columns=[column.name for column in COLUMNS], dtype=str).fillna("")


def _csv(frame: pd.DataFrame) -> bytes:
    return frame.to_csv(index=False, lineterminator="\r\n").encode("utf-8-sig")


def _xlsx(frame: pd.DataFrame) -> bytes:
    import pandas as pd

    explained = pd.DataFrame(
        [(c.name, _NEED[c.need], c.how, c.default, c.about, c.example) for c in COLUMNS], columns=list(_EXPLAINED)
    )
    out = io.BytesIO()
    with pd.ExcelWriter(out, engine="openpyxl") as writer:
        for name, content in (("joints", frame), ("columns", explained)):
            content.to_excel(writer, sheet_name=name, index=False, freeze_panes=(1, 1))
            sheet = writer.sheets[name]
            for column, head in zip(sheet.iter_cols(max_row=1), content.columns, strict=True):
                dimension = sheet.column_dimensions[column[0].column_letter]
                dimension.width = 2 + max(len(head), *map(len, content[head]), 0)
                # text: or the spreadsheet takes 1-1/2 for a date and a mark such as 007 for a number
                dimension.number_format = "@"
    return out.getvalue()


def _cells(joint: Joint, zone: ZoneInfo, show: Units) -> dict[str, str]:
    shelter = joint.shelter
    row = {
        "mark": guarded(joint.mark),
        "place": guarded(joint.place),
        "start": _start(joint, zone),
        "hours": _number(joint.hours),
        "crew": guarded(joint.crew),
        "process": joint.process or "",
        "electrode": joint.electrode or "",
        "hydrogen": "" if joint.hydrogen_ml is None else f"{_number(joint.hydrogen_ml)} mL/100 g",
        "procedure": guarded(joint.procedure or ""),
        "weld_length": _length(joint.weld_length_mm, show),
        "weld_ends": _word(ENDS, joint.ends),
        "exposure": joint.exposure,
        "sun": _word(YES_NO, joint.sun),
        "shelter_air": "" if shelter is None or shelter.air_c is None else _temperature(shelter.air_c, show),
        "shelter_wind": "" if shelter is None or shelter.wind_ms is None else _speed(shelter.wind_ms, show),
        "height": _height(joint.height_m, show),
        "torches": str(joint.torches),
        "heat_source": guarded(joint.heat_source or ""),
        "heated_length": "" if joint.heated_length_mm is None else _length(joint.heated_length_mm, show),
        "both_faces": _word(YES_NO, joint.both_faces),
    }
    for number, part in enumerate(joint.parts, 1):
        row |= {f"{name}_{number}": text for name, text in _part_cells(part, show).items()}
    return row


def _part_cells(part: Part, show: Units) -> dict[str, str]:
    return {
        "steel": part.steel or "",
        "thickness": _number(part.thickness_mm) + " mm" if part.thickness_in is None else _inch(part.thickness_in),
        "kind": part.kind.replace("_", " "),
        "reach": "" if part.reach_mm is None else _length(part.reach_mm, show),
        "sides": str(part.sides),
    }


def _word(spellings: Mapping[str, K], value: K) -> str:
    return next(word for word, meaning in spellings.items() if meaning == value)


def _number(value: float) -> str:
    """The shortest decimal that reads back the same, without an exponent."""
    return f"{Decimal(repr(value)):f}".removesuffix(".0")


def _inch(inch: float) -> str:
    """Inches as whole and 64ths where they are such, else as a decimal."""
    sixty_fourths = Fraction(inch) * 64
    if sixty_fourths.denominator != 1:
        return f"{_number(inch)} in"
    whole, rest = divmod(Fraction(inch), 1)
    if rest == 0:
        return f"{whole} in"
    return f"{whole}-{rest} in" if whole else f"{rest} in"


def _exact(value: float, candidates: Iterable[str], read: Callable[[str], float], otherwise: str) -> str:
    """The first candidate that reads back as exactly `value`."""
    return next((candidate for candidate in candidates if read(candidate) == value), otherwise)


def _length(mm: float, show: Units) -> str:
    inch = units.in_from_mm(mm)
    candidates = [_inch(round(inch * 64) / 64), f"{_number(round(inch, 6))} in"] if show == "us" else []
    return _exact(mm, candidates, lambda text: cells.read_length(text).mm, f"{_number(mm)} mm")


def _height(metres: float, show: Units) -> str:
    candidates = [
        f"{_number(metres)} m",
        f"{_number(round(metres * 1000.0, 6))} mm",
        f"{_number(round(units.ft_from_m(metres), 6))} ft",
    ]
    preferred = reversed(candidates) if show == "us" else candidates
    return _exact(metres, preferred, lambda text: cells.read_length(text).mm / 1000.0, candidates[0])


def _temperature(celsius: float, show: Units) -> str:
    candidates = [f"{_number(round(celsius, 6))} °C", f"{_number(round(units.f_from_c(celsius), 6))} F"]
    preferred = reversed(candidates) if show == "us" else candidates
    return _exact(celsius, preferred, _ANY_C, f"{_number(celsius)} °C")


def _speed(wind_ms: float, show: Units) -> str:
    candidates = [f"{_number(round(wind_ms, 6))} m/s", f"{_number(round(units.mph_from_ms(wind_ms), 6))} mph"]
    preferred = reversed(candidates) if show == "us" else candidates
    return _exact(wind_ms, preferred, _ANY_MS, f"{_number(wind_ms)} m/s")


def _start(joint: Joint, zone: ZoneInfo) -> str:
    """The start on the site's clock; with its offset where that time occurs twice."""
    local = joint.start_utc.astimezone(zone)
    said = local.replace(tzinfo=None).isoformat(" ", "seconds" if local.second else "minutes")
    other = local.replace(fold=1 - local.fold)
    if other.utcoffset() == local.utcoffset():
        return said
    return said + local.isoformat(timespec="seconds")[19:]
