"""Joints x hours x site -> calls, heat plans and shift totals. The only composition of the rules.

`make_plan` is a pure function of values, in one direction:

    requirement of each joint          `preheat`
    steel and air through the hours    `outlook`
    heat call over the joint's window  `calls`; the chance by the forecast's members beside it
    heat plan and light-up             `heat_plan`; the window then begins at light-up and is judged again
    weather state of the window        `stops`
    totals of each shift, its people   `totals`
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from frostshift_rules import delivered, heat_plan, patches, preheat, stops, surroundings
from frostshift_rules.calls import Flags, Ints, Judged, Sides, Windows, heat_call, judge, least_in_windows, windows
from frostshift_rules.code_table import CodeTable
from frostshift_rules.drying import Film
from frostshift_rules.gas import counted_cylinders
from frostshift_rules.job import Joint, Reading, Site
from frostshift_rules.outlook import Outlook, between, chances, outlook
from frostshift_rules.people import Outdoors
from frostshift_rules.preheat import Requirement
from frostshift_rules.shifts import ShiftSpan, holding, spans
from frostshift_rules.stops import WeatherState
from frostshift_rules.surroundings import Floats, Hours
from frostshift_rules.totals import shift_totals
from frostshift_rules.workload import (
    Freshness,
    HeatCall,
    JointPlan,
    Plan,
    Range,
    Span,
    Weather,
    WeatherSpell,
)

HORIZON: Final = timedelta(days=7)
"""Totals are made for the shifts of so many days ahead, or up to the last joint where that is later."""

START_MATTERS_K: Final = 1.0
"""While the assumed start still moves the steel by so much, no joint is called `no_heat` [K]. Our choice."""


def make_plan(
    site: Site,
    table: CodeTable,
    joints: Sequence[Joint],
    weather: Weather,
    readings: Sequence[Reading],
    now_utc: datetime,
) -> Plan:
    """The plan of a site at `now_utc`.

    Joints that are done or postponed are left out. A joint that cannot be judged (no forecast for an hour of its
    window, no steel, no table row, a figure that the site has not accepted) is `unknown` with the reason, never
    `no_heat`.

    Args:
        site: the site with its choices.
        table: rule table of `site.table_id`.
        joints: all joints of the site.
        weather: the forecast; `NO_WEATHER` where there is none.
        readings: temperatures measured on unheated steel; the newest of a joint goes on from there.
        now_utc: the moment of the plan.
    """
    field = field_of(site, joints, weather, readings)
    joints = [joint for joint in joints if is_open(joint)]
    calendar = _calendar(site, joints, now_utc)
    job = _Job(site, table, joints, _requirements(joints, site, table), _shifts_of(joints, calendar), now_utc)
    hours = weather.hours
    warnings = _WEATHER_WARNINGS[weather.freshness]
    if left_out := counted_cylinders(site.gas)[1]:
        warnings += (left_out,)
    planned, outdoors = [one.plan for one in _planned(job, field, weather)], None
    if field is not None:
        outdoors = Outdoors(field.hours.start_utc, field.air.cold_c[0], field.hours.wind_10m_ms)
        if field.left_out:
            warnings += (HEATED_READING.format(marks=", ".join(field.left_out)),)
    planned.sort(key=_by_light_up)
    return Plan(
        site=site,
        made_utc=now_utc,
        feed=weather.feed,
        issued_utc=weather.issued_utc,
        fetched_utc=weather.fetched_utc,
        freshness=weather.freshness,
        forecast_end_utc=hours.time_utc(len(hours) - 1) if hours is not None and len(hours) else None,
        joints=tuple(planned),
        shifts=shift_totals(planned, calendar, site, outdoors, now_utc),
        outside_shifts=sum(plan.shift_key is None for plan in planned),
        warnings=warnings,
        attribution=weather.attribution,
        instead_of=weather.instead_of,
        feed_changed=weather.changed,
        station=weather.station,
        air_bias=weather.air_bias,
    )


_WEATHER_WARNINGS: Final[dict[Freshness, tuple[str, ...]]] = {
    "fresh": (),
    "late": ("The forecast is late: the doubt of every temperature is wider.",),
    "unusable": ("The forecast is too old to be used: every joint is unknown. Measure.",),
    "none": ("There is no forecast: every joint is unknown. Measure.",),
}


HEATED_READING: Final = (
    "The last reading on {marks} lies far above the predicted steel: it is taken as heated steel and left out."
)


# Other starts than the planned ones -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AtStart:
    """What the plan says of a joint at one start; `at_middle` is the call by its likely steel, doubt left aside."""

    plan: JointPlan
    at_middle: HeatCall


def is_open(joint: Joint) -> bool:
    """Whether a joint is planned: it is neither done nor postponed."""
    return joint.state not in ("done", "postponed")


def field_of(site: Site, joints: Sequence[Joint], weather: Weather, readings: Sequence[Reading]) -> Outlook | None:
    """Steel and air that `make_plan` plans with, for the open ones of all joints in their order; they hang on no start.

    None where no forecast can be planned on, or no joint is open.
    """
    hours, opened = weather.hours, [joint for joint in joints if is_open(joint)]
    if hours is None or len(hours) == 0 or weather.freshness in ("unusable", "none") or not opened:
        return None
    return outlook(site, opened, weather, hours, readings, [joint for joint in joints if not is_open(joint)])


def plans_at(
    site: Site,
    table: CodeTable,
    joints: Sequence[Joint],
    weather: Weather,
    field: Outlook | None,
    now_utc: datetime,
    starts: Sequence[tuple[int, datetime]],
) -> list[AtStart]:
    """What `make_plan` says of joints that start at other times, each as if it alone were moved.

    Args:
        site: as for `make_plan`.
        table: as for `make_plan`.
        joints: the open ones, in the order of `field`.
        weather: as for `make_plan`.
        field: of `field_of`.
        now_utc: the moment of the plan.
        starts: place of a joint in `joints`, and a start (aware UTC); a joint may come with many.

    Returns:
        One for each of `starts`, in their order.
    """
    numbers = [number for number, _ in starts]
    moved = [replace(joints[number], start_utc=start_utc) for number, start_utc in starts]
    asked = _requirements(joints, site, table)
    calendar = _calendar(site, moved, now_utc)
    job = _Job(site, table, moved, [asked[number] for number in numbers], _shifts_of(moved, calendar), now_utc)
    return _planned(job, None if field is None or not numbers else field.of_joints(numbers), weather)


def _planned(job: _Job, field: Outlook | None, weather: Weather) -> list[AtStart]:
    """The plan of each joint, in their order."""
    if field is None:
        return [AtStart(_without_weather(job, number, weather), "unknown") for number in range(len(job.joints))]
    return _with_weather(job, field)


# The job before any weather -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Job:
    """What is known without weather; `requirements` and `shifts` (that hold the start) in the order of `joints`."""

    site: Site
    table: CodeTable
    joints: Sequence[Joint]
    requirements: Sequence[Requirement]
    shifts: Sequence[ShiftSpan | None]
    now_utc: datetime


def _requirements(joints: Sequence[Joint], site: Site, table: CodeTable) -> list[Requirement]:
    """The requirement of each joint; like joints are looked up once."""
    accepted = site.accepted_ids
    known: dict[tuple[object, ...], Requirement] = {}
    found = []
    for joint in joints:
        key = preheat.deciding_values(joint)
        asked = known.get(key)
        if asked is None:
            procedure = site.procedure(joint.procedure)
            asked = known[key] = preheat.requirement(joint, table, procedure, site.code_units, accepted)
        found.append(asked)
    return found


def _calendar(site: Site, joints: Sequence[Joint], now_utc: datetime) -> list[ShiftSpan]:
    """The shifts from now to a week ahead, and further where a joint lies further."""
    starts = [joint.start_utc for joint in joints]
    return spans(site.shifts, site.zone, min([now_utc, *starts]), max([now_utc + HORIZON, *starts]))


def _shifts_of(joints: Sequence[Joint], calendar: Sequence[ShiftSpan]) -> list[ShiftSpan | None]:
    """The shift that holds the planned start of each joint; many start at the same time."""
    holds = {start: holding(calendar, start) for start in {joint.start_utc for joint in joints}}
    return [holds[joint.start_utc] for joint in joints]


# Windows --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Times:
    """Of each joint, in hours on the forecast's axis: planned start, end with slip, and from when it is judged."""

    start_h: Floats
    end_h: Floats
    first_h: Floats


