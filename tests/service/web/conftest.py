"""A site with a plan made by hand, and an app around it. Every figure of the plan is invented; only the table rows are
those of AWS D1.1:2015, Table 3.3."""

import shutil
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from math import cos, nan, pi
from pathlib import Path
from time import sleep
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import numpy as np
import pytest
import uvicorn
from fastapi import FastAPI
from playwright.sync_api import Browser, Page, sync_playwright
from sqlalchemy import Engine

from frostshift_rules.figures import Ask
from frostshift_rules.gas import burn
from frostshift_rules.heat_compare import Comparison, compare
from frostshift_rules.job import Acceptance, HeatSource, Joint, Part, Procedure, Shift, Site
from frostshift_rules.preheat import Requirement
from frostshift_rules.reference_plates import ReferencePlates, reference_plates
from frostshift_rules.start_hours import JointStarts, at_starts, start_hours, whole_hours
from frostshift_rules.stops import Reason
from frostshift_rules.strict import Source
from frostshift_rules.surroundings import Hours
from frostshift_rules.tables import load_code_table
from frostshift_rules.units import c_from_f, mm_from_in, ms_from_mph
from frostshift_rules.workload import (
    FuelTotal,
    HeatPlan,
    JointPlan,
    PartHeat,
    Plan,
    Range,
    ShiftTotal,
    Span,
    Weather,
    WeatherSpell,
)
from frostshift_service.app import create_app
from frostshift_service.connections import server_config
from frostshift_service.gas_plans import GasPlans
from frostshift_service.jobs import site_air, uncorrected_weather, with_thermometer
from frostshift_service.settings import Settings
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.joints import import_joints
from frostshift_service.store.records import FeedRow, ImportedJoint, KeptForecast, StoreError
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.views.chart import SteelSeries
from frostshift_service.views.desk import Desk
from frostshift_service.views.show import Show
from frostshift_service.views.weather import SiteWeather
from frostshift_service.weather.age import Freshness
from frostshift_service.weather.feeds import FEEDS
from frostshift_service.weather.order import Standing

NOW = datetime(2026, 12, 17, 11, 30, tzinfo=UTC)  # 05:30 in Chicago, a Thursday
DAY = date(2026, 12, 17)
TABLE = "aws_d1_1_2015_t3_3"


def at(hours: float) -> datetime:
    """So many hours after 05:30 local."""
    return NOW + timedelta(hours=hours)


def site() -> Site:
    return Site(
        id="north-yard",
        name="North yard crane runway",
        latitude=46.8,
        longitude=-92.1,
        altitude_m=200.0,
        zone="America/Chicago",
        table_id=TABLE,
        code_units="us",
        shifts=(Shift("Day", time(6), time(16), hands=3), Shift("Night", time(16), time(2), hands=2)),
        heat_sources=(HeatSource("P1", "Propane heating torch", "propane", 24.0, count=4),),
        procedures=(Procedure("W-12", minimum_c=c_from_f(200.0)),),
        acceptances=(Acceptance(TABLE, "Q. Arden", date(2026, 11, 3)),),
    )


def joint(mark: str, start_h: float, **fields: object) -> Joint:
    values: dict[str, object] = {
        "place": "row B, line 4",
        "parts": (Part("A572-50", mm_from_in(1.5), 1.5), Part("A572-50", mm_from_in(1.0), 1.0)),
        "process": "SMAW",
        "electrode": "E7018",
        "hydrogen_ml": None,
        "procedure": None,
        "weld_length_mm": 600.0,
        "ends": "inside",
        "start_utc": at(start_h),
        "hours": 2.5,
        "crew": "north",
        **fields,
    }
    return Joint(mark, **values)  # type: ignore[arg-type]


def requirement(minimum_f: float | None, row: str, **fields: object) -> Requirement:
    asks = ()
    if minimum_f is not None:
        asks = (
            Ask("row", c_from_f(minimum_f), TABLE, row, "Table 3.3", "seen", "Thickest part at the point of welding."),
        )
    values: dict[str, object] = {
        "minimum_c": None if minimum_f is None else c_from_f(minimum_f),
        "maximum_c": None,
        "maximum_source": "",
        "extent_mm": mm_from_in(3.0),
        "cold_below_c": 0.0,
        "cold_floor_c": c_from_f(70.0),
        "literal_cold": True,
        "category": "B",
        "asks": asks,
        "unknown": (),
        "not_accepted": False,
        "notes": (),
        **fields,
    }
    return Requirement(**values)  # type: ignore[arg-type]


