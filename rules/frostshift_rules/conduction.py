"""The linear solution for locally heated steel: the rise of chosen points with time, for constant properties.

The rise of a point is the product solution of the heat equation (Carslaw & Jaeger, Conduction of Heat in Solids,
2nd ed. 1959, 1.15, 10.3 and ch. 14, from memory): through the thickness x across the weld x along the weld x loss to
the air, added up over the burning time. Free edges lose heat too. Where a web stands behind a flange, the response of
the section (`section`) takes the place of thickness and length.

Time appears as `root`, the square root of diffusivity x time [m]: the distance that heat has spread. In it a geometry
is free of the steel's properties, and the 1/sqrt(t) of a heated face is gone from the integrand. The response of a
geometry to a unit source depends on its loss alone, so it is integrated once and kept (`Responses`); times are then
inversions of kept curves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from frostshift_rules import section

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

LONGEST_S: Final = 86_400.0
"""A heating that takes longer than a day is `inf` (never); a hold that lasts longer than a day is `inf` too."""

_PANELS: Final = 32
_GRADE: Final = 3  # `_place` takes the root of it
_FARTHEST_M: Final = 1.35
"""Integration panels, narrow where the thickness counts; the last ends beyond `LONGEST_S` in the coldest steel."""

NODES: Final = np.maximum(_FARTHEST_M * (np.arange(_PANELS + 1) / _PANELS) ** _GRADE, 1e-9)
"""Roots [m] at which a curve holds its values and slopes."""

_WIDTHS: Final = np.diff(NODES)

_SAMPLES: Final = 3
"""Samples a panel: Lobatto's rule with 4 points, the last of which is the first of the next panel."""

_LOBATTO: Final = (1.0 - np.sqrt(0.2)) / 2.0
_ROOTS: Final = np.append(NODES[:-1, None] + _WIDTHS[:, None] * np.array([0.0, _LOBATTO, 1.0 - _LOBATTO]), NODES[-1])


@dataclass(frozen=True)
class Geometry:
    """Sources and points, one row each; arrays [n], of points [n, k].

    Attributes:
        thickness_m: of the plate or flange [m].
        both_faces: heated from both faces.
        half_width_m: the source lies from `inner_m` to here on each side of the weld [m].
        inner_m: not heated nearer to the weld than this, the part that stands there is in the way [m].
        half_length_m: of the source along the weld, from its middle [m].
        edge_x_m, edge_y_m: free edges across and along [m]; inf: none.
        web_m, web_depth_m: web behind the flange [m]; 0: none. The flange then reaches from -`edge_y_m` to `edge_y_m`.
        through_end: the heat comes through the end of the part at the weld instead of onto its face.
        point_x_m, point_y_m: [m].
        point_z: 0 on the torch face to 1 on the far face, or in the middle where both are heated.
    """

    thickness_m: Floats
    both_faces: Bools
    half_width_m: Floats
    inner_m: Floats
    half_length_m: Floats
    edge_x_m: Floats
    edge_y_m: Floats
    web_m: Floats
    web_depth_m: Floats
    through_end: Bools
    point_x_m: Floats
    point_y_m: Floats
    point_z: Floats

    def __len__(self) -> int:
        return len(self.thickness_m)

    def rows(self, index: Ints) -> Geometry:
        """The rows of `index`, in their order."""
        return Geometry(**{field.name: getattr(self, field.name)[index] for field in fields(self)})

    def table(self) -> Floats:
        """All numbers of a row beside each other: equal rows have equal responses."""
        columns = [getattr(self, field.name) for field in fields(self)]
        return np.column_stack([column.astype(np.float64) for column in columns]) + 0.0

    @property
    def depth_m(self) -> Floats:
        """From a torch face to what it has to warm: the thickness, or half of it where both faces are heated."""
        return np.where(self.both_faces, self.thickness_m / 2.0, self.thickness_m)


