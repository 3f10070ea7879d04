"""What is wrong with a problem is named, all at once; nothing wrong gets through."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.order_problem import LeftOut, OrderError, OrderJoint, OrderProblem, OrderShift, Weights

from .order_builders import MONDAY, anywhere, choice, crews, joint, shifts, small

TWO = shifts(2)
CREW = crews((60.0, 60.0))
A = anywhere("A", [(0, 0), (1, 0)])
NAN = float("nan")


def faults(**changes: Any) -> list[tuple[str, tuple[str, ...], str]]:
    given: dict[str, Any] = {"shifts": TWO, "crews": CREW, "joints": (A,)}
    with pytest.raises(OrderError) as error:
        OrderProblem(**{**given, **changes})
    assert all(fault.text in str(error.value) for fault in error.value.faults)
    return [(fault.name, fault.marks, fault.text) for fault in error.value.faults]


def test_a_predecessor_that_is_no_joint_of_the_order() -> None:
    assert faults(joints=(replace(A, after=("gone",)),)) == [
        ("unknown_predecessor", ("A", "gone"), "A is to come after gone, which is no joint of this order.")
    ]


def test_a_circle_is_told_by_its_marks_only() -> None:
    way = (("lead", "A"), ("A", "B"), ("B", "C"), ("C", "A"), ("tail", "C"))
    joints = tuple(anywhere(mark, [(0, 0)], after=[after]) for mark, after in way)
    ((name, marks, text),) = faults(joints=joints)
    assert name == "cycle"
    assert marks == ("A", "B", "C")
    assert text == "These joints wait for each other: A after B after C after A."


def test_a_joint_after_itself_is_a_circle() -> None:
    ((name, marks, _),) = faults(joints=(replace(A, after=("A",)),))
    assert (name, marks) == ("cycle", ("A",))


@given(st.integers(2, 400), st.integers(0, 10**6))
def test_any_circle_is_found_however_long(size: int, turn: int) -> None:
    names = [f"J{(n * 7919 + turn) % 100_003}" for n in range(size)]
    joints = tuple(OrderJoint(names[n], (), after=(names[(n + 1) % size],)) for n in range(size))
    with pytest.raises(OrderError) as error:
        OrderProblem(TWO, CREW, joints)
    (fault,) = error.value.faults
    assert sorted(fault.marks) == sorted(names)


def test_a_long_chain_is_no_circle() -> None:
    joints = tuple(OrderJoint(f"J{n}", (), after=(f"J{n + 1}",) if n < 4999 else ()) for n in range(5000))
    OrderProblem(TWO, CREW, joints)


def test_marks_names_and_places_twice() -> None:
    assert faults(joints=(A, A))[0][:2] == ("duplicate_mark", ("A",))
    assert faults(crews=(*CREW, *CREW))[0][0] == "duplicate_name"
    assert faults(joints=(replace(A, left_out=(LeftOut(0, 0, "stop"),)),))[0][:2] == ("duplicate_place", ("A",))


def test_a_pinned_joint_without_a_place() -> None:
    assert faults(joints=(replace(A, pinned=True),)) == [
        ("pinned_without_place", ("A",), "A is pinned, but the plan has no place for it.")
    ]


@pytest.mark.parametrize("bad", [NAN, -1.0, float("inf")])
def test_figures_that_are_none(bad: float) -> None:
    assert faults(crews=crews((60.0, bad)))[0][0] == "figure"
    assert faults(shifts=(TWO[0], replace(TWO[1], torch_minutes=bad)))[0][0] == "figure"
    assert faults(weights=Weights(move=bad))[0][2] == f"Weight move is {bad}; it has to be a number, 0 or more."
    for name in [one.name for one in fields(choice(0))][2:]:
        one = replace(choice(0), **{name: bad})
        ((kind, marks, text),) = faults(joints=(joint("A", [one]),))
        assert (kind, marks) == ("figure", ("A",))
        assert name in text
        assert str(bad) in text


def test_places_that_there_are_not() -> None:
    for place in ((2, 0), (0, 1), (-1, 0)):
        assert faults(joints=(anywhere("A", [place]),))[0][0] == "index"
        assert faults(joints=(replace(A, now=place),))[0][0] == "index"
    assert faults(joints=(replace(A, earliest=-1),))[0][0] == "index"
    assert faults(crews=crews((60.0,)))[0][0] == "index"


def test_times_that_cannot_be() -> None:
    for shift in (
        replace(TWO[0], end_utc=TWO[0].start_utc),
        replace(TWO[0], start_utc=datetime(2027, 1, 11, 6)),  # noqa: DTZ001
        replace(TWO[0], start_utc=MONDAY.astimezone(timezone(timedelta(hours=-6)))),
    ):
        assert faults(shifts=(shift, TWO[1]))[0][0] == "times"
    assert faults(shifts=(TWO[1], TWO[0]))[0][0] == "times"


def test_everything_wrong_is_told_at_once() -> None:
    joints = (replace(A, after=("gone",), earliest=-1), joint("B", [choice(5)], pinned=True))
    names = {name for name, _, _ in faults(joints=joints, weights=Weights(fuel_kg=NAN))}
    assert names == {"unknown_predecessor", "index", "pinned_without_place", "figure"}


def test_what_is_right_gets_through() -> None:
    for seed in range(50):
        small(seed)
    assert OrderShift("k", MONDAY, MONDAY + timedelta(hours=1)).start_utc.tzinfo is UTC
