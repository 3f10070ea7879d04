"""A winter of hourly weather replayed hour by hour: how many notices, what they miss, how often they go to and fro.

    python -m tests.notices.winter [greensboro|sand_point] [days] [kelvin colder] [seed]

The weather is that of a TMY3 file that ships with pvlib (public domain, NREL): December, January, February, each of
another year, so that there is a seam between them. Of the two files that are hourly Greensboro has the coldest hours
and the steepest falls, Sand Point the colder mean. So many kelvin colder throughout it is a place that we invent, whose
weather brings stops. The job is invented: two crews, one by day and one in the evening, four joints a shift of mixed
thickness, Monday to Saturday. Gas is left out.

Each hour brings a forecast: the truth up to now, and beyond it the truth and an error of 0.5 (lead / 6 h)^0.72 K, which
is 0.5 K after 6 h and 3 K after 72 h, about what scores of air temperature forecasts show (from memory). The error is
drawn with a fixed seed, is like itself over valid time and from forecast to forecast (correlation 1/e after 12 h of
either), shifts air and dew point alike, and half of it in m/s goes to the wind. In the third week no forecast comes for
`OUTAGE_H` hours: it gets late, then cannot be used.

A miss is a joint that at its light-up (its start where there is none) was harder than anybody had been told. By the
last plan before it, which is what deciding can be held to; and by the truth, a plan made from the true weather without
a margin, which the error of the forecast and the doubt of the plan have to answer for. Who was told `measure` was told
enough, and so was who was told that the forecast cannot be used.
"""

from __future__ import annotations

import random
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pvlib

from frostshift_rules.job import Acceptance, Choices, HeatSource, Joint, Part, Shift, Site
from frostshift_rules.notice_decide import decide
from frostshift_rules.notice_events import Notice, Told
from frostshift_rules.notice_joints import CALLS, HEAT, act_by_utc
from frostshift_rules.notice_quiet import due_utc, is_for
from frostshift_rules.notice_setup import NoticeChoices, Person, Quiet
from frostshift_rules.plan import make_plan
from frostshift_rules.stops import STATES
from frostshift_rules.surroundings import Floats, Hours
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import Freshness, HeatCall, JointPlan, Plan, Weather, WeatherState

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
TABLE = load_code_table("aws_d1_1_2015_t3_3")
RUN_IN_H, LEAD_H, AHEAD = 72, 96, timedelta(days=3)
OUTAGE_DAY, OUTAGE_H = 16, 34
LATE_H, UNUSABLE_H = 3.0, 24.0
THICKNESS_MM = (10.0, 16.0, 22.0, 32.0, 50.0, 75.0)


@dataclass(frozen=True)
class Station:
    """A TMY3 file: hours behind UTC of its stamps, zone of the site, and where it is."""

    file: str
    behind_h: int
    zone: str
    latitude: float
    longitude: float


STATIONS = {
    "greensboro": Station("723170TYA.CSV", 5, "America/New_York", 36.1, -79.95),
    "sand_point": Station("703165TY.csv", 9, "Etc/GMT+9", 55.317, -160.517),
}


def winter(station: Station, colder_k: float = 0.0) -> Hours:
    """The hours of its winter, as if of one, so much colder; the values stand at the stamp of their row."""
    rows = pd.read_csv(Path(pvlib.__file__).parent / "data" / station.file, skiprows=1)
    months = pd.to_numeric(rows["Date (MM/DD/YYYY)"].str[:2])
    rows = pd.concat([rows[months == month] for month in (12, 1, 2)])
    column = {name: rows[name].to_numpy(dtype=np.float64) for name in rows.columns[2:] if "source" not in name}
    air_c, rain = column["Dry-bulb (C)"] - colder_k, column["Lprecip depth (mm)"]
    rain = np.where(rain > 0.0, rain, 0.0)  # missing ones too: what fell is no matter of this replay
    return Hours(
        start_utc=datetime(2025, 12, 1, 1, tzinfo=UTC) + station.behind_h * HOUR,
        air_c=air_c,
        dew_c=np.minimum(column["Dew-point (C)"] - colder_k, air_c),
        wind_10m_ms=column["Wspd (m/s)"],
        cloud=column["TotCld (tenths)"] / 10.0,
        precip_mm=rain,
        snow_cm=np.where(air_c < 0.5, rain, 0.0),
        gust_10m_ms=1.5 * column["Wspd (m/s)"],
        sun_wm2=np.zeros(len(rows)),
    )