def heat_plan(of: Joint, minimum_f: float, minutes: Range | None, **fields: object) -> HeatPlan:
    source = site().heat_sources[0]
    minimum_c = c_from_f(minimum_f)
    band_mm, length_mm = 105.0, 810.0
    area_m2 = len(of.parts) * band_mm * length_mm / 1e6
    flux = Range(
        *(of.torches * source.net_kw * s / area_m2 for s in (source.share_low, source.share_likely, source.share_high))
    )
    hold = Range(14.2, 22.0, 31.0)
    burned = (
        ()
        if minutes is None
        else tuple(burn(source, m * of.torches) for m in (minutes.low, minutes.likely, minutes.high))
    )
    values: dict[str, object] = {
        "status": "ok",
        "note": "",
        "source_id": "P1",
        "torches": of.torches,
        "segments": 1,
        "heated_length_mm": 600.0,
        "minimum_c": minimum_c,
        "target_c": minimum_c + 25.0,
        "maximum_c": None,
        "extent_mm": mm_from_in(3.0),
        "minutes": minutes,
        "total_minutes": minutes,
        "soak_minutes": 3.0,
        "light_up_utc": None if minutes is None else of.start_utc - timedelta(minutes=minutes.high + 13.0),
        "earliest_arc_utc": None,
        "hold_minutes": None if minutes is None else hold,
        "hottest_c": 240.0,
        "fuel_kg": None if minutes is None else Range(*(b.fuel_kg for b in burned)),
        "oxygen_m3": None if minutes is None else Range(*(b.oxygen_m3 for b in burned)),
        "parts": tuple(
            PartHeat(
                part_no=n,
                status="ok" if minutes else "no_time",
                thickness_mm=part.thickness_mm,
                start_c=Range(-12.0, -8.0, -4.0),
                flux_kwm2=flux,
                convection_wm2k=Range(12.0, 18.0, 24.0),
                band_mm=band_mm,
                band_length_mm=length_mm,
                minutes=minutes,
                hold_minutes=hold if minutes else None,
                hottest_c=240.0,
                elasticity=1.1,
            )
            for n, part in enumerate(of.parts, 1)
        ),
        **fields,
    }
    return HeatPlan(**values)  # type: ignore[arg-type]


def joint_plan(of: Joint, shift_key: str | None, **fields: object) -> JointPlan:
    start = of.start_utc
    values: dict[str, object] = {
        "joint": of,
        "shift_key": shift_key,
        "call": "no_heat",
        "call_by_air": "no_heat",
        "reasons": ("The steel stays above what is asked all through its window.",),
        "unknowns": (),
        "requirement": requirement(50.0, "category B, over 3/4 thru 1-1/2 in"),
        "minimum_c": c_from_f(50.0),
        "window_start_utc": start - timedelta(hours=1),
        "window_end_utc": start + timedelta(hours=of.hours + 2.0),
        "steel": Span(start, -12.2, -8.0, -4.1),
        "steel_now": Span(start, -11.0, -7.0, -3.2),
        "air": Span(start, -18.0, -15.0, -12.0),
        "no_heat_before_utc": None,
        "no_heat_after_utc": None,
        "anchored": True,
        "weather_state": "go",
        "weather_spells": (),
        "heat": None,
        "hint": False,
        **fields,
    }
    return JointPlan(**values)  # type: ignore[arg-type]


DAY_KEY, NIGHT_KEY = "2026-12-17 Day", "2026-12-17 Night"


