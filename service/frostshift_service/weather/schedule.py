"""When to ask a feed again: pure steps from one record to the next. The record carries the schedule; nothing gives up.

A failure changes when to ask next and what is shown about the feed, never what is kept of it: the last good forecast
stays until a better one comes.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from frostshift_service.store.records import FeedRow
from frostshift_service.weather import FeedError
from frostshift_service.weather.fetching import Fetched

OWN_INTERVAL: Final = timedelta(minutes=60)
SPREAD: Final = timedelta(minutes=10)
"""Longest random addition after an answer: installations must not all ask at the same minute."""
FIRST_PAUSE: Final = timedelta(minutes=4)
LONGEST_PAUSE: Final = timedelta(minutes=60)
"""Pauses after failures double from the first to the longest; each is drawn out at random by up to a quarter."""
LONGEST_ASKED: Final = timedelta(hours=12)
"""What a server asks for is honoured up to here: an absurd date must not end the forecasts in silence."""


def after_success(row: FeedRow, fetched: Fetched, now: datetime, jitter: float) -> FeedRow:
    """The record after an answer, "not modified" included.

    Args:
        row: before.
        fetched: what the feed brought.
        now: aware.
        jitter: random number, 0 to 1: share of the random addition.
    """
    wait = max(OWN_INTERVAL, _asked(fetched.ask_again_utc, now))
    return replace(
        row,
        next_try_utc=now + wait + jitter * SPREAD,
        last_answer_utc=now,
        failures=0,
        last_error="",
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
    return replace(
        row,
        next_try_utc=now + wait + jitter * min(wait / 4, SPREAD),
        failures=failures,
        last_error=str(error),
    )


def _asked(ask_again_utc: datetime | None, now: datetime) -> timedelta:
    return min(ask_again_utc - now, LONGEST_ASKED) if ask_again_utc is not None else timedelta(0)
