"""From a feed's rows to one normalised hourly record: sanity limits, dew point from humidity, what is missing.

A value outside its limits is never used: it becomes NaN (unknown) and a warning names field, hour, value and limit.
The limits are our choice: beyond anything forecast where steel is built, so that only a broken payload meets them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.surroundings import Floats, Hours, dew_point_c
from frostshift_service.weather import FeedError, Forecast
from frostshift_service.weather.quality import Mark, Marks, same_mark, with_missing

MAX_AXIS_H: Final = 24 * 17
"""Longest axis [h]; both feeds forecast for up to ten days."""
SHORT_H: Final = 48
"""A forecast whose air temperature ends sooner than this after it was fetched is warned about [h]."""
MAX_JUMP_K_H: Final = 15.0
"""Fastest change of the air temperature that is believed [K/h]."""
DEW_ABOVE_AIR_K: Final = 0.5
"""Rounding of the feeds may put the dew point this far above the air [K]."""


@dataclass(frozen=True, slots=True)
class Limit:
    """The name for people, and the closed range inside which a value is believed."""

    title: str
    low: float
    high: float
    unit: str


HUMIDITY: Final = "humidity"
"""Row of the relative humidity, 0 to 1; only to fill dew points with."""

LIMITS: Final[Mapping[str, Limit]] = {
    "air_c": Limit("air temperature", -60.0, 50.0, "°C"),
    "dew_c": Limit("dew point", -90.0, 50.0, "°C"),
    HUMIDITY: Limit("relative humidity", 0.0, 1.05, "of saturation"),
    "wind_10m_ms": Limit("wind", 0.0, 60.0, "m/s"),
    "gust_10m_ms": Limit("gust", 0.0, 100.0, "m/s"),
    "cloud": Limit("cloud cover", 0.0, 1.0, "of the sky"),
    "precip_mm": Limit("precipitation", 0.0, 100.0, "mm/h"),
    "snow_cm": Limit("new snow", 0.0, 50.0, "cm/h"),
    "sun_wm2": Limit("sun", 0.0, 1400.0, "W/m2"),
}
NEEDED: Final = ("air_c", "dew_c", "wind_10m_ms", "cloud", "precip_mm")
"""Fields without which the rules can say less; hours without them are counted in a warning."""


def axis_hours(start_utc: datetime, end_utc: datetime, where: str) -> int:
    """Whole hours from `start_utc` to `end_utc`; FeedError beyond `MAX_AXIS_H`."""
    hours = round((end_utc - start_utc) / timedelta(hours=1))
    if not 0 < hours <= MAX_AXIS_H:
        raise FeedError(
            f"{where}: the times run from {start_utc:%Y-%m-%d %H:%M} to {end_utc:%Y-%m-%d %H:%M} UTC, "
            f"{hours} h; limit 1 to {MAX_AXIS_H} h"
        )
    return hours


def forecast(
    *,
    feed: str,
    title: str,
    attribution: str,
    issued_utc: datetime | None,
    fetched_utc: datetime,
    start_utc: datetime,
    values: Mapping[str, Floats],
    quality: Marks,
    warnings: list[str],
) -> Forecast:
    """Check a feed's rows and make the forecast of them.

    Args:
        feed: name of the feed.
        title: its name for messages.
        attribution: its credit line.
        issued_utc: its own issue time.
        fetched_utc: when the payload came.
        start_utc: hour of the first row.
        values: the keys of `LIMITS` that the feed has -> one value an hour, NaN for missing, all of one length.
        quality: field -> how the value of each hour came about before the checks here; native where it is left out.
        warnings: of the parser; those found here are added after them.

    Raises:
        FeedError: no usable air temperature from the hour of `fetched_utc` on, so that a forecast that is good is
            not replaced by nothing.
    """
    rows = {name: np.array(column, dtype=np.float64) for name, column in values.items()}
    count = len(rows["air_c"])
    for name in LIMITS:
        rows.setdefault(name, np.full(count, np.nan))
    odd, estimated = make_sound(rows, start_utc)
    found = [*warnings, *odd]
    marks = {name: np.array(quality.get(name, same_mark(count))) for name in rows}
    for name, where in estimated.items():
        marks[name][where] = Mark.ESTIMATED

    usable = np.flatnonzero(np.isfinite(rows["air_c"])).tolist()
    first_wanted = (fetched_utc - start_utc) / timedelta(hours=1) - 1.0
    if not usable or usable[-1] < first_wanted:
        raise FeedError(f"{title}: no usable air temperature for {fetched_utc:%Y-%m-%d %H:%M} UTC or after")
    found += _missing(rows, start_utc)
    last_utc = start_utc + timedelta(hours=usable[-1])
    if last_utc < fetched_utc + timedelta(hours=SHORT_H):
        found.append(f"air temperature reaches only to {last_utc:%Y-%m-%d %H:%M} UTC; later hours are unknown")
    if issued_utc is not None and issued_utc > fetched_utc + timedelta(minutes=10):
        found.append(
            f"issued {issued_utc:%Y-%m-%d %H:%M} UTC, after it was fetched ({fetched_utc:%Y-%m-%d %H:%M} UTC): "
            "is this machine's clock right?"
        )

    del rows[HUMIDITY]
    return Forecast(
        feed=feed,
        issued_utc=issued_utc,
        fetched_utc=fetched_utc,
        hours=Hours(start_utc, **rows),
        attribution=attribution,
        warnings=tuple(found),
        quality={name: with_missing(marks[name], column) for name, column in rows.items()},
    )


def make_sound(rows: dict[str, Floats], start_utc: datetime) -> tuple[list[str], Mapping[str, NDArray[np.bool_]]]:
    """Set what is not to be believed to NaN, fill dew points from humidity, raise gusts to the wind; in place.

    Args:
        rows: every key of `LIMITS` -> one value an hour.
        start_utc: hour of the first row.

    Returns:
        Warnings, and name of a field -> where it was estimated.
    """
    found = [*reject_outside(rows, start_utc), *_reject_jumps(rows, start_utc)]
    found += _reject_dew_above_air(rows, start_utc)
    filled = _fill_dew(rows)
    below = rows["gust_10m_ms"] < rows["wind_10m_ms"]
    rows["gust_10m_ms"][below] = rows["wind_10m_ms"][below]
    return found, {"dew_c": filled, "gust_10m_ms": below}


def _at(start_utc: datetime, index: int) -> str:
    return f"{start_utc + timedelta(hours=index):%Y-%m-%d %H:%M} UTC"


def reject_outside(rows: Mapping[str, Floats], start_utc: datetime) -> list[str]:
    """Set values outside their limits to NaN, in place; one warning a field, or a broken payload gives hundreds."""
    found = []
    for name, column in rows.items():
        limit = LIMITS[name]
        outside = np.flatnonzero((column < limit.low) | (column > limit.high)).tolist()
        if outside:
            named = ", ".join(f"{_at(start_utc, i)}: {column[i]:g}" for i in outside[:3])
            more = f" and {len(outside) - 3} more" if len(outside) > 3 else ""
            found.append(
                f"{limit.title} ({name}) outside {limit.low:g} to {limit.high:g} {limit.unit}, left out: {named}{more}"
            )
            column[outside] = np.nan
    return found


def _reject_jumps(rows: dict[str, Floats], start_utc: datetime) -> list[str]:
    """NaN for whole rows whose air temperature jumps; compared with the last row that was believed.

    Where the jump is between the first two rows nothing tells which is wrong: both go.
    """
    found = []
    air_c = rows["air_c"]
    believed: list[int] = []
    rejected: list[int] = []
    for i in np.flatnonzero(np.isfinite(air_c)).tolist():
        last = believed[-1] if believed else i
        if abs(air_c[i] - air_c[last]) <= MAX_JUMP_K_H * (i - last):
            believed.append(i)
            continue
        rejected.append(i)
        if len(believed) == 1:
            rejected.append(believed.pop())
        found.append(
            f"air temperature (air_c) jumps from {air_c[last]:.1f} °C at {_at(start_utc, last)} to {air_c[i]:.1f} °C "
            f"at {_at(start_utc, i)}, limit {MAX_JUMP_K_H:g} K/h: hour left out"
        )
    for column in rows.values():
        column[rejected] = np.nan
    return found


def _reject_dew_above_air(rows: dict[str, Floats], start_utc: datetime) -> list[str]:
    above = np.flatnonzero(rows["dew_c"] > rows["air_c"] + DEW_ABOVE_AIR_K).tolist()
    if not above:
        return []
    first = above[0]
    message = (
        f"dew point (dew_c) more than {DEW_ABOVE_AIR_K:g} K above the air, left out in {len(above)} hours, first "
        f"{_at(start_utc, first)}: {rows['dew_c'][first]:g} °C in air of {rows['air_c'][first]:g} °C"
    )
    rows["dew_c"][above] = np.nan
    return [message]


def _fill_dew(rows: dict[str, Floats]) -> NDArray[np.bool_]:
    """Missing dew points from the relative humidity; where they were filled."""
    humid = rows[HUMIDITY]
    fill = np.isnan(rows["dew_c"]) & np.isfinite(rows["air_c"]) & (humid > 0.0)
    rows["dew_c"][fill] = dew_point_c(rows["air_c"][fill], np.minimum(humid[fill], 1.0))
    return fill & np.isfinite(rows["dew_c"])


def _missing(rows: dict[str, Floats], start_utc: datetime) -> list[str]:
    found = []
    for name in NEEDED:
        # The last row is often a bare state at the end of the forecast, with no hour after it to give an amount for.
        looked_at = rows[name][:-1] if name == "precip_mm" else rows[name]
        gone = np.flatnonzero(np.isnan(looked_at)).tolist()
        if gone:
            found.append(
                f"{LIMITS[name].title} ({name}) is missing in {len(gone)} of {len(looked_at)} hours, "
                f"first {_at(start_utc, gone[0])}"
            )
    return found
