"""People in the cold: wind chill, frostbite and the warm-up schedule for crews.

For people only. No wind takes steel below the temperature of the air, so nothing here is ever applied to steel. The
outdoor air is what is judged, also for a crew in a shelter: the shelter may be put up only just before welding, and
the way there is outside.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from frostshift_rules.job import CodeUnits
from frostshift_rules.strict import (
    Coverage,
    OutOfRange,
    Section,
    Source,
    TableError,
    coverage_of,
    shipped,
    source_of,
)
from frostshift_rules.surroundings import Floats
from frostshift_rules.units import KMH_PER_MPH, c_from_f, f_from_c, mph_from_ms, ms_from_mph

WorkKind = Literal["lighter", "heavier"]
"""`lighter`: with little movement, as welding is; `heavier`: moderate to heavy, what the schedule is printed for."""

WarmUpState = Literal["schedule", "normal_breaks", "stop", "outside", "unknown"]
Outside = Literal["", "warmer", "windier"]

_NOISE: Final = 1e-6
"""Float noise of a unit conversion [°F, °C, mph, km/h] that must not push a figure over a printed edge."""

_CELL: Final = re.compile(r"(?:(?P<minutes>\d+) min|normal) (?P<breaks>\d+)")


# The table ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cell:
    """What the schedule prints in one place: `stop`, `normal` with its breaks, or minutes of work with breaks.

    `work_minutes` is the longest work period [min], None for the other two; `breaks` those in the schedule's hours.
    """

    kind: Literal["work", "normal", "stop"]
    work_minutes: int | None
    breaks: int | None


STOP: Final = Cell("stop", None, None)


@dataclass(frozen=True, slots=True)
class ScheduleRow:
    """One row as printed, in whole degrees: from its warm edge to its cold one; the last is open (`to_` infinite).

    `cells`: no noticeable wind first, then one for each wind.
    """

    from_f: float
    to_f: float
    from_c: float
    to_c: float
    cells: tuple[Cell, ...]
    source: Source


@dataclass(frozen=True, slots=True)
class Schedule:
    """The warm-up schedule.

    Attributes:
        title: of the schedule.
        shift_hours: that the breaks are counted in [h].
        break_minutes: length of a break in a warm place [min].
        wind_mph, wind_kmh: heads of the wind columns as printed.
        rows: the warmest first.
        rows_colder: rows that lighter work is read below its own; `lighter_source` of that note.
        source: of the schedule.
    """

    title: str
    shift_hours: int
    break_minutes: int
    wind_mph: tuple[float, ...]
    wind_kmh: tuple[float, ...]
    rows: tuple[ScheduleRow, ...]
    rows_colder: int
    lighter_source: Source
    source: Source


@dataclass(frozen=True, slots=True)
class PeopleTable:
    """All figures of this module as printed, both unit systems.

    Attributes:
        air_to_f, air_to_c: wind chill is defined up to this air temperature.
        wind_over_mph, wind_over_kmh: and above this wind at 10 m.
        wind_chill_source: of the formula and its range.
        frostbite_from_f, frostbite_from_c: warm edge of the frostbite area, a wind chill in whole degrees.
        frostbite_minutes: within which bare skin can freeze there [min].
        frostbite_source: of both.
        calm_under_kmh: wind below this is "no noticeable wind"; `calm_source` of it.
        schedule: the warm-up schedule.
        coverage: how far the table was checked.
    """

    air_to_f: float
    air_to_c: float
    wind_over_mph: float
    wind_over_kmh: float
    wind_chill_source: Source
    frostbite_from_f: float
    frostbite_from_c: float
    frostbite_minutes: int
    frostbite_source: Source
    calm_under_kmh: float
    calm_source: Source
    schedule: Schedule
    coverage: Coverage


@cache
def people_table() -> PeopleTable:
    """The figures that ship with the package."""
    return read_people(shipped("people.toml"))


def read_people(top: Section) -> PeopleTable:
    """The figures of a table.

    Raises:
        TableError: the table lacks something, says something unknown, or breaks a house rule (`broken_rules`).
    """
    head, chill, bite, calm, cover = (
        top.section(name) for name in ("table", "wind_chill", "frostbite", "calm", "coverage")
    )
    head.text("id")
    head.text("title")
    table = PeopleTable(
        air_to_f=chill.number("air_to_f", 0.0, 100.0),
        air_to_c=chill.number("air_to_c", -20.0, 40.0),
        wind_over_mph=chill.number("wind_over_mph", 0.0, 10.0),
        wind_over_kmh=chill.number("wind_over_kmh", 0.0, 16.0),
        wind_chill_source=source_of(chill),
        frostbite_from_f=bite.number("wind_chill_from_f", -100.0, 32.0),
        frostbite_from_c=bite.number("wind_chill_from_c", -75.0, 0.0),
        frostbite_minutes=bite.whole("minutes", 1, 120),
        frostbite_source=source_of(bite),
        calm_under_kmh=calm.number("wind_under_kmh", 0.0, 5.0),
        calm_source=source_of(calm),
        schedule=_read_schedule(top.section("warm_up")),
        coverage=coverage_of(cover),
    )
    for section in (head, chill, bite, calm, cover, top):
        section.done()
    broken = broken_rules(table)
    if broken:
        raise TableError(f"{top.where}: {'; '.join(broken)}")
    return table


def _read_schedule(section: Section) -> Schedule:
    lighter = section.section("lighter_work")
    schedule = Schedule(
        title=section.text("title"),
        shift_hours=section.whole("shift_hours", 1, 12),
        break_minutes=section.whole("break_minutes", 1, 60),
        wind_mph=section.numbers("wind_mph", 1.0, 100.0),
        wind_kmh=section.numbers("wind_kmh", 1.0, 160.0),
        rows=tuple(_read_row(row) for row in section.sections("row")),
        rows_colder=lighter.whole("rows_colder", 1, 3),
        lighter_source=source_of(lighter),
        source=source_of(section),
    )
    lighter.done()
    section.done()
    return schedule


def _read_row(section: Section) -> ScheduleRow:
    def open_end(key: str) -> float:
        value = section.optional_number(key, -100.0, 32.0)
        return -math.inf if value is None else value

    row = ScheduleRow(
        from_f=section.number("from_f", -100.0, 32.0),
        to_f=open_end("to_f"),
        from_c=section.number("from_c", -75.0, 0.0),
        to_c=open_end("to_c"),
        cells=tuple(_read_cell(text, section) for text in section.texts("cells")),
        source=source_of(section),
    )
    section.done()
    return row


def _read_cell(text: str, section: Section) -> Cell:
    if text == "stop":
        return STOP
    found = _CELL.fullmatch(text)
    if found is None:
        raise TableError(f"{section.where}: cell {text!r}, expected 'WORK min BREAKS', 'normal BREAKS' or 'stop'")
    breaks = int(found["breaks"])
    if found["minutes"] is None:
        return Cell("normal", None, breaks)
    return Cell("work", int(found["minutes"]), breaks)


def broken_rules(table: PeopleTable) -> tuple[str, ...]:
    """What the table says that no table of its kind may say; empty for a sound one.

    The rows of the schedule touch without overlap in whole degrees, and only the last is open. Colder or windier never
    allows longer work. Breaks rise as minutes fall. °F and °C agree within 1 K, winds within 0.5 km/h.
    """
    schedule = table.schedule
    pairs = [
        ("end of wind chill", table.air_to_f, table.air_to_c),
        ("start of frostbite", table.frostbite_from_f, table.frostbite_from_c),
        *(("row from", row.from_f, row.from_c) for row in schedule.rows),
        *(("row to", row.to_f, row.to_c) for row in schedule.rows[:-1]),
    ]
    broken = [f"{what} {f:g} °F and {c:g} °C are not the same" for what, f, c in pairs if not abs(c_from_f(f) - c) <= 1]
    if len(schedule.wind_mph) != len(schedule.wind_kmh):
        broken.append("wind_mph and wind_kmh are not of the same length")
    winds = [(table.wind_over_mph, table.wind_over_kmh), *zip(schedule.wind_mph, schedule.wind_kmh, strict=False)]
    broken += [
        f"wind {mph:g} mph and {kmh:g} km/h are not the same"
        for mph, kmh in winds
        if not abs(mph * KMH_PER_MPH - kmh) <= 0.5
    ]
    for name, heads in (("wind_mph", schedule.wind_mph), ("wind_kmh", schedule.wind_kmh)):
        if any(not low < high for low, high in pairwise(heads)):
            broken.append(f"{name} does not rise")
    return (*broken, *_broken_rows(schedule), *_broken_cells(schedule))


def _broken_rows(schedule: Schedule) -> Iterable[str]:
    for above, below in pairwise(schedule.rows):
        if (below.from_f, below.from_c) != (above.to_f - 1.0, above.to_c - 1.0):
            yield f"rows do not touch at {above.to_f:g} °F, {above.to_c:g} °C"
    for row in schedule.rows:
        if not (row.to_f < row.from_f and row.to_c < row.from_c):
            yield f"the row from {row.from_f:g} °F, {row.from_c:g} °C is empty"
    last = schedule.rows[-1]
    if math.isfinite(last.to_f) or math.isfinite(last.to_c):
        yield "the last row is not open"


def _broken_cells(schedule: Schedule) -> Iterable[str]:
    width = len(schedule.wind_mph) + 1
    if any(len(row.cells) != width for row in schedule.rows):
        yield f"a row has not {width} cells, one for no wind and one for each wind"
        return
    for row in schedule.rows:
        if any(_allows(windier) > _allows(calmer) for calmer, windier in pairwise(row.cells)):
            yield f"the row from {row.from_f:g} °F allows longer work in more wind"
    for above, below in pairwise(schedule.rows):
        if any(_allows(colder) > _allows(warmer) for warmer, colder in zip(above.cells, below.cells, strict=True)):
            yield f"the row from {below.from_f:g} °F allows longer work than the warmer one"
    ladder = sorted(
        (-_allows(cell), cell.breaks) for row in schedule.rows for cell in row.cells if cell.breaks is not None
    )
    if any(not (longer < shorter and few < many) for (longer, few), (shorter, many) in pairwise(dict.fromkeys(ladder))):
        yield "breaks do not rise as minutes fall"


def _allows(cell: Cell) -> float:
    """The work that a cell allows in one go [min], for comparing."""
    return {"work": float(cell.work_minutes or 0), "normal": math.inf, "stop": 0.0}[cell.kind]


# Wind chill -----------------------------------------------------------------------------------------------------------


def wind_chill_c(air_c: ArrayLike, wind_ms: ArrayLike) -> Floats:
    """Wind chill temperature [°C]; the AIR temperature where wind chill is not defined; NaN for NaN.

    For people, never for steel. Defined for air up to 10 °C (50 °F) and wind above 3 mph (4.8 km/h) at 10 m, see
    `wind_chill_valid`. The printed US and SI forms differ by up to 0.1 K.

    Args:
        air_c: air temperature [°C].
        wind_ms: mean wind at 10 m, as weather services give it [m/s].

    Raises:
        OutOfRange: wind below 0 or infinite, or air infinite.

    Source: US National Weather Service and Environment Canada 2001, SI form: 13.12 + 0.6215 T - 11.37 V^0.16
    + 0.3965 T V^0.16, V in km/h. (Some programs in circulation carry the factor of the US form, 35.75, into it.)
    """
    air, wind = _checked(air_c, wind_ms)
    power = (wind * 3.6) ** 0.16
    chill = 13.12 + 0.6215 * air - 11.37 * power + 0.3965 * air * power
    outside: Floats = np.where(np.isnan(wind), np.nan, air)
    return np.where(wind_chill_valid(air, wind), chill, outside)


def wind_chill_valid(air_c: ArrayLike, wind_ms: ArrayLike) -> NDArray[np.bool_]:
    """Whether wind chill is defined there; False for NaN. Arguments, errors and source as for `wind_chill_c`."""
    air, wind = _checked(air_c, wind_ms)
    table = people_table()
    return np.asarray((air <= table.air_to_c) & (wind > ms_from_mph(table.wind_over_mph)))


def in_frostbite_area(air_c: ArrayLike, wind_ms: ArrayLike) -> NDArray[np.bool_]:
    """Whether bare skin can freeze within the table's 30 minutes; False says nothing, and so it does for NaN.

    The area begins at a wind chill of -18 °F in whole degrees; what rounds down to it counts. Only where wind chill is
    defined: the chart's areas have no column for calm air.

    Source: US National Weather Service, wind chill chart of 2001 (second hand). Arguments and errors as for
    `wind_chill_c`.
    """
    chill_f = f_from_c(wind_chill_c(air_c, wind_ms))
    return np.asarray(wind_chill_valid(air_c, wind_ms) & (chill_f < people_table().frostbite_from_f + 1.0))


def _checked(air_c: ArrayLike, wind_ms: ArrayLike) -> tuple[Floats, Floats]:
    air, wind = np.asarray(air_c, dtype=np.float64), np.asarray(wind_ms, dtype=np.float64)
    if np.isinf(air).any():
        raise OutOfRange("air_c is infinite, expected a temperature")
    if np.isinf(wind).any() or (wind < 0.0).any():
        raise OutOfRange(f"wind_ms is {np.nanmin(wind):g} to {np.nanmax(wind):g} m/s, expected from 0 up and finite")
    return air, wind


# Warm-up schedule -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WarmUp:
    """What the warm-up schedule says.

    Attributes:
        state: `schedule` (work periods with breaks), `normal_breaks` (the printed cell says so), `stop` (non-emergency
            work ceases), `outside` (the schedule does not reach there, which is no sign of normal work), `unknown`.
        work_minutes: longest work period [min]; only with `schedule`.
        breaks: in four hours, each of ten minutes in a warm place; with `schedule` and `normal_breaks`.
        outside: which way it lies outside: `warmer` than the first row, or `windier` than the last column; else empty.
        row: number of the printed row that was read, from 1; None outside or unknown.
        wind_mph: head of the column that was read, 0 for no noticeable wind; None outside or unknown.
    """

    state: WarmUpState
    work_minutes: int | None = None
    breaks: int | None = None
    outside: Outside = ""
    row: int | None = None
    wind_mph: float | None = None


UNKNOWN: Final = WarmUp("unknown")


def warm_up(air_c: float, wind_ms: float, units: CodeUnits = "either", work: WorkKind = "lighter") -> WarmUp:
    """The cell of the warm-up schedule for one hour.

    Between two printed rows the colder one is read, between two winds the windier one. Only wind under 1 km/h, calm on
    the Beaufort scale, is "no noticeable wind": the schedule does not say how little that is, so every wind that would
    turn smoke takes the 5 mph column. Lighter work is read one row colder, and stays in the last row there.

    Valid from -15 °F (-26 °C) down and up to 20 mph (32 km/h); outside it the answer is `outside`, except that a row
    whose last column is `stop` is `stop` in more wind too. Air just warmer than the first row is outside for lighter
    work too: no row is printed that could be read one row colder.

    Args:
        air_c: outdoor air temperature [°C]; NaN is unknown.
        wind_ms: mean wind [m/s]; NaN is unknown, unless the row stops in calm air already.
        units: printed edges to compare with: °F and mph, °C and km/h, or the worse answer of both.
        work: what the crew does.

    Raises:
        OutOfRange: wind below 0 or infinite, or air infinite.

    Source: ACGIH work / warm-up schedule for four-hour shifts, adapted from Saskatchewan (second hand); for dry
    clothing, temperature column headed "sunny sky".
    """
    _checked(air_c, wind_ms)
    schedule, calm_kmh = people_table().schedule, people_table().calm_under_kmh
    calm = wind_ms * 3.6 < calm_kmh
    found = []
    if units != "si":
        edges = [row.from_f for row in schedule.rows[:1]] + [row.to_f for row in schedule.rows[:-1]]
        found.append(_read(schedule, edges, f_from_c(air_c), schedule.wind_mph, mph_from_ms(wind_ms), calm, work))
    if units != "us":
        edges = [row.from_c for row in schedule.rows[:1]] + [row.to_c for row in schedule.rows[:-1]]
        found.append(_read(schedule, edges, air_c, schedule.wind_kmh, wind_ms * 3.6, calm, work))
    return max(found, key=severity)


def _read(
    schedule: Schedule,
    edges: Sequence[float],
    air: float,
    winds: Sequence[float],
    wind: float,
    calm: bool,
    work: WorkKind,
) -> WarmUp:
    """The cell in one unit system; `edges`: warm end of the first row, then cold end of each row but the last."""
    if math.isnan(air):
        return UNKNOWN
    if air > edges[0] + _NOISE:
        return UNKNOWN if math.isnan(wind) else WarmUp("outside", outside="warmer")
    row = sum(air < edge - _NOISE for edge in edges[1:])
    row = min(row + (schedule.rows_colder if work == "lighter" else 0), len(schedule.rows) - 1)
    cells = schedule.rows[row].cells
    if math.isnan(wind):
        return _answer(schedule, row, 0) if cells[0].kind == "stop" else UNKNOWN
    column = 0 if calm else 1 + sum(wind > head + _NOISE for head in winds)
    if column == len(cells):
        return _answer(schedule, row, column - 1) if cells[-1].kind == "stop" else WarmUp("outside", outside="windier")
    return _answer(schedule, row, column)


def _answer(schedule: Schedule, row: int, column: int) -> WarmUp:
    cell = schedule.rows[row].cells[column]
    states: dict[str, WarmUpState] = {"work": "schedule", "normal": "normal_breaks", "stop": "stop"}
    head_mph = schedule.wind_mph[column - 1] if column else 0.0
    return WarmUp(states[cell.kind], cell.work_minutes, cell.breaks, row=row + 1, wind_mph=head_mph)


def severity(answer: WarmUp) -> tuple[int, int]:
    """Sorts answers, the worst last.

    Warmer than the schedule ranks above its normal breaks, since nobody says that they are enough there; windier ranks
    above every work period. Unknown gives way to a known stop only.
    """
    if answer.state == "outside":
        return (1 if answer.outside == "warmer" else 3), 0
    ranks: dict[WarmUpState, int] = {"normal_breaks": 0, "schedule": 2, "unknown": 4, "stop": 5}
    return ranks[answer.state], -(answer.work_minutes or 0)


# One shift ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outdoors:
    """Outdoor air and wind, one value per UTC hour from `start_utc` on; NaN: missing.

    Attributes:
        start_utc: first hour, aware UTC, on the full hour.
        air_cold_c: air temperature, cold side [°C].
        wind_10m_ms: mean wind at 10 m [m/s].
    """

    start_utc: datetime
    air_cold_c: Floats
    wind_10m_ms: Floats


@dataclass(frozen=True, slots=True)
class PeopleCold:
    """How cold one shift is for its crew: the worst of its hours, by the cold side of the outdoor air.

    Attributes:
        wind_chill_c: lowest wind chill [°C], the air temperature in hours where it is not defined; None: unknown.
        wind_chill_at_utc: its hour; None: unknown.
        wind_chill_valid: whether wind chill is defined at that hour.
        frostbite_minutes: bare skin can freeze within so many minutes in some hour of the shift; None: not said.
        warm_up: worst answer of the warm-up schedule; `unknown` where an hour is missing and none is a stop.
        warm_up_at_utc: its hour, the first of several; None: unknown.
        work: reading of the schedule.
    """

    wind_chill_c: float | None
    wind_chill_at_utc: datetime | None
    wind_chill_valid: bool
    frostbite_minutes: int | None
    warm_up: WarmUp
    warm_up_at_utc: datetime | None
    work: WorkKind


def people_over(
    outdoors: Outdoors | None,
    first_utc: datetime,
    last_utc: datetime,
    units: CodeUnits = "either",
    work: WorkKind = "lighter",
) -> PeopleCold:
    """The worst of the hours from `first_utc` to `last_utc`, the full hours around both included.

    Everything is unknown without `outdoors` or where an hour is missing, but a known stop stays a stop, and frostbite
    in a known hour stays said.

    Args:
        outdoors: air and wind; None where there is no forecast.
        first_utc: aware UTC.
        last_utc: the same.
        units: edges of the schedule to compare with.
        work: what the crew does.
    """
    if outdoors is None:
        return PeopleCold(None, None, False, None, UNKNOWN, None, work)
    known = min(len(outdoors.air_cold_c), len(outdoors.wind_10m_ms))
    first = math.floor((first_utc - outdoors.start_utc) / timedelta(hours=1))
    last = math.ceil((last_utc - outdoors.start_utc) / timedelta(hours=1))
    inside = slice(max(first, 0), max(min(last + 1, known), 0))
    air, wind = outdoors.air_cold_c[inside], outdoors.wind_10m_ms[inside]
    whole = len(air) == last + 1 - first

    def hour_utc(index: int) -> datetime:
        return outdoors.start_utc + timedelta(hours=max(first, 0) + index)

    answers = [warm_up(a, w, units, work) for a, w in zip(air.tolist(), wind.tolist(), strict=True)]
    worst = max(range(len(answers)), key=lambda n: severity(answers[n]), default=None)
    answer = UNKNOWN if worst is None or not (whole or answers[worst].state == "stop") else answers[worst]
    chill = wind_chill_c(air, wind)
    lowest = int(np.argmin(chill)) if whole and not np.isnan(chill).any() else None
    return PeopleCold(
        wind_chill_c=None if lowest is None else float(chill[lowest]),
        wind_chill_at_utc=None if lowest is None else hour_utc(lowest),
        wind_chill_valid=lowest is not None and bool(wind_chill_valid(air[lowest], wind[lowest])),
        frostbite_minutes=people_table().frostbite_minutes if in_frostbite_area(air, wind).any() else None,
        warm_up=answer,
        warm_up_at_utc=None if worst is None or answer.state == "unknown" else hour_utc(worst),
        work=work,
    )
