"""A winter week at speed: the real loops, client and store against the server's process; only the clock is moved.

`python -m tests.weather_services.week` from the repository's root plays it and prints its table.
"""

from __future__ import annotations

import hashlib
import logging
import os
import random
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import httpx
import stamina
from sqlalchemy import Engine
from sqlmodel import col, select

from frostshift_rules.job import Acceptance, HeatSource, Joint, Part, Shift, Site
from frostshift_rules.surroundings import Hours
from frostshift_service import http
from frostshift_service.jobs import Jobs
from frostshift_service.store import forecasts, joints
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.records import ImportedJoint
from frostshift_service.store.sites import save_site
from frostshift_service.store.tables import FeedStateRow, ForecastRow
from frostshift_service.weather.feeds import feeds_with
from frostshift_service.weather.open_meteo_api import Access

from .checks import ATTEMPTS, Kept, Sample, Week, politeness, table, trust
from .control import Control, running
from .truth import PLACES

START = datetime(2026, 10, 29, 0, 50, tzinfo=UTC)
"""A Thursday; the clocks of the United States go back in the night to Sunday, 1 November, at 06:00 and 07:00 UTC."""
DAYS = 7
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
LOOK_EVERY_H = 3
CONTACT = "crew@site.example"
RULES = "aws_d1_1_2015_t3_3"
READ_S = 3.0
"""The client's time-out here; what hangs, hangs a little longer."""

FEEDS: dict[str, tuple[str, ...]] = {
    "ore-shed": ("nws",),
    "river-bridge": ("nws",),
    "dry-dock": ("met_norway",),
    "canal-lock": ("nws", "met_norway", "nws_hourly"),
    "prairie-mill": ("open_meteo", "met_norway"),
}
"""Site -> the feeds it may ask, the first choice first, then those that stand in; where the first is not what its
position gives, it is set.

A new feed comes in here (a site that asks it, or a place in the order of one that has it), in `checks.FEED_OF` and
`checks._expected`, and in `control.Control.base_urls`.
"""
BY_POSITION = {"nws", "met_norway"}
SERIES = tuple(name for name in Hours.__dataclass_fields__ if name != "start_utc")


def site_of(name: str) -> Site:
    """The site at a place of the table."""
    place = next(place for place in PLACES if place.name == name)
    return Site(
        id=name,
        name=name.replace("-", " ").capitalize(),
        latitude=place.latitude,
        longitude=place.longitude,
        altitude_m=float(place.altitude_m),
        zone=place.zone,
        table_id=RULES,
        code_units="us",
        shifts=(Shift("day", time(6, 30), time(16, 30)),),
        heat_sources=(HeatSource("tip", "oxy-propane tip", "propane", 45.0, count=4),),
        acceptances=(Acceptance(RULES, "Q. Arden", START.date()),),
        last_nights_low_c=-6.0,
    )


def joints_of(start: datetime) -> list[Joint]:
    """A few joints over the week and after it, so that one is always within reach of a forecast."""
    plates = {12.0: (36,), 60.0: (72, 190)}
    return [
        Joint(
            mark=f"C-{after_h}",
            place="row C",
            parts=(Part("A572-50", thickness_mm), Part("A572-50", thickness_mm)),
            process="SMAW",
            electrode="E7018",
            hydrogen_ml=4.0,
            procedure=None,
            weld_length_mm=400.0,
            ends="inside",
            start_utc=start + after_h * HOUR,
            hours=2.0,
        )
        for thickness_mm, starts in plates.items()
        for after_h in starts
    ]


