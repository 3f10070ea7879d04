"""Rows of text to joints, with every error of the file in one list."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any, Final, Literal, TypeVar
from zoneinfo import ZoneInfo

from frostshift_rules import job, shifts
from frostshift_rules.arrangements import CATALOGUE, ArrangementError, as_arranged
from frostshift_rules.composition import Composition, Restraint
from frostshift_service.schedule_file.cells import CellProblem, Length, is_covered, shown, utc_at
from frostshift_service.schedule_file.columns import BY_NAME, MAX_PARTS, column_name
from frostshift_service.schedule_file.grid import by_column, check_header, check_once, read_cell
from frostshift_service.schedule_file.report import Findings
from frostshift_service.schedule_file.sheet import Row
from frostshift_service.store.records import ImportedJoint

T = TypeVar("T")

PAST: Final = timedelta(days=14)
AHEAD: Final = timedelta(days=366)
TYPED_ROW: Final = 0
"""Row of a joint that stands in no file."""

_OF_PART: Final = ("steel", "kind", "flange_width", "web", "web_depth", "reach", "sides", "composition")
# `width`: or what somebody takes for a part's width would be passed over
_PART_COLUMN: Final = re.compile(f"(thickness|width|{'|'.join(_OF_PART)})_?[0-9]+")


def read_joints(rows: Sequence[Row], site: job.Site, now: datetime, findings: Findings) -> tuple[ImportedJoint, ...]:
    """The joints of `rows`, whose first is the header; errors and warnings go to `findings`."""
    header, *body = rows
    names = tuple(column_name(cell) for cell in header.cells)
    numbers = f"parts are numbered 1 to {MAX_PARTS}: thickness_2, flange_width_2"
    if not check_header(names, header, BY_NAME, findings, numbered=_PART_COLUMN, numbers=numbers):
        return ()
    zone = ZoneInfo(site.zone)
    seen: dict[str, tuple[int, str]] = {}
    joints = []
    for row in body:
        values = by_column(names, row, findings)
        check_once("mark", values.get("mark", ""), row.number, seen, findings)
        if found := _RowReader(row.number, values, findings).joint(site, zone):
            joints.append(found)
    _warn_of_starts(joints, site, zone, now, findings)
    return tuple(_after_as_spelled(one, {name: mark for name, (_, mark) in seen.items()}, findings) for one in joints)


def read_typed(values: Mapping[str, str], site: job.Site, now: datetime, findings: Findings) -> ImportedJoint | None:
    """The joint of cells that were typed apart from a file, by column; None where any is in error.

    They are read by the readers of a schedule's cells, with the same limits and words; errors name no row.
    """
    found = _RowReader(None, values, findings).joint(site, ZoneInfo(site.zone))
    if found is not None:
        _warn_of_starts([found], site, ZoneInfo(site.zone), now, findings)
    return found


class _RowReader:
    """Reads the cells of one row, noting errors, defaults and what makes the joint unknown."""

    def __init__(self, row: int | None, values: Mapping[str, str], findings: Findings) -> None:
        self._row = row
        self._values = values
        self._findings = findings
        self._errors_before = findings.error_count
        self._defaults: list[str] = []
        self._problems: list[str] = []

    def joint(self, site: job.Site, zone: ZoneInfo) -> ImportedJoint | None:
        """The joint of the row; None where any cell is in error."""
        mark, place, crew = self._read_or("mark", ""), self._read_or("place", ""), self._read_or("crew", "")
        start_utc = self._time("start", zone)
        hours = self._read("hours")
        process = self._read("process")
        electrode = self._electrode(process)
        hydrogen_ml = self._read("hydrogen")
        procedure = self._one_of_site("procedure", [one.name for one in site.procedures])
        arrangement: job.Arrangement | None = self._read("arrangement")
        weld_length_mm = self._weld_length(arrangement)
        ends: job.Ends = self._read_or("weld_ends", "inside")
        exposure: job.Exposure = self._read_or("exposure", "open")
        sun = self._read_or("sun", False)
        shelter = self._shelter()
        height_mm = self._read("height")
        torches = self._read_or("torches", 1)
        heat_source = self._one_of_site("heat_source", [one.id for one in site.heat_sources])
        also_heated = self._also_heated([one.id for one in site.heat_sources])
        heated_length_mm = self._read("heated_length")
        both_faces = self._read_or("both_faces", False)
        heat_input_kj_mm: float | None = self._read("heat_input")
        restraint: Restraint | None = self._read("restraint")
        weld_metal: Composition | None = self._read("weld_metal")
        passes: int | None = self._read("passes")
        fracture_critical = self._read_or("fracture_critical", False)
        welded = self._read_or("welded", False)
        after = self._after(mark)
        not_before_utc, finish_by_utc = self._dates(start_utc, hours, zone)
        pinned = self._read_or("pinned", False)
        parts = self._parts()
        if self._findings.error_count > self._errors_before or start_utc is None:
            return None
        joint = job.Joint(
            mark=mark,
            place=place,
            parts=parts,
            process=process,
            electrode=electrode,
            hydrogen_ml=hydrogen_ml,
            procedure=procedure,
            weld_length_mm=weld_length_mm,
            ends=ends,
            start_utc=start_utc,
            hours=hours,
            crew=crew,
            exposure=exposure,
            sun=sun,
            shelter=shelter,
            height_m=10.0 if height_mm is None else height_mm / 1000.0,
            torches=torches,
            heat_source=heat_source,
            heated_length_mm=heated_length_mm,
            both_faces=both_faces,
            heat_input_kj_mm=heat_input_kj_mm,
            restraint=restraint,
            weld_metal=weld_metal,
            passes=passes,
            fracture_critical=fracture_critical,
            arrangement=arrangement,
            welded=welded,
            also_heated=also_heated,
            after=after,
            not_before_utc=not_before_utc,
            finish_by_utc=finish_by_utc,
            pinned=pinned,
        )
        arranged = self._arranged(joint)
        if arranged is None:
            return None
        return ImportedJoint(arranged, self._row or TYPED_ROW, tuple(self._defaults), tuple(self._problems))

    def _weld_length(self, arrangement: job.Arrangement | None) -> float:
        """The length of the weld [mm]; NaN where it is open and follows from the width of a flange, or in error."""
        column = BY_NAME["weld_length"]
        length_mm: float | None = self._read(column.name)
        follows = arrangement is not None and CATALOGUE[arrangement].fills_flange
        if column.name not in self._values and not follows:
            self._error(column.name, f"is empty; write {column.how}, for example {column.example}")
        return math.nan if length_mm is None else length_mm

    def _arranged(self, joint: job.Joint) -> job.Joint | None:
        """The joint as its arrangement completes it; None where they do not fit."""
        try:
            arranged = as_arranged(joint, self._values.keys())
        except ArrangementError as error:
            for fault in error.faults:
                column = fault.field if fault.part is None else f"{fault.field}_{fault.part}"
                self._error("arrangement" if column == "parts" else column, fault.message, fault.limit)
            return None
        if joint.arrangement is not None:
            settled = {"weld_ends"} if CATALOGUE[joint.arrangement].settles_ends else set()
            for n, part in enumerate(arranged.parts, 1):
                settled |= {f"kind_{n}", f"sides_{n}", *([] if part.kind == "plate" else [f"reach_{n}"])}
            self._defaults = [name for name in self._defaults if name not in settled]
        return arranged

    def _error(self, column: str, message: str, limit: str = "") -> None:
        self._findings.error(self._row, column, self._values.get(column, ""), message, limit)

    def _read(self, name: str) -> Any:
        """The value of a cell; None where it is empty or, the error being noted, cannot be read."""
        column, cell = BY_NAME[name], self._values.get(name, "")
        if not cell and column.default and column.listed:
            self._defaults.append(name)
        return read_cell(column, cell, self._row, self._findings)

    def _read_or(self, name: str, default: T) -> T:
        """As `_read`, with what an empty cell means."""
        value: T | None = self._read(name)
        return default if value is None else value

    def _time(self, name: str, zone: ZoneInfo) -> datetime | None:
        """A local time in UTC; None where the cell is empty or, the error being noted, cannot be read."""
        typed = self._read(name)
        if typed is None:
            return None
        try:
            moment_utc, warning = utc_at(typed, zone)
        except CellProblem as problem:
            self._error(name, problem.message, problem.limit)
            return None
        if warning:
            self._findings.warn(warning, self._row, name)
        return moment_utc

    def _dates(
        self, start_utc: datetime | None, hours: float | None, zone: ZoneInfo
    ) -> tuple[datetime | None, datetime | None]:
        """Not before and finish by; a warning where the planned start keeps them not."""
        not_before_utc, finish_by_utc = self._time("not_before", zone), self._time("finish_by", zone)
        if hours is None or start_utc is None:
            return not_before_utc, finish_by_utc
        welding = timedelta(hours=hours)
        if not_before_utc is not None and finish_by_utc is not None and finish_by_utc - not_before_utc < welding:
            limit = f"{hours:g} h after not_before"
            self._error("finish_by", f"leaves less than the {hours:g} h of welding after not_before", limit)
        if not_before_utc is not None and start_utc < not_before_utc:
            self._findings.warn("the planned start lies before it", self._row, "not_before")
        if finish_by_utc is not None and start_utc + welding > finish_by_utc:
            self._findings.warn("the planned end lies after it", self._row, "finish_by")
        return not_before_utc, finish_by_utc

    def _after(self, mark: str) -> tuple[str, ...]:
        after: tuple[str, ...] = self._read_or("after", ())
        if mark.casefold() in {one.casefold() for one in after}:
            self._error("after", f"has {shown(mark)} wait for itself")
        return after

    def _electrode(self, process: job.Process | None) -> str | None:
        electrode: str | None = self._read("electrode")
        if process is None and "process" not in self._values:
            self._problems.append("the process is not stated")
        if process == "SMAW" and "electrode" not in self._values:
            self._problems.append("the electrode is not stated, so SMAW may or may not be low hydrogen")
        if process not in ("SMAW", None) and electrode and is_covered(electrode):
            what = f"{shown(electrode)} is a covered electrode, and the process is {process}: one of them is wrong"
            self._error("electrode", what)
        if process == "SMAW" and electrode and not is_covered(electrode):
            self._error("electrode", f"{shown(electrode)} is no covered electrode for SMAW; write for example E7018")
        return electrode

    def _one_of_site(self, name: str, known: Sequence[str]) -> str | None:
        """A name that the site should know, in the site's spelling."""
        typed: str | None = self._read(name)
        return None if typed is None else self._known(name, typed, known)

    def _also_heated(self, known: Sequence[str]) -> tuple[job.SourceUse, ...]:
        typed: tuple[tuple[int, str], ...] = self._read_or("also_heated", ())
        return tuple(job.SourceUse(self._known("also_heated", name, known), count) for count, name in typed)

    def _known(self, name: str, typed: str, known: Sequence[str]) -> str:
        """A name as the site spells it; as it was typed, the problem being noted, where the site does not know it."""
        alike = [one for one in known if one.casefold() == typed.casefold()]
        found = typed if typed in alike else next(iter(alike), None)
        if found is None:
            there = f"the site has {', '.join(known)}" if known else "the site has none"
            self._problems.append(f"{name} {shown(typed)} is not known; {there}")
        return found or typed

    def _shelter(self) -> job.Shelter | None:
        air_c, wind_ms = self._read("shelter_air"), self._read("shelter_wind")
        return None if air_c is None and wind_ms is None else job.Shelter(air_c, wind_ms)

    def _parts(self) -> tuple[job.Part, ...]:
        last = max((n for n in range(1, MAX_PARTS + 1) if f"thickness_{n}" in self._values), default=1)
        parts = []
        for n in range(1, MAX_PARTS + 1):
            if n <= last:
                if part := self._part(n):
                    parts.append(part)
                continue
            stray = [f"{what}_{n}" for what in _OF_PART if f"{what}_{n}" in self._values]
            if stray:
                self._error(f"thickness_{n}", f"is empty, but {' and '.join(stray)} of part {n} is filled")
        return tuple(parts)

    def _part(self, n: int) -> job.Part | None:
        if n > 1 and f"thickness_{n}" not in self._values:
            self._error(f"thickness_{n}", f"is empty, but a later part than {n} has a thickness")
            return None
        steel, thickness = self._read(f"steel_{n}"), self._read(f"thickness_{n}")
        kind: job.PartKind = self._read_or(f"kind_{n}", "plate")
        reach_mm = self._read(f"reach_{n}")
        sides: Literal[1, 2] = self._read_or(f"sides_{n}", 1)
        composition: Composition | None = self._read(f"composition_{n}")
        if f"steel_{n}" not in self._values:
            self._problems.append(f"the steel of part {n} is not stated")
        if not isinstance(thickness, Length):
            return None
        return job.Part(
            steel,
            thickness.mm,
            thickness.inch,
            kind,
            reach_mm,
            sides,
            composition,
            width_mm=self._read(f"flange_width_{n}"),
            web_mm=self._read(f"web_{n}"),
            web_depth_mm=self._read(f"web_depth_{n}"),
        )


