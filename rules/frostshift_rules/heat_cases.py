"""Heatings to be solved: one row a part, and the linear solution of each with parts that are one piece together."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Final

import numpy as np

from frostshift_rules.conduction import NODES, Bools, Curve, Floats, Geometry, Ints, Responses, wide, wide_rows
from frostshift_rules.strict import OutOfRange

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
    "weld_s": (0.0, 604_800.0),
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
        weld_s: welded for so long after the torch is off [s]; left out: 0.
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
    weld_s: Floats = field(default_factory=lambda: _LEFT_OUT)
    partner: Ints = field(default_factory=lambda: _NO_PARTNER)

    def __post_init__(self) -> None:
        """Fill what was left out; refuse rows that are not all there, not finite or absurd.

        Raises:
            ValueError: an array has another shape than the rest.
            OutOfRange: a value outside its limits; the message names field, row, value and limit.
        """
        n = len(self.thickness_m)
        for name in ("inner_m", "web_m", "web_depth_m", "weld_s"):
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
        """What the linear solution sees: the points, on the face away from the torch, and last where it gets hottest.

        That is near the weld; but a part that is one piece with a colder one is colder there than in mid-band.
        """
        band_m = self.half_width_m - self.inner_m
        hottest = [np.minimum(2.0 * self.inner_m, (self.inner_m + self.half_width_m) / 2.0)]
        if np.any(self.partner >= 0):
            hottest += [self.inner_m + share * band_m for share in (0.4, 0.6)]
        hottest_x_m = np.column_stack(hottest)
        over_web = np.where(self.web_m > 0.0, self.edge_y_m, 0.0)  # not over the web, which draws heat away
        hottest_y_m = np.repeat(over_web[:, None], len(hottest), axis=1)
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
            point_z=np.column_stack([np.ones_like(self.point_x_m), np.zeros_like(hottest_x_m)]),
        )


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


# The linear solution of the cases ------------------------------------------------------------------------------------


class Bodies:
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
