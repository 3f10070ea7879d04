"""The drawing of weather and steel as shapes ready to draw: no library, no script, sizes in units of its view box.

It is read in black and white: lines differ by their dashes and carry their names, states their fill and their words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from math import ceil, isfinite
from typing import Final, Literal

from frostshift_rules import shifts, stops
from frostshift_rules.job import Site
from frostshift_rules.reference_plates import ReferencePlates
from frostshift_rules.sentences import capital
from frostshift_rules.surroundings import Floats
from frostshift_rules.units import mph_from_ms, ms_from_mph
from frostshift_service.views.axes import (
    Axes,
    Rule,
    Tick,
    extremes_text,
    hour_ticks,
    rules_at,
    runs_of,
    scale_of,
    spread_labels,
    step_of,
)
from frostshift_service.views.show import Show, number
from frostshift_service.views.words import WEATHER

DASHES: Final = ("", "9 4", "4 3", "1.5 4")
"""Of the plates, thinnest first: the first is whole."""
Fill = Literal["go", "dry_first", "shelter_needed", "stop", "unknown"]
_FIELD: Final = 270.0
_WIND: Final = 64.0
_STRIP: Final = 20.0
_GAP: Final = 24.0


@dataclass(frozen=True, slots=True)
class Key:
    """What a fill means, in words; `ink_share` from 0 (the page) to 1 (all ink)."""

    fill: Fill
    ink_share: float
    text: str


_KEYS: Final = (
    Key("go", 0.0, "go; dry"),
    Key("dry_first", 0.12, "dry first; dew, frost, snow or ice that stays, still wet"),
    Key("shelter_needed", 0.3, "shelter needed; rain or snow"),
    Key("stop", 1.0, "stop"),
    Key("unknown", 0.0, "dashed: unknown"),
)
INK_SHARES: Final = {key.fill: key.ink_share for key in _KEYS}
"""How much ink a weather state takes in a box."""


@dataclass(frozen=True, slots=True)
class Line:
    """One quantity as a line: `points` strings of SVG, one for each stretch without a gap, its dashes, its name.

    `cold`: its cold side. `name_y` is the height of its name at the right end; None: it is not named there.
    """

    points: tuple[str, ...]
    cold: tuple[str, ...]
    dashes: str
    name: str
    name_x: float
    name_y: float | None


@dataclass(frozen=True, slots=True)
class Block:
    """Hours in a row of one state: where, its fill, its words inside where there is room, and all of it in words."""

    x: float
    width: float
    fill: Fill
    ink_share: float
    text: str
    title: str


@dataclass(frozen=True, slots=True)
class Strip:
    """A row of blocks under its title."""

    title: str
    y: float
    height: float
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Shade:
    """One shift behind the field; `night` where it holds midnight."""

    x: float
    width: float
    name: str
    night: bool


@dataclass(frozen=True, slots=True)
class WeatherPicture:
    """The drawing.

    Attributes:
        width, height: of the view box.
        left, right, top, bottom: of the field of temperatures.
        shades: shifts.
        air: line of the air; `air_band` polygons from cold to warm side, `members` lines of the ensemble's ends.
        plates: lines.
        rules: limits inside the field; `beyond` the others, as sentences.
        left_ticks, right_ticks, left_unit, right_unit: temperatures.
        wind: line of the wind; `wind_top`, `wind_bottom`, `wind_ticks`, `wind_limit_y` of its field.
        strips: wet hours and weather states; `key` what their fills mean.
        hours: times, drawn under the field and under the last strip.
        summary: what it shows, in words.
    """

    width: float
    height: float
    left: float
    right: float
    top: float
    bottom: float
    shades: tuple[Shade, ...]
    air: Line
    air_band: tuple[str, ...]
    members: tuple[str, ...]
    plates: tuple[Line, ...]
    rules: tuple[Rule, ...]
    beyond: tuple[str, ...]
    left_ticks: tuple[Tick, ...]
    right_ticks: tuple[Tick, ...]
    left_unit: str
    right_unit: str
    wind: tuple[str, ...]
    wind_top: float
    wind_bottom: float
    wind_ticks: tuple[Tick, ...]
    wind_title: str
    wind_limit_y: float | None
    wind_limit_text: str
    strips: tuple[Strip, ...]
    key: tuple[Key, ...]
    hours: tuple[Tick, ...]
    summary: str


def draw_weather(
    found: ReferencePlates, site: Site, show: Show, names: Sequence[str], span: tuple[int, int], *, width: float
) -> WeatherPicture | None:
    """The drawing of the hours `span` (first and last on the forecast's axis); None where too few are known.

    Args:
        found: plates, air and weather rules.
        site: with its shifts.
        show: units and zone.
        names: of the plates.
        span: first and last hour.
        width: of the view box; below 500 it is for a phone.
    """
    first, last = span
    phone = width < 500.0

    def cut(values: Floats) -> list[float]:
        column: list[float] = values[first : last + 1].tolist()
        return column

    air = [cut(column) for column in (found.air.cold_c, found.air.likely_c, found.air.warm_c)]
    members = [cut(column) for column in found.air_members_c or ()]
    steel = [(cut(cold), cut(likely)) for cold, likely in zip(found.steel.cold_c, found.steel.likely_c, strict=True)]
    columns = [*air, *members, *(column for pair in steel for column in pair)]
    values = [value for column in columns for value in column if isfinite(value)]
    if not values or not runs_of([isfinite(value) for value in air[1]]):
        return None
    limits = [(found.cold_below_c, "cold-steel limit"), (found.ambient_limit_c, "least air at the weld")]
    scale = scale_of(values, [c for c, _ in limits], show)
    left = 44.0
    names_room = 0.0 if phone else 6.6 * max(map(len, names), default=0) + 12.0
    right = width - (34.0 if scale.both else 8.0) - names_room
    axis = Axes(first, last, left, right, scale.low_c, scale.high_c, 26.0, 26.0 + _FIELD)
    plates = _plate_lines(axis, steel, names, name_after=None if phone else 34.0 if scale.both else 8.0)
    at_utc = [found.hours.time_utc(hour) for hour in range(first, last + 1)]
    inside = [(axis.y(c), f"{name} {show.temp_text(c)}") for c, name in limits if axis.low <= c <= axis.high]
    inside.sort()
    wind = _wind(found, axis, show, cut, phone=phone)
    strips = _strips(found, axis, show, wind.bottom + _GAP + 18.0)
    bottom = strips[-1].y + strips[-1].height if strips else wind.bottom
    many = last - first > 80
    every = (24 if many else 12) if phone else (12 if many else 6 if last - first > 30 else 3)
    return WeatherPicture(
        width=width,
        height=bottom + 30.0,
        left=left,
        right=right,
        top=axis.top,
        bottom=axis.bottom,
        shades=_shades(site, axis, found, phone=phone),
        air=Line(axis.curve(air[1]), (), "2 4", "air", 0.0, None),
        air_band=axis.band(air[0], air[2]),
        members=tuple(points for column in members for points in axis.curve(column)),
        plates=plates,
        rules=rules_at(inside, axis.top, axis.bottom),
        beyond=tuple(
            f"{'Above' if c > axis.high else 'Below'} this drawing: {name} {show.temp_text(c)}."
            for c, name in limits
            if not axis.low <= c <= axis.high
        ),
        left_ticks=scale.left_ticks(axis.y),
        right_ticks=scale.right_ticks(axis.y),
        left_unit=scale.left_unit,
        right_unit=scale.right_unit,
        wind=wind.points,
        wind_top=wind.top,
        wind_bottom=wind.bottom,
        wind_ticks=wind.ticks,
        wind_title=wind.title,
        wind_limit_y=wind.limit_y,
        wind_limit_text=wind.limit_text,
        strips=strips,
        key=_KEYS,
        hours=hour_ticks(at_utc, show, lambda at: axis.x(found.hours.position(at)), every=every),
        summary=_summary(show, names, at_utc, air[1], [likely for _, likely in steel]),
    )


def _plate_lines(
    axis: Axes, steel: Sequence[tuple[list[float], list[float]]], names: Sequence[str], *, name_after: float | None
) -> tuple[Line, ...]:
    """The plates, named at the right end where there is room."""
    ends = []
    for n, (_, likely) in enumerate(steel):
        known = [value for value in likely if isfinite(value)]
        if known and name_after is not None:
            ends.append((axis.y(known[-1]), n))
    ends.sort()
    heights = spread_labels([y + 4.0 for y, _ in ends], axis.top + 12.0, axis.bottom)
    name_y = {n: y for (_, n), y in zip(ends, heights, strict=True)}
    return tuple(
        Line(
            axis.curve(likely),
            axis.curve(cold),
            DASHES[n % len(DASHES)],
            names[n],
            axis.right + (name_after or 0.0),
            name_y.get(n),
        )
        for n, (cold, likely) in enumerate(steel)
    )


@dataclass(frozen=True, slots=True)
class _Wind:
    points: tuple[str, ...]
    top: float
    bottom: float
    ticks: tuple[Tick, ...]
    title: str
    limit_y: float
    limit_text: str


def _wind(
    found: ReferencePlates, axis: Axes, show: Show, cut: Callable[[Floats], list[float]], *, phone: bool
) -> _Wind:
    us = show.units != "si"
    wind = cut(found.hours.wind_10m_ms)
    known = [value for value in wind if isfinite(value)]
    to: Callable[[float], float] = mph_from_ms if us else (lambda ms: ms)
    back: Callable[[float], float] = ms_from_mph if us else (lambda ms: ms)
    most = to(max([*known, found.wind_limit_ms * 1.2]))
    step = step_of(most, 3)
    most = ceil(most / step) * step
    top = axis.bottom + _GAP + 24.0
    scale = Axes(axis.first, axis.last, axis.left, axis.right, 0.0, back(most), top, top + _WIND)
    return _Wind(
        points=scale.curve(wind),
        top=top,
        bottom=top + _WIND,
        ticks=tuple(Tick(scale.y(back(n * step)), number(n * step)) for n in range(round(most / step) + 1)),
        title=f"Wind at 10 m, {'mph' if us else 'm/s'}",
        limit_y=scale.y(found.wind_limit_ms),
        limit_text=f"{'limit' if phone else 'limit at the weld, gas-shielded:'} {show.speed_text(found.wind_limit_ms)}",
    )


def _strips(found: ReferencePlates, axis: Axes, show: Show, top: float) -> tuple[Strip, ...]:
    rows: list[tuple[str, list[tuple[Fill, str, str]]]] = []
    of_hours = range(axis.first, axis.last + 1)
    judged = [(processes, one) for processes, one in (found.limited, found.others) if one is not None]
    if judged:
        rows.append(("Wet", [_wet(judged[0][1], hour, show) for hour in of_hours]))
    for processes, one in judged:
        name = ", ".join(processes)
        rows.append((f"Welding by {name}, in the open", [_state(one, hour) for hour in of_hours]))
    strips = []
    for title, states in rows:
        blocks, at = [], axis.first
        for state, run in groupby(states[:-1] if len(states) > 1 else states):
            count = len(list(run))
            x, width = axis.x(at), round(axis.x(at + count) - axis.x(at), 1)
            room = len(state[1]) * 7.2 + 6.0 < width
            when = show.moment(found.hours.time_utc(at)).text
            until = show.moment(found.hours.time_utc(at + count)).text
            blocks.append(
                Block(
                    x,
                    width,
                    state[0],
                    INK_SHARES[state[0]],
                    state[1] if room else "",
                    f"{when} to {until}: {state[1]}. {state[2]}",
                )
            )
            at += count
        strips.append(Strip(title, top, _STRIP, tuple(blocks)))
        top += _STRIP + _GAP
    return tuple(strips)


_WET_WORDS: Final[tuple[tuple[stops.Rule, Fill, str], ...]] = (
    ("rain_or_snow", "shelter_needed", "rain or snow"),
    ("snow_or_ice_stays", "dry_first", "snow or ice"),
    ("frost", "dry_first", "frost"),
    ("dew", "dry_first", "dew"),
    ("steel_still_wet", "dry_first", "still wet"),
    ("rain_missing", "unknown", "unknown"),
    ("wetness_missing", "unknown", "unknown"),
)


def _wet(judged: stops.Judged, hour: int, show: Show) -> tuple[Fill, str, str]:
    rules = set(judged.rules_at(hour))
    for rule, fill, text in _WET_WORDS:
        if rule in rules:
            said = [stops.reason_text(one, show.system) for one in judged.reasons_at(hour) if one.rule == rule]
            return fill, text, "" if rule == "rain_or_snow" else said[0]  # each hour has its own amount
    return "go", "dry", ""


def _state(judged: stops.Judged, hour: int) -> tuple[Fill, str, str]:
    state = judged.state_at(hour)
    rules = ", ".join(rule.replace("_", " ") for rule in judged.rules_at(hour))
    return state, WEATHER[state].text, rules


def _shades(site: Site, axis: Axes, found: ReferencePlates, *, phone: bool) -> tuple[Shade, ...]:
    first_utc, last_utc = found.hours.time_utc(axis.first), found.hours.time_utc(axis.last)
    shades = []
    for span in shifts.spans(site.shifts, site.zone, first_utc, last_utc):
        x, end = axis.x(found.hours.position(span.start_utc)), axis.x(found.hours.position(span.end_utc))
        name = span.shift.name
        room = len(name) * 6.8 + 4.0 < end - x and not (phone and axis.last - axis.first > 30)
        night = span.shift.end <= span.shift.start
        if end > x:
            shades.append(Shade(x, round(end - x, 1), name if room else "", night))
    return tuple(shades)


def _summary(
    show: Show,
    names: Sequence[str],
    at_utc: Sequence[datetime],
    air: Sequence[float],
    steel: Sequence[Sequence[float]],
) -> str:
    columns = [("air", air), *zip(names, steel, strict=True)]
    text = "; ".join(extremes_text(name, column, at_utc, show) for name, column in columns)
    return f"{capital(text)}."
