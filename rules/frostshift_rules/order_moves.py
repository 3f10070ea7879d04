"""From an order of work to advice: the moves, what each saves and why, what has to move with it, what is in the way.

A place becomes a start: within its shift a joint that moves is given the cheapest start at which its crew has somebody
free; where there is none, that place is taken back and the order worked out again. A move is worth its own before and
after; what cannot be taken without others names them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

from frostshift_rules.order_blocked import Blocked, blocked
from frostshift_rules.order_choices import late_shifts
from frostshift_rules.order_of_work import Burning, Task, amounts, burning
from frostshift_rules.order_problem import LeftOut, OrderProblem, Place
from frostshift_rules.order_solve import Answer, Progress, Stop, StoppedBy, improve, start
from frostshift_rules.order_value import Broken, Costs, as_it_stands, value
from frostshift_rules.start_hours import StartHour
from frostshift_rules.workload import Range

Why = Literal["cannot_stay", "late", "saves", "makes_room"]
"""Why a joint moves: it cannot be welded where it is; it would be late there; it takes less; it makes room."""

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
        saved: by this move alone.
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
    saved: Savings
    along: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """An order of work as a list of moves. Nothing is done until somebody takes some of them.

    Attributes:
        moves: by new start.
        saved: by all of them.
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
    told: Callable[[Advice], None] | None = None,
    progress: Callable[[Progress], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Advice:
    """The advice for a task.

    Args:
        task: of `order_task`.
        stop: when to stop searching.
        told: called with the advice of the relaxation, before the search.
        progress: called while searching.
        cancelled: asked while searching; the best order so far is then the answer.
    """
    problem = task.problem
    first, laid, problem = _with_starts(task, problem, start)
    if told is not None:
        told(_advice(task, problem, first, laid, is_first=True))
    best, laid, problem = _with_starts(
        task, problem, lambda asked: improve(asked, _still(asked, first), stop, progress, cancelled)
    )
    return _advice(task, problem, best, laid, is_first=False, cancelled=cancelled)


def _still(problem: OrderProblem, first: Answer) -> Answer:
    """An answer again for a problem from which places were taken; counted anew."""
    offered = {joint.mark: {one.place for one in joint.choices} for joint in problem.joints}
    places = {mark: place if place in offered[mark] else None for mark, place in first.places.items()}
    return replace(first, places=places, value=value(problem, places))


# Starts ---------------------------------------------------------------------------------------------------------------

_Laid = Mapping[str, StartHour]


def _with_starts(
    task: Task, problem: OrderProblem, find: Callable[[OrderProblem], Answer]
) -> tuple[Answer, _Laid, OrderProblem]:
    """An order each of whose moves has a start; places without one are taken from the problem on the way."""
    for _ in range(ROUNDS):
        answer = find(problem)
        laid, without = lay_out(task, answer.places)
        if not without:
            return answer, laid, problem
        problem = _without(problem, without)
    # What still has no start stays where it is, and so does all the rest where that would break a rule.
    stands = as_it_stands(problem)
    places = dict(answer.places) | {mark: stands[mark] for mark in without}
    if not value(problem, places).holds:
        places = stands
    laid, _ = lay_out(task, places)
    return replace(answer, places=places, value=value(problem, places)), laid, problem


NO_START: Final = "beside the crew's other joints no start is free there"


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


def lay_out(task: Task, places: Mapping[str, Place | None]) -> tuple[dict[str, StartHour], dict[str, Place]]:
    """The start of each joint that moves, and the places of those for which none is free.

    Joints that stay keep their start, also those that run over the end of a shift. The rest are taken longest first;
    each has the cheapest start at which fewer of its crew's joints are welded than the crew can at once, and no more
    torches burn before the first arc than there are, or people to hold them.
    """
    stands = as_it_stands(task.problem)
    busy: dict[int, list[tuple[datetime, datetime]]] = {}
    for crew, start_utc, end_utc in task.kept:
        busy.setdefault(crew, []).append((start_utc, end_utc))
    flames = list(task.burning)
    moving = []
    for mark, place in places.items():
        present = task.planned[mark]
        now = stands[mark]
        if now is not None and place in (None, now):
            busy.setdefault(now[1], []).append((present.start_utc, present.end_utc))
            flames += _lit(burning(present, task.torches[mark]))
        elif place is not None:
            moving.append((mark, place))
    moving.sort(key=lambda one: (task.planned[one[0]].start_utc - task.planned[one[0]].end_utc, one[0]))
    laid, without = {}, {}
    for mark, place in moving:
        there = busy.setdefault(place[1], [])
        most = max(task.most_torches[place[0]], task.torches[mark])
        free = (
            one
            for one in task.starts[mark, place[0]]
            if _at_once(there, one) < task.at_once[place[1]]
            and _burning_at_once(flames, burning(one, task.torches[mark])) <= most
        )
        found = next(free, None)
        if found is None:
            without[mark] = place
        else:
            laid[mark] = found
            there.append((found.start_utc, found.end_utc))
            flames += _lit(burning(found, task.torches[mark]))
    return laid, without


def _lit(one: Burning | None) -> list[Burning]:
    return [] if one is None else [one]


def _burning_at_once(flames: Sequence[Burning], new: Burning | None) -> int:
    """Most flames at one moment in which the new ones burn, these among them; 0 without new ones."""
    if new is None:
        return 0
    begins, ends, torches = new
    beside = [one for one in flames if one[0] < ends and begins < one[1]]
    moments = [begins, *(one[0] for one in beside if one[0] > begins)]
    return torches + max(sum(count for begin, end, count in beside if begin <= at < end) for at in moments)


def _at_once(busy: Sequence[tuple[datetime, datetime]], new: StartHour) -> int:
    """Most of the joints in `busy` that are welded at one moment of the new one."""
    inside = [(begin, end) for begin, end in busy if begin < new.end_utc and new.start_utc < end]
    moments = [max(begin, new.start_utc) for begin, _ in inside]
    return max((sum(begin <= at < end for begin, end in inside) for at in moments), default=0)


# Advice ---------------------------------------------------------------------------------------------------------------


def _advice(
    task: Task,
    problem: OrderProblem,
    answer: Answer,
    laid: _Laid,
    *,
    is_first: bool,
    cancelled: Callable[[], bool] | None = None,
) -> Advice:
    stands = as_it_stands(problem)
    before = value(problem, stands)
    cannot = {mark for one in before.broken if one.name == "not_offered" for mark in one.marks}
    moved = {mark: place for mark, place in answer.places.items() if mark in laid and place is not None}
    moves = tuple(
        sorted(
            (_move(task, problem, mark, place, laid[mark], {} if is_first else moved) for mark, place in moved.items()),
            key=lambda one: (one.after.start_utc, one.mark),
        )
    )
    without = [mark for mark, place in answer.places.items() if place is None]
    return Advice(
        moves=moves,
        saved=all_saved(moves),
        costs_before=value(problem, stands | dict.fromkeys([*cannot, *without])).costs,
        costs_after=answer.value.costs,
        broken_before=before.broken,
        without_place=()
        if is_first or not without
        else blocked(_in_words(task.problem, problem, answer), answer.places, cancelled=cancelled),
        # Of a problem from which places were taken the bound is not that of the whole.
        gap=answer.gap if problem is task.problem else None,
        stopped_by=answer.stopped_by,
        first=is_first,
    )


def _in_words(asked: OrderProblem, problem: OrderProblem, answer: Answer) -> OrderProblem:
    """The problem with all its places, in which a crew that had no start left for a joint has no minutes left there.

    So that what is in the way is said in minutes, and what would free it can be looked for.
    """
    full = {(one.shift, one.crew) for joint in problem.joints for one in joint.left_out if one.reason == NO_START}
    used = dict.fromkeys(full, 0.0)
    for joint in problem.joints:
        place = answer.places[joint.mark]
        if place is not None and place in full:
            used[place] += next((one.crew_minutes for one in joint.choices if one.place == place), 0.0)
    crews = tuple(
        replace(crew, minutes=tuple(min(has, used.get((s, c), has)) for s, has in enumerate(crew.minutes)))
        for c, crew in enumerate(asked.crews)
    )
    return replace(asked, crews=crews)


def _move(
    task: Task,
    problem: OrderProblem,
    mark: str,
    place: Place,
    at: StartHour,
    moved: Mapping[str, Place],
) -> Move:
    joint = next(one for one in problem.joints if one.mark == mark)
    assert joint.now is not None
    present, now = task.planned[mark], joint.now
    late_before, late_after = late_shifts(joint, now[0]), late_shifts(joint, place[0])
    saved = savings(present, at)
    reason = next((one.reason for one in joint.left_out if (one.shift, one.crew) == now), "")
    why: Why = "makes_room"
    if reason:
        why = "cannot_stay"
    elif late_after < late_before:
        why = "late"
    elif any(
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
        mark=mark,
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
        along=along(problem, {mark}, moved) if moved else (),
    )


def savings(before: StartHour, after: StartHour) -> Savings:
    """What a joint takes less at one start than at another."""
    one, other = amounts(before), amounts(after)

    def saved(was: Range, becomes: Range) -> Saved:
        return Saved(was.high - becomes.high, was.likely - becomes.likely, was.low - becomes.low)

    return Savings(
        saved(one.fuel_kg, other.fuel_kg),
        saved(one.oxygen_m3, other.oxygen_m3),
        saved(one.energy_kwh, other.energy_kwh),
        saved(one.torch_minutes, other.torch_minutes),
    )


def all_saved(moves: Iterable[Move]) -> Savings:
    """What some moves save together."""
    ones = [move.saved for move in moves]

    def total(pick: Callable[[Savings], Saved]) -> Saved:
        each = [pick(one) for one in ones]
        return Saved(sum(one.cold for one in each), sum(one.likely for one in each), sum(one.warm for one in each))

    return Savings(
        total(lambda one: one.fuel_kg),
        total(lambda one: one.oxygen_m3),
        total(lambda one: one.energy_kwh),
        total(lambda one: one.torch_minutes),
    )


def along(problem: OrderProblem, chosen: Collection[str], moved: Mapping[str, Place]) -> tuple[str, ...]:
    """What has to be taken with some moves, so that no rule is broken that the plan as it stands keeps.

    Args:
        problem: of the moves.
        chosen: marks of the moves that are to be taken.
        moved: all moves, by mark the place; together they break nothing.

    Returns:
        Marks of the others, sorted; no smaller list may exist, or it may: moves that touch a broken rule are added
        together.
    """
    stands = as_it_stands(problem)
    already = {_which(one): frozenset(one.marks) for one in value(problem, stands).broken}
    taken = set(chosen)
    while True:
        places = stands | {mark: moved[mark] for mark in taken}
        # What was broken before may stay so, with the same joints or fewer.
        new = [one for one in value(problem, places).broken if not set(one.marks) <= already.get(_which(one), set())]
        left = set(moved) - taken
        if not new or not left:
            return tuple(sorted(taken - set(chosen)))
        touched = {mark for one in new for mark in _touching(problem, one, places, moved)} & left
        # A rule that none of the moves left is seen to mend is mended by all of them together.
        taken |= touched or left


def _which(rule: Broken) -> tuple[str, ...]:
    """Tells a broken rule from others, whatever the figures: of a shift's minutes by shift, crew and limit."""
    if rule.name in _OF_JOINTS:
        return rule.name, *rule.marks
    return rule.name, rule.text.partition(", its joints take")[0]


_OF_JOINTS: Final = ("not_offered", "too_early", "too_late", "pinned_moved", "before_predecessor")


def _touching(
    problem: OrderProblem, rule: Broken, places: Mapping[str, Place | None], moved: Mapping[str, Place]
) -> set[str]:
    """The moves that can mend a broken rule: of joints it names, else those that leave the shift that is too full."""
    if rule.name in _OF_JOINTS:
        return set(rule.marks) & set(moved)
    full = {place[0] for mark in rule.marks if (place := places[mark]) is not None}
    now = {joint.mark: joint.now for joint in problem.joints}
    return {mark for mark, to in moved.items() if (was := now[mark]) is not None and was[0] in full and to != was}
