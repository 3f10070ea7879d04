"""From predicted temperatures to heat calls: the doubt, the window of a joint, and what holds in it.

Arrays: `n` joints, `p` parts (a part belongs to one joint; the parts of a joint stand together), `c` steel classes,
`h` hours of the forecast, `w` hours of the longest window.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.job import Choices
from frostshift_rules.surroundings import Floats, Singles
from frostshift_rules.workload import HeatCall

Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


def doubt_k(
    axis_start_utc: datetime, n_hours: int, reference_utc: datetime, late_by_h: float, choices: Choices
) -> Floats:
    """Half-width of a predicted air or steel temperature at each hour [K].

    `choices.doubt_k` within a day of `reference_utc` (when the forecast was issued), more with every further day of
    lead and with every hour that the forecast is late. Our choice, no source.
    """
    lead_h = (axis_start_utc - reference_utc).total_seconds() / 3600.0 + np.arange(n_hours)
    days_beyond = np.maximum(0.0, lead_h / 24.0 - 1.0)
    late_k = choices.doubt_per_late_hour_k * late_by_h
    widened: Floats = choices.doubt_k + late_k + choices.doubt_per_day_k * days_beyond
    return widened


@dataclass(frozen=True)
class Sides:
    """A predicted temperature with its cold side and warm side [°C], arrays of one shape, the last axis hours."""

    cold_c: Floats
    likely_c: Floats
    warm_c: Floats

    def each(self, change: Callable[[Floats], Floats]) -> Sides:
        """The same change made to all three."""
        return Sides(change(self.cold_c), change(self.likely_c), change(self.warm_c))


@dataclass(frozen=True)
class Spread:
    """How far a forecast's members reach below and above the likely figure [K], never below 0; arrays of one shape."""

    below_k: Floats
    above_k: Floats


def spread_of(likely_c: Floats, low_c: Floats, high_c: Floats) -> Spread:
    """The spread of members between two quantiles; 0 where none is known: there the doubt stands alone."""
    below_k, above_k = likely_c - low_c, high_c - likely_c
    return Spread(np.fmax(below_k, 0.0), np.fmax(above_k, 0.0))


def with_doubt(
    likely_c: Floats, coldest_c: Floats, warmest_c: Floats, half_width_k: Floats, members: Spread | None = None
) -> Sides:
    """Cold and warm side: forecast doubt, model variants and members are taken as independent and add as squares.

    So members only ever widen: raw ones lie too close together, and the doubt stands for what they all have in common.
    The likely figure stays that of the forecast itself.
    """
    cold_k, warm_k = np.hypot(half_width_k, likely_c - coldest_c), np.hypot(half_width_k, warmest_c - likely_c)
    if members is not None:
        cold_k, warm_k = np.hypot(cold_k, members.below_k), np.hypot(warm_k, members.above_k)
    return Sides(likely_c - cold_k, likely_c, likely_c + warm_k)


@dataclass(frozen=True)
class Windows:
    """For each joint the hours it is judged over, as indices into the forecast [n, w].

    `inside`: the place belongs to the joint's window. `missing`: it does, but the forecast has no such hour.
    """

    index: Ints
    inside: Flags
    missing: Flags


def windows(first_h: Floats, last_h: Floats, n_hours: int) -> Windows:
    """Windows from `first_h` to `last_h` (hours on the forecast's axis, fractions allowed), ends rounded outwards."""
    first = np.floor(first_h).astype(np.intp)
    last = np.ceil(last_h).astype(np.intp)
    index = first[:, None] + np.arange(int(np.max(last - first, initial=0)) + 1)
    inside = index <= last[:, None]
    missing = inside & ((index < 0) | (index >= n_hours))
    return Windows(np.clip(index, 0, max(n_hours - 1, 0)), inside, missing)


