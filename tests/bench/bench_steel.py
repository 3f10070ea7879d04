"""Steel temperature: accuracy and speed against scipy's Radau on published winter weather, one run and an ensemble.

Run `python tests/bench/bench_steel.py`. Weather: the 240 coldest hours of the TMY3 file of Sand Point, Alaska, that
ships with pvlib (public domain, NREL). Radau solves the full nonlinear equation for a sample of the classes, each class
on its own as the work would be done with it, and its time is scaled to all classes by their number. Two tolerances:
1e-3 K, about the accuracy of the hour step, and 1e-6 K, the reference for the errors. `predict` runs the likely figure,
three variants for the envelope and the weight of the start; the ratio "per variant" counts the four for what they are.

The ensemble is 51 members scattered round that weather at random (fixed seed). 5,000 joints fall into the 240 classes;
the step is timed with its quantiles, and the chance for two parts a joint over windows of 3 to 12 hours apart. As
yardsticks, in the same run: the time that it takes to write the result of joints x hours x members, and of classes x
hours x members, once to new memory (float32), and Radau's time for one run of the classes, times 51. Memory is that of
the arrays, traced in a run of its own since tracing takes time.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
from scipy.integrate import solve_ivp

from frostshift_rules.members import MemberSteel
from frostshift_rules.steel import SteelClass, predict, steel_class
from frostshift_rules.surroundings import Floats, Hours, Members, Surroundings, sky_c, wind_at_joint_ms

HOURS = 240
THICKNESS_MM = np.linspace(6.0, 150.0, 40).round(1)
EXPOSURES = [Surroundings(view, factor) for view in (1.0, 0.5, 0.0) for factor in (1.0, 0.7)]
SAMPLE = slice(0, None, 17)
JOINTS, MEMBERS = 5000, 51


def winter_hours() -> Hours:
    """The hours; TMY3 stamps the end of the hour, and what is read at the stamp is taken as read there."""
    path = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    rows = pd.read_csv(path, skiprows=1).iloc[8142 : 8142 + HOURS]
    air, dew, wind, cloud = (
        rows[name].to_numpy(dtype=np.float64)
        for name in ("Dry-bulb (C)", "Dew-point (C)", "Wspd (m/s)", "TotCld (tenths)")
    )
    none = np.zeros(HOURS)
    return Hours(datetime(2025, 12, 6, 15, tzinfo=UTC), air, dew, wind, cloud / 10.0, none, none, wind, none)


def radau(hours: Hours, steel: SteelClass, tolerance_k: float) -> Floats:
    """The full equation over all hours in one call, with steps of an hour at most so that no hour is skipped."""
    at = 3600.0 * np.arange(len(hours))
    around = steel.surroundings
    mass = 7850.0 * steel.thickness_mm * 1e-3
    air, sky = hours.air_c + 273.15, sky_c(hours.air_c, hours.dew_c, hours.cloud) + 273.15
    knots = np.array([air, sky, wind_at_joint_ms(hours.wind_10m_ms, around)])

    def rise(t: float, c: Floats) -> Floats:
        k = min(int(t // 3600.0), len(at) - 2)
        a, s, v = knots[:, k] + (t / 3600.0 - k) * (knots[:, k + 1] - knots[:, k])
        kelvin = c + 273.15
        radiation = around.sky_view * (s**4 - kelvin**4) + (2.0 - around.sky_view) * (a**4 - kelvin**4)
        gain = 2.0 * (4.0 + 4.0 * v) * (a - kelvin) + around.emissivity * 5.670374419e-8 * radiation
        return gain / (mass * (425.0 + 0.773 * c - 1.69e-3 * c**2 + 2.22e-6 * c**3))

    return solve_ivp(
        rise, (at[0], at[-1]), hours.air_c[:1], "Radau", at, max_step=3600.0, rtol=tolerance_k, atol=tolerance_k
    ).y[0]


def scattered(hours: Hours) -> Members:
    """Members that drift apart with the hours."""
    random = np.random.default_rng(51)
    shape = (MEMBERS, HOURS)
    drift = np.cumsum(random.normal(0.0, 0.25, shape), axis=1)
    series = (
        hours.air_c + drift,
        hours.dew_c + drift - 0.5,
        np.abs(hours.wind_10m_ms + random.normal(0.0, 1.5, shape)),
        np.clip(hours.cloud + random.normal(0.0, 0.2, shape), 0.0, 1.0),
    )
    return Members(hours.start_utc, *(values.astype(np.float32) for values in series))


def seconds(work: Callable[[], object], times: int = 15) -> tuple[float, float]:
    """Best and median of several runs, processor time."""
    taken = []
    for _ in range(times):
        begin = time.process_time()
        work()
        taken.append(time.process_time() - begin)
    return min(taken), float(np.median(taken))


def peak_mb(work: Callable[[], object]) -> float:
    """Most memory held by arrays at one time."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


