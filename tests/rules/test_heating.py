"""The heating engine against textbook solutions, scipy and the three-dimensional reference; its edges."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.linalg import eigh_tridiagonal
from scipy.special import erf, erfc

from frostshift_rules import conduction, heating, steel
from frostshift_rules.heating import Floats, HeatCases, heat_up, seconds_to_minimum, train_c, zone_points
from frostshift_rules.strict import OutOfRange

REFERENCE = json.loads(
    (Path(__file__).parents[2] / "fixtures" / "reference" / "heating.json").read_text(encoding="utf-8")
)
PLATES = [case for case in REFERENCE["cases"] if case["kind"] == "plate"]
TEES = {case["id"]: case for case in REFERENCE["cases"] if case["kind"] == "tee"}
TRAINS = {case["id"]: case for case in REFERENCE["cases"] if case["kind"] == "pulses"}

TYPICAL = {
    "thickness_m": 0.05,
    "both_faces": False,
    "half_width_m": 0.105,
    "half_length_m": 0.3,
    "edge_x_m": np.inf,
    "edge_y_m": np.inf,
    "flux_wm2": 50e3,
    "convection_wm2k": 12.0,
    "emissivity": 0.8,
    "air_c": -20.0,
    "start_c": -20.0,
    "minimum_c": 110.0,
    "target_c": 135.0,
    "point_x_m": [0.075, 0.0],
    "point_y_m": [0.2, 0.275],
}


def cases(*rows: dict[str, Any], **changes: Any) -> HeatCases:
    """Rows with what differs from TYPICAL."""
    full = [TYPICAL | changes | row for row in rows or ({},)]
    return HeatCases(**{name: np.array([row[name] for row in full]) for name in TYPICAL | changes})


# The linear solution, with constant properties, against textbooks -----------------------------------------------------

K, RHO_C = 45.0, 7850.0 * 480.0
ALPHA = K / RHO_C


def linear_rise(times_s: Floats, loss_wm2k: float = 0.0, **changes: Any) -> Floats:
    """Rise [points + middle of the torch face, times] for constant properties, air and start alike."""
    case = cases(**changes)
    responses = conduction.Responses(case.geometry())
    biot_sixth = loss_wm2k * case.thickness_m / (6.0 * K)
    curve = responses.curve(
        source=case.flux_wm2 * (1.0 - biot_sixth) / (K * responses.depth_m),
        away=np.zeros(1),
        damping=2.0 * loss_wm2k / (K * case.thickness_m * (1.0 + biot_sixth)),
        diffusivity=np.array([ALPHA]),
    )
    return curve.at(np.sqrt(ALPHA * times_s)[None, None])[0]


def test_surface_of_a_thick_body_follows_the_square_root_of_time() -> None:
    # Carslaw & Jaeger, 2nd ed., 2.9 (from memory): 2 q sqrt(t / (pi k rho c)).
    times = np.array([5.0, 20.0, 60.0, 200.0])
    rise = linear_rise(times, thickness_m=0.3, half_width_m=5.0, half_length_m=5.0)[-1]
    np.testing.assert_allclose(rise, 2.0 * 50e3 * np.sqrt(times / (np.pi * K * RHO_C)), rtol=1e-5)


def test_both_forms_of_the_response_through_the_thickness() -> None:
    # The same solution by 60 images, for Fourier numbers on both sides of the switch between its two forms.
    fourier = np.concatenate([np.linspace(0.01, 0.3, 60), [0.1599, 0.1601, 1.0]])
    for depth in (0.0, 0.3, 1.0):
        images = depth + 2.0 * np.arange(-30, 31)[:, None]
        textbook = np.exp(-(images**2) / (4.0 * fourier)).sum(axis=0) / np.sqrt(np.pi * fourier)
        np.testing.assert_allclose(conduction.through_thickness(fourier, depth), textbook, atol=3e-6)


@pytest.mark.parametrize("depth_m", [0.005, 0.02, 0.05])
def test_depth_of_a_thick_body(depth_m: float) -> None:
    # Carslaw & Jaeger, 2nd ed., 2.9 (from memory): 2 q sqrt(alpha t) / k ierfc(z / (2 sqrt(alpha t))).
    thickness, time = 0.3, 120.0
    pulse = lambda s: 2.0 * s * conduction.through_thickness(np.array([(s / thickness) ** 2]), depth_m / thickness)[0]  # noqa: E731
    end = np.sqrt(ALPHA * time)
    rise = 50e3 / (K * thickness) * quad(pulse, 1e-9, end, epsabs=1e-12)[0]
    reach = depth_m / (2.0 * end)
    ierfc = np.exp(-(reach**2)) / np.sqrt(np.pi) - reach * erfc(reach)
    assert rise == pytest.approx(2.0 * 50e3 * end / K * ierfc, abs=2e-5)


@pytest.mark.parametrize("both_faces", [False, True])
def test_slab_with_insulated_back(both_faces: bool) -> None:
    # Carslaw & Jaeger, 2nd ed., 3.8 (from memory), series with 400 terms.
    depth, times = (0.025 if both_faces else 0.05), np.array([4.0, 15.0, 60.0, 400.0])
    wide: dict[str, Any] = {"half_width_m": 5.0, "half_length_m": 5.0, "both_faces": both_faces}
    far, near = linear_rise(times, point_x_m=[0.0], point_y_m=[0.0], **wide)
    n = np.arange(1, 401)[:, None]
    for rise, from_back in ((near, 1.0), (far, 0.0)):
        terms = (-1.0) ** n / n**2 * np.exp(-ALPHA * (n * np.pi / depth) ** 2 * times) * np.cos(n * np.pi * from_back)
        even = 50e3 * times / (RHO_C * depth)
        textbook = even + 50e3 * depth / K * ((3 * from_back**2 - 1) / 6 - 2 / np.pi**2 * terms.sum(axis=0))
        np.testing.assert_allclose(rise, textbook, rtol=2e-4, atol=5e-3)


def test_late_slab_is_the_lumped_rise_with_its_two_offsets() -> None:
    # The same solution when its series has died away: + q H / (3 k) at the torch face, - q H / (6 k) at the far one.
    times = np.array([1500.0, 4000.0])
    far, near = linear_rise(times, half_width_m=5.0, half_length_m=5.0, point_x_m=[0.0], point_y_m=[0.0])
    lumped, step = 50e3 * times / (RHO_C * 0.05), 50e3 * 0.05 / K
    np.testing.assert_allclose(near - lumped, step / 3.0, rtol=2e-3)
    np.testing.assert_allclose(far - lumped, -step / 6.0, rtol=2e-3)


@pytest.mark.parametrize("loss_wm2k", [0.0, 40.0])
def test_patch_on_a_wide_plate(loss_wm2k: float) -> None:
    # Product solution (Carslaw & Jaeger, 2nd ed., 1.15 and 10.3, from memory), by images, with scipy's erf and quad.
    thickness, w, v, x, y, time = 0.05, 0.105, 0.3, 0.075, 0.2, 900.0
    biot_sixth = loss_wm2k * thickness / (6.0 * K)
    damping = 2.0 * loss_wm2k / (RHO_C * thickness * (1.0 + biot_sixth))

    def kernel(root_t: float, depth: float, x: float, y: float) -> float:
        spread = np.sqrt(4.0 * ALPHA) * root_t
        images = depth + 2.0 * thickness * np.arange(-40, 41)
        through = 2.0 * thickness * np.exp(-((images / spread) ** 2)).sum() / (np.sqrt(np.pi) * spread)
        across = 0.5 * (erf((w - x) / spread) + erf((w + x) / spread))
        along = 0.5 * (erf((v - y) / spread) + erf((v + y) / spread))
        return float(2.0 * root_t * through * across * along * np.exp(-damping * root_t**2))

    rise = linear_rise(np.array([time]), loss_wm2k, point_x_m=[x], point_y_m=[y])[:, 0]
    per_s = 50e3 * (1.0 - biot_sixth) / (RHO_C * thickness)
    for got, at in zip(rise, ((thickness, x, y), (0.0, 0.0, 0.0)), strict=True):
        assert got == pytest.approx(per_s * quad(kernel, 1e-6, np.sqrt(time), args=at, limit=400)[0], abs=0.02)


@pytest.mark.parametrize("half_width_m", [0.2, 0.19, 0.105])
def test_free_edge_that_loses_heat(half_width_m: float) -> None:
    """Against finite volumes across a 0.4 m strip with a convective edge, exact in time (eigenvalues), 800 cells."""
    edge, loss, cells = 0.2, 150.0, 800
    width = edge / cells
    diagonal = np.full(cells, -2.0)
    diagonal[0] = -1.0
    to_edge = 1.0 / (0.5 + K / (loss * width))
    diagonal[-1] = -1.0 - to_edge
    values, modes = eigh_tridiagonal(diagonal / width**2, np.full(cells - 1, 1.0 / width**2))
    middles = (np.arange(cells) + 0.5) * width
    start = np.clip((half_width_m - middles) / width + 0.5, 0.0, 1.0)
    points = middles[[0, 300, 600, 760, 799]]
    axis = conduction._axis(points[None], np.array([half_width_m]), np.array([edge]))
    spread = axis.spread(np.zeros(1, dtype=np.intp), np.array([loss / K]))[0]
    for sample in np.flatnonzero((conduction._ROOTS > 0.004) & (conduction._ROOTS < 0.5)):
        grid = modes @ (np.exp(values * conduction._ROOTS[sample] ** 2) * (modes.T @ start))
        np.testing.assert_allclose(spread[:, sample], grid[[0, 300, 600, 760, 799]], atol=1e-4)


def test_insulated_edges_keep_all_the_heat() -> None:
    points = (np.arange(400) + 0.5) / 400 * 0.2
    axis = conduction._axis(points[None], np.array([0.105]), np.array([0.2]))
    mean = axis.spread(np.zeros(1, dtype=np.intp), np.zeros(1))[0].mean(axis=0)
    np.testing.assert_allclose(mean[conduction._ROOTS > 0.002], 0.105 / 0.2, atol=1e-4)


def test_edge_roots_solve_their_equation() -> None:
    for biot in (1e-4, 0.1, 1.0, 7.0, 50.0):
        beta = conduction._edge_roots(np.array([[biot]]))[0]
        np.testing.assert_allclose(beta * np.sin(beta), biot * np.cos(beta), atol=1e-6 * (1 + biot))
        np.testing.assert_array_equal(np.floor(beta / np.pi), np.arange(len(beta)))


def test_error_function() -> None:
    x = np.linspace(-6.0, 6.0, 2001)
    np.testing.assert_allclose(conduction._erf(x), erf(x), atol=1.6e-7)


# Whole answers --------------------------------------------------------------------------------------------------------


def test_thin_plate_heated_all_over_against_its_ordinary_differential_equation() -> None:
    """3 mm, no edge in reach: steel of one temperature, all properties followed exactly by scipy's Radau."""
    case = cases(
        thickness_m=0.003, half_width_m=5.0, half_length_m=20.0, flux_wm2=20e3, point_x_m=[0.0], point_y_m=[0.0]
    )

    def rate(_: float, state: Floats, flux: float) -> Floats:
        radiation = 0.8 * steel.SIGMA_WM2K4 * ((state + 273.15) ** 4 - (-20.0 + 273.15) ** 4)
        stored = steel.DENSITY_KG_M3 * 0.003 * steel.specific_heat_jkgk(state)
        return (flux - 2.0 * (12.0 * (state + 20.0) + radiation)) / stored

    def passes(level_c: float, direction: float) -> Any:
        event = lambda t, state, flux: state[0] - level_c  # noqa: E731
        event.terminal, event.direction = True, direction  # type: ignore[attr-defined]
        return event

    options: dict[str, Any] = {"method": "Radau", "rtol": 1e-9, "atol": 1e-9}
    times = [
        solve_ivp(rate, (0.0, 1e4), [start], args=(flux,), events=passes(level, way), **options).t[-1]
        for start, level, flux, way in ((-20.0, 110.0, 20e3, 1.0), (-20.0, 135.0, 20e3, 1.0), (135.0, 110.0, 0.0, -1.0))
    ]
    answer = heat_up(case)
    assert seconds_to_minimum(case)[0] == pytest.approx(times[0], rel=0.01)
    assert answer.to_target_s[0] == pytest.approx(times[1], rel=0.01)
    assert answer.hold_s[0] == pytest.approx(times[2], rel=0.03)
    # An already warm plate that is left alone cools from its start.
    alone = heat_up(cases(start_c=135.0, thickness_m=0.003))
    assert alone.hold_s[0] == pytest.approx(times[2], rel=0.01)


