"""Heating a joint by three-dimensional finite elements: a check from outside for the heating engine.

Nothing here comes from `frostshift_rules`. scikit-fem makes the elements and their integrals, scipy solves; the steel
and the equations are typed anew from their sources:

- heat content and conduction of carbon steel: EN 1993-1-2:2005, 3.4.1.2 and 3.4.1.3, 20 to 600 °C, run on below 20 °C
  without a clamp;
- the balance of heat, on triquadratic hexahedra (biquadratic quadrilaterals for the axisymmetric tube):
  d/dt (heat content) = conduction + torch - convection - grey radiation. The conductivity is linear in the temperature,
  so its integral (Kirchhoff's transform; Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, 1.6, from
  memory) makes conduction linear: one matrix does for all times. Heat content and surfaces are integrated with the
  nodes as points (a lumped mass); for these elements that is Simpson's rule, all weights positive;
- time: TR-BDF2, of second order and L-stable (Bank et al. 1985; Hosea & Shampine 1996, from memory). Its stages are
  taken for the heat content, so that heat put in = heat stored + heat lost holds to the tolerance of Newton's method.

SI units; temperatures in °C. Every plane that is not named as open is a plane of symmetry or a cut far away: no heat
passes. The torch brings its net flux beside, not instead of, the loss of the face it heats.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import skfem
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline
from scipy.optimize import brentq
from scipy.sparse import coo_array, csr_array
from scipy.sparse.linalg import LinearOperator, cg
from skfem.helpers import dot, grad

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Where = Callable[[Floats], Bools]
"""Which points of shape [dimensions, n] belong."""

DENSITY_KG_M3: Final = 7850.0
STEFAN_BOLTZMANN_WM2K4: Final = 5.670374419e-8
TOUCH_M: Final = 1e-7

# Steel ----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Steel:
    """Specific heat as a polynomial [J/(kg K)] and conductivity as a line [W/(m K)], lowest power of °C first."""

    specific_heat: tuple[float, ...] = (425.0, 7.73e-1, -1.69e-3, 2.22e-6)
    conductivity: tuple[float, float] = (54.0, -3.33e-2)

    def specific_heat_jkgk(self, t_c: Floats) -> Floats:
        return np.polynomial.polynomial.polyval(t_c, self.specific_heat)

    def content_jkg(self, t_c: Floats) -> Floats:
        """Heat content over that at 0 °C."""
        return np.polynomial.polynomial.polyval(t_c, np.polynomial.polynomial.polyint(self.specific_heat))

    def conductivity_wmk(self, t_c: Floats) -> Floats:
        return self.conductivity[0] + self.conductivity[1] * t_c

    def conduction_wm(self, t_c: Floats) -> Floats:
        """Integral of the conductivity from 0 °C."""
        return self.conductivity[0] * t_c + self.conductivity[1] * t_c**2 / 2.0


CARBON_STEEL: Final = Steel()

# Shape ----------------------------------------------------------------------------------------------------------------


def lines(fine_m: dict[float, float], *marks_m: float, growth: float = 0.5) -> Floats:
    """Grid lines through all marks; wanted widths at some of them, growing with the distance from these.

    Args:
        fine_m: mark to the width of an element there [m].
        marks_m: further marks.
        growth: an element this far from a fine mark is wider by `growth` x distance.
    """
    at, width = np.array(list(fine_m)), np.array(list(fine_m.values()))
    marks = sorted({*fine_m, *marks_m})
    grid = [marks[0]]
    for low, high in zip(marks, marks[1:], strict=False):
        if high - low > TOUCH_M:
            fine = np.linspace(low, high, 400)
            density = 1.0 / (width + growth * np.abs(fine[:, None] - at)).min(axis=1)
            count = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2.0 * np.diff(fine))])
            parts = max(1, round(count[-1] + 0.2))
            grid.extend(np.interp(np.arange(1, parts) / parts * count[-1], count, fine))
            grid.append(high)
    return np.array(grid)


@dataclass(frozen=True)
class Box:
    """Steel between two corners; boxes of one body are one piece, bodies meet over a gap or not at all."""

    low: tuple[float, ...]
    high: tuple[float, ...]
    body: int = 0

    def holds(self, at: Floats) -> Bools:
        low, high = np.array(self.low)[:, None], np.array(self.high)[:, None]
        return np.all((at > low) & (at < high), axis=0)


@dataclass(frozen=True)
class Model:
    """A shape as the numbers its balance of heat needs, for the n nodes of its elements.

    Attributes:
        at_m: of each node, shape [dimensions, n].
        body: of each node.
        stiffness_m: integral of grad u . grad v, shape [n, n].
        volume_m3: of steel that belongs to each node.
        open_m2: of surface that loses heat to the air.
        torch_m2: of surface that the torch heats.
        gap_wk: conductance across the gap between bodies, as a matrix [n, n].
    """

    at_m: Floats
    body: NDArray[np.intp]
    stiffness_m: csr_array
    volume_m3: Floats
    open_m2: Floats
    torch_m2: Floats
    gap_wk: csr_array


@skfem.BilinearForm
def _conduction(u: object, v: object, w: skfem.FormExtraParams) -> Floats:
    return dot(grad(u), grad(v))


@skfem.LinearForm
def _extent(v: Floats, w: skfem.FormExtraParams) -> Floats:
    return v


@skfem.BilinearForm
def _conduction_round(u: object, v: object, w: skfem.FormExtraParams) -> Floats:
    return 2.0 * np.pi * w.x[1] * dot(grad(u), grad(v))


@skfem.LinearForm
def _extent_round(v: Floats, w: skfem.FormExtraParams) -> Floats:
    return 2.0 * np.pi * w.x[1] * v


def make_model(
    grids: Sequence[Floats],
    boxes: Sequence[Box],
    *,
    is_open: Where,
    torch: Where,
    gap: Where | None = None,
    gap_m2kw: float = 0.0,
    axisymmetric: bool = False,
) -> Model:
    """Fill boxes with elements on a rectilinear grid and integrate over them with scikit-fem.

    Args:
        grids: grid lines along each axis; with three axes x, y, z, with two (tube) along the axis and the radius.
        boxes: their faces must lie on grid lines.
        is_open: of the middles of outer faces, those that lose heat to the air.
        torch: of the middles of outer faces, those that the torch heats.
        gap: of the middles of outer faces, those of body 0 from which heat passes to body 1, which lies against them
            with like nodes. No such face is open on either side.
        gap_m2kw: resistance of the gap [m2 K/W].
        axisymmetric: integrate round the axis, the whole girth.
    """
    kind, element = (skfem.MeshQuad, skfem.ElementQuad2()) if len(grids) == 2 else (skfem.MeshHex, skfem.ElementHex2())
    whole = kind.init_tensor(*grids)
    middles = whole.p[:, whole.t].mean(axis=1)
    points, corners, bodies, first = [], [], [], 0
    for body in sorted({box.body for box in boxes}):
        inside = np.any([box.holds(middles) for box in boxes if box.body == body], axis=0)
        used, renamed = np.unique(whole.t[:, inside], return_inverse=True)
        points.append(whole.p[:, used])
        corners.append(renamed.reshape(whole.t.shape[0], -1) + first)
        bodies.append(np.full(int(inside.sum()), body))
        first += len(used)
    mesh = kind(np.ascontiguousarray(np.hstack(points)), np.ascontiguousarray(np.hstack(corners)))

    conduction, extent = (_conduction_round, _extent_round) if axisymmetric else (_conduction, _extent)
    basis = skfem.Basis(mesh, element, intorder=4)
    owner = np.empty(basis.N, dtype=np.intp)
    owner[basis.element_dofs] = np.concatenate(bodies)
    faces = mesh.boundary_facets()
    face_middles = mesh.p[:, mesh.facets[:, faces]].mean(axis=1)
    face_owner = np.concatenate(bodies)[mesh.f2t[0, faces]]

    def area(chosen: Bools) -> Floats:
        if not chosen.any():
            return np.zeros(basis.N)
        return np.asarray(extent.assemble(skfem.FacetBasis(mesh, element, facets=faces[chosen], intorder=4)))

    in_gap = np.zeros(len(faces), dtype=bool) if gap is None else gap(face_middles)
    model = Model(
        at_m=basis.doflocs,
        body=owner,
        stiffness_m=csr_array(conduction.assemble(basis)),
        volume_m3=np.asarray(extent.assemble(basis)),
        open_m2=area(is_open(face_middles) & ~in_gap),
        torch_m2=area(torch(face_middles) & ~in_gap),
        gap_wk=_gap(basis.doflocs, owner, area(in_gap & (face_owner == 0)), gap_m2kw),
    )
    assert model.volume_m3.min() > 0.0
    return model


def _gap(at_m: Floats, owner: NDArray[np.intp], area_m2: Floats, gap_m2kw: float) -> csr_array:
    """Conductance between the nodes of body 0 in the gap and those of body 1 at the same places."""
    n = len(owner)
    here = np.flatnonzero(area_m2 > 1e-9 * area_m2.max())
    if not len(here):
        return csr_array((n, n))
    others = np.flatnonzero(owner == 1)
    apart = np.abs(at_m[:, here, None] - at_m[:, None, others]).max(axis=0)
    assert apart.min(axis=1).max() < TOUCH_M, "the bodies do not meet node on node"
    there = others[apart.argmin(axis=1)]
    passes = area_m2[here] / gap_m2kw
    values = np.concatenate([passes, passes, -passes, -passes])
    rows, columns = np.concatenate([here, there, here, there]), np.concatenate([here, there, there, here])
    return csr_array(coo_array((values, (rows, columns)), shape=(n, n)))


# Time -----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Weather:
    """What surrounds the steel, and the steel before the torch is lit."""

    air_c: float
    convection_wm2k: float
    start_c: float
    emissivity: float = 0.8


@dataclass
class _State:
    """The steel at one time."""

    time_s: float
    steel_c: Floats
    into_w: Floats
    """Heat that flows into each node."""
    loss_w: float
    lost_in_step_j: float = 0.0
    """Loss over the step that led here."""


class March:
    """Steps in time of one model; keeps the balance of heat since its start."""

    def __init__(self, model: Model, weather: Weather, flux_wm2: float, steel: Steel = CARBON_STEEL) -> None:
        self.model, self.weather, self.flux_wm2, self.steel = model, weather, flux_wm2, steel
        self.mass_kg = DENSITY_KG_M3 * model.volume_m3
        self.stiffness_diagonal_m, self.gap_diagonal_wk = model.stiffness_m.diagonal(), model.gap_wk.diagonal()
        self.start_c = np.full(len(self.mass_kg), float(weather.start_c))
        self.put_in_j = self.lost_j = 0.0
        self.state = self._at(0.0, self.start_c)

    def _loss_w(self, steel_c: Floats) -> Floats:
        weather = self.weather
        radiation = (steel_c + 273.15) ** 4 - (weather.air_c + 273.15) ** 4
        loss = weather.convection_wm2k * (steel_c - weather.air_c)
        return self.model.open_m2 * (loss + weather.emissivity * STEFAN_BOLTZMANN_WM2K4 * radiation)

    def _at(self, time_s: float, steel_c: Floats) -> _State:
        loss = self._loss_w(steel_c)
        conduction = self.model.stiffness_m @ self.steel.conduction_wm(steel_c)
        into = self.flux_wm2 * self.model.torch_m2 - loss - conduction - self.model.gap_wk @ steel_c
        return _State(time_s, steel_c, into, float(loss.sum()))

    def switch(self, flux_wm2: float) -> None:
        """Light the torch or turn it off."""
        self.flux_wm2 = flux_wm2
        self.state = self._at(self.state.time_s, self.state.steel_c)

    def stored_j(self) -> float:
        rise = self.steel.content_jkg(self.state.steel_c) - self.steel.content_jkg(self.start_c)
        return float(self.mass_kg @ rise)

    def imbalance(self) -> float:
        """Heat put in that is neither stored nor lost, as a share of all that moved."""
        return float(self.put_in_j - self.stored_j() - self.lost_j) / max(self.put_in_j, abs(self.lost_j), 1e-9)

    def rate_ks(self, state: _State) -> Floats:
        return state.into_w / (self.mass_kg * self.steel.specific_heat_jkgk(state.steel_c))

    def step(self, seconds: float) -> _State:
        """The state one step on (TR-BDF2); `take` makes it the present one."""
        old = self.state
        share, rest = 1.0 - np.sqrt(0.5), np.sqrt(2.0) / 4.0
        content = self.mass_kg * self.steel.content_jkg(old.steel_c)
        guess = old.steel_c + np.clip(2.0 * share * seconds * self.rate_ks(old), -20.0, 20.0)
        part = self._implicit(content + share * seconds * old.into_w, share * seconds, guess)
        guess = old.steel_c + (part.steel_c - old.steel_c) / (2.0 * share)
        new = self._implicit(content + rest * seconds * (old.into_w + part.into_w), share * seconds, guess)
        new.time_s = old.time_s + seconds
        new.lost_in_step_j = seconds * (rest * (old.loss_w + part.loss_w) + share * new.loss_w)
        return new

    def take(self, new: _State) -> None:
        """Go on to a state that `step` made of the present one."""
        self.put_in_j += self.flux_wm2 * float(self.model.torch_m2.sum()) * (new.time_s - self.state.time_s)
        self.lost_j += float(new.lost_in_step_j)
        self.state = new

    def _implicit(self, known_j: Floats, seconds: float, steel_c: Floats) -> _State:
        """Solve content(T) = known + seconds x heat flow(T) by Newton's method, for the integral of conductivity."""
        model, steel, weather = self.model, self.steel, self.weather
        for _ in range(20):
            state = self._at(0.0, steel_c)
            residual = known_j + seconds * state.into_w - self.mass_kg * steel.content_jkg(steel_c)
            radiation = 4.0 * weather.emissivity * STEFAN_BOLTZMANN_WM2K4 * (steel_c + 273.15) ** 3
            loss = model.open_m2 * (weather.convection_wm2k + radiation)
            conductivity = steel.conductivity_wmk(steel_c)
            diagonal = (self.mass_kg * steel.specific_heat_jkgk(steel_c) + seconds * loss) / conductivity
            moved = self._solve_linear(diagonal, seconds, float(conductivity.mean()), residual) / conductivity
            steel_c = steel_c + moved
            if np.abs(moved).max() < 3e-4:
                return self._at(0.0, steel_c)
        raise AssertionError("Newton's method did not settle")

    def _solve_linear(self, diagonal: Floats, seconds: float, conductivity_wmk: float, residual: Floats) -> Floats:
        """Newton's linear system, by conjugate gradients; the gap sees one conductivity, which keeps it symmetric."""
        model, n, gap = self.model, len(diagonal), seconds / conductivity_wmk
        scale = 1.0 / (diagonal + seconds * self.stiffness_diagonal_m + gap * self.gap_diagonal_wk)

        def matrix(u: Floats) -> Floats:
            product = diagonal * u + seconds * (model.stiffness_m @ u)
            return product + gap * (model.gap_wk @ u) if model.gap_wk.nnz else product

        solution, failed = cg(
            LinearOperator((n, n), matvec=matrix),
            residual,
            rtol=1e-3,
            atol=0.0,
            maxiter=2000,
            M=LinearOperator((n, n), matvec=lambda u: scale * u),
        )
        assert failed == 0
        return np.asarray(solution)


