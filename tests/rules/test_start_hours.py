"""Other starts of a joint: every hour is the plan made for that start; spells and the cheapest start by stated rules.

No source gives such tables, so the reference is the plan itself, made afresh for every start, and rules that hold
whatever the weather.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules import plan as plan_module
from frostshift_rules.job import Joint, Reading, Shift
from frostshift_rules.plan import make_plan
from frostshift_rules.start_hours import (
    BEGUN,
    NO_SHIFT,
    NONE_IN_SHIFTS,
    NONE_LEFT,
    CheapestStart,
    JointStarts,
    StartHour,
    Waiting,
    at_starts,
    cheapest_start,
    next_shifts,
    next_without_heat,
    start_hours,
    whole_hours,
)
from frostshift_rules.surroundings import Floats, Hours
from frostshift_rules.totals import NONE, burnings_of
from frostshift_rules.workload import NO_WEATHER, HeatCall, JointPlan, Range, Weather

from .plan_builders import (
    DAY,
    FIRST,
    HOURS,
    NIGHT,
    NOW,
    START,
    TABLE,
    TORCH,
    at,
    changed,
    hours,
    joint,
    mm,
    reading,
    site,
    weather,
    with_members,
)
from .test_plan_properties import plain_joints, skies

HOUR = timedelta(hours=1)
PLACE = ("mark", "place", "crew")


def of_starts(
    joints: Joint | Sequence[Joint],
    of: Weather | Hours | float | Floats = -5.0,
    starts: Sequence[datetime] | None = None,
    *,
    marks: Sequence[str] | None = None,
    readings: Sequence[Reading] = (),
    now_utc: datetime = NOW,
    **more: Any,
) -> list[JointStarts]:
    """`start_hours` of all the joints, or of some marks, with the site's fields changed by `more`."""
    given_joints = [joints] if isinstance(joints, Joint) else list(joints)
    forecast = of if isinstance(of, Weather) else weather(of)
    on = site(**more)
    at_starts = whole_hours(on, now_utc) if starts is None else starts
    asked = [one.mark for one in given_joints] if marks is None else marks
    return start_hours(on, TABLE, given_joints, forecast, readings, now_utc, at_starts, asked)


def afresh(
    joints: Sequence[Joint], mark: str, start_utc: datetime, of: Weather, readings: Sequence[Reading] = (), **more: Any
) -> JointPlan:
    """What `make_plan` says of one of the joints, moved to another start."""
    moved = [replace(one, start_utc=start_utc) if one.mark == mark else one for one in joints]
    made = make_plan(site(**more), TABLE, moved, of, readings, NOW)
    return next(one for one in made.joints if one.joint.mark == mark)


def assert_agrees(found: StartHour, made: JointPlan) -> None:
    heat = made.heat
    assert found.start_utc == made.joint.start_utc
    assert found.call == made.call
    assert found.reason == " ".join(made.reasons or made.unknowns)
    assert found.minimum_c == made.minimum_c
    assert found.steel == made.steel
    assert found.status == (heat.status if heat else None)
    assert found.light_up_utc == (heat.light_up_utc if heat else None)
    flames = {one.end_utc for one in burnings_of(made) if one.source_id == TORCH.id}
    assert not flames or flames == {found.torches_end_utc}
    assert found.earliest_arc_utc == (heat.earliest_arc_utc if heat else None)
    assert found.weather_state == made.weather_state
    assert found.shift_key == made.shift_key
    assert found.hint == made.hint
    if made.call == "no_heat":
        assert found.minutes == found.fuel_kg == found.oxygen_m3 == found.torch_minutes == NONE
    elif heat is None or heat.minutes is None:
        assert found.minutes is found.fuel_kg is found.oxygen_m3 is found.energy_kwh is found.torch_minutes is None
    else:
        assert found.minutes == heat.minutes
        assert heat.total_minutes is not None
        assert heat.fuel_kg is not None
        assert heat.keep_fuel_kg is not None
        assert found.fuel_kg is not None
        assert found.torch_minutes is not None
        assert found.fuel_kg.high == heat.fuel_kg.high + heat.keep_fuel_kg.high
        assert found.torch_minutes.high == heat.total_minutes.high * heat.torches
        if made.call != "measure":
            assert found.fuel_kg.likely == heat.fuel_kg.likely + heat.keep_fuel_kg.likely


