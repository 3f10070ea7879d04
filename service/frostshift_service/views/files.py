"""The lines of a sheet and the hours of a forecast as a table for CSV and XLSX."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Final

from frostshift_rules.units import f_from_c
from frostshift_service.schedule_file.sheet import guarded
from frostshift_service.views.compare import ComparePage, JointWayLine, WayView
from frostshift_service.views.gas import GasPage
from frostshift_service.views.order import OrderPage, StartView
from frostshift_service.views.plates import PlateHour
from frostshift_service.views.sheet import Line, MorningSheet, all_lines
from frostshift_service.views.show import Amount, Moment, Temp, TempSpan
from frostshift_service.views.start_hours import HoursPage
from frostshift_service.views.weather import HourLine, WeatherPage

Cell = str | float | int | None


@dataclass(frozen=True, slots=True)
class Table:
    """A header and rows; None is an empty cell, which means unknown or not needed, never zero."""

    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    title: str = "joints"


def _local(moment: Moment | None) -> str | None:
    return None if moment is None else moment.text


def _utc(moment: Moment | None) -> str | None:
    return None if moment is None else f"{moment.utc:%Y-%m-%dT%H:%M}Z"


def _temp(temp: Temp | None) -> float | None:
    return None if temp is None else round(temp.c, 1)


def _side(span: TempSpan | None, side: Callable[[TempSpan], float]) -> float | None:
    return None if span is None else round(side(span), 1)


def _end(amount: Amount | None, end: Callable[[Amount], float]) -> float | None:
    return None if amount is None else round(end(amount), 2)


def _text(amount: Amount | None) -> str | None:
    return None if amount is None else amount.text


def _f(c: float | None) -> float | None:
    return None if c is None else round(f_from_c(c), 1)


COLUMNS: Final[dict[str, Callable[[Line], Cell]]] = {
    "light_up": lambda line: _local(line.light_up),
    "mark": lambda line: line.mark,
    "place": lambda line: line.place,
    "crew": lambda line: line.crew,
    "start": lambda line: _local(line.start),
    "earliest_arc": lambda line: _local(line.earliest_arc),
    "hours": lambda line: line.hours,
    "call": lambda line: line.call.text,
    "call_by_air": lambda line: line.call_by_air.text,
    "no_heat_if": lambda line: line.no_heat_text,
    "chance_heat_is_needed": lambda line: line.chance_text,
    "minimum_f": lambda line: _f(_temp(line.minimum)),
    "target_f": lambda line: _f(_temp(line.target)),
    "steel_cold_f": lambda line: _f(_side(line.steel, lambda span: span.cold_c)),
    "steel_likely_f": lambda line: _f(_side(line.steel, lambda span: span.likely_c)),
    "heating": lambda line: line.minutes_text or _text(line.minutes),
    "hold": lambda line: line.hold_text,
    "torches": lambda line: line.torches,
    "heated_with": lambda line: line.heaters_text,
    "weather": lambda line: line.weather.text,
    "weather_hours": lambda line: "; ".join(line.weather_notes),
    "fuel": lambda line: line.fuel_name,
    "fuel_amount": lambda line: _text(line.fuel),
    "oxygen_amount": lambda line: _text(line.oxygen),
    "energy_amount": lambda line: _text(line.energy),
    "heat_note": lambda line: line.heat_note,
    "hint": lambda line: line.hint,
    "unknown": lambda line: "; ".join(line.unknowns),
    "why": lambda line: "; ".join(line.reasons),
    "defaults": lambda line: "; ".join(line.defaults),
    "light_up_utc": lambda line: _utc(line.light_up),
    "start_utc": lambda line: _utc(line.start),
    "steel_cold_c": lambda line: _side(line.steel, lambda span: span.cold_c),
    "steel_likely_c": lambda line: _side(line.steel, lambda span: span.likely_c),
    "steel_warm_c": lambda line: _side(line.steel, lambda span: span.warm_c),
    "minimum_c": lambda line: _temp(line.minimum),
    "target_c": lambda line: _temp(line.target),
    "heating_min_low": lambda line: _end(line.minutes, lambda amount: amount.low),
    "heating_min_likely": lambda line: _end(line.minutes, lambda amount: amount.likely),
    "heating_min_high": lambda line: _end(line.minutes, lambda amount: amount.high),
    "hold_min_low": lambda line: _end(line.hold, lambda amount: amount.low),
    "fuel_kg_low": lambda line: _end(line.fuel, lambda amount: amount.low),
    "fuel_kg_likely": lambda line: _end(line.fuel, lambda amount: amount.likely),
    "fuel_kg_high": lambda line: _end(line.fuel, lambda amount: amount.high),
    "oxygen_m3_low": lambda line: _end(line.oxygen, lambda amount: amount.low),
    "oxygen_m3_likely": lambda line: _end(line.oxygen, lambda amount: amount.likely),
    "oxygen_m3_high": lambda line: _end(line.oxygen, lambda amount: amount.high),
    "energy_kwh_low": lambda line: _end(line.energy, lambda amount: amount.low),
    "energy_kwh_likely": lambda line: _end(line.energy, lambda amount: amount.likely),
    "energy_kwh_high": lambda line: _end(line.energy, lambda amount: amount.high),
}
"""Column -> cell: first as people read it, then in SI units. Temperatures are numbers with the unit in the column's
name, since a spreadsheet would take `-8 to -5` for a formula."""


def sheet_table(sheet: MorningSheet) -> Table:
    """The lines of a sheet: group, then `COLUMNS`, then when the plan was made and how old its forecast is."""
    head = sheet.header
    closing: tuple[Cell, ...] = (_utc(head.made), f"{head.feed}, {head.age_text or 'no forecast'}")
    return Table(
        header=("shift", *COLUMNS, "plan_made_utc", "forecast"),
        rows=tuple((group, *(cell(row) for cell in COLUMNS.values()), *closing) for group, row in all_lines(sheet)),
    )


_HOURS: Final[dict[str, Callable[[HourLine], Cell]]] = {
    "hour": lambda hour: _local(hour.at),
    "air_f": lambda hour: _f(_temp(hour.air)),
    "dew_point_f": lambda hour: _f(_temp(hour.dew)),
    "wind": lambda hour: hour.wind,
    "gust_in_the_hour": lambda hour: hour.gust,
    "cloud": lambda hour: hour.cloud_text,
    "rain_or_melted_snow_in_the_hour": lambda hour: hour.precip,
    "new_snow_in_the_hour": lambda hour: hour.snow,
    "hour_utc": lambda hour: _utc(hour.at),
    "air_c": lambda hour: _temp(hour.air),
    "dew_point_c": lambda hour: _temp(hour.dew),
    "wind_10m_ms": lambda hour: _rounded(hour.wind_ms),
    "gust_10m_ms": lambda hour: _rounded(hour.gust_ms),
    "cloud_share": lambda hour: _rounded(hour.cloud),
    "precip_mm": lambda hour: _rounded(hour.precip_mm),
    "snow_cm": lambda hour: _rounded(hour.snow_cm),
    "sun_wm2": lambda hour: _rounded(hour.sun_wm2),
    "not_native": lambda hour: "; ".join(f"{name} {word}" for name, word in hour.marks.items() if word != "native"),
}
"""Column -> cell of an hour of the forecast: as people read it, then in SI units."""


def weather_table(page: WeatherPage) -> Table:
    """The hours of a weather page, with steel of the reference plates and the weather rules for the hours to come.

    Then whose forecast it is and how old.
    """
    closing: tuple[Cell, ...] = (page.feed, page.age_text or "no forecast")
    ahead = {} if page.ahead is None else {hour.at.utc: hour for hour in page.ahead.hours}
    plates = () if page.ahead is None else tuple(plate.thickness_mm for plate in page.ahead.plates)
    sides = ("cold", "likely", "warm")
    return Table(
        header=(
            *_HOURS,
            *(f"air_{side}_c" for side in sides),
            "air_of_members",
            *(f"steel_{thickness:g}_mm_{side}_c" for thickness in plates for side in sides),
            "weather_with_wind_limit",
            "weather_without",
            "weather_why",
            "forecast",
            "age",
        ),
        rows=tuple(
            (*(cell(hour) for cell in _HOURS.values()), *_ahead(ahead.get(hour.at.utc), len(plates)), *closing)
            for hour in page.hours
        ),
        title="weather",
    )


def _ahead(hour: PlateHour | None, plates: int) -> tuple[Cell, ...]:
    """The cells of an hour to come; empty ones for an hour gone by."""
    if hour is None:
        return (None,) * (3 + 1 + 3 * plates + 3)
    return (
        *_sides(hour.air),
        hour.air_members or None,
        *(cell for span in hour.steel for cell in _sides(span)),
        hour.limited.text if hour.limited else None,
        hour.others.text if hour.others else None,
        " ".join(hour.why) or None,
    )


def _sides(span: TempSpan | None) -> tuple[Cell, ...]:
    if span is None:
        return (None, None, None)
    return tuple(round(side_c, 1) for side_c in (span.cold_c, span.likely_c, span.warm_c))


def order_table(page: GasPage) -> Table:
    """The order, a line a kind of cylinder, each with where it goes and what plan and forecast it rests on."""
    made, forecast = _utc(page.header.made), f"{page.header.feed}, {page.header.age_text or 'no forecast'}"
    return Table(
        header=(
            "cylinder", "what_to_do", "count", "order_by", "comes", "lasts_to", "there", "on_order", "runs_out_likely",
            "runs_out_at_most", "counted_of_a_full_one", "demand_known", "money", "notes", "kind", "advice",
            "plan_made_utc", "deliver_to", "forecast",
        ),
        rows=tuple(
            (
                order.name, order.headline, order.count, _day(order.order_by), _day(order.delivery),
                _day(order.lasts_until), order.there, "; ".join(order.coming), order.runs_out_likely,
                order.runs_out_high, order.usable.short, order.known, " ".join(order.money), " ".join(order.notes),
                order.kind, order.advice, made, page.deliver_to, forecast,
            )
            for order in page.orders
        ),
        title="order",
    )  # fmt: skip


def gas_table(page: GasPage) -> Table:
    """What each shift takes: a line for each gas and use, and for the total of the gas; None where it is not known."""
    rows: list[tuple[Cell, ...]] = []
    for shift in page.shifts:
        times = shift.title, _utc(shift.start), _utc(shift.end)
        if not shift.known:
            rows.append((*times, None, "not known", None, None, None, None, None, None))
        for line in shift.gases:
            for use, amount in (("total", line.total), *line.uses):
                ends = (round(amount.low, 3), round(amount.likely, 3), round(amount.high, 3))
                rows.append((*times, line.gas, use, amount.text, *ends, amount.unit, shift.at_least))
        if shift.energy is not None:
            energy = shift.energy
            ends = (round(energy.low, 2), round(energy.likely, 2), round(energy.high, 2))
            rows.append((*times, "current", "total", energy.text, *ends, energy.unit, shift.at_least))
    header = ("shift", "start_utc", "end_utc", "gas", "use", "amount", "low", "likely", "high", "unit", "at_least")
    return Table(header, tuple(rows), "gas")


def hours_table(page: HoursPage) -> Table:
    """A line for every joint and start; SI figures, as high ends are those of the cold side."""
    head = page.header
    closing: tuple[Cell, ...] = (_utc(head.made), f"{head.feed}, {head.age_text or 'no forecast'}")
    rows: list[tuple[Cell, ...]] = []
    for joint in page.joints:
        if joint.no_starts:
            rows.append(
                (joint.mark, *[None] * (len(_HOURS_HEADER) - 6), joint.no_starts, None, joint.start.text, *closing)
            )
        for at in joint.hours:
            rows.append(
                (
                    joint.mark,
                    at.start.text,
                    _utc(at.start),
                    at.call,
                    at.at_middle,
                    at.minimum_c,
                    at.steel_cold_c,
                    at.steel_likely_c,
                    at.minutes_likely,
                    at.minutes_high,
                    at.torch_minutes_high,
                    at.fuel_kg_likely,
                    at.fuel_kg_high,
                    at.oxygen_m3_high,
                    at.energy_kwh_high,
                    at.heat_status,
                    _utc(at.light_up),
                    at.shift,
                    at.weather,
                    at.reason,
                    at.weather_why or None,
                    joint.start.text,
                    *closing,
                )
            )
    return Table(_HOURS_HEADER, tuple(rows), "hours")


_HOURS_HEADER: Final = (
    *("mark", "start", "start_utc", "call", "at_middle", "minimum_c", "steel_cold_c", "steel_likely_c"),
    *("minutes_likely", "minutes_high", "torch_minutes_high", "fuel_kg_likely", "fuel_kg_high", "oxygen_m3_high"),
    *("energy_kwh_high", "heat_status", "light_up_utc", "shift", "weather", "reason", "weather_why", "planned_start"),
    *("plan_made_utc", "forecast"),
)


def moves_table(page: OrderPage) -> Table:
    """A line for every move of an order of work; SI figures, saved ones below 0 where it takes more."""
    head, advice = page.header, None if page.run is None else page.run.advice
    rows: list[tuple[Cell, ...]] = []
    for move in () if advice is None else advice.moves:
        saved = {line.what: line for line in move.saved}
        rows.append(
            (
                move.mark,
                move.place,
                move.why,
                move.why_text,
                *_start_cells(move.now),
                *_start_cells(move.then),
                *(
                    round(getattr(saved[what], side), 2) if what in saved else 0.0
                    for what in ("fuel", "oxygen", "current", "torches burning")
                    for side in ("cold", "likely", "warm")
                ),
                move.late_before,
                move.late_after,
                " ".join(move.along) or None,
                "yes" if move.taken else "no",
                None if advice is None else advice.made_text,
                _utc(head.made),
            )
        )
    return Table(_MOVES_HEADER, tuple(rows), "moves")


def _start_cells(at: StartView) -> tuple[Cell, ...]:
    steel = at.steel
    return (
        at.start.text,
        _utc(at.start),
        at.shift,
        at.crew,
        at.call.code,
        at.weather.code,
        _side(steel, lambda span: span.cold_c),
        _side(steel, lambda span: span.likely_c),
        _end(at.minutes, lambda minutes: minutes.likely),
        _end(at.minutes, lambda minutes: minutes.high),
    )


_OF_START: Final = (
    *("start", "start_utc", "shift", "crew", "call", "weather", "steel_cold_c", "steel_likely_c"),
    *("minutes_likely", "minutes_high"),
)
_MOVES_HEADER: Final = (
    *("mark", "place", "why", "why_text"),
    *(f"now_{name}" for name in _OF_START),
    *(f"new_{name}" for name in _OF_START),
    *(
        f"saved_{what}_{side}"
        for what in ("fuel_kg", "oxygen_m3", "energy_kwh", "torch_minutes")
        for side in ("cold", "likely", "warm")
    ),
    *("shifts_late_now", "shifts_late_new", "along", "taken", "made", "plan_made_utc"),
)


def compare_table(page: ComparePage) -> Table:
    """Every figure of every way of heating: a line each for all joints together, then for each of them.

    A joint without a time has a line of its own with the reason; a figure that there is not has none.
    """
    head = page.header
    closing: tuple[Cell, ...] = (_utc(head.made), f"{head.feed}, {head.age_text or 'no forecast'}")
    rows: list[tuple[Cell, ...]] = []
    for way in page.ways:
        rows += [
            (way.name, way.where, None, *figure, *closing)
            for figure in (*_way_figures(way), *_said("at least", page.at_least))
        ]
        for line in way.joints:
            rows += [(way.name, way.where, line.mark, *figure, *closing) for figure in _joint_figures(line)]
    return Table(
        ("way", "where", "joint", "what", "text", "low", "likely", "high", "unit", "plan_made_utc", "forecast"),
        tuple(rows),
        "compare",
    )


def _figure(what: str, amount: Amount | None) -> list[tuple[Cell, ...]]:
    """What it is, its text, its three ends and its unit; nothing for None."""
    if amount is None:
        return []
    return [(what, amount.text, *(round(end, 3) for end in (amount.low, amount.likely, amount.high)), amount.unit)]


def _said(what: str, text: str, count: float | None = None, unit: str | None = None) -> list[tuple[Cell, ...]]:
    """A text with its one figure, where it has one; nothing for an empty text."""
    return [(what, text, count, count, count, unit)] if text else []


def _way_figures(way: WayView) -> list[tuple[Cell, ...]]:
    rows = [
        *_said("no time", way.without_text),
        *_figure("heating, longest joint", way.longest),
        *_figure("heating, added up", way.minutes),
        *_figure("heating, all lengths", way.total),
        *_said("hold that ends first", way.hold_text),
        *_said("first light-up", way.light_up.text if way.light_up else ""),
        *_said("hands", way.hands_text, way.hands, "people"),
    ]
    for gas in way.gases:
        rows += _figure(gas.gas, gas.total)
        rows += _said(f"{gas.gas} cylinders", gas.cylinders, gas.count, "cylinders")
        rows += _said(f"{gas.gas} cylinders together", gas.together, gas.together_count, "cylinders")
    rows += _figure("current", way.energy)
    rows += _said("power", way.power, round(way.power_kw, 2), "kW")
    rows += _figure("cost", way.cost) if way.cost else _said("cost", way.cost_text)
    return rows + [row for text in way.notes for row in _said("note", text)]


def _joint_figures(line: JointWayLine) -> list[tuple[Cell, ...]]:
    rows = [
        *_said(line.status, line.reason),
        *_said("heated with", line.heaters_text if line.status == "timed" else ""),
        *_figure("heating", line.minutes),
        *_figure("heating, all lengths", line.total),
        *_said("hold", line.hold_text),
        *_said("light-up", line.light_up.text if line.light_up else ""),
    ]
    for name, amount in line.gases:
        rows += _figure(name, amount)
    return rows + _figure("current", line.energy)


def _day(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _guarded(cell: Cell) -> Cell:
    return guarded(cell) if isinstance(cell, str) else cell


def csv_bytes(table: Table) -> bytes:
    """A table as CSV: UTF-8 with its mark, texts guarded against being taken for formulas."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(table.header)
    writer.writerows([_guarded(cell) for cell in row] for row in table.rows)
    return out.getvalue().encode("utf-8-sig")


def xlsx_bytes(table: Table) -> bytes:
    """A table as a workbook, texts guarded as in `csv_bytes`."""
    from openpyxl import Workbook  # on demand: most requests need no workbook

    book = Workbook()
    page = book.create_sheet(table.title, 0)
    page.append(list(table.header))
    for row in table.rows:
        page.append([_guarded(cell) for cell in row])
    page.freeze_panes = "A2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
