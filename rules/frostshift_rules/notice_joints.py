"""The joints of one crew and shift, held against what people were told of them.

A joint is in one event at most, and in the list of its shift besides when that is told; of one that changes crews, each
crew has its own:

    stop        the weather forbids welding it and people do not know, or not of an hour or more of it
    front       its call comes from a front that people do not know of
    harder      its call, minimum or weather state is worse than told; or it stands in a shift that was told without it
    light_up    its light-up moved, or people gave it another start
    other_crew  people gave it to another crew; said once, to the crew that was told of it
    stop_over   a stop that was told is over, for good
    easier      it is easier than told, for good
    shift       all joints of the shift, once ahead of it

`unknown` is worse than every known call; known again, it is `harder` where heat is needed. A stop that turned into
"nobody knows" is still a stop. What got easier counts when it has stayed so for the site's settling time, and no longer
for a joint whose light-up has passed: whoever has lit a torch does not need to hear that he need not have.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

from frostshift_rules import preheat
from frostshift_rules.notice_events import Event, FrontSeen, JointNow, Told, ToldJoint
from frostshift_rules.notice_setup import Kind, NoticeChoices, Urgency
from frostshift_rules.preheat import Requirement
from frostshift_rules.stops import STATES
from frostshift_rules.workload import HeatCall, JointPlan, ShiftTotal, WeatherState

CALLS: Final[tuple[HeatCall, ...]] = ("no_heat", "measure", "heat_to_minimum", "cold_steel_heat", "unknown")
"""From easy to hard."""
HEAT: Final[tuple[HeatCall, ...]] = ("heat_to_minimum", "cold_steel_heat")
TO_A_MINIMUM: Final[tuple[HeatCall, ...]] = ("measure", *HEAT)
"""Calls that name a minimum which somebody acts on."""
OTHER_STOP: Final = timedelta(hours=1)
"""A stop is told again where so much of it lies outside what was told. Our choice."""
OTHER_MINIMUM_K: Final = 1.0
"""A minimum that differs by so much from the one told is another. Our choice."""
IN_THE_COLD: Final = 0.5
"""A front is behind the call of a joint whose coldest air lies by at least this share of the fall below the air before
it: it is not warm again by then. Our choice."""


@dataclass(frozen=True, slots=True)
class Group:
    """The joints of one crew and shift.

    Attributes:
        key: `CREW|SHIFT`, as in `Told`.
        crew: name.
        shift_key: None: outside every shift.
        shift: None where the plan has no total of it.
        joints: in the order of the plan.
    """

    key: str
    crew: str
    shift_key: str | None
    shift: ShiftTotal | None
    joints: tuple[JointPlan, ...]


@dataclass(frozen=True, slots=True)
class Moment:
    """What is the same for all groups of one decision.

    Attributes:
        now_utc: aware.
        choices: of the site.
        usable: whether the forecast can be used; while it cannot, no joint is held against what was told of it.
        fronts: within sight, by begin.
    """

    now_utc: datetime
    choices: NoticeChoices
    usable: bool
    fronts: tuple[FrontSeen, ...]

    def within(self, at_utc: datetime, ahead_h: float) -> bool:
        """Whether a time comes within so many hours, or is past."""
        return at_utc - self.now_utc <= timedelta(hours=ahead_h)


@dataclass(frozen=True, slots=True)
class Found:
    """What one group gives.

    Attributes:
        events: to be told.
        joints: by mark, what people know of them then; those that are left out are not known of.
        front: that people know of then; None: as before.
        shift_told: the list of the shift is among the events.
    """

    events: tuple[Event, ...]
    joints: Mapping[str, ToldJoint]
    front: FrontSeen | None
    shift_told: bool


def group_key(crew: str, shift_key: str | None) -> str:
    """As in `Told`."""
    return f"{crew}|{shift_key or ''}"


def _crew_and_shift(key: str) -> tuple[str, str | None]:
    """What a key as in `Told` is made of; a crew or a shift may have the bar in its name."""
    found = _OF_KEY.fullmatch(key)
    assert found is not None
    return found[1], found[2]


_OF_KEY: Final = re.compile(r"(.*)\|(\d{4}-\d{2}-\d{2} .*)?", re.DOTALL)


def groups_of(joints: Sequence[JointPlan], shifts: Sequence[ShiftTotal]) -> list[Group]:
    """The joints by crew and shift, in the order of their keys; within a group by light-up and mark."""
    by_key: defaultdict[tuple[str, str | None], list[JointPlan]] = defaultdict(list)
    for one in joints:
        by_key[one.joint.crew, one.shift_key].append(one)
    totals = {one.key: one for one in shifts}
    found = [
        Group(group_key(crew, key), crew, key, totals.get(key or ""), tuple(sorted(of_group, key=_by_light_up)))
        for (crew, key), of_group in by_key.items()
    ]
    return sorted(found, key=lambda group: group.key)


def light_up_of(one: JointPlan) -> datetime | None:
    """When the torch has to burn; None: none has to, or nobody can say when."""
    return one.heat.light_up_utc if one.heat is not None and one.call != "no_heat" else None


def act_by_utc(one: JointPlan) -> datetime:
    """When something has to be done at a joint: its light-up, else its start."""
    return light_up_of(one) or one.joint.start_utc


def minimum_of(one: JointPlan) -> float | None:
    """The minimum that somebody acts on [°C]; None: the call names none, or it is unknown."""
    return one.minimum_c if one.call in TO_A_MINIMUM else None


def stops_of(one: JointPlan) -> tuple[tuple[datetime, datetime], ...]:
    """The spells within its window in which the weather forbids welding it, begin and end, those that touch as one."""
    spells = [
        (max(spell.start_utc, one.window_start_utc), min(spell.end_utc, one.window_end_utc))
        for spell in one.weather_spells
        if spell.state == "stop"
    ]
    return _joined(spells)


def _joined(spells: Iterable[tuple[datetime, datetime]]) -> tuple[tuple[datetime, datetime], ...]:
    """Spells by begin, those that overlap or touch as one, empty ones left out."""
    joined: list[tuple[datetime, datetime]] = []
    for begin, end in sorted(spells):
        if joined and begin <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(end, joined[-1][1])
        elif begin < end:
            joined.append((begin, end))
    return tuple(joined)


def _uncovered(
    spells: Sequence[tuple[datetime, datetime]], told: Sequence[tuple[datetime, datetime]], now_utc: datetime
) -> timedelta:
    """How much of the spells is to come and lies outside those told; of each, none overlaps another."""
    left = timedelta(0)
    for begin, end in spells:
        begin = max(begin, now_utc)
        left += max(end - begin, timedelta(0))
        for told_begin, told_end in told:
            left -= max(min(end, told_end) - max(begin, told_begin), timedelta(0))
    return left


def harder_by(call: HeatCall, minimum_c: float | None, known: ToldJoint) -> int:
    """Above zero where a call is harder than the one people know, below where it is easier.

    Of two calls for heat, or the same one, the higher minimum is harder, whatever the call's name; the calls decide
    where the minima are the same to `OTHER_MINIMUM_K`, or one is unknown.
    """
    both = call == known.call or (call in HEAT and known.call in HEAT)
    if both and minimum_c is not None and known.minimum_c is not None:
        more_k = minimum_c - known.minimum_c
        if abs(more_k) >= OTHER_MINIMUM_K:
            return 1 if more_k > 0.0 else -1
    return CALLS.index(call) - CALLS.index(known.call)


def needs_something(one: JointPlan) -> bool:
    """Whether it cannot simply be welded."""
    return one.call != "no_heat" or one.weather_state != "go"


def call_in(asked: Requirement, air_c: float) -> HeatCall:
    """The call of a joint whose steel is as warm as air of `air_c` [°C], without a margin."""
    if asked.threshold_c is None:
        return "unknown"
    if air_c >= asked.threshold_c:
        return "no_heat"
    return "cold_steel_heat" if preheat.cold_floor_decides(asked, air_c) else "heat_to_minimum"


def decide_group(group: Group, told: Told, moment: Moment) -> Found:
    """What is to be told of a group, and what people know of its joints then."""
    kinds, after = _kinds_of(group, told, moment)
    known_front = told.fronts.get(group.key)
    front = _front(group, told, known_front, kinds, moment) if moment.usable else None
    if front is not None and front.news:
        kinds |= {one.joint.mark: "front" for one in front.hit if kinds.get(one.joint.mark) != "stop"}
    due = _due(group, told, after, kinds, moment)
    listed = {one.joint.mark for one in due}
    events = []
    for kind in dict.fromkeys(kinds.values()):
        of_kind = [one for one in group.joints if kinds.get(one.joint.mark) == kind]
        events.append(_event(kind, of_kind, told, moment, front.seen if front and kind == "front" else None))
    if due:
        events.append(_event("shift", due, told, moment, None))
    for one in group.joints:
        mark = one.joint.mark
        if mark in kinds or mark in listed:
            after[mark] = _as_told(one, told.joints.get(mark), group.key, stop=kinds.get(mark) == "stop")
    return Found(tuple(events), after, front.seen if front else None, bool(due) and group.shift_key is not None)


def gone_to_others(
    joints: Sequence[JointPlan], told: Told, moment: Moment
) -> dict[tuple[str, str | None], list[Event]]:
    """Joints that a crew was told of and that are another's now, by the crew and shift of which they were told.

    It is told once: what that crew knows of them is forgotten by the same decision. Where the joint had no crew, nobody
    was told that it is his.
    """
    gone: defaultdict[tuple[str, str | None], list[JointPlan]] = defaultdict(list)
    for one in sorted(joints, key=_by_light_up):
        known = told.joints.get(one.joint.mark)
        if known is None or not known.told or not known.group or past(one, moment.now_utc):
            continue
        crew, shift_key = _crew_and_shift(known.group)
        if crew not in ("", one.joint.crew):
            gone[crew, shift_key].append(one)
    events = {}
    for (crew, shift_key), of_crew in gone.items():
        by_utc = min((at for one in of_crew if (at := _would_light(one, told, moment)) is not None), default=None)
        now = tuple(replace(_joint_now(one, told.joints[one.joint.mark], moment), was_crew=crew) for one in of_crew)
        events[crew, shift_key] = [Event("other_crew", _urgency("other_crew", by_utc, moment), by_utc, now)]
    return events


def _would_light(one: JointPlan, told: Told, moment: Moment) -> datetime | None:
    """When a crew would light a torch at it, as told; None: it would not, whoever is at it knows, or that is over."""
    known = told.joints[one.joint.mark]
    if known.call == "no_heat" or one.joint.state in ("heating", "in_progress"):
        return None
    lit = known.light_up_utc
    return None if lit is None or (known.start_utc or lit) <= moment.now_utc else lit


# One joint ------------------------------------------------------------------------------------------------------------


def _kinds_of(group: Group, told: Told, moment: Moment) -> tuple[dict[str, Kind], dict[str, ToldJoint]]:
    """The kind of each joint of which there is news by itself, and what is known of the joints without any."""
    kinds: dict[str, Kind] = {}
    after: dict[str, ToldJoint] = {}
    for one in group.joints:
        mark, known = one.joint.mark, told.joints.get(one.joint.mark)
        put_off = False
        if known is not None and known.group not in ("", group.key):
            put_off = known.group.startswith(group_key(group.crew, None)) and _put_off(one, known, moment)
            known = None  # now it concerns people who have not heard of it
        if past(one, moment.now_utc) or not moment.usable:
            if known is not None:
                after[mark] = known
            continue
        kind: Kind | None
        if known is None:
            kind = _first_news(one, group, told, moment) or ("light_up" if put_off else None)
            if kind is None and moment.within(one.joint.start_utc, moment.choices.ahead_hours):
                after[mark] = _stands(one, one.weather_state, group.key)
        else:
            kind, after[mark] = _held_against(one, known, moment)
        if kind is not None:
            kinds[mark] = kind
    return kinds, after


def past(one: JointPlan, now_utc: datetime) -> bool:
    """Whether its time is over and nobody works on it."""
    return one.window_end_utc <= now_utc and one.joint.state not in ("heating", "in_progress")


def _first_news(one: JointPlan, group: Group, told: Told, moment: Moment) -> Kind | None:
    """News of a joint that nobody knows of: a stop, or that it stands in a shift that was told without it."""
    late = group.key in told.shifts
    if not late and not moment.within(one.joint.start_utc, moment.choices.ahead_hours):
        return None
    if one.weather_state == "stop":
        return "stop"
    return "harder" if late and needs_something(one) else None


def _held_against(one: JointPlan, known: ToldJoint, moment: Moment) -> tuple[Kind | None, ToldJoint]:
    """News of a joint that people know of, and what they know of it where there is none."""
    state = _state(one, known)
    known = _completed(known, one)
    calls = harder_by(one.call, minimum_of(one), known)
    states = STATES.index(state) - STATES.index(known.weather_state)
    if state == "stop" and (states > 0 or _uncovered(stops_of(one), known.stops, moment.now_utc) >= OTHER_STOP):
        return "stop", known
    if calls > 0 or states > 0 or (known.call == "unknown" and one.call in HEAT):
        return "harder", known
    lit, lights = known.light_up_utc, light_up_of(one)
    begun = one.joint.state in ("heating", "in_progress") or (lit is not None and lit <= moment.now_utc)
    moved: Literal["earlier", "later", "lost"] | None = None
    if not known.told:
        known = replace(known, light_up_utc=lights)  # nobody was told a time
    elif not begun:
        moved = _moved(lit, lights, one.call, moment.choices)
    if (
        _put_off(one, known, moment)
        or moved == "earlier"
        or (moved == "lost" and lit is not None and moment.within(lit, moment.choices.now_hours))
    ):
        return "light_up", known
    over = known.weather_state == "stop" and states < 0
    easier = over or ((states < 0 or calls < 0) and not begun)
    if not easier and moved is None:
        return None, replace(known, easier_since_utc=None)
    since = known.easier_since_utc or moment.now_utc
    if moment.now_utc - since < timedelta(minutes=moment.choices.settle_minutes):
        return None, replace(known, easier_since_utc=since)
    if not known.told:
        return None, _stands(one, state, known.group)
    return ("stop_over" if over else "easier" if easier else "light_up"), known


def _put_off(one: JointPlan, known: ToldJoint, moment: Moment) -> bool:
    """Whether people gave it another start, so that a torch lit as told would burn too early or for nothing."""
    lit, lights = known.light_up_utc, light_up_of(one)
    if not known.told or known.start_utc in (None, one.joint.start_utc) or lit is None or lit <= moment.now_utc:
        return False
    if one.joint.state in ("heating", "in_progress"):
        return False
    return lights is None or lights - lit >= timedelta(minutes=moment.choices.light_up_minutes)


def _completed(known: ToldJoint, one: JointPlan) -> ToldJoint:
    """With what was not kept yet when it was told, as it stands now."""
    if known.minimum_c is None and known.call == one.call:
        known = replace(known, minimum_c=minimum_of(one))
    if known.weather_state == "stop" and not known.stops:
        known = replace(known, stops=stops_of(one))
    if known.start_utc is None:
        known = replace(known, start_utc=one.joint.start_utc)
    return known


def _state(one: JointPlan, known: ToldJoint | None) -> WeatherState:
    """The weather state that people are left with: a stop stays one while nobody knows."""
    held = known is not None and known.weather_state == "stop" and one.weather_state == "unknown"
    return "stop" if held else one.weather_state


def _moved(
    was: datetime | None, now: datetime | None, call: HeatCall, choices: NoticeChoices
) -> Literal["earlier", "later", "lost"] | None:
    """Whether a light-up moved by enough; one that appears counts as earlier.

    It is lost where nobody can say a time any more. That flickers where the slow end of a heating hardly gets there, so
    it is told when it has stayed so, or when the light-up that was told is near.
    """
    if now is None:
        # Without heat there is none to light, and that is told as an easier call.
        return None if was is None or call == "no_heat" else "lost"
    if was is None:
        return None if call == "no_heat" else "earlier"
    if abs(now - was) < timedelta(minutes=choices.light_up_minutes):
        return None
    return "earlier" if now < was else "later"


def _as_told(one: JointPlan, known: ToldJoint | None, key: str, *, stop: bool) -> ToldJoint:
    of_group = known if known is not None and known.group in ("", key) else None
    state = _state(one, of_group)
    after = replace(_stands(one, state, key), told=True)
    if not stop and state == "stop" and of_group is not None and of_group.stops:
        # Only news of a stop says when it is; else what creeps in by less than an hour would never be told.
        return replace(after, stops=of_group.stops)
    return after


def _stands(one: JointPlan, state: WeatherState, key: str) -> ToldJoint:
    """As it stands in the plan; nobody was told."""
    stops = stops_of(one) if state == "stop" else ()
    return ToldJoint(
        one.call,
        state,
        light_up_of(one),
        group=key,
        minimum_c=minimum_of(one),
        stops=stops,
        start_utc=one.joint.start_utc,
    )


# The shift ------------------------------------------------------------------------------------------------------------


def _due(
    group: Group, told: Told, after: Mapping[str, ToldJoint], kinds: Mapping[str, Kind], moment: Moment
) -> list[JointPlan]:
    """The joints of the list of a shift, where it is time for it; outside shifts those that nobody was told of."""
    open_ = [one for one in group.joints if not past(one, moment.now_utc)]
    ahead_h = moment.choices.shift_ahead_hours
    if group.shift is not None:
        told_of = group.key in told.shifts or group.shift.end_utc <= moment.now_utc
        # Heating may begin long before the shift does.
        first_utc = min((group.shift.start_utc, *map(act_by_utc, open_)))
        return [] if told_of or not moment.within(first_utc, ahead_h) else open_
    return [
        one
        for one in open_
        if moment.within(one.joint.start_utc, ahead_h)
        and one.joint.mark not in kinds
        and not (one.joint.mark in after and after[one.joint.mark].told)
    ]


# Fronts ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Front:
    seen: FrontSeen
    hit: tuple[JointPlan, ...]
    news: bool


def _front(
    group: Group, told: Told, known: FrontSeen | None, kinds: Mapping[str, Kind], moment: Moment
) -> _Front | None:
    """The first front that changes calls of the group, and whether it is news; None: none, or none to be kept.

    A front that people do not know of is news where one of its joints is harder than they were told, or they were told
    nothing of it.
    """
    near = [one for one in group.joints if not past(one, moment.now_utc)]
    if not any(moment.within(one.joint.start_utc, moment.choices.front_ahead_hours) for one in near):
        return None
    for seen in moment.fronts:
        hit = tuple(one for one in near if _changes_call(seen, one))
        if not hit:
            continue
        if known is not None and seen.begin_utc < known.end_utc:
            earlier = known.begin_utc - seen.begin_utc >= timedelta(hours=moment.choices.front_earlier_hours)
            deeper = known.to_c - seen.to_c >= moment.choices.front_deeper_k
            return _Front(seen, hit, news=True) if earlier or deeper else None
        news = any(_not_told(one, told, group.key) or one.joint.mark in kinds for one in hit)
        # The front people know of may be back in the next forecast: it is not told a second time then.
        return _Front(seen, hit, news) if news or known is None else None
    return None


def _changes_call(seen: FrontSeen, one: JointPlan) -> bool:
    """Whether a joint's call by the air before the front would be easier than it is, for it stands in its cold."""
    if one.call == "unknown" or one.air is None or one.window_end_utc <= seen.begin_utc:
        return False
    if one.air.likely_c > seen.from_c - IN_THE_COLD * (seen.from_c - seen.to_c):
        return False
    return CALLS.index(call_in(one.requirement, seen.from_c)) < CALLS.index(one.call)