def _times(job: _Job, hours: Hours) -> _Times:
    start_h = np.array([hours.position(joint.start_utc) for joint in job.joints])
    end_h = start_h + np.array([joint.hours for joint in job.joints]) + job.site.choices.slip_hours
    # What is past cannot be heated any more: a joint whose start has passed is judged from now on. So is one that is
    # already heated or welded ahead of its time.
    begun = np.array([joint.state in ("heating", "in_progress") for joint in job.joints])
    now_h = hours.position(job.now_utc)
    return _Times(start_h, end_h, np.clip(now_h, np.where(begun, now_h, start_h), end_h))


@dataclass(frozen=True)
class _InWindow:
    """Steel and air judged over the window of each joint, and the share of the start's error left at worst."""

    steel: Judged
    air: Judged
    start_weight: Floats


def _judge(field: Outlook, first_h: Floats, last_h: Floats, threshold_c: Floats) -> _InWindow:
    span = windows(first_h, last_h, len(field.hours))
    joints: Ints = np.arange(len(first_h))

    def steel(values: Floats) -> Floats:
        return least_in_windows(values, field.part_class, field.part_joint, span)

    def air(values: Floats) -> Floats:
        return least_in_windows(values, np.zeros_like(joints), joints, span)

    left = -steel(-field.start_weight)
    return _InWindow(
        steel=judge(field.steel.each(steel), threshold_c, span),
        air=judge(field.air.each(air), threshold_c, span),
        start_weight=np.where(np.isfinite(left), left, 0.0).max(axis=1),
    )


