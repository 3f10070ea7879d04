"""From a site's plan to an order of work: which joints may move, to which shifts and crews, and what they take there.

What a joint takes in a shift is what `start_hours` says of its starts there, so what `make_plan` would say. A shift
counts with the dearest of its starts that can be named: whichever of them the joint is given, it takes no more. Torches
and hands of a shift are filled by the cold side. Only joints whose present start is known to the last figure may move,
or is one that the weather stops; the rest stay where the plan has them, take their share of crew, torches and hands,
and are waited for.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from frostshift_rules.code_table import CodeTable
from frostshift_rules.delivered import Heaters, heaters_of
from frostshift_rules.job import Joint, Reading, Site
from frostshift_rules.order_choices import cost_of
from frostshift_rules.order_problem import (
    Choice,
    LeftOut,
    Minutes,
    OrderCrew,
    OrderJoint,
    OrderProblem,
    OrderShift,
    Place,
    Weights,
)
from frostshift_rules.order_uses import Use
from frostshift_rules.plan import is_open
from frostshift_rules.shifts import ShiftSpan, holding
from frostshift_rules.start_hours import Against, JointStarts, StartHour, against, next_shifts, start_hours
from frostshift_rules.work_setup import Crew
from frostshift_rules.workload import Range, Weather

SHIFTS: Final = 14
"""Shifts that an order of work looks at: a week of days and nights."""
MOST_SHIFTS: Final = 21
STARTS_IN_SHIFT: Final = 6
"""Starts that are looked at in each shift, evenly from its first full hour to the last at which the weld ends in it."""

_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)
_NAMED: Final = 10
"""Marks that a note names."""
_AT_ONCE: Final = 200
"""Joints that are worked out between two looks whether to go on."""


class CancelledError(Exception):
    """Somebody wants it to end."""


@dataclass(frozen=True, slots=True)
class Staying:
    """A joint that an order of work leaves where it is, and why; one sentence."""

    mark: str
    reason: str


@dataclass(frozen=True, slots=True)
class Task:
    """What an order of work is worked out from.

    Attributes:
        problem: as the solver takes it.
        spans: its shifts.
        planned: of each joint that may move, its present start.
        starts: by mark and shift, the starts that may be told there, the cheapest first.
        kept: what joints that stay use, wherever they lie.
        at_once: joints that each crew welds at once.
        heated: of each joint that may move, torches and heaters on it at once.
        staying: joints that are left where they are.
        notes: sentences for people: what is waited for in vain, what is not counted.
    """

    problem: OrderProblem
    spans: tuple[ShiftSpan, ...]
    planned: Mapping[str, StartHour]
    starts: Mapping[tuple[str, int], tuple[StartHour, ...]]
    kept: tuple[Use, ...]
    at_once: tuple[int, ...]
    heated: Mapping[str, tuple[Heaters, ...]]
    staying: tuple[Staying, ...]
    notes: tuple[str, ...]

    def uses(self, mark: str, place: Place, at: StartHour, more: int = 0) -> tuple[Use, ...]:
        """What a joint that may move uses at a start in a place; its crew welds so many `more` at once there."""
        shift, crew = place
        most, name = self.at_once[crew] + more, self.problem.crews[crew].name
        welding = Use(mark, "crew", name, at.start_utc, at.end_utc, 1, most)
        return welding, *_heating(mark, at, self.heated[mark], self.spans[shift].shift.hands)


def _heating(mark: str, at: StartHour, heated: Iterable[Heaters], hands: int) -> Iterator[Use]:
    """What a joint uses from light-up on: torches until all lengths are warm, heaters until it is welded."""
    if at.light_up_utc is None or at.torches_end_utc is None:
        return
    flames = 0
    for one in heated:
        ends_utc = max(at.torches_end_utc, at.end_utc) if one.source.electric else at.torches_end_utc
        yield Use(mark, "source", one.source.id, at.light_up_utc, ends_utc, one.count, one.source.count)
        flames += 0 if one.source.electric else one.count
    if flames:
        yield Use(mark, "hands", "", at.light_up_utc, at.torches_end_utc, flames, hands)


def order_task(
    site: Site,
    table: CodeTable,
    joints: Sequence[Joint],
    weather: Weather,
    readings: Sequence[Reading],
    now_utc: datetime,
    shifts: int = SHIFTS,
    cancelled: Callable[[], bool] | None = None,
) -> Task:
    """The task of a site at `now_utc`; the first five arguments as for `make_plan`.

    Args:
        site: with its crews and weights.
        table: of the site.
        joints: all joints of the site.
        weather: the forecast.
        readings: of cold steel.
        now_utc: the moment of the plan.
        shifts: so many that have not begun are looked at, 1 to `MOST_SHIFTS`.
        cancelled: asked every second or so, as it takes minutes with thousands of joints.

    Raises:
        OrderError: joints that wait for each other in a circle; names them.
        CancelledError: `cancelled` said so.
    """
    ahead = next_shifts(site, now_utc, shifts + len(site.shifts))
    # On the night the clocks go forward a short shift may have no length at all.
    begin = [one for one in ahead if now_utc <= one.start_utc < one.end_utc]
    found = sorted(begin, key=lambda span: span.start_utc)[:shifts]
    opened, zone = [joint for joint in joints if is_open(joint)], ZoneInfo(site.zone)
    asked = {joint.mark for joint in opened if joint.state == "planned" and site.work.crew(joint.crew) is not None}
    starts = sorted(
        {at for joint in opened if joint.mark in asked for span in found for at in _starts_in(span, joint, zone)}
    )
    # Also those that begin outside the shifts, as they may be heated within one.
    near = (found[0].start_utc - _DAY, found[-1].end_utc + _DAY) if found else None
    others = {
        joint.mark
        for joint in opened
        if joint.mark not in asked and near is not None and near[0] < joint.start_utc < near[1]
    }
    rows = []
    for marks, at in ((asked, starts), (others, list[datetime]())):
        in_turn = [joint.mark for joint in opened if joint.mark in marks] if found else []
        for first in range(0, len(in_turn), _AT_ONCE):
            if cancelled is not None and cancelled():
                raise CancelledError
            some = frozenset(in_turn[first : first + _AT_ONCE])
            rows += start_hours(site, table, joints, weather, readings, now_utc, at, some)
    return _Making(site, tuple(found), joints, {row.joint.mark: row for row in rows}, now_utc).task()


def _starts_in(span: ShiftSpan, joint: Joint, zone: ZoneInfo) -> list[datetime]:
    """Full hours of the site's clock at which a weld would end in the shift; its begin where only that is left."""
    first = span.start_utc + timedelta(minutes=-span.start_utc.astimezone(zone).minute % 60)
    last = span.end_utc - timedelta(hours=joint.hours)
    hours = (last - first) // _HOUR
    if hours < 0:
        return [span.start_utc] if span.start_utc <= last else []
    steps = min(hours + 1, STARTS_IN_SHIFT)
    return sorted({first + _HOUR * round(hours * n / max(1, steps - 1)) for n in range(steps)})


