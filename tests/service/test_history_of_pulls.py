"""What a pull brings is remembered in the transaction that keeps it, and old rows go then."""

from dataclasses import replace
from datetime import timedelta

import httpx
import numpy as np
import pytest
from sqlalchemy import Engine
from sqlmodel import col, select
from tests.service.weather_site import NOW, NWS, PAYLOADS, Clock, WeatherServer, count, jobs_of, with_site

from frostshift_service.store import forecasts, history
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import ForecastRow, HistoryRow

pytestmark = pytest.mark.usefixtures("one_attempt")


def test_a_pull_is_remembered_from_the_next_hour_on(
    either: Engine, clock: Clock, server: WeatherServer, client: httpx.Client
) -> None:
    with_site(either, NWS)
    assert jobs_of(either, clock, server, client).pull(NWS.id).outcome == "new"
    first_utc = NOW.replace(minute=0) + timedelta(hours=1)
    with reading(either) as session:
        kept = forecasts.last_forecast(session, NWS.id)
        assert kept is not None
        (row,) = session.exec(select(HistoryRow))
        assert (row.feed, row.fetched_utc, row.first_hour_utc) == ("nws", NOW, first_utc)
        found = history.leads(session, NWS.id, "nws", first_utc, first_utc + timedelta(hours=11), (0, 6))
    shift = round(kept.hours.position(first_utc))
    air_c = kept.hours.air_c[shift : shift + 12].astype(np.float32)
    # Fetched at 20:50: leads from 10 min to 5 h 10 min count as the first six hours, the next six as from 6 h on.
    assert np.array_equal(found.air_c[0, :6], air_c[:6])
    assert np.array_equal(found.air_c[1, 6:], air_c[6:])
    assert np.isnan(found.air_c[0, 6:]).all()
    assert np.isnan(found.air_c[1, :6]).all()


def test_what_cannot_be_remembered_is_not_kept_either(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    with writing(engine) as session:
        save_site(session, NWS, feed="file")
    jobs = jobs_of(engine, Clock(NOW), None, None)

    def fail(*_: object) -> int:
        raise ZeroDivisionError

    monkeypatch.setattr(history, "thin", fail)
    with pytest.raises(ZeroDivisionError):
        jobs.take_payload(NWS.id, PAYLOADS / "nws_long.json")
    assert (count(engine, ForecastRow), count(engine, HistoryRow)) == (0, 0)


def test_old_rows_go_with_a_pull(engine: Engine) -> None:
    with writing(engine) as session:
        save_site(session, NWS, feed="file")
    jobs = jobs_of(engine, Clock(NOW), None, None)
    jobs.take_payload(NWS.id, PAYLOADS / "nws_long.json")
    long_ago = NOW.replace(hour=18) - timedelta(days=20)
    with writing(engine) as session:
        kept = forecasts.last_forecast(session, NWS.id)
        assert kept is not None
        start = replace(kept.hours, start_utc=long_ago.replace(minute=0))
        for hours in (0, 1, 2, 6):
            fetched_utc = long_ago + timedelta(hours=hours)
            assert history.remember(session, NWS.id, replace(kept, fetched_utc=fetched_utc, hours=start))
    jobs.take_payload(NWS.id, PAYLOADS / "nws_long.json")
    with reading(engine) as session:
        left = session.exec(select(HistoryRow.fetched_utc).order_by(col(HistoryRow.fetched_utc))).all()
    assert left == [long_ago, long_ago + timedelta(hours=6), NOW]
