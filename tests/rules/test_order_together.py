"""What has to be taken with a move, in plans small enough to see it. Invented."""

from __future__ import annotations

from datetime import timedelta

from frostshift_rules.order_problem import Choice, Minutes, OrderProblem
from frostshift_rules.order_together import Together
from frostshift_rules.order_uses import InUse, Use, UseKind, fullest_moment

from .order_builders import MONDAY, choice, crews, joint, shifts


def use(mark: str, begin_h: float, end_h: float, kind: UseKind = "crew", count: int = 1, most: int = 1) -> Use:
    begin_utc = MONDAY + timedelta(hours=begin_h)
    return Use(mark, kind, "north", begin_utc, MONDAY + timedelta(hours=end_h), count, most)


def test_a_joint_goes_with_what_has_to_be_done_before_it() -> None:
    """A is moved from the second shift to the first, B after it from the third to the second, C is not concerned."""
    problem = OrderProblem(
        shifts(3),
        crews((500.0,) * 3),
        (
            joint("A", [choice(1), choice(0)], now=(1, 0)),
            joint("B", [choice(2), choice(1)], after=["A"], now=(2, 0)),
            joint("C", [choice(2), choice(1)], now=(2, 0)),
        ),
    )
    together = Together(problem, {"A": (0, 0), "B": (1, 0), "C": (1, 0)})
    assert together.with_them({"B"}) == ("A",)
    assert together.with_them({"A"}) == together.with_them({"C"}) == ()
    assert together.with_them({"A", "B"}) == ()


def test_a_joint_goes_later_with_what_waits_for_it() -> None:
    problem = OrderProblem(
        shifts(3),
        crews((500.0,) * 3),
        (
            joint("A", [choice(0), choice(1)], now=(0, 0)),
            joint("B", [choice(1), choice(2)], after=["A"], now=(1, 0)),
        ),
    )
    together = Together(problem, {"A": (1, 0), "B": (2, 0)})
    assert together.with_them({"A"}) == ("B",)
    assert together.with_them({"B"}) == ()


def test_a_sequence_that_is_broken_already_asks_for_nothing_where_the_first_leaves() -> None:
    problem = OrderProblem(
        shifts(3),
        crews((500.0,) * 3),
        (
            joint("A", [choice(1), choice(0)], now=(1, 0)),
            joint("B", [choice(1), choice(2)], after=["A"], now=(1, 0)),
        ),
    )
    together = Together(problem, {"A": (0, 0), "B": (2, 0)})
    assert together.with_them({"A"}) == together.with_them({"B"}) == ()


def test_who_leaves_a_full_shift_goes_first_and_no_more_than_have_to() -> None:
    """100 min; A (50) and B (30) leave, C (40) comes; D (20), E (10) stay. One of A and B is enough: the larger one."""
    problem = OrderProblem(
        shifts(2),
        crews((110.0, 500.0)),
        (
            joint("A", [choice(0, minutes=50.0), choice(1, minutes=50.0)], now=(0, 0)),
            joint("B", [choice(0, minutes=30.0), choice(1, minutes=30.0)], now=(0, 0)),
            joint("C", [choice(1, minutes=40.0), choice(0, minutes=40.0)], now=(1, 0)),
            joint("D", [], now=(0, 0), there=Minutes(20.0, 0.0, 0.0)),
            joint("E", [choice(0, minutes=10.0)], now=(0, 0)),
        ),
    )
    together = Together(problem, {"A": (1, 0), "B": (1, 0), "C": (0, 0)})
    assert together.with_them({"C"}) == ("A",)
    assert together.with_them({"C", "B"}) == ("A",), "B alone leaves 120 of 110"
    assert together.with_them({"A"}) == together.with_them({"B"}) == ()


