from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine

from frostshift_rules.job import Site
from frostshift_rules.surroundings import Hours, Members
from frostshift_service.store import forecasts
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.packing import SERIES, pack_hours, unpack_hours
from frostshift_service.store.records import FeedRow, KeptForecast, StoreError, UnknownSite
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import ForecastRow

START = datetime(2026, 1, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def hours(start_utc: datetime, air_c: list[float], **series: list[float]) -> Hours:
    """Hours of this air temperature; the other series are missing where not given."""
    missing = np.full(len(air_c), np.nan)
    rest = {name: np.array(series[name]) if name in series else missing for name in SERIES if name != "air_c"}
    return Hours(start_utc, np.array(air_c), **rest)


def same(one: Hours, other: Hours) -> bool:
    return one.start_utc == other.start_utc and all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True) for name in SERIES
    )


def forecast(held: Hours, fetched_utc: datetime = START, feed: str = "nws") -> KeptForecast:
    return KeptForecast(feed, None, fetched_utc, held, b'{"payload": "as it came"}', "Invented weather office")


@given(
    start=st.integers(0, 10**6).map(lambda count: START + count * HOUR),
    block=st.integers(0, 24).flatmap(
        lambda count: st.lists(st.lists(st.floats(), min_size=count, max_size=count), min_size=8, max_size=8)
    ),
)
def test_hours_survive_packing_to_the_last_bit(start: datetime, block: list[list[float]]) -> None:
    given_hours = Hours(start, *map(np.array, block))
    assert same(unpack_hours(pack_hours(given_hours)), given_hours)


@pytest.mark.parametrize("start", [START.replace(minute=30), START.replace(tzinfo=None)])
def test_hours_off_the_hour_are_refused(start: datetime) -> None:
    with pytest.raises(ValueError, match="expected a full hour"):
        pack_hours(hours(start, [1.0]))


def test_series_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        pack_hours(hours(START, [1.0, 2.0], dew_c=[1.0]))


def test_a_series_unknown_when_packed_is_missing_not_zero() -> None:
    packed = pack_hours(hours(START, [-3.5, -4.0], snow_cm=[1.0, 2.0]))
    older = unpack_hours(packed.replace(b'"snow_cm"', b'"hail_mm"'))
    assert np.isnan(older.snow_cm).all()
    assert older.air_c.tolist() == [-3.5, -4.0]


def test_a_forecast_comes_back_as_it_was_kept(sited: Engine) -> None:
    kept = KeptForecast(
        feed="met_norway",
        issued_utc=START - HOUR,
        fetched_utc=START + timedelta(seconds=7.25),
        hours=hours(START, [-12.34, float("nan"), -0.0], cloud=[0.0, float("nan"), 1.0]),
        payload=bytes(range(256)) * 40,
        attribution="Invented weather office",
        warnings=("hour 2 has no air temperature",),
        quality={"air_c": (("native", 1), ("interpolated", 2)), "dew_c": (("missing", 3),)},
    )
    with writing(sited) as session:
        forecast_id = forecasts.keep_forecast(session, "ore-shed", kept)
    with reading(sited) as session:
        back = forecasts.forecast_by_id(session, forecast_id)
        last = forecasts.last_forecast(session, "ore-shed")
    assert last is not None
    assert last.id == back.id == forecast_id
    assert same(back.hours, kept.hours)
    assert replace(back, hours=kept.hours, id=None) == kept


def test_a_forecast_kept_with_one_word_a_field_still_reads(sited: Engine) -> None:
    kept = forecast(hours(START, [-1.0, float("nan"), -3.0]))
    with writing(sited) as session:
        forecast_id = forecasts.keep_forecast(session, "ore-shed", kept)
        row = session.get_one(ForecastRow, forecast_id)
        row.quality = {"air_c": "interpolated", "snow_cm": "missing"}
    with reading(sited) as session:
        back = forecasts.forecast_by_id(session, forecast_id)
    assert back.quality == {"air_c": (("interpolated", 3),), "snow_cm": (("missing", 3),)}


