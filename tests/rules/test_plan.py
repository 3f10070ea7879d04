"""The composition: window, doubt, start value, readings, sun, shelter, acceptance, procedures, worked cases.

Steel under a cover in steady weather has the temperature of the air, so that most figures here can be read off.
Thresholds: A992 up to 20 mm 0 °C, to 38 mm 10 °C, to 65 mm 65 °C, above 110 °C (AWS D1.1/D1.1M:2015, Table 3.3,
category B); the raised minimum of cold steel is 20 °C (70 °F) below 0 °C (32 °F).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from pydantic import TypeAdapter

from frostshift_rules.job import Joint, Part, Procedure, Shelter
from frostshift_rules.outlook import between, outlook
from frostshift_rules.plan import ENDS_EARLY, NO_HOUR, NOT_ACCEPTED, OVERDUE, START_MATTERS
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import NO_WEATHER, Freshness, HeatCall, JointPlan, Plan

from .plan_builders import (
    ACCEPTED,
    FIRST,
    HOURS,
    NOW,
    START,
    TORCH,
    at,
    by_mark,
    c,
    changed,
    choices,
    heat_of,
    hours,
    inch,
    joint,
    minutes,
    mm,
    plan,
    planned,
    reading,
    site,
    weather,
)

THIN = joint(mm(10.0))
HEAVY = joint(mm(50.0), mm(50.0), torches=2)
AIR_20 = np.full(HOURS, 20.0)


def dip(to_c: float, *utc: datetime, around_c: float = 20.0) -> Hours:
    """Steady air with some cold hours."""
    return hours(changed(np.full(HOURS, around_c), [at(one) for one in utc], to_c))


def front(before_c: float, after_c: float, when: datetime = START) -> Hours:
    """Air that changes from one hour to the next."""
    return hours(np.where(np.arange(HOURS) < at(when), before_c, after_c))


# Worked cases of the code -----------------------------------------------------------------------------------------
#
# Rows and footnote of AWS D1.1/D1.1M:2015, Table 3.3, in US units; the minima are converted by hand.


@pytest.mark.parametrize(
    ("parts", "process", "steel_f", "call", "minimum_f"),
    [
        pytest.param([inch(1.625)], "FCAW-G", 60, "heat_to_minimum", 150, id="A992 1-5/8 in at 60 °F: over 1-1/2"),
        pytest.param([inch(1.5)], "FCAW-G", 60, "no_heat", 50, id="A992 1-1/2 in at 60 °F: the band's own edge"),
        pytest.param([inch(0.75)], "FCAW-G", 40, "no_heat", 32, id="A992 3/4 in at 40 °F"),
        pytest.param([inch(0.75, "A36")], "FCAW-G", 19.4, "cold_steel_heat", 70, id="A36 3/4 in at -7 °C: footnote"),
        pytest.param([inch(1.0)], "FCAW-G", 20, "cold_steel_heat", 70, id="A992 1 in at 20 °F: above its row of 50"),
        pytest.param([inch(2.0)], "FCAW-G", 10, "heat_to_minimum", 150, id="A992 2 in at 10 °F: 70 replaces no higher"),
        pytest.param(
            [inch(2.0, "A36"), inch(0.53)], "FCAW-G", 60, "heat_to_minimum", 150, id="base plate to column: thickest"
        ),
        pytest.param([inch(2.5, "A36")], "GMAW", 60, "heat_to_minimum", 150, id="A36 2-1/2 in: the band's own edge"),
    ],
)
def test_worked_cases_of_d1_1(
    parts: list[Part], process: Any, steel_f: float, call: HeatCall, minimum_f: float
) -> None:
    found = planned(joint(*parts, process=process), c(steel_f), code_units="us")
    assert found.call == call
    assert found.minimum_c == pytest.approx(c(minimum_f))
    if call != "no_heat":
        assert heat_of(found).minimum_c == pytest.approx(c(minimum_f))
        assert heat_of(found).target_c == pytest.approx(c(minimum_f) + 25.0)


def test_a36_in_si_units_at_minus_7_needs_20() -> None:
    """AWS D1.1M: the floor is 20 °C in SI units, not an exact 70 °F."""
    found = planned(joint(mm(19.0, "A36")), -7.0)
    assert (found.call, found.minimum_c) == ("cold_steel_heat", 20.0)


def test_electrode_that_is_not_low_hydrogen_is_category_a() -> None:
    """Table 3.3, category A: A36 of 1 in with E6010 needs 150 °F, with E7018 50 °F; at 60 °F ± 3 K."""
    one = joint(inch(1.0, "A36"), process="SMAW", electrode="E6010")
    assert planned(one, c(60), code_units="us").call == "heat_to_minimum"
    low = planned(replace(one, electrode="E7018"), c(60), code_units="us", acceptances=(ACCEPTED,))
    assert low.call == "no_heat"


@pytest.mark.parametrize(
    ("air_c", "units", "state"),
    [
        pytest.param(-24.0, "si", "stop", id="even the warm side is below -20 °C"),
        pytest.param(-23.0, "si", "unknown", id="the warm side is exactly on it"),
        pytest.param(-17.5, "si", "unknown", id="the cold side is below it"),
        pytest.param(-17.0, "si", "go", id="the cold side is exactly on it"),
        pytest.param(-21.0, "us", "stop", id="0 °F is -17.8 °C: warm side at -18"),
        pytest.param(-14.7, "us", "go", id="0 °F: cold side at -17.7"),
    ],
)
def test_the_ambient_limit_takes_the_same_doubt(air_c: float, units: Any, state: str) -> None:
    """AWS D1.1/D1.1M, welding environment: no welding below 0 °F in US units, -20 °C in SI units."""
    assert planned(THIN, air_c, code_units=units).weather_state == state


def test_gas_shielded_processes_need_a_shelter_in_wind_the_others_do_not() -> None:
    """AWS D1.1/D1.1M, welding environment: 5 mph (2.2 m/s) for GMAW, GTAW and gas-shielded FCAW."""
    assert planned(joint(mm(10.0), process="GMAW"), 20.0).weather_state == "shelter_needed"
    assert planned(joint(mm(10.0), process="FCAW-S"), 20.0).weather_state == "go"


# Decision 1: the window -------------------------------------------------------------------------------------------


def test_the_window_runs_to_the_planned_end_and_the_slip() -> None:
    found = planned(THIN, 20.0)
    assert (found.window_start_utc, found.window_end_utc) == (START, START + timedelta(hours=4))
    longer = planned(THIN, 20.0, choices=choices(slip_hours=5.0))
    assert longer.window_end_utc == START + timedelta(hours=7)


def test_the_worst_hour_decides_and_the_slip_belongs_to_it() -> None:
    in_slip, after = START + timedelta(hours=4), START + timedelta(hours=5)
    found = planned(THIN, dip(-40.0, in_slip))
    assert found.call != "no_heat"
    assert found.steel is not None
    assert found.steel.at_utc == in_slip
    # 10 mm follows the air within the hour, so that the window must end before the cold begins to come.
    assert planned(THIN, dip(-40.0, after + timedelta(hours=1))).call == "no_heat"
    assert planned(THIN, dip(-40.0, after), choices=choices(slip_hours=3.0)).call != "no_heat"


def test_a_window_that_ends_within_an_hour_takes_the_whole_hour() -> None:
    cold = dip(-40.0, START + timedelta(hours=5))
    assert planned(THIN, cold).call == "no_heat"
    assert planned(replace(THIN, hours=2.1), cold).call != "no_heat"


def test_the_coldest_of_the_parts_decides() -> None:
    falling = front(20.0, -10.0)
    # Both alone under the same threshold: thickest 30 mm asks for 10 °C.
    both = planned(joint(mm(30.0), mm(6.0)), falling)
    thick = planned(joint(mm(30.0)), falling)
    assert both.steel is not None
    assert thick.steel is not None
    assert both.steel.cold_c < thick.steel.cold_c


def test_a_heated_joint_is_judged_from_light_up() -> None:
    night = dip(-15.0, *(START - timedelta(hours=h) for h in (2, 3, 4)), around_c=3.0)
    just_before = planned(joint(mm(30.0), mm(30.0)), night)
    long_before = planned(joint(mm(30.0), mm(30.0)), night, choices=choices(setup_minutes=150.0))
    assert just_before.steel is not None
    assert long_before.steel is not None
    assert long_before.steel.at_utc < just_before.steel.at_utc < START
    assert long_before.steel.cold_c < just_before.steel.cold_c
    assert long_before.window_start_utc < START - minutes(150.0)


def test_the_window_begins_at_the_light_up_that_is_shown() -> None:
    """One pass back from the start finds it; what the colder steel there adds is the rest."""
    for air in (hours(-5.0), hours(-5.0 + 6.0 * np.sin(np.arange(HOURS) / 4.0))):
        found = planned(HEAVY, air, heat_sources=(replace(TORCH, net_kw=12.0),))
        light_up = heat_of(found).light_up_utc
        assert light_up is not None
        assert abs(found.window_start_utc - light_up) < minutes(5.0)


def test_heating_starts_from_the_steel_at_light_up() -> None:
    falling = hours(np.linspace(30.0, -40.0, HOURS))
    found = planned(HEAVY, falling, heat_sources=(replace(TORCH, net_kw=12.0),))
    heat = heat_of(found)
    field = outlook(site(), [HEAVY], weather(falling), falling, [])
    position = np.full(2, falling.position(found.window_start_utc))
    likely = between(field.steel.likely_c, field.part_class, position)
    assert heat.light_up_utc is not None
    assert heat.light_up_utc < START - minutes(20.0)
    for part, steel_c in zip(heat.parts, likely, strict=True):
        assert part.start_c.likely == pytest.approx(steel_c, abs=1e-3)
        assert part.start_c.low < part.start_c.likely < part.start_c.high


def test_the_strongest_wind_from_light_up_to_the_start_cools_while_heating() -> None:
    """4 + 4 v W/(m2 K) (ISO 6946:2017, annex C) with v at 10 m in the open; by hand 64 at 15 m/s and 16 at 3 m/s."""

    def convection(gale_utc: datetime) -> tuple[float, ...]:
        windy = hours(-5.0, wind_10m_ms=changed(np.full(HOURS, 3.0), at(gale_utc), 15.0))
        found = heat_of(planned(HEAVY, windy, choices=choices(setup_minutes=150.0))).parts[0].convection_wm2k
        return found.low, found.likely, found.high

    assert convection(START - timedelta(hours=1)) == pytest.approx((44.8, 64.0, 83.2))
    assert convection(START + timedelta(hours=1)) == pytest.approx((11.2, 16.0, 20.8))


def test_a_light_up_that_is_past_takes_the_steel_as_it_is_now() -> None:
    now = START - minutes(10.0)
    found = planned(HEAVY, -5.0, now_utc=now, heat_sources=(replace(TORCH, net_kw=12.0),))
    heat = heat_of(found)
    assert heat.light_up_utc is not None
    assert heat.light_up_utc < now
    assert found.window_start_utc == now
    assert heat.earliest_arc_utc == now + (START - heat.light_up_utc)


def test_a_joint_whose_start_has_passed_is_judged_from_now() -> None:
    one = joint(mm(10.0), start_utc=START - timedelta(hours=8), hours=10.0, state="in_progress")
    cold_morning = dip(-30.0, START - timedelta(hours=7))
    assert planned(one, cold_morning, now_utc=START - timedelta(hours=9)).call != "no_heat"
    found = planned(one, cold_morning, now_utc=START)
    assert (found.call, found.window_start_utc) == ("no_heat", START)


def test_an_overdue_joint_is_unknown_never_no_heat() -> None:
    end = START + timedelta(hours=4)
    for now in (end, end + timedelta(hours=30)):
        found = planned(THIN, 40.0, now_utc=now)
        assert (found.call, found.call_by_air, found.unknowns) == ("unknown", "unknown", (OVERDUE,))
        assert (found.steel, found.heat, found.minimum_c) == (None, None, None)
    assert planned(THIN, 40.0, now_utc=end - minutes(1.0)).call == "no_heat"


def test_no_heat_if_struck_before_the_cold_comes_or_after_it_has_gone() -> None:
    # 10 mm under 0 °C: the front has passed the steel within two hours.
    falls = planned(replace(THIN, hours=6.0), front(20.0, -20.0, START + timedelta(hours=4)))
    assert falls.no_heat_before_utc is not None
    assert START < falls.no_heat_before_utc < START + timedelta(hours=5)
    assert falls.no_heat_after_utc is None
    rises = planned(replace(THIN, hours=6.0), front(-20.0, 20.0, START + timedelta(hours=2)))
    assert rises.no_heat_after_utc is not None
    assert START + timedelta(hours=2) <= rises.no_heat_after_utc < START + timedelta(hours=5)
    assert rises.no_heat_before_utc is None
    never = planned(THIN, 20.0)
    assert (never.no_heat_before_utc, never.no_heat_after_utc) == (None, None)


# Missing weather --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("field", ["air_c", "dew_c", "wind_10m_ms"])
@pytest.mark.parametrize("hour", range(5))
def test_a_hole_in_any_hour_of_the_window_is_unknown_with_the_reason(field: str, hour: int) -> None:
    warm = hours(40.0)
    holed = replace(warm, **{field: changed(getattr(warm, field), at(START) + hour, math.nan)})
    found = planned(THIN, holed)
    assert (found.call, found.unknowns, found.steel, found.heat) == ("unknown", (NO_HOUR,), None, None)


def test_a_hole_outside_the_window_changes_nothing_once_the_start_is_forgotten() -> None:
    holed = hours(changed(np.full(HOURS, 40.0), at(START) + 6, math.nan))
    assert planned(THIN, holed).call == "no_heat"


@pytest.mark.parametrize("field", ["air_c", "dew_c", "wind_10m_ms"])
def test_a_hole_between_light_up_and_start_is_unknown_and_stops_no_other_joint(field: str) -> None:
    cold = hours(-5.0)
    holed = replace(cold, **{field: changed(getattr(cold, field), at(START) - 1, math.nan)})
    later = replace(HEAVY, mark="later", start_utc=START + timedelta(hours=20))
    found = by_mark(plan([HEAVY, later], holed))
    assert (found["J1"].call, found["J1"].unknowns, found["J1"].heat) == ("unknown", (NO_HOUR,), None)
    assert found["later"].call == "heat_to_minimum"


def test_a_forecast_that_ends_within_the_window_says_so() -> None:
    last = START + timedelta(hours=4)
    enough, short = (hours(np.full(at(last) + n, 40.0)) for n in (1, 0))
    assert planned(THIN, enough).call == "no_heat"
    found = planned(THIN, short)
    assert (found.call, found.unknowns) == ("unknown", (ENDS_EARLY,))
    assert found.weather_state == "unknown"
    assert plan(THIN, short).forecast_end_utc == last - timedelta(hours=1)


def test_a_forecast_that_begins_after_light_up_is_unknown() -> None:
    late = replace(hours(-5.0), start_utc=START)
    assert planned(HEAVY, late, now_utc=START - timedelta(hours=6)).unknowns == (NO_HOUR,)


@pytest.mark.parametrize("freshness", ["unusable", "none"])
def test_without_usable_weather_every_joint_is_unknown(freshness: Freshness) -> None:
    whole = plan([THIN, replace(HEAVY, mark="H")], weather(40.0, freshness))
    assert [one.call for one in whole.joints] == ["unknown", "unknown"]
    for one in whole.joints:
        assert one.unknowns == whole.warnings != ()
        assert (one.steel, one.air, one.heat, one.minimum_c, one.weather_state) == (None, None, None, None, "unknown")
        assert one.requirement.minimum_c is not None  # what is asked is still shown
    assert plan(THIN, NO_WEATHER).joints[0].call == "unknown"


def test_a_late_forecast_is_used_with_a_warning_and_more_doubt() -> None:
    whole = plan(THIN, weather(4.0, "late", 10.0))
    assert whole.warnings
    (one,) = whole.joints
    assert one.steel is not None
    assert one.steel.likely_c - one.steel.cold_c == pytest.approx(3.0 + 10 * 0.25)


# Decision 2: doubt ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("air_c", "call"),
    [
        pytest.param(13.001, "no_heat", id="the cold side passes"),
        pytest.param(12.9, "measure", id="the middle passes, the cold side does not"),
        pytest.param(8.0, "measure", id="only the warm side passes"),
        pytest.param(7.001, "measure", id="the warm side barely passes"),
        pytest.param(6.9, "heat_to_minimum", id="even the warm side fails"),
        pytest.param(3.001, "heat_to_minimum", id="the cold side is just above 0 °C"),
        pytest.param(2.9, "cold_steel_heat", id="the cold side is below it: the floor decides"),
    ],
)
def test_calls_on_either_side_of_the_doubt(air_c: float, call: HeatCall) -> None:
    """25 mm of A992: row of 10 °C, floor of 20 °C below 0 °C, doubt of 3 K."""
    found = planned(joint(mm(25.0)), air_c)
    assert (found.call, found.call_by_air) == (call, call)
    assert found.minimum_c == (20.0 if call == "cold_steel_heat" else 10.0)


def test_steel_on_its_cold_side_exactly_at_freezing_is_not_cold_steel() -> None:
    """Table 3.3, footnote a: below 32 °F (0 °C), so not at it."""
    sure = choices(doubt_k=0.0)
    for units, part in (("si", mm(12.0)), ("us", inch(0.5))):
        found = planned(joint(part), 0.0, choices=sure, code_units=units)
        assert found.steel is not None
        assert found.steel.cold_c == 0.0
        assert (found.call, found.minimum_c) == ("no_heat", 0.0)
        colder = planned(joint(part), -0.01, choices=sure, code_units=units)
        assert colder.call == "cold_steel_heat"


def test_heat_that_the_row_asks_for_is_no_cold_steel_heat() -> None:
    assert planned(HEAVY, -30.0).call == "heat_to_minimum"
    assert planned(joint(mm(12.0)), -30.0).call == "cold_steel_heat"


def test_doubt_widens_with_lead_and_turns_no_heat_into_measure() -> None:
    # 13.2 °C: passes with 3 K, not with the 3.6 K of two days and 5 hours later.
    assert planned(joint(mm(25.0)), 13.2).call == "no_heat"
    later = joint(mm(25.0), start_utc=NOW + timedelta(hours=40))
    assert planned(later, 13.2).call == "measure"


def test_doubt_widens_with_lateness_and_turns_no_heat_into_measure() -> None:
    assert planned(joint(mm(25.0)), weather(13.2, "late", 0.5)).call == "no_heat"
    assert planned(joint(mm(25.0)), weather(13.2, "late", 1.0)).call == "measure"


def test_both_flags_are_shown_and_heavy_steel_may_pass_where_the_air_does_not() -> None:
    # From 30 °C to 8 °C two hours after the start: plate of 38 mm is still warm at the end of the window.
    falling = front(30.0, 4.0, START + timedelta(hours=2))
    found = planned(joint(mm(38.0), hours=1.0, shelter=Shelter(wind_ms=0.0)), falling, choices=choices(slip_hours=1.0))
    assert (found.call, found.call_by_air) == ("no_heat", "heat_to_minimum")
    assert found.air is not None
    assert found.air.likely_c == 4.0


# Decision 4 and 10: start value and readings ----------------------------------------------------------------------

EARLY = FIRST + timedelta(hours=2)
"""So soon after the forecast begins that heavy steel still remembers its start."""


def early(*parts: Part, **more: Any) -> Joint:
    return joint(*parts, start_utc=EARLY, **more)


def test_heavy_steel_from_an_assumed_start_is_at_best_measure() -> None:
    for air_c in (20.0, 40.0):
        found = planned(early(mm(38.0)), air_c, now_utc=FIRST)
        assert (found.call, found.reasons, found.anchored) == ("measure", (START_MATTERS,), False)
        assert found.call_by_air == "no_heat"
    assert planned(joint(mm(38.0)), 20.0).anchored
    assert planned(joint(mm(38.0)), 20.0).call == "no_heat"


def test_thin_steel_forgets_its_start_sooner() -> None:
    later = FIRST + timedelta(hours=5)
    thin, thick = joint(mm(10.0), start_utc=later), joint(mm(125.0), start_utc=later)
    assert planned(thin, 20.0, now_utc=FIRST).anchored
    assert not planned(thick, 20.0, now_utc=FIRST).anchored


def test_a_hole_in_the_weather_makes_the_start_assumed_again() -> None:
    holed = hours(changed(np.full(HOURS, 40.0), at(START) - 2, math.nan))
    found = planned(joint(mm(38.0)), holed)
    assert (found.call, found.anchored) == ("measure", False)


def test_an_assumed_start_yields_no_hour_without_heat() -> None:
    rising = hours(np.where(np.arange(HOURS) < 3, -30.0, 40.0))
    found = planned(early(mm(20.0), hours=6.0), rising, now_utc=FIRST)
    assert found.call != "no_heat"
    assert not found.anchored
    assert (found.no_heat_before_utc, found.no_heat_after_utc) == (None, None)
    measured = planned(early(mm(20.0), hours=6.0), rising, now_utc=FIRST, readings=[reading(-30.0, FIRST)])
    assert measured.anchored
    assert measured.no_heat_after_utc is not None


def test_a_reading_settles_the_start_of_its_joint_and_of_those_like_it() -> None:
    joints = [early(mm(38.0), mark="A"), early(mm(38.0), mark="B"), early(mm(60.0), mark="C")]
    found = by_mark(plan(joints, 20.0, now_utc=FIRST, readings=[reading(20.0, FIRST, "A")]))
    assert [found[mark].anchored for mark in "ABC"] == [True, True, False]
    assert [found[mark].call for mark in "AB"] == ["no_heat", "no_heat"]


def test_a_colder_reading_hardens_the_call() -> None:
    one = joint(mm(38.0))
    before = START - minutes(30.0)
    calls = [planned(one, 20.0, readings=[reading(c, before)]).call for c in (25.0, 5.0, -15.0)]
    assert calls[0] == "no_heat"
    assert "no_heat" not in calls[1:]
    assert calls[2] == "cold_steel_heat"


def test_a_joint_that_was_measured_cold_stays_so_when_a_like_one_is_measured_warmer() -> None:
    joints = [joint(mm(38.0), mark="A"), joint(mm(38.0), mark="B")]
    read = [reading(-15.0, START - minutes(30.0), "A"), reading(20.0, START - minutes(25.0), "B")]
    found = by_mark(plan(joints, 20.0, readings=read))
    assert [found[mark].call for mark in "AB"] == ["cold_steel_heat", "no_heat"]


def test_the_last_nights_low_and_an_older_reading_count_as_start() -> None:
    one = early(mm(60.0))
    plain = planned(one, 0.0, now_utc=FIRST)
    low = planned(one, 0.0, now_utc=FIRST, last_nights_low_c=-15.0)
    read = planned(one, 0.0, now_utc=FIRST, readings=[reading(-15.0, FIRST - timedelta(hours=3), "other")])
    assert plain.steel is not None
    assert low.steel is not None
    assert low.steel.cold_c < plain.steel.cold_c - 3.0
    assert read.steel == low.steel
    assert not read.anchored


# Decision 5 and 6: sun and shelter --------------------------------------------------------------------------------


@pytest.mark.parametrize("air_c", [2.0, 4.0, 9.0, 12.0])
@pytest.mark.parametrize("thickness_mm", [12.0, 25.0])
def test_sun_turns_nothing_into_no_heat(air_c: float, thickness_mm: float) -> None:
    bright = hours(air_c, cloud=np.full(HOURS, 0.5), sun_wm2=np.full(HOURS, 500.0))
    shade = planned(joint(mm(thickness_mm), exposure="open"), bright)
    sunny = planned(joint(mm(thickness_mm), exposure="open", sun=True), bright)
    assert sunny.steel is not None
    assert shade.steel is not None
    assert sunny.steel.likely_c > shade.steel.likely_c
    assert sunny.steel.cold_c == pytest.approx(shade.steel.cold_c)
    assert (sunny.call == "no_heat") == (shade.call == "no_heat")


def test_a_clear_night_makes_steel_colder_than_the_air() -> None:
    clear = hours(14.0, cloud=np.zeros(HOURS))
    assert planned(joint(mm(25.0)), clear).call == "no_heat"
    found = planned(joint(mm(25.0), exposure="open"), clear)
    assert (found.call, found.call_by_air) == ("measure", "no_heat")


def test_a_stated_shelter_temperature_lifts_the_cold_stop_and_nothing_else() -> None:
    bare = planned(HEAVY, -30.0)
    lifted = planned(replace(HEAVY, shelter=Shelter(air_c=2.0)), -30.0)
    wind_only = planned(replace(HEAVY, shelter=Shelter(wind_ms=1.0)), -30.0)
    still_cold = planned(replace(HEAVY, shelter=Shelter(air_c=-21.0)), -30.0)
    assert (bare.weather_state, lifted.weather_state) == ("stop", "go")
    assert (wind_only.weather_state, still_cold.weather_state) == ("stop", "stop")
    assert (lifted.call, lifted.steel, lifted.heat) == (bare.call, bare.steel, bare.heat)


def test_the_weather_state_is_that_of_the_working_hours_with_rule_and_source() -> None:
    snow = np.zeros(HOURS)
    snow[at(START) + 1] = 1.0
    found = planned(joint(mm(10.0), exposure="open"), hours(5.0, precip_mm=snow))
    assert found.weather_state == "shelter_needed"
    falling, drying = found.weather_spells
    assert (falling.state, drying.state) == ("shelter_needed", "dry_first")
    assert (falling.start_utc, falling.end_utc) == (START + timedelta(hours=1), START + timedelta(hours=2))
    assert drying.end_utc - drying.start_utc == timedelta(hours=2)
    assert [reason.rule for reason in falling.reasons] == ["rain_or_snow"]
    assert falling.reasons[0].value == 1.0
    assert planned(THIN, hours(5.0, precip_mm=snow)).weather_state == "go"  # covered


# Decision 7 and 8 -------------------------------------------------------------------------------------------------


def test_a_part_whose_sizes_are_missing_shows_its_requirement_and_no_time() -> None:
    found = planned(joint(mm(50.0, kind="flange_with_web"), mm(50.0)), -5.0)
    assert (found.call, found.minimum_c) == ("heat_to_minimum", 65.0)
    assert (heat_of(found).status, heat_of(found).minutes) == ("no_time", None)
    assert heat_of(found).target_c == 90.0


def test_no_single_time_where_the_maximum_would_be_passed() -> None:
    """A709 HPS 70W: a maximum for quenched and tempered steel, which 100 mm under four torches would pass."""
    thick = joint(mm(100.0, "A709-HPS70W"), mm(100.0, "A709-HPS70W"), torches=3)
    found = planned(thick, -5.0, acceptances=(ACCEPTED,))
    assert found.requirement.maximum_c is not None
    assert heat_of(found).status == "too_hot"
    assert heat_of(found).minutes is None


# Decision 12 and 14: acceptance and procedures --------------------------------------------------------------------

C65 = joint(mm(30.0, "A572-65"))
"""Category C, second hand: 65 °C for over 20 thru 38 mm."""


def test_a_row_that_is_not_accepted_is_unknown_with_the_figure_as_a_hint() -> None:
    for air_c in (-5.0, 66.0, 80.0):
        found = planned(C65, air_c)
        assert (found.call, found.call_by_air, found.unknowns) == ("unknown", "unknown", (NOT_ACCEPTED,))
        assert (found.hint, found.minimum_c) == (True, 65.0)
    hinted, accepted = planned(C65, -5.0), planned(C65, -5.0, acceptances=(ACCEPTED,))
    assert hinted.heat == accepted.heat
    assert accepted.call == "heat_to_minimum"
    assert planned(C65, 80.0, acceptances=(ACCEPTED,)).call == "no_heat"


def test_a_procedure_that_asks_no_less_carries_the_joint() -> None:
    own = (Procedure("P", 70.0),)
    assert planned(replace(C65, procedure="P"), 80.0, procedures=own).call == "no_heat"
    found = planned(replace(C65, procedure="P"), -5.0, procedures=own)
    assert (found.call, found.minimum_c, found.hint) == ("heat_to_minimum", 70.0, False)


def test_a_procedure_settles_what_the_table_does_not_cover() -> None:
    odd = joint(mm(30.0, "A514"), procedure="P")
    assert planned(replace(odd, procedure=None), 80.0).call == "unknown"
    assert planned(odd, 80.0, procedures=(Procedure("P", 60.0),)).call == "unknown"
    assert planned(odd, 80.0, procedures=(Procedure("P", 60.0, qualified_by_test=True),)).call == "no_heat"


def test_a_procedure_raises_always_and_lowers_only_when_qualified_by_test() -> None:
    one = joint(mm(50.0), procedure="P")

    def minimum(value_c: float, tested: bool) -> float | None:
        return planned(one, 40.0, procedures=(Procedure("P", value_c, qualified_by_test=tested),)).minimum_c

    assert [minimum(90.0, False), minimum(90.0, True)] == [90.0, 90.0]
    assert [minimum(30.0, False), minimum(30.0, True)] == [65.0, 30.0]


def test_a_procedure_qualified_by_test_replaces_the_row_never_the_cold_floor_the_extent_or_a_stop() -> None:
    own = (Procedure("P", 5.0, qualified_by_test=True),)
    one = joint(mm(100.0), procedure="P")
    assert planned(one, 10.0, procedures=own).call == "no_heat"
    cold = planned(one, -30.0, procedures=own)
    assert (cold.call, cold.minimum_c) == ("cold_steel_heat", 20.0)
    assert cold.weather_state == "stop"
    assert heat_of(cold).extent_mm == 100.0
    # Below 0 °C nothing passes, however little the procedure asks for.
    lower = (Procedure("P", -15.0, qualified_by_test=True),)
    assert planned(one, -3.0, procedures=lower).call == "measure"
    assert planned(one, -4.0, procedures=lower).call == "cold_steel_heat"


def test_what_is_missing_is_unknown_whatever_the_weather() -> None:
    for odd in (
        joint(mm(10.0, None)),
        joint(mm(10.0), process=None),
        joint(mm(10.0), process="SMAW"),
        joint(mm(10.0), procedure="gone"),
        joint(mm(2.0)),
    ):
        for air_c in (-30.0, 40.0):
            found = planned(odd, air_c)
            assert (found.call, found.minimum_c, found.heat) == ("unknown", None, None)
            assert found.unknowns
            assert found.steel is not None  # what is known is shown


# The plan as a whole ----------------------------------------------------------------------------------------------


def test_joints_come_by_light_up_then_start_then_mark() -> None:
    joints = [
        replace(HEAVY, mark="C", start_utc=START),
        replace(THIN, mark="B", start_utc=START),
        replace(THIN, mark="A", start_utc=START),
        replace(THIN, mark="D", start_utc=START - minutes(1.0)),
    ]
    light_up = heat_of(planned(HEAVY, 30.0)).light_up_utc
    assert light_up is not None
    assert light_up < START - minutes(1.0)
    for order in (joints, joints[::-1]):
        assert [one.joint.mark for one in plan(order, 30.0).joints] == ["C", "D", "A", "B"]


def test_the_same_values_give_the_same_plan() -> None:
    joints = [replace(HEAVY, mark=f"H{n}", start_utc=START + timedelta(hours=n)) for n in range(6)]
    air = -5.0 + 6.0 * np.sin(np.arange(HOURS) / 4.0)
    read = [reading(-9.0, NOW, "H1"), reading(-4.0, NOW, "H2")]
    assert plan(joints, air, readings=read) == plan(joints, air.copy(), readings=read[::-1])


def test_an_empty_job_has_shifts_and_no_joints() -> None:
    whole = plan([])
    assert (whole.joints, whole.outside_shifts) == ((), 0)
    assert whole.shifts


# The plan on its way into the store -------------------------------------------------------------------------------


def figures(value: Any) -> Iterator[float]:
    """Every float in a value."""
    if isinstance(value, float):
        yield value
    elif is_dataclass(value):
        for one in fields(value):
            yield from figures(getattr(value, one.name))
    elif isinstance(value, dict):
        for one in value.values():
            yield from figures(one)
    elif isinstance(value, tuple | list | frozenset):
        for one in value:
            yield from figures(one)


def nasty() -> Plan:
    """Whatever is odd at once."""
    air = -5.0 + 10.0 * np.sin(np.arange(HOURS) / 4.0)
    odd = hours(changed(air, slice(70, 74), math.nan), wind_10m_ms=changed(np.full(HOURS, 3.0), [40, 80], math.nan))
    odd = replace(
        odd,
        cloud=np.full(HOURS, math.nan),
        precip_mm=np.full(HOURS, math.nan),
        snow_cm=np.full(HOURS, math.nan),
        sun_wm2=np.full(HOURS, math.nan),
        dew_c=changed(odd.dew_c, 90, math.nan),
    )
    kinds: list[Joint] = [
        THIN,
        HEAVY,
        C65,
        joint(mm(10.0, None)),
        joint(mm(50.0, kind="flange_with_web"), mm(50.0)),
        joint(mm(300.0)),
        joint(mm(310.0)),
        joint(mm(50.0, reach_mm=0.0), weld_length_mm=0.0, ends="edge_to_edge"),
        joint(mm(50.0), heat_source="gone"),
        joint(mm(50.0), heat_source="weak"),
        joint(mm(50.0), heat_source="huge"),
        joint(mm(50.0), procedure="hot"),
        joint(mm(10.0), exposure="open", sun=True, process=None),
        joint(mm(10.0), shelter=Shelter(10.0, 0.0), process="GMAW", exposure="half"),
        joint(mm(50.0), hours=500.0),
        joint(mm(50.0), hours=0.0),
    ]
    joints = [
        replace(one, mark=f"{n}-{shift_h}", start_utc=START + timedelta(hours=shift_h))
        for n, one in enumerate(kinds)
        for shift_h in (-70, -30, -2, 5, 8.3, 12, 30, 60, 400)
    ]
    return plan(
        joints,
        odd,
        readings=[reading(-40.0, START, "1--2"), reading(15.0, START - timedelta(hours=300))],
        heat_sources=(TORCH, replace(TORCH, id="weak", net_kw=0.5), replace(TORCH, id="huge", net_kw=300.0)),
        procedures=(Procedure("hot", 400.0, 405.0),),
    )


@pytest.mark.parametrize("make", [nasty, lambda: plan([THIN, HEAVY], NO_WEATHER), lambda: plan([])])
def test_a_plan_goes_through_json_and_back_without_a_figure_that_is_none(make: Any) -> None:
    adapter: TypeAdapter[Plan] = TypeAdapter(Plan)
    whole = make()
    assert all(math.isfinite(figure) for figure in figures(whole))
    assert adapter.validate_json(adapter.dump_json(whole)) == whole


def test_nasty_joints_all_have_an_answer() -> None:
    whole = nasty()
    for one in whole.joints:
        assert _consistent(one), one.joint.mark
    assert {one.call for one in whole.joints} >= {"unknown", "measure", "heat_to_minimum"}


def _consistent(one: JointPlan) -> bool:
    """What holds of every joint: unknown says why, no heat carries no heat plan, a heat call has one."""
    if one.call == "unknown":
        return bool(one.unknowns) and not one.reasons
    if one.call == "no_heat":
        return one.heat is None and one.anchored and one.steel is not None
    return bool(one.reasons) and not one.unknowns and (one.heat is not None or one.reasons == (START_MATTERS,))


def test_a_reading_on_a_joint_that_is_done_still_counts_for_like_parts() -> None:
    done = joint(mm(38.0), mark="A", state="done")
    open_joint = joint(mm(38.0), mark="B")
    read = [reading(-15.0, START - minutes(30.0), "A")]
    assert by_mark(plan([open_joint], 20.0))["B"].call == "no_heat"
    assert by_mark(plan([done, open_joint], 20.0, readings=read))["B"].call == "cold_steel_heat"


def test_a_joint_is_planned_the_same_whatever_else_is_planned() -> None:
    """Beside a part that runs through, and beside many others, every joint keeps its own heat plan."""
    tee = joint(mm(40.0, sides=2), mm(20.0), mark="TEE")
    thin = joint(mm(12.0, reach_mm=150.0), mm(12.0, reach_mm=150.0), mark="THIN", weld_length_mm=100.0)
    heavy = joint(mm(70.0), mm(32.0), mark="HEAVY", torches=3)
    together = by_mark(plan([tee, thin, heavy]))
    for one in (tee, thin, heavy):
        assert by_mark(plan([one]))[one.mark].heat == together[one.mark].heat
