"""What concerns a site and no crew, held against what people were told: gas, cylinders, the forecast; and readings.

Nothing here begins a second time what was told: gas is told again where it runs out earlier or got too late, cylinders
where more have to feed together, the forecast where it got worse or can be used again, and each reading once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from frostshift_rules import preheat
from frostshift_rules.gas_bank import Bank
from frostshift_rules.gas_order import OrderLine
from frostshift_rules.gas_plan import GasPlan
from frostshift_rules.job import Reading
from frostshift_rules.notice_events import Event, ForecastAge, GasOut, LowReading, Starving, Told
from frostshift_rules.notice_setup import NoticeChoices, Urgency
from frostshift_rules.reading_check import Asked, check
from frostshift_rules.workload import Freshness, JointPlan, Plan

AGES: Final[dict[Freshness, int]] = {"fresh": 0, "late": 1, "unusable": 2, "none": 2}
"""From best to worst; none at all is as bad as one that cannot be used."""
LATE_AGAIN_HOURS: Final = 12.0
"""A forecast that gets late again within so many hours [h] is not told. Our choice."""
OTHER_NEED_DAYS: Final = 3
"""Gas that runs out by so much later than told, or no longer, was delivered: from then on it is told afresh. Forecasts
move the day by less. Our choice."""
NO_TERMS_DAYS: Final = 7
"""Without terms of supply nobody can say by when to order: it is told when gas runs out within so many days. Our
choice."""


# Gas ------------------------------------------------------------------------------------------------------------------


def gas_events(
    gas: GasPlan, told: Told, zone: str, now_utc: datetime, choices: NoticeChoices
) -> tuple[list[Event], Told]:
    """Kinds of cylinders that run out at the most use before a delivery, or whose last day to order is near."""
    today = now_utc.astimezone(ZoneInfo(zone)).date()
    events: list[Event] = []
    days, too_late = dict(told.gas), set(told.too_late)
    for line in sorted(gas.orders, key=lambda one: one.kind):
        if line.advice in ("unknown", "no_stock"):
            continue  # nobody knows: what was told stands
        out, known = line.runs_out_high, days.get(line.kind)
        if known is not None and (out is None or (out.day - known).days >= OTHER_NEED_DAYS):
            del days[line.kind]
            too_late.discard(line.kind)
            known = None
        if out is None or not _near(line, out.day, today, choices):
            continue
        late = line.advice == "too_late"
        if known is None or out.day < known or (late and line.kind not in too_late):
            seen = GasOut(line.kind, line.count, out.day, line.order_by, line.delivery)
            events.append(Event("gas", "soon" if late else "plain", None, gas=seen))
            days[line.kind] = out.day
            too_late |= {line.kind} if late else set()
    return events, replace(told, gas=days, too_late=tuple(sorted(too_late)))


def _near(line: OrderLine, out: date, today: date, choices: NoticeChoices) -> bool:
    if line.advice == "too_late":
        return True
    if line.order_by is None:
        return (out - today).days <= NO_TERMS_DAYS
    return (line.order_by - today).days <= choices.order_ahead_days


# Cylinders ------------------------------------------------------------------------------------------------------------


def cylinder_events(
    gas: GasPlan, told: Told, now_utc: datetime, choices: NoticeChoices
) -> tuple[dict[str, list[Event]], Told]:
    """By shift: cylinders that will starve, or of which more have to feed together than people could know.

    A shift that comes into sight for the first time is kept as it stands and told only where no number does.
    """
    starts = {one.key: (one.start_utc, one.end_utc) for one in gas.shifts}
    events: dict[str, list[Event]] = {}
    together = dict(told.together)
    for bank in sorted(gas.banks, key=lambda one: (one.shift_key, one.cylinder.id)):
        start_utc, end_utc = starts.get(bank.shift_key, (None, None))
        if start_utc is None or end_utc is None or end_utc <= now_utc:
            continue
        if start_utc - now_utc > timedelta(hours=choices.front_ahead_hours):
            continue
        number = _together(bank)
        if number is None:
            continue
        key = f"{bank.shift_key}|{bank.cylinder.id}"
        known = together.get(key)
        if known == 0 or (known is not None and 0 < number <= known):
            continue
        together[key] = number
        if known is None and number > 0:
            continue
        urgency: Urgency = "now" if start_utc - now_utc <= timedelta(hours=choices.now_hours) else "soon"
        seen = Starving(bank.cylinder.name, number or None, known or None, bank.coldest_c, bank.reason)
        events.setdefault(bank.shift_key, []).append(Event("cylinders", urgency, start_utc, starving=seen))
    return events, replace(told, together=together)


def _together(bank: Bank) -> int | None:
    """How many have to feed together; 0: no number does; None: nobody can say, or none has to."""
    if bank.verdict == "another_way":
        return 0
    return bank.together if bank.verdict in ("enough", "limit") else None


# Forecast -------------------------------------------------------------------------------------------------------------


def forecast_events(plan: Plan, told: Told, now_utc: datetime, choices: NoticeChoices) -> tuple[list[Event], Told]:
    """A forecast that got late or cannot be used, or can be used again; nothing while no joint is near.

    That it is late is told once in `LATE_AGAIN_HOURS`, that a late one is fresh again never. A change of feed is none.
    """
    near = [act for _, act in _near_joints(plan, told, now_utc, choices)]
    if AGES[plan.freshness] == AGES[told.forecast]:
        return [], told
    if not near:
        # Better again before anybody needs it: nobody has to hear. Worse is told once somebody does.
        return [], replace(told, forecast=plan.freshness) if AGES[plan.freshness] < AGES[told.forecast] else told
    if told.forecast == "late" and plan.freshness == "fresh":
        return [], replace(told, forecast="fresh")
    since_utc = now_utc - timedelta(hours=LATE_AGAIN_HOURS)
    if plan.freshness == "late" and told.forecast == "fresh" and (told.late_told_utc or since_utc) > since_utc:
        return [], told
    by_utc: datetime | None = None
    urgency: Urgency = "plain"
    if AGES[plan.freshness] == AGES["unusable"]:
        by_utc = min(near)
        urgency = "now" if by_utc - now_utc <= timedelta(hours=choices.unusable_hours) else "soon"
    seen = ForecastAge(plan.freshness, told.forecast, plan.issued_utc, plan.fetched_utc)
    late_told_utc = now_utc if plan.freshness == "late" else told.late_told_utc
    after = replace(told, forecast=plan.freshness, late_told_utc=late_told_utc)
    return [Event("forecast", urgency, by_utc, forecast=seen)], after


def for_crews(
    event: Event, plan: Plan, told: Told, now_utc: datetime, choices: NoticeChoices
) -> dict[tuple[str, str | None], Event]:
    """By crew and shift: a forecast that cannot be used, for crews that act on it soon or were told of joints by it.

    Each crew once, with its first shift. Whoever is told of his joints later is told then that nobody knows.
    """
    if event.forecast is None or AGES[event.forecast.freshness] < AGES["unusable"]:
        return {}
    first: dict[str, tuple[datetime, str | None]] = {}
    soon_utc = now_utc + timedelta(hours=choices.unusable_hours)
    for one, act_utc in sorted(_near_joints(plan, told, now_utc, choices), key=lambda pair: pair[1]):
        known = told.joints.get(one.joint.mark)
        if one.joint.crew and (act_utc <= soon_utc or (known is not None and known.told)):
            first.setdefault(one.joint.crew, (act_utc, one.shift_key))
    return {
        (crew, shift_key): replace(event, urgency="now" if act_utc <= soon_utc else "soon", by_utc=act_utc)
        for crew, (act_utc, shift_key) in first.items()
    }


def _near_joints(plan: Plan, told: Told, now_utc: datetime, choices: NoticeChoices) -> list[tuple[JointPlan, datetime]]:
    """Joints for which the forecast counts, and when something has to be done at them first."""
    until_utc = now_utc + timedelta(hours=choices.front_ahead_hours)
    open_ = [
        one for one in plan.joints if one.window_end_utc > now_utc or one.joint.state in ("heating", "in_progress")
    ]
    acts = [(one, _first_act(one, told)) for one in open_]
    return [(one, act_utc) for one, act_utc in acts if act_utc <= until_utc]


def _first_act(one: JointPlan, told: Told) -> datetime:
    """Light-up of a joint as told, else as planned, else its start."""
    known = told.joints.get(one.joint.mark)
    planned = one.heat.light_up_utc if one.heat is not None else None
    return (known.light_up_utc if known is not None else None) or planned or one.joint.start_utc


# Readings -------------------------------------------------------------------------------------------------------------


def reading_events(
    joints: Sequence[JointPlan], readings: Sequence[Reading], told: Told, now_utc: datetime, choices: NoticeChoices
) -> tuple[dict[str, Event], Told]:
    """By mark: the newest reading of a joint, where it is below its minimum and not long ago.

    Of a joint in progress at once; of one that is heated from its planned start on: before, it is on its way. A reading
    that was taken on its way is told when welding begins on it and no newer one stands beside it. One between passes
    is told whatever the state; a crayon that melted is never below, one that did not is below up to the minimum.
    """
    since_utc = now_utc - timedelta(hours=choices.reading_hours)
    newest: dict[str, Reading] = {}
    for reading in readings:
        if since_utc <= reading.at_utc <= now_utc:
            other = newest.get(reading.mark)
            # Of two at one time the colder counts, whatever their order.
            if other is None or (reading.at_utc, -reading.steel_c) > (other.at_utc, -other.steel_c):
                newest[reading.mark] = reading
    events: dict[str, Event] = {}
    low = [key for key in told.low if _time_of(key) >= since_utc]
    for one in joints:
        mark = one.joint.mark
        last = newest.get(mark)
        if last is None or not _counts(one, last, now_utc):
            continue
        minimum_c = _minimum_c(one, last.steel_c)
        key = f"{mark}|{last.at_utc.isoformat()}"
        if minimum_c is None or key in low or check(last.steel_c, last.sense, Asked(minimum_c, None, None)) != "below":
            continue
        seen = LowReading(mark, one.joint.place, last.steel_c, minimum_c, last.at_utc, last.sense)
        events[mark] = Event("reading", "now", now_utc, reading=seen)
        low.append(key)
    seen_utc = max((one.at_utc for one in newest.values()), default=None)
    until = max((at for at in (told.readings, seen_utc) if at is not None), default=None)
    return events, replace(told, low=tuple(sorted(low)), readings=until)


def _counts(one: JointPlan, last: Reading, now_utc: datetime) -> bool:
    if last.stage == "between_passes":
        return True  # it is being welded, whatever was said of its state
    return one.joint.state == "in_progress" or (one.joint.state == "heating" and one.joint.start_utc <= now_utc)


def _minimum_c(one: JointPlan, steel_c: float) -> float | None:
    """The minimum of the plan, or what the requirement asks of steel so warm where that is more; None: unknown."""
    asked = one.requirement
    if asked.minimum_c is None:
        return one.minimum_c
    return max(preheat.minimum_at(asked, steel_c), one.minimum_c if one.minimum_c is not None else asked.minimum_c)


def _time_of(key: str) -> datetime:
    return datetime.fromisoformat(key.rpartition("|")[2])
