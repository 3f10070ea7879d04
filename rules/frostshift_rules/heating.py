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

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Final

import numpy as np

from frostshift_rules.conduction import LONGEST_S as LONGEST_S
from frostshift_rules.conduction import (
    NODES,
    Bools,
    Curve,
    Floats,
    Geometry,
    Ints,
    Responses,
    crossing,
    first_true,
    damping_1m2,
    wide,
    wide_rows,
)
from frostshift_rules.steel import DENSITY_KG_M3, SIGMA_WM2K4, conductivity_wmk, enthalpy_jkg, specific_heat_jkgk
from frostshift_rules.strict import OutOfRange
from frostshift_rules.units import KELVIN_0C

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
    "inner_m": (0.0, 0.3),
    "web_m": (0.0, 0.3),
    "web_depth_m": (0.0, 5.0),
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


_LEFT_OUT: Final = np.zeros(0)
_NO_PARTNER: Final = np.zeros(0, dtype=np.intp)
_LEAST_WEB_M: Final = 0.01


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
        inner_m: not heated nearer to the weld than this, another part stands there [m]; left out: 0.
        web_m: thickness of the web behind a flange [m]; 0 (left out): none. The flange is then heated over its whole
            width along the weld: `half_length_m` is `edge_y_m`.
        web_depth_m: clear depth of that web [m].
        partner: row of the part that this one is one piece with, and that one's is this; -1 (left out): none. The
            ending part of a tee has `inner_m` 0; the one that runs through has it above 0.
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
    inner_m: Floats = field(default_factory=lambda: _LEFT_OUT)
    web_m: Floats = field(default_factory=lambda: _LEFT_OUT)
    web_depth_m: Floats = field(default_factory=lambda: _LEFT_OUT)
    partner: Ints = field(default_factory=lambda: _NO_PARTNER)

    def __post_init__(self) -> None:
        """Fill what was left out; refuse rows that are not all there, not finite or absurd.

        Raises:
            ValueError: an array has another shape than the rest.
            OutOfRange: a value outside its limits; the message names field, row, value and limit.
        """
        n = len(self.thickness_m)
        for name in ("inner_m", "web_m", "web_depth_m"):
            if getattr(self, name) is _LEFT_OUT:
                object.__setattr__(self, name, np.zeros(n))
        if self.partner is _NO_PARTNER:
            object.__setattr__(self, "partner", np.full(n, -1, dtype=np.intp))
        for one in fields(self):
            shape = getattr(self, one.name).shape
            wanted = self.point_x_m.shape if one.name.startswith("point") else (n,)
            if shape != wanted or shape[0] != n or 0 in shape[1:]:
                raise ValueError(f"{one.name}: shape {shape} does not fit {n} rows")
        for name, (low, high) in _LIMITS.items():
            _check(name, getattr(self, name), low, high)
        _check("target_c", self.target_c, self.minimum_c, np.inf)
        for axis, half in (("x", "half_width_m"), ("y", "half_length_m")):
            edge = getattr(self, f"edge_{axis}_m")
            _check(half, getattr(self, half), 0.0, edge)
            _check(f"point_{axis}_m", getattr(self, f"point_{axis}_m"), 0.0, edge[:, None])
        _check("inner_m", self.inner_m, 0.0, self.half_width_m)
        webbed = self.web_m > 0.0
        _check("web_m", self.web_m, 0.0, np.where(webbed, self.edge_y_m, np.inf))
        _check("web_depth_m", self.web_depth_m, np.where(webbed, _LEAST_WEB_M, 0.0), np.inf)
        _check("half_length_m", self.half_length_m, np.where(webbed, self.edge_y_m, 0.0), np.inf)
        paired = np.flatnonzero(self.partner >= 0)
        if np.any(self.partner >= n) or np.any(self.partner[self.partner[paired]] != paired):
            raise ValueError("partner: rows that are one piece must name each other")

    def __len__(self) -> int:
        return len(self.thickness_m)

    def rows(self, index: Ints) -> HeatCases:
        """The rows of `index`, in their order; a partner must come along, or the row is taken alone."""
        picked = {one.name: getattr(self, one.name)[index] for one in fields(self)}
        place = np.full(len(self) + 1, -1, dtype=np.intp)
        place[index] = np.arange(len(index))
        partner = place[picked["partner"]]
        return HeatCases(**picked | {"partner": np.where(place[self.partner[index]] >= 0, partner, -1)})

    def geometry(self) -> Geometry:
        """What the linear solution sees: the points, on the face away from the torch, and last the hottest metal."""
        hottest_x_m = np.minimum(2.0 * self.inner_m, (self.inner_m + self.half_width_m) / 2.0)
        hottest_y_m = np.where(self.web_m > 0.0, self.edge_y_m, 0.0)  # not over the web, which draws heat away
        return Geometry(
            thickness_m=self.thickness_m,
            both_faces=self.both_faces,
            half_width_m=self.half_width_m,
            inner_m=self.inner_m,
            half_length_m=self.half_length_m,
            edge_x_m=self.edge_x_m,
            edge_y_m=self.edge_y_m,
            web_m=self.web_m,
            web_depth_m=self.web_depth_m,
            through_end=np.zeros(len(self), dtype=np.bool_),
            point_x_m=np.column_stack([self.point_x_m, hottest_x_m]),
            point_y_m=np.column_stack([self.point_y_m, hottest_y_m]),
            point_z=np.column_stack([np.ones_like(self.point_x_m), np.zeros(len(self))]),
        )


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
        block, cold = _solve(cases.rows(rows)), ~warm[rows]
        for one in fields(HeatAnswers):
            getattr(answers, one.name)[rows[cold]] = getattr(block, one.name)[cold]
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
        block, cold = cases.rows(rows), ~there[rows]
        seconds[rows[cold]] = _reached(block, _Bodies(block), goal_c[rows])[1].time_s[cold]
    return seconds


