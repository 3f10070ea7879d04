"""The hours that a new forecast no longer has: steel carries yesterday's cold, and feeds serve little of the past."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.surroundings import Hours, on_axis

KEEP_HOURS = 48


class Source(IntEnum):
    """Where an hour of the run-in comes from. Two sources differ by a kelvin or two, which the joint must say."""

    NONE = 0
    STORED = 1
    """An earlier forecast of the same feed, with a short lead."""
    FEED = 2
    """The forecast itself: its hours gone by, and those to come."""
    STATION = 3
    """Measured by a station near the site."""


@dataclass(frozen=True)
class RunIn:
    """The hours a steel temperature is worked out over, and where each comes from.

    Attributes:
        hours: from the first hour with an air temperature to the end of the forecast.
        source: a `Source` for each of them.
        missing: hours gone by, of those looked for, that no source has.
    """

    hours: Hours
    source: NDArray[np.int8]
    missing: int

    def count(self, source: Source) -> int:
        """How many hours come from a source."""
        return int((self.source == source).sum())


def run_in(
    stored: Hours | None, forecast: Hours, observed: Hours | None, now: datetime, keep_hours: int = KEEP_HOURS
) -> RunIn:
    """The forecast with the hours before it, each hour whole from one source: nothing is blended inside an hour.

    An hour gone by is taken from the first that has its air temperature: the feed's own stored hours, the forecast's
    own past hours, the station. An hour to come is the forecast's alone, its missing values too.

    Args:
        stored: hours that earlier forecasts of the same feed had; None: none.
        forecast: the forecast.
        observed: hours measured by one station; None: none.
        now: aware; the hour it lies in counts as gone by.
        keep_hours: how far back before `now` hours are looked for [h].
    """
    this_hour = now.replace(minute=0, second=0, microsecond=0)
    start_utc = min(this_hour - timedelta(hours=keep_hours), forecast.start_utc)
    end_utc = max(this_hour + timedelta(hours=1), forecast.start_utc + timedelta(hours=len(forecast)))
    count = round((end_utc - start_utc) / timedelta(hours=1))
    past = np.arange(count) <= round((this_hour - start_utc) / timedelta(hours=1))
    source = np.where(past, Source.NONE, Source.FEED).astype(np.int8)
    columns = {name: on_axis(getattr(forecast, name), forecast.start_utc, start_utc, count) for name in _SERIES}
    for name in _SERIES:
        columns[name][past] = np.nan
    for kind, hours in ((Source.STORED, stored), (Source.FEED, forecast), (Source.STATION, observed)):
        if hours is None:
            continue
        theirs = {name: on_axis(getattr(hours, name), hours.start_utc, start_utc, count) for name in _SERIES}
        taken = (source == Source.NONE) & np.isfinite(theirs["air_c"])
        source[taken] = kind
        for name in _SERIES:
            columns[name][taken] = theirs[name][taken]
    known = np.flatnonzero(np.isfinite(columns["air_c"]))
    first = int(known[0]) if len(known) else 0
    return RunIn(
        Hours(start_utc + timedelta(hours=first), **{name: columns[name][first:] for name in _SERIES}),
        source[first:],
        int((source[past] == Source.NONE).sum()),
    )


_SERIES = tuple(f.name for f in fields(Hours) if f.name != "start_utc")
