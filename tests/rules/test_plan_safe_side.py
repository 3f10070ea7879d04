"""Paths on which a plan could look better than it is; each must come out on the safe side.

Rows of AWS D1.1/D1.1M:2015, Table 3.3, category B: 0 °C up to 20 mm, 10 °C over 20 thru 38 mm; doubt ± 3 K.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from frostshift_rules.job import Joint, JointState, Part, Reading, Shelter

from .plan_builders import (
    FIRST,
    HOURS,
    START,
    at,
    by_mark,
    changed,
    choices,
    heat_of,
    hours,
    joint,
    mm,
    plan,
    planned,
    reading,
)

THIN = joint(mm(10.0))
NOW = START - timedelta(hours=4)
"""Four hours before the planned start."""


@pytest.mark.parametrize("state", ["heating", "in_progress"])
def test_a_joint_begun_ahead_of_its_time_is_judged_from_now(state: JointState) -> None:
    """Cold or rain now, gone before the planned start."""
    cold = hours(changed(np.full(HOURS, 20.0), slice(at(NOW), at(NOW) + 2), -15.0))
    rain = hours(20.0, precip_mm=changed(np.zeros(HOURS), at(NOW), 3.0))
    waits, begun = joint(mm(10.0), exposure="open"), joint(mm(10.0), exposure="open", state=state)
    assert [planned(one, cold, now_utc=NOW).call for one in (waits, begun)] == ["no_heat", "cold_steel_heat"]
    states = [planned(one, rain, now_utc=NOW).weather_state for one in (waits, begun)]
    assert states == ["go", "shelter_needed"]
    assert [planned(one, cold, now_utc=NOW).window_start_utc for one in (waits, begun)] == [START, NOW]


def test_a_joint_begun_ahead_of_its_time_and_never_ended_is_overdue() -> None:
    late = planned(joint(mm(10.0), state="in_progress"), 20.0, now_utc=START + timedelta(hours=5))
    assert late.call == "unknown"


def test_the_weather_of_an_overdue_joint_is_unknown() -> None:
    """Its hours are past: fair weather then says nothing of the hour in which it will be welded."""
    found = planned(THIN, 20.0, now_utc=START + timedelta(hours=5))
    assert (found.call, found.weather_state, found.weather_spells) == ("unknown", "unknown", ())


@pytest.mark.parametrize("thickness_mm", [25.0, 38.0])
def test_a_shelter_does_not_shield_the_steel_before_it_stands(thickness_mm: float) -> None:
    """A front an hour before the start: in still air 38 mm would stay above 10 °C, in 3 m/s it does not."""
    front = hours(np.where(np.arange(HOURS) < at(START) - 1, 30.0, 8.0))
    choice = choices(slip_hours=0.0)
    bare = planned(joint(mm(thickness_mm), hours=1.0), front, choices=choice)
    calm = planned(joint(mm(thickness_mm), hours=1.0, shelter=Shelter(air_c=20.0, wind_ms=0.0)), front, choices=choice)
    assert bare.steel is not None
    assert calm.steel is not None
    assert calm.steel.likely_c > bare.steel.likely_c
    assert calm.steel.cold_c <= bare.steel.cold_c
    assert (bare.call, calm.call) == ("measure", "measure")


def test_still_air_under_a_clear_sky_keeps_its_colder_side() -> None:
    """There the sheltered steel is the colder one: calm steel under an open sky falls further below the air."""
    clear = hours(14.0, cloud=np.zeros(HOURS))
    bare, calm = (planned(joint(mm(25.0), exposure="open", shelter=s), clear) for s in (None, Shelter(wind_ms=0.0)))
    assert bare.steel is not None
    assert calm.steel is not None
    assert calm.steel.cold_c < bare.steel.cold_c


def test_missing_wind_outside_a_shelter_is_unknown() -> None:
    holed = hours(20.0, wind_10m_ms=changed(np.full(HOURS, 3.0), at(START), np.nan))
    assert planned(joint(mm(10.0), shelter=Shelter(wind_ms=0.5)), holed).call == "unknown"


@pytest.mark.parametrize(
    ("part", "covered"),
    [
        pytest.param(mm(150.0), True, id="the thickest the engine is valid for"),
        pytest.param(mm(151.0), False, id="thicker"),
        pytest.param(mm(50.0, reach_mm=50.0), True, id="twice as wide as thick, both sides together"),
        pytest.param(mm(50.0, reach_mm=49.0), False, id="narrower"),
    ],
)
def test_no_time_where_the_engine_is_not_valid(part: Part, covered: bool) -> None:
    one = joint(part, both_faces=True, torches=1, weld_length_mm=600.0, heated_length_mm=600.0)
    found = heat_of(planned(one, 5.0, now_utc=FIRST + timedelta(hours=24)))
    assert (found.status != "out_of_range") == covered
    assert covered or found.minutes is None


def test_a_reading_warms_no_joint_of_unlike_parts() -> None:
    """It may have been taken on the thin part, which follows the warmer air of the last hour long before 38 mm does."""
    rise = hours(np.where(np.arange(HOURS) < at(START) - 1, -10.0, 16.0), wind_10m_ms=np.ones(HOURS))
    unlike = joint(mm(6.0), mm(38.0), start_utc=START + timedelta(hours=1), hours=0.5)
    alike = joint(mm(38.0), mm(38.0), start_utc=START + timedelta(hours=1), hours=0.5)

    def call(one: Joint, *readings: Reading) -> str:
        return planned(one, rise, now_utc=START, readings=readings, choices=choices(slip_hours=0.0)).call

    assert [call(one) for one in (unlike, alike)] == ["measure", "measure"]
    assert [call(one, reading(14.0, START)) for one in (unlike, alike)] == ["measure", "no_heat"]
    assert [call(one, reading(-9.0, START)) for one in (unlike, alike)] == ["cold_steel_heat", "cold_steel_heat"]


def test_a_reading_on_unlike_parts_settles_no_assumed_start() -> None:
    early = joint(mm(12.0), mm(38.0), start_utc=FIRST + timedelta(hours=2))
    found = planned(early, 20.0, now_utc=FIRST, readings=[reading(20.0, FIRST)])
    assert (found.call, found.anchored) == ("measure", False)


@pytest.mark.parametrize("state", ["planned", "done"])
def test_a_reading_in_a_heated_shelter_warms_no_joint_outside(state: JointState) -> None:
    calm = hours(6.0, wind_10m_ms=np.ones(HOURS))
    tent = joint(mm(38.0), mark="tent", shelter=Shelter(air_c=25.0), state=state)
    bare = joint(mm(38.0), mark="bare", start_utc=START + timedelta(minutes=15), hours=0.5)

    def call(*joints: Joint) -> str:
        found = plan(joints, calm, now_utc=START, readings=[reading(18.0, START, joints[0].mark)])
        return by_mark(found)["bare"].call

    assert call(replace(tent, shelter=None), bare) != "heat_to_minimum"
    assert call(tent, bare) == "heat_to_minimum"


def test_a_reading_on_unlike_parts_warms_no_other_joint() -> None:
    calm = hours(6.0, wind_10m_ms=np.ones(HOURS))
    other = joint(mm(38.0), mark="other", start_utc=START + timedelta(minutes=15), hours=0.5)
    for thin_mm, heated in ((38.0, False), (6.0, True)):
        one = joint(mm(thin_mm), mm(38.0), mark="one")
        found = plan([one, other], calm, now_utc=START, readings=[reading(18.0, START, "one")])
        assert (by_mark(found)["other"].call == "heat_to_minimum") == heated, thin_mm


def test_a_reading_of_heated_steel_softens_nothing_and_is_said_to_be_left_out() -> None:
    cold = hours(2.0)
    one, like = joint(mm(38.0), mark="A", state="in_progress"), joint(mm(38.0), mark="B")
    unread = plan([one, like], cold, now_utc=START)
    found = plan([one, like], cold, now_utc=START, readings=[reading(45.0, START, "A")])
    assert [by_mark(found)[mark].call for mark in "AB"] == [by_mark(unread)[mark].call for mark in "AB"]
    assert [by_mark(found)[mark].steel for mark in "AB"] == [by_mark(unread)[mark].steel for mark in "AB"]
    assert found.warnings == (
        "The last reading on A lies far above the predicted steel: it is taken as heated steel and left out.",
    )
    assert plan([one, like], cold, now_utc=START, readings=[reading(4.0, START, "A")]).warnings == ()


def test_a_long_seam_is_counted_in_the_cold_that_comes_before_it_is_done() -> None:
    front = np.where(np.arange(HOURS) < at(START) + 2, 8.0, -25.0)
    seam = joint(mm(38.0), weld_length_mm=6000.0, hours=8.0)
    mild, later, cold = (planned(seam, hours(air)) for air in (np.full(HOURS, 8.0), front, np.full(HOURS, -25.0)))
    kg = [one.heat.fuel_kg.high for one in (mild, later, cold) if one.heat and one.heat.fuel_kg]
    assert len(kg) == 3
    assert kg[0] < 0.7 * kg[1]
    assert kg[1] > 0.95 * kg[2]


@pytest.mark.parametrize(("height_m", "state"), [(2.0, "go"), (10.0, "go"), (60.0, "shelter_needed")])
def test_high_wind_is_judged_at_the_height_of_the_joint(height_m: float, state: str) -> None:
    # Beaufort 6 begins at 10.8 m/s (WMO); 9 m/s at 10 m is 9 x (60/10)^0.14 = 11.6 m/s at 60 m or more over rougher
    # ground (ASHRAE Fundamentals, power law). Nothing is taken off below 10 m.
    windy = hours(5.0, wind_10m_ms=np.full(HOURS, 9.0))
    assert planned(joint(mm(25.0), process="SMAW", height_m=height_m), windy).weather_state == state
