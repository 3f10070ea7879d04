"""What the plan would say of a joint, had it another start: hour by hour, the hours without heat, the cheapest start.

Every figure is that of `plan.make_plan` for that start: the same steel and air, which hang on no start, and the same
steps from there on. Nothing here decides; the superintendent does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from frostshift_rules.code_table import CodeTable
from frostshift_rules.job import Joint, Reading, Site
from frostshift_rules.outlook import Outlook
from frostshift_rules.plan import HORIZON, AtStart, field_of, is_open, plans_at
from frostshift_rules.shifts import ShiftSpan, holding, spans
from frostshift_rules.stops import STATES, Reason, WeatherState
from frostshift_rules.totals import NONE, counted, torch_minutes, torches_end_utc
from frostshift_rules.workload import HeatCall, HeatPlan, HeatStatus, Range, Span, Weather, added

HOURS: Final = HORIZON // timedelta(hours=1)
"""Starts that are looked at, one an hour: as far ahead as shifts are totalled."""

MOST_SHIFTS_AHEAD: Final = 21
"""Shifts that a start is looked for in: three a day over the horizon."""

_HOUR: Final = timedelta(hours=1)
_DAYS_LOOKED: Final = timedelta(days=60)
"""So far ahead the next shifts are looked for, over holidays and standstills. Our choice."""


@dataclass(frozen=True, slots=True)
class StartHour:
    """What the plan says of a joint that starts then. Whatever is not known is None, never 0.

    Attributes:
        start_utc, end_utc: of welding, without slip.
        call: as the plan has it, on the cold side.
        at_middle: by the likely steel, doubt left aside.
        reason: why, or what is missing; one sentence or two.
        minimum_c: that applies [°C].
        steel: at the worst hour of the window [°C].
        status: of its heat plan; None where there is none.
        minutes: of heating before the first arc, drying included, as the plan shows it [min].
        torch_minutes: over all lengths, of all torches; this and what follows as the totals of a shift count it: where
            it is to be measured first, the low end is 0, and the likely figure where the likely steel passes.
        fuel_kg, oxygen_m3, energy_kwh: for heating and keeping warm, of all sources; all 0 without heat.
        weather_state: worst of the working hours.
        weather_reason: the first rule behind that state; None for `go` and where the forecast has no such hour.
        light_up_utc: of the first torch or heater.
        torches_end_utc: torches are no longer in use there, further lengths behind the first arc included; heaters stay
            until the weld ends. None where nothing is lit.
        earliest_arc_utc: where light-up lies before anybody is there: the first arc if heating begins with the shift.
        shift_key: of the shift that holds the start; None: outside every shift.
        ends_in_shift: the weld ends within that shift; None outside every shift.
        hint: the heat rests on a figure that the site has not accepted; the call is then `unknown`.
    """

    start_utc: datetime
    end_utc: datetime
    call: HeatCall
    at_middle: HeatCall
    reason: str
    minimum_c: float | None
    steel: Span | None
    status: HeatStatus | None
    minutes: Range | None
    torch_minutes: Range | None
    fuel_kg: Range | None
    oxygen_m3: Range | None
    energy_kwh: Range | None
    weather_state: WeatherState
    weather_reason: Reason | None
    light_up_utc: datetime | None
    torches_end_utc: datetime | None
    earliest_arc_utc: datetime | None
    shift_key: str | None
    ends_in_shift: bool | None
    hint: bool


@dataclass(frozen=True, slots=True)
class Waiting:
    """What the joints that a joint waits for, and those that wait for it, leave it, as all of them are planned.

    Attributes:
        ready_utc: the shifts of those it waits for are over; None: it waits for none.
        for_postponed: one of them is postponed, so that nobody knows.
        needed_utc: the shift of the first joint that waits for it begins; None: none does.
    """

    ready_utc: datetime | None = None
    for_postponed: bool = False
    needed_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class JointStarts:
    """One joint at many starts.

    Attributes:
        joint: as it is planned.
        planned: at its planned start.
        hours: at each start asked for, in time; empty where `no_starts` says why.
        no_starts: why no other start is looked at; empty where some are.
        waiting: what other joints leave it.
    """

    joint: Joint
    planned: StartHour
    hours: tuple[StartHour, ...]
    no_starts: str = ""
    waiting: Waiting = Waiting()


BEGUN: Final = "Work on it has begun: no other start is looked at."


def whole_hours(site: Site, now_utc: datetime, count: int = HOURS) -> tuple[datetime, ...]:
    """The next full hours of the site's clock from `now_utc` on, in UTC, one hour apart."""
    local = now_utc.astimezone(ZoneInfo(site.zone))
    past = timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)
    first = now_utc if not past else now_utc - past + _HOUR
    return tuple(first + number * _HOUR for number in range(count))