AGAINST_WORDS: Final[Mapping[Against, str]] = {
    "stop": "the weather stops it",
    "weather_unknown": "the weather is not known",
    "unknown": "its call is not known",
    "no_time": "there is no heating time",
    "outside": "outside every shift",
    "past_shift": "the weld would not end in the shift",
    "light_up": "light-up would lie before anybody is there",
}


@dataclass(frozen=True)
class _Making:
    """The values that the steps below share."""

    site: Site
    spans: tuple[ShiftSpan, ...]
    joints: Sequence[Joint]
    rows: Mapping[str, JointStarts]
    now_utc: datetime

    def task(self) -> Task:
        by_name = {joint.mark.casefold(): joint for joint in self.joints}
        self._no_circle(by_name)
        crews = self.site.work.crews
        staying = {joint.mark: why for joint in self.joints if is_open(joint) and (why := self._stays(joint))}
        moving = [joint for joint in self.joints if is_open(joint) and joint.mark not in staying]
        movable = {joint.mark for joint in moving}
        waits = {joint.mark: list(self._waits(joint, by_name)) for joint in moving}
        notes = [
            f"{joint.mark} waits for {mark}, which is not in the schedule: nobody waits for it."
            for joint in moving
            for mark in joint.after
            if mark.casefold() not in by_name
        ]
        followed: dict[str, list[Joint]] = {}
        for joint in self.joints:
            if joint.mark in staying:
                for before in self._waits(joint, by_name):
                    followed.setdefault(before.mark, []).append(joint)
        starts: dict[tuple[str, int], tuple[StartHour, ...]] = {}
        made = []
        for joint in moving:
            held = [one for one in waits[joint.mark] if one.mark not in movable]
            after = tuple(one.mark for one in waits[joint.mark] if one.mark in movable)
            fixed = [self._in_the_way(joint, span, held, followed.get(joint.mark, ())) for span in self.spans]
            in_turn = tuple(one.mark for one in waits[joint.mark] if one.mark in movable and self._in_turn(one, joint))
            made.append(self._joint(joint, after, in_turn, fixed, starts))
        kept = [joint for joint in self.joints if joint.mark in staying]
        notes += [note for span in self.spans if (note := self._not_counted(span, kept))]
        problem = OrderProblem(
            shifts=tuple(self._shift(span, kept) for span in self.spans),
            crews=tuple(self._crew(crew, kept) for crew in crews),
            joints=tuple(made),
            weights=self.site.work.weights,
        )
        problem = replace(problem, weights=_above_all(problem))
        planned = {joint.mark: self.rows[joint.mark].planned for joint in moving}
        return Task(
            problem=problem,
            spans=self.spans,
            planned=planned,
            starts=starts,
            kept=tuple(self._kept(kept)),
            at_once=tuple(crew.at_once for crew in crews),
            heated={joint.mark: self._heated(joint) for joint in moving},
            staying=tuple(Staying(mark, why) for mark, why in staying.items()),
            notes=tuple(dict.fromkeys(notes)),
        )

    def _flames(self) -> int:
        return sum(source.count for source in self.site.heat_sources if not source.electric)

    def _heated(self, joint: Joint) -> tuple[Heaters, ...]:
        """Torches and heaters on a joint at once; none where one of them is not known: it then has no time either."""
        return heaters_of(joint, self.site.heat_source) or ()

    def _kept(self, joints: Iterable[Joint]) -> Iterator[Use]:
        """What joints that stay use: their crew wherever they lie, torches and hands in the shifts and near."""
        for joint in joints:
            crew = self.site.work.crew(joint.crew)
            if crew is not None:
                ends_utc = joint.start_utc + timedelta(hours=joint.hours)
                yield Use(joint.mark, "crew", crew.name, joint.start_utc, ends_utc, 1, crew.at_once)
            row, span = self.rows.get(joint.mark), holding(self.spans, joint.start_utc)
            if row is not None:
                hands = 0 if span is None else span.shift.hands
                yield from _heating(joint.mark, row.planned, self._heated(joint), hands)

    def _not_counted(self, span: ShiftSpan, kept: Iterable[Joint]) -> str:
        """Names joints that stay in a shift and may need heat there, nobody knows how much; empty: there is none."""
        marks = [
            joint.mark
            for joint in kept
            if span.start_utc <= joint.start_utc < span.end_utc
            and (joint.mark not in self.rows or self.rows[joint.mark].planned.torch_minutes is None)
        ]
        if not marks:
            return ""
        named = ", ".join(marks[:_NAMED]) + (f" and {len(marks) - _NAMED} more" if len(marks) > _NAMED else "")
        return f"{span.key}: torches and hands are counted without {named}, as nobody knows how long they heat."

    def _crew_of(self, joint: Joint) -> int | None:
        crew = self.site.work.crew(joint.crew)
        return None if crew is None else self.site.work.crews.index(crew)

    def _no_circle(self, by_name: Mapping[str, Joint]) -> None:
        """Raise for joints that wait for each other in a circle, those that stay among them."""
        waiting = [joint for joint in self.joints if joint.state != "done"]
        OrderProblem(
            (),
            (),
            tuple(
                OrderJoint(joint.mark, (), after=tuple(one.mark for one in self._waits(joint, by_name)))
                for joint in waiting
            ),
        )

    def _stays(self, joint: Joint) -> str:
        """Why a joint is left where it is; empty: it may move."""
        if joint.state != "planned":
            return "work on it has begun"
        if not joint.crew:
            return "no crew is stated"
        if self.site.work.crew(joint.crew) is None:
            return f"crew {joint.crew} is not set up"
        row, shift = self.rows.get(joint.mark), self._shift_of(joint.start_utc)
        if row is None or shift is None:
            return "it is planned outside the shifts that are looked at"
        if row.planned.call == "unknown":
            return f"its call is not known where it is planned: {row.planned.reason}".rstrip()
        if row.planned.ends_in_shift is False:
            return "it runs over the end of its shift"
        if amounts(row.planned) is None and row.planned.weather_state != "stop":
            return "there is no heating time where it is planned, so nobody can say what a move saves"
        return ""

    def _shift_of(self, at_utc: datetime) -> int | None:
        span = holding(self.spans, at_utc)
        return None if span is None else self.spans.index(span)

    def _waits(self, joint: Joint, by_name: Mapping[str, Joint]) -> Iterator[Joint]:
        """The joints it has to wait for that are not done."""
        for mark in joint.after:
            other = by_name.get(mark.casefold())
            if other is not None and other.state != "done":
                yield other

    def _in_turn(self, first: Joint, then: Joint) -> bool:
        """Whether one is planned to be done before the other begins, by the clock."""
        return first.start_utc + timedelta(hours=first.hours) <= then.start_utc

    def _in_the_way(self, joint: Joint, span: ShiftSpan, before: Iterable[Joint], after: Iterable[Joint]) -> str:
        """Why a shift cannot be, by joints that stay and come before or after; empty where it can.

        In its own shift, where its start stays, it is enough that the clock has them in turn.
        """
        own = holding(self.spans, joint.start_utc) == span
        for other in before:
            if other.state == "postponed":
                return f"{other.mark} has to be done before and is postponed"
            if span.start_utc < self._over_utc(other) and not (own and self._in_turn(other, joint)):
                return f"{other.mark} has to be done before and stays where it is"
        for other in after:
            begins = holding(self.spans, other.start_utc)
            if own and self._in_turn(joint, other):
                continue
            if span.end_utc > (other.start_utc if begins is None else begins.start_utc):
                return f"{other.mark} comes after it and stays where it is"
        return ""

    def _over_utc(self, joint: Joint) -> datetime:
        """When the shift of a joint that stays is over."""
        span = holding(self.spans, joint.start_utc)
        ends_utc = joint.start_utc + timedelta(hours=joint.hours)
        return ends_utc if span is None else max(ends_utc, span.end_utc)

    def _joint(
        self,
        joint: Joint,
        after: tuple[str, ...],
        in_turn: tuple[str, ...],
        fixed: Sequence[str],
        starts: dict[tuple[str, int], tuple[StartHour, ...]],
    ) -> OrderJoint:
        row, crews = self.rows[joint.mark], self.site.work.crews
        now_shift, own = self._shift_of(joint.start_utc), self._crew_of(joint)
        assert now_shift is not None
        assert own is not None
        now: Place = now_shift, own
        choices: list[Choice] = []
        left_out: list[LeftOut] = []
        told = []
        for shift, span in enumerate(self.spans):
            there, why = self._in_shift(joint, row, shift, shift == now_shift)
            told.append(there)
            why = fixed[shift] or why
            if not why:
                starts[joint.mark, shift] = there
            for number, crew in enumerate(crews):
                not_theirs = why or self._not_theirs(crew, span, joint, number == own)
                if not_theirs:
                    left_out.append(LeftOut(shift, number, not_theirs))
                else:
                    choices.append(_choice(joint, shift, number, row.planned, there))
        return OrderJoint(
            mark=joint.mark,
            choices=tuple(choices),
            left_out=tuple(left_out),
            after=after,
            latest=self._due(joint, told),
            pinned=joint.pinned,
            now=now,
            in_turn=in_turn,
            there=_there(joint, row.planned),
        )

    def _in_shift(
        self, joint: Joint, row: JointStarts, shift: int, at_present: bool
    ) -> tuple[tuple[StartHour, ...], str]:
        """The starts in a shift that may be told, the cheapest first; else why there is none."""
        span, planned = self.spans[shift], row.planned
        if at_present:
            # Within its shift nobody moves it; what else speaks against its start the plan says.
            stopped = planned.weather_state == "stop"
            return ((), "the weather stops it where it is planned") if stopped else ((planned,), "")
        first = bisect_left(row.hours, span.start_utc, key=lambda at: at.start_utc)
        inside = [at for at in row.hours[first:] if at.start_utc < span.end_utc]
        # Of shifts that overlap a start belongs to one: the plan counts it there.
        inside = [at for at in inside if at.end_utc <= span.end_utc and at.shift_key == span.key]
        if not inside:
            return (), "it takes longer than the shift"
        if joint.not_before_utc is not None:
            inside = [at for at in inside if at.start_utc >= joint.not_before_utc]
            if not inside:
                return (), "it may not start so early"
        whys = {at.start_utc: against(at, planned, self.now_utc) for at in inside}
        told = [at for at in inside if whys[at.start_utc] is None]
        if told and planned.weather_state in ("go", "dry_first"):
            told = [at for at in told if at.weather_state != "shelter_needed"]
            if not told:
                return (), "it would need a shelter there"
        if not told:
            worst = next(why for why in whys.values() if why is not None)
            return (), AGAINST_WORDS[worst]
        if joint.finish_by_utc is not None:
            in_time = [at for at in told if at.end_utc <= joint.finish_by_utc]
            told = in_time or told
        return tuple(sorted(told, key=lambda at: (_dear(at), at.start_utc))), ""

    def _due(self, joint: Joint, told: Sequence[Sequence[StartHour]]) -> int | None:
        """The last shift in which it can be finished in time, whatever the weather; -1: none; None: in all of them."""
        by_utc, welding = joint.finish_by_utc, timedelta(hours=joint.hours)
        if by_utc is None or by_utc >= self.spans[-1].end_utc:
            return None
        in_time = [
            n
            for n, (span, at) in enumerate(zip(self.spans, told, strict=True))
            if (any(one.end_utc <= by_utc for one in at) if at else span.start_utc + welding <= by_utc)
        ]
        return max(in_time, default=-1)

    def _not_theirs(self, crew: Crew, span: ShiftSpan, joint: Joint, own: bool) -> str:
        """Why a crew may not weld a joint in a shift; empty where it may."""
        if crew.shifts and span.shift.name not in crew.shifts:
            return f"{crew.name} does not work in that shift"
        if own:
            return ""
        if crew.processes and joint.process not in crew.processes:
            return f"{crew.name} does not weld {joint.process or 'a joint whose process is not stated'}"
        if crew.procedures and joint.procedure not in crew.procedures:
            return f"{crew.name} is not qualified for {joint.procedure or 'a joint without a procedure'}"
        return ""

    def _shift(self, span: ShiftSpan, kept: Iterable[Joint]) -> OrderShift:
        """A shift with the minutes of torches and hands that joints which stay leave in it."""
        minutes = _minutes(span)
        torches = self._flames()
        taken = 0.0
        for joint in kept:
            row = self.rows.get(joint.mark)
            if span.start_utc <= joint.start_utc < span.end_utc and row is not None and row.planned.torch_minutes:
                taken += row.planned.torch_minutes.high
        return OrderShift(
            key=span.key,
            start_utc=span.start_utc,
            end_utc=span.end_utc,
            torch_minutes=max(0.0, torches * minutes - taken),
            hand_minutes=max(0.0, span.shift.hands * minutes - taken),
        )

    def _crew(self, crew: Crew, kept: Iterable[Joint]) -> OrderCrew:
        own = [joint for joint in kept if self.site.work.crew(joint.crew) is crew]
        minutes = []
        for span in self.spans:
            works = not crew.shifts or span.shift.name in crew.shifts
            taken = sum(_overlap_minutes(span, joint) for joint in own)
            minutes.append(max(0.0, crew.at_once * _minutes(span) - taken) if works else 0.0)
        return OrderCrew(crew.name, tuple(minutes))


