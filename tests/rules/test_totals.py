"""Shift totals: nothing hidden, amounts at least, torches at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules import gas
from frostshift_rules.gas_setup import GasSetup, OwnCylinder
from frostshift_rules.job import HeatSource, Joint, Shift, SourceUse
from frostshift_rules.stops import WeatherState
from frostshift_rules.totals import PLACED_NOTE, Burning, burnings_of, busiest, counted, most_power, without_amount
from frostshift_rules.workload import Freshness, HeatCall, JointPlan, Plan, Range, ShiftTotal

from .plan_builders import (
    ACCEPTED,
    DAY,
    NIGHT,
    NOW,
    START,
    TORCH,
    by_mark,
    heat_of,
    joint,
    minutes,
    mm,
    plan,
    planned,
    weather,
)

HEAVY = joint(mm(50.0), mm(50.0), mark="H", torches=2)
"""Heated on steel of -5 °C whatever the doubt: minimum 65 °C."""


def total(whole: Plan, key: str = "2026-01-12 day") -> ShiftTotal:
    return next(shift for shift in whole.shifts if shift.key == key)


def many(count: int, of: Joint = HEAVY) -> list[Joint]:
    return [replace(of, mark=f"H{n}") for n in range(count)]


def times(amount: Range, factor: float) -> Range:
    return Range(amount.low * factor, amount.likely * factor, amount.high * factor)


def close(a: Range, b: Range) -> bool:
    pairs = zip((a.low, a.likely, a.high), (b.low, b.likely, b.high), strict=True)
    return all(math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-12) for one, other in pairs)


def full(amount: Range | None) -> Range:
    assert amount is not None
    return amount


# Amounts ----------------------------------------------------------------------------------------------------------


def test_heat_is_torch_minutes_and_gas_is_the_sum_of_the_joints() -> None:
    heat = heat_of(planned(HEAVY))
    found = total(plan(many(3)))
    assert found.joints == 3
    assert close(found.heat_minutes, times(full(heat.total_minutes), 3 * 2))
    (fuel,) = found.fuels
    assert fuel.source_id == TORCH.id
    assert close(fuel.fuel_kg, times(full(heat.fuel_kg), 3))
    assert close(fuel.oxygen_m3, times(full(heat.oxygen_m3), 3))


def test_cylinders_are_whole_ones_for_the_high_end() -> None:
    # 100 lb of propane are 45.36 kg (exact pound); not all of it is counted on, so no cylinder gives more than that.
    found = total(plan(many(40, replace(HEAVY, weld_length_mm=6000.0, heated_length_mm=300.0))))
    (fuel,) = found.fuels
    assert fuel.fuel_cylinders is not None
    assert fuel.fuel_cylinders >= math.ceil(fuel.fuel_kg.high / 45.36) > 1
    assert fuel.oxygen_cylinders is not None
    assert fuel.oxygen_cylinders > 1


def test_an_air_torch_orders_no_oxygen_and_each_source_has_its_own_line() -> None:
    air = replace(TORCH, id="P0", oxygen_ratio=0.0)
    found = total(plan([HEAVY, replace(HEAVY, mark="A", heat_source="P0")], heat_sources=(TORCH, air)))
    assert [fuel.source_id for fuel in found.fuels] == ["P1", "P0"]
    assert [fuel.oxygen_cylinders for fuel in found.fuels] == [1, 0]
    assert found.fuels[1].oxygen_m3 == Range(0.0, 0.0, 0.0)
    assert found.torches_there == 8


def test_gas_is_counted_in_the_cylinders_that_the_site_chose() -> None:
    joints = many(40, replace(HEAVY, weld_length_mm=6000.0, heated_length_mm=300.0))
    oxygen = OwnCylinder("small-oxygen", "our small oxygen", "oxygen", contents_m3=1.5)
    chosen = GasSetup(kinds=("propane-20", "small-oxygen"), own_cylinders=(oxygen,))
    (usual,), (ours,) = total(plan(joints)).fuels, total(plan(joints, gas=chosen)).fuels
    assert (usual.fuel_cylinder, usual.oxygen_cylinder) == ("100 lb propane", "251 ft³ oxygen")
    assert (ours.fuel_cylinder, ours.oxygen_cylinder) == ("20 lb propane", "our small oxygen")
    # 20 lb are 9.0718 kg (exact pound), half of it is counted on; 92 % of oxygen (both our choice).
    assert ours.fuel_cylinders == math.ceil(ours.fuel_kg.high / (0.5 * 9.0718474))
    assert ours.oxygen_cylinders == math.ceil(ours.oxygen_m3.high / (0.92 * 1.5))
    assert ours.keep is not None
    both_m3 = ours.oxygen_m3.high + ours.keep.oxygen_m3.high
    assert ours.keep_oxygen_cylinders == math.ceil(both_m3 / (0.92 * 1.5)) - ours.oxygen_cylinders
    for name in ("fuel_kg", "oxygen_m3", "keep"):
        assert getattr(ours, name) == getattr(usual, name), "what is burned does not hang on it"
    assert total(plan(joints, gas=GasSetup(own_cylinders=(oxygen,)))).fuels == (usual,), "brought, and not chosen"


def test_a_fuel_without_a_usual_cylinder_is_counted_where_the_site_chose_one() -> None:
    torch = replace(TORCH, fuel="propylene")
    (usual,) = total(plan(HEAVY, heat_sources=(torch,))).fuels
    assert (usual.fuel_cylinders, usual.keep_fuel_cylinders, usual.fuel_cylinder) == (None, None, "")
    (ours,) = total(plan(HEAVY, heat_sources=(torch,), gas=GasSetup(kinds=("propylene-100",)))).fuels
    assert ours.fuel_cylinders == 1
    assert ours.fuel_cylinder == "propylene in a 100 lb LP-gas cylinder"


def test_a_source_nobody_needs_has_no_line() -> None:
    assert total(plan(HEAVY, 80.0)).fuels == ()
    assert total(plan([])).fuels == ()


# Nothing hidden ---------------------------------------------------------------------------------------------------


def test_a_joint_under_a_stop_counts_like_any_other() -> None:
    """-30 °C is below the -20 °C of AWS D1.1, so nobody may weld; the heat and gas for later are there all the same."""
    found = plan(HEAVY, -30.0)
    assert found.joints[0].weather_state == "stop"
    here = total(found)
    assert here.states["stop"] == 1
    assert here.heat_minutes.low > 0.0
    assert here.fuels[0].fuel_kg.low > 0.0
    assert here.unknown == 0


def test_joints_without_an_amount_are_counted_and_named() -> None:
    odd = [
        HEAVY,
        replace(HEAVY, mark="no-steel", parts=(mm(50.0, None),)),
        replace(HEAVY, mark="no-web", parts=(mm(50.0, kind="flange_with_web"),)),
        replace(HEAVY, mark="no-torch", heat_source="gone"),
    ]
    found = total(plan(odd))
    assert found.unknown == 3
    (note,) = [note for note in found.notes if "at least" in note]
    for mark in ("no-steel", "no-web", "no-torch"):
        assert mark in note
    assert "H," not in note
    assert close(found.heat_minutes, total(plan(HEAVY)).heat_minutes)


def test_only_some_marks_are_spelled_out_and_the_rest_counted() -> None:
    unsized = many(9, replace(HEAVY, parts=(mm(50.0, kind="flange_with_web"),)))
    (note,) = total(plan(unsized)).notes
    assert "and 3 more" in note


def test_nothing_is_unknown_where_no_heat_is_needed() -> None:
    found = total(plan(HEAVY, 80.0))
    assert found.calls["no_heat"] == 1
    assert (found.unknown, found.notes) == (0, ())


def test_a_hint_counts_its_amount_and_its_joint_as_unknown() -> None:
    # A572-65 is in category C, whose rows are second hand until the site accepts them.
    hint = joint(mm(30.0, "A572-65"), mark="C", torches=2)
    found = plan(hint)
    assert (found.joints[0].call, found.joints[0].hint) == ("unknown", True)
    assert total(found).unknown == 1
    accepted = total(plan(hint, acceptances=(ACCEPTED,)))
    assert total(found).heat_minutes == accepted.heat_minutes
    assert accepted.unknown == 0


def test_every_call_and_state_has_its_count_even_where_none() -> None:
    found = total(plan([HEAVY, joint(mm(12.0), mark="T")], 20.0))
    assert set(found.calls) == set(get_args(HeatCall))
    assert set(found.states) == set(get_args(WeatherState))
    assert sum(found.calls.values()) == sum(found.states.values()) == found.joints == 2


def test_done_and_postponed_joints_are_left_out() -> None:
    found = plan([HEAVY, replace(HEAVY, mark="D", state="done"), replace(HEAVY, mark="P", state="postponed")])
    assert [one.joint.mark for one in found.joints] == ["H"]
    assert total(found).joints == 1


# Measure ----------------------------------------------------------------------------------------------------------

CLOSE = joint(mm(25.0), mark="M")
"""Row of 10 °C: on air of 8 or 12 °C too close to say."""


def test_a_joint_to_be_measured_may_need_nothing_at_the_low_end() -> None:
    for air_c, likely_counts in ((8.0, True), (12.0, False)):
        one = planned(CLOSE, air_c)
        amount = full(heat_of(one).total_minutes)
        assert one.call == "measure"
        found = counted(one, amount)
        assert found.low == 0.0
        assert found.likely == (amount.likely if likely_counts else 0.0)
        assert found.high == amount.high
        assert total(plan(CLOSE, air_c)).heat_minutes == found
        assert total(plan(CLOSE, air_c)).fuels[0].fuel_kg.low == 0.0


def test_an_amount_that_is_not_there_counts_nothing() -> None:
    assert counted(planned(HEAVY), None) == Range(0.0, 0.0, 0.0)


def test_a_joint_measured_only_for_its_start_value_is_left_out_and_said() -> None:
    # 125 mm, two hours after the forecast begins: nothing but the assumed start says that it is warm.
    early = replace(CLOSE, parts=(mm(125.0),), start_utc=NOW - timedelta(hours=46))
    (one,) = plan(early, 130.0, now_utc=NOW - timedelta(hours=47)).joints
    assert one.call == "measure"
    assert without_amount(one)


@cache
def heavy() -> JointPlan:
    return planned(HEAVY)


# Torches at once --------------------------------------------------------------------------------------------------


def burns(lit: datetime, until: datetime, torches: int, source_id: str = "tip") -> Burning:
    return Burning(lit, until, torches, source_id)


def test_torches_at_once_by_hand() -> None:
    """A: 2 torches 10:00 to 11:00; B: 1 torch 10:30 to 12:00; C: 3 torches 11:00 to 11:20. Most: 1 + 3 at 11:00."""
    ten = START - timedelta(hours=2)
    a = burns(ten, ten + minutes(60), 2)
    b = burns(ten + minutes(30), ten + minutes(120), 1)
    c = burns(ten + minutes(60), ten + minutes(80), 3)
    assert busiest([a, b, c]) == (4, ten + minutes(60))
    assert busiest([a, b]) == (3, ten + minutes(30))
    assert busiest([a]) == (2, ten)
    assert busiest([]) == (0, None)


def test_a_long_seam_burns_beyond_its_first_arc() -> None:
    one = planned(replace(HEAVY, weld_length_mm=900.0, heated_length_mm=300.0))
    heat, (span,) = heat_of(one), burnings_of(one)
    assert (span.start_utc, span.end_utc) == (heat.light_up_utc, START + minutes(2 * full(heat.minutes).high))
    assert (span.torches, span.source_id) == (heat.torches, heat.source_id)
    assert burnings_of(planned(replace(HEAVY, heat_source="gone"))) == ()


spell = st.tuples(st.integers(0, 100), st.integers(1, 60), st.integers(1, 4))


@given(st.lists(spell, max_size=8))
def test_torches_at_once_are_those_of_the_busiest_minute(spells: Sequence[tuple[int, int, int]]) -> None:
    burnings = [burns(START + minutes(a), START + minutes(a + n), torches) for a, n, torches in spells]
    by_minute = [sum(t for a, n, t in spells if a <= minute < a + n) for minute in range(160)]
    most, when = busiest(burnings)
    assert most == max(by_minute, default=0)
    if most:
        assert when == START + minutes(by_minute.index(most))


def test_more_torches_than_there_are_or_than_people_can_hold_is_said() -> None:
    few = plan(many(3), heat_sources=(replace(TORCH, count=5),), shifts=(replace(DAY, hands=4),))
    found = total(few)
    assert (found.torches_at_once, found.torches_there, found.hands) == (6, 5, 4)
    assert any("5 are on the site" in note for note in found.notes)
    assert any("4 people can hold" in note for note in found.notes)
    enough = plan(many(3), heat_sources=(replace(TORCH, count=6),), shifts=(replace(DAY, hands=6),))
    assert total(enough).notes == ()


PAD = HeatSource("pad", "heating pad", None, 3.6, 0.40, 0.55, 0.65, count=8, kind="pad", area_m2=0.0774)
THIN = joint(mm(20.0), mm(20.0), mark="P", heat_source="pad", torches=2)
"""Cold steel of -5 °C; two pads lie on all of it."""


def test_nobody_holds_a_pad_and_pads_are_counted_apart_from_torches() -> None:
    joints = [*many(2), *many_of(THIN, 3)]
    found = total(plan(joints, heat_sources=(TORCH, PAD), shifts=(replace(DAY, hands=4), NIGHT)))
    assert (found.torches_at_once, found.torches_there, found.hands) == (4, 4, 4)
    assert not any("people can hold" in note for note in found.notes)
    assert PLACED_NOTE in found.notes
    assert PLACED_NOTE not in total(plan(many(2), heat_sources=(TORCH, PAD))).notes
    few = total(plan(joints, heat_sources=(TORCH, replace(PAD, count=5))))
    assert "6 of heating pad are needed at once, 5 are on the site: bring more or spread the starts." in few.notes


def many_of(one: Joint, count: int) -> list[Joint]:
    return [replace(one, mark=f"{one.mark}{n}") for n in range(count)]


def test_power_at_once_and_energy_of_a_shift() -> None:
    """Three joints at one start with two pads of 3.6 kW each: 21.6 kW, by hand; the energy is the sum of theirs."""
    whole = plan(many_of(THIN, 3), heat_sources=(TORCH, PAD))
    found, heats = total(whole), [heat_of(one) for one in whole.joints]
    assert found.power_kw == pytest.approx(21.6)
    assert found.power_utc == heats[0].light_up_utc
    assert found.heat_minutes == Range(0.0, 0.0, 0.0)
    assert (found.torches_at_once, found.torches_at_utc) == (0, None)
    (pads,) = found.fuels
    assert pads.energy_kwh is not None
    assert close(pads.energy_kwh, times(full(heats[0].energy_kwh), 3))
    assert (pads.fuel_cylinders, pads.oxygen_cylinders) == (0, 0)
    assert (pads.fuel_kg, pads.oxygen_m3) == (Range(0.0, 0.0, 0.0), Range(0.0, 0.0, 0.0))


def test_a_joint_with_torches_and_pads_is_in_both_counts() -> None:
    both = replace(HEAVY, also_heated=(SourceUse("pad", 4),))
    whole = plan([both], heat_sources=(TORCH, PAD))
    found, heat = total(whole), heat_of(whole.joints[0])
    assert found.torches_at_once == 2
    assert found.power_kw == pytest.approx(14.4)
    assert close(found.heat_minutes, times(full(heat.total_minutes), 2))
    assert [one.source_id for one in found.fuels] == ["P1", "pad"]
    assert close(found.fuels[0].fuel_kg, full(heat.fuel_kg))
    spans = burnings_of(whole.joints[0])
    assert [(span.source_id, span.torches) for span in spans] == [("P1", 2), ("pad", 4)]


def test_power_by_hand() -> None:
    """4 pads from 10:00 to 11:00, an induction heater of 25 kW from 10:30: 14.4 + 25 = 39.4 kW."""
    ten = START - timedelta(hours=2)
    coil = HeatSource("coil", "induction heater", None, 25.0, kind="induction")
    pads = burns(ten, ten + minutes(60), 4, "pad")
    other = burns(ten + minutes(30), ten + minutes(90), 1, "coil")
    torch = burns(ten, ten + minutes(90), 3, "P1")
    most, when = most_power([pads, other, torch], [TORCH, PAD, coil])
    assert most == pytest.approx(39.4)
    assert when == ten + minutes(30)
    assert most_power([torch], [TORCH]) == (0.0, None)


def test_light_up_before_the_shift_is_said_with_both_answers() -> None:
    early = replace(HEAVY, start_utc=START.replace(hour=6, minute=5))
    whole = plan(early)
    one = by_mark(whole)["H"]
    heat = heat_of(one)
    assert heat.light_up_utc is not None
    assert heat.light_up_utc < START.replace(hour=6)
    lead = early.start_utc - heat.light_up_utc
    assert heat.earliest_arc_utc == START.replace(hour=6) + lead
    arc = heat.earliest_arc_utc
    assert arc is not None
    (note,) = [note for note in total(whole).notes if "the shift starts" in note]
    assert note.startswith(f"H: light up Mon {heat.light_up_utc:%H:%M}, the shift starts Mon 06:00: somebody comes")
    up = arc + timedelta(seconds=59, microseconds=999_999)
    assert note.endswith(f"or the arc waits until Mon {up:%H:%M}.")
    two = total(plan([early, replace(early, mark="K")])).notes
    assert sum(n.startswith("2 joints light up before the shift starts Mon 06:00") for n in two) == 1


def test_light_up_that_is_past_is_not_asked_for() -> None:
    early = replace(HEAVY, start_utc=START.replace(hour=6, minute=5))
    found = heat_of(by_mark(plan(early))["H"])
    assert found.light_up_utc is not None
    now = found.light_up_utc + minutes(1)  # before the shift, but nobody can light up a minute ago
    (note,) = [note for note in total(plan(early, now_utc=now)).notes if "light-up" in note]
    assert note.startswith("H: its light-up Mon ")
    assert "is past: earliest arc Mon " in note
    assert "comes earlier" not in note
    many_notes = total(plan([replace(early, mark=f"H{n}") for n in range(8)], now_utc=now)).notes
    (note,) = [note for note in many_notes if "light-ups" in note]
    assert note.startswith("The light-ups of 8 joints are past: H0 Mon ")
    assert note.endswith("; 2 more, each with its times.")


# Shifts -----------------------------------------------------------------------------------------------------------


def test_a_joint_belongs_to_the_shift_that_holds_its_start_and_to_no_other() -> None:
    starts = {"D": START, "N": START.replace(hour=18), "E": START.replace(hour=17, minute=59)}
    whole = plan([replace(HEAVY, mark=mark, start_utc=start) for mark, start in starts.items()])
    found = by_mark(whole)
    assert {mark: found[mark].shift_key for mark in starts} == {
        "D": "2026-01-12 day",
        "N": "2026-01-12 night",
        "E": "2026-01-12 day",
    }
    assert (total(whole).joints, total(whole, "2026-01-12 night").joints) == (2, 1)
    assert whole.outside_shifts == 0


def test_joints_outside_every_shift_are_planned_counted_and_in_no_total() -> None:
    whole = plan([HEAVY, replace(HEAVY, mark="O", start_utc=START.replace(hour=20))], shifts=(DAY,))
    outside = by_mark(whole)["O"]
    assert (outside.shift_key, outside.call) == (None, "heat_to_minimum")
    assert outside.heat is not None
    assert whole.outside_shifts == 1
    assert sum(shift.joints for shift in whole.shifts) == 1


def test_shifts_run_a_week_ahead_and_to_the_last_joint() -> None:
    assert len({shift.day for shift in plan([], shifts=(DAY,)).shifts}) in (7, 8)
    far = replace(HEAVY, start_utc=START + timedelta(days=12))
    days = [shift.day for shift in plan(far, shifts=(DAY, NIGHT)).shifts]
    assert max(days) == far.start_utc.date()
    assert plan(far, shifts=()).shifts == ()


def test_a_shift_keeps_its_name_hands_and_hours() -> None:
    found = total(plan(HEAVY, shifts=(Shift("day", DAY.start, DAY.end, hands=7),)))
    assert (found.name, found.hands, found.day) == ("day", 7, START.date())
    assert (found.start_utc, found.end_utc) == (START.replace(hour=6), START.replace(hour=18))


@pytest.mark.parametrize("freshness", ["none", "unusable"])
def test_without_weather_the_totals_say_that_all_of_it_is_left_out(freshness: Freshness) -> None:
    whole = plan(many(2), weather(-5.0, freshness))
    found = total(whole)
    assert (found.joints, found.unknown, found.calls["unknown"]) == (2, 2, 2)
    assert found.heat_minutes == Range(0.0, 0.0, 0.0)
    assert found.torches_at_utc is None
    assert any("H0, H1" in note for note in found.notes)


def test_cylinders_for_keeping_warm_come_on_top_of_those_for_heating_up() -> None:
    (fuel,) = total(plan([replace(HEAVY, hours=4.0)])).fuels
    assert fuel.keep is not None
    assert fuel.keep.fuel_kg.low == fuel.keep.oxygen_m3.low == 0.0
    assert fuel.keep.oxygen_m3.high > fuel.oxygen_m3.high > 0.0
    cylinder = gas.default_oxygen_cylinder()
    both = gas.cylinders_needed(fuel.oxygen_m3.high + fuel.keep.oxygen_m3.high, cylinder)
    assert fuel.oxygen_cylinders == gas.cylinders_needed(fuel.oxygen_m3.high, cylinder)
    assert fuel.keep_oxygen_cylinders == both - fuel.oxygen_cylinders
