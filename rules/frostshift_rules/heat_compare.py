"""The same joints heated in other ways, side by side: torch fuels and electric heat in time, hands, gas, current, cost.

Every way is a plan of its own for the joints asked about, with one heat source for all of them: those on the site, and
of each other kind the usual one of the library. It compares estimates; which way is allowed the job's procedure says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from frostshift_rules.code_table import CodeTable
from frostshift_rules.gas import counted_in, cylinders_needed, oxygen_counted_in
from frostshift_rules.gas_bank import Bank, bank_of
from frostshift_rules.gas_demand import added
from frostshift_rules.gas_load import flames_of
from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.heat_sources import known_sources
from frostshift_rules.job import HeatSource, Joint, Reading, Site
from frostshift_rules.plan import make_plan
from frostshift_rules.totals import NONE, burnings_of, busiest, most_power
from frostshift_rules.workload import HeatPlan, JointPlan, Range, SourceAmounts, Weather

MOST_JOINTS: Final = 40
"""Joints that are compared at a time."""
HEATER_COUNTS: Final = (2, 4, 6, 8, 12, 16, 20, 24, 32, 40)
"""Numbers of electric heaters that are tried, the fewest that cover and get there first."""


@dataclass(frozen=True, slots=True)
class OneJoint:
    """One joint by one way: number of torches or heaters, and its heat plan; None: it needs no heat, or is unknown."""

    mark: str
    count: int
    heat: HeatPlan | None


@dataclass(frozen=True, slots=True)
class Way:
    """All joints by one way of heating. Amounts hold heating and keeping warm; they leave out joints without a time.

    Attributes:
        source: the heat source.
        on_site: whether it is one of the site's.
        joints: each of them.
        minutes: torch or heater minutes before the first arc of each, added up.
        longest: minutes of the joint that takes longest; None: none has a time.
        at_once: most torches or heaters in use at one time, slow end.
        hands: people who hold a torch at that time; 0 for heaters, which somebody still has to place and watch.
        fuel_kg, oxygen_m3, energy_kwh: low / likely / high.
        power_kw: most that heaters draw at one time.
        bank: cylinders that have to feed together; None: no fuel, or none that comes in cylinders.
        fuel_cylinders, oxygen_cylinders: whole ones for the high end; None: not counted so.
        cost: of gas and current; None: prices are not stated for all of it.
        without_time: marks that this way gives no time for.
    """

    source: HeatSource
    on_site: bool
    joints: tuple[OneJoint, ...]
    minutes: Range
    longest: Range | None
    at_once: int
    hands: int
    fuel_kg: Range
    oxygen_m3: Range
    energy_kwh: Range
    power_kw: float
    bank: Bank | None
    fuel_cylinders: int | None
    oxygen_cylinders: int | None
    cost: Range | None
    without_time: tuple[str, ...]


def sources_to_compare(site: Site) -> tuple[tuple[HeatSource, bool], ...]:
    """The site's sources, and the first of the library of each fuel and kind that the site has none of."""
    there = [(source, True) for source in site.heat_sources]
    kinds = {_kind(source) for source in site.heat_sources}
    for known in known_sources().values():
        if _kind(known.source) not in kinds:
            kinds.add(_kind(known.source))
            there.append((known.source, False))
    return tuple(there)


def compare(
    site: Site,
    table: CodeTable,
    joints: Sequence[Joint],
    weather: Weather,
    readings: Sequence[Reading],
    now_utc: datetime,
) -> tuple[Way, ...]:
    """The ways of heating some joints, the site's own first.

    Args:
        site: of the joints.
        table: its rule table.
        joints: at most `MOST_JOINTS`; further ones are left out.
        weather: as the plan has it.
        readings: on unheated steel.
        now_utc: moment of the plan.
    """
    asked = joints[:MOST_JOINTS]
    return tuple(
        _way(source, on_site, site, table, asked, weather, readings, now_utc)
        for source, on_site in sources_to_compare(site)
    )


def _kind(source: HeatSource) -> tuple[str, str | None, bool]:
    return source.kind, source.fuel, source.oxygen_ratio == 0.0