def plate_cases(references: list[dict[str, Any]] = PLATES) -> HeatCases:
    """The reference's plates; the far corner of its 27 points is the coldest of them while the torch burns."""

    def column(name: str) -> Floats:
        values = [np.inf if case["inputs"][name] is None else case["inputs"][name] for case in references]
        return np.array(values, dtype=np.float64)

    return HeatCases(
        thickness_m=column("H"),
        both_faces=column("two_faces").astype(bool),
        half_width_m=column("w"),
        half_length_m=column("ly2"),
        edge_x_m=column("B"),
        edge_y_m=column("Yb"),
        flux_wm2=column("q"),
        convection_wm2k=column("hc"),
        emissivity=column("eps"),
        air_c=column("Ta"),
        start_c=column("T0"),
        minimum_c=column("Tmin"),
        target_c=column("T_off"),
        point_x_m=column("zx")[:, None],
        point_y_m=column("zy")[:, None],
    )


def tee_cases(given: dict[str, float], *, one_piece: bool) -> HeatCases:
    """The reference's tee: the column's flange, and the beam's flange that ends on it, each with its web."""
    aside = given["Hb"] / 2.0
    beside = min(given["bc"] / 2.0, given["bb"] / 2.0 + given["z_req"])
    column = {
        "thickness_m": given["Hc"],
        "half_length_m": given["bc"] / 2.0,
        "web_m": given["twc"],
        "web_depth_m": 0.30,
        "inner_m": aside,
        "point_y_m": [0.0, beside],
    }
    beam = {
        "thickness_m": given["Hb"],
        "half_length_m": given["bb"] / 2.0,
        "web_m": given["twb"],
        "web_depth_m": 0.35,
        "inner_m": 0.0,
        "point_y_m": [0.0, given["bb"] / 2.0],
    }
    rows = []
    for part, other in ((column, 1), (beam, 0)):
        x = part["inner_m"] + given["z_req"]
        rows.append(
            TYPICAL
            | part
            | {
                "half_width_m": part["inner_m"] + given["w"],
                "edge_y_m": part["half_length_m"],
                "flux_wm2": given["q"],
                "convection_wm2k": given["hc"],
                "emissivity": given["eps"],
                "air_c": given["Ta"],
                "start_c": given["T0"],
                "minimum_c": given["Tmin"],
                "target_c": given["T_off"],
                "point_x_m": [x, x],
                "partner": other if one_piece else -1,
            }
        )
    return HeatCases(**{name: np.array([row[name] for row in rows]) for name in rows[0]})