def written(count: int) -> float:
    """Best time to write a result of that many classes or joints once to new memory."""
    return seconds(lambda: np.empty((HOURS, count, MEMBERS), dtype=np.float32).fill(-5.0), 5)[0]


def ensemble(hours: Hours, classes: list[SteelClass], radau_s: float) -> None:
    """Measure and print the steel of the members."""
    members = scattered(hours)
    random = np.random.default_rng(7)
    parts = 2 * JOINTS
    kind = random.integers(0, len(classes), parts)
    first = random.integers(0, HOURS - 12, JOINTS).repeat(2)
    last = first + random.integers(3, 13, JOINTS).repeat(2)
    kinds = [(row,) for row in range(len(classes))]

    def step() -> MemberSteel:
        steel = MemberSteel(hours, members, classes, least_rain_mm_h=0.2)
        steel.quantiles()
        return steel

    def chance(steel: MemberSteel) -> None:
        steel.least(kinds, kind, first, last)

    best_s, median_s = seconds(step)
    ready = step()
    chance_best_s, chance_s = seconds(lambda: chance(ready))
    print(f"\n{JOINTS:,} joints in {len(classes)} classes x {HOURS} hours x {MEMBERS} members, float32")
    print(f"step and quantiles: {1e3 * median_s:.0f} ms (best {1e3 * best_s:.0f} ms)")
    print(f"chance of {JOINTS:,} joints with two parts: {1e3 * chance_s:.0f} ms (best {1e3 * chance_best_s:.0f} ms)")
    of_step, of_both = peak_mb(step), peak_mb(lambda: chance(step()))
    print(f"peak of the arrays: {of_step:.0f} MB for the step, {of_both:.0f} MB with the chance")
    print(f"Radau at 0.001 K, one run of the classes times {MEMBERS}: ratio {MEMBERS * radau_s / median_s:,.0f}")
    for what, count in (("joints", JOINTS), ("classes", len(classes))):
        write_s = written(count)
        print(
            f"writing [{HOURS} x {count} {what} x {MEMBERS}] once, {4e-6 * HOURS * count * MEMBERS:.0f} MB: "
            f"{1e3 * write_s:.1f} ms; the step is {best_s / write_s:.1f} times that"
        )
    states = ready.states(np.arange(len(classes)))
    worst = 0.0
    for number in range(0, MEMBERS, 10):
        series = (
            getattr(members, name)[number].astype(np.float64) for name in ("air_c", "dew_c", "wind_10m_ms", "cloud")
        )
        alone = Hours(hours.start_utc, *series, hours.precip_mm, hours.snow_cm, hours.gust_10m_ms, hours.sun_wm2)
        exact = predict(alone, classes, latitude=55.3, longitude=-160.5, h_band=0.3, least_rain_mm_h=0.2).steel_c
        worst = max(worst, float(np.abs(states[:, :, number].T - exact).max()))
    print(f"difference of single members from `predict` in float64: at most {worst:.1e} K")


def main() -> None:
    """Measure and print."""
    hours = winter_hours()
    classes = [steel_class(float(mm), around) for around in EXPOSURES for mm in THICKNESS_MM]
    ours_s = []
    for _ in range(9):
        begin = time.process_time()
        forecast = predict(hours, classes, latitude=55.3, longitude=-160.5, h_band=0.3, least_rain_mm_h=0.2)
        ours_s.append(time.process_time() - begin)
    predict_s = float(np.median(ours_s))
    print(f"{len(classes)} classes x {HOURS} hours, processor time, one core")
    print(f"predict, likely + envelope + weight: {1e3 * predict_s:.1f} ms (first call {1e3 * ours_s[0]:.1f} ms)")
    sample = classes[SAMPLE]
    of_tolerance_s = {}
    for tolerance_k in (1e-3, 1e-6):
        begin = time.process_time()
        exact = np.array([radau(hours, steel, tolerance_k) for steel in sample])
        radau_s = (time.process_time() - begin) * len(classes) / len(sample)
        of_tolerance_s[tolerance_k] = radau_s
        error = np.abs(forecast.steel_c[SAMPLE] - exact)
        print(
            f"Radau at {tolerance_k:g} K: {radau_s:.0f} s scaled from {len(sample)} classes; "
            f"ratio {radau_s / predict_s:,.0f} (likely figure alone against all of predict), "
            f"{4.0 * radau_s / predict_s:,.0f} per variant; "
            f"difference max {error.max():.3f} K, mean {error.mean():.4f} K"
        )
    ensemble(hours, classes, of_tolerance_s[1e-3])


if __name__ == "__main__":
    main()