def _above_all(problem: OrderProblem) -> Weights:
    """The weights, with that of a joint without a place above what any place costs."""
    weights = problem.weights
    dearest = max((cost_of(problem, joint, one) for joint in problem.joints for one in joint.choices), default=0.0)
    if 2.0 * dearest <= weights.not_placed:
        return weights
    return replace(weights, not_placed=2.0 * dearest, pin_lost=max(weights.pin_lost, 8.0 * dearest))


def _overlap_minutes(span: ShiftSpan, joint: Joint) -> float:
    """Minutes of a weld within a shift."""
    begins = max(span.start_utc, joint.start_utc)
    ends = min(span.end_utc, joint.start_utc + timedelta(hours=joint.hours))
    return max(0.0, (ends - begins).total_seconds() / 60.0)


def _minutes(span: ShiftSpan) -> float:
    return (span.end_utc - span.start_utc).total_seconds() / 60.0


@dataclass(frozen=True, slots=True)
class Amounts:
    """What a joint takes at a start: fuel [kg], oxygen [m3], current [kWh], torches burning [min]."""

    fuel_kg: Range
    oxygen_m3: Range
    energy_kwh: Range
    torch_minutes: Range


def amounts(at: StartHour) -> Amounts | None:
    """What a joint takes at a start; None where any of it is not known, as it can be where the weather stops it."""
    if at.fuel_kg is None or at.oxygen_m3 is None or at.energy_kwh is None or at.torch_minutes is None:
        return None
    return Amounts(at.fuel_kg, at.oxygen_m3, at.energy_kwh, at.torch_minutes)