# Curves ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Curve:
    """Rise of the points of n heatings with `root`: a mix of kept responses, and what the air adds.

    Values at any node are worked out when they are asked for; between nodes lies a cubic. Use `responses.curve`.

    Attributes:
        diffusivity: [m2/s], [n]; makes time of root^2.
        damping: loss of the two faces [1/m2], [n].
    """

    diffusivity: Floats
    damping: Floats
    _kept: _Kept
    _below: Ints
    _above: Ints
    _share: Floats
    _source: Floats
    _away: Floats
    _point: Ints
    _extra: Floats | None = None

    @property
    def points(self) -> int:
        """Number of points of each heating."""
        return int(self._point.shape[1])

    def only(self, points: Ints) -> Curve:
        """The curve of some points of each heating, [n, points]."""
        extra = None if self._extra is None else np.take_along_axis(self._extra, points[..., None], axis=1)
        return replace(self, _point=np.take_along_axis(self._point, points, axis=1), _extra=extra)

    def at(self, root: Floats) -> Floats:
        """Rise at roots of shape [n, 1 or k, m], as [n, k, m]; beyond the last node the last value."""
        panel, part = _place(root)
        return _hermite(part, *self._pieces(panel))

    def line(self) -> Line:
        """The curve of one point, for whoever asks often."""
        n = len(self.damping)
        pieces = self._pieces(np.broadcast_to(np.arange(_PANELS), (n, 1, _PANELS)))
        return Line(np.stack(pieces, axis=-1).reshape(-1, 4))

    def nodes(self) -> Floats:
        """Rise at all nodes, [n, k, nodes]."""
        every = np.broadcast_to(np.arange(_PANELS + 1), (len(self.damping), 1, _PANELS + 1))
        return self._value(every)

    def at_last(self) -> Floats:
        """Rise at the last node, [n, k]: what a heating of a day comes to."""
        return self._value(np.full((len(self.damping), 1, 1), _PANELS))[..., 0]

    def seconds_to(self, rise: Floats) -> Floats:
        """Time at which each point has risen by `rise` [n], as [n, k]; inf beyond `LONGEST_S`; 0 for no rise."""
        wanted = wide(rise) + 0.0
        shape = (len(rise), self.points, 1)
        last = np.full(shape, _PANELS, dtype=np.intp)
        reached: Bools = np.greater_equal(self._value(last), wanted)
        first = first_true(lambda node: self._value(node) >= wanted, last)
        late = np.flatnonzero(~reached.all(axis=(1, 2)))
        if len(late):
            # A start above the air may carry a point over the goal for a while and below it again.
            passed = self.rows(late).nodes() >= wanted[late]
            first[late] = passed.argmax(axis=-1)[..., None]
            reached[late] = np.any(passed, axis=-1, keepdims=True)
        panel = np.maximum(first - 1, 0)
        pieces = self._pieces(panel)
        wanted = np.where(reached, np.maximum(wanted, 0.0), 0.0)
        part = crossing(lambda part: _hermite(part, *pieces) - wanted, np.zeros(shape), np.ones(shape))
        time_s = (NODES[panel] + part * _WIDTHS[panel]) ** 2 / wide(self.diffusivity)
        return np.where(reached & (time_s <= LONGEST_S), time_s, np.inf)[..., 0]

    def rows(self, index: Ints) -> Curve:
        """The heatings of `index`, in their order."""
        own = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "_kept"}
        picked: dict[str, Any] = {name: None if values is None else values[index] for name, values in own.items()}
        return replace(self, **picked)

    def plus(self, extra: Floats) -> Curve:
        """The same curve with a further rise, given at the nodes [n, k, nodes]."""
        return replace(self, _extra=extra)

    def _value(self, node: Ints) -> Floats:
        """Rise at nodes [n, 1 or k, m]."""
        rise = self._mixed(self._kept.table[..., 0].reshape(-1), node)
        rise += wide(self._away) * -np.expm1(-wide(self.damping) * NODES[node] ** 2)
        if self._extra is not None:
            rise += np.take_along_axis(self._extra, np.broadcast_to(node, rise.shape), axis=2)
        return rise

    def _pieces(self, panel: Ints) -> tuple[Floats, Floats, Floats, Floats]:
        """Values at both ends of panels [n, 1 or k, m], and slopes times the width."""
        ends = self._mixed(self._kept.ends(), panel)
        low, low_slope, high, high_slope = (ends[..., part] for part in range(4))
        width, damping, away = _WIDTHS[panel], wide(self.damping), wide(self._away)
        for node, value, slope in ((panel, low, low_slope), (panel + 1, high, high_slope)):
            cooled = np.exp(-damping * NODES[node] ** 2)
            value += away * (1.0 - cooled)
            slope += away * damping * (2.0 * NODES[node]) * cooled
        if self._extra is not None:
            steep = np.gradient(self._extra, NODES, axis=2)
            for node, value, slope in ((panel, low, low_slope), (panel + 1, high, high_slope)):
                at = np.broadcast_to(node, value.shape)
                value += np.take_along_axis(self._extra, at, axis=2)
                slope += np.take_along_axis(steep, at, axis=2)
        return low, high, low_slope * width, high_slope * width

    def _mixed(self, kept: Floats, node: Ints) -> Floats:
        """Kept numbers between the responses below and above the loss, at nodes [n, 1 or k, m]."""
        _, points, nodes, _ = self._kept.table.shape
        at = self._point[..., None] * nodes + node
        below: Floats = kept[wide(self._below * (points * nodes)) + at]
        above: Floats = kept[wide(self._above * (points * nodes)) + at]
        share, source = (one.reshape(-1, *[1] * (below.ndim - 1)) for one in (self._share, self._source))
        above -= below
        above *= share
        below += above
        below *= source
        return below


