"""Which moves of an order of work have to be taken together, so that nothing is broken that is whole as it stands.

All moves together break nothing, as the order they are of holds. One alone may: what has to be done before is still in
its way, its shift, its crew or the torches are still taken by joints that only leave with other moves.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from typing import Final

from frostshift_rules.order_choices import Filled, Turns, fills, room_to_stay, takes, takes_now
from frostshift_rules.order_problem import OrderProblem, Place
from frostshift_rules.order_uses import InUse, Use, fullest_moment

_ROUNDING: Final = 1e-3
"""A sum of minutes may pass its limit by so much [min]: the rounding of sums, not time."""
_Take = Callable[[str], None]


class Together:
    """The moves of one order of work; built once, asked often."""

    def __init__(
        self, problem: OrderProblem, moved: Mapping[str, Place], now: Iterable[Use] = (), then: Iterable[Use] = ()
    ) -> None:
        """Moves of a problem.

        Args:
            problem: that holds the present place of each joint and that of its move.
            moved: by mark the place of each move; with all of them the plan breaks nothing that it keeps now.
            now: what each joint uses where the plan has it, those that stay among them.
            then: what each joint that moves uses where it moves to.
        """
        self._moved = moved
        self._turns = Turns(problem)
        self._number = {joint.mark: n for n, joint in enumerate(problem.joints)}
        self._now = {joint.mark: joint.now for joint in problem.joints}
        self._before = {joint.mark: joint.after for joint in problem.joints}
        self._behind: defaultdict[str, list[str]] = defaultdict(list)
        for joint in problem.joints:
            for other in joint.after:
                self._behind[other].append(joint.mark)
        self._most = room_to_stay(problem)
        self._planned: defaultdict[Filled, float] = defaultdict(float)
        self._fills_now: dict[str, dict[Filled, float]] = {}
        self._fills_then: dict[str, dict[Filled, float]] = {}
        self._leaving: defaultdict[Filled, list[tuple[float, str]]] = defaultdict(list)
        self._fill(problem)
        self._uses_then: defaultdict[str, list[Use]] = defaultdict(list)
        for use in then:
            self._uses_then[use.mark].append(use)
        self._by_move = {id(use) for uses in self._uses_then.values() for use in uses}
        self._in_use = InUse([*now, *(use for uses in self._uses_then.values() for use in uses)])

    def _fill(self, problem: OrderProblem) -> None:
        """What each joint takes now, and with its move; of each shift the moves that relieve it, the most first."""
        for joint in problem.joints:
            now = {} if joint.now is None else dict(fills(joint.now, takes_now(joint)))
            self._fills_now[joint.mark] = now
            for key, minutes in now.items():
                self._planned[key] += minutes
            place = self._moved.get(joint.mark)
            if place is None:
                continue
            then = dict(fills(place, next(takes(one) for one in joint.choices if one.place == place)))
            self._fills_then[joint.mark] = then
            for key, minutes in now.items():
                relief = minutes - then.get(key, 0.0)
                if relief > 0.0:
                    self._leaving[key].append((relief, joint.mark))
        for ones in self._leaving.values():
            ones.sort(key=lambda one: (-one[0], one[1]))

    def with_them(self, chosen: Collection[str]) -> tuple[str, ...]:
        """What has to be taken with some moves, sorted; a smaller list may exist.

        With it no joint is moved to before one it waits for is over, no shift is filled beyond its minutes, and at no
        moment more is in use than there is, unless that is so as the plan stands.
        """
        taken, filled = set[str](), defaultdict[Filled, float](float, self._planned)
        todo: list[str] = []

        def take(mark: str) -> None:
            taken.add(mark)
            todo.append(mark)
            for key, minutes in self._fills_now[mark].items():
                filled[key] -= minutes
            for key, minutes in self._fills_then[mark].items():
                filled[key] += minutes

        for mark in sorted(set(chosen)):
            take(mark)
        while todo:
            mark = todo.pop()
            for other in self._in_sequence(mark, taken):
                take(other)
            for key in self._fills_then[mark]:
                self._make_room(key, filled, taken, take)
            for use in self._uses_then[mark]:
                self._make_way(use, taken, take)
        return tuple(sorted(taken - set(chosen)))

    def _place(self, mark: str, taken: Collection[str]) -> Place | None:
        return self._moved[mark] if mark in taken else self._now[mark]

    def _in_sequence(self, mark: str, taken: set[str]) -> Iterator[str]:
        """Moves by which what comes before a joint, and what waits for it, is in turn with it again."""
        pairs = [(other, mark) for other in self._before[mark]] + [(mark, other) for other in self._behind[mark]]
        for first, then in pairs:
            other = first if then == mark else then
            if other in taken or other not in self._moved:
                continue
            if self._in_turn(first, self._place(first, taken), then, self._place(then, taken)):
                continue
            # A sequence that the plan breaks already is mended with a joint that waits, not asked for where one leaves.
            if mark == then or self._in_turn(first, self._now[first], then, self._now[then]):
                yield other

    def _in_turn(self, first: str, place: Place | None, then: str, other: Place | None) -> bool:
        if place is None or other is None:
            return False
        return self._turns.kept(self._number[first], place[0], self._number[then], other[0])

    def _make_room(self, key: Filled, filled: Mapping[Filled, float], taken: set[str], take: _Take) -> None:
        limit = self._most.get(key, float("inf")) + _ROUNDING
        for _, other in self._leaving[key]:
            if filled[key] <= limit:
                return
            if other not in taken:
                take(other)

    def _make_way(self, use: Use, taken: set[str], take: _Take) -> None:
        beside = self._in_use.beside(use)
        while True:
            there = [one for one in beside if self._goes_on(one, taken)]
            fullest = fullest_moment(there, use)
            if sum(one.count for one in fullest) + use.count <= max(use.most, use.count):
                return
            away = [one for one in fullest if one.mark in self._moved and one.mark not in taken]
            if not away:
                return
            take(min(away, key=lambda one: (-one.count, one.mark)).mark)

    def _goes_on(self, use: Use, taken: Collection[str]) -> bool:
        """Whether a joint still uses it there, or does by its move."""
        return (use.mark in taken) == (id(use) in self._by_move)
