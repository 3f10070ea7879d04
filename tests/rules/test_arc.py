"""Heat of the arc between passes, against the cooling-time formulas that rest on the same solution."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from frostshift_rules import arc
from frostshift_rules.steel import DENSITY_KG_M3, conductivity_wmk, specific_heat_jkgk
from frostshift_rules.strict import OutOfRange


def cooling_s(energy_kj_mm: float, thickness_mm: float, steel_c: float) -> float:
    """Time from 800 to 500 °C at the weld line."""

    def at(level_c: float) -> float:
        return brentq(
            lambda t: steel_c + arc.pass_rise_k(energy_kj_mm, thickness_mm, steel_c, np.array([t]))[0] - level_c,
            1e-3,
            1e5,
        )

    return at(500.0) - at(800.0)


def test_cooling_time_of_thick_plate() -> None:
    # EN 1011-2:2001 annex D, three-dimensional heat flow, physical form (from memory):
    # t8/5 = Q / (2 pi lambda) (1 / (500 - T0) - 1 / (800 - T0)).
    steel_c, energy = 100.0, 1.5
    conductivity = conductivity_wmk(steel_c)
    wanted = energy * 1e6 / (2.0 * math.pi * conductivity) * (1.0 / 400.0 - 1.0 / 700.0)
    assert cooling_s(energy, 150.0, steel_c) == pytest.approx(wanted, rel=1e-3)


def test_cooling_time_of_thin_plate() -> None:
    # The same, two-dimensional: t8/5 = Q^2 / (4 pi lambda rho c d^2) (1 / (500 - T0)^2 - 1 / (800 - T0)^2).
    steel_c, energy, thickness_mm = 100.0, 1.5, 6.0
    spread = conductivity_wmk(steel_c) * DENSITY_KG_M3 * specific_heat_jkgk(steel_c)
    wanted = (energy * 1e9 / thickness_mm) ** 2 / (4.0 * math.pi * spread) * (1.0 / 400.0**2 - 1.0 / 700.0**2)
    assert cooling_s(energy, thickness_mm, steel_c) == pytest.approx(wanted, rel=1e-3)


@given(
    energy=st.floats(0.3, 5.0),
    thickness_mm=st.floats(5.0, 150.0),
    passes=st.integers(2, 30),
    room_k=st.floats(10.0, 300.0),
)
def test_the_wait_keeps_the_maximum(energy: float, thickness_mm: float, passes: int, room_k: float) -> None:
    wait_s = arc.least_wait_s(energy, thickness_mm, 110.0, 110.0 + room_k, passes)
    if math.isfinite(wait_s):
        assert arc.interpass_c(energy, thickness_mm, 110.0, passes, wait_s) <= 110.0 + room_k
        if wait_s > arc.SHORTEST_WAIT_S:
            assert arc.interpass_c(energy, thickness_mm, 110.0, passes, wait_s / 1.02) > 110.0 + room_k
    else:
        assert arc.interpass_c(energy, thickness_mm, 110.0, passes, arc.LONGEST_WAIT_S) > 110.0 + room_k


@given(energy=st.floats(0.3, 5.0), thickness_mm=st.floats(5.0, 100.0), age_s=st.floats(10.0, 3600.0))
def test_thicker_and_later_is_cooler(energy: float, thickness_mm: float, age_s: float) -> None:
    rise, later = arc.pass_rise_k(energy, thickness_mm, 110.0, np.array([age_s, 1.5 * age_s]))
    assert later < rise
    assert arc.pass_rise_k(energy, 1.3 * thickness_mm, 110.0, np.array([age_s]))[0] <= rise * (1.0 + 1e-6)
    assert arc.pass_rise_k(2.0 * energy, thickness_mm, 110.0, np.array([age_s]))[0] == pytest.approx(2.0 * rise)


@given(thickness_mm=st.floats(6.0, 60.0), loss_wm2k=st.floats(1.0, 60.0))
def test_loss_to_the_air_cools_as_a_lumped_plate_cools(thickness_mm: float, loss_wm2k: float) -> None:
    # All heat of the pass fades alike: exp(-h t / (rho c d)), Carslaw & Jaeger, 2nd ed., 1.14 (from memory).
    ages = np.array([60.0, 600.0, 3600.0])
    kept = arc.pass_rise_k(1.5, thickness_mm, 110.0, ages)
    stored = DENSITY_KG_M3 * specific_heat_jkgk(110.0) * thickness_mm / 1000.0
    lossy = arc.pass_rise_k(1.5, thickness_mm, 110.0, ages, loss_wm2k)
    np.testing.assert_allclose(lossy, kept * np.exp(-loss_wm2k * ages / stored))
    assert arc.least_wait_s(1.5, thickness_mm, 110.0, 160.0, 8, loss_wm2k) <= arc.least_wait_s(
        1.5, thickness_mm, 110.0, 160.0, 8
    )


def test_edges_keep_the_heat_in() -> None:
    # Insulated strip: in the end the heat of a pass is even over it, E / (rho c d 2B); images (Carslaw & Jaeger, 10.3).
    stored = DENSITY_KG_M3 * specific_heat_jkgk(110.0) * 0.04
    even_k = 2e6 / (stored * 0.1)
    late = arc.pass_rise_k(2.0, 40.0, 110.0, np.array([2000.0, 8000.0]), edge_mm=50.0)
    np.testing.assert_allclose(late, even_k, rtol=1e-3)
    ages = np.geomspace(10.0, 2000.0, 60)
    strip, wide = (arc.pass_rise_k(2.0, 40.0, 110.0, ages, edge_mm=edge) for edge in (50.0, math.inf))
    assert (np.diff(strip) < 1e-9).all()
    assert (strip >= wide).all()
    assert arc.interpass_c(2.0, 40.0, 65.0, 8, 600.0, 0.0, 50.0) > arc.interpass_c(2.0, 40.0, 65.0, 8, 600.0)


def test_one_pass_has_none_before_it() -> None:
    assert arc.interpass_c(1.5, 25.0, 110.0, 1, 60.0) == 110.0


@pytest.mark.parametrize(
    ("energy", "thickness_mm", "age_s", "message"),
    [
        (0.0, 25.0, 60.0, "energy_kj_mm is 0"),
        (1.5, math.nan, 60.0, "thickness_mm is nan"),
        (1.5, 25.0, -1.0, "age_s is -1"),
    ],
)
def test_nonsense_is_refused(energy: float, thickness_mm: float, age_s: float, message: str) -> None:
    with pytest.raises(OutOfRange, match=message):
        arc.pass_rise_k(energy, thickness_mm, 110.0, np.array([age_s]))
