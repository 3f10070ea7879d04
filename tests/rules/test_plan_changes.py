"""What differs between two plans."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.plan_changes import JointChange, PlanChanges, plan_changes, touching
from frostshift_rules.workload import JointPlan, Plan, Range

from .plan_builders import START, joint, minutes, mm, plan

HEAVY = mm(50.0)
BEFORE = plan([joint(HEAVY, HEAVY, mark=f"H{n}", start_utc=START + timedelta(hours=n)) for n in range(3)])


def changed(mark: str, change: Callable[[JointPlan], JointPlan], of: Plan = BEFORE) -> Plan:
    return replace(of, joints=tuple(change(one) if one.joint.mark == mark else one for one in of.joints))


def heat(**fields: Any) -> Callable[[JointPlan], JointPlan]:
    def change(one: JointPlan) -> JointPlan:
        assert one.heat is not None
        return replace(one, heat=replace(one.heat, **fields))

    return change


def kinds(after: Plan, before: Plan = BEFORE) -> dict[str, tuple[str, ...]]:
    return {one.mark: tuple(one.kinds) for one in plan_changes(before, after).joints}


def maximum(c: float | None) -> Callable[[JointPlan], JointPlan]:
    return lambda one: replace(one, requirement=replace(one.requirement, maximum_c=c))


def moved(by_minutes: float) -> Plan:
    found = BEFORE.joints[0].heat
    assert found is not None
    assert found.light_up_utc is not None
    return changed("H0", heat(light_up_utc=found.light_up_utc + minutes(by_minutes)))


def longer(by: float) -> Plan:
    found = BEFORE.joints[0].heat
    assert found is not None
    assert found.minutes is not None
    return changed("H0", heat(minutes=replace(found.minutes, high=found.minutes.high * by)))


@pytest.mark.parametrize(
    ("after", "found"),
    [
        (BEFORE, ()),
        (changed("H0", lambda one: replace(one, call="measure")), ("call",)),
        (changed("H0", lambda one: replace(one, minimum_c=None)), ("minimum",)),
        (changed("H0", lambda one: replace(one, minimum_c=(one.minimum_c or 0.0) + 0.4)), ()),
        (changed("H0", lambda one: replace(one, minimum_c=(one.minimum_c or 0.0) - 0.6)), ("minimum",)),
        (changed("H0", maximum(200.0)), ("maximum",)),  # there was none
        (changed("H0", lambda one: replace(one, weather_state="stop")), ("weather",)),
        (changed("H0", lambda one: replace(one, joint=replace(one.joint, crew="north"))), ("crew",)),
        (changed("H0", lambda one: replace(one, shift_key=None)), ("start",)),
        (changed("H0", lambda one: replace(one, heat=None)), ("light_up",)),
        (moved(9.0), ()),
        (moved(-10.0), ("light_up",)),
        (longer(1.1), ()),
        (longer(2.0), ("minutes",)),
    ],
)
def test_a_joint_that_changed(after: Plan, found: tuple[str, ...]) -> None:
    assert kinds(after) == ({"H0": found} if found else {})


@pytest.mark.parametrize(
    ("c", "found"), [(199.6, ()), (150.0, ("maximum",)), (230.0, ("maximum",)), (None, ("maximum",))]
)
def test_a_maximum_that_is_lowered_raised_or_gone(c: float | None, found: tuple[str, ...]) -> None:
    before = changed("H0", maximum(200.0))
    assert kinds(changed("H0", maximum(c)), before) == ({"H0": found} if found else {})


def test_new_and_gone() -> None:
    fewer = replace(BEFORE, joints=BEFORE.joints[1:])
    assert kinds(fewer) == {"H0": ("gone",)}
    assert kinds(BEFORE, fewer) == {"H0": ("new",)}


def test_totals_of_a_shift() -> None:
    day = next(one for one in BEFORE.shifts if one.joints)
    fuel = day.fuels[0]
    more = replace(fuel, fuel_kg=replace(fuel.fuel_kg, high=fuel.fuel_kg.high * 1.2))
    for fields, found in (
        ({"torches_at_once": day.torches_at_once + 1}, ("torches",)),
        ({"hands": 9}, ("hands",)),
        ({"unknown": 1}, ("unknown",)),
        ({"joints": 1}, ("joints",)),
        ({"fuels": (more,)}, ("fuel",)),
        ({"fuels": ()}, ("fuel",)),
        ({"fuels": (replace(fuel, fuel_kg=Range(0.0, 0.0, fuel.fuel_kg.high * 0.9)),)}, None),
    ):
        shifts = tuple(replace(one, **fields) if one is day else one for one in BEFORE.shifts)  # type: ignore[arg-type]
        changes = plan_changes(BEFORE, replace(BEFORE, shifts=shifts)).shifts
        assert [(one.key, one.kinds) for one in changes] == ([] if found is None else [(day.key, found)])


def test_days_that_only_one_plan_holds_are_no_change() -> None:
    assert plan_changes(BEFORE, replace(BEFORE, shifts=BEFORE.shifts[2:])).shifts == ()


def test_changes_of_the_shifts_shown_and_the_number_of_the_others() -> None:
    key = BEFORE.joints[0].shift_key
    after = changed("H0", lambda one: replace(one, shift_key="2027-01-01 day"))
    after = changed("H1", lambda one: replace(one, call="unknown", shift_key="other"), after)
    before = changed("H1", lambda one: replace(one, shift_key="other"))
    near, others = touching(plan_changes(before, after), {key})
    assert ([one.mark for one in near], others) == (["H0"], 1)  # moved away from here: it belongs to this sheet


def reversed_change(one: JointChange) -> JointChange:
    names = {"new": "gone", "gone": "new"}
    return JointChange(one.mark, tuple(names.get(kind, kind) for kind in one.kinds), one.after, one.before)  # type: ignore[misc]


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    found = []
    for one in BEFORE.joints:
        if draw(st.integers(0, 4)) == 0:
            continue
        assert one.heat is not None
        assert one.heat.light_up_utc is not None
        assert one.heat.minutes is not None
        lit = one.heat.light_up_utc + minutes(draw(st.integers(-25, 25)))
        long = replace(one.heat.minutes, high=one.heat.minutes.high * draw(st.floats(0.5, 2.0)))
        heated = replace(one.heat, light_up_utc=draw(st.sampled_from([lit, None])), minutes=long)
        found.append(
            replace(
                one,
                call=draw(st.sampled_from(["no_heat", "unknown", one.call])),
                weather_state=draw(st.sampled_from(["go", "stop"])),
                minimum_c=draw(st.sampled_from([None, 10.0, 10.3, 20.0])),
                requirement=replace(one.requirement, maximum_c=draw(st.sampled_from([None, 200.0, 200.4, 230.0]))),
                heat=draw(st.sampled_from([heated, None])),
            )
        )
    shifts = tuple(replace(one, torches_at_once=draw(st.integers(0, 3))) for one in BEFORE.shifts)
    return replace(BEFORE, joints=tuple(found), shifts=shifts)


@given(plans(), plans())
def test_the_same_plan_has_no_changes_and_plans_swapped_have_them_swapped(one: Plan, other: Plan) -> None:
    same = plan_changes(one, one)
    assert (same.joints, same.shifts) == ((), ())
    there, back = plan_changes(one, other), plan_changes(other, one)
    assert tuple(reversed_change(change) for change in there.joints) == back.joints
    assert [(c.key, c.kinds, c.after, c.before) for c in there.shifts] == [
        (c.key, c.kinds, c.before, c.after) for c in back.shifts
    ]
    assert isinstance(there, PlanChanges)
