"""What is to be told now: a plan held against what people have been told.

Pure, and the same for every copy of the service that decides on the same knowledge. All that concerns one crew and
shift at one moment is one notice; what concerns the site is one of its own. Cylinders and a forecast that cannot be
used are told to the site and to the crews they concern (see `notice_quiet.is_for`). Deciding again with the `Told` that
came out gives nothing until something changes.

What the figures in `NoticeChoices` rest on stands there.
"""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from frostshift_rules.fronts import fronts
from frostshift_rules.gas_plan import GasPlan
from frostshift_rules.job import Reading
from frostshift_rules.notice_events import AlertSeen, Event, Notice, Told, ToldJoint, said_first
from frostshift_rules.notice_joints import Group, Moment, decide_group, gone_to_others, group_key, groups_of
from frostshift_rules.notice_setup import ORDER, Kind, NoticeChoices
from frostshift_rules.notice_site import cylinder_events, for_crews, forecast_events, gas_events, reading_events
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import Plan, ShiftTotal

OF_THE_WEATHER: Final[tuple[Kind, ...]] = ("stop", "front", "harder", "light_up", "shift")
"""Kinds that official warnings are attached to."""
KEPT_DAYS: Final = 2
"""What was told of a shift is forgotten so many days after the day it began."""
_KEY_MINUTES: Final = 15


def decide(
    told: Told,
    plan: Plan,
    hours: Hours | None,
    gas: GasPlan | None,
    readings: Sequence[Reading],
    alerts: Sequence[AlertSeen],
    choices: NoticeChoices,
    now_utc: datetime,
) -> tuple[tuple[Notice, ...], Told]:
    """The notices that a plan asks for, and what people know once they are sent.

    Both belong into one transaction: notices without their `Told` are sent twice, `Told` without its notices never.

    Args:
        told: what people know.
        plan: the latest.
        hours: of the forecast that it was made from; None: there was none to use.
        gas: of the same plan; None: nothing is said of gas and cylinders, and what was told of them stands.
        readings: temperatures measured at the site's joints, the last hours at least.
        alerts: official warnings about cold, wind, snow or ice that are in force.
        choices: of the site.
        now_utc: aware.

    Returns:
        The notices by urgency, then crew and shift, no two of one crew and shift; and the new `Told`.

    Valid for a plan whose joints have marks of their own; of joints that are done, postponed or gone nothing is told,
    and what was is forgotten.
    """
    usable = plan.freshness in ("fresh", "late")
    ahead = timedelta(hours=choices.front_ahead_hours)
    seen = (
        fronts(hours, choices, now_utc, now_utc + ahead + timedelta(hours=24)) if hours is not None and usable else ()
    )
    moment = Moment(now_utc, choices, usable, seen)

    events = defaultdict(list, gone_to_others(plan.joints, told, moment))
    after = _forgotten(told, plan, now_utc)
    known: dict[str, ToldJoint] = {}
    known_fronts, shifts = dict(after.fronts), list(after.shifts)
    low, after = reading_events(plan.joints, readings, after, now_utc, choices)
    for group in groups_of(plan.joints, plan.shifts):
        found = decide_group(group, told, moment)
        known.update(found.joints)
        if found.front is not None:
            known_fronts[group.key] = found.front
        if found.shift_told:
            shifts.append(group.key)
        measured = [low[one.joint.mark] for one in group.joints if one.joint.mark in low]
        if found.events or measured:
            events[group.crew, group.shift_key] += [*measured, *_warned(found.events, group, alerts)]
    aged, after = forecast_events(plan, after, now_utc, choices)
    events["", None] += aged
    for event in aged:
        for key, of_crew in for_crews(event, plan, told, now_utc, choices).items():
            events[key].append(of_crew)
    if gas is not None:
        short, after = gas_events(gas, after, plan.site.zone, now_utc, choices)
        events["", None] += short
        starving, after = cylinder_events(gas, after, now_utc, choices)
        for shift_key, of_shift in starving.items():
            for crew in ("", *_crews_of(plan, shift_key)):
                events[crew, shift_key] += of_shift
    notices = [
        _notice(crew, shift_key, of_group, plan, told.number, now_utc)
        for (crew, shift_key), of_group in events.items()
        if of_group
    ]
    notices.sort(key=lambda one: (ORDER.index(one.urgency), one.crew, one.shift_key or ""))
    after = replace(
        after,
        joints=known,
        fronts=known_fronts,
        shifts=tuple(sorted(shifts)),
        number=told.number + len(notices),
    )
    return tuple(notices), after


