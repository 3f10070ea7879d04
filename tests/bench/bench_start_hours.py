"""Every hour of a week for one joint and for a level of 40, against plans of as many joints and against a plan an hour.

    python tests/bench/bench_start_hours.py [joints]

The details of `bench_plan.py`, all of them different, 51 members in the forecast. The first ratio is to one plan of the
same joints at all those starts, each a joint of its own; the second to a plan made afresh for each hour, worked out
from the time of a few. One run to get going and the best of three, in processor time, the collector of cyclic garbage
standing still as in the service.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

from tests.bench.bench_plan import NOW, details, members, weather

from frostshift_rules.job import Joint
from frostshift_rules.plan import make_plan
from frostshift_rules.start_hours import start_hours, whole_hours
from frostshift_rules.tables import load_code_table
from frostshift_rules.workload import Weather
from frostshift_service import demo
from frostshift_service.jobs import without_collector

FRESH = 3
"""Plans made afresh that are timed."""


def best(work: Callable[[], Any]) -> float:
    """Least processor time of three runs after one to get going [s]."""
    work()
    took = []
    for _ in range(3):
        begin = time.process_time()
        with without_collector():
            work()
        took.append(time.process_time() - begin)
    return min(took)


def main() -> None:
    """Work it out, print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    site = replace(demo.demo_site(NOW), code_units="si", last_nights_low_c=-10.0)
    table, hours = load_code_table(site.table_id, site.own_tables), weather()
    forecast = Weather("file", NOW, NOW, "fresh", 0.0, hours, members=members(hours))
    starts = whole_hours(site, NOW)
    drawn = [replace(one, start_utc=NOW + timedelta(hours=30)) for one in details(random.Random(7), count)]

    def of(joints: Sequence[Joint]) -> Any:
        return start_hours(site, table, drawn, forecast, (), NOW, starts, {one.mark for one in joints})

    def plan(joints: Sequence[Joint]) -> Any:
        return make_plan(site, table, joints, forecast, (), NOW)

    def moved(joints: Sequence[Joint], to: Sequence[Any]) -> list[Joint]:
        return [replace(one, mark=f"{one.mark} {at}", start_utc=at) for one in joints for at in to]

    alike = [replace(drawn[0], mark=f"A{n:03}", place=f"place {n}") for n in range(count)]
    for name, joints in (("one joint", drawn[:1]), (f"{count} joints", drawn)):
        took, at_once = best(lambda joints=joints: of(joints)), moved(joints, starts)  # type: ignore[misc]
        as_joints = best(lambda at_once=at_once: plan(at_once))  # type: ignore[misc]
        few = moved(joints, starts[:1])
        afresh = best(lambda few=few: [plan(few) for _ in range(FRESH)]) / FRESH * len(starts)  # type: ignore[misc]
        print(
            f"{name:>10} x {len(starts)} h: {took * 1000.0:6.0f} ms; {took / as_joints:.2f} of a plan of as many "
            f"joints ({as_joints * 1000.0:.0f} ms); {took / afresh:.3f} of a plan an hour ({afresh * 1000.0:.0f} ms)"
        )
    like = best(lambda: start_hours(site, table, alike, forecast, (), NOW, starts, {one.mark for one in alike}))
    print(f"{count} joints that are alike x {len(starts)} h: {like * 1000.0:.0f} ms")


if __name__ == "__main__":
    main()
