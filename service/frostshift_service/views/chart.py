"""The chart of one joint as shapes ready to draw: no library, no script, sizes in the units of its view box."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from math import ceil, floor, isfinite
from typing import Final

from frostshift_rules.units import c_from_f, f_from_c
from frostshift_service.views.show import WEEKDAYS, Show, number

AROUND: Final = timedelta(hours=15)
"""Shown before and after the window of the joint."""
NEAR_K: Final = 12.0
"""A threshold farther than this from the temperatures shown is named below and does not stretch the chart."""
_LABEL_GAP: Final = 15.0
_STEPS: Final = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


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
class Tick:
    """A mark on an axis; `strong` for a new day."""

    at: float
    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Rule:
    """A threshold as drawn: the height of its line and of its label."""

    y: float
    label_y: float
    text: str


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


def runs_of(known: Sequence[bool]) -> list[range]:
    """Stretches of known values, each at least two long."""
    runs, start = [], None
    for n, good in enumerate([*known, False]):
        if good and start is None:
            start = n
        elif not good and start is not None:
            if n - start > 1:
                runs.append(range(start, n))
            start = None
    return runs


def step_of(span: float, most: int) -> float:
    """A round step with which so wide a span has at most so many."""
    return next((step for step in _STEPS if span / step <= most), 100.0)


def spread_labels(wanted: list[float], top: float, bottom: float) -> list[float]:
    """Heights of labels, rising, moved apart so that none covers another and all stay inside."""
    placed: list[float] = []
    for y in wanted:
        placed.append(max(y, placed[-1] + _LABEL_GAP if placed else top))
    limit = bottom
    for n in range(len(placed) - 1, -1, -1):
        placed[n] = min(placed[n], limit)
        limit = placed[n] - _LABEL_GAP
    return placed


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
    steel_runs = runs_of([isfinite(v) for v in part.steel_c])
    if not values or not steel_runs:
        return None
    near = [t.c for t in thresholds if min(values) - NEAR_K <= t.c <= max(values) + NEAR_K]
    both, us = show.units == "both", show.units != "si"
    to_axis: Callable[[float], float] = f_from_c if us else (lambda c: c)
    from_axis: Callable[[float], float] = c_from_f if us else (lambda c: c)
    low_axis, high_axis = to_axis(min([*values, *near])), to_axis(max([*values, *near]))
    step = step_of(max(high_axis - low_axis, 1.0), 6)
    low_axis, high_axis = floor(low_axis / step - 0.2) * step, ceil(high_axis / step + 0.2) * step
    low_c, high_c = from_axis(low_axis), from_axis(high_axis)
    left, right = 44.0, width - (44.0 if both else 12.0)
    top, bottom = 26.0, height - 40.0

    def x_of(at: datetime) -> float:
        share = (at - part.times_utc[0]) / (part.times_utc[-1] - part.times_utc[0])
        return round(left + (right - left) * min(1.0, max(0.0, share)), 1)

    def y_of(c: float) -> float:
        return round(bottom - (bottom - top) * (c - low_c) / (high_c - low_c), 1)

    def curve(column: Sequence[float]) -> tuple[str, ...]:
        return tuple(
            " ".join(f"{x_of(part.times_utc[n])},{y_of(column[n])}" for n in run)
            for run in runs_of([isfinite(v) for v in column])
        )

    sides_known = [isfinite(c) and isfinite(w) for c, w in zip(part.cold_c, part.warm_c, strict=True)]
    band = tuple(
        " ".join(
            [f"{x_of(part.times_utc[n])},{y_of(part.warm_c[n])}" for n in run]
            + [f"{x_of(part.times_utc[n])},{y_of(part.cold_c[n])}" for n in reversed(run)]
        )
        for run in runs_of(sides_known)
    )
    window_x = x_of(window[0])
    phone = width < 500.0
    named = _named(thresholds, show, together=not phone)
    return Chart(
        width=width,
        height=height,
        left=left,
        right=right,
        top=top,
        bottom=bottom,
        window_x=window_x,
        window_width=round(x_of(window[1]) - window_x, 1),
        air=curve(part.air_c),
        steel=curve(part.steel_c),
        band=band,
        rules=_rules([(y_of(c), text) for c, text in named if not _beyond(c, low_c, high_c)], top, bottom),
        beyond=tuple(f"{where}: {text}." for c, text in named if (where := _beyond(c, low_c, high_c))),
        uprights=tuple(
            Upright(x_of(at), text) for at, text in uprights if part.times_utc[0] <= at <= part.times_utc[-1]
        ),
        left_ticks=temp_ticks(low_axis, high_axis, step, lambda v: y_of(from_axis(v))),
        right_ticks=right_ticks(low_c, high_c, y_of) if both else (),
        left_unit="°F" if us else "°C",
        right_unit="°C" if both else "",
        hours=hour_ticks(part.times_utc, show, x_of, every=6 if phone else 3),
        summary=_summary(part, show),
    )


def temp_ticks(low: float, high: float, step: float, y_of_axis: Callable[[float], float]) -> tuple[Tick, ...]:
    """Marks from the low to the high end of an axis."""
    count = round((high - low) / step)
    return tuple(Tick(y_of_axis(low + n * step), number(low + n * step)) for n in range(count + 1))


def right_ticks(low_c: float, high_c: float, y_of: Callable[[float], float]) -> tuple[Tick, ...]:
    """Marks in °C for the right axis of a drawing that shows both units."""
    step = step_of(high_c - low_c, 6)
    return tuple(Tick(y_of(n * step), number(n * step)) for n in range(ceil(low_c / step), floor(high_c / step) + 1))


def hour_ticks(
    times: Sequence[datetime], show: Show, x_of: Callable[[datetime], float], every: int
) -> tuple[Tick, ...]:
    """Marks at full local hours; the first of a local day carries the weekday."""
    ticks = []
    for at in times:
        local = at.astimezone(show.zone)
        if local.minute == 0 and local.hour % every == 0:
            midnight = local.hour == 0
            ticks.append(Tick(x_of(at), WEEKDAYS[local.weekday()] if midnight else f"{local:%H}", midnight))
    return tuple(ticks)


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


def _rules(inside: Sequence[tuple[float, str]], top: float, bottom: float) -> tuple[Rule, ...]:
    """Thresholds as heights and texts, from the top down, with labels that do not cover one another."""
    labels = spread_labels([y - 5.0 for y, _ in inside], top + 12.0, bottom - 4.0)
    return tuple(Rule(y, label_y, text) for (y, text), label_y in zip(inside, labels, strict=True))


def _beyond(c: float, low_c: float, high_c: float) -> str:
    return "Above this chart" if c > high_c else "Below this chart" if c < low_c else ""


def _summary(part: SteelSeries, show: Show) -> str:
    def extremes(name: str, column: Sequence[float]) -> str:
        known = [(v, at) for v, at in zip(column, part.times_utc, strict=True) if isfinite(v)]
        if not known:
            return f"{name} not known"
        (low, low_at), (high, high_at) = min(known), max(known)
        return (
            f"{name} from {show.temp_text(low)} at {show.moment(low_at).text} "
            f"to {show.temp_text(high)} at {show.moment(high_at).text}"
        )

    return f"{extremes('Air', part.air_c)}; {extremes('steel, likely', part.steel_c)}."
