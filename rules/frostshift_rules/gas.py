"""From torch-minutes to fuel, oxygen and whole cylinders, from heater-minutes to electric energy.

Everything here counts on the NET (lower) heating value: a `HeatSource` states its rate net, and the share of heat
that reaches the steel is a share of the net heat. The gross value is kept for comparison with printed tables and
enters no calculation. Volumes are m3 at 15 °C and 101.325 kPa.

Whether a cylinder gives its gas fast enough in the cold is not counted; `NOT_COUNTED` says so and is printed beside
every count.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType
from typing import Final, Literal, cast, get_args

from frostshift_rules import units
from frostshift_rules.gas_setup import CylinderGas, GasSetup, OwnCylinder
from frostshift_rules.job import FuelName, HeatSource
from frostshift_rules.shells import Origin as Origin
from frostshift_rules.shells import Shell, read_origin, read_shell, stated_shell
from frostshift_rules.strict import OutOfRange, Section, TableError, shipped

RatioEnd = Literal["low", "likely", "high"]

NOT_COUNTED: Final[tuple[str, ...]] = (
    "This count does not say whether the cylinders give gas fast enough in this cold: see the page Gas, ask the "
    "supplier.",
)
"""Sentences that are printed beside every count of gas or cylinders."""

KEEPING_COUNTED: Final = (
    "Keeping joints warm while they are welded runs from nothing, where the arc does it, to what it takes without the "
    "arc's heat."
)
KEEPING_NOT_COUNTED: Final = "Gas for keeping the joint warm between passes is not counted: the hours are not stated."
"""One of the two is printed beside every count as well."""

MOST_KW: Final = 1000.0
"""Highest rate believed of one torch or heater [kW]; the heaviest tips stay below a quarter of it (our choice)."""

_FUELS: Final[tuple[FuelName, ...]] = get_args(FuelName)
_BY_WEIGHT: Final[tuple[FuelName, ...]] = ("propane", "propylene", "mps")
_OWN: Final = Origin("second hand", "The site's own figure, as it states it.")
_M3_AT_15C_PER_M3_AT_70F: Final = (units.KELVIN_0C + 15.0) / (units.KELVIN_0C + units.c_from_f(70.0))


@dataclass(frozen=True, slots=True)
class OxygenRatio:
    """Volumes of torch oxygen to one volume of fuel: planning figure with its band, and full combustion."""

    low: float
    likely: float
    high: float
    full: float
    origin: Origin

    def at(self, end: RatioEnd) -> float:
        """The planning ratio at one end of its band."""
        return {"low": self.low, "likely": self.likely, "high": self.high}[end]


@dataclass(frozen=True, slots=True)
class Share:
    """Share of the heat of a source (net, of a flame) that reaches the steel: an estimate with its band."""

    low: float
    likely: float
    high: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class Gas:
    """One fuel gas.

    Attributes:
        id: key used by heat sources.
        name: as shown.
        gross_mj_kg, net_mj_kg: heating values [MJ/kg], water of combustion condensed and as vapour.
        heat: origin of the heating values.
        vapour_kg_m3: density at 15 °C and 101.325 kPa [kg/m3].
        density: origin of the density.
        oxygen: torch oxygen to fuel by volume.
        share_with_oxygen, share_with_air: heat into the steel from an oxygen torch and from an air torch.
        cylinder_id: what the fuel is counted in; None: not counted in cylinders.
        supply_note: how the fuel is counted, or why it is not; for people.
    """

    id: FuelName
    name: str
    gross_mj_kg: float
    net_mj_kg: float
    heat: Origin
    vapour_kg_m3: float
    density: Origin
    oxygen: OxygenRatio
    share_with_oxygen: Share
    share_with_air: Share
    cylinder_id: str | None
    supply_note: str


@dataclass(frozen=True, slots=True)
class FuelCylinder:
    """A fuel cylinder: full contents [kg], the share the count relies on, and where both come from.

    `shell` is the vessel of a fuel that boils in it; None where it does not, or no size is known.
    """

    id: str
    name: str
    fuel: FuelName
    contents_kg: float
    contents: Origin
    usable_share: float
    usable: Origin
    shell: Shell | None = None

    @property
    def usable_kg(self) -> float:
        """Fuel that the count relies on [kg]."""
        return self.contents_kg * self.usable_share


@dataclass(frozen=True, slots=True)
class Fill:
    """Gauge pressure [kPa] to which a cylinder is filled, and the temperature [°C] it is stated at."""

    gauge_kpa: float
    at_c: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class Draw:
    """What a vessel gives hour after hour [m3/h at 15 °C]."""

    m3_h: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class OxygenCylinder:
    """An oxygen cylinder: full contents [m3 at 15 °C], the share the count relies on, and where both come from.

    `fill` is the pressure of a full one; None for liquid oxygen, whose `draw` its vaporiser limits. Of one that the
    site brings itself neither is on file.
    """

    id: str
    name: str
    contents_m3: float
    contents: Origin
    usable_share: float
    usable: Origin
    fill: Fill | None = None
    draw: Draw | None = None

    @property
    def usable_m3(self) -> float:
        """Oxygen that the count relies on [m3 at 15 °C]."""
        return self.contents_m3 * self.usable_share


@dataclass(frozen=True, slots=True)
class GasShare:
    """A share that holds for all cylinders of a gas."""

    share: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class Cylinders:
    """All cylinders by id, and the one that oxygen is counted in.

    `usable` is the share of the contents that the count relies on, by gas; `filling` is what a full cylinder holds over
    the water it would hold, by weight, for the fuels that boil in theirs.
    """

    fuel: Mapping[str, FuelCylinder]
    oxygen: Mapping[str, OxygenCylinder]
    default_oxygen: OxygenCylinder
    usable: Mapping[str, GasShare]
    filling: Mapping[str, GasShare]

    def find(self, cylinder_id: str) -> FuelCylinder | OxygenCylinder | None:
        """The cylinder of that id; None where there is none."""
        return self.fuel.get(cylinder_id) or self.oxygen.get(cylinder_id)


@dataclass(frozen=True, slots=True)
class Burned:
    """Fuel [kg] and torch oxygen [m3 at 15 °C and 101.325 kPa] burned."""

    fuel_kg: float
    oxygen_m3: float


def gas(fuel: str) -> Gas:
    """The record of a fuel gas.

    Raises:
        OutOfRange: there is no such fuel.
    """
    try:
        return gases()[fuel]
    except KeyError:
        raise OutOfRange(f"fuel is {fuel!r}, expected one of {', '.join(_FUELS)}") from None


def fuel_kg(heat_mj_net: float, fuel: str) -> float:
    """Fuel that releases this net heat.

    Args:
        heat_mj_net: heat released by the flame, net heating value, NOT the heat that reaches the steel [MJ].
        fuel: id of the fuel.

    Returns:
        Mass of fuel [kg].

    Raises:
        OutOfRange: the heat is negative or no number, or there is no such fuel.
    """
    return _amount("heat_mj_net", heat_mj_net, "MJ") / gas(fuel).net_mj_kg


def vapour_m3(mass_kg: float, fuel: str) -> float:
    """Volume of the vapour of a mass of fuel [m3 at 15 °C and 101.325 kPa]; errors as `fuel_kg`."""
    return _amount("mass_kg", mass_kg, "kg") / gas(fuel).vapour_kg_m3


def burn(source: HeatSource, minutes: float, ratio_end: RatioEnd = "likely") -> Burned:
    """What a heat source burns in so many torch-minutes.

    Args:
        source: its `net_kw` is the rate of ONE torch.
        minutes: torch-minutes, so minutes times the number of torches.
        ratio_end: end of the planning oxygen ratio's band, where the source states no ratio of its own.

    Returns:
        Fuel and torch oxygen; no oxygen for an air torch.

    Raises:
        OutOfRange: minutes, rate or oxygen ratio outside what can be believed, or the source burns nothing; names
            field, value and limit.
    """
    if source.fuel is None:
        raise OutOfRange(f"fuel of {source.id} is not stated: a heater of kind {source.kind} burns none")
    record = gas(source.fuel)
    _check_rate(source)
    burned_kg = fuel_kg(source.net_kw * _amount("minutes", minutes, "min") * 60.0 / 1000.0, source.fuel)
    ratio = record.oxygen.at(ratio_end) if source.oxygen_ratio is None else source.oxygen_ratio
    _check_ratio(record, ratio)
    return Burned(burned_kg, ratio * burned_kg / record.vapour_kg_m3)


def energy_kwh(source: HeatSource, minutes: float) -> float:
    """What an electric heat source draws in so many heater-minutes at its full rating [kWh].

    Args:
        source: its `net_kw` is the rating of ONE heater.
        minutes: heater-minutes, so minutes times the number of heaters.

    Raises:
        OutOfRange: minutes or rating outside what can be believed, or the source is a flame.
    """
    if not source.electric:
        raise OutOfRange(f"kind of {source.id} is {source.kind}: it draws no current")
    _check_rate(source)
    return source.net_kw * _amount("minutes", minutes, "min") / 60.0


def _check_rate(source: HeatSource) -> None:
    if not 0.0 < source.net_kw <= MOST_KW:  # also refuses NaN
        raise OutOfRange(f"net_kw of {source.id} is {source.net_kw:g} kW, outside above 0 to {MOST_KW:g} kW")


def default_share(fuel: str, oxygen_ratio: float | None) -> Share:
    """Share of net heat that reaches the steel where a site states none: an estimate, not a measurement.

    For flat steel and a torch that is handled well in little wind. Wind, narrow flanges and edges where the flame
    spills past lower it.

    Args:
        fuel: id of the fuel.
        oxygen_ratio: of the heat source: None (planning ratio) or a ratio for an oxygen torch, 0 for an air torch.

    Raises:
        OutOfRange: there is no such fuel, or the ratio is no ratio of it.
    """
    record = gas(fuel)
    if oxygen_ratio is not None:
        _check_ratio(record, oxygen_ratio)
    return record.share_with_air if oxygen_ratio == 0.0 else record.share_with_oxygen


def cylinders_needed(amount: float, cylinder: FuelCylinder | OxygenCylinder) -> int:
    """Whole cylinders that hold this amount as usable contents; see `NOT_COUNTED`.

    Args:
        amount: fuel [kg] for a fuel cylinder, oxygen [m3 at 15 °C] for an oxygen cylinder.
        cylinder: what it is counted in.

    Raises:
        OutOfRange: the amount is negative or no number.
    """
    if isinstance(cylinder, FuelCylinder):
        return math.ceil(_amount("fuel_kg", amount, "kg") / cylinder.usable_kg)
    return math.ceil(_amount("oxygen_m3", amount, "m3") / cylinder.usable_m3)


def default_fuel_cylinder(fuel: str) -> FuelCylinder | None:
    """The cylinder a fuel is counted in; None where it is piped or no size is known (`Gas.supply_note` says which)."""
    cylinder_id = gas(fuel).cylinder_id
    return None if cylinder_id is None else cylinders().fuel[cylinder_id]


def default_oxygen_cylinder() -> OxygenCylinder:
    """The cylinder that oxygen is counted in."""
    return cylinders().default_oxygen


def counted_in(setup: GasSetup, fuel: str) -> FuelCylinder | None:
    """The cylinder that a site counts a fuel in: the one it chose, else the usual one; as `default_fuel_cylinder`.

    Of a setup that no longer reads, see `counted_cylinders`.

    Raises:
        OutOfRange: there is no such fuel.
    """
    usual, found = default_fuel_cylinder(fuel), counted_cylinders(setup)[0].fuel
    return next((found[kind] for kind in setup.kinds if kind in found and found[kind].fuel == fuel), usual)


def oxygen_counted_in(setup: GasSetup) -> OxygenCylinder:
    """The cylinder that a site counts oxygen in: the one it chose, else the usual one."""
    found, _ = counted_cylinders(setup)
    return next((found.oxygen[kind] for kind in setup.kinds if kind in found.oxygen), found.default_oxygen)


def counted_cylinders(setup: GasSetup) -> tuple[Cylinders, str]:
    """The cylinders that a site counts in, and a sentence where its own are left out; empty where none is.

    A setup is checked when it is read. One that was kept and no longer reads, since a kind of ours has come or gone,
    must not stop a plan: then only those that ship count.
    """
    try:
        return cylinders_of(setup), ""
    except OutOfRange as error:
        return cylinders(), (
            f"The site's own cylinders are left out, their set-up has to be put right: {error}. Gas is counted in "
            "those that ship."
        )


def cylinders_of(setup: GasSetup) -> Cylinders:
    """The cylinders that ship and those that a site brings itself.

    Raises:
        OutOfRange: an own cylinder has the id of another, its figures contradict each other, or `kinds` names an
            unknown cylinder or two of one gas; names field, value and what is allowed.
    """
    ours = cylinders()
    fuel, oxygen = dict(ours.fuel), dict(ours.oxygen)
    for own in setup.own_cylinders:
        if ours.find(own.id) is not None:
            raise OutOfRange(f"id of cylinder {own.id!r} is that of one that ships, give yours another")
        if own.id in fuel or own.id in oxygen:
            raise OutOfRange(f"cylinder {own.id!r} stands twice")
        record = own_cylinder(own)
        if isinstance(record, FuelCylinder):
            fuel[own.id] = record
        else:
            oxygen[own.id] = record
    found = replace(ours, fuel=MappingProxyType(fuel), oxygen=MappingProxyType(oxygen))
    _check_kinds(setup.kinds, found)
    return found


def _check_kinds(kinds: Sequence[str], found: Cylinders) -> None:
    """At most one for each gas, all of them known."""
    by_gas: dict[str, str] = {}
    for kind in kinds:
        cylinder = found.find(kind)
        if cylinder is None:
            known = ", ".join((*found.fuel, *found.oxygen))
            raise OutOfRange(f"kinds has {kind!r}, expected some of {known}")
        holds = gas_in(cylinder)
        if holds in by_gas:
            raise OutOfRange(f"kinds has {by_gas[holds]!r} and {kind!r}, expected at most one for {holds}")
        by_gas[holds] = kind


def gas_in(cylinder: FuelCylinder | OxygenCylinder) -> CylinderGas:
    """What a cylinder holds."""
    return cast(CylinderGas, cylinder.fuel) if isinstance(cylinder, FuelCylinder) else "oxygen"


def own_cylinder(own: OwnCylinder) -> FuelCylinder | OxygenCylinder:
    """The record of a cylinder that a site brings itself; the share the count relies on is that of its gas.

    A fuel that boils in its cylinder gets a shell where diameter, height and empty weight are all stated. Its water
    capacity follows from the contents, which are stamped on it, and the usual filling: the height contains a foot ring
    and a collar of unknown size, so that it says too much; it only has to be high enough. What the wall lets in hangs
    on contents and diameter alone.

    Raises:
        OutOfRange: contents that are missing, of the wrong kind for the gas or not above 0, or a size that does not fit
            them; names cylinder, field, value and limit.
    """
    usable = cylinders().usable[own.gas]
    if own.gas == "oxygen":
        contents_m3 = _own_contents(own, "contents_m3", own.contents_m3, "contents_kg", own.contents_kg)
        return OxygenCylinder(own.id, own.name, contents_m3, _OWN, usable.share, usable.origin)
    contents_kg = _own_contents(own, "contents_kg", own.contents_kg, "contents_m3", own.contents_m3)
    shell = _own_shell(own, contents_kg)
    return FuelCylinder(own.id, own.name, own.gas, contents_kg, _OWN, usable.share, usable.origin, shell)


def _own_contents(own: OwnCylinder, field: str, value: float | None, other: str, other_value: float | None) -> float:
    if other_value is not None:
        raise OutOfRange(f"{other} of cylinder {own.id!r} is {other_value:g}, but {own.gas} is stated in {field}")
    if value is None or not 0.0 < value < math.inf:
        said = "missing" if value is None else f"{value:g}"
        raise OutOfRange(f"{field} of cylinder {own.id!r} is {said}, a number above 0 is needed")
    return value


def _own_shell(own: OwnCylinder, contents_kg: float) -> Shell | None:
    filling = cylinders().filling.get(own.gas)
    if filling is None or own.diameter_mm is None or own.height_mm is None or own.tare_kg is None:
        return None
    water = Origin(
        "our choice", f"Taken as filled as usual, {100.0 * filling.share:g} % of its water. {filling.origin.source}"
    )
    try:
        return stated_shell(own.diameter_mm, own.height_mm, own.tare_kg, _OWN, contents_kg / filling.share, water)
    except OutOfRange as error:
        raise OutOfRange(f"cylinder {own.id!r}: {error}") from None


def _amount(field: str, value: float, unit: str) -> float:
    if not 0.0 <= value < math.inf:  # also refuses NaN
        raise OutOfRange(f"{field} is {value:g} {unit}, expected a number from 0 {unit} up")
    return value


def _check_ratio(record: Gas, ratio: float) -> None:
    """0 is an air torch; a ratio below the band is no torch flame and would order too little oxygen."""
    low, full = record.oxygen.low, record.oxygen.full
    if ratio != 0.0 and not low <= ratio <= full:
        raise OutOfRange(
            f"oxygen_ratio for {record.name} is {ratio:g}, expected 0 (air torch) or {low:g} to {full:g} by volume"
        )


@cache
def gases() -> Mapping[str, Gas]:
    """All fuel gases by id, from the table that ships with the package."""
    return read_gases(shipped("gases.toml"))


@cache
def cylinders() -> Cylinders:
    """All cylinders, from the table that ships with the package."""
    return read_cylinders(shipped("cylinders.toml"), gases())


def read_gases(top: Section) -> Mapping[str, Gas]:
    """All fuel gases by id from a table.

    Raises:
        TableError: the table lacks something, says something unknown, or its figures contradict each other.
    """
    _read_head(top).done()
    found: dict[str, Gas] = {}
    for section in top.sections("gas"):
        record = _read_gas(section)
        if record.id in found:
            raise TableError(f"{section.where}: '{record.id}' is there twice")
        found[record.id] = record
    top.done()
    missing = [fuel for fuel in _FUELS if fuel not in found]
    if missing:
        raise TableError(f"{top.where}: no [[gas]] for {', '.join(missing)}")
    return MappingProxyType(found)


def read_cylinders(top: Section, fuels: Mapping[str, Gas]) -> Cylinders:
    """All cylinders from a table; `fuels` gives the density that turns acetylene's volume into mass.

    Raises:
        TableError: the table lacks something, says something unknown, or a gas is counted in a cylinder that is not
            there.
    """
    head = _read_head(top)
    default_oxygen = head.text("oxygen_cylinder")
    head.done()
    usable = top.section("usable")
    shares: dict[str, GasShare] = {
        name: usable.one(name, _read_usable) for name in (*_BY_WEIGHT, "acetylene", "oxygen")
    }
    usable.done()
    fillings = top.section("filling")
    filling: dict[str, GasShare] = {
        name: fillings.one(name, _read_filling) for name in _BY_WEIGHT if fillings.has(name)
    }
    fillings.done()
    fuel: dict[str, FuelCylinder] = {}
    oxygen: dict[str, OxygenCylinder] = {}
    for section in top.sections("cylinder"):
        cylinder_id, name, holds = section.text("id"), section.text("name"), section.choice("gas", tuple(shares))
        if cylinder_id in fuel or cylinder_id in oxygen:
            raise TableError(f"{section.where}: '{cylinder_id}' is there twice")
        usable_share = shares[holds]
        if holds == "oxygen":
            oxygen[cylinder_id] = _read_oxygen_cylinder(section, cylinder_id, name, usable_share)
        else:
            fuel[cylinder_id] = _read_fuel_cylinder(section, cylinder_id, name, fuels[holds], usable_share, fuel)
        section.done()
    top.done()
    for record in fuels.values():
        counted_in = record.cylinder_id
        if counted_in is not None and (counted_in not in fuel or fuel[counted_in].fuel != record.id):
            raise TableError(f"{top.where}: {record.name} is counted in '{counted_in}', which is none of its cylinders")
    if default_oxygen not in oxygen:
        raise TableError(f"{top.where}: oxygen_cylinder '{default_oxygen}' is none of the oxygen cylinders")
    return Cylinders(
        MappingProxyType(fuel),
        MappingProxyType(oxygen),
        oxygen[default_oxygen],
        MappingProxyType(shares),
        MappingProxyType(filling),
    )


def _read_head(top: Section) -> Section:
    head = top.section("table")
    head.text("id")
    head.text("title")
    return head


def _read_gas(section: Section) -> Gas:
    fuel: FuelName = section.choice("id", _FUELS)  # type: ignore[assignment]
    heat, density, supply = section.section("heat"), section.section("density"), section.section("supply")
    record = Gas(
        id=fuel,
        name=section.text("name"),
        gross_mj_kg=heat.number("gross_mj_kg", 20.0, 142.0),
        net_mj_kg=heat.number("net_mj_kg", 20.0, 120.0),
        heat=read_origin(heat),
        vapour_kg_m3=density.number("vapour_kg_m3", 0.1, 5.0),
        density=read_origin(density),
        oxygen=_read_oxygen(section.section("oxygen")),
        share_with_oxygen=read_share(section.section("share_with_oxygen")),
        share_with_air=read_share(section.section("share_with_air")),
        cylinder_id=supply.optional_text("cylinder"),
        supply_note=supply.text("note"),
    )
    if not record.net_mj_kg < record.gross_mj_kg:
        raise TableError(f"{heat.where}: net_mj_kg {record.net_mj_kg:g} is not below gross {record.gross_mj_kg:g}")
    for part in (heat, density, supply, section):
        part.done()
    return record


def _read_rising(section: Section, keys: tuple[str, ...], low: float, high: float) -> list[float]:
    values = [section.number(key, low, high) for key in keys]
    if values != sorted(values):
        raise TableError(f"{section.where}: {', '.join(keys)} do not rise: {values}")
    return values


def _read_oxygen(section: Section) -> OxygenRatio:
    low, likely, high, full = _read_rising(section, ("low", "likely", "high", "full"), 0.1, 10.0)
    ratio = OxygenRatio(low, likely, high, full, read_origin(section))
    section.done()
    return ratio


def read_share(section: Section) -> Share:
    """A share with its band and origin.

    Raises:
        TableError: the section lacks something, says something unknown, or its figures do not rise.
    """
    low, likely, high = _read_rising(section, ("low", "likely", "high"), 0.01, 1.0)
    share = Share(low, likely, high, read_origin(section))
    section.done()
    return share


def _read_usable(section: Section) -> GasShare:
    return GasShare(section.number("usable_share", 0.1, 1.0), read_origin(section))


def _read_filling(section: Section) -> GasShare:
    return GasShare(section.number("filling_share", 0.2, 0.7), read_origin(section))


def _read_fuel_cylinder(
    section: Section,
    cylinder_id: str,
    name: str,
    record: Gas,
    usable: GasShare,
    before: Mapping[str, FuelCylinder],
) -> FuelCylinder:
    if record.id in _BY_WEIGHT:
        contents_kg = units.kg_from_lb(section.number("contents_lb", 1.0, 1000.0))
    else:
        contents_kg = _read_volume_m3(section) * record.vapour_kg_m3
    shell = None
    same_as = section.optional_text("shell_of")
    if same_as is not None:
        shell = before[same_as].shell if same_as in before else None
        if shell is None:
            raise TableError(f"{section.where}: shell_of '{same_as}' is no cylinder with a shell above this one")
    elif section.has("size"):
        shell = read_shell(section)
    return FuelCylinder(
        cylinder_id, name, record.id, contents_kg, read_origin(section), usable.share, usable.origin, shell
    )


def _read_oxygen_cylinder(section: Section, cylinder_id: str, name: str, usable: GasShare) -> OxygenCylinder:
    metric = section.has("contents_m3")
    contents_m3 = section.number("contents_m3", 0.1, 1000.0) if metric else _read_volume_m3(section)
    liquid = section.has("liquid")
    fill = None if liquid else section.one("fill", _read_fill)
    draw = section.one("liquid", _read_draw) if liquid else None
    return OxygenCylinder(cylinder_id, name, contents_m3, read_origin(section), usable.share, usable.origin, fill, draw)


def _read_fill(section: Section) -> Fill:
    if section.has("pressure_bar"):
        return Fill(100.0 * section.number("pressure_bar", 10.0, 300.0), 15.0, read_origin(section))
    psig = section.number("pressure_psig", 100.0, 4500.0)
    return Fill(psig * units.KPA_PER_PSI, units.c_from_f(70.0), read_origin(section))


def _read_draw(section: Section) -> Draw:
    draw_ft3_h = section.number("draw_ft3_h", 1.0, 5000.0)
    return Draw(units.m3_from_ft3(draw_ft3_h) * _M3_AT_15C_PER_M3_AT_70F, read_origin(section))


def _read_volume_m3(section: Section) -> float:
    """Contents in m3 at 15 °C from cubic feet at 70 °F, the reference of cylinders in the United States."""
    return units.m3_from_ft3(section.number("contents_ft3", 1.0, 10000.0)) * _M3_AT_15C_PER_M3_AT_70F
