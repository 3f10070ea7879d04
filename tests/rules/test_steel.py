"""Steel properties and steel temperature against published figures and independent solutions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.constants import Stefan_Boltzmann
from scipy.integrate import quad

from frostshift_rules.steel import (
    DENSITY_KG_M3,
    SIGMA_WM2K4,
    conductivity_wmk,
    enthalpy_jkg,
    specific_heat_jkgk,
)


@pytest.mark.parametrize(
    ("steel_c", "expected"),
    # EN 1993-1-2:2005, 3.4.1.2: the printed polynomial worked by hand.
    [(20.0, 439.80), (100.0, 487.62), (200.0, 529.76), (400.0, 605.88), (600.0, 759.92)],
)
def test_specific_heat_of_en_1993_1_2(steel_c: float, expected: float) -> None:
    assert specific_heat_jkgk(steel_c) == pytest.approx(expected, abs=0.005)


def test_specific_heat_meets_the_next_branch_at_600_c() -> None:
    # EN 1993-1-2:2005, 3.4.1.2: from 600 °C on 666 + 13002 / (738 - T).
    assert specific_heat_jkgk(600.0) == pytest.approx(666.0 + 13002.0 / 138.0, abs=0.5)


@pytest.mark.parametrize(("steel_c", "expected"), [(20.0, 53.334), (800.0, 27.36)])
def test_conductivity_of_en_1993_1_2(steel_c: float, expected: float) -> None:
    # 3.4.1.3; at 800 °C the next branch of the standard is 27.3.
    assert conductivity_wmk(steel_c) == pytest.approx(expected, abs=0.001)
    assert conductivity_wmk(800.0) == pytest.approx(27.3, abs=0.1)


@pytest.mark.parametrize("steel_c", [-40.0, 0.0, 110.0, 400.0])
def test_enthalpy_is_the_integral_of_specific_heat(steel_c: float) -> None:
    integral, _ = quad(specific_heat_jkgk, 0.0, steel_c)
    assert enthalpy_jkg(steel_c) == pytest.approx(integral, rel=1e-12, abs=1e-9)


def test_properties_take_arrays() -> None:
    steel_c = np.array([-20.0, 20.0, 150.0])
    for f in (specific_heat_jkgk, enthalpy_jkg, conductivity_wmk):
        assert np.asarray(f(steel_c)) == pytest.approx([f(t) for t in steel_c.tolist()], rel=1e-14)


def test_constants() -> None:
    assert DENSITY_KG_M3 == 7850.0  # EN 1993-1-2:2005, 3.2.2
    assert pytest.approx(Stefan_Boltzmann, rel=1e-9) == SIGMA_WM2K4  # CODATA as shipped with scipy