# One block of cases that need heat -----------------------------------------------------------------------------------

_BLOCK: Final = 2048
"""Rows solved at once: few enough to stay in the processor's cache, enough to hide the cost of a numpy call."""

_TURNS: Final = 3
"""Solutions, each with properties from the one before; the third moves the time by less than 1e-5 of itself."""

_HOTTEST_MEAN_C: Final = 600.0
"""The mean of the heated metal is kept below the end of the specific heat's range; such answers are not valid."""


def _blocks(cases: HeatCases, wanted: Bools) -> Iterator[Ints]:
    """The wanted rows with a flux, in blocks; like geometries stand together, so that they share their responses.

    Parts that are one piece come in one block of their own, also where only one of two is wanted.
    """
    partner = cases.partner
    paired = partner >= 0
    both_lit = paired & (cases.flux_wm2 > 0.0) & (cases.flux_wm2[partner] > 0.0)
    together = np.flatnonzero(both_lit & (wanted | wanted[partner]))
    if len(together):
        yield together
    rows = np.flatnonzero(wanted & ~both_lit & (cases.flux_wm2 > 0.0))
    for first in range(0, len(rows), _BLOCK):
        yield rows[first : first + _BLOCK]


def _reached(cases: HeatCases, bodies: _Bodies, goal_c: Floats) -> tuple[_Heating, _Moment]:
    """The heating up to a goal with properties that fit its own end, and that end."""
    mean_c = np.maximum(goal_c, cases.minimum_c + 10.0)  # a first guess of the mean of the heated metal
    for _ in range(_TURNS):
        heating = _heating(cases, bodies, mean_c)
        end = _moment(cases, heating, goal_c)
        mean_c = end.mean_c
    return heating, end


def _solve(cases: HeatCases) -> HeatAnswers:
    """Answers for cases with a flux and a start below the target."""
    bodies = _Bodies(cases)
    heating, off = _reached(cases, bodies, cases.target_c)
    reached = np.isfinite(off.time_s)
    return HeatAnswers(
        to_target_s=off.time_s,
        hold_s=np.where(reached, _hold_s(cases, bodies, heating, off.mean_c), np.nan),
        hottest_c=np.where(reached, off.hottest_c, np.nan),
        elasticity=np.where(reached, _elasticity(cases, heating, off), np.inf),
        coldest=off.coldest,
    )


class _Bodies:
    """The linear solution of some cases: what a flux does at their points, parts that are one piece together."""

    def __init__(self, cases: HeatCases) -> None:
        geometry = cases.geometry()
        self._flux_wm2 = cases.flux_wm2
        self._alone = Responses(geometry)
        self._contact = _Contact(cases, geometry) if len(cases) and np.all(cases.partner >= 0) else None
        self.depth_m = geometry.depth_m

    def curve(self, per_flux: Floats, start: Floats, away: Floats, damping: Floats, diffusivity: Floats) -> Curve:
        """The heating of every case (all arguments [n]).

        Args:
            per_flux: rise per flux and distance, 1 / conductivity [m K/W], or that of heat content [m J/(kg W)].
            start: temperature or heat content at the start.
            away: what the surroundings are above it.
            damping: loss of the two faces [1/m2].
            diffusivity: [m2/s].
        """
        source = self._flux_wm2 * per_flux / self.depth_m
        curve = self._alone.curve(source, away, damping, diffusivity)
        return curve if self._contact is None else self._contact.exchanged(curve, source, per_flux, start, away)