def joint_plans() -> tuple[JointPlan, ...]:
    raised = joint("CR-B4-W", 2.0, torches=2)
    minimum = joint("CR-B5-W", 3.5, place="row B, line 5, bottom splice")
    early = joint("BP-A1", 0.75, parts=(Part("A572-50", mm_from_in(3.0), 3.0),), place="row A, line 1, base plate")
    measure = joint("CR-B6-N", 5.0, crew="")
    bare = joint("BR-C2", 6.0, parts=(Part("A36", mm_from_in(0.5), 0.5),), place="row C brace")
    web = joint("GR-D1", 7.0, parts=(Part("A572-50", mm_from_in(1.5), 1.5, "flange_with_web"),))
    odd = joint("X9/α <3>", 8.0, process=None, electrode=None, place="somewhere <script>")
    hinted = joint("HP-E2", 11.5, parts=(Part("A913-65", mm_from_in(2.0), 2.0),), crew="south")
    night = joint("CR-B7-W", 13.0, state="in_progress", crew="south")
    lone = joint("LN-1", 22.0, crew="")
    rule = Source("5.12 (invented)", "from memory")
    cold = Reason("air_below_limit", c_from_f(-6.0), c_from_f(0.0), rule)
    wind = Reason("wind_above_limit", ms_from_mph(14.0), ms_from_mph(5.0), rule)
    frost = Reason("frost", None, None, rule)
    return (
        joint_plan(
            early,
            DAY_KEY,
            call="heat_to_minimum",
            call_by_air="cold_steel_heat",
            reasons=("Steel down to 12 °F, asked 225 °F.",),
            requirement=requirement(225.0, "category B, over 2-1/2 in"),
            minimum_c=c_from_f(225.0),
            heat=heat_plan(early, 225.0, Range(52.3, 71.0, 103.6), earliest_arc_utc=at(0.5 + 117 / 60)),
        ),
        joint_plan(
            raised,
            DAY_KEY,
            call="cold_steel_heat",
            call_by_air="cold_steel_heat",
            reasons=("Steel on the cold side 10 °F, below 32 °F: raised to 70 °F.", "Row asks 50 °F."),
            minimum_c=c_from_f(70.0),
            weather_state="shelter_needed",
            weather_spells=(WeatherSpell(at(1.5), at(3.5), "shelter_needed", (wind,)),),
            heat=heat_plan(raised, 70.0, Range(12.2, 14.4, 18.6)),
        ),
        joint_plan(
            minimum,
            DAY_KEY,
            call="heat_to_minimum",
            call_by_air="heat_to_minimum",
            weather_state="dry_first",
            weather_spells=(WeatherSpell(at(2.5), at(3.5), "dry_first", (frost,)),),
            heat=heat_plan(minimum, 50.0, Range(20.0, 27.0, 40.2)),
        ),
        joint_plan(
            measure,
            DAY_KEY,
            call="measure",
            call_by_air="no_heat",
            steel=Span(at(6), 8.4, 11.0, 13.6),
            reasons=("Only the warm side passes.",),
            no_heat_after_utc=at(7.75),
            weather_state="stop",
            weather_spells=(WeatherSpell(at(5.5), at(8.5), "stop", (cold,)),),
            heat=heat_plan(measure, 50.0, Range(3.0, 4.0, 6.0)),
        ),
        joint_plan(
            bare,
            DAY_KEY,
            requirement=requirement(32.0, "category A, thru 3/4 in"),
            minimum_c=0.0,
            steel=Span(at(6), 1.0, 4.0, 7.0),
        ),
        joint_plan(
            web,
            DAY_KEY,
            call="heat_to_minimum",
            call_by_air="heat_to_minimum",
            heat=heat_plan(
                web,
                50.0,
                None,
                status="no_time",
                hottest_c=None,
                note="No time yet: this kind of part is not modelled; a flat plate's time would be too short.",
            ),
        ),
        joint_plan(
            odd,
            DAY_KEY,
            call="unknown",
            call_by_air="unknown",
            unknowns=("the process is not stated",),
            reasons=(),
            requirement=requirement(None, "", unknown=("the process is not stated",), category=""),
            minimum_c=None,
            steel=None,
            steel_now=None,
            air=None,
            weather_state="unknown",
        ),
        joint_plan(
            hinted,
            NIGHT_KEY,
            call="unknown",
            call_by_air="unknown",
            unknowns=("category C is second hand and not accepted",),
            requirement=requirement(
                150.0,
                "category C, over 1-1/2 thru 2-1/2 in",
                not_accepted=True,
                category="C",
                asks=(
                    Ask(
                        "row",
                        c_from_f(150.0),
                        TABLE,
                        "category C, over 1-1/2 thru 2-1/2 in",
                        "Table 3.3",
                        "second hand",
                        "Not seen in print.",
                    ),
                ),
            ),
            minimum_c=c_from_f(150.0),
            heat=heat_plan(hinted, 150.0, Range(41.0, 56.0, 80.0)),
            hint=True,
        ),
        joint_plan(night, NIGHT_KEY, anchored=False, call="measure", call_by_air="heat_to_minimum"),
        joint_plan(lone, None),
    )