@dataclass(frozen=True)
class Answer:
    """What a heating came to; each time is from light-up, `inf` where it never came.

    Attributes:
        to_minimum_s, to_target_s: of each zone, until all its nodes have the minimum, the target [s].
        off_s: torch off: every zone has its target [s].
        hold_s: from torch-off until the first node of a zone is below the minimum again [s].
        hottest_c, hottest_m: hottest metal at torch-off, its temperature [°C] and place [m].
        coldest_m: of each zone, the node that is coldest when that zone gets its target.
        coldest_c: of each zone, at torch-off [°C].
        imbalance: heat that is neither stored nor lost over heating and hold, as a share of the heat put in.
        put_in_j, lost_j: net heat of the torch and loss up to torch-off, of the part that is modelled [J].
        steps, nodes: size of the computation.
    """

    to_minimum_s: dict[str, float]
    to_target_s: dict[str, float]
    off_s: float
    hold_s: float
    hottest_c: float
    hottest_m: tuple[float, ...]
    coldest_m: dict[str, tuple[float, ...]]
    coldest_c: dict[str, float]
    imbalance: float
    put_in_j: float
    lost_j: float
    steps: int
    nodes: int


@dataclass(frozen=True)
class Job:
    """A shape to be heated, and the zones of it that must be warm, as masks over its nodes."""

    model: Model
    zones: dict[str, Bools]
    weather: Weather
    flux_wm2: float
    minimum_c: float
    target_c: float
    steel: Steel = field(default=CARBON_STEEL)