@pytest.mark.parametrize("name", TEES)
def test_tee_of_the_three_dimensional_reference(name: str) -> None:
    # Computed by an independent solver. The webs make a flat plate's time a third too short. The limits are set
    # beforehand: 6 % where the parts are apart, 8 % where they are one piece.
    given, reference = TEES[name]["inputs"], TEES[name]["reference"]
    one_piece = given["R_contact"] == 0.0
    tee = tee_cases(given, one_piece=one_piece)
    wanted = [reference["t_Tmin_column_flange_s"], reference["t_Tmin_beam_flange_s"]]
    np.testing.assert_allclose(seconds_to_minimum(tee), wanted, rtol=0.08 if one_piece else 0.06)
    answer = heat_up(tee)
    # Both parts burn until the column, the colder, has its target; it is also the first to be cold again.
    assert answer.to_target_s[0] == pytest.approx(reference["t_off_s"], rel=0.10 if one_piece else 0.06)
    assert answer.hold_s[0] == pytest.approx(reference["hold_s"], rel=0.12)
    if one_piece:
        # Both are heated till the later has its target; the thin part gets hottest, in mid-band.
        rise_c = reference["T_peak_C"] - given["T0"]
        assert answer.hottest_c.max() - given["T0"] == pytest.approx(rise_c, rel=0.05)
        # What it is worth: alone, the thick part is slower than it is, the thin one far faster.
        alone = seconds_to_minimum(tee_cases(given, one_piece=False)) / wanted - 1.0
        assert 0.05 < alone[0] < 0.15
        assert -0.25 < alone[1] < -0.15


