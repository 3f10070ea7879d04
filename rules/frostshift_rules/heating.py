"""Heating steel at a weld: time to the minimum, time to the target, hold after torch-off, reheat, hottest metal.

A source brings net heat to a rectangle of one face of a plate, or of both. The rise in temperature is a product
solution of the heat equation (`conduction`; for a flange with its web `section`). Steel conducts and stores differently
cold and hot, so the linear solution is solved three times over with properties from its own answer.

Coordinates: weld on x = 0, symmetric (the other side is alike, or the part ends at the weld); y = 0 is its middle;
the torch is on face z = 0. What must be warm is judged on the face away from the torch, or in the middle of the
thickness where both faces are heated: that is where the plate is coldest while it heats.

Valid for: parts of 6 to 150 mm, not narrower than twice their thickness, evenly heated; hottest metal up to
`HOTTEST_VALID_C`; the torch passes over each spot again within thickness^2 / (4 x diffusivity) (2 s at 10 mm, 50 s at
50 mm). A flat part, a flange with one web, two parts that are one piece. The wall of a tube that is heated outside and
loses nothing inside is a plate of twice the thickness heated from both faces. Water, ice and frost on the steel are not
in it. The flux is taken as known; it is the largest doubt of every answer, see `HeatAnswers.elasticity`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from frostshift_rules.conduction import LONGEST_S as LONGEST_S
from frostshift_rules.conduction import NODES, Bools, Curve, Floats, Ints, Line, crossing, damping_1m2, first_true, wide
from frostshift_rules.heat_cases import Bodies
from frostshift_rules.heat_cases import HeatCases as HeatCases
from frostshift_rules.heat_cases import zone_points as zone_points
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


@dataclass(frozen=True)
class HeatAnswers:
    """Answers, one row a case, arrays of length n.

    Attributes:
        to_target_s: until every point has its target, torch off [s]; 0 where it starts there, inf where it never gets
            there.
        hold_s: from torch-off until the first point is below its minimum again [s]; inf: longer than `LONGEST_S`;
            NaN where the target is never reached.
        reheat_s: torch time from the minimum back to the target after that hold [s]; inf: never; 0 where the hold has
            no end; NaN where the target is never reached or was there from the start. Later holds are longer and
            reheats shorter, as the steel around warms up.
        keep_s: torch time that keeps the coldest point between minimum and target while it is welded, over
            `HeatCases.weld_s`, as if no arc burned [s]; 0 where the hold outlasts it; all of `weld_s` where the torch
            must not leave; NaN like `hold_s`.
        hottest_c: hottest metal, middle of the torch face at torch-off [°C]; the start where no heat is needed; NaN
            where the target is never reached.
        elasticity: relative rise of `to_target_s` for a relative fall of the flux, -d ln t / d ln q; 0 where no heat
            is needed, inf where the target is never reached. See `ELASTICITY_WARN`, `ELASTICITY_REFUSE`.
        coldest: index of the point that is last to reach the target.
    """

    to_target_s: Floats
    hold_s: Floats
    reheat_s: Floats
    keep_s: Floats
    hottest_c: Floats
    elasticity: Floats
    coldest: Ints


def heat_up(cases: HeatCases) -> HeatAnswers:
    """Solve every case: time to the target, hold, hottest metal, elasticity.

    Checked against an independent three-dimensional solution with temperature-dependent properties
    (`fixtures/reference/heating.json`): time within 5 % up to 25 mm and 10 % above, hold within 12 % or 5 s, hottest
    metal within 4 % of its rise; a flange with its web within 6 %, parts that are one piece within 8 %. No measured
    heating was available.

    Approximations beyond the module's: steel that starts warmer than the air cools evenly, as if it had no edges;
    once a point has its minimum it is taken to keep it while the torch burns.
    """
    n = len(cases)
    warm = cases.start_c >= cases.target_c
    answers = HeatAnswers(
        to_target_s=np.where(warm, 0.0, np.inf),
        hold_s=np.where(warm, _cooling_s(cases), np.nan),
        reheat_s=np.full(n, np.nan),
        keep_s=np.where(warm, np.maximum(cases.weld_s - _cooling_s(cases), 0.0), np.nan),
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
        seconds[rows[cold]] = _reached(block, Bodies(block), goal_c[rows])[1].time_s[cold]
    return seconds


# One block of cases that need heat -----------------------------------------------------------------------------------

_BLOCK: Final = 4096
"""Rows solved at once: few enough to stay in the processor's cache, enough to hide the cost of a numpy call."""

