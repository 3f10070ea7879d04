"""Heat for drying, against the steam tables."""

from __future__ import annotations

import math

import pytest
from CoolProp.CoolProp import PropsSI

from frostshift_rules.drying import EVAPORATE_MJ_M2_MM, FILM_MM, MELT_MJ_M2_MM, drying_minutes, drying_mj_m2


def test_heat_of_evaporation_is_that_of_the_steam_tables() -> None:
    # IAPWS-95 as in the open library CoolProp: from water at the triple point to steam at 100 °C.
    # 1 mm over 1 m2 is 1 kg.
    latent = PropsSI("H", "T", 373.15, "Q", 1, "Water") - PropsSI("H", "T", 273.16, "Q", 0, "Water")
    assert pytest.approx(latent / 1e6, rel=0.002) == EVAPORATE_MJ_M2_MM


def test_heat_of_melting() -> None:
    # 333.4 kJ/kg at 0 °C (IAPWS R10-06, ice Ih; from memory).
    assert pytest.approx(0.3334, rel=0.02) == MELT_MJ_M2_MM


def test_a_millimetre_of_ice_costs_as_much_as_25_mm_of_steel_warmed_by_30_k() -> None:
    # By hand: 3.01 MJ/m2 over 7,850 kg/m3 x 0.025 m x 510 J/(kg K).
    assert drying_mj_m2("ice") / (7850.0 * 0.025 * 510e-6) == pytest.approx(30.1, abs=0.2)


def test_minutes() -> None:
    assert drying_minutes(None, 50e3, both_faces=False) == 0.0
    assert drying_minutes(None, 0.0, both_faces=False) == 0.0
    assert drying_minutes("water", 50e3, both_faces=False) == pytest.approx(2.0 * 0.2 * 2.68e6 / 50e3 / 60.0)
    assert drying_minutes("ice", 50e3, both_faces=True) == pytest.approx(3.01e6 / 50e3 / 60.0)
    assert drying_minutes("frost", 0.0, both_faces=False) == math.inf
    assert drying_minutes("ice", 50e3, both_faces=False) > drying_minutes("frost", 50e3, both_faces=False)


def test_every_film_has_a_thickness() -> None:
    assert FILM_MM["ice"] > FILM_MM["frost"] >= FILM_MM["water"] > FILM_MM[None] == 0.0