def shift_totals() -> tuple[ShiftTotal, ...]:
    fuel = FuelTotal(
        "P1", Range(3.1, 4.4, 6.6), Range(6.7, 9.5, 14.2), 1, 3, "100 lb propane cylinder", "251 ft³ oxygen cylinder"
    )
    none = Range(0.0, 0.0, 0.0)
    day = ShiftTotal(
        key=DAY_KEY,
        name="Day",
        day=DAY,
        start_utc=at(0.5),
        end_utc=at(10.5),
        joints=7,
        calls={"no_heat": 1, "heat_to_minimum": 3, "cold_steel_heat": 1, "measure": 1, "unknown": 1},
        states={"go": 3, "dry_first": 1, "shelter_needed": 1, "stop": 1, "unknown": 1},
        heat_minutes=Range(96.7, 126.8, 181.0),
        torches_at_once=3,
        torches_at_utc=at(1.25),
        torches_there=4,
        hands=3,
        fuels=(fuel,),
        unknown=2,
        notes=(
            "Light-up lies before anybody is there for BP-A1: somebody comes at 04:18, or the arc waits until 07:57.",
        ),
    )
    night = ShiftTotal(
        key=NIGHT_KEY,
        name="Night",
        day=DAY,
        start_utc=at(10.5),
        end_utc=at(20.5),
        joints=2,
        calls={"unknown": 1, "measure": 1},
        states={"go": 2},
        heat_minutes=none,
        torches_at_once=0,
        torches_at_utc=None,
        torches_there=4,
        hands=2,
        fuels=(),
        unknown=1,
        notes=(),
    )
    day_after = DAY + timedelta(days=1)
    empty = replace(
        day,
        key=f"{day_after} Day",
        day=day_after,
        start_utc=at(24.5),
        end_utc=at(34.5),
        joints=0,
        calls={},
        states={},
        heat_minutes=none,
        torches_at_once=0,
        torches_at_utc=None,
        fuels=(),
        unknown=0,
        notes=(),
    )
    return (day, night, empty)


def make_plan() -> Plan:
    return Plan(
        site=site(),
        made_utc=NOW - timedelta(minutes=12),
        feed="nws",
        issued_utc=NOW - timedelta(hours=2, minutes=5),
        fetched_utc=NOW - timedelta(minutes=14),
        freshness="fresh",
        forecast_end_utc=at(150),
        joints=joint_plans(),
        shifts=shift_totals(),
        outside_shifts=1,
        warnings=(),
    )


def site_weather(**changes: Any) -> SiteWeather:
    """A forecast of four days by the first of two feeds; the gust of one hour and all sun are missing."""
    hours = np.arange(-6, 90)
    gust_ms = 9.0 + np.zeros(len(hours))
    gust_ms[10] = nan
    runs = {
        "air_c": (("native", 60), ("interpolated", 36)),
        "precip_mm": (("spread", 96),),
        "gust_10m_ms": (("native", 96),),
        "sun_wm2": (("native", 96),),
    }
    weather = Weather(
        feed="nws",
        issued_utc=at(-125 / 60),
        fetched_utc=at(-0.5),
        freshness="fresh",
        late_by_h=0.0,
        hours=Hours(
            start_utc=at(0).replace(minute=0) - timedelta(hours=6),
            air_c=-12.0 - 8.0 * np.cos(2 * pi * (hours + 6) / 24),
            dew_c=-22.0 + np.zeros(len(hours)),
            wind_10m_ms=4.5 + np.zeros(len(hours)),
            cloud=0.25 + np.zeros(len(hours)),
            precip_mm=np.where(hours == 12, 1.27, 0.0),
            snow_cm=np.where(hours == 12, 2.54, 0.0),
            gust_10m_ms=gust_ms,
            sun_wm2=np.full(len(hours), nan),
        ),
        attribution=FEEDS["nws"].attribution,
    )
    return replace(
        SiteWeather(
            weather=weather,
            forecast=KeptForecast("nws", at(-125 / 60), at(-0.5), weather.hours, b"{}", "credit", quality=runs, id=1),
            standings=(Standing("nws", 1, Freshness("fresh", 1.0, 0.5, 0.0)), Standing("met_norway")),
            rows={"nws": FeedRow("north-yard", "nws", at(0.5), at(-0.5), issued_utc=at(-125 / 60))},
        ),
        **changes,
    )