def solve(job: Job, *, growth: float = 0.1, first_s: float = 0.5, hold: bool = True, longest_s: float = 4e4) -> Answer:
    """Heat until every zone has its target, then cool until one is below its minimum.

    Args:
        job: what to heat.
        growth: each step is this share of the time since the torch was lit or turned off, and at least `first_s`.
        first_s: the first step [s].
        hold: cool down too.
        longest_s: give up heating, or cooling, after this time [s].
    """
    march = March(job.model, job.weather, job.flux_wm2, job.steel)
    to_minimum: dict[str, float] = dict.fromkeys(job.zones, np.inf)
    to_target: dict[str, float] = dict.fromkeys(job.zones, np.inf)
    coldest: dict[str, tuple[float, ...]] = {}
    steps, off_s = 0, np.inf
    while off_s == np.inf and march.state.time_s < longest_s:
        old = march.state
        new = march.step(max(first_s, growth * old.time_s))
        steps += 1
        for name, zone in job.zones.items():
            for goal, found in ((job.minimum_c, to_minimum), (job.target_c, to_target)):
                if found[name] == np.inf and new.steel_c[zone].min() >= goal:
                    found[name] = _crossing(march, old, new, zone, goal)
            if np.isfinite(to_target[name]) and name not in coldest:
                coldest[name] = _place(job.model, int(np.flatnonzero(zone)[new.steel_c[zone].argmin()]))
        if max(to_target.values()) < np.inf:
            off_s = max(to_target.values())
            new = march.step(off_s - old.time_s)
        march.take(new)
    steel_c, put_in_j, lost_j = march.state.steel_c, march.put_in_j, march.lost_j

    hold_s = np.inf if np.isfinite(off_s) else np.nan
    march.switch(0.0)
    while hold and hold_s == np.inf and march.state.time_s < off_s + longest_s:
        old = march.state
        new = march.step(max(first_s, growth * (old.time_s - off_s)))
        steps += 1
        below = [zone for zone in job.zones.values() if new.steel_c[zone].min() < job.minimum_c]
        if below:
            hold_s = min(_crossing(march, old, new, zone, job.minimum_c) for zone in below) - off_s
        march.take(new)
    return Answer(
        to_minimum_s=to_minimum,
        to_target_s=to_target,
        off_s=off_s,
        hold_s=hold_s,
        hottest_c=float(steel_c.max()),
        hottest_m=_place(job.model, int(steel_c.argmax())),
        coldest_m=coldest,
        coldest_c={name: float(steel_c[zone].min()) for name, zone in job.zones.items()},
        imbalance=march.imbalance(),
        put_in_j=put_in_j,
        lost_j=lost_j,
        steps=steps,
        nodes=len(steel_c),
    )