# Heat -----------------------------------------------------------------------------------------------------------------


class _Heating:
    """Makes the heat jobs of the joints that need heat."""

    def __init__(self, job: _Job, field: Outlook, times: _Times, states: _WeatherStates, numbers: Ints) -> None:
        self._job, self._field, self._times, self._states = job, field, times, states
        self._heaters: dict[tuple[object, ...], tuple[delivered.Heaters, ...] | None] = {}
        self._steady = {number: self._steady_of(number) for number in numbers.tolist()}
        kinds = {around: row for row, around in enumerate(dict.fromkeys(field.around))}
        winds = [surroundings.wind_at_joint_ms(field.hours.wind_10m_ms, around) for around in kinds]
        self._wind_ms = np.array(winds).reshape(len(kinds), len(field.hours))
        self._wind_row = np.array([kinds[around] for around in field.around], dtype=np.intp)

    def _steady_of(self, number: int) -> _Steady:
        job, joint = self._job, self._job.joints[number]
        shift = job.shifts[number]
        heated_with = joint.heat_source, joint.torches, joint.also_heated
        if heated_with not in self._heaters:
            self._heaters[heated_with] = delivered.heaters_of(joint, job.site.heat_source)
        return _Steady(
            heaters=self._heaters[heated_with],
            soak_minutes=preheat.soak_minutes(max(part.thickness_mm for part in joint.parts), job.table),
            in_lengths=patches.segments(joint, job.site.choices)[0] > 1,
            present_from_utc=max(shift.start_utc, job.now_utc) if shift else job.now_utc,
        )

    def jobs(self, numbers: Ints, first_h: Floats, judged: _InWindow) -> list[heat_plan.HeatJob]:
        """The jobs of the given joints when heating starts at `first_h`."""
        job, weather = self._job, self._while_heated(numbers, first_h[numbers])
        lit_h, cold_c = first_h[numbers].tolist(), judged.steel.cold_c[numbers].tolist()
        made = []
        for place, number in enumerate(numbers.tolist()):
            steady, requirement = self._steady[number], job.requirements[number]
            made.append(
                heat_plan.HeatJob(
                    joint=job.joints[number],
                    heaters=steady.heaters,
                    minimum_c=preheat.minimum_at(requirement, cold_c[place]),
                    maximum_c=requirement.maximum_c,
                    extent_mm=requirement.extent_mm,
                    soak_minutes=steady.soak_minutes,
                    starts_c=weather.starts_c[place],
                    air_c=weather.air_c[place],
                    wind_ms=weather.wind_ms[place],
                    convection_wm2k=weather.convection_wm2k[place],
                    present_from_utc=steady.present_from_utc,
                    film=self._states.film_at(number, lit_h[place]),
                )
            )
        return made

    def _while_heated(self, numbers: Ints, first_h: Floats) -> _WhileHeated:
        field, count = self._field, len(self._field.hours)
        in_lengths = np.array([self._steady[number].in_lengths for number in numbers.tolist()], dtype=np.bool_)
        last_h = np.maximum(first_h, self._times.start_h[numbers])
        # The lengths after the first are heated as the work goes on, in the cold that comes.
        last_h = np.where(in_lengths, np.maximum(last_h, self._times.end_h[numbers]), last_h)
        span = windows(first_h, last_h, count)
        winds = self._wind_ms[self._wind_row[numbers][:, None], span.index]
        wind_ms = np.where(span.inside, winds, -np.inf).max(axis=1, initial=-np.inf)
        convection, band = surroundings.convection_wm2k(wind_ms), self._job.site.choices.h_band
        ends = np.append(field.first_part[1:], len(field.part_class))
        counts = (ends - field.first_part)[numbers]
        part_place = np.repeat(np.arange(len(numbers)), counts)
        upto = np.cumsum(counts)
        part = np.arange(len(part_place)) + np.repeat(field.first_part[numbers] - (upto - counts), counts)
        starts_c = self._coldest(field.steel, field.part_class[part], part_place, first_h, span, in_lengths)
        none, joints = np.zeros(len(numbers), dtype=np.intp), np.arange(len(numbers))
        ranges = _ranges(starts_c)
        return _WhileHeated(
            starts_c=[tuple(ranges[last - n : last]) for n, last in zip(counts.tolist(), upto.tolist(), strict=True)],
            air_c=_ranges(self._coldest(field.air, none, joints, first_h, span, in_lengths)),
            wind_ms=wind_ms.tolist(),
            convection_wm2k=_ranges(Sides(convection * (1.0 - band), convection, convection * (1.0 + band))),
        )

    @staticmethod
    def _coldest(of: Sides, rows: Ints, place: Ints, first_h: Floats, span: Windows, in_lengths: Flags) -> Sides:
        """Temperatures at light-up, and where a weld is heated in lengths the coldest up to the last of them.

        `of` [row, hour]; of each part `rows` and `place`, its joint in `first_h`, `span` and `in_lengths`.
        """
        longer = np.flatnonzero(in_lengths[place])
        inside, index = span.inside[place[longer]], span.index[place[longer]]

        def coldest(values: Floats) -> Floats:
            found = between(values, rows, first_h[place])
            later = np.where(inside, values[rows[longer, None], index], np.inf).min(axis=1, initial=np.inf)
            found[longer] = np.minimum(found[longer], later)
            return found

        return of.each(coldest)

    def lead_h(self, number: int, minutes: float | None) -> float:
        """Hours from light-up to the first arc; 0 where there is no time."""
        if minutes is None:
            return 0.0
        return (minutes + self._steady[number].soak_minutes + self._job.site.choices.setup_minutes) / 60.0


