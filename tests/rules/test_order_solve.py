"""Orders of work against every order there is, against published algorithms that are proven best, and against scipy."""

from __future__ import annotations

import random
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, linear_sum_assignment, milp

from frostshift_rules import order_solve
from frostshift_rules.order_greedy import Filling
from frostshift_rules.order_model import Model, order_model
from frostshift_rules.order_problem import Choice, Minutes, OrderCrew, OrderJoint, OrderProblem, Weights
from frostshift_rules.order_solve import Answer, Progress, Solved, Stop, greedy, improve, solve, start
from frostshift_rules.order_value import as_it_stands, value

from .order_builders import anywhere, as_planned, choice, crews, joint, shifts, small, week
from .order_by_hand import cheapest

PROOF = Stop(gap=0.0, nodes=1_000_000, seconds=300.0)
A_WHILE = Stop(gap=0.0, nodes=1_000_000, seconds=60.0)
"""So that a search that does not hear that it is to end is a failure and no hanging test."""
SEEDS = range(150)


def best(problem: OrderProblem) -> Answer:
    answer = improve(problem, start(problem), PROOF)
    assert answer.stopped_by == "optimal"
    return answer


def cost(answer: Answer) -> float:
    return answer.value.costs.total


@pytest.mark.parametrize("seed", SEEDS)
def test_the_best_order_is_the_best_of_all_orders(seed: int) -> None:
    problem = small(seed)
    least = cheapest(problem)
    first, quick, answer = start(problem), greedy(problem), best(problem)
    assert first.bound is not None
    assert first.bound <= least + 1e-6
    assert cost(answer) == pytest.approx(least, abs=1e-6)
    assert answer.bound == pytest.approx(least, rel=1e-6)
    assert least - 1e-6 <= cost(first) <= cost(quick)
    stands = value(problem, as_it_stands(problem))
    for one in (first, quick, answer):
        assert one.value.holds
        assert value(problem, one.places) == one.value
        if stands.holds:
            assert cost(one) <= stands.costs.total + 1e-6


@pytest.mark.parametrize("seed", range(4))
def test_eight_joints(seed: int) -> None:
    draw = random.Random(seed)
    places = [(s, c) for s in range(2) for c in range(2)]
    joints = tuple(
        joint(
            f"J{n}",
            [choice(s, c, draw.choice([60.0, 75.0, 90.0]), draw.choice([1.0, 2.0, 4.0])) for s, c in places],
            after=[f"J{k}" for k in range(n) if draw.random() < 0.12],
        )
        for n in range(8)
    )
    problem = OrderProblem(shifts(2), crews((180.0, 150.0), (180.0, 180.0)), joints)
    assert cost(best(problem)) == pytest.approx(cheapest(problem), abs=1e-6)


def hu_shifts(after_of: list[int | None], at_once: int) -> int:
    """Steps that Hu's level algorithm takes: jobs of one step each, each followed by one other at most.

    Proven least: T. C. Hu, "Parallel sequencing and assembly line problems", Operations Research 9 (1961) 841-848.
    """
    level = [0] * len(after_of)
    for n in range(len(after_of)):
        at: int | None = n
        while at is not None:
            level[n] += 1
            at = after_of[at]
    open_jobs, steps = set(range(len(after_of))), 0
    while open_jobs:
        free = [n for n in open_jobs if all(after_of[k] != n for k in open_jobs)]
        open_jobs -= set(sorted(free, key=lambda n: -level[n])[:at_once])
        steps += 1
    return steps


@pytest.mark.parametrize("seed", range(12))
def test_as_many_shifts_as_hu_proved_and_no_fewer(seed: int) -> None:
    draw = random.Random(seed)
    count, at_once = draw.randint(6, 16), draw.randint(1, 3)
    after_of = [None if n == count - 1 else draw.randint(n + 1, min(count - 1, n + 5)) for n in range(count)]
    needed = hu_shifts(after_of, at_once)
    for given, without in ((needed, False), (needed - 1, True)):
        problem = OrderProblem(
            shifts(given),
            crews([60.0 * at_once] * given),
            tuple(
                anywhere(f"J{n}", [(s, 0) for s in range(given)], [f"J{k}" for k in range(n) if after_of[k] == n])
                for n in range(count)
            ),
        )
        assert bool(best(problem).value.not_placed) is without


