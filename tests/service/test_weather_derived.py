"""The sun where a feed gives none: filled in and marked, and what it must not do to a plan."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.job import Joint
from frostshift_rules.plan import make_plan
from frostshift_rules.surroundings import Hours
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import Plan, Weather
from frostshift_service.store.packing import SERIES
from frostshift_service.weather import Forecast
from frostshift_service.weather.derived import fill_sun
from frostshift_service.weather.file import parse
from frostshift_service.weather.quality import Mark, runs_of, same_mark, with_missing, worst

from .weather_site import NWS, TABLE, joint

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2027, 1, 14, 20, 50, tzinfo=UTC)
PLACE = SimpleNamespace(latitude=44.95, longitude=-93.2, altitude_m=251.0)
NAN = float("nan")


def fixture(name: str) -> Forecast:
    return parse(json.loads((FIXTURES / name).read_text(encoding="utf-8")), NOW)


@pytest.mark.parametrize("name", ["nws_long.json", "met_norway_long.json"])
def test_the_sun_is_filled_in_and_marked(name: str) -> None:
    bare = fixture(name)
    assert worst(bare.quality, "sun_wm2") is Mark.MISSING
    filled = fill_sun(bare, PLACE)
    sun_wm2, marks = filled.hours.sun_wm2, filled.quality["sun_wm2"]
    np.testing.assert_array_equal(np.isnan(sun_wm2), marks == Mark.MISSING)
    assert set(marks.tolist()) <= {Mark.ESTIMATED, Mark.MISSING}
    times = pd.date_range(bare.hours.start_utc, periods=len(bare.hours), freq="h")
    at_hour, at_next = (
        pvlib.solarposition.get_solarposition(times + later, PLACE.latitude, PLACE.longitude)["elevation"].to_numpy()
        for later in (pd.Timedelta(0), pd.Timedelta(hours=1))
    )
    night = np.maximum(at_hour, at_next) < 0.0
    day = np.minimum(at_hour, at_next) > 5.0
    assert (sun_wm2[night] == 0.0).all()
    np.testing.assert_array_equal(np.isnan(sun_wm2[day]), np.isnan(bare.hours.cloud[day]))
    assert (sun_wm2[day & np.isfinite(sun_wm2)] > 10.0).all()
    # Nothing else is touched, and the forecast itself stays as it was.
    for field in set(SERIES) - {"sun_wm2"}:
        np.testing.assert_array_equal(getattr(filled.hours, field), getattr(bare.hours, field))
        np.testing.assert_array_equal(filled.quality[field], bare.quality[field])
    assert np.isnan(bare.hours.sun_wm2).all()


def test_noon_by_hand() -> None:
    # 15 January 2027, hour from 18:00 UTC at 44.95 N, 93.2 W. Declination -21° 3' and equation of time -9.2 min
    # (almanac values, from memory): noon at 18:22, so hour angles run from -5.5° to 9.5°, mean of their cosine
    # 1 - (5.5^3 + 9.5^3) / (6 · 15) · (pi / 180)^2 = 0.9965. Mean of sin h =
    # sin 44.95 sin -21.05 + cos 44.95 cos -21.05 · 0.9965 = -0.2538 + 0.6582 = 0.4044; 910 · 0.4044 - 30 = 338 W/m2;
    # half of the sky covered: 1 - 0.75 · 0.5^3.4 = 0.929, so 314 W/m2.
    count = 4
    flat = {name: np.zeros(count) for name in SERIES} | {"cloud": np.full(count, 0.5), "sun_wm2": np.full(count, NAN)}
    hours = Hours(datetime(2027, 1, 15, 18, tzinfo=UTC), **flat)
    filled = fill_sun(Forecast("test", None, NOW, hours, ""), PLACE)
    assert filled.hours.sun_wm2[0] == pytest.approx(314.0, abs=1.0)
    assert runs_of(filled.quality) == {"sun_wm2": (("estimated", 4),)}


def test_what_the_feed_gives_stays_with_its_mark() -> None:
    bare = fixture("nws_long.json")
    given_wm2 = np.where(np.arange(len(bare.hours)) % 3 == 0, 77.0, NAN)
    native = with_missing(same_mark(len(given_wm2)), given_wm2)
    feed = replace(bare, hours=replace(bare.hours, sun_wm2=given_wm2), quality={**bare.quality, "sun_wm2": native})
    filled = fill_sun(feed, PLACE)
    assert (filled.hours.sun_wm2[::3] == 77.0).all()
    assert (filled.quality["sun_wm2"][::3] == Mark.NATIVE).all()
    assert not (filled.quality["sun_wm2"][1::3] == Mark.NATIVE).any()
    twice = fill_sun(filled, PLACE)
    np.testing.assert_array_equal(twice.hours.sun_wm2, filled.hours.sun_wm2)
    np.testing.assert_array_equal(twice.quality["sun_wm2"], filled.quality["sun_wm2"])


# Plans -------------------------------------------------------------------------------------------------------------

MADE = datetime(2027, 3, 20, 12, tzinfo=UTC)
"""A spring morning at the site: the sun is strong and the air still near the minimum."""
FIRST = MADE - timedelta(hours=48)
HOURS = 110


def spring(air_c: float, swing_k: float, damp_k: float, cloud: float) -> Forecast:
    phase = np.cos(2.0 * np.pi * (np.arange(HOURS) - 20 + FIRST.hour) / 24.0)
    air = air_c + swing_k * phase
    columns = {name: np.zeros(HOURS) for name in SERIES} | {
        "air_c": air,
        "dew_c": air - damp_k,
        "wind_10m_ms": np.full(HOURS, 1.0),
        "cloud": np.full(HOURS, cloud),
        "sun_wm2": np.full(HOURS, NAN),
    }
    return Forecast("nws", MADE, MADE, Hours(FIRST, **columns), "")


def planned(forecast: Forecast, joints: list[Joint]) -> Plan:
    weather = Weather("nws", MADE, MADE, "fresh", 0.0, forecast.hours)
    return make_plan(NWS, load_code_table(TABLE), joints, weather, [], MADE)


def joints(thickness_mm: float, **fields: object) -> list[Joint]:
    return [
        joint(f"J{after_h}", thickness_mm, 0.0, start_utc=MADE + timedelta(hours=after_h), exposure="open", **fields)
        for after_h in (2, 8, 14, 26)
    ]


skies = st.builds(spring, st.floats(-4.0, 24.0), st.floats(0.0, 8.0), st.floats(0.1, 8.0), st.floats(0.0, 1.0))


@settings(max_examples=30)
@given(skies, st.sampled_from([10.0, 25.0, 60.0]))
def test_a_filled_sun_turns_nothing_into_no_heat_and_dries_nothing(forecast: Forecast, thickness_mm: float) -> None:
    filled = fill_sun(forecast, NWS)
    assert np.nanmax(filled.hours.sun_wm2) > 100.0
    dark = replace(forecast, hours=replace(forecast.hours, sun_wm2=np.zeros(HOURS)))
    without = planned(dark, joints(thickness_mm))
    with_sun = planned(filled, joints(thickness_mm, sun=True))
    for shade, sunny in zip(without.joints, with_sun.joints, strict=True):
        assert (sunny.call == "no_heat") == (shade.call == "no_heat")
        assert sunny.weather_state == shade.weather_state
        assert [spell.state for spell in sunny.weather_spells] == [spell.state for spell in shade.weather_spells]
        assert sunny.steel is not None
        assert shade.steel is not None
        assert sunny.steel.cold_c == shade.steel.cold_c
    # A joint that does not say sun is planned as if there were none.
    for shade, same in zip(without.joints, planned(filled, joints(thickness_mm)).joints, strict=True):
        assert (same.call, same.weather_state, same.steel) == (shade.call, shade.weather_state, shade.steel)


@settings(max_examples=10)
@given(skies)
def test_filling_in_changes_no_plan(forecast: Forecast) -> None:
    """The rules make the same estimate where the record has none."""
    sunny = joints(25.0, sun=True)
    assert planned(fill_sun(forecast, NWS), sunny).joints == planned(forecast, sunny).joints
