"""The forecast's air held against the site's thermometer: the published average, the limits, the safe side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.air_correction import Corrected, correct, forecast_at_c, with_earlier
from frostshift_rules.job import AirReading, Reading
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Hours, Members
from frostshift_rules.workload import HeatCall

from .plan_builders import FIRST, HOURS, NOW, at, changed, choices, hours, members, plan, reading
from .test_plan_properties import plain_joints, skies

SOFTNESS: Final[Mapping[HeatCall, int]] = {
    "no_heat": 1,
    "measure": 0,
    "heat_to_minimum": 0,
    "cold_steel_heat": 0,
    "unknown": 0,
}


def read(air_c: float, hours_ago: float) -> AirReading:
    return AirReading(air_c, NOW - timedelta(hours=hours_ago))


def found(
    of: Hours, *readings: AirReading, now: datetime = NOW, ensemble: Members | None = None, **more: Any
) -> Corrected:
    return correct(of, ensemble, readings, now, choices(**more))


# The average ----------------------------------------------------------------------------------------------------------


def test_the_bias_by_hand() -> None:
    """-10 °C forecast; -12 °C three hours ago, -13 °C now, time constant 3 h: (-2/e - 3) / (1/e + 1) = -2.731."""
    got = found(hours(-10.0), read(-12.0, 3.0), read(-13.0, 0.0))
    assert got.bias_k == pytest.approx(-2.7310586, abs=1e-6)
    assert (got.outcome, got.until_utc) == ("corrected", NOW + timedelta(hours=24))
    assert [one.error_k for one in got.counted] == [-2.0, -3.0]


def test_a_fixed_step_is_the_published_decaying_average() -> None:
    """B = (1 - w) B + w b, Cui, Toth, Zhu & Hou 2012 (form as in its abstract's method, from memory).

    Begun with nothing it has taken up the share 1 - (1 - w)^n of the errors after n of them, which ours is freed of.
    """
    errors, average_hours, step_h = (-1.0, -4.0, 0.5, -2.0, -3.5), 2.0, 0.5
    w = 1.0 - math.exp(-step_h / average_hours)
    b = 0.0
    for error in errors:
        b = (1.0 - w) * b + w * error
    ages = [step_h * n for n in reversed(range(len(errors)))]
    got = found(
        hours(-10.0),
        *(read(-10.0 + error, age) for error, age in zip(errors, ages, strict=True)),
        air_average_hours=average_hours,
    )
    assert got.bias_k == pytest.approx(b / (1.0 - (1.0 - w) ** len(errors)), rel=1e-12)


def test_the_forecast_between_two_hours_is_linear() -> None:
    of = hours(np.linspace(0.0, 95.0, HOURS))
    assert forecast_at_c(of, FIRST + timedelta(hours=10, minutes=15)) == pytest.approx(10.25)
    assert forecast_at_c(of, FIRST + timedelta(hours=95)) == 95.0
    assert forecast_at_c(of, FIRST + timedelta(hours=95, minutes=1)) is None
    assert forecast_at_c(of, FIRST - timedelta(minutes=1)) is None
    holed = replace(of, air_c=changed(of.air_c, 11, np.nan))
    assert forecast_at_c(holed, FIRST + timedelta(hours=10)) == 10.0
    assert forecast_at_c(holed, FIRST + timedelta(hours=10, minutes=1)) is None


# How long it lasts ----------------------------------------------------------------------------------------------------


def test_the_correction_fades_from_the_last_reading() -> None:
    """6 h after it exp(-1) of the bias, 24 h after it exp(-4), then nothing; before the first reading nothing."""
    raw = hours(-10.0)
    got = found(raw, read(-14.0, 2.5), read(-14.0, 1.0))
    assert got.bias_k == pytest.approx(-4.0)
    now, last = at(NOW), at(NOW) - 1
    shift = got.hours.air_c - raw.air_c
    assert shift[: now - 3].tolist() == [0.0] * (now - 3)
    assert shift[now - 3 : last + 1] == pytest.approx([-4.0] * 3)
    assert shift[now] == pytest.approx(-4.0 * math.exp(-1.0 / 6.0))
    assert shift[last + 6] == pytest.approx(-4.0 / math.e)
    assert shift[last + 24] == pytest.approx(-4.0 * math.exp(-4.0))
    assert shift[last + 25 :].tolist() == [0.0] * (HOURS - last - 25)


@pytest.mark.parametrize("first_ago", [1.5, 5.97])
@pytest.mark.parametrize("later_h", [0.27, 4.0, 23.0])
def test_planning_again_without_a_new_reading_changes_no_hour(first_ago: float, later_h: float) -> None:
    readings = read(-13.0, first_ago), read(-14.0, 0.2)
    first, later = (found(hours(-10.0), *readings, now=NOW + timedelta(hours=h)) for h in (0.0, later_h))
    assert first.outcome == "corrected"
    assert np.array_equal(first.hours.air_c, later.hours.air_c)


def test_another_fade_and_average() -> None:
    raw, readings = hours(-10.0), (read(-12.0, 3.0), read(-16.0, 0.0))
    slow = found(raw, *readings, air_average_hours=24.0, air_fade_hours=24.0)
    assert slow.bias_k == pytest.approx((-2.0 * math.exp(-0.125) - 6.0) / (math.exp(-0.125) + 1.0))
    assert slow.hours.air_c[at(NOW) + 12] - raw.air_c[0] == pytest.approx(slow.bias_k * math.exp(-0.5))


@pytest.mark.parametrize("name", ["air_average_hours", "air_fade_hours"])
@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_a_time_constant_that_is_none(name: str, value: float) -> None:
    with pytest.raises(OutOfRange, match=f"{name} is {value:g}, more than 0 is needed"):
        found(hours(), read(-9.0, 1.0), read(-9.0, 0.0), **{name: value})


# Held against the issue in use alone ----------------------------------------------------------------------------------


def issue(air_c: float, begins_ago: int, count: int = 60) -> Hours:
    """An issue of a forecast that is the same at every hour."""
    begun = FIRST + timedelta(hours=math.floor(at(NOW)) - begins_ago)
    column = np.full(count, air_c)
    return Hours(begun, *[column] * (len(fields(Hours)) - 1))


def run_in(before_c: float, now_c: float) -> Hours:
    """Hours gone by from elsewhere, then the issue that begins this hour."""
    return hours(np.where(np.arange(HOURS) < math.floor(at(NOW)), before_c, now_c), dew_c=np.full(HOURS, -60.0))


def test_what_an_issue_says_of_hours_before_it_is_the_issue_before_moved_to_meet_it() -> None:
    newest, before, first = issue(2.0, 0), issue(-10.0, 3), issue(-4.0, 9)
    said = with_earlier(newest, [before, first], NOW - timedelta(hours=30))
    assert said.start_utc == first.start_utc
    assert said.air_c.tolist() == [2.0] * (9 + 60)
    assert np.isnan(said.dew_c).all()


def test_an_earlier_issue_that_does_not_reach_the_next_one_is_not_used() -> None:
    newest = issue(2.0, 0)
    for earlier in (issue(-10.0, 9, count=9), issue(-10.0, -1), replace(issue(-10.0, 9), air_c=np.full(60, np.nan))):
        assert with_earlier(newest, [earlier], NOW - timedelta(hours=30)).start_utc == newest.start_utc


@pytest.mark.parametrize(
    ("before_c", "now_c", "read_c", "bias_k"),
    [(-10.0, 2.0, -8.0, -10.0), (0.0, -8.0, -8.0, 0.0), (-4.0, -4.0, -14.0, -10.0), (-4.0, -4.0, -4.0, 0.0)],
)
def test_a_change_from_issue_to_issue_is_no_error_of_the_site(
    before_c: float, now_c: float, read_c: float, bias_k: float
) -> None:
    """Two readings from before the issue in use: what counts is how far it would have been off."""
    of, said = run_in(before_c, now_c), with_earlier(issue(now_c, 0), [issue(before_c, 9)], NOW - timedelta(hours=30))
    got = correct(of, None, [read(read_c, 2.0), read(read_c, 1.5)], NOW, choices(), said=said)
    assert got.bias_k == pytest.approx(bias_k)
    shift = got.hours.air_c - of.air_c
    assert shift.max() == 0.0
    if bias_k:
        assert shift[math.ceil(at(NOW))] == pytest.approx(
            bias_k * math.exp(-(math.ceil(at(NOW)) - at(NOW) + 1.5) / 6.0)
        )
        gone_by = math.floor(at(NOW)) - 1
        assert got.hours.air_c[gone_by] == pytest.approx(min(before_c, now_c + bias_k * math.exp(-0.5 / 6.0)), abs=0.7)


def test_a_station_is_no_forecast_and_what_it_measured_stays() -> None:
    of = run_in(-14.0, -4.0)
    measured = np.arange(HOURS) < math.floor(at(NOW))
    readings = [read(-14.0, 2.0), read(-14.0, 1.5)]
    alone = correct(of, None, readings, NOW, choices(), said=with_earlier(issue(-4.0, 0), [], NOW), measured=measured)
    assert {left.why for left in alone.left_out} == {"no_forecast"}
    said = with_earlier(issue(-4.0, 0), [issue(-4.0, 9)], NOW - timedelta(hours=30))
    got = correct(of, None, readings, NOW, choices(), said=said, measured=measured)
    assert got.bias_k == pytest.approx(-10.0)
    assert np.array_equal(got.hours.air_c[measured], of.air_c[measured])
    assert got.hours.air_c[math.floor(at(NOW)) + 1] < -10.0


# What counts ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "why"),
    [
        (read(-60.1, 0.5), "outside"),
        (read(50.1, 0.5), "outside"),
        (read(math.nan, 0.5), "outside"),
        (read(-10.0, -6 / 60), "ahead"),
        (read(-10.0, 7.02), "old"),
        (read(-10.0, 30.02), "old"),
        (read(-25.1, 0.5), "far_from_forecast"),
        (read(5.1, 0.5), "far_from_forecast"),
    ],
)
def test_a_reading_that_cannot_be_right_is_left_out_with_its_reason(one: AirReading, why: str) -> None:
    others = read(-12.0, 2.0), read(-12.0, 1.0)
    got = found(hours(-10.0), *others, one)
    assert [left.why for left in got.left_out] == [why]
    assert [counted.reading for counted in got.counted] == list(others)
    assert got.bias_k == pytest.approx(-2.0)


@pytest.mark.parametrize("one", [read(-12.0, 8.0), read(-25.0, 0.5), read(5.0, 0.5), read(-10.0, -5 / 60)])
def test_a_reading_at_the_edge_counts(one: AirReading) -> None:
    got = found(hours(-10.0), read(-12.0, 2.0), one)
    assert (len(got.counted), got.left_out) == (2, ())


@pytest.mark.parametrize("limit_c", [-60.0, 50.0])
def test_the_coldest_and_the_warmest_air_count(limit_c: float) -> None:
    got = found(hours(limit_c), read(limit_c, 1.0), read(limit_c, 0.0))
    assert len(got.counted) == 2


def test_no_forecast_for_the_time_of_a_reading() -> None:
    holed = hours(changed(np.full(HOURS, -10.0), at(NOW) - 1, np.nan), dew_c=np.full(HOURS, -16.0))
    got = found(holed, read(-12.0, 3.0), read(-12.0, 2.0), read(-12.0, 0.5))
    assert [(left.why, left.forecast_c) for left in got.left_out] == [("no_forecast", None)]
    assert np.isnan(got.hours.air_c[at(NOW) - 1])
    assert not np.isnan(got.hours.dew_c[at(NOW) - 1])


@pytest.mark.parametrize(
    ("readings", "outcome"),
    [
        ((), "no_readings"),
        ((read(-12.0, 25.0), read(-12.0, 24.02)), "no_readings"),
        ((read(-12.0, 25.0), read(-12.0, 24.0)), "corrected"),
        ((read(-12.0, 0.5),), "too_few"),
        ((read(-12.0, 0.5), read(-12.0, 6.52)), "too_few"),
        ((read(-12.0, 0.5), read(-12.0, 0.5 + 9.9 / 60)), "too_close"),
        (tuple(read(-12.0, n / 60) for n in range(9)), "too_close"),
        ((read(-12.0, 0.5), read(-12.0, 0.5 + 10 / 60)), "corrected"),
        ((read(-12.0, 2.0), read(-8.0, 2.0), read(-8.0, 0.0)), "not_colder"),
        ((read(-10.0, 1.0), read(-10.0, 0.0)), "not_colder"),
    ],
)
def test_too_few_or_too_close_give_no_correction(readings: Sequence[AirReading], outcome: str) -> None:
    raw = hours(-10.0)
    got = found(raw, *readings)
    assert got.outcome == outcome
    assert (got.hours is raw) == (outcome != "corrected")
    assert (got.until_utc is None) == (outcome != "corrected")
    assert (got.bias_k is None) == (outcome not in ("corrected", "not_colder"))


def test_the_switch_shows_the_bias_and_changes_nothing() -> None:
    raw = hours(-10.0)
    got = found(raw, read(-12.0, 1.0), read(-12.0, 0.0), correct_forecast=False)
    assert (got.outcome, got.bias_k, got.until_utc) == ("off", pytest.approx(-2.0), None)
    assert got.hours is raw


# The safe side --------------------------------------------------------------------------------------------------------

readings_of = st.lists(st.builds(read, st.floats(-50.0, 45.0), st.floats(-0.05, 8.0)), max_size=8)


def test_a_warmer_site_makes_no_hour_warmer() -> None:
    raw = hours(-10.0)
    with_members = members(raw, [0.0, 2.0])
    got = found(raw, read(-4.0, 1.0), read(-3.0, 0.0), ensemble=with_members)
    assert got.bias_k is not None
    assert got.bias_k > 6.0
    assert got.hours is raw
    assert got.members is with_members


@given(skies, readings_of, st.booleans())
def test_no_hour_comes_out_warmer_or_moister_and_the_rest_stays(
    raw: Hours, readings: Sequence[AirReading], on: bool
) -> None:
    before = {one.name: np.copy(getattr(raw, one.name)) for one in fields(Hours) if one.name != "start_utc"}
    ensemble = members(raw, [0.0, 3.0, -2.0])
    got = found(raw, *readings, ensemble=ensemble, correct_forecast=on)
    assert got.members is not None
    for old, new in ((raw, got.hours), (ensemble, got.members)):
        assert np.all(new.air_c <= old.air_c)  # type: ignore[attr-defined]
        assert np.all(new.dew_c <= old.dew_c)  # type: ignore[attr-defined]
        moved = new.air_c < old.air_c  # type: ignore[attr-defined]
        assert np.all(new.dew_c[moved] <= new.air_c[moved])  # type: ignore[attr-defined]
        assert np.array_equal(new.dew_c[~moved], old.dew_c[~moved])  # type: ignore[attr-defined]
    for name, values in before.items():
        assert np.array_equal(getattr(raw, name), values), "the hours that were given are untouched"
        if name not in ("air_c", "dew_c"):
            assert getattr(got.hours, name) is getattr(raw, name)
    assert got.members.wind_10m_ms is ensemble.wind_10m_ms
    assert got.members.cloud is ensemble.cloud
    assert got.members.air_c - ensemble.air_c == pytest.approx(
        np.broadcast_to(got.hours.air_c - raw.air_c, ensemble.air_c.shape), abs=1e-5
    ), "members take the same shift"
    shift = got.hours.air_c - raw.air_c
    assert np.all(shift >= min(0.0, got.bias_k or 0.0) - 1e-9)
    assert len(got.counted) + len(got.left_out) == len(readings)
    if got.bias_k is not None:
        errors = [one.error_k for one in got.counted]
        assert min(errors) - 1e-9 <= got.bias_k <= max(errors) + 1e-9


@given(readings_of, st.randoms())
def test_the_order_of_the_readings_does_not_matter(readings: Sequence[AirReading], random: Any) -> None:
    shuffled = list(readings)
    random.shuffle(shuffled)
    one, other = (found(hours(-10.0), *of) for of in (readings, shuffled))
    assert (one.bias_k, one.outcome) == (pytest.approx(other.bias_k), other.outcome)


@given(st.integers(0, HOURS - 1), readings_of)
def test_missing_stays_missing(hole: int, readings: Sequence[AirReading]) -> None:
    air = changed(np.full(HOURS, -10.0), hole, np.nan)
    raw = hours(air, dew_c=changed(np.full(HOURS, -11.0), (hole + 5) % HOURS, np.nan))
    got = found(raw, *readings)
    assert np.array_equal(np.isnan(got.hours.air_c), np.isnan(raw.air_c))
    assert np.array_equal(np.isnan(got.hours.dew_c), np.isnan(raw.dew_c))


@given(
    plain_joints,
    skies,
    st.lists(st.tuples(st.floats(-14.0, 14.0), st.floats(0.0, 6.0)), min_size=2, max_size=5),
    st.none() | st.builds(reading, st.floats(-25.0, 40.0)),
)
@settings(max_examples=60)
def test_readings_of_the_air_turn_no_heat_call_into_no_heat(
    one: Any, raw: Hours, read_k: Sequence[tuple[float, float]], on_steel: Reading | None
) -> None:
    """Colder or warmer than the forecast: a joint that is not `no_heat` without them is not `no_heat` with them."""
    readings = []
    for error_k, hours_ago in read_k:
        forecast_c = forecast_at_c(raw, NOW - timedelta(hours=hours_ago))
        assert forecast_c is not None
        readings.append(read(forecast_c + error_k, hours_ago))
    got = found(raw, *readings)
    steel = () if on_steel is None else (on_steel,)
    (before,), (after,) = (plan(one, of, readings=steel).joints for of in (raw, got.hours))
    assert SOFTNESS[after.call] <= SOFTNESS[before.call]
    assert SOFTNESS[after.call_by_air] <= SOFTNESS[before.call_by_air]
    if before.steel is not None and after.steel is not None and after.window_start_utc <= before.window_start_utc:
        assert after.steel.likely_c <= before.steel.likely_c + 1e-6