def _place(model: Model, node: int) -> tuple[float, ...]:
    return tuple(float(value) for value in model.at_m[:, node].round(6))


def _crossing(march: March, old: _State, new: _State, zone: Bools, goal_c: float) -> float:
    """When the coldest node of a zone passes a temperature within a step, by cubics with the rates at both ends."""
    path = CubicHermiteSpline(
        [old.time_s, new.time_s],
        np.array([old.steel_c[zone], new.steel_c[zone]]),
        np.array([march.rate_ks(old)[zone], march.rate_ks(new)[zone]]),
    )
    over = lambda time: float(path(time).min()) - goal_c  # noqa: E731
    if over(old.time_s) * over(new.time_s) > 0.0:  # it stood there already
        return old.time_s
    return float(brentq(over, old.time_s, new.time_s, xtol=1e-6))


# Joints ---------------------------------------------------------------------------------------------------------------


def _on(value_m: Floats, plane_m: float) -> Bools:
    return np.abs(value_m - plane_m) < TOUCH_M


BEYOND_M: Final = 1.0
"""Steel that goes on is cut, without loss, this far beyond what is heated."""


@dataclass(frozen=True)
class FlatJoint:
    """A flat plate, weld on x = 0 along y, its middle at y = 0; the torch on z = 0. See `HeatCases` of the engine.

    `edge_x_m`, `edge_y_m`: free edges; None where the plate goes on. The zone is all metal within `extent_m` of the
    weld: rounded at the ends of a weld of half length `half_weld_m`, straight where that reaches the edge. Where
    `square_zone_m` is given, it is |x| < first, |y| < second instead.
    """

    thickness_m: float
    half_width_m: float
    half_length_m: float
    half_weld_m: float
    extent_m: float
    flux_wm2: float
    minimum_c: float
    target_c: float
    weather: Weather
    both_faces: bool = False
    edge_x_m: float | None = None
    edge_y_m: float | None = None
    square_zone_m: tuple[float, float] | None = None