def next_shifts(site: Site, now_utc: datetime, count: int) -> list[ShiftSpan]:
    """The next shifts that are not over, that which is on now among them."""
    ahead = spans(site.shifts, site.zone, now_utc, now_utc + _DAYS_LOOKED)
    return sorted(ahead, key=lambda span: (span.end_utc, span.start_utc))[:count]


def start_hours(
    site: Site,
    table: CodeTable,
    joints: Sequence[Joint],
    weather: Weather,
    readings: Sequence[Reading],
    now_utc: datetime,
    starts: Sequence[datetime],
    marks: Collection[str],
) -> list[JointStarts]:
    """What the plan would say of some joints at other starts.

    Joints that are alike but for mark, place, crew and start are worked out once.

    Args:
        site: as for `make_plan`.
        table: as for `make_plan`.
        joints: all joints of the site.
        weather: as for `make_plan`.
        readings: as for `make_plan`.
        now_utc: the moment of the plan.
        starts: aware UTC, rising.
        marks: of the joints that are asked about; those that are done or postponed are left out.

    Returns:
        One for each joint that is planned, in the order of `joints`.
    """
    opened, field = _opened(site, joints, weather, readings, marks)
    kinds: dict[object, list[int]] = {}
    for number, joint in enumerate(opened):
        if joint.mark in marks:
            steel = () if field is None else tuple(field.part_class[field.parts_of(number)].tolist())
            kinds.setdefault((_without_place(joint, now_utc), steel), []).append(number)
    asked: dict[tuple[int, datetime], None] = {}
    for alike in kinds.values():
        others = () if _has_begun(opened[alike[0]]) else starts
        asked |= dict.fromkeys((alike[0], at) for at in (*(opened[n].start_utc for n in alike), *others))
    found = _at(site, table, opened, weather, field, now_utc, list(asked))
    said = dict(zip(asked, found, strict=True))
    waiting = _waiting(site, joints, [joint for joint in opened if joint.mark in marks])
    made = {}
    for alike in kinds.values():
        begun = _has_begun(opened[alike[0]])
        hours = () if begun else tuple(said[alike[0], at] for at in starts)
        for number in alike:
            joint = opened[number]
            made[number] = JointStarts(
                joint, said[alike[0], joint.start_utc], hours, BEGUN if begun else "", waiting[joint.mark]
            )
    return [made[number] for number in sorted(made)]


def at_starts(
    site: Site,
    table: CodeTable,
    joints: Sequence[Joint],
    weather: Weather,
    readings: Sequence[Reading],
    now_utc: datetime,
    starts: Mapping[str, datetime],
) -> list[JointStarts]:
    """What the plan would say of some joints, each at one other start of its own.

    Args:
        site: as for `make_plan`.
        table: as for `make_plan`.
        joints: all joints of the site.
        weather: as for `make_plan`.
        readings: as for `make_plan`.
        now_utc: the moment of the plan.
        starts: by mark; joints that are done or postponed are left out.

    Returns:
        One for each joint that is asked about, in the order of `joints`; `hours` has the one start.
    """
    opened, field = _opened(site, joints, weather, readings, starts)
    asked = [
        (number, at)
        for number, joint in enumerate(opened)
        if joint.mark in starts
        for at in (joint.start_utc, starts[joint.mark])
    ]
    said = _at(site, table, opened, weather, field, now_utc, asked)
    return [JointStarts(opened[asked[n][0]], said[n], (said[n + 1],)) for n in range(0, len(said), 2)]


def _opened(
    site: Site, joints: Sequence[Joint], weather: Weather, readings: Sequence[Reading], marks: Collection[str]
) -> tuple[list[Joint], Outlook | None]:
    """The joints that have to be looked at for some marks, and steel and air for them; the sides hold the members."""
    read = {reading.mark for reading in readings}
    # A reading counts for parts like its own, and nothing else of another joint does.
    near = [joint for joint in joints if joint.mark in marks or joint.mark in read]
    return [joint for joint in near if is_open(joint)], field_of(site, near, weather, readings)


