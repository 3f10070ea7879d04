"""What drawings of temperatures over hours share: axes, their marks, curves, labels; sizes in units of the view box."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import ceil, floor, isfinite
from typing import Final

from frostshift_rules.units import c_from_f, f_from_c
from frostshift_service.views.show import WEEKDAYS, Show, number

NEAR_K: Final = 12.0
"""A limit farther than this from the temperatures shown is named below and does not stretch the drawing."""
_LABEL_GAP: Final = 15.0
_STEPS: Final = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis; `strong` for a new day."""

    at: float
    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Rule:
    """A limit as drawn: the height of its line and of its label."""

    y: float
    label_y: float
    text: str


@dataclass(frozen=True, slots=True)
class Axes:
    """From hours and values to places; hours count from any begin, values are SI."""

    first: int
    last: int
    left: float
    right: float
    low: float
    high: float
    top: float
    bottom: float

    def x(self, hour: float) -> float:
        """Place of an hour, inside the field."""
        share = (hour - self.first) / max(self.last - self.first, 1)
        return round(self.left + (self.right - self.left) * min(1.0, max(0.0, share)), 1)

    def y(self, value: float) -> float:
        """Height of a value."""
        return round(self.bottom - (self.bottom - self.top) * (value - self.low) / (self.high - self.low), 1)

    def curve(self, values: Sequence[float]) -> tuple[str, ...]:
        """Stretches of known values as `points` of SVG; `values` hour by hour from the first on."""
        return tuple(self._points(values, run) for run in runs_of([isfinite(value) for value in values]))

    def band(self, low: Sequence[float], high: Sequence[float]) -> tuple[str, ...]:
        """The area between two such columns, where both are known."""
        known = [isfinite(a) and isfinite(b) for a, b in zip(low, high, strict=True)]
        return tuple(f"{self._points(high, run)} {self._points(low, run[::-1])}" for run in runs_of(known))

    def _points(self, values: Sequence[float], run: Sequence[int]) -> str:
        return " ".join(f"{self.x(self.first + n)},{self.y(values[n])}" for n in run)


@dataclass(frozen=True, slots=True)
class Scale:
    """A round scale of temperatures in the units of the left axis, and its ends in °C."""

    low: float
    high: float
    step: float
    us: bool
    both: bool

    @property
    def low_c(self) -> float:
        """Of the low end."""
        return self._c(self.low)

    @property
    def high_c(self) -> float:
        """Of the high end."""
        return self._c(self.high)

    @property
    def left_unit(self) -> str:
        """Unit of the left axis."""
        return "°F" if self.us else "°C"

    @property
    def right_unit(self) -> str:
        """Unit of the right axis; empty: there is none."""
        return "°C" if self.both else ""

    def left_ticks(self, y_of: Callable[[float], float]) -> tuple[Tick, ...]:
        """Marks from the low to the high end; `y_of` takes °C."""
        marks = [self.low + n * self.step for n in range(round((self.high - self.low) / self.step) + 1)]
        return tuple(Tick(y_of(self._c(mark)), number(mark)) for mark in marks)

    def right_ticks(self, y_of: Callable[[float], float]) -> tuple[Tick, ...]:
        """Marks in °C where both units are shown."""
        if not self.both:
            return ()
        step = step_of(self.high_c - self.low_c, 6)
        marks = range(ceil(self.low_c / step), floor(self.high_c / step) + 1)
        return tuple(Tick(y_of(n * step), number(n * step)) for n in marks)

    def _c(self, value: float) -> float:
        return c_from_f(value) if self.us else value


def scale_of(values_c: Sequence[float], limits_c: Sequence[float], show: Show) -> Scale:
    """A scale that holds the values, at least one, and the limits near them [°C]."""
    near = [c for c in limits_c if min(values_c) - NEAR_K <= c <= max(values_c) + NEAR_K]
    us = show.units != "si"
    low, high = min([*values_c, *near]), max([*values_c, *near])
    if us:
        low, high = f_from_c(low), f_from_c(high)
    step = step_of(max(high - low, 1.0), 6)
    return Scale(floor(low / step - 0.2) * step, ceil(high / step + 0.2) * step, step, us, show.units == "both")


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


def rules_at(inside: Sequence[tuple[float, str]], top: float, bottom: float) -> tuple[Rule, ...]:
    """Limits as heights and texts, from the top down, with labels that do not cover one another."""
    labels = spread_labels([y - 5.0 for y, _ in inside], top + 12.0, bottom - 4.0)
    return tuple(Rule(y, label_y, text) for (y, text), label_y in zip(inside, labels, strict=True))


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


def extremes_text(name: str, column_c: Sequence[float], at_utc: Sequence[datetime], show: Show) -> str:
    """`air from -8 °C at Mon 06:00 to 1 °C at Mon 14:00`."""
    known = [(value, at) for value, at in zip(column_c, at_utc, strict=True) if isfinite(value)]
    if not known:
        return f"{name} not known"
    (low, low_at), (high, high_at) = min(known), max(known)
    return (
        f"{name} from {show.temp_text(low)} at {show.moment(low_at).text} "
        f"to {show.temp_text(high)} at {show.moment(high_at).text}"
    )
