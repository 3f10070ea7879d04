"""The morning sheet and the weather as plain text for a terminal: the same views as the pages."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Final

from frostshift_rules.sentences import capital
from frostshift_service.views.sheet import Header, Line, MorningSheet, ShiftBlock
from frostshift_service.views.weather import FeedLine, HourLine, WeatherPage

WIDTH: Final = 120
INDENT: Final = "    "
HEAD: Final = ("light up", "joint", "start", "call", "steel", "minimum", "target", "heat", "holds", "weather")


def sheet_text(sheet: MorningSheet) -> str:
    """The sheet, ready to print; lines of at most `WIDTH` characters where the texts allow it."""
    blocks = [_head(sheet), _changes(sheet)]
    said = sheet.header.warnings
    blocks += [_shift(shift, said) for shift in sheet.shifts]
    if sheet.orders:
        blocks.append("\n".join(wrapped(text, "") for text in sheet.orders))
    if sheet.outside:
        blocks.append("OUTSIDE EVERY SHIFT\n" + _lines(sheet.outside, said))
    if sheet.earlier_text:
        blocks.append(wrapped(sheet.earlier_text, ""))
    notes = [*sheet.notes, sheet.defaults_text] if sheet.defaults_text else sheet.notes
    blocks.append("\n".join(wrapped(note, "") for note in notes))
    blocks.append("\n".join(wrapped(caution.text, "") for caution in sheet.cautions))
    return "\n\n".join(blocks)


def _head(sheet: MorningSheet) -> str:
    head = sheet.header
    rows = [f"{head.site_name}: {sheet.title}", f"Planned {head.made.text}. {_forecast(head)}", _table(head)]
    rows += [*head.feed_notes, *(f"! {warning}" for warning in head.warnings)]
    return "\n".join(wrapped(row, "") for row in rows)


def _changes(sheet: MorningSheet) -> str:
    changes = sheet.changes
    if changes.since is None:
        return changes.text
    rows = [f"{changes.title.upper()}: {changes.text}", *(f"{INDENT}{text}" for text in changes.shifts)]
    rows += [f"{INDENT}{one.mark}: {one.text}" for one in changes.joints]
    return "\n".join(wrapped(row.strip(), INDENT if row.startswith(INDENT) else "") for row in rows)


def _by_hour(shift: ShiftBlock) -> str:
    """`torches by the hour from 06:00: 4 4 1 1 2 - 2 2 2 - -`."""
    assert shift.hours is not None
    counts = " ".join(str(one.torches or "-") for one in shift.hours.hours)
    return f"{INDENT}torches by the hour from {shift.hours.hours[0].at.text}: {counts}"


def _forecast(head: Header) -> str:
    if not head.age_text:
        return f"Forecast: {head.freshness_text}."
    end = f", ends {head.forecast_end.text}" if head.forecast_end else ""
    return f"Forecast: {head.feed}, {head.age_text}, {head.freshness_text}{end}."


def _table(head: Header) -> str:
    accepted = f"accepted by {head.accepted}" if head.accepted else "not accepted by the site yet"
    return f"Rule table {head.table}, {accepted}."


def _shift(shift: ShiftBlock, said: Sequence[str]) -> str:
    count = "; ".join(text for text in (shift.joints_text, shift.at_least) if text)
    rows = [f"{shift.title.upper()}: {count}"]
    if shift.joints:
        rows.append(INDENT + ", ".join(f"{count.count} {count.word.text}" for count in shift.calls))
        rows.append(f"{INDENT}weather: " + ", ".join(f"{count.count} {count.word.text}" for count in shift.states))
    if shift.people and shift.people.text:
        rows.append(wrapped(f"people in the cold: {shift.people.text[:1].lower()}{shift.people.text[1:]}", INDENT))
    if shift.heat:
        rows.append(f"{INDENT}torches {shift.torches_text}; {shift.hands_text}; torch time {shift.heat.text}")
    if shift.hours:
        rows.append(_by_hour(shift))
    if shift.power_text:
        rows.append(f"{INDENT}electric heaters: {shift.power_text}")
    rows += [
        wrapped(
            f"{fuel.source}: {fuel.energy.text}" + (f"; {fuel.keep_text}" if fuel.keep_text else "")
            if fuel.energy
            else f"{fuel.source}: {fuel.fuel_name} {fuel.fuel.text}"
            + (f", oxygen {fuel.oxygen.text}" if fuel.oxygen.high > 0.0 else "")
            + (f" ({fuel.cylinders})" if fuel.cylinders else "")
            + (f"; {fuel.keep_text}" if fuel.keep_text else ""),
            INDENT,
        )
        for fuel in shift.fuels
    ]
    rows += [wrapped(f"! {note}", INDENT) for note in shift.notes]
    if shift.lines:
        rows += ["", _lines(shift.lines, said)]
    return "\n".join(rows)


def _cells(line: Line) -> tuple[str, ...]:
    return (
        line.light_up.text if line.light_up else "",
        line.mark,
        line.start.text,
        line.call.text,
        line.steel.text if line.steel else "unknown",
        line.minimum.text if line.minimum else "unknown",
        line.target.text if line.target else "",
        line.minutes.short if line.minutes else line.minutes_text,
        line.hold_text,
        line.weather.text,
    )


def _lines(lines: Sequence[Line], said: Sequence[str]) -> str:
    """A table, with what else must be said about a joint under its row; what the head has `said` is not repeated."""
    rows = [_cells(line) for line in lines]
    widths = [max(len(row[n]) for row in [HEAD, *rows]) for n in range(len(HEAD))]

    def row_text(cells: Sequence[str]) -> str:
        return "  ".join(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)).rstrip()

    out = [row_text(HEAD)]
    for line, cells in zip(lines, rows, strict=True):
        out.append(row_text(cells))
        out += [wrapped(also, INDENT) for also in _also(line) if also not in said]
    return "\n".join(out)


def _also(line: Line) -> list[str]:
    said = list(line.unknowns)
    if line.hint:
        said.append(line.hint)
    if line.air_differs:
        said.append(f"By air alone: {line.call_by_air.text}.")
    if line.no_heat_text:
        said.append(f"{capital(line.no_heat_text)}.")
    if line.earliest_arc:
        said.append(f"Earliest arc with the crew as it is: {line.earliest_arc.text}.")
    if line.heat_note:
        said.append(line.heat_note)
    said += line.weather_notes
    return said


def weather_text(page: WeatherPage) -> str:
    """The weather page, ready to print."""
    age = f", {page.age_text}" if page.age_text else ""
    end = f"; reaches to {page.end.text}" if page.end else ""
    head = [f"{page.site_name}: weather", f"{page.feed}{age}: {page.verdict}{end}.", *page.notes]
    head += [f"! {warning}" for warning in page.warnings]
    blocks = ["\n".join(wrapped(row, "") for row in head)]
    if page.alerts_text:
        alerts = [f"{one.event}{f' until {one.ends.text}' if one.ends else ''}. {one.headline}" for one in page.alerts]
        blocks.append("\n".join(wrapped(row, "") for row in (*alerts, f"Alerts: {page.alerts_text}")))
    if page.feeds:
        blocks.append("\n".join(wrapped(_feed_text(feed), "") for feed in page.feeds))
    if page.hours:
        blocks.append(f"{page.hours_text}; gusts, rain and snow in the hour that follows\n{_hours_text(page.hours)}")
    if page.credit:
        blocks.append(wrapped(page.credit, ""))
    return "\n\n".join(blocks)


def _feed_text(feed: FeedLine) -> str:
    said = [f"{feed.title} ({feed.role}{'; used' if feed.used else ''}): {feed.state_text}"]
    said += [f"issued {feed.issued.text}"] if feed.issued else []
    said.append(f"answered {feed.answered_text}")
    said += [f"{feed.failures_text}: {feed.error}"] if feed.failures else []
    said += [f"asked again from {feed.next_try.text}"] if feed.next_try else []
    return ", ".join(said)


def _hours_text(hours: Sequence[HourLine]) -> str:
    rows = [["hour", "air", "dew point", "wind", "gusts", "cloud", "rain", "snow"]]
    for hour in hours:
        temperatures = [temp.text if temp else "" for temp in (hour.air, hour.dew)]
        cells = [*temperatures, hour.wind, hour.gust, hour.cloud_text, hour.precip, hour.snow]
        rows.append([hour.at.text, *(cell or "not known" for cell in cells)])
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )


def wrapped(text: str, indent: str) -> str:
    """A text in lines of at most `WIDTH` characters, all after the first two characters further in."""
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")
