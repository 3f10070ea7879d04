"""Which choices of a joint can be at all, what each costs, who comes before whom: what all ways to an order share."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from heapq import heapify, heappop, heappush

from frostshift_rules.order_problem import Choice, Minutes, OrderJoint, OrderProblem, OrderShift, Place


def late_shifts(joint: OrderJoint, shift: int) -> int:
    """How many shifts later than due the joint is in a shift."""
    return 0 if joint.latest is None else max(0, shift - joint.latest)


def cost_of(problem: OrderProblem, joint: OrderJoint, choice: Choice) -> float:
    """What a choice costs [minutes of one pair of hands]."""
    weights = problem.weights
    cost = choice.fuel_kg * weights.fuel_kg + choice.oxygen_m3 * weights.oxygen_m3
    cost += choice.energy_kwh * weights.energy_kwh + choice.priced_minutes * weights.hand_minute
    cost += late_shifts(joint, choice.shift) * weights.shift_late
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


class Turns:
    """Whether joints are in turn, by their numbers and shifts."""

    def __init__(self, problem: OrderProblem) -> None:
        self.over = tuple(map(frozenset, over_by_start(problem.shifts)))
        self._now = [None if joint.now is None else joint.now[0] for joint in problem.joints]
        number = {joint.mark: n for n, joint in enumerate(problem.joints)}
        self._by_clock = {(number[mark], n) for n, joint in enumerate(problem.joints) for mark in joint.in_turn}

    def by_clock(self, first: int, then: int) -> bool:
        """Whether the plan has the first done before the other begins, by the clock alone."""
        return (first, then) in self._by_clock

    def kept(self, first: int, shift: int, then: int, other_shift: int) -> bool:
        """Whether a joint in a shift is done before one in another: over by then, or both still where they were."""
        if shift in self.over[other_shift]:
            return True
        return self.by_clock(first, then) and shift == self._now[first] and other_shift == self._now[then]

    def may_be_kept(self, first: int, earliest: int, then: int, shift: int) -> bool:
        """Whether a joint that can be in no shift before one can be done before another in a shift."""
        if earliest in self.over[shift]:
            return True
        now = self._now[first]
        return self.by_clock(first, then) and shift == self._now[then] and now is not None and earliest <= now

    def planned(self, first: int, then: int) -> bool:
        """Whether the plan has the first done before the other."""
        shift, other_shift = self._now[first], self._now[then]
        return shift is not None and other_shift is not None and self.kept(first, shift, then, other_shift)

    def stays_after(self, first: int, then: int) -> int | None:
        """The shift in which the other stays after the first, as the plan has both; None: it has them otherwise."""
        return self._now[then] if self.planned(first, then) else None


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


def takes(choice: Choice) -> Minutes:
    """What a choice takes of its shift."""
    return Minutes(choice.crew_minutes, choice.torch_minutes, choice.hand_minutes)


def choice_at(choices: Iterable[Choice], place: Place | None) -> Choice | None:
    """The choice that is a place; None where there is none, or no place."""
    return next((one for one in choices if one.place == place), None)


def takes_now(joint: OrderJoint) -> Minutes:
    """What a joint takes of its shift where the plan has it; nothing where the plan has it nowhere."""
    if joint.now is None:
        return Minutes()
    here = choice_at(joint.choices, joint.now)
    return joint.there if here is None else takes(here)


Filled = tuple[str, int, int]
"""What is filled up: the name of the minutes, the shift, the crew (-1 where they are of the whole shift)."""


def fills(place: Place, minutes: Minutes) -> tuple[tuple[Filled, float], ...]:
    """What minutes at a place fill up."""
    shift, crew = place
    return (
        (("crew", shift, crew), minutes.crew),
        (("torch", shift, -1), minutes.torch),
        (("hands", shift, -1), minutes.hands),
    )


def room_to_stay(problem: OrderProblem) -> dict[Filled, float]:
    """What may be in each shift, with joints that stay without a place: its minutes, or those planned if they are more.

    Where minutes are not limited there is no entry.
    """
    planned: defaultdict[Filled, float] = defaultdict(float)
    for joint in problem.joints:
        if joint.now is not None:
            for key, minutes in fills(joint.now, takes_now(joint)):
                planned[key] += minutes
    found: dict[Filled, float] = {}
    for s, shift in enumerate(problem.shifts):
        crews = [(("crew", s, c), crew.minutes[s]) for c, crew in enumerate(problem.crews)]
        for key, limit in (*crews, (("torch", s, -1), shift.torch_minutes), (("hands", s, -1), shift.hand_minutes)):
            if limit is not None:
                found[key] = max(limit, planned[key])
    return found


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
