"""When the weather forbids an arc: cold air, wind, rain and snow, wet or frosted steel.

Judged hour by hour for one kind of spot; many joints share one. The air at the weld comes with its cold and warm side,
wind is a forecast mean in the open: it says that a shelter is needed and can say no more, because nobody can forecast
the wind at the weld. Wind chill is no part of these rules.

What fell or settled stays on the steel until the site's drying hours have passed in air above freezing: snow, ice and
frost do not dry in the cold.

States from best to worst: `go`, `dry_first`, `shelter_needed`, `unknown`, `stop`. A known stop stays a stop whatever
else is missing; short of that, not knowing is worse than knowing what has to be done. Preheat is a rule of its own:
warm steel does not lift the stop for cold air, nor does an hour that is `go` make the steel warm enough.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.code_table import CodeTable
from frostshift_rules.drying import Film
from frostshift_rules.figures import systems
from frostshift_rules.job import Choices, CodeUnits, Joint, Process, Shelter
from frostshift_rules.strict import Source
from frostshift_rules.units import System, c_from_f, f_from_c, in_from_mm, mph_from_ms, ms_from_kmh, ms_from_mph

WeatherState = Literal["go", "dry_first", "shelter_needed", "unknown", "stop"]
STATES: Final[tuple[WeatherState, ...]] = get_args(WeatherState)
"""From best to worst; a state code is the index in here, so that the worst of some hours is their largest code."""

Rule = Literal[
    "air_below_limit",
    "air_too_close",
    "air_missing",
    "wind_above_limit",
    "wind_missing",
    "high_wind",
    "process_missing",
    "rain_or_snow",
    "steel_still_wet",
    "snow_or_ice_stays",
    "rain_missing",
    "dew",
    "frost",
    "wetness_missing",
]

HIGH_WIND_MS: Final = 10.8
"""From here on wind counts as high for the processes that have no limit of their own [m/s].