@dataclass(frozen=True, slots=True)
class _Steady:
    """What of a heat job does not hang on when the torches are lit; `in_lengths`: more than one length of weld."""

    heaters: tuple[delivered.Heaters, ...] | None
    soak_minutes: float
    in_lengths: bool
    present_from_utc: datetime


@dataclass(frozen=True)
class _WhileHeated:
    """Steel, air and wind of some joints while they are heated, as in `heat_plan.HeatJob`."""

    starts_c: list[tuple[Range, ...]]
    air_c: list[Range]
    wind_ms: list[float]
    convection_wm2k: list[Range]


def _ranges(of: Sides) -> list[Range]:
    return list(map(Range, of.cold_c.tolist(), of.likely_c.tolist(), of.warm_c.tolist()))


# Weather --------------------------------------------------------------------------------------------------------------


class _WeatherStates:
    """Weather states of the joints; joints that stand alike are judged once."""

    def __init__(self, job: _Job, field: Outlook) -> None:
        self._job, self._field = job, field
        self._at_utc = [field.hours.time_utc(hour) for hour in range(len(field.hours) + 1)]
        spots: dict[tuple[stops.Spot, float, tuple[int, ...]], _SpotStates] = {}
        rows, parts = field.part_class.tolist(), [*field.first_part.tolist(), len(field.part_class)]
        self._spots = []
        for joint, around, first, last in zip(job.joints, field.around, parts, parts[1:], strict=False):
            key = (stops.spot_of(joint), max(around.wind_factor, 1.0), tuple(rows[first:last]))
            spot = spots.get(key)
            if spot is None:
                judged = self._judge(*key)
                spot = spots[key] = _SpotStates(judged, judged.codes.tolist(), {}, {}, {})
            self._spots.append(spot)

    def of(self, number: int, first_h: float, last_h: float) -> tuple[WeatherState, tuple[WeatherSpell, ...]]:
        """The worst state from `first_h` to `last_h`, and the hours that are not `go`."""
        spot = self._spots[number]
        asked = math.floor(first_h), math.ceil(last_h)
        held = spot.held.get(asked)
        if held is None:
            held = spot.held[asked] = self._held(spot, *asked)
        return held

    def film_at(self, number: int, at_h: float) -> Film:
        """What has to be dried off the steel when heating starts; None beyond the forecast."""
        spot, hour = self._spots[number], math.floor(at_h)
        if hour not in spot.films:
            spot.films[hour] = spot.judged.film_at(hour) if 0 <= hour < len(spot.codes) else None
        return spot.films[hour]

    def _judge(self, spot: stops.Spot, wind_factor: float, rows: tuple[int, ...]) -> stops.Judged:
        field, site = self._field, self._job.site
        hours = stops.SpotHours(
            air_cold_c=field.air.cold_c[0],
            air_warm_c=field.air.warm_c[0],
            wind_open_ms=field.hours.wind_10m_ms * wind_factor,
            precip_mm=field.hours.precip_mm,
            dew=np.logical_or.reduce(field.wet[list(rows)]),
            frost=np.logical_or.reduce(field.frost[list(rows)]),
            wet_known=np.logical_and.reduce(field.wet_known[list(rows)]),
        )
        return stops.judge(hours, spot, self._job.table, site.code_units, site.choices)

    def _held(self, spot: _SpotStates, first: int, last: int) -> tuple[WeatherState, tuple[WeatherSpell, ...]]:
        end = len(spot.codes) - 1
        inside = max(first, 0), min(last, end)
        worst = max(spot.codes[inside[0] : inside[1] + 1], default=0)
        if first < 0 or last > end:
            worst = max(worst, stops.STATES.index("unknown"))
        return stops.STATES[worst], tuple(self._spell(spot, run) for run in spot.judged.spells(*inside))

    def _spell(self, spot: _SpotStates, run: tuple[int, int]) -> WeatherSpell:
        """Hours in a row for the same rules."""
        if run not in spot.spells:
            first, last = run
            spot.spells[run] = WeatherSpell(
                start_utc=self._at_utc[first],
                end_utc=self._at_utc[last + 1],
                state=stops.STATES[spot.codes[first]],
                reasons=spot.judged.worst_reasons(first, last),
            )
        return spot.spells[run]


