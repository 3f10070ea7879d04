"""Planning 5,000 joints over 240 hours, from the store to the stored plan, split by step.

    python tests/bench/bench_plan.py [joints]

The joints are drawn at random with a fixed seed: 150 details (two parts of 24 thicknesses and five steels, lengths,
reaches, exposures, heights, torches), each built some thirty times at its own time within ten days; the 51 members of
the forecast are the forecast with noise that grows with the lead. A cold plan is the first of a process: no response is
kept (`conduction.forget_responses`). A warm one is the next, of the same joints with a forecast that is 0.3 K warmer or
colder than the last. One run to get going and the best of three of each, in processor time, so that other programs
count little; the collector of cyclic garbage stands still, as in the service; the steps of `make_plan` are its own
calls, timed from outside. Plans without members are timed last. The ratio is to a baseline in the same run: reading and
writing the store.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from frostshift_rules import conduction, heating, plan
from frostshift_rules.job import Joint, Part
from frostshift_rules.plan import make_plan
from frostshift_rules.surroundings import Floats, Hours, Members
from frostshift_rules.tables import load_code_table
from frostshift_service import demo, jobs
from frostshift_service.store import forecasts, joints, plans, sites
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.records import ImportedJoint, KeptForecast

NOW = datetime(2027, 1, 11, 11, tzinfo=UTC)
HOURS = 240
MEMBERS = 51
SHIFT_K = 0.3
THICKNESSES_MM = [10, 12, 16, 19, 20, 22, 25, 28, 32, 35, 38, 40, 45, 50, 55, 60, 65, 70, 75, 80, 90, 100, 110, 125]
REACHES_MM = [None, None, 150.0, 300.0]
STEELS = ["A36", "A572-50", "A992", "A588", "A572-65"]


def weather(warmer_k: float = 0.0) -> Hours:
    """A front on the first night, cold after it."""
    hour = np.arange(HOURS, dtype=float)
    air_c = -4.0 - 14.0 / (1.0 + np.exp(-(hour - 15.0) / 2.0)) + 5.0 * np.cos((hour - 3.0) * np.pi / 12.0) + hour / 24.0
    air_c = air_c + warmer_k
    wind_ms = 3.0 + 5.0 * np.exp(-(((hour - 15.0) / 6.0) ** 2)) + 1.5 * np.sin(hour / 5.0)
    cloud = np.clip(0.5 + 0.5 * np.sin(hour / 17.0), 0.0, 1.0)
    none = np.zeros(HOURS)
    start = NOW - timedelta(hours=6)
    return Hours(start, air_c, air_c - 4.0, wind_ms, cloud, none, none, wind_ms * 1.5, none)


def members(of: Hours) -> Members:
    """The forecast with noise around it that grows with the root of the lead: 1 K and 0.5 m/s after a day."""
    noise = np.random.default_rng(3)

    def among(values: Floats, after_a_day: float, low: float, high: float) -> Any:
        walk = np.cumsum(noise.normal(size=(MEMBERS, HOURS)), axis=1) / np.sqrt(24.0)
        return np.clip(values + after_a_day * walk, low, high).astype(np.float32)

    air_c = among(of.air_c, 1.0, -60.0, 50.0)
    wind_ms, cloud = among(of.wind_10m_ms, 0.5, 0.0, 60.0), among(of.cloud, 0.1, 0.0, 1.0)
    return Members(of.start_utc, air_c, air_c - np.float32(4.0), wind_ms, cloud)


def details(random_: random.Random, count: int = 150) -> list[Joint]:
    """The details of a big job: what is drawn once and built many times."""
    made = []
    for number in range(count):
        parts = tuple(
            Part(
                random_.choice(STEELS), float(random_.choice(THICKNESSES_MM)), None, "plate", random_.choice(REACHES_MM)
            )
            for _ in range(2)
        )
        made.append(
            Joint(
                mark=f"D{number:03}",
                place="",
                parts=parts,
                process="SMAW",
                electrode="E7018",
                hydrogen_ml=4.0,
                procedure=None,
                weld_length_mm=50.0 * random_.randrange(4, 24),
                ends=random_.choice(["inside", "edge_to_edge"]),
                start_utc=NOW,
                hours=random_.choice([1.0, 2.0, 3.0, 5.0]),
                exposure=random_.choice(["open", "half", "covered"]),
                height_m=random_.choice([3.0, 10.0, 20.0]),
                torches=random_.choice([1, 2, 3]),
                heat_source="rosebud",
            )
        )
    return made


def joint(number: int, detail: Joint, random_: random.Random) -> Joint:
    """One joint of a big job: a detail at its own time."""
    start = NOW + timedelta(minutes=30 * random_.randrange(4, 2 * (HOURS - 20)))
    return replace(detail, mark=f"J{number:05}", start_utc=start)


class Clock:
    """Seconds by step."""

    def __init__(self) -> None:
        self.seconds: defaultdict[str, float] = defaultdict(float)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Add the time spent inside."""
        begin = time.process_time()
        yield
        self.seconds[name] += time.process_time() - begin

    def around(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function, timed."""

        def timed(*args: Any, **kwargs: Any) -> Any:
            with self.step(name):
                return function(*args, **kwargs)

        return timed


TIMED = [
    (plan, "_requirements", "  requirements"),
    (plan, "chances", "  chances"),
    (plan, "outlook", "  steel and air"),
    (plan, "_judge", "  windows judged"),
    (heating, "seconds_to_target", "  first light-up, solved"),
    (heating, "heat_up", "  heat-up, hold, solved"),
    (plan, "shift_totals", "  totals"),
]


def run(engine: Any, site_id: str, among: Members | None) -> Clock:
    """From the store to the stored plan; the members, if any, join the forecast on the way."""
    clock = Clock()
    kept = [(module, name, getattr(module, name)) for module, name, _ in TIMED]
    for module, name, label in TIMED:
        setattr(module, name, clock.around(label, getattr(module, name)))
    try:
        with clock.step("whole"), jobs.without_collector():
            with clock.step("read from the store"), reading(engine) as session:
                made_from = jobs._made_from(session, site_id, NOW)
            inputs = made_from.inputs
            inputs = replace(inputs, weather=replace(inputs.weather, members=among))
            with clock.step("make_plan"):
                table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
                made = make_plan(inputs.site, table, inputs.joints, inputs.weather, inputs.readings, NOW)
            with clock.step("write to the store"), writing(engine) as session:
                plans.keep_plan(session, made, inputs, made_from.forecast_id, revision=made_from.revision)
    finally:
        for module, name, function in kept:
            setattr(module, name, function)
    calls = defaultdict(int)
    for one in made.joints:
        calls[one.call, one.heat.status if one.heat else "-"] += 1
    run.calls = dict(calls)  # type: ignore[attr-defined]
    return clock


def best_of(clocks: list[Clock]) -> dict[str, float]:
    """The seconds by step of the quickest run."""
    return min(clocks, key=lambda clock: clock.seconds["make_plan"]).seconds


def main() -> None:
    """Fill a store, plan, print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    random_ = random.Random(7)
    site = demo.demo_site(NOW)
    site = replace(site, code_units="si", last_nights_low_c=-10.0)
    with tempfile.TemporaryDirectory() as folder:
        engine = open_store(f"sqlite:///{Path(folder, 'bench.db').as_posix()}")
        with writing(engine) as session:
            sites.save_site(session, site, feed="file")
            drawn = details(random_)
            items = [ImportedJoint(joint(n, random_.choice(drawn), random_), n + 2) for n in range(count)]
            joints.import_joints(session, site.id, items, file_name="bench", now=NOW, by="bench")

        def planned(warmer_k: float, *, cold: bool, with_members: bool = True) -> Clock:
            hours = weather(warmer_k)
            kept = KeptForecast("file", NOW, NOW, hours, b"{}", "invented")
            with writing(engine) as session:
                forecasts.keep_forecast(session, site.id, kept)
            if cold:
                conduction.forget_responses()
            return run(engine, site.id, members(hours) if with_members else None)

        planned(0.0, cold=True)
        found: dict[str, list[Clock]] = defaultdict(list)
        for sign in (1.0, -1.0, 1.0):
            found["cold"].append(planned(0.0, cold=True))
            found["warm"].append(planned(sign * SHIFT_K, cold=False))
        for sign in (1.0, -1.0, 1.0):
            found["cold, no members"].append(planned(0.0, cold=True, with_members=False))
            found["warm, no members"].append(planned(sign * SHIFT_K, cold=False, with_members=False))
        engine.dispose()
    best = {name: best_of(clocks) for name, clocks in found.items()}
    print(" " * 26 + "".join(f"{name:>18}" for name in best))
    for step in ("read from the store", "make_plan", *(label for _, _, label in TIMED), "write to the store", "whole"):
        print(f"{step:26}" + "".join(f"{of[step] * 1000.0:15.0f} ms" for of in best.values()))
    for name, of in best.items():
        store = of["read from the store"] + of["write to the store"]
        each = of["make_plan"] / count * 1e6
        print(f"{name}: {each:.0f} us a joint; {of['make_plan'] / store:.2f} times reading and writing the store")
    print("calls and heat:", run.calls)  # type: ignore[attr-defined]


if __name__ == "__main__":
    main()
