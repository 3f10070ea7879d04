"""Why a joint has no place in an order of work.

What can be seen without a search is said at once: no shift is open, dates that cannot be met, work that is longer than
a shift. Else it is said what keeps the joint out of each place, and what would free one (`order_freeing`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from frostshift_rules.order_choices import in_time, in_turn, links, open_choices, over_by_start
from frostshift_rules.order_freeing import QUICK, Freeing, frees, place_said, shifts_said
from frostshift_rules.order_model import INF
from frostshift_rules.order_problem import Choice, OrderJoint, OrderProblem, Place
from frostshift_rules.order_solve import Stop
from frostshift_rules.order_value import Places


@dataclass(frozen=True, slots=True)
class Blocked:
    """A joint without a place.

    Attributes:
        mark: of the joint.
        waits_for: joints without a place that have to be done before it; then nothing else is looked at.
        in_the_way: sentences for people.
        frees: single changes that would give it a place; empty: none was found, or none was looked for.
        looked: whether changes were looked for.
    """

    mark: str
    waits_for: tuple[str, ...]
    in_the_way: tuple[str, ...]
    frees: tuple[Freeing, ...] = ()
    looked: bool = False


def impossible(problem: OrderProblem) -> tuple[Blocked, ...]:
    """Joints that no order can give a place, and why, without a search; in the problem's order.

    Joints that wait for each other in a circle make no problem at all: `OrderError` names them.
    """
    over = [frozenset(ones) for ones in over_by_start(problem.shifts)]
    before = links(problem)
    first: list[int | None] = [None] * len(problem.joints)
    found: dict[int, Blocked] = {}
    for n in in_turn(before, [0.0] * len(problem.joints)):
        joint = problem.joints[n]
        shifts = sorted({one.shift for one in open_choices(problem, joint)})
        if not shifts:
            found[n] = Blocked(joint.mark, (), tuple(_nothing_open(problem, joint)))
            continue
        stuck = [other for other in before[n] if other in found]
        if stuck:
            names = tuple(problem.joints[other].mark for other in stuck)
            text = f"{joint.mark} waits for {_and(names)}, which can have no place."
            found[n] = Blocked(joint.mark, names, (text,))
            continue
        early = {other: at for other in before[n] if (at := first[other]) is not None}
        first[n] = next((s for s in shifts if all(at in over[s] for at in early.values())), None)
        if first[n] is None:
            worst = max(early, key=lambda other: (early[other], -other))
            text = (
                f"{joint.mark} can be in {problem.shifts[shifts[-1]].key} at the latest, and "
                f"{problem.joints[worst].mark}, which has to be done before, is in "
                f"{problem.shifts[early[worst]].key} at the earliest."
            )
            found[n] = Blocked(joint.mark, (), (text,))
    return tuple(found[n] for n in sorted(found))


def blocked(
    problem: OrderProblem,
    places: Places,
    stop: Stop = QUICK,
    most: int = 5,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Blocked, ...]:
    """For each joint without a place in an order that holds: what is in the way, and what would free it.

    Changes are looked for at the first `most` joints that wait for nobody, in the problem's order; each takes a search
    a rule, stopped by `stop`. `cancelled` ends them.
    """
    never = {one.mark: one for one in impossible(problem)}
    found = []
    for n, joint in enumerate(problem.joints):
        if places.get(joint.mark) is not None:
            continue
        waits_for = tuple(mark for mark in dict.fromkeys(joint.after) if places.get(mark) is None)
        if waits_for:
            text = (
                f"{joint.mark} waits for {_and(waits_for)}, which {'has' if len(waits_for) == 1 else 'have'} no place."
            )
            found.append(Blocked(joint.mark, waits_for, (text,)))
            continue
        said = never[joint.mark].in_the_way if joint.mark in never else tuple(_in_the_way(problem, joint, places))
        looks = most > 0 and not (cancelled is not None and cancelled())
        most -= looks
        changes = tuple(frees(problem, places, n, stop, cancelled)) if looks else ()
        found.append(Blocked(joint.mark, (), said, changes, looks))
    return tuple(found)


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _nothing_open(problem: OrderProblem, joint: OrderJoint) -> Iterator[str]:
    """Why none of a joint's choices can be, whatever the other joints do."""
    last = len(problem.shifts) - 1
    first = _shift(problem, joint.earliest)
    if joint.latest_is_hard and joint.latest is not None and joint.earliest > joint.latest:
        yield f"{joint.mark} may not be before {first}, {shifts_said(joint.earliest - joint.latest)} after its latest."
        return
    if joint.earliest > last:
        yield f"{joint.mark} may not be before {first}; the last one here is shift {last + 1}."
        return
    if joint.pinned and joint.now is not None and all(one.place != joint.now for one in joint.choices):
        why = next((one.reason for one in joint.left_out if (one.shift, one.crew) == joint.now), "it may not go there")
        yield f"{joint.mark} is pinned to {place_said(problem, joint.now)}: {why}."
    elif not joint.choices:
        yield f"{joint.mark} has no shift that is open to it{_reasons(joint)}."
    else:
        timely = [one for one in joint.choices if in_time(joint, one.shift)]
        pinned = [one for one in timely if not joint.pinned or one.place == joint.now]
        if not timely:
            yield f"None of the shifts that are open to {joint.mark} is within its dates{_reasons(joint)}."
        elif not pinned:
            yield f"The place that {joint.mark} is pinned to is not within its dates."
        else:
            yield from _too_long(problem, joint, pinned)


