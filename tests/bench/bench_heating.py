"""Heating answers per second on one core, against the same cases one at a time and against scipy's quadrature.

Run: python tests/bench/bench_heating.py
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from time import process_time

import numpy as np
from scipy.integrate import quad
from scipy.special import erf

from frostshift_rules.conduction import Responses, forget_responses
from frostshift_rules.heating import HeatCases, heat_up, zone_points


def mixed_cases(count: int = 3000) -> HeatCases:
    """Invented joints: 6 to 150 mm, half of them edge to edge, a third with a free edge across, a fifth from both."""
    rng = np.random.default_rng(1)
    thickness = rng.choice([6, 10, 12, 16, 20, 25, 32, 38, 50, 63, 75, 100, 125, 150], count) / 1e3
    extent, margin = np.maximum(0.075, thickness), rng.uniform(0.02, 0.06, count)
    half_weld = rng.uniform(0.1, 0.35, count)
    edge_to_edge, both_faces = rng.random(count) < 0.5, rng.random(count) < 0.2
    edge_x = np.where(rng.random(count) < 0.33, rng.uniform(0.15, 0.5, count), np.inf)
    air, minimum = rng.uniform(-30.0, 5.0, count), rng.choice([10.0, 20.0, 65.0, 110.0, 150.0], count)
    x, y = zone_points(extent, half_weld, edge_to_edge, edge_x)
    return HeatCases(
        thickness_m=thickness,
        both_faces=both_faces,
        half_width_m=np.minimum(extent + margin, edge_x),
        half_length_m=np.where(edge_to_edge, half_weld, half_weld + extent + margin),
        edge_x_m=edge_x,
        edge_y_m=np.where(edge_to_edge, half_weld, np.inf),
        flux_wm2=(20e3 + 5e5 * thickness) * np.where(both_faces, 0.6, 1.0) * rng.uniform(0.8, 1.3, count),
        convection_wm2k=rng.uniform(4.0, 40.0, count),
        emissivity=np.full(count, 0.8),
        air_c=air,
        start_c=air + rng.uniform(0.0, 8.0, count),
        minimum_c=minimum,
        target_c=minimum + 25.0,
        point_x_m=x,
        point_y_m=y,
    )


def adaptive_temperature(cases: HeatCases, row: int, seconds: float) -> float:
    """One temperature of one point by adaptive quadrature of the same kernel without edges and property turns."""
    thickness, diffusivity = cases.thickness_m[row], 1.2e-5
    x, y = cases.point_x_m[row, 0], cases.point_y_m[row, 0]
    w, v = cases.half_width_m[row], cases.half_length_m[row]
    images = thickness * (1.0 + 2.0 * np.arange(-8, 8))

    def kernel(root_t: float) -> float:
        spread = np.sqrt(4.0 * diffusivity) * root_t
        through = np.exp(-((images / spread) ** 2)).sum() / spread
        across = erf((w - x) / spread) + erf((w + x) / spread)
        return float(root_t * through * across * (erf((v - y) / spread) + erf((v + y) / spread)))

    return float(quad(kernel, 1e-6, np.sqrt(seconds), limit=200)[0])


def seconds(work: Callable[[], object]) -> float:
    """Processor time of the work, best of three."""
    times = []
    for _ in range(3):
        start = process_time()
        work()
        times.append(process_time() - start)
    return min(times)


def inversions(cases: HeatCases, row: int, count: int) -> Callable[[], object]:
    """Times to a target from `count` start temperatures on the kept curve of one case."""
    one = cases.rows(np.array([row]))
    curve = Responses(one.geometry()).curve(
        source=one.flux_wm2 / (45.0 * one.thickness_m),
        away=np.zeros(1),
        damping=2.0 * 20.0 / (45.0 * one.thickness_m),
        diffusivity=np.array([1.2e-5]),
    )
    coldest = curve.rows(np.zeros(count, dtype=np.intp)).only(np.zeros((count, 1), dtype=np.intp))
    rises = np.linspace(20.0, 120.0, count)
    return lambda: coldest.seconds_to(rises)


def main() -> None:
    """Print the comparison."""
    cases = mixed_cases()
    forget_responses()
    begin = process_time()
    answers = heat_up(cases)
    cold = (process_time() - begin) / len(cases)
    batch = seconds(lambda: heat_up(cases)) / len(cases)
    rows = np.repeat(np.arange(100), 100)
    classes = cases.rows(rows)
    starts = np.minimum(classes.start_c + np.random.default_rng(2).uniform(0.0, 5.0, len(rows)), classes.minimum_c)
    classes = replace(classes, start_c=starts)
    heat_up(classes)
    alike = seconds(lambda: heat_up(classes)) / len(classes)
    some = [cases.rows(np.array([row])) for row in range(100)]
    single = seconds(lambda: [heat_up(case) for case in some]) / len(some)
    finite = np.flatnonzero(np.isfinite(answers.to_target_s))[:100]
    adaptive = seconds(lambda: [adaptive_temperature(cases, row, answers.to_target_s[row]) for row in finite]) / 100
    inversion = seconds(inversions(cases, int(finite[0]), 100_000)) / 100_000
    print("full answers: time to the target with three turns, hold, reheat, hottest metal, elasticity; one core")
    print(f"{len(cases)} unlike joints, nothing kept: {1 / cold:,.0f} answers/s")
    print(f"the same again, responses kept: {1 / batch:,.0f} answers/s")
    print(f"{len(classes):,} joints of 100 classes, each from its own start: {1 / alike:,.0f} answers/s")
    print(f"one at a time: {1 / single:.0f} answers/s; the batch is {single / batch:.0f} times as fast")
    print(f"inversions of a kept curve: {1 / inversion:,.0f}/s")
    print(
        f"one temperature by scipy.integrate.quad: {1 / adaptive:.0f}/s; an answer costs {batch / adaptive:.2f} of it, "
        f"with nothing kept {cold / adaptive:.2f}"
    )


if __name__ == "__main__":
    main()