The lower edge of Beaufort 6 (WMO-No. 8); that the code's "high wind" begins there is our choice.
"""
_HIGH_WIND: Final = Source("welding environment, high wind; taken as Beaufort 6 and above (WMO-No. 8)", "our choice")

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Spot:
    """What the weather rules need of a joint.

    `covered`: no sky above it, so that rain and snow do not fall on it.
    """

    process: Process | None
    shelter: Shelter | None
    covered: bool

    @property
    def roofed(self) -> bool:
        """Rain and snow are kept off: covered, or in an enclosure, which is a shelter that states its air temperature.

        A shelter that states only a wind, or nothing, may be a screen without a roof.
        """
        return self.covered or (self.shelter is not None and self.shelter.air_c is not None)


def spot_of(joint: Joint) -> Spot:
    """The kind of spot of a joint; joints with equal spots are judged alike."""
    return Spot(joint.process, joint.shelter, joint.exposure == "covered")


@dataclass(frozen=True)
class SpotHours:
    """The hours of a forecast at one kind of spot, arrays of one length; NaN: missing.

    Attributes:
        air_cold_c, air_warm_c: cold and warm side of the air temperature outside any shelter [°C].
        wind_open_ms: mean wind in the open, the higher of that at 10 m and that at the joint's height [m/s].
        precip_mm: in the hour that follows [mm].
        dew, frost: on the steel.
        wet_known: False where nobody knows of dew and frost.
    """

    air_cold_c: Floats
    air_warm_c: Floats
    wind_open_ms: Floats
    precip_mm: Floats
    dew: Flags
    frost: Flags
    wet_known: Flags


@dataclass(frozen=True, slots=True)
class Reason:
    """Why an hour is not `go`: the rule, the value that met it and its limit (SI units; None where it has none)."""

    rule: Rule
    value: float | None
    limit: float | None
    source: Source


def film_of(rules: Collection[Rule]) -> Film:
    """What has to be dried off the steel where these rules were found; the worst of it."""
    if "snow_or_ice_stays" in rules:
        return "ice"
    if "frost" in rules:
        return "frost"
    return "water" if {"dew", "steel_still_wet", "rain_or_snow"}.intersection(rules) else None


@dataclass(frozen=True)
class Finding:
    """One rule over all hours: where it holds, and what state it brings there."""

    rule: Rule
    state: WeatherState
    hours: Flags
    values: Floats
    limit: float
    source: Source


@dataclass(frozen=True)
class Judged:
    """The weather state of every hour as an index into `STATES`, and the rules that made it."""

    codes: NDArray[np.int8]
    findings: tuple[Finding, ...]

    def state_at(self, hour: int) -> WeatherState:
        """The state of one hour."""
        return STATES[int(self.codes[hour])]

    def reasons_at(self, hour: int) -> tuple[Reason, ...]:
        """Why the hour is not `go`, the worst first; empty for `go`."""
        return self.worst_reasons(hour, hour)

    def rules_at(self, hour: int) -> tuple[Rule, ...]:
        """The rules behind an hour's state, the worst first; empty for `go`."""
        return tuple(self.findings[number].rule for number in self._held(hour))

    def film_at(self, hour: int) -> Film:
        """What lies on the steel in an hour."""
        return film_of(self.rules_at(hour))

    def spells(self, first: int, last: int) -> Iterator[tuple[int, int]]:
        """The runs of hours from `first` to `last` that are not `go` for the same rules: first and last of each."""
        for marks, run in groupby(range(first, last + 1), key=self._marks.__getitem__):
            if marks:
                hours = list(run)
                yield hours[0], hours[-1]

    def worst_reasons(self, first: int, last: int) -> tuple[Reason, ...]:
        """Why hours of one spell are not `go`, the worst rule first, each with its worst figure of the hours."""
        return tuple(
            Reason(f.rule, _worst(f.rule, values[first : last + 1]), limit, f.source)
            for f, values, limit in map(self._figures.__getitem__, self._held(first))
        )

    @cached_property
    def _marks(self) -> list[int]:
        """Of every hour, the findings that hold in it: finding i has the value 2**i."""
        marks = np.zeros(len(self.codes), dtype=np.int64)
        for number, finding in enumerate(self.findings):
            marks |= finding.hours.astype(np.int64) << number
        return marks.tolist()

    @cached_property
    def _figures(self) -> list[tuple[Finding, list[float], float | None]]:
        """Each finding with its values and its limit."""
        return [(finding, finding.values.tolist(), _known(finding.limit)) for finding in self.findings]

    def _held(self, hour: int) -> list[int]:
        """The findings that hold in an hour, the worst first."""
        return self._of_marks[self._marks[hour]]

    @cached_property
    def _of_marks(self) -> dict[int, list[int]]:
        """The findings of each sum of marks, those that bring the worst state first."""
        states = [STATES.index(finding.state) for finding in self.findings]
        worst_first = sorted(range(len(states)), key=states.__getitem__, reverse=True)
        return {marks: [number for number in worst_first if marks >> number & 1] for marks in set(self._marks)}


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _worst(rule: Rule, values: Sequence[float]) -> float | None:
    """The coldest air, the strongest wind, the heaviest rain; None where no value is known."""
    known = [value for value in values if not math.isnan(value)]
    if not known:
        return None
    return min(known) if rule.startswith("air") else max(known)


def ambient_limit_c(table: CodeTable, units: CodeUnits) -> float:
    """Least air temperature at the weld [°C]; the higher where the unit system is not known."""
    least = {"us": c_from_f(table.ambient.least_f), "si": table.ambient.least_c}
    return max(least[system] for system in systems(units))


def wind_limit_ms(table: CodeTable, units: CodeUnits) -> float:
    """Highest wind at the weld for the processes that have a limit [m/s]; the lower where the system is not known."""
    most = {"us": ms_from_mph(table.wind.most_mph), "si": ms_from_kmh(table.wind.most_kmh)}
    return min(most[system] for system in systems(units))


def judge(hours: SpotHours, spot: Spot, table: CodeTable, units: CodeUnits, choices: Choices) -> Judged:
    """The weather state of each hour for one kind of spot.

    Args:
        hours: the weather there.
        spot: process, shelter, cover.
        table: the code table of the job.
        units: unit system of the job's code.
        choices: `least_rain_mm_h` and `drying_hours` are used.

    Returns:
        State codes, one an hour, and the findings behind them.
    """
    findings = (
        *_cold_air(hours, spot, table, units),
        *_wind(hours, spot, table, units),
        *_wet(hours, spot, table, choices),
    )
    codes = np.zeros(len(hours.air_cold_c), dtype=np.int8)
    for finding in findings:
        codes[finding.hours] = np.maximum(codes[finding.hours], STATES.index(finding.state))
    return Judged(codes, findings)


