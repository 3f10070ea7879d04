"""The way from a heat plan to its minutes and its gas, step by step, as pages and print show it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from frostshift_rules.delivered import Heaters
from frostshift_rules.gas import gas
from frostshift_rules.job import Choices, Joint
from frostshift_rules.patches import heated_area_m2
from frostshift_rules.workload import HeatPlan, PartHeat, Range, SourceAmounts
from frostshift_service.views.show import Show, duration, trimmed, triple
from frostshift_service.views.words import NO_TIME, heaters_text


@dataclass(frozen=True, slots=True)
class Step:
    """One line of arithmetic: what, how, result."""

    what: str
    how: str
    result: str


def heating_steps(
    joint: Joint, heat: HeatPlan, heaters: Sequence[Heaters], choices: Choices, show: Show, air: str = ""
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
        yield _flux_step(joint, heat, heaters, show)
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


def _flux_step(joint: Joint, heat: HeatPlan, heaters: Sequence[Heaters], show: Show) -> Step:
    area_m2 = sum(_area_m2(part, joint) for part in heat.parts)
    flux = heat.parts[0].flux_kwm2
    brought = " and ".join(_brought(one, heat, area_m2, show) for one in heaters)
    return Step(
        "Heat into the steel",
        f"{brought} / {show.area_text(area_m2)} heated at once",
        show.flux_text(flux.low, flux.likely, flux.high),
    )


def _brought(one: Heaters, heat: HeatPlan, area_m2: float, show: Show) -> str:
    """What one source brings into the steel, and how sure its share is."""
    source = one.source
    shares = triple(100 * source.share_low, 100 * source.share_likely, 100 * source.share_high, digits=0)
    said = "an estimate"
    if source.measured is not None:
        said = f"measured on this site, {source.measured.on.isoformat()}"
    if source.electric:
        if heat.flame_in_wind != 1.0:
            said += "; what wind takes from it is not known"
    elif heat.flame_in_wind != 1.0:
        said += f"; low and likely × {heat.flame_in_wind:g} for the wind, our judgement"
    if source.area_m2 is not None:
        said += f"; covering {show.area_text(one.count * source.area_m2)}"
        if one.count * source.area_m2 > area_m2:
            said += ", more than is heated: only that part counts"
    return f"{_rated(one, show)} × share {shares} % ({said})"


def _rated(one: Heaters, show: Show) -> str:
    """`2 torches × 153,500 Btu/h net`, `4 heating pads × 3.6 kW`."""
    return f"{heaters_text([one])} × {show.rate_text(one.source)}"


def _time_step(part: PartHeat, heat: HeatPlan, joint: Joint, show: Show, air: str) -> Step:
    convection = part.convection_wm2k
    kind = joint.parts[part.part_no - 1].kind
    where = "in the middle of the thickness" if joint.both_faces and kind != "tube" else "on the far face"
    where = {"tube": "on the inside", "flange_with_web": f"{where}, also over the web"}.get(kind, where)
    hottest = "" if part.hottest_c is None else f"; hottest metal {show.temp_text(part.hottest_c, 'up')}"
    return Step(
        f"Time for part {part.part_no}",
        f"{show.length_text(part.thickness_mm)} of steel at {show.temp_range_text(part.start_c)}, heated to "
        f"{show.temp_text(heat.target_c, 'up')} {where}, losing "
        f"{show.heat_transfer_text(convection.low, convection.likely, convection.high)} and radiation to the air{air}; "
        "heat conduction",
        (NO_TIME[part.status] if part.minutes is None else show.minutes(part.minutes).text) + hottest,
    )


def gas_steps(heat: HeatPlan, heaters: Sequence[Heaters], show: Show) -> Iterator[Step]:
    """The way of `frostshift_rules.gas` from minutes to fuel, oxygen and energy; nothing where there is no time."""
    total = heat.total_minutes
    if total is None:
        return
    of_source = {one.source_id: one for one in amounts_of(heat)}
    for one in heaters:
        if one.source.id in of_source:
            name = f", {one.source.name}" if len(heaters) > 1 else ""
            yield from _source_steps(one, of_source[one.source.id], heat, name, show)


def amounts_of(heat: HeatPlan) -> tuple[SourceAmounts, ...]:
    """What each source takes; of a plan stored before there were several, its one source."""
    if heat.amounts or heat.source_id is None or heat.fuel_kg is None or heat.oxygen_m3 is None:
        return heat.amounts
    return (SourceAmounts(heat.source_id, heat.torches, heat.fuel_kg, heat.oxygen_m3, Range(0.0, 0.0, 0.0)),)


def _source_steps(one: Heaters, amounts: SourceAmounts, heat: HeatPlan, name: str, show: Show) -> Iterator[Step]:
    source, total = one.source, heat.total_minutes or Range(0.0, 0.0, 0.0)
    minutes = f"{triple(total.low, total.likely, total.high, digits=1)} min"
    if heat.segments > 1:
        minutes += f" over {heat.segments} lengths"
    if source.fuel is None:
        yield Step(
            f"Energy{name}", f"{_rated(one, show)} × {minutes}, on throughout", show.energy(amounts.energy_kwh).text
        )
        return
    record, fuel = gas(source.fuel), amounts.fuel_kg
    heat_mj = [kg * record.net_mj_kg for kg in (fuel.low, fuel.likely, fuel.high)]
    yield Step(f"Heat released{name}", f"{_rated(one, show)} × {minutes}", f"{show.heat_text(*heat_mj)} net")
    yield Step(f"Fuel{name}", f"{record.name}, {show.heating_value_text(record.net_mj_kg)} net", show.mass(fuel).text)
    if source.oxygen_ratio == 0.0:
        yield Step(f"Oxygen{name}", "air torch", "none")
        return
    if source.oxygen_ratio is None:
        ratios = " / ".join(
            trimmed(ratio, 2) for ratio in (record.oxygen.low, record.oxygen.likely, record.oxygen.high)
        )
    else:
        ratios = trimmed(source.oxygen_ratio, 2)
    yield Step(
        f"Oxygen{name}",
        f"{ratios} volumes to one of fuel, which has {show.density_text(record.vapour_kg_m3)}",
        show.volume(amounts.oxygen_m3).text,
    )
