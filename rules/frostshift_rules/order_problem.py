"""Which joints may go to which shift and crew, what each place costs there, and what has to hold: values, checked.

An order of work gives each joint a place, one shift and one crew, or none. The caller works out what a joint costs in
each shift by the forecast; a place under a stop, or without a forecast, is no choice: it is left out with its reason.
Missing heat is never a cost of zero.

What has no place stays where the plan has it, and takes its minutes there. No shift is filled by places beyond its
minutes; what has places and what stays fill none further than its minutes, or than the plan does now; and what is done
before a joint that stays, and has to be, is not moved past it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Literal

Place = tuple[int, int]
"""Index of a shift and index of a crew."""
FaultName = Literal[
    "times",
    "figure",
    "index",
    "duplicate_mark",
    "duplicate_name",
    "duplicate_place",
    "unknown_predecessor",
    "cycle",
    "pinned_without_place",
]


@dataclass(frozen=True, slots=True)
class OrderShift:
    """One shift of one day.

    Attributes:
        key: `YYYY-MM-DD name`.
        start_utc, end_utc: aware UTC.
        torch_minutes: minutes of torches burning that there can be in it [min]; None: not limited.
        hand_minutes: minutes of people who can hold one [min]; None: not limited.
    """

    key: str
    start_utc: datetime
    end_utc: datetime
    torch_minutes: float | None = None
    hand_minutes: float | None = None


@dataclass(frozen=True, slots=True)
class OrderCrew:
    """A crew and its minutes in each shift of the problem [min]; 0: not there."""

    name: str
    minutes: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Minutes:
    """What a joint takes of a shift, on the cold side: of its crew, torches burning, people holding them [min]."""

    crew: float = 0.0
    torch: float = 0.0
    hands: float = 0.0


@dataclass(frozen=True, slots=True)
class Choice:
    """A place that a joint may go to, and what it costs there.

    Attributes:
        shift, crew: indexes into the problem's shifts and crews.
        crew_minutes: of the crew: setting up, waiting for the heat, welding [min]. What fills up a shift.
        torch_minutes, hand_minutes: torches burning, people holding them, on the cold side [min]. They fill it up too.
        priced_minutes: of people holding torches, as they are priced [min].
        fuel_kg, oxygen_m3, energy_kwh: as they are priced; `energy_kwh`: current.
    """

    shift: int
    crew: int
    crew_minutes: float
    torch_minutes: float
    hand_minutes: float
    priced_minutes: float
    fuel_kg: float
    oxygen_m3: float
    energy_kwh: float

    @property
    def place(self) -> Place:
        """Shift and crew."""
        return self.shift, self.crew


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A place that a joint may not go to, and why, in words: a stop, no forecast, not this crew's work."""

    shift: int
    crew: int
    reason: str


@dataclass(frozen=True, slots=True)
class OrderJoint:
    """One joint that is to be given a place.

    Attributes:
        mark: unique in the problem.
        choices: places it may go to.
        left_out: places it may not go to, with the reason.
        after: marks whose shift has to be over when this joint's begins. A joint that is done already is not named.
        in_turn: those of `after` that the plan has done before it by the clock, though their shift is not over: while
            both stay in their shifts, where nobody changes their starts, that is kept too.
        earliest: index of the first shift it may be in.
        latest: index of the shift it is due in; below 0: due before the first; None: not due.
        latest_is_hard: it may not be later than that; else each shift later has its price.
        pinned: it stays where the plan has it, or has no place at all.
        now: where the plan has it; None: nowhere.
        there: what it takes of that shift where `now` is none of its choices.
    """

    mark: str
    choices: tuple[Choice, ...]
    left_out: tuple[LeftOut, ...] = ()
    after: tuple[str, ...] = ()
    earliest: int = 0
    latest: int | None = None
    latest_is_hard: bool = False
    pinned: bool = False
    now: Place | None = None
    there: Minutes = Minutes()
    in_turn: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Weights:
    """What counts how much, all in minutes of one pair of hands. Every default is our choice, no source.

    Attributes:
        fuel_kg: a kilogram of fuel.
        oxygen_m3: a cubic metre of torch oxygen.
        energy_kwh: a kilowatt-hour of current.
        hand_minute: a minute of somebody at the torch.
        shift_late: each shift that a joint is later than due.
        move: a joint goes to another shift than the plan has.
        crew_change: a joint goes to another crew than the plan has.
        not_placed: a joint has no place. Where it is due it also counts as late to the end of the last shift, so that
            late is better than not at all.
        pin_lost: further, where it was pinned: it goes before the places of other joints.
    """

    fuel_kg: float = 3.0
    oxygen_m3: float = 3.0
    hand_minute: float = 1.0
    shift_late: float = 240.0
    move: float = 30.0
    crew_change: float = 10.0
    not_placed: float = 5_000.0
    pin_lost: float = 20_000.0
    energy_kwh: float = 0.2


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a problem.

    Attributes:
        name: of the kind of fault.
        marks: joints it is about; of a cycle, each is to come after the next, and the last after the first.
        text: a sentence for people: where, which value, what is asked for.
    """

    name: FaultName
    marks: tuple[str, ...]
    text: str


class OrderError(ValueError):
    """A problem that cannot be asked. `faults` has everything wrong with it; the message is for people."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__(" ".join(fault.text for fault in faults))


@dataclass(frozen=True, slots=True)
class OrderProblem:
    """All that an order of work is made from.

    `shifts` are in order of their start; they may overlap, then neither is over when the other begins.

    Raises:
        OrderError: with all that is wrong.
    """

    shifts: tuple[OrderShift, ...]
    crews: tuple[OrderCrew, ...]
    joints: tuple[OrderJoint, ...]
    weights: Weights = Weights()

    def __post_init__(self) -> None:
        faults = [*_of_shifts(self.shifts), *_of_crews(self), *_of_weights(self.weights), *_of_joints(self)]
        if not faults:
            faults = list(_cycles(self.joints))
        if faults:
            raise OrderError(faults)