def _cold_air(hours: SpotHours, spot: Spot, table: CodeTable, units: CodeUnits) -> tuple[Finding, ...]:
    """Ambient limit: the air in the immediate vicinity of the weld, so that a shelter may lift it by what it states."""
    limit_c = ambient_limit_c(table, units)
    if spot.shelter is not None and spot.shelter.air_c is not None and spot.shelter.air_c >= limit_c:
        return ()
    cold_c, warm_c = hours.air_cold_c, hours.air_warm_c
    source = table.ambient.source
    return (
        Finding("air_below_limit", "stop", warm_c < limit_c, warm_c, limit_c, source),
        Finding("air_too_close", "unknown", (cold_c < limit_c) & (warm_c >= limit_c), cold_c, limit_c, source),
        Finding("air_missing", "unknown", np.isnan(cold_c) | np.isnan(warm_c), cold_c, limit_c, source),
    )


def _wind(hours: SpotHours, spot: Spot, table: CodeTable, units: CodeUnits) -> tuple[Finding, ...]:
    """Wind limit of the gas-shielded processes; for the others the code says "high wind" and gives no figure."""
    wind_ms, inside_ms = hours.wind_open_ms, None if spot.shelter is None else spot.shelter.wind_ms
    if spot.process is not None and spot.process not in table.wind.processes:
        if inside_ms is not None and inside_ms < HIGH_WIND_MS:
            return ()
        return (
            Finding("high_wind", "shelter_needed", wind_ms >= HIGH_WIND_MS, wind_ms, HIGH_WIND_MS, _HIGH_WIND),
            Finding("wind_missing", "unknown", np.isnan(wind_ms), wind_ms, HIGH_WIND_MS, _HIGH_WIND),
        )
    limit_ms, source = wind_limit_ms(table, units), table.wind.source
    if inside_ms is not None and inside_ms <= limit_ms:
        return ()
    if spot.process is None:
        return (Finding("process_missing", "unknown", ~(wind_ms <= limit_ms), wind_ms, limit_ms, source),)
    return (
        Finding("wind_above_limit", "shelter_needed", wind_ms > limit_ms, wind_ms, limit_ms, source),
        Finding("wind_missing", "unknown", np.isnan(wind_ms), wind_ms, limit_ms, source),
    )


def _wet(hours: SpotHours, spot: Spot, table: CodeTable, choices: Choices) -> tuple[Finding, ...]:
    """No arc on surfaces that are wet or exposed to rain or snow; dew and frost count as wet (common practice)."""
    none = np.full(len(hours.dew), np.nan)
    dry_h, least_mm = choices.drying_hours, choices.least_rain_mm_h
    # Rain that a roof keeps off did not fall there, and whether it fell does not matter.
    open_sky, precip_mm = not spot.roofed, hours.precip_mm
    raining, missing = open_sky & (precip_mm >= least_mm), open_sky & np.isnan(precip_mm)
    thaws = _thaws(hours, spot)
    still_wet = _within_hours_before(raining, dry_h, before_first=False) & ~raining
    dew = (hours.dew | _within_hours_before(hours.dew & ~hours.frost, dry_h, before_first=False)) & ~hours.frost
    said = raining | still_wet | dew | hours.frost
    stays = _stays(raining | hours.dew | hours.frost, thaws, dry_h) & ~said
    # What fell before the first hour is missing as well: unknown until it would have dried by the clock. To wait for
    # hours above freezing there too would leave every plan of a cold week unknown.
    unseen = _within_hours_before(np.zeros_like(missing), dry_h, before_first=open_sky)
    doubtful = missing | ((unseen | _stays(missing, thaws, dry_h)) & ~raining & ~still_wet & ~stays)
    return (
        Finding("dew", "dry_first", dew, none, math.nan, table.wet),
        Finding("frost", "dry_first", hours.frost, none, math.nan, table.wet),
        Finding("wetness_missing", "unknown", ~hours.wet_known, none, math.nan, table.wet),
        Finding("rain_or_snow", "shelter_needed", raining, precip_mm, least_mm, table.wet),
        Finding("steel_still_wet", "dry_first", still_wet, none, dry_h, table.wet),
        Finding("snow_or_ice_stays", "dry_first", stays, none, dry_h, table.wet),
        Finding("rain_missing", "unknown", doubtful, none, least_mm, table.wet),
    )


def _thaws(hours: SpotHours, spot: Spot) -> Flags:
    """Hours whose air is surely above freezing, outside or as the shelter states it; only these dry the steel."""
    inside_c = None if spot.shelter is None else spot.shelter.air_c
    return (hours.air_cold_c > 0.0) | (inside_c is not None and inside_c > 0.0)