# Every hour is the plan of that start ---------------------------------------------------------------------------------

jobs = st.lists(plain_joints, min_size=1, max_size=3).map(
    lambda found: [replace(one, mark=f"J{number}") for number, one in enumerate(found, 1)]
)
some_starts = st.lists(st.integers(-30, 180).map(lambda half: NOW + half * HOUR / 2), min_size=1, max_size=6)


@settings(max_examples=60)
@given(
    jobs,
    skies,
    some_starts,
    st.lists(st.tuples(st.integers(1, 3), st.floats(-10.0, 10.0)), max_size=2),
    st.booleans(),
    st.sampled_from(["fresh", "late", "unusable"]),
)
def test_every_start_is_the_plan_made_afresh_for_it(
    joints: list[Joint],
    of: Hours,
    starts: list[datetime],
    measured: list[tuple[int, float]],
    members: bool,
    freshness: Any,
) -> None:
    """The windows agree hour by hour with the plan made for that start, readings and members included."""
    forecast = with_members(of, [-2.0, 0.0, 1.5]) if members else weather(of)
    forecast = replace(forecast, freshness=freshness)
    readings = [
        reading(float(of.air_c[at(NOW)]) + above_k, NOW - number * HOUR, f"J{number}") for number, above_k in measured
    ]
    ordered = sorted(set(starts))
    found = of_starts(joints, forecast, ordered, readings=readings)
    assert [row.joint for row in found] == joints
    for row in found:
        assert [one.start_utc for one in row.hours] == ordered
        for one in (*row.hours, row.planned):
            assert_agrees(one, afresh(joints, row.joint.mark, one.start_utc, forecast, readings))


def test_all_hours_of_a_week_of_two_joints_agree_one_by_one() -> None:
    """A swing around the threshold; the forecast ends within the week, and beyond it every hour is unknown, named."""
    wave = -1.0 + 12.0 * np.sin((np.arange(HOURS) + 3.0) * np.pi / 12.0)
    joints = [
        joint(mm(12.0), start_utc=START + HOUR / 2),
        joint(mm(50.0), mm(12.0), mark="J2", exposure="open", hours=5.0),
    ]
    forecast = weather(hours(wave))
    found = of_starts(joints, forecast)
    calls = set[HeatCall]()
    for row in found:
        assert len(row.hours) == 168
        assert row.planned.start_utc == row.joint.start_utc
        for one in (row.planned, *row.hours):
            made = afresh(joints, row.joint.mark, one.start_utc, forecast)
            assert_agrees(one, made)
            calls.add(one.call)
        beyond = [one for one in row.hours if one.end_utc > forecast_end()]
        assert beyond
        assert all(one.call == "unknown" and one.reason == plan_module.ENDS_EARLY for one in beyond)
        assert all(one.fuel_kg is None and one.minutes is None and one.steel is None for one in beyond)
    assert calls >= {"no_heat", "measure", "unknown"}
    assert calls & {"heat_to_minimum", "cold_steel_heat"}


def forecast_end() -> datetime:
    return hours().time_utc(HOURS - 1)


def test_joints_that_are_alike_are_worked_out_once_and_a_reading_of_ones_own_makes_unlike() -> None:
    """A reading on a joint of unlike parts speaks for no other joint, however alike."""
    parts = (mm(25.0), mm(40.0))
    twins = [joint(*parts, mark="A", place="level 3", crew="one"), joint(*parts, mark="B", start_utc=START + HOUR)]
    first, second = of_starts(twins)
    assert first.hours is second.hours
    assert second.planned.start_utc == START + HOUR
    read_on = [reading(-9.0, NOW - HOUR, "B")]
    first, second = of_starts(twins, readings=read_on)
    assert first.hours[0].steel != second.hours[0].steel
    for row in (first, second):
        for one in row.hours[:5]:
            assert_agrees(one, afresh(twins, row.joint.mark, one.start_utc, weather(), read_on))


