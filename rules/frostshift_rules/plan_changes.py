"""What differs between two plans of a site, so that nobody has to read a whole sheet again to find it.

What creeps is no change: the thresholds below are our choice. They are compared the same way round either way, so that
the changes of two plans swapped are the same changes swapped.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, Literal

from frostshift_rules.workload import JointPlan, Plan, ShiftTotal

JointChangeKind = Literal[
    "new", "gone", "call", "minimum", "maximum", "weather", "start", "crew", "light_up", "minutes"
]
ShiftChangeKind = Literal["joints", "torches", "hands", "fuel", "unknown", "people"]

LIMIT_K: Final = 0.5
"""A minimum or maximum that moves by less is the same one [K]: figures of a table lie further apart."""
LIGHT_UP: Final = timedelta(minutes=10)
"""A light-up that moves by less is not worth waking anybody for."""
MINUTES_SHARE: Final = 0.15
"""A heating time on its slow end that changes by less of the longer one is the same work; under 5 minutes too."""
LEAST_MINUTES: Final = 5.0
FUEL_SHARE: Final = 0.15
"""The same for the high end of a shift's fuel, of the larger one."""


@dataclass(frozen=True, slots=True)
class JointChange:
    """A joint that is not as it was; `before` or `after` is None where it was not, or is no longer, on the plan."""

    mark: str
    kinds: tuple[JointChangeKind, ...]
    before: JointPlan | None
    after: JointPlan | None


@dataclass(frozen=True, slots=True)
class ShiftChange:
    """A shift of both plans whose totals are not as they were."""

    key: str
    kinds: tuple[ShiftChangeKind, ...]
    before: ShiftTotal
    after: ShiftTotal


@dataclass(frozen=True, slots=True)
class PlanChanges:
    """Everything that differs.

    Attributes:
        before_utc, after_utc: when the two plans were made.
        joints: by mark.
        shifts: in the order of the later plan.
    """

    before_utc: datetime
    after_utc: datetime
    joints: tuple[JointChange, ...]
    shifts: tuple[ShiftChange, ...]


def plan_changes(before: Plan, after: Plan) -> PlanChanges:
    """What of `after` is not as it was in `before`.

    A joint that is done, postponed or out of the schedule is `gone`: a plan does not say which. Shifts that only one
    plan holds are no change, as the days of a plan move on with its making.
    """
    was, now = ({one.joint.mark: one for one in plan.joints} for plan in (before, after))
    found = [_joint(mark, was.get(mark), now.get(mark)) for mark in sorted(was.keys() | now.keys())]
    shifts = {one.key: one for one in before.shifts}
    totals = [_shift(shifts[one.key], one) for one in after.shifts if one.key in shifts]
    return PlanChanges(
        before.made_utc,
        after.made_utc,
        tuple(one for one in found if one is not None),
        tuple(one for one in totals if one is not None),
    )


def touching(changes: PlanChanges, keys: Collection[str | None]) -> tuple[tuple[JointChange, ...], int]:
    """The changes of joints that lie or lay in one of the shifts of these keys, and the number of all the others."""
    near = tuple(
        one
        for one in changes.joints
        if any(side is not None and side.shift_key in keys for side in (one.before, one.after))
    )
    return near, len(changes.joints) - len(near)


def _joint(mark: str, before: JointPlan | None, after: JointPlan | None) -> JointChange | None:
    if before is None or after is None:
        return JointChange(mark, ("new",) if before is None else ("gone",), before, after)
    tests: dict[JointChangeKind, bool] = {
        "call": before.call != after.call,
        "minimum": _limit_moved(before.minimum_c, after.minimum_c),
        "maximum": _limit_moved(before.requirement.maximum_c, after.requirement.maximum_c),
        "weather": before.weather_state != after.weather_state,
        "start": (before.joint.start_utc, before.shift_key) != (after.joint.start_utc, after.shift_key),
        "crew": before.joint.crew != after.joint.crew,
        "light_up": _light_up_moved(_light_up(before), _light_up(after)),
        "minutes": _minutes_moved(_slow_minutes(before), _slow_minutes(after)),
    }
    kinds = tuple(kind for kind, moved in tests.items() if moved)
    return JointChange(mark, kinds, before, after) if kinds else None


def _limit_moved(before: float | None, after: float | None) -> bool:
    if before is None or after is None:
        return before is not after
    return abs(after - before) >= LIMIT_K


def _light_up(joint: JointPlan) -> datetime | None:
    return None if joint.heat is None else joint.heat.light_up_utc


def _light_up_moved(before: datetime | None, after: datetime | None) -> bool:
    if before is None or after is None:
        return before is not after
    return abs(after - before) >= LIGHT_UP


def _slow_minutes(joint: JointPlan) -> float | None:
    return None if joint.heat is None or joint.heat.minutes is None else joint.heat.minutes.high


def _minutes_moved(before: float | None, after: float | None) -> bool:
    if before is None or after is None:
        return False  # the light-up comes or goes with it and says so
    return abs(after - before) >= max(LEAST_MINUTES, MINUTES_SHARE * max(before, after))


def _shift(before: ShiftTotal, after: ShiftTotal) -> ShiftChange | None:
    tests: dict[ShiftChangeKind, bool] = {
        "joints": before.joints != after.joints,
        "torches": (before.torches_at_once, before.torches_there) != (after.torches_at_once, after.torches_there),
        "hands": before.hands != after.hands,
        "fuel": _fuel_moved(before, after),
        "unknown": before.unknown != after.unknown,
        "people": before.people is not None
        and after.people is not None
        and before.people.warm_up.state != after.people.warm_up.state,
    }
    kinds = tuple(kind for kind, moved in tests.items() if moved)
    return ShiftChange(before.key, kinds, before, after) if kinds else None


def _fuel_moved(before: ShiftTotal, after: ShiftTotal) -> bool:
    was, now = ({one.source_id: one.fuel_kg.high for one in shift.fuels} for shift in (before, after))
    return any(_share_moved(was.get(name, 0.0), now.get(name, 0.0)) for name in was.keys() | now.keys())


def _share_moved(before: float, after: float) -> bool:
    return before != after and abs(after - before) >= FUEL_SHARE * max(before, after)