@pytest.mark.parametrize("seed", range(8))
def test_one_joint_a_place_is_the_assignment_problem(seed: int) -> None:
    """scipy's own algorithm for it, which is none of the solver's (Crouse 2016, after Jonker and Volgenant)."""
    table = np.random.default_rng(seed).integers(1, 60, (9, 12)) / 4.0
    problem = OrderProblem(
        shifts(4),
        crews(*[[60.0] * 4] * 3),
        tuple(
            joint(f"J{n}", [choice(s, c, 60.0, float(table[n, 3 * s + c])) for s in range(4) for c in range(3)])
            for n in range(9)
        ),
        Weights(fuel_kg=1.0),
    )
    rows, columns = linear_sum_assignment(table)
    assert cost(best(problem)) == pytest.approx(table[rows, columns].sum(), abs=1e-6)


def by_scipy(problem: OrderProblem) -> float:
    """The least cost by scipy's `milp` of another way to write the problem down; no pins, no hard dates.

    What comes before is one row for each two places that cannot be together, and all is said in one dense matrix.
    """
    columns = [(n, one) for n, it in enumerate(problem.joints) for one in (*it.choices, None)]
    cost = [priced(problem, problem.joints[n], one) for n, one in columns]
    upper = [float(one is None or one.shift >= problem.joints[n].earliest) for n, one in columns]
    rows, ends = [], []
    for s, shift in enumerate(problem.shifts):
        here = [one if one is not None and one.shift == s else None for _, one in columns]
        for c, crew in enumerate(problem.crews):
            rows.append([one.crew_minutes if one and one.crew == c else 0.0 for one in here])
            ends.append(crew.minutes[s])
        for name in ("torch_minutes", "hand_minutes"):
            rows.append([getattr(one, name) if one else 0.0 for one in here])
            ends.append(np.inf if getattr(shift, name) is None else getattr(shift, name))
    for i, k in not_together(problem, columns):
        rows.append([float(n in (i, k)) for n in range(len(columns))])
        ends.append(1.0)
    one_each = [[float(m == n) for m, _ in columns] for n in range(len(problem.joints))]
    found = milp(
        cost,
        integrality=[1] * len(columns),
        bounds=Bounds(0.0, upper),
        constraints=[LinearConstraint(rows, ub=ends), LinearConstraint(one_each, 1.0, 1.0)],
        options={"mip_rel_gap": 0.0},
    )
    assert found.success
    return float(found.fun)


def priced(problem: OrderProblem, it: OrderJoint, one: Choice | None) -> float:
    price = problem.weights
    shift = len(problem.shifts) if one is None else one.shift
    cost = price.shift_late * (0 if it.latest is None else max(0, shift - it.latest))
    if one is None:
        return cost + price.not_placed
    if it.now:
        cost += price.move * (one.shift != it.now[0]) + price.crew_change * (one.crew != it.now[1])
    return cost + price.fuel_kg * one.fuel_kg + price.oxygen_m3 * one.oxygen_m3 + price.hand_minute * one.hand_minutes


def not_together(problem: OrderProblem, columns: list[tuple[int, Choice | None]]) -> Iterator[tuple[int, int]]:
    for i, (n, one) in enumerate(columns):
        for k, (m, other) in enumerate(columns):
            if one is None or problem.joints[m].mark not in problem.joints[n].after:
                continue
            if other is None or other.shift >= one.shift:
                yield i, k


