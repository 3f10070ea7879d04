"""What each shift takes: the plan's totals by use, other use by hand, and nothing said beyond the forecast."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from frostshift_rules.gas import burn
from frostshift_rules.gas_demand import OXYGEN, ShiftDemand, demand_by_shift
from frostshift_rules.gas_setup import GasSetup, OtherUse
from frostshift_rules.job import HeatSource, Joint
from frostshift_rules.surroundings import Hours
from frostshift_rules.totals import NONE
from frostshift_rules.workload import Plan, Range, added

from .plan_builders import NOW, START, TORCH, heat_of, hours, joint, mm, plan

PAD = HeatSource("E1", "pad", None, 3.6, 0.4, 0.55, 0.65, count=40, kind="pad", area_m2=0.0774)
QUIET = GasSetup(purge_seconds=0.0, idle_share=0.0)


def day_of(made: Plan) -> ShiftDemand:
    return next(one for one in demand_by_shift(made) if one.start_utc <= START < one.end_utc)


def one_plan(setup: GasSetup = QUIET, *joints: Joint, of: Hours | float = -15.0, **fields: Any) -> Plan:
    return plan(joints or (joint(mm(50.0), hours=6.0),), of, gas=setup, **fields)


def test_heating_and_keeping_are_the_totals_of_the_plan() -> None:
    made = one_plan(QUIET, joint(mm(50.0), hours=6.0), joint(mm(25.0), mark="J2", hours=3.0))
    got = day_of(made)
    (total,) = next(one for one in made.shifts if one.key == got.key).fuels
    fuel, oxygen = got.gases
    assert (fuel.gas, oxygen.gas) == ("propane", OXYGEN)
    assert total.keep is not None
    for end in ("low", "likely", "high"):
        assert getattr(fuel.uses["heating"], end) == pytest.approx(getattr(total.fuel_kg, end))
        assert getattr(fuel.uses["keeping"], end) == pytest.approx(getattr(total.keep.fuel_kg, end))
        assert getattr(oxygen.total, end) == pytest.approx(
            getattr(total.oxygen_m3, end) + getattr(total.keep.oxygen_m3, end)
        )
    assert set(fuel.uses) == {"heating", "keeping"}


def test_drying_is_taken_out_of_heating_and_nothing_is_counted_twice() -> None:
    rain = hours(-2.0, precip_mm=np.full(96, 1.0))
    made = one_plan(QUIET, joint(mm(50.0), exposure="open"), of=rain)
    uses = day_of(made).gases[0].uses
    heat = heat_of(made.joints[0])
    assert heat.fuel_kg is not None
    assert uses["drying"].high > 0.0
    assert added([uses["heating"], uses["drying"]]).high == pytest.approx(heat.fuel_kg.high)


def test_light_ups_by_hand() -> None:
    """20 s of one torch at its full rate for each length of the weld."""
    made = one_plan(GasSetup(idle_share=0.0), joint(mm(50.0), hours=6.0, weld_length_mm=1700.0))
    got, one, heat = day_of(made).gases, burn(TORCH, 20.0 / 60.0), heat_of(made.joints[0])
    assert heat.segments > 1
    assert got[0].uses["light_ups"].high == pytest.approx(heat.segments * one.fuel_kg)
    assert got[1].uses["light_ups"].low == pytest.approx(heat.segments * one.oxygen_m3)


def test_torches_that_wait_take_their_share_of_heating() -> None:
    uses = day_of(one_plan(GasSetup(purge_seconds=0.0, idle_share=0.1))).gases[0].uses
    assert uses["idle"].likely == pytest.approx(0.1 * uses["heating"].likely)


def test_other_use_counts_in_its_shifts_alone() -> None:
    heaters = OtherUse("tent heaters", "propane", 4.0, 8.0, 12.0, shifts=("night",))
    cutting = OtherUse("cutting", "oxygen", 1.0, 2.0, 3.0)
    made = one_plan(replace(QUIET, other_use=(heaters, cutting)))
    day, night = demand_by_shift(made)[1:3]
    assert (day.name, night.name) == ("day", "night")
    assert "other" not in day.gases[0].uses
    assert night.of("propane") == Range(4.0, 8.0, 12.0)
    assert night.of(OXYGEN) == Range(1.0, 2.0, 3.0)


def test_current_and_the_diesel_that_makes_it() -> None:
    got = day_of(one_plan(QUIET, joint(mm(25.0), torches=12), heat_sources=(PAD,)))
    assert got.gases == ()
    assert got.energy_kwh.high > got.energy_kwh.low > 0.0
    assert got.power_kw == pytest.approx(12 * 3.6)
    assert got.diesel_l.likely == pytest.approx(got.energy_kwh.likely / 3.0)
    assert got.diesel_l.high == pytest.approx(got.energy_kwh.high / 2.6)


def test_beyond_the_forecast_nothing_is_said() -> None:
    made = one_plan()
    assert made.forecast_end_utc is not None
    shifts = demand_by_shift(made)
    assert [one.known for one in shifts] == [one.end_utc <= made.forecast_end_utc for one in shifts]
    assert {one.gases for one in shifts if not one.known} == {()}
    stale = replace(made, freshness="unusable")
    assert not any(one.known for one in demand_by_shift(stale))


def test_joints_without_amounts_are_counted_as_such() -> None:
    made = one_plan(QUIET, joint(mm(50.0)), joint(mm(50.0, None), mark="J2"))
    assert day_of(made).unknown_joints == 1
    assert all(one.end_utc > NOW for one in demand_by_shift(made))
    assert day_of(made).of("acetylene") == NONE
