"""The whole plan with the members of an ensemble: sides, calls and the chance that heat is needed. Weather invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.calls import windows
from frostshift_rules.job import Joint, Procedure, Shelter
from frostshift_rules.outlook import Outlook, chances, outlook
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import JointPlan, Weather

from .plan_builders import (
    ACCEPTED,
    FIRST,
    HOURS,
    NOW,
    START,
    at,
    by_mark,
    heat_of,
    hours,
    joint,
    members,
    mm,
    plan,
    planned,
    reading,
    site,
    weather,
    with_members,
)

JOINTS: Final = (
    joint(mm(25.0), mark="A"),
    joint(mm(60.0), mm(12.0), mark="B", exposure="open"),
    joint(mm(25.0), mark="C", exposure="open", sun=True),
    joint(mm(40.0), mark="D", exposure="half", shelter=Shelter(wind_ms=0.5)),
    joint(mm(60.0), mm(12.0), mark="E", start_utc=START + timedelta(hours=20)),
)
AT_0_C: Final = Procedure("P", minimum_c=0.0, qualified_by_test=True)
AT_ONCE: Final = replace(site().choices, slip_hours=0.0)
READINGS: Final = (reading(-4.0, NOW, "B"), reading(-3.0, NOW, "D"))
HARDNESS: Final = {"no_heat": 0, "measure": 1, "heat_to_minimum": 2, "cold_steel_heat": 2, "unknown": 3}


def looked(of: Weather, joints: Sequence[Joint] = JOINTS) -> Outlook:
    assert of.hours is not None
    return outlook(site(), joints, of, of.hours, READINGS)


def waves(level_c: float) -> Hours:
    return hours(
        level_c + 4.0 * np.sin(np.arange(HOURS) / 4.0),
        cloud=np.full(HOURS, 0.3),
        precip_mm=np.where(np.arange(HOURS) == 70, 1.0, 0.0),
        sun_wm2=np.full(HOURS, 200.0),
    )


def accepted(of: Weather, joints: Any = JOINTS, **more: Any) -> dict[str, JointPlan]:
    return dict(by_mark(plan(joints, of, **({"acceptances": (ACCEPTED,)} | more))))


# Sides ------------------------------------------------------------------------------------------------------------


def test_members_that_are_all_the_forecast_change_nothing() -> None:
    of = replace(waves(-2.0), precip_mm=np.zeros(HOURS))
    alone, beside = looked(weather(of)), looked(with_members(of, [0.0] * 20))
    for one, other in ((alone.steel, beside.steel), (alone.air, beside.air)):
        assert (other.likely_c == one.likely_c).all()
        assert other.cold_c == pytest.approx(one.cold_c, abs=1e-3)
        assert other.warm_c == pytest.approx(one.warm_c, abs=1e-3)
    assert (alone.start_weight == beside.start_weight).all()


offsets = st.lists(st.floats(-8.0, 8.0), min_size=1, max_size=12)


@given(colder_k=offsets, level_c=st.floats(-15.0, 15.0))
@settings(max_examples=40, deadline=None)
def test_members_only_ever_widen(colder_k: list[float], level_c: float) -> None:
    of = waves(level_c)
    given_ = with_members(of, colder_k)
    alone, beside = looked(weather(of)), looked(given_)
    for one, other in ((alone.steel, beside.steel), (alone.air, beside.air)):
        assert (other.likely_c == one.likely_c).all()
        assert (other.cold_c <= one.cold_c).all()
        assert (other.warm_c >= one.warm_c).all()
    # The cold side is nowhere above the outer member, and keeps the doubt beyond it.
    assert (beside.air.cold_c[0] <= of.air_c - max(0.0, *colder_k, 0.0) + 1e-4).all()
    assert (beside.air.warm_c[0] >= of.air_c - min(0.0, *colder_k, 0.0) - 1e-4).all()


def test_the_spread_and_the_doubt_add_as_squares() -> None:
    of = hours(-5.0)
    found = looked(with_members(of, [4.0, -4.0]))
    half = found.air.likely_c - found.air.cold_c
    assert half[0, at(NOW)] == pytest.approx(5.0, abs=1e-4)  # 3 K of doubt and 4 K of members
    assert (found.air.warm_c - found.air.likely_c)[0, at(NOW)] == pytest.approx(5.0, abs=1e-4)


def test_the_cold_side_of_a_joint_in_the_sun_is_still_that_of_the_shade() -> None:
    of = with_members(waves(-2.0), [3.0, 0.0, -3.0])
    sunny, shaded = (looked(of, [joint(mm(25.0), exposure="open", sun=sun)]) for sun in (True, False))
    assert (sunny.steel.cold_c == shaded.steel.cold_c).all()
    assert (sunny.steel.warm_c > shaded.steel.warm_c).any()
    # The members' steel knows no sun: their reach is that from the same joint in the shade.
    alone, bare = (
        looked(weather(waves(-2.0)), [joint(mm(25.0), exposure="open", sun=sun)]).steel for sun in (True, False)
    )
    reach = [
        (with_.steel.warm_c - with_.steel.likely_c) ** 2 - (without.warm_c - without.likely_c) ** 2
        for with_, without in ((sunny, alone), (shaded, bare))
    ]
    assert reach[0] == pytest.approx(reach[1], abs=1e-6)
    assert reach[0].max() > 1.0


def test_warm_members_let_no_reading_of_heated_steel_pass() -> None:
    hot, one = reading(9.0, NOW), [joint(mm(60.0))]
    for given_ in (weather(-8.0), with_members(-8.0, [-20.0, 0.0, 20.0])):
        assert given_.hours is not None
        assert outlook(site(), one, given_, given_.hours, [hot]).left_out == ("J1",)


def test_an_hour_without_any_member_has_the_sides_of_the_doubt() -> None:
    of = hours(-5.0)
    air = np.broadcast_to(of.air_c - np.array([[4.0], [-4.0]]), (2, HOURS)).copy()
    air[:, 80:] = np.nan
    found, alone = looked(replace(weather(of), members=members(of, [0, 0], air_c=air))), looked(weather(of))
    assert (found.steel.cold_c[:, 80:] == alone.steel.cold_c[:, 80:]).all()
    assert (found.steel.cold_c[:, 79] < alone.steel.cold_c[:, 79]).all()


# The chance ----------------------------------------------------------------------------------------------------------


def test_the_chance_counts_the_members_below_the_threshold() -> None:
    # Under a cover in steady air steel has the temperature of the air; the threshold is 0 °C, the cold-steel limit.
    one = planned(joint(mm(12.0)), with_members(3.0, [0.0, 2.0, 2.9, 3.1, 9.0]), acceptances=(ACCEPTED,))
    assert (one.chance, one.members) == (2 / 5, 5)
    assert one.call == "measure"


@pytest.mark.parametrize(("air_c", "expected"), [(12.0, 0.0), (-12.0, 1.0)])
def test_members_that_are_all_the_forecast_say_all_or_none(air_c: float, expected: float) -> None:
    for found in accepted(with_members(air_c, [0.0] * 7), [joint(mm(25.0)), joint(mm(12.0), mark="J2")]).values():
        assert (found.chance, found.members) == (expected, 7)


def test_the_chance_is_none_without_members_and_where_nothing_can_be_said() -> None:
    none = planned(joint(), weather(3.0), acceptances=(ACCEPTED,))
    assert (none.chance, none.members) == (None, 0)
    given_ = with_members(3.0, [0.0, 1.0])
    unknown = {
        "steel": planned(joint(mm(25.0, None)), given_, acceptances=(ACCEPTED,)),
        "not accepted": planned(joint(mm(25.0, "A572-65")), given_),
        "overdue": planned(joint(start_utc=NOW - timedelta(hours=30)), given_, acceptances=(ACCEPTED,)),
        "beyond the forecast": planned(
            joint(start_utc=FIRST + timedelta(hours=HOURS - 2)), given_, acceptances=(ACCEPTED,)
        ),
        "no hours": planned(joint(), replace(given_, freshness="unusable"), acceptances=(ACCEPTED,)),
        "start matters": planned(
            joint(mm(125.0), start_utc=FIRST + timedelta(hours=2), exposure="covered"),
            given_,
            acceptances=(ACCEPTED,),
            now_utc=FIRST + timedelta(hours=1),
        ),
    }
    for why, found in unknown.items():
        assert (found.chance, found.members) == (None, 0), why


def test_a_window_beyond_the_forecast_has_no_chance() -> None:
    field = looked(with_members(3.0, [0.0, 1.0]), [joint(mm(12.0)), joint(mm(12.0), mark="J2"), joint(mark="J3")])
    span = windows(np.array([-1.0, 5.0, HOURS - 2.0]), np.array([2.0, 8.0, HOURS]), HOURS)
    assert chances(field, span, np.full(3, 2.5)) == pytest.approx([np.nan, 0.5, np.nan], nan_ok=True)


def test_a_member_unknown_within_the_window_makes_the_chance_unknown_and_never_warm() -> None:
    of = hours(15.0)
    air = np.broadcast_to(of.air_c, (3, HOURS)).copy()
    air[1, at(START) + 1] = np.nan
    found = planned(joint(), replace(weather(of), members=members(of, [0, 0, 0], air_c=air)), acceptances=(ACCEPTED,))
    assert found.chance is None
    early = planned(
        joint(start_utc=START - timedelta(hours=8)),
        replace(weather(of), members=members(of, [0, 0, 0], air_c=air)),
        acceptances=(ACCEPTED,),
    )
    assert early.chance == 0.0


def test_the_coldest_part_counts() -> None:
    front = np.where(np.arange(HOURS) < at(START), 6.0, -3.0)
    of = with_members(hours(front), [0.0, 1.0, -1.0])
    thick, thin, both = (
        accepted(of, [joint(*parts, hours=0.5, procedure=AT_0_C.name)], choices=AT_ONCE, procedures=(AT_0_C,))["J1"]
        for parts in ((mm(125.0),), (mm(6.0),), (mm(125.0), mm(6.0)))
    )
    assert thick.chance is not None
    assert thin.chance is not None
    assert thick.chance < thin.chance
    assert both.chance == thin.chance


def test_a_shelter_that_may_not_stand_yet_lowers_no_chance() -> None:
    # A front: in the wind heavy steel follows it, behind a shelter it would stay warm for hours.
    front = np.where(np.arange(HOURS) < at(START) - 2, 12.0, -3.0)
    given_ = with_members(hours(front, wind_10m_ms=np.full(HOURS, 12.0)), list(np.linspace(-12.0, 4.0, 25)))
    bare, sheltered = (
        accepted(given_, [joint(mm(100.0), shelter=shelter, procedure=AT_0_C.name)], procedures=(AT_0_C,))["J1"]
        for shelter in (None, Shelter(wind_ms=0.0))
    )
    assert bare.chance is not None
    assert 0.0 < bare.chance < 1.0
    assert sheltered.chance == bare.chance


def test_a_reading_of_heated_steel_that_is_left_out_lowers_no_chance() -> None:
    given_ = with_members(3.0, list(np.linspace(-4.0, 6.0, 21)))
    one = [joint(mm(125.0), procedure=AT_0_C.name)]
    without, with_it = (
        accepted(given_, one, procedures=(AT_0_C,), readings=readings)["J1"]
        for readings in ((), (reading(40.0, START - timedelta(hours=1)),))
    )
    assert without.chance is not None
    assert 0.0 < without.chance < 1.0
    assert with_it.chance == without.chance


def test_a_reading_of_unlike_parts_warms_no_member() -> None:
    given_ = with_members(2.0, list(np.linspace(-4.0, 4.0, 9)))
    parts = [joint(mm(125.0), mm(60.0), mark="B")]
    without, warm = (accepted(given_, parts, readings=given)["B"] for given in ((), (reading(12.0, START, "B"),)))
    assert without.chance is not None
    if warm.chance is not None:
        assert warm.chance >= without.chance
    cold = accepted(given_, parts, readings=[reading(-9.0, START, "B")])["B"]
    assert cold.chance is None or cold.chance == 1.0


@given(colder_k=offsets, more_k=st.lists(st.floats(0.0, 6.0), min_size=12, max_size=12), level_c=st.floats(-6.0, 12.0))
@settings(max_examples=30, deadline=None)
def test_colder_members_lower_no_chance_and_soften_no_call(
    colder_k: list[float], more_k: list[float], level_c: float
) -> None:
    of = waves(level_c)
    first = accepted(with_members(of, colder_k), readings=READINGS)
    second = accepted(
        with_members(of, [one + more for one, more in zip(colder_k, more_k, strict=False)]), readings=READINGS
    )
    for mark, one in first.items():
        other = second[mark]
        # The window of a joint that needs heat begins at light-up, which colder members can only bring forward.
        if one.chance is not None and other.chance is not None:
            assert other.chance >= one.chance
        assert not (other.call == "no_heat" and one.call != "no_heat")


@given(colder_k=offsets, seed=st.integers(0, 1000), level_c=st.floats(-6.0, 12.0))
@settings(max_examples=20, deadline=None)
def test_the_order_of_the_members_does_not_matter(colder_k: list[float], seed: int, level_c: float) -> None:
    of, mixed = waves(level_c), list(np.random.default_rng(seed).permutation(colder_k))
    assert accepted(with_members(of, colder_k), readings=READINGS) == accepted(
        with_members(of, mixed), readings=READINGS
    )


@given(colder_k=offsets, level_c=st.floats(-6.0, 15.0))
@settings(max_examples=30, deadline=None)
def test_members_call_nothing_no_heat_that_the_forecast_alone_does_not(colder_k: list[float], level_c: float) -> None:
    of = waves(level_c)
    alone, beside = accepted(weather(of), readings=READINGS), accepted(with_members(of, colder_k), readings=READINGS)
    for mark, found in beside.items():
        assert found.call != "no_heat" or alone[mark].call == "no_heat"
        assert (found.call == "unknown") == (alone[mark].call == "unknown")


def test_a_chance_of_none_leaves_the_call_to_the_cold_side() -> None:
    found = planned(joint(mm(12.0)), with_members(2.0, [0.0] * 51), acceptances=(ACCEPTED,))
    assert (found.chance, found.call) == (0.0, "measure")


def test_cold_members_bring_light_up_forward() -> None:
    one, other = (
        heat_of(planned(joint(mm(38.0)), with_members(-5.0, colder_k), acceptances=(ACCEPTED,)))
        for colder_k in ([0.0], [0.0, 12.0])
    )
    assert one.light_up_utc is not None
    assert other.light_up_utc is not None
    assert other.light_up_utc < one.light_up_utc
