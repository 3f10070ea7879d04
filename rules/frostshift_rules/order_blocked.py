"""Why a joint has no place in an order of work.

What can be seen without a search is said at once: no shift is open, dates that cannot be met, work that is longer than
a shift. Else it is said what keeps the joint out of each place, and what would free one (`order_freeing`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_rules.order_choices import (
    Filled,
    Turns,
    choice_at,
    fills,
    in_time,
    in_turn,
    links,
    open_choices,
    takes,
    takes_now,
)
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
    turns = Turns(problem)
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
        first[n] = next(
            (s for s in shifts if all(turns.may_be_kept(other, at, n, s) for other, at in early.items())), None
        )
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
    alone = _alone(problem)
    lacks = {one.place: _lacking(problem, one, alone) for one in choices}
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


@dataclass(slots=True)
class _Shift:
    """Minutes of one kind in a shift: its limit, what others have there by a place, by staying, and as planned."""

    limit: float
    placed: float = 0.0
    staying: float = 0.0
    planned: float = 0.0

    def lacks(self, minutes: float) -> float:
        """So many more it would have to have for a joint, 0 or less: none."""
        together = self.placed + self.staying + minutes
        passes = together > max(self.limit, self.planned) + _ROUNDING
        return (together if passes else self.placed + minutes) - self.limit


_ROUNDING: Final = 1e-6


def _alone(problem: OrderProblem) -> dict[Filled, _Shift]:
    """Empty shifts."""
    found = {}
    for s, shift in enumerate(problem.shifts):
        found["torch", s, -1] = _Shift(INF if shift.torch_minutes is None else shift.torch_minutes)
        found["hands", s, -1] = _Shift(INF if shift.hand_minutes is None else shift.hand_minutes)
        for c, crew in enumerate(problem.crews):
            found["crew", s, c] = _Shift(crew.minutes[s])
    return found


def _beside(problem: OrderProblem, joint: OrderJoint, places: Places) -> dict[Filled, _Shift]:
    """The shifts as the other joints leave them to one: those with a place, and those that stay."""
    found = _alone(problem)
    for other in problem.joints:
        now = () if other.now is None else fills(other.now, takes_now(other))
        for key, minutes in now:
            found[key].planned += minutes
        if other is joint:
            continue
        one = choice_at(other.choices, places.get(other.mark))
        for key, minutes in now if one is None else ():
            found[key].staying += minutes
        for key, minutes in () if one is None else fills(one.place, takes(one)):
            found[key].placed += minutes
    return found


def _lacking(problem: OrderProblem, one: Choice, shifts: Mapping[Filled, _Shift]) -> list[tuple[str, float]]:
    """What a place lacks for a joint [min], with its name."""
    names = {"crew": problem.crews[one.crew].name, "torch": "torches", "hands": "people who hold them"}
    lacks = [(names[key[0]], shifts[key].lacks(minutes)) for key, minutes in fills(one.place, takes(one)) if minutes]
    return [(name, minutes) for name, minutes in lacks if minutes > _ROUNDING]


def _in_the_way(problem: OrderProblem, joint: OrderJoint, places: Places) -> Iterator[str]:
    """What keeps a joint out of each of its places while the others are where they are."""
    turns, number = Turns(problem), {it.mark: n for n, it in enumerate(problem.joints)}
    mine = number[joint.mark]
    beside = _beside(problem, joint, places)
    # What waits for it and has no place stays where the plan has it, and it may not be moved past that.
    waiting = [
        (other, at[0])
        for other in problem.joints
        if joint.mark in other.after and (at := places.get(other.mark) or other.now) is not None
    ]
    counts: Counter[str] = Counter()
    lacks: list[tuple[float, Place, str]] = []
    for one in open_choices(problem, joint):
        before = [
            mark
            for mark in joint.after
            if (at := places.get(mark)) is not None and not turns.kept(number[mark], at[0], mine, one.shift)
        ]
        behind = [
            other.mark
            for other, at in waiting
            if not turns.kept(mine, one.shift, number[other.mark], at)
            and (places.get(other.mark) is not None or turns.planned(mine, number[other.mark]))
        ]
        lacking = _lacking(problem, one, beside)
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
