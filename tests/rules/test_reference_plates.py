"""Reference plates: the same figures as the plan has for a joint that stands so, and when they are below a limit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.job import Joint, Reading
from frostshift_rules.outlook import between
from frostshift_rules.plan import make_plan
from frostshift_rules.reference_plates import (
    USUAL_MM,
    ReferencePlates,
    Spell,
    reference_plates,
    spells_below,
    thicknesses,
)
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import NO_WEATHER, Weather

from .plan_builders import HOURS, NOW, TABLE, at, hours, joint, mm, reading, site, weather, with_members

SINE = -2.0 + 8.0 * np.sin(np.arange(HOURS) / 4.0)


def plates(
    of: Hours | Weather, joints: list[Joint] | None = None, readings: tuple[Reading, ...] = ()
) -> ReferencePlates:
    found = reference_plates(site(), TABLE, joints or [], of if isinstance(of, Weather) else weather(of), readings)
    assert found is not None
    return found


@pytest.mark.parametrize("of", [weather(hours(SINE, cloud=np.full(HOURS, 0.2))), with_members(hours(SINE), range(20))])
@pytest.mark.parametrize("with_reading", [False, True])
def test_a_plate_has_the_figure_of_the_plan_for_a_joint_that_stands_so(of: Weather, with_reading: bool) -> None:
    open_joint = joint(mm(38.1), exposure="open")
    readings = (reading(-1.0),) if with_reading else ()
    found = plates(of, [open_joint], readings)
    planned = make_plan(site(), TABLE, [open_joint], of, readings, NOW).joints[0]
    assert planned.steel_now is not None
    start_h = np.array([of.hours.position(planned.steel_now.at_utc)])  # type: ignore[union-attr]
    row = np.zeros(1, dtype=np.intp)
    for side in ("cold_c", "likely_c", "warm_c"):
        of_plate = between(getattr(found.steel, side), row, start_h)[0]
        assert of_plate == getattr(planned.steel_now, side), side


def test_the_state_of_the_hours_is_that_of_the_plan() -> None:
    rain = np.zeros(HOURS)
    rain[at(NOW) + 10 : at(NOW) + 13] = 2.0
    wind = np.full(HOURS, 4.0)
    of = hours(SINE, precip_mm=rain, wind_10m_ms=wind)
    for process, judged in (("FCAW-G", 0), ("SMAW", 1)):
        here = joint(mm(25.0), exposure="open", process=process, electrode="E7018")
        found = plates(of, [here])
        processes, states = (found.limited, found.others)[judged]
        assert process in processes
        assert states is not None
        planned = make_plan(site(), TABLE, [here], weather(of), (), NOW).joints[0]
        for spell in planned.weather_spells:
            assert states.state_at(int(of.position(spell.start_utc))) == spell.state
        assert planned.weather_spells


def test_without_a_forecast_to_plan_on_there_are_none() -> None:
    assert reference_plates(site(), TABLE, [], NO_WEATHER, ()) is None
    assert reference_plates(site(), TABLE, [], weather(hours(SINE), freshness="unusable"), ()) is None


def test_thicknesses_stand_for_those_of_the_joints_to_come() -> None:
    assert thicknesses([]) == ()
    assert plates(hours(SINE)).thickness_mm == USUAL_MM
    assert not plates(hours(SINE)).of_schedule
    few = [joint(mm(25.0), mm(9.525)), joint(mm(25.04)), joint(mm(60.0), state="done")]
    assert thicknesses(few) == (9.525, 25.0)
    many = [joint(mm(float(t))) for t in (6, 8, 10, 12, 16, 20, 25, 32, 40, 50)]
    assert thicknesses(many) == (6.0, 12.0, 25.0, 50.0)


def test_what_is_missing_stays_missing() -> None:
    air = SINE.copy()
    air[40:43] = np.nan
    found = plates(hours(air))
    assert np.isnan(found.steel.likely_c[:, 40:43]).all()
    assert np.isnan(found.air.likely_c[40:43]).all()
    assert np.isfinite(found.steel.likely_c[:, 44]).all()
    assert found.leans[-1, 44]  # the thickest starts anew from an assumed temperature


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(-30.0, 20.0), min_size=HOURS, max_size=HOURS),
    st.sampled_from([(10.0,), (25.0, 100.0), (6.0, 50.0, 150.0)]),
)
def test_a_plate_is_never_outside_what_it_could_have_seen(air: list[float], thickness_mm: tuple[float, ...]) -> None:
    """Under full cloud and without sun steel lies between the coldest and the warmest air so far, less what a sky of
    such a dew point takes (at most 8 K at 3 m/s, by the balance at a face that sees the sky)."""
    of = hours(np.array(air))
    found = plates(of, [joint(*(mm(t) for t in thickness_mm))])
    low, high = np.minimum.accumulate(np.array(air)), np.maximum.accumulate(np.array(air))
    assert found.thickness_mm == thickness_mm
    assert (found.steel.likely_c >= low - 8.0).all()
    assert (found.steel.likely_c <= high + 1e-9).all()
    assert (found.steel.cold_c <= found.steel.likely_c).all()
    assert (found.steel.likely_c <= found.steel.warm_c).all()


def test_members_reach_around_the_forecast() -> None:
    found = plates(with_members(hours(SINE), [-2.0, -1.0, 0.0, 1.0, 2.0]))
    assert found.members == 5
    assert found.air_members_c is not None
    assert found.steel_members_c is not None
    assert found.air_members_c[0][-1] == pytest.approx(SINE[-1] - 2.0, abs=1e-4)
    assert found.air_members_c[1][-1] == pytest.approx(SINE[-1] + 2.0, abs=1e-4)
    assert (found.steel_members_c[0] <= found.steel_members_c[1]).all()


def test_the_higher_limit_holds_where_the_units_of_the_code_are_not_known() -> None:
    for units, below_c in (("us", 0.0), ("si", 0.0), ("either", 0.0)):
        found = reference_plates(site(code_units=units), TABLE, [], weather(hours(SINE)), ())
        assert found is not None
        assert found.cold_below_c == pytest.approx(below_c)
        assert found.ambient_limit_c == pytest.approx(-17.78 if units != "si" else -20.0, abs=0.25)


N = float("nan")


@pytest.mark.parametrize(
    ("values", "spells"),
    [
        ([1, 1, 1], ()),
        ([0, 0, 0], ()),  # at the limit is not below it
        ([1, -1, -1, 1], (Spell(1, 2, False, False),)),
        ([-1, -1, 1], (Spell(0, 1, True, False),)),
        ([1, -1, -1], (Spell(1, 2, False, True),)),
        ([1, -1, N, -1, 1], (Spell(1, 1, False, True), Spell(3, 3, True, False))),
        ([N, N], ()),
        ([-1], (Spell(0, 0, True, True),)),
    ],
)
def test_spells_below_a_limit(values: list[float], spells: tuple[Spell, ...]) -> None:
    assert spells_below(np.array(values, dtype=float), 0.0, 0, len(values) - 1) == spells


def test_only_the_hours_asked_for_count() -> None:
    values = np.array([-1.0, -1.0, 1.0, -1.0, -1.0, 1.0])
    assert spells_below(values, 0.0, 1, 4) == (Spell(1, 1, True, False), Spell(3, 4, False, True))
