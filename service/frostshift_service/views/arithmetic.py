"""The way from a heat plan to its minutes and its gas, step by step, as pages and print show it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from frostshift_rules.gas import gas
from frostshift_rules.job import Choices, HeatSource, Joint
from frostshift_rules.patches import heated_area_m2
from frostshift_rules.workload import HeatPlan, PartHeat
from frostshift_service.views.show import Show, duration, plural, trimmed, triple
from frostshift_service.views.words import NO_TIME


@dataclass(frozen=True, slots=True)
class Step:
    """One line of arithmetic: what, how, result."""

    what: str
    how: str
    result: str


def heating_steps(
    joint: Joint, heat: HeatPlan, source: HeatSource, choices: Choices, show: Show, air: str = ""
) -> Iterator[Step]:
    """The way of `frostshift_rules.heat_plan`, part by part; `air` says which air the heat is lost to."""
    yield Step(
        "Target",
        f"minimum {show.temp_text(heat.minimum_c, 'up')} and {show.rise_text(choices.overheat_k)} above it (our "
        "choice), below a stated maximum",
        show.temp_text(heat.target_c, "up"),
    )
    yield Step(
        "Heated length",
        f"{show.length_text(joint.weld_length_mm)} of weld "
        + ("at once" if heat.segments == 1 else f"in {heat.segments} lengths, one after the other"),
        f"{show.length_text(heat.heated_length_mm)} at a time",
    )
    yield from (_band_step(part, joint, choices, show) for part in heat.parts)
    if heat.parts:
        yield _flux_step(joint, heat, source, show)
    yield from (_time_step(part, heat, joint, show, air) for part in heat.parts)
    if heat.minutes is not None:
        yield Step("Heating time", "the slowest part", show.minutes(heat.minutes).text)
    if heat.hold_minutes is not None:
        yield Step(
            "Hold",
            f"from torch off until the coldest required point is back at {show.temp_text(heat.minimum_c, 'up')}; the "
            "short end counts",
            f"{duration(heat.hold_minutes.low, 'down')} (likely {duration(heat.hold_minutes.likely)})",
        )


def _area_m2(part: PartHeat, joint: Joint) -> float:
    return heated_area_m2(joint, joint.parts[part.part_no - 1], part.band_mm, part.band_length_mm)


def _band_step(part: PartHeat, joint: Joint, choices: Choices, show: Show) -> Step:
    sides = " × 2 sides" if joint.parts[part.part_no - 1].sides == 2 else ""
    faces = " × 2 faces" if joint.both_faces else ""
    return Step(
        f"Band on part {part.part_no}",
        f"{show.length_text(part.band_mm)} from the weld × {show.length_text(part.band_length_mm)}{sides}{faces} (warm "
        f"zone and {show.length_text(choices.margin_mm)} beyond it)",
        show.area_text(_area_m2(part, joint)),
    )


def _flux_step(joint: Joint, heat: HeatPlan, source: HeatSource, show: Show) -> Step:
    shares = triple(100 * source.share_low, 100 * source.share_likely, 100 * source.share_high, digits=0)
    wind = "" if heat.flame_in_wind == 1.0 else f"; low and likely × {heat.flame_in_wind:g} for the wind, our judgement"
    flux = heat.parts[0].flux_kwm2
    return Step(
        "Heat into the steel",
        f"{plural(heat.torches, 'torch', 'torches')} × {show.power_text(source.net_kw)} net × share {shares} % (an "
        f"estimate{wind}) / {show.area_text(sum(_area_m2(part, joint) for part in heat.parts))} heated at once",
        show.flux_text(flux.low, flux.likely, flux.high),
    )


def _time_step(part: PartHeat, heat: HeatPlan, joint: Joint, show: Show, air: str) -> Step:
    convection = part.convection_wm2k
    where = "in the middle of the thickness" if joint.both_faces else "on the far face"
    hottest = "" if part.hottest_c is None else f"; hottest metal {show.temp_text(part.hottest_c, 'up')}"
    return Step(
        f"Time for part {part.part_no}",
        f"{show.length_text(part.thickness_mm)} of steel at {show.temp_range_text(part.start_c)}, heated to "
        f"{show.temp_text(heat.target_c, 'up')} {where}, losing "
        f"{triple(convection.low, convection.likely, convection.high, digits=0)} W/m²K and radiation to the air{air}; "
        "heat conduction",
        (NO_TIME[part.status] if part.minutes is None else show.minutes(part.minutes).text) + hottest,
    )


def gas_steps(heat: HeatPlan, source: HeatSource, show: Show) -> Iterator[Step]:
    """The way of `frostshift_rules.gas` from torch-minutes to fuel and oxygen; nothing where there is no time."""
    total, fuel, oxygen = heat.total_minutes, heat.fuel_kg, heat.oxygen_m3
    if total is None or fuel is None or oxygen is None:
        return
    record = gas(source.fuel)
    heat_mj = [kg * record.net_mj_kg for kg in (fuel.low, fuel.likely, fuel.high)]
    yield Step(
        "Heat released",
        f"{plural(heat.torches, 'torch', 'torches')} × {show.power_text(source.net_kw)} net × "
        f"{triple(total.low, total.likely, total.high, digits=1)} min"
        + (f" over {heat.segments} lengths" if heat.segments > 1 else ""),
        f"{triple(*heat_mj, digits=1)} MJ net",
    )
    yield Step("Fuel", f"{record.name}, {trimmed(record.net_mj_kg, 2)} MJ/kg net", show.mass(fuel).text)
    if source.oxygen_ratio == 0.0:
        yield Step("Oxygen", "air torch", "none")
        return
    if source.oxygen_ratio is None:
        ratios = " / ".join(trimmed(one, 2) for one in (record.oxygen.low, record.oxygen.likely, record.oxygen.high))
    else:
        ratios = trimmed(source.oxygen_ratio, 2)
    yield Step(
        "Oxygen",
        f"{ratios} volumes to one of fuel, which has {trimmed(record.vapour_kg_m3, 3)} kg/m³",
        show.volume(oxygen).text,
    )