@dataclass(frozen=True)
class _SpotStates:
    """One kind of spot: state code of every hour; what was said of the hours and windows asked for so far."""

    judged: stops.Judged
    codes: list[int]
    films: dict[int, Film]
    spells: dict[tuple[int, int], WeatherSpell]
    held: dict[tuple[int, int], tuple[WeatherState, tuple[WeatherSpell, ...]]]


# Joints ---------------------------------------------------------------------------------------------------------------


def _with_weather(job: _Job, field: Outlook) -> list[AtStart]:
    hours = field.hours
    times = _times(job, hours)
    threshold_c = np.array([np.nan if r.threshold_c is None else r.threshold_c for r in job.requirements])
    from_start = _judge(field, times.first_h, times.end_h, threshold_c)
    heated = np.flatnonzero(np.isfinite(threshold_c) & ~from_start.steel.unknown & ~from_start.steel.passes)

    # Light-up lies before the start, so the joints that need heat are judged again over a window that begins there.
    states = _WeatherStates(job, field)
    heating = _Heating(job, field, times, states, heated)
    slow = heat_plan.slow_minutes(heating.jobs(heated, times.first_h, from_start), job.site.choices)
    lead_h = np.array([heating.lead_h(int(n), minutes) for n, minutes in zip(heated, slow, strict=True)])
    first_h = times.first_h.copy()
    now_h = hours.position(job.now_utc)
    first_h[heated] = np.minimum(first_h[heated], np.maximum(times.start_h[heated] - lead_h, now_h))
    judged = _judge(field, first_h, times.end_h, threshold_c)
    heated = heated[~judged.steel.unknown[heated]]  # a hole in the weather may lie between light-up and start
    plans = heat_plan.heat_plans(heating.jobs(heated, first_h, judged), job.site.choices)
    heat_of = dict(zip(heated.tolist(), plans, strict=True))

    chance = chances(field, windows(first_h, times.end_h, len(hours)), threshold_c)
    steel_spans, air_spans = _spans(judged.steel, hours), _spans(judged.air, hours)
    at_start = _coldest_at(field, times.start_h)
    first_utc, end_utc = _at(hours, first_h), _at(hours, times.end_h)
    begins_h, ends_h, shares = times.first_h.tolist(), times.end_h.tolist(), chance.tolist()
    planned = []
    for number, joint in enumerate(job.joints):
        requirement, shift = job.requirements[number], job.shifts[number]
        overdue = ends_h[number] <= now_h
        steel = None if overdue else steel_spans[number]
        verdict = _verdict(job, number, judged, overdue=overdue, ends_early=ends_h[number] > len(hours) - 1)
        anchored = not _start_matters(job, judged, number)
        free = from_start.steel if anchored and verdict.call not in ("no_heat", "unknown") else None
        # Of an overdue joint nobody knows when it will be welded, and so in what weather.
        state, weather_spells = ("unknown", ()) if overdue else states.of(number, begins_h[number], ends_h[number])
        known = steel is not None and requirement.minimum_c is not None
        # On a start that nobody knows all members lean alike, and a figure that is not accepted counts for nobody.
        counted = anchored and verdict.call != "unknown" and not math.isnan(shares[number])
        planned.append(
            AtStart(
                plan=JointPlan(
                    joint=joint,
                    shift_key=shift.key if shift else None,
                    call=verdict.call,
                    call_by_air=verdict.call_by_air,
                    reasons=verdict.reasons,
                    unknowns=verdict.unknowns,
                    requirement=requirement,
                    minimum_c=preheat.minimum_at(requirement, steel.cold_c) if steel is not None and known else None,
                    window_start_utc=first_utc[number],
                    window_end_utc=end_utc[number],
                    steel=steel,
                    steel_now=at_start[number],
                    air=air_spans[number],
                    no_heat_before_utc=_hour(hours, free.passes_before[number]) if free else None,
                    no_heat_after_utc=_hour(hours, free.passes_after[number]) if free else None,
                    anchored=anchored,
                    weather_state=state,
                    weather_spells=weather_spells,
                    heat=None if steel is None else heat_of.get(number),
                    hint=steel is not None and requirement.not_accepted,
                    chance=shares[number] if counted else None,
                    members=field.members.count if counted and field.members is not None else 0,
                ),
                at_middle=_at_middle(verdict, requirement, judged, number),
            )
        )
    return planned


