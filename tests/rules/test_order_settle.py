"""What a joint without a place takes from the others: it stays where the plan has it. Small enough to see; invented."""

from __future__ import annotations

import pytest

from frostshift_rules.order_problem import Minutes, OrderProblem
from frostshift_rules.order_settle import settled
from frostshift_rules.order_solve import Stop, improve, start
from frostshift_rules.order_value import value

from .order_builders import choice, crews, joint, shifts, small
from .order_by_hand import cheapest

PROOF = Stop(gap=0.0, nodes=100_000, seconds=300.0)


def test_what_waits_for_a_joint_without_a_place_has_none() -> None:
    problem = OrderProblem(
        shifts(3),
        crews((500.0,) * 3),
        (joint("A", [choice(0)]), joint("B", [choice(1)], after=["A"]), joint("C", [choice(2)], after=["B"])),
    )
    assert settled(problem, [None, choice(1), choice(2)]) == [None, None, None]


def test_nothing_is_moved_past_a_joint_that_stays() -> None:
    """X stays in the second shift; A, before it, may leave the first for no later one."""
    a = joint("A", [choice(0), choice(1), choice(2)], now=(0, 0))
    x = joint("X", [], after=["A"], now=(1, 0))
    problem = OrderProblem(shifts(3), crews((500.0,) * 3), (a, x))
    assert settled(problem, [choice(2), None]) == [None, None]
    assert settled(problem, [choice(0), None]) == [choice(0), None]
    assert value(problem, {"A": (2, 0)}).broken[0].text == (
        "X has no place and stays in 2027-01-11 night with Crew 1: A has to be done before and is in 2027-01-12 day "
        "with Crew 1."
    )
    assert not value(problem, {"A": (0, 0)}).broken


def test_a_sequence_that_the_plan_breaks_already_may_stay_so() -> None:
    a, x = joint("A", [choice(2), choice(2, 1), choice(1)], now=(2, 0)), joint("X", [], after=["A"], now=(1, 0))
    problem = OrderProblem(shifts(3), crews((500.0,) * 3, (500.0,) * 3), (a, x))
    for place in a.choices:
        assert settled(problem, [place, None]) == [place, None]
        assert value(problem, {"A": place.place}).holds


@pytest.mark.parametrize(
    ("there", "said"), [(Minutes(70.0, 0.0, 0.0), "crew_minutes"), (Minutes(0.0, 70.0, 0.0), "torch_minutes")]
)
def test_nothing_is_moved_into_minutes_that_a_joint_needs_that_stays(there: Minutes, said: str) -> None:
    """X stays with 70 of 100 min; A wants 60 there. Where the plan has both there already they may stay."""
    spans, people = shifts(2, torch=100.0), crews((100.0, 100.0))
    a = [choice(0, hands=60.0), choice(1, hands=60.0)]
    x = joint("X", [], now=(0, 0), there=there)
    moved = OrderProblem(spans, people, (joint("A", a, now=(1, 0)), x))
    assert settled(moved, [a[0], None]) == [None, None]
    (broken,) = value(moved, {"A": (0, 0)}).broken
    assert (broken.name, broken.marks) == (said, ("A", "X"))
    assert broken.text.endswith("its joints take 130 min with those that stay there without a place.")
    here = OrderProblem(spans, people, (joint("A", a, now=(0, 0)), x))
    assert settled(here, [a[0], None]) == [a[0], None]
    assert value(here, {"A": (0, 0)}).holds


def test_a_place_that_is_given_up_can_cost_others_theirs() -> None:
    """X stays with 70 of 100 min in the first shift, so B cannot come there; back in the second it is in A's way."""
    b = [choice(0), choice(1)]
    a = [choice(1, minutes=60.0), choice(2, minutes=60.0)]
    problem = OrderProblem(
        shifts(3),
        crews((100.0, 100.0, 100.0)),
        (
            joint("X", [], now=(0, 0), there=Minutes(70.0, 0.0, 0.0)),
            joint("B", b, now=(1, 0)),
            joint("A", a, now=(2, 0)),
        ),
    )
    assert settled(problem, [None, b[0], a[0]]) == [None, None, None]
    answer = improve(problem, start(problem), PROOF)
    assert answer.stopped_by == "optimal"
    assert answer.value.costs.total == pytest.approx(cheapest(problem))


@pytest.mark.parametrize("seed", range(200))
def test_whatever_is_settled_holds(seed: int) -> None:
    """Of any places that pass no limit and keep their sequence, some taken away."""
    problem = small(seed)
    answer = improve(problem, start(problem), PROOF)
    chosen = [
        next((one for one in joint.choices if one.place == answer.places[joint.mark]), None) for joint in problem.joints
    ]
    for gone in range(len(chosen)):
        made = settled(problem, [None if n == gone else one for n, one in enumerate(chosen)])
        places = {joint.mark: one and one.place for joint, one in zip(problem.joints, made, strict=True)}
        assert value(problem, places).holds
        assert places[problem.joints[gone].mark] is None