def _way(
    source: HeatSource,
    on_site: bool,
    site: Site,
    table: CodeTable,
    joints: Sequence[Joint],
    weather: Weather,
    readings: Sequence[Reading],
    now_utc: datetime,
) -> Way:
    alone = replace(site, heat_sources=(replace(source, count=max(source.count, 1)),))

    def planned(changed: Iterable[Joint]) -> list[JointPlan]:
        return list(make_plan(alone, table, list(changed), weather, readings, now_utc).joints)

    changed = []
    for joint in joints:
        for count in HEATER_COUNTS if source.electric else (joint.torches,):
            one = replace(joint, heat_source=source.id, torches=count, also_heated=())
            found = planned([one])
            heat = found[0].heat if found else None
            if heat is None or heat.minutes is not None:
                break
        changed.append(one)
    plans = planned(changed)
    by_mark = {one.joint.mark: one for one in plans}
    timed = [one for one in plans if one.heat is not None and one.heat.minutes is not None]
    amounts = [amount for one in timed if one.heat for amount in (*one.heat.amounts, *one.heat.keep_amounts)]
    at_once, _ = busiest(burning for one in timed for burning in burnings_of(one))
    power_kw, _ = most_power([burning for one in timed for burning in burnings_of(one)], alone.heat_sources)
    fuel_kg, oxygen_m3 = added(one.fuel_kg for one in amounts), added(one.oxygen_m3 for one in amounts)
    energy_kwh = added(one.energy_kwh for one in amounts)
    fuel_in = None if source.fuel is None else counted_in(site.gas, source.fuel)
    minutes = [one.heat.minutes for one in timed if one.heat and one.heat.minutes]
    return Way(
        source=source,
        on_site=on_site,
        joints=tuple(
            OneJoint(one.mark, one.torches, by_mark[one.mark].heat if one.mark in by_mark else None) for one in changed
        ),
        minutes=added(minutes),
        longest=max(minutes, key=lambda one: one.high, default=None),
        at_once=at_once,
        hands=0 if source.electric else at_once,
        fuel_kg=fuel_kg,
        oxygen_m3=oxygen_m3,
        energy_kwh=energy_kwh,
        power_kw=power_kw,
        bank=None if fuel_in is None else _bank(alone, timed, weather, source),
        fuel_cylinders=None if fuel_in is None else cylinders_needed(fuel_kg.high, fuel_in),
        oxygen_cylinders=None if source.fuel is None else cylinders_needed(oxygen_m3.high, oxygen_counted_in(site.gas)),
        cost=_cost(site.gas, source, amounts),
        without_time=tuple(
            one.joint.mark for one in plans if one.call != "no_heat" and (one.heat is None or one.heat.minutes is None)
        ),
    )


def _bank(site: Site, timed: Sequence[JointPlan], weather: Weather, source: HeatSource) -> Bank | None:
    flames = [flame for one in timed for flame in flames_of(one, site)]
    if not flames or source.fuel is None:
        return None
    cylinder = counted_in(site.gas, source.fuel)
    if cylinder is None:
        return None
    span = min(one.start_utc for one in flames), max(one.end_utc for one in flames)
    hours = weather.hours if weather.freshness in ("fresh", "late") else None
    return bank_of("", cylinder, flames, hours, span, site.gas, site.altitude_m, site.choices.doubt_k)


def _cost(setup: GasSetup, source: HeatSource, amounts: Sequence[SourceAmounts]) -> Range | None:
    """Gas by the price of a full cylinder and current by that of a kWh; None where a price is not stated."""
    if source.electric:
        price = setup.kwh_price
        return None if price is None else _times(added(one.energy_kwh for one in amounts), price)
    assert source.fuel is not None
    fuel_in, oxygen_in = counted_in(setup, source.fuel), oxygen_counted_in(setup)
    oxygen_m3 = added(one.oxygen_m3 for one in amounts)
    fuel_terms = None if fuel_in is None else setup.terms(fuel_in.id)
    if fuel_in is None or fuel_terms is None or fuel_terms.price is None:
        return None
    cost = _times(added(one.fuel_kg for one in amounts), fuel_terms.price / fuel_in.contents_kg)
    if oxygen_m3 == NONE:
        return cost
    terms = setup.terms(oxygen_in.id)
    if terms is None or terms.price is None:
        return None
    return added([cost, _times(oxygen_m3, terms.price / oxygen_in.contents_m3)])


def _times(amount: Range, factor: float) -> Range:
    return Range(amount.low * factor, amount.likely * factor, amount.high * factor)
