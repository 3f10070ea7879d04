"""Heating flat steel at a weld: time to the minimum, time to the target, hold after torch-off, hottest metal.

A torch brings net heat to a rectangle of one face of a plate, or of both. The temperature rise is the product
solution of the heat equation for that source (Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, 1.15,
10.3 and ch. 14, from memory): through the thickness x across the weld x along the weld x loss to the air, added up
over the burning time. Free edges lose heat too. Steel conducts and stores differently cold and hot, so the linear
solution is solved three times over with properties from its own answer.

Coordinates: weld on x = 0, symmetric (the other side is alike, or the part ends at the weld); y = 0 is its middle;
the torch is on face z = 0. What must be warm is judged on the face away from the torch, or in the middle of the
thickness where both faces are heated: that is where the plate is coldest while it heats.

Valid for: flat plates of 6 to 150 mm without web, hole or welded neighbour near the band, not narrower than twice
their thickness, evenly heated, both sides of the weld alike; hottest metal up to `HOTTEST_VALID_C`; the torch passes
over each spot again within thickness^2 / (4 x diffusivity) (2 s at 10 mm, 50 s at 50 mm). Not for tubes, nor for a
flange that carries a web (the answer would be a third too short). Water, ice and frost on the steel are left out. The
flux is taken as known; it is the largest doubt of every answer, see `HeatAnswers.elasticity`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.steel import DENSITY_KG_M3, SIGMA_WM2K4, conductivity_wmk, enthalpy_jkg, specific_heat_jkgk
from frostshift_rules.strict import OutOfRange
from frostshift_rules.units import KELVIN_0C

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

LONGEST_S: Final = 86_400.0
"""A heating that takes longer than a day is `inf` (never); a hold that lasts longer than a day is `inf` too."""

HOTTEST_VALID_C: Final = 450.0
"""Above this hottest metal the answer is outside the fitted steel properties and must not be shown as a time."""

ELASTICITY_WARN: Final = 2.0
"""Above this a time deserves a warning: 10 % less heat than thought costs more than 20 % more time."""

ELASTICITY_REFUSE: Final = 4.0
"""Above this no time may be quoted: the steel is so close to its steady limit, loss equal to heat put in, that the
answer follows the guess of the flux and of the wind, and the error of this model grows with it."""

_LIMITS: Final[dict[str, tuple[float, float]]] = {
    "thickness_m": (0.002, 0.3),
    "half_width_m": (0.005, 5.0),
    "half_length_m": (0.005, 20.0),
    "edge_x_m": (0.005, np.inf),
    "edge_y_m": (0.005, np.inf),
    "flux_wm2": (0.0, 1.0e6),
    "convection_wm2k": (0.0, 500.0),
    "emissivity": (0.0, 1.0),
    "air_c": (-90.0, 60.0),
    "start_c": (-90.0, 600.0),
    "minimum_c": (-50.0, 450.0),
    "target_c": (-50.0, 450.0),
    "point_x_m": (0.0, 5.0),
    "point_y_m": (0.0, 20.0),
}


def _check(name: str, values: Floats, low: Floats | float, high: Floats | float) -> None:
    """Refuse values that are NaN or outside `low` to `high`, naming field, row, value and limit."""
    below, above = ~(values >= low), ~(values <= high)
    wrong = np.argwhere(below | above)
    if len(wrong):
        at = tuple(wrong[0])
        side, limit = ("at least", low) if below[at] else ("at most", high)
        allowed = np.broadcast_to(limit, values.shape)[at]
        raise OutOfRange(f"{name}, row {at[0]}: {values[at]:g} is not allowed, it must be {side} {allowed:g}")


@dataclass(frozen=True)
class HeatCases:
    """Heatings to solve, one row each; arrays of length n, the points of shape [n, k].

    Attributes:
        thickness_m: of the plate [m].
        both_faces: heated from both faces.
        half_width_m: heated band on each side of the weld [m].
        half_length_m: heated length along the weld, from its middle [m].
        edge_x_m: free edge across the weld, at this distance on each side [m]; inf: wide plate.
        edge_y_m: free edge along the weld, at this distance from its middle both ways [m]; inf: inside a plate.
        flux_wm2: net heat into the steel on each heated face, averaged over the torch's passes [W/m2].
        convection_wm2k: loss coefficient of every open face without radiation [W/(m2 K)].
        emissivity: of the steel's surface.
        air_c: air temperature at the weld, also what the steel radiates to [°C].
        start_c: steel temperature when the torch is lit [°C].
        minimum_c: every point must have this before the arc is struck [°C].
        target_c: torch off when every point has this [°C]; not below `minimum_c`.
        point_x_m: points that must be warm, across [m].
        point_y_m: the same points, along [m].
    """

    thickness_m: Floats
    both_faces: Bools
    half_width_m: Floats
    half_length_m: Floats
    edge_x_m: Floats
    edge_y_m: Floats
    flux_wm2: Floats
    convection_wm2k: Floats
    emissivity: Floats
    air_c: Floats
    start_c: Floats
    minimum_c: Floats
    target_c: Floats
    point_x_m: Floats
    point_y_m: Floats

    def __post_init__(self) -> None:
        """Refuse rows that are not all there, not finite or absurd.

        Raises:
            ValueError: an array has another shape than the rest.
            OutOfRange: a value outside its limits; the message names field, row, value and limit.
        """
        n = len(self.thickness_m)
        for field in fields(self):
            shape = getattr(self, field.name).shape
            wanted = self.point_x_m.shape if field.name.startswith("point") else (n,)
            if shape != wanted or shape[0] != n or 0 in shape[1:]:
                raise ValueError(f"{field.name}: shape {shape} does not fit {n} rows")
        for name, (low, high) in _LIMITS.items():
            _check(name, getattr(self, name), low, high)
        _check("target_c", self.target_c, self.minimum_c, np.inf)
        for axis, half in (("x", "half_width_m"), ("y", "half_length_m")):
            edge = getattr(self, f"edge_{axis}_m")
            _check(half, getattr(self, half), 0.0, edge)
            _check(f"point_{axis}_m", getattr(self, f"point_{axis}_m"), 0.0, edge[:, None])

    def __len__(self) -> int:
        return len(self.thickness_m)

    def rows(self, index: Ints) -> HeatCases:
        """The rows of `index`, in their order."""
        return HeatCases(**{field.name: getattr(self, field.name)[index] for field in fields(self)})


@dataclass(frozen=True)
class HeatAnswers:
    """Answers, one row a case, arrays of length n.

    Attributes:
        to_target_s: until every point has its target, torch off [s]; 0 where it starts there, inf where it never gets
            there.
        hold_s: from torch-off until the first point is below its minimum again [s]; inf: longer than `LONGEST_S`;
            NaN where the target is never reached.
        hottest_c: hottest metal, middle of the torch face at torch-off [°C]; the start where no heat is needed; NaN
            where the target is never reached.
        elasticity: relative rise of `to_target_s` for a relative fall of the flux, -d ln t / d ln q; 0 where no heat
            is needed, inf where the target is never reached. See `ELASTICITY_WARN`, `ELASTICITY_REFUSE`.
        coldest: index of the point that is last to reach the target.
    """

    to_target_s: Floats
    hold_s: Floats
    hottest_c: Floats
    elasticity: Floats
    coldest: Ints


def zone_points(extent_m: Floats, half_weld_m: Floats, edge_to_edge: Bools, edge_x_m: Floats) -> tuple[Floats, Floats]:
    """Points that are warm when all metal within `extent_m` of the weld is warm: x and y, each of shape [n, 3] [m].

    A weld that ends inside a plate has a zone rounded at its ends: the points lie beside its end, diagonally beyond
    the end and straight beyond it. A weld from edge to edge has its coldest point on that edge, three times the same.
    Metal nearer to the middle of the weld is warmer than these. No point lies beyond a free edge across the weld.

    Args:
        extent_m: distance from the weld that must be warm [m].
        half_weld_m: half the heated length of weld [m].
        edge_to_edge: the weld runs from one free edge of the part to the other.
        edge_x_m: free edge across the weld [m]; inf: wide plate.
    """
    cosine = np.where(edge_to_edge[:, None], 1.0, np.array([1.0, np.sqrt(0.5), 0.0]))
    sine = np.where(edge_to_edge[:, None], 0.0, np.array([0.0, np.sqrt(0.5), 1.0]))
    x = np.minimum(extent_m[:, None] * cosine, edge_x_m[:, None])
    return x, half_weld_m[:, None] + extent_m[:, None] * sine


def heat_up(cases: HeatCases) -> HeatAnswers:
    """Solve every case: time to the target, hold, hottest metal, elasticity.

    Checked against an independent three-dimensional solution with temperature-dependent properties
    (`fixtures/reference/heating.json`): time within 5 % up to 25 mm and 10 % above, hold within 12 % or 5 s, hottest
    metal within 4 % of its rise. No measured heating was available.

    Approximations beyond the module's: steel that starts warmer than the air cools evenly, as if it had no edges;
    once a point has its minimum it is taken to keep it while the torch burns.
    """
    n = len(cases)
    warm = cases.start_c >= cases.target_c
    answers = HeatAnswers(
        to_target_s=np.where(warm, 0.0, np.inf),
        hold_s=np.where(warm, _cooling_s(cases), np.nan),
        hottest_c=np.where(warm, cases.start_c, np.nan),
        elasticity=np.where(warm, 0.0, np.inf),
        coldest=np.zeros(n, dtype=np.intp),
    )
    for rows in _blocks(cases, ~warm):
        block = _solve(cases.rows(rows))
        for field in fields(HeatAnswers):
            getattr(answers, field.name)[rows] = getattr(block, field.name)
    return answers


def seconds_to_target(cases: HeatCases) -> Floats:
    """`to_target_s` of `heat_up` alone, for callers that need no more: less than half the work."""
    return _seconds_to(cases, cases.target_c)


def seconds_to_minimum(cases: HeatCases) -> Floats:
    """Until every point has its minimum [s]; 0 where it starts there, inf where it never gets there."""
    return _seconds_to(cases, cases.minimum_c)


def _seconds_to(cases: HeatCases, goal_c: Floats) -> Floats:
    there = cases.start_c >= goal_c
    seconds = np.where(there, 0.0, np.inf)
    for rows in _blocks(cases, ~there):
        block = cases.rows(rows)
        seconds[rows] = _reached(block, _Responses(block), goal_c[rows])[1].time_s
    return seconds


# One block of cases that need heat -----------------------------------------------------------------------------------

_BLOCK: Final = 512
"""Rows solved at once: few enough to stay in the processor's cache, enough to hide the cost of a numpy call."""

