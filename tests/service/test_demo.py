"""The demo job through the real importer, feed parser and planner, whatever the day and the hour."""

import csv
import importlib.util
import io
import json
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import get_args
from zoneinfo import ZoneInfo

import pytest

from frostshift_rules.calls import HeatCall
from frostshift_rules.delivered import heaters_of
from frostshift_rules.heat_options import heat_options, job_of
from frostshift_rules.job import ARRANGEMENTS
from frostshift_rules.plan import make_plan
from frostshift_rules.stops import WeatherState
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import JointPlan, Plan, Weather
from frostshift_service import demo
from frostshift_service.schedule_file import ScheduleFile, read_schedule
from frostshift_service.weather import Forecast
from frostshift_service.weather.file import parse

MAKE_DEMO = Path(__file__).parents[2] / "fixtures" / "demo" / "make_demo.py"
ZONE = ZoneInfo(demo.ZONE)


def local(*parts: int, fold: int = 0) -> datetime:
    return datetime(*parts, fold=fold, tzinfo=ZONE)  # type: ignore[misc,arg-type]


HOURS = [local(2026, 1, 14, hour, 30) for hour in range(24)]
DAYS = [local(2026, 1, day, 9) for day in range(12, 19)]
AWKWARD = [
    local(2026, 3, 1, 9),  # the clocks go forward in the demo's last night
    local(2026, 3, 7, 20),  # in its first night
    local(2026, 3, 8, 1, 30),
    local(2026, 3, 8, 3, 5),
    local(2026, 10, 31, 21),  # and back
    local(2026, 11, 1, 1, 30),
    local(2026, 11, 1, 1, 30, fold=1),
    local(2026, 11, 1, 12),
    local(2026, 12, 25, 6),
    local(2026, 12, 31, 23, 59),
    local(2027, 1, 1, 0, 0),
    local(2028, 2, 28, 12),  # a leap day tomorrow
    local(2026, 7, 4, 5),
]


def moments(*some: datetime) -> pytest.MarkDecorator:
    # As UTC: two local times that differ in their fold alone would count as equal.
    return pytest.mark.parametrize("now", [one.astimezone(UTC) for one in some], ids=lambda now: f"{now:%Y-%m-%d_%H%M}")


ALL = moments(*HOURS, *DAYS, *AWKWARD)
SOME = moments(*HOURS[::4], *DAYS[-3:], *AWKWARD)


@cache
def loaded(now: datetime) -> tuple[ScheduleFile, Forecast]:
    """The schedule and the forecast as they come through the doors of a real job."""
    schedule = read_schedule(demo.demo_schedule(now), "schedule.csv", demo.demo_site(now), now)
    return schedule, parse(json.loads(demo.demo_payload(now)), now)


@cache
def planned(now: datetime) -> Plan:
    schedule, forecast = loaded(now)
    site = demo.demo_site(now)
    weather = Weather("file", forecast.issued_utc, now, "fresh", 0.0, forecast.hours)
    joints = [item.joint for item in schedule.joints]
    return make_plan(site, load_code_table(site.table_id), joints, weather, [], now)


MORNING = HOURS[9].astimezone(UTC)


@ALL
def test_it_loads_without_errors(now: datetime) -> None:
    schedule, forecast = loaded(now)
    assert schedule.errors == ()
    assert len(schedule.warnings) == 1, "only the weekend repair that is meant to lie outside every shift"
    assert "'SK-02' is outside every shift" in schedule.warnings[0]
    assert forecast.warnings == ()
    assert forecast.issued_utc is not None
    assert timedelta(0) < now - forecast.issued_utc < timedelta(hours=1)


@SOME
def test_every_call_and_every_weather_state_is_there(now: datetime) -> None:
    plan = planned(now)
    assert {joint.call for joint in plan.joints} == set(get_args(HeatCall))
    assert {joint.weather_state for joint in plan.joints} == set(get_args(WeatherState))


@SOME
def test_tomorrows_two_shifts_and_tonight_hold_joints(now: datetime) -> None:
    plan = planned(now)
    today = demo.first_day(now)
    tomorrow = today + timedelta(days=1)
    in_shift = Counter(joint.shift_key for joint in plan.joints)
    assert in_shift[f"{today} night"] == 3
    assert in_shift[f"{tomorrow} day"] >= 8
    assert in_shift[f"{tomorrow} night"] >= 3


@ALL
def test_a_cold_front_arrives_tonight(now: datetime) -> None:
    _, forecast = loaded(now)
    hours = forecast.hours
    midnight = datetime.combine(demo.first_day(now), datetime.min.time(), ZONE).astimezone(UTC)
    afternoon, next_morning, second_night = (
        round((midnight + timedelta(hours=hour) - hours.start_utc) / timedelta(hours=1)) for hour in (15, 31, 56)
    )
    assert hours.air_c[afternoon] > 2.0
    assert hours.air_c[next_morning] < -10.0
    assert hours.air_c[second_night] < -24.0
    assert hours.snow_cm[afternoon : next_morning + 1].sum() > 4.0
    assert hours.time_utc(0) <= now - timedelta(hours=24), "past hours, so that heavy steel has forgotten its start"
    assert hours.time_utc(len(hours) - 1) >= midnight + timedelta(days=8)


