"""The days of a supplier: when an order is taken, when it comes, and the last day on which it still comes in time.

An order is taken on weekdays, and on days of delivery beside them, that are not closed; one that is written on another
day is read on the next of these. From then on the days of delivery count.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, timedelta
from typing import Final

from frostshift_rules.gas_setup import WEEKDAYS, SupplyTerms

LONGEST_DAYS: Final = 500
"""No delivery is looked for further ahead than this."""

_DAY: Final = timedelta(days=1)


def taken_on(written: date, terms: SupplyTerms, closed: Collection[date]) -> date | None:
    """The day on which the supplier reads an order that is written on a day; None: on none within `LONGEST_DAYS`."""
    for ahead in range(LONGEST_DAYS):
        day = written + ahead * _DAY
        if _takes(day, terms, closed):
            return day
    return None


def expected_day(written: date, terms: SupplyTerms, closed: Collection[date]) -> date | None:
    """The day on which an order comes: so many delivery days after it is taken, the first delivery day for none.

    None: on none within `LONGEST_DAYS`.
    """
    day, left = taken_on(written, terms, closed), terms.lead_days
    if day is None:
        return None
    for _ in range(LONGEST_DAYS):
        if left == 0 and _delivers(day, terms, closed):
            return day
        day += _DAY
        if left > 0 and _delivers(day, terms, closed):
            left -= 1
    return None


def last_order_day(needed: date, terms: SupplyTerms, closed: Collection[date]) -> date | None:
    """The last day on which an order is taken and still comes by a day; None where there is none."""
    for back in range(LONGEST_DAYS):
        day = needed - back * _DAY
        if _takes(day, terms, closed):
            comes = expected_day(day, terms, closed)
            if comes is not None and comes <= needed:
                return day
    return None


def _takes(day: date, terms: SupplyTerms, closed: Collection[date]) -> bool:
    return (day.isoweekday() in WEEKDAYS or day.isoweekday() in terms.delivery_days) and day not in closed


def _delivers(day: date, terms: SupplyTerms, closed: Collection[date]) -> bool:
    return day.isoweekday() in terms.delivery_days and day not in closed