_TURNS: Final = 3
"""Solutions, each with properties from the one before; the third moves the time by less than 1e-5 of itself."""

_HOTTEST_MEAN_C: Final = 600.0
"""The mean of the heated metal is kept below the end of the specific heat's range; such answers are not valid."""


def _blocks(cases: HeatCases, wanted: Bools) -> Iterator[Ints]:
    """The wanted rows with a flux, in blocks; like geometries stand together, so that they share their responses."""
    rows = np.flatnonzero(wanted & (cases.flux_wm2 > 0.0))
    if len(rows):
        _, geometry = _distinct(cases.rows(rows))
        rows = rows[np.argsort(geometry, kind="stable")]
    for first in range(0, len(rows), _BLOCK):
        yield rows[first : first + _BLOCK]


def _distinct(cases: HeatCases) -> tuple[Ints, Ints]:
    """A row of each distinct geometry, and for each case the number of its geometry."""
    columns = [
        cases.thickness_m,
        cases.both_faces,
        cases.half_width_m,
        cases.half_length_m,
        cases.edge_x_m,
        cases.edge_y_m,
        *cases.point_x_m.T,
        *cases.point_y_m.T,
    ]
    _, first, geometry = np.unique(np.column_stack(columns), axis=0, return_index=True, return_inverse=True)
    return first, geometry.reshape(-1)


