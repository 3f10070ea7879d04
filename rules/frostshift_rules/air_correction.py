"""The forecast's air temperature held against a thermometer at the site: what the readings change, and for how long.

The bias is the mean of the forecast's errors in which older ones count less and less. Cui, Toth, Zhu and Hou (2012,
Weather and Forecasting 27, 396-410) keep it as a decaying average, B = (1 - w) B + w b. Readings at a site come at
irregular times, so each error is weighted with exp(-age / `air_average_hours`) and the sum is divided by that of the
weights. For readings a fixed step apart this is their average with w = 1 - exp(-step / `air_average_hours`), freed of
its start from nothing. They use w = 0.02 a day for the lasting error of a model over weeks (from memory). Our time
constants, the fading and every limit below are our choice.

The safe side: readings that lie below the forecast make its hours colder; readings above it change nothing, however
many. The mistakes of a site's thermometer are warm ones nearly all (sun, a warm wall, a heater, a hand), and a forecast
made warmer could turn a heat call into `no_heat` on their word. So no hour that comes out of here is warmer or moister
than the one that went in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.job import AirReading, Choices
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Floats, Hours, Members, on_axis

AIR_LIMITS_C: Final = (-60.0, 50.0)
"""Air at a site lies in here [°C]."""
FURTHEST_K: Final = 15.0
"""A reading further from the forecast is no bias: the thermometer, its place or the forecast is wrong [K]."""
COUNTS_FOR: Final = timedelta(hours=6)
"""A reading that lies further than this before the last one says nothing of the hours to come."""
AHEAD: Final = timedelta(minutes=5)
"""A device's clock may be ahead of ours by this."""
LEAST_READINGS: Final = 2
LEAST_SPAN: Final = timedelta(minutes=10)
"""From the first to the last reading that counts: less is one look at one thermometer."""
FADES_FOR: Final = timedelta(hours=24)
"""Nothing is corrected further than this from the last reading."""
LOOKS_BACK: Final = FADES_FOR + COUNTS_FOR
"""No reading older than this counts."""

WhyLeftOut = Literal["outside", "ahead", "old", "no_forecast", "far_from_forecast"]
Outcome = Literal["corrected", "not_colder", "too_close", "too_few", "no_readings", "off"]


