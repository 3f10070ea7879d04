"""What torches and electric heaters deliver: heat into the steel, and the fuel, oxygen and energy it takes.

    flux            = sum over the sources of count x rate of one x share that reaches the steel / area heated at once
    fuel, oxygen    = torch-minutes x rate of the torch (`gas`)
    energy          = heater-minutes x rating of the heater

Several sources at once add up, low end to low end and high end to high end: whoever couples badly with one may do so
with all. All of them are taken as spread over everything that is heated at once; a heater that lies still gives no
more per area than its own rating over what it covers, and what heaters leave bare has no more than the flames bring.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_rules import gas
from frostshift_rules.job import HeatSource, Joint
from frostshift_rules.strict import OutOfRange
from frostshift_rules.workload import Range, SourceAmounts, added

LEAST_COVERED: Final = 0.9
"""Electric heaters have to lie on at least so much of the area to be heated. Our choice: the heated band is wider than
what must be warm by the site's margin, and a flat rate over all of it is what the time is worked out from."""

WINDY_MS: Final = 5.0
"""From here on wind at the joint counts against a flame [m/s]."""


@dataclass(frozen=True, slots=True)
class Heaters:
    """Torches or heaters of one source at once on one joint."""

    source: HeatSource
    count: int


def heaters_of(joint: Joint, find: Callable[[str | None], HeatSource | None]) -> tuple[Heaters, ...] | None:
    """Everything that heats a joint at once, each source once, the joint's own source first.

    Args:
        joint: its `torches` are of its `heat_source`.
        find: the source of an id, such as `Site.heat_source`.

    Returns:
        None where any source of it is not known: heat that nobody can count is not taken for none.
    """
    found = []
    for source_id, count in [(joint.heat_source, joint.torches), *((u.source_id, u.count) for u in joint.also_heated)]:
        source = find(source_id)
        if source is None:
            return None
        found.append(Heaters(source, count))
    return merged(found)


def merged(heaters: Sequence[Heaters]) -> tuple[Heaters, ...]:
    """The same with each source once, in the order in which they are first named."""
    counts: dict[str, int] = {}
    for one in heaters:
        counts[one.source.id] = counts.get(one.source.id, 0) + one.count
    sources = {one.source.id: one.source for one in reversed(heaters)}
    return tuple(Heaters(sources[name], count) for name, count in counts.items())


def flame_in_wind(wind_ms: float) -> float:
    """What wind at the joint leaves of the share of a flame's heat that reaches the steel; a judgement, no source."""
    return 0.6 if wind_ms > 8.0 else 0.8 if wind_ms >= WINDY_MS else 1.0


def share_in_wind(source: HeatSource, wind_ms: float) -> Range:
    """Share of a source's heat that reaches the steel at this wind at the joint.

    Wind takes from the low and the likely share of a flame; at the high end it may be screened. What it takes from the
    back of an electric heater nobody has measured that we know of: its shares, whose low end is wide, stay as they are.
    """
    in_wind = 1.0 if source.electric else flame_in_wind(wind_ms)
    return Range(source.share_low * in_wind, source.share_likely * in_wind, source.share_high)


def flux_wm2(heaters: Sequence[Heaters], wind_ms: float, area_m2: float) -> Range:
    """Heat into the steel per area, everything spread over all that is heated at once [W/m2].

    Args:
        heaters: all that heats at once.
        wind_ms: at the joint [m/s].
        area_m2: heated at once, on every part, side and face [m2]; on none at all the flux is infinite, beyond every
            limit of the engine.

    Raises:
        OutOfRange: the area is no area.
    """
    if not 0.0 <= area_m2 < math.inf:  # also refuses NaN
        raise OutOfRange(f"area_m2 is {area_m2:g} m2, expected a number from 0 m2 up")
    if area_m2 == 0.0:
        return Range(math.inf, math.inf, math.inf)
    everything = added([_per_area(one, wind_ms, area_m2) for one in heaters])
    flames = [one for one in heaters if not one.source.electric]
    lie_on = [one.source.area_m2 and one.count * one.source.area_m2 for one in heaters if one.source.electric]
    bare_m2 = area_m2 - sum(one for one in lie_on if one)
    if not flames or not all(lie_on) or not lie_on or bare_m2 <= (1.0 - LEAST_COVERED) * area_m2:
        return everything
    # A heater cannot be led about: what it leaves bare has the flame alone.
    bare = added([_per_area(one, wind_ms, bare_m2) for one in flames])
    return Range(min(everything.low, bare.low), min(everything.likely, bare.likely), min(everything.high, bare.high))