def test_a_reading_on_a_joint_that_is_not_asked_about_or_is_done_counts_for_like_parts() -> None:
    others = [joint(mark="other"), joint(mark="done", state="done"), joint(mm(80.0), mark="far")]
    for mark in ("other", "done"):
        read_on = [reading(-11.0, NOW - HOUR, mark)]
        (row,) = of_starts([joint(), *others], marks=["J1"], readings=read_on)
        (bare,) = of_starts([joint(), *others], marks=["J1"])
        assert row.hours[0].steel != bare.hours[0].steel
        assert_agrees(row.hours[0], afresh([joint(), *others], "J1", row.hours[0].start_utc, weather(), read_on))


def test_without_a_forecast_every_hour_is_unknown_with_the_reason() -> None:
    for forecast in (NO_WEATHER, replace(weather(), freshness="unusable"), weather(hours(np.empty(0)))):
        (row,) = of_starts(joint(), forecast)
        assert len(row.hours) == 168
        assert {one.call for one in row.hours} == {one.at_middle for one in row.hours} == {"unknown"}
        assert all(one.weather_state == "unknown" and one.fuel_kg is None for one in row.hours)
        if forecast.freshness != "fresh":
            assert all(one.reason for one in row.hours)
        found = cheapest_start(row, next_shifts(site(), NOW, 3), NOW)
        assert (found.best, found.reason) == (None, NONE_LEFT)
        assert next_without_heat(row) == ()


def test_a_hole_in_the_forecast_makes_the_starts_around_it_unknown_and_no_others() -> None:
    hole = at(NOW + 20 * HOUR)
    forecast = weather(hours(wind_10m_ms=changed(np.full(HOURS, 3.0), hole, np.nan)))
    (row,) = of_starts(joint(), forecast)
    unknown = {one.start_utc for one in row.hours if one.call == "unknown"}
    assert NOW + 20 * HOUR in unknown
    assert NOW + 2 * HOUR not in unknown
    for one in row.hours[10:40]:
        assert_agrees(one, afresh([joint()], "J1", one.start_utc, forecast))


def test_figures_that_the_site_has_not_accepted_stay_unknown_with_their_hint() -> None:
    hinted = joint(mm(70.0, steel="A913-65"))
    (row,) = of_starts(hinted)
    at_three = row.hours[3]
    assert_agrees(at_three, afresh([hinted], "J1", at_three.start_utc, weather()))
    assert (at_three.call, at_three.at_middle, at_three.hint, at_three.reason) == (
        "unknown",
        "unknown",
        True,
        plan_module.NOT_ACCEPTED,
    )
    assert cheapest_start(row, next_shifts(site(), NOW, 2), NOW).best is None


def test_of_a_joint_whose_work_has_begun_no_other_start_is_looked_at_and_resting_ones_are_left_out() -> None:
    begun, rests = joint(mark="B", state="heating"), joint(mark="R", state="postponed")
    (row,) = of_starts([begun, rests])
    assert (row.joint, row.hours, row.no_starts) == (begun, (), BEGUN)
    assert_agrees(row.planned, afresh([begun], "B", START, weather()))
    found = cheapest_start(row, next_shifts(site(), NOW, 3), NOW)
    assert (found.best, found.reason) == (None, BEGUN)
    assert of_starts([joint()], marks=[]) == []


# The middle -----------------------------------------------------------------------------------------------------------


@settings(max_examples=60)
@given(plain_joints, skies)
def test_the_middle_is_never_harder_than_the_cold_side_and_measure_is_where_they_may_part(
    one: Joint, of: Hours
) -> None:
    (row,) = of_starts(one, of)
    for found in row.hours:
        assert (found.at_middle == "unknown") == (found.call == "unknown")
        if found.call == "no_heat":
            assert found.at_middle == "no_heat"
        if found.call in ("heat_to_minimum", "cold_steel_heat"):
            assert found.at_middle != "no_heat"  # even its warm side falls below
        if found.at_middle == "measure":
            assert found.call == "measure"
            assert found.reason == plan_module.START_MATTERS