_LIKE: Final = ("edge_x_m", "half_length_m", "half_width_m", "thickness_m")
"""Rows are ordered by these, the last one first, so that most like geometries fall into one block."""

_TURNS: Final = 3
"""Solutions, each with properties from the one before; the third moves the time by less than 1e-5 of itself."""

_HOTTEST_MEAN_C: Final = 600.0
"""The mean of the heated metal is kept below the end of the specific heat's range; such answers are not valid."""


def _blocks(cases: HeatCases, wanted: Bools) -> Iterator[Ints]:
    """The wanted rows with a flux, in blocks; like geometries stand together, so that they share their responses.

    Parts that are one piece come together in blocks of their own, also where only one of two is wanted.
    """
    partner = cases.partner
    paired = partner >= 0
    both_lit = paired & (cases.flux_wm2 > 0.0) & (cases.flux_wm2[partner] > 0.0)
    together = np.flatnonzero(both_lit & (wanted | wanted[partner]))
    pairs = together[together < partner[together]]
    pairs = np.column_stack([pairs, partner[pairs]])
    for first in range(0, len(pairs), _BLOCK // 2):
        yield pairs[first : first + _BLOCK // 2].ravel()
    rows = np.flatnonzero(wanted & ~both_lit & (cases.flux_wm2 > 0.0))
    rows = rows[np.lexsort([getattr(cases, name)[rows] for name in _LIKE])]
    for first in range(0, len(rows), _BLOCK):
        yield rows[first : first + _BLOCK]


def _reached(cases: HeatCases, bodies: Bodies, goal_c: Floats) -> tuple[_Heating, _Moment]:
    """The heating up to a goal with properties that fit its own end, and that end."""
    mean_c = np.maximum(goal_c, cases.minimum_c + 10.0)  # a first guess of the mean of the heated metal
    coldest = None  # which point is the last hangs on the geometry; the first turn finds it
    for _ in range(_TURNS):
        heating = _heating(cases, bodies, mean_c)
        end = _moment(cases, heating, goal_c, coldest)
        mean_c, coldest = end.mean_c, end.coldest
    return heating, end


def _solve(cases: HeatCases) -> HeatAnswers:
    """Answers for cases with a flux and a start below the target."""
    bodies = Bodies(cases)
    heating, off = _reached(cases, bodies, cases.target_c)
    reached = np.isfinite(off.time_s)
    hold_s, reheat_s, keep_s = _afterwards(cases, bodies, heating, off)
    return HeatAnswers(
        to_target_s=off.time_s,
        hold_s=np.where(reached, hold_s, np.nan),
        reheat_s=np.where(reached, reheat_s, np.nan),
        keep_s=np.where(reached, keep_s, np.nan),
        hottest_c=np.where(reached, _hottest_c(cases, heating, off), np.nan),
        elasticity=np.where(reached, _elasticity(cases, heating, off), np.inf),
        coldest=off.coldest,
    )


@dataclass(frozen=True)
class _Heating:
    """The heating with properties for one mean temperature of the metal; arrays [n]."""

    curve: Curve
    loss_wm2k: Floats
    through_k: Floats
    """What the flux sets up through the depth, torch face to bottom, is half of this."""
    depth_m: Floats


def _heating(cases: HeatCases, bodies: Bodies, mean_c: Floats) -> _Heating:
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
    mean_c: Floats


def _moment(cases: HeatCases, heating: _Heating, goal_c: Floats, coldest: Ints | None) -> _Moment:
    """When every point has `goal_c`, which is the last, what the hottest metal and the mean of heated metal are."""
    curve, rise_k = heating.curve, goal_c - cases.start_c
    if coldest is None:
        required = curve.only(np.broadcast_to(np.arange(cases.point_x_m.shape[1]), cases.point_x_m.shape))
        point_s = required.seconds_to(rise_k)
        time_s = point_s.max(axis=1)
        coldest = np.where(np.isfinite(time_s), point_s.argmax(axis=1), required.at_last().argmin(axis=1))
    else:
        time_s = curve.only(coldest[:, None]).seconds_to(rise_k)[:, 0]
    root = np.sqrt(curve.diffusivity * np.minimum(time_s, LONGEST_S))
    at_weld = curve.only(np.full((len(cases), 1), cases.point_x_m.shape[1]))
    hottest_c = cases.start_c + at_weld.at(wide(root))[:, 0, 0]
    soaked = np.minimum(1.0, root / (0.6 * heating.depth_m))
    centre_c = hottest_c - heating.through_k / 2.0 * soaked
    return _Moment(time_s, coldest, np.clip((centre_c + goal_c) / 2.0, goal_c, _HOTTEST_MEAN_C))


def _hottest_c(cases: HeatCases, heating: _Heating, off: _Moment) -> Floats:
    """Hottest metal at torch-off; of parts that are one piece when the later is off: both are heated till then."""
    curve, known = heating.curve, cases.point_x_m.shape[1]
    time_s = np.minimum(off.time_s, LONGEST_S)
    later_s = np.where(cases.partner >= 0, np.maximum(time_s, time_s[cases.partner]), time_s)
    points = np.broadcast_to(np.arange(known, curve.points), (len(cases), curve.points - known))
    rise_k: Floats = curve.only(points).at(np.sqrt(wide(curve.diffusivity * later_s)))[..., 0].max(axis=1)
    return cases.start_c + rise_k


def _elasticity(cases: HeatCases, heating: _Heating, off: _Moment) -> Floats:
    """-d ln t / d ln q at torch-off: the torch's share of the rise, over its growth with the logarithm of time."""
    curve = heating.curve
    area = curve.diffusivity * np.minimum(off.time_s, LONGEST_S)
    to_air = (cases.air_c - cases.start_c) * -np.expm1(-curve.damping * area)
    torch_k = cases.target_c - cases.start_c - to_air
    around = curve.only(off.coldest[:, None]).at(np.sqrt(wide(area) * np.array([0.998, 1.002])))
    before, after = around[:, 0].T
    elasticity: Floats = torch_k * np.log(1.002 / 0.998) / np.maximum(after - before, 1e-12)
    return elasticity


@dataclass(frozen=True)
class _Holding:
    """The heating solved for heat content instead of temperature, which follows the cooling better; arrays [n].

    Attributes:
        curve: heat content of the points above their start [J/kg].
        line: that of one point, for whoever asks often; until `only` the curve itself.
        away_jkg: heat content of the surroundings above the start.
        air_jkg: heat content of steel as warm as the air.
        slower: by how much less the loss is while it cools, per `root` squared [1/m2].
        face_k: how far the faces of a cooling plate lie below its middle.
        depth_m: from face to the point.
    """

    curve: Curve
    line: Curve | Line
    away_jkg: Floats
    air_jkg: Floats
    slower: Floats
    face_k: Floats
    depth_m: Floats

    def only(self, point: Ints) -> _Holding:
        """The same for one point of each case."""
        curve = self.curve.only(point[:, None])
        return replace(self, curve=curve, line=curve)

    def rows(self, index: Ints) -> _Holding:
        """The cases of `index`, in their order."""
        own = {one.name: getattr(self, one.name)[index] for one in fields(self) if one.name not in ("curve", "line")}
        curve = self.curve.rows(index)
        return _Holding(curve=curve, line=curve, **own)

    def often(self) -> _Holding:
        """The same, of one point, to be asked often."""
        return replace(self, line=self.curve.line())

    def above(self, minimum_c: Floats, on_area: Floats, root: Floats) -> Floats:
        """Heat content above that of the minimum, at the roots after torch-off [J/kg]."""
        settled = 1.0 - np.exp(-((np.pi * root / wide(self.depth_m)) ** 2))
        level_c = wide(minimum_c) + wide(self.face_k) * settled
        return self.left(on_area, root**2) - (enthalpy_jkg(level_c) - wide(self.air_jkg))

    def again(self, target_jkg: Floats, on_area: Floats, off_area: Floats, root: Floats) -> Floats:
        """Heat content above that of the target, at the roots after the torch is lit again [J/kg]."""
        left = self.left_hot(on_area, off_area + root**2) * np.exp(-wide(self.slower) * off_area)
        return left + self.added(root**2) - wide(target_jkg - self.air_jkg)

    def left(self, on_area: Floats, area: Floats) -> Floats:
        """What a burst has left above the air, `area` after it [J/kg]; both [n, 1, m], diffusivity x time."""
        return self.left_hot(on_area, area) * np.exp(-wide(self.slower) * area)

    def left_hot(self, on_area: Floats, area: Floats) -> Floats:
        """The same as if the loss stayed that of the heating."""
        start = wide(self.away_jkg) * np.exp(-wide(self.curve.damping) * area)
        return self.line.at(np.sqrt(on_area + area)) - self.line.at(np.sqrt(area)) - start

    def added(self, area: Floats) -> Floats:
        """What a new burst adds [J/kg]; area [n, 1, m]."""
        to_air = wide(self.away_jkg) * -np.expm1(-wide(self.curve.damping) * area)
        return self.line.at(np.sqrt(area)) - to_air


def _holding(cases: HeatCases, bodies: Bodies, heating: _Heating, mean_c: Floats) -> _Holding:
    """The holding form of a heating, for all points."""
    local_c = cases.start_c + 0.7 * (mean_c - cases.start_c)
    conductivity = conductivity_wmk(local_c)
    specific_heat = specific_heat_jkgk(local_c)
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
        diffusivity=conductivity / (DENSITY_KG_M3 * specific_heat),
    )
    cooler = cases.convection_wm2k + _radiation_wm2k(cases, holding_c)
    face_share = np.where(cases.both_faces, 1.0, 0.5)
    return _Holding(
        curve=curve,
        line=curve,
        away_jkg=air_jkg - start_jkg,
        air_jkg=air_jkg,
        slower=per_loss * (cooler - heating.loss_wm2k),
        face_k=face_share * cooler * (cases.minimum_c - cases.air_c) * cases.thickness_m / (6.0 * conductivity),
        depth_m=bodies.depth_m,
    )


def _afterwards(cases: HeatCases, bodies: Bodies, heating: _Heating, off: _Moment) -> tuple[Floats, Floats, Floats]:
    """`hold_s`, `reheat_s` and `keep_s`.

    The torch-off is that of the form's own curve. Torch-off is a second heating that begins then and is taken away. The
    point that is last to get warm need not be the first to be cold again: a joint holds as long as every point does.
    """
    n, points = cases.point_x_m.shape
    every = _holding(cases, bodies, heating, off.mean_c)
    last = every.only(off.coldest).often()
    others = [every.only(np.full(n, point)) for point in range(points)]
    diffusivity = last.curve.diffusivity
    target_jkg = enthalpy_jkg(cases.target_c)
    on_s = last.curve.seconds_to(target_jkg - enthalpy_jkg(cases.start_c))[:, 0]
    on_area = wide(diffusivity * np.minimum(on_s, LONGEST_S))

    hold_s = _hold_s(last, cases.minimum_c, on_area)
    for other in others:  # solved only where it is cold before the points so far
        root = wide(np.sqrt(diffusivity * np.minimum(hold_s, LONGEST_S)))
        rows = np.flatnonzero(other.above(cases.minimum_c, on_area, root)[:, 0, 0] < -_NOTHING_JKG)
        hold_s[rows] = np.minimum(hold_s[rows], _hold_s(other.rows(rows).often(), cases.minimum_c[rows], on_area[rows]))
    off_area = wide(diffusivity * np.minimum(hold_s, LONGEST_S))
    reheat_s = _reheat_s(last, target_jkg, on_area, off_area)
    for other in others:
        root = wide(np.sqrt(diffusivity * np.minimum(reheat_s, LONGEST_S)))
        rows = np.flatnonzero(other.again(target_jkg, on_area, off_area, root)[:, 0, 0] < -_NOTHING_JKG)
        longer_s = _reheat_s(other.rows(rows).often(), target_jkg[rows], on_area[rows], off_area[rows])
        reheat_s[rows] = np.maximum(reheat_s[rows], longer_s)

    # Of a train of reheats the mean is that of a flame turned down to their share of the time, the solution being
    # linear. The share that has the target at the end of the weld is a little more than they need, which swing below.
    weld_area = wide(diffusivity * np.minimum(cases.weld_s, LONGEST_S))
    shares = []
    for form in others:
        lacking = (wide(target_jkg - form.air_jkg) - form.left(on_area, weld_area))[:, 0, 0]
        lit = form.added(weld_area)[:, 0, 0]
        shares.append(np.clip(np.divide(lacking, lit, out=np.ones_like(lit), where=lit > 0.0), 0.0, 1.0))
    keep_s = np.where(hold_s >= cases.weld_s, 0.0, np.maximum.reduce(shares) * cases.weld_s)
    return hold_s, np.where(np.isfinite(hold_s), reheat_s, 0.0), keep_s


_NOTHING_JKG: Final = 1e-3
"""Heat that is none: some millionths of a kelvin [J/kg]."""


def _hold_s(form: _Holding, minimum_c: Floats, on_area: Floats) -> Floats:
    """From torch-off until a point is back at its minimum [s]; inf beyond `LONGEST_S`."""
    hold_s = _first_s(form, lambda root: form.above(minimum_c, on_area, root))
    return np.where(hold_s > LONGEST_S, np.inf, hold_s)


def _reheat_s(form: _Holding, target_jkg: Floats, on_area: Floats, off_area: Floats) -> Floats:
    """Torch time that brings a point back to its target, `off_area` after torch-off [s]; inf: never."""
    return _first_s(form, lambda root: -form.again(target_jkg, on_area, off_area, root))


def _first_s(form: _Holding, of: Callable[[Floats], Floats]) -> Floats:
    """Time at which a function of the root that falls through 0 once does so [s]; inf: not within the nodes."""
    last = np.full((len(form.depth_m), 1, 1), len(NODES) - 1, dtype=np.intp)
    falls = of(NODES[last]) <= 0.0
    panel = np.maximum(first_true(lambda node: of(NODES[node]) <= 0.0, last) - 1, 0)
    root = crossing(of, NODES[panel], NODES[panel + 1])
    found_s: Floats = np.where(falls, root**2 / wide(form.curve.diffusivity), np.inf)[:, 0, 0]
    return found_s


def train_c(cases: HeatCases, bursts_s: Floats, times_s: Floats) -> Floats:
    """Temperature of every point through a train of heatings with breaks, [n, k, times] [°C].

    The temperature is the mean of two linear solutions, one for temperature and one for heat content, whose errors are
    opposite: within 4 K of an independent solution over a rise of 160 to 250 K (two trains, `fixtures/reference`). The
    properties are those of a heating to the target, so the target should be about the warmest that is reached.

    Args:
        cases: the heatings; `target_c` and `minimum_c` set the range of temperature.
        bursts_s: begin and end of each burst, [bursts, 2], or its own for each case, [n, bursts, 2] [s].
        times_s: from the first moment on, [times] [s].

    Raises:
        OutOfRange: a burst ends before it begins, or a time is negative.
    """
    bursts = np.broadcast_to(bursts_s, (len(cases), *np.shape(bursts_s)[-2:]))
    if not (np.all(bursts[..., 0] >= 0.0) and np.all(bursts[..., 1] >= bursts[..., 0]) and np.all(times_s >= 0.0)):
        raise OutOfRange("bursts_s, times_s: bursts must end after they begin, and no time may be negative")
    bodies = Bodies(cases)
    heating, off = _reached(cases, bodies, cases.target_c)
    n, points = cases.point_x_m.shape
    curve = heating.curve.only(np.broadcast_to(np.arange(points), (n, points)))
    by_temperature = cases.start_c[:, None, None] + _train(curve, cases.air_c - cases.start_c, bursts, times_s)
    every = _holding(cases, bodies, heating, off.mean_c)
    forms = [every.only(np.full(n, point)).often() for point in range(points)]
    contents = [_train(form.curve, form.away_jkg, bursts, times_s) for form in forms]
    content_jkg = enthalpy_jkg(cases.start_c)[:, None, None] + np.concatenate(contents, axis=1)
    by_content = by_temperature
    for _ in range(4):
        by_content = by_content - (enthalpy_jkg(by_content) - content_jkg) / specific_heat_jkgk(by_content)
    mean: Floats = (by_temperature + by_content) / 2.0
    return mean


def _train(curve: Curve, away: Floats, bursts_s: Floats, times_s: Floats) -> Floats:
    """Rise of a curve's points through bursts [n, bursts, 2], at times, [n, k, times]."""
    diffusivity, damping = wide(curve.diffusivity), wide(curve.damping)

    def lit(since_s: Floats) -> Floats:
        """What a heating that began `since_s` ago has added, without the air; nothing before it began."""
        area = diffusivity * np.maximum(since_s, 0.0)
        return curve.at(np.sqrt(area)) + wide(away) * np.expm1(-damping * area)

    times = np.broadcast_to(times_s, (len(away), 1, len(times_s)))
    rise = wide(away) * -np.expm1(-damping * diffusivity * times)
    for begin_s, end_s in np.moveaxis(bursts_s, 1, 0).transpose(0, 2, 1):
        rise = rise + lit(times - wide(begin_s)) - lit(times - wide(end_s))
    return rise


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