def flat_job(joint: FlatJoint, *, spacing_m: float = 0.04, layers: int = 2, growth: float = 0.45) -> Job:
    """A quarter of a flat plate, and half its thickness where both faces are heated."""
    depth = joint.thickness_m / 2.0 if joint.both_faces else joint.thickness_m
    w, v = joint.half_width_m, joint.half_length_m
    end_x, end_y = joint.edge_x_m or w + BEYOND_M, joint.edge_y_m or v + BEYOND_M
    slant = joint.extent_m * np.sqrt(0.5)
    edge_to_edge = joint.edge_y_m is not None and joint.half_weld_m >= joint.edge_y_m - TOUCH_M
    if joint.square_zone_m:
        at_x, at_y = (0.0, joint.square_zone_m[0], w), (0.0, joint.square_zone_m[1], v)
    elif edge_to_edge:
        at_x, at_y = (0.0, joint.extent_m, w), (0.0, v)
    else:
        along = joint.half_weld_m
        at_x, at_y = (0.0, slant, joint.extent_m, w), (0.0, along, along + slant, along + joint.extent_m, v)
    grids = [
        lines(dict.fromkeys(at_x, spacing_m), end_x, growth=growth),
        lines(dict.fromkeys(at_y, spacing_m), end_y, growth=growth),
        np.linspace(0.0, depth, layers + 1),
    ]

    def is_open(at: Floats) -> Bools:
        x, y, z = at
        faces = _on(z, 0.0) | (_on(z, depth) & (not joint.both_faces))
        edge_x = _on(x, end_x) & (joint.edge_x_m is not None)
        edge_y = _on(y, end_y) & (joint.edge_y_m is not None)
        return faces | edge_x | edge_y

    model = make_model(
        grids,
        [Box((0.0, 0.0, 0.0), (end_x, end_y, depth))],
        is_open=is_open,
        torch=lambda at: _on(at[2], 0.0) & (at[0] < w) & (at[1] < v),
    )
    x, y, _ = model.at_m
    if joint.square_zone_m:
        zone = (x < joint.square_zone_m[0] + TOUCH_M) & (y < joint.square_zone_m[1] + TOUCH_M)
    else:
        zone = np.hypot(x, np.maximum(y - joint.half_weld_m, 0.0)) < joint.extent_m + TOUCH_M
    return Job(model, {"plate": zone}, joint.weather, joint.flux_wm2, joint.minimum_c, joint.target_c)