def _crews_of(plan: Plan, shift_key: str) -> list[str]:
    """The crews that have joints in a shift."""
    return sorted({one.joint.crew for one in plan.joints if one.shift_key == shift_key and one.joint.crew})


def _forgotten(told: Told, plan: Plan, now_utc: datetime) -> Told:
    """Without what was told of shifts long over."""
    today = now_utc.astimezone(ZoneInfo(plan.site.zone)).date()
    outside = {group_key(one.joint.crew, None) for one in plan.joints if one.shift_key is None}

    def stands(key: str) -> bool:
        days = _DAY_IN_KEY.findall(key)
        return (today - date.fromisoformat(days[-1])).days <= KEPT_DAYS if days else key in outside

    return replace(
        told,
        fronts={key: seen for key, seen in told.fronts.items() if stands(key)},
        shifts=tuple(key for key in told.shifts if stands(key)),
        together={key: number for key, number in told.together.items() if stands(f"|{key}")},
    )


_DAY_IN_KEY: Final = re.compile(r"\|(\d{4}-\d{2}-\d{2}) ")


def _warned(events: Sequence[Event], group: Group, alerts: Sequence[AlertSeen]) -> list[Event]:
    """The events with the official warnings that hold while the group is at work."""
    if group.shift is not None:
        begin, end = group.shift.start_utc, group.shift.end_utc
    else:
        begin = min(one.joint.start_utc for one in group.joints)
        end = max(one.window_end_utc for one in group.joints)
    holding = tuple(
        dict.fromkeys(
            one.headline
            for one in alerts
            if (one.onset_utc is None or one.onset_utc < end) and (one.ends_utc is None or one.ends_utc > begin)
        )
    )
    return [replace(one, alerts=holding) if one.kind in OF_THE_WEATHER else one for one in events]


def _notice(
    crew: str, shift_key: str | None, events: Sequence[Event], plan: Plan, number: int, now_utc: datetime
) -> Notice:
    ordered = tuple(sorted(events, key=said_first))
    shift: ShiftTotal | None = next((one for one in plan.shifts if one.key == shift_key), None)
    return Notice(
        key=_key(plan.site.id, crew, shift_key, ordered, number),
        crew=crew,
        shift_key=shift_key,
        shift_name=shift.name if shift else (shift_key or "").partition(" ")[2],
        shift_day=shift.day if shift else date.fromisoformat(shift_key[:10]) if shift_key else None,
        shift_start_utc=shift.start_utc if shift else None,
        shift_end_utc=shift.end_utc if shift else None,
        events=ordered,
        decided_utc=now_utc,
        freshness=plan.freshness,
        issued_utc=plan.issued_utc,
    )


# Keys -----------------------------------------------------------------------------------------------------------------


def _key(site: str, crew: str, shift_key: str | None, events: Sequence[Event], number: int) -> str:
    """The same for the same news on the same knowledge: made of what is told, not of when it was decided."""
    said = (site, crew, shift_key, number, tuple(sorted(map(repr, map(_said, events)))))
    return hashlib.blake2b(repr(said).encode(), digest_size=16).hexdigest()


def _said(event: Event) -> tuple[object, ...]:
    joints = sorted(
        (
            one.mark,
            one.call,
            "" if one.minimum_c is None else f"{one.minimum_c:.0f}",
            one.weather_state,
            _rounded(one.light_up_utc, _KEY_MINUTES),
            tuple(_rounded(at, _KEY_MINUTES) for spell in one.stops for at in spell) if event.kind == "stop" else (),
        )
        for one in event.joints
    )
    about: tuple[object, ...] = ()
    if event.front is not None:
        about = _rounded(event.front.begin_utc, 180), round(event.front.to_c)
    elif event.gas is not None:
        about = event.gas.kind, event.gas.runs_out.isoformat(), event.urgency
    elif event.starving is not None:
        about = event.starving.cylinder, event.starving.together
    elif event.forecast is not None:
        about = (event.forecast.freshness,)
    elif event.reading is not None:
        about = event.reading.mark, event.reading.at_utc.isoformat()
    return event.kind, tuple(joints), about


def _rounded(at_utc: datetime | None, minutes: int) -> int | None:
    return None if at_utc is None else round(at_utc.timestamp() / (60.0 * minutes))