def _at_middle(verdict: _Verdict, requirement: Requirement, judged: _InWindow, number: int) -> HeatCall:
    """The call by the likely steel; where the assumed start still moves it, the likely steel is not known either."""
    if verdict.call == "unknown" or verdict.reasons == (START_MATTERS,):
        return verdict.call
    passes = bool(judged.steel.likely_passes[number])
    floor_decides = preheat.cold_floor_decides(requirement, float(judged.steel.likely_c[number]))
    return heat_call(passes=passes, fails=not passes, floor_decides=floor_decides)


@dataclass(frozen=True)
class _Verdict:
    call: HeatCall
    call_by_air: HeatCall
    reasons: tuple[str, ...]
    unknowns: tuple[str, ...]


REASONS: Final[dict[HeatCall, str]] = {
    "no_heat": "Even on its cold side the steel stays at or above the threshold over the whole window.",
    "measure": "Too close to say: on its warm side the predicted steel passes, on its cold side it does not.",
    "heat_to_minimum": "The predicted steel falls below the minimum within the window, even on its warm side.",
    "cold_steel_heat": "The steel may be below the cold-steel limit within the window: the raised minimum holds.",
}
START_MATTERS: Final = (
    "The prediction still leans on an assumed start temperature of the steel: measure, and enter the reading."
)
NOT_ACCEPTED: Final = (
    "The figure rests on a row that nobody on this job has checked against a copy of the code: accept the table, or "
    "enter the welding procedure's value."
)
NO_HOUR: Final = "The forecast has no figure for an hour of the joint's window."
ENDS_EARLY: Final = "The forecast ends before the joint's window does."
OVERDUE: Final = "Its planned time is past: give it a new start, or mark it done."