def least_in_windows(values: Floats, part_class: Ints, part_joint: Ints, span: Windows) -> Floats:
    """Least value over the parts of each joint, hour by hour of its window [n, w].

    `values` [c, h]. NaN where an hour is missing in the forecast or unknown for one part; +inf outside the window.
    """
    taken = values[part_class[:, None], span.index[part_joint]]
    taken[span.missing[part_joint]] = np.nan
    taken[~span.inside[part_joint]] = np.inf
    first_part = np.searchsorted(part_joint, np.arange(len(span.index)))
    least: Floats = np.minimum.reduceat(taken, first_part, axis=0)
    return least


@dataclass(frozen=True)
class Judged:
    """What holds in the window of each joint [n]; temperatures are NaN where `unknown`.

    Attributes:
        unknown: an hour of the window is missing.
        worst: index of the coldest hour (cold side) on the forecast's axis.
        cold_c, likely_c, warm_c: at that hour.
        passes: the cold side stays at or above the threshold throughout.
        fails: even the warm side falls below it at some hour.
        likely_passes: the likely temperature stays at or above it throughout.
        passes_before, passes_after: index of the last hour up to which, or the first hour from which, the cold side
            passes although it does not throughout; -1 where there is none.
    """

    unknown: Flags
    worst: Ints
    cold_c: Floats
    likely_c: Floats
    warm_c: Floats
    passes: Flags
    fails: Flags
    likely_passes: Flags
    passes_before: Ints
    passes_after: Ints


def _any_hour(flags: Flags) -> Flags:
    found: Flags = np.logical_or.reduce(flags, axis=1)
    return found


def judge(least: Sides, threshold_c: Floats, span: Windows) -> Judged:
    """Compare the least temperatures of each joint's window [n, w] with its threshold [n]."""
    unknown = _any_hour(np.isnan(least.cold_c))
    rows = np.arange(len(threshold_c))
    worst = np.argmin(np.where(np.isnan(least.cold_c), np.inf, least.cold_c), axis=1)
    low = least.cold_c < threshold_c[:, None]  # NaN compares False; `unknown` covers it
    some_low = _any_hour(low)
    first_low = np.argmax(low, axis=1)
    last_low = low.shape[1] - 1 - np.argmax(low[:, ::-1], axis=1)
    last_inside = span.inside.sum(axis=1) - 1
    before = np.where(some_low & (first_low > 1), span.index[rows, np.maximum(first_low - 1, 0)], -1)
    after = np.where(some_low & (last_low < last_inside), span.index[rows, np.minimum(last_low + 1, last_inside)], -1)

    def at_worst(values: Floats) -> Floats:
        return np.where(unknown, np.nan, values[rows, worst])

    return Judged(
        unknown=unknown,
        worst=span.index[rows, worst],
        cold_c=at_worst(least.cold_c),
        likely_c=at_worst(least.likely_c),
        warm_c=at_worst(least.warm_c),
        passes=~unknown & ~some_low,
        fails=~unknown & _any_hour(least.warm_c < threshold_c[:, None]),
        likely_passes=~unknown & ~_any_hour(least.likely_c < threshold_c[:, None]),
        passes_before=np.where(unknown, -1, before),
        passes_after=np.where(unknown, -1, after),
    )


def share_below(least_c: Singles, threshold_c: Floats) -> Floats:
    """Share of the members below the threshold of each joint [n]; NaN: a member or the threshold is unknown.

    `least_c` [n, member]: over the window and the parts of the joint.
    """
    unknown = np.isnan(least_c).any(axis=1) | np.isnan(threshold_c)
    share: Floats = (least_c < threshold_c[:, None]).mean(axis=1)
    return np.where(unknown, np.nan, share)


def heat_call(*, passes: bool, fails: bool, floor_decides: bool) -> HeatCall:
    """The call where the window is known: taken on the cold side, `measure` where only the warm side passes.

    Args:
        passes: the cold side stays at or above the threshold.
        fails: even the warm side falls below it.
        floor_decides: on the cold side the cold-steel floor, not the row or the procedure, sets the minimum.
    """
    if passes:
        return "no_heat"
    if not fails:
        return "measure"
    return "cold_steel_heat" if floor_decides else "heat_to_minimum"