def _figure(value: float, what: str, marks: tuple[str, ...] = ()) -> Iterator[Fault]:
    if not (math.isfinite(value) and value >= 0.0):
        yield Fault("figure", marks, f"{what} is {value}; it has to be a number, 0 or more.")


def _of_shifts(shifts: Sequence[OrderShift]) -> Iterator[Fault]:
    before: OrderShift | None = None
    for shift in shifts:
        for name in ("start_utc", "end_utc"):
            at: datetime = getattr(shift, name)
            if at.utcoffset() != timedelta(0):
                yield Fault("times", (), f"Shift {shift.key}: {name} is {at}; it has to be a time with its zone, UTC.")
                return
        if shift.end_utc <= shift.start_utc:
            yield Fault("times", (), f"Shift {shift.key} ends at {shift.end_utc}, not after its start.")
        if before and shift.start_utc < before.start_utc:
            yield Fault("times", (), f"Shift {shift.key} stands after {before.key}, but starts before it.")
        before = shift
        for name in ("torch_minutes", "hand_minutes"):
            limit: float | None = getattr(shift, name)
            if limit is not None:
                yield from _figure(limit, f"Shift {shift.key}: {name}")
    yield from _repeated([shift.key for shift in shifts], "shift")


def _of_crews(problem: OrderProblem) -> Iterator[Fault]:
    for crew in problem.crews:
        if len(crew.minutes) != len(problem.shifts):
            text = f"Crew {crew.name} has minutes for {len(crew.minutes)} shifts; there are {len(problem.shifts)}."
            yield Fault("index", (), text)
        for n, minutes in enumerate(crew.minutes):
            yield from _figure(minutes, f"Crew {crew.name}, shift {n + 1} of {len(crew.minutes)}: minutes")
    yield from _repeated([crew.name for crew in problem.crews], "crew")


def _of_weights(weights: Weights) -> Iterator[Fault]:
    for one in fields(weights):
        yield from _figure(getattr(weights, one.name), f"Weight {one.name}")


def _repeated(names: Iterable[str], what: str) -> Iterator[Fault]:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            yield Fault("duplicate_name", (), f"There are two of {what} {name}.")
        seen.add(name)


def _of_joints(problem: OrderProblem) -> Iterator[Fault]:
    marks: set[str] = set()
    for joint in problem.joints:
        if joint.mark in marks:
            yield Fault("duplicate_mark", (joint.mark,), f"There are two joints {joint.mark}.")
        marks.add(joint.mark)
    for joint in problem.joints:
        for mark in joint.after:
            if mark not in marks:
                text = f"{joint.mark} is to come after {mark}, which is no joint of this order."
                yield Fault("unknown_predecessor", (joint.mark, mark), text)
        if joint.pinned and joint.now is None:
            text = f"{joint.mark} is pinned, but the plan has no place for it."
            yield Fault("pinned_without_place", (joint.mark,), text)
        if joint.earliest < 0:
            text = f"{joint.mark}: earliest is {joint.earliest}; the first shift is 0."
            yield Fault("index", (joint.mark,), text)
        for one in fields(joint.there):
            yield from _figure(getattr(joint.there, one.name), f"{joint.mark}, there: {one.name}", (joint.mark,))
        yield from _of_places(problem, joint)


def _of_places(problem: OrderProblem, joint: OrderJoint) -> Iterator[Fault]:
    stated: set[Place] = set()
    places = [one.place for one in joint.choices] + [(one.shift, one.crew) for one in joint.left_out]
    for shift, crew in [*places, *([joint.now] if joint.now else [])]:
        if not (0 <= shift < len(problem.shifts) and 0 <= crew < len(problem.crews)):
            text = (
                f"{joint.mark}: there is no shift {shift} with crew {crew}; there are {len(problem.shifts)} shifts and "
                f"{len(problem.crews)} crews, counted from 0."
            )
            yield Fault("index", (joint.mark,), text)
    for place in places:
        if place in stated:
            text = f"{joint.mark} names shift {place[0]} with crew {place[1]} twice."
            yield Fault("duplicate_place", (joint.mark,), text)
        stated.add(place)
    for choice in joint.choices:
        where = f"{joint.mark}, shift {choice.shift}, crew {choice.crew}"
        for one in fields(choice)[2:]:
            yield from _figure(getattr(choice, one.name), f"{where}: {one.name}", (joint.mark,))


def _cycles(joints: Sequence[OrderJoint]) -> Iterator[Fault]:
    """The first circle of joints that wait for each other, where there is one."""
    after = {joint.mark: joint.after for joint in joints}
    over: set[str] = set()
    for first in after:
        way: list[str] = []
        on_way: dict[str, int] = {}
        stack: list[tuple[str, Iterator[str]]] = []
        if first not in over:
            stack.append((first, iter(after[first])))
            on_way[first] = 0
            way.append(first)
        while stack:
            mark, rest = stack[-1]
            before = next(rest, None)
            if before is None:
                stack.pop()
                way.pop()
                del on_way[mark]
                over.add(mark)
            elif before in on_way:
                circle = tuple(way[on_way[before] :])
                said = " after ".join((*circle, circle[0]))
                yield Fault("cycle", circle, f"These joints wait for each other: {said}.")
                return
            elif before not in over:
                on_way[before] = len(way)
                way.append(before)
                stack.append((before, iter(after[before])))