def steel_series() -> SteelSeries:
    """A day that swings between about -20 and -4 °C, the steel some hours behind; one hour is missing."""
    hours = range(-30, 61)
    air = [-12.0 - 8.0 * cos(2 * pi * (h + 6) / 24) for h in hours]
    steel = [-11.0 - 5.0 * cos(2 * pi * (h + 2) / 24) for h in hours]
    air[35], steel[35] = nan, nan
    return SteelSeries(
        times_utc=tuple(at(h + 0.5) for h in hours),
        air_c=tuple(air),
        steel_c=tuple(steel),
        cold_c=tuple(value - 3.5 for value in steel),
        warm_c=tuple(value + 3.2 for value in steel),
    )


@dataclass
class HandPlanner:
    """Hands out one plan and writes down what was asked of it."""

    plan: Plan | None
    replanned: list[str] = field(default_factory=list)
    site_weather: SiteWeather | None = None
    engine: Engine | None = None
    clock: list[datetime] = field(default_factory=lambda: [NOW])
    gas_plans: GasPlans = field(default_factory=GasPlans)

    def current_plan(self, site_id: str, because: str = "shown") -> Plan | None:
        return self.plan

    def steel_series(self, site_id: str, mark: str) -> SteelSeries | None:
        return None if mark == "X9/α <3>" else steel_series()

    def times_for_torches(self, site_id: str, mark: str) -> Mapping[int, HeatPlan]:
        assert self.plan is not None
        found = next(jp for jp in self.plan.joints if jp.joint.mark == mark)
        if found.heat is None or found.heat.minutes is None:
            return {}
        minutes, used = found.heat.minutes, found.heat.torches
        return {
            n: heat_plan(
                replace(found.joint, torches=n),
                70.0,
                Range(*(m * used / n for m in (minutes.low, minutes.likely, minutes.high))),
            )
            for n in (1, 2, 3)
        }

    def compare(self, site_id: str, marks: Sequence[str]) -> Comparison:
        """Worked out, not made by hand."""
        assert self.plan is not None
        there = {planned.joint.mark: planned.joint for planned in self.plan.joints}
        weather = self.weather(site_id).weather
        joints = [there[mark] for mark in marks]
        return compare(self.plan.site, load_code_table(TABLE), joints, weather, (), self.plan.made_utc)

    def start_hours(self, site_id: str, marks: Sequence[str], count: int) -> Mapping[str, JointStarts]:
        """Worked out, not made by hand."""
        assert self.plan is not None
        made, joints = self.plan.made_utc, [planned.joint for planned in self.plan.joints]
        starts, weather = whole_hours(site(), made, count), self.weather(site_id).weather
        found = start_hours(site(), load_code_table(TABLE), joints, weather, (), made, starts, marks)
        return {row.joint.mark: row for row in found}

    def begin_order(self, site_id: str, by: str, shifts: int) -> int:
        raise StoreError("nothing is worked out here")

    def new_starts(self, site_id: str, starts: Mapping[str, datetime]) -> Mapping[str, JointStarts]:
        """Worked out, not made by hand."""
        assert self.plan is not None
        joints, weather = [planned.joint for planned in self.plan.joints], self.weather(site_id).weather
        found = at_starts(site(), load_code_table(TABLE), joints, weather, (), self.plan.made_utc, starts)
        return {row.joint.mark: row for row in found}

    def forecast_hours(self, site_id: str) -> Hours | None:
        return self.weather(site_id).weather.hours

    def weather(self, site_id: str) -> SiteWeather:
        if self.site_weather is not None:
            return self.site_weather
        assert self.engine is not None
        with reading(self.engine) as session:
            kept_site, now = load_site(session, site_id), self.clock[0]
            raw = uncorrected_weather(session, kept_site, now)[2]
            held = with_thermometer(session, kept_site, raw, now)[1]
            return site_weather(air=site_air(session, site_id, raw, held))

    def reference_plates(self, site_id: str) -> ReferencePlates | None:
        """Worked out, not made by hand."""
        joints = [] if self.plan is None else [planned.joint for planned in self.plan.joints]
        return reference_plates(site(), load_code_table(TABLE), joints, self.weather(site_id).weather, ())

    def send_test(self, site_id: str, person_id: str, position: int) -> str:
        return f"Not sent to {person_id}, address {position}: no mail server is set."

    def replan(self, site_id: str) -> None:
        self.replanned.append(site_id)