@dataclass(frozen=True)
class FlangeSplice:
    """Two like flanges with webs, butt welded: weld on x = 0 across the flange, the member along x.

    The flange is |y| < width / 2, 0 < z < thickness; the web stands behind its middle, |y| < web / 2, down to
    z = thickness + web depth, where it is cut without loss (or open). The torch heats the outer face z = 0, |x| <
    half_width, from edge to edge. The zone is the flange within `extent_m` of the weld; the web is no part of it.
    """

    width_m: float
    thickness_m: float
    web_m: float
    web_depth_m: float
    half_width_m: float
    extent_m: float
    flux_wm2: float
    minimum_c: float
    target_c: float
    weather: Weather
    web_end_open: bool = False


def flange_splice_job(splice: FlangeSplice, *, spacing_m: float = 0.04, layers: int = 2, growth: float = 0.6) -> Job:
    """A quarter: half the section, one side of the weld."""
    half, thickness, half_web = splice.width_m / 2.0, splice.thickness_m, splice.web_m / 2.0
    end_x, foot = splice.half_width_m + BEYOND_M, splice.thickness_m + splice.web_depth_m
    grids = [
        lines(dict.fromkeys((0.0, splice.extent_m, splice.half_width_m), spacing_m), end_x, growth=growth),
        lines({0.0: half_web, half_web: half_web, half: spacing_m}, growth=growth),
        np.concatenate(
            [np.linspace(0.0, thickness, layers + 1)[:-1], lines({thickness: half_web}, foot, growth=growth)]
        ),
    ]

    def is_open(at: Floats) -> Bools:
        x, y, z = at
        no_loss = _on(x, 0.0) | _on(x, end_x) | _on(y, 0.0) | (_on(z, foot) & (not splice.web_end_open))
        return ~no_loss

    model = make_model(
        grids,
        [Box((0.0, 0.0, 0.0), (end_x, half, thickness)), Box((0.0, 0.0, thickness), (end_x, half_web, foot))],
        is_open=is_open,
        torch=lambda at: _on(at[2], 0.0) & (at[0] < splice.half_width_m),
    )
    zone = (model.at_m[0] < splice.extent_m + TOUCH_M) & (model.at_m[2] < thickness + TOUCH_M)
    return Job(model, {"flange": zone}, splice.weather, splice.flux_wm2, splice.minimum_c, splice.target_c)


