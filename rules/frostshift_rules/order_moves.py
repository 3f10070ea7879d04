"""From an order of work to advice: the moves, what each saves and why, what has to move with it, what is in the way.

A place becomes a start (`order_starts`); where there is none, that place is taken back and the order worked out again.
A move is worth its own before and after; what cannot be taken without others names them (`order_together`).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from frostshift_rules.order_blocked import Blocked, blocked
from frostshift_rules.order_choices import late_shifts
from frostshift_rules.order_freeing import Freeing
from frostshift_rules.order_of_work import Task, amounts, amounts_told
from frostshift_rules.order_problem import LeftOut, OrderJoint, OrderProblem, Place
from frostshift_rules.order_solve import Answer, Progress, Stop, StoppedBy, improve, less, mended, start, told
from frostshift_rules.order_starts import Laid, lay_out
from frostshift_rules.order_together import Together
from frostshift_rules.order_uses import Use
from frostshift_rules.order_value import Broken, Costs, as_it_stands, value
from frostshift_rules.start_hours import StartHour
from frostshift_rules.workload import Range

Why = Literal["cannot_stay", "out_of_turn", "late", "too_full", "saves", "makes_room"]
"""Why a joint moves: it cannot be welded where it is; what it waits for is not over there; it would be late there; its
shift is too full; it takes less elsewhere; it makes room for others."""

ROUNDS: Final = 4
"""So often an order is worked out again where a place turns out to have no free start."""


SHOWN: Final = 0.05
"""Less than this is shown as nothing [kg, m3, kWh]; a move that saves no more is not told as one that saves."""
SHOWN_MINUTES: Final = 0.5
"""The same of torches burning [min]."""


@dataclass(frozen=True, slots=True)
class Saved:
    """What a move saves: if the steel is as cold as it may be, as it likely is, as warm as it may be; below 0: more."""

    cold: float
    likely: float
    warm: float


@dataclass(frozen=True, slots=True)
class Savings:
    """Fuel [kg], oxygen [m3], current [kWh], torches burning [min]."""

    fuel_kg: Saved
    oxygen_m3: Saved
    energy_kwh: Saved
    torch_minutes: Saved


@dataclass(frozen=True, slots=True)
class Move:
    """One joint that goes elsewhere.

    Attributes:
        mark: of the joint.
        place: where to, in the problem.
        why: the first of the reasons that holds.
        reason: of `cannot_stay`, in words, such as a stop by the weather; else empty.
        shift_before, shift_after: keys of the shifts.
        crew_before, crew_after: names.
        before, after: what the plan says of the joint at its present and its new start.
        late_before, late_after: by how many shifts it is late.
        saved: by this move alone; None where nobody knows what it takes where it is planned, which the weather stops.
        along: marks of the moves without which this one breaks a rule; empty in the first answer, which is not to wait.
    """

    mark: str
    place: Place
    why: Why
    reason: str
    shift_before: str
    shift_after: str
    crew_before: str
    crew_after: str
    before: StartHour
    after: StartHour
    late_before: int
    late_after: int
    saved: Savings | None
    along: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """An order of work as a list of moves. Nothing is done until somebody takes some of them.

    Attributes:
        moves: by new start.
        saved: by all of them of which it is known.
        costs_before, costs_after: item by item [minutes of one pair of hands]; `costs_before` is that of the plan as it
            stands: a joint that cannot be welded where it is planned counts as one without a place, and so does one for
            which no place was found, before and after.
        broken_before: rules that the plan as it stands breaks.
        without_place: joints for which no place was found, and what is in the way; they stay where they are planned.
        gap: (cost - bound) / cost, the share that a better order might still save; None: not known.
        stopped_by: why the search ended; None: there was none yet.
        first: this is the answer of the relaxation; a better one may follow.
    """

    moves: tuple[Move, ...]
    saved: Savings
    costs_before: Costs
    costs_after: Costs
    broken_before: tuple[Broken, ...]
    without_place: tuple[Blocked, ...]
    gap: float | None
    stopped_by: StoppedBy | None
    first: bool


def advise(
    task: Task,
    stop: Stop | None = None,
    told_first: Callable[[Advice], None] | None = None,
    progress: Callable[[Progress], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Advice:
    """The advice for a task.

    Args:
        task: of `order_task`.
        stop: when to stop searching; where places turn out to have no start, up to three searches of a quarter of its
            seconds follow.
        told_first: called with the advice of the relaxation, before the search.
        progress: called while searching.
        cancelled: asked while searching; the best order so far is then the answer.
    """
    first, laid, problem = _with_starts(task, lambda asked, _: start(asked), rounds=1)
    of_first = laid, problem
    if told_first is not None:
        told_first(_advice(task, problem, first, laid, is_first=True))
    # From all places again: what the first answer had no start for may have one in a better order.
    stop = stop or Stop()
    again = replace(stop, seconds=stop.seconds / ROUNDS)

    def better(asked: OrderProblem, before: Answer | None) -> Answer:
        return improve(asked, before or first, again if before else stop, progress, cancelled)

    best, laid, problem = _with_starts(task, better, cancelled=cancelled)
    if round(first.value.costs.total, 6) < round(best.value.costs.total, 6):
        best = replace(best, places=first.places, value=first.value)
        laid, problem = of_first
    return _advice(task, problem, best, laid, is_first=False, cancelled=cancelled)


# Starts ---------------------------------------------------------------------------------------------------------------


def _with_starts(
    task: Task,
    find: Callable[[OrderProblem, Answer | None], Answer],
    rounds: int = ROUNDS,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Answer, Laid, OrderProblem]:
    """An order each of whose moves has a start, and the problem without the places that turned out to have none.

    The bound is that of the whole problem, so it holds, and what is proven best without some places is not called so.
    """
    problem, bound = task.problem, None
    before: Answer | None = None
    laid: Laid
    for n in range(rounds):
        answer = find(problem, before)
        bound = answer.bound if n == 0 else bound
        laid, without = lay_out(task, answer.places)
        if not without:
            break
        problem = _without(problem, without)
        if n + 1 == rounds or (cancelled is not None and cancelled()):
            answer, laid, problem = _only_with_starts(task, problem, answer)
            break
        before = mended(problem, answer)
    answer = told(replace(answer, bound=bound))
    if problem is not task.problem and answer.stopped_by in ("gap", "gave_up"):
        answer = replace(answer, stopped_by="starts")
    return answer, laid, problem


def _only_with_starts(task: Task, problem: OrderProblem, answer: Answer) -> tuple[Answer, Laid, OrderProblem]:
    """No more searching: each joint without a start stays where it is, and what cannot move without it."""
    while True:
        answer = less(problem, answer)
        laid, without = lay_out(task, answer.places)
        if not without:
            return answer, laid, problem
        problem = _without(problem, without)


NO_START: Final = "beside other joints none of the starts looked at is free there"


def _without(problem: OrderProblem, taken: Mapping[str, Place]) -> OrderProblem:
    """The problem without a place of some joints."""
    joints = []
    for joint in problem.joints:
        place = taken.get(joint.mark)
        if place is not None:
            choices = tuple(one for one in joint.choices if one.place != place)
            joint = replace(joint, choices=choices, left_out=(*joint.left_out, LeftOut(*place, NO_START)))
        joints.append(joint)
    return replace(problem, joints=tuple(joints))


def uses_now(task: Task) -> tuple[Use, ...]:
    """What joints use where the plan has them."""
    moving = [
        use
        for joint in task.problem.joints
        if joint.now is not None
        for use in task.uses(joint.mark, joint.now, task.planned[joint.mark])
    ]
    return (*task.kept, *moving)


def uses_then(task: Task, moves: Iterable[Move]) -> tuple[Use, ...]:
    """What joints that move use where they move to."""
    return tuple(use for move in moves for use in task.uses(move.mark, move.place, move.after))


# Advice ---------------------------------------------------------------------------------------------------------------


def _advice(
    task: Task,
    problem: OrderProblem,
    answer: Answer,
    laid: Laid,
    *,
    is_first: bool,
    cancelled: Callable[[], bool] | None = None,
) -> Advice:
    stands = as_it_stands(problem)
    before = value(problem, stands)
    cannot = {mark for one in before.broken if one.name == "not_offered" for mark in one.marks}
    moved = {mark: place for mark, place in answer.places.items() if mark in laid and place is not None}
    joints = {joint.mark: joint for joint in problem.joints}
    of_rules: dict[str, set[str]] = {}
    for rule in before.broken:
        # What has to be done before is in turn; who waits for it is not.
        for mark in rule.marks[:1] if rule.name == "before_predecessor" else rule.marks:
            of_rules.setdefault(mark, set()).add(rule.name)
    each = [_move(task, joints[mark], place, laid[mark], of_rules.get(mark, set())) for mark, place in moved.items()]
    if not is_first:
        each = _with_along(task, each)
    moves = tuple(sorted(each, key=lambda one: (one.after.start_utc, one.mark)))
    without = [mark for mark, place in answer.places.items() if place is None]
    return Advice(
        moves=moves,
        saved=all_saved(moves),
        costs_before=value(problem, stands | dict.fromkeys([*cannot, *without])).costs,
        costs_after=answer.value.costs,
        broken_before=before.broken,
        without_place=() if is_first or not without else _blocked(task, problem, answer.places, cancelled),
        gap=answer.gap,
        stopped_by=answer.stopped_by,
        first=is_first,
    )


def _blocked(
    task: Task,
    problem: OrderProblem,
    places: Mapping[str, Place | None],
    cancelled: Callable[[], bool] | None,
) -> tuple[Blocked, ...]:
    """What is in the way of joints without a place, and what would free them, one more at once for a crew among it."""
    found = []
    for one in blocked(problem, places, cancelled=cancelled):
        if problem is not task.problem:
            # Only by minutes: that search knows nothing of starts.
            one = replace(one, frees=tuple(free for free in one.frees if free.name != "better_order"))
        freeing = _one_more_at_once(task, problem, places, one.mark) if one.looked else None
        found.append(one if freeing is None else replace(one, frees=(freeing, *one.frees)))
    return tuple(found)


def _one_more_at_once(
    task: Task, problem: OrderProblem, places: Mapping[str, Place | None], mark: str
) -> Freeing | None:
    """A place for which only a start was missing, if its crew welded one more at once there; None: there is none."""
    joint = next(one for one in problem.joints if one.mark == mark)
    for place in [(one.shift, one.crew) for one in joint.left_out if one.reason == NO_START]:
        with_it = {**places, mark: place}
        if value(task.problem, with_it).holds and not lay_out(task, with_it, {place: 1})[1]:
            shift, crew = problem.shifts[place[0]].key, problem.crews[place[1]].name
            text = f"{mark} fits in {shift} if {crew} welds one joint more at once there."
            return Freeing("at_once", (mark,), *place, 1.0, True, text)
    return None


def _move(
    task: Task,
    joint: OrderJoint,
    place: Place,
    at: StartHour,
    broken: Collection[str],
) -> Move:
    """A move, without what has to be taken with it; `broken`: names of the rules that it breaks where it is."""
    assert joint.now is not None
    problem, present, now = task.problem, task.planned[joint.mark], joint.now
    late_before, late_after = late_shifts(joint, now[0]), late_shifts(joint, place[0])
    saved = savings(present, at)
    reason = next((one.reason for one in joint.left_out if (one.shift, one.crew) == now), "")
    why: Why = "makes_room"
    if reason:
        why = "cannot_stay"
    elif "before_predecessor" in broken:
        why = "out_of_turn"
    elif late_after < late_before:
        why = "late"
    elif broken:
        why = "too_full"
    elif saved is not None and any(
        one.likely >= least and one.cold >= 0.0
        for one, least in (
            (saved.torch_minutes, SHOWN_MINUTES),
            (saved.fuel_kg, SHOWN),
            (saved.oxygen_m3, SHOWN),
            (saved.energy_kwh, SHOWN),
        )
    ):
        why = "saves"
    return Move(
        mark=joint.mark,
        place=place,
        why=why,
        reason=reason,
        shift_before=problem.shifts[now[0]].key,
        shift_after=problem.shifts[place[0]].key,
        crew_before=problem.crews[now[1]].name,
        crew_after=problem.crews[place[1]].name,
        before=present,
        after=at,
        late_before=late_before,
        late_after=late_after,
        saved=saved,
        along=(),
    )


def _with_along(task: Task, moves: Sequence[Move]) -> list[Move]:
    """Moves, each with what has to be taken with it."""
    places = {move.mark: move.place for move in moves}
    together = Together(task.problem, places, uses_now(task), uses_then(task, moves))
    return [replace(move, along=together.with_them({move.mark})) for move in moves]


def savings(before: StartHour, after: StartHour) -> Savings | None:
    """What a joint takes less at one start than at another; None where nobody knows what it takes at the first."""
    one, other = amounts(before), amounts_told(after)
    if one is None:
        return None

    def saved(was: Range, becomes: Range) -> Saved:
        return Saved(was.high - becomes.high, was.likely - becomes.likely, was.low - becomes.low)

    return Savings(
        saved(one.fuel_kg, other.fuel_kg),
        saved(one.oxygen_m3, other.oxygen_m3),
        saved(one.energy_kwh, other.energy_kwh),
        saved(one.torch_minutes, other.torch_minutes),
    )


def all_saved(moves: Iterable[Move]) -> Savings:
    """What some moves save together, as far as it is known."""
    ones = [move.saved for move in moves if move.saved is not None]

    def total(pick: Callable[[Savings], Saved]) -> Saved:
        each = [pick(one) for one in ones]
        return Saved(sum(one.cold for one in each), sum(one.likely for one in each), sum(one.warm for one in each))

    return Savings(
        total(lambda one: one.fuel_kg),
        total(lambda one: one.oxygen_m3),
        total(lambda one: one.energy_kwh),
        total(lambda one: one.torch_minutes),
    )
