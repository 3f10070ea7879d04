"""Finding an order of work: weeks of 200, 500 and 2,000 joints, made by a seed, at 60 and 80 % load.

    python -m tests.bench.bench_order [seconds [joints load [planned]]]

A week has 14 shifts, 2 of them under a stop, 3 crews, a cold front and joints in five tiers, each after two of the tier
below (`tests/rules/order_builders.py`). `first` is the order from the relaxation, with its bound; `improved` the one
that the search ends with, by a gap of 0.5 %, by the count of nodes or by `seconds` of the clock (default 60). Seconds
are by the clock, those of the processor in brackets: where the second is far below the first, others used the machine.
Each week in a process of its own, for its peak of memory, which holds the interpreter with numpy and the solver.

The plan of these weeks knows nothing of what comes before. In those that are `planned` each joint stands after those it
waits for. `left` are joints without a place: they stay where the plan has them, so that in a week fuller than its crews
many do.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time

from tests.rules.order_builders import as_planned, week

from frostshift_rules.order_solve import Stop, greedy, improve, start

WEEKS = [(count, load, False) for count in (200, 500, 2000) for load in (0.6, 0.8)] + [
    (500, load, True) for load in (0.8, 0.95, 1.1)
]


def one(count: int, load: float, planned: bool, seconds: float) -> None:
    """One line of the table."""
    problem = as_planned(week(count, load)) if planned else week(count, load)
    clock, used = time.perf_counter(), time.process_time()
    first = start(problem)
    first_s, first_cpu_s = time.perf_counter() - clock, time.process_time() - used
    clock, used = time.perf_counter(), time.process_time()
    answer = improve(problem, first, Stop(seconds=seconds))
    then_s, then_cpu_s = time.perf_counter() - clock, time.process_time() - used
    worse = greedy(problem).value.costs.total / answer.value.costs.total
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    choices = sum(len(joint.choices) for joint in problem.joints)
    at_first = f"{first_s:>6.1f} ({first_cpu_s:>5.1f}) {first.gap:>7.2%} {len(first.value.not_placed):>4}"
    at_last = f"{then_s:>6.1f} ({then_cpu_s:>5.1f}) {answer.gap:>7.2%} {len(answer.value.not_placed):>4}"
    week_text = f"{count:>6} {load:>5.0%} {'yes' if planned else '':>7} {choices:>8} {worse:>7.1f}x"
    print(f"{week_text} | {at_first} | {at_last} {answer.stopped_by:>8} | {peak_mb:>5.0f} MB", flush=True)


def main(arguments: list[str]) -> None:
    """The table, or one line of it."""
    seconds = float(arguments[0]) if arguments else 60.0
    if len(arguments) >= 3:
        one(int(arguments[1]), float(arguments[2]), arguments[3:] == ["planned"], seconds)
        return
    title = "joints  load planned  choices   greedy |  first s (cpu)     gap left | improved s (cpu)  gap left  stopped"
    print(f"{title} | peak")
    sys.stdout.flush()
    for count, load, planned in WEEKS:
        asked = [str(seconds), str(count), str(load), *(["planned"] if planned else [])]
        subprocess.run([sys.executable, "-m", "tests.bench.bench_order", *asked], check=True)


if __name__ == "__main__":
    main(sys.argv[1:])