def token_of(app: FastAPI) -> dict[str, str]:
    """The form of a one-time link that signs in as the owner."""
    return {"token": app.state.door.new_link().split("token=")[1]}


def enter(page: Page, app: FastAPI) -> None:
    """Sign a browser in as the owner."""
    page.goto(app.state.door.new_link())
    page.get_by_role("button", name="Sign in on this browser").click()


@dataclass
class Web:
    """An app around the hand-made plan."""

    app: FastAPI
    engine: Engine
    planner: HandPlanner
    clock: list[datetime]

    @asynccontextmanager
    async def client(self, *, signed_in: bool = True) -> AsyncIterator[httpx.AsyncClient]:
        """A browser-like client inside the app's life."""
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False)
        headers = {"sec-fetch-site": "same-origin", "accept": "text/html"}
        async with (
            self.app.router.lifespan_context(self.app),
            httpx.AsyncClient(transport=transport, base_url="http://localhost:8765", headers=headers) as client,
        ):
            if signed_in:
                answer = await client.post("/enter", data=token_of(self.app))
                assert answer.status_code == 303
            yield client


@pytest.fixture
def plan() -> Plan:
    return make_plan()


@pytest.fixture
def series() -> SteelSeries:
    return steel_series()


@pytest.fixture
def show() -> Show:
    return Show("us", ZoneInfo("America/Chicago"))


@pytest.fixture
def now() -> datetime:
    return NOW


@pytest.fixture
def torch_times() -> Callable[[str], Mapping[int, HeatPlan]]:
    return lambda mark: HandPlanner(make_plan()).times_for_torches("north-yard", mark)


@pytest.fixture(scope="session")
def filled_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with the site and its joints, made once and copied for each test."""
    path = tmp_path_factory.mktemp("filled") / "store.db"
    engine = open_store(f"sqlite:///{path.as_posix()}")
    imported = [
        ImportedJoint(jp.joint, row, ("exposure", "torches"), jp.unknowns) for row, jp in enumerate(joint_plans(), 2)
    ]
    with writing(engine) as session:
        save_site(session, site(), show_units="us")
        import_joints(session, "north-yard", imported, now=NOW, file_name="week-51.csv", by="test")
    engine.dispose()  # the last connection closes: everything is in the one file
    return path


@pytest.fixture(scope="session")
def shared_app(filled_store: Path) -> tuple[FastAPI, list[datetime]]:
    """One app for all tests (it takes a third of a second to make) and its clock; each test gives it its own desk."""
    clock = [NOW]
    engine = open_store(f"sqlite:///{filled_store.as_posix()}")
    settings = Settings(data_dir=filled_store.parent, requests_per_second=100_000)  # all tests have one address
    return create_app(settings, engine, lambda: clock[0], HandPlanner(None)), clock


@pytest.fixture
def web(tmp_path: Path, filled_store: Path, shared_app: tuple[FastAPI, list[datetime]]) -> Iterator[Web]:
    app, clock = shared_app
    clock[0] = NOW
    shutil.copy(filled_store, tmp_path / "store.db")
    engine = open_store(f"sqlite:///{(tmp_path / 'store.db').as_posix()}")
    planner = HandPlanner(make_plan(), engine=engine, clock=clock)
    app.state.desk = Desk(engine, planner, lambda: clock[0])
    yield Web(app, engine, planner, clock)
    engine.dispose()


# In a browser ---------------------------------------------------------------------------------------------------------

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def browser(chromium_path: str) -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=FLAGS)
        yield browser
        browser.close()


@contextmanager
def served(app: FastAPI) -> Iterator[str]:
    """An app on a free port of loopback, served from a thread; its address."""
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    server = uvicorn.Server(server_config(app))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    while not server.started and thread.is_alive():
        sleep(0.01)
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()
        listener.close()


@pytest.fixture
def base_url(web: Any) -> Iterator[str]:
    """The app on a free port of loopback."""
    with served(web.app) as url:
        yield url
