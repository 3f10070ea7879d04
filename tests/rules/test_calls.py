"""Doubt, windows and calls: what is decided on which side, with hand-made temperatures."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.calls import Judged, Sides, doubt_k, heat_call, judge, least_in_windows, windows, with_doubt
from frostshift_rules.surroundings import Floats

from .plan_builders import FIRST, choices


def judged(cold_c: list[float], threshold_c: float = 10.0, warm_by_k: float = 6.0) -> Judged:
    """One joint of one part whose window is all of the hours."""
    cold = np.array([cold_c])
    span = windows(np.array([0.0]), np.array([len(cold_c) - 1.0]), len(cold_c))
    return judge(Sides(cold, cold + warm_by_k / 2.0, cold + warm_by_k), np.array([threshold_c]), span)


# Doubt ------------------------------------------------------------------------------------------------------------


def test_doubt_is_the_sites_choice_within_a_day_and_grows_by_the_day_after_it() -> None:
    half = doubt_k(FIRST, 73, FIRST, 0.0, choices(doubt_k=3.0, doubt_per_day_k=0.5))
    assert half[[0, 24, 36, 48, 72]].tolist() == [3.0, 3.0, 3.25, 3.5, 4.0]


def test_lead_counts_from_the_issue_and_not_from_the_first_hour() -> None:
    plain = choices()
    old = doubt_k(FIRST, 30, FIRST - timedelta(hours=24), 0.0, plain)
    assert old[12] == pytest.approx(plain.doubt_k + 0.5 * plain.doubt_per_day_k)
    past = doubt_k(FIRST, 30, FIRST + timedelta(hours=48), 0.0, plain)
    assert np.all(past == plain.doubt_k)  # hours before the issue are no surer than the rest


def test_lateness_widens_every_hour_alike() -> None:
    plain = choices()
    late = doubt_k(FIRST, 60, FIRST, 4.0, plain)
    assert late - doubt_k(FIRST, 60, FIRST, 0.0, plain) == pytest.approx(4.0 * plain.doubt_per_late_hour_k)


def test_doubt_of_forecast_and_model_add_as_squares() -> None:
    # 3-4-5 triangle.
    sides = with_doubt(np.array([0.0]), np.array([-4.0]), np.array([0.0]), np.array([3.0]))
    assert (sides.cold_c[0], sides.likely_c[0], sides.warm_c[0]) == (-5.0, 0.0, 3.0)


spread = st.floats(0.0, 30.0)


@given(spread, spread, st.floats(0.0, 12.0), st.floats(-40.0, 40.0))
def test_the_doubt_is_never_narrower_than_the_forecasts_nor_than_the_models(
    down: float, up: float, half: float, likely: float
) -> None:
    sides = with_doubt(*(np.array([v]) for v in (likely, likely - down, likely + up, half)))
    assert likely - sides.cold_c[0] >= max(half, down) - 1e-9
    assert sides.warm_c[0] - likely >= max(half, up) - 1e-9


# Windows ----------------------------------------------------------------------------------------------------------


def test_a_window_is_rounded_outwards_to_whole_hours() -> None:
    span = windows(np.array([2.25, 3.0]), np.array([4.1, 4.0]), 10)
    assert [span.index[n][span.inside[n]].tolist() for n in (0, 1)] == [[2, 3, 4, 5], [3, 4]]
    assert not span.missing.any()


@pytest.mark.parametrize(("first", "last", "missing"), [(-0.5, 1.0, 1), (8.0, 9.0, 0), (8.0, 9.1, 1), (-3.0, -2.0, 2)])
def test_hours_before_and_after_the_forecast_are_missing_never_the_nearest(
    first: float, last: float, missing: int
) -> None:
    span = windows(np.array([first]), np.array([last]), 10)
    assert int(span.missing.sum()) == missing


def test_the_coldest_part_counts_hour_by_hour_and_another_joints_window_does_not() -> None:
    values = np.array([[1.0, 5.0, 9.0, 9.0], [4.0, 2.0, 8.0, -7.0]])
    span = windows(np.array([0.0, 3.0]), np.array([2.0, 3.0]), 4)
    least = least_in_windows(values, np.array([0, 1, 1]), np.array([0, 0, 1]), span)
    assert least[0].tolist() == [1.0, 2.0, 8.0]
    assert least[1].tolist() == [-7.0, math.inf, math.inf]


def test_one_part_unknown_makes_the_hour_unknown_however_warm_the_other() -> None:
    values = np.array([[50.0, 50.0], [50.0, math.nan]])
    span = windows(np.array([0.0]), np.array([1.0]), 2)
    least = least_in_windows(values, np.array([0, 1]), np.array([0, 0]), span)
    assert np.isnan(least[0, 1])
    found = judge(Sides(least, least, least), np.array([10.0]), span)
    assert found.unknown[0]
    assert not found.passes[0]
    assert not found.fails[0]
    assert np.isnan(found.cold_c[0])


# Judging ----------------------------------------------------------------------------------------------------------


def test_exactly_on_the_threshold_passes_and_a_hair_below_does_not() -> None:
    assert judged([12.0, 10.0, 12.0]).passes[0]
    assert not judged([12.0, np.nextafter(10.0, 0.0), 12.0]).passes[0]


def test_the_warm_side_exactly_on_the_threshold_does_not_fail() -> None:
    assert not judged([4.0], warm_by_k=6.0).fails[0]
    assert judged([4.0 - 1e-9], warm_by_k=6.0).fails[0]


def test_the_worst_hour_decides() -> None:
    found = judged([20.0, 3.0, 20.0])
    assert found.fails[0]
    assert found.worst[0] == 1
    assert (found.cold_c[0], found.likely_c[0], found.warm_c[0]) == (3.0, 6.0, 9.0)


@pytest.mark.parametrize(
    ("cold_c", "before", "after"),
    [
        pytest.param([12.0, 12.0, 11.0, 9.0, 8.0], 2, -1, id="falls: no heat up to the last hour that passes"),
        pytest.param([9.0, 8.0, 11.0, 12.0, 12.0], -1, 2, id="rises: no heat from the first hour that passes"),
        pytest.param([12.0, 12.0, 9.0, 12.0, 12.0], 1, 3, id="a dip: both"),
        pytest.param([9.0, 12.0, 12.0, 12.0, 9.0], -1, -1, id="passes only in the middle: neither"),
        pytest.param([12.0, 9.0, 9.0, 9.0, 9.0], -1, -1, id="passes at the first hour only, which lies before it"),
        pytest.param([12.0] * 5, -1, -1, id="passes throughout"),
        pytest.param([9.0] * 5, -1, -1, id="never passes"),
        pytest.param([math.nan, 12.0, 9.0, 12.0, 12.0], -1, -1, id="unknown"),
    ],
)
def test_from_when_and_up_to_when_no_heat_would_be_needed(cold_c: list[float], before: int, after: int) -> None:
    found = judged(cold_c)
    assert (int(found.passes_before[0]), int(found.passes_after[0])) == (before, after)


def test_an_unknown_threshold_calls_nothing_failed() -> None:
    assert not judged([5.0], threshold_c=math.nan).fails[0]


# Calls ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("passes", "fails", "floor", "call"),
    [
        (True, False, False, "no_heat"),
        (True, False, True, "no_heat"),
        (False, False, False, "measure"),
        (False, False, True, "measure"),
        (False, True, False, "heat_to_minimum"),
        (False, True, True, "cold_steel_heat"),
    ],
)
def test_no_heat_only_if_the_cold_side_passes_and_heat_only_if_the_warm_side_fails(
    passes: bool, fails: bool, floor: bool, call: str
) -> None:
    assert heat_call(passes=passes, fails=fails, floor_decides=floor) == call


temperatures = st.lists(st.floats(-40.0, 60.0), min_size=1, max_size=12)


@given(temperatures, temperatures, st.floats(-10.0, 50.0))
def test_more_hours_never_soften(some: list[float], more: list[float], threshold_c: float) -> None:
    fewer, longer = judged(some, threshold_c), judged(some + more, threshold_c)
    assert fewer.passes[0] or not longer.passes[0]
    assert longer.fails[0] or not fewer.fails[0]
    assert longer.cold_c[0] <= fewer.cold_c[0]


@given(temperatures, st.integers(0, 11), st.floats(-10.0, 50.0))
def test_any_hour_missing_is_unknown_whatever_the_others(some: list[float], hole: int, threshold_c: float) -> None:
    holed: Floats = np.array(some)
    holed[hole % len(some)] = np.nan
    found = judged(holed.tolist(), threshold_c)
    assert found.unknown[0]
    assert not found.passes[0]
    assert np.isnan(found.likely_c[0])
