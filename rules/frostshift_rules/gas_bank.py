"""How many cylinders have to feed together in each shift, when a burst ends, when to change over, and what else helps.

The liquid's temperature is stepped through the shift's own on and off of the torches (`shift_draw`); what one cylinder
gives hour after hour stands beside it as the bound. Both are estimates. The air is the forecast's less the site's
doubt, the colder end; a shift that the forecast does not reach to the end of is not known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Literal

import numpy as np

from frostshift_rules.cylinder_limits import acetylene_cylinders, acetylene_m3_h, acetylene_rate, check_acetylene_kpa
from frostshift_rules.draw_figures import figures
from frostshift_rules.gas import FuelCylinder, gas, vapour_m3
from frostshift_rules.gas_load import Flame, load_between, longest_minutes
from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.sentences import capital
from frostshift_rules.shift_draw import (
    Load,
    Start,
    Together,
    cylinders_from_each,
    cylinders_together,
    least_start_kg,
    resting_liquid_c,
    simulate,
)
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Floats, Hours
from frostshift_rules.withdrawal import (
    Conditions,
    NoModel,
    Vessel,
    burst_minutes,
    needed_kpa,
    starvation_c,
    vessel_of,
)

TORCH_KPA: Final = {"propane": 55.0, "propylene": 55.0, "acetylene": 55.0, "mps": 55.0, "natural_gas": 35.0}
"""Gauge pressure at the torch unless the site states it [kPa]: about 8 psi for a heating tip, common practice, no
source. The torch maker's chart governs."""

RESTED: Final = timedelta(hours=12)
"""The liquid starts as cold as the coldest air of so many hours before the shift: the safe side."""

TOO_MUCH: Final = "More burns at one time than is calculated: look at what the site states as other use."
TOO_COLD: Final = (
    "In the coldest air of the shift {fuel} has not the pressure that the torches need: another way of heating."
)
ACETYLENE_TOO_HIGH: Final = (
    "Acetylene would stand above 15 psig (103 kPa) at the regulator, which is never allowed (29 CFR 1910.253(a)(2)): "
    "look at the pressures under Use of gas in the set-up."
)
NOT_CALCULATED: Final = (
    "Outside what is calculated: look at the pressures, the wind factor and the altitude that the site states."
)

Verdict = Literal["enough", "another_way", "unknown", "no_model", "limit", "nothing"]


@dataclass(frozen=True, slots=True)
class Bank:
    """Cylinders of one kind on one line through one shift.

    Attributes:
        shift_key: of the shift.
        cylinder: the kind.
        verdict: `enough`: `together` cylinders carry the shift; `another_way`: not even the most allowed do; `unknown`:
            the forecast does not cover it; `no_model`: nobody can say for this gas or cylinder; `limit`: acetylene, by
            its share of the contents an hour; `nothing`: no flame burns.
        reason: why, for people; empty for `enough`.
        together: fewest that have to feed together, full at the start and rested for `RESTED`.
        together_half: the same, half full at the start; None: not even the most allowed do.
        by_sustained: bound beside it: the highest load over what one gives hour after hour, full; None: it gives
            nothing.
        by_sustained_half: the same, half full.
        by_table: the same by the published table for 100 lb cylinders, which leaves no pressure; None: another kind, or
            outside the table.
        peak_kw: most that flames burn at one time [kW gross].
        starvation_c: liquid colder than this has not the pressure needed [°C]; None without a model.
        coldest_c: coldest air of the shift, colder end [°C]; None where it is not known.
        lowest_c: coldest liquid of `together` through the shift [°C].
        left_kg: in each of `together` at the end of the shift [kg].
        end_c, end_utc: of these, the liquid at the end of the shift [°C], and when that is.
        change_over_kg: the least that each of `together` may hold at the start [kg]: what holds less is changed over
            before the shift; None: not known.
        cools_from_utc: from then on they give more than they take from the air hour after hour; None: never.
        straight: whether cylinders come straight from the shift before, less than `RESTED` ago.
        together_straight: how many of those have to feed together; None: not even the most allowed do.
        burst_minutes: how long one full cylinder as warm as the air carries the highest load alone [min].
        rate: share of its contents an hour that an acetylene cylinder may give, such as 10 for 1/10; None for others.
    """

    shift_key: str
    cylinder: FuelCylinder
    verdict: Verdict
    reason: str = ""
    together: int | None = None
    together_half: int | None = None
    by_sustained: int | None = None
    by_sustained_half: int | None = None
    by_table: int | None = None
    peak_kw: float = 0.0
    starvation_c: float | None = None
    coldest_c: float | None = None
    lowest_c: float | None = None
    left_kg: float | None = None
    end_c: float | None = None
    end_utc: datetime | None = None
    change_over_kg: float | None = None
    cools_from_utc: datetime | None = None
    straight: bool = False
    together_straight: int | None = None
    burst_minutes: float | None = None
    rate: int | None = None


