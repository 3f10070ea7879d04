"""What holds for steel temperature whatever the weather."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.steel import SteelClass, SteelForecast, predict, steel_class
from frostshift_rules.surroundings import Floats, Hours, Surroundings

checked = settings(max_examples=40, deadline=None)
START = datetime(2025, 12, 6, 15, tzinfo=UTC)
UNDER_DECK = Surroundings(0.0)

thicknesses = st.floats(3.0, 200.0)
surroundings = st.builds(
    Surroundings,
    sky_view=st.sampled_from([0.0, 0.5, 1.0]),
    wind_factor=st.floats(0.2, 1.5),
    shelter_wind_ms=st.none() | st.floats(0.0, 3.0),
    sun=st.booleans(),
)
classes = st.lists(st.builds(steel_class, thicknesses, surroundings), min_size=1, max_size=6)


@st.composite
def weathers(draw: st.DrawFn, gaps: bool = False, least: int = 1) -> Hours:
    """Random hours; with `gaps` any value may be missing."""
    count = draw(st.integers(least, 30))

    def series(low: float, high: float) -> Floats:
        value = st.floats(low, high)
        values = st.just(float("nan")) | value if gaps and draw(st.booleans()) else value
        return np.array(draw(st.lists(values, min_size=count, max_size=count)))

    air = series(-40.0, 20.0)
    return Hours(
        START,
        air_c=air,
        dew_c=air - series(0.0, 12.0),
        wind_10m_ms=series(0.0, 20.0),
        cloud=series(0.0, 1.0),
        precip_mm=series(0.0, 1.0),
        snow_cm=np.zeros(count),
        gust_10m_ms=np.zeros(count),
        sun_wm2=series(0.0, 300.0),
    )


def forecast(hours: Hours, of: list[SteelClass], **changes: Any) -> SteelForecast:
    settings = {"latitude": 60.0, "longitude": 10.0, "h_band": 0.3, "least_rain_mm_h": 0.2}
    return predict(hours, of, **(settings | changes))


def same(a: SteelForecast, b: SteelForecast) -> bool:
    return all(np.array_equal(getattr(a, f.name), getattr(b, f.name), equal_nan=f.name[0] in "scw") for f in fields(a))


@checked
@given(weathers(), thicknesses, st.none() | st.floats(-40.0, 20.0))
def test_without_radiation_steel_stays_between_the_temperatures_it_has_seen(
    hours: Hours, thickness_mm: float, start_c: float | None
) -> None:
    got = forecast(hours, [steel_class(thickness_mm, UNDER_DECK)], start_c=start_c)
    seen = hours.air_c.copy()
    seen[0] = got.steel_c[0, 0]
    coldest = np.minimum.accumulate(np.minimum(seen, hours.air_c))
    warmest = np.maximum.accumulate(np.maximum(seen, hours.air_c))
    for values in (got.steel_c[0], got.coldest_c[0], got.warmest_c[0]):
        assert (values >= coldest - 1e-6).all()
        assert (values <= warmest + 1e-6).all()


@checked
@given(weathers(), thicknesses, thicknesses)
def test_thicker_steel_lags_more_in_a_front(hours: Hours, one_mm: float, other_mm: float) -> None:
    falling = np.sort(hours.air_c)[::-1]
    hours = replace(hours, air_c=falling, dew_c=falling - 2.0)
    thin, thick = (steel_class(mm, UNDER_DECK) for mm in sorted((one_mm, other_mm)))
    got = forecast(hours, [thin, thick])
    assert (got.steel_c[1] >= got.steel_c[0] - 1e-6).all()
    assert (got.start_weight[1] >= got.start_weight[0]).all()


@checked
@given(weathers(gaps=True), classes)
def test_the_envelope_holds_the_likely_figure(hours: Hours, of: list[SteelClass]) -> None:
    got = forecast(hours, of, start_c=-12.0)
    known = ~np.isnan(got.steel_c)
    for values in (got.coldest_c, got.warmest_c, got.start_weight):
        assert (np.isnan(values) == ~known).all()
    assert (got.coldest_c[known] <= got.steel_c[known]).all()
    assert (got.warmest_c[known] >= got.steel_c[known]).all()
    assert not (got.frost & ~got.wet).any()
    assert not got.wet[~known].any()
    needed = np.isnan(hours.air_c) | np.isnan(hours.dew_c)
    for row, steel in enumerate(of):
        windless = np.isnan(hours.wind_10m_ms) & (steel.surroundings.shelter_wind_ms is None)
        assert (~known[row] == (needed | windless)).all()


@checked
@given(weathers(gaps=True), classes, st.data())
def test_classes_do_not_touch_each_other(hours: Hours, of: list[SteelClass], data: st.DataObject) -> None:
    chosen = data.draw(st.lists(st.integers(0, len(of) - 1), min_size=1, max_size=4, unique=True))
    anchors = {chosen[0]: (data.draw(st.floats(0.0, len(hours) - 1.0)), 3.0)}
    whole = forecast(hours, of, anchors=anchors)
    subset = forecast(hours, [of[i] for i in chosen], anchors={0: anchors[chosen[0]]})
    for field in fields(whole):
        ours, theirs = getattr(subset, field.name), getattr(whole, field.name)[chosen]
        # Whether another class has sun decides which steps are shared, never what they are.
        assert np.array_equal(np.isnan(ours), np.isnan(theirs))
        assert np.array_equal(np.nan_to_num(ours), np.nan_to_num(theirs))


@checked
@given(weathers(gaps=True), classes, st.integers(-1000, 1000))
def test_a_shift_in_time_changes_nothing_where_the_feed_gives_the_sun(
    hours: Hours, of: list[SteelClass], days: int
) -> None:
    hours = replace(hours, sun_wm2=np.nan_to_num(hours.sun_wm2))
    later = replace(hours, start_utc=START + timedelta(days=days))
    assert same(forecast(hours, of), forecast(later, of))


@checked
@given(weathers(least=2), classes, st.data())
def test_hours_to_come_change_nothing_before_them(hours: Hours, of: list[SteelClass], data: st.DataObject) -> None:
    cut = data.draw(st.integers(1, len(hours) - 1))
    head = replace(hours, **{f.name: getattr(hours, f.name)[:cut] for f in fields(hours) if f.name != "start_utc"})
    whole, part = forecast(hours, of), forecast(head, of)
    assert np.array_equal(whole.steel_c[:, :cut], part.steel_c)
    assert np.array_equal(whole.coldest_c[:, :cut], part.coldest_c)


@checked
@given(weathers(), classes, st.floats(-60.0, -41.0), st.floats(-60.0, -41.0))
def test_start_weight_is_what_is_left_of_the_start(
    hours: Hours, of: list[SteelClass], one_c: float, other_c: float
) -> None:
    one, other = (forecast(hours, of, start_c=start, h_band=0.0) for start in (one_c, other_c))
    assert np.allclose(other.steel_c - one.steel_c, (other_c - one_c) * one.start_weight, atol=1e-9)
    banded = forecast(hours, of, start_c=one_c)
    assert (banded.start_weight >= one.start_weight - 1e-15).all()
    assert (one.start_weight[:, 0] == 1.0).all()
    assert (np.diff(one.start_weight, axis=1) <= 0.0).all()


@checked
@given(weathers(), classes, st.floats(-30.0, 30.0), st.data())
def test_a_reading_resets_its_class_alone(
    hours: Hours, of: list[SteelClass], steel_c: float, data: st.DataObject
) -> None:
    hours = replace(hours, precip_mm=np.zeros(len(hours)))
    index = data.draw(st.integers(0, len(of) - 1))
    stamp = data.draw(st.integers(0, len(hours) - 1))
    got, without = forecast(hours, of, anchors={index: (float(stamp), steel_c)}), forecast(hours, of)
    for values in (got.steel_c, got.coldest_c, got.warmest_c):
        assert values[index, stamp] == steel_c
    assert (got.start_weight[index, stamp:] == 0.0).all()
    assert np.array_equal(got.steel_c[index, :stamp], without.steel_c[index, :stamp])
    others = [i for i in range(len(of)) if i != index]
    assert np.array_equal(got.steel_c[others], without.steel_c[others])
    assert np.array_equal(got.start_weight[others], without.start_weight[others])


@checked
@given(weathers(least=3), st.data())
def test_after_a_hole_the_chain_is_that_of_the_hours_after_it(hours: Hours, data: st.DataObject) -> None:
    hole = data.draw(st.integers(1, len(hours) - 2))
    of = [steel_class(40.0, Surroundings(1.0))]
    holed = replace(hours, air_c=np.where(np.arange(len(hours)) == hole, np.nan, hours.air_c))
    tail = replace(
        hours, **{f.name: getattr(hours, f.name)[hole + 1 :] for f in fields(hours) if f.name != "start_utc"}
    )
    whole, part = forecast(holed, of, start_c=-10.0), forecast(tail, of, start_c=-10.0)
    assert np.array_equal(whole.steel_c[:, hole + 1 :], part.steel_c)
    assert np.array_equal(whole.start_weight[:, hole + 1 :], part.start_weight)


@checked
@given(weathers(), thicknesses, st.floats(0.0, 1.0), st.floats(0.0, 20.0))
def test_more_cloud_is_never_colder(hours: Hours, thickness_mm: float, share: float, wind: float) -> None:
    # In a steady wind: where the wind springs up from calm within an hour the step's own error is larger.
    hours = replace(hours, wind_10m_ms=np.full(len(hours), wind))
    of = [steel_class(thickness_mm, Surroundings(1.0))]
    cloudier = replace(hours, cloud=hours.cloud + share * (1.0 - hours.cloud))
    assert (forecast(cloudier, of).steel_c >= forecast(hours, of).steel_c - 1e-9).all()
