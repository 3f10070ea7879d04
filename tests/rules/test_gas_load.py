"""When flames burn: energy as the plan counts it, on and off, other users, oxygen and the longest draw by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.gas import gas
from frostshift_rules.gas_load import Flame, flames_of, load_between, longest_minutes, most_oxygen_m3_h, other_flames
from frostshift_rules.gas_setup import OtherUse
from frostshift_rules.job import HeatSource
from frostshift_rules.workload import JointPlan

from .plan_builders import START, heat_of, joint, mm, plan, planned, site

H = timedelta(hours=1)
PAD = HeatSource("E1", "pad", None, 3.6, 0.4, 0.55, 0.65, count=40, kind="pad", area_m2=0.0774)


def flame(begin_h: float, end_h: float, kw: float = 30.0, oxygen: float = 0.0) -> Flame:
    return Flame("J1", "propane", START + begin_h * H, START + end_h * H, 1, kw, oxygen)


def burned_kg(flames: list[Flame] | tuple[Flame, ...]) -> float:
    return (
        sum(one.gross_kw * (one.end_utc - one.start_utc).total_seconds() for one in flames)
        / 1000.0
        / gas("propane").gross_mj_kg
    )


def without_reheats(found: JointPlan) -> JointPlan:
    return replace(found, heat=replace(heat_of(found), reheats=None))


@pytest.mark.parametrize("weld_mm", [300.0, 1700.0])
def test_the_flames_of_a_joint_burn_what_its_plan_counts_on_the_high_end(weld_mm: float) -> None:
    found = planned(joint(mm(50.0), weld_length_mm=weld_mm, hours=6.0), -20.0)
    heat = heat_of(found)
    assert heat.fuel_kg is not None
    flames = flames_of(without_reheats(found), site())
    assert burned_kg(flames) == pytest.approx(heat.fuel_kg.high, rel=1e-6)
    assert len(flames) == heat.segments
    assert heat.oxygen_m3 is not None
    oxygen_m3 = sum(one.oxygen_m3_h * ((one.end_utc - one.start_utc) / H) for one in flames)
    assert oxygen_m3 == pytest.approx(4.0 * burned_kg(flames) / gas("propane").vapour_kg_m3)


def test_the_first_flame_is_lit_when_the_plan_says_and_the_arc_follows_each() -> None:
    found = planned(joint(mm(50.0), weld_length_mm=1700.0, hours=6.0), -20.0)
    heat = heat_of(found)
    assert heat.minutes is not None
    flames = flames_of(without_reheats(found), site())
    assert flames[0].start_utc == heat.light_up_utc
    each = 6.0 * H / heat.segments
    assert [one.end_utc for one in flames[1:]] == [START + n * each for n in range(1, heat.segments)]
    assert flames[0].gross_kw == pytest.approx(30.0 * 50.33 / 46.34)


def test_reheats_lie_in_the_time_of_welding_and_never_overlap() -> None:
    found = planned(joint(mm(25.0), hours=6.0), -25.0)
    heat = heat_of(found)
    assert heat.reheats is not None
    assert heat.reheats.high >= 2.0
    flames = flames_of(found, site())
    assert len(flames) == 1 + round(heat.reheats.high)
    assert all(before.end_utc <= after.start_utc for before, after in zip(flames, flames[1:], strict=False))
    assert flames[-1].end_utc <= START + 6.0 * H


def test_a_joint_without_a_time_and_a_source_that_is_gone_have_no_flames() -> None:
    assert flames_of(planned(joint(mm(12.0)), 25.0), site()) == ()
    assert flames_of(planned(joint(mm(25.0)), -20.0), site(heat_sources=(PAD,))) == ()


def test_pads_burn_nothing() -> None:
    (found,) = plan(joint(mm(25.0), torches=20), -20.0, heat_sources=(PAD,)).joints
    assert heat_of(found).light_up_utc is not None
    assert flames_of(found, site(heat_sources=(PAD,))) == ()


# The load -------------------------------------------------------------------------------------------------------------


def test_a_load_by_hand() -> None:
    load = load_between([flame(0.0, 1.0), flame(0.5, 2.0, 10.0), flame(9.0, 10.0)], START - H, START + 3.0 * H)
    assert load.seconds.tolist() == [3600.0, 1800.0, 1800.0, 3600.0, 3600.0]
    assert load.gross_kw.tolist() == [0.0, 30.0, 40.0, 10.0, 0.0]


def test_a_load_is_cut_at_its_ends() -> None:
    load = load_between([flame(-1.0, 5.0)], START, START + 2.0 * H)
    assert (load.seconds.tolist(), load.gross_kw.tolist()) == ([7200.0], [30.0])


spans = st.tuples(st.integers(-120, 300), st.integers(1, 200), st.floats(0.5, 80.0))


@given(st.lists(spans, max_size=8))
def test_a_load_holds_the_energy_of_its_flames(made: list[tuple[int, int, float]]) -> None:
    start, end = START, START + 5.0 * H
    flames = [flame(begin / 60.0, (begin + length) / 60.0, kw) for begin, length, kw in made]
    load = load_between(flames, start, end)
    inside = sum(
        one.gross_kw * max(0.0, (min(one.end_utc, end) - max(one.start_utc, start)).total_seconds()) for one in flames
    )
    assert float((load.seconds * load.gross_kw).sum()) == pytest.approx(inside, abs=1e-6)
    assert load.total_s == pytest.approx(5.0 * 3600.0)


# Beside the torches ---------------------------------------------------------------------------------------------------


def test_tent_heaters_on_the_same_cylinders_burn_evenly_through_their_shift() -> None:
    """18 kg of propane in ten hours is 25.2 kW gross: 18 x 50.33 MJ in 36,000 s."""
    heaters = OtherUse("tent heaters", "propane", 8.0, 12.0, 18.0, shifts=("day",))
    cutting = OtherUse("cutting", "oxygen", 1.0, 2.0, 3.0)
    apart = replace(heaters, name="site hut", same_cylinders=False)
    end = START + 10.0 * H
    (found,) = other_flames([heaters, cutting, apart], "day", START, end)
    assert (found.mark, found.fuel, found.torches) == ("tent heaters", "propane", 0)
    assert found.gross_kw == pytest.approx(18.0 * 50.33 * 1000.0 / 36000.0)
    assert other_flames([heaters], "night", START, end) == []


def test_the_most_oxygen_that_flows_at_one_time() -> None:
    assert most_oxygen_m3_h([flame(0.0, 1.0, oxygen=5.0), flame(1.0, 2.0, oxygen=7.0)]) == 7.0
    assert most_oxygen_m3_h([flame(0.0, 1.1, oxygen=5.0), flame(1.0, 2.0, oxygen=7.0)]) == 12.0
    assert most_oxygen_m3_h([]) == 0.0


def test_the_longest_draw_without_a_pause() -> None:
    assert longest_minutes([flame(0.0, 0.5), flame(0.5, 1.0), flame(2.0, 2.5), flame(2.1, 2.2)]) == pytest.approx(60.0)
    assert longest_minutes([]) == 0.0
