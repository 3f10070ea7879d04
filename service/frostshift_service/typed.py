"""What people type, as values: a local time and a weight. Errors are sentences for whoever typed it."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from frostshift_rules.units import kg_from_lb

_CLOCK: Final = re.compile(r"[0-9]{2}:[0-9]{2}")
_MASS: Final = re.compile(r"([+-]?[0-9]{1,6}(?:\.[0-9]{1,3})?)\s*(lb|kg)", re.IGNORECASE)


class ClockChange(ValueError):
    """A local time that comes twice or never, since the clock changes there."""


def local_moment(text: str, zone: str, now: datetime) -> datetime:
    """A time of today, or a date and time, by the clock of a zone or with its offset.

    Args:
        text: such as `06:10`, `2026-01-15 06:10` or `2026-11-01T01:30-05:00`.
        zone: of the clock.
        now: aware; says what today is.

    Returns:
        Aware UTC.

    Raises:
        ClockChange: the time comes twice or never.
        ValueError: it is no time.
    """
    local, typed = ZoneInfo(zone), text.strip()
    try:
        at = datetime.fromisoformat(f"{now.astimezone(local):%Y-%m-%d} {typed}" if _CLOCK.fullmatch(typed) else typed)
        if at.utcoffset() is not None:
            return at.astimezone(UTC)
        at = at.replace(tzinfo=local)
        if at.utcoffset() != at.replace(fold=1).utcoffset():
            raise ClockChange("the clock changes there, so the time comes twice or never")
        return at.astimezone(UTC)
    except OverflowError:  # the first and the last day of the calendar
        raise ValueError("no time that can be") from None


def mass_kg(text: str) -> float:
    """A weight with its unit, such as `120 lb` or `-4.5kg` [kg].

    Raises:
        ValueError: no number with a unit.
    """
    match = _MASS.fullmatch(text.strip().replace("\N{MINUS SIGN}", "-"))
    if match is None:
        raise ValueError(f"{text!r}: expected a number with its unit, such as 120lb or 54.5kg")
    return kg_from_lb(float(match[1])) if match[2].lower() == "lb" else float(match[1])
