"""The workload of each shift: calls, torch-minutes, torches at once, fuel, oxygen and electric power.

Nothing is hidden: joints under a stop are counted like the others, and `unknown` says how many joints the amounts leave
out, so that every amount is shown as "at least" while it is not 0.

Torches and hands are those of flames: somebody holds a torch, nobody holds a heater once it is placed.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, get_args
from zoneinfo import ZoneInfo

from frostshift_rules import gas
from frostshift_rules.job import HeatSource, Site
from frostshift_rules.people import Outdoors, PeopleCold, people_over
from frostshift_rules.shifts import ShiftSpan
from frostshift_rules.stops import WeatherState
from frostshift_rules.workload import FuelTotal, HeatCall, JointPlan, Range, ShiftTotal, SourceAmounts, added

NONE = Range(0.0, 0.0, 0.0)


def shift_totals(
    joints: Sequence[JointPlan], shifts: Sequence[ShiftSpan], site: Site, outdoors: Outdoors | None, now_utc: datetime
) -> tuple[ShiftTotal, ...]:
    """One total a shift, in the order of `shifts`; `outdoors` is what its people stand in, None without a forecast."""
    by_shift: defaultdict[str, list[JointPlan]] = defaultdict(list)
    for joint in joints:
        if joint.shift_key is not None:
            by_shift[joint.shift_key].append(joint)
    burnings = [burning for joint in joints for burning in burnings_of(joint)]
    return tuple(
        _total(shift, of_shift, burnings, site, _people(shift, of_shift, outdoors, site, now_utc), now_utc)
        for shift, of_shift in ((shift, by_shift[shift.key]) for shift in shifts)
    )


def counted(joint: JointPlan, amount: Range | None) -> Range:
    """What of a joint's amount goes into a total.

    A joint to be measured first may need nothing: its low end is 0, and its likely amount counts where the likely
    steel temperature does not pass.
    """
    if amount is None:
        return NONE
    if joint.call != "measure":
        return amount
    threshold_c = joint.requirement.threshold_c
    likely_passes = joint.steel is not None and threshold_c is not None and joint.steel.likely_c >= threshold_c
    return Range(0.0, 0.0 if likely_passes else amount.likely, amount.high)


def without_amount(joint: JointPlan) -> bool:
    """Whether the totals leave out what this joint may need."""
    if joint.call == "no_heat":
        return False
    return joint.heat is None or joint.heat.minutes is None


def _people(
    shift: ShiftSpan, joints: Sequence[JointPlan], outdoors: Outdoors | None, site: Site, now_utc: datetime
) -> PeopleCold | None:
    """The cold in what is left of the shift, from its first light-up on; None where it is over or has no joint."""
    if not joints or shift.end_utc <= now_utc:
        return None
    return people_over(outdoors, max(begin_utc(shift.start_utc, joints), now_utc), shift.end_utc, site.code_units)


def begin_utc(start_utc: datetime, joints: Iterable[JointPlan]) -> datetime:
    """Start of a shift, or of the first torch for one of its joints where that is before."""
    return min([start_utc, *(joint.heat.light_up_utc for joint in joints if joint.heat and joint.heat.light_up_utc)])


def near(burnings: Iterable[Burning], begun_utc: datetime, end_utc: datetime) -> list[Burning]:
    """What burns in a shift: torches of the shift before may still burn, and those of the next one burn already."""
    return [one for one in burnings if one.start_utc < end_utc and one.end_utc > begun_utc]


def _total(
    shift: ShiftSpan,
    joints: list[JointPlan],
    burnings: Sequence[Burning],
    site: Site,
    people: PeopleCold | None,
    now_utc: datetime,
) -> ShiftTotal:
    calls = Counter(joint.call for joint in joints)
    states = Counter(joint.weather_state for joint in joints)
    there_too = near(burnings, begin_utc(shift.start_utc, joints), shift.end_utc)
    flames = {source.id for source in site.heat_sources if not source.electric}
    at_once, at_utc = busiest(one for one in there_too if one.source_id in flames)
    there = sum(source.count for source in site.heat_sources if source.id in flames)
    power_kw, power_utc = most_power(there_too, site.heat_sources)
    return ShiftTotal(
        key=shift.key,
        name=shift.shift.name,
        day=shift.day,
        start_utc=shift.start_utc,
        end_utc=shift.end_utc,
        joints=len(joints),
        calls={call: calls[call] for call in get_args(HeatCall)},
        states={state: states[state] for state in get_args(WeatherState)},
        heat_minutes=added(torch_minutes(joint, flames) for joint in joints),
        torches_at_once=at_once,
        torches_at_utc=at_utc,
        torches_there=there,
        hands=shift.shift.hands,
        fuels=_fuels(joints, site),
        unknown=sum(without_amount(joint) or joint.call == "unknown" for joint in joints),
        notes=_notes(joints, there_too, at_once, shift, site, now_utc),
        people=people,
        power_kw=power_kw,
        power_utc=power_utc,
    )


def torch_minutes(joint: JointPlan, flames: Collection[str]) -> Range:
    """Torch burning over all lengths of a joint times its torches, as it is counted; `flames`: ids of the torches."""
    if joint.heat is None or joint.heat.total_minutes is None:
        return NONE
    minutes = counted(joint, joint.heat.total_minutes)
    torches = sum(one.count for one in joint.heat.amounts if one.source_id in flames)
    return Range(minutes.low * torches, minutes.likely * torches, minutes.high * torches)


@dataclass(frozen=True, slots=True)
class Burning:
    """From when to when torches or heaters of a source stand at one joint on the slow end."""

    start_utc: datetime
    end_utc: datetime
    torches: int
    source_id: str | None


def torches_end_utc(joint: JointPlan) -> datetime | None:
    """When torches are no longer needed at a joint, over all lengths on the slow end; None where there is no time."""
    heat = joint.heat
    if heat is None or heat.light_up_utc is None or heat.minutes is None or heat.total_minutes is None:
        return None
    return joint.joint.start_utc + timedelta(minutes=heat.total_minutes.high - heat.minutes.high)


def burnings_of(joint: JointPlan) -> tuple[Burning, ...]:
    """When torches and heaters stand at a joint, source by source; empty where there is no time."""
    heat, end_utc = joint.heat, torches_end_utc(joint)
    if heat is None or heat.light_up_utc is None or end_utc is None:
        return ()
    welded_utc = joint.joint.start_utc + timedelta(hours=joint.joint.hours)
    # Electric heaters stay on to keep it warm while it is welded; a torch is led where it is needed.
    return tuple(
        Burning(
            heat.light_up_utc,
            max(end_utc, welded_utc) if one.energy_kwh.high > 0.0 else end_utc,
            one.count,
            one.source_id,
        )
        for one in heat.amounts
    )


def busiest(burnings: Iterable[Burning]) -> tuple[int, datetime | None]:
    """Most torches or heaters in use at the same time, and when that begins."""
    most, when = _peak((one, float(one.torches)) for one in burnings)
    return round(most), when


def most_power(burnings: Iterable[Burning], sources: Sequence[HeatSource]) -> tuple[float, datetime | None]:
    """Most that electric heaters draw at the same time at their full rating [kW], and when that begins."""
    rated_kw = {source.id: source.net_kw for source in sources if source.electric}
    return _peak((one, one.torches * rated_kw[one.source_id]) for one in burnings if one.source_id in rated_kw)


def _peak(burnings: Iterable[tuple[Burning, float]]) -> tuple[float, datetime | None]:
    """The highest sum of some amounts that stand from a start to an end, and when it begins."""
    changes: list[tuple[datetime, float]] = []
    for one, amount in burnings:
        changes += [(one.start_utc, amount), (one.end_utc, -amount)]
    most, now, when = 0.0, 0.0, None
    for at, change in sorted(changes):  # at one instant torches are laid down before others are lit
        now += change
        if now > most + 1e-9:
            most, when = now, at
    return most, when


def _fuels(joints: Sequence[JointPlan], site: Site) -> tuple[FuelTotal, ...]:
    totals = []
    oxygen_cylinder = gas.oxygen_counted_in(site.gas)
    for source in site.heat_sources:
        used = [(joint, one) for joint in joints if joint.heat for one in _of(source, joint.heat.amounts)]
        if not used:
            continue
        heating = _added(source, used)
        kept = [(joint, one) for joint in joints if joint.heat for one in _of(source, joint.heat.keep_amounts)]
        keep = _added(source, kept)
        fuel_cylinder = None if source.fuel is None else gas.counted_in(site.gas, source.fuel)
        fuels = _cylinders(heating.fuel_kg, keep.fuel_kg, fuel_cylinder)
        oxygens = _cylinders(heating.oxygen_m3, keep.oxygen_m3, oxygen_cylinder)
        totals.append(
            FuelTotal(
                source_id=source.id,
                fuel_kg=heating.fuel_kg,
                oxygen_m3=heating.oxygen_m3,
                fuel_cylinders=0 if source.electric else fuels[0],
                oxygen_cylinders=oxygens[0],
                fuel_cylinder=fuel_cylinder.name if fuel_cylinder else "",
                oxygen_cylinder=oxygen_cylinder.name,
                energy_kwh=heating.energy_kwh,
                keep=keep,
                keep_fuel_cylinders=0 if source.electric else fuels[1],
                keep_oxygen_cylinders=oxygens[1],
            )
        )
    return tuple(totals)


def _cylinders(
    heating: Range, keep: Range, cylinder: gas.FuelCylinder | gas.OxygenCylinder | None
) -> tuple[int | None, int | None]:
    """Whole cylinders for the high end of heating up, and how many more for keeping warm; None: not counted so."""
    if cylinder is None:
        return None, None
    first = gas.cylinders_needed(heating.high, cylinder)
    return first, gas.cylinders_needed(heating.high + keep.high, cylinder) - first


def _of(source: HeatSource, amounts: Iterable[SourceAmounts]) -> list[SourceAmounts]:
    return [one for one in amounts if one.source_id == source.id]


def _added(source: HeatSource, used: Sequence[tuple[JointPlan, SourceAmounts]]) -> SourceAmounts:
    """The amounts of some joints together, as far as each counts."""
    return SourceAmounts(
        source_id=source.id,
        count=sum(one.count for _, one in used),
        fuel_kg=added(counted(joint, one.fuel_kg) for joint, one in used),
        oxygen_m3=added(counted(joint, one.oxygen_m3) for joint, one in used),
        energy_kwh=added(counted(joint, one.energy_kwh) for joint, one in used),
    )


PLACED_NOTE: Final = (
    "Electric heaters are in no count of torches or hands: once they are placed nobody holds them, but somebody has to "
    "place and watch them. Placing takes longer than the set-up of a torch: begin before the light-up time."
)


def _marks(joints: Sequence[JointPlan]) -> str:
    shown = ", ".join(joint.joint.mark for joint in joints[:6])
    return shown if len(joints) <= 6 else f"{shown} and {len(joints) - 6} more"


_NAMED: Final = 6
"""So many joints are named in a note, each with its times."""


def _late(joints: Sequence[JointPlan], shift: ShiftSpan, site: Site, now_utc: datetime) -> Iterable[str]:
    """What to say of joints that nobody of the shift can light up in time; for those not past somebody can come."""
    ahead: list[tuple[str, str, str]] = []
    past: list[tuple[str, str, str]] = []
    for one in joints:
        if one.heat is None or one.heat.light_up_utc is None or one.heat.earliest_arc_utc is None:
            continue
        lit_utc, arc_utc = one.heat.light_up_utc, one.heat.earliest_arc_utc
        times = one.joint.mark, _local(lit_utc, site), _local(arc_utc + _ALMOST_A_MINUTE, site)
        (past if lit_utc < now_utc else ahead).append(times)
    begins = _local(shift.start_utc, site)
    if len(ahead) == 1:
        mark, lit, arc = ahead[0]
        yield (
            f"{mark}: light up {lit}, the shift starts {begins}: somebody comes earlier, or the arc waits until {arc}."
        )
    elif ahead:
        said = "; ".join(f"{mark} at {lit}, else arc from {arc}" for mark, lit, arc in ahead[:_NAMED])
        yield (
            f"{len(ahead)} joints light up before the shift starts {begins}: somebody comes earlier, or their arcs "
            f"wait. {said}{_unnamed(len(ahead))}."
        )
    if len(past) == 1:
        mark, lit, arc = past[0]
        yield f"{mark}: its light-up {lit} is past: earliest arc {arc}."
    elif past:
        said = "; ".join(f"{mark} {lit}, earliest arc {arc}" for mark, lit, arc in past[:_NAMED])
        yield f"The light-ups of {len(past)} joints are past: {said}{_unnamed(len(past))}."


_ALMOST_A_MINUTE: Final = timedelta(minutes=1) - timedelta(microseconds=1)
"""Added before the seconds are cut off, so that no arc is said to be earlier than it is."""


def _local(at_utc: datetime, site: Site) -> str:
    return f"{at_utc.astimezone(ZoneInfo(site.zone)):%a %H:%M}"


def _unnamed(count: int) -> str:
    return f"; {count - _NAMED} more, each with its times" if count > _NAMED else ""


def _notes(
    joints: Sequence[JointPlan],
    burnings: Sequence[Burning],
    at_once: int,
    shift: ShiftSpan,
    site: Site,
    now_utc: datetime,
) -> tuple[str, ...]:
    notes = list(_late(joints, shift, site, now_utc))
    for source in site.heat_sources:
        needed, _ = busiest(one for one in burnings if one.source_id == source.id)
        if needed > source.count:
            notes.append(
                f"{needed} of {source.name} are needed at once, {source.count} are on the site: "
                "bring more or spread the starts."
            )
    if at_once > shift.shift.hands:
        notes.append(
            f"{at_once} torches are needed at once, {shift.shift.hands} people can hold one: "
            "bring more hands or spread the starts."
        )
    electric = {source.id for source in site.heat_sources if source.electric}
    if any(one.source_id in electric for joint in joints if joint.heat for one in joint.heat.amounts):
        notes.append(PLACED_NOTE)
    left_out = [j for j in joints if without_amount(j)]
    if left_out:
        notes.append(f"The amounts are at least: nothing is counted for {_marks(left_out)}.")
    return tuple(notes)