def _at(
    site: Site,
    table: CodeTable,
    opened: Sequence[Joint],
    weather: Weather,
    field: Outlook | None,
    now_utc: datetime,
    asked: Sequence[tuple[int, datetime]],
) -> list[StartHour]:
    """What the plan says for each pair of a joint of `opened` and a start."""
    if field is not None:
        field = replace(field, members=None)  # they widen the sides, which is done; their shares are not shown here
    found = plans_at(site, table, opened, weather, field, now_utc, asked)
    flames = {source.id for source in site.heat_sources if not source.electric}
    calendar = _calendar(site, [at for _, at in asked])
    return [_said(one, calendar, flames) for one in found]


def _without_place(joint: Joint, at_utc: datetime) -> Joint:
    """A joint without what no figure hangs on, and without its start."""
    return replace(
        joint,
        mark="",
        place="",
        crew="",
        start_utc=at_utc,
        after=(),
        not_before_utc=None,
        finish_by_utc=None,
        pinned=False,
    )


def _waiting(site: Site, joints: Sequence[Joint], asked: Sequence[Joint]) -> dict[str, Waiting]:
    """What other joints leave each of those asked about, by mark; marks are compared as people type them."""
    by_name = {joint.mark.casefold(): joint for joint in joints}
    followers: dict[str, list[Joint]] = {}
    for joint in joints:
        for mark in joint.after if is_open(joint) else ():
            followers.setdefault(mark.casefold(), []).append(joint)
    starts = [joint.start_utc for joint in joints]
    calendar = _calendar(site, starts)

    def over_utc(joint: Joint) -> datetime:
        shift, end_utc = holding(calendar, joint.start_utc), joint.start_utc + timedelta(hours=joint.hours)
        return end_utc if shift is None else max(end_utc, shift.end_utc)

    def begins_utc(joint: Joint) -> datetime:
        shift = holding(calendar, joint.start_utc)
        return joint.start_utc if shift is None else shift.start_utc

    made = {}
    for joint in asked:
        before = [by_name[mark.casefold()] for mark in joint.after if mark.casefold() in by_name]
        before = [other for other in before if other.state != "done"]
        behind = followers.get(joint.mark.casefold(), [])
        made[joint.mark] = Waiting(
            ready_utc=max(map(over_utc, before), default=None),
            for_postponed=any(other.state == "postponed" for other in before),
            needed_utc=min(map(begins_utc, behind), default=None),
        )
    return made


def _has_begun(joint: Joint) -> bool:
    return joint.state != "planned"


def _calendar(site: Site, starts: Collection[datetime]) -> list[ShiftSpan]:
    return spans(site.shifts, site.zone, min(starts), max(starts)) if starts else []


def _said(at: AtStart, calendar: Sequence[ShiftSpan], flames: Collection[str]) -> StartHour:
    plan, heat = at.plan, at.plan.heat
    joint = plan.joint
    shift = holding(calendar, joint.start_utc)
    end_utc = joint.start_utc + timedelta(hours=joint.hours)
    nothing = plan.call == "no_heat"
    timed = heat is not None and heat.minutes is not None

    def amount(of: Iterable[Range | None]) -> Range | None:
        if nothing:
            return NONE
        return counted(plan, added(one for one in of if one is not None)) if timed else None

    worst = next((spell for spell in plan.weather_spells if spell.state == plan.weather_state), None)
    return StartHour(
        start_utc=joint.start_utc,
        end_utc=end_utc,
        call=plan.call,
        at_middle=at.at_middle,
        reason=" ".join(plan.reasons or plan.unknowns),
        minimum_c=plan.minimum_c,
        steel=plan.steel,
        status=heat.status if heat else None,
        minutes=NONE if nothing else heat.minutes if heat else None,
        torch_minutes=NONE if nothing else torch_minutes(plan, flames) if timed else None,
        fuel_kg=amount(_of(heat, "fuel_kg", "keep_fuel_kg")),
        oxygen_m3=amount(_of(heat, "oxygen_m3", "keep_oxygen_m3")),
        energy_kwh=amount(_of(heat, "energy_kwh", "keep_energy_kwh")),
        weather_state=plan.weather_state,
        weather_reason=worst.reasons[0] if worst and worst.reasons else None,
        light_up_utc=heat.light_up_utc if heat else None,
        torches_end_utc=torches_end_utc(plan),
        earliest_arc_utc=heat.earliest_arc_utc if heat else None,
        shift_key=plan.shift_key,
        ends_in_shift=None if shift is None else end_utc <= shift.end_utc,
        hint=plan.hint,
    )


def _of(heat: HeatPlan | None, *names: str) -> list[Range | None]:
    return [] if heat is None else [getattr(heat, name) for name in names]


