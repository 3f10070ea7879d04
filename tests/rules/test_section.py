"""The response of a flange with its web, against what it must be where a formula is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules import conduction, section

FLANGE = {"thickness_m": 0.03, "half_width_m": 0.15, "web_m": 0.016, "web_depth_m": 0.35}


def response(modes: section.Modes, load: section.Load, y_m: float, z: float, root_m: float, half_m: float) -> float:
    return float(modes.at(y_m, z) * modes.load(load, half_m) @ np.exp(-modes.decay * root_m**2))


@given(
    thickness_m=st.floats(0.008, 0.1),
    width=st.floats(2.0, 10.0),
    web=st.floats(0.1, 0.9),
    web_depth_m=st.floats(0.05, 1.0),
)
def test_no_heat_is_lost_or_made(thickness_m: float, width: float, web: float, web_depth_m: float) -> None:
    half_m = thickness_m * width / 2.0
    modes = section.modes(thickness_m, half_m, web * min(thickness_m, half_m), web_depth_m)
    whole = modes.area_m2 @ modes.shape
    for root_m in (0.0, 0.05, 1.0):
        stored = whole * modes.load("face", half_m) @ np.exp(-modes.decay * root_m**2)
        assert stored == pytest.approx(half_m, rel=1e-6)


def test_in_the_end_heat_is_even_over_the_section() -> None:
    modes = section.modes(**FLANGE)
    area_m2 = FLANGE["thickness_m"] * FLANGE["half_width_m"] + FLANGE["web_m"] / 2.0 * FLANGE["web_depth_m"]
    for y_m, z in ((0.0, 1.0), (0.15, 0.0), (0.05, 0.5)):
        late = response(modes, "face", y_m, z, 3.0, FLANGE["half_width_m"])
        assert late == pytest.approx(FLANGE["half_width_m"] / area_m2, rel=1e-6)


@pytest.mark.parametrize("z", [0.1, 0.5, 0.9])
def test_far_from_the_web_it_is_a_plate(z: float) -> None:
    # Slab with insulated back (Carslaw & Jaeger, 2nd ed., 3.3; series from memory) while the web is not felt yet.
    modes = section.modes(thickness_m=0.03, half_width_m=0.5, web_m=0.01, web_depth_m=0.35)
    for root_m in (0.012, 0.02, 0.04):
        n = np.arange(1, 60)
        terms = np.cos(n * np.pi * z) * np.exp(-((n * np.pi * root_m / 0.03) ** 2))
        plate = (1.0 + 2.0 * terms.sum()) / 0.03
        assert response(modes, "face", 0.45, z, root_m, 0.5) == pytest.approx(plate, rel=0.02)


def test_finer_cells_change_little(monkeypatch: pytest.MonkeyPatch) -> None:
    coarse = section.modes(**FLANGE)
    for name in ("_THROUGH_FLANGE", "_BESIDE_WEB", "_DOWN_WEB", "_OVER_WEB"):
        monkeypatch.setattr(section, name, 2 * getattr(section, name))
    fine = section.modes.__wrapped__(**FLANGE)
    for root_m in (0.03, 0.06, 0.12, 0.3):
        values = [response(modes, "face", 0.0, 1.0, root_m, FLANGE["half_width_m"]) for modes in (coarse, fine)]
        assert values[0] == pytest.approx(values[1], rel=0.02)


def test_both_faces_load_no_metal_under_the_web() -> None:
    modes = section.modes(**FLANGE)
    whole = modes.area_m2 @ modes.shape
    assert whole @ modes.load("both_faces", 0.15) == pytest.approx(0.15 + 0.15 - 0.008, rel=1e-6)
    assert whole @ modes.load("end", 0.15) == pytest.approx(0.15 * 0.03, rel=1e-6)


def test_answers_do_not_change_when_responses_are_forgotten() -> None:
    given = {name: np.array([value]) for name, value in FLANGE.items()}
    geometry = conduction.Geometry(
        thickness_m=given["thickness_m"],
        both_faces=np.array([False]),
        half_width_m=np.array([0.105]),
        inner_m=np.zeros(1),
        half_length_m=given["half_width_m"],
        edge_x_m=np.array([np.inf]),
        edge_y_m=given["half_width_m"],
        web_m=given["web_m"],
        web_depth_m=given["web_depth_m"],
        through_end=np.array([False]),
        point_x_m=np.array([[0.075]]),
        point_y_m=np.array([[0.0]]),
        point_z=np.array([[1.0]]),
    )
    values = []
    for _ in range(3):
        curve = conduction.Responses(geometry).curve(*(np.array([one]) for one in (1.0, 0.0, 5.0, 1.2e-5)))
        values.append(curve.nodes())
        if len(values) == 2:
            conduction.forget_responses()
    np.testing.assert_array_equal(values[0], values[1])
    np.testing.assert_array_equal(values[0], values[2])
