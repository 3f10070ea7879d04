"""Which choices of a joint can be at all, what each costs, who comes before whom: what all ways to an order share."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from heapq import heapify, heappop, heappush

from frostshift_rules.order_problem import Choice, OrderJoint, OrderProblem, OrderShift


def late_shifts(joint: OrderJoint, shift: int) -> int:
    """How many shifts later than due the joint is in a shift."""
    return 0 if joint.latest is None else max(0, shift - joint.latest)


def cost_of(problem: OrderProblem, joint: OrderJoint, choice: Choice) -> float:
    """What a choice costs [minutes of one pair of hands]."""
    weights = problem.weights
    cost = choice.fuel_kg * weights.fuel_kg + choice.oxygen_m3 * weights.oxygen_m3
    cost += choice.hand_minutes * weights.hand_minute + late_shifts(joint, choice.shift) * weights.shift_late
    if joint.now is not None:
        cost += weights.move * (choice.shift != joint.now[0]) + weights.crew_change * (choice.crew != joint.now[1])
    return cost


def cost_without(problem: OrderProblem, joint: OrderJoint) -> float:
    """What it costs that a joint has no place [minutes of one pair of hands]."""
    weights = problem.weights
    late = late_shifts(joint, len(problem.shifts)) * weights.shift_late
    return weights.not_placed + late + (weights.pin_lost if joint.pinned else 0.0)


def over_by_start(shifts: Sequence[OrderShift]) -> tuple[tuple[int, ...], ...]:
    """For each shift the indexes of those that are over when it begins."""
    return tuple(tuple(n for n, other in enumerate(shifts) if other.end_utc <= shift.start_utc) for shift in shifts)


def in_time(joint: OrderJoint, shift: int) -> bool:
    """Whether the joint's own dates allow a shift."""
    if shift < joint.earliest:
        return False
    return not joint.latest_is_hard or joint.latest is None or shift <= joint.latest


def has_room(problem: OrderProblem, choice: Choice) -> bool:
    """Whether a joint fits into its shift where it has it to itself."""
    shift = problem.shifts[choice.shift]
    return (
        choice.crew_minutes <= problem.crews[choice.crew].minutes[choice.shift]
        and (shift.torch_minutes is None or choice.torch_minutes <= shift.torch_minutes)
        and (shift.hand_minutes is None or choice.hand_minutes <= shift.hand_minutes)
    )


def open_choices(problem: OrderProblem, joint: OrderJoint) -> tuple[Choice, ...]:
    """Choices that its pin, its dates and an empty shift allow, by shift and crew."""
    found = [
        one
        for one in joint.choices
        if (not joint.pinned or one.place == joint.now) and in_time(joint, one.shift) and has_room(problem, one)
    ]
    return tuple(sorted(found, key=lambda one: one.place))


def links(problem: OrderProblem) -> tuple[tuple[int, ...], ...]:
    """For each joint the indexes of those that have to be done before it; each once."""
    number = {joint.mark: n for n, joint in enumerate(problem.joints)}
    return tuple(tuple(sorted({number[mark] for mark in joint.after})) for joint in problem.joints)


def turned(before: Sequence[Iterable[int]]) -> tuple[tuple[int, ...], ...]:
    """Links the other way round: for each joint those that wait for it."""
    waiting: list[list[int]] = [[] for _ in before]
    for n, ones in enumerate(before):
        for one in ones:
            waiting[one].append(n)
    return tuple(map(tuple, waiting))


def in_turn(before: Sequence[Sequence[int]], urgency: Sequence[float]) -> list[int]:
    """All joints, each after those before it; among those free to go the lowest urgency first, then the first named."""
    waits = [len(ones) for ones in before]
    waiting = turned(before)
    free = [(urgency[n], n) for n, count in enumerate(waits) if count == 0]
    heapify(free)
    found = []
    while free:
        _, n = heappop(free)
        found.append(n)
        for other in waiting[n]:
            waits[other] -= 1
            if waits[other] == 0:
                heappush(free, (urgency[other], other))
    return found
