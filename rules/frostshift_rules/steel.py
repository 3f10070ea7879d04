"""Steel: its thermal properties, and its temperature through the hours of a forecast."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import SIGMA_WM2K4 as SIGMA_WM2K4
from frostshift_rules.surroundings import (
    Floats,
    Hours,
    Surroundings,
    absorbed_sun_wm2,
    convection_wm2k,
    estimated_sun_of_hours_wm2,
    frost_point_c,
    other_sky_c,
    sky_c,
    wet_bulb_c,
    wind_at_joint_ms,
)
from frostshift_rules.units import KELVIN_0C, Number

Flags = NDArray[np.bool_]

DENSITY_KG_M3: Final = 7850.0
"""Density of steel [kg/m3], independent of temperature. Source: EN 1993-1-2:2005, 3.2.2."""


def specific_heat_jkgk(steel_c: Number) -> Number:
    """Specific heat of carbon steel [J/(kg K)].

    Valid for 20 to 600 °C. Below 20 °C the standard gives nothing and the polynomial is run on: 401 J/(kg K) at
    -30 °C, where data for pure iron lie some 4 % higher (from memory). The heat from -30 to 110 °C may so come out
    about 1 % low.

    Args:
        steel_c: steel temperature [°C].

    Source: EN 1993-1-2:2005, 3.4.1.2.
    """
    return 425.0 + steel_c * (0.773 + steel_c * (-1.69e-3 + steel_c * 2.22e-6))


def enthalpy_jkg(steel_c: Number) -> Number:
    """Heat content of carbon steel from 0 °C [J/kg]: the integral of `specific_heat_jkgk`, with its validity."""
    return steel_c * (425.0 + steel_c * (0.3865 + steel_c * (-1.69e-3 / 3.0 + steel_c * 0.555e-6)))


def conductivity_wmk(steel_c: Number) -> Number:
    """Thermal conductivity of carbon steel [W/(m K)].

    Valid for 20 to 800 °C; below 20 °C the line is run on, where the standard gives nothing.

    Args:
        steel_c: steel temperature [°C].

    Source: EN 1993-1-2:2005, 3.4.1.3.
    """
    return 54.0 - 3.33e-2 * steel_c


@dataclass(frozen=True, slots=True)
class SteelClass:
    """Parts that take the same temperature: thickness [mm], rounded to 0.1 by `steel_class`, and surroundings."""

    thickness_mm: float
    surroundings: Surroundings


def steel_class(thickness_mm: float, surroundings: Surroundings) -> SteelClass:
    """The class of a part.

    Raises:
        OutOfRange: thickness not above 0.05 mm or not a number.
    """
    if not 0.05 < thickness_mm < np.inf:
        raise OutOfRange(f"thickness is {thickness_mm:g} mm, more than 0.05 is needed")
    return SteelClass(round(thickness_mm, 1), surroundings)


@dataclass(frozen=True)
class SteelForecast:
    """Steel temperature of each class AT each hour stamp; arrays [class, hour], NaN (False for flags): unknown.

    Attributes:
        steel_c: likely [°C].
        coldest_c, warmest_c: envelope of the model's own variants [°C]; the doubt of the forecast is not in it.
        start_weight: share of the start value's error that is left, 1 at the start and after a hole in the weather,
            0 from a measured reading on; of the slowest variant.
        wet: dew or frost settles (likely steel below the dew point, or below the frost point where under 0 °C). Says
            nothing about what settled before, and nothing where `steel_c` is NaN. The heat that settling sets free is
            left out, so the hours with it are an upper bound.
        frost: `wet` with the steel below 0 °C.
    """

    steel_c: Floats
    coldest_c: Floats
    warmest_c: Floats
    start_weight: Floats
    wet: Flags
    frost: Flags


@dataclass(frozen=True, slots=True)
class Knots:
    """Weather at one end of some hours, arrays of one broadcastable shape."""

    air_c: Floats
    wind_ms: Floats
    sky_c: Floats
    sun_wm2: Floats


@dataclass(frozen=True, slots=True)
class Half:
    """Exchange with the surroundings over half a step, whatever the thickness; arrays of one shape.

    Attributes:
        exchange_kgm2s: mean exchange of both faces together over the specific heat at air temperature [kg/(m2 s)].
        drive_c: temperature the steel is driven to at the start [°C].
        linear_k, square_k: its change, against the share of the exchange done [K].
    """

    exchange_kgm2s: Floats
    drive_c: Floats
    linear_k: Floats
    square_k: Floats

    def of(self, columns: NDArray[np.intp]) -> Half:
        """The same for chosen columns."""
        return Half(
            self.exchange_kgm2s[:, columns],
            self.drive_c[:, columns],
            self.linear_k[:, columns],
            self.square_k[:, columns],
        )


def halves_of(
    start: Knots, end: Knots, sky_view: ArrayLike, emissivity: ArrayLike, h_factor: float = 1.0
) -> tuple[Half, Half]:
    """The two halves of steps in which air, wind, sky and sun run linearly from `start` to `end`.

    Measured against the share of the exchange done instead of time, a changing wind is exact; the driving
    temperature is the parabola that has its values at both ends and its mean over the exchange. Radiation is
    linearised at the air temperature; the ground radiates at air temperature.

    Against the full nonlinear equation the hourly step errs by 0.1 K at worst and 0.004 K on average in a winter month
    of published weather, 0.1 K where the wind springs up from calm to a gale within the hour, and up to 1 K to the
    cold side where 3 mm plate is left by a gale within the hour (0.2 K from 25 mm on).

    Args:
        start: weather at the start of the steps.
        end: weather at their end.
        sky_view: sum of both faces.
        emissivity: of both faces.
        h_factor: on the convection coefficient.
    """
    middle = _between(start, end)
    knots = (start, _between(start, middle), middle, _between(middle, end), end)
    view, shines = np.asarray(sky_view, dtype=np.float64), np.asarray(emissivity, dtype=np.float64)
    first, second, third, fourth, fifth = (_exchange(k, view, shines, h_factor) for k in knots)
    return _half(first, second, third, knots[1].air_c), _half(third, fourth, fifth, knots[3].air_c)


def _between(start: Knots, end: Knots) -> Knots:
    return Knots(
        0.5 * (start.air_c + end.air_c),
        0.5 * (start.wind_ms + end.wind_ms),
        0.5 * (start.sky_c + end.sky_c),
        0.5 * (start.sun_wm2 + end.sun_wm2),
    )


def _half(
    start: tuple[Floats, Floats], middle: tuple[Floats, Floats], end: tuple[Floats, Floats], middle_air_c: Floats
) -> Half:
    (u0, t0), (um, tm), (u1, t1) = start, middle, end
    exchange = (u0 + 4.0 * um + u1) / 6.0
    mean_drive = (u0 * t0 + 4.0 * um * tm + u1 * t1) / (6.0 * exchange)
    square = 3.0 * (t0 + t1) - 6.0 * mean_drive
    return Half(exchange / specific_heat_jkgk(middle_air_c), t0, t1 - t0 - square, square)


def _exchange(k: Knots, sky_view: Floats, emissivity: Floats, h_factor: float) -> tuple[Floats, Floats]:
    """Exchange of both faces [W/(m2 K)] and the temperature at which steel gains nothing [°C]."""
    air_k, sky_k = k.air_c + KELVIN_0C, k.sky_c + KELVIN_0C
    radiating = emissivity * SIGMA_WM2K4
    air_k2, sky_k2 = air_k * air_k, sky_k * sky_k  # numpy's third and fourth powers take ten times as long
    exchange = 2.0 * h_factor * convection_wm2k(k.wind_ms) + 8.0 * radiating * (air_k2 * air_k)
    gain = radiating * sky_view * (sky_k2 * sky_k2 - air_k2 * air_k2) + k.sun_wm2
    return exchange, k.air_c + gain / exchange


def hour_step(halves: tuple[Half, Half], thickness_mm: ArrayLike, step_h: ArrayLike = 1.0) -> tuple[Floats, Floats]:
    """`keep` and `add` [°C] of steps: steel at the end = keep x steel at the start + add. Stable for any thickness.

    Lumped: one temperature through the thickness, at most 0.2 K from the faces of a 125 mm plate in a gale front.
    Valid to about 150 mm.
    """
    mass_kgm2 = DENSITY_KG_M3 * 1e-3 * np.asarray(thickness_mm, dtype=np.float64)
    half_s = 1800.0 * np.asarray(step_h, dtype=np.float64)
    (keep1, add1), (keep2, add2) = (_half_step(half, mass_kgm2, half_s) for half in halves)
    return keep1 * keep2, keep2 * add1 + add2


def _half_step(half: Half, mass_kgm2: Floats, step_s: Floats) -> tuple[Floats, Floats]:
    z = half.exchange_kgm2s * (step_s / mass_kgm2)
    gone: Floats = -np.expm1(-z)
    lag = 1.0 - gone / z
    return 1.0 - gone, half.drive_c * gone + half.linear_k * lag + half.square_k * (1.0 - 2.0 * lag / z)


@dataclass(frozen=True, slots=True)
class Standing:
    """How some classes stand in the weather.

    Attributes:
        surroundings: the distinct ones.
        which: of each class, the place in `surroundings`.
        thickness_mm: of each class.
        sky_view, emissivity: of each of the `surroundings`.
    """

    surroundings: tuple[Surroundings, ...]
    which: NDArray[np.intp]
    thickness_mm: Floats
    sky_view: Floats
    emissivity: Floats


def standing_of(classes: Sequence[SteelClass]) -> Standing:
    """The standing of classes; `which` and `thickness_mm` in their order."""
    distinct = tuple(dict.fromkeys(c.surroundings for c in classes))
    place = {surroundings: i for i, surroundings in enumerate(distinct)}
    return Standing(
        distinct,
        np.array([place[c.surroundings] for c in classes], dtype=np.intp),
        np.array([c.thickness_mm for c in classes], dtype=np.float64),
        np.array([s.sky_view for s in distinct], dtype=np.float64),
        np.array([s.emissivity for s in distinct], dtype=np.float64),
    )


@dataclass(frozen=True, slots=True)
class Anchors:
    """Readings that can be carried to the stamp at or after them; parallel arrays.

    Attributes:
        row: class it re-anchors.
        at_h: hours from the start of the axis.
        steel_c: what was read [°C].
        stamp: the hour at or after it.
    """

    row: NDArray[np.intp]
    at_h: Floats
    steel_c: Floats
    stamp: NDArray[np.intp]

    def carried_c(self, knots: Knots, stand: Standing, h_factor: float = 1.0) -> Floats:
        """Each reading carried to its stamp [°C].

        Args:
            knots: weather at every stamp [hour, surroundings, ...], with one column where it is the same for all; any
                further axis is that of the result.
            stand: of the classes that `row` speaks of.
            h_factor: on the convection coefficient.
        """
        further = (1,) * (knots.air_c.ndim - 2)
        exposure, before = stand.which[self.row], np.floor(self.at_h).astype(np.intp)

        def per_reading(values: Floats) -> Floats:
            return values.reshape(-1, *further)

        def at_stamp(values: Floats, stamp: NDArray[np.intp]) -> Floats:
            taken: Floats = values[stamp, exposure if values.shape[1] != 1 else 0]
            return taken

        share = per_reading(self.at_h - before)

        def at_reading(values: Floats) -> Floats:
            mixed: Floats = (1.0 - share) * at_stamp(values, before) + share * at_stamp(values, self.stamp)
            return mixed

        sun = at_stamp(knots.sun_wm2, before)
        start = Knots(at_reading(knots.air_c), at_reading(knots.wind_ms), at_reading(knots.sky_c), sun)
        air_c, wind_ms, sky_c = (at_stamp(values, self.stamp) for values in (knots.air_c, knots.wind_ms, knots.sky_c))
        view, emissivity = per_reading(stand.sky_view[exposure]), per_reading(stand.emissivity[exposure])
        rest_h = per_reading(np.where(before == self.stamp, 1.0, self.stamp - self.at_h))
        halves = halves_of(start, Knots(air_c, wind_ms, sky_c, sun), view, emissivity, h_factor)
        keep, add = hour_step(halves, per_reading(stand.thickness_mm[self.row]), rest_h)
        read_c = per_reading(self.steel_c)
        return np.where(per_reading(self.stamp - self.at_h) == 0.0, read_c, keep * read_c + add)


def usable_anchors(anchors: Mapping[int, tuple[float, float]], which: NDArray[np.intp], known: Flags) -> Anchors:
    """The readings that lie on the axis, in an hour whose weather is known at both ends.

    Args:
        anchors: class -> (hours from the start of the axis, measured steel temperature [°C]).
        which: column of `known` of each class.
        known: whether the weather is known [hour, surroundings].
    """
    last = len(known) - 1
    inside = [(i, at, c) for i, (at, c) in anchors.items() if 0.0 <= at <= last and np.isfinite(c)]
    row = np.array([i for i, _, _ in inside], dtype=np.intp)
    at_h = np.array([at for _, at, _ in inside], dtype=np.float64)
    steel_c = np.array([steel_c for _, _, steel_c in inside], dtype=np.float64)
    before, after = np.floor(at_h).astype(np.intp), np.ceil(at_h).astype(np.intp)
    usable = known[before, which[row]] & known[after, which[row]]
    return Anchors(row[usable], at_h[usable], steel_c[usable], after[usable])


def begins_of(known: Flags) -> Flags:
    """Where a chain of known hours begins; first axis hours."""
    begins = known.copy()
    begins[1:] &= ~known[:-1]
    return begins


def first_steel_c(air_c: Floats, start_c: float | None) -> Floats:
    """Steel where a chain begins [°C]: the colder of the air and the given start."""
    return air_c if start_c is None else np.fmin(air_c, start_c)


def rain_stamps(hours: Hours, least_rain_mm_h: float) -> Flags:
    """The stamps at either end of an hour with rain, or with its amount missing [hour]."""
    rain: Flags = ~(hours.precip_mm < least_rain_mm_h)  # True where the amount is missing
    rain[1:] |= rain[:-1].copy()
    return rain


@dataclass(frozen=True, slots=True)
class _Variant:
    """One way to run the model: factor on convection, sky model, cloud where missing, with or without sun."""

    h_factor: float
    sky: Callable[[ArrayLike, ArrayLike, ArrayLike], Floats]
    missing_cloud: float
    sun: bool


@dataclass(frozen=True, slots=True)
class _Steps:
    """`keep` and `add` of every hour [hour - 1, class], and each reading carried to its stamp [°C]."""

    keep: Floats
    add: Floats
    anchored_c: Floats


def predict(
    hours: Hours,
    classes: Sequence[SteelClass],
    *,
    latitude: float,
    longitude: float,
    h_band: float,
    least_rain_mm_h: float,
    start_c: float | None = None,
    anchors: Mapping[int, tuple[float, float]] | None = None,
) -> SteelForecast:
    """Steel temperature of each class at each hour.

    The likely figure runs the model as it stands. The envelope adds, on either side, convection lowered and raised by
    `h_band` and the other sky model. What is not known goes to the safe side:

    - Missing air, dew point or wind (where no shelter states it): the steel is NaN at that hour, and the chain starts
      anew after the hole.
    - Missing cloud: clear sky for the likely figure and the cold side, overcast for the warm side.
    - Sun: only where the surroundings say so, and never on the cold side. Where the feed has none it is estimated
      from the sun's elevation and the cloud; with cloud missing too the likely figure gets none.
    - Rain takes steel to the wet-bulb temperature within minutes: in an hour with `least_rain_mm_h` or more, or with
      the amount missing, the cold side is not above the wet bulb, where the joint has any view of the sky. The likely
      figure and the warm side do not know rain.

    Args:
        hours: the weather; let it begin a day or two before the first hour shown, so that the start value is forgotten.
        classes: their order is the order of the rows of the result.
        latitude: for the sun, north positive [°].
        longitude: for the sun, east positive [°].
        h_band: relative half-width of the convection coefficient, 0 to below 1.
        least_rain_mm_h: precipitation from which rain wets steel [mm/h].
        start_c: coldest that the steel may have been at the start (a last night's low, a typed reading) [°C]. At the
            start and after a hole, steel starts from the colder of it and the air.
        anchors: class index -> (hours from the start of the axis, measured steel temperature [°C]), one reading each.
            From the first stamp at or after the reading the class goes on from it in every variant. A reading before
            the axis or after its end is left out, and so is one in an hour with missing weather at either end; fold
            an older reading into `start_c`.

    Raises:
        OutOfRange: `h_band` outside 0 to 1.
    """
    if not 0.0 <= h_band < 1.0:
        raise OutOfRange(f"h_band is {h_band:g}, 0 to below 1 is needed")
    scene = _Scene(hours, classes, latitude, longitude, least_rain_mm_h, start_c, anchors or {})
    sides = ((1.0 - h_band, sky_c), (1.0 + h_band, sky_c), (1.0, other_sky_c))
    nominal = scene.effective(_Variant(1.0, sky_c, 0.0, sun=True))
    colder = [scene.effective(_Variant(factor, sky, 0.0, sun=False)) for factor, sky in sides]
    warmer = [scene.effective(_Variant(factor, sky, 1.0, sun=True)) for factor, sky in sides]
    steps = {variant: scene.steps(variant) for variant in {nominal, *colder, *warmer}}
    likely = scene.run(steps[nominal], rain=False)
    cold = [scene.run(steps[variant], rain=True) for variant in colder]
    warm = [scene.run(steps[variant], rain=False) for variant in warmer]
    weight = scene.start_weight(steps[colder[0]])  # least convection: forgets slowest
    with_dew = hours.dew_c[:, None]
    wet = likely < np.where(likely < 0.0, frost_point_c(with_dew), with_dew)
    return SteelForecast(
        steel_c=_by_class(likely),
        coldest_c=_by_class(np.minimum.reduce([likely, *cold])),
        warmest_c=_by_class(np.maximum.reduce([likely, *warm])),
        start_weight=_by_class(np.where(np.isnan(likely), np.nan, weight)),
        wet=np.ascontiguousarray(wet.T),
        frost=np.ascontiguousarray((wet & (likely < 0.0)).T),
    )


def _by_class(values: Floats) -> Floats:
    return np.ascontiguousarray(values.T)


class _Scene:
    """What all variants of one prediction share. Arrays run [hour, exposure] or [hour, class]."""

    def __init__(
        self,
        hours: Hours,
        classes: Sequence[SteelClass],
        latitude: float,
        longitude: float,
        least_rain_mm_h: float,
        start_c: float | None,
        anchors: Mapping[int, tuple[float, float]],
    ) -> None:
        self._hours = hours
        self._stand = standing_of(classes)
        shape = (len(hours), len(self._stand.surroundings))
        self._wind = np.empty(shape)
        self._sun = np.empty(shape)
        sun = _sun_of_hours(hours, latitude, longitude)
        for i, surroundings in enumerate(self._stand.surroundings):
            self._wind[:, i] = wind_at_joint_ms(hours.wind_10m_ms, surroundings)
            self._sun[:, i] = absorbed_sun_wm2(sun, surroundings)
        known = np.isfinite(self._wind) & np.isfinite(hours.air_c + hours.dew_c)[:, None]
        first_c = first_steel_c(hours.air_c, start_c)
        self._starts = np.where(begins_of(known), first_c[:, None], np.nan)[:, self._stand.which]
        self._cap = self._rain_cap(least_rain_mm_h)
        self._no_cap = np.full_like(self._cap, np.inf)
        self._anchors = usable_anchors(anchors, self._stand.which, known)

    def _rain_cap(self, least_rain_mm_h: float) -> Floats:
        """Wet bulb at the stamps that rain touches, infinite elsewhere [hour, class]."""
        rain = rain_stamps(self._hours, least_rain_mm_h)
        wet_bulb = wet_bulb_c(self._hours.air_c, self._hours.dew_c)
        cap = np.where(rain[:, None] & (self._stand.sky_view > 0.0), wet_bulb[:, None], np.inf)
        return cap[:, self._stand.which]

    def effective(self, variant: _Variant) -> _Variant:
        """The variant without what makes no difference here, so that equal ones are worked out once."""
        return _Variant(
            variant.h_factor,
            variant.sky,
            variant.missing_cloud if np.isnan(self._hours.cloud).any() else 0.0,
            variant.sun and bool(self._sun.any()),
        )

    def steps(self, variant: _Variant) -> _Steps:
        """Every hour's step of every class under one variant."""
        knots = self._knots(variant)
        start = Knots(knots.air_c[:-1], knots.wind_ms[:-1], knots.sky_c[:-1], knots.sun_wm2[:-1])
        end = Knots(knots.air_c[1:], knots.wind_ms[1:], knots.sky_c[1:], knots.sun_wm2[:-1])
        stand = self._stand
        first, second = halves_of(start, end, stand.sky_view, stand.emissivity, variant.h_factor)
        keep, add = hour_step((first.of(stand.which), second.of(stand.which)), stand.thickness_mm)
        return _Steps(keep, add, self._anchors.carried_c(knots, stand, variant.h_factor))

    def run(self, steps: _Steps, *, rain: bool) -> Floats:
        """Steel temperature under one variant [hour, class]; with `rain` not above the wet bulb where it rains."""
        resets = self._starts.copy()
        resets[self._anchors.stamp, self._anchors.row] = steps.anchored_c
        return _chain(steps.keep, steps.add, resets, self._cap if rain else self._no_cap)

    def start_weight(self, steps: _Steps) -> Floats:
        """Share of the start value's error that is left under one variant [hour, class]."""
        resets = np.where(np.isnan(self._starts), np.nan, 1.0)
        resets[self._anchors.stamp, self._anchors.row] = 0.0
        return _chain(steps.keep, np.zeros_like(steps.keep), resets, self._no_cap)

    def _knots(self, variant: _Variant) -> Knots:
        """Weather at every stamp; the sun is the mean of the hour that follows."""
        hours = self._hours
        cloud = np.where(np.isnan(hours.cloud), variant.missing_cloud, hours.cloud)
        sky = variant.sky(hours.air_c, hours.dew_c, cloud)
        sun = self._sun if variant.sun else np.zeros_like(self._sun)
        return Knots(hours.air_c[:, None], self._wind, sky[:, None], sun)


def _sun_of_hours(hours: Hours, latitude: float, longitude: float) -> Floats:
    """Global sun of each following hour [W/m2]: the feed's, else estimated, else none."""
    estimate = np.nan_to_num(estimated_sun_of_hours_wm2(hours.start_utc, latitude, longitude, hours.cloud))
    sun: Floats = np.where(np.isnan(hours.sun_wm2), estimate, hours.sun_wm2)
    return sun


def _chain(keep: Floats, add: Floats, resets: Floats, cap: Floats) -> Floats:
    """Step through the hours; at each stamp a finite reset replaces the state, then `cap` bounds it from above."""
    states = np.full_like(resets, np.nan)
    resetting: Flags = np.any(np.isfinite(resets), axis=1)
    capped: Flags = np.any(np.isfinite(cap), axis=1)
    for k, state in enumerate(states):
        if k > 0:
            np.multiply(keep[k - 1], states[k - 1], out=state)
            state += add[k - 1]
        if resetting[k]:
            np.copyto(state, resets[k], where=np.isfinite(resets[k]))
        if capped[k]:
            np.minimum(state, cap[k], out=state)
    return states
