"""The raw grid over random layouts of its intervals: totals are conserved, no hour is invented, none is lost.

The check expands by itself, hour by hour in a dictionary, and shares nothing with the parser.
"""

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_service.weather import FeedError, nws

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
HOUR = timedelta(hours=1)
Interval = tuple[int, int, float | None]
"""First hour from NOW's, hours, value."""


def duration(hours: int, plain: bool) -> str:
    """Both ways to write it: `PT30H`, or `P1DT6H`."""
    if plain:
        return f"PT{hours}H"
    days, rest = divmod(hours, 24)
    return "P" + (f"{days}D" if days else "") + (f"T{rest}H" if rest else "")


@st.composite
def layouts(draw: st.DrawFn, values: st.SearchStrategy[float]) -> list[Interval]:
    """Intervals with holes between them, some of them null; in order and without overlaps."""
    at = draw(st.integers(-9, 30))
    found: list[Interval] = []
    for _ in range(draw(st.integers(0, 12))):
        at += draw(st.sampled_from([0, 0, 0, 1, 5]))
        hours = draw(st.integers(1, 30))
        found.append((at, hours, draw(st.none() | values)))
        at += hours
    return found


def layer(unit: str, intervals: list[Interval], plain: bool) -> dict[str, Any]:
    start = NOW.replace(minute=0)
    values = [
        {"validTime": f"{(start + first * HOUR).isoformat()}/{duration(hours, plain)}", "value": value}
        for first, hours, value in intervals
    ]
    return {"uom": f"wmoUnit:{unit}", "values": values} if values else {"values": []}


def known(intervals: list[Interval]) -> dict[int, float]:
    return {
        hour: value for first, hours, value in intervals if value is not None for hour in range(first, first + hours)
    }


# Within 10 K, so that no hour is refused as a jump.
AIR = layouts(st.integers(-12, -2).map(float))
AMOUNT = layouts(st.floats(0.0, 90.0).map(lambda mm: round(mm, 3)))
CLOUD = layouts(st.integers(0, 100).map(float))


@settings(deadline=None)
@given(AIR, AMOUNT, AMOUNT, CLOUD, st.booleans())
def test_totals_are_conserved_and_no_hour_is_invented_or_lost(
    air: list[Interval], rain: list[Interval], snow: list[Interval], cloud: list[Interval], plain: bool
) -> None:
    properties = {
        "updateTime": NOW.isoformat(),
        "temperature": layer("degC", air, plain),
        "quantitativePrecipitation": layer("mm", rain, plain),
        "snowfallAmount": layer("mm", snow, plain),
        "skyCover": layer("percent", cloud, plain),
    }
    degrees = known(air)
    if not any(hour >= 0 for hour in degrees):
        with pytest.raises(FeedError, match="no air temperature|no usable air temperature"):
            nws.parse({"properties": properties}, NOW)
        return
    hours = nws.parse({"properties": properties}, NOW).hours
    first = round((hours.start_utc - NOW.replace(minute=0)) / HOUR)
    axis = range(first, first + len(hours))
    assert first == min(degrees)
    ends = [start + length for intervals in (air, rain, snow, cloud) for start, length, _ in intervals]
    assert axis.stop == max(ends), "the axis ends with the last interval of any layer"

    for column, expected in ((hours.air_c, degrees), (100.0 * hours.cloud, known(cloud))):
        for index, hour in enumerate(axis):
            np.testing.assert_allclose(column[index], expected.get(hour, math.nan), rtol=1e-12)
    for column, intervals, per_mm in ((hours.precip_mm, rain, 1.0), (hours.snow_cm, snow, 0.1)):
        inside = 0.0
        for start, length, value in intervals:
            rows = [hour - first for hour in range(start, start + length) if hour >= first]
            if value is None:
                assert np.isnan(column[rows]).all(), "null is unknown, not dry"
                continue
            share = per_mm * value * len(rows) / length
            np.testing.assert_allclose(column[rows].sum(), share, rtol=1e-9, atol=1e-12)
            inside += share
        np.testing.assert_allclose(np.nansum(column), inside, rtol=1e-9, atol=1e-9)
        told = {hour for hour in known(intervals) if hour >= first}
        assert {axis[i] for i in np.flatnonzero(np.isfinite(column))} == told


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=12,
)
VALID_TIMES = st.builds(
    lambda first, rest: f"{(NOW.replace(minute=0) + first * HOUR).isoformat()}/{rest}",
    st.integers(-200, 200),
    st.sampled_from(["PT1H", "PT6H", "P1D", "P7DT13H", "PT0H", "PT30M", "P1W", "P1M", "", "PT1H/PT1H", "P999D", "NOW"]),
) | st.text(max_size=12)
LAYERS = st.fixed_dictionaries(
    {
        "uom": st.sampled_from(["wmoUnit:degC", "wmoUnit:mm", "unit:percent", "wmoUnit:km_h-1", "", None]),
        "values": st.lists(st.fixed_dictionaries({"validTime": VALID_TIMES, "value": JSON}), max_size=5) | JSON,
    }
)


@settings(max_examples=200, deadline=None)
@given(JSON | st.dictionaries(st.sampled_from([*nws.LAYERS, "updateTime"]), LAYERS | JSON, max_size=6))
def test_random_payloads_raise_nothing_but_feed_errors(properties: Any) -> None:
    try:
        hours = nws.parse({"properties": properties}, NOW).hours
    except FeedError:
        return
    assert np.isfinite(hours.air_c).any()


def test_the_example_through_the_same_check() -> None:
    """1.524 mm from 18:00 over six hours: four of them lie after the first air temperature at 20:00."""
    hours = nws.parse(json.loads((FIXTURES / "nws_example.json").read_text(encoding="utf-8")), NOW).hours
    np.testing.assert_allclose(np.nansum(hours.precip_mm), 1.524 * 4 / 6)