_GAUSS: Final = (0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0))
"""Two places over half a contact, whose mean stands for the mean of all."""

_EVEN: Final = 1.0 - 1.0 / np.sqrt(3.0)
"""Depth at which a plate that is heated evenly has its mean temperature."""


class _Contact:
    """The exchange of heat between parts that are one piece, each row with its partner.

    The flux over the contact is that which makes both sides equally warm there at the moment asked for. Over time it is
    half of it steady since the torches were lit and half growing from nothing: the true one lies between (it would grow
    with the root of time between two half-spaces). An ending part gives or takes it through its end, one that runs
    through on a strip of its face.
    """

    def __init__(self, cases: HeatCases, geometry: Geometry) -> None:
        n, partner = len(cases), cases.partner
        ends = cases.inner_m == 0.0
        meet_m = np.where(ends, cases.thickness_m, cases.thickness_m[partner])
        meet_m = np.minimum(meet_m, np.where(ends[partner], cases.thickness_m[partner], np.inf))
        half_m = np.minimum(cases.half_length_m, cases.half_length_m[partner])
        at = {
            "point_x_m": np.zeros((n, 2)),
            "point_y_m": half_m[:, None] * np.array(_GAUSS),
            "point_z": np.where(ends[:, None], np.full((n, 2), _EVEN), 0.0),
        }
        own = {one.name: getattr(geometry, one.name) for one in fields(Geometry)}
        deep = np.where(cases.both_faces[:, None] & ~ends[:, None], geometry.point_z / 2.0, geometry.point_z)
        meeting = {
            "both_faces": cases.both_faces & ends,
            "half_width_m": np.where(ends, geometry.half_width_m, meet_m / 2.0),
            "inner_m": np.zeros(n),
            "half_length_m": half_m,
            "through_end": ends,
            "point_x_m": np.column_stack([at["point_x_m"], geometry.point_x_m]),
            "point_y_m": np.column_stack([at["point_y_m"], geometry.point_y_m]),
            "point_z": np.column_stack([at["point_z"], deep]),
        }
        self._partner = partner
        self._from_torch = Responses(Geometry(**own | at))
        self._from_contact = Responses(Geometry(**own | meeting))
        # Per unit of flux over the contact: a strip on the face, or the share of a thicker end.
        self._per_contact = np.where(ends, meet_m / cases.thickness_m, 1.0 / cases.thickness_m)

    def exchanged(self, curve: Curve, source: Floats, per_flux: Floats, start: Floats, away: Floats) -> Curve:
        """The curve with what the partner gives or takes."""
        torch = self._from_torch.curve(source, away, curve.damping, curve.diffusivity)
        contact = self._from_contact.curve(
            per_flux * self._per_contact, np.zeros_like(start), curve.damping, curve.diffusivity
        )
        time_s = NODES**2 / curve.diffusivity[:, None]
        root = np.sqrt(wide(curve.diffusivity[self._partner]) * wide_rows(time_s))
        step = contact.nodes()
        partner_step = contact.rows(self._partner).at(root)
        here = start[:, None] + torch.nodes().mean(axis=1)
        there = start[self._partner, None] + torch.rows(self._partner).at(root).mean(axis=1)
        given = np.zeros_like(step[:, 2:])
        for answer, partner in ((step, partner_step), (_summed(step, time_s), _summed(partner_step, time_s))):
            both = answer[:, :2].mean(axis=1) + partner[:, :2].mean(axis=1)
            flux = np.divide(there - here, both, out=np.zeros_like(both), where=both > 0.0)
            given += 0.5 * wide_rows(flux) * answer[:, 2:]
        return curve.plus(given)


def _summed(values: Floats, time_s: Floats) -> Floats:
    """Integral over time of values [n, k, nodes] at times [n, nodes]: the answer to a source that grows evenly."""
    total = np.zeros_like(values)
    middles = (values[..., 1:] + values[..., :-1]) / 2.0
    np.cumsum(middles * wide_rows(np.diff(time_s, axis=1)), axis=-1, out=total[..., 1:])
    return total


