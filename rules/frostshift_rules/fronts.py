"""Fronts in the hours of air, by a stated rule.

An hour lies in a front when the air there is by at least `fall_k` colder than its highest within the `within_h` hours
before, and by at least `day_fall_k` colder than at the same hour of the day before: the second leaves out ordinary
nights. Hours of one fall are one front. A missing hour splits: what lies on both sides of it is never put together;
where only the hour of the day before is missing, the first part alone decides. The rule is our choice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime

import numpy as np

from frostshift_rules.notice_events import FrontSeen
from frostshift_rules.notice_setup import NoticeChoices
from frostshift_rules.surroundings import Floats, Hours

EDGE: float = 0.1
"""Share of the fall that is left out at both ends when its begin and end are told: the hour of the very highest and
lowest air wanders from forecast to forecast."""
_DAY = 24


def fronts(hours: Hours, choices: NoticeChoices, from_utc: datetime, until_utc: datetime) -> tuple[FrontSeen, ...]:
    """The fronts that are not over at `from_utc` and begin before `until_utc`, by begin.

    Args:
        hours: of the forecast, those gone by among them.
        choices: `front_fall_k`, `front_hours` (whole hours of it), `front_day_fall_k`.
        from_utc: aware.
        until_utc: aware.
    """
    air = hours.air_c
    found = []
    for first, last in _runs(np.isfinite(air)):
        for top, low in _falls(air, first, last, choices):
            seen = _seen(hours, top, low)
            if seen.end_utc > from_utc and seen.begin_utc < until_utc:
                found.append(seen)
    return tuple(sorted(found, key=lambda one: one.begin_utc))


def _runs(known: np.ndarray) -> Iterator[tuple[int, int]]:
    """First and last index of each run of known hours."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
    for first, beyond in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        yield first, beyond - 1


def _falls(air: Floats, first: int, last: int, choices: NoticeChoices) -> list[tuple[int, int]]:
    """Highest and lowest hour of each fall within a run of known hours."""
    found: list[tuple[int, int]] = []
    back = math.floor(choices.front_hours)
    for hour in range(first + 1, last + 1):
        from_hour = max(first, hour - back)
        # The last of equally high hours: the fall begins after it.
        top = hour - int(np.argmax(air[from_hour : hour + 1][::-1]))
        if air[top] - air[hour] < choices.front_fall_k:
            continue
        day_before = air[hour - _DAY] if hour >= _DAY else math.nan
        if air[hour] > day_before - choices.front_day_fall_k:  # False for a missing hour
            continue
        if found and top < found[-1][1]:
            high, low = found[-1]
            found[-1] = high, hour if air[hour] < air[low] else low
        else:
            found.append((top, hour))
    return found


def _seen(hours: Hours, top: int, low: int) -> FrontSeen:
    air = hours.air_c[top : low + 1]
    fall_k = float(air[0] - air[-1])
    begin = int(np.flatnonzero(air < air[0] - EDGE * fall_k)[0]) - 1
    end = int(np.flatnonzero(air <= air[-1] + EDGE * fall_k)[0])
    return FrontSeen(
        begin_utc=hours.time_utc(top + begin),
        end_utc=hours.time_utc(top + end),
        from_c=float(air[0]),
        to_c=float(air[-1]),
        steepest_k_h=float(np.max(-np.diff(air))),
    )