def members(count: int, n_hours: int, start_utc: datetime = START) -> Members:
    """So many members, each with its own number as its air temperature."""
    air_c = np.repeat(np.arange(count, dtype=np.float32)[:, None], n_hours, axis=1)
    return Members(start_utc, air_c, air_c - 2, air_c + 3, np.full_like(air_c, np.nan))


def test_members_are_kept_with_their_forecast_and_stand_until_newer_ones_come(sited: Engine) -> None:
    def keep(at: datetime, count: int, feed: str = "open_meteo") -> None:
        held = hours(at, [-1.0, float("nan"), -3.0])
        with writing(sited) as session:
            of = members(count, 3, at) if count else None
            forecasts.keep_forecast(session, "ore-shed", replace(forecast(held, at, feed), members=of))

    keep(START, 3)
    keep(START + HOUR, 0)
    keep(START + 2 * HOUR, 5, "nws")
    with reading(sited) as session:
        own = forecasts.last_forecast(session, "ore-shed", "open_meteo")
        last = forecasts.last_members(session, "ore-shed", "open_meteo", START)
        none = forecasts.last_members(session, "ore-shed", "open_meteo", START + HOUR)
        past = forecasts.past_hours(session, "ore-shed", "open_meteo", START, START + HOUR)
    assert own is not None
    assert own.members is None
    assert last is not None
    assert (last.start_utc, len(last), last.air_c.shape) == (START, 3, (3, 3))
    np.testing.assert_array_equal(last.wind_10m_ms, members(3, 3).wind_10m_ms)
    assert np.isnan(last.cloud).all()
    assert none is None
    assert past is not None
    assert past.air_c.tolist() == [-1.0, -1.0]
    keep(START + 3 * HOUR, 7)
    with reading(sited) as session:
        newer = forecasts.last_members(session, "ore-shed", "open_meteo", START)
        whole = forecasts.last_forecast(session, "ore-shed", "open_meteo")
    assert newer is not None
    assert len(newer) == 7
    assert whole is not None
    assert whole.members is not None
    np.testing.assert_array_equal(whole.members.air_c, newer.air_c)


@pytest.mark.parametrize("of", [members(2, 4), members(2, 3, START + HOUR)])
def test_members_on_another_axis_than_their_hours_are_refused(of: Members) -> None:
    with pytest.raises(ValueError, match="expected those of the forecast"):
        pack_hours(hours(START, [1.0, 2.0, 3.0]), of)


def test_members_of_a_place_that_the_site_has_left_do_not_count(sited: Engine, site: Site) -> None:
    with writing(sited) as session:
        held = replace(forecast(hours(START, [1.0] * 3), START, "open_meteo"), members=members(2, 3))
        forecasts.keep_forecast(session, "ore-shed", held)
        save_site(session, replace(site, latitude=48.0))
        assert forecasts.last_members(session, "ore-shed", "open_meteo", START) is None


@pytest.mark.parametrize(("before_m", "after_m"), [(430.0, 1430.0), (430.0, None), (None, 430.0)])
def test_a_forecast_for_another_height_does_not_count(
    sited: Engine, site: Site, before_m: float | None, after_m: float | None
) -> None:
    def found() -> list[bool]:
        with reading(sited) as session:
            return [
                forecasts.last_forecast(session, "ore-shed") is not None,
                forecasts.last_forecast_times(session, "ore-shed", "nws") is not None,
                forecasts.past_hours(session, "ore-shed", "nws", START, START) is not None,
            ]

    low, high = (replace(site, altitude_m=height) for height in (before_m, after_m))
    with writing(sited) as session:
        save_site(session, low)
        forecasts.keep_forecast(session, "ore-shed", forecast(hours(START, [1.0])))
    assert found() == [True] * 3
    with writing(sited) as session:
        save_site(session, high)
    assert found() == [False] * 3
    with writing(sited) as session:
        save_site(session, low)
    assert found() == [True] * 3


