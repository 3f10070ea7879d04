"""An order of work without a solver: joint by joint, each to the best place that is left, and then put right.

Fast and never sure to be the best: something to start from, to fall back on, and to hold others against. What stays
where it is for want of a place is looked at last (`order_settle`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from copy import copy
from typing import Final

from frostshift_rules.order_choices import (
    Filled,
    cost_of,
    cost_without,
    fills,
    in_turn,
    late_shifts,
    links,
    open_choices,
    over_by_start,
    room_to_stay,
    takes_now,
    turned,
)
from frostshift_rules.order_problem import Choice, OrderJoint, OrderProblem, Place
from frostshift_rules.order_settle import settled

Rank = Callable[[int, int, Choice], float]
"""How good a choice is, low is good: number of the joint, number of the choice among those open to it, the choice."""

ROUNDS: Final = 6
"""Times that all joints are gone through to put an order right; ours."""
WAYS: Final = 200
"""Joints for which another is moved out of the way, or tried to be, in one order; ours, so that it stays quick."""
STAYING: Final = 4
"""Times that an order is filled in, each with those staying that had no place before, until there are no more; ours."""
_ROUNDING: Final = 1e-7
"""Of sums of minutes [min]."""


class Room:
    """What is left of the minutes of crews, torches and hands while joints are placed."""

    def __init__(self, problem: OrderProblem, staying: Iterable[OrderJoint] = ()) -> None:
        inf = float("inf")
        self._crew = [list(crew.minutes) for crew in problem.crews]
        self._torch = [inf if shift.torch_minutes is None else shift.torch_minutes for shift in problem.shifts]
        self._hands = [inf if shift.hand_minutes is None else shift.hand_minutes for shift in problem.shifts]
        taken: defaultdict[Filled, float] = defaultdict(float)
        for joint in staying:
            for key, minutes in fills(joint.now, takes_now(joint)) if joint.now is not None else ():
                taken[key] += minutes
        most = room_to_stay(problem) if taken else {}
        for key, minutes in taken.items():
            name, s, c = key
            if key in most:
                of = self._torch if name == "torch" else self._hands if name == "hands" else self._crew[c]
                of[s] = min(of[s], most[key] - minutes)

    def fits(self, one: Choice) -> bool:
        """Whether there is still room for it."""
        return (
            one.crew_minutes <= self._crew[one.crew][one.shift] + _ROUNDING
            and one.torch_minutes <= self._torch[one.shift] + _ROUNDING
            and one.hand_minutes <= self._hands[one.shift] + _ROUNDING
        )

    def take(self, one: Choice) -> None:
        """It is placed."""
        self._move(one, -1.0)

    def give(self, one: Choice) -> None:
        """It is taken away again."""
        self._move(one, 1.0)

    def _move(self, one: Choice, sign: float) -> None:
        self._crew[one.crew][one.shift] += sign * one.crew_minutes
        self._torch[one.shift] += sign * one.torch_minutes
        self._hands[one.shift] += sign * one.hand_minutes


class Filling:
    """A problem, ready to be filled in; what does not change is worked out once."""

    def __init__(self, problem: OrderProblem) -> None:
        self.problem = problem
        self.choices = tuple(open_choices(problem, joint) for joint in problem.joints)
        self.costs = tuple(
            tuple(cost_of(problem, joint, one) for one in ones)
            for joint, ones in zip(problem.joints, self.choices, strict=True)
        )
        self.without = tuple(cost_without(problem, joint) for joint in problem.joints)
        self.before = links(problem)
        self.waiting = turned(self.before)
        self.over = tuple(map(frozenset, over_by_start(problem.shifts)))
        self.open = tuple(tuple(enumerate(ones)) for ones in self.choices)
        self.staying: frozenset[int] = frozenset()
        self.last = self._last()

    def _with(self, staying: frozenset[int]) -> Filling:
        """The same where some joints stay where the plan has them: no place for them, and none past them."""
        made = copy(self)
        made.staying = staying
        made.open = tuple(
            ()
            if n in staying
            else tuple(
                (k, one) for k, one in ones if all(self._before_staying(n, one, w, staying) for w in self.waiting[n])
            )
            for n, ones in enumerate(self.open)
        )
        made.last = made._last()
        return made

    def _before_staying(self, n: int, one: Choice, waiting: int, staying: Collection[int]) -> bool:
        """Whether a joint in a place is still done before one that waits for it and may stay where the plan has it."""
        now, was = self.problem.joints[waiting].now, self.problem.joints[n].now
        if waiting not in staying or now is None or was is None or was[0] not in self.over[now[0]]:
            return True
        return one.shift in self.over[now[0]]

    def _room(self) -> Room:
        return Room(self.problem, (self.problem.joints[n] for n in self.staying))

    def _last(self) -> list[int]:
        """For each joint the last shift that leaves those that wait for it a place, where they have one at all."""
        last = [len(self.problem.shifts) - 1] * len(self.choices)
        for n in reversed(in_turn(self.before, [0.0] * len(self.choices))):
            for other in self.waiting[n]:
                shifts = [one.shift for _, one in self.open[other] if one.shift <= last[other]]
                if shifts and self.over[max(shifts)]:
                    last[n] = min(last[n], max(self.over[max(shifts)]))
        return last

    def fill(
        self, urgency: Sequence[float], rank: Rank, held: Mapping[int, Choice] | None = None
    ) -> list[Choice | None]:
        """Joints in turn, each to the choice of the lowest rank that fits and leaves time for what is to come after it.

        Room is kept for pins, and then for the choices in `held`, until it is those joints' turn. Where some have
        no place in the end, all is done again with those staying where the plan has them.
        """
        return self._until_known(lambda filling: filling._fill(urgency, rank, held or {}))

    def _until_known(self, fill: Callable[[Filling], list[Choice | None]]) -> list[Choice | None]:
        filling = self
        for _ in range(STAYING):
            made = fill(filling)
            staying = frozenset(n for n, one in enumerate(made) if one is None)
            if staying <= filling.staying:
                break
            filling = self._with(filling.staying | staying)
        return settled(self.problem, made)

    def _fill(self, urgency: Sequence[float], rank: Rank, held: Mapping[int, Choice]) -> list[Choice | None]:
        room = self._room()
        chosen: list[Choice | None] = [None] * len(self.choices)
        pins = {n: ones[0][1] for n, ones in enumerate(self.open) if ones and self.problem.joints[n].pinned}
        kept: dict[int, Choice] = {}
        for n, one in {**pins, **held}.items():
            if n not in self.staying and room.fits(one):
                room.take(one)
                kept[n] = one
        for n in in_turn(self.before, urgency):
            mine = kept.pop(n, None)
            if mine is not None:
                room.give(mine)
            open_now = [
                (self._in_the_way(n, one, kept), one is not mine and mine is not None, rank(n, k, one), k)
                for k, one in self.open[n]
                if room.fits(one) and self._after_all(n, one, chosen)
            ]
            if open_now:
                chosen[n] = best = self.choices[n][min(open_now)[3]]
                room.take(best)
        return self._put_right(chosen, room)

    def mended(self, chosen: Sequence[Choice | None]) -> list[Choice | None]:
        """An order some of whose joints have lost their place, with others for them as far as there are any."""
        return self._until_known(lambda filling: filling._mended(chosen))

    def _mended(self, chosen: Sequence[Choice | None]) -> list[Choice | None]:
        kept, room = list(chosen), self._room()
        for n in in_turn(self.before, [0.0] * len(kept)):
            one = kept[n]
            is_open = one is not None and any(one == it for _, it in self.open[n])
            if one is not None and is_open and room.fits(one) and self._after_all(n, one, kept):
                room.take(one)
            else:
                kept[n] = None
        return self._put_right(kept, room)

    def _in_the_way(self, n: int, one: Choice, kept: Mapping[int, Choice]) -> int:
        """How many joints a choice takes the time from: those that wait for it and have a place kept, or no other."""
        late = sum(w in kept and one.shift not in self.over[kept[w].shift] for w in self.waiting[n])
        return late + (len(self.choices) if one.shift > self.last[n] else 0)

    def _after_all(self, n: int, one: Choice, chosen: Sequence[Choice | None]) -> bool:
        """Whether all that has to be done before is over when the choice's shift begins."""
        over = self.over[one.shift]
        return all((there := chosen[other]) is not None and there.shift in over for other in self.before[n])

    def _before_all(self, n: int, one: Choice, chosen: Sequence[Choice | None]) -> bool:
        """Whether the choice's shift is over before all that waits for it and has a place."""
        return all((there := chosen[w]) is None or one.shift in self.over[there.shift] for w in self.waiting[n])

    def _put_right(self, chosen: list[Choice | None], room: Room) -> list[Choice | None]:
        turn, tried = in_turn(self.before, [0.0] * len(self.choices)), 0
        for _ in range(ROUNDS):
            changed = False
            for n in turn:
                better = self._better(n, chosen, room)
                if better is not None:
                    self._set(n, better, chosen, room)
                    changed = True
                elif self._is_badly_off(n, chosen) and tried < WAYS:
                    tried += 1
                    changed = self._make_way(n, chosen, room) or changed
            if not changed:
                break
        return chosen

    def _is_badly_off(self, n: int, chosen: Sequence[Choice | None]) -> bool:
        """Whether it has no place or is late."""
        one = chosen[n]
        return one is None or late_shifts(self.problem.joints[n], one.shift) > 0

    def _cost(self, n: int, one: Choice | None) -> float:
        return self.without[n] if one is None else self.costs[n][self.choices[n].index(one)]

    def _set(self, n: int, one: Choice | None, chosen: list[Choice | None], room: Room) -> None:
        there = chosen[n]
        if there is not None:
            room.give(there)
        if one is not None:
            room.take(one)
        chosen[n] = one

    def _better(self, n: int, chosen: list[Choice | None], room: Room, but: Place | None = None) -> Choice | None:
        """The cheapest choice that a joint can go to by itself and that is cheaper than where it is, if it is anywhere.

        `but`: any is good but this place.
        """
        there = chosen[n]
        if there is not None:
            room.give(there)
        limit = float("inf")
        if there is not None and but is None:
            limit = self.costs[n][self.choices[n].index(there)] - 1e-9
        found = None
        for k, one in self.open[n]:
            cost = self.costs[n][k]
            if cost >= limit or one.place == but or not room.fits(one):
                continue
            if self._after_all(n, one, chosen) and self._before_all(n, one, chosen):
                found, limit = one, cost
        if there is not None:
            room.take(there)
        return found

    def _make_way(self, n: int, chosen: list[Choice | None], room: Room) -> bool:
        """Gives a joint a cheaper place by moving one other out of its way, where that pays; whether it was done."""
        mine, cost = chosen[n], self._cost(n, chosen[n])
        self._set(n, None, chosen, room)
        found: tuple[float, Choice, int, Choice] | None = None
        for k, one in self.open[n]:
            gain = cost - self.costs[n][k]
            if gain <= 0.0 or not self._after_all(n, one, chosen) or not self._before_all(n, one, chosen):
                continue
            for other, there in enumerate(chosen):
                if there is None or there.shift != one.shift or self.problem.joints[other].pinned:
                    continue
                self._set(other, None, chosen, room)
                if room.fits(one):
                    self._set(n, one, chosen, room)
                    away = self._better(other, chosen, room, there.place)
                    self._set(n, None, chosen, room)
                    if away is not None:
                        left = gain - self._cost(other, away) + self._cost(other, there)
                        if left > 1e-6 and (found is None or left > found[0]):
                            found = left, one, other, away
                self._set(other, there, chosen, room)
        if found is None:
            self._set(n, mine, chosen, room)
            return False
        _, one, other, away = found
        self._set(other, None, chosen, room)
        self._set(n, one, chosen, room)
        self._set(other, away, chosen, room)
        return True


def by_cost(filling: Filling) -> list[Choice | None]:
    """Each joint in turn, the one due first, to the cheapest place that is left."""
    urgency = [
        float(min(last, len(filling.problem.shifts) if joint.latest is None else joint.latest))
        for joint, last in zip(filling.problem.joints, filling.last, strict=True)
    ]
    return filling.fill(urgency, lambda n, k, _one: filling.costs[n][k])