def barometer_kpa(altitude_m: float | None) -> float:
    """Pressure of the standard atmosphere at an altitude [kPa] (ISO 2533:1975, troposphere); at sea level for None."""
    return 101.325 * math.pow(1.0 - 2.25577e-5 * (altitude_m or 0.0), 5.25588)


def conditions_of(setup: GasSetup, fuel: str, altitude_m: float | None) -> Conditions:
    """What the cylinders of a fuel have to meet at a site.

    Raises:
        OutOfRange: a pressure that the gas may not have, or one outside what can be believed.
    """
    torch_kpa = dict(setup.torch_kpa).get(fuel, TORCH_KPA[fuel])
    factor = setup.wind_factor
    if factor is None and setup.stand == "open":
        factor = figures().wind["open"].value
    return Conditions(needed_kpa(torch_kpa, setup.allowance_kpa), factor, barometer_kpa(altitude_m))


def bank_of(
    shift_key: str,
    cylinder: FuelCylinder,
    flames: Sequence[Flame],
    hours: Hours | None,
    span: tuple[datetime, datetime],
    setup: GasSetup,
    altitude_m: float | None,
    doubt_k: float,
    before: Bank | None = None,
) -> Bank:
    """The cylinders of one kind through one shift.

    Args:
        shift_key: of the shift.
        cylinder: what the fuel is counted in at the site.
        flames: those that burn this fuel, of any shift.
        hours: the forecast in use; None: there is none to use.
        span: from the first flame of the shift or its start to its end, aware.
        setup: of the site.
        altitude_m: of the site; None: sea level.
        doubt_k: taken off the forecast's air [K].
        before: of the same cylinders in the shift before; None: not asked about.
    """
    start_utc, end_utc = span
    inside = [one for one in flames if one.start_utc < end_utc and one.end_utc > start_utc]
    if not inside:
        return Bank(shift_key, cylinder, "nothing", "No flame burns this gas in the shift.")
    try:
        load = load_between(inside, start_utc, end_utc)
    except OutOfRange:
        return Bank(shift_key, cylinder, "unknown", TOO_MUCH)
    peak_kw = float(load.gross_kw.max())
    air = _air_at_hours(hours, start_utc, end_utc, doubt_k)
    if air is None:
        return Bank(shift_key, cylinder, "unknown", "The forecast does not cover the whole shift.", peak_kw=peak_kw)
    coldest_c = float(air.min())
    vessel = vessel_of(cylinder)
    try:
        if cylinder.fuel == "acetylene":
            torch_kpa = dict(setup.torch_kpa).get("acetylene", TORCH_KPA["acetylene"])
            try:
                check_acetylene_kpa(torch_kpa + setup.allowance_kpa)  # as set at the regulator
            except OutOfRange:
                return Bank(shift_key, cylinder, "unknown", ACETYLENE_TOO_HIGH, peak_kw=peak_kw, coldest_c=coldest_c)
            return _acetylene(shift_key, cylinder, inside, peak_kw, coldest_c, setup)
        if isinstance(vessel, NoModel):
            reason = f"Nobody can say what it gives in the cold: {vessel.reason}."
            return Bank(shift_key, cylinder, "no_model", reason, peak_kw=peak_kw, coldest_c=coldest_c)
        conditions = conditions_of(setup, cylinder.fuel, altitude_m)
        table_ends_c = float(vessel.saturation.grid_c[0])
        if coldest_c < table_ends_c:
            reason = TOO_COLD.format(fuel=gas(cylinder.fuel).name.lower())
            return Bank(shift_key, cylinder, "another_way", reason, peak_kw=peak_kw, coldest_c=coldest_c)
        rested = _air_at_hours(hours, start_utc - RESTED, start_utc, doubt_k, known_only=True)
        rested_c = max(resting_liquid_c(air[:1] if rested is None else rested), table_ends_c)
        bank = _drawn(shift_key, vessel, load, air, span, rested_c, conditions, setup)
        straight = (
            None if before is None else _straight(vessel, before, load, air, span, hours, conditions, setup, doubt_k)
        )
        return bank if straight is None else replace(bank, straight=True, together_straight=straight.count)
    except OutOfRange:
        return Bank(shift_key, cylinder, "unknown", NOT_CALCULATED, peak_kw=peak_kw, coldest_c=coldest_c)


