"""Steel of reference plates, air, wind and weather rules of the next hours: in words, as a table, as a drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Final

from frostshift_rules import stops
from frostshift_rules.calls import Sides
from frostshift_rules.job import Process, Site
from frostshift_rules.reference_plates import ReferencePlates, Spell, spells_below
from frostshift_rules.surroundings import Floats
from frostshift_rules.workload import Range, Span
from frostshift_service.views.show import Moment, Show, TempSpan, optional, plural
from frostshift_service.views.weather_chart import WeatherPicture, draw_weather
from frostshift_service.views.words import WEATHER, Word

SPANS_H: Final = (24, 72, 120)
"""Hours ahead that can be shown."""


@dataclass(frozen=True, slots=True)
class PlateLine:
    """One reference plate.

    Attributes:
        thickness_mm: of it; `text` its name, `25 mm plate`.
        below: sentences: when it is below the cold-steel limit; `below_air` the same for the least air temperature.
    """

    thickness_mm: float
    text: str
    below: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlateHour:
    """One hour; None: not known.

    Attributes:
        at: the hour.
        air: of the forecast with both sides; `air_members` lowest and highest of its members, as text, empty: none.
        steel: of each plate.
        wind_ms, wind: at 10 m.
        precip_mm, precip: in the hour that follows.
        limited, others: weather state for the processes with a wind limit and the others; None: there are none.
        why: the reasons behind them.
    """

    at: Moment
    air: TempSpan | None
    air_members: str
    steel: tuple[TempSpan | None, ...]
    wind_ms: float | None
    wind: str
    precip_mm: float | None
    precip: str
    limited: Word | None
    others: Word | None
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlatesView:
    """Weather and steel of the next hours.

    Attributes:
        span_h: hours shown; `spans_h` those to choose from.
        about: what the plates stand for, sentences.
        plates: thinnest first.
        air_below: when the air is below the least temperature at the weld, sentences.
        limits: the limits drawn, with their words.
        limited, others: the processes of the two weather states, as words; empty: there are none.
        hours: of the span.
        unknown: what is not known in it, a sentence; empty: nothing.
        wide, narrow: the drawing for a screen or paper, and for a phone; None where fewer than two hours are known.
    """

    span_h: int
    spans_h: tuple[int, ...]
    about: tuple[str, ...]
    plates: tuple[PlateLine, ...]
    air_below: tuple[str, ...]
    limits: tuple[str, ...]
    limited: str
    others: str
    hours: tuple[PlateHour, ...]
    unknown: str
    wide: WeatherPicture | None
    narrow: WeatherPicture | None


def plates_view(found: ReferencePlates, site: Site, show: Show, now: datetime, span_h: int) -> PlatesView | None:
    """The view of the hours from the present one on.

    Args:
        found: of the rules.
        site: with its shifts.
        show: units and zone.
        now: aware UTC.
        span_h: hours ahead.

    Returns:
        None where the forecast has no hour from now on.
    """
    first = max(int(found.hours.position(now)), 0)
    last = min(first + span_h, len(found.hours) - 1)
    if first > last:
        return None
    names = tuple(f"{show.length_text(thickness)} plate" for thickness in found.thickness_mm)
    limit = show.temp_text(found.cold_below_c)
    least = show.temp_text(found.ambient_limit_c)
    hours = tuple(_hour(found, hour, show) for hour in range(first, last + 1))
    gaps = [one for one in hours if one.air is None or any(span is None for span in one.steel)]
    picture = (found, site, show, names, (first, last))
    return PlatesView(
        span_h=span_h,
        spans_h=SPANS_H,
        about=_about(found, first, last, show),
        plates=tuple(
            PlateLine(
                thickness, name, _below(name, _row(found.steel, n), found.cold_below_c, limit, first, last, found, show)
            )
            for n, (thickness, name) in enumerate(zip(found.thickness_mm, names, strict=True))
        ),
        air_below=_below("Air", found.air, found.ambient_limit_c, least, first, last, found, show),
        limits=(
            f"Cold-steel limit {limit}: colder steel needs the raised minimum of the table.",
            f"Least air at the weld {least}: below it no welding, whatever the preheat.",
            f"Wind limit {show.speed_text(found.wind_limit_ms)} at the weld for {_named(found.limited[0])}.",
        ),
        limited=_named(found.limited[0]),
        others=_named(found.others[0]),
        hours=hours,
        unknown="" if not gaps else f"{plural(len(gaps), 'hour')} of {len(hours)} not known, left open in the drawing.",
        wide=draw_weather(*picture, width=960.0),
        narrow=draw_weather(*picture, width=390.0),
    )


def _row(sides: Sides, row: int) -> Sides:
    return sides.each(lambda values: values[row])


def _named(processes: Sequence[Process]) -> str:
    return ", ".join(processes)


def _about(found: ReferencePlates, first: int, last: int, show: Show) -> tuple[str, ...]:
    which = (
        "Thicknesses of the joints that are planned"
        if found.of_schedule
        else "No joint is planned, so these are usual thicknesses"
    )
    said = [
        f"{which}. Each plate stands in the open, both faces in the weather, {show.height_text(10.0)} above ground, "
        "without sun or shelter. Joints that stand otherwise have figures of their own."
    ]
    if found.leans[:, first : last + 1].any():
        said.append("The steel still leans on an assumed start temperature: measure, and enter the reading.")
    if found.members:
        said.append(f"Beside the forecast: the range of its {found.members} ensemble members.")
    return tuple(said)


def _below(
    name: str, sides: Sides, limit_c: float, limit: str, first: int, last: int, found: ReferencePlates, show: Show
) -> tuple[str, ...]:
    """When it is below a limit: likely, and on the cold side; whole hours, rounded outwards."""
    if not bool((sides.cold_c[first : last + 1] == sides.cold_c[first : last + 1]).any()):
        return (f"{name}: not known.",)
    cold = spells_below(sides.cold_c, limit_c, first, last)
    if not cold:
        return (f"{name}: not below {limit}, even on the cold side.",)
    likely = spells_below(sides.likely_c, limit_c, first, last)
    texts = []
    for spell in cold:
        inside = [one for one in likely if spell.first <= one.first and one.last <= spell.last]
        side = _when(spell, found, show)
        if not inside:
            texts.append(f"{name}: below {limit} on the cold side alone {side}.")
            continue
        times = [_when(one, found, show) for one in inside]
        more = "" if times == [side] else f" (cold side {_beyond(inside, spell, found, show)})"
        texts.append(f"{name}: below {limit} {' and '.join(times)}{more}.")
    return tuple(texts)


def _beyond(inside: Sequence[Spell], spell: Spell, found: ReferencePlates, show: Show) -> str:
    """The times of the cold side beside those of one likely spell: only the end that differs."""
    begin, _, end = _when(spell, found, show).rpartition(" to ")
    if inside[-1].last == spell.last:
        return begin.rstrip(",")
    return f"to {end}" if inside[0].first == spell.first else f"{begin} to {end}"


def _when(spell: Spell, found: ReferencePlates, show: Show) -> str:
    """`from Thu 18:00 to Fri 13:00`; the hours before and after it count with it."""

    def at(hour: int) -> str:
        return show.moment(found.hours.time_utc(hour)).text

    begin = f"from the first hour shown, {at(spell.first)}," if spell.from_start else f"from {at(spell.first - 1)}"
    if spell.to_end:
        return f"{begin} to {at(spell.last)} or longer"
    return f"{begin} to {at(spell.last + 1)}"


def _hour(found: ReferencePlates, hour: int, show: Show) -> PlateHour:
    hours, at_utc = found.hours, found.hours.time_utc(hour)
    wind_ms, precip_mm = _known(hours.wind_10m_ms, hour), _known(hours.precip_mm, hour)
    judged = [judged for _, judged in (found.limited, found.others) if judged is not None]
    reasons = dict.fromkeys(stops.reason_text(reason, show.system) for one in judged for reason in one.reasons_at(hour))
    return PlateHour(
        at=show.moment(at_utc),
        air=_span(found.air, at_utc, hour, show),
        air_members=_members(found, hour, show),
        steel=tuple(_span(_row(found.steel, n), at_utc, hour, show) for n in range(len(found.thickness_mm))),
        wind_ms=wind_ms,
        wind=optional(show.wind_text, wind_ms) or "",
        precip_mm=precip_mm,
        precip=optional(show.rain_text, precip_mm) or "",
        limited=_state(found.limited[1], hour),
        others=_state(found.others[1], hour),
        why=tuple(reasons),
    )


def _state(judged: stops.Judged | None, hour: int) -> Word | None:
    return None if judged is None else WEATHER[judged.state_at(hour)]


def _known(values: Floats, hour: int) -> float | None:
    value = float(values[hour])
    return value if isfinite(value) else None


def _span(sides: Sides, at_utc: datetime, hour: int, show: Show) -> TempSpan | None:
    cold_c, likely_c, warm_c = (float(values[hour]) for values in (sides.cold_c, sides.likely_c, sides.warm_c))
    if not isfinite(cold_c + likely_c + warm_c):
        return None
    return show.span(Span(at_utc, cold_c, likely_c, warm_c))


def _members(found: ReferencePlates, hour: int, show: Show) -> str:
    if found.air_members_c is None:
        return ""
    low_c, high_c = (_known(values, hour) for values in found.air_members_c)
    if low_c is None or high_c is None:
        return ""
    return show.temp_range_text(Range(low_c, (low_c + high_c) / 2.0, high_c)).partition(", likely")[0]