def _per_area(one: Heaters, wind_ms: float, area_m2: float) -> Range:
    """Heat of one source over an area [W/m2], no more than over what it covers itself."""
    watts = one.count * one.source.net_kw * 1000.0 / max(area_m2, one.count * (one.source.area_m2 or 0.0))
    share = share_in_wind(one.source, wind_ms)
    return Range(watts * share.low, watts * share.likely, watts * share.high)


def covered(heaters: Sequence[Heaters], area_m2: float) -> float | None:
    """How much of the area to be heated electric heaters lie on, at most 1.

    Returns:
        None where it cannot be said, since the area of a heater is not stated; or need not be, since a flame is led
        over what they leave.
    """
    areas = [one.source.area_m2 and one.count * one.source.area_m2 for one in heaters if one.source.electric]
    if len(areas) < len(heaters) or None in areas:
        return None
    lain_on_m2 = sum(area for area in areas if area)
    return 1.0 if lain_on_m2 >= area_m2 else lain_on_m2 / area_m2


def covers(heaters: Sequence[Heaters], area_m2: float) -> bool:
    """Whether the heaters lie on enough of the area to be heated, as far as anybody can say."""
    share = covered(heaters, area_m2)
    return share is None or share >= LEAST_COVERED


def amounts(heaters: Sequence[Heaters], minutes: Range) -> tuple[SourceAmounts, ...]:
    """Fuel, oxygen and energy of each source in so many minutes of heating, all of it on throughout.

    A thermostat that switches a heater off saves some of the energy; that is not counted.

    Raises:
        OutOfRange: minutes, rate or oxygen ratio outside what can be believed.
    """
    return tuple(_amounts(one, minutes) for one in heaters)


def _amounts(one: Heaters, minutes: Range) -> SourceAmounts:
    low, likely, high = (minutes.low * one.count, minutes.likely * one.count, minutes.high * one.count)
    nothing = Range(0.0, 0.0, 0.0)
    if one.source.electric:
        drawn = Range(*(gas.energy_kwh(one.source, spent) for spent in (low, likely, high)))
        return SourceAmounts(one.source.id, one.count, nothing, nothing, drawn)
    burned = (
        gas.burn(one.source, low, "low"),
        gas.burn(one.source, likely, "likely"),
        gas.burn(one.source, high, "high"),
    )
    fuel_kg, oxygen_m3 = Range(*(b.fuel_kg for b in burned)), Range(*(b.oxygen_m3 for b in burned))
    return SourceAmounts(one.source.id, one.count, fuel_kg, oxygen_m3, nothing)


PARTLY_COVERED_NOTE: Final = "Lead the flame over what the heaters do not cover."
WIND_NOTE: Final = (
    "What wind takes from the back of the heaters is not known and not in the time: cover them, and measure early."
)


def notes(heaters: Sequence[Heaters], wind_ms: float) -> tuple[str, ...]:
    """What people have to be told about the sources on a joint; sentences."""
    electric = any(one.source.electric for one in heaters)
    said = []
    if electric and not all(one.source.electric for one in heaters):
        said.append(PARTLY_COVERED_NOTE)
    if electric and wind_ms >= WINDY_MS:
        said.append(WIND_NOTE)
    return tuple(said)
