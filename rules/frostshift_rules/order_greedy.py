"""An order of work without a solver: joint by joint, each to the best place that is left, and then put right.

Fast and never sure to be the best: something to start from, to fall back on, and to hold others against. What stays
where it is for want of a place is looked at last (`order_settle`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from copy import copy
from typing import Final

from frostshift_rules.order_choices import (
    Turns,
    choice_at,
    cost_of,
    cost_without,
    fills,
    in_turn,
    late_shifts,
    links,
    open_choices,
    room_to_stay,
    takes,
    takes_now,
    turned,
)
from frostshift_rules.order_problem import Choice, OrderProblem, Place
from frostshift_rules.order_settle import settled

Rank = Callable[[int, int, Choice], float]
"""How good a choice is, low is good: number of the joint, number of the choice among those open to it, the choice."""

ROUNDS: Final = 6
"""Times that all joints are gone through to put an order right; ours."""
WAYS: Final = 200
"""Joints for which another is moved out of the way, or tried to be, in one order; ours, so that it stays quick."""
_ROUNDING: Final = 1e-7
"""Of sums of minutes [min]."""


class Room:
    """What is left of the minutes of crews, torches and hands while joints are placed.

    By itself as if what has no place were gone; with `staying` such joints have what they take where the plan has them,
    and shifts that the plan passes hold no more than the plan has there.
    """

    def __init__(self, problem: OrderProblem, *, staying: bool = False) -> None:
        inf = float("inf")
        self._crew = [list(crew.minutes) for crew in problem.crews]
        self._torch = [inf if shift.torch_minutes is None else shift.torch_minutes for shift in problem.shifts]
        self._hands = [inf if shift.hand_minutes is None else shift.hand_minutes for shift in problem.shifts]
        self._now = [dict(fills(it.now, takes_now(it))) if it.now else {} for it in problem.joints] if staying else []
        # What is left where all stay.
        self._beside = room_to_stay(problem) if staying else {}
        for now in self._now:
            for key, minutes in now.items():
                if key in self._beside:
                    self._beside[key] -= minutes

    def fits(self, n: int, one: Choice) -> bool:
        """Whether there is still room for joint number `n`, which has no place so far."""
        return (
            one.crew_minutes <= self._crew[one.crew][one.shift] + _ROUNDING
            and one.torch_minutes <= self._torch[one.shift] + _ROUNDING
            and one.hand_minutes <= self._hands[one.shift] + _ROUNDING
            and (not self._now or self._fits_beside(n, one))
        )

    def _fits_beside(self, n: int, one: Choice) -> bool:
        now = self._now[n]
        return all(
            minutes <= self._beside.get(key, float("inf")) + now.get(key, 0.0) + _ROUNDING
            for key, minutes in fills(one.place, takes(one))
        )

    def take(self, n: int, one: Choice) -> None:
        """It is placed."""
        self._move(n, one, -1.0)

    def give(self, n: int, one: Choice) -> None:
        """It is taken away again."""
        self._move(n, one, 1.0)

    def _move(self, n: int, one: Choice, sign: float) -> None:
        self._crew[one.crew][one.shift] += sign * one.crew_minutes
        self._torch[one.shift] += sign * one.torch_minutes
        self._hands[one.shift] += sign * one.hand_minutes
        if self._now:
            for key, minutes in fills(one.place, takes(one)):
                if key in self._beside:
                    self._beside[key] += sign * minutes
            for key, minutes in self._now[n].items():
                if key in self._beside:
                    self._beside[key] -= sign * minutes


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
        self.turns = Turns(problem)
        self.last = self._last()
        self.staying = False
        self.stays_after = {(n, w): self.turns.stays_after(n, w) for n, ones in enumerate(self.waiting) for w in ones}

    def _last(self) -> list[int]:
        """For each joint the last shift that leaves those that wait for it a place, where they have one at all."""
        last = [len(self.problem.shifts) - 1] * len(self.choices)
        for n in reversed(in_turn(self.before, [0.0] * len(self.choices))):
            for other in self.waiting[n]:
                shifts = [one.shift for one in self.choices[other] if one.shift <= last[other]]
                stays = self.turns.stays_after(n, other)
                own = self.problem.joints[n].now if stays in shifts and self.turns.by_clock(n, other) else None
                allowed = {*self.turns.over[max(shifts)], *([own[0]] if own else [])} if shifts else set()
                if allowed:
                    last[n] = min(last[n], max(allowed))
        return last

    def fill(
        self, urgency: Sequence[float], rank: Rank, held: Mapping[int, Choice] | None = None
    ) -> list[Choice | None]:
        """Joints in turn, each to the choice of the lowest rank that fits and leaves time for what is to come after it.

        Room is kept for pins, and then for the choices in `held`, until it is those joints' turn.
        """
        room = Room(self.problem)
        chosen: list[Choice | None] = [None] * len(self.choices)
        pins = {n: ones[0] for n, ones in enumerate(self.choices) if ones and self.problem.joints[n].pinned}
        kept: dict[int, Choice] = {}
        for n, one in {**pins, **(held or {})}.items():
            if room.fits(n, one):
                room.take(n, one)
                kept[n] = one
        for n in in_turn(self.before, urgency):
            mine = kept.pop(n, None)
            if mine is not None:
                room.give(n, mine)
            open_now = [
                (self._in_the_way(n, one, kept), one is not mine and mine is not None, rank(n, k, one), k)
                for k, one in enumerate(self.choices[n])
                if room.fits(n, one) and self._after_all(n, one, chosen)
            ]
            if open_now:
                chosen[n] = best = self.choices[n][min(open_now)[3]]
                room.take(n, best)
        return settled(self.problem, self._put_right(chosen, room))

    def mended(self, chosen: Sequence[Choice | None]) -> list[Choice | None]:
        """An order some of whose joints have lost their place, with others for them as far as there are any."""
        kept, room = list(chosen), Room(self.problem)
        for n in in_turn(self.before, [0.0] * len(kept)):
            one = kept[n]
            if one is not None and self._after_all(n, one, kept):
                room.take(n, one)
            else:
                kept[n] = None
        return settled(self.problem, self._put_right(kept, room))

    def from_plan(self) -> list[Choice | None]:
        """The plan as it stands without what breaks a rule, and then what has no place moved to where there is room.

        Whatever is in the way in it stays there, so it holds from beginning to end.
        """
        made = copy(self)
        made.staying = True
        room = Room(self.problem, staying=True)
        chosen: list[Choice | None] = [None] * len(self.choices)
        for n in in_turn(self.before, [0.0] * len(chosen)):
            here = choice_at(self.choices[n], self.problem.joints[n].now)
            if here is not None and room.fits(n, here) and self._after_all(n, here, chosen):
                room.take(n, here)
                chosen[n] = here
        return made._put_right(chosen, room)

    def _in_the_way(self, n: int, one: Choice, kept: Mapping[int, Choice]) -> int:
        """How many joints a choice takes the time from: those that wait for it and have a place kept, or no other."""
        late = sum(w in kept and not self.turns.kept(n, one.shift, w, kept[w].shift) for w in self.waiting[n])
        return late + (len(self.choices) if one.shift > self.last[n] else 0)

    def _after_all(self, n: int, one: Choice, chosen: Sequence[Choice | None]) -> bool:
        """Whether all that has to be done before is done by then."""
        return all(
            (there := chosen[other]) is not None and self.turns.kept(other, there.shift, n, one.shift)
            for other in self.before[n]
        )

    def _before_all(self, n: int, one: Choice, chosen: Sequence[Choice | None]) -> bool:
        """Whether it is done before all that waits for it, by its place or where it stays."""
        for w in self.waiting[n]:
            there = chosen[w]
            if there is None:
                stays = self.stays_after[n, w] if self.staying else None
                if stays is not None and not self.turns.kept(n, one.shift, w, stays):
                    return False
            elif not self.turns.kept(n, one.shift, w, there.shift):
                return False
        return True

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
            room.give(n, there)
        if one is not None:
            room.take(n, one)
        chosen[n] = one

    def _better(self, n: int, chosen: list[Choice | None], room: Room, but: Place | None = None) -> Choice | None:
        """The cheapest choice that a joint can go to by itself and that is cheaper than where it is, if it is anywhere.

        `but`: any is good but this place.
        """
        there = chosen[n]
        if there is not None:
            room.give(n, there)
        limit = float("inf")
        if there is not None and but is None:
            limit = self.costs[n][self.choices[n].index(there)] - 1e-9
        found = None
        for one, cost in zip(self.choices[n], self.costs[n], strict=True):
            if cost >= limit or one.place == but or not room.fits(n, one):
                continue
            if self._after_all(n, one, chosen) and self._before_all(n, one, chosen):
                found, limit = one, cost
        if there is not None:
            room.take(n, there)
        return found

    def _make_way(self, n: int, chosen: list[Choice | None], room: Room) -> bool:
        """Gives a joint a cheaper place by moving one other out of its way, where that pays; whether it was done."""
        mine, cost = chosen[n], self._cost(n, chosen[n])
        self._set(n, None, chosen, room)
        found: tuple[float, Choice, int, Choice] | None = None
        for one, new_cost in zip(self.choices[n], self.costs[n], strict=True):
            gain = cost - new_cost
            if gain <= 0.0 or not self._after_all(n, one, chosen) or not self._before_all(n, one, chosen):
                continue
            for other, there in enumerate(chosen):
                if there is None or there.shift != one.shift or self.problem.joints[other].pinned:
                    continue
                self._set(other, None, chosen, room)
                if room.fits(n, one):
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