def script(start: datetime) -> list[dict[str, Any]]:
    """What goes wrong: every kind at least once, the clock-change night, and more than a day without any answer."""

    def fault(place: str, service: str, kind: str, day: float, hours: float, **more: Any) -> dict[str, Any]:
        begin = start.replace(hour=0, minute=0) + timedelta(days=day)
        times = {"from_utc": begin.isoformat(), "to_utc": (begin + hours * HOUR).isoformat()}
        return {"kind": kind, "place": place, "service": service, **times, **more}

    def ore(kind: str, day: float, hours: float, **more: Any) -> dict[str, Any]:
        return fault("ore-shed", "nws", kind, day, hours, **{"endpoints": ["grid"], **more})

    def dock(kind: str, day: float, hours: float, **more: Any) -> dict[str, Any]:
        return fault("dry-dock", "met_norway", kind, day, hours, **more)

    return [
        ore("drop", 0.2, 2, times=1),
        ore("hang", 0.3, 2, times=1, seconds=READ_S + 0.5),
        ore("status", 0.4, 1.5, status=503),
        ore("html", 0.55, 1.5),
        ore("status", 0.7, 1.2, status=429, retry_after_s=5400),
        ore("half_body", 0.9, 1.2),
        ore("truncated", 1.1, 1.5),
        ore("gzip_bomb", 1.3, 1.2),
        ore("too_large", 1.45, 1.2),
        ore("slow_body", 1.6, 1.2, seconds=0.02),
        ore("moved", 1.7, 2000.0),
        ore("wrong_unit", 1.8, 2),
        ore("stuck", 2.0, 9),
        ore("absurd", 2.5, 3),
        ore("redirect", 2.7, 2),
        ore("status", 3.2, 1.5, status=500),  # the night in which the clocks go back
        ore("status", 3.27, 2, status=502, retry_after_s=900),
        ore("latency", 3.5, 3, seconds=0.1),
        ore("status", 4.0, 3, status=503),
        ore("drop", 4.125, 12),
        ore("status", 4.625, 13, status=500),  # 28 h without an answer, with the two before
        ore("status", 6.2, 2, status=403),
        fault("canal-lock", "nws", "drop", 1.1, 10, endpoints=["grid"]),  # another feed stands in
        fault("canal-lock", "nws", "status", 3.0, 40, status=500, endpoints=["grid"]),
        fault("canal-lock", "met_norway", "status", 3.5, 5, status=503),
        fault("prairie-mill", "open_meteo", "status", 0.5, 2, status=429, endpoints=["forecast"]),
        fault("prairie-mill", "open_meteo", "truncated", 1.0, 2, endpoints=["forecast"]),
        fault("prairie-mill", "open_meteo", "wrong_unit", 1.5, 2, endpoints=["forecast"]),
        fault("prairie-mill", "open_meteo", "status", 2.0, 9, status=503, endpoints=["ensemble"]),
        fault("prairie-mill", "open_meteo", "drop", 3.0, 12),
        fault("river-bridge", "nws", "stuck", 4.0, 30, endpoints=["grid"]),
        fault("river-bridge", "nws", "status", 5.6, 1.2, status=500, times=2, endpoints=["grid"]),
        dock("deprecated", 0.3, 3),
        dock("status", 0.6, 1.2, status=429),
        dock("status", 0.9, 1.2, status=429, retry_after_s=9000, as_date=True),
        dock("html", 1.2, 1.2),
        dock("truncated", 1.4, 1.2),
        dock("wrong_unit", 1.6, 2),
        dock("absurd", 1.8, 3),
        dock("half_body", 2.1, 1.2),
        dock("status", 2.4, 2, status=403),
        dock("status", 2.6, 1, status=404),
        dock("drop", 3.0, 13),
        dock("status", 3.5416667, 17, status=503, retry_after_s=1800),  # 30 h without an answer, with the one before
        dock("stuck", 5.0, 26),
    ]


def play(
    control: Control, engine: Engine, client: httpx.Client, start: datetime = START, days: float = DAYS, luck: int = 5
) -> Week:
    """Play a week against the server; the store is empty before.

    Each site is pulled at the minute it is due; every three hours there is a whole tick of the loop, and the plan is
    looked at. `luck` decides the jitter.
    """
    end = start + timedelta(days=days)
    faults = [f for f in script(start) if datetime.fromisoformat(f["from_utc"]) < end - 2 * HOUR]
    week = Week(FEEDS, start, end, faults=faults, look_every_h=LOOK_EVERY_H)
    for name, feeds in FEEDS.items():
        with writing(engine) as session:
            first = None if feeds[0] in BY_POSITION else feeds[0]
            save_site(session, site_of(name), feed=first, instead=feeds[1:])  # type: ignore[arg-type]
        rows = [ImportedJoint(joint, row) for row, joint in enumerate(joints_of(start), 2)]
        with writing(engine) as session:
            joints.import_joints(session, name, rows, now=start, file_name="week.csv", by="test")
    control.forget()
    control.set_faults(week.faults)
    now = start
    jobs = Jobs(
        engine,
        lambda: now,
        get=lambda moment: http.bind(client, moment),
        jitter=random.Random(luck).random,
        base_urls=control.base_urls,
        feeds=feeds_with(Access(control.base_urls["open_meteo"], control.base_urls["open_meteo_ensemble"])),
    )
    client.timeout = httpx.Timeout(READ_S)
    next_look = start
    # As many tries as ever, without the pauses between them.
    with stamina.set_testing(True, attempts=ATTEMPTS), _listening(week.said):
        while now < end:
            control.set_clock(now)
            for name in _due(engine, now):
                jobs.pull(name)
            if now >= next_look:
                jobs.tick()
                week.samples += [_look(jobs, name, now) for name in FEEDS]
                next_look += LOOK_EVERY_H * HOUR
            with reading(engine) as session:
                week.last_ids += [(now, name, _last_id(session, name)) for name in FEEDS]
            now = _next_minute(engine, now, next_look)
    week.log = list(control.log())
    week.kept = _kept(engine)
    return week