def amounts_told(at: StartHour) -> Amounts:
    """What a joint takes at a start that it may be told to go to.

    Raises:
        ValueError: some of it is not known; such a start is never told.
    """
    known = amounts(at)
    if known is None:
        raise ValueError(f"what the joint takes at {at.start_utc.isoformat()} is not known")
    return known


def _there(joint: Joint, present: StartHour) -> Minutes:
    """What a joint takes of its shift where it is planned.

    Of torches nothing where the weather stops it and its heat is not known: it is not welded there.
    """
    known = amounts(present)
    torch = 0.0 if known is None else known.torch_minutes.high
    return Minutes(joint.hours * 60.0, torch, torch)


def _dear(at: StartHour) -> tuple[bool, float, float, float]:
    one = amounts_told(at)
    return at.weather_state == "shelter_needed", one.torch_minutes.likely, one.fuel_kg.likely, one.energy_kwh.likely


def _choice(joint: Joint, shift: int, crew: int, present: StartHour, starts: Sequence[StartHour]) -> Choice:
    """A place at the dearest of its starts.

    A saving is counted by the likely figure or on the cold side, whichever is less: one that a cold night takes away
    again is none. Where nobody knows what it takes at present, nothing is saved.
    """
    now, there = amounts(present), [amounts_told(at) for at in starts]

    def priced(pick: Callable[[Amounts], Range]) -> float:
        ones = list(map(pick, there))
        if now is None:
            return max(one.likely for one in ones)
        was = pick(now)
        return max(max(one.likely, was.likely + one.high - was.high) for one in ones)

    minutes = max(one.torch_minutes.high for one in there)
    return Choice(
        shift=shift,
        crew=crew,
        crew_minutes=joint.hours * 60.0,
        torch_minutes=minutes,
        hand_minutes=minutes,
        priced_minutes=priced(lambda one: one.torch_minutes),
        fuel_kg=priced(lambda one: one.fuel_kg),
        oxygen_m3=priced(lambda one: one.oxygen_m3),
        energy_kwh=priced(lambda one: one.energy_kwh),
    )