def _after_as_spelled(one: ImportedJoint, marks: Mapping[str, str], findings: Findings) -> ImportedJoint:
    """The joint with the marks it waits for in the file's spelling; a warning for those that the file does not hold."""
    for mark in one.joint.after:
        if mark.casefold() not in marks:
            findings.warn(f"{shown(mark)} is not in this file: nobody waits for it", one.row, "after")
    after = tuple(marks.get(mark.casefold(), mark) for mark in one.joint.after)
    return replace(one, joint=replace(one.joint, after=after))


def _warn_of_starts(
    joints: Iterable[ImportedJoint], site: job.Site, zone: ZoneInfo, now: datetime, findings: Findings
) -> None:
    """Warn of starts outside every shift, long past or far ahead."""
    starts = [one.joint.start_utc for one in joints]
    if not starts:
        return
    spans = shifts.spans(site.shifts, site.zone, min(starts), max(starts))
    for one in joints:
        start_utc = one.joint.start_utc
        said = f"{start_utc.astimezone(zone):%Y-%m-%d %H:%M} of {shown(one.joint.mark)}"
        if shifts.holding(spans, start_utc) is None:
            findings.warn(f"{said} is outside every shift of the site", one.row or None, "start")
        if start_utc < now - PAST:
            findings.warn(f"{said} is more than {PAST.days} days past", one.row or None, "start")
        if start_utc > now + AHEAD:
            findings.warn(f"{said} is more than a year ahead", one.row or None, "start")
