"""The hours that a new forecast no longer has: steel carries yesterday's cold, and feeds serve little of the past."""

from __future__ import annotations

from dataclasses import fields
from datetime import timedelta

import numpy as np

from frostshift_rules.surroundings import Hours

KEEP_HOURS = 48


def merge_past(old: Hours | None, new: Hours, keep_hours: int = KEEP_HOURS) -> Hours:
    """The hours of `new`, with those of `old` before its first hour prepended, at most `keep_hours` of them.

    From its first hour on `new` stands as it is, its missing values too: nothing is blended. Hours between the two
    axes that neither has are NaN. Both must be of one place and one feed: two feeds differ by a kelvin or two, and the
    seam would look like a front.
    """
    if old is None:
        return new
    lead = round((new.start_utc - old.start_utc) / timedelta(hours=1))
    gap = max(0, lead - len(old))
    count = min(lead, keep_hours)
    if count <= 0 or gap >= count:
        return new
    columns = {}
    for name in (f.name for f in fields(Hours) if f.name != "start_utc"):
        past = np.concatenate([getattr(old, name)[:lead], np.full(gap, np.nan)])
        columns[name] = np.concatenate([past[-count:], getattr(new, name)])
    return Hours(new.start_utc - timedelta(hours=count), **columns)


def from_first_air(hours: Hours) -> Hours | None:
    """The hours from the first with an air temperature on; None where no hour has one.

    A reading taken before the record counts as a start value; one that falls into a hole at its front would be lost.
    """
    known = np.flatnonzero(np.isfinite(hours.air_c))
    if not len(known):
        return None
    first = int(known[0])
    columns = {f.name: getattr(hours, f.name)[first:] for f in fields(Hours) if f.name != "start_utc"}
    return Hours(hours.time_utc(first), **columns)