# Hours without heat ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NoHeatSpell:
    """Starts in a row, an hour apart, for which no heat is needed and the weather is no stop.

    Attributes:
        first_utc, last_utc: the first and the last of them.
        certain: on the cold side too; else only by the likely steel, and it has to be measured.
        weather_state: the worst of theirs; `unknown` where it is not known for one of them.
    """

    first_utc: datetime
    last_utc: datetime
    certain: bool
    weather_state: WeatherState


def next_without_heat(row: JointStarts) -> tuple[NoHeatSpell, ...]:
    """The spells of starts without heat, in time.

    Where all starts of a spell need no heat, none in between does: its window lies within those of its neighbours.
    """
    found: list[NoHeatSpell] = []
    for at in row.hours:
        certain = _without_heat(at)
        if certain is None:
            continue
        last = found[-1] if found else None
        if last is not None and last.certain == certain and at.start_utc - last.last_utc == _HOUR:
            state = max(last.weather_state, at.weather_state, key=STATES.index)
            found[-1] = replace(last, last_utc=at.start_utc, weather_state=state)
        else:
            found.append(NoHeatSpell(at.start_utc, at.start_utc, certain, at.weather_state))
    return tuple(found)


def _without_heat(at: StartHour) -> bool | None:
    """Whether a start is surely without heat, or by the likely steel alone; None: neither, or the weather is a stop."""
    if at.weather_state == "stop" or at.at_middle != "no_heat" or at.call not in ("no_heat", "measure"):
        return None
    return at.call == "no_heat"


# The cheapest start ---------------------------------------------------------------------------------------------------

Against = Literal["stop", "weather_unknown", "unknown", "no_time", "outside", "past_shift", "light_up"]
"""Why a start is not looked at: weather that stops; weather not known; call not known; heat without a time; outside
every shift; the weld would not end in the shift; light-up before anybody is there."""


Bars = Literal["pinned", "too_early", "too_late", "waits", "waited_for"]
"""What is stated of the joint and forbids a start: it is pinned to its shift; its dates; joints it waits for are not
over; joints that wait for it would come first."""


@dataclass(frozen=True, slots=True)
class CheapestStart:
    """The start within the next shifts that takes the least.

    Attributes:
        joint: as it is planned.
        shifts: those that are looked at, in the order of their ends.
        planned: at the planned start.
        best: None: none can be named, `reason` says why.
        alike: others that take as little by the figures compared, `best` not among them.
        is_planned: nothing takes less than the planned start, which is `best`.
        looked_at: starts that were compared.
        left_out: how many were not, by why.
        fuel_saved_kg, oxygen_saved_m3, energy_saved_kwh, torch_minutes_saved: high end of the planned start less that
            of `best`; below 0 where it takes more. None where one of the two is not known or the planned start is past.
        reason: one sentence; empty where there is a start.
    """

    joint: Joint
    shifts: tuple[ShiftSpan, ...]
    planned: StartHour
    best: StartHour | None
    alike: tuple[StartHour, ...]
    is_planned: bool
    looked_at: int
    left_out: tuple[tuple[Against | Bars, int], ...]
    fuel_saved_kg: float | None
    oxygen_saved_m3: float | None
    energy_saved_kwh: float | None
    torch_minutes_saved: float | None
    reason: str


NO_SHIFT: Final = "The site has no shift ahead."
NONE_IN_SHIFTS: Final = "No full hour of these shifts lies within the hours that are looked at."
NONE_LEFT: Final = "No start within these shifts can be named."