def test_about_sixty_joints_of_many_kinds_over_a_week() -> None:
    schedule, _ = loaded(MORNING)
    joints = [item.joint for item in schedule.joints]
    assert 55 <= len(joints) <= 70
    starts = sorted(joint.start_utc for joint in joints)
    assert timedelta(days=6) < starts[-1] - starts[0] < timedelta(days=8)
    parts = [part for joint in joints for part in joint.parts]
    assert len({part.steel for part in parts} - {None}) >= 6
    assert min(part.thickness_mm for part in parts) == pytest.approx(9.525)  # 3/8 in
    assert max(part.thickness_mm for part in parts) == pytest.approx(127.0)  # 5 in
    assert {part.kind for part in parts} == {"plate", "flange_with_web", "tube"}
    assert {joint.process for joint in joints} >= {"SMAW", "FCAW-S", "FCAW-G", "GTAW"}
    assert {joint.electrode for joint in joints} >= {"E7018", "E6010", None}, "with and without low hydrogen"
    assert sum(joint.shelter is not None for joint in joints) >= 3


def test_its_torches_are_realistic() -> None:
    # A swept multi-flame tip over the band that must be warm: 40 to 200 kW/m2 of net heat (common practice, no source);
    # wind on the flame takes a fifth (the project's judgement).
    plan = planned(MORNING)
    heats = {joint.joint.mark: joint.heat for joint in plan.joints if joint.heat is not None}
    for mark, heat in heats.items():
        for part in heat.parts:
            assert 0.8 * 40.0 <= part.flux_kwm2.likely <= 200.0, mark
    statuses = Counter(heat.status for heat in heats.values())
    assert set(statuses) == {"ok", "no_time", "too_hot"}
    assert statuses["ok"] >= 45
    assert (heats["BB-01"].status, statuses["too_hot"]) == ("too_hot", 1)
    assert (heats["CG-3B"].status, statuses["no_time"]) == ("no_time", 1), "its web is not known"


def of_tomorrow(now: datetime) -> dict[str, JointPlan]:
    tomorrow = demo.first_day(now) + timedelta(days=1)
    shifts = {f"{tomorrow} day", f"{tomorrow} night"}
    return {joint.joint.mark: joint for joint in planned(now).joints if joint.shift_key in shifts}


def test_tomorrow_shows_how_parts_meet_and_what_heats_them() -> None:
    joints = of_tomorrow(MORNING)
    assert len(joints) <= 16, "the sheet stays short"
    assert {one.joint.arrangement for one in joints.values()} >= set(ARRANGEMENTS)
    assert [mark for mark, one in joints.items() if one.joint.welded] == ["MC-C1"]
    assert [mark for mark, one in joints.items() if one.joint.also_heated] == ["BP-A2"]
    heats = {mark: one.heat for mark, one in joints.items() if one.heat is not None}
    assert joints.keys() - heats.keys() == {"EP-01"}, "its electrode is not stated"
    assert [mark for mark, heat in heats.items() if heat.light_up_utc is None] == ["BB-01"]
    power = {mark: heat.energy_kwh.likely for mark, heat in heats.items() if heat.energy_kwh and heat.energy_kwh.likely}
    assert power.keys() == {"BP-A2"}
    before_anybody = {mark for mark, heat in heats.items() if heat.earliest_arc_utc is not None}
    assert before_anybody == {"BP-A1", "BP-A3"}


def test_the_heat_of_the_arc_shows_where_a_maximum_is_stated() -> None:
    waits = {mark: one.heat.arc_wait_minutes for mark, one in of_tomorrow(MORNING).items() if one.heat is not None}
    for mark in ("CG-1T", "CG-1B"):
        wait = waits.pop(mark)
        assert wait is not None
        assert 0.5 < wait < 15.0, "shown, and no longer than 12 passes in three hours leave anyway"
    assert set(waits.values()) == {None}


def test_the_joint_that_would_overheat_has_a_way_out() -> None:
    found = of_tomorrow(MORNING)["BB-01"]
    site = demo.demo_site(MORNING)
    assert found.heat is not None
    job = job_of(found.heat, found.joint, heaters_of(found.joint, site.heat_source))
    assert job is not None
    assert [option.change for option in heat_options(job, site.choices).remedies] == ["band"]


def test_the_front_changes_calls_between_this_afternoon_and_tonight() -> None:
    # The same gusset, before the front and in it.
    tonight = {joint.joint.mark: joint for joint in planned(MORNING).joints}
    before, after = tonight["GP-01"], tonight["GP-15"]
    assert (before.call, after.call) == ("measure", "cold_steel_heat")
    assert before.steel is not None
    assert after.steel is not None
    assert before.steel.likely_c > 0.0 > after.steel.likely_c + 5.0
    assert tonight["BP-C1"].call == "heat_to_minimum"


def test_dates_are_local_days_from_today() -> None:
    now = datetime(2026, 3, 8, 5, 30, tzinfo=UTC)  # still the 7th at the site
    assert demo.first_day(now) == date(2026, 3, 7)
    rows = list(csv.DictReader(io.StringIO(demo.demo_schedule(now).decode())))
    starts = {row["mark"]: row["start"] for row in rows}
    assert starts["GP-01"] == "2026-03-07 15:00"
    assert starts["BP-A1"] == "2026-03-08 07:30"
    schedule, _ = loaded(now)
    utc = {item.joint.mark: item.joint.start_utc for item in schedule.joints}
    assert utc["GP-01"] == datetime(2026, 3, 7, 21, 0, tzinfo=UTC)  # CST
    assert utc["BP-A1"] == datetime(2026, 3, 8, 12, 30, tzinfo=UTC)  # CDT


def test_the_files_are_what_the_generator_writes() -> None:
    spec = importlib.util.spec_from_file_location("make_demo", MAKE_DEMO)
    assert spec is not None
    assert spec.loader is not None
    make_demo = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make_demo)
    written = {name: Path(demo.__file__).with_name(name) for name in ("schedule.csv", "forecast.json")}
    assert json.loads(written["forecast.json"].read_text(encoding="utf-8")) == make_demo.forecast()
    with written["schedule.csv"].open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows == [{name: row.get(name, "") for name in make_demo.HEAD} for row in make_demo.schedule()]