def _stays(wetted: Flags, thaws: Flags, drying_hours: float) -> Flags:
    """Hours that begin with what wetted the steel before still on it.

    It goes once `drying_hours`, counted up to whole hours, have thawed since the last wet hour; what came in the cold
    needs one thawing hour at least, whatever the site's drying time is.
    """
    count = len(wetted)
    thawed = np.concatenate([[0], np.cumsum(thaws)])  # before each hour
    last_wet = np.maximum.accumulate(np.where(wetted, np.arange(count), -1))
    last_wet = np.concatenate([[-1], last_wet])[:count]  # before each hour; -1: never
    needed = np.maximum(math.ceil(drying_hours), np.where(thaws, 0, 1))
    flags: Flags = (last_wet >= 0) & (thawed[:count] - thawed[last_wet + 1] < needed[last_wet])
    return flags


def _within_hours_before(flags: Flags, hours: float, before_first: bool) -> Flags:
    """Whether a flag was set in the `hours` that precede each hour; `before_first` stands for those before the axis."""
    reach = math.ceil(hours)
    known = np.concatenate([np.full(reach, before_first), flags])
    earlier = [known[reach - back : reach - back + len(flags)] for back in range(1, reach + 1)]
    return np.logical_or.reduce(earlier) if earlier else np.zeros(len(flags), dtype=np.bool_)


def worst_of(reasons: Sequence[Reason]) -> Reason:
    """The worst of some hours' reasons of one rule."""
    values = [reason.value for reason in reasons if reason.value is not None]
    return replace(reasons[0], value=_worst(reasons[0].rule, values)) if values else reasons[0]


def source_text(reason: Reason) -> str:
    """Where the rule of a reason stands, and how sure our copy of it is."""
    return f"{reason.source.clause}; {reason.source.basis}"


def reason_text(reason: Reason, units: System) -> str:
    """A reason for people, one sentence."""
    measure = _MEASURES.get(reason.rule)
    value = "" if measure is None or reason.value is None else measure(reason.value, units)
    limit = "" if measure is None or reason.limit is None else measure(reason.limit, units)
    if reason.rule == "air_below_limit" and value == limit:
        return f"Air at the weld a little below the least of {limit}."  # rounding hides how little
    return _SENTENCES[reason.rule].format(value=value, limit=limit)


def _temperature(c: float, units: System) -> str:
    return f"{_one_place(f_from_c(c))} °F" if units == "us" else f"{_one_place(c)} °C"


def _speed(ms: float, units: System) -> str:
    return f"{_one_place(mph_from_ms(ms))} mph" if units == "us" else f"{_one_place(ms)} m/s"


def _depth(mm: float, units: System) -> str:
    return f"{in_from_mm(mm):.2f} in" if units == "us" else f"{_one_place(mm)} mm"


def _hours(h: float, _units: System) -> str:
    return f"{h:g} h"


def _one_place(value: float) -> str:
    return f"{round(value, 1) + 0.0:g}"  # + 0.0 turns a minus zero into zero


_MEASURES: Final[dict[Rule, Callable[[float, System], str]]] = {
    "air_below_limit": _temperature,
    "air_too_close": _temperature,
    "wind_above_limit": _speed,
    "high_wind": _speed,
    "process_missing": _speed,
    "rain_or_snow": _depth,
    "steel_still_wet": _hours,
}
_SENTENCES: Final[dict[Rule, str]] = {
    "air_below_limit": "Air at the weld at most {value}, below the least of {limit}.",
    "air_too_close": "Air at the weld may fall to {value}, the least being {limit}: too close to say, measure the air "
    "at the weld.",
    "air_missing": "No air temperature in the forecast.",
    "wind_above_limit": "Wind of {value} in the open, at the weld at most {limit}: shelter it.",
    "high_wind": "Wind of {value} in the open: the code allows no welding in high wind; shelter it.",
    "wind_missing": "No wind in the forecast.",
    "process_missing": "The process is not stated, and with some the wind at the weld may be at most {limit}.",
    "rain_or_snow": "Rain or snow, {value} in the hour: keep it off the joint.",
    "steel_still_wet": "Rain or snow within the last {limit}: dry the steel first.",
    "snow_or_ice_stays": "Snow, ice or frost from before may still be on the steel: clear and dry it first.",
    "rain_missing": "No rain and snow amounts in the forecast for this hour or those just before.",
    "dew": "Dew on the steel: dry it first.",
    "frost": "Frost on the steel: dry it first.",
    "wetness_missing": "The forecast has too little to tell of dew and frost: look at the steel.",
}
