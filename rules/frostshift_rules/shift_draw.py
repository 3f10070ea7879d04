"""Cylinders on one line through a shift: how cold their liquid gets, when the torches starve, how many it takes.

Equal cylinders share the load alike, so one of them is stepped through the load as a lump of liquid and wetted wall:

    (kg x heat capacity + wetted wall) dT/dt = U x wind x wetted area x (air - T) - draw x latent heat

A cylinder gives no more than keeps its liquid at the starvation temperature: there the flame shrinks, and what it
still gives settles at the sustained draw. Fuel heat is GROSS. An estimate, as `withdrawal` is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from frostshift_rules import published_draw
from frostshift_rules.draw_figures import figures
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Floats
from frostshift_rules.withdrawal import Conditions, Vessel, checked_load_kw, starvation_c, sustained, wall_kj_k

STEP_S: Final = 60.0
"""Longest step in time [s]."""

MOST_TOGETHER: Final = 12
"""Cylinders on one line that are allowed unless somebody says otherwise (our choice)."""

_MOST_EVER: Final = 100
_SHORT: Final = 1.0 - 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """A load on the whole bank, segment after segment.

    Attributes:
        seconds: length of each segment [s].
        gross_kw: load in each [kW gross]; 0: torches off.

    Raises:
        OutOfRange: arrays of different length, a length not above 0, a load that is negative or beyond belief.
    """

    seconds: Floats
    gross_kw: Floats

    def __post_init__(self) -> None:
        """Check."""
        if self.seconds.ndim != 1 or self.seconds.shape != self.gross_kw.shape or len(self.seconds) == 0:
            raise OutOfRange(
                f"load: seconds is {self.seconds.shape}, gross_kw {self.gross_kw.shape}, one row is needed"
            )
        for n, (seconds, kw) in enumerate(zip(self.seconds, self.gross_kw, strict=True), 1):
            if not 0.0 < seconds < math.inf:
                raise OutOfRange(f"seconds of segment {n} is {seconds:g} s, a time above 0 s is needed")
            checked_load_kw(f"gross_kw of segment {n}", float(kw))

    @property
    def total_s(self) -> float:
        """Length of all segments [s]."""
        return float(self.seconds.sum())


def load_of(segments: Sequence[tuple[float, float]]) -> Load:
    """A load from pairs of seconds [s] and gross load [kW]; errors as `Load`."""
    pairs = np.array(segments, dtype=np.float64).reshape(-1, 2)
    return Load(pairs[:, 0], pairs[:, 1])


@dataclass(frozen=True, slots=True)
class Start:
    """How the cylinders start.

    Attributes:
        kg_each: fuel in each [kg].
        liquid_c: temperature of the liquid [°C]; where nobody measured it, `resting_liquid_c`.
        residue_kg: left in each and not drawn [kg].
    """

    kg_each: float
    liquid_c: float
    residue_kg: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """Equal cylinders through a load. All arrays but `given_kw` hold at the steps, the start among them.

    Attributes:
        count: cylinders that share the load.
        elapsed_s: time from the start [s].
        liquid_c, gauge_kpa: temperature of the liquid [°C] and gauge pressure [kPa].
        kg_left: fuel in each cylinder [kg].
        given_kw: gross heat that all together give from each step to the next [kW], one less.
        starves_at_s: first instant at which the pressure needed is not there for the load [s]; None: never.
        empty_at_s: first instant at which the residue is reached under load [s]; None: never.
        change_over_at_s: first step under load from which one cylinder's share is above its sustained draw, so that
            it lives on what it has stored [s]; None: never.
    """

    count: int
    elapsed_s: Floats
    liquid_c: Floats
    gauge_kpa: Floats
    kg_left: Floats
    given_kw: Floats
    starves_at_s: float | None
    empty_at_s: float | None
    change_over_at_s: float | None

    @property
    def carries(self) -> bool:
        """Whether the whole load was carried."""
        return self.starves_at_s is None and self.empty_at_s is None

    @property
    def lowest_c(self) -> float:
        """Coldest liquid [°C]."""
        return float(self.liquid_c.min())

    @property
    def lowest_gauge_kpa(self) -> float:
        """Lowest gauge pressure [kPa]; where the torches starve it is the one needed, or that of a cold start."""
        return float(self.gauge_kpa.min())

    @property
    def kg_left_at_end(self) -> float:
        """Fuel left in each cylinder [kg]."""
        return float(self.kg_left[-1])


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """How many cylinders on one line carry a load.

    Attributes:
        count: the least number that carries it through; None: not even the most allowed do.
        reason: why there is none, for people; empty where there is a number.
        run: through the load with that number, or with the most allowed.
        by_sustained: highest load over the sustained draw of one at the coldest air, as full as at the start; None: it
            gives nothing there.
        by_published_table: the same by the printed table of a 100 lb propane cylinder, which leaves no pressure in it;
            None: another cylinder, or outside what is printed.
    """

    count: int | None
    reason: str
    run: Run
    by_sustained: int | None
    by_published_table: int | None


def resting_liquid_c(air_c: ArrayLike) -> float:
    """Temperature of the liquid after a rest [°C]: the coldest of the air of the hours before, the safe side.

    Raises:
        OutOfRange: no hours, or a missing one.
    """
    air = np.asarray(air_c, dtype=np.float64)
    if air.size == 0 or not np.isfinite(air).all():
        raise OutOfRange("air_c before the start has missing hours, all are needed")
    return float(air.min())


def simulate(
    vessel: Vessel,
    count: int,
    load: Load,
    air_c: ArrayLike,
    start: Start,
    conditions: Conditions,
    step_s: float = STEP_S,
) -> Run:
    """Equal cylinders that share a load, step by step.

    Args:
        vessel: one of them.
        count: how many.
        load: on all of them together.
        air_c: air AT every hour from the start on [°C], linear between; has to reach to the end of the load.
        start: how they start.
        conditions: pressure needed, wind, barometer.
        step_s: longest step [s]; halving it moves starvation by seconds.

    Raises:
        OutOfRange: an argument outside its range; names field, value and limits.
    """
    return _runs(vessel, _counts(count, count), load, air_c, [start], conditions, step_s)[0]


def cylinders_together(
    vessel: Vessel,
    load: Load,
    air_c: ArrayLike,
    start: Start,
    conditions: Conditions,
    most: int = MOST_TOGETHER,
) -> Together:
    """The least number of equal cylinders that carries a load through; arguments and errors as `simulate`.

    Args:
        vessel: one of them.
        load: on all of them together.
        air_c: air AT every hour from the start on [°C].
        start: how they start.
        conditions: pressure needed, wind, barometer.
        most: highest number allowed.
    """
    return cylinders_from_each(vessel, load, air_c, [start], conditions, most)[0]


def cylinders_from_each(
    vessel: Vessel,
    load: Load,
    air_c: ArrayLike,
    starts: Sequence[Start],
    conditions: Conditions,
    most: int = MOST_TOGETHER,
) -> list[Together]:
    """`cylinders_together` from each of some starts; they are run through the load at once."""
    counts = _counts(1, most)
    every = [one for one in starts for _ in counts]
    runs = _runs(vessel, [*counts] * len(starts), load, air_c, every, conditions, STEP_S)
    coldest_c = float(_air_at(vessel, air_c, np.linspace(0.0, load.total_s, 2 + int(load.total_s // 60.0))).min())
    peak_kw = float(load.gross_kw.max())
    found = []
    for n, start in enumerate(starts):
        of_start = runs[n * len(counts) : (n + 1) * len(counts)]
        steady_kw = float(sustained(vessel, coldest_c, start.kg_each, conditions).gross_kw)
        by_sustained = published_draw.whole(peak_kw / steady_kw) if steady_kw > 0.0 else None
        by_table = _by_published_table(vessel, peak_kw, coldest_c, start.kg_each)
        run = next((one for one in of_start if one.carries), None)
        why = "" if run else _reason(vessel, of_start[-1], load, start, coldest_c, conditions)
        found.append(Together(run.count if run else None, why, run or of_start[-1], by_sustained, by_table))
    return found


def least_start_kg(
    vessel: Vessel, count: int, load: Load, air_c: ArrayLike, full: Start, conditions: Conditions
) -> float | None:
    """The least that so many cylinders may hold each at the start and still carry a load [kg], rounded up to 1 %.

    Args:
        vessel: one of them.
        count: how many.
        load: on all of them together.
        air_c: air AT every hour from the start on [°C].
        full: how they start when they are full; all of it can be drawn.
        conditions: pressure needed, wind, barometer.

    Returns:
        The figure; None where not even full ones carry it.

    Raises:
        OutOfRange: as `simulate`.
    """
    starts = [replace(full, kg_each=full.kg_each * percent / 100.0) for percent in range(1, 101)]
    runs = _runs(vessel, [*_counts(count, count)] * len(starts), load, air_c, starts, conditions, STEP_S)
    # Down from full until the first that does not: what carries below one that does not is no help.
    carries = None
    for start, run in zip(reversed(starts), reversed(runs), strict=True):
        if not run.carries:
            break
        carries = start.kg_each
    return carries


def _reason(vessel: Vessel, run: Run, load: Load, start: Start, coldest_c: float, conditions: Conditions) -> str:
    """In words without figures, which would be in one unit alone; the figures stand beside it."""
    bank, fuel = f"{run.count} × {vessel.cylinder.name}", vessel.saturation.fuel
    burned_kg = float((load.seconds * load.gross_kw).sum()) / vessel.gross_kj_kg
    held_kg = run.count * (start.kg_each - start.residue_kg)
    if burned_kg > held_kg * (1.0 + 1e-9):
        why = f"the load burns more than {bank} hold"
    elif coldest_c <= starvation_c(vessel, conditions):
        why = f"in the coldest air of it {fuel} has not the pressure that the torches need"
    else:
        why = f"{bank} do not give the load at the pressure that the torches need"
    return f"{why}: another way of heating"


def _by_published_table(vessel: Vessel, peak_kw: float, air_c: float, kg_each: float) -> int | None:
    if vessel.cylinder.id != published_draw.published().cylinder_id:
        return None
    try:
        return published_draw.whole(peak_kw / published_draw.by_table_kw(air_c, kg_each))
    except OutOfRange:
        return None


def _counts(first: int, last: int) -> range:
    if not 1 <= first <= last <= _MOST_EVER:
        raise OutOfRange(f"number of cylinders is {last}, outside 1 to {_MOST_EVER}")
    return range(first, last + 1)


def _air_at(vessel: Vessel, air_c: ArrayLike, elapsed_s: Floats) -> Floats:
    hours = np.asarray(air_c, dtype=np.float64)
    if hours.ndim != 1 or len(hours) == 0:
        raise OutOfRange(f"air_c is of shape {hours.shape}, one row of hours is needed")
    for n, value in enumerate(hours):
        vessel.saturation.checked_c(f"air_c of hour {n}", value)
    if elapsed_s[-1] > 3600.0 * (len(hours) - 1) + 1e-6:
        raise OutOfRange(f"air_c reaches to {len(hours) - 1} h, the load lasts {elapsed_s[-1] / 3600.0:.4g} h")
    return np.interp(elapsed_s / 3600.0, np.arange(len(hours)), hours)


def _check_start(vessel: Vessel, start: Start) -> None:
    vessel.checked_kg("kg_each", start.kg_each)
    vessel.saturation.checked_c("liquid_c", start.liquid_c)
    if not 0.0 <= start.residue_kg <= start.kg_each:
        raise OutOfRange(f"residue_kg is {start.residue_kg:g} kg, outside 0 to kg_each, {start.kg_each:g} kg")


def _runs(
    vessel: Vessel,
    counts: Sequence[int],
    load: Load,
    air_c: ArrayLike,
    starts: Sequence[Start],
    conditions: Conditions,
    longest_step_s: float,
) -> list[Run]:
    """So many cylinders from such a start, all pairs at once: arrays [step, pair]."""
    if not 1.0 <= longest_step_s <= STEP_S:
        raise OutOfRange(f"step_s is {longest_step_s:g} s, outside 1 to {STEP_S:g} s")
    for start in starts:
        _check_start(vessel, start)
    residue_kg = np.array([start.residue_kg for start in starts])
    floor_c = starvation_c(vessel, conditions)

    pieces = np.ceil(load.seconds / longest_step_s - 1e-9).astype(np.int64)
    step_s = np.repeat(load.seconds / pieces, pieces)
    load_kw = np.repeat(load.gross_kw, pieces)
    elapsed_s = np.concatenate([[0.0], np.cumsum(step_s)])
    air = _air_at(vessel, air_c, elapsed_s)
    air_between = (air[:-1] + air[1:]) / 2.0

    shared = np.array(counts, dtype=np.float64)
    liquid = np.empty((len(elapsed_s), len(shared)))
    left = np.empty_like(liquid)
    liquid[0], left[0] = [start.liquid_c for start in starts], [start.kg_each for start in starts]
    wanted = np.outer(load_kw * step_s / vessel.gross_kj_kg, 1.0 / shared)
    # What the pressure and the contents allow to be drawn in each step [kg].
    by_pressure, by_contents = np.empty_like(wanted), np.empty_like(wanted)

    saturation = vessel.saturation
    volumes, areas = vessel.shell.curve()
    gain_kj_m2k = figures().wall_wm2k.value / 1000.0 * conditions.wind * step_s
    steel_kj_m2k = wall_kj_k(vessel) / vessel.shell.area_m2
    for n, (gain_kj, around_c) in enumerate(zip(gain_kj_m2k.tolist(), air_between.tolist(), strict=True)):
        at_c, kg = liquid[n], left[n]
        boil = np.interp(at_c, saturation.grid_c, saturation.latent)
        wetted = np.interp(kg / np.interp(at_c, saturation.grid_c, saturation.density), volumes, areas)
        # An empty cylinder has nothing that could change its temperature.
        store = kg * np.interp(at_c, saturation.grid_c, saturation.heat) + steel_kj_m2k * wetted + 1e-9
        gain = gain_kj * wetted * (around_c - at_c)
        np.maximum((store * (at_c - floor_c) + gain) / boil, 0.0, out=by_pressure[n])
        np.maximum(kg - residue_kg, 0.0, out=by_contents[n])
        give = np.minimum(np.minimum(wanted[n], by_pressure[n]), by_contents[n])
        liquid[n + 1] = at_c + (gain - give * boil) / store
        left[n + 1] = kg - give

    gauge = vessel.saturation.gauge_kpa(liquid, conditions.barometer_kpa)
    given_kw = (left[:-1] - left[1:]) * vessel.gross_kj_kg / step_s[:, None] * shared
    steady_kw = sustained(vessel, air[:-1, None], left[:-1], conditions).gross_kw
    above = (load_kw[:, None] / shared > steady_kw) & (load_kw[:, None] > 0.0)
    return [
        Run(
            count,
            elapsed_s,
            liquid[:, n],
            gauge[:, n],
            left[:, n],
            given_kw[:, n],
            _first_short_s(elapsed_s, by_pressure[:, n], wanted[:, n]),
            _first_short_s(elapsed_s, by_contents[:, n], wanted[:, n]),
            float(elapsed_s[above[:, n].argmax()]) if above[:, n].any() else None,
        )
        for n, count in enumerate(counts)
    ]


def _first_short_s(elapsed_s: Floats, allowed: Floats, wanted: Floats) -> float | None:
    """The first instant at which less is allowed than wanted [s], within its step in proportion; None: never."""
    short = allowed < wanted * _SHORT
    if not short.any():
        return None
    n = int(short.argmax())
    return float(elapsed_s[n] + (elapsed_s[n + 1] - elapsed_s[n]) * allowed[n] / wanted[n])
