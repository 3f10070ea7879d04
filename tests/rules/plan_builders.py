"""A site, joints and weather to plan from; every test changes what it is about. Invented, of no real place.

The weather is such that steel under a cover takes the temperature of the air: no precipitation, no sun, dew point well
below. The site's clock is UTC, so that its two shifts are 06:00 to 18:00 and 18:00 to 06:00 UTC.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np

from frostshift_rules.job import Acceptance, Choices, HeatSource, Joint, Part, Reading, Shift, Site
from frostshift_rules.plan import make_plan
from frostshift_rules.surroundings import Floats, Hours, Members
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import Freshness, HeatPlan, JointPlan, Plan, Weather

TABLE = load_code_table("aws_d1_1_2015_t3_3")
FIRST = datetime(2026, 1, 10, tzinfo=UTC)
"""First hour of the weather: two days before the joints, so that the start value is forgotten."""
NOW = datetime(2026, 1, 12, tzinfo=UTC)
START = datetime(2026, 1, 12, 12, tzinfo=UTC)
HOURS = 96

DAY = Shift("day", time(6), time(18))
NIGHT = Shift("night", time(18), time(6))
TORCH = HeatSource("P1", "propane torch", "propane", 30.0, oxygen_ratio=4.0, count=4)
ACCEPTED = Acceptance(TABLE.id, "somebody", date(2026, 1, 5))


def c(f: float) -> float:
    """°F to °C by hand."""
    return (f - 32.0) / 1.8


def mm(thickness_mm: float, steel: str | None = "A992", **fields: Any) -> Part:
    return Part(steel, thickness_mm, **fields)


def inch(thickness_in: float, steel: str | None = "A992") -> Part:
    return Part(steel, thickness_in * 25.4, thickness_in)


def site(**fields: Any) -> Site:
    plain: dict[str, Any] = {
        "id": "s",
        "name": "invented",
        "latitude": 55.0,
        "longitude": 0.0,
        "altitude_m": None,
        "zone": "UTC",
        "table_id": TABLE.id,
        "code_units": "si",
        "shifts": (DAY, NIGHT),
        "heat_sources": (TORCH,),
    }
    return Site(**(plain | fields))


def joint(*parts: Part, **fields: Any) -> Joint:
    """Category B by default; under a cover, in its own wind."""
    plain: dict[str, Any] = {
        "mark": "J1",
        "place": "",
        "parts": parts or (mm(25.0),),
        "process": "FCAW-S",
        "electrode": None,
        "hydrogen_ml": None,
        "procedure": None,
        "weld_length_mm": 300.0,
        "ends": "inside",
        "start_utc": START,
        "hours": 2.0,
        "exposure": "covered",
    }
    return Joint(**(plain | fields))


def hours(air_c: float | Floats = -5.0, **fields: Any) -> Hours:
    """Hours from `FIRST` on; a single figure holds throughout."""
    air = np.array(air_c, dtype=float) if isinstance(air_c, np.ndarray) else np.full(HOURS, float(air_c))
    none = np.zeros(len(air))
    plain: dict[str, Any] = {
        "start_utc": FIRST,
        "air_c": air,
        "dew_c": air - 6.0,
        "wind_10m_ms": none + 3.0,
        "cloud": none + 1.0,
        "precip_mm": none,
        "snow_cm": none,
        "gust_10m_ms": none + 5.0,
        "sun_wm2": none,
    }
    return Hours(**(plain | fields))


def at(utc: datetime) -> int:
    """Place of a full hour on the axis of `hours`."""
    return int((utc - FIRST).total_seconds()) // 3600


def changed(values: Floats, places: int | slice | Sequence[int], value: float) -> Floats:
    """A copy with other values at some places."""
    copy = values.copy()
    copy[places] = value
    return copy


def weather(of: Hours | float | Floats = -5.0, freshness: Freshness = "fresh", late_by_h: float = 0.0) -> Weather:
    """A forecast issued at `NOW`."""
    return Weather("test", NOW, NOW, freshness, late_by_h, of if isinstance(of, Hours) else hours(of))


def members(of: Hours, colder_k: Sequence[float], **fields: Any) -> Members:
    """An ensemble whose members are the forecast, each colder by so much throughout."""
    rows = np.array(colder_k, dtype=np.float64)[:, None]
    plain: dict[str, Any] = {
        "air_c": of.air_c - rows,
        "dew_c": of.dew_c - rows,
        "wind_10m_ms": of.wind_10m_ms + 0.0 * rows,
        "cloud": of.cloud + 0.0 * rows,
    } | fields
    return Members(of.start_utc, **{name: values.astype(np.float32) for name, values in plain.items()})


def with_members(of: Hours | float | Floats, colder_k: Sequence[float], **fields: Any) -> Weather:
    """A forecast issued at `NOW`, with `members`."""
    given = of if isinstance(of, Hours) else hours(of)
    return replace(weather(given), members=members(given, colder_k, **fields))


def plan(
    joints: Joint | Iterable[Joint],
    of: Weather | Hours | float | Floats = -5.0,
    *,
    readings: Sequence[Reading] = (),
    now_utc: datetime = NOW,
    **fields: Any,
) -> Plan:
    """`make_plan` with the site's fields changed by `fields`."""
    given = [joints] if isinstance(joints, Joint) else list(joints)
    forecast = of if isinstance(of, Weather) else weather(of)
    return make_plan(site(**fields), TABLE, given, forecast, readings, now_utc)


def planned(one: Joint, of: Weather | Hours | float | Floats = -5.0, **more: Any) -> JointPlan:
    """The plan of a single joint."""
    (found,) = plan(one, of, **more).joints
    return found


def heat_of(found: JointPlan) -> HeatPlan:
    assert found.heat is not None
    return found.heat


def by_mark(whole: Plan) -> Mapping[str, JointPlan]:
    return {found.joint.mark: found for found in whole.joints}


def reading(steel_c: float, at_utc: datetime = NOW, mark: str = "J1") -> Reading:
    return Reading(mark, steel_c, at_utc)


def choices(**fields: Any) -> Choices:
    return replace(Choices(), **fields)


def minutes(count: float) -> timedelta:
    return timedelta(minutes=count)