@dataclass(frozen=True)
class Line:
    """Rise of one point of n heatings: the cubics of all panels of the first, then of the second, and so on."""

    _cubics: Floats

    def at(self, root: Floats) -> Floats:
        """Rise at roots of shape [n, 1, m], as `Curve.at`."""
        panel, part = _place(root)
        first: Ints = np.arange(len(root))[:, None, None] * _PANELS
        pieces = self._cubics[first + panel]
        return _hermite(part, *np.moveaxis(pieces, -1, 0))


def _place(root: Floats) -> tuple[Ints, Floats]:
    """The panel in which each root lies, and how far into it, 0 to 1; beyond the last node its end."""
    panel = (np.cbrt(np.minimum(root / _FARTHEST_M, 1.0)) * _PANELS).astype(np.intp)
    panel = np.minimum(panel, _PANELS - 1)
    return panel, np.clip((root - NODES[panel]) / _WIDTHS[panel], 0.0, 1.0)


def first_true(test: Callable[[Ints], Bools], last: Ints) -> Ints:
    """The first node at which a test that turns true once is true; `last` where it never is."""
    low, high = np.zeros_like(last), last.copy()
    while np.any(low < high):
        middle = (low + high) // 2
        true = test(middle)
        high = np.where(true, middle, high)
        low = np.where(true, low, np.minimum(middle + 1, high))
    return high


# Responses ------------------------------------------------------------------------------------------------------------


def damping_1m2(edge_loss: Floats, thickness_m: Floats) -> Floats:
    """Loss of both faces [1/m2] from the loss over conductivity [1/m]; exact to first order in the Biot number."""
    return 2.0 * edge_loss / (thickness_m * (1.0 + edge_loss * thickness_m / 6.0))


def _edge_loss(damping: Floats, thickness_m: Floats) -> Floats:
    """The way back from `damping_1m2`."""
    return damping * thickness_m / np.maximum(2.0 - damping * thickness_m**2 / 6.0, 0.1)


_LOSS_STEP: Final = 0.06
_LOSS_KNEE: Final = 0.05
_LOSS_STEPS: Final = 110
"""Grid of losses [1/m]: knee x (exp(step x i) - 1), from none to beyond a gale. Between two steps responses are mixed
in a straight line, which is good to 1e-4."""