class Forecasts:
    """A forecast an hour, each wrong in a way that is like that of the one before."""

    def __init__(self, truth: Hours, seed: int) -> None:
        self._truth, self._noise = truth, np.random.default_rng(seed)
        self._stays = float(np.exp(-1.0 / 12.0))
        self._air, self._wind = self._drawn(), self._drawn()

    def _drawn(self) -> Floats:
        """A standard normal for every hour of the winter, alike over twelve hours."""
        noise = self._noise.normal(size=len(self._truth))
        for hour in range(1, len(noise)):
            noise[hour] = self._stays * noise[hour - 1] + np.sqrt(1.0 - self._stays**2) * noise[hour]
        return noise

    def next(self, hour: int) -> Hours:
        """The forecast issued at an hour of the winter; to be asked hour after hour."""
        fresh = np.sqrt(1.0 - self._stays**2)
        self._air = self._stays * self._air + fresh * self._drawn()
        self._wind = self._stays * self._wind + fresh * self._drawn()
        seen = window(self._truth, hour)
        first = hour - RUN_IN_H
        lead = np.maximum(np.arange(len(seen)) - RUN_IN_H, 0.0)
        size = 0.5 * (lead / 6.0) ** 0.72
        inside = slice(first, first + len(seen))
        error_k = size * self._air[inside]
        return replace(
            seen,
            air_c=seen.air_c + error_k,
            dew_c=seen.dew_c + error_k,
            wind_10m_ms=np.maximum(0.0, seen.wind_10m_ms + 0.5 * size * self._wind[inside]),
        )


def window(of: Hours, hour: int) -> Hours:
    """The hours round one of them, so many before and so many after it."""
    inside = slice(hour - RUN_IN_H, hour + LEAD_H)
    columns: dict[str, Any] = {
        name: getattr(of, name)[inside] for name in of.__dataclass_fields__ if name != "start_utc"
    }
    return Hours(of.time_utc(hour - RUN_IN_H), **columns)


# The job --------------------------------------------------------------------------------------------------------------

WORKING = frozenset({1, 2, 3, 4, 5, 6})
SHIFTS = (Shift("day", time(6), time(16), WORKING, 3), Shift("evening", time(16), time(2), WORKING, 3))
CREWS = {"day": "Anvil", "evening": "Bellows"}


def site_at(station: Station) -> Site:
    return Site(
        id="gantry",
        name="Gantry at the quarry (invented)",
        latitude=station.latitude,
        longitude=station.longitude,
        altitude_m=None,
        zone=station.zone,
        table_id=TABLE.id,
        code_units="si",
        shifts=SHIFTS,
        heat_sources=(HeatSource("P1", "propane torch", "propane", 30.0, oxygen_ratio=4.0, count=6),),
        acceptances=(Acceptance(TABLE.id, "somebody", date(2025, 11, 20)),),
    )


def schedule(site: Site, first: date, days: int) -> list[Joint]:
    """Four joints a shift, drawn with a fixed seed."""
    drawn = random.Random(4)
    zone = ZoneInfo(site.zone)
    joints = []
    for number in range(days):
        day = first + number * DAY
        for shift in SHIFTS if day.isoweekday() in WORKING else ():
            for place in range(4):
                start = datetime.combine(day, shift.start, zone).astimezone(UTC) + (0.5 + 2.25 * place) * HOUR
                thick = drawn.choice(THICKNESS_MM), drawn.choice(THICKNESS_MM)
                joints.append(
                    Joint(
                        mark=f"{day:%m%d}-{shift.name[0].upper()}{place + 1}",
                        place=f"Axis {place + 1}",
                        parts=tuple(Part(drawn.choice(("A992", "A572-50")), mm) for mm in thick),
                        process="SMAW",
                        electrode="E7018",
                        hydrogen_ml=4.0,
                        procedure=None,
                        weld_length_mm=400.0,
                        ends="inside",
                        start_utc=start,
                        hours=2.0,
                        crew=CREWS[shift.name],
                        exposure=drawn.choice(("open", "half")),
                        torches=2,
                    )
                )
    return joints


PEOPLE = (
    Person("boss", "the superintendent", "superintendent", "si", quiet=Quiet(time(21), time(5))),
    Person("anvil", "the foreman of Anvil", "foreman", "si", crews=("Anvil",), quiet=Quiet(time(20), time(5))),
    Person("bellows", "the foreman of Bellows", "foreman", "si", crews=("Bellows",), quiet=Quiet(time(3), time(10))),
)


# The replay -----------------------------------------------------------------------------------------------------------


