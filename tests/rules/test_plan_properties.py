"""What holds of every plan, whatever the job and the weather."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any, Final

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from frostshift_rules.job import Joint, Part, Procedure, Reading, Shelter
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import HeatCall, JointPlan, Plan

from .plan_builders import (
    HOURS,
    NOW,
    START,
    TORCH,
    at,
    by_mark,
    changed,
    hours,
    joint,
    mm,
    plan,
    planned,
    reading,
    weather,
)

HARDNESS: Final[Mapping[HeatCall, int]] = {"no_heat": 0, "measure": 1, "heat_to_minimum": 2, "cold_steel_heat": 2}
STRONG: Final = (replace(TORCH, net_kw=60.0),)


def sky(
    mean_c: float, swing_k: float, phase_h: float, wind_ms: float, cloud: float, dew_below_k: float, rain_mm: float
) -> Hours:
    """A day and night wave over a steady level, with a shower a day."""
    hour = np.arange(HOURS)
    air = mean_c + swing_k * np.sin((hour + phase_h) * np.pi / 12.0)
    return hours(
        air,
        dew_c=air - dew_below_k,
        wind_10m_ms=np.full(HOURS, wind_ms),
        cloud=np.full(HOURS, cloud),
        precip_mm=np.where(hour % 24 == 5, rain_mm, 0.0),
        sun_wm2=np.maximum(0.0, 400.0 * np.sin((hour - 6) * np.pi / 12.0)),
    )


skies = st.builds(
    sky,
    st.floats(-25.0, 25.0),
    st.floats(0.0, 12.0),
    st.floats(0.0, 24.0),
    st.floats(0.0, 15.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 12.0),
    st.sampled_from([0.0, 2.0]),
)
plates = st.builds(mm, st.sampled_from([6.0, 12.0, 20.0, 25.0, 38.0, 50.0, 80.0, 125.0]))
standing = st.fixed_dictionaries(
    {
        "exposure": st.sampled_from(["open", "half", "covered"]),
        "start_utc": st.integers(-4, 14).map(lambda h: START + timedelta(hours=h)),
        "hours": st.sampled_from([0.5, 2.0, 6.0]),
        "height_m": st.sampled_from([2.0, 10.0, 60.0]),
        "torches": st.integers(1, 4),
        "weld_length_mm": st.sampled_from([50.0, 300.0, 1200.0]),
    }
)
plain_joints = st.builds(
    lambda parts, fields: joint(*parts, **fields), st.lists(plates, min_size=1, max_size=3), standing
)


def hardness(of: JointPlan) -> int:
    return HARDNESS[of.call]


@settings(max_examples=40)
@given(plain_joints, skies, st.floats(0.1, 15.0))
def test_colder_air_never_turns_heat_or_measure_into_no_heat(one: Joint, warm: Hours, by_k: float) -> None:
    cold = replace(warm, air_c=warm.air_c - by_k, dew_c=warm.dew_c - by_k)
    warmer, colder = (planned(one, of, heat_sources=STRONG) for of in (warm, cold))
    assert hardness(colder) >= hardness(warmer)


@settings(max_examples=40)
@given(plain_joints, skies, st.floats(0.25, 12.0))
def test_more_hours_never_soften_a_call(one: Joint, of: Hours, more_h: float) -> None:
    fewer = planned(one, of, heat_sources=STRONG)
    longer = planned(replace(one, hours=one.hours + more_h), of, heat_sources=STRONG)
    assert hardness(longer) >= hardness(fewer)


@settings(max_examples=40)
@given(plain_joints, skies, st.floats(0.0, 12.0))
def test_a_late_forecast_never_says_no_heat_where_a_fresh_one_does_not(one: Joint, of: Hours, late_h: float) -> None:
    fresh, late = planned(one, of), planned(one, weather(of, "late", late_h))
    assert late.call != "no_heat" or fresh.call == "no_heat"


@settings(max_examples=30)
@given(plain_joints, skies)
def test_sun_never_makes_a_call_no_heat(one: Joint, of: Hours) -> None:
    shade, sunny = planned(one, of), planned(replace(one, sun=True), of)
    assert (sunny.call == "no_heat") == (shade.call == "no_heat")
    assert sunny.minimum_c == shade.minimum_c


@settings(max_examples=40)
@given(plain_joints, skies, st.sampled_from(["air_c", "dew_c", "wind_10m_ms"]), st.floats(0.0, 1.0))
def test_any_missing_hour_within_the_window_is_unknown(one: Joint, of: Hours, field: str, share: float) -> None:
    whole = planned(one, of)
    first, last = math.floor(of.position(whole.window_start_utc)), math.ceil(of.position(whole.window_end_utc))
    hole = first + round(share * (last - first))
    found = planned(one, replace(of, **{field: changed(getattr(of, field), hole, math.nan)}))
    if found.call != "unknown":
        # After the hole the steel starts anew, a little warmer, and light-up may then fall behind the hole.
        assert hole == first < math.floor(of.position(found.window_start_utc))
        return
    assert found.heat is None


@settings(max_examples=30)
@given(plain_joints, skies, st.sampled_from(["cloud", "precip_mm", "sun_wm2"]))
def test_other_missing_figures_never_make_a_call_no_heat(one: Joint, of: Hours, field: str) -> None:
    holed = planned(one, replace(of, **{field: np.full(HOURS, math.nan)}))
    assert holed.call != "no_heat" or planned(one, of).call == "no_heat"


@settings(max_examples=40)
@given(st.floats(3.2, 200.0), st.floats(3.2, 200.0), st.floats(-30.0, 30.0), st.sampled_from(["us", "si", "either"]))
def test_thicker_steel_of_category_b_never_needs_less(a_mm: float, b_mm: float, air_c: float, units: Any) -> None:
    thin, thick = (planned(joint(mm(t)), air_c, code_units=units) for t in sorted((a_mm, b_mm)))
    assert thin.requirement.minimum_c is not None
    assert thick.requirement.minimum_c is not None
    assert thick.requirement.minimum_c >= thin.requirement.minimum_c
    assert thin.minimum_c is not None
    assert thick.minimum_c is not None
    assert thick.minimum_c >= thin.minimum_c  # in steady weather both are as cold


@settings(max_examples=40)
@given(plain_joints, skies, st.floats(5.0, 100.0))
def test_the_hours_that_were_judged_hold_the_light_up(one: Joint, of: Hours, net_kw: float) -> None:
    found = planned(one, of, heat_sources=(replace(TORCH, net_kw=net_kw),))
    heat = found.heat
    if heat is not None and heat.light_up_utc is not None and heat.light_up_utc >= NOW:
        assert at(found.window_start_utc) <= at(heat.light_up_utc)
        assert heat.light_up_utc < one.start_utc


# Any joint --------------------------------------------------------------------------------------------------------

parts = st.builds(
    Part,
    st.sampled_from(["A992", "A36", "A572-65", "A514", "A709-HPS70W", "A913-65", "nonsense", None]),
    st.floats(0.1, 400.0),
    st.none(),
    st.sampled_from(["plate", "flange_with_web", "touching", "tube"]),
    st.one_of(st.none(), st.floats(0.0, 3000.0)),
    st.sampled_from([1, 2]),
)
any_joint = st.builds(
    Joint,
    mark=st.just(""),
    place=st.just(""),
    parts=st.lists(parts, min_size=1, max_size=4).map(tuple),
    process=st.sampled_from(["SMAW", "FCAW-S", "FCAW-G", "GMAW", "GTAW", "SAW", None]),
    electrode=st.sampled_from([None, "E7018", "E6010", "nonsense"]),
    hydrogen_ml=st.sampled_from([None, 4.0, 16.0]),
    procedure=st.sampled_from([None, None, "P", "hot", "gone"]),
    weld_length_mm=st.floats(0.0, 60_000.0),
    ends=st.sampled_from(["inside", "edge_to_edge"]),
    start_utc=st.integers(-100, 300).map(lambda h: START + timedelta(minutes=20 * h)),
    hours=st.floats(0.0, 72.0),
    exposure=st.sampled_from(["open", "half", "covered"]),
    sun=st.booleans(),
    shelter=st.sampled_from([None, Shelter(), Shelter(5.0, 1.0), Shelter(-25.0, None)]),
    height_m=st.floats(0.0, 600.0),
    torches=st.integers(1, 20),
    heat_source=st.sampled_from([None, "weak", "gone"]),
    heated_length_mm=st.one_of(st.none(), st.floats(1.0, 60_000.0)),
    both_faces=st.booleans(),
    state=st.sampled_from(["planned", "heating", "in_progress", "done", "postponed"]),
)
HOLED = ("air_c", "dew_c", "wind_10m_ms", "cloud", "precip_mm", "sun_wm2")


def jobs(joints: Sequence[Joint]) -> list[Joint]:
    return [replace(one, mark=f"J{number}") for number, one in enumerate(joints)]


def planned_jobs(joints: Sequence[Joint], of: Hours, readings: Sequence[Reading] = ()) -> Plan:
    return plan(
        joints,
        of,
        readings=readings,
        heat_sources=(TORCH, replace(TORCH, id="weak", net_kw=2.0, oxygen_ratio=0.0)),
        procedures=(Procedure("P", 30.0, qualified_by_test=True), Procedure("hot", 400.0, 500.0)),
    )


@settings(max_examples=40)
@given(
    st.lists(any_joint, max_size=6).map(jobs),
    skies,
    st.lists(st.tuples(st.sampled_from(HOLED), st.integers(0, HOURS - 1), st.integers(1, 30)), max_size=3),
    st.lists(st.tuples(st.integers(0, 5), st.floats(-40.0, 40.0), st.integers(-40, 90)), max_size=4),
)
def test_any_job_has_a_plan_that_goes_through_json_and_back(
    joints: list[Joint],
    of: Hours,
    holes: list[tuple[str, int, int]],
    measured: list[tuple[int, float, int]],
) -> None:
    for field, first, count in holes:
        of = replace(of, **{field: changed(getattr(of, field), slice(first, first + count), math.nan)})
    readings = [reading(steel_c, NOW + timedelta(hours=h), f"J{n}") for n, steel_c, h in measured]
    whole = planned_jobs(joints, of, readings)
    there = [one for one in joints if one.state not in ("done", "postponed")]
    assert sorted(one.joint.mark for one in whole.joints) == sorted(one.mark for one in there)
    adapter: TypeAdapter[Plan] = TypeAdapter(Plan)
    assert adapter.validate_json(adapter.dump_json(whole)) == whole  # JSON has neither NaN nor infinity
    for one in whole.joints:
        assert (one.call == "unknown") <= bool(one.unknowns)
        assert one.call != "no_heat" or (one.anchored and one.heat is None and one.steel is not None)
    counted = sum(shift.joints for shift in whole.shifts)
    assert counted + whole.outside_shifts == len(there)


@settings(max_examples=30)
@given(st.lists(st.tuples(any_joint, st.booleans()), min_size=1, max_size=8), skies)
def test_the_plan_of_some_joints_is_some_of_the_plan(drawn: list[tuple[Joint, bool]], of: Hours) -> None:
    """Only readings are shared, and there are none here."""
    joints = jobs([one for one, _ in drawn])
    some = [one for one, (_, taken) in zip(joints, drawn, strict=True) if taken]
    whole, part = by_mark(planned_jobs(joints, of)), by_mark(planned_jobs(some, of))
    assert all(found == whole[mark] for mark, found in part.items())


@settings(max_examples=20)
@given(st.lists(any_joint, min_size=2, max_size=6), st.randoms(use_true_random=False), skies)
def test_the_order_in_which_joints_come_changes_nothing(joints: list[Joint], random: Any, of: Hours) -> None:
    given_ = jobs(joints)
    shuffled = given_.copy()
    random.shuffle(shuffled)
    assert planned_jobs(given_, of) == planned_jobs(shuffled, of)