def _verdict(job: _Job, number: int, judged: _InWindow, *, overdue: bool, ends_early: bool) -> _Verdict:
    requirement = job.requirements[number]
    unknowns = requirement.unknown
    if overdue:
        unknowns += (OVERDUE,)
    elif judged.steel.unknown[number]:
        unknowns += (ENDS_EARLY if ends_early else NO_HOUR,)
    if unknowns:
        return _Verdict("unknown", "unknown", (), unknowns)
    if requirement.not_accepted:
        return _Verdict("unknown", "unknown", (), (NOT_ACCEPTED,))
    by_steel, by_air = (_call_of(requirement, side, number) for side in (judged.steel, judged.air))
    if by_steel == "no_heat" and _start_matters(job, judged, number):
        return _Verdict("measure", by_air, (START_MATTERS,), ())
    return _Verdict(by_steel, by_air, (REASONS[by_steel],), ())


def _start_matters(job: _Job, judged: _InWindow, number: int) -> bool:
    return bool(judged.start_weight[number] * job.site.choices.start_span_k >= START_MATTERS_K)


def _call_of(requirement: Requirement, side: Judged, number: int) -> HeatCall:
    if side.unknown[number]:
        return "unknown"
    return heat_call(
        passes=bool(side.passes[number]),
        fails=bool(side.fails[number]),
        floor_decides=preheat.cold_floor_decides(requirement, float(side.cold_c[number])),
    )


def _spans(side: Judged, hours: Hours) -> list[Span | None]:
    """The temperature of each joint at its worst hour; None: unknown."""
    rows = (side.unknown, side.worst, side.cold_c, side.likely_c, side.warm_c)
    at_utc = [hours.time_utc(hour) for hour in range(len(hours))]
    return [
        None if unknown else Span(at_utc[worst], cold_c, likely_c, warm_c)
        for unknown, worst, cold_c, likely_c, warm_c in zip(*(row.tolist() for row in rows), strict=True)
    ]


def _coldest_at(field: Outlook, position_h: Floats) -> list[Span | None]:
    """The temperature of each joint's coldest part at one time of its own; None: unknown."""

    def coldest(values: Floats) -> list[float]:
        of_parts = between(values, field.part_class, position_h[field.part_joint])
        least: list[float] = np.minimum.reduceat(of_parts, field.first_part).tolist()
        return least

    sides = (coldest(field.steel.cold_c), coldest(field.steel.likely_c), coldest(field.steel.warm_c))
    return [
        None if math.isnan(cold_c) else Span(at_utc, cold_c, likely_c, warm_c)
        for at_utc, cold_c, likely_c, warm_c in zip(_at(field.hours, position_h), *sides, strict=True)
    ]


def _at(hours: Hours, position_h: Floats) -> list[datetime]:
    """The time of each position on the forecast's axis, to the second."""
    return [hours.start_utc + timedelta(seconds=second) for second in np.rint(position_h * 3600.0).tolist()]


def _hour(hours: Hours, index: int) -> datetime | None:
    return hours.time_utc(int(index)) if index >= 0 else None


def _without_weather(job: _Job, number: int, weather: Weather) -> JointPlan:
    """A joint of which nothing but the requirement is known."""
    joint, requirement, shift = job.joints[number], job.requirements[number], job.shifts[number]
    return JointPlan(
        joint=joint,
        shift_key=shift.key if shift else None,
        call="unknown",
        call_by_air="unknown",
        reasons=(),
        unknowns=(*requirement.unknown, *_WEATHER_WARNINGS[weather.freshness]),
        requirement=requirement,
        minimum_c=None,
        window_start_utc=joint.start_utc,
        window_end_utc=joint.start_utc + timedelta(hours=joint.hours + job.site.choices.slip_hours),
        steel=None,
        steel_now=None,
        air=None,
        no_heat_before_utc=None,
        no_heat_after_utc=None,
        anchored=False,
        weather_state="unknown",
        weather_spells=(),
        heat=None,
        hint=False,
    )


def _by_light_up(plan: JointPlan) -> tuple[datetime, datetime, str]:
    lit = plan.heat.light_up_utc if plan.heat else None
    return lit or plan.joint.start_utc, plan.joint.start_utc, plan.joint.mark
