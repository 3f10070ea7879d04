"""An order of work as a linear model: columns, rows, coefficients; the one place that writes it down.

A column of 0 or 1 for each place of each joint, and one for having none. Each joint has exactly one. A shift's minutes
are not passed. What comes before is said in sums: of a joint that waits for another, what is placed up to a shift is no
more than what of the other is over by its start. That form keeps the linear relaxation close to the whole-number
optimum, where one row for each pair of places does not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.order_choices import cost_of, cost_without, links, open_choices, over_by_start
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
class OrderModel:
    """The model of a problem, and what its columns and rows stand for.

    Attributes:
        model: itself.
        choices: of each joint, by shift and crew, as given.
        first: of each joint, the column of its first choice; the others follow.
        without: of each joint, the column of having no place.
        crew_rows: by shift and crew, the row of its minutes; only where something could pass them.
        torch_rows, hand_rows: by shift.
        link_rows: by joint and the one before it, their rows.
    """

    model: Model
    choices: tuple[tuple[Choice, ...], ...]
    first: tuple[int, ...]
    without: tuple[int, ...]
    crew_rows: dict[Place, int]
    torch_rows: dict[int, int]
    hand_rows: dict[int, int]
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
    crew_rows, torch_rows, hand_rows = _minutes(problem, model, choices, first)
    return OrderModel(
        model=model,
        choices=tuple(map(tuple, choices)),
        first=tuple(first),
        without=tuple(without),
        crew_rows=crew_rows,
        torch_rows=torch_rows,
        hand_rows=hand_rows,
        link_rows=_before(problem, model, choices, first),
    )


def _minutes(
    problem: OrderProblem, model: Model, choices: Sequence[Sequence[Choice]], first: Sequence[int]
) -> tuple[dict[Place, int], dict[int, int], dict[int, int]]:
    of_crew: defaultdict[Place, list[tuple[int, float]]] = defaultdict(list)
    of_torch: defaultdict[int, list[tuple[int, float]]] = defaultdict(list)
    of_hands: defaultdict[int, list[tuple[int, float]]] = defaultdict(list)
    for begin, ones in zip(first, choices, strict=True):
        for n, one in enumerate(ones):
            of_crew[one.place].append((begin + n, one.crew_minutes))
            of_torch[one.shift].append((begin + n, one.torch_minutes))
            of_hands[one.shift].append((begin + n, one.hand_minutes))

    crews: dict[Place, float | None] = {
        (s, c): crew.minutes[s] for s in range(len(problem.shifts)) for c, crew in enumerate(problem.crews)
    }
    return (
        _limits(model, of_crew, crews),
        _limits(model, of_torch, {s: shift.torch_minutes for s, shift in enumerate(problem.shifts)}),
        _limits(model, of_hands, {s: shift.hand_minutes for s, shift in enumerate(problem.shifts)}),
    )


def _limits(
    model: Model, taken: Mapping[Key, Sequence[tuple[int, float]]], limits: Mapping[Key, float | None]
) -> dict[Key, int]:
    """A row for each limit that could be passed."""
    found = {}
    for key, limit in limits.items():
        ones = [(column, minutes) for column, minutes in taken.get(key, ()) if minutes > 0.0]
        if limit is not None and sum(minutes for _, minutes in ones) > limit:
            found[key] = model.row((n for n, _ in ones), (minutes for _, minutes in ones), -INF, limit)
    return found


def _before(
    problem: OrderProblem, model: Model, choices: Sequence[Sequence[Choice]], first: Sequence[int]
) -> dict[tuple[int, int], list[int]]:
    over = [frozenset(ones) for ones in over_by_start(problem.shifts)]
    found: dict[tuple[int, int], list[int]] = {}
    for n, before in enumerate(links(problem)):
        shifts = sorted({one.shift for one in choices[n]})
        for other in before:
            rows: list[int] = []
            sums = [[k for k, one in enumerate(choices[other]) if one.shift in over[s]] for s in shifts]
            for at, s in enumerate(shifts):
                if at + 1 < len(shifts) and len(sums[at + 1]) == len(sums[at]):
                    continue  # the next row says the same of more places
                mine = [first[n] + k for k, one in enumerate(choices[n]) if one.shift <= s]
                theirs = [first[other] + k for k in sums[at]]
                rows.append(model.row(mine + theirs, [1.0] * len(mine) + [-1.0] * len(theirs), -INF, 0.0))
            found[n, other] = rows
    return found