def test_the_middle_is_by_the_likely_steel() -> None:
    """Category B of 12 mm in SI: 0 °C, AWS D1.1:2015 Table 3.3; what is to be measured parts there at the middle."""
    wave = 1.0 + 8.0 * np.sin((np.arange(HOURS) + 3.0) * np.pi / 12.0)
    (row,) = of_starts(joint(mm(12.0)), wave)
    measured = [one for one in row.hours if one.call == "measure"]
    assert {one.at_middle for one in measured} == {"no_heat", "cold_steel_heat"}
    for one in measured:
        assert one.steel is not None
        assert (one.at_middle == "no_heat") == (one.steel.likely_c >= 0.0)


def test_where_the_assumed_start_still_matters_the_middle_is_not_known_either() -> None:
    """The forecast begins now, and heavy steel still remembers a start that nobody knows."""
    (row,) = of_starts(joint(mm(38.0)), 30.0, now_utc=FIRST)
    first = row.hours[0]
    assert (first.call, first.at_middle, first.reason) == ("measure", "measure", plan_module.START_MATTERS)
    assert first.fuel_kg is first.minutes is None
    assert next_without_heat(replace(row, hours=row.hours[:1])) == ()


# Hours without heat ---------------------------------------------------------------------------------------------------


def hour(number: int, call: HeatCall, at_middle: HeatCall | None = None, **more: Any) -> StartHour:
    """A start so many hours after `NOW`, with figures by its call; the joint is welded in two hours."""
    start, none = NOW + number * HOUR, call == "unknown"
    shift = DAY if 6 <= start.hour < 18 else NIGHT
    known = NONE if call == "no_heat" else None if none else Range(1.0, 2.0, 3.0)
    plain: dict[str, Any] = {
        "start_utc": start,
        "end_utc": start + 2 * HOUR,
        "call": call,
        "at_middle": at_middle or call,
        "reason": "",
        "minimum_c": None,
        "steel": None,
        "status": None,
        "minutes": known,
        "torch_minutes": known,
        "fuel_kg": known,
        "oxygen_m3": known,
        "energy_kwh": None if none else NONE,
        "weather_state": "unknown" if none else "go",
        "weather_reason": None,
        "light_up_utc": start - HOUR / 2 if known not in (None, NONE) else None,
        "torches_end_utc": start if known not in (None, NONE) else None,
        "earliest_arc_utc": None,
        "shift_key": f"2026-01-12 {shift.name}",
        "ends_in_shift": True,
        "hint": False,
    }
    return StartHour(**(plain | more))


def row_of(*found: StartHour, planned: StartHour | None = None) -> JointStarts:
    return JointStarts(joint(), planned or hour(12, "heat_to_minimum"), found)