@dataclass(frozen=True)
class _Heating:
    """The heating with properties for one mean temperature of the metal; arrays [n]."""

    curve: Curve
    loss_wm2k: Floats
    through_k: Floats
    """What the flux sets up through the depth, torch face to bottom, is half of this."""
    depth_m: Floats


def _heating(cases: HeatCases, bodies: _Bodies, mean_c: Floats) -> _Heating:
    """Solve the rise in temperature with properties for heated metal at `mean_c`.

    Storage sees the mean specific heat over the whole rise. Conduction out of the zone runs through colder steel.
    Surfaces radiate at 3/4 of the mean rise, plus what the flux itself sets up between a face and the middle.
    """
    specific_heat = _mean_specific_heat(cases.start_c, mean_c)
    conductivity = conductivity_wmk((cases.start_c + mean_c) / 2.0)
    surface_c = cases.start_c + 0.75 * (mean_c - cases.start_c)
    through_k = cases.flux_wm2 * bodies.depth_m / conductivity
    torch_face = _radiation_wm2k(cases, surface_c + through_k / 3.0)
    bare_face = _radiation_wm2k(cases, surface_c - through_k / 6.0)
    loss = cases.convection_wm2k + np.where(cases.both_faces, torch_face, (torch_face + bare_face) / 2.0)

    biot_sixth = loss * cases.thickness_m / (6.0 * conductivity)
    curve = bodies.curve(
        per_flux=(1.0 - biot_sixth) / conductivity,
        start=cases.start_c,
        away=cases.air_c - cases.start_c,
        damping=damping_1m2(loss / conductivity, cases.thickness_m),
        diffusivity=conductivity / (DENSITY_KG_M3 * specific_heat),
    )
    return _Heating(curve, loss, through_k, bodies.depth_m)


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
    coldest = np.where(np.isfinite(time_s), point_s.argmax(axis=1), curve.at_last().argmin(axis=1))
    root = np.sqrt(curve.diffusivity * np.minimum(time_s, LONGEST_S))
    hottest_c = cases.start_c + curve.at(wide(root))[:, -1, 0]
    soaked = np.minimum(1.0, root / (0.6 * heating.depth_m))
    centre_c = hottest_c - heating.through_k / 2.0 * soaked
    return _Moment(time_s, coldest, hottest_c, np.clip((centre_c + goal_c) / 2.0, goal_c, _HOTTEST_MEAN_C))


def _elasticity(cases: HeatCases, heating: _Heating, off: _Moment) -> Floats:
    """-d ln t / d ln q at torch-off: the torch's share of the rise, over its growth with the logarithm of time."""
    curve = heating.curve
    area = curve.diffusivity * np.minimum(off.time_s, LONGEST_S)
    to_air = (cases.air_c - cases.start_c) * -np.expm1(-curve.damping * area)
    torch_k = cases.target_c - cases.start_c - to_air
    around = curve.at(np.sqrt(wide(area) * np.array([0.998, 1.002])))
    before, after = around[np.arange(len(cases)), off.coldest].T
    elasticity: Floats = torch_k * np.log(1.002 / 0.998) / np.maximum(after - before, 1e-12)
    return elasticity


def _hold_s(cases: HeatCases, bodies: _Bodies, heating: _Heating, mean_c: Floats) -> Floats:
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
    curve = bodies.curve(
        per_flux=(1.0 - biot_sixth) * specific_heat / conductivity,
        start=start_jkg,
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
            - wide(air_jkg - start_jkg) * np.exp(-wide(curve.damping) * area)
        )
        settled = 1.0 - np.exp(-(np.pi**2) * area / wide(bodies.depth_m) ** 2)
        level_c = wide(cases.minimum_c) + wide(face_k) * settled
        return left * np.exp(-wide(slower) * area) - (enthalpy_jkg(level_c) - wide(air_jkg))

    last = np.full((len(cases), curve.points, 1), len(NODES) - 1, dtype=np.intp)
    cools = above(NODES[last]) < 0.0
    panel = np.maximum(first_true(lambda node: above(NODES[node]) < 0.0, last) - 1, 0)
    root = crossing(above, NODES[panel], NODES[panel + 1])
    hold = np.where(cools, root**2 / wide(diffusivity), np.inf)[..., 0].min(axis=1)
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


