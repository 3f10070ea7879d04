"""What an order of work costs, item by item, and every rule it breaks: counted joint by joint, apart from the model.

It shares no code with what finds an order, so that it can tell when that is wrong.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
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
    current: float = 0.0
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
        fuel_kg, oxygen_m3, energy_kwh: as they are priced.
        torch_minutes, hand_minutes, crew_minutes: on the cold side [min].
        late: marks in a later shift than due, and by how many shifts.
        moved: marks in another shift than the plan has.
        crew_changed: marks with another crew than the plan has.
        not_placed: marks without a place.
        broken: empty where it holds every rule.
    """

    costs: Costs
    fuel_kg: float
    oxygen_m3: float
    energy_kwh: float
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
    fuel_kg = oxygen_m3 = energy_kwh = priced = torch = hands = crew = missing = 0.0
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
            energy_kwh += one.energy_kwh
            priced += one.priced_minutes
            torch += one.torch_minutes
            hands += one.hand_minutes
            crew += one.crew_minutes
    return Value(
        costs=Costs(
            fuel=fuel_kg * weights.fuel_kg,
            oxygen=oxygen_m3 * weights.oxygen_m3,
            current=energy_kwh * weights.energy_kwh,
            hands=priced * weights.hand_minute,
            late=late_total * weights.shift_late,
            moves=len(moved) * weights.move,
            crew_changes=len(changed) * weights.crew_change,
            not_placed=missing,
        ),
        fuel_kg=fuel_kg,
        oxygen_m3=oxygen_m3,
        energy_kwh=energy_kwh,
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
    now = {joint.mark: joint.now for joint in problem.joints}
    for joint in problem.joints:
        mark, place = joint.mark, places.get(joint.mark)
        if place is None:
            yield from _broken_by_staying(problem, joint, places, now)
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
        for other in joint.after:
            there = places.get(other)
            if there is None:
                text = f"{said}: {other} has to be done before and has no place."
            elif not _in_turn(problem, joint, place[0], other, there[0], now):
                text = f"{said}: {other} has to be done before and is in {_where(problem, there)}."
            else:
                continue
            yield Broken("before_predecessor", (mark, other), text)


def _over(problem: OrderProblem, shift: int, other: int) -> bool:
    """Whether a shift is over when another begins; False where there is no such shift."""
    if not 0 <= shift < len(problem.shifts):
        return False
    return problem.shifts[shift].end_utc <= problem.shifts[other].start_utc


def _in_turn(
    problem: OrderProblem, joint: OrderJoint, shift: int, before: str, other: int, now: Mapping[str, Place | None]
) -> bool:
    """Whether a joint in a shift comes after one in another: that is over, or both are where the clock has it so."""
    if _over(problem, other, shift):
        return True
    was = now[before]
    if before not in joint.in_turn or was is None or joint.now is None:
        return False
    return (other, shift) == (was[0], joint.now[0])


def _broken_by_staying(
    problem: OrderProblem, joint: OrderJoint, places: Places, now: Mapping[str, Place | None]
) -> Iterator[Broken]:
    """What is moved past a joint that has no place and stays where the plan has it."""
    if joint.now is None:
        return
    for other in joint.after:
        there, was = places.get(other), now[other]
        if there is None or was is None or not _in_turn(problem, joint, joint.now[0], other, was[0], now):
            continue
        if _in_turn(problem, joint, joint.now[0], other, there[0], now):
            continue
        text = (
            f"{joint.mark} has no place and stays in {_where(problem, joint.now)}: {other} has to be done before and "
            f"is in {_where(problem, there)}."
        )
        yield Broken("before_predecessor", (joint.mark, other), text)


def _broken_dates(joint: OrderJoint, shift: int, said: str) -> Iterator[Broken]:
    if shift < joint.earliest:
        yield Broken("too_early", (joint.mark,), f"{said}: too early by {joint.earliest - shift} shifts.")
    if joint.latest_is_hard and joint.latest is not None and shift > joint.latest:
        yield Broken("too_late", (joint.mark,), f"{said}: too late by {shift - joint.latest} shifts.")


@dataclass(frozen=True, slots=True)
class _Taking:
    """What a joint takes in a shift: with its place, or staying there without one."""

    mark: str
    crew: int
    placed: bool
    crew_minutes: float
    torch_minutes: float
    hand_minutes: float


def _taking(joint: OrderJoint, place: Place, *, placed: bool) -> _Taking:
    one = _offered(joint, place)
    if one is None:
        there = joint.there
        return _Taking(joint.mark, place[1], placed, there.crew, there.torch, there.hands)
    return _Taking(joint.mark, place[1], placed, one.crew_minutes, one.torch_minutes, one.hand_minutes)


def _broken_shifts(problem: OrderProblem, places: Places) -> Iterator[Broken]:
    planned: defaultdict[int, list[_Taking]] = defaultdict(list)
    taken: defaultdict[int, list[_Taking]] = defaultdict(list)
    for joint in problem.joints:
        place = places.get(joint.mark)
        if joint.now is not None:
            planned[joint.now[0]].append(_taking(joint, joint.now, placed=True))
        if place is not None and (place == joint.now or _offered(joint, place) is not None):
            taken[place[0]].append(_taking(joint, place, placed=True))
        elif place is None and joint.now is not None:
            taken[joint.now[0]].append(_taking(joint, joint.now, placed=False))
    for s, shift in enumerate(problem.shifts):
        for c, crew in enumerate(problem.crews):
            yield from _passed(
                "crew_minutes",
                f"{shift.key}: {crew.name} has {crew.minutes[s]:g} min",
                crew.minutes[s],
                [(one, one.crew_minutes) for one in taken[s] if one.crew == c],
                [one.crew_minutes for one in planned[s] if one.crew == c],
            )
        if shift.torch_minutes is not None:
            yield from _passed(
                "torch_minutes",
                f"{shift.key}: torches can burn {shift.torch_minutes:g} min",
                shift.torch_minutes,
                [(one, one.torch_minutes) for one in taken[s]],
                [one.torch_minutes for one in planned[s]],
            )
        if shift.hand_minutes is not None:
            yield from _passed(
                "hand_minutes",
                f"{shift.key}: people can hold a torch {shift.hand_minutes:g} min",
                shift.hand_minutes,
                [(one, one.hand_minutes) for one in taken[s]],
                [one.hand_minutes for one in planned[s]],
            )


def _passed(
    name: BrokenName,
    said: str,
    limit: float,
    taken: Sequence[tuple[_Taking, float]],
    planned: Sequence[float],
) -> Iterator[Broken]:
    """The limit of a shift, where places pass it, or places and what stays pass it and what is planned there now."""
    placed = [(one, minutes) for one, minutes in taken if one.placed]
    took = sum(minutes for _, minutes in placed)
    if took > limit + ROUNDING_MINUTES:
        marks = tuple(one.mark for one, _ in placed)
        yield Broken(name, marks, f"{said}, its joints take {took:g} min.")
        return
    took = sum(minutes for _, minutes in taken)
    if took > max(limit, sum(planned)) + ROUNDING_MINUTES:
        marks = tuple(one.mark for one, _ in taken)
        yield Broken(name, marks, f"{said}, its joints take {took:g} min with those that stay there without a place.")
