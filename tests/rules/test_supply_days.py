"""Days of a supplier, counted on a calendar by hand."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from frostshift_rules.gas_setup import SupplyTerms
from frostshift_rules.supply_days import LONGEST_DAYS, expected_day, last_order_day, taken_on

KIND = "propane-100"
MONDAY = date(2027, 1, 11)
WEEK = range(1, 6)


def day(n: int) -> date:
    return MONDAY + timedelta(days=n)


@pytest.mark.parametrize(
    ("written", "lead_days", "delivery_days", "closed", "expected"),
    [
        (0, 0, WEEK, (), 0),  # a Monday
        (0, 2, WEEK, (), 2),
        (0, 4, WEEK, (), 4),  # Friday
        (0, 5, WEEK, (), 7),  # over the weekend
        (0, 2, WEEK, (1, 2), 4),  # Tuesday and Wednesday closed
        (0, 1, (4,), (), 3),  # only Thursdays
        (0, 2, (4,), (), 10),
        (0, 0, (7,), (), 6),
        (5, 1, WEEK, (), 8),  # written on a Saturday, read on Monday, comes on Tuesday
        (6, 0, WEEK, (), 7),  # on a Sunday: Monday
        (5, 1, (1, 2, 3, 4, 5, 6), (), 7),  # a supplier that delivers on Saturdays reads on Saturdays
        (4, 1, WEEK, (4,), 8),  # on a Friday that is closed: read on Monday, comes on Tuesday
    ],
)
def test_when_an_order_comes(
    written: int, lead_days: int, delivery_days: Any, closed: tuple[int, ...], expected: int
) -> None:
    terms = SupplyTerms(KIND, lead_days, frozenset(delivery_days))
    assert expected_day(day(written), terms, {day(n) for n in closed}) == day(expected)


@pytest.mark.parametrize(
    ("needed", "closed", "last"),
    [
        (8, (), 7),  # there on Tuesday: ordered on Monday
        (7, (), 4),  # there on Monday: ordered on Friday, not on Sunday
        (7, (4,), 3),  # Friday is closed: on Thursday
        (6, (), 3),  # on Sunday nothing comes: it has to come on Friday
    ],
)
def test_the_last_day_to_order_is_one_on_which_somebody_takes_it(
    needed: int, closed: tuple[int, ...], last: int
) -> None:
    assert last_order_day(day(needed), SupplyTerms(KIND, 1), {day(n) for n in closed}) == day(last)


def test_over_christmas() -> None:
    """24 and 25 December 2026 are a Thursday and a Friday, 1 January 2027 a Friday; all closed, two days of lead."""
    closed = {date(2026, 12, 24), date(2026, 12, 25), date(2027, 1, 1)}
    terms = SupplyTerms(KIND, 2)
    assert expected_day(date(2026, 12, 23), terms, closed) == date(2026, 12, 29)
    assert expected_day(date(2026, 12, 24), terms, closed) == date(2026, 12, 30)
    assert last_order_day(date(2026, 12, 28), terms, closed) == date(2026, 12, 22)
    assert last_order_day(date(2027, 1, 4), terms, closed) == date(2026, 12, 30)


def test_no_day_of_delivery_is_none() -> None:
    assert expected_day(MONDAY, SupplyTerms(KIND, 2, frozenset()), ()) is None
    closed = {day(n) for n in range(LONGEST_DAYS + 1)}
    assert expected_day(MONDAY, SupplyTerms(KIND, 0), closed) is None
    assert taken_on(MONDAY, SupplyTerms(KIND, 0), closed) is None
    assert last_order_day(MONDAY, SupplyTerms(KIND, 2, frozenset()), ()) is None


terms_of = st.builds(
    SupplyTerms, st.just(KIND), st.integers(0, 20), st.sets(st.integers(1, 7), min_size=1).map(frozenset)
)


@given(terms_of, st.integers(0, 60), st.sets(st.integers(0, 60), max_size=6))
def test_the_last_day_to_order_comes_in_time_and_no_later_one_does(
    terms: SupplyTerms, needed: int, closed: set[int]
) -> None:
    days_closed = {day(n) for n in closed}
    last = last_order_day(day(needed), terms, days_closed)
    assume(last is not None)
    assert last is not None
    came = expected_day(last, terms, days_closed)
    assert came is not None
    assert came <= day(needed)
    assert came.isoweekday() in terms.delivery_days
    assert came not in days_closed
    assert last not in days_closed
    assert last.isoweekday() in terms.delivery_days or last.isoweekday() <= 5
    for later in range((day(needed) - last).days):
        written = last + timedelta(days=later + 1)
        read = taken_on(written, terms, days_closed)
        comes = expected_day(written, terms, days_closed)
        assert read != written or comes is None or comes > day(needed)


@given(terms_of, st.integers(0, 30), st.sets(st.integers(0, 60), max_size=6))
def test_who_orders_later_gets_it_no_earlier(terms: SupplyTerms, written: int, closed: set[int]) -> None:
    days_closed = {day(n) for n in closed}
    first, second = (expected_day(day(n), terms, days_closed) for n in (written, written + 1))
    assert first is not None
    assert second is not None
    assert first <= second