def _too_long(problem: OrderProblem, joint: OrderJoint, choices: Sequence[Choice]) -> Iterator[str]:
    lacks = {one.place: _lacking(problem, one, _left(problem, (), ())) for one in choices}
    least = min(choices, key=lambda one: (sum(minutes for _, minutes in lacks[one.place]), one.place))
    said = _and([f"{math.ceil(minutes)} min of {what}" for what, minutes in lacks[least.place]])
    where = place_said(problem, least.place)
    yield f"{joint.mark} does not fit into any shift that is open to it, even alone: in {where} it lacks {said}."


def _reasons(joint: OrderJoint) -> str:
    """Why places are left out, the most frequent first."""
    counts = Counter(one.reason for one in joint.left_out)
    said = "; ".join(f"{reason} ({_places(count)})" for reason, count in counts.most_common())
    return f": {said}" if said else ""


def _places(count: int) -> str:
    return "1 place" if count == 1 else f"{count} places"


def _shift(problem: OrderProblem, index: int) -> str:
    return problem.shifts[index].key if 0 <= index < len(problem.shifts) else f"shift {index + 1}"


@dataclass(frozen=True, slots=True)
class _Left:
    """Minutes that are left by crew and shift, and of torches and hands by shift."""

    crew: tuple[tuple[float, ...], ...]
    torch: tuple[float, ...]
    hands: tuple[float, ...]


def _left(problem: OrderProblem, joints: Iterable[OrderJoint], chosen: Iterable[Choice | None]) -> _Left:
    crew = [list(one.minutes) for one in problem.crews]
    torch = [INF if one.torch_minutes is None else one.torch_minutes for one in problem.shifts]
    hands = [INF if one.hand_minutes is None else one.hand_minutes for one in problem.shifts]
    for _, one in zip(joints, chosen, strict=True):
        if one is not None:
            crew[one.crew][one.shift] -= one.crew_minutes
            torch[one.shift] -= one.torch_minutes
            hands[one.shift] -= one.hand_minutes
    return _Left(tuple(map(tuple, crew)), tuple(torch), tuple(hands))


def _lacking(problem: OrderProblem, one: Choice, left: _Left) -> list[tuple[str, float]]:
    """What a place lacks for a joint [min], with its name."""
    lacks = [
        (problem.crews[one.crew].name, one.crew_minutes - left.crew[one.crew][one.shift]),
        ("torches", one.torch_minutes - left.torch[one.shift]),
        ("people who hold them", one.hand_minutes - left.hands[one.shift]),
    ]
    return [(name, minutes) for name, minutes in lacks if minutes > 1e-6]


def _chosen(problem: OrderProblem, places: Places) -> list[Choice | None]:
    return [
        next((one for one in joint.choices if one.place == places.get(joint.mark)), None) for joint in problem.joints
    ]


def _in_the_way(problem: OrderProblem, joint: OrderJoint, places: Places) -> Iterator[str]:
    """What keeps a joint out of each of its places while the others are where they are."""
    over = [frozenset(ones) for ones in over_by_start(problem.shifts)]
    left = _left(problem, problem.joints, _chosen(problem, places))
    counts: Counter[str] = Counter()
    lacks: list[tuple[float, Place, str]] = []
    for one in open_choices(problem, joint):
        before = [mark for mark in joint.after if (at := places.get(mark)) is not None and at[0] not in over[one.shift]]
        behind = [
            other.mark
            for other in problem.joints
            if joint.mark in other.after and (at := places.get(other.mark)) is not None and one.shift not in over[at[0]]
        ]
        lacking = _lacking(problem, one, left)
        if before:
            counts[f"{_and(before)} not done by then"] += 1
        elif behind:
            counts[f"{_and(behind)} no longer after it"] += 1
        elif lacking:
            said = _and([f"{math.ceil(minutes)} min of {name}" for name, minutes in lacking])
            lacks.append((sum(minutes for _, minutes in lacking), one.place, said))
    for what, count in counts.most_common():
        yield f"{joint.mark}: {count} of its places: {what}."
    if lacks:
        _, place, said = min(lacks)
        full = f"{len(lacks)} of its places {'is' if len(lacks) == 1 else 'are'} full"
        yield f"{joint.mark}: {full}; {place_said(problem, place)} lacks least: {said}."
    outside = len(joint.choices) - len(open_choices(problem, joint))
    if outside:
        yield f"{joint.mark}: {outside} of its places are outside its dates, its pin or the length of the shift."
    if joint.left_out:
        yield f"{joint.mark} may not go everywhere{_reasons(joint)}."
