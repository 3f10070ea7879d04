"""Steel of stated reference plates through the hours of a forecast, and when it is below a limit.

A reference plate stands in the open, both faces in the weather, 10 m above ground, without sun and shelter. It goes
through the same prediction as the joints of a plan, readings included: a joint of that thickness that stands so has the
same figures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from frostshift_rules import stops
from frostshift_rules.calls import Flags, Sides
from frostshift_rules.code_table import CodeTable
from frostshift_rules.figures import systems
from frostshift_rules.job import PROCESSES, Joint, Part, Process, Reading, Site
from frostshift_rules.outlook import Outlook, outlook
from frostshift_rules.surroundings import Floats, Hours
from frostshift_rules.units import c_from_f
from frostshift_rules.workload import Weather

USUAL_MM: Final = (10.0, 25.0, 50.0, 100.0)
"""Thicknesses that are shown where no joint is planned [mm]. Our choice."""
MOST_PLATES: Final = 4
START_MATTERS_K: Final = 1.0
"""As in a plan: while the assumed start still moves the steel by so much, the figure leans on it [K]. Our choice."""


@dataclass(frozen=True)
class ReferencePlates:
    """Reference plates, air and weather rules through the hours of a forecast; NaN: unknown.

    Attributes:
        thickness_mm: of each plate, rising [mm].
        of_schedule: whether they are thicknesses of planned joints, else `USUAL_MM`.
        hours: the forecast.
        steel: [plate, hour] [°C].
        steel_members_c: low and high outer quantile of the forecast's members [plate, hour]; None without members.
        leans: the figure still leans on an assumed start [plate, hour].
        air: [hour] [°C].
        air_members_c: as for steel [hour].
        members: number of them; 0: none.
        cold_below_c: steel colder than this needs the raised minimum of the table [°C].
        ambient_limit_c: least air temperature at the weld [°C].
        wind_limit_ms: highest wind at the weld for the processes of `limited` [m/s].
        limited, others: processes with and without such a limit, and the weather state of each hour for them in the
            open; None where the table has no such process.
    """

    thickness_mm: tuple[float, ...]
    of_schedule: bool
    hours: Hours
    steel: Sides
    steel_members_c: tuple[Floats, Floats] | None
    leans: Flags
    air: Sides
    air_members_c: tuple[Floats, Floats] | None
    members: int
    cold_below_c: float
    ambient_limit_c: float
    wind_limit_ms: float
    limited: tuple[tuple[Process, ...], stops.Judged | None]
    others: tuple[tuple[Process, ...], stops.Judged | None]


@dataclass(frozen=True, slots=True)
class Spell:
    """Hours in a row below a limit: `first` and `last` hour below it on the forecast's axis.

    Attributes:
        from_start: it is below from the first known hour on: nobody knows since when.
        to_end: it is below up to the last known hour: nobody knows until when.
    """

    first: int
    last: int
    from_start: bool
    to_end: bool


def thicknesses(joints: Sequence[Joint]) -> tuple[float, ...]:
    """Up to four thicknesses that stand for those of the joints still to be welded, thinnest and thickest among them.

    Rising [mm]; empty where there is no such joint. Those alike to 0.1 mm count as one, with the thinnest of them. From
    more than four the others lie at even steps among the distinct ones. Our choice.
    """
    alike: dict[float, float] = {}
    for joint in joints:
        if joint.state not in ("done", "postponed"):
            for part in joint.parts:
                key = round(part.thickness_mm, 1)
                alike[key] = min(alike.get(key, part.thickness_mm), part.thickness_mm)
    there = sorted(alike.values())
    if len(there) <= MOST_PLATES:
        return tuple(there)
    return tuple(there[round(n * (len(there) - 1) / (MOST_PLATES - 1))] for n in range(MOST_PLATES))


def plate_joint(thickness_mm: float, weather: Hours) -> Joint:
    """A reference plate as a joint of its own, for the prediction."""
    return Joint(
        mark=f"\0plate {thickness_mm}",  # no mark that anybody can type, so that no reading is its own
        place="",
        parts=(Part(None, thickness_mm),),
        process=None,
        electrode=None,
        hydrogen_ml=None,
        procedure=None,
        weld_length_mm=1000.0,
        ends="inside",
        start_utc=weather.start_utc,
        hours=1.0,
    )


def reference_plates(
    site: Site, table: CodeTable, joints: Sequence[Joint], weather: Weather, readings: Sequence[Reading]
) -> ReferencePlates | None:
    """The reference plates of a site.

    Args:
        site: the site with its choices.
        table: its rule table.
        joints: all joints of the site; a reading on one counts for the plates like it, as it does for joints.
        weather: the forecast of the plan.
        readings: those of the plan.

    Returns:
        None where there is no forecast that can be planned on.
    """
    hours = weather.hours
    if hours is None or not len(hours) or weather.freshness in ("unusable", "none"):
        return None
    chosen = thicknesses(joints)
    thickness_mm = chosen or USUAL_MM
    measured = {reading.mark for reading in readings}
    field = outlook(
        site,
        [plate_joint(thickness, hours) for thickness in thickness_mm],
        weather,
        hours,
        readings,
        [joint for joint in joints if joint.mark in measured],
    )
    rows = field.part_class
    least = {"us": c_from_f(table.cold_steel.below_f), "si": table.cold_steel.below_c}
    of_steel = of_air = None
    if field.members is not None:
        kinds = [field.members.kinds[row][0] for row in rows.tolist()]
        quantiles, air = field.members.steel.quantiles(), field.members.steel.air_quantiles()
        of_steel, of_air = (quantiles.low_c[kinds], quantiles.high_c[kinds]), (air.low_c[0], air.high_c[0])
    return ReferencePlates(
        thickness_mm=thickness_mm,
        of_schedule=bool(chosen),
        hours=hours,
        steel=field.steel.each(lambda values: values[rows]),
        steel_members_c=of_steel,
        leans=field.start_weight[rows] * site.choices.start_span_k >= START_MATTERS_K,
        air=field.air.each(lambda values: values[0]),
        air_members_c=of_air,
        members=0 if field.members is None else field.members.count,
        cold_below_c=max(least[system] for system in systems(site.code_units)),
        ambient_limit_c=stops.ambient_limit_c(table, site.code_units),
        wind_limit_ms=stops.wind_limit_ms(table, site.code_units),
        limited=_judged(field, site, table, limited=True),
        others=_judged(field, site, table, limited=False),
    )


def _judged(
    field: Outlook, site: Site, table: CodeTable, *, limited: bool
) -> tuple[tuple[Process, ...], stops.Judged | None]:
    """The weather state of every hour in the open; dew and frost on any of the plates count."""
    processes = tuple(process for process in PROCESSES if (process in table.wind.processes) is limited)
    if not processes:
        return (), None
    hours, rows = field.hours, field.part_class
    spot_hours = stops.SpotHours(
        air_cold_c=field.air.cold_c[0],
        air_warm_c=field.air.warm_c[0],
        wind_open_ms=hours.wind_10m_ms * max(field.around[0].wind_factor, 1.0),
        precip_mm=hours.precip_mm,
        dew=np.logical_or.reduce(field.wet[rows]),
        frost=np.logical_or.reduce(field.frost[rows]),
        wet_known=np.logical_and.reduce(field.wet_known[rows]),
    )
    spot = stops.Spot(processes[0], None, covered=False)
    return processes, stops.judge(spot_hours, spot, table, site.code_units, site.choices)


def spells_below(values_c: Floats, limit_c: float, first: int, last: int) -> tuple[Spell, ...]:
    """The spells below a limit within the hours `first` to `last` of one row; an unknown hour ends a spell.

    Args:
        values_c: one an hour [°C]; NaN: unknown.
        limit_c: a value at the limit is not below it.
        first: first hour that is looked at.
        last: last hour that is looked at.
    """
    found, begin = [], None
    known, below = np.isfinite(values_c), values_c < limit_c
    for hour in range(first, last + 2):
        inside = hour <= last and bool(below[hour])
        if inside and begin is None:
            begin = hour
        elif not inside and begin is not None:
            from_start = begin == first or not known[begin - 1]
            to_end = hour > last or not known[hour]
            found.append(Spell(begin, hour - 1, bool(from_start), bool(to_end)))
            begin = None
    return tuple(found)