def test_spells_run_over_hours_in_a_row_and_part_where_certainty_or_the_weather_does() -> None:
    row = row_of(
        hour(1, "no_heat"),
        hour(2, "no_heat", weather_state="dry_first"),
        hour(3, "no_heat", weather_state="stop"),
        hour(4, "no_heat", weather_state="unknown"),
        hour(5, "measure", "no_heat"),
        hour(6, "measure", "no_heat"),
        hour(7, "measure", "heat_to_minimum"),
        hour(8, "heat_to_minimum"),
        hour(9, "unknown"),
        hour(10, "measure", "measure"),
        hour(12, "no_heat"),
        hour(14, "no_heat"),
    )
    assert [
        ((one.first_utc - NOW) // HOUR, (one.last_utc - NOW) // HOUR, one.certain, one.weather_state)
        for one in next_without_heat(row)
    ] == [
        (1, 2, True, "dry_first"),
        (4, 4, True, "unknown"),
        (5, 6, False, "go"),
        (12, 12, True, "go"),
        (14, 14, True, "go"),
    ]


@settings(max_examples=40)
@given(plain_joints, skies, st.floats(0.0, 1.0), st.integers(0, 5))
def test_a_start_between_two_hours_of_a_certain_spell_needs_no_heat_either(
    one: Joint, of: Hours, share: float, which: int
) -> None:
    (row,) = of_starts(one, of)
    spells = [spell for spell in next_without_heat(row) if spell.certain]
    if not spells:
        return
    spell = spells[which % len(spells)]
    between = spell.first_utc + share * (spell.last_utc - spell.first_utc)
    assert afresh([one], "J1", between, weather(of)).call == "no_heat"


# The cheapest start ---------------------------------------------------------------------------------------------------


def cheapest(row: JointStarts, count: int = 2, **more: Any) -> CheapestStart:
    return cheapest_start(row, next_shifts(site(**more), NOW, count), NOW)


def test_the_least_gas_on_the_cold_side_wins_then_torch_minutes_then_the_earliest() -> None:
    """Not the likely figure, which is the least at 8 h; to 0.1 kg and a minute, as it is shown."""
    row = row_of(
        hour(7, "heat_to_minimum", fuel_kg=Range(0.1, 1.0, 2.04), torch_minutes=Range(1.0, 9.0, 20.4)),
        hour(8, "heat_to_minimum", fuel_kg=Range(0.0, 0.1, 2.5), torch_minutes=Range(1.0, 9.0, 10.0)),
        hour(9, "heat_to_minimum", fuel_kg=Range(0.1, 1.0, 2.01), torch_minutes=Range(1.0, 9.0, 19.6)),
        hour(10, "heat_to_minimum", fuel_kg=Range(0.1, 1.0, 1.99), torch_minutes=Range(1.0, 9.0, 21.0)),
    )
    found = cheapest(row)
    assert found.best == row.hours[0]
    assert found.alike == (row.hours[2],)
    assert not found.is_planned
    assert found.looked_at == 5
    assert found.fuel_saved_kg == pytest.approx(3.0 - 2.04)
    assert found.torch_minutes_saved == pytest.approx(3.0 - 20.4)
    assert found.reason == ""


def test_the_planned_start_stays_where_nothing_takes_less() -> None:
    row = row_of(hour(7, "no_heat"), hour(12, "heat_to_minimum"), planned=hour(9, "no_heat"))
    found = cheapest(row)
    assert (found.best, found.is_planned, found.alike) == (row.planned, True, (row.hours[0],))
    assert found.fuel_saved_kg == 0.0


@pytest.mark.parametrize(
    ("why", "at_eight"),
    [
        ("stop", {"weather_state": "stop"}),
        ("weather_unknown", {"weather_state": "unknown"}),
        ("outside", {"shift_key": None, "ends_in_shift": None}),
        ("past_shift", {"ends_in_shift": False}),
        ("light_up", {"earliest_arc_utc": NOW + 9 * HOUR}),
        ("light_up", {"light_up_utc": NOW - HOUR}),
        ("no_time", {"fuel_kg": None}),
    ],
)
def test_what_a_start_is_left_out_for(why: str, at_eight: dict[str, Any]) -> None:
    nothing = {"fuel_kg": NONE, "torch_minutes": NONE} | at_eight
    row = row_of(hour(8, "measure", **nothing), hour(10, "heat_to_minimum"))
    found = cheapest(row)
    assert found.best == row.planned  # as much as at 10 h, so the joint stays
    assert found.left_out == ((why, 1),)
    free = cheapest(row_of(hour(8, "measure", fuel_kg=NONE, torch_minutes=NONE), hour(10, "heat_to_minimum")))
    assert free.best is not None
    assert free.best.start_utc == NOW + 8 * HOUR


def test_an_unknown_call_is_left_out_whatever_its_hint_says() -> None:
    hinted = hour(8, "unknown", fuel_kg=NONE, torch_minutes=NONE, energy_kwh=NONE, weather_state="go", hint=True)
    assert cheapest(row_of(hinted)).left_out == (("unknown", 1),)


def test_a_crew_that_works_past_its_shift_or_lights_up_before_it_may_go_on_doing_so() -> None:
    late = hour(12, "heat_to_minimum", ends_in_shift=False, earliest_arc_utc=NOW + 13 * HOUR)
    at_eight = hour(8, "no_heat", ends_in_shift=False, earliest_arc_utc=NOW + 9 * HOUR)
    assert cheapest(row_of(at_eight, planned=late)).best == at_eight
    assert cheapest(row_of(at_eight)).best != at_eight


def test_a_start_that_needs_a_shelter_comes_after_all_that_do_not() -> None:
    needs = hour(8, "no_heat", weather_state="shelter_needed")
    row = row_of(needs, hour(10, "heat_to_minimum"))
    assert cheapest(row).best == row.planned
    alone = row_of(needs, planned=hour(12, "heat_to_minimum", weather_state="stop"))
    assert cheapest(alone).best == needs


def test_only_the_next_shifts_count_and_the_one_that_is_on_is_the_first() -> None:
    at_noon = NOW + 12 * HOUR
    assert [one.key for one in next_shifts(site(), at_noon, 2)] == ["2026-01-12 day", "2026-01-12 night"]
    row = row_of(hour(7, "heat_to_minimum"), hour(19, "no_heat"))
    assert cheapest(row, 2).best == row.planned  # the night that is on, and the day
    assert cheapest(row, 3).best == row.hours[1]
    far = row_of(hour(7, "heat_to_minimum"), planned=hour(30, "no_heat"))
    found = cheapest(far, 2)
    assert found.best == far.hours[0]
    assert found.fuel_saved_kg == -3.0


def test_what_is_saved_against_a_planned_start_that_is_not_known_is_not_known() -> None:
    found = cheapest(row_of(hour(8, "no_heat"), planned=hour(12, "unknown")))
    assert found.best is not None
    assert found.fuel_saved_kg is found.energy_saved_kwh is found.torch_minutes_saved is None


@pytest.mark.parametrize(
    ("why", "stated", "waiting"),
    [
        ("pinned", {"pinned": True}, Waiting()),
        ("too_early", {"not_before_utc": NOW + 20 * HOUR}, Waiting()),
        ("too_late", {"finish_by_utc": NOW + 20 * HOUR}, Waiting()),
        ("waits", {}, Waiting(ready_utc=NOW + 18.1 * HOUR)),
        ("waits", {}, Waiting(for_postponed=True)),
        ("waited_for", {}, Waiting(needed_utc=NOW + 29 * HOUR)),
    ],
)
def test_what_is_stated_of_a_joint_forbids_starts_unless_its_planned_one_breaks_it_too(
    why: str, stated: dict[str, Any], waiting: Waiting
) -> None:
    """At 19 h in the night shift, from 18 h to 30 h; planned in the day shift."""
    night = hour(19, "no_heat", shift_key="2026-01-12 night")
    row = replace(row_of(night), joint=joint(**stated), waiting=waiting)
    found = cheapest(row, 3)
    breaks_too = why in ("too_early", "waits")  # the planned start, at noon, lies even earlier
    assert (found.best == night) == breaks_too
    assert found.left_out == (() if breaks_too else ((why, 1),))
    later = replace(row, planned=hour(36, "heat_to_minimum", shift_key="2026-01-13 day"))
    if why != "too_late" and not waiting.for_postponed and waiting.needed_utc is None:
        assert cheapest(later, 3).left_out == ((why, 1),)
    free = replace(row, joint=joint(), waiting=Waiting())
    assert cheapest(free, 3).best == night


def test_waiting_is_by_the_shifts_of_the_joints_as_they_are_planned() -> None:
    """Shifts are 06:00 to 18:00 and 18:00 to 06:00; a joint that is done is not waited for, marks are as typed."""
    joints = [
        joint(mark="first", start_utc=NOW + 7 * HOUR),
        joint(mark="long", start_utc=NOW + 17 * HOUR, hours=3.0),
        joint(mark="over", state="done", start_utc=NOW + 50 * HOUR),
        joint(mark="J", after=("FIRST", "long", "over", "not there"), start_utc=NOW + 31 * HOUR),
        joint(mark="last", after=("j",), start_utc=NOW + 70 * HOUR),
    ]
    waiting = {row.joint.mark: row.waiting for row in of_starts(joints, starts=[])}
    assert waiting["J"] == Waiting(NOW + 20 * HOUR, False, NOW + 66 * HOUR)
    assert waiting["first"] == Waiting(None, False, NOW + 30 * HOUR)
    assert waiting["last"] == Waiting(NOW + 42 * HOUR, False, None)
    joints[0] = replace(joints[0], state="postponed")
    assert of_starts(joints, starts=[], marks=["J"])[0].waiting.for_postponed


def test_nothing_is_held_against_a_planned_start_that_is_past() -> None:
    """It is judged over what is left of its window alone, which is shorter than that of any other start."""
    row = row_of(hour(8, "no_heat"), planned=hour(-1, "heat_to_minimum"))
    found = cheapest(row)
    assert found.best == row.hours[0]
    assert found.fuel_saved_kg is found.torch_minutes_saved is None


def test_a_site_without_shifts_ahead_and_hours_beyond_the_shifts_are_named() -> None:
    row = row_of(hour(8, "no_heat"))
    assert cheapest_start(row, [], NOW).reason == NO_SHIFT
    weekend = Shift("day", time(6), time(18), days=(6,))
    assert cheapest(row, 1, shifts=(weekend,)).reason == NONE_IN_SHIFTS


@settings(max_examples=40)
@given(plain_joints, skies, st.integers(1, 6))
def test_what_is_named_holds_in_the_plan_made_for_it(one: Joint, of: Hours, count: int) -> None:
    """It is no stop, it is known, it lies in the shifts, and no start that could be named takes less."""
    (row,) = of_starts(one, of)
    shifts = next_shifts(site(), NOW, count)
    found = cheapest_start(row, shifts, NOW)
    if found.best is None:
        assert found.reason
        return
    made = afresh([one], "J1", found.best.start_utc, weather(of))
    assert made.call != "unknown"
    assert made.weather_state not in ("stop", "unknown")
    assert any(shift.start_utc <= made.joint.start_utc < shift.end_utc for shift in shifts)
    assert made.heat is None or made.heat.light_up_utc is None or made.heat.light_up_utc >= NOW
    assert found.best.fuel_kg is not None
    for other in row.hours:
        known = other.fuel_kg is not None and other.weather_state in ("go", "dry_first") and other.call != "unknown"
        if known and other.ends_in_shift and other.earliest_arc_utc is None and other.shift_key in keys(shifts):
            assert other.fuel_kg is not None
            assert other.fuel_kg.high > found.best.fuel_kg.high - 0.1 - 1e-9  # both as they are shown, to 0.1 kg


def keys(shifts: Sequence[Any]) -> set[str]:
    return {shift.key for shift in shifts}


# Hours ----------------------------------------------------------------------------------------------------------------


def test_starts_are_full_hours_of_the_sites_clock() -> None:
    """A zone half an hour off UTC; the night of a clock change has 25 hours, each an hour apart."""
    on = site(zone="America/St_Johns")
    first, *rest = whole_hours(on, NOW + timedelta(minutes=1))
    assert first.astimezone(ZoneInfo(on.zone)).minute == 0
    assert timedelta(0) <= first - NOW < HOUR
    assert len(rest) == 167
    assert {later - sooner for sooner, later in zip([first, *rest], rest, strict=False)} == {HOUR}
    assert whole_hours(site(), NOW)[0] == NOW


def test_every_field_of_a_start_is_held_against_the_plan() -> None:
    """A field that is added has to be looked at above."""
    looked_at = {
        *("start_utc", "call", "at_middle", "reason", "minimum_c", "steel", "status", "minutes", "torch_minutes"),
        *("fuel_kg", "oxygen_m3", "energy_kwh", "weather_state", "weather_reason", "light_up_utc", "earliest_arc_utc"),
        *("torches_end_utc", "shift_key", "ends_in_shift", "hint", "end_utc"),
    }
    assert {one.name for one in fields(StartHour)} == looked_at


def test_a_start_of_its_own_for_each_joint_is_the_hour_of_that_start() -> None:
    joints = [joint(mm(40.0), mm(20.0), mark=f"J{n}", start_utc=START + n * HOUR) for n in range(4)]
    joints.append(joint(mm(60.0), mm(60.0), mark="read"))
    readings = [reading(-12.0, NOW - HOUR, "read")]
    wanted = {one.mark: START + (5 + 3 * n) * HOUR for n, one in enumerate(joints[:3])}
    forecast = weather(-8.0)
    rows = at_starts(site(), TABLE, joints, forecast, readings, NOW, wanted)
    assert [row.joint.mark for row in rows] == list(wanted)
    for row in rows:
        at_utc = wanted[row.joint.mark]
        (hourly,) = start_hours(site(), TABLE, joints, forecast, readings, NOW, [at_utc], [row.joint.mark])
        assert (row.planned, row.hours) == (hourly.planned, hourly.hours)
        assert row.hours[0].start_utc == at_utc
    assert at_starts(site(), TABLE, joints, forecast, readings, NOW, {}) == []