def _drawn(
    shift_key: str,
    vessel: Vessel,
    load: Load,
    air_c: Floats,
    span: tuple[datetime, datetime],
    rested_c: float,
    conditions: Conditions,
    setup: GasSetup,
) -> Bank:
    cylinder, peak_kw, coldest_c = vessel.cylinder, float(load.gross_kw.max()), float(air_c.min())
    starts = [Start(cylinder.contents_kg * share, rested_c) for share in (1.0, 0.5)]
    full, half = cylinders_from_each(vessel, load, air_c, starts, conditions, setup.most_together)
    changes_s = full.run.change_over_at_s
    return Bank(
        shift_key,
        cylinder,
        "another_way" if full.count is None else "enough",
        f"{capital(full.reason)}." if full.reason else "",
        together=full.count,
        together_half=half.count,
        by_sustained=full.by_sustained,
        by_sustained_half=half.by_sustained,
        by_table=half.by_published_table,
        peak_kw=peak_kw,
        starvation_c=starvation_c(vessel, conditions),
        coldest_c=coldest_c,
        lowest_c=full.run.lowest_c,
        left_kg=full.run.kg_left_at_end,
        end_c=float(full.run.liquid_c[-1]),
        end_utc=span[1],
        change_over_kg=None
        if full.count is None
        else least_start_kg(vessel, full.count, load, air_c, starts[0], conditions),
        cools_from_utc=None if changes_s is None else span[0] + timedelta(seconds=changes_s),
        burst_minutes=burst_minutes(vessel, peak_kw, coldest_c, cylinder.contents_kg, conditions),
    )


def _straight(
    vessel: Vessel,
    before: Bank,
    load: Load,
    air_c: Floats,
    span: tuple[datetime, datetime],
    hours: Hours | None,
    conditions: Conditions,
    setup: GasSetup,
    doubt_k: float,
) -> Together | None:
    """How many it takes of cylinders that come from the shift before as it left them; None: they have rested."""
    if before.verdict != "enough" or before.left_kg is None or before.end_c is None or before.end_utc is None:
        return None
    pause = span[0] - before.end_utc
    if pause >= RESTED:
        return None
    start = Start(before.left_kg, before.end_c)  # the first torch may be lit before the shift before is over
    if pause > timedelta(0):
        air = _air_at_hours(hours, before.end_utc, span[0], doubt_k)
        if air is None:
            return None
        idle = Load(np.array([pause.total_seconds()]), np.zeros(1))
        start = Start(before.left_kg, float(simulate(vessel, 1, idle, air, start, conditions).liquid_c[-1]))
    return cylinders_together(vessel, load, air_c, start, conditions, setup.most_together)


def _acetylene(
    shift_key: str, cylinder: FuelCylinder, flames: Sequence[Flame], peak_kw: float, coldest_c: float, setup: GasSetup
) -> Bank:
    flow_m3_h = vapour_m3(peak_kw * 3.6 / gas("acetylene").gross_mj_kg, "acetylene")
    rate = acetylene_rate(longest_minutes(flames), coldest_c)
    count = acetylene_cylinders(flow_m3_h, acetylene_m3_h(cylinder, rate))
    part = round(figures().acetylene_hours[rate].value)
    return Bank(
        shift_key,
        cylinder,
        "limit" if count <= setup.most_together else "another_way",
        f"By its limit of 1/{part} of the contents an hour; pressure does not show what is left: weigh."
        if count <= setup.most_together
        else f"{count} would have to feed together, at most {setup.most_together} may: another way of heating.",
        together=count if count <= setup.most_together else None,
        peak_kw=peak_kw,
        coldest_c=coldest_c,
        rate=part,
    )


def _air_at_hours(
    hours: Hours | None, start_utc: datetime, end_utc: datetime, doubt_k: float, *, known_only: bool = False
) -> Floats | None:
    """The air at every hour from a start on, one beyond the end [°C], colder end; None where an hour is missing.

    With `known_only` the hours that are known, and None only where none is.
    """
    if hours is None or len(hours) == 0:
        return None
    count = math.ceil((end_utc - start_utc) / timedelta(hours=1) - 1e-9) + 1
    at = hours.position(start_utc) + np.arange(count)
    inside = (at >= 0.0) & (at <= len(hours) - 1 + 1e-9)
    low = np.clip(np.floor(at), 0, len(hours) - 1).astype(np.intp)
    high = np.minimum(low + 1, len(hours) - 1)
    share = at - low
    # A missing neighbour that has no share must not make the hour unknown.
    air = hours.air_c[low] + np.where(share > 0.0, share * (hours.air_c[high] - hours.air_c[low]), 0.0) - doubt_k
    known = inside & np.isfinite(air)
    if known_only:
        return air[known] if known.any() else None
    return air if known.all() else None
