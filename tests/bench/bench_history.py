"""How much room a winter of forecasts takes in the store, and how long it takes to keep, thin and score.

    python tests/bench/bench_history.py

150 days, a forecast an hour of 240 hours, on SQLite; figures with one decimal as the feeds give them, first without
members and then with the quantiles of an ensemble. Thinned after each forecast, as the service does. Measured on two
shared cores: 2,017 bytes a forecast without members and 3,265 with; a winter thinned is 701 rows and 1.41 MB, with
members 2.29 MB (7.3 and 11.8 MB had nothing been thinned).
"""

from __future__ import annotations

import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from sqlmodel import func, select

from frostshift_rules.surroundings import Hours, Members
from frostshift_service import demo
from frostshift_service.store import history
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.records import KeptForecast
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import HistoryRow
from frostshift_service.views.scores import LEADS_H

DAYS, PULLS_A_DAY, HOURS, MEMBERS = 150, 24, 240, 51
HOUR = timedelta(hours=1)


def forecast(at: datetime, rng: np.random.Generator) -> KeptForecast:
    """Drawn: a day's swing, slow weather, noise; rounded as feeds round."""
    hour = np.arange(HOURS) + at.timestamp() / 3600.0
    slow = np.cumsum(rng.normal(0.0, 0.4, HOURS))
    air_c = np.round(-6.0 + 4.0 * np.cos((hour - 20.0) * np.pi / 12.0) + slow, 1)
    precip_mm = np.round(np.maximum(rng.normal(-1.0, 1.0, HOURS), 0.0), 1)
    wind_ms, cloud = np.round(np.abs(rng.normal(4.0, 2.0, HOURS)), 1), np.round(rng.uniform(0.0, 1.0, HOURS), 2)
    missing = np.full(HOURS, np.nan)
    hours = Hours(at, air_c, air_c - 3.0, wind_ms, cloud, precip_mm, missing, missing, missing)
    return KeptForecast("open_meteo", at, at, hours, b"", "")


def members_of(kept: KeptForecast, rng: np.random.Generator) -> Members:
    """Around the forecast, further apart with the lead; one decimal."""
    spread_k = 0.3 + np.arange(HOURS) / 60.0
    air = np.round(kept.hours.air_c + rng.normal(size=(MEMBERS, HOURS)) * spread_k, 1).astype(np.float32)
    return Members(kept.hours.start_utc, air, air, np.ones_like(air), np.ones_like(air))


def winter(folder: Path, with_members: bool) -> None:
    """One winter in a fresh store, measured."""
    engine = open_store(f"sqlite:///{(folder / f'members_{with_members}.db').as_posix()}")
    rng, end = np.random.default_rng(5), datetime(2027, 3, 31, tzinfo=UTC)
    site = demo.demo_site(end)
    with writing(engine) as session:
        save_site(session, site)
    before = time.process_time()
    drawing, unthinned = 0.0, 0
    for back in range(DAYS * PULLS_A_DAY, 0, -1):
        began = time.process_time()
        kept = forecast(end - back * HOUR, rng)
        members = members_of(kept, rng) if with_members else None
        drawing += time.process_time() - began
        with writing(engine) as session:
            history.remember(session, site.id, kept, members)
            newest = session.get(HistoryRow, (site.id, kept.feed, kept.fetched_utc))
            unthinned += len(newest.series) if newest is not None else 0
            history.thin(session, site.id, kept.fetched_utc)
    keeping = time.process_time() - before - drawing
    with reading(engine) as session:
        rows, packed = session.exec(select(func.count(), func.sum(func.length(HistoryRow.series)))).one()
        began = time.process_time()
        history.leads(session, site.id, "open_meteo", end - timedelta(days=DAYS), end, LEADS_H)
        asking = time.process_time() - began
    engine.dispose()
    pulls = DAYS * PULLS_A_DAY
    print(
        f"{'with' if with_members else 'without'} members: {pulls} forecasts, {unthinned / pulls:,.0f} bytes each, "
        f"{unthinned / 1e6:.1f} MB; thinned {rows} rows, {packed / 1e6:.2f} MB; "
        f"{keeping / pulls * 1e3:.1f} ms to keep and thin one, {asking:.2f} s to ask for all leads of the winter"
    )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        for whether in (False, True):
            winter(Path(made), whether)
