"""Ways of heating side by side: the planned way is the plan, every other the fewest that give a time; costs by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules import heat_compare
from frostshift_rules.delivered import Heaters
from frostshift_rules.gas_demand import OXYGEN, demand_by_shift
from frostshift_rules.gas_setup import GasSetup, OwnCylinder, SupplyTerms
from frostshift_rules.heat_compare import MOST_JOINTS, NO_TIME, TRIED, Comparison, Way, compare, sources_to_compare
from frostshift_rules.heat_plan import STATUS_ORDER
from frostshift_rules.job import HeatSource, Joint, SourceUse
from frostshift_rules.strict import OutOfRange
from frostshift_rules.totals import NONE
from frostshift_rules.workload import Range, Weather

from .plan_builders import NOW, START, TABLE, TORCH, heat_of, hours, joint, minutes, mm, plan, reading, site, weather

PAD = HeatSource("pad", "heating pad", None, 3.6, 0.40, 0.55, 0.65, count=8, kind="pad", area_m2=0.0774)
PRICED = GasSetup(
    supply=(
        SupplyTerms("propane-100", lead_days=2, price=90.72),
        SupplyTerms("oxygen-251", lead_days=2, price=34.0),
    ),
    kwh_price=0.2,
    currency="EUR",
)
THICK = joint(mm(50.0), mark="thick", hours=6.0)
THIN = joint(mm(25.0), mark="thin", hours=3.0)
WARM = joint(mm(25.0), mark="warm", start_utc=START)
ENDS = ("low", "likely", "high")


def compared(
    joints: Joint | Sequence[Joint], of: float | Weather = -15.0, beside: Sequence[Joint] = (), **fields: Any
) -> Comparison:
    given_joints = [joints] if isinstance(joints, Joint) else joints
    forecast = of if isinstance(of, Weather) else weather(of)
    readings = fields.pop("readings", ())
    return compare(site(**fields), TABLE, given_joints, forecast, readings, NOW, beside=beside)


def way(found: Comparison, source_id: str) -> Way:
    return next(one for one in found.ways if one.source is not None and one.source.id == source_id)


# The planned way ------------------------------------------------------------------------------------------------------


def test_the_first_way_is_the_plan_itself() -> None:
    mixed = replace(THICK, mark="mixed", also_heated=(SourceUse("pad", 4),))
    sources = (TORCH, PAD)
    first = compared([THIN, mixed], heat_sources=sources).ways[0]
    made = plan([THIN, mixed], -15.0, heat_sources=sources)
    by_mark = {one.joint.mark: one for one in made.joints}
    assert (first.where, first.source) == ("planned", None)
    assert [one.mark for one in first.joints] == ["thin", "mixed"]
    assert [one.heat for one in first.joints] == [by_mark["thin"].heat, by_mark["mixed"].heat]
    assert first.joints[1].used == (Heaters(TORCH, 1), Heaters(PAD, 4))
    shift = next(one for one in demand_by_shift(made) if one.start_utc <= START < one.end_utc)
    assert [one.demand for one in first.gases] == list(shift.gases)
    assert first.energy_kwh == shift.energy_kwh
    assert first.diesel_l == shift.diesel_l
    total = next(one for one in made.shifts if one.key == shift.key)
    assert (first.hands, first.power_kw) == (total.torches_at_once, total.power_kw)
    heats = [heat_of(one) for one in made.joints]
    assert first.light_up_utc == min(one.light_up_utc for one in heats if one.light_up_utc)
    assert first.longest == max((one.minutes for one in heats if one.minutes), key=lambda one: one.high)


def test_a_joint_keeps_its_own_number_in_the_way_of_its_own_source() -> None:
    """Its 12 pads are not replaced by a smaller number that would do, nor its 3 torches by one."""
    many, three = replace(THIN, mark="pads", heat_source="pad", torches=12), replace(THIN, mark="three", torches=3)
    found = compared([many, three], heat_sources=(TORCH, PAD))
    by_pads, by_torch = way(found, "pad"), way(found, TORCH.id)
    assert by_pads.joints[0].used == (Heaters(PAD, 12),)
    assert by_pads.joints[0].tried == ()
    assert by_pads.joints[0].heat == found.ways[0].joints[0].heat
    assert by_torch.joints[1].used == (Heaters(TORCH, 3),)
    assert by_torch.joints[1].heat == found.ways[0].joints[1].heat


def test_a_joint_planned_with_two_sources_is_tried_with_one_alone() -> None:
    mixed = replace(THICK, torches=3, also_heated=(SourceUse("pad", 4),))
    alone = way(compared(mixed, heat_sources=(TORCH, PAD)), TORCH.id)
    assert alone.joints[0].used == (Heaters(TORCH, 1),)
    assert alone.joints[0].tried == (1,)
    assert (alone.energy_kwh, alone.heaters_at_once) == (NONE, 0)


def test_the_planned_way_is_not_shown_twice() -> None:
    found = compared([THIN, THICK], heat_sources=(TORCH, PAD))
    assert [one.source.id for one in found.ways if one.source and one.where == "on_site"] == ["pad"]
    assert all(one.source != TORCH for one in found.ways)


# The fewest -----------------------------------------------------------------------------------------------------------


def test_twenty_heaters_become_the_fewest_torches_that_give_a_time() -> None:
    """With one torch fewer there is none."""
    weak = replace(TORCH, net_kw=8.0)
    long = replace(THICK, weld_length_mm=1200.0, heated_length_mm=1200.0)
    heated = replace(long, heat_source="pad", torches=20)
    found = way(compared(heated, heat_sources=(PAD, weak)), weak.id).joints[0]
    ((source, count),) = [(one.source, one.count) for one in found.used]
    assert source == weak
    assert count > 1
    assert found.tried == TRIED["flame"][:count]
    for torches in (count - 1, count):
        (alone,) = plan(replace(long, torches=torches), -15.0, heat_sources=(weak,)).joints
        assert (heat_of(alone).minutes is not None) == (torches == count)
    assert found.heat == heat_of(alone)


def test_heaters_that_cover_too_little_are_not_given_up_but_those_that_do_not_get_there_are() -> None:
    small = replace(PAD, net_kw=0.93, area_m2=0.02)
    long = replace(THIN, weld_length_mm=1200.0, heated_length_mm=1200.0)
    pads = way(compared(long, heat_sources=(TORCH, small)), "pad").joints[0]
    assert pads.status == "timed"
    assert len(pads.tried) > heat_compare.GIVES_UP_AFTER + 1
    weak = replace(PAD, net_kw=0.5, area_m2=1.0)
    never = way(compared(THICK, heat_sources=(TORCH, weak)), "pad").joints[0]
    assert never.status == "no_time"
    assert never.tried == TRIED["pad"][: heat_compare.GIVES_UP_AFTER + 1]
    assert never.reason == "No time with 1, 2 or 4; with 4 it does not get there with these heaters."


@settings(max_examples=15, deadline=None)
@given(
    thickness_mm=st.floats(15.0, 80.0),
    air_c=st.floats(-30.0, 5.0),
    length_mm=st.floats(100.0, 2000.0),
    torches=st.integers(1, 6),
)
def test_what_holds_of_every_way(thickness_mm: float, air_c: float, length_mm: float, torches: int) -> None:
    asked = [
        joint(mm(thickness_mm), weld_length_mm=length_mm, torches=torches),
        joint(mm(20.0), mark="J2", heat_source="pad", torches=10),
    ]
    found = compared(asked, air_c, heat_sources=(TORCH, PAD), gas=PRICED)
    needs = [one.mark for one in found.ways[0].joints if one.status in ("timed", "no_time")]
    for one in found.ways:
        assert [line.mark for line in one.joints] == ["J1", "J2"]
        assert [line.mark for line in one.joints if line.status in ("timed", "no_time")] == needs
        timed = [line for line in one.joints if line.status == "timed"]
        for span in (one.energy_kwh, *(of.demand.total for of in one.gases), *([one.cost] if one.cost else [])):
            assert 0.0 <= span.low <= span.likely <= span.high
        if one.source is not None and one.source.electric:
            assert (one.gases, one.hands) == ((), 0)
        if one.source is not None and not one.source.electric:
            assert (one.energy_kwh, one.power_kw, one.heaters_at_once) == (NONE, 0.0, 0)
            assert {of.demand.gas for of in one.gases} <= {one.source.fuel, OXYGEN}
        assert (one.longest is None) == (not timed)
        for line in one.joints:
            assert (line.status == "timed") == (line.reason == "")
            if line.status != "timed":
                assert (line.gases, line.energy_kwh) == ((), NONE)
        if one.marks("no_time") or not timed:
            assert one.cost is None
        assert (one.cost is None) == bool(one.no_cost)


# Heat, fuel, current --------------------------------------------------------------------------------------------------


NET_MJ_KG = {"propane": 46.35, "propylene": 45.79, "acetylene": 48.24}
"""Net heats of combustion at 25 °C: from memory of handbook tables (46.35, 45.78, 48.24 MJ/kg)."""


def test_fuel_and_current_stand_for_the_heat_that_reaches_the_steel() -> None:
    """kg x net heat, and kWh x 3.6, are torch-minutes x rate: what is in the steel after both is alike, since the same
    steel is brought to the same target. The slower way loses more to the air, so it is alike within a third."""
    air_torch = replace(TORCH, oxygen_ratio=0.0)
    found = compared(THICK, heat_sources=(air_torch, PAD), gas=GasSetup(purge_seconds=0.0, idle_share=0.0))
    into_steel_mj = {}
    for one in found.ways:
        line, source = one.joints[0], one.source or air_torch
        if line.status != "timed":
            continue
        assert line.heat is not None
        assert line.heat.total_minutes is not None
        ((_, count),) = [(used.source, used.count) for used in line.used]
        released_mj = line.heat.total_minutes.likely * 60.0 * count * source.net_kw / 1000.0
        if source.electric:
            drawn = sum(amount.energy_kwh.likely for amount in line.heat.amounts)
            assert drawn * 3.6 == pytest.approx(released_mj)
        else:
            assert source.fuel is not None
            (burned,) = line.heat.amounts
            assert burned.fuel_kg.likely * NET_MJ_KG[source.fuel] == pytest.approx(released_mj, rel=0.01)
        into_steel_mj[source.id] = released_mj * source.share_likely
    assert len(into_steel_mj) >= 4
    assert max(into_steel_mj.values()) < 1.35 * min(into_steel_mj.values())


def test_the_amounts_are_those_of_the_joints_together() -> None:
    found = compared([THIN, THICK], heat_sources=(TORCH, PAD), gas=PRICED)
    for one in found.ways:
        for of in one.gases:
            parts = [gas.total for line in one.joints for gas in line.gases if gas.gas == of.demand.gas]
            for end in ENDS:
                assert sum(getattr(part, end) for part in parts) == pytest.approx(getattr(of.demand.total, end))
        for end in ENDS:
            assert sum(getattr(line.energy_kwh, end) for line in one.joints) == pytest.approx(
                getattr(one.energy_kwh, end)
            )


# Cylinders ------------------------------------------------------------------------------------------------------------


def test_cylinders_hold_the_high_end_and_feed_together_in_the_cold() -> None:
    mild, cold = (compared(THICK, air_c).ways[0].gases[0] for air_c in (-5.0, -20.0))
    for one in (mild, cold):
        assert one.cylinder is not None
        assert one.count is not None
        usable_kg = one.cylinder.usable_kg  # type: ignore[union-attr]
        assert (one.count - 1) * usable_kg < one.demand.total.high <= one.count * usable_kg
    assert mild.worst is not None
    assert cold.worst is not None
    assert (mild.worst.verdict, cold.worst.verdict) == ("enough", "enough")
    assert (mild.worst.together or 0) < (cold.worst.together or 0)


def test_below_its_boiling_point_propane_gives_nothing() -> None:
    """Propane boils at -42.1 °C at one atmosphere (handbook figure, from memory): no pressure for a torch."""
    gas = compared(THIN, weather(hours(-43.0))).ways[0].gases[0]
    assert gas.worst is not None
    assert gas.worst.verdict == "another_way"


def test_each_shift_starts_on_full_cylinders() -> None:
    """Two joints two days apart are no harder on the cylinders than the harder of them alone."""
    later = replace(THICK, mark="later", start_utc=START + minutes(24 * 60))
    both = compared([THICK, later]).ways[0].gases[0]
    alone = compared(THICK).ways[0].gases[0]
    assert len(both.banks) == 2
    assert both.worst is not None
    assert alone.worst is not None
    assert both.worst.together == alone.worst.together


def test_a_gas_without_cylinders_has_no_count_and_no_cost() -> None:
    tip = HeatSource("N1", "natural gas tip", "natural_gas", 40.0)
    one = compared(THIN, heat_sources=(tip,), gas=PRICED).ways[0]
    assert (one.gases[0].cylinder, one.gases[0].count, one.gases[0].banks) == (None, None, ())
    assert one.cost is None
    assert one.no_cost == ("The site states no price of natural gas.",)


# Cost -----------------------------------------------------------------------------------------------------------------


def test_cost_by_hand() -> None:
    """A full 100 lb propane cylinder holds 45.36 kg, so 90.72 for one is 2 a kg; oxygen of 251 ft3 at 70 °F, 294.26 K,
    is 6.96 m3 at 15 °C, 288.15 K."""
    found = compared([THIN, THICK], heat_sources=(TORCH, replace(PAD, net_kw=8.0)), gas=PRICED)
    flame, pads = found.ways[0], way(found, "pad")
    propane, oxygen = (one.demand.total for one in flame.gases)
    assert flame.cost is not None
    assert pads.cost is not None
    for end in ENDS:
        by_hand = 2.0 * getattr(propane, end) + 34.0 / 6.96 * getattr(oxygen, end)
        assert getattr(flame.cost, end) == pytest.approx(by_hand, rel=1e-3)
        assert getattr(pads.cost, end) == pytest.approx(0.2 * getattr(pads.energy_kwh, end))
    assert flame.no_cost == ()


@pytest.mark.parametrize(
    ("setup", "way_id", "missing"),
    [
        (replace(PRICED, supply=PRICED.supply[1:]), None, "propane"),
        (replace(PRICED, supply=PRICED.supply[:1]), None, "oxygen"),
        (GasSetup(), None, "propane, oxygen"),
        (replace(PRICED, kwh_price=None), "pad", "current"),
    ],
)
def test_no_cost_without_every_price(setup: GasSetup, way_id: str | None, missing: str) -> None:
    found = compared(THIN, heat_sources=(TORCH, PAD), gas=setup)
    one = found.ways[0] if way_id is None else way(found, way_id)
    assert one.cost is None
    assert one.no_cost == (f"The site states no price of {missing}.",)


def test_an_air_torch_needs_no_price_of_oxygen() -> None:
    one = compared(
        THIN, heat_sources=(replace(TORCH, oxygen_ratio=0.0),), gas=replace(PRICED, supply=PRICED.supply[:1])
    )
    assert one.ways[0].cost is not None


def test_a_part_of_the_work_has_no_cost() -> None:
    weak = replace(PAD, net_kw=0.5, area_m2=1.0)
    one = way(compared([THIN, THICK], heat_sources=(TORCH, weak), gas=PRICED), "pad")
    assert one.marks("no_time")
    assert one.cost is None
    assert one.no_cost == (f"No cost of a part of the work: no time for {', '.join(one.marks('no_time'))}.",)


def test_a_price_goes_by_the_contents_of_the_sites_own_cylinder() -> None:
    own = OwnCylinder("yard-40", "yard cylinder", "propane", contents_kg=40.0, diameter_mm=370.0, height_mm=1200.0)
    setup = replace(
        PRICED, kinds=("yard-40",), own_cylinders=(own,), supply=(SupplyTerms("yard-40", lead_days=1, price=80.0),)
    )
    one = compared(THIN, heat_sources=(replace(TORCH, oxygen_ratio=0.0),), gas=setup).ways[0]
    assert one.cost is not None
    assert one.cost.high == pytest.approx(2.0 * one.gases[0].demand.total.high)


# What is not known ----------------------------------------------------------------------------------------------------


def test_a_joint_that_needs_no_heat_or_is_unknown_says_why() -> None:
    nothing_known = joint(mm(25.0, None), mark="steel?")
    found = compared([WARM, nothing_known], 25.0)
    for one in found.ways:
        assert [line.status for line in one.joints] == ["no_heat", "unknown"]
        assert (
            one.joints[0].reason
            == "Even on its cold side the steel stays at or above the threshold over the whole window."
        )
        assert "steel" in one.joints[1].reason
        assert all(line.used == () and line.tried == () for line in one.joints)
        assert (one.gases, one.energy_kwh, one.longest, one.light_up_utc, one.cost) == ((), NONE, None, None, None)


@pytest.mark.parametrize("freshness", ["unusable", "none"])
def test_without_a_forecast_every_joint_is_unknown(freshness: Any) -> None:
    for one in compared(THIN, weather(-15.0, freshness)).ways:
        assert [line.status for line in one.joints] == ["unknown"]
        assert one.cost is None


def test_no_reason_of_heaters_speaks_of_a_flame() -> None:
    assert set(NO_TIME) == set(STATUS_ORDER) - {"ok"}
    for _, electric in NO_TIME.values():
        assert not {"flame", "torch", "torches", "burn"} & set(electric.replace(",", "").split())


def test_a_reading_on_a_joint_beside_counts_as_in_the_plan() -> None:
    beside = replace(THIN, mark="beside")
    measured = [reading(-20.0, NOW, "beside")]
    alone, with_it = (compared(THIN, 0.0, readings=measured, beside=one) for one in ((), (beside,)))
    whole = plan([THIN, beside], 0.0, readings=measured)
    planned = next(one for one in whole.joints if one.joint.mark == "thin")
    assert with_it.joints == (planned,)
    assert [line.mark for line in with_it.ways[0].joints] == ["thin"]
    assert alone.joints != with_it.joints


# Bad input, and what is compared --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("joints", "said"),
    [
        ([], "0 joints are to be compared, expected 1 to 40 at a time"),
        ([replace(THIN, mark=f"J{n}") for n in range(MOST_JOINTS + 1)], "41 joints are to be compared"),
        ([THIN, THICK, THIN], "named more than once: thin"),
        ([THIN, replace(THICK, state="done")], "not planned: thick is done"),
    ],
)
def test_what_cannot_be_compared_is_refused(joints: list[Joint], said: str) -> None:
    with pytest.raises(OutOfRange, match=said):
        compared(joints)


def test_as_many_as_are_allowed_are_all_there() -> None:
    asked = [replace(THIN, mark=f"J{n}") for n in range(MOST_JOINTS)]
    for one in compared(asked).ways:
        assert [line.mark for line in one.joints] == [joint.mark for joint in asked]


def test_one_of_each_kind_that_the_site_has_not() -> None:
    there = sources_to_compare(site(heat_sources=(TORCH, PAD)))
    assert [one for one, on_site in there if on_site] == [TORCH, PAD]
    kinds = [(one.kind, one.fuel, one.oxygen_ratio == 0.0) for one, _ in there]
    assert len(set(kinds)) == len(kinds)
    assert {("flame", "acetylene", False), ("flame", "propane", True), ("induction", None, False)} <= set(kinds)


def test_ranges_are_the_plans_own_type() -> None:
    one = compared(THIN, gas=PRICED).ways[0]
    assert isinstance(one.cost, Range)
    assert one.minutes == one.longest == heat_of(plan(THIN, -15.0).joints[0]).minutes