def cheapest_start(row: JointStarts, shifts: Sequence[ShiftSpan], now_utc: datetime) -> CheapestStart:
    """The start that takes least within some shifts; the planned one is compared too where it lies in them.

    Compared is the cold side, so that what is named stays so when the steel is as cold as it may be: the high end of
    gas, then of current, then of torch minutes, each as it is shown (0.1 kg, 0.1 kWh, a minute); then the earliest. A
    start that needs a shelter is named only where no other is left.

    Left out: weather that stops or is not known; a call that is not known; heat for which there is no time; starts
    outside the shifts. The weld has to end within the shift it starts in, and light-up must not lie before that
    shift, unless either is so at the planned start as well: then the crew works so. Light-up never lies in the past.
    So with what is stated of the joint: its dates, its pin, the shifts of joints that it waits for or that wait for it.

    Args:
        row: of `start_hours`.
        shifts: of `next_shifts`.
        now_utc: the moment of the plan.
    """
    inside = [at for at in _with_planned(row) if any(one.start_utc <= at.start_utc < one.end_utc for one in shifts)]
    barred_now = set(_bars(row, row.planned, shifts))
    why_not = {at.start_utc: against(at, row.planned, now_utc) or _barred(row, at, shifts, barred_now) for at in inside}
    left_out = Counter(why for why in why_not.values() if why is not None)
    looked_at = [at for at in inside if why_not[at.start_utc] is None]
    best = min(looked_at, key=lambda at: (_takes(at), at.start_utc), default=None)
    if best is not None and row.planned in looked_at and _takes(row.planned) == _takes(best):
        best = row.planned  # nobody moves a joint for nothing
    alike = tuple(at for at in looked_at if best is not None and at != best and _takes(at) == _takes(best))
    names = ("fuel_kg", "oxygen_m3", "energy_kwh", "torch_minutes")
    past = row.planned.start_utc < now_utc  # judged over what is left of its window, which no other start is
    saved = [
        None if best is None or past else _saved(getattr(row.planned, name), getattr(best, name)) for name in names
    ]
    reason = ""
    if best is None:
        reason = row.no_starts or (NO_SHIFT if not shifts else NONE_LEFT if inside else NONE_IN_SHIFTS)
    return CheapestStart(
        joint=row.joint,
        shifts=tuple(shifts),
        planned=row.planned,
        best=best,
        alike=alike,
        is_planned=best is row.planned,
        looked_at=len(looked_at),
        left_out=tuple(sorted(left_out.items(), key=lambda one: (-one[1], one[0]))),
        fuel_saved_kg=saved[0],
        oxygen_saved_m3=saved[1],
        energy_saved_kwh=saved[2],
        torch_minutes_saved=saved[3],
        reason=reason,
    )


def _with_planned(row: JointStarts) -> list[StartHour]:
    """The starts of a row and the planned one among them, in time; nothing where no other start is looked at."""
    if not row.hours or row.planned.start_utc < row.hours[0].start_utc:
        return list(row.hours)
    others = [at for at in row.hours if at.start_utc != row.planned.start_utc]
    return sorted([*others, row.planned], key=lambda at: at.start_utc)


def against(at: StartHour, planned: StartHour, now_utc: datetime) -> Against | None:
    """Why a joint that is planned at `planned` should not be told to start then; None: it may."""
    if at.shift_key is None:
        return "outside"
    if at.call == "unknown":
        return "unknown"
    if at.weather_state == "stop":
        return "stop"
    if at.weather_state == "unknown":
        return "weather_unknown"
    if at.fuel_kg is None or at.energy_kwh is None or at.torch_minutes is None:
        return "no_time"
    if at.ends_in_shift is False and planned.ends_in_shift is not False:
        return "past_shift"
    if at.light_up_utc is not None and at.light_up_utc < now_utc:
        return "light_up"
    return "light_up" if at.earliest_arc_utc is not None and planned.earliest_arc_utc is None else None


def _barred(row: JointStarts, at: StartHour, shifts: Sequence[ShiftSpan], at_present: Collection[Bars]) -> Bars | None:
    """What forbids a start and not the planned one; None: nothing does."""
    return next((bar for bar in _bars(row, at, shifts) if bar not in at_present), None)


def _bars(row: JointStarts, at: StartHour, shifts: Sequence[ShiftSpan]) -> Iterator[Bars]:
    joint, waiting = row.joint, row.waiting
    shift = next((one for one in shifts if one.key == at.shift_key), None)
    begins_utc, ends_utc = (at.start_utc, at.end_utc) if shift is None else (shift.start_utc, shift.end_utc)
    if joint.pinned and at.shift_key != row.planned.shift_key:
        yield "pinned"
    if joint.not_before_utc is not None and at.start_utc < joint.not_before_utc:
        yield "too_early"
    if joint.finish_by_utc is not None and at.end_utc > joint.finish_by_utc:
        yield "too_late"
    if waiting.for_postponed or (waiting.ready_utc is not None and begins_utc < waiting.ready_utc):
        yield "waits"
    if waiting.needed_utc is not None and ends_utc > waiting.needed_utc:
        yield "waited_for"


def _takes(at: StartHour) -> tuple[bool, float, float, float]:
    """What is compared of a start that can be named."""
    assert at.fuel_kg is not None
    assert at.energy_kwh is not None
    assert at.torch_minutes is not None
    fuel_kg, energy_kwh, minutes = at.fuel_kg.high, at.energy_kwh.high, at.torch_minutes.high
    return at.weather_state == "shelter_needed", round(fuel_kg, 1), round(energy_kwh, 1), round(minutes)


def _saved(planned: Range | None, best: Range | None) -> float | None:
    return None if planned is None or best is None else planned.high - best.high