def test_a_flange_without_its_web_is_far_too_fast() -> None:
    tee = tee_cases(TEES["T2"]["inputs"], one_piece=False)
    flat = {one: getattr(tee, one) for one in ("web_m", "web_depth_m")}
    bare = replace(tee, **{name: np.zeros_like(values) for name, values in flat.items()})
    ratio = seconds_to_minimum(bare) / seconds_to_minimum(tee)
    assert ((ratio > 0.5) & (ratio < 0.75)).all()


def train_difference(train: dict[str, Any]) -> Floats:
    """What we say of the far corner through a train of the reference, less what it says, at each of its moments [K]."""
    series, pulses = train["reference"]["series"], train["inputs"]["pulses"]
    ends = np.cumsum([0.0, *pulses])
    bursts = np.array([[ends[at], ends[at + 1]] for at in range(0, len(pulses), 2)])
    times = np.array([moment["t"] for moment in series])
    got = train_c(plate_cases([train]), bursts, times)[0, 0]
    difference: Floats = got - np.array([moment["T_corner_far"] for moment in series])
    return difference


@pytest.mark.parametrize("name", TRAINS)
def test_train_of_heatings_with_breaks(name: str) -> None:
    # Computed by an independent solver: the far corner through bursts and breaks, over a rise of 160 to 250 K.
    np.testing.assert_allclose(train_difference(TRAINS[name]), 0.0, atol=5.0)


