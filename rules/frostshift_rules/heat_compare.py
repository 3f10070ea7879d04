"""The same joints heated in other ways, side by side: torch fuels and electric heat in time, hands, gas, current, cost.

The first way is the one that is planned. Every other is a plan of its own for the joints asked about, with one heat
source for all of them: each of the site's, and the usual one of the library for every kind the site has none of. It
compares estimates; which way is allowed the welding procedure and the site decide.

How many torches or heaters: a joint that is planned with a source alone stays as planned in the way of that source;
any other joint gets the fewest that give a time.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

from frostshift_rules.code_table import CodeTable
from frostshift_rules.delivered import Heaters, heaters_of
from frostshift_rules.gas import FuelCylinder, OxygenCylinder, counted_in, cylinders_needed, gas, oxygen_counted_in
from frostshift_rules.gas_bank import Bank, bank_of
from frostshift_rules.gas_demand import OXYGEN, GasDemand, demand_of, diesel_l
from frostshift_rules.gas_load import flames_of
from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.heat_sources import known_sources
from frostshift_rules.job import HeatSource, Joint, Reading, Site, SourceKind
from frostshift_rules.plan import make_plan
from frostshift_rules.strict import OutOfRange
from frostshift_rules.totals import burnings_of, busiest, most_power
from frostshift_rules.workload import HeatPlan, HeatStatus, JointPlan, Range, Weather, added

MOST_JOINTS: Final = 40
"""Joints that are compared at a time."""

TRIED: Final[Mapping[SourceKind, tuple[int, ...]]] = {
    "flame": (1, 2, 3, 4),
    "pad": (1, 2, 4, 6, 8, 12, 16, 20, 24, 32, 40),
    "induction": (1, 2, 4, 6, 8, 12),
}
"""Numbers of torches or heaters that are tried on a joint, in this order. Our choice."""

GIVES_UP_AFTER: Final = 2
"""So many larger numbers of heaters without a time end the trials; those that cover too little are not counted."""

Where = Literal["planned", "on_site", "library"]
JointStatus = Literal["timed", "no_time", "no_heat", "unknown"]


@dataclass(frozen=True, slots=True)
class JointWay:
    """One joint by one way.

    Attributes:
        mark: of the joint.
        status: `timed`; `no_time`: it needs heat, and this way gives no time; `no_heat`; `unknown`: whether it needs
            heat, or how much, is not known for any way.
        reason: why there is no time; empty where there is one.
        used: torches and heaters on it at once; where no number gives a time, the last that was tried.
        tried: numbers that were tried; empty where it is as planned.
        heat: its heat plan; None where there is none. Its `note` is worded for flames.
        gases, energy_kwh: what it takes; nothing without a time.
    """

    mark: str
    status: JointStatus
    reason: str
    used: tuple[Heaters, ...]
    tried: tuple[int, ...]
    heat: HeatPlan | None
    gases: tuple[GasDemand, ...]
    energy_kwh: Range


@dataclass(frozen=True, slots=True)
class WayGas:
    """One gas of a way.

    Attributes:
        demand: what it is needed for, low / likely / high.
        cylinder: what it is counted in; None: it comes in none that is known.
        count: whole ones for the high end; None without a cylinder.
        banks: cylinders that have to feed together, by shift of the joints; empty for oxygen and without a cylinder.
    """

    demand: GasDemand
    cylinder: FuelCylinder | OxygenCylinder | None
    count: int | None
    banks: tuple[Bank, ...]

    @property
    def worst(self) -> Bank | None:
        """Of the shift that is hardest on the cylinders: one that is not known or not enough before any count."""
        return max(self.banks, key=lambda one: (_VERDICTS.index(one.verdict), one.together or 0), default=None)


_VERDICTS: Final = ("nothing", "enough", "limit", "no_model", "unknown", "another_way")


@dataclass(frozen=True, slots=True)
class Way:
    """All joints by one way of heating. What joints without a time may need is in no figure.

    Attributes:
        where: `planned`: each joint as the schedule has it; `on_site`: one of the site's sources for all of them;
            `library`: a usual source that the site does not have.
        source: the one for all of them; None for `planned`.
        joints: each of them, in the order they were asked for.
        minutes: of heating before the first arc of each joint, added up; None: none has a time.
        longest: the same of the joint that takes longest.
        total_minutes: of heating over all lengths of each joint, added up; keeping warm is not in it.
        hold_low_minutes: short end of the hold of the joint that is cold again first.
        light_up_utc: of the first torch or heater, so that every joint starts as planned.
        flames_at_once, heaters_at_once: most torches, and most heaters, in use at one time on the slow end.
        gases, energy_kwh: heating, drying, keeping warm, light-ups and torches that wait. Other use of the site is not
            in here.
        power_kw: most that heaters draw at one time.
        diesel_l: for a generator that makes `energy_kwh`.
        cost: of gas and current; None: `no_cost` says why.
        no_cost: reasons; sentences.
    """

    where: Where
    source: HeatSource | None
    joints: tuple[JointWay, ...]
    minutes: Range | None
    longest: Range | None
    total_minutes: Range | None
    hold_low_minutes: float | None
    light_up_utc: datetime | None
    flames_at_once: int
    heaters_at_once: int
    gases: tuple[WayGas, ...]
    energy_kwh: Range
    power_kw: float
    diesel_l: Range
    cost: Range | None
    no_cost: tuple[str, ...]

    @property
    def hands(self) -> int:
        """People who hold a torch at one time; nobody holds a heater, but somebody places and watches it."""
        return self.flames_at_once

    def marks(self, status: JointStatus) -> tuple[str, ...]:
        """Marks of the joints of that status."""
        return tuple(one.mark for one in self.joints if one.status == status)


@dataclass(frozen=True, slots=True)
class Comparison:
    """The joints as planned, in the order they were asked for, and the ways, the planned one first."""

    joints: tuple[JointPlan, ...]
    ways: tuple[Way, ...]


def compare(
    site: Site,
    table: CodeTable,
    joints: Sequence[Joint],
    weather: Weather,
    readings: Sequence[Reading],
    now_utc: datetime,
    beside: Sequence[Joint] = (),
) -> Comparison:
    """The ways of heating some joints.

    Args:
        site: of the joints.
        table: its rule table.
        joints: one to `MOST_JOINTS`, each once, none done or postponed.
        weather: as the plan has it.
        readings: on unheated steel.
        now_utc: moment of the plan.
        beside: other joints whose readings count for parts like theirs; they are not compared.

    Raises:
        OutOfRange: no joint, too many, one twice, or one that is not planned; names them and the limit.
    """
    _check(joints)
    marks = [joint.mark for joint in joints]
    others = [joint for joint in beside if joint.mark not in marks]

    def planned(on: Site, asked: Sequence[Joint]) -> dict[str, JointPlan]:
        made = make_plan(on, table, [*asked, *others], weather, readings, now_utc)
        return {one.joint.mark: one for one in made.joints}

    as_planned = planned(site, joints)
    first = [as_planned[mark] for mark in marks]
    ways = [_way("planned", None, site, [(one, ()) for one in first], weather)]
    for source, on_site in sources_to_compare(site):
        own = {joint.mark for joint in joints if _is_own(site, joint, source)}
        if own == set(marks):
            continue  # that is the planned way
        alone = replace(site, heat_sources=(source,))
        found: dict[str, tuple[JointPlan, tuple[int, ...]]] = {mark: (as_planned[mark], ()) for mark in own}
        failed = dict.fromkeys(marks, 0)
        pending = [joint for joint in joints if joint.mark not in own]
        for count in TRIED[source.kind]:
            plans = planned(alone, [_heated(joint, source, count) for joint in pending])
            for joint in pending:
                _, before = found.get(joint.mark, (None, ()))
                found[joint.mark] = plans[joint.mark], (*before, count)
                heat = plans[joint.mark].heat
                failed[joint.mark] += heat is not None and heat.status != "not_covered"
            pending = [
                joint
                for joint in pending
                if _status(plans[joint.mark]) == "no_time"
                and (not source.electric or failed[joint.mark] <= GIVES_UP_AFTER)
            ]
            if not pending:
                break
        where: Where = "on_site" if on_site else "library"
        ways.append(_way(where, source, alone, [found[mark] for mark in marks], weather))
    return Comparison(tuple(first), tuple(ways))


def sources_to_compare(site: Site) -> tuple[tuple[HeatSource, bool], ...]:
    """The site's sources, and the first of the library of each fuel and kind that the site has none of.

    Beside each, whether it is one of the site's.
    """
    there = [(source, True) for source in site.heat_sources]
    kinds = {_kind(source) for source in site.heat_sources}
    for known in known_sources().values():
        if _kind(known.source) not in kinds:
            kinds.add(_kind(known.source))
            there.append((known.source, False))
    return tuple(there)


def _check(joints: Sequence[Joint]) -> None:
    if not 1 <= len(joints) <= MOST_JOINTS:
        raise OutOfRange(f"{len(joints)} joints are to be compared, expected 1 to {MOST_JOINTS} at a time")
    marks = [joint.mark for joint in joints]
    twice = sorted({mark for mark in marks if marks.count(mark) > 1})
    if twice:
        raise OutOfRange(f"joints are named more than once: {', '.join(twice)}")
    resting = [f"{joint.mark} is {joint.state}" for joint in joints if joint.state in ("done", "postponed")]
    if resting:
        raise OutOfRange(f"joints are not planned: {', '.join(resting)}")


def _kind(source: HeatSource) -> tuple[str, str | None, bool]:
    """What makes two sources another way of heating: kind, fuel, and whether an air torch."""
    return source.kind, source.fuel, source.oxygen_ratio == 0.0


def _is_own(site: Site, joint: Joint, source: HeatSource) -> bool:
    """Whether a joint is planned with this source of the site and nothing beside it."""
    return site.heat_source(joint.heat_source) is source and not joint.also_heated


def _heated(joint: Joint, source: HeatSource, count: int) -> Joint:
    return replace(joint, heat_source=source.id, torches=count, also_heated=())


# One way --------------------------------------------------------------------------------------------------------------


def _way(
    where: Where,
    source: HeatSource | None,
    site: Site,
    found: Sequence[tuple[JointPlan, tuple[int, ...]]],
    weather: Weather,
) -> Way:
    """A way from the plan of each joint on a site that has its sources, and the numbers that were tried for it."""
    joints = tuple(_joint_way(plan, tried, site) for plan, tried in found)
    plans = [plan for plan, _ in found]
    timed = [plan for plan in plans if _status(plan) == "timed"]
    heats = [plan.heat for plan in timed if plan.heat is not None]
    minutes = [heat.minutes for heat in heats if heat.minutes is not None]
    holds = [heat.hold_minutes.low for heat in heats if heat.hold_minutes is not None]
    lit = [heat.light_up_utc for heat in heats if heat.light_up_utc is not None]
    flames = {one.id for one in site.heat_sources if not one.electric}
    burnings = [burning for plan in timed for burning in burnings_of(plan)]
    demands, energy_kwh = demand_of(timed, site)
    gases = tuple(_gas(demand, site, timed, weather) for demand in demands)
    no_cost = _no_cost(site.gas, joints, gases, energy_kwh)
    return Way(
        where=where,
        source=source,
        joints=joints,
        minutes=added(minutes) if minutes else None,
        longest=max(minutes, key=lambda one: (one.high, one.likely), default=None),
        total_minutes=added([heat.total_minutes for heat in heats if heat.total_minutes is not None])
        if heats
        else None,
        hold_low_minutes=min(holds, default=None),
        light_up_utc=min(lit, default=None),
        flames_at_once=busiest(one for one in burnings if one.source_id in flames)[0],
        heaters_at_once=busiest(one for one in burnings if one.source_id not in flames)[0],
        gases=gases,
        energy_kwh=energy_kwh,
        power_kw=most_power(burnings, site.heat_sources)[0],
        diesel_l=diesel_l(energy_kwh),
        cost=None if no_cost else _cost(site.gas, gases, energy_kwh),
        no_cost=no_cost,
    )


def _status(plan: JointPlan) -> JointStatus:
    if plan.call == "no_heat":
        return "no_heat"
    if plan.heat is None:
        return "unknown"
    return "no_time" if plan.heat.minutes is None else "timed"


NO_TIME: Final[Mapping[HeatStatus, tuple[str, str]]] = {
    "no_time": (
        "the flange's width, its web's thickness and its web's depth are not stated",
        "the flange's width, its web's thickness and its web's depth are not stated",
    ),
    "no_source": ("its heat source is not known", "its heat source is not known"),
    "not_covered": ("too little is covered", "the heaters cover too little of what has to be heated at once"),
    "out_of_range": (
        "the heated area, the flame or the parts lie outside what the calculation covers",
        "the heated area, the heaters or the parts lie outside what the calculation covers",
    ),
    "never": ("it does not get there with this flame", "it does not get there with these heaters"),
    "unsure": (
        "the time depends too much on how well the flame heats the steel",
        "the time hangs too much on how much of the heat reaches the steel",
    ),
    "too_hot": ("the hottest metal would pass its limit", "the hottest metal would pass its limit"),
}
"""Why a way gives no time: with a flame; with heaters alone."""


def _joint_way(plan: JointPlan, tried: tuple[int, ...], site: Site) -> JointWay:
    status, heat = _status(plan), plan.heat
    used = heaters_of(plan.joint, site.heat_source) or ()
    gases, energy_kwh = demand_of([plan], site)
    return JointWay(
        mark=plan.joint.mark,
        status=status,
        reason=_reason(plan, status, used, tried),
        used=used if status in ("timed", "no_time") else (),
        tried=tried if status in ("timed", "no_time") else (),
        heat=heat,
        gases=gases,
        energy_kwh=energy_kwh,
    )


def _reason(plan: JointPlan, status: JointStatus, used: Sequence[Heaters], tried: Sequence[int]) -> str:
    if status == "timed":
        return ""
    if status == "no_heat" or plan.heat is None:
        return " ".join(plan.unknowns or plan.reasons)
    electric = bool(used) and all(one.source.electric for one in used)
    why = NO_TIME[plan.heat.status][electric]
    if len(tried) > 1:
        return f"No time with {', '.join(map(str, tried[:-1]))} or {tried[-1]}; with {tried[-1]} {why}."
    return f"No time: {why}."


# Gas, current, cost ---------------------------------------------------------------------------------------------------


def _gas(demand: GasDemand, site: Site, timed: Sequence[JointPlan], weather: Weather) -> WayGas:
    if demand.gas == OXYGEN:
        oxygen = oxygen_counted_in(site.gas)
        return WayGas(demand, oxygen, cylinders_needed(demand.total.high, oxygen), ())
    fuel = counted_in(site.gas, demand.gas)
    if fuel is None:
        return WayGas(demand, None, None, ())
    return WayGas(demand, fuel, cylinders_needed(demand.total.high, fuel), tuple(_banks(fuel, site, timed, weather)))


def _banks(cylinder: FuelCylinder, site: Site, timed: Sequence[JointPlan], weather: Weather) -> Iterable[Bank]:
    """The cylinders of a fuel through each shift of the joints, from its first flame to its last."""
    hours = weather.hours if weather.freshness in ("fresh", "late") else None
    by_shift: dict[str, list[JointPlan]] = {}
    for plan in timed:  # joints outside every shift by their day
        by_shift.setdefault(plan.shift_key or plan.joint.start_utc.date().isoformat(), []).append(plan)
    flames = [flame for plan in timed for flame in flames_of(plan, site) if flame.fuel == cylinder.fuel]
    for key, plans in by_shift.items():
        marks = {plan.joint.mark for plan in plans}
        own = [flame for flame in flames if flame.mark in marks]
        if own:
            span = min(flame.start_utc for flame in own), max(flame.end_utc for flame in own)
            yield bank_of(key, cylinder, flames, hours, span, site.gas, site.altitude_m, site.choices.doubt_k)


def _no_cost(
    setup: GasSetup, joints: Sequence[JointWay], gases: Sequence[WayGas], energy_kwh: Range
) -> tuple[str, ...]:
    """Why there is no cost that can be held against that of another way."""
    without = [one.mark for one in joints if one.status == "no_time"]
    if without:
        return (f"No cost of a part of the work: no time for {', '.join(without)}.",)
    if not any(one.status == "timed" for one in joints):
        return ("Nothing to heat that a cost is known for.",)
    missing = [_name(one.demand.gas) for one in gases if _price(setup, one) is None]
    if energy_kwh.high > 0.0 and setup.kwh_price is None:
        missing.append("current")
    return (f"The site states no price of {', '.join(missing)}.",) if missing else ()


def _name(of: str) -> str:
    return of if of == OXYGEN else gas(of).name


def _price(setup: GasSetup, one: WayGas) -> float | None:
    """Of a kilogram of fuel or a cubic metre of oxygen, by that of a full cylinder; None where it is not stated."""
    terms = None if one.cylinder is None else setup.terms(one.cylinder.id)
    if one.cylinder is None or terms is None or terms.price is None:
        return None
    full = one.cylinder.contents_kg if isinstance(one.cylinder, FuelCylinder) else one.cylinder.contents_m3
    return terms.price / full


def _cost(setup: GasSetup, gases: Sequence[WayGas], energy_kwh: Range) -> Range:
    costs = [_times(one.demand.total, price) for one in gases if (price := _price(setup, one)) is not None]
    return added([*costs, _times(energy_kwh, setup.kwh_price or 0.0)])


def _times(amount: Range, factor: float) -> Range:
    return Range(amount.low * factor, amount.likely * factor, amount.high * factor)
