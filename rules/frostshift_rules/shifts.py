"""Shifts in wall-clock time to spans of UTC. The only place in the rules that knows a time zone."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from frostshift_rules.job import Shift


@dataclass(frozen=True, slots=True)
class ShiftSpan:
    """One shift of one day: it holds every time from `start_utc` up to, not including, `end_utc`."""

    key: str
    shift: Shift
    day: date
    start_utc: datetime
    end_utc: datetime


def spans(shifts: Iterable[Shift], zone: str, first_utc: datetime, last_utc: datetime) -> list[ShiftSpan]:
    """Every shift that touches `first_utc` to `last_utc`, by start.

    A shift keeps its wall-clock ends: on the nights of a clock change it is an hour shorter or longer. A wall time
    that occurs twice is taken the first time; one that does not exist is taken as far after the change as it was
    meant after midnight (the reading of PEP 495, fold 0).
    """
    tz = ZoneInfo(zone)
    day = first_utc.astimezone(tz).date() - timedelta(days=1)
    found = []
    while day <= last_utc.astimezone(tz).date():
        for shift in shifts:
            if day.isoweekday() not in shift.days:
                continue
            end_day = day if shift.end > shift.start else day + timedelta(days=1)
            start = datetime.combine(day, shift.start, tz).astimezone(UTC)
            end = datetime.combine(end_day, shift.end, tz).astimezone(UTC)
            if end > first_utc and start <= last_utc:
                found.append(ShiftSpan(f"{day.isoformat()} {shift.name}", shift, day, start, end))
        day += timedelta(days=1)
    return sorted(found, key=lambda span: (span.start_utc, span.shift.name))


def holding(ordered: Sequence[ShiftSpan], at_utc: datetime) -> ShiftSpan | None:
    """The shift of `ordered` (as `spans` gives them) that holds `at_utc`; where two overlap, the one begun last."""
    upto = bisect_right(ordered, at_utc, key=lambda span: span.start_utc)
    return next((span for span in reversed(ordered[:upto]) if at_utc < span.end_utc), None)
