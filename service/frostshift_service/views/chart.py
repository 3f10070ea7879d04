"""The chart of one joint as shapes ready to draw: no library, no script, sizes in the units of its view box."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from math import isfinite
from typing import Final

from frostshift_service.views.axes import Axes, Rule, Tick, extremes_text, hour_ticks, rules_at, runs_of, scale_of
from frostshift_service.views.show import Show

_HOUR: Final = timedelta(hours=1)
AROUND: Final = timedelta(hours=15)
"""Shown before and after the window of the joint."""


@dataclass(frozen=True, slots=True)
class SteelSeries:
    """Hourly air and predicted steel temperature of one joint [°C]; NaN: missing.

    `steel_c` is likely, `cold_c` and `warm_c` its two sides; all of the length of `times_utc` (aware UTC, rising).
    """

    times_utc: tuple[datetime, ...]
    air_c: tuple[float, ...]
    steel_c: tuple[float, ...]
    cold_c: tuple[float, ...]
    warm_c: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Threshold:
    """A temperature [°C] to hold against the steel, and its name."""

    c: float
    name: str


@dataclass(frozen=True, slots=True)
class Upright:
    """A time as an upright line with a label."""

    x: float
    text: str


@dataclass(frozen=True, slots=True)
class Chart:
    """The drawing. Curves and bands are `points` strings of SVG, one for each stretch without a gap.

    Attributes:
        width, height: of the view box.
        left, right, top, bottom: of the field inside the axes.
        window_x, window_width: the shaded window.
        air, steel: curves; `band` from cold side to warm side.
        rules: thresholds inside the field; `beyond` the others, as sentences.
        uprights: light-up and start.
        left_ticks, right_ticks: temperatures; the right axis only where both units are shown.
        left_unit, right_unit: their units.
        hours: times.
        summary: what the drawing shows, in words.
    """

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    window_x: float
    window_width: float
    air: tuple[str, ...]
    steel: tuple[str, ...]
    band: tuple[str, ...]
    rules: tuple[Rule, ...]
    beyond: tuple[str, ...]
    uprights: tuple[Upright, ...]
    left_ticks: tuple[Tick, ...]
    right_ticks: tuple[Tick, ...]
    left_unit: str
    right_unit: str
    hours: tuple[Tick, ...]
    summary: str


def cropped(series: SteelSeries, first_utc: datetime, last_utc: datetime) -> SteelSeries:
    """The hours of `series` from `first_utc` to `last_utc`, both included."""
    keep = [n for n, at in enumerate(series.times_utc) if first_utc <= at <= last_utc]
    times, *columns = (
        tuple(column[n] for n in keep)
        for column in (series.times_utc, series.air_c, series.steel_c, series.cold_c, series.warm_c)
    )
    return SteelSeries(times, *columns)  # type: ignore[arg-type]


def draw(
    series: SteelSeries,
    show: Show,
    *,
    window: tuple[datetime, datetime],
    thresholds: Sequence[Threshold],
    uprights: Sequence[tuple[datetime, str]],
    width: float,
    height: float,
) -> Chart | None:
    """The chart of a joint around its window.

    Args:
        series: hourly temperatures.
        show: units and zone.
        window: the hours the joint is judged over.
        thresholds: to hold against the steel; equal ones share a label where the drawing is wide enough for it.
        uprights: times to mark, with their names.
        width: of the view box.
        height: of the view box.

    Returns:
        The drawing, or None where fewer than two hours are known.
    """
    first_utc, last_utc = window[0] - AROUND, window[1] + AROUND
    part = cropped(series, first_utc, last_utc)
    values = [v for column in (part.air_c, part.cold_c, part.warm_c, part.steel_c) for v in column if isfinite(v)]
    if not values or not runs_of([isfinite(v) for v in part.steel_c]):
        return None
    scale = scale_of(values, [t.c for t in thresholds], show)
    start_utc, end_utc = part.times_utc[0], part.times_utc[-1]
    right = width - (44.0 if scale.both else 12.0)
    axes = Axes(0, round((end_utc - start_utc) / _HOUR), 44.0, right, scale.low_c, scale.high_c, 26.0, height - 40.0)

    def x_of(at: datetime) -> float:
        return axes.x((at - start_utc) / _HOUR)

    window_x = x_of(window[0])
    phone = width < 500.0
    named = _named(thresholds, show, together=not phone)
    return Chart(
        width=width,
        height=height,
        left=axes.left,
        right=axes.right,
        top=axes.top,
        bottom=axes.bottom,
        window_x=window_x,
        window_width=round(x_of(window[1]) - window_x, 1),
        air=axes.curve(part.air_c),
        steel=axes.curve(part.steel_c),
        band=axes.band(part.cold_c, part.warm_c),
        rules=rules_at([(axes.y(c), text) for c, text in named if not _beyond(c, axes)], axes.top, axes.bottom),
        beyond=tuple(f"{where}: {text}." for c, text in named if (where := _beyond(c, axes))),
        uprights=tuple(Upright(x_of(at), text) for at, text in uprights if start_utc <= at <= end_utc),
        left_ticks=scale.left_ticks(axes.y),
        right_ticks=scale.right_ticks(axes.y),
        left_unit=scale.left_unit,
        right_unit=scale.right_unit,
        hours=hour_ticks(part.times_utc, show, x_of, every=6 if phone else 3),
        summary=_summary(part, show),
    )


def _named(thresholds: Sequence[Threshold], show: Show, *, together: bool) -> list[tuple[float, str]]:
    """Thresholds from the top down, equal ones as one or each with its label."""
    drawn: list[tuple[float, str]] = []
    by_height = sorted(thresholds, key=lambda threshold: threshold.c, reverse=True)
    for _, group in groupby(by_height, key=lambda threshold: round(threshold.c, 2)):
        equal = list(group)
        c, names = equal[0].c, [one.name for one in equal]
        labels = [" and ".join(names)] if together else names
        drawn += [(c, f"{label} {show.temp_text(c, 'up')}") for label in labels]
    return drawn


def _beyond(c: float, axes: Axes) -> str:
    return "Above this chart" if c > axes.high else "Below this chart" if c < axes.low else ""


def _summary(part: SteelSeries, show: Show) -> str:
    columns = {"Air": part.air_c, "steel, likely": part.steel_c}
    return "; ".join(extremes_text(name, column, part.times_utc, show) for name, column in columns.items()) + "."