def _reached(cases: HeatCases, responses: _Responses, goal_c: Floats) -> tuple[_Heating, _Moment]:
    """The heating up to a goal with properties that fit its own end, and that end."""
    mean_c = np.maximum(goal_c, cases.minimum_c + 10.0)  # a first guess of the mean of the heated metal
    for _ in range(_TURNS):
        heating = _heating(cases, responses, mean_c)
        end = _moment(cases, heating, goal_c)
        mean_c = end.mean_c
    return heating, end


def _solve(cases: HeatCases) -> HeatAnswers:
    """Answers for cases with a flux and a start below the target."""
    responses = _Responses(cases)
    heating, off = _reached(cases, responses, cases.target_c)
    reached = np.isfinite(off.time_s)
    return HeatAnswers(
        to_target_s=off.time_s,
        hold_s=np.where(reached, _hold_s(cases, responses, heating, off.mean_c), np.nan),
        hottest_c=np.where(reached, off.hottest_c, np.nan),
        elasticity=np.where(reached, _elasticity(cases, heating, off), np.inf),
        coldest=off.coldest,
    )


@dataclass(frozen=True)
class _Heating:
    """The heating with properties for one mean temperature of the metal; arrays [n]."""

    curve: _Curve
    loss_wm2k: Floats
    through_k: Floats
    """What the flux sets up through the depth, torch face to bottom, is half of this."""
    depth_m: Floats