@dataclass(frozen=True, slots=True)
class Counted:
    """A reading that counts, and what the forecast said for its time, between its hours linearly [°C]."""

    reading: AirReading
    forecast_c: float

    @property
    def error_k(self) -> float:
        """Reading minus forecast [K]."""
        return self.reading.air_c - self.forecast_c


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A reading that does not count, and why.

    Attributes:
        reading: as it was taken.
        why: `outside` (not within `AIR_LIMITS_C`, or no number), `ahead` (later than now), `old` (too far before the
            last reading, or the last reading is), `no_forecast` (none for its time), `far_from_forecast`.
        forecast_c: for its time [°C]; None where there is none.
    """

    reading: AirReading
    why: WhyLeftOut
    forecast_c: float | None


@dataclass(frozen=True)
class Corrected:
    """What the readings make of a forecast.

    Attributes:
        hours: to plan with; the very ones that were given where nothing is corrected.
        members: the same.
        bias_k: reading minus forecast, weighted [K], negative where the site is colder; None while it is not known.
        counted: readings it is made from, in the order of their time.
        left_out: the others, the same.
        until_utc: last moment that is corrected; None where nothing is.
        outcome: `corrected`; or why not: `not_colder` (a bias of 0 or more changes nothing), `too_close` (in time),
            `too_few`, `no_readings` (none that counts), `off` (the site does not want it).
    """

    hours: Hours
    members: Members | None
    bias_k: float | None
    counted: tuple[Counted, ...]
    left_out: tuple[LeftOut, ...]
    until_utc: datetime | None
    outcome: Outcome


def with_earlier(issue: Hours, earlier: Iterable[Hours], first_utc: datetime) -> Hours:
    """What an issue of a forecast says of the air, carried back over hours gone by with the issues before it.

    A service's new issue begins about now, and readings were taken before. The hours of the issue before it stand for
    what it would have said of them, moved by what the two differ at the first hour they share: so a reading is held
    against the issue that is planned with, and a change from issue to issue is no error of the site. Our choice.

    Args:
        issue: the forecast in use.
        earlier: issues of the same feed for the same place, the newest first.
        first_utc: how far back hours are wanted.

    Returns:
        Hours with the air alone, the rest NaN; from as far back as the issues reach without a gap.
    """
    air_c, start_utc = issue.air_c, issue.start_utc
    for older in earlier:
        if start_utc <= first_utc:
            break
        before = round(older.position(start_utc))
        if 0 < before < len(older) and np.isfinite(differ_k := air_c[0] - older.air_c[before]):
            air_c = np.concatenate([older.air_c[:before] + differ_k, air_c])
            start_utc = older.start_utc
    unknown = np.full(len(air_c), np.nan)
    return Hours(start_utc, air_c, *[unknown] * (len(fields(Hours)) - 2))


def correct(
    hours: Hours,
    members: Members | None,
    readings: Sequence[AirReading],
    now: datetime,
    choices: Choices,
    *,
    said: Hours | None = None,
    measured: NDArray[np.bool_] | None = None,
) -> Corrected:
    """Make the forecast colder where the site's thermometer says so.

    From the hour that holds the first reading that counts on, the air takes the whole bias up to the last reading, then
    bias x exp(-hours since / `air_fade_hours`), and nothing beyond `FADES_FOR`. Everything hangs on the last reading
    and not on now, so that planning again without a new reading gives the same hours. Members take the same shift. The
    water in the air is not what a thermometer shows: the dew point stays, but never above the air that was made colder.
    Wind, cloud, rain and sun stay; missing stays missing.

    Args:
        hours: to plan with; not changed. Hours gone by may come from elsewhere than the forecast in use.
        members: of its ensemble, on the same axis; not changed.
        readings: of the site's thermometers, in any order.
        now: aware.
        choices: of the site.
        said: what the forecast in use says, as far back as it is known (`with_earlier`); None: `hours`. Readings are
            held against it and nothing else.
        measured: hours that were measured near the site and stay as they are, one flag for each of `hours`; None: none.

    Raises:
        OutOfRange: a time constant that is not above 0.
    """
    for name in ("air_average_hours", "air_fade_hours"):
        value = getattr(choices, name)
        if not 0.0 < value < np.inf:
            raise OutOfRange(f"{name} is {value:g}, more than 0 is needed")
    said = hours if said is None else said
    counted, left_out = _sorted_out(said, readings, now)
    bias_k, outcome = _bias_k(counted, choices.air_average_hours)
    if bias_k is not None and not choices.correct_forecast:
        outcome = "off"
    if outcome != "corrected" or bias_k is None:
        return Corrected(hours, members, bias_k, counted, left_out, None, outcome)
    first_utc, last_utc = counted[0].reading.at_utc, counted[-1].reading.at_utc
    share = _share(hours, first_utc, last_utc, choices.air_fade_hours)
    # An hour gone by may be colder already than the forecast in use would have had it: it never gets warmer.
    said_c = on_axis(said.air_c, said.start_utc, hours.start_utc, len(hours))
    colder_c = np.minimum(said_c + bias_k * share, hours.air_c)
    moved = (share > 0.0) & np.isfinite(colder_c) & (True if measured is None else ~measured)
    shift_k = np.where(moved, colder_c - hours.air_c, 0.0)
    return Corrected(
        hours=_colder_hours(hours, shift_k),
        members=None if members is None else _colder_members(members, shift_k),
        bias_k=bias_k,
        counted=counted,
        left_out=left_out,
        until_utc=last_utc + FADES_FOR,
        outcome=outcome,
    )


def _sorted_out(
    said: Hours, readings: Sequence[AirReading], now: datetime
) -> tuple[tuple[Counted, ...], tuple[LeftOut, ...]]:
    """The readings that count and those that do not, each in the order of their time."""
    there = [(one, forecast_at_c(said, one.at_utc)) for one in sorted(readings, key=lambda reading: reading.at_utc)]
    whys = [_why_left_out(one, forecast_c, now) for one, forecast_c in there]
    last_utc = max((one.at_utc for (one, _), why in zip(there, whys, strict=True) if why is None), default=now)
    counted: list[Counted] = []
    left_out: list[LeftOut] = []
    for (one, forecast_c), otherwise in zip(there, whys, strict=True):
        why = otherwise
        if why is None and (now - last_utc > FADES_FOR or last_utc - one.at_utc > COUNTS_FOR):
            why = "old"
        if why is None and forecast_c is not None:
            counted.append(Counted(one, forecast_c))
        else:
            left_out.append(LeftOut(one, why or "no_forecast", forecast_c))
    return tuple(counted), tuple(left_out)


def forecast_at_c(hours: Hours, at_utc: datetime) -> float | None:
    """Forecast air temperature at a moment [°C], between two hours linearly; None where one of them is missing."""
    position = hours.position(at_utc)
    if not 0.0 <= position <= len(hours) - 1:
        return None
    low = int(position)
    share = position - low
    air_c = float(hours.air_c[low])
    if share > 0.0:
        air_c += share * (float(hours.air_c[low + 1]) - air_c)
    return air_c if np.isfinite(air_c) else None


def _why_left_out(reading: AirReading, forecast_c: float | None, now: datetime) -> WhyLeftOut | None:
    low, high = AIR_LIMITS_C
    if not low <= reading.air_c <= high:
        return "outside"
    if reading.at_utc > now + AHEAD:
        return "ahead"
    if now - reading.at_utc > LOOKS_BACK:
        return "old"
    if forecast_c is None:
        return "no_forecast"
    return "far_from_forecast" if abs(reading.air_c - forecast_c) > FURTHEST_K else None


def _bias_k(counted: Sequence[Counted], average_hours: float) -> tuple[float | None, Outcome]:
    """Weighted mean of reading minus forecast [K], and what is done with it."""
    if not counted:
        return None, "no_readings"
    if len(counted) < LEAST_READINGS:
        return None, "too_few"
    last_utc = counted[-1].reading.at_utc
    ages_h = np.array([(last_utc - one.reading.at_utc) / timedelta(hours=1) for one in counted])
    if ages_h[0] < LEAST_SPAN / timedelta(hours=1):
        return None, "too_close"
    weights = np.exp(-ages_h / average_hours)
    bias_k = float(weights @ np.array([one.error_k for one in counted]) / weights.sum())
    return bias_k, "corrected" if bias_k < 0.0 else "not_colder"


def _share(hours: Hours, first_utc: datetime, last_utc: datetime, fade_hours: float) -> Floats:
    """Share of the bias at each hour."""
    since_last_h = np.arange(len(hours)) - hours.position(last_utc)
    fading = np.exp(-np.maximum(since_last_h, 0.0) / fade_hours)
    begun = np.arange(len(hours)) >= np.floor(hours.position(first_utc))
    return np.where(begun & (since_last_h <= FADES_FOR / timedelta(hours=1)), fading, 0.0)


def _colder_hours(hours: Hours, shift_k: Floats) -> Hours:
    air_c = hours.air_c + shift_k
    return replace(hours, air_c=air_c, dew_c=np.where((shift_k < 0.0) & (hours.dew_c > air_c), air_c, hours.dew_c))


def _colder_members(members: Members, shift_k: Floats) -> Members:
    air_c = (members.air_c + shift_k).astype(np.float32)
    too_moist = (shift_k < 0.0) & (members.dew_c > air_c)
    return replace(members, air_c=air_c, dew_c=np.where(too_moist, air_c, members.dew_c))
