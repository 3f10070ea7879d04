"""The run-in by source: order, whole hours, what is missing; worked out by hand."""

from dataclasses import fields
from datetime import UTC, datetime, timedelta

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.surroundings import Hours
from frostshift_service.weather.past import Source, run_in

NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
THIS_HOUR = datetime(2027, 1, 14, 20, tzinfo=UTC)
HOUR = timedelta(hours=1)
NAN = float("nan")
SERIES = [field.name for field in fields(Hours) if field.name != "start_utc"]


def hours(first: int, air_c: list[float], other: float = 1.0) -> Hours:
    """Hours from `first` hours after the present one on; every other series holds `other`."""
    columns = {name: np.full(len(air_c), other) for name in SERIES} | {"air_c": np.array(air_c, dtype=float)}
    return Hours(THIS_HOUR + first * HOUR, **columns)


def test_the_order_by_hand() -> None:
    stored = hours(-5, [-50.0, NAN, -52.0, NAN], other=0.1)
    forecast = hours(-3, [-60.0, -61.0, NAN, -63.0, -64.0, NAN], other=0.2)
    observed = hours(-6, [-70.0, -71.0, -72.0, -73.0, -74.0, -75.0, -76.0, -77.0], other=0.3)
    result = run_in(stored, forecast, observed, NOW, keep_hours=8)
    assert result.hours.start_utc == THIS_HOUR - 6 * HOUR, "from the first known hour on"
    np.testing.assert_array_equal(result.hours.air_c, [-70, -50, -72, -52, -61, -75, -63, -64, NAN])
    assert result.source.tolist() == [3, 1, 3, 1, 2, 3, 2, 2, 2]
    # A whole hour comes from one source.
    np.testing.assert_array_equal(result.hours.cloud, [0.3, 0.1, 0.3, 0.1, 0.2, 0.3, 0.2, 0.2, 0.2])
    assert result.missing == 2, "eight hours before the present one are looked for, and it itself"
    assert [result.count(source) for source in Source] == [0, 2, 4, 3]


def test_an_hour_to_come_is_the_forecasts_alone() -> None:
    result = run_in(hours(0, [-5.0] * 4), hours(1, [-1.0, NAN, -3.0]), hours(0, [-9.0] * 4), NOW, keep_hours=2)
    np.testing.assert_array_equal(result.hours.air_c, [-5.0, -1.0, NAN, -3.0])
    assert result.source.tolist() == [1, 2, 2, 2]


def test_holes_stay_holes() -> None:
    result = run_in(hours(-6, [-5.0]), hours(-2, [-1.0, NAN, -3.0]), None, NOW, keep_hours=6)
    np.testing.assert_array_equal(result.hours.air_c, [-5.0, NAN, NAN, NAN, -1.0, NAN, -3.0])
    assert result.source.tolist() == [1, 0, 0, 0, 2, 0, 2]
    assert result.missing == 4


def test_a_forecast_that_starts_later_or_has_run_out() -> None:
    later = run_in(None, hours(3, [-1.0]), hours(-1, [-7.0, -8.0]), NOW, keep_hours=2)
    np.testing.assert_array_equal(later.hours.air_c, [-7.0, -8.0, NAN, NAN, -1.0])
    assert later.source.tolist() == [3, 3, 2, 2, 2]
    over = run_in(None, hours(-9, [-1.0]), None, NOW, keep_hours=2)
    assert (over.hours.start_utc, over.missing) == (THIS_HOUR - 9 * HOUR, 9)
    nothing = run_in(None, hours(-1, [NAN]), None, NOW, keep_hours=2)
    assert np.isnan(nothing.hours.air_c).all()
    assert nothing.missing == 3


LAYERS = st.builds(
    hours, st.integers(-30, 5), st.lists(st.just(NAN) | st.floats(-30.0, 0.0), min_size=1, max_size=30), st.floats(0, 1)
)


@given(st.none() | LAYERS, LAYERS, st.none() | LAYERS, st.integers(0, 30))
def test_every_hour_is_a_sources_own(stored: Hours | None, forecast: Hours, observed: Hours | None, keep: int) -> None:
    result = run_in(stored, forecast, observed, NOW, keep_hours=keep)
    layers = {Source.STORED: stored, Source.FEED: forecast, Source.STATION: observed}
    assert len(result.source) == len(result.hours)
    for index, kind in enumerate(result.source.tolist()):
        at = result.hours.time_utc(index)
        theirs = layers.get(Source(kind))
        place = None if theirs is None else round((at - theirs.start_utc) / HOUR)
        for name in SERIES:
            value = NAN
            if theirs is not None and place is not None and 0 <= place < len(theirs):
                value = getattr(theirs, name)[place]
            np.testing.assert_equal(getattr(result.hours, name)[index], value)
        assert kind != Source.STATION or at <= NOW
