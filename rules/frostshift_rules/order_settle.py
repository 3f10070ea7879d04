"""Takes back what a joint without a place does not allow: it stays where the plan has it, and takes its minutes there.

The last step of every order that is not found by the solver. Each step gives up a place, so that it ends: with no place
left the plan is as it stands, which breaks nothing that is whole now.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Final

from frostshift_rules.order_choices import (
    Filled,
    Turns,
    fills,
    in_turn,
    links,
    room_to_stay,
    takes,
    takes_now,
)
from frostshift_rules.order_problem import Choice, OrderProblem

_ROUNDING: Final = 1e-7
"""Of sums of minutes [min]."""


def settled(problem: OrderProblem, chosen: Sequence[Choice | None]) -> list[Choice | None]:
    """An order that holds, from one whose places pass no limit and keep every sequence among themselves."""
    made = list(chosen)
    if all(one is not None for one in made):
        return made
    before = links(problem)
    turn = in_turn(before, [0.0] * len(made))
    turns = Turns(problem)
    limits = room_to_stay(problem)
    while True:
        _drop_waiting(turn, before, made)
        if _drop_past(problem, turn, before, turns, made):
            continue
        if not _drop_full(problem, limits, made):
            return made


def _drop_waiting(turn: Sequence[int], before: Sequence[Sequence[int]], made: list[Choice | None]) -> None:
    """What waits for a joint without a place has none either."""
    for n in turn:
        if any(made[other] is None for other in before[n]):
            made[n] = None


def _drop_past(
    problem: OrderProblem,
    turn: Sequence[int],
    before: Sequence[Sequence[int]],
    turns: Turns,
    made: list[Choice | None],
) -> bool:
    """What is moved past a joint that stays, and has to be done before it; whether there was any."""
    found = False
    for n in turn:
        now = problem.joints[n].now
        if made[n] is not None or now is None:
            continue
        for other in before[n]:
            there = made[other]
            if there is not None and turns.planned(other, n) and not turns.kept(other, there.shift, n, now[0]):
                made[other], found = None, True
    return found


def _drop_full(problem: OrderProblem, limits: dict[Filled, float], made: list[Choice | None]) -> bool:
    """One joint that was moved into a shift that is too full then, the one that takes most; whether there was any."""
    taken: defaultdict[Filled, float] = defaultdict(float)
    moved_in: defaultdict[Filled, list[tuple[float, int]]] = defaultdict(list)
    for n, (joint, one) in enumerate(zip(problem.joints, made, strict=True)):
        place = joint.now if one is None else one.place
        if place is None:
            continue
        here = takes_now(joint) if one is None else takes(one)
        was = {} if joint.now is None else dict(fills(joint.now, takes_now(joint)))
        for key, minutes in fills(place, here):
            taken[key] += minutes
            if one is not None and minutes > was.get(key, 0.0):
                moved_in[key].append((minutes, n))
    for key, limit in limits.items():
        if taken[key] > limit + _ROUNDING:
            made[max(moved_in[key], key=lambda one: (one[0], -one[1]))[1]] = None
            return True
    return False