_MOST_KEPT: Final = 16_384
"""Responses kept, of 2 to 3 kB each; beyond it the keeping begins anew."""


class _Kept:
    """Responses in reach of some curves: value and slope at the nodes of each point, [row, k, node, 2]."""

    def __init__(self, table: Floats) -> None:
        self.table = table

    def ends(self) -> Floats:
        """Value and slope of a node and of the next, side by side, for each node of the flattened table, [node, 4]."""
        pairs = self.table.reshape(-1, 2)
        step = pairs.strides[0]
        return np.lib.stride_tricks.as_strided(pairs, (len(pairs) - 1, 4), (step, step // 2), writeable=False)


_KEPT: Final[dict[tuple[bytes, int], Floats]] = {}
"""What was integrated so far, by geometry and step of loss; the arrays never change, so that threads may share them."""


def forget_responses() -> None:
    """Drop what was integrated so far, with the modes it came from, as for a first plan; answers do not change."""
    _KEPT.clear()
    section.modes.cache_clear()


class Responses:
    """Responses to a unit source of some geometries, on the grid of losses; like geometries share them.

    What was integrated once is kept between calls: it depends on the geometry and the loss alone.
    """

    def __init__(self, geometry: Geometry) -> None:
        keys = _bytes_of_rows(geometry.table())
        a_row = {key: row for row, key in enumerate(keys)}  # dict lookups beat sorting the rows
        place = {key: number for number, key in enumerate(a_row)}
        self._which = np.array([place[key] for key in keys], dtype=np.intp)
        self._distinct = geometry.rows(np.array(list(a_row.values()), dtype=np.intp))
        self._keys = list(a_row)
        self._thickness_m = geometry.thickness_m
        self._kept = _Kept(np.empty((0, geometry.point_x_m.shape[1], len(NODES), 2)))
        self._place = np.full((len(a_row), _LOSS_STEPS), -1, dtype=np.intp)
        self.depth_m = geometry.depth_m

    def curve(self, source: Floats, away: Floats, damping: Floats, diffusivity: Floats) -> Curve:
        """The heating of every case (all arguments [n]).

        Args:
            source: rise per diffusion area without loss or spread [K/m2, or J/kg per m2 for heat content]; for heat
                through the end [K/m].
            away: what the surroundings are above the start.
            damping: loss of the two faces [1/m2].
            diffusivity: [m2/s].
        """
        loss = _edge_loss(damping, self._thickness_m)
        position = np.minimum(np.log1p(loss / _LOSS_KNEE) / _LOSS_STEP, _LOSS_STEPS - 1.001)
        low = position.astype(np.intp)
        self._fetch(np.unique(np.concatenate([self._which * _LOSS_STEPS + low, self._which * _LOSS_STEPS + low + 1])))
        below, above = self._place[self._which, low], self._place[self._which, low + 1]
        points = self._kept.table.shape[1]
        every = np.broadcast_to(np.arange(points), (len(low), points))
        return Curve(diffusivity, damping, self._kept, below, above, position - low, source, away, every)

    def _fetch(self, asked: Ints) -> None:
        """Bring the responses of geometries x steps of loss within reach; integrate what nobody asked for before."""
        new = asked[self._place.ravel()[asked] < 0]
        if not len(new):
            return
        geometry, steps = np.divmod(new, _LOSS_STEPS)
        names = [(self._keys[row], step) for row, step in zip(geometry.tolist(), steps.tolist(), strict=True)]
        found = [_KEPT.get(name) for name in names]
        missing = np.array([at for at, one in enumerate(found) if one is None], dtype=np.intp)
        if len(_KEPT) + len(missing) > _MOST_KEPT:
            _KEPT.clear()
        for first in range(0, len(missing), _AT_ONCE):
            some = missing[first : first + _AT_ONCE]
            own, rows = np.unique(geometry[some], return_inverse=True)
            tables = _respond(_frame(self._distinct.rows(own)), rows, _LOSS_KNEE * np.expm1(_LOSS_STEP * steps[some]))
            for at, table in zip(some.tolist(), tables, strict=True):
                found[at] = _KEPT[names[at]] = table.copy()
        self._place[geometry, steps] = len(self._kept.table) + np.arange(len(new))
        whole = np.array([one for one in found if one is not None])
        self._kept = _Kept(np.concatenate([self._kept.table, whole]))


def _bytes_of_rows(table: Floats) -> list[bytes]:
    """Each row of a table as bytes; equal rows have equal bytes, since -0 is none of its numbers."""
    whole, size = table.tobytes(), table.shape[1] * table.itemsize
    return [whole[begin : begin + size] for begin in range(0, len(whole), size)]


_AT_ONCE: Final = 96
"""Responses integrated at once: few enough to stay in the processor's cache."""


@dataclass(frozen=True)
class _Frame:
    """The geometry's share in the solution, free of the steel's properties.

    Attributes:
        thickness_m: [n].
        geometry: of all rows.
        lead: through the thickness, or the end of the part, [n, k, s]; of a flange with its web only the end.
        across, along: the two in-plane factors.
        inner: the same as `across` for what is not heated beside the weld, of the rows `ringed`.
    """

    thickness_m: Floats
    geometry: Geometry
    lead: Floats
    across: _Axis
    along: _Axis
    inner: _Axis
    ringed: Ints

    def kernel(self, rows: Ints, edge_loss: Floats) -> Floats:
        """What a pulse of heat has left at each point without loss from the faces, [rows, k, s]."""
        across = self.across.spread(rows, edge_loss)
        with_ring = np.flatnonzero(np.isin(rows, self.ringed))
        if len(with_ring):
            at = np.searchsorted(self.ringed, rows[with_ring])
            across[with_ring] -= self.inner.spread(at, edge_loss[with_ring])
        lead = self.lead[rows]
        for row in np.flatnonzero(self.geometry.web_m[rows] > 0.0).tolist():
            lead[row] *= _of_section(self.geometry.rows(rows[row : row + 1]), float(edge_loss[row]))
        return across * lead * self.along.spread(rows, edge_loss)


def _frame(geometry: Geometry) -> _Frame:
    """The geometry of the cases at all samples."""
    n, k = geometry.point_x_m.shape
    webbed = geometry.web_m > 0.0
    fourier = (_ROOTS / geometry.depth_m[:, None]) ** 2
    lead = np.empty((n, k, len(_ROOTS)))
    for point in range(k):
        for depth in np.unique(geometry.point_z[:, point]):
            rows = geometry.point_z[:, point] == depth
            lead[rows, point] = through_thickness(fourier[rows], float(depth))
    ends = np.flatnonzero(geometry.through_end)
    lead[ends] = 1.0
    lead[webbed] = 1.0
    # Through the end: all heat starts at x = 0 and spreads one way.
    reach = geometry.point_x_m[ends][..., None] / _ROOTS
    lead[ends] *= np.exp(-((reach / 2.0) ** 2)) / (np.sqrt(np.pi) * _ROOTS)
    wide_m = np.where(geometry.through_end, _NO_EDGE_M, geometry.half_width_m)
    across = _axis(
        np.where(geometry.through_end[:, None], 0.0, geometry.point_x_m),
        wide_m,
        np.where(geometry.through_end, np.inf, geometry.edge_x_m),
    )
    # The section's response holds what happens along the flange's width.
    along = _axis(
        np.where(webbed[:, None], 0.0, geometry.point_y_m),
        np.where(webbed, _NO_EDGE_M, geometry.half_length_m),
        np.where(webbed, np.inf, geometry.edge_y_m),
    )
    ringed = np.flatnonzero((geometry.inner_m > 0.0) & ~geometry.through_end)
    inner = _axis(geometry.point_x_m[ringed], geometry.inner_m[ringed], geometry.edge_x_m[ringed])
    return _Frame(geometry.thickness_m, geometry, lead, across, along, inner, ringed)


_NO_EDGE_M: Final = 100.0
"""A source so wide that its end is never felt."""


def _of_section(one: Geometry, edge_loss: float) -> Floats:
    """Response of a flange with its web at the points of one row, [k, s], with its loss beyond that of the faces."""
    thickness_m, half_m = float(one.thickness_m[0]), float(one.edge_y_m[0])
    fourier = (_ROOTS / one.depth_m[0]) ** 2
    modes = section.modes(thickness_m, half_m, float(one.web_m[0]), float(one.web_depth_m[0]))
    modes = modes.losing(edge_loss, float(damping_1m2(np.array([edge_loss]), one.thickness_m)[0]))
    load: section.Load = "end" if one.through_end[0] else "both_faces" if one.both_faces[0] else "face"
    taken = modes.load(load, float(one.half_length_m[0]))
    if load != "end":
        taken = taken * one.depth_m[0]
    fading = np.exp(-modes.decay[:, None] * _ROOTS**2) * taken[:, None]
    lead = np.empty((one.point_x_m.shape[1], len(_ROOTS)))
    for point, (y_m, z) in enumerate(zip(one.point_y_m[0], one.point_z[0], strict=True)):
        over_web = y_m < one.web_m[0] / 2.0
        # Heated from both faces a plate is coldest in the middle, but over its web a flange is at the back.
        depth = float(z) / 2.0 if one.both_faces[0] and not over_web else float(z)
        if z == 0.0 and load != "end":
            # On the heated face the modes are too coarse for the first moments: what is even through the flange is
            # theirs, what is not is that of a plate.
            even = (
                sum(modes.at(float(y_m), (row + 0.5) / modes.through) for row in range(modes.through)) / modes.through
            )
            lead[point] = even @ fading + (through_thickness(fourier, 0.0) - 1.0)
        else:
            lead[point] = modes.at(float(y_m), depth) @ fading
    return lead


def _respond(frame: _Frame, rows: Ints, edge_loss: Floats) -> Floats:
    """Integrate the response of geometries `rows` to a unit source, each with its loss: values and slopes at the nodes.

    Args:
        frame: samples and kernel of all geometries.
        rows: geometries, with repeats.
        edge_loss: loss over conductivity of each of `rows` [1/m].
    """
    damping = damping_1m2(edge_loss, frame.thickness_m[rows])
    kernel = frame.kernel(rows, edge_loss)
    kernel *= 2.0 * _ROOTS * np.exp(-wide(damping) * _ROOTS**2)
    ends = kernel[..., ::_SAMPLES]
    panels = ends[..., :-1] + ends[..., 1:] + 5.0 * (kernel[..., 1::_SAMPLES] + kernel[..., 2::_SAMPLES])
    table = np.zeros((*ends.shape, 2))
    np.cumsum(panels * _WIDTHS / 12.0, axis=-1, out=table[..., 1:, 0])
    table[..., 1] = ends
    return table


def through_thickness(fourier: Floats, depth: float) -> Floats:
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
        spread: Floats = self.inside[rows]
        with_edge = np.flatnonzero(np.isin(rows, self.edged))
        if not len(with_edge):
            return spread
        at = np.searchsorted(self.edged, rows[with_edge])
        point, half, edge, loss = self.point[at], self.half[at], self.edge[at], wide(edge_loss[with_edge])
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
    """One in-plane factor for points [n, k]."""
    point = point[..., None]
    half = wide(half)
    spread = 2.0 * _ROOTS
    inside = 0.5 * (_erf((half - point) / spread) + _erf((half + point) / spread))

    edged = np.flatnonzero(np.isfinite(edge))
    point, half, edge = point[edged], half[edged], wide(edge[edged])
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


def crossing(function: Callable[[Floats], Floats], low: Floats, high: Floats) -> Floats:
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


def wide(values: Floats) -> Floats:
    """Values [n] as [n, 1, 1]."""
    return values[:, None, None]


def wide_rows(values: Floats) -> Floats:
    """Values [n, m] as [n, 1, m]."""
    return values[:, None, :]
