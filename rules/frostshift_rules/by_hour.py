"""Torches hour by hour through a shift: the same burnings that the shift's total counts, cut at the full hours.

Everything stands on the slow end of its heating time, as in `totals`; the highest hour is `ShiftTotal.torches_at_once`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from frostshift_rules.job import Site
from frostshift_rules.totals import Burning, begin_utc, burnings_of, near
from frostshift_rules.workload import JointPlan, Plan, ShiftTotal

_HOUR: Final = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class HourOfShift:
    """One full local hour.

    Attributes:
        start_utc: it begins then; it is 60 minutes long, on the night of a change of the clock too.
        torches: most torches that burn at the same time within it.
        people: most people who heat at the same time within it: one holds each torch, as the shift's total counts.
        torch_minutes: torches times minutes within it [min].
    """

    start_utc: datetime
    torches: int
    people: int
    torch_minutes: float


def torches_by_hour(plan: Plan, shift: ShiftTotal) -> tuple[HourOfShift, ...]:
    """The hours of a shift with the torches in them, from its first light-up or its start to its end.

    Torches of other shifts that burn in these hours are counted. Electric heaters are not: nobody holds them.

    Args:
        plan: with the joints of all shifts.
        shift: one of the plan's.
    """
    flames = {source.id for source in plan.site.heat_sources if not source.electric}
    of_shift = [joint for joint in plan.joints if joint.shift_key == shift.key]
    begun_utc = begin_utc(shift.start_utc, of_shift)
    there = near((one for joint in plan.joints for one in burnings_of(joint)), begun_utc, shift.end_utc)
    return _hours([one for one in there if one.source_id in flames], begun_utc, shift.end_utc, plan.site)


def _hours(burnings: Sequence[Burning], begun_utc: datetime, end_utc: datetime, site: Site) -> tuple[HourOfShift, ...]:
    at, hours = _full_hour(begun_utc, site), []
    while at < end_utc:
        # Before and after the shift only the torches that it shares with its neighbours would show.
        hours.append(_hour(burnings, max(at, begun_utc), min(at + _HOUR, end_utc), at))
        at += _HOUR
    return tuple(hours)


def _full_hour(at_utc: datetime, site: Site) -> datetime:
    """The full local hour at or before a moment; zones that lie half an hour off have theirs at half past."""
    local = at_utc.astimezone(ZoneInfo(site.zone))
    return at_utc - timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)


def _hour(burnings: Sequence[Burning], start_utc: datetime, end_utc: datetime, full_utc: datetime) -> HourOfShift:
    inside = [one for one in burnings if one.start_utc < end_utc and one.end_utc > start_utc]
    # The count changes where one begins or ends; between two such moments it stands.
    edges = {start_utc} | {one.start_utc for one in inside if one.start_utc > start_utc}
    most = max(sum(one.torches for one in inside if one.start_utc <= at < one.end_utc) for at in edges)
    minutes = sum(
        one.torches * (min(one.end_utc, end_utc) - max(one.start_utc, start_utc)) / timedelta(minutes=1)
        for one in inside
    )
    return HourOfShift(full_utc, most, most, minutes)


def marks_lit(joints: Sequence[JointPlan], start_utc: datetime) -> tuple[str, ...]:
    """Marks of the joints whose torch is lit within the hour from `start_utc` on."""
    return tuple(
        joint.joint.mark
        for joint in joints
        if joint.heat and joint.heat.light_up_utc and start_utc <= joint.heat.light_up_utc < start_utc + _HOUR
    )
