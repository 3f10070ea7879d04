"""Gas and current of the next shifts, the cylinders that have to feed together, and the order: the composition.

    demand of each shift               `gas_demand`
    flames on and off                  `gas_load`
    cylinders together, change-over    `gas_bank`
    stock against demand, the order    `gas_order`

A pure function of a plan, its forecast and the stock. It is worked out when somebody looks and is not kept: the plan it
came from is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from frostshift_rules import shifts as calendar
from frostshift_rules.cylinder_limits import filled_gauge_kpa
from frostshift_rules.gas import (
    FuelCylinder,
    OxygenCylinder,
    counted_cylinders,
    counted_in,
    gas,
    gas_in,
    oxygen_counted_in,
)
from frostshift_rules.gas_bank import Bank, bank_of, barometer_kpa
from frostshift_rules.gas_demand import OXYGEN, ShiftDemand, demand_by_shift
from frostshift_rules.gas_load import Flame, flames_of, most_oxygen_m3_h, other_flames
from frostshift_rules.gas_needs import LeftOut, Together, needs_of, not_known_from
from frostshift_rules.gas_order import OrderLine, order_line
from frostshift_rules.job import Site
from frostshift_rules.stock import KindStock
from frostshift_rules.strict import OutOfRange
from frostshift_rules.supply_days import expected_day
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import Plan

LOOKS_AHEAD: Final = timedelta(days=30)
"""An order is made for no later shift than this, unless one of today comes later still."""
LEAST_STAYS: Final = 0.10
MOST_STAYS: Final = 0.50
"""Share of a full fuel cylinder that stays in it when it is changed over, at the least and at the most. Our choice."""

WhyUsable = Literal["cold", "usual"]


@dataclass(frozen=True, slots=True)
class OxygenShift:
    """Torch oxygen of one shift.

    Attributes:
        shift_key: of the shift.
        cylinder: what it is counted in.
        most_m3_h: most that flows at one time [m3/h at 15 °C].
        minutes_each: how long one full cylinder lasts at that flow [min]; None: none flows.
        gauge_kpa: of a full one in the coldest air of the shift [kPa]: a low gauge in the morning is no missing gas;
            None where it is not known.
    """

    shift_key: str
    cylinder: OxygenCylinder
    most_m3_h: float
    minutes_each: float | None
    gauge_kpa: float | None


@dataclass(frozen=True, slots=True)
class KindUsable:
    """What the count relies on of a full cylinder [kg, m3], and why: the `cold` of the next shifts, or the `usual`."""

    kind: str
    amount: float
    why: WhyUsable


@dataclass(frozen=True, slots=True)
class GasPlan:
    """Everything about gas at one moment.

    Attributes:
        made_utc: of the plan.
        shifts: demand of the shifts to come, in their order.
        banks: by shift, then fuel: cylinders that have to feed together.
        oxygen: by shift.
        usable: by kind.
        orders: by kind, fuels first.
        not_counted: fuels that come in no cylinder that is known, with the reason.
        known_until_utc: end of the last shift whose demand is known; None: of none.
        left_out: joints that are in no shift to come.
    """

    made_utc: datetime
    shifts: tuple[ShiftDemand, ...]
    banks: tuple[Bank, ...]
    oxygen: tuple[OxygenShift, ...]
    usable: tuple[KindUsable, ...]
    orders: tuple[OrderLine, ...]
    not_counted: tuple[str, ...]
    known_until_utc: datetime | None
    left_out: LeftOut = LeftOut()


def make_gas_plan(plan: Plan, hours: Hours | None, stock: Mapping[str, KindStock], now_utc: datetime) -> GasPlan:
    """Gas of a plan at `now_utc`.

    Args:
        plan: the latest.
        hours: of the forecast that it was made from; None: there was none to use.
        stock: by kind of cylinder, as far as somebody has written it down.
        now_utc: aware.
    """
    site = plan.site
    if plan.freshness in ("unusable", "none"):
        hours = None
    shifts = tuple(one for one in demand_by_shift(plan) if one.end_utc > now_utc)
    flames = [flame for joint in plan.joints for flame in flames_of(joint, site)]
    # What the site can burn stays in the list while nothing is known of its demand.
    burned = [source.fuel for source in site.heat_sources if source.fuel is not None]
    others = [one.gas for one in site.gas.other_use if one.gas != OXYGEN]
    used = [one.gas for shift in shifts for one in shift.gases if one.gas != OXYGEN]
    fuels = list(dict.fromkeys([*burned, *others, *used]))
    counted = {fuel: counted_in(site.gas, fuel) for fuel in fuels}
    banks = list(_banks(shifts, counted, flames, hours, plan))
    usable = [_usable(cylinder, banks) for cylinder in counted.values() if cylinder is not None]
    oxygen_in = oxygen_counted_in(site.gas)
    with_oxygen = any(source.fuel is not None and source.oxygen_ratio != 0.0 for source in site.heat_sources)
    if with_oxygen or any(one.gas == OXYGEN for one in site.gas.other_use):
        usable.append(KindUsable(oxygen_in.id, oxygen_in.usable_m3, "usual"))
    return GasPlan(
        made_utc=plan.made_utc,
        shifts=shifts,
        banks=tuple(banks),
        oxygen=tuple(_oxygen(shift, oxygen_in, flames, banks, site) for shift in shifts if shift.known),
        usable=tuple(usable),
        orders=tuple(_order(one, shifts, banks, stock, plan, now_utc) for one in usable),
        left_out=_left_out(plan, now_utc),
        not_counted=tuple(
            f"{gas(fuel).name}: {gas(fuel).supply_note}" for fuel, cylinder in counted.items() if cylinder is None
        ),
        known_until_utc=max((one.end_utc for one in shifts if one.known), default=None),
    )


def _banks(
    shifts: Sequence[ShiftDemand],
    counted: Mapping[str, FuelCylinder | None],
    flames: Sequence[Flame],
    hours: Hours | None,
    plan: Plan,
) -> Iterator[Bank]:
    before: dict[str, Bank] = {}
    for shift in shifts:
        for fuel, cylinder in counted.items():
            if cylinder is not None and shift.known and any(one.gas == fuel for one in shift.gases):
                before[fuel] = _bank(shift, cylinder, flames, hours, plan, before.get(fuel))
                yield before[fuel]


def _bank(
    shift: ShiftDemand,
    cylinder: FuelCylinder,
    flames: Sequence[Flame],
    hours: Hours | None,
    plan: Plan,
    before: Bank | None,
) -> Bank:
    site = plan.site
    of_fuel = [one for one in flames if one.fuel == cylinder.fuel]
    of_fuel += [
        one
        for one in other_flames(site.gas.other_use, shift.name, shift.start_utc, shift.end_utc)
        if one.fuel == cylinder.fuel
    ]
    # The first torch of a shift may burn before it begins, where it is not lit in the shift before.
    earliest = shift.start_utc - timedelta(hours=4)
    lit = [
        one.start_utc for one in of_fuel if earliest <= one.start_utc < shift.end_utc and one.end_utc > shift.start_utc
    ]
    span = max(min([shift.start_utc, *lit]), min(plan.made_utc, shift.start_utc)), shift.end_utc
    return bank_of(shift.key, cylinder, of_fuel, hours, span, site.gas, site.altitude_m, site.choices.doubt_k, before)


def _usable(cylinder: FuelCylinder, banks: Sequence[Bank]) -> KindUsable:
    """What the cold of the next shifts lets out of a full one."""
    of_kind = [one for one in banks if one.cylinder.id == cylinder.id and one.verdict == "enough"]
    stays = [one.change_over_kg for one in of_kind]
    if not stays or any(one is None for one in stays):
        return KindUsable(cylinder.id, cylinder.usable_kg, "usual")
    most = max(one for one in stays if one is not None)
    kept = min(max(most, LEAST_STAYS * cylinder.contents_kg), MOST_STAYS * cylinder.contents_kg)
    return KindUsable(cylinder.id, cylinder.contents_kg - kept, "cold")


def _oxygen(
    shift: ShiftDemand, cylinder: OxygenCylinder, flames: Sequence[Flame], banks: Sequence[Bank], site: Site
) -> OxygenShift:
    inside = [one for one in flames if one.start_utc < shift.end_utc and one.end_utc > shift.start_utc]
    flow_m3_h = most_oxygen_m3_h(inside)
    coldest = [one.coldest_c for one in banks if one.shift_key == shift.key and one.coldest_c is not None]
    gauge_kpa = None
    if coldest and cylinder.fill is not None:
        try:
            gauge_kpa = filled_gauge_kpa(cylinder, min(coldest), barometer_kpa(site.altitude_m))
        except OutOfRange:
            gauge_kpa = None  # colder than the table of oxygen reaches
    return OxygenShift(
        shift.key, cylinder, flow_m3_h, cylinder.usable_m3 / flow_m3_h * 60.0 if flow_m3_h > 0.0 else None, gauge_kpa
    )


def _order(
    usable: KindUsable,
    shifts: Sequence[ShiftDemand],
    banks: Sequence[Bank],
    stock: Mapping[str, KindStock],
    plan: Plan,
    now_utc: datetime,
) -> OrderLine:
    site = plan.site
    there, _ = counted_cylinders(site.gas)
    if usable.kind in there.oxygen:
        of_gas, contents = OXYGEN, there.oxygen[usable.kind].contents_m3
    else:
        cylinder = there.fuel[usable.kind]
        of_gas, contents = cylinder.fuel, cylinder.contents_kg
    terms, today = site.gas.terms(usable.kind), now_utc.astimezone(ZoneInfo(site.zone)).date()
    comes = None if terms is None else expected_day(today, terms, site.gas.closed_days)
    looks_ahead = LOOKS_AHEAD
    if comes is not None:
        looks_ahead = max(looks_ahead, comes - today + timedelta(days=site.gas.cover_days + 1))
    together = {
        one.shift_key: Together(one.together or 0, starves=one.verdict == "another_way")
        for one in banks
        if one.cylinder.id == usable.kind
    }
    further = _further(shifts, site, now_utc, looks_ahead)
    line = order_line(
        usable.kind,
        of_gas,
        contents,
        usable.amount,
        needs_of(of_gas, shifts, further, together),
        stock.get(usable.kind),
        terms,
        site.gas.closed_days,
        today,
        site.gas.cover_days,
        site.zone,
        _left_out(plan, now_utc),
        not_known_from(shifts, further),
    )
    return replace(line, notes=(*line.notes, *_other_sizes(usable.kind, of_gas, stock, site)))


def _left_out(plan: Plan, now_utc: datetime) -> LeftOut:
    """Joints that are in no shift to come: planned outside every shift, or not done in one that is over."""
    to_come = {one.key for one in plan.shifts if one.end_utc > now_utc}
    outside = [one for one in plan.joints if one.shift_key is None]
    return LeftOut(
        outside=sum(one.joint.start_utc >= now_utc for one in outside),
        overdue=sum(one.joint.start_utc < now_utc for one in outside)
        + sum(one.shift_key is not None and one.shift_key not in to_come for one in plan.joints),
    )


def _other_sizes(kind: str, of_gas: str, stock: Mapping[str, KindStock], site: Site) -> Iterator[str]:
    """Full cylinders of another size of the same gas, which the count leaves out."""
    there, _ = counted_cylinders(site.gas)
    for other in stock.values():
        found = there.find(other.kind)
        if other.kind != kind and found is not None and gas_in(found) == of_gas and other.full > 0:
            yield (
                f"{other.full} × {found.name} are on the site and not counted here: Use of gas in the set-up says what "
                "is counted in."
            )


def _further(
    shifts: Sequence[ShiftDemand], site: Site, now_utc: datetime, looks_ahead: timedelta
) -> list[tuple[str, str, date, datetime]]:
    """Shifts beyond those of the plan, as far as an order may be made for."""
    begin_utc = max([now_utc, *(one.end_utc for one in shifts)])
    there = {one.key for one in shifts}
    return [
        (one.key, one.shift.name, one.day, one.start_utc)
        for one in calendar.spans(site.shifts, site.zone, begin_utc, max(begin_utc, now_utc + looks_ahead))
        if one.key not in there
    ]
