"""Shifts through clock changes, nights, days off and overlaps.

The dates of the clock changes and the offsets are those of the IANA time zone database: Chicago goes from UTC-6 to
UTC-5 on 2026-03-08 and back on 2026-11-01, each at 02:00 local time (US Energy Policy Act of 2005, section 110); Oslo
from UTC+1 to UTC+2 on 2026-03-29 and back on 2026-10-25, each at 01:00 UTC (Directive 2000/84/EC). The UTC times below
are worked out by hand from them.
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.job import Shift
from frostshift_rules.shifts import holding, spans

NIGHT = Shift("night", time(22), time(6))
EARLY = Shift("early", time(6), time(14))
WHOLE = Shift("whole", time(7), time(7))


def utc(month: int, day: int, hour: int = 0, minute: int = 0) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "month", "day", "start", "end", "hours"),
    [
        pytest.param("America/Chicago", 3, 7, utc(3, 8, 4), utc(3, 8, 11), 7, id="Chicago, clocks forward"),
        pytest.param("America/Chicago", 10, 31, utc(11, 1, 3), utc(11, 1, 12), 9, id="Chicago, clocks back"),
        pytest.param("America/Chicago", 1, 12, utc(1, 13, 4), utc(1, 13, 12), 8, id="Chicago, a plain night"),
        pytest.param("Europe/Oslo", 3, 28, utc(3, 28, 21), utc(3, 29, 4), 7, id="Oslo, clocks forward"),
        pytest.param("Europe/Oslo", 10, 24, utc(10, 24, 20), utc(10, 25, 5), 9, id="Oslo, clocks back"),
    ],
)
def test_a_night_shift_keeps_its_wall_clock_ends(
    zone: str, month: int, day: int, start: datetime, end: datetime, hours: int
) -> None:
    found = next(span for span in spans([NIGHT], zone, start, end) if span.day.day == day)
    assert (found.start_utc, found.end_utc) == (start, end)
    assert found.end_utc - found.start_utc == timedelta(hours=hours)
    assert found.key == f"2026-{month:02}-{day:02} night"


def test_a_wall_time_that_does_not_exist_is_taken_after_the_change() -> None:
    # PEP 495, fold 0: 02:30 at UTC-6 is 08:30 UTC, which the clocks then show as 03:30.
    shift = Shift("odd", time(2, 30), time(10))
    (found,) = spans([shift], "America/Chicago", utc(3, 8, 9), utc(3, 8, 14))
    assert found.start_utc == utc(3, 8, 8, 30)
    assert found.start_utc.astimezone(ZoneInfo("America/Chicago")).time() == time(3, 30)


def test_a_wall_time_that_occurs_twice_is_the_first() -> None:
    shift = Shift("odd", time(1, 30), time(10))
    (found,) = spans([shift], "America/Chicago", utc(11, 1, 7), utc(11, 1, 15))
    assert found.start_utc == utc(11, 1, 6, 30)


def test_a_shift_that_ends_when_it_starts_lasts_a_day() -> None:
    found = spans([WHOLE], "UTC", utc(1, 12, 8), utc(1, 12, 9))
    assert [(span.start_utc, span.end_utc) for span in found] == [(utc(1, 12, 7), utc(1, 13, 7))]


def test_the_night_that_began_yesterday_is_among_them_and_one_that_just_ended_is_not() -> None:
    assert [s.key for s in spans([NIGHT], "UTC", utc(1, 12, 5, 59), utc(1, 12, 6))] == ["2026-01-11 night"]
    assert spans([NIGHT], "UTC", utc(1, 12, 6), utc(1, 12, 7)) == []


def test_a_shift_that_begins_on_the_last_instant_is_among_them() -> None:
    assert [s.key for s in spans([EARLY], "UTC", utc(1, 12, 5), utc(1, 12, 6))] == ["2026-01-12 early"]


def test_days_are_those_on_which_a_shift_starts() -> None:
    # 2026-01-12 is a Monday (ISO 8601 weekday 1).
    weekdays = Shift("night", time(22), time(6), frozenset({1, 2, 3, 4, 5}))
    week = spans([weekdays], "UTC", utc(1, 12), utc(1, 19))
    assert [span.day.day for span in week] == [12, 13, 14, 15, 16]
    assert week[-1].end_utc == utc(1, 17, 6)  # into a Saturday
    assert spans([Shift("never", time(6), time(14), frozenset())], "UTC", utc(1, 12), utc(1, 19)) == []


def test_the_day_is_the_local_one_and_not_the_utc_one() -> None:
    early = Shift("early", time(6), time(14))
    (found,) = spans([early], "Pacific/Auckland", utc(1, 11, 18), utc(1, 11, 19))
    assert (found.key, found.start_utc) == ("2026-01-12 early", utc(1, 11, 17))  # UTC+13 in January


def test_a_shift_holds_its_first_instant_and_not_its_last() -> None:
    both = spans([EARLY, NIGHT], "UTC", utc(1, 12), utc(1, 13))

    def key(at: datetime) -> str | None:
        found = holding(both, at)
        return found.key if found else None

    assert key(utc(1, 12, 6)) == "2026-01-12 early"
    assert key(utc(1, 12, 5, 59)) == "2026-01-11 night"
    assert key(utc(1, 12, 13, 59)) == "2026-01-12 early"
    assert key(utc(1, 12, 14)) is None
    assert holding([], utc(1, 12)) is None


def test_where_two_overlap_the_one_begun_last_holds_and_the_longer_one_after_it() -> None:
    both = spans([Shift("long", time(6), time(18)), Shift("short", time(8), time(10))], "UTC", utc(1, 12), utc(1, 13))
    names = [found.shift.name if (found := holding(both, utc(1, 12, h))) else None for h in (7, 8, 9, 10, 17, 18)]
    assert names == ["long", "short", "short", "long", "long", None]


wall = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30]))
shift = st.builds(
    Shift,
    st.sampled_from(["a", "b", "c"]),
    wall,
    wall,
    st.frozensets(st.integers(1, 7), min_size=1),
)
zone = st.sampled_from(["UTC", "America/Chicago", "Europe/Oslo", "Pacific/Auckland", "America/St_Johns"])
moment = st.integers(0, 365 * 24 * 4).map(lambda quarters: utc(1, 1) + timedelta(minutes=15 * quarters))


@given(st.lists(shift, max_size=4), zone, moment, st.integers(0, 30 * 24))
def test_whatever_the_shifts_holding_finds_one_exactly_where_there_is_one(
    shifts: list[Shift], zone: str, first: datetime, later_h: int
) -> None:
    last = first + timedelta(hours=later_h)
    found = spans(shifts, zone, first, last)
    assert [span.start_utc for span in found] == sorted(span.start_utc for span in found)
    for span in found:
        assert timedelta(0) < span.end_utc - span.start_utc <= timedelta(hours=25)
        assert span.day.isoweekday() in span.shift.days
    for at in (first, last, first + (last - first) / 3):
        there = [span for span in found if span.start_utc <= at < span.end_utc]
        held = holding(found, at)
        assert (held is None) == (not there)
        assert held is None or held.start_utc == max(span.start_utc for span in there)
