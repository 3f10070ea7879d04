"""Members of an ensemble from one axis of hours to another."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

import numpy as np

from frostshift_rules.surroundings import MEMBER_SERIES, Hours, Members

MEMBERS_STAND: Final = timedelta(hours=12)
"""Members so much older than a forecast of the same feed still stand beside it (our choice: two model runs)."""


def on_axis(members: Members, hours: Hours) -> Members:
    """The members on the axis of `hours`; NaN where they have nothing.

    An hour takes the member's value of that hour, never one between two or the nearest. Hours off the axis fall away.
    """
    shift = round((members.start_utc - hours.start_utc) / timedelta(hours=1))
    count = members.air_c.shape[1]
    first, last = max(shift, 0), min(shift + count, len(hours))
    series = {}
    for name, _, _ in MEMBER_SERIES:
        values = np.full((len(members), len(hours)), np.nan, dtype=np.float32)
        if first < last:
            values[:, first:last] = getattr(members, name)[:, first - shift : last - shift]
        series[name] = values
    return Members(hours.start_utc, **series)