@pytest.mark.parametrize(("count", "load", "seed"), [(12, 0.25, 1), (16, 0.3, 2), (20, 0.35, 3), (24, 0.4, 4)])
def test_a_small_week_is_what_scipy_makes_of_it_written_otherwise(count: int, load: float, seed: int) -> None:
    """The search inside scipy is of the same kind, its own copy; the rows are not: they share no code with ours."""
    problem = week(count, load, seed)
    assert cost(best(problem)) == pytest.approx(by_scipy(problem), rel=1e-6)


def test_more_of_anything_never_costs_more() -> None:
    for seed in range(40):
        problem = small(seed, 7)
        before, new = cost(best(problem)), len(problem.crews)
        more_minutes = tuple(OrderCrew(one.name, tuple(m + 45.0 for m in one.minutes)) for one in problem.crews)
        later = tuple(replace(one, latest=None if one.latest is None else one.latest + 1) for one in problem.joints)
        no_links = tuple(replace(one, after=()) for one in problem.joints)
        no_limits = tuple(replace(one, torch_minutes=None, hand_minutes=None) for one in problem.shifts)
        more_crews = {
            "crews": (*problem.crews, OrderCrew("More", (150.0,) * len(problem.shifts))),
            "joints": tuple(
                replace(one, choices=(*one.choices, *(replace(it, crew=new) for it in one.choices if it.crew == 0)))
                for one in problem.joints
            ),
        }
        for change in (
            more_crews,
            {"crews": more_minutes},
            {"joints": later},
            {"joints": no_links},
            {"shifts": no_limits},
        ):
            assert cost(best(replace(problem, **change))) <= before + 1e-6


@pytest.mark.parametrize("seed", [1, 2])
def test_a_week(seed: int) -> None:
    problem = week(120, 0.7, seed)
    pins = {one.mark for one in problem.joints[::7]}
    problem = replace(problem, joints=tuple(replace(one, pinned=one.mark in pins) for one in problem.joints))
    first = start(problem)
    stop = Stop(gap=0.02, nodes=3, seconds=300.0)
    answer, again = improve(problem, first, stop), improve(problem, start(problem), stop)
    assert answer == again
    assert answer.stopped_by in {"optimal", "gap", "nodes"}
    assert first.bound is not None
    assert first.bound - 1e-6 <= cost(answer) <= cost(first) <= cost(greedy(problem))
    place = answer.places
    for one in problem.joints:
        at = place[one.mark]
        if at is None:
            continue
        if one.pinned:
            assert at == one.now
        assert at in {(it.shift, it.crew) for it in one.choices}
        for mark in one.after:
            other = place[mark]
            assert other is not None
            assert other[0] < at[0]
    for c, crew in enumerate(problem.crews):
        for s, minutes in enumerate(crew.minutes):
            taken = [
                it.crew_minutes for one in problem.joints for it in one.choices if place[one.mark] == (s, c) == it.place
            ]
            assert sum(taken) <= minutes + 1e-6


def test_a_pin_holds_although_another_place_is_cheaper_and_others_want_its_room() -> None:
    pinned = joint("P", [choice(0, minutes=60.0, fuel_kg=100.0), choice(1)], pinned=True, now=(0, 0))
    others = [joint(f"J{n}", [choice(0, minutes=60.0, fuel_kg=0.0)], latest=0) for n in range(3)]
    problem = OrderProblem(shifts(2), crews((60.0, 60.0)), (*others, pinned))
    for answer in (greedy(problem), start(problem), best(problem)):
        assert answer.places["P"] == (0, 0)
        assert set(answer.value.not_placed) == {"J0", "J1", "J2"}


def test_a_joint_without_a_place_keeps_those_after_it_back() -> None:
    stuck = joint("A", [])
    after = anywhere("B", [(0, 0), (1, 0)], after=["A"])
    free = anywhere("C", [(0, 0), (1, 0)])
    answer = best(OrderProblem(shifts(2), crews((60.0, 60.0)), (after, stuck, free)))
    assert answer.value.not_placed == ("B", "A")
    assert answer.places["C"] is not None


