"""How old is too old: the two ages of a forecast."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

LATE_SILENCE_H: Final = 3.0
"""Late: the feed has not answered for so long [h] (our choice, as the others here)."""
LATE_ISSUE_H: Final = 12.0
"""Late: issued longer ago than this [h]."""
LATE_ISSUE_NWS_H: Final = 6.0
"""The same for the US feed, which issues more often [h]."""
UNUSABLE_H: Final = 24.0
"""Unusable: no answer, or no new issue, for so long [h]. Unusable means unknown."""
AHEAD_H: Final = 1.0
"""A forecast further ahead of our clock than this has an age that nobody knows [h]."""


@dataclass(frozen=True, slots=True)
class Freshness:
    """How a forecast stands at a moment.

    Attributes:
        state: `fresh`, `late` (shown, and the doubt grows) or `unusable` (its hours are unknown).
        age_h: hours since the issue, or since the forecast was fetched where the feed does not say when it issued;
            negative: ahead of our clock [h].
        silence_h: hours since the feed last answered, with or without news [h].
        beyond_late_h: hours beyond the first of the two limits of late, 0 while fresh: what the doubt grows with [h].
    """

    state: Literal["fresh", "late", "unusable"]
    age_h: float
    silence_h: float
    beyond_late_h: float


def freshness(
    issued_utc: datetime | None, fetched_utc: datetime, last_answer_utc: datetime | None, feed: str, now: datetime
) -> Freshness:
    """How fresh a forecast is.

    Args:
        issued_utc: the feed's own issue time; None where it does not say.
        fetched_utc: when the payload came.
        last_answer_utc: when the feed last answered, "not modified" included; None: not since the payload came.
        feed: name of the feed.
        now: aware.
    """
    age_h = _hours(now - (issued_utc or fetched_utc))
    silence_h = _hours(now - max(fetched_utc, last_answer_utc or fetched_utc))
    late_issue_h = LATE_ISSUE_NWS_H if feed in ("nws", "nws_hourly") else LATE_ISSUE_H
    beyond_late_h = max(0.0, silence_h - LATE_SILENCE_H, age_h - late_issue_h)
    if max(age_h, silence_h) >= UNUSABLE_H or min(age_h, silence_h) < -AHEAD_H:
        return Freshness("unusable", age_h, silence_h, beyond_late_h)
    late = silence_h >= LATE_SILENCE_H or age_h > late_issue_h
    return Freshness("late" if late else "fresh", age_h, silence_h, beyond_late_h)


def _hours(span: timedelta) -> float:
    return span / timedelta(hours=1)