@dataclass(frozen=True)
class Butt:
    """Two flat parts of unlike thickness, one piece, end to end on x = 0; torch faces flush on z = 0.

    Part `a` lies at x < 0, part `b` at x > 0, each |y| < width / 2 and as deep as it is thick. The torch heats |x| <
    half_width from edge to edge until both are warm. The zones are each part within `extent_m` of the weld.
    """

    a_m: float
    b_m: float
    width_m: float
    half_width_m: float
    extent_m: float
    flux_wm2: float
    minimum_c: float
    target_c: float
    weather: Weather


def butt_job(butt: Butt, *, spacing_m: float = 0.04, layers: int = 2, growth: float = 0.6) -> Job:
    """A half, across the weld."""
    half, end = butt.width_m / 2.0, butt.half_width_m + BEYOND_M
    thin, thick = sorted((butt.a_m, butt.b_m))
    along = lines({0.0: spacing_m / 2.0, butt.extent_m: spacing_m, butt.half_width_m: spacing_m}, end, growth=growth)
    through = np.linspace(0.0, thin, layers + 1)
    if thick > thin:
        deeper = max(2, round((thick - thin) / (thin / layers)))
        through = np.concatenate([through, np.linspace(thin, thick, deeper + 1)[1:]])
    grids = [
        np.concatenate([-along[::-1], along[1:]]),
        lines({0.0: spacing_m, half: spacing_m}, growth=growth),
        through,
    ]

    def is_open(at: Floats) -> Bools:
        x, y, _ = at
        return ~(_on(np.abs(x), end) | _on(y, 0.0))

    model = make_model(
        grids,
        [Box((-end, 0.0, 0.0), (0.0, half, butt.a_m)), Box((0.0, 0.0, 0.0), (end, half, butt.b_m))],
        is_open=is_open,
        torch=lambda at: _on(at[2], 0.0) & (np.abs(at[0]) < butt.half_width_m),
    )
    x, _, z = model.at_m
    zones = {
        "a": (x < TOUCH_M) & (x > -butt.extent_m - TOUCH_M) & (z < butt.a_m + TOUCH_M),
        "b": (x > -TOUCH_M) & (x < butt.extent_m + TOUCH_M) & (z < butt.b_m + TOUCH_M),
    }
    return Job(model, zones, butt.weather, butt.flux_wm2, butt.minimum_c, butt.target_c)


@dataclass(frozen=True)
class Tee:
    """The end of a beam's flange on the face of a column's flange: `meta.tee` of fixtures/reference/heating.json.

    x along the column, y across it, z along the beam. Column flange -column_m < z < 0, |y| < column_width / 2, its web
    behind its middle, 0.30 m deep and cut there without loss. Beam flange |x| < beam_m / 2, |y| < beam_width / 2,
    z > 0; its web under it (x < 0) from z = web_gap on, 0.35 m deep and open below. The torch heats the column's face
    over beam_m / 2 < |x| < beam_m / 2 + half_width over its full width, and the top of the beam's flange over
    z < half_width. `gap_m2kw`: resistance between beam and column, 0 where they are one piece. The zones are column
    flange |x| < beam_m / 2 + extent, |y| < beam_width / 2 + extent, and beam flange z < extent; webs are no part.
    """

    column_m: float
    column_width_m: float
    column_web_m: float
    beam_m: float
    beam_width_m: float
    beam_web_m: float
    gap_m2kw: float
    half_width_m: float
    extent_m: float
    flux_wm2: float
    minimum_c: float
    target_c: float
    weather: Weather
    web_gap_m: float = 0.05
    column_web_depth_m: float = 0.30
    beam_web_depth_m: float = 0.35