def _heating(cases: HeatCases, responses: _Responses, mean_c: Floats) -> _Heating:
    """Solve the rise in temperature with properties for heated metal at `mean_c`.

    Storage sees the mean specific heat over the whole rise. Conduction out of the zone runs through colder steel.
    Surfaces radiate at 3/4 of the mean rise, plus what the flux itself sets up between a face and the middle.
    """
    specific_heat = _mean_specific_heat(cases.start_c, mean_c)
    conductivity = conductivity_wmk((cases.start_c + mean_c) / 2.0)
    surface_c = cases.start_c + 0.75 * (mean_c - cases.start_c)
    through_k = cases.flux_wm2 * responses.depth_m / conductivity
    torch_face = _radiation_wm2k(cases, surface_c + through_k / 3.0)
    bare_face = _radiation_wm2k(cases, surface_c - through_k / 6.0)
    loss = cases.convection_wm2k + np.where(cases.both_faces, torch_face, (torch_face + bare_face) / 2.0)

    biot_sixth = loss * cases.thickness_m / (6.0 * conductivity)
    curve = responses.curve(
        source=cases.flux_wm2 * (1.0 - biot_sixth) / (conductivity * responses.depth_m),
        away=cases.air_c - cases.start_c,
        damping=_damping(loss / conductivity, cases.thickness_m),
        diffusivity=conductivity / (DENSITY_KG_M3 * specific_heat),
    )
    return _Heating(curve, loss, through_k, responses.depth_m)


@dataclass(frozen=True)
class _Moment:
    """The moment at which every point has its goal, as a heating sees it; arrays [n].

    `time_s` is inf where that never comes; `mean_c` is then the middle of what the torch can reach.
    """

    time_s: Floats
    coldest: Ints
    hottest_c: Floats
    mean_c: Floats


def _moment(cases: HeatCases, heating: _Heating, goal_c: Floats) -> _Moment:
    """When every point has `goal_c`, which is the last, what the hottest metal and the mean of heated metal are."""
    curve = heating.curve
    point_s = curve.seconds_to(goal_c - cases.start_c)
    time_s = point_s.max(axis=1)
    coldest = np.where(np.isfinite(time_s), point_s.argmax(axis=1), curve.value[:, :, -1].argmin(axis=1))
    root = np.sqrt(curve.diffusivity * np.minimum(time_s, LONGEST_S))
    hottest_c = cases.start_c + curve.at(_wide(root))[:, -1, 0]
    soaked = np.minimum(1.0, root / (0.6 * heating.depth_m))
    centre_c = hottest_c - heating.through_k / 2.0 * soaked
    return _Moment(time_s, coldest, hottest_c, np.clip((centre_c + goal_c) / 2.0, goal_c, _HOTTEST_MEAN_C))


def _elasticity(cases: HeatCases, heating: _Heating, off: _Moment) -> Floats:
    """-d ln t / d ln q at torch-off: the torch's share of the rise, over its growth with the logarithm of time."""
    curve = heating.curve
    area = curve.diffusivity * np.minimum(off.time_s, LONGEST_S)
    to_air = (cases.air_c - cases.start_c) * -np.expm1(-curve.damping * area)
    torch_k = cases.target_c - cases.start_c - to_air
    around = curve.at(np.sqrt(_wide(area) * np.array([0.998, 1.002])))
    before, after = around[np.arange(len(cases)), off.coldest].T
    elasticity: Floats = torch_k * np.log(1.002 / 0.998) / np.maximum(after - before, 1e-12)
    return elasticity


def _hold_s(cases: HeatCases, responses: _Responses, heating: _Heating, mean_c: Floats) -> Floats:
    """From torch-off until the first point is back at its minimum [s].

    Solved for the heat content instead of the temperature, which follows the cooling better; the torch-off is that
    of its own curve. Torch-off is a second heating that begins then and is taken away.
    """
    local_c = cases.start_c + 0.7 * (mean_c - cases.start_c)
    conductivity = conductivity_wmk(local_c)
    specific_heat = specific_heat_jkgk(local_c)
    diffusivity = conductivity / (DENSITY_KG_M3 * specific_heat)
    biot_sixth = heating.loss_wm2k * cases.thickness_m / (6.0 * conductivity)
    holding_c = (mean_c + cases.minimum_c) / 2.0
    exchange = specific_heat / _mean_specific_heat(cases.air_c, holding_c)
    per_loss = 2.0 * exchange / (conductivity * cases.thickness_m * (1.0 + biot_sixth))
    start_jkg, air_jkg = enthalpy_jkg(cases.start_c), enthalpy_jkg(cases.air_c)
    curve = responses.curve(
        source=cases.flux_wm2 * (1.0 - biot_sixth) * specific_heat / (conductivity * responses.depth_m),
        away=air_jkg - start_jkg,
        damping=per_loss * heating.loss_wm2k,
        diffusivity=diffusivity,
    )
    on_s = np.minimum(curve.seconds_to(enthalpy_jkg(cases.target_c) - start_jkg).max(axis=1), LONGEST_S)
    on_area = (diffusivity * on_s)[:, None, None]

    cooler = cases.convection_wm2k + _radiation_wm2k(cases, holding_c)
    slower = per_loss * (cooler - heating.loss_wm2k)
    face_share = np.where(cases.both_faces, 1.0, 0.5)
    face_k = face_share * cooler * (cases.minimum_c - cases.air_c) * cases.thickness_m / (6.0 * conductivity)

    def above(root: Floats) -> Floats:
        """Heat content of each point above that of its minimum, at the roots after torch-off."""
        area = root**2
        left = (
            curve.at(np.sqrt(on_area + area))
            - curve.at(root)
            - _wide(air_jkg - start_jkg) * np.exp(-_wide(curve.damping) * area)
        )
        settled = 1.0 - np.exp(-(np.pi**2) * area / _wide(responses.depth_m) ** 2)
        level_c = _wide(cases.minimum_c) + _wide(face_k) * settled
        return left * np.exp(-_wide(slower) * area) - (enthalpy_jkg(level_c) - _wide(air_jkg))

    below = above(_NODES[None, None]) < 0.0
    panel = below[..., 1:].argmax(axis=-1)[..., None]
    root = _crossing(above, _NODES[panel], _NODES[panel + 1])[..., 0]
    hold = np.where(below[..., 1:].any(axis=-1), root**2 / diffusivity[:, None], np.inf).min(axis=1)
    return np.where(hold > LONGEST_S, np.inf, hold)


