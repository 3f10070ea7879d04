"""Finds an order of work: at once from the linear relaxation, better with time, and never worse than what was there.

The only file that knows the solver (HiGHS). Each order is counted again by `order_value` before anybody sees it, and
one that breaks a rule is dropped. Searching stops by gap or by the count of nodes, so that the same problem gets the
same order; a limit by the clock is a last resort and said.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from frostshift_rules.order_choices import choice_at
from frostshift_rules.order_greedy import Filling, by_cost
from frostshift_rules.order_model import Floats, Model, OrderModel, Rows, order_model
from frostshift_rules.order_problem import Choice, OrderProblem, Place
from frostshift_rules.order_settle import settled
from frostshift_rules.order_value import Places, Value, as_it_stands, value

if TYPE_CHECKING:  # the solver is loaded where something is solved: whoever only reads an answer does not wait for it
    import highspy
    from highspy.highs import HighsCallbackEvent

StoppedBy = Literal["optimal", "gap", "nodes", "clock", "cancelled", "gave_up", "starts"]
"""Why the search ended: proven best, near enough, so many nodes, so long, somebody stopped it, the solver failed, or as
near as that is without the places for which no start was free."""
Source = Literal["as_it_stands", "greedy", "start", "improved"]

PROVEN_GAP: Final = 1e-6
"""Below this share of the cost an order counts as the best there is: the solver's own rounding."""


@dataclass(frozen=True, slots=True)
class Stop:
    """When to stop searching; every default is our choice.

    Attributes:
        gap: (cost - bound) / cost that is near enough; 0: only a proof.
        nodes: of the search tree.
        seconds: by the clock; the order may then differ from one time to the next.
    """

    gap: float = 0.005
    nodes: int = 100
    seconds: float = 120.0


AT_ONCE: Final = 50
"""Joints that are placed anew at once while the others stay; ours, by trial on weeks of 200 to 2,000 joints."""
WINDOW: Final = Stop(gap=0.001, nodes=3)
"""When to stop with one set of them; ours."""
PASSES: Final = 6
"""Times that the week is gone through so, at most."""
ENOUGH: Final = 0.001
"""A time that saves less than this share is the last one."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a search is: cost of the best order so far (None: none yet) and bound, in minutes, and the gap."""

    cost: float | None
    bound: float
    gap: float | None


@dataclass(frozen=True, slots=True)
class Answer:
    """An order of work that breaks no rule.

    Attributes:
        places: by mark; None: no place.
        value: what it costs and takes.
        source: which way it was found.
        bound: no order costs less [minutes of one pair of hands]; None: not known.
        stopped_by: why the search ended; None: there was none.
        nodes: of the search tree that were looked at.
    """

    places: Mapping[str, Place | None]
    value: Value
    source: Source
    bound: float | None = None
    stopped_by: StoppedBy | None = None
    nodes: int = 0

    @property
    def gap(self) -> float | None:
        """Share of the cost that may still be saved at most; None: not known."""
        return None if self.bound is None else gap_of(self.value.costs.total, self.bound)


def gap_of(cost: float, bound: float) -> float:
    """(cost - bound) / cost, never below 0."""
    return 0.0 if cost <= bound else (cost - bound) / abs(cost)


def greedy(problem: OrderProblem) -> Answer:
    """Joint by joint to the cheapest place that is left, or the plan as it stands where that is no worse."""
    filling = Filling(problem)
    return _best(problem, [("greedy", _places(problem, made)) for made in (by_cost(filling), filling.from_plan())])


def start(problem: OrderProblem) -> Answer:
    """A first order from the linear relaxation, rounded and put right; its bound holds for every order."""
    filling = Filling(problem)
    built = order_model(problem, filling.choices)
    solved = solve(built.model, relaxed=True)
    found: list[tuple[Source, dict[str, Place | None]]] = [
        ("greedy", _places(problem, made)) for made in (by_cost(filling), filling.from_plan())
    ]
    if solved.values is None:
        return _best(problem, found)
    found += [("start", _places(problem, chosen)) for chosen in _rounded(built, solved, filling)]
    return _best(problem, found, solved.bound)


