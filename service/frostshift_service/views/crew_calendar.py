"""Light-up times and weather stops of one crew as a calendar that a phone subscribes to (iCalendar, RFC 5545).

Times are instants in UTC, so that a night in which the clocks change needs no rules of a time zone in the file.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event

from frostshift_rules.notice_setup import Units
from frostshift_rules.workload import JointPlan, Plan
from frostshift_service.views.forecast import forecast_age
from frostshift_service.views.notice_text import CAUTION, HEAT
from frostshift_service.views.show import Show
from frostshift_service.views.words import CALLS

READ_AGAIN: Final = timedelta(minutes=30)
"""Calendars are asked to read the file again so often; most do so when they like."""
_MEASURE: Final = timedelta(minutes=15)
"""A joint to be measured first stands in the calendar for so long before its start."""

_UNTIMED: Final = timedelta(hours=1)
"""A joint to be heated of which no time can be given stands in it for so long at least."""


def crew_calendar(plan: Plan, crew: str, units: Units, now: datetime) -> bytes:
    """The calendar of a crew.

    Args:
        plan: the latest.
        crew: its joints; empty: those of all crews.
        units: that figures are in.
        now: aware; when the file is read.
    """
    show = Show(units, ZoneInfo(plan.site.zone))
    calendar = Calendar()
    calendar.add("prodid", "-//Frostshift//Crew calendar//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    name = _line(f"Light-up, {crew or 'all crews'}, {plan.site.name}")
    calendar.add("name", name)  # RFC 7986; phones read the older one
    calendar.add("x-wr-calname", name)
    calendar.add("refresh-interval", READ_AGAIN, parameters={"VALUE": "DURATION"})
    forecast = forecast_age(plan.issued_utc, plan.fetched_utc, plan.freshness, now)
    foot = f"Forecast {forecast.text or 'none'}, {forecast.state_text}. {CAUTION}"
    for joint in plan.joints:
        if joint.joint.crew == crew or not crew:
            for event in _events(joint, plan, show, foot):
                event.add("dtstamp", now)
                calendar.add_component(event)
    return bytes(calendar.to_ical())


def _events(joint: JointPlan, plan: Plan, show: Show, foot: str) -> list[Event]:
    mark, start = joint.joint.mark, joint.joint.start_utc
    events = []
    light_up = None if joint.heat is None else joint.heat.light_up_utc
    if light_up is not None:
        light_up = light_up.replace(second=0, microsecond=0)  # as the sheet says it: never later than it is
    if light_up is not None and light_up < start:
        summary = f"Light up {mark}: {_heat(joint, show)}"
        events.append(_event(plan, mark, "light-up", summary, light_up, start, joint, foot))
    elif joint.call in HEAT and light_up is None:
        summary = f"See the sheet for {mark}: {_heat(joint, show)}, no time can be given"
        events.append(_event(plan, mark, "heat", summary, _early(joint, plan), start, joint, foot))
    elif joint.call in ("measure", "unknown"):
        summary = f"Measure {mark} first: {CALLS[joint.call].text}"
        events.append(_event(plan, mark, "measure", summary, start - _MEASURE, start, joint, foot))
    for number, spell in enumerate(one for one in joint.weather_spells if one.state == "stop"):
        summary = f"Do not weld {mark}: weather stop"
        events.append(_event(plan, mark, f"stop-{number}", summary, spell.start_utc, spell.end_utc, joint, foot))
    return events


def _heat(joint: JointPlan, show: Show) -> str:
    minimum = "" if joint.minimum_c is None else f" {show.temp_text(joint.minimum_c, 'up')}"
    return f"{CALLS[joint.call].text}{minimum}"


def _early(joint: JointPlan, plan: Plan) -> datetime:
    """When to see to a joint whose heating has no time: from the start of its shift, and an hour before it at least."""
    start = joint.joint.start_utc
    shifts = [shift.start_utc for shift in plan.shifts if shift.key == joint.shift_key]
    return min([start - _UNTIMED, *shifts])


def _event(
    plan: Plan, mark: str, what: str, summary: str, start: datetime, end: datetime, joint: JointPlan, foot: str
) -> Event:
    event = Event()
    event.add("uid", f"{what}-{_token(mark)}-{plan.site.id}@frostshift")
    event.add("dtstart", start)
    event.add("dtend", end)
    event.add("summary", _line(summary))
    event.add(
        "description", "\n".join([_line(joint.joint.place), _line(joint.reasons[0]) if joint.reasons else "", foot])
    )
    event.add("transp", "TRANSPARENT")
    return event


def _token(mark: str) -> str:
    """The mark as plain letters, another for every mark."""
    return mark.encode().hex()


def _line(text: str) -> str:
    return " ".join(text.split())
