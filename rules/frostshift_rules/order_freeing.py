"""The smallest single thing that would give a joint a place in an order of work.

One rule at a time is loosened, for one shift, crew or joint, and it is looked whether the joint then has a place and
all that have one keep one, not always the same. Advice: nobody here knows whether a crew can stay longer, or whether a
joint really has to wait for another.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeVar

import numpy as np

from frostshift_rules.order_choices import has_room, in_time, open_choices
from frostshift_rules.order_model import INF, Floats, Limit, OrderModel, order_model
from frostshift_rules.order_problem import Choice, OrderCrew, OrderJoint, OrderProblem, OrderShift, Place
from frostshift_rules.order_solve import Stop, by_windows, solve
from frostshift_rules.order_value import Places

FreeingName = Literal[
    "better_order",
    "crew_minutes",
    "torch_minutes",
    "hand_minutes",
    "later_date",
    "other_crew",
    "pin",
    "one_more_shift",
    "predecessor",
    "at_once",
]
Key = TypeVar("Key")
Amounts = dict[int, float]
"""Columns that loosen a rule, and how much of it each is."""

FEW: Final = 60
"""Up to so many joints that have a place, all of them are placed anew at once; ours."""
TRY_S: Final = 3.0
"""So long more joints than that are tried at once [s]; ours."""
OUT: Final = 1e4
"""Price of a place that is lost on the way; more than any minutes of a shift."""
QUICK: Final = Stop(gap=0.01, nodes=20, seconds=10.0)
"""For one rule loosened at one joint; ours."""


@dataclass(frozen=True, slots=True)
class Freeing:
    """One change that gives a joint a place.

    Attributes:
        name: which rule is loosened; `better_order`: none, a search that goes on would find one.
        marks: joints whose date, crew, pin or wait is loosened.
        shift: index of the shift that gets more; None: no shift does.
        crew: index of the crew, where it is one.
        amount: minutes, or shifts later; None: it has no size.
        least: nothing smaller of this kind does it (within 1 %); else none smaller was found.
        text: a sentence for people.
    """

    name: FreeingName
    marks: tuple[str, ...]
    shift: int | None
    crew: int | None
    amount: float | None
    least: bool
    text: str


def shifts_said(count: int) -> str:
    """So many shifts, in words."""
    return "1 shift" if count == 1 else f"{count} shifts"


def place_said(problem: OrderProblem, place: Place) -> str:
    """A shift and its crew, in words."""
    return f"{problem.shifts[place[0]].key} with {problem.crews[place[1]].name}"


@dataclass(frozen=True, slots=True)
class _Search:
    """One joint that is to get a place beside all that have one."""

    problem: OrderProblem
    places: Places
    n: int
    stop: Stop
    cancelled: Callable[[], bool] | None

    @property
    def joint(self) -> OrderJoint:
        return self.problem.joints[self.n]


class _FitsAlreadyError(Exception):
    """While a loosened rule was looked at, an order was found that does without."""


@dataclass(frozen=True, slots=True)
class _Found:
    """An order in which the joint has a place, how much was loosened, and whether less is known not to do."""

    column: int | None
    amount: float
    least: bool
    chosen: list[Choice | None]


def frees(
    problem: OrderProblem, places: Places, n: int, stop: Stop, cancelled: Callable[[], bool] | None = None
) -> Iterator[Freeing]:
    """Single changes that give joint number `n` a place beside all that have one in an order that holds.

    One search a rule, as each is asked for; `cancelled` ends them.
    """
    search = _Search(problem, places, n, stop, cancelled)
    mark = search.joint.mark
    text = f"There is an order in which {mark} has a place: search longer, or give a missing place a higher price."
    better = Freeing("better_order", (), None, None, None, True, text)
    if _look(search, order_model(search.problem), {}) is not None:
        yield better
        return
    for way in (_crew_minutes, _torch_minutes, _hand_minutes, _later, _other_crew, _pin, _one_more_shift, _no_wait):
        if search.cancelled is not None and search.cancelled():
            return
        try:
            freeing = way(search)
        except _FitsAlreadyError:
            yield better
            return
        if freeing is not None:
            yield freeing


def _look(search: _Search, built: OrderModel, loose: Amounts) -> _Found | None:
    """The least loosening by one of the `loose` columns with which the joint and all placed ones have a place.

    First with all others where they are, which is quick; then what the relaxation says of the least; then with others
    free to move: all of them at once where they are few, else those of a few shifts at a time, then all for a moment.
    """
    model = built.model
    model.cost = [0.0] * len(model.cost)
    for column, amount in loose.items():
        model.cost[column] = amount
    placed = {
        k: built.first[k] + i
        for k, joint in enumerate(search.problem.joints)
        for i, one in enumerate(built.choices[k])
        if k != search.n and one.place == search.places.get(joint.mark)
    }
    for k, without in enumerate(built.without):
        if k == search.n or k in placed:
            model.upper[without] = 0.0
        else:
            model.lower[without] = 1.0
    stay = set(placed.values())
    held = replace(model, lower=[1.0 if n in stay else low for n, low in enumerate(model.lower)])
    narrow = solve(held, search.stop, cancelled=search.cancelled)
    relaxed = solve(model, search.stop, relaxed=True, cancelled=search.cancelled)
    if relaxed.none_there:
        return None
    least = -1.0 if relaxed.bound is None else relaxed.bound
    costs, values = np.array(model.cost), narrow.values
    if values is None or float(costs @ values) > _nearly(least):
        if len(placed) > FEW:
            values = _by_windows(search, built, placed, values)
        if len(placed) <= FEW or values is None:
            seconds = search.stop.seconds if len(placed) <= FEW else min(TRY_S, search.stop.seconds)
            aim = replace(search.stop, seconds=seconds)
            wide = solve(model, aim, first=values, cancelled=search.cancelled)
            values = wide.values if wide.values is not None else values
            least = max(least, -1.0 if wide.bound is None else wide.bound)
    if values is None:
        return None
    amount = float(costs @ values)
    used = next((column for column in loose if values[column] > 1e-6), None)
    if loose and used is None:
        raise _FitsAlreadyError
    return _Found(used, amount, amount <= _nearly(least), built.chosen(values))


def _nearly(amount: float) -> float:
    return amount * 1.01 + 1e-4


def _by_windows(search: _Search, built: OrderModel, placed: dict[int, int], known: Floats | None) -> Floats | None:
    """The same a few shifts at a time; joints may lose their place on the way, at a high price."""
    model = built.model
    upper, cost = list(model.upper), list(model.cost)
    for k in (search.n, *placed):
        upper[built.without[k]], cost[built.without[k]] = 1.0, OUT
    if known is None:
        known = np.zeros(len(cost))
        known[[placed.get(k, without) for k, without in enumerate(built.without)]] = 1.0
    soft = replace(built, model=replace(model, upper=upper, cost=cost))
    aim = replace(search.stop, gap=0.01)
    values = by_windows(search.problem, soft, model.by_rows(), known, 0.0, aim, None, search.cancelled).values
    out = [built.without[k] for k in (search.n, *placed)]
    return None if values[out].any() else values


def _at_most_one(built: OrderModel, columns: Iterable[int]) -> None:
    ones = list(columns)
    built.model.row(ones, [1.0] * len(ones), -INF, 1.0)


def _minutes(search: _Search, built: OrderModel, limits: Mapping[Key, Limit]) -> tuple[_Found, Key] | None:
    """The least minutes that one of some limits has to have more, and which that is."""
    model, loose, key_of = built.model, dict[int, float](), dict[int, Key]()
    switches: list[int] = []
    for key, limit in limits.items():
        rows = [limit.row] if limit.planned_row is None else [limit.row, limit.planned_row]
        most = max(0.0, *(sum(model.factors[row]) - model.row_upper[limit.row] for row in rows))
        column, switch = model.column(0.0, INF, whole=False), model.column(0.0)
        model.add(limit.row, column, -1.0)
        model.row([column, switch], [1.0, -most], -INF, 0.0)
        if limit.planned_row is not None:
            _above_planned(built, limit, column, most)
        loose[column], key_of[column] = 1.0, key
        switches.append(switch)
    if not loose:
        return None
    _at_most_one(built, switches)
    found = _look(search, built, loose)
    if found is None or found.column is None:
        return None
    return found, key_of[found.column]


def _above_planned(built: OrderModel, limit: Limit, more: int, most: float) -> None:
    """All that is in a shift: no more than the plan has there, or than the limit with the minutes in `more`.

    Whichever is higher; a switch says which counts.
    """
    assert limit.planned_row is not None
    model = built.model
    switch, counted = model.column(0.0), model.column(0.0, INF, whole=False)
    model.add(limit.planned_row, switch, limit.excess)
    model.add(limit.planned_row, counted, -1.0)
    model.row([counted, switch], [1.0, -most], -INF, 0.0)
    model.row([counted, more], [1.0, -1.0], -INF, 0.0)


def _roomy(search: _Search) -> OrderModel:
    """The model with places also where a shift is too short for a joint alone: it is minutes that are looked for."""
    return order_model(
        search.problem,
        [
            tuple(
                one
                for one in sorted(joint.choices, key=lambda it: it.place)
                if in_time(joint, one.shift) and (not joint.pinned or one.place == joint.now)
            )
            for joint in search.problem.joints
        ],
    )


def _more(search: _Search, found: _Found, place: tuple[int, int | None], name: FreeingName, what: str) -> Freeing:
    shift, crew = place
    minutes = math.ceil(found.amount - 1e-6)
    of = f" of {search.problem.crews[crew].name}" if crew is not None else ""
    text = f"{search.joint.mark} fits with {minutes} more {what}{of} in {search.problem.shifts[shift].key}."
    return Freeing(name, (), shift, crew, found.amount, found.least, text)


def _crew_minutes(search: _Search) -> Freeing | None:
    built = _roomy(search)
    answer = _minutes(search, built, built.crew_limits)
    return answer and _more(search, *answer, "crew_minutes", "minutes")


def _torch_minutes(search: _Search) -> Freeing | None:
    built = _roomy(search)
    answer = _minutes(search, built, built.torch_limits)
    return answer and _more(search, answer[0], (answer[1], None), "torch_minutes", "torch-minutes")


def _hand_minutes(search: _Search) -> Freeing | None:
    built = _roomy(search)
    answer = _minutes(search, built, built.hand_limits)
    return answer and _more(search, answer[0], (answer[1], None), "hand_minutes", "minutes of people at the torches")


def _with_more(
    search: _Search, further: Callable[[OrderJoint], Iterable[tuple[Choice, float]]]
) -> tuple[_Found, OrderJoint, Choice] | None:
    """The least loosening by which one joint may go to one further place, the joint and the place."""
    joints = search.problem.joints
    extra = [dict(further(joint)) for joint in joints]
    if not any(extra):
        return None
    choices = [
        sorted({*open_choices(search.problem, joint), *more}, key=lambda one: one.place)
        for joint, more in zip(joints, extra, strict=True)
    ]
    built = order_model(search.problem, choices)
    column_of = {
        built.first[k] + choices[k].index(one): (k, one, amount)
        for k, more in enumerate(extra)
        for one, amount in more.items()
    }
    _at_most_one(built, column_of)
    found = _look(search, built, {column: amount for column, (_, _, amount) in column_of.items()})
    if found is None or found.column is None:
        return None
    k, one, _ = column_of[found.column]
    return found, joints[k], one


def _later(search: _Search) -> Freeing | None:
    problem = search.problem

    def further(joint: OrderJoint) -> Iterator[tuple[Choice, float]]:
        if joint.pinned or not joint.latest_is_hard or joint.latest is None:
            return
        for one in joint.choices:
            if one.shift > joint.latest and one.shift >= joint.earliest and has_room(problem, one):
                yield one, float(one.shift - joint.latest)

    answer = _with_more(search, further)
    if answer is None:
        return None
    found, joint, one = answer
    by = round(found.amount)
    whose = "it" if joint is search.joint else joint.mark
    text = (
        f"{search.joint.mark} fits if {whose} may be {shifts_said(by)} later than its latest, in "
        f"{problem.shifts[one.shift].key}."
    )
    return Freeing("later_date", (joint.mark,), one.shift, None, found.amount, found.least, text)


def _worst(choices: Sequence[Choice], shift: int, crew: int) -> Choice:
    """A place that costs and takes the most of what some others do."""
    return Choice(
        shift,
        crew,
        crew_minutes=max(one.crew_minutes for one in choices),
        torch_minutes=max(one.torch_minutes for one in choices),
        hand_minutes=max(one.hand_minutes for one in choices),
        priced_minutes=max(one.priced_minutes for one in choices),
        fuel_kg=max(one.fuel_kg for one in choices),
        oxygen_m3=max(one.oxygen_m3 for one in choices),
        energy_kwh=max(one.energy_kwh for one in choices),
    )


def _other_crew(search: _Search) -> Freeing | None:
    problem = search.problem

    def further(joint: OrderJoint) -> Iterator[tuple[Choice, float]]:
        if joint.pinned:
            return
        for s in sorted({one.shift for one in joint.choices if in_time(joint, one.shift)}):
            there = [one for one in joint.choices if one.shift == s]
            for c in range(len(problem.crews)):
                one = _worst(there, s, c)
                if all(it.crew != c for it in there) and has_room(problem, one):
                    yield one, 1.0

    answer = _with_more(search, further)
    if answer is None:
        return None
    found, joint, one = answer
    whose = "it" if joint is search.joint else joint.mark
    text = (
        f"{search.joint.mark} fits if {whose} may go to {problem.crews[one.crew].name} in "
        f"{problem.shifts[one.shift].key}, with the heat and time it takes others there."
    )
    return Freeing("other_crew", (joint.mark,), one.shift, one.crew, None, found.least, text)


def _pin(search: _Search) -> Freeing | None:
    problem = search.problem

    def further(joint: OrderJoint) -> Iterator[tuple[Choice, float]]:
        for one in joint.choices if joint.pinned else ():
            if one.place != joint.now and in_time(joint, one.shift) and has_room(problem, one):
                yield one, 1.0

    answer = _with_more(search, further)
    if answer is None:
        return None
    found, joint, one = answer
    whose = "its own pin" if joint is search.joint else f"the pin of {joint.mark}"
    text = f"{search.joint.mark} fits if {whose} is lifted: {joint.mark} then goes to {place_said(problem, one.place)}."
    return Freeing("pin", (joint.mark,), one.shift, one.crew, None, found.least, text)


def _one_more_shift(search: _Search) -> Freeing | None:
    problem = search.problem
    if not problem.shifts:
        return None
    last = max(problem.shifts, key=lambda one: one.end_utc)
    n = len(problem.shifts)
    torch = [one.torch_minutes for one in problem.shifts if one.torch_minutes is not None]
    hands = [one.hand_minutes for one in problem.shifts if one.hand_minutes is not None]
    more = OrderShift(
        f"one more after {last.key}",
        last.end_utc,
        last.end_utc + max(one.end_utc - one.start_utc for one in problem.shifts),
        max(torch) if len(torch) == n else None,
        max(hands) if len(hands) == n else None,
    )
    crews = tuple(OrderCrew(one.name, (*one.minutes, max(one.minutes))) for one in problem.crews)
    joints = tuple(
        replace(joint, choices=(*joint.choices, *_in_one_more(joint, n, len(crews)))) for joint in problem.joints
    )
    wider = replace(problem, shifts=(*problem.shifts, more), crews=crews, joints=joints)
    found = _look(replace(search, problem=wider), order_model(wider), {})
    if found is None:
        return None
    text = (
        f"{search.joint.mark} fits with one more shift after {last.key}, as long as the longest; each joint counted "
        "there with the most heat and time it takes in any shift here, as nobody knows the weather then."
    )
    return Freeing("one_more_shift", (), n, None, None, found.least, text)


def _in_one_more(joint: OrderJoint, shift: int, crews: int) -> Iterator[Choice]:
    for c in range(crews):
        there = [one for one in joint.choices if one.crew == c]
        if there:
            yield _worst(there, shift, c)


def _no_wait(search: _Search) -> Freeing | None:
    problem = search.problem
    built = order_model(problem)
    loose = {}
    for (n, other), rows in built.link_rows.items():
        if not rows:
            continue
        column = built.model.column(0.0)
        for row in rows:
            built.model.add(row, column, -1.0)
        loose[column] = n, other
    if not loose:
        return None
    _at_most_one(built, loose)
    found = _look(search, built, dict.fromkeys(loose, 1.0))
    if found is None or found.column is None:
        return None
    mark, before = (problem.joints[k].mark for k in loose[found.column])
    text = (
        f"{search.joint.mark} fits if {mark} need not wait for {before}: only where the sequence of the work and the "
        "stability of the frame allow it."
    )
    return Freeing("predecessor", (mark, before), None, None, None, found.least, text)