def improve(
    problem: OrderProblem,
    first: Answer,
    stop: Stop | None = None,
    progress: Callable[[Progress], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Answer:
    """A better order than `first`, as far as it is found until `stop`; `first` itself where none is.

    `progress` is called in the solver's thread whenever the best order or the bound has changed, `cancelled` often; the
    search ends soon after it says so. What they raise ends the search and is raised here.
    """
    stop = stop or Stop()
    tell = None if progress is None else _Forward(progress).tell
    built = order_model(problem)
    rows = built.model.by_rows()
    known = built.values(_choices_at(problem, built.choices, first.places))
    near = by_windows(problem, built, rows, known, first.bound, stop, tell, cancelled)
    found: list[tuple[Source, Mapping[str, Place | None]]] = [
        (first.source, first.places),
        ("improved", _places(problem, built.chosen(near.values))),
    ]
    if near.stopped_by is not None:
        return told(_best(problem, found, first.bound, near.stopped_by))
    solved = solve(
        built.model,
        replace(stop, seconds=max(0.0, stop.seconds - near.seconds)),
        rows=rows,
        first=near.values,
        progress=tell,
        cancelled=cancelled,
    )
    if solved.values is not None:
        found.append(("improved", _places(problem, built.chosen(solved.values))))
    bounds = [bound for bound in (first.bound, solved.bound) if bound is not None]
    return told(_best(problem, found, max(bounds, default=None), solved.stopped_by, solved.nodes))


class _Forward:
    """Tells how far a search of several parts is: each part begins without what the others know."""

    def __init__(self, progress: Callable[[Progress], None]) -> None:
        self._progress, self._last = progress, Progress(None, -math.inf, None)

    def tell(self, now: Progress) -> None:
        """What is new of it goes on."""
        costs = [cost for cost in (now.cost, self._last.cost) if cost is not None]
        cost, bound = min(costs, default=None), max(now.bound, self._last.bound)
        news = Progress(cost, bound, None if cost is None else gap_of(cost, bound))
        if news != self._last:
            self._last = news
            self._progress(news)


def less(problem: OrderProblem, before: Answer) -> Answer:
    """An answer again for a problem some of whose places are gone: what had one stays where it is."""
    kept = _choices_at(problem, [joint.choices for joint in problem.joints], before.places)
    places = _places(problem, settled(problem, kept))
    return replace(before, places=places, value=value(problem, places))


def mended(problem: OrderProblem, before: Answer) -> Answer:
    """An answer again for a problem some of whose places are gone: what had one goes elsewhere or stays where it is."""
    filling = Filling(problem)
    places = _places(problem, filling.mended(_choices_at(problem, filling.choices, before.places)))
    return replace(before, places=places, value=value(problem, places))


def told(answer: Answer) -> Answer:
    """The answer; one that came near enough and turns out to be as good as its bound is proven, and no other is."""
    proven = answer.gap is not None and answer.gap <= PROVEN_GAP
    if proven and answer.stopped_by == "gap":
        return replace(answer, stopped_by="optimal")
    return replace(answer, stopped_by="gave_up") if answer.stopped_by == "optimal" and not proven else answer


def _choices_at(problem: OrderProblem, choices: Sequence[Sequence[Choice]], places: Places) -> list[Choice | None]:
    """Of each joint's choices the one that is its place."""
    return [choice_at(ones, places.get(joint.mark)) for joint, ones in zip(problem.joints, choices, strict=True)]


@dataclass(frozen=True, slots=True)
class Near:
    """An order after a search of its neighbours; `stopped_by` None: neither near enough yet nor stopped."""

    values: Floats
    seconds: float
    stopped_by: StoppedBy | None


def by_windows(
    problem: OrderProblem,
    built: OrderModel,
    rows: Rows,
    values: Floats,
    bound: float | None,
    stop: Stop,
    progress: Callable[[Progress], None] | None,
    cancelled: Callable[[], bool] | None,
) -> Near:
    """A better order by placing the joints of a few shifts in a row, and those without a place, anew; the others stay.

    From the first shift to the last, and again while that saves much. The search of all joints at once takes minutes
    before it finds what this finds in seconds, on weeks of 200 joints and more.
    """
    costs, seconds = np.array(built.model.cost), 0.0
    for _ in range(PASSES):
        before = float(costs @ values)
        for window in _windows(built, values):
            cost = float(costs @ values)
            if bound is not None and gap_of(cost, bound) <= stop.gap:
                return Near(values, seconds, "gap")
            upper, lower = _held_but(problem, built, values, window)
            part = replace(built.model, lower=lower, upper=upper)
            aim = replace(WINDOW, seconds=max(0.0, stop.seconds - seconds))
            solved = solve(part, aim, rows=rows, first=values, cancelled=cancelled)
            seconds += solved.seconds
            if solved.values is not None and float(costs @ solved.values) < cost - 1e-6:
                values = np.where(built.model.whole, np.round(solved.values), solved.values)
                if progress is not None and bound is not None:
                    progress(Progress(cost := float(costs @ values), bound, gap_of(cost, bound)))
            if solved.stopped_by in {"clock", "cancelled"}:
                return Near(values, seconds, solved.stopped_by)
        if float(costs @ values) > before * (1.0 - ENOUGH):
            break
    return Near(values, seconds, None)


def _windows(built: OrderModel, values: Floats) -> Iterator[frozenset[int]]:
    """Sets of shifts in a row with some `AT_ONCE` joints, three shifts at least, each with half of the one before."""
    chosen = built.chosen(values)
    count = Counter(one.shift for one in chosen if one is not None)
    used = sorted(count)
    each = max(1, sum(count.values()) // max(1, len(used)))
    wide = max(3, AT_ONCE // each)
    for begin in range(0, max(1, len(used) - (wide + 1) // 2), max(1, wide // 2)):
        yield frozenset(used[begin : begin + wide])


def _held_but(
    problem: OrderProblem, built: OrderModel, values: Floats, shifts: frozenset[int]
) -> tuple[list[float], list[float]]:
    """Upper and lower ends of the columns by which all joints stay, but those in some shifts, and some in none.

    Of those without a place the ones that the plan has in these shifts or nowhere, and `AT_ONCE` others for which all
    is done that has to be before.
    """
    upper, lower = list(built.model.upper), list(built.model.lower)
    chosen, further = built.chosen(values), 0
    placed = {joint.mark for joint, one in zip(problem.joints, chosen, strict=True) if one is not None}
    for n, (joint, one) in enumerate(zip(problem.joints, chosen, strict=True)):
        if one is None and (joint.now is None or joint.now[0] in shifts):
            continue
        if one is None and further < AT_ONCE and placed.issuperset(joint.after):
            further += 1
            continue
        if one is None or one.shift not in shifts:
            column = built.without[n] if one is None else built.first[n] + built.choices[n].index(one)
            for k in (*range(built.first[n], built.first[n] + len(built.choices[n])), built.without[n]):
                upper[k] = lower[k] = float(k == column)
    return upper, lower


def _places(problem: OrderProblem, chosen: Sequence[Choice | None]) -> dict[str, Place | None]:
    return {joint.mark: None if one is None else one.place for joint, one in zip(problem.joints, chosen, strict=True)}


def _best(
    problem: OrderProblem,
    found: Iterable[tuple[Source, Mapping[str, Place | None]]],
    bound: float | None = None,
    stopped_by: StoppedBy | None = None,
    nodes: int = 0,
) -> Answer:
    """The cheapest order that breaks no rule: of equal ones the plan as it stands, then the first found."""
    nothing: dict[str, Place | None] = {joint.mark: None for joint in problem.joints}
    ways: list[tuple[Source, Mapping[str, Place | None]]] = [
        ("as_it_stands", as_it_stands(problem)),
        *found,
        ("greedy", nothing),  # breaks no rule whatever the problem
    ]
    answers = [Answer(places, value(problem, places), source, bound, stopped_by, nodes) for source, places in ways]
    return min((one for one in answers if one.value.holds), key=lambda one: round(one.value.costs.total, 6))


def _rounded(built: OrderModel, solved: Solved, filling: Filling) -> list[list[Choice | None]]:
    """Orders from the relaxation: joints by their mean shift in it, each to the place it prices or likes best."""
    assert solved.values is not None
    share, price = solved.values, solved.prices
    mean = []
    for first, ones in zip(built.first, built.choices, strict=True):
        parts = share[first : first + len(ones)]
        placed = float(parts.sum())
        shifts = np.array([one.shift for one in ones], dtype=float)
        mean.append(float(parts @ shifts) / placed if placed > 1e-9 else math.inf)
    # Rounded, so that the last digit of a solution does not decide.
    shares, prices = np.round(share, 6), np.round(price, 6)

    def by_price(n: int, k: int, _one: Choice) -> float:
        return float(prices[built.first[n] + k])

    def by_share(n: int, k: int, one: Choice) -> float:
        return -1e9 * float(shares[built.first[n] + k]) + by_price(n, k, one)

    urgency = [round(one, 6) for one in mean]
    whole = {
        n: ones[k]
        for n, (first, ones) in enumerate(zip(built.first, built.choices, strict=True))
        for k in range(len(ones))
        if shares[first + k] >= 0.999
    }
    return [filling.fill(urgency, rank, held) for rank in (by_price, by_share) for held in (whole, {})]


@dataclass(frozen=True, slots=True)
class Solved:
    """What the solver says of a model.

    Attributes:
        values: of the columns in the best answer; None: none was found.
        prices: reduced costs of the columns; only of a relaxation.
        bound: nothing costs less; None: not known.
        stopped_by: why it ended.
        nodes: of the search tree.
        none_there: it is proven that no answer exists.
        seconds: by the solver's clock.
    """

    values: Floats | None
    prices: Floats
    bound: float | None
    stopped_by: StoppedBy
    nodes: int
    none_there: bool = False
    seconds: float = 0.0


@cache
def _quiet() -> type[highspy.Highs]:
    """The solver without a word on the terminal, which it else greets from its constructor on."""
    from highspy import Highs

    class Quiet(Highs):
        def enableCallbacks(self) -> None:
            self.silent()
            super().enableCallbacks()

    return Quiet


_STOPPED: Final[Mapping[str, StoppedBy]] = {
    "kOptimal": "gap",
    "kSolutionLimit": "nodes",
    "kTimeLimit": "clock",
    "kInterrupt": "cancelled",
}


def solve(
    model: Model,
    stop: Stop | None = None,
    *,
    relaxed: bool = False,
    rows: Rows | None = None,
    first: Floats | None = None,
    progress: Callable[[Progress], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Solved:
    """The cheapest answer of a model, one thread, the same each time unless stopped by clock or by `cancelled`.

    `rows` are the model's own (`by_rows`), where they are there already.
    """
    stop = stop or Stop()
    if not model.cost:
        return Solved(np.zeros(0), np.zeros(0), 0.0, "optimal", 0)
    import highspy

    highs = _quiet()()
    watch = _Watch(progress, cancelled)
    for name, setting in (
        ("threads", 1),
        ("random_seed", 0),
        ("mip_rel_gap", stop.gap),
        ("mip_abs_gap", 1e-6),
        ("mip_max_nodes", stop.nodes),
        ("time_limit", stop.seconds),
    ):
        _taken(highs.setOptionValue(name, setting), name)
    starts, index, factors = rows or model.by_rows()
    status = highs.passModel(
        len(model.cost),
        len(model.columns),
        len(index),
        int(highspy.MatrixFormat.kRowwise),
        int(highspy.ObjSense.kMinimize),
        0.0,
        np.array(model.cost),
        np.array(model.lower),
        np.array(model.upper),
        np.array(model.row_lower),
        np.array(model.row_upper),
        starts,
        index,
        factors,
        np.array([0 if relaxed else int(one) for one in model.whole], dtype=np.int32),
    )
    _taken(status, "model")
    if first is not None:
        highs.setSolution(len(first), np.arange(len(first), dtype=np.int32), first)
    highs.cbMipInterrupt.subscribe(watch.look)
    highs.cbSimplexInterrupt.subscribe(watch.look)
    highs.run()
    if watch.raised is not None:
        raise watch.raised
    solved = _solved(highs, relaxed)
    if first is not None and _contradicts(model, solved, float(highs.getInfo().objective_function_value)):
        # The solver's preparation may take a column away by which the order to begin with is dearer than it then
        # believes; what it says of better ones and of the bound is then worth nothing. Seen with version 1.16.
        left = replace(stop, seconds=max(0.0, stop.seconds - solved.seconds))
        again = solve(model, left, rows=rows, progress=progress, cancelled=cancelled)
        return replace(again, seconds=again.seconds + solved.seconds)
    return solved


def _contradicts(model: Model, solved: Solved, cost: float) -> bool:
    """Whether the solver's best answer does not cost what it says."""
    if solved.values is None:
        return False
    counted = float(np.array(model.cost) @ solved.values)
    return abs(counted - cost) > 1e-6 * max(1.0, abs(counted))


def _taken(status: highspy.HighsStatus, what: str) -> None:
    import highspy

    if status == highspy.HighsStatus.kError:
        raise RuntimeError(f"The solver does not take the {what} as it is given.")


def _solved(highs: highspy.Highs, relaxed: bool) -> Solved:
    import highspy

    status = highs.getModelStatus()
    info = highs.getInfo()
    stopped_by = _STOPPED.get(status.name, "gave_up")
    solution = highs.getSolution()
    if relaxed:
        if status != highspy.HighsModelStatus.kOptimal:
            none_there = status == highspy.HighsModelStatus.kInfeasible
            return Solved(None, np.zeros(0), None, stopped_by, 0, none_there)
        values, prices = np.array(solution.col_value), np.array(solution.col_dual)
        return Solved(values, prices, float(info.objective_function_value), "optimal", 0)
    feasible = info.primal_solution_status == int(highspy.SolutionStatus.kSolutionStatusFeasible)
    bound = float(info.mip_dual_bound)
    return Solved(
        values=np.array(solution.col_value) if feasible else None,
        prices=np.zeros(0),
        bound=bound if math.isfinite(bound) else None,
        stopped_by="optimal" if stopped_by == "gap" and info.mip_gap <= PROVEN_GAP else stopped_by,
        nodes=int(info.mip_node_count),
        none_there=status == highspy.HighsModelStatus.kInfeasible,
        seconds=float(highs.getRunTime()),
    )


class _Watch:
    """Tells how far the solver is, and it to stop; what is raised on the way waits until it has stopped."""

    def __init__(self, progress: Callable[[Progress], None] | None, cancelled: Callable[[], bool] | None) -> None:
        self._progress, self._cancelled = progress, cancelled
        self._told: tuple[float, float] | None = None
        self.raised: BaseException | None = None

    def look(self, event: HighsCallbackEvent) -> None:
        """Called by the solver, often."""
        try:
            if self.raised is None and self._progress is not None:
                self._tell(event, self._progress)
            if self.raised is not None or (self._cancelled is not None and self._cancelled()):
                event.interrupt()
        except BaseException as error:
            self.raised = error
            event.interrupt()

    def _tell(self, event: HighsCallbackEvent, progress: Callable[[Progress], None]) -> None:
        import highspy

        if event.callback_type != highspy.cb.HighsCallbackType.kCallbackMipInterrupt:
            return
        cost, bound = event.data_out.mip_primal_bound, event.data_out.mip_dual_bound
        if self._told == (cost, bound) or not math.isfinite(bound):
            return
        self._told = cost, bound
        known = math.isfinite(cost)
        progress(Progress(cost if known else None, bound, gap_of(cost, bound) if known else None))