def test_the_last_forecast_is_the_one_that_came_last_whatever_the_clock_said(sited: Engine) -> None:
    with writing(sited) as session:
        assert forecasts.last_forecast(session, "ore-shed") is None
        nws = forecasts.keep_forecast(session, "ore-shed", forecast(hours(START, [1.0]), START + HOUR))
        file = forecasts.keep_forecast(session, "ore-shed", forecast(hours(START, [2.0]), START, "file"))
    with reading(sited) as session:

        def last_id(feed: str | None) -> int | None:
            found = forecasts.last_forecast(session, "ore-shed", feed)
            return None if found is None else found.id

        assert [last_id(None), last_id("nws"), last_id("file"), last_id("met_norway")] == [file, nws, file, None]


def test_past_hours_come_from_the_newest_forecast_that_has_them(sited: Engine) -> None:
    nan = float("nan")
    with writing(sited) as session:
        for held, fetched_utc, feed in (
            (hours(START, [-1.0, -2.0, -3.0, -4.0], dew_c=[-5.0, -6.0, -7.0, -8.0]), START, "nws"),
            (hours(START + 2 * HOUR, [-30.0, nan, -50.0]), START + 2 * HOUR, "nws"),
            (hours(START, [99.0] * 6), START + 3 * HOUR, "file"),
        ):
            forecasts.keep_forecast(session, "ore-shed", forecast(held, fetched_utc, feed))
    with reading(sited) as session:
        past = forecasts.past_hours(session, "ore-shed", "nws", START - HOUR, START + 5 * HOUR)
        none = forecasts.past_hours(session, "ore-shed", "nws", START - 9 * HOUR, START - HOUR)
    assert none is None
    assert past is not None
    assert past.start_utc == START - HOUR
    assert np.array_equal(past.air_c, [nan, -1.0, -2.0, -30.0, -4.0, -50.0, nan], equal_nan=True)
    assert np.array_equal(past.dew_c, [nan, -5.0, -6.0, -7.0, -8.0, nan, nan], equal_nan=True)


def test_past_hours_of_files_are_of_the_service_that_the_newest_is_of(sited: Engine) -> None:
    def past() -> Hours | None:
        with reading(sited) as session:
            return forecasts.past_hours(session, "ore-shed", "file", START, START + HOUR)

    def keep(start_utc: datetime, air_c: float, service: str | None) -> None:
        with writing(sited) as session:
            held = replace(forecast(hours(start_utc, [air_c] * 2), start_utc, "file"), service=service)
            forecasts.keep_forecast(session, "ore-shed", held)

    keep(START, -5.0, "met_norway")
    keep(START + 2 * HOUR, -9.0, "nws")
    assert past() is None, "those of another service do not stand before it"
    keep(START + 2 * HOUR, -9.0, "met_norway")
    found = past()
    assert found is not None
    assert found.air_c.tolist() == [-5.0, -5.0]


def test_a_forecast_without_hours_or_site_is_refused(sited: Engine) -> None:
    with pytest.raises(StoreError, match="no hours"), writing(sited) as session:
        forecasts.keep_forecast(session, "ore-shed", forecast(hours(START, [])))
    with pytest.raises(UnknownSite, match="'nowhere'"), writing(sited) as session:
        forecasts.keep_forecast(session, "nowhere", forecast(hours(START, [1.0])))
    with pytest.raises(StoreError, match="no forecast 77"), reading(sited) as session:
        forecasts.forecast_by_id(session, 77)


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    row=st.builds(
        FeedRow,
        site_id=st.just("ore-shed"),
        feed=st.sampled_from(("nws", "file")),
        next_try_utc=st.datetimes(timezones=st.just(UTC)),
        last_answer_utc=st.none() | st.datetimes(timezones=st.just(UTC)),
        failures=st.integers(0, 2**31 - 1),
        state=st.dictionaries(st.sampled_from(("etag", "grid")), st.just('W/"1"')),
    )
)
def test_a_feed_row_comes_back_as_it_was_put(sited: Engine, site: Site, row: FeedRow) -> None:
    with writing(sited) as session:
        forecasts.put_feed_row(session, row)
    with reading(sited) as session:
        assert forecasts.feed_row(session, site.id, row.feed) == row
        assert forecasts.feed_row(session, site.id, "met_norway") is None