def tee_job(tee: Tee, *, spacing_m: float = 0.06, layers: int = 2, growth: float = 0.6) -> Job:
    """Half a tee: one side of the middle of both webs."""
    half_beam, w, reach = tee.beam_m / 2.0, tee.half_width_m, tee.extent_m
    half_column_web, half_beam_web = tee.column_web_m / 2.0, tee.beam_web_m / 2.0
    half_column, half_width = tee.column_width_m / 2.0, tee.beam_width_m / 2.0
    end_x, end_z, back = half_beam + w + BEYOND_M, w + BEYOND_M, -tee.column_m - tee.column_web_depth_m
    foot = -half_beam - tee.beam_web_depth_m
    zone_y = min(half_column, half_width + reach)
    fine = tee.beam_m / layers
    outward = lines(
        {half_beam: fine, half_beam + reach: spacing_m, half_beam + w: spacing_m}, -foot, end_x, growth=growth
    )
    grid_x = np.concatenate([-outward[::-1], np.linspace(-half_beam, half_beam, layers + 1)[1:-1], outward])
    grid_y = lines(
        {0.0: half_beam_web, half_beam_web: half_beam_web, half_column_web: half_column_web, zone_y: spacing_m},
        half_width,
        half_column,
        growth=growth,
    )
    column, thick = tee.column_m, tee.column_m / layers
    grid_z = np.concatenate([
        lines({-column: min(thick, half_column_web)}, back, growth=growth),
        np.linspace(-column, 0.0, layers + 1)[1:-1],
        lines({0.0: thick, tee.web_gap_m: fine, reach: spacing_m, w: spacing_m}, end_z, growth=growth),
    ])  # fmt: skip
    beam = 1 if tee.gap_m2kw > 0.0 else 0
    boxes = [
        Box((-end_x, 0.0, -tee.column_m), (end_x, half_column, 0.0)),
        Box((-end_x, 0.0, back), (end_x, half_column_web, -tee.column_m)),
        Box((-half_beam, 0.0, 0.0), (half_beam, half_width, end_z), beam),
        Box((foot, 0.0, tee.web_gap_m), (-half_beam, half_beam_web, end_z), beam),
    ]

    def is_open(at: Floats) -> Bools:
        x, y, z = at
        return ~(_on(y, 0.0) | _on(np.abs(x), end_x) | _on(z, back) | _on(z, end_z))

    def torch(at: Floats) -> Bools:
        x, _, z = at
        column = _on(z, 0.0) & (np.abs(x) > half_beam) & (np.abs(x) < half_beam + w)
        return column | (_on(x, half_beam) & (z > 0.0) & (z < w))

    def gap(at: Floats) -> Bools:
        x, y, z = at
        return _on(z, 0.0) & (np.abs(x) < half_beam) & (y < half_width)

    model = make_model(
        [grid_x, grid_y, grid_z],
        boxes,
        is_open=is_open,
        torch=torch,
        gap=gap if beam else None,
        gap_m2kw=tee.gap_m2kw,
    )
    x, y, z = model.at_m
    zones = {
        "column": (np.abs(x) < half_beam + reach + TOUCH_M)
        & (y < zone_y + TOUCH_M)
        & (z > -tee.column_m - TOUCH_M)
        & (z < TOUCH_M)
        & (model.body == 0),
        "beam": (np.abs(x) < half_beam + TOUCH_M)
        & (y < half_width + TOUCH_M)
        & (z > -TOUCH_M)
        & (z < reach + TOUCH_M)
        & (model.body == beam),
    }
    return Job(model, zones, tee.weather, tee.flux_wm2, tee.minimum_c, tee.target_c)


@dataclass(frozen=True)
class TubeGirth:
    """Two like tubes, girth weld on x = 0, heated all round from outside over |x| < half_width; no loss inside."""

    outside_diameter_m: float
    wall_m: float
    half_width_m: float
    extent_m: float
    flux_wm2: float
    minimum_c: float
    target_c: float
    weather: Weather
    inside: Literal["insulated", "open"] = "insulated"


def tube_job(tube: TubeGirth, *, spacing_m: float = 0.02, layers: int = 3, growth: float = 0.6) -> Job:
    """One side of the weld, round the axis: biquadratic quadrilaterals over x and radius."""
    outer = tube.outside_diameter_m / 2.0
    inner, end_x = outer - tube.wall_m, tube.half_width_m + BEYOND_M
    model = make_model(
        [
            lines(dict.fromkeys((0.0, tube.extent_m, tube.half_width_m), spacing_m), end_x, growth=growth),
            np.linspace(inner, outer, layers + 1),
        ],
        [Box((0.0, inner), (end_x, outer))],
        is_open=lambda at: _on(at[1], outer) | (_on(at[1], inner) & (tube.inside == "open")),
        torch=lambda at: _on(at[1], outer) & (at[0] < tube.half_width_m),
        axisymmetric=True,
    )
    zone = model.at_m[0] < tube.extent_m + TOUCH_M
    return Job(model, {"wall": zone}, tube.weather, tube.flux_wm2, tube.minimum_c, tube.target_c)
