"""Cylinders together through a shift: the published rules in their own conditions, the cold, and the honest answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules.gas import cylinders
from frostshift_rules.gas_bank import TORCH_KPA, Bank, bank_of, barometer_kpa, conditions_of
from frostshift_rules.gas_load import Flame, load_between
from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.shift_draw import Start, simulate
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Hours
from frostshift_rules.units import btu_h_from_kw, c_from_f
from frostshift_rules.withdrawal import NoModel, vessel_of

from .plan_builders import START, changed, hours

H = timedelta(hours=1)
SHIFT = START, START + 8.0 * H
PROPANE, ACETYLENE = cylinders().fuel["propane-100"], cylinders().fuel["acetylene-330"]
FEED_200 = 200_000.0 / btu_h_from_kw(1.0)
"""200,000 Btu/h gross in kW, the load of the published worked example."""


def flame(begin_h: float, end_h: float, kw: float = 30.0, fuel: str = "propane") -> Flame:
    return Flame("J1", fuel, START + begin_h * H, START + end_h * H, 1, kw)


def on_and_off(kw: float, on_min: float = 20.0, every_min: float = 60.0) -> list[Flame]:
    return [flame(n * every_min / 60.0, (n * every_min + on_min) / 60.0, kw) for n in range(8)]


def bank(flames: list[Flame], air: float | Hours = -10.0, setup: GasSetup | None = None, **more: Any) -> Bank:
    kept = {"cylinder": PROPANE, "altitude_m": None, "doubt_k": 0.0} | more
    of = air if isinstance(air, Hours) or air is None else hours(air)
    return bank_of("k", kept["cylinder"], flames, of, SHIFT, setup or GasSetup(), kept["altitude_m"], kept["doubt_k"])


def test_the_barometer_is_that_of_the_standard_atmosphere() -> None:
    """ISO 2533:1975: 101.325, 89.876 and 79.501 kPa at 0, 1,000 and 2,000 m."""
    assert [barometer_kpa(m) for m in (None, 0.0, 1000.0, 2000.0)] == pytest.approx(
        [101.325, 101.325, 89.876, 79.501], abs=0.01
    )


def test_the_starvation_temperature_is_where_propane_has_the_pressure_needed() -> None:
    """CoolProp 8, propane by Lemmon, McLinden and Wagner 2009: saturation at 101.325 + 55 + 48 kPa."""
    got = bank(on_and_off(30.0)).starvation_c
    assert got == pytest.approx(PropsSI("T", "P", (101.325 + 103.0) * 1000.0, "Q", 0, "Propane") - 273.15, abs=0.05)


def test_more_pressure_and_a_higher_site_move_it() -> None:
    low = bank(on_and_off(30.0), altitude_m=2000.0).starvation_c
    sea = bank(on_and_off(30.0)).starvation_c
    high = bank(on_and_off(30.0), setup=GasSetup(torch_kpa=(("propane", 100.0),))).starvation_c
    assert low is not None
    assert sea is not None
    assert high is not None
    assert low < sea < high


def test_the_bare_table_asks_for_fewer_than_the_pressure_of_a_torch_does() -> None:
    """Half full at 0 °F, 200,000 Btu/h: 64,000 Btu/h each by the published table, 4 cylinders; with the pressure of a
    torch, about 19,000 each, 11 (energy balance with the slope of the table's row, our reading)."""
    got = bank([flame(0.0, 8.0, FEED_200)], c_from_f(0.0), GasSetup(stand="open", most_together=30))
    assert got.by_table == 4
    assert got.by_sustained_half == 11
    assert got.together is not None
    assert got.together_half is not None
    assert got.together_half >= got.together


def test_a_load_that_is_off_most_of_the_time_needs_fewer_than_the_continuous_bound() -> None:
    got = bank(on_and_off(FEED_200, on_min=10.0), c_from_f(10.0))
    assert got.verdict == "enough"
    assert got.together is not None
    assert got.by_sustained is not None
    assert got.together < got.by_sustained
    assert got.lowest_c is not None
    assert got.starvation_c is not None
    assert got.lowest_c >= got.starvation_c
    assert 0.0 < got.left_kg < PROPANE.contents_kg  # type: ignore[operator]


def test_colder_than_starvation_the_answer_is_another_way() -> None:
    got = bank(on_and_off(30.0), -35.0)
    assert (got.verdict, got.together) == ("another_way", None)
    assert got.by_sustained is None
    assert "another way of heating" in got.reason


@settings(max_examples=20, deadline=None)
@given(st.floats(-20.0, 10.0), st.floats(0.5, 8.0), st.floats(10.0, 60.0))
def test_colder_air_never_needs_fewer(air_c: float, colder_k: float, kw: float) -> None:
    setup = GasSetup(most_together=30)
    warm, cold = (bank(on_and_off(kw, 30.0), c, setup) for c in (air_c, air_c - colder_k))
    if cold.together is not None:
        assert warm.together is not None
        assert warm.together <= cold.together
    if warm.together is not None:
        in_the_open = bank(on_and_off(kw, 30.0), air_c, replace(setup, stand="open")).together
        assert in_the_open is not None
        assert in_the_open <= warm.together


def test_the_doubt_of_the_forecast_is_taken_off_the_air() -> None:
    got = bank(on_and_off(30.0), -10.0, doubt_k=3.0)
    assert got.coldest_c == -13.0


def test_an_hour_that_is_missing_makes_it_unknown() -> None:
    holed = hours(changed(np.full(96, -10.0), int((START - hours().start_utc) / H) + 3, np.nan))
    got = bank(on_and_off(30.0), holed)
    assert (got.verdict, got.together, got.coldest_c) == ("unknown", None, None)
    assert bank(on_and_off(30.0), None).verdict == "unknown"  # type: ignore[arg-type]


def test_air_below_the_table_of_the_fuel_is_another_way_of_heating_as_a_kelvin_above_it() -> None:
    for air_c in (-62.0, -59.0):
        got = bank(on_and_off(30.0), air_c)
        assert got.verdict == "another_way"
        assert "has not the pressure that the torches need" in got.reason


def test_a_load_beyond_belief_is_said_and_crashes_nothing() -> None:
    got = bank([flame(0.0, 1.0, 20_000.0)])
    assert got.verdict == "unknown"
    assert "More burns at one time than is calculated" in got.reason


def in_a_row(pause_h: float, kw: float = 30.0, air_c: float = -12.0) -> tuple[Bank, Bank]:
    """A shift of 8 h and the next, with the same flames."""
    of = hours(air_c)
    first = bank_of("1", PROPANE, on_and_off(kw), of, SHIFT, GasSetup(), None, 0.0)
    later = timedelta(hours=8.0 + pause_h)
    flames = [replace(one, start_utc=one.start_utc + later, end_utc=one.end_utc + later) for one in on_and_off(kw)]
    span = SHIFT[0] + later, SHIFT[1] + later
    return first, bank_of("2", PROPANE, flames, of, span, GasSetup(), None, 0.0, first)


def test_cylinders_that_come_straight_from_the_shift_before_are_colder_and_emptier() -> None:
    first, second = in_a_row(1.5)
    assert first.together is not None
    assert not first.straight
    assert second.straight
    assert second.together is not None
    assert second.together_straight is None or second.together_straight > second.together
    _, rested = in_a_row(13.0)
    assert not rested.straight
    _, overlapping = in_a_row(-0.5)
    assert overlapping.straight
    _, shorter = in_a_row(0.5)
    most = GasSetup().most_together + 1
    assert (shorter.together_straight or most) >= (second.together_straight or most)


@settings(max_examples=20, deadline=None)
@given(st.floats(-20.0, 15.0), st.floats(5.0, 60.0))
def test_what_holds_the_change_over_weight_carries_the_shift_and_a_hundredth_less_does_not(
    air_c: float, kw: float
) -> None:
    got = bank(on_and_off(kw), air_c)
    if got.together is None or got.change_over_kg is None:
        return
    vessel = vessel_of(PROPANE)
    assert not isinstance(vessel, NoModel)
    conditions = conditions_of(GasSetup(), "propane", None)
    load = load_between(on_and_off(kw), *SHIFT)

    def carries(kg: float) -> bool:
        return simulate(vessel, got.together or 0, load, [air_c] * 9, Start(kg, air_c), conditions).carries

    assert carries(got.change_over_kg)
    if got.change_over_kg > 0.011 * PROPANE.contents_kg:
        assert not carries(got.change_over_kg - 0.01 * PROPANE.contents_kg)


def test_no_flame_no_cylinder() -> None:
    assert bank([]).verdict == "nothing"
    assert bank([flame(20.0, 21.0)]).verdict == "nothing"


def test_a_gas_without_a_model_says_so() -> None:
    mps = cylinders().fuel["mps-70"]
    got = bank([flame(0.0, 1.0, fuel="mps")], cylinder=mps)
    assert (got.verdict, got.together) == ("no_model", None)
    assert "data sheet" in got.reason


def test_acetylene_goes_by_its_share_of_the_contents() -> None:
    """100 ft3/h of acetylene, 10 min at a time in mild air: 1/10 of 330 ft3 an hour, 4 cylinders; in the cold 1/15, 5
    (CGA G-1, newer editions, from memory)."""
    kw = 100.0 * 1474.0 / btu_h_from_kw(1.0)  # 1,474 Btu/ft3 gross at 60 °F
    short = [flame(0.0, 0.15, kw, "acetylene")]
    mild, cold = (bank(short, c, cylinder=ACETYLENE) for c in (10.0, -10.0))
    assert (mild.verdict, mild.together, mild.rate) == ("limit", 4, 10)
    assert (cold.together, cold.rate) == (5, 15)
    many = bank([flame(0.0, 0.15, 4 * kw, "acetylene")], cylinder=ACETYLENE)
    assert (many.verdict, many.together) == ("another_way", None)


def test_a_pressure_that_a_gas_may_not_have_is_refused() -> None:
    with pytest.raises(OutOfRange):
        conditions_of(GasSetup(torch_kpa=(("propane", 5000.0),)), "propane", None)
    got = bank(on_and_off(30.0), setup=GasSetup(torch_kpa=(("propane", 5000.0),)))
    assert got.verdict == "unknown"
    assert max(TORCH_KPA.values()) < 103.0, "29 CFR 1910.253(a)(2): acetylene at most 15 psig"
    acetylene = bank(
        [flame(0.0, 0.1, 10.0, "acetylene")], setup=GasSetup(torch_kpa=(("acetylene", 110.0),)), cylinder=ACETYLENE
    )
    assert acetylene.verdict == "unknown"
    assert "15 psig" in acetylene.reason
