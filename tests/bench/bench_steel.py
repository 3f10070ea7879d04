"""Steel temperature: accuracy and speed against scipy's Radau on published winter weather.

Run `python tests/bench/bench_steel.py`. Weather: the 240 coldest hours of the TMY3 file of Sand Point, Alaska, that
ships with pvlib (public domain, NREL). Radau solves the full nonlinear equation for a sample of the classes, each class
on its own as the work would be done with it, and its time is scaled to all classes by their number. Two tolerances:
1e-3 K, about the accuracy of the hour step, and 1e-6 K, the reference for the errors. `predict` runs the likely figure,
three variants for the envelope and the weight of the start; the ratio "per variant" counts the four for what they are.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
from scipy.integrate import solve_ivp

from frostshift_rules.steel import SteelClass, predict, steel_class
from frostshift_rules.surroundings import Floats, Hours, Surroundings, sky_c, wind_at_joint_ms

HOURS = 240
THICKNESS_MM = np.linspace(6.0, 150.0, 40).round(1)
EXPOSURES = [Surroundings(view, factor) for view in (1.0, 0.5, 0.0) for factor in (1.0, 0.7)]
SAMPLE = slice(0, None, 17)


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
    for tolerance_k in (1e-3, 1e-6):
        begin = time.process_time()
        exact = np.array([radau(hours, steel, tolerance_k) for steel in sample])
        radau_s = (time.process_time() - begin) * len(classes) / len(sample)
        error = np.abs(forecast.steel_c[SAMPLE] - exact)
        print(
            f"Radau at {tolerance_k:g} K: {radau_s:.0f} s scaled from {len(sample)} classes; "
            f"ratio {radau_s / predict_s:,.0f} (likely figure alone against all of predict), "
            f"{4.0 * radau_s / predict_s:,.0f} per variant; "
            f"difference max {error.max():.3f} K, mean {error.mean():.4f} K"
        )


if __name__ == "__main__":
    main()