def _not_told(one: JointPlan, told: Told, key: str) -> bool:
    known = told.joints.get(one.joint.mark)
    return known is None or not known.told or known.group not in ("", key)


# Words ----------------------------------------------------------------------------------------------------------------


def _event(kind: Kind, joints: Sequence[JointPlan], told: Told, moment: Moment, front: FrontSeen | None) -> Event:
    now = tuple(_joint_now(one, told.joints.get(one.joint.mark), moment) for one in joints)
    by_utc = _by_utc(kind, [one for one in now if not (kind == "light_up" and _later(one) and not _other_start(one))])
    return Event(kind, _urgency(kind, by_utc, moment), by_utc, now, front)


def _by_utc(kind: Kind, joints: Sequence[JointNow]) -> datetime | None:
    """When something has to be done, the earliest."""
    if kind in ("easier", "stop_over"):
        return None
    times: list[datetime] = []
    for one in joints:
        at_utc = one.light_up_utc or one.was_light_up_utc or one.start_utc
        if kind == "light_up" and one.was_light_up_utc is not None:
            at_utc = min(at_utc, one.was_light_up_utc)  # by then a torch would be lit
        # A stop that begins while a joint is welded is acted on when it begins.
        times.append(max(at_utc, one.stop_from_utc) if kind == "stop" and one.stop_from_utc else at_utc)
    return min(times, default=None)


