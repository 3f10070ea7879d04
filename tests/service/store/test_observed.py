from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import Engine

from frostshift_rules.job import Site
from frostshift_rules.surroundings import Hours
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.observed import load_observed, put_observed
from frostshift_service.store.records import ObservedHours, UnknownSite
from frostshift_service.store.sites import save_site

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
NAN = float("nan")
SERIES = [field.name for field in fields(Hours) if field.name != "start_utc"]


def observed(first: int, air_c: list[float], station: str = "XTWN", now: datetime = NOW) -> ObservedHours:
    """Hours from `first` hours after NOW on."""
    columns = {name: np.full(len(air_c), NAN) for name in SERIES} | {"air_c": np.array(air_c, dtype=float)}
    return ObservedHours(station, f"Station {station}", 11.1, -9.0, now, Hours(NOW + first * HOUR, **columns))


def put(store: Engine, site: Site, *rows: ObservedHours) -> None:
    for row in rows:
        with writing(store) as session:
            put_observed(session, site.id, row, site.latitude, site.longitude, site.altitude_m)


def air(store: Engine, first: int, last: int) -> list[float] | None:
    with reading(store) as session:
        found = load_observed(session, "ore-shed", NOW + first * HOUR, NOW + last * HOUR)
    if found is None:
        return None
    assert found.hours.start_utc == NOW + first * HOUR
    return [round(value, 9) for value in found.hours.air_c.tolist()]


def test_what_was_measured_comes_back_for_a_span(sited: Engine, site: Site) -> None:
    assert air(sited, -3, 0) is None
    put(sited, site, observed(-3, [-1.0, NAN, -3.0]))
    with reading(sited) as session:
        found = load_observed(session, site.id, NOW - 5 * HOUR, NOW)
    assert found is not None
    np.testing.assert_array_equal(found.hours.air_c, [NAN, NAN, -1.0, NAN, -3.0, NAN])
    assert np.isnan(found.hours.cloud).all()
    assert replace(found, hours=None) == ObservedHours("XTWN", "Station XTWN", 11.1, -9.0, NOW, None)  # type: ignore[arg-type]
    assert air(sited, 0, 3) is None, "no hour of the span"
    assert air(sited, -2, -2) is None, "a hole is no hour"


def test_the_newest_value_stands_and_a_missing_one_leaves_the_old(sited: Engine, site: Site) -> None:
    put(sited, site, observed(-4, [-1.0, -2.0, -3.0]), observed(-3, [NAN, -30.0, -40.0], now=NOW + HOUR))
    assert air(sited, -4, -1) == [-1.0, -2.0, -30.0, -40.0]
    put(sited, site, observed(-9, [-9.0], now=NOW - HOUR))
    with reading(sited) as session:
        found = load_observed(session, site.id, NOW - 9 * HOUR, NOW)
    assert found is not None
    np.testing.assert_array_equal(found.hours.air_c, [-9.0, *[NAN] * 4, -1.0, -2.0, -30.0, -40.0, NAN])
    assert found.fetched_utc == NOW + HOUR, "of the newest fetch"


def test_what_was_fetched_later_stands_whatever_a_slower_copy_brings(sited: Engine, site: Site) -> None:
    put(sited, site, observed(-3, [NAN, -30.0, -40.0], now=NOW + HOUR), observed(-4, [-1.0, -2.0, -3.0, -4.0]))
    assert air(sited, -4, -1) == [-1.0, -2.0, -30.0, -40.0]


def test_hours_beyond_three_days_are_thinned(sited: Engine, site: Site) -> None:
    put(sited, site, observed(-73, [-73.0, -72.0, -71.0]))
    assert air(sited, -73, -73) is None
    assert air(sited, -72, -71) == [-72.0, -71.0]
    put(sited, site, observed(0, [-1.0], now=NOW + 90 * timedelta(minutes=1)))
    assert air(sited, -72, -71) is None
    assert air(sited, -70, -70) is None
    put(sited, site, observed(-80, [-80.0]))
    assert air(sited, -80, -80) is None, "nothing left of it is nothing kept"


def test_stations_are_not_mixed(sited: Engine, site: Site) -> None:
    put(sited, site, observed(-3, [-1.0, -2.0], "XLKE"), observed(-2, [-50.0], "XTWN", NOW + HOUR))
    np.testing.assert_array_equal(air(sited, -3, -2), [NAN, -50.0])
    assert air(sited, -3, -3) == [-1.0], "the newer station has none of the span"
    put(sited, site, observed(75, [-5.0], "XTWN", NOW + 76 * HOUR))
    assert air(sited, -3, -3) is None, "a station not fetched for three days goes"


def test_a_site_that_moves_starts_without(sited: Engine, site: Site) -> None:
    put(sited, site, observed(-3, [-1.0]))
    moved = replace(site, longitude=site.longitude - 0.5)
    with writing(sited) as session:
        save_site(session, moved)
    assert air(sited, -3, -3) is None
    put(sited, moved, observed(-2, [-2.0]))
    np.testing.assert_array_equal(air(sited, -3, -2), [NAN, -2.0])


@pytest.mark.parametrize(("before_m", "after_m"), [(430.0, 1430.0), (430.0, None), (None, 430.0)])
def test_a_site_whose_height_is_corrected_starts_without(
    sited: Engine, site: Site, before_m: float | None, after_m: float | None
) -> None:
    low, high = (replace(site, altitude_m=height) for height in (before_m, after_m))
    with writing(sited) as session:
        save_site(session, low)
    put(sited, low, observed(-3, [-1.0]))
    assert air(sited, -3, -3) == [-1.0]
    with writing(sited) as session:
        save_site(session, high)
    assert air(sited, -3, -3) is None
    put(sited, high, observed(-2, [-2.0]))
    np.testing.assert_array_equal(air(sited, -3, -2), [NAN, -2.0])
    with writing(sited) as session:
        save_site(session, low)
    assert air(sited, -3, -2) is None, "those of another height are gone"


def test_no_site(store: Engine, site: Site) -> None:
    with pytest.raises(UnknownSite, match="there is no site 'ore-shed'"):
        put(store, site, observed(-3, [-1.0]))