def _cooling_s(cases: HeatCases) -> Floats:
    """From the start, without heat, until steel of even temperature is down at its minimum [s]."""
    mean_c = (cases.start_c + cases.minimum_c) / 2.0
    conductivity = conductivity_wmk(mean_c)
    loss = cases.convection_wm2k + _radiation_wm2k(cases, mean_c)
    stored = DENSITY_KG_M3 * specific_heat_jkgk(mean_c) * cases.thickness_m
    per_s = 2.0 * loss / (stored * (1.0 + loss * cases.thickness_m / (6.0 * conductivity)))
    cools = (cases.minimum_c > cases.air_c) & (per_s > 0.0) & (cases.start_c >= cases.minimum_c)
    hold = np.full(len(cases), np.inf)
    fall = (cases.start_c[cools] - cases.air_c[cools]) / (cases.minimum_c[cools] - cases.air_c[cools])
    hold[cools] = np.log(fall) / per_s[cools]
    return np.where(hold > LONGEST_S, np.inf, hold)


def _mean_specific_heat(low_c: Floats, high_c: Floats) -> Floats:
    """Mean over the range [J/(kg K)]; Simpson's rule, exact for the standard's cubic."""
    middle = specific_heat_jkgk((low_c + high_c) / 2.0)
    return (specific_heat_jkgk(low_c) + 4.0 * middle + specific_heat_jkgk(high_c)) / 6.0


def _radiation_wm2k(cases: HeatCases, surface_c: Floats) -> Floats:
    """Radiation between a surface and surroundings at air temperature, as a coefficient (secant, Stefan-Boltzmann)."""
    surface_k, air_k = surface_c + KELVIN_0C, cases.air_c + KELVIN_0C
    return cases.emissivity * SIGMA_WM2K4 * (surface_k**2 + air_k**2) * (surface_k + air_k)


# The linear solution -------------------------------------------------------------------------------------------------
#
# Time appears as `root`, the square root of diffusivity x time [m]: the distance that heat has spread. In it the
# geometry is free of the properties, and the 1/sqrt(t) of a heated face is gone from the integrand.

_PANELS: Final = 32
_GRADE: Final = 3
_FARTHEST_M: Final = 1.35
"""Integration panels, narrow where the thickness counts; the last ends beyond `LONGEST_S` in the coldest steel."""

_NODES: Final = np.maximum(_FARTHEST_M * (np.arange(_PANELS + 1) / _PANELS) ** _GRADE, 1e-9)
_WIDTHS: Final = np.diff(_NODES)

_SAMPLES: Final = 3
"""Samples a panel: Lobatto's rule with 4 points, the last of which is the first of the next panel."""

_LOBATTO: Final = (1.0 - np.sqrt(0.2)) / 2.0
_ROOTS: Final = np.append(_NODES[:-1, None] + _WIDTHS[:, None] * np.array([0.0, _LOBATTO, 1.0 - _LOBATTO]), _NODES[-1])


@dataclass(frozen=True)
class _Frame:
    """The geometry's share in the solution, free of the steel's properties.

    Attributes:
        depth_m: from a torch face to what it has to warm: the thickness, or half of it where both faces are heated [n].
        through: response through the thickness, [n, k + 1, s]; last the middle of the torch face, the hottest metal.
        across, along: the two in-plane factors.
    """

    depth_m: Floats
    through: Floats
    across: _Axis
    along: _Axis


