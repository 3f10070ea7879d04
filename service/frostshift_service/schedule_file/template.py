"""Schedules out: an empty template, and the current joints in the same columns, as CSV and XLSX.

What is written here reads back to the same joints, apart from their state, which is no column.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from frostshift_rules.job import Joint, Part
from frostshift_service.schedule_file.columns import COLUMNS, ENDS, KINDS, MEETINGS, YES_NO
from frostshift_service.schedule_file.sheet import guarded, unguarded
from frostshift_service.schedule_file.writers import (
    Units,
    composition,
    heat_input,
    height,
    inch,
    length,
    number,
    speed,
    temperature,
    word,
)

if TYPE_CHECKING:
    import pandas as pd

_EXPLAINED: Final = ("column", "needed", "how to write it", "left empty", "what it is", "example")
_NEED: Final = {"cell": "yes", "column": "yes, may be empty", "no": "no"}


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


def row_of(joint: Joint, zone: str, show: Units) -> dict[str, str]:
    """The filled cells of a joint by column, as people type them; see `joints_csv`."""
    return {name: unguarded(cell) for name, cell in _cells(joint, ZoneInfo(zone), show).items() if cell}


def _cells(joint: Joint, zone: ZoneInfo, show: Units) -> dict[str, str]:
    shelter = joint.shelter
    row = {
        "mark": guarded(joint.mark),
        "place": guarded(joint.place),
        "start": _local(joint.start_utc, zone),
        "hours": number(joint.hours),
        "crew": guarded(joint.crew),
        "process": joint.process or "",
        "electrode": joint.electrode or "",
        "hydrogen": "" if joint.hydrogen_ml is None else f"{number(joint.hydrogen_ml)} mL/100 g",
        "procedure": guarded(joint.procedure or ""),
        "weld_length": length(joint.weld_length_mm, show),
        "arrangement": "" if joint.arrangement is None else word(MEETINGS, joint.arrangement),
        "weld_ends": word(ENDS, joint.ends),
        "welded": word(YES_NO, joint.welded),
        "exposure": joint.exposure,
        "sun": word(YES_NO, joint.sun),
        "shelter_air": "" if shelter is None or shelter.air_c is None else temperature(shelter.air_c, show),
        "shelter_wind": "" if shelter is None or shelter.wind_ms is None else speed(shelter.wind_ms, show),
        "height": height(joint.height_m, show),
        "torches": str(joint.torches),
        "heat_source": guarded(joint.heat_source or ""),
        "also_heated": guarded(", ".join(f"{use.count} {use.source_id}" for use in joint.also_heated)),
        "heated_length": "" if joint.heated_length_mm is None else length(joint.heated_length_mm, show),
        "both_faces": word(YES_NO, joint.both_faces),
        "heat_input": "" if joint.heat_input_kj_mm is None else heat_input(joint.heat_input_kj_mm, show),
        "restraint": joint.restraint or "",
        "weld_metal": "" if joint.weld_metal is None else composition(joint.weld_metal),
        "passes": "" if joint.passes is None else str(joint.passes),
        "fracture_critical": word(YES_NO, joint.fracture_critical),
        "after": guarded("; ".join(joint.after)),
        "not_before": _local(joint.not_before_utc, zone),
        "finish_by": _local(joint.finish_by_utc, zone),
        "pinned": word(YES_NO, joint.pinned),
    }
    for n, part in enumerate(joint.parts, 1):
        row |= {f"{name}_{n}": text for name, text in _part_cells(part, show).items()}
    return row


def _part_cells(part: Part, show: Units) -> dict[str, str]:
    return {
        "steel": part.steel or "",
        "thickness": number(part.thickness_mm) + " mm" if part.thickness_in is None else inch(part.thickness_in),
        "kind": word(KINDS, part.kind),
        "flange_width": _size(part.width_mm, show),
        "web": _size(part.web_mm, show),
        "web_depth": _size(part.web_depth_mm, show),
        "reach": _size(part.reach_mm, show),
        "sides": str(part.sides),
        "composition": "" if part.composition is None else composition(part.composition),
    }


def _size(mm: float | None, show: Units) -> str:
    return "" if mm is None else length(mm, show)


def _local(moment_utc: datetime | None, zone: ZoneInfo) -> str:
    """A moment on the site's clock, with its offset where that time occurs twice; empty for None."""
    if moment_utc is None:
        return ""
    local = moment_utc.astimezone(zone)
    said = local.replace(tzinfo=None).isoformat(" ", "seconds" if local.second else "minutes")
    other = local.replace(fold=1 - local.fold)
    if other.utcoffset() == local.utcoffset():
        return said
    return said + local.isoformat(timespec="seconds")[19:]
