"""The count of an order, against sums made by hand; each rule broken once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from frostshift_rules.order_problem import Choice, LeftOut, OrderProblem, Weights
from frostshift_rules.order_value import Costs, as_it_stands, value

from .order_builders import anywhere, choice, crews, joint, shifts

PLAN = OrderProblem(
    shifts(3, torch=100.0, hands=90.0),
    crews((120.0, 120.0, 120.0), (100.0, 0.0, 100.0)),
    (
        joint("A", [Choice(0, 0, 90.0, 40.0, 20.0, 18.0, 2.0, 3.0, 5.0), choice(1)], latest=0, now=(0, 0)),
        joint(
            "B",
            [Choice(2, 1, 80.0, 60.0, 30.0, 25.0, 1.0, 1.5, 2.0), choice(1)],
            after=["A"],
            latest=1,
            now=(1, 0),
            left_out=[LeftOut(0, 0, "stop: -31 C")],
        ),
        joint("C", [choice(0), choice(2)], latest=1),
    ),
    Weights(3.0, 2.0, 1.0, 240.0, 30.0, 10.0, 5000.0, 20000.0, 0.5),
)


def test_a_sum_made_by_hand() -> None:
    """A stays; B goes one shift later than due and to the other crew; C, due in the second of three, has no place."""
    found = value(PLAN, {"A": (0, 0), "B": (2, 1)})
    assert found.costs == Costs(
        fuel=3.0 * (2.0 + 1.0),
        oxygen=2.0 * (3.0 + 1.5),
        current=0.5 * (5.0 + 2.0),
        hands=18.0 + 25.0,  # as priced; on the cold side it is 20 + 30
        late=240.0 * (1 + 2),  # B by one; C missing up to the end of the third shift: by two
        moves=30.0,
        crew_changes=10.0,
        not_placed=5000.0,
    )
    assert found.costs.total == 9.0 + 9.0 + 3.5 + 43.0 + 720.0 + 30.0 + 10.0 + 5000.0
    assert (found.fuel_kg, found.oxygen_m3, found.energy_kwh) == (3.0, 4.5, 7.0)
    assert (found.crew_minutes, found.torch_minutes, found.hand_minutes) == (170.0, 100.0, 50.0)
    assert found.late == {"B": 1}
    assert (found.moved, found.crew_changed, found.not_placed) == (("B",), ("B",), ("C",))
    assert found.holds


def test_a_lost_pin_costs_more() -> None:
    pinned = replace(PLAN, joints=(replace(PLAN.joints[0], pinned=True), *PLAN.joints[1:]))
    assert value(pinned, {}).costs.not_placed - value(PLAN, {}).costs.not_placed == 20_000.0


def test_as_it_stands() -> None:
    assert as_it_stands(PLAN) == {"A": (0, 0), "B": (1, 0), "C": None}
    assert value(PLAN, as_it_stands(PLAN)).moved == ()


@pytest.mark.parametrize(
    ("change", "places", "name", "said"),
    [
        ({}, {"A": (0, 0), "B": (0, 0)}, "not_offered", "it may not go there (stop: -31 C)"),
        ({}, {"A": (2, 0)}, "not_offered", "A in 2027-01-12 day with Crew 1: it may not go there."),
        ({}, {"A": (9, 0)}, "not_offered", "which there is not"),
        ({"A": {"earliest": 1}}, {"A": (0, 0)}, "too_early", "too early by 1"),
        ({"A": {"latest_is_hard": True}}, {"A": (1, 0)}, "too_late", "too late by 1"),
        ({"A": {"pinned": True}}, {"A": (1, 0)}, "pinned_moved", "pinned to 2027-01-11 day with Crew 1"),
        ({}, {"A": (1, 0), "B": (1, 0)}, "before_predecessor", "A has to be done before and is in 2027-01-11 night"),
        ({}, {"B": (1, 0)}, "before_predecessor", "A has to be done before and has no place"),
        ({}, {"A": (0, 0), "C": (0, 0)}, "crew_minutes", "Crew 1 has 120 min, its joints take 150 min"),
    ],
)
def test_each_rule_broken(change: dict[str, dict[str, object]], places: object, name: str, said: str) -> None:
    joints = tuple(replace(one, **change.get(one.mark, {})) for one in PLAN.joints)  # type: ignore[arg-type]
    broken = value(replace(PLAN, joints=joints), places).broken  # type: ignore[arg-type]
    assert name in {one.name for one in broken}
    assert any(said in one.text for one in broken if one.name == name)


def test_torches_and_hands_of_a_shift() -> None:
    one = Choice(0, 0, 10.0, 60.0, 50.0, 50.0, 0.0, 0.0, 0.0)
    both = OrderProblem(shifts(1, 100.0, 90.0), crews((60.0,)), (joint("A", [one]), joint("B", [one])))
    broken = value(both, {"A": (0, 0), "B": (0, 0)}).broken
    assert [(it.name, it.marks) for it in broken] == [("torch_minutes", ("A", "B")), ("hand_minutes", ("A", "B"))]
    assert value(both, {"A": (0, 0)}).holds


def test_a_limit_that_is_just_met_holds() -> None:
    full = OrderProblem(shifts(1), crews((60.0,)), tuple(anywhere(f"J{n}", [(0, 0)], minutes=20.0) for n in range(3)))
    assert value(full, dict.fromkeys(["J0", "J1", "J2"], (0, 0))).holds


def test_a_mark_that_is_no_joint() -> None:
    with pytest.raises(ValueError, match="X has a place, but is no joint"):
        value(PLAN, {"X": (0, 0)})