def _frame(cases: HeatCases) -> _Frame:
    """The geometry of the cases at all samples."""
    depth = np.where(cases.both_faces, cases.thickness_m / 2.0, cases.thickness_m)
    fourier = (_ROOTS / depth[:, None]) ** 2
    through = np.repeat(_through(fourier, 1.0)[:, None], cases.point_x_m.shape[1] + 1, axis=1)
    through[:, -1] = _through(fourier, 0.0)
    across = _axis(cases.point_x_m, cases.half_width_m, cases.edge_x_m)
    along = _axis(cases.point_y_m, cases.half_length_m, cases.edge_y_m)
    return _Frame(depth, through, across, along)


@dataclass(frozen=True)
class _Curve:
    """Rise of every point with `root`: values and slopes at the nodes, cubic Hermite pieces between them.

    `value` and `slope` are [n, k + 1, nodes]; `damping` [1/m2] is the loss, `diffusivity` [m2/s] makes time of area.
    """

    value: Floats
    slope: Floats
    damping: Floats
    diffusivity: Floats

    def at(self, root: Floats) -> Floats:
        """Values at roots of shape [n, 1 or k + 1, m]; beyond the last node the last value."""
        panel = (np.minimum(root / _FARTHEST_M, 1.0) ** (1.0 / _GRADE) * _PANELS).astype(np.intp)
        panel = np.minimum(panel, _PANELS - 1)
        return _hermite(np.clip((root - _NODES[panel]) / _WIDTHS[panel], 0.0, 1.0), *self._pieces(panel))

    def seconds_to(self, rise: Floats) -> Floats:
        """Time at which each point has risen by `rise` [n], as [n, k + 1]; inf beyond `LONGEST_S`; 0 for no rise."""
        passed = self.value >= _wide(rise)
        reached = passed.any(axis=-1, keepdims=True)
        wanted = np.where(reached, np.maximum(_wide(rise), 0.0), 0.0)
        panel = np.maximum(passed.argmax(axis=-1, keepdims=True) - 1, 0)
        pieces = self._pieces(panel)
        part = _crossing(lambda part: _hermite(part, *pieces) - wanted, np.zeros(panel.shape), np.ones(panel.shape))
        time_s = (_NODES[panel] + part * _WIDTHS[panel]) ** 2 / _wide(self.diffusivity)
        return np.where(reached & (time_s <= LONGEST_S), time_s, np.inf)[..., 0]

    def _pieces(self, panel: Ints) -> tuple[Floats, Floats, Floats, Floats]:
        """Values at both ends of panels, and slopes times the width."""
        n, k, nodes = self.value.shape
        low = np.arange(n * k).reshape(n, k, 1) * nodes + panel
        value, slope, width = self.value.ravel(), self.slope.ravel(), _WIDTHS[panel]
        return value[low], value[low + 1], slope[low] * width, slope[low + 1] * width


def _damping(edge_loss: Floats, thickness_m: Floats) -> Floats:
    """Loss of both faces [1/m2] from the loss over conductivity [1/m]; exact to first order in the Biot number."""
    return 2.0 * edge_loss / (thickness_m * (1.0 + edge_loss * thickness_m / 6.0))


def _edge_loss(damping: Floats, thickness_m: Floats) -> Floats:
    """The way back from `_damping`."""
    return damping * thickness_m / np.maximum(2.0 - damping * thickness_m**2 / 6.0, 0.1)


_LOSS_STEP: Final = 0.06
_LOSS_KNEE: Final = 0.05
_LOSS_STEPS: Final = 110
"""Grid of losses [1/m]: knee x (exp(step x i) - 1), from none to beyond a gale. Between two steps responses are mixed
in a straight line, which is good to 1e-4."""