def test_torches_and_hands_of_a_shift_count_over_all_crews() -> None:
    """60 min of torches, 100 of hands; what leaves is of another crew than what comes."""
    takes = [Choice(s, c, 10.0, 40.0, 90.0, 0.0, 0.0, 0.0, 0.0) for s in (0, 1) for c in (0, 1)]
    one = joint("A", takes, now=(0, 0))
    two = joint("B", takes, now=(1, 1))
    for limits in ({"torch": 60.0}, {"hands": 100.0}):
        problem = OrderProblem(shifts(2, **limits), crews((500.0,) * 2, (500.0,) * 2), (one, two))
        together = Together(problem, {"A": (1, 0), "B": (0, 1)})
        assert together.with_them({"B"}) == ("A",)
        assert together.with_them({"A"}) == ("B",)


def test_a_shift_that_is_too_full_as_planned_gets_no_fuller() -> None:
    """A and B (60 each) stand in 100 min. C (60) may come where one of them leaves, though 120 is still too much."""
    both = [choice(0), choice(1)]
    problem = OrderProblem(
        shifts(2),
        crews((100.0, 500.0)),
        (joint("A", both, now=(0, 0)), joint("B", both, now=(0, 0)), joint("C", both, now=(1, 0))),
    )
    assert Together(problem, {"A": (1, 0), "C": (0, 0)}).with_them({"C"}) == ("A",)


def test_who_is_in_the_way_at_one_moment_goes_along() -> None:
    """A crew of one: C is welded from 8 to 10 where B still is from 9 to 11. D, which leaves too, is not in the way."""
    both = [choice(0), choice(1)]
    problem = OrderProblem(
        shifts(2),
        crews((600.0, 600.0)),
        tuple(joint(mark, both, now=(n // 2, 0)) for n, mark in enumerate(("B", "D", "C"))),
    )
    now = [use("B", 9, 11), use("D", 11, 13), use("C", 14, 16)]
    then = [use("C", 8, 10), use("B", 14, 16), use("D", 17, 18)]
    together = Together(problem, {"B": (1, 0), "D": (1, 0), "C": (0, 0)}, now, then)
    assert together.with_them({"C"}) == ("B",)
    assert together.with_them({"B"}) == ("C",), "C stands at 14 where B goes"
    assert together.with_them({"D"}) == ()


def test_fewest_joints_leave_for_the_torches_of_one() -> None:
    """Four torches; C needs 3 where X, which stays, has 1, A has 2 and B 1, both of which leave: A is enough."""
    both = [choice(0), choice(1)]
    problem = OrderProblem(
        shifts(2),
        crews((600.0, 600.0)),
        tuple(joint(mark, both, now=(n // 2, 0)) for n, mark in enumerate(("A", "B", "C"))),
    )
    now = [use("X", 8, 9, "source", 1, 4), use("A", 8, 9, "source", 2, 4), use("B", 8, 9, "source", 1, 4)]
    then = [use("C", 8, 9, "source", 3, 4)]
    assert Together(problem, {"A": (1, 0), "B": (1, 0), "C": (0, 0)}, now, then).with_them({"C"}) == ("A", "B")
    few = [use("C", 8, 9, "source", 1, 4)]
    assert Together(problem, {"A": (1, 0), "B": (1, 0), "C": (0, 0)}, now, few).with_them({"C"}) == ("A",)


def test_uses_of_one_moment() -> None:
    """Those that end when another begins are not beside it; days apart or not, each counts once."""
    first, second, long = use("A", 8, 9), use("B", 9, 10), use("L", 0, 100)
    in_use = InUse([first, second, long])
    assert {one.mark for one in in_use.beside(use("X", 8.5, 9))} == {"A", "L"}
    assert {one.mark for one in in_use.beside(use("X", 0, 90))} == {"A", "B", "L"}
    assert in_use.beside(use("X", 8, 9, "hands")) == []
    assert [one.mark for one in fullest_moment([first, second, long], use("X", 8, 10))] == ["A", "L"]
    assert not in_use.has_room(use("X", 8, 9, most=2))
    assert in_use.has_room(use("X", 8, 9, most=3))
    assert in_use.has_room(use("X", 200, 201, count=5, most=2)), "more than there is, but alone: the plan says so"
    assert not in_use.has_room(use("X", 8, 9, count=5, most=2))


def test_what_lasts_no_time_takes_nothing() -> None:
    in_use = InUse([use("A", 8, 8)])
    assert in_use.has_room(use("X", 7, 9))
