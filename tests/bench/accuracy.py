"""How far the heating engine is from the reference plates, and the steel temperature from its references.

    python tests/bench/accuracy.py

Heating: `fixtures/reference/heating.json`, 26 flat plates of an independent three-dimensional solver; mean / rms /
worst in per cent, holds over 60 s only. They are the plates that the method was chosen with; none was measured.
Tees of the same make: the time to the minimum of each part as a flat plate, by the section's response, and with what
parts that are one piece give each other; trains of heatings with breaks: difference over all moments, K.
Steel: `fixtures/reference/ambient.json`, two weathers and seven thicknesses, solved with Radau on the full nonlinear
equation; K. `tests/rules` holds the limits that both must keep.
"""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np

from frostshift_rules.heating import Floats, heat_up, seconds_to_minimum

ROOT = Path(__file__).parents[2]


def load(name: str) -> ModuleType:
    """A test module, for the reading of the references that it holds."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "tests" / "rules" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def said(error: Floats) -> str:
    """Mean, rms and worst in per cent."""
    percent = 100.0 * error
    if not len(percent):
        return "-"
    return f"{percent.mean():+.1f} / {np.sqrt((percent**2).mean()):.1f} / {np.abs(percent).max():.1f}"


def main() -> None:
    """Print both tables."""
    tests = load("test_heating")
    plates = json.loads((ROOT / "fixtures" / "reference" / "heating.json").read_text(encoding="utf-8"))["cases"]
    plates = [plate for plate in plates if plate["kind"] == "plate"]
    cases = tests.plate_cases()
    answer, minimum_s = heat_up(cases), seconds_to_minimum(cases)

    def reference(name: str) -> Floats:
        return np.array([plate["reference"][name] for plate in plates])

    start_c = cases.start_c
    errors = {
        "to minimum": minimum_s / reference("t_Tmin_s") - 1.0,
        "to target": answer.to_target_s / reference("t_off_s") - 1.0,
        "hold": answer.hold_s / reference("hold_s") - 1.0,
        "hottest rise": (answer.hottest_c - start_c) / (reference("T_peak_C") - start_c) - 1.0,
    }
    long_hold = reference("hold_s") > 60.0
    thickness_mm = 1000.0 * cases.thickness_m
    everything = np.ones(len(plates), dtype=np.bool_)
    sets: dict[str, Callable[[], np.ndarray]] = {
        "all": lambda: everything,
        "without P11": lambda: np.array([plate["id"] != "P11" for plate in plates]),
        "up to 25 mm": lambda: thickness_mm <= 25.0,
        "25 to 75 mm": lambda: (thickness_mm > 25.0) & (thickness_mm < 75.0),
        "75 mm and over": lambda: thickness_mm >= 75.0,
        "strips": lambda: np.isfinite(cases.edge_y_m),
        "both faces": lambda: cases.both_faces,
    }
    print(f"{'plates':16}{'n':>3}  " + "".join(f"{name:>22}" for name in errors))
    for name, pick in sets.items():
        rows = pick()
        cells = [said(error[rows & long_hold] if what == "hold" else error[rows]) for what, error in errors.items()]
        print(f"{name:16}{rows.sum():3}  " + "".join(f"{cell:>22}" for cell in cells))

    print(f"\n{'tee':4}{'contact':9}{'part':10}{'reference':>10}{'flat plate':>12}{'section':>10}{'one piece':>11}")
    for name, tee in tests.TEES.items():
        one_piece = tee["inputs"]["R_contact"] == 0.0
        alone = tests.tee_cases(tee["inputs"], one_piece=False)
        flat = replace(alone, web_m=np.zeros(2), web_depth_m=np.zeros(2))
        answers = [seconds_to_minimum(cases) for cases in (flat, alone)]
        if one_piece:
            answers.append(seconds_to_minimum(tests.tee_cases(tee["inputs"], one_piece=True)))
        for row, (part, key) in enumerate((("column", "t_Tmin_column_flange_s"), ("beam", "t_Tmin_beam_flange_s"))):
            wanted = tee["reference"][key]
            errors_text = "".join(f"{100.0 * (seconds[row] / wanted - 1.0):+10.1f}%" for seconds in answers)
            contact, thickness = "welded" if one_piece else "gap", f"{1000.0 * alone.thickness_m[row]:.0f} mm"
            print(f"{name:4}{contact:9}{part:7}{thickness:>7}{wanted:8.0f} s{errors_text}")

    print("\ntrain: lowest / mean / highest difference, K")
    for name, train in tests.TRAINS.items():
        difference = tests.train_difference(train)
        print(f"{name:4}{difference.min():+.1f} / {difference.mean():+.1f} / {difference.max():+.1f}")

    steel = load("test_steel")
    print("\nsteel temperature, K: largest / mean")
    for case in steel.REFERENCE:
        for thickness_m, wanted in case["lumped_C"].items():
            error = np.abs(steel.reference_run(case, thickness_m) - wanted)
            print(f"{case['id']:4}{1000.0 * float(thickness_m):5.0f} mm  {error.max():.3f} / {error.mean():.4f}")


if __name__ == "__main__":
    main()