class _Responses:
    """Responses to a unit flux of the distinct geometries among some cases, on the grid of losses.

    The response of a geometry depends on the loss alone, not on flux, temperatures or target: it is integrated when it
    is first asked for, and shared. `depth_m` is of each case, see `_Frame`.
    """

    def __init__(self, cases: HeatCases) -> None:
        first, self._geometry = _distinct(cases)
        self._thickness_m = cases.thickness_m[first]
        self._frame = _frame(cases.rows(first))
        self.depth_m = self._frame.depth_m[self._geometry]
        self._place = np.full((len(first), _LOSS_STEPS), -1, dtype=np.intp)
        shape = (0, self._frame.through.shape[1], len(_NODES))
        self._value, self._slope = np.empty(shape), np.empty(shape)

    def curve(self, source: Floats, away: Floats, damping: Floats, diffusivity: Floats) -> _Curve:
        """The heating of every case (all arguments [n]).

        Args:
            source: rise per diffusion area without loss or spread [K/m2, or J/kg per m2 for heat content].
            away: what the surroundings are above the start.
            damping: loss of the two faces [1/m2].
            diffusivity: [m2/s].
        """
        loss = _edge_loss(damping, self._thickness_m[self._geometry])
        position = np.minimum(np.log1p(loss / _LOSS_KNEE) / _LOSS_STEP, _LOSS_STEPS - 1.001)
        low = position.astype(np.intp)
        below, above = self._rows(low), self._rows(low + 1)
        share = _wide(position - low)
        to_air = np.exp(-_wide(damping) * _NODES**2)
        value = self._value[below] * (1.0 - share) + self._value[above] * share
        slope = self._slope[below] * (1.0 - share) + self._slope[above] * share
        return _Curve(
            value * _wide(source) + _wide(away) * (1.0 - to_air),
            slope * _wide(source) + _wide(away * damping) * 2.0 * _NODES * to_air,
            damping,
            diffusivity,
        )

    def _rows(self, step: Ints) -> Ints:
        """Where the response of each case at a step of the grid stands; integrates what is missing."""
        missing = np.unique(np.stack([self._geometry, step], axis=1)[self._place[self._geometry, step] < 0], axis=0)
        for first in range(0, len(missing), _AT_ONCE):
            geometry, steps = missing[first : first + _AT_ONCE].T
            value, slope = _respond(self._frame, geometry, _LOSS_KNEE * np.expm1(_LOSS_STEP * steps), self._thickness_m)
            self._place[geometry, steps] = len(self._value) + np.arange(len(geometry))
            self._value = np.concatenate([self._value, value])
            self._slope = np.concatenate([self._slope, slope])
        return self._place[self._geometry, step]


_AT_ONCE: Final = 96
"""Responses integrated at once: few enough to stay in the processor's cache."""


def _respond(frame: _Frame, rows: Ints, edge_loss: Floats, thickness_m: Floats) -> tuple[Floats, Floats]:
    """Integrate the response of geometries `rows` to a unit source, each with its loss: values and slopes at the nodes.

    Args:
        frame: samples and kernel of all geometries.
        rows: geometries, with repeats.
        edge_loss: loss over conductivity of each of `rows` [1/m].
        thickness_m: of all geometries.
    """
    damping = _damping(edge_loss, thickness_m[rows])
    kernel = frame.through[rows] * frame.across.spread(rows, edge_loss) * frame.along.spread(rows, edge_loss)
    kernel *= 2.0 * _ROOTS * np.exp(-_wide(damping) * _ROOTS**2)
    ends = kernel[..., ::_SAMPLES]
    panels = ends[..., :-1] + ends[..., 1:] + 5.0 * (kernel[..., 1::_SAMPLES] + kernel[..., 2::_SAMPLES])
    value = np.zeros(ends.shape)
    np.cumsum(panels * _WIDTHS / 12.0, axis=-1, out=value[..., 1:])
    return value, ends.copy()


def _through(fourier: Floats, depth: float) -> Floats:
    """Response at relative `depth` to a pulse on the heated face, the other insulated; 1 when evened out."""
    early = np.zeros_like(fourier)
    for image in (0.0, -2.0, 2.0):
        early += np.exp(-((depth + image) ** 2) / (4.0 * fourier))
    late = np.ones_like(fourier)
    for n in (1, 2):
        late += 2.0 * np.cos(n * np.pi * depth) * np.exp(-((n * np.pi) ** 2) * fourier)
    return np.where(fourier < 0.16, early / np.sqrt(np.pi * fourier), late)


_TERMS: Final = 7
"""Terms of the edge series; with `_EARLY` the rest is below 1e-5."""

_EARLY: Final = 0.15
"""Below this share of the edge distance the other edge is not felt and the half-space solution holds to 3e-6."""


