"""What was forecast is kept exactly, given back by lead, and thinned by age."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine
from sqlmodel import select

from frostshift_rules.job import Site
from frostshift_rules.surroundings import Hours, Members
from frostshift_service.store import history
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.history import ForecastLeads, superfluous
from frostshift_service.store.packing import SERIES, pack_singles, unpack_singles
from frostshift_service.store.records import KeptForecast, StoreError, UnknownSite
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import HistoryRow

SITE = "ore-shed"
START = datetime(2026, 1, 12, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
NAN = float("nan")


def forecast(
    air_c: list[float], fetched_utc: datetime = START, start_utc: datetime = START, feed: str = "nws", **series: float
) -> KeptForecast:
    """Hours of this air temperature; other series are the same in every hour, missing where not given."""
    rest = {name: np.full(len(air_c), series.get(name, NAN)) for name in SERIES if name != "air_c"}
    return KeptForecast(feed, None, fetched_utc, Hours(start_utc, np.array(air_c), **rest), b"{}", "Invented office")


def members_of(air_c: np.ndarray, start_utc: datetime = START) -> Members:
    air = np.asarray(air_c, dtype=np.float32)
    return Members(start_utc, air, air - np.float32(3.0), np.full_like(air, 2.0), np.full_like(air, 0.5))


def kept(store: Engine) -> list[tuple[str, datetime]]:
    with reading(store) as session:
        rows = session.exec(select(HistoryRow).order_by(HistoryRow.feed, HistoryRow.fetched_utc))  # type: ignore[arg-type]
        return [(row.feed, row.fetched_utc) for row in rows]


def remembered(store: Engine, *forecasts: KeptForecast) -> None:
    with writing(store) as session:
        for one in forecasts:
            assert history.remember(session, SITE, one)


def by_lead(store: Engine, first_utc: datetime, hours: int, *at_leads_h: int, feed: str = "nws") -> ForecastLeads:
    with reading(store) as session:
        return history.leads(session, SITE, feed, first_utc, first_utc + (hours - 1) * HOUR, at_leads_h)


def same(found: np.ndarray, *rows: list[float]) -> bool:
    return np.array_equal(found, np.array(rows, dtype=np.float32), equal_nan=True)


# Packing --------------------------------------------------------------------------------------------------------------


@given(
    st.integers(0, 30).flatmap(
        lambda count: st.lists(
            st.lists(st.floats(width=32), min_size=count, max_size=count), min_size=1, max_size=8, unique_by=id
        )
    )
)
def test_singles_survive_packing_to_the_last_bit(block: list[list[float]]) -> None:
    rows = {f"series_{n}": np.array(row, dtype=np.float32) for n, row in enumerate(block)}
    back = unpack_singles(pack_singles(rows))
    assert list(back) == list(rows)
    for name, row in rows.items():
        assert back[name].dtype == np.float32
        assert np.array_equal(back[name], row, equal_nan=True)
        assert np.array_equal(np.signbit(back[name]), np.signbit(row)) or np.isnan(row).any()


def test_singles_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        pack_singles({"air_c": np.zeros(2, np.float32), "dew_c": np.zeros(3, np.float32)})


# Kept and given back --------------------------------------------------------------------------------------------------


def test_every_series_comes_back_in_single_precision(sited: Engine) -> None:
    air_c = [-12.34, NAN, 0.1]
    said = {"dew_c": -15.55, "wind_10m_ms": 3.3, "cloud": 1 / 3, "precip_mm": 0.2, "snow_cm": 9.0}
    remembered(sited, forecast(air_c, **said))
    found = by_lead(sited, START - HOUR, 5, 0)
    assert found.first_utc == START - HOUR
    assert (found.leads_h, found.forecasts) == ((0,), 1)
    assert same(found.air_c, [NAN, *air_c, NAN])
    for name in ("dew_c", "wind_10m_ms", "cloud", "precip_mm"):
        row = getattr(found, name)
        assert row.dtype == np.float32
        assert same(row, [NAN, said[name], NAN, said[name], NAN]), "an hour without air counts for nothing"
    assert np.isnan(found.air_low_c).all(), "there were no members"


def test_only_hours_ahead_are_kept(sited: Engine) -> None:
    fetched_utc = START + timedelta(hours=2, seconds=7.25)
    remembered(sited, forecast([1.0, 2.0, 3.0, 4.0, 5.0], fetched_utc))
    assert same(by_lead(sited, START, 5, 0).air_c, [NAN, NAN, NAN, 4.0, 5.0])
    with writing(sited) as session:
        assert not history.remember(session, SITE, forecast([1.0, 2.0], START + 2 * HOUR, feed="file"))
    assert kept(sited) == [("nws", fetched_utc)]
    with reading(sited) as session:
        assert session.exec(select(HistoryRow.first_hour_utc)).one() == START + 3 * HOUR


def test_a_lead_ends_where_the_next_begins(sited: Engine) -> None:
    remembered(sited, forecast([float(n) for n in range(14)]))
    found = by_lead(sited, START, 14, 0, 6)
    assert same(found.air_c, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0] + [NAN] * 8, [NAN] * 6 + [6.0, 7, 8, 9, 10, 11, NAN, NAN])


def test_an_hour_at_the_moment_of_fetching_has_lead_nought(sited: Engine) -> None:
    remembered(sited, forecast([1.0, 2.0, 3.0], START + HOUR))
    assert same(by_lead(sited, START, 3, 0).air_c, [NAN, 2.0, 3.0])


def test_remembering_again_changes_nothing(sited: Engine) -> None:
    one = forecast([-3.0, -4.0])
    remembered(sited, one)
    remembered(sited, one, one)
    assert kept(sited) == [("nws", START)]
    assert same(by_lead(sited, START, 2, 0).air_c, [-3.0, -4.0])


def test_without_a_site_nothing_is_kept(sited: Engine) -> None:
    with pytest.raises(UnknownSite, match="'nowhere'"), writing(sited) as session:
        history.remember(session, "nowhere", forecast([1.0]))
    assert kept(sited) == []


def test_a_lead_is_from_fetching_to_the_hour(sited: Engine) -> None:
    """Forecasts six hours apart, each a flat figure of its own: the hour says which of them it took."""
    fetches = [START + n * 6 * HOUR for n in range(4)]
    remembered(sited, *(forecast([float(n)] * 48, at, at) for n, at in enumerate(fetches)))
    found = by_lead(sited, START + 18 * HOUR, 6, 0, 6, 12, 18, 24)
    assert same(found.air_c, *([n] * 6 for n in (3.0, 2.0, 1.0, 0.0)), [NAN] * 6)
    assert found.forecasts == 4
    # The hour 17:00 lies 5 h after the fetch at 12:00, 11 h after that at 06:00 and 17 h after the first.
    assert same(by_lead(sited, START + 17 * HOUR, 1, 0, 6, 12, 18).air_c, [2.0], [1.0], [0.0], [NAN])
    # A lead between the steps takes what lies in the six hours from it: of 17:00, the fetch at 06:00 (11 h before).
    assert same(by_lead(sited, START + 17 * HOUR, 1, 7).air_c, [1.0])


def test_the_newest_forecast_with_an_air_temperature_counts_whole(sited: Engine) -> None:
    remembered(
        sited,
        forecast([-1.0, -1.0, -1.0, -1.0], START, dew_c=-5.0),
        forecast([-2.0, NAN, -2.0], START + HOUR, START + HOUR),
    )
    found = by_lead(sited, START, 4, 0)
    assert same(found.air_c, [-1.0, -2.0, -1.0, -2.0])
    assert same(found.dew_c, [-5.0, NAN, -5.0, NAN]), "series of two forecasts are never mixed"


def test_feeds_are_not_mixed(sited: Engine) -> None:
    remembered(sited, forecast([1.0]), forecast([9.0], feed="file"))
    assert same(by_lead(sited, START, 1, 0).air_c, [1.0])
    assert same(by_lead(sited, START, 1, 0, feed="file").air_c, [9.0])
    assert same(by_lead(sited, START, 1, 0, feed="met_norway").air_c, [NAN])
    with reading(sited) as session:
        assert history.feeds_remembered(session, SITE) == ["file", "nws"]


def test_a_site_that_moved_has_no_past_and_one_that_comes_back_has(sited: Engine, site: Site) -> None:
    remembered(sited, forecast([1.0]))
    with writing(sited) as session:
        save_site(session, replace(site, latitude=site.latitude + 0.5))
    assert same(by_lead(sited, START, 1, 0).air_c, [NAN])
    with reading(sited) as session:
        assert history.feeds_remembered(session, SITE) == []
    with writing(sited) as session:
        save_site(session, site)
    assert same(by_lead(sited, START, 1, 0).air_c, [1.0])


@pytest.mark.parametrize(("before_m", "after_m"), [(430.0, 1430.0), (430.0, None), (None, 430.0)])
def test_another_height_is_another_place(
    sited: Engine, site: Site, before_m: float | None, after_m: float | None
) -> None:
    low, high = (replace(site, altitude_m=height) for height in (before_m, after_m))
    with writing(sited) as session:
        save_site(session, low)
    remembered(sited, forecast([1.0]))
    assert same(by_lead(sited, START, 1, 0).air_c, [1.0])
    with writing(sited) as session:
        save_site(session, high)
    assert same(by_lead(sited, START, 1, 0).air_c, [NAN])
    with writing(sited) as session:
        assert history.thin(session, SITE, START + timedelta(days=500)) == 1, "the newest of another place goes too"


@pytest.mark.parametrize(
    ("first_utc", "last_utc", "leads_h", "said"),
    [
        (START.replace(minute=30), START + HOUR, (0,), "first_utc is .*12T00:30"),
        (START, (START + HOUR).replace(tzinfo=None), (0,), "last_utc is .* expected a full hour with its time zone"),
        (START, START - HOUR, (0,), "last_utc is .*, expected at least"),
        (START, START, (0, -6), "at_leads_h has -6, expected at least 0 h"),
    ],
)
def test_hours_and_leads_that_make_no_sense_are_refused(
    sited: Engine, first_utc: datetime, last_utc: datetime, leads_h: tuple[int, ...], said: str
) -> None:
    with pytest.raises(ValueError, match=said), reading(sited) as session:
        history.leads(session, SITE, "nws", first_utc, last_utc, leads_h)


# Members --------------------------------------------------------------------------------------------------------------


def test_members_leave_three_quantiles(sited: Engine) -> None:
    """Of the eleven figures 0, 1 ... 10 the 10, 50 and 90 % quantiles are 1, 5 and 9 by any common definition."""
    air_c = np.tile(np.arange(11.0)[:, np.newaxis], (1, 3)) + [0.0, 100.0, 200.0]
    air_c[4, 2] = NAN
    with writing(sited) as session:
        assert history.remember(session, SITE, forecast([5.0, 5.0, 5.0]), members_of(air_c[::-1]))
    found = by_lead(sited, START, 3, 0)
    assert same(found.air_low_c, [1.0, 101.0, NAN]), "an hour that one member lacks is unknown"
    assert same(found.air_middle_c, [5.0, 105.0, NAN])
    assert same(found.air_high_c, [9.0, 109.0, NAN])


def test_a_handful_of_members_has_no_quantiles(sited: Engine) -> None:
    few = members_of(np.zeros((history.FEWEST_MEMBERS - 1, 2)))
    with writing(sited) as session:
        assert history.remember(session, SITE, forecast([5.0, 5.0]), few)
    assert np.isnan(by_lead(sited, START, 2, 0).air_high_c).all()


@pytest.mark.parametrize(("hours", "start_utc"), [(3, START), (2, START + HOUR)])
def test_members_of_other_hours_are_refused(sited: Engine, hours: int, start_utc: datetime) -> None:
    with pytest.raises(StoreError, match="not of the same hours"), writing(sited) as session:
        history.remember(session, SITE, forecast([5.0, 5.0]), members_of(np.zeros((20, hours)), start_utc))


# Thinning -------------------------------------------------------------------------------------------------------------

fetches = st.lists(
    st.integers(0, 430 * 24 * 6).map(lambda tens: START - tens * timedelta(minutes=10)), max_size=60, unique=True
)
"""Times of fetching within the last 430 days, on ten minutes."""
later = st.integers(0, 430 * 24).map(lambda hours: hours * HOUR)


def left(times: list[datetime], now: datetime, keep_newest: bool = True) -> list[datetime]:
    gone = superfluous(times, now, keep_newest=keep_newest)
    assert set(gone) <= set(times)
    return sorted(set(times) - set(gone))


@given(fetches, later)
def test_thinning_leaves_the_newest_and_what_is_young(times: list[datetime], after: timedelta) -> None:
    now = START + after
    stay = left(times, now)
    assert stay[-1:] == sorted(times)[-1:]
    assert [at for at in times if now - at <= timedelta(days=14) and at not in stay] == []


@given(fetches, later)
def test_what_remains_obeys_the_spacing(times: list[datetime], after: timedelta) -> None:
    now = START + after
    stay = left(times, now, keep_newest=False)
    ages = [(now - at, at) for at in stay]
    assert all(age <= timedelta(days=400) for age, _ in ages)
    aged = [at for age, at in ages if age > timedelta(days=14)]
    sixths = [(at.date(), at.hour // 6) for at in aged]
    assert len(set(sixths)) == len(sixths), "one per six hours of a UTC day"
    days = [at.date() for age, at in ages if age > timedelta(days=90)]
    assert len(set(days)) == len(days), "one per UTC day"


@given(fetches, later)
def test_no_day_and_no_six_hours_is_left_without(times: list[datetime], after: timedelta) -> None:
    now = START + after
    stay = left(times, now)
    for days, spans in ((90, lambda at: (at.date(), at.hour // 6)), (400, lambda at: at.date())):
        there = {spans(at) for at in times if now - at <= timedelta(days=days)}
        edge = spans(now - timedelta(days=days))  # a span that the limit cuts may have lost its first
        assert there - {edge} <= {spans(at) for at in stay}


@given(fetches, later, later)
def test_thinning_twice_is_thinning_once(times: list[datetime], one: timedelta, other: timedelta) -> None:
    sooner, now = sorted((START + one, START + other))
    stay = left(times, now)
    assert left(stay, now) == stay
    assert left(left(times, sooner), now) == stay, "what stays does not hang on how often it was done"


@given(fetches, later)
def test_thinning_hangs_on_no_order(times: list[datetime], after: timedelta) -> None:
    assert superfluous(times, START + after) == superfluous(times[::-1], START + after)


def test_a_winter_of_hourly_forecasts_by_hand() -> None:
    """150 days by the hour, counted at noon of day 0.

    Young: 14 days and the hour at their edge. Six-hourly: 12:00 of day -90 to 06:00 of day -14. Daily: day -150, of
    which the record has the afternoon, to day -90, whose first is older than 90 days by noon.
    """
    now = START + timedelta(hours=12)
    stay = left([now - n * HOUR for n in range(150 * 24)], now)
    ages = np.array([(now - at) / timedelta(days=1) for at in stay])
    assert np.count_nonzero(ages <= 14.0) == 14 * 24 + 1
    assert np.count_nonzero((ages > 14.0) & (ages <= 90.0)) == 76 * 4
    assert np.count_nonzero(ages > 90.0) == 61


def test_thinning_by_feed_place_and_site(sited: Engine, site: Site) -> None:
    now = START + timedelta(days=420)
    old = [START, START + HOUR, START + timedelta(days=30), START + timedelta(days=30, hours=2)]
    with writing(sited) as session:
        save_site(session, replace(site, id="other"))
        history.remember(session, "other", forecast([1.0]))
    remembered(sited, *(forecast([1.0] * 9, at, at) for at in old), forecast([1.0], feed="file"))
    with writing(sited) as session:
        assert history.thin(session, SITE, now) == 2
        assert history.thin(session, SITE, now) == 0
    assert kept(sited) == [("file", START), ("nws", START), ("nws", old[2]), ("nws", old[3])]
    with reading(sited) as session:
        (others,) = session.exec(
            select(HistoryRow.site_id).where(HistoryRow.fetched_utc == START, HistoryRow.feed == "nws")
        )
    assert others == "other", "another site's rows are not touched"
    with writing(sited) as session:
        save_site(session, replace(site, longitude=site.longitude - 1.0))
        assert history.thin(session, SITE, now) == 2, "for a place that was left the newest has no right to stay"
        assert history.thin(session, "nowhere", now) == 0
    assert kept(sited) == [("nws", START), ("nws", old[2])], "the first of its day, and the other site's"