@contextmanager
def _listening(said: list[str]) -> Iterator[None]:
    """Collects what the loops write in their log."""

    class Collector(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(record.getMessage())

    log, collector = logging.getLogger("frostshift_service"), Collector(logging.INFO)
    level = log.level
    log.addHandler(collector)
    log.setLevel(logging.INFO)
    yield
    log.setLevel(level)
    log.removeHandler(collector)


def _due(engine: Engine, now: datetime) -> list[str]:
    with reading(engine) as session:
        rows = session.exec(select(FeedStateRow)).all()
        due = {row.site_id for row in rows if row.next_try_utc <= now}
    return [name for name in FEEDS if name in due or not rows]


def _next_minute(engine: Engine, now: datetime, next_look: datetime) -> datetime:
    """The next minute at which something is due: the loop ticks at full minutes, most of which change nothing."""
    with reading(engine) as session:
        moments = session.exec(select(FeedStateRow.next_try_utc).where(col(FeedStateRow.next_try_utc) > now)).all()
    next_due = min([next_look, *moments])
    return max(now, next_due - (next_due - START) % MINUTE) + (MINUTE if (next_due - START) % MINUTE else timedelta(0))


def _look(jobs: Jobs, name: str, now: datetime) -> Sample:
    plan = jobs.current_plan(name)
    assert plan is not None
    return Sample(now, name, plan.freshness, plan.feed, tuple(joint.call for joint in plan.joints))


def _last_id(session: Any, name: str) -> int | None:
    last = [forecasts.last_forecast_times(session, name, feed) for feed in FEEDS[name]]
    return max((found[0] for found in last if found is not None), default=None)


def _kept(engine: Engine) -> list[Kept]:
    found = []
    with reading(engine) as session:
        for number in session.exec(select(ForecastRow.id).order_by(col(ForecastRow.id))).all():
            assert number is not None
            kept = forecasts.forecast_by_id(session, number)
            site = session.get_one(ForecastRow, number).site_id
            hours = kept.hours
            columns = {name: getattr(hours, name).tolist() for name in SERIES}
            rows = {hours.time_utc(i): {name: columns[name][i] for name in SERIES} for i in range(len(hours))}
            digest = hashlib.sha256(kept.payload).hexdigest()
            found.append(Kept(number, site, kept.feed, kept.issued_utc, kept.fetched_utc, digest, rows))
    return found


def main() -> None:
    """Play the week on a SQLite file and print the table, and the offences if there are any."""
    os.environ["NO_PROXY"] = "127.0.0.1"
    logging.getLogger("stamina").setLevel(logging.ERROR)
    with tempfile.TemporaryDirectory() as folder, running() as control:
        engine = open_store(f"sqlite:///{(Path(folder) / 'week.db').as_posix()}")
        with http.make_client(CONTACT, "0.1.0") as client:
            week = play(control, engine, client)
        engine.dispose()
    print(
        f"{DAYS} days from {START:%Y-%m-%d %H:%M} UTC, {len(week.log)} requests, {len(week.faults)} scripted faults.\n"
    )
    print(table(week))
    offences = [*politeness(week), *trust(week)]
    print(f"\nOffences against politeness and trust: {len(offences)}")
    print("\n".join(offences[:40]))
    sys.exit(1 if offences else 0)


if __name__ == "__main__":
    main()