def test_shifts_that_overlap_are_not_over_for_each_other() -> None:
    early, late = shifts(2)
    late = replace(late, start_utc=early.end_utc.replace(hour=early.end_utc.hour - 1))
    joints = (anywhere("A", [(0, 0)]), anywhere("B", [(1, 0)], after=["A"]))
    people = crews((60.0, 60.0))
    assert best(OrderProblem((early, late), people, joints)).value.not_placed == ("B",)
    assert best(OrderProblem(shifts(2), people, joints)).value.not_placed == ()


def test_no_joints_no_shifts_no_crews() -> None:
    for problem in (
        OrderProblem((), (), ()),
        OrderProblem(shifts(1), (), (joint("A", []),)),
        OrderProblem((), (), (joint("A", []),)),
    ):
        answer = best(problem)
        assert answer.value.not_placed == tuple(one.mark for one in problem.joints)


def test_the_plan_as_it_stands_stays_where_nothing_is_cheaper() -> None:
    joints = tuple(joint(f"J{n}", [choice(0), choice(1)], now=(n % 2, 0)) for n in range(4))
    problem = OrderProblem(shifts(2), crews((120.0, 120.0)), joints)
    answer = best(problem)
    assert answer.source == "as_it_stands"
    assert answer.places == as_it_stands(problem)


def test_progress_is_told_and_never_gets_worse() -> None:
    problem = week(30, 0.5)
    told: list[Progress] = []
    answer = improve(problem, start(problem), PROOF, told.append)
    costs = [one.cost for one in told if one.cost is not None]
    bounds = [one.bound for one in told]
    assert costs
    assert costs == sorted(costs, reverse=True)
    assert bounds == sorted(bounds)
    assert cost(answer) <= costs[-1] + 1e-6
    assert all(one.gap is None or one.gap >= 0.0 for one in told)


def test_cancelled_at_once_gives_what_there_was() -> None:
    problem = week(120, 0.8)
    first = start(problem)
    answer = improve(problem, first, A_WHILE, cancelled=lambda: True)
    assert answer.stopped_by == "cancelled"
    assert cost(answer) <= cost(first)
    assert answer.value.holds


def test_cancelled_after_a_while() -> None:
    problem = week(120, 0.8)
    asked = 0

    def enough() -> bool:
        nonlocal asked
        asked += 1
        return asked > 20

    answer = improve(problem, start(problem), A_WHILE, cancelled=enough)
    assert answer.stopped_by == "cancelled"
    assert answer.value.holds


def test_what_a_listener_raises_comes_out() -> None:
    """Raised from between two parts of a search, and from inside the solver, which knows nothing of exceptions."""

    def gone(_: object = None) -> bool:
        raise RuntimeError("the page is gone")

    problem = week(30, 0.5)
    first = start(problem)
    with pytest.raises(RuntimeError, match="the page is gone"):
        improve(problem, first, PROOF, progress=gone)
    with pytest.raises(RuntimeError, match="the page is gone"):
        improve(problem, first, PROOF, cancelled=gone)
    with pytest.raises(RuntimeError, match="the page is gone"):
        solve(order_model(problem).model, PROOF, progress=gone)


def test_two_searches_at_once_do_not_disturb_each_other() -> None:
    problems = [week(24, 0.4, 4), week(20, 0.35, 3)]
    alone = [improve(one, start(one), PROOF) for one in problems]
    with ThreadPoolExecutor(2) as pool:
        together = list(pool.map(lambda one: improve(one, start(one), PROOF), problems))
    assert together == alone


