"""What an order of work costs, item by item, and every rule it breaks: counted joint by joint, apart from the model.

It shares no code with what finds an order, so that it can tell when that is wrong.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Final, Literal

from frostshift_rules.order_problem import Choice, OrderJoint, OrderProblem, Place

Places = Mapping[str, Place | None]
"""By mark the place of each joint; None, or not in it: no place."""
BrokenName = Literal[
    "not_offered",
    "too_early",
    "too_late",
    "pinned_moved",
    "before_predecessor",
    "crew_minutes",
    "torch_minutes",
    "hand_minutes",
]

ROUNDING_MINUTES: Final = 1e-3
"""A sum of minutes may pass its limit by so much [min]: the rounding of sums, not time."""


@dataclass(frozen=True, slots=True)
class Costs:
    """What an order costs, in minutes of one pair of hands (`Weights`)."""

    fuel: float = 0.0
    oxygen: float = 0.0
    hands: float = 0.0
    late: float = 0.0
    moves: float = 0.0
    crew_changes: float = 0.0
    not_placed: float = 0.0

    @property
    def total(self) -> float:
        """All together."""
        return math.fsum(getattr(self, item.name) for item in fields(self))


@dataclass(frozen=True, slots=True)
class Broken:
    """One rule that an order breaks: the joints it is about (of a shift's minutes, all in it), and a sentence."""

    name: BrokenName
    marks: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Value:
    """What an order comes to.

    Attributes:
        costs: item by item, of the joints that have a place that is offered, and of those without one.
        fuel_kg, oxygen_m3, fuel_cold_kg, oxygen_cold_m3: likely, and on the cold side.
        torch_minutes, hand_minutes, crew_minutes: [min].
        late: marks in a later shift than due, and by how many shifts.
        moved: marks in another shift than the plan has.
        crew_changed: marks with another crew than the plan has.
        not_placed: marks without a place.
        broken: empty where it holds every rule.
    """

    costs: Costs
    fuel_kg: float
    oxygen_m3: float
    fuel_cold_kg: float
    oxygen_cold_m3: float
    torch_minutes: float
    hand_minutes: float
    crew_minutes: float
    late: Mapping[str, int]
    moved: tuple[str, ...]
    crew_changed: tuple[str, ...]
    not_placed: tuple[str, ...]
    broken: tuple[Broken, ...]

    @property
    def holds(self) -> bool:
        """Whether it breaks no rule."""
        return not self.broken


def as_it_stands(problem: OrderProblem) -> dict[str, Place | None]:
    """The places that the plan has."""
    return {joint.mark: joint.now for joint in problem.joints}


def value(problem: OrderProblem, places: Places) -> Value:
    """Cost and broken rules of an order of work.

    Raises:
        ValueError: a mark that is no joint of the problem.
    """
    known = {joint.mark for joint in problem.joints}
    for mark in places:
        if mark not in known:
            raise ValueError(f"{mark} has a place, but is no joint of this order.")
    weights = problem.weights
    fuel_kg = oxygen_m3 = fuel_cold_kg = oxygen_cold_m3 = torch = hands = crew = missing = 0.0
    late: dict[str, int] = {}
    late_total = 0
    moved, changed, without = [], [], []
    for joint in problem.joints:
        place = places.get(joint.mark)
        if place is None:
            without.append(joint.mark)
            missing += weights.not_placed + (weights.pin_lost if joint.pinned else 0.0)
            if joint.latest is not None and joint.latest < len(problem.shifts):
                late_total += len(problem.shifts) - joint.latest
            continue
        if joint.latest is not None and place[0] > joint.latest:
            late[joint.mark] = place[0] - joint.latest
            late_total += late[joint.mark]
        if joint.now is not None and place[0] != joint.now[0]:
            moved.append(joint.mark)
        if joint.now is not None and place[1] != joint.now[1]:
            changed.append(joint.mark)
        one = _offered(joint, place)
        if one is not None:
            fuel_kg += one.fuel_kg
            oxygen_m3 += one.oxygen_m3
            fuel_cold_kg += one.fuel_cold_kg
            oxygen_cold_m3 += one.oxygen_cold_m3
            torch += one.torch_minutes
            hands += one.hand_minutes
            crew += one.crew_minutes
    return Value(
        costs=Costs(
            fuel=fuel_kg * weights.fuel_kg,
            oxygen=oxygen_m3 * weights.oxygen_m3,
            hands=hands * weights.hand_minute,
            late=late_total * weights.shift_late,
            moves=len(moved) * weights.move,
            crew_changes=len(changed) * weights.crew_change,
            not_placed=missing,
        ),
        fuel_kg=fuel_kg,
        oxygen_m3=oxygen_m3,
        fuel_cold_kg=fuel_cold_kg,
        oxygen_cold_m3=oxygen_cold_m3,
        torch_minutes=torch,
        hand_minutes=hands,
        crew_minutes=crew,
        late=late,
        moved=tuple(moved),
        crew_changed=tuple(changed),
        not_placed=tuple(without),
        broken=(*_broken_joints(problem, places), *_broken_shifts(problem, places)),
    )


def _offered(joint: OrderJoint, place: Place) -> Choice | None:
    return next((one for one in joint.choices if (one.shift, one.crew) == place), None)


def _where(problem: OrderProblem, place: Place) -> str:
    shift, crew = place
    if not (0 <= shift < len(problem.shifts) and 0 <= crew < len(problem.crews)):
        return f"shift {shift} with crew {crew}, which there is not"
    return f"{problem.shifts[shift].key} with {problem.crews[crew].name}"


def _broken_joints(problem: OrderProblem, places: Places) -> Iterator[Broken]:
    for joint in problem.joints:
        mark, place = joint.mark, places.get(joint.mark)
        if place is None:
            continue
        said = f"{mark} in {_where(problem, place)}"
        if _offered(joint, place) is None:
            why = next((one.reason for one in joint.left_out if (one.shift, one.crew) == place), "")
            yield Broken("not_offered", (mark,), f"{said}: it may not go there{f' ({why})' if why else ''}.")
            if not 0 <= place[0] < len(problem.shifts):
                continue
        if joint.pinned and place != joint.now:
            stays = _where(problem, joint.now) if joint.now else "nowhere"
            yield Broken("pinned_moved", (mark,), f"{said}: it is pinned to {stays}.")
        yield from _broken_dates(joint, place[0], said)
        begins_utc = problem.shifts[place[0]].start_utc
        for other in joint.after:
            there = places.get(other)
            if there is None:
                text = f"{said}: {other} has to be done before and has no place."
            elif not 0 <= there[0] < len(problem.shifts) or problem.shifts[there[0]].end_utc > begins_utc:
                text = f"{said}: {other} has to be done before and is in {_where(problem, there)}."
            else:
                continue
            yield Broken("before_predecessor", (mark, other), text)


def _broken_dates(joint: OrderJoint, shift: int, said: str) -> Iterator[Broken]:
    if shift < joint.earliest:
        yield Broken("too_early", (joint.mark,), f"{said}: too early by {joint.earliest - shift} shifts.")
    if joint.latest_is_hard and joint.latest is not None and shift > joint.latest:
        yield Broken("too_late", (joint.mark,), f"{said}: too late by {shift - joint.latest} shifts.")


def _broken_shifts(problem: OrderProblem, places: Places) -> Iterator[Broken]:
    by_shift: defaultdict[int, list[tuple[OrderJoint, Choice]]] = defaultdict(list)
    for joint in problem.joints:
        place = places.get(joint.mark)
        choice = None if place is None else _offered(joint, place)
        if choice is not None:
            by_shift[choice.shift].append((joint, choice))
    for s, shift in enumerate(problem.shifts):
        there = by_shift[s]
        for c, crew in enumerate(problem.crews):
            of_crew = [(joint, one) for joint, one in there if one.crew == c]
            took = sum(one.crew_minutes for _, one in of_crew)
            if took > crew.minutes[s] + ROUNDING_MINUTES:
                text = f"{shift.key}: {crew.name} has {crew.minutes[s]:g} min, its joints take {took:g} min."
                yield Broken("crew_minutes", tuple(joint.mark for joint, _ in of_crew), text)
        marks = tuple(joint.mark for joint, _ in there)
        torch = sum(one.torch_minutes for _, one in there)
        if shift.torch_minutes is not None and torch > shift.torch_minutes + ROUNDING_MINUTES:
            text = f"{shift.key}: torches can burn {shift.torch_minutes:g} min, its joints take {torch:g} min."
            yield Broken("torch_minutes", marks, text)
        hands = sum(one.hand_minutes for _, one in there)
        if shift.hand_minutes is not None and hands > shift.hand_minutes + ROUNDING_MINUTES:
            text = f"{shift.key}: people can hold a torch {shift.hand_minutes:g} min, its joints take {hands:g} min."
            yield Broken("hand_minutes", marks, text)