@dataclass(frozen=True)
class _Axis:
    """One in-plane factor: the share of the source's heat found at points [n, k].

    `inside` is the factor of a plate without edge, [n, k, s]. `edged` are the rows that have a free edge, and what
    follows is of these rows: point, half the heated length, edge, and for the early samples the reflected distance
    over twice the root and its Gaussian; there `inside` holds all of the early factor but what follows the loss.
    """

    inside: Floats
    edged: Ints
    point: Floats
    half: Floats
    edge: Floats
    reflected: Floats
    gauss: Floats

    def spread(self, rows: Ints, edge_loss: Floats) -> Floats:
        """The factor of `rows`, [rows, k, s], for edges with a loss over conductivity of `edge_loss` [rows]."""
        spread = self.inside[rows]
        with_edge = np.flatnonzero(np.isin(rows, self.edged))
        if not len(with_edge):
            return spread
        at = np.searchsorted(self.edged, rows[with_edge])
        point, half, edge, loss = self.point[at], self.half[at], self.edge[at], _wide(edge_loss[with_edge])
        # Half-space with a free edge (Carslaw & Jaeger 14.2): the source's image less what the edge has lost.
        samples = self.gauss.shape[-1]
        lost = self.gauss[at] * _scaled_erfc(self.reflected[at] + loss * _ROOTS[:samples])
        early = spread[with_edge, :, :samples] + lost
        # Both edges (Carslaw & Jaeger 3.11): beta tan(beta) = Biot number.
        beta = _edge_roots(loss[:, 0] * edge[:, 0])[:, None]
        sine = np.sin(beta * half / edge)
        weight = 2.0 * sine * np.cos(beta * point / edge) / (beta + np.sin(beta) * np.cos(beta))
        late = weight @ np.exp(-((beta.transpose(0, 2, 1) * _ROOTS / edge) ** 2))
        late[..., :samples] = np.where(_EARLY * edge > _ROOTS[:samples], early, late[..., :samples])
        spread[with_edge] = late
        return spread


def _axis(point: Floats, half: Floats, edge: Floats) -> _Axis:
    """One in-plane factor for points [n, k], with the middle added as last point."""
    point = np.concatenate([point, np.zeros((len(point), 1))], axis=1)[..., None]
    half = _wide(half)
    spread = 2.0 * _ROOTS
    inside = 0.5 * (_erf((half - point) / spread) + _erf((half + point) / spread))

    edged = np.flatnonzero(np.isfinite(edge))
    point, half, edge = point[edged], half[edged], _wide(edge[edged])
    samples = np.searchsorted(_ROOTS, _EARLY * edge.max(initial=0.0))
    reflected = (2.0 * edge - point - half) / spread[:samples]
    gauss = np.exp(-(reflected**2))
    inside[edged, :, :samples] -= 0.5 * gauss * _scaled_erfc(reflected)
    return _Axis(inside, edged, point, half, edge, reflected, gauss)


def _edge_roots(biot: Floats) -> Floats:
    """The first `_TERMS` roots of beta tan(beta) = biot, [n, terms], for biot [n, 1]; Newton's method."""
    biot = np.maximum(biot, 1e-9)
    order = np.pi * np.arange(_TERMS)
    beta: Floats = order + np.concatenate([np.sqrt(biot / (1.0 + biot / 3.0)), biot / (biot + order[1:])], axis=1)
    for _ in range(3):
        beta -= (beta - order - np.arctan2(biot, beta)) / (1.0 + biot / (beta**2 + biot**2))
    return beta


_ERFC: Final = (-1.453152027, 1.421413741, -0.284496736, 0.254829592)
"""Abramowitz & Stegun 7.1.26 from the second-highest power of t down, from memory; the highest is in the function."""


def _scaled_erfc(x: Floats) -> Floats:
    """exp(x^2) erfc(x) for x >= 0; times exp(-x^2) it is erfc to 1.5e-7 (Abramowitz & Stegun 7.1.26)."""
    t = 1.0 / (1.0 + 0.3275911 * x)
    result: Floats = 1.061405429 * t
    for coefficient in _ERFC:
        result += coefficient
        result *= t
    return result


def _erf(x: Floats) -> Floats:
    """Error function to 1.5e-7."""
    return np.copysign(1.0 - _scaled_erfc(np.abs(x)) * np.exp(-(x**2)), x)


def _hermite(part: Floats, low: Floats, high: Floats, low_slope: Floats, high_slope: Floats) -> Floats:
    """Cubic through two values with two slopes, at `part` 0 to 1 of the way."""
    step = high - low
    bend = low_slope - step + part * (2.0 * step - low_slope - high_slope)
    return low + part * (step + (1.0 - part) * bend)


def _crossing(function: Callable[[Floats], Floats], low: Floats, high: Floats) -> Floats:
    """Root between `low` and `high` where the function changes sign, by the Illinois form of false position."""
    a, b = low, high
    at_a, at_b = function(a), function(b)
    for _ in range(8):
        fall = at_b - at_a
        c = np.clip(b - at_b * (b - a) / np.where(fall == 0.0, 1.0, fall), low, high)
        at_c = function(c)
        turned = at_c * at_b < 0.0
        a, at_a = np.where(turned, b, a), np.where(turned, at_b, at_a / 2.0)
        b, at_b = c, at_c
    return b


def _wide(values: Floats) -> Floats:
    """Values [n] as [n, 1, 1]."""
    return values[:, None, None]
