"""The demo job: an invented crane runway in a powerhouse, a week of joints, and a cold front that comes tonight.

`schedule.csv` and `forecast.json` count days from the first day of the demo; the functions here write real dates in
their place, so that they can go through the same importer and the same feed as a real job's.
"""

from __future__ import annotations

import json
import re
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources
from typing import Any, Final
from zoneinfo import ZoneInfo

from frostshift_rules.gas_setup import GasSetup, OtherUse, SupplyTerms
from frostshift_rules.job import Acceptance, Choices, HeatSource, Procedure, Shift, Site
from frostshift_rules.notice_setup import NoticeSetup, Person
from frostshift_rules.stock_entry import ByState, StockEntry
from frostshift_rules.units import c_from_f
from frostshift_rules.work_setup import Crew, WorkSetup

SITE_ID: Final = "lynx-fork"
ZONE: Final = "America/Chicago"
SHOW_UNITS: Final = "us"
PAYLOAD_DAY_0: Final = datetime(2026, 1, 12, 6, tzinfo=UTC)
"""Midnight, at the site, of the first day of `forecast.json`."""
ISSUED_BEFORE: Final = timedelta(minutes=50)
"""The demo's forecast was issued so long ago."""

_TIME = re.compile(r"^(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00)(/\S+)?$")


def first_day(now: datetime) -> date:
    """Today at the site."""
    return now.astimezone(ZoneInfo(ZONE)).date()


def demo_site(now: datetime) -> Site:
    """The site, with the code table accepted and three procedures."""
    return Site(
        id=SITE_ID,
        name="Lynx Fork powerhouse, crane runway (demo)",
        latitude=47.9,
        longitude=-92.4,
        altitude_m=441.0,
        zone=ZONE,
        table_id="aws_d1_1_2015_t3_3",
        code_units="us",
        shifts=(
            Shift("day", time(6, 30), time(16, 30), hands=8),
            Shift("night", time(18, 0), time(2, 0), hands=4),
        ),
        heat_sources=(
            HeatSource("rosebud", "oxy-propane multi-flame tip", "propane", 45.0, count=6),
            HeatSource("hand", "air-propane hand torch", "propane", 35.0, 0.10, 0.20, 0.35, oxygen_ratio=0.0, count=6),
            HeatSource("pad", "resistance pad", None, 3.6, 0.40, 0.55, 0.65, count=8, kind="pad", area_m2=0.0774),
        ),
        procedures=(
            Procedure("P-07", minimum_c=c_from_f(150.0), maximum_c=c_from_f(400.0), qualified_by_test=True),
            Procedure("P-12", minimum_c=c_from_f(250.0), maximum_c=c_from_f(450.0)),
            Procedure("P-21", minimum_c=c_from_f(150.0), maximum_c=c_from_f(550.0)),
        ),
        acceptances=(Acceptance("aws_d1_1_2015_t3_3", "demo welding engineer", first_day(now)),),
        last_nights_low_c=c_from_f(27.0),
        choices=Choices(),
        gas=GasSetup(
            other_use=(
                OtherUse("tent heaters", "propane", 5.0, 8.0, 12.0, same_cylinders=False),
                OtherUse("cutting and gouging", "oxygen", 3.0, 5.0, 8.0, shifts=("day",)),
            ),
            supply=(
                SupplyTerms(
                    "propane-100", lead_days=2, least_order=4, storage_limit=24, rental_per_day=0.4, price=96.0
                ),
                SupplyTerms("oxygen-251", lead_days=2, least_order=6, storage_limit=60, rental_per_day=0.3, price=34.0),
            ),
            kwh_price=0.19,
            currency="USD",
        ),
        work=WorkSetup(
            (
                Crew("north", 3, ("day",)),
                Crew("south", 2, ("day",)),
                Crew("east", 2, ("day",)),
                Crew("west", 2, ("day",), ("SMAW", "GTAW")),
                Crew("night", 3, ("night",)),
                Crew("tent", 1),
            )
        ),
    )


def demo_stock(now: datetime) -> tuple[StockEntry, ...]:
    """What is on site: counted yesterday, the propane in use weighed this morning."""
    counted, weighed = now - timedelta(hours=20), now - timedelta(hours=1)
    by = "demo yard foreman"
    return (
        StockEntry("propane-100", "opening", counted, by, by_state=ByState(full=11, in_use=2, empty=3)),
        StockEntry("oxygen-251", "opening", counted, by, by_state=ByState(full=36, in_use=4, empty=9)),
        StockEntry("propane-100", "weighed", weighed, by, "both on the scale", left_kg=58.0),
    )


def demo_schedule(now: datetime) -> bytes:
    """The schedule as a CSV file, starts as real dates."""
    day_0 = first_day(now)

    def dated(match: re.Match[str]) -> str:
        return (day_0 + timedelta(days=int(match[1]))).isoformat()

    return re.sub(r"D\+(\d+)", dated, _text("schedule.csv")).encode()


def demo_payload(now: datetime) -> bytes:
    """The forecast as one feed serves it, moved to today."""
    midnight = datetime.combine(first_day(now), time(0), ZoneInfo(ZONE)).astimezone(UTC)
    payload = _moved(json.loads(_text("forecast.json")), midnight - PAYLOAD_DAY_0)
    payload["properties"]["updateTime"] = (now - ISSUED_BEFORE).replace(microsecond=0).isoformat()
    return json.dumps(payload).encode()


def _moved(value: Any, by: timedelta) -> Any:
    """Every time in a payload moved, the rest as it stands."""
    if isinstance(value, dict):
        return {key: _moved(item, by) for key, item in value.items()}
    if isinstance(value, list):
        return [_moved(item, by) for item in value]
    match = _TIME.match(value) if isinstance(value, str) else None
    if match is None:
        return value
    return (datetime.fromisoformat(match[1]) + by).isoformat() + (match[2] or "")


def _text(name: str) -> str:
    return resources.files("frostshift_service").joinpath("demo", name).read_text(encoding="utf-8")


def demo_people() -> NoticeSetup:
    """Who hears what; without addresses, as the demo sends nothing: notices stand on the pages."""
    return NoticeSetup(
        (
            Person("i-harrow", "I. Harrow, superintendent", "superintendent", "us"),
            Person("m-quill", "M. Quill, foreman north", "foreman", "us", crews=("north",), then="i-harrow"),
            Person("s-brandt", "S. Brandt, foreman night", "foreman", "us", crews=("night",), then="i-harrow"),
            Person("p-orme", "P. Orme, purchasing", "purchasing", "us"),
        )
    )