@dataclass
class Result:
    """What a replay gave.

    Attributes:
        weeks: length.
        joints: that came to their light-up.
        needing: of them, that needed something by the last plan.
        notices: all.
        by_kind: events.
        by_crew: notices by crew; empty: the site's.
        by_person: notices that a person hears of.
        held: of them, that quiet hours held back beyond the time by which something has to be done.
        unaware: marks that by the last plan were harder than told at their light-up.
        untold_heat: that by the truth needed heat and were told `no_heat`, or nothing.
        less_heat: that by the truth needed the raised minimum and were told the usual.
        flickers: times that a joint was told harder, then easier, then harder again.
        lead_h: by kind, hours from a notice to the light-up of each of its joints.
        about: joints in the events, by kind.
        front_calls: by mark, the call that was told with a front.
        front_came: by whether a joint was as hard at its light-up as was told with the front.
        short: joints told harder, or of a front, less than an hour before their light-up.
    """

    weeks: float
    joints: int = 0
    needing: int = 0
    notices: list[Notice] = field(default_factory=list)
    by_kind: Counter[str] = field(default_factory=Counter)
    by_crew: Counter[str] = field(default_factory=Counter)
    by_person: Counter[str] = field(default_factory=Counter)
    held: int = 0
    unaware: list[str] = field(default_factory=list)
    untold_heat: list[str] = field(default_factory=list)
    less_heat: list[str] = field(default_factory=list)
    flickers: int = 0
    lead_h: defaultdict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    about: Counter[str] = field(default_factory=Counter)
    front_calls: dict[str, HeatCall] = field(default_factory=dict)
    front_came: Counter[bool] = field(default_factory=Counter)
    short: int = 0


UP, DOWN = ("front", "harder", "stop"), ("easier", "stop_over")


def with_states(joints: Sequence[Joint], lit: dict[str, datetime], now_utc: datetime) -> list[Joint]:
    """The joints near now, as far as they are by their schedule."""
    near = []
    for one in joints:
        if one.start_utc + one.hours * HOUR <= now_utc or one.start_utc - now_utc > AHEAD:
            continue
        begun = one.start_utc <= now_utc
        heating = one.mark in lit and lit[one.mark] <= now_utc
        near.append(replace(one, state="in_progress" if begun else "heating" if heating else "planned"))
    return near


def forecast_at(kept: Hours, issued_utc: datetime, now_utc: datetime) -> Weather:
    """The forecast with its age."""
    age_h = (now_utc - issued_utc) / HOUR
    freshness: Freshness = "unusable" if age_h >= UNUSABLE_H else "late" if age_h >= LATE_H else "fresh"
    return Weather("replay", issued_utc, issued_utc, freshness, max(0.0, age_h - LATE_H), kept)


