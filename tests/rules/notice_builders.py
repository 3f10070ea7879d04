"""Plans whose calls, states and light-ups are set by hand, to decide on. Invented; the site's clock is UTC."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from frostshift_rules.gas_plan import GasPlan
from frostshift_rules.notice_decide import decide
from frostshift_rules.notice_events import AlertSeen, Event, Notice, Told, ToldJoint
from frostshift_rules.notice_setup import Kind, NoticeChoices
from frostshift_rules.stops import WeatherState
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import Freshness, HeatCall, JointPlan, Plan, Span, WeatherSpell

from .plan_builders import NOW, START, heat_of, joint, mm, plan, planned

CHOICES = NoticeChoices()
BASE = planned(joint(mm(25.0)), -5.0)
"""Heated, by real weather; what a test is about is set in its place."""
WHOLE = plan([joint()], -5.0)
DAY_SHIFT = "2026-01-12 day"
"""06:00 to 18:00; `START` is at 12:00, `NOW` at 00:00."""
GROUP = f"Anvil|{DAY_SHIFT}"


def hours_of(count: float) -> timedelta:
    return timedelta(hours=count)


def stands(
    mark: str = "J1",
    call: HeatCall = "heat_to_minimum",
    state: WeatherState = "go",
    *,
    lit_h: float | None = 2.0,
    start_utc: datetime = START,
    shift_key: str | None = DAY_SHIFT,
    crew: str = "Anvil",
    air_c: float = -5.0,
    **fields: Any,
) -> JointPlan:
    """A joint of the plan; `lit_h` before its start, None: no time. It takes two hours, and two more may slip."""
    heat = None if call == "no_heat" else heat_of(BASE)
    if heat is not None:
        heat = replace(heat, light_up_utc=None if lit_h is None else start_utc - hours_of(lit_h))
    end = start_utc + hours_of(4.0)
    spells = (WeatherSpell(start_utc - hours_of(1.0), end, "stop", ()),) if state == "stop" else ()
    return replace(
        BASE,
        joint=replace(BASE.joint, mark=mark, crew=crew, start_utc=start_utc, **fields),
        shift_key=shift_key,
        call=call,
        weather_state=state,
        weather_spells=spells,
        heat=heat,
        window_start_utc=start_utc,
        window_end_utc=end,
        air=Span(start_utc, air_c - 3.0, air_c, air_c + 3.0),
    )


def plan_of(*joints: JointPlan, freshness: Freshness = "fresh") -> Plan:
    return replace(WHOLE, joints=joints, freshness=freshness)


def decided(
    told: Told,
    joints: JointPlan | Iterable[JointPlan] | Plan,
    now_utc: datetime = NOW,
    *,
    hours: Hours | None = None,
    gas: GasPlan | None = None,
    readings: Sequence[Any] = (),
    alerts: Sequence[AlertSeen] = (),
    choices: NoticeChoices = CHOICES,
) -> tuple[tuple[Notice, ...], Told]:
    """`decide`, and that deciding again gives nothing and changes nothing."""
    if isinstance(joints, JointPlan):
        joints = [joints]
    whole = joints if isinstance(joints, Plan) else plan_of(*joints)
    notices, after = decide(told, whole, hours, gas, readings, alerts, choices, now_utc)
    again = decide(after, whole, hours, gas, readings, alerts, choices, now_utc)
    assert again == ((), after)
    return notices, after


def knows(
    call: HeatCall = "heat_to_minimum",
    state: WeatherState = "go",
    *,
    mark: str = "J1",
    lit_utc: datetime | None = START - timedelta(hours=2),
    told: bool = True,
    shift_told: bool = True,
    **fields: Any,
) -> Told:
    """People know of one joint, and that its shift is told."""
    lit = None if call == "no_heat" else lit_utc
    return Told({mark: ToldJoint(call, state, lit, None, told, GROUP)}, shifts=(GROUP,) if shift_told else (), **fields)


def kinds(notices: Sequence[Notice]) -> list[Kind]:
    return [event.kind for notice in notices for event in notice.events]


def only(notices: Sequence[Notice]) -> Event:
    """The only event of the only notice."""
    (notice,) = notices
    (event,) = notice.events
    return event