def test_a_burst_split_in_two_changes_nothing() -> None:
    times = np.array([100.0, 300.0, 450.0, 900.0])
    whole = train_c(cases(), np.array([[0.0, 400.0]]), times)
    split = train_c(cases(), np.array([[0.0, 150.0], [150.0, 400.0]]), times)
    np.testing.assert_allclose(split, whole, atol=1e-9)


def test_a_train_meets_the_times_of_a_single_heating() -> None:
    """Up to the target, down to the minimum and up again, within what the two forms differ."""
    answer = heat_up(cases())
    on, hold, again = answer.to_target_s[0], answer.hold_s[0], answer.reheat_s[0]
    bursts = np.array([[0.0, on], [on + hold, on + hold + again]])
    moments = np.array([on, on + hold, on + hold + again])
    coldest_c = train_c(cases(), bursts, moments)[0, answer.coldest[0]]
    np.testing.assert_allclose(coldest_c, [135.0, 110.0, 135.0], atol=5.0)
    assert 0.0 < again < on


@pytest.mark.parametrize(
    "changes",
    [
        {"weld_s": 3600.0},
        {"weld_s": 4.0 * 3600.0},
        {"weld_s": 2.0 * 3600.0, "thickness_m": 0.02, "flux_wm2": 40e3},
        {"weld_s": 2.0 * 3600.0, "edge_y_m": 0.3, "point_x_m": [0.075, 0.075], "point_y_m": [0.3, 0.3]},
        {"weld_s": 3.0 * 3600.0, "thickness_m": 0.1, "flux_wm2": 80e3},
    ],
)
def test_reheats_for_the_share_of_time_that_is_said_keep_the_steel_warm(changes: dict[str, Any]) -> None:
    """A train of reheats, as often as the first hold and as long as the share asks: warm at the end, and before it."""
    given = cases(**changes)
    answer = heat_up(given)
    on, hold, weld = answer.to_target_s[0], answer.hold_s[0], given.weld_s[0]
    share = answer.keep_s[0] / weld
    assert 0.0 < share < 0.9
    period = hold / (1.0 - share)
    begins = on + hold + period * np.arange(int((weld - hold) / period))
    bursts = np.vstack([[0.0, on], np.column_stack([begins, begins + share * period])])
    times = on + np.linspace(0.05, 1.0, 60) * weld
    coldest_c = train_c(given, bursts, times[times < bursts[-1, 1]])[0, answer.coldest[0]]
    assert 115.0 < coldest_c[len(coldest_c) // 2 :].mean() < 140.0
    assert coldest_c.min() > 110.0 - 12.0
    # The first hold and the first reheat alone would ask for about as much or more.
    assert share < 1.02 * answer.reheat_s[0] / (answer.reheat_s[0] + hold)


def test_a_hold_that_outlasts_the_weld_needs_no_reheat() -> None:
    answer = heat_up(cases(weld_s=60.0))
    assert answer.hold_s[0] > 60.0
    assert answer.keep_s[0] == 0.0
    assert heat_up(cases()).keep_s[0] == 0.0


@pytest.mark.parametrize("bursts", [[[10.0, 5.0]], [[-1.0, 5.0]], [[0.0, np.nan]]])
def test_a_burst_that_ends_before_it_begins_is_refused(bursts: list[list[float]]) -> None:
    with pytest.raises(OutOfRange, match="bursts_s"):
        train_c(cases(), np.array(bursts), np.array([1.0]))


def test_heat_put_in_is_heat_stored() -> None:
    """Rise x stored heat over the whole plate without loss is flux x area x time (linear, constant properties)."""
    time, thickness, w, v = 400.0, 0.02, 0.105, 0.2
    x, y = np.meshgrid(np.linspace(0.0, 0.6, 241), np.linspace(0.0, 0.8, 161))
    rise = np.zeros(x.shape)
    geometry = cases(
        thickness_m=thickness,
        half_width_m=w,
        half_length_m=v,
        point_x_m=x.ravel().tolist(),
        point_y_m=y.ravel().tolist(),
    ).geometry()
    for depth, weight in zip((0.0, 0.5, 1.0), (1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0), strict=True):
        responses = conduction.Responses(replace(geometry, point_z=np.full_like(geometry.point_z, depth)))
        curve = responses.curve(np.array([50e3 / (K * thickness)]), np.zeros(1), np.zeros(1), np.array([ALPHA]))
        rise += weight * curve.at(np.full((1, 1, 1), np.sqrt(ALPHA * time)))[0, :-1, 0].reshape(x.shape)
    stored = 4.0 * RHO_C * thickness * np.trapezoid(np.trapezoid(rise, x[0], axis=1), y[:, 0])
    assert stored == pytest.approx(50e3 * 4.0 * w * v * time, rel=2e-4)


@pytest.mark.parametrize("row", range(len(PLATES)), ids=[case["id"] for case in PLATES])
def test_plate_of_the_three_dimensional_reference(row: int) -> None:
    # Computed by an independent solver, see fixtures/reference/README.md. The limits are set beforehand.
    plate, reference = PLATES[row], PLATES[row]["reference"]
    case = plate_cases().rows(np.array([row]))
    answer = heat_up(case)
    limit = 0.05 if plate["inputs"]["H"] <= 0.025 else 0.10
    assert seconds_to_minimum(case)[0] == pytest.approx(reference["t_Tmin_s"], rel=limit)
    if plate["id"] == "P11":
        # Close to its steady limit: 1 % of flux is 8 % of time, also in the reference. No time may be quoted there.
        assert answer.elasticity[0] > heating.ELASTICITY_REFUSE
    else:
        assert answer.to_target_s[0] == pytest.approx(reference["t_off_s"], rel=limit)
        assert answer.elasticity[0] < heating.ELASTICITY_REFUSE
    assert answer.hold_s[0] == pytest.approx(reference["hold_s"], rel=0.12, abs=5.0)
    start_c = plate["inputs"]["T0"]
    assert answer.hottest_c[0] - start_c == pytest.approx(reference["T_peak_C"] - start_c, rel=0.04)


def test_reference_plates_on_the_whole() -> None:
    answer = heat_up(plate_cases())
    reference = {
        name: np.array([case["reference"][name] for case in PLATES]) for name in ("t_Tmin_s", "t_off_s", "hold_s")
    }
    minimum_error = seconds_to_minimum(plate_cases()) / reference["t_Tmin_s"] - 1.0
    quoted = answer.elasticity < heating.ELASTICITY_REFUSE
    off_error = (answer.to_target_s / reference["t_off_s"] - 1.0)[quoted]
    hold_error = (answer.hold_s / reference["hold_s"] - 1.0)[reference["hold_s"] > 60.0]
    for error, rms in ((minimum_error, 0.015), (off_error, 0.018), (hold_error, 0.035)):
        assert np.sqrt(np.mean(error**2)) < rms


def test_elasticity_is_the_derivative_of_the_time() -> None:
    fluxes = 50e3 * np.array([0.8, 1.0, 1.5])
    for start_c in (-20.0, 20.0):
        answer = heat_up(cases(*({"flux_wm2": flux} for flux in fluxes), start_c=start_c))
        more = heat_up(cases(*({"flux_wm2": flux * 1.005} for flux in fluxes), start_c=start_c))
        less = heat_up(cases(*({"flux_wm2": flux / 1.005} for flux in fluxes), start_c=start_c))
        slope = np.log(less.to_target_s / more.to_target_s) / (2.0 * np.log(1.005))
        np.testing.assert_allclose(answer.elasticity, slope, rtol=0.06)


def test_warm_air_alone_and_the_longest_heating() -> None:
    # A torch that brings next to nothing: the even plate nears the air, ln((air - start) / (air - target)) / m.
    thaw: dict[str, Any] = {"flux_wm2": 1e-3, "emissivity": 0.0, "air_c": 30.0, "start_c": -10.0, "minimum_c": 20.0}
    stored = steel.DENSITY_KG_M3 * 0.01 * (steel.enthalpy_jkg(20.0) - steel.enthalpy_jkg(-10.0)) / 30.0
    seconds = stored * np.log(40.0 / 10.0) / (2.0 * np.array([4.0, 0.5]))
    rows = [{"convection_wm2k": 4.0}, {"convection_wm2k": 0.5}, {"convection_wm2k": 0.25}]
    answer = heat_up(cases(*rows, thickness_m=0.01, target_c=20.0, **thaw))
    np.testing.assert_allclose(answer.to_target_s[:2], seconds, rtol=0.01)
    assert answer.to_target_s[2] == np.inf  # would take longer than a day


# Points of the zone ---------------------------------------------------------------------------------------------------


def test_points_of_a_weld_inside_a_plate() -> None:
    x, y = zone_points(np.array([0.1]), np.array([0.2]), np.array([False]), np.array([np.inf]))
    np.testing.assert_allclose(x, [[0.1, 0.070711, 0.0]], atol=1e-6)
    np.testing.assert_allclose(y, [[0.2, 0.270711, 0.3]], atol=1e-6)


def test_points_of_a_weld_from_edge_to_edge() -> None:
    x, y = zone_points(np.array([0.1]), np.array([0.2]), np.array([True]), np.array([np.inf]))
    np.testing.assert_array_equal(x, [[0.1, 0.1, 0.1]])
    np.testing.assert_array_equal(y, [[0.2, 0.2, 0.2]])


def test_no_point_lies_beyond_the_free_edge() -> None:
    x, _ = zone_points(np.array([0.1, 0.1]), np.array([0.2, 0.2]), np.array([True, False]), np.array([0.04, 0.04]))
    np.testing.assert_array_equal(x, [[0.04, 0.04, 0.04], [0.04, 0.04, 0.0]])


# Edges ----------------------------------------------------------------------------------------------------------------


def test_warm_steel_needs_no_heat() -> None:
    answer = heat_up(cases(start_c=135.0))
    assert seconds_to_minimum(cases(start_c=135.0))[0] == answer.to_target_s[0] == answer.elasticity[0] == 0.0
    assert answer.hottest_c[0] == 135.0
    assert 0.0 < answer.hold_s[0] < np.inf


def test_steel_between_minimum_and_target() -> None:
    answer = heat_up(cases(start_c=120.0))
    assert seconds_to_minimum(cases(start_c=120.0))[0] == 0.0
    assert 0.0 < answer.to_target_s[0] < heat_up(cases()).to_target_s[0]


def test_no_flux_never_heats() -> None:
    answer = heat_up(cases(flux_wm2=0.0))
    assert seconds_to_minimum(cases(flux_wm2=0.0))[0] == answer.to_target_s[0] == answer.elasticity[0] == np.inf
    assert np.isnan(answer.hold_s[0])
    assert np.isnan(answer.hottest_c[0])


def test_weak_torch_in_a_gale_never_heats() -> None:
    weak = cases(flux_wm2=8e3, convection_wm2k=300.0)
    answer = heat_up(weak)
    assert seconds_to_minimum(weak)[0] == answer.to_target_s[0] == answer.elasticity[0] == np.inf


def test_minimum_can_be_in_reach_where_the_target_is_not() -> None:
    rows = cases(*({"flux_wm2": flux} for flux in np.linspace(20e3, 40e3, 41)))
    answer, minimum_s = heat_up(rows), seconds_to_minimum(rows)
    between = np.isfinite(minimum_s) & np.isinf(answer.to_target_s)
    assert between.any()
    assert np.isnan(answer.hold_s[between]).all()
    assert not np.isnan(minimum_s).any()
    assert not np.isnan(answer.to_target_s).any()


def test_air_above_the_minimum_holds_for_ever() -> None:
    warm_air: dict[str, Any] = {"air_c": 25.0, "start_c": 5.0, "minimum_c": 10.0, "target_c": 35.0}
    answer = heat_up(cases(warm_air, warm_air | {"start_c": 40.0}))
    assert (answer.hold_s == np.inf).all()


@pytest.mark.parametrize(
    "extreme",
    [
        {"thickness_m": 0.003, "flux_wm2": 15e3, "minimum_c": 20.0, "target_c": 45.0},
        {"thickness_m": 0.15, "flux_wm2": 100e3},
        {"convection_wm2k": 150.0, "flux_wm2": 250e3},
        {"convection_wm2k": 0.0, "emissivity": 0.0},
        {"edge_x_m": 0.105, "edge_y_m": 0.3},
        {"edge_x_m": 0.1051, "edge_y_m": 0.3001},
        {"air_c": -60.0, "start_c": -60.0, "flux_wm2": 80e3},
        {"start_c": 135.0 - 1e-12},
        {"target_c": 110.0},
    ],
)
def test_extremes_give_a_time(extreme: dict[str, Any]) -> None:
    answer = heat_up(cases(extreme))
    minimum_s = seconds_to_minimum(cases(extreme))[0]
    assert 0.0 <= minimum_s <= 1.001 * answer.to_target_s[0] < heating.LONGEST_S
    assert answer.hold_s[0] >= 0.0
    assert answer.hottest_c[0] >= (TYPICAL | extreme)["target_c"] - 1e-6


def test_no_cases_give_no_answers() -> None:
    assert len(heat_up(cases().rows(np.array([], dtype=np.intp))).to_target_s) == 0


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"thickness_m": np.nan}, "thickness_m, row 1: nan is not allowed, it must be at least 0.002"),
        ({"thickness_m": 0.5}, "thickness_m, row 1: 0.5 is not allowed, it must be at most 0.3"),
        ({"flux_wm2": -1.0}, "flux_wm2, row 1: -1 is not allowed, it must be at least 0"),
        ({"edge_y_m": np.nan}, "edge_y_m, row 1: nan"),
        ({"half_width_m": np.inf}, "half_width_m, row 1: inf"),
        ({"edge_x_m": 0.1}, "half_width_m, row 1: 0.105 is not allowed, it must be at most 0.1"),
        ({"edge_y_m": 0.29, "half_length_m": 0.2, "point_y_m": [0.2, 0.3]}, "point_y_m, row 1: 0.3 .* at most 0.29"),
        ({"target_c": 100.0}, "target_c, row 1: 100 is not allowed, it must be at least 110"),
        ({"start_c": -300.0}, "start_c, row 1: -300 is not allowed, it must be at least -90"),
        ({"emissivity": 1.2}, "emissivity, row 1"),
    ],
)
def test_absurd_rows_are_refused_by_name(wrong: dict[str, Any], message: str) -> None:
    with pytest.raises(OutOfRange, match=message):
        cases({}, wrong)


def test_arrays_of_unlike_length_are_refused() -> None:
    good = {name: getattr(cases(), name) for name in TYPICAL}
    with pytest.raises(ValueError, match="flux_wm2"):
        HeatCases(**good | {"flux_wm2": np.array([1e4, 2e4])})
    with pytest.raises(ValueError, match="point_x_m"):
        HeatCases(**good | {"point_x_m": np.zeros((1, 0)), "point_y_m": np.zeros((1, 0))})