def replay(
    station: Station,
    days: int,
    choices: NoticeChoices,
    *,
    seed: int = 1,
    first_day: int = 4,
    colder_k: float = 0.0,
    outage_day: int = OUTAGE_DAY,
) -> Result:
    """Replay so many days of a winter from its `first_day` on."""
    truth, site = winter(station, colder_k), site_at(station)
    zone = ZoneInfo(site.zone)
    begin = first_day * 24
    last = min(begin + days * 24, len(truth) - LEAD_H)
    joints = schedule(site, truth.time_utc(begin).astimezone(zone).date() + DAY, (last - begin) // 24 + 3)
    forecasts = Forecasts(truth, seed)
    result = Result((last - begin) / 168.0)
    told, lit = Told(), dict[str, datetime]()
    trend: defaultdict[str, str] = defaultdict(str)
    kept, issued = forecasts.next(begin), truth.time_utc(begin)
    for hour in range(begin, last):
        now = truth.time_utc(hour)
        latest = forecasts.next(hour)
        if not 0 <= hour - begin - outage_day * 24 < OUTAGE_H:
            kept, issued = latest, now
        weather = forecast_at(kept, issued, now)
        plan = make_plan(site, TABLE, with_states(joints, lit, now), weather, (), now)
        notices, told = decide(told, plan, weather.hours, None, (), (), choices, now)
        _count(result, notices, site.zone, now, trend)
        due = [one for one in plan.joints if one.joint.mark not in lit and act_by_utc(one) < now + HOUR]
        lit |= {one.joint.mark: act_by_utc(one) for one in due}
        _check(result, due, told, plan, _exact(site, due, window(truth, hour), now))
    return result


def _exact(site: Site, due: Sequence[JointPlan], hours: Hours, now: datetime) -> dict[str, HeatCall]:
    """The calls of joints by the true weather, without a margin."""
    if not due:
        return {}
    exact = replace(site, choices=Choices(doubt_k=0.0, doubt_per_day_k=0.0, h_band=0.0))
    plan = make_plan(exact, TABLE, [one.joint for one in due], Weather("truth", now, now, "fresh", 0.0, hours), (), now)
    return {one.joint.mark: one.call for one in plan.joints}


def _count(result: Result, notices: Sequence[Notice], zone: str, now: datetime, trend: dict[str, str]) -> None:
    result.notices += notices
    for notice in notices:
        result.by_crew[notice.crew] += 1
        for event in notice.events:
            result.by_kind[event.kind] += 1
            for one in event.joints:
                result.about[event.kind] += 1
                result.lead_h[event.kind].append(((one.light_up_utc or one.start_utc) - now) / HOUR)
                if event.kind == "front":
                    result.front_calls[one.mark] = one.call
                if event.kind in UP:
                    result.short += result.lead_h[event.kind][-1] < 1.0
                    result.flickers += trend[one.mark] == "down again"
                    trend[one.mark] = "up"
                elif event.kind in DOWN and trend[one.mark] == "up":
                    trend[one.mark] = "down again"
        for person in PEOPLE:
            heard = is_for(notice, person)
            if heard is not None:
                result.by_person[person.name] += 1
                held_until = due_utc(heard, person, zone, now)
                result.held += heard.by_utc is not None and max(now, heard.by_utc) < held_until


def _check(result: Result, due: Sequence[JointPlan], told: Told, plan: Plan, exact: dict[str, HeatCall]) -> None:
    for one in due:
        mark = one.joint.mark
        known = told.joints.get(mark)
        call: HeatCall = known.call if known is not None and known.told else "no_heat"
        state: WeatherState = known.weather_state if known is not None and known.told else "go"
        result.joints += 1
        if mark in result.front_calls:
            result.front_came[CALLS.index(one.call) >= CALLS.index(result.front_calls[mark])] += 1
        result.needing += one.call != "no_heat" or one.weather_state != "go"
        warned = plan.freshness in ("unusable", "none") and told.forecast == plan.freshness
        harder = CALLS.index(one.call) > CALLS.index(call) or STATES.index(one.weather_state) > STATES.index(state)
        if harder and not warned:
            result.unaware.append(mark)
        if exact[mark] in HEAT and call == "no_heat":
            result.untold_heat.append(mark)
        if exact[mark] == "cold_steel_heat" and call == "heat_to_minimum":
            result.less_heat.append(mark)


def lines(result: Result) -> Iterator[str]:
    """The table."""
    yield f"{result.weeks:.1f} weeks, {result.joints} joints lit or begun, {result.needing} of them needed something"
    yield "notices a week: " + ", ".join(
        f"{crew or 'the site'} {count / result.weeks:.1f}" for crew, count in sorted(result.by_crew.items())
    )
    yield "heard a week:   " + ", ".join(
        f"{name} {count / result.weeks:.1f}" for name, count in sorted(result.by_person.items())
    )
    yield f"{'kind':<12}{'events':>8}{'a week':>8}{'joints':>8}   hours to light-up: least, 10 %, half, 90 %"
    for kind, count in result.by_kind.most_common():
        ahead = result.lead_h[kind]
        spread = " ".join(f"{value:6.1f}" for value in np.quantile(ahead, (0.0, 0.1, 0.5, 0.9))) if ahead else ""
        yield f"{kind:<12}{count:>8}{count / result.weeks:>8.1f}{result.about[kind]:>8}   {spread}"
    yield f"harder by the last plan than told: {len(result.unaware)} {' '.join(result.unaware[:8])}"
    yield f"by the truth in need of heat and told none: {len(result.untold_heat)} {' '.join(result.untold_heat[:8])}"
    yield f"by the truth in need of the raised minimum and told the usual: {len(result.less_heat)}"
    came = result.front_came
    yield f"of {came.total()} joints that were told of a front {came[True]} were as hard at their light-up"
    yield f"told harder less than an hour before light-up: {result.short}"
    yield f"flickers: {result.flickers}; held back by quiet hours too long: {result.held}"


def main(station: str = "greensboro", days: str = "80", colder: str = "0", seed: str = "1") -> None:
    result = replay(STATIONS[station], int(days), NoticeChoices(), colder_k=float(colder), seed=int(seed))
    print(f"{station}, {colder} K colder:", *lines(result), sep="\n  ")


if __name__ == "__main__":
    main(*sys.argv[1:])
