"""An order of work as a linear model: columns, rows, coefficients; the one place that writes it down.

A column of 0 or 1 for each place of each joint, and one for having none. Each joint has exactly one. A shift's minutes
are not passed, by what stays there without a place neither, or no further than the plan passes them. What comes before
is said in sums: of a joint that waits for another, what is placed up to a shift is no more than what of the other is
over by its start. That form keeps the linear relaxation close to the whole-number optimum, where one row for each pair
of places does not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.order_choices import (
    Turns,
    cost_of,
    cost_without,
    links,
    open_choices,
    takes,
    takes_now,
)
from frostshift_rules.order_problem import Choice, OrderProblem, Place

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Rows = tuple[Ints, Ints, Floats]
"""Where each row starts, the columns and the factors, one row after the other."""
INF = float("inf")
Key = TypeVar("Key")


@dataclass(slots=True)
class Model:
    """A model that grows while it is written down.

    Attributes:
        cost, lower, upper, whole: of each column; `whole`: only whole numbers.
        row_lower, row_upper: of each row.
        columns, factors: of each row, in pieces.
    """

    cost: list[float] = field(default_factory=list)
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    row_lower: list[float] = field(default_factory=list)
    row_upper: list[float] = field(default_factory=list)
    columns: list[list[int]] = field(default_factory=list)
    factors: list[list[float]] = field(default_factory=list)

    def column(self, cost: float, upper: float = 1.0, *, whole: bool = True) -> int:
        """A new column from 0 to `upper`; its number."""
        self.cost.append(cost)
        self.lower.append(0.0)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, columns: Iterable[int], factors: Iterable[float], lower: float, upper: float) -> int:
        """A new row; its number."""
        self.columns.append(list(columns))
        self.factors.append(list(factors))
        self.row_lower.append(lower)
        self.row_upper.append(upper)
        return len(self.columns) - 1

    def add(self, row: int, column: int, factor: float) -> None:
        """One more column in a row."""
        self.columns[row].append(column)
        self.factors[row].append(factor)

    def by_rows(self) -> Rows:
        """All rows, as the solver takes them."""
        sizes = np.array([len(one) for one in self.columns], dtype=np.int32)
        starts = np.concatenate((np.zeros(1, dtype=np.int32), np.cumsum(sizes, dtype=np.int32)))
        index = np.array([n for one in self.columns for n in one], dtype=np.int32)
        factors = np.array([n for one in self.factors for n in one], dtype=np.float64)
        return starts.astype(np.int32), index, factors


@dataclass(frozen=True, slots=True)
class Limit:
    """The rows of a limit of a shift.

    Attributes:
        row: what has a place there, or all that is there where the plan does not pass the limit: no more than it.
        planned_row: all that is there, where the plan passes the limit: no more than the plan; else None.
        excess: by so much the plan passes it [min].
    """

    row: int
    planned_row: int | None = None
    excess: float = 0.0


@dataclass(frozen=True, slots=True)
class OrderModel:
    """The model of a problem, and what its columns and rows stand for.

    Attributes:
        model: itself.
        choices: of each joint, by shift and crew, as given.
        first: of each joint, the column of its first choice; the others follow.
        without: of each joint, the column of having no place.
        crew_limits: by shift and crew, its minutes; only where something could pass them.
        torch_limits, hand_limits: by shift.
        link_rows: by joint and the one before it, their rows.
    """

    model: Model
    choices: tuple[tuple[Choice, ...], ...]
    first: tuple[int, ...]
    without: tuple[int, ...]
    crew_limits: dict[Place, Limit]
    torch_limits: dict[int, Limit]
    hand_limits: dict[int, Limit]
    link_rows: dict[tuple[int, int], list[int]]

    def chosen(self, values: Floats) -> list[Choice | None]:
        """The choice of each joint in a whole-number answer."""
        found: list[Choice | None] = []
        for first, choices, without in zip(self.first, self.choices, self.without, strict=True):
            best = max(range(len(choices)), key=lambda n: (values[first + n], -n), default=None)
            placed = best is not None and values[first + best] > 0.5 and values[without] < 0.5
            found.append(choices[best] if best is not None and placed else None)
        return found

    def values(self, chosen: Sequence[Choice | None]) -> Floats:
        """The columns of an order; those that are not of the order are 0."""
        found = np.zeros(len(self.model.cost))
        for n, choice in enumerate(chosen):
            column = self.without[n] if choice is None else self.first[n] + self.choices[n].index(choice)
            found[column] = 1.0
        return found


def order_model(problem: OrderProblem, choices: Sequence[Sequence[Choice]] | None = None) -> OrderModel:
    """The model of a problem; `choices` takes the place of what is open to each joint, by shift and crew."""
    if choices is None:
        choices = [open_choices(problem, joint) for joint in problem.joints]
    model = Model()
    first, without = [], []
    for joint, ones in zip(problem.joints, choices, strict=True):
        first.append(len(model.cost))
        for one in ones:
            model.column(cost_of(problem, joint, one))
        without.append(model.column(cost_without(problem, joint)))
        count = len(ones) + 1
        model.row(range(first[-1], first[-1] + count), [1.0] * count, 1.0, 1.0)
    crew_limits, torch_limits, hand_limits = _minutes(problem, model, choices, first, without)
    return OrderModel(
        model=model,
        choices=tuple(map(tuple, choices)),
        first=tuple(first),
        without=tuple(without),
        crew_limits=crew_limits,
        torch_limits=torch_limits,
        hand_limits=hand_limits,
        link_rows=_before(problem, model, choices, first, without),
    )


@dataclass(slots=True)
class _Filling:
    """What can fill one limit: columns of places and of staying without one, each with its minutes."""

    places: list[tuple[int, float]] = field(default_factory=list)
    staying: list[tuple[int, float]] = field(default_factory=list)


def _minutes(
    problem: OrderProblem,
    model: Model,
    choices: Sequence[Sequence[Choice]],
    first: Sequence[int],
    without: Sequence[int],
) -> tuple[dict[Place, Limit], dict[int, Limit], dict[int, Limit]]:
    of_crew: defaultdict[Place, _Filling] = defaultdict(_Filling)
    of_torch: defaultdict[int, _Filling] = defaultdict(_Filling)
    of_hands: defaultdict[int, _Filling] = defaultdict(_Filling)
    for joint, begin, ones, none in zip(problem.joints, first, choices, without, strict=True):
        for n, one in enumerate(ones):
            minutes = takes(one)
            of_crew[one.place].places.append((begin + n, minutes.crew))
            of_torch[one.shift].places.append((begin + n, minutes.torch))
            of_hands[one.shift].places.append((begin + n, minutes.hands))
        if joint.now is not None:
            minutes = takes_now(joint)
            of_crew[joint.now].staying.append((none, minutes.crew))
            of_torch[joint.now[0]].staying.append((none, minutes.torch))
            of_hands[joint.now[0]].staying.append((none, minutes.hands))
    crews: dict[Place, float | None] = {
        (s, c): crew.minutes[s] for s in range(len(problem.shifts)) for c, crew in enumerate(problem.crews)
    }
    return (
        _limits(model, of_crew, crews),
        _limits(model, of_torch, {s: shift.torch_minutes for s, shift in enumerate(problem.shifts)}),
        _limits(model, of_hands, {s: shift.hand_minutes for s, shift in enumerate(problem.shifts)}),
    )


def _limits(model: Model, filling: Mapping[Key, _Filling], limits: Mapping[Key, float | None]) -> dict[Key, Limit]:
    """A limit for each that places could pass, by themselves or with what stays."""
    found = {}
    for key, limit in limits.items():
        ones = filling.get(key)
        if limit is None or ones is None:
            continue
        places = [(column, minutes) for column, minutes in ones.places if minutes > 0.0]
        staying = [(column, minutes) for column, minutes in ones.staying if minutes > 0.0]
        planned = sum(minutes for _, minutes in staying)
        if sum(minutes for _, minutes in places) + planned <= limit:
            continue
        if planned <= limit:
            found[key] = Limit(_no_more(model, [*places, *staying], limit))
        else:
            rows = (_no_more(model, places, limit), _no_more(model, [*places, *staying], planned))
            found[key] = Limit(*rows, planned - limit)
    return found


def _no_more(model: Model, ones: Sequence[tuple[int, float]], limit: float) -> int:
    return model.row((column for column, _ in ones), (minutes for _, minutes in ones), -INF, limit)


def _before(
    problem: OrderProblem,
    model: Model,
    choices: Sequence[Sequence[Choice]],
    first: Sequence[int],
    without: Sequence[int],
) -> dict[tuple[int, int], list[int]]:
    turns = Turns(problem)
    over = turns.over
    found: dict[tuple[int, int], list[int]] = {}
    for n, before in enumerate(links(problem)):
        shifts = sorted({one.shift for one in choices[n]})
        now = problem.joints[n].now
        for other in before:
            rows: list[int] = []
            sums = [[k for k, one in enumerate(choices[other]) if one.shift in over[s]] for s in shifts]
            for at, s in enumerate(shifts):
                if at + 1 < len(shifts) and len(sums[at + 1]) == len(sums[at]):
                    continue  # the next row says the same of more places
                # Where the clock has both in turn as planned, its own shift has a row of its own.
                alone = turns.by_clock(other, n) and now is not None
                mine = [
                    first[n] + k
                    for k, one in enumerate(choices[n])
                    if one.shift <= s and not (alone and now is not None and one.shift == now[0])
                ]
                theirs = [first[other] + k for k in sums[at]]
                rows.append(model.row(mine + theirs, [1.0] * len(mine) + [-1.0] * len(theirs), -INF, 0.0))
            if now is not None and turns.by_clock(other, n):
                mine = [first[n] + k for k, one in enumerate(choices[n]) if one.shift == now[0]]
                theirs = [
                    first[other] + k for k, one in enumerate(choices[other]) if turns.kept(other, one.shift, n, now[0])
                ]
                rows.append(model.row(mine + theirs, [1.0] * len(mine) + [-1.0] * len(theirs), -INF, 0.0))
            if now is not None and turns.planned(other, n):
                past = [
                    first[other] + k
                    for k, one in enumerate(choices[other])
                    if not turns.kept(other, one.shift, n, now[0])
                ]
                if past:
                    rows.append(model.row([*past, without[n]], [1.0] * (len(past) + 1), -INF, 1.0))
            found[n, other] = rows
    return found
