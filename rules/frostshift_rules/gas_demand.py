"""What gas and current the next shifts take, gas by gas, with what it is for: low / likely / high.

The heat plans give what heating, drying and keeping warm take; the site states the rest (`gas_setup`). A shift beyond
the forecast has no demand: it is not known, and not nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, Literal

from frostshift_rules.gas import burn
from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.job import HeatSource, Site
from frostshift_rules.totals import NONE, counted, without_amount
from frostshift_rules.workload import HeatPlan, JointPlan, Plan, Range, ShiftTotal, SourceAmounts, added

Use = Literal["heating", "drying", "keeping", "light_ups", "idle", "other"]
USES: Final[tuple[Use, ...]] = ("heating", "drying", "keeping", "light_ups", "idle", "other")

OXYGEN: Final = "oxygen"

DIESEL_KWH_L: Final = Range(2.6, 3.0, 3.4)
"""Electric energy from a litre of diesel in a generator at good load [kWh/L]: 10 to 13 kWh a US gallon, from memory."""


@dataclass(frozen=True, slots=True)
class GasDemand:
    """What one gas is needed for in one shift, all torches that burn it together.

    Attributes:
        gas: id of the fuel, or `oxygen`.
        uses: amount by use, only those that there are [kg of fuel, m3 of oxygen at 15 °C].
    """

    gas: str
    uses: Mapping[Use, Range]

    @property
    def total(self) -> Range:
        """All uses together [kg, m3]."""
        return added(self.uses.values())


@dataclass(frozen=True, slots=True)
class ShiftDemand:
    """What one shift takes.

    Attributes:
        key, name, day, start_utc, end_utc: as in `workload.ShiftTotal`.
        known: the forecast reaches to the end of the shift; else nothing is said.
        unknown_joints: joints whose amounts are not in here: the amounts are "at least" while it is not 0.
        gases: by gas, fuels first.
        energy_kwh: drawn by electric heaters [kWh].
        power_kw: most that they draw at the same time [kW].
        diesel_l: for a generator that makes `energy_kwh` [L], an estimate.
    """

    key: str
    name: str
    day: date
    start_utc: datetime
    end_utc: datetime
    known: bool
    unknown_joints: int
    gases: tuple[GasDemand, ...]
    energy_kwh: Range
    power_kw: float
    diesel_l: Range

    def of(self, gas: str) -> Range:
        """The total of a gas [kg, m3]; nothing where the shift does not use it."""
        return next((one.total for one in self.gases if one.gas == gas), NONE)


def demand_by_shift(plan: Plan) -> tuple[ShiftDemand, ...]:
    """The demand of every shift of a plan that is not over, in their order."""
    of_shift: dict[str, list[JointPlan]] = {}
    for joint in plan.joints:
        if joint.shift_key is not None:
            of_shift.setdefault(joint.shift_key, []).append(joint)
    return tuple(
        _of_shift(shift, of_shift.get(shift.key, []), plan) for shift in plan.shifts if shift.end_utc > plan.made_utc
    )


def demand_of(joints: Iterable[JointPlan], site: Site) -> tuple[tuple[GasDemand, ...], Range]:
    """What some joints take by themselves: gas by gas, fuels first, and electric energy [kWh].

    Other use of the site is not in here, nor is a joint without a time.
    """
    uses: dict[str, dict[Use, Range]] = {}
    energy = added([_add_joint(uses, joint, site) for joint in joints])
    return _by_gas(uses), energy


def diesel_l(energy_kwh: Range) -> Range:
    """Diesel for a generator that makes so much electric energy [L], an estimate."""
    return Range(
        energy_kwh.low / DIESEL_KWH_L.high,
        energy_kwh.likely / DIESEL_KWH_L.likely,
        energy_kwh.high / DIESEL_KWH_L.low,
    )


def _by_gas(uses: Mapping[str, Mapping[Use, Range]]) -> tuple[GasDemand, ...]:
    return tuple(
        GasDemand(gas, {use: uses[gas][use] for use in USES if use in uses[gas]})
        for gas in sorted(uses, key=lambda gas: (gas == OXYGEN, gas))
    )


def _of_shift(shift: ShiftTotal, joints: Sequence[JointPlan], plan: Plan) -> ShiftDemand:
    end_utc = plan.forecast_end_utc
    known = end_utc is not None and end_utc >= shift.end_utc and plan.freshness in ("fresh", "late")
    uses: dict[str, dict[Use, Range]] = {}
    energy = NONE
    if known:
        energy = added([_add_joint(uses, joint, plan.site) for joint in joints])
        _add_other(uses, plan.site.gas, shift.name)
    return ShiftDemand(
        key=shift.key,
        name=shift.name,
        day=shift.day,
        start_utc=shift.start_utc,
        end_utc=shift.end_utc,
        known=known,
        unknown_joints=sum(without_amount(joint) or joint.call == "unknown" for joint in joints),
        gases=_by_gas(uses),
        energy_kwh=energy,
        power_kw=shift.power_kw if known else 0.0,
        diesel_l=diesel_l(energy),
    )


def _add_joint(uses: dict[str, dict[Use, Range]], joint: JointPlan, site: Site) -> Range:
    """Add what one joint takes; returns its electric energy [kWh]."""
    heat = joint.heat
    if heat is None or heat.minutes is None:
        return NONE
    energy = []
    for kept, amounts in ((False, heat.amounts), (True, heat.keep_amounts)):
        for one in amounts:
            source = site.heat_source(one.source_id)
            energy.append(counted(joint, one.energy_kwh))
            if source is None or source.fuel is None:
                continue
            for gas, amount in ((source.fuel, counted(joint, one.fuel_kg)), (OXYGEN, counted(joint, one.oxygen_m3))):
                if kept:
                    _add(uses, gas, "keeping", amount)
                else:
                    drying = _drying(heat, amount)
                    _add(uses, gas, "drying", drying)
                    _add(uses, gas, "heating", _less(amount, drying))
                    _add(uses, gas, "idle", _times(amount, site.gas.idle_share))
            if not kept:
                _add_light_ups(uses, joint, heat.segments, source, one, site.gas)
    return added(energy)


def _drying(heat: HeatPlan, amount: Range) -> Range:
    """The part of an amount for heating that dries the steel, end by end."""
    if heat.drying_minutes is None or heat.minutes is None:
        return NONE
    shares = [
        min(1.0, dry / all_minutes) if all_minutes > 0.0 else 0.0
        for dry, all_minutes in (
            (heat.drying_minutes.low, heat.minutes.low),
            (heat.drying_minutes.likely, heat.minutes.likely),
            (heat.drying_minutes.high, heat.minutes.high),
        )
    ]
    return Range(amount.low * shares[0], amount.likely * shares[1], amount.high * shares[2])


def _add_light_ups(
    uses: dict[str, dict[Use, Range]],
    joint: JointPlan,
    lengths: int,
    source: HeatSource,
    one: SourceAmounts,
    setup: GasSetup,
) -> None:
    """Gas that is let go before each light-up, once for each length: a reheat lights a line that has just burned."""
    for_one = burn(source, setup.purge_seconds / 60.0)
    for gas, amount in ((source.fuel, for_one.fuel_kg), (OXYGEN, for_one.oxygen_m3)):
        if gas is not None:
            whole = amount * lengths * one.count
            _add(uses, gas, "light_ups", counted(joint, Range(whole, whole, whole)))


def _add_other(uses: dict[str, dict[Use, Range]], setup: GasSetup, shift_name: str) -> None:
    for one in setup.other_use:
        if not one.shifts or shift_name in one.shifts:
            _add(uses, one.gas, "other", Range(one.low, one.likely, one.high))


def _add(uses: dict[str, dict[Use, Range]], gas: str, use: Use, amount: Range) -> None:
    if amount != NONE:
        of_gas = uses.setdefault(gas, {})
        of_gas[use] = added([of_gas.get(use, NONE), amount])


def _times(amount: Range, factor: float) -> Range:
    return Range(amount.low * factor, amount.likely * factor, amount.high * factor)


def _less(amount: Range, part: Range) -> Range:
    return Range(amount.low - part.low, amount.likely - part.likely, amount.high - part.high)
