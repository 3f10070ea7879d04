"""The best order of work by trying every one: no solver, no model, none of the code that finds or counts orders.

It reads the fields of a problem and nothing else, and it states each rule anew.
"""

from __future__ import annotations

from frostshift_rules.order_problem import Choice, OrderJoint, OrderProblem


def cheapest(problem: OrderProblem) -> float:
    """The least cost of all orders that break no rule [minutes of one pair of hands]."""
    return min(_orders(problem, list(problem.joints), {}))


def _orders(problem: OrderProblem, rest: list[OrderJoint], had: dict[str, Choice | None]) -> list[float]:
    """Least cost over all ways to place the rest, as a list of one (or none, where a limit is passed already)."""
    if _full(problem, had):
        return []
    if not rest:
        holds = _in_sequence(problem, had) and _room_to_stay(problem, had) and not _moved_past(problem, had)
        return [_cost(problem, had)] if holds else []
    first, *others = rest
    best: list[float] = []
    for one in (None, *first.choices):
        if one is not None and not _own_rules(first, one):
            continue
        found = _orders(problem, others, {**had, first.mark: one})
        best = [min([*best, *found])] if best or found else []
    return best


def _own_rules(joint: OrderJoint, one: Choice) -> bool:
    if joint.pinned and (one.shift, one.crew) != joint.now:
        return False
    if one.shift < joint.earliest:
        return False
    return not (joint.latest_is_hard and joint.latest is not None and one.shift > joint.latest)


def _full(problem: OrderProblem, had: dict[str, Choice | None]) -> bool:
    ones = [one for one in had.values() if one is not None]
    for s, shift in enumerate(problem.shifts):
        here = [one for one in ones if one.shift == s]
        if shift.torch_minutes is not None and sum(one.torch_minutes for one in here) > shift.torch_minutes:
            return True
        if shift.hand_minutes is not None and sum(one.hand_minutes for one in here) > shift.hand_minutes:
            return True
        for c, crew in enumerate(problem.crews):
            if sum(one.crew_minutes for one in here if one.crew == c) > crew.minutes[s]:
                return True
    return False


def _in_sequence(problem: OrderProblem, had: dict[str, Choice | None]) -> bool:
    by_mark = {joint.mark: joint for joint in problem.joints}
    for joint in problem.joints:
        one = had[joint.mark]
        for mark in joint.after if one is not None else ():
            other = had[mark]
            if other is None or not _comes_after(problem, joint, one.shift, by_mark[mark], other.shift):
                return False
    return True


def _comes_after(problem: OrderProblem, joint: OrderJoint, shift: int, first: OrderJoint, other: int) -> bool:
    """Whether the first's shift is over, or both are in the shifts of the plan, whose clock has them in turn."""
    if problem.shifts[other].end_utc <= problem.shifts[shift].start_utc:
        return True
    still = bool(joint.now and first.now) and (joint.now or (-1,))[0] == shift and (first.now or (-1,))[0] == other
    return still and first.mark in joint.in_turn


def _at_now(joint: OrderJoint) -> tuple[float, float, float]:
    """Minutes of crew, torches and hands that a joint takes where the plan has it."""
    for one in joint.choices:
        if (one.shift, one.crew) == joint.now:
            return one.crew_minutes, one.torch_minutes, one.hand_minutes
    return joint.there.crew, joint.there.torch, joint.there.hands


def _room_to_stay(problem: OrderProblem, had: dict[str, Choice | None]) -> bool:
    """Whether no shift holds more than it has minutes or than is planned in it, with what stays there unplaced."""
    planned = [(*joint.now, *_at_now(joint)) for joint in problem.joints if joint.now]
    here: list[tuple[int, int, float, float, float]] = []
    for joint in problem.joints:
        one = had[joint.mark]
        if one is not None:
            here.append((one.shift, one.crew, one.crew_minutes, one.torch_minutes, one.hand_minutes))
        elif joint.now:
            here.append((*joint.now, *_at_now(joint)))
    for s, shift in enumerate(problem.shifts):
        for c, crew in enumerate(problem.crews):
            was, now = (sum(it[2] for it in ones if it[:2] == (s, c)) for ones in (planned, here))
            if now > max(was, crew.minutes[s]):
                return False
        for k, limit in ((3, shift.torch_minutes), (4, shift.hand_minutes)):
            was, now = (sum(it[k] for it in ones if it[0] == s) for ones in (planned, here))
            if limit is not None and now > max(was, limit):
                return False
    return True


def _moved_past(problem: OrderProblem, had: dict[str, Choice | None]) -> bool:
    """Whether a joint is moved to where it is not over before one begins that waits for it and stays unplaced."""
    by_mark = {joint.mark: joint for joint in problem.joints}
    for joint in problem.joints:
        if had[joint.mark] is not None or not joint.now:
            continue
        for mark in joint.after:
            one, first = had[mark], by_mark[mark]
            if one is None or not first.now or not _comes_after(problem, joint, joint.now[0], first, first.now[0]):
                continue
            if not _comes_after(problem, joint, joint.now[0], first, one.shift):
                return True
    return False


def _cost(problem: OrderProblem, had: dict[str, Choice | None]) -> float:
    price, cost = problem.weights, 0.0
    for joint in problem.joints:
        one = had[joint.mark]
        shift = len(problem.shifts) if one is None else one.shift
        if joint.latest is not None and shift > joint.latest:
            cost += (shift - joint.latest) * price.shift_late
        if one is None:
            cost += price.not_placed
            cost += price.pin_lost if joint.pinned else 0.0
            continue
        cost += price.fuel_kg * one.fuel_kg + price.oxygen_m3 * one.oxygen_m3 + price.energy_kwh * one.energy_kwh
        cost += price.hand_minute * one.priced_minutes
        if joint.now:
            cost += price.move if joint.now[0] != one.shift else 0.0
            cost += price.crew_change if joint.now[1] != one.crew else 0.0
    return cost