def _later(one: JointNow) -> bool:
    return one.light_up_utc is not None and one.was_light_up_utc is not None and one.light_up_utc > one.was_light_up_utc


def _other_start(one: JointNow) -> bool:
    return one.was_start_utc not in (None, one.start_utc)


def _urgency(kind: Kind, by_utc: datetime | None, moment: Moment) -> Urgency:
    if by_utc is None:
        return "plain"
    if kind != "shift" and moment.within(by_utc, moment.choices.now_hours):
        return "now"
    return "soon"


def _joint_now(one: JointPlan, known: ToldJoint | None, moment: Moment) -> JointNow:
    said = known if known is not None and known.told else None
    stop = next(
        (spell for spell in one.weather_spells if spell.state == "stop" and spell.end_utc > moment.now_utc), None
    )
    heat = one.heat if one.call != "no_heat" else None
    return JointNow(
        mark=one.joint.mark,
        place=one.joint.place,
        start_utc=one.joint.start_utc,
        light_up_utc=light_up_of(one),
        call=one.call,
        weather_state=one.weather_state,
        was_call=said.call if said else None,
        was_state=said.weather_state if said else None,
        was_light_up_utc=said.light_up_utc if said else None,
        minimum_c=one.minimum_c,
        target_c=heat.target_c if heat else None,
        minutes=heat.minutes if heat else None,
        steel=one.steel,
        reason=next(iter((*one.unknowns, *one.reasons)), ""),
        was_minimum_c=said.minimum_c if said else None,
        was_start_utc=said.start_utc if said else None,
        stop_from_utc=stop.start_utc if stop else None,
        stop_until_utc=stop.end_utc if stop else None,
        stops=tuple(spell for spell in stops_of(one) if spell[1] > moment.now_utc),
        crew=one.joint.crew,
    )


def _by_light_up(one: JointPlan) -> tuple[datetime, datetime, str]:
    return act_by_utc(one), one.joint.start_utc, one.joint.mark