def test_by_nodes_and_by_clock_is_said() -> None:
    draw, joints = random.Random(0), []
    for n in range(16):  # what takes less time takes more gas: many orders of nearly the same cost
        minutes = [draw.randint(80, 400) / 4.0 for _ in range(4)]
        choices = [choice(0, c, m, 110.0 - m + draw.randint(-10, 10)) for c, m in enumerate(minutes)]
        joints.append(joint(f"J{n}", choices))
    problem = OrderProblem(shifts(1), crews(*[[224.0]] * 4), tuple(joints))
    first = start(problem)
    assert improve(problem, first, Stop(gap=0.0, nodes=1, seconds=300.0)).stopped_by == "nodes"
    assert improve(problem, first, Stop(gap=0.0, nodes=10**6, seconds=0.01)).stopped_by == "clock"


def test_an_order_of_the_solver_that_breaks_a_rule_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    """The model is robbed of its rows that hold the minutes; the count that is made apart from it has to notice."""
    problem = OrderProblem(shifts(1), crews((60.0,)), tuple(anywhere(f"J{n}", [(0, 0)]) for n in range(3)))
    row = Model.row

    def without_limits(self: Model, columns: object, factors: object, lower: float, upper: float) -> int:
        return row(self, columns, factors, lower, 1e9 if upper == 60.0 else upper)  # type: ignore[arg-type]

    first = start(problem)
    monkeypatch.setattr(Model, "row", without_limits)
    answer = improve(problem, first, PROOF)
    assert answer.value.holds
    assert len(answer.value.not_placed) == 2


def test_the_solver_says_nothing_on_the_terminal(capfd: pytest.CaptureFixture[str]) -> None:
    best(small(3))
    assert capfd.readouterr() == ("", "")


def test_where_the_solver_gives_up_there_is_still_an_order(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = week(60, 0.6)
    quick, first = greedy(problem), start(problem)
    monkeypatch.setattr(order_solve, "solve", lambda *_, **__: Solved(None, np.zeros(0), None, "gave_up", 0))
    alone = start(problem)
    assert (alone.places, alone.bound) == (quick.places, None)
    kept = improve(problem, first)
    assert (kept.places, kept.bound, kept.stopped_by) == (first.places, first.bound, "gave_up")


def test_a_model_without_an_answer_is_said_to_have_none() -> None:
    model = Model()
    column = model.column(1.0)
    model.row([column], [1.0], 2.0, 2.0)
    assert solve(model).none_there
    assert solve(model, relaxed=True).none_there


def test_a_week_on_a_plan_that_keeps_the_sequence() -> None:
    problem = as_planned(week(60, 0.6, seed=4))
    assert value(problem, as_it_stands(problem)).broken, "the weather stops some where they are"
    answer = improve(problem, start(problem), Stop(nodes=100, seconds=60.0))
    assert answer.value.holds
    assert not answer.value.not_placed


def test_from_the_plan_only_what_cannot_stay_is_moved() -> None:
    """A and B (60 each) pass the first shift, S is stopped there; C stays in the second; D, which waits for S, too."""
    both = [choice(0), choice(1), choice(2)]
    problem = OrderProblem(
        shifts(4),
        crews((100.0, 100.0, 130.0, 30.0)),
        (
            joint("A", both, now=(0, 0)),
            joint("B", both, now=(0, 0)),
            joint("C", both, now=(1, 0)),
            joint("S", [choice(2)], now=(0, 0), there=Minutes(60.0, 0.0, 0.0)),
            joint("D", [choice(3, minutes=30.0)], after=["S"], now=(3, 0)),
        ),
    )
    made = Filling(problem).from_plan()
    assert [one and one.shift for one in made] == [0, 2, 1, 2, 3]
    places = {one.mark: it and it.place for one, it in zip(problem.joints, made, strict=True)}
    assert value(problem, places).holds


@pytest.mark.parametrize("seed", range(5))
def test_from_the_plan_of_a_week_too_full_an_order_holds(seed: int) -> None:
    problem = as_planned(week(60, 1.15, seed=seed))
    made = Filling(problem).from_plan()
    assert value(problem, {one.mark: it and it.place for one, it in zip(problem.joints, made, strict=True)}).holds
