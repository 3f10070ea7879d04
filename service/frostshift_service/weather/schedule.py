"""When to ask a feed again: pure steps from one record to the next. The record carries the schedule; nothing gives up.

A failure changes when to ask next and what is shown about the feed, never what is kept of it: the last good forecast
stays until a better one comes.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from frostshift_rules.surroundings import Hours
from frostshift_service.store.records import FeedRow
from frostshift_service.weather import FeedError
from frostshift_service.weather.fetching import LONGEST_ASKED, Fetched

OWN_INTERVAL: Final = timedelta(minutes=60)
WATCH_INTERVAL: Final = timedelta(minutes=20)
"""While a front is near; a server that asks for longer gets longer."""
FALL_K: Final = 8.0
"""Air so much colder than a day before is a front that is worth asking more often for (our choice)."""
NEAR_H: Final = 36
"""How far ahead a front is near [h] (our choice)."""
SPREAD: Final = timedelta(minutes=10)
"""Longest random addition after an answer: installations must not all ask at the same minute."""
FIRST_PAUSE: Final = timedelta(minutes=4)
LONGEST_PAUSE: Final = timedelta(minutes=60)
"""Pauses after failures double from the first to the longest; each is drawn out at random by up to a quarter."""


def front_near(hours: Hours, now: datetime) -> bool:
    """Whether an hour of the next day and a half is far colder than the same hour a day earlier.

    A day earlier, so that an ordinary cold night is no front. Hours without a value say nothing; for the next day to be
    looked at, `hours` has to hold the day gone by.
    """
    fall_k = hours.air_c[:-24] - hours.air_c[24:]  # index i: of hour i + 24 against hour i
    at = hours.position(now) - 24.0
    first, last = max(math.ceil(at), 0), math.floor(at) + NEAR_H
    return bool((fall_k[first : max(last + 1, 0)] >= FALL_K).any())


def waits(until_utc: datetime | None, now: datetime) -> bool:
    """Whether a time before which nobody is to be asked still holds.

    One further off than any wait can be was written while this machine's clock was wrong, and holds for nothing.
    """
    return until_utc is not None and timedelta(0) < until_utc - now <= LONGEST_ASKED + SPREAD + FIRST_PAUSE


def after_success(row: FeedRow, fetched: Fetched, now: datetime, jitter: float, *, watch: bool = False) -> FeedRow:
    """The record after an answer, "not modified" included.

    Args:
        row: before.
        fetched: what the feed brought.
        now: aware.
        jitter: random number, 0 to 1: share of the random addition.
        watch: whether a front is near.
    """
    wait = max(WATCH_INTERVAL if watch else OWN_INTERVAL, _asked(fetched.ask_again_utc, now))
    return replace(
        row,
        next_try_utc=now + wait + jitter * SPREAD,
        last_answer_utc=now,
        failures=0,
        last_error="",
        held_utc=_held(row, now),
        issued_utc=row.issued_utc if fetched.forecast is None else fetched.forecast.issued_utc,
        state=dict(fetched.kept),
    )


def after_failure(row: FeedRow, error: FeedError, now: datetime, jitter: float) -> FeedRow:
    """The record after a failure: one more, what it said, and a longer pause.

    A permanent failure waits the longest pause at once: somebody has to change something, which may happen any time.
    Arguments as for `after_success`.
    """
    failures = row.failures + 1
    # The exponent is capped before the power: a feed may be down for years of failures.
    pause = LONGEST_PAUSE if error.permanent else min(FIRST_PAUSE * 2 ** min(failures - 1, 10), LONGEST_PAUSE)
    asked = timedelta(seconds=min(error.retry_after_s or 0.0, LONGEST_ASKED.total_seconds()))
    wait = max(pause, asked)
    holds = [until_utc for until_utc in (_held(row, now), now + asked if asked else None) if until_utc is not None]
    return replace(
        row,
        next_try_utc=now + wait + jitter * min(wait / 4, SPREAD),
        failures=failures,
        last_error=str(error),
        held_utc=max(holds, default=None),
    )


def _held(row: FeedRow, now: datetime) -> datetime | None:
    """A pause that was asked for and is not over: of another copy, as nobody is asked during one."""
    return row.held_utc if waits(row.held_utc, now) else None


def _asked(ask_again_utc: datetime | None, now: datetime) -> timedelta:
    return min(ask_again_utc - now, LONGEST_ASKED) if ask_again_utc is not None else timedelta(0)
