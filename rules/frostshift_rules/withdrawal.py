"""What one cylinder gives in the cold, where its fuel boils in it: what the wall lets in, and what is stored.

A liquid boils off as fast as heat reaches it through the wall it wets. It cools until it is cold enough for that, and
its pressure falls with it; the liquid's temperature at which the pressure is just what torch, hose and regulator need
is the coldest it may become. What it gives at that temperature hour after hour is the sustained draw; what it gives
while it cools down to it is the burst store.

Fuel heat is GROSS here, as printed tables of cylinders are. Fuels without such a model (acetylene is dissolved, the
composition of MPS gas varies) get a `NoModel` with the reason and never a number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from frostshift_rules.draw_figures import figures
from frostshift_rules.gas import FuelCylinder, gas
from frostshift_rules.job import FuelName
from frostshift_rules.saturation import STANDARD_KPA, Saturation, checked_barometer_kpa, saturations
from frostshift_rules.shells import Shell
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Floats

NOT_COUNTED: Final[tuple[str, ...]] = (
    "A thick coat of frost or snow on the cylinder insulates it: it gives less than this.",
    "Butane in the fuel gathers in the last of an old cylinder: it gives less pressure than this.",
    "Cylinders on one line share alike only when they are of one size, equally full and equally warm.",
)
"""Sentences to be shown beside a draw."""

MOST_NEEDED_KPA: Final = 1500.0
"""Highest gauge pressure that is believed to be needed in a cylinder [kPa] (our choice)."""

MOST_LOAD_KW: Final = 10_000.0
"""Highest load that is believed of one bank of cylinders [kW] (our choice)."""


@dataclass(frozen=True, slots=True)
class NoModel:
    """The answer for a cylinder whose draw in the cold cannot be worked out, with the reason for people."""

    cylinder_id: str
    fuel: FuelName
    reason: str


@dataclass(frozen=True, slots=True)
class Vessel:
    """A cylinder whose draw can be worked out: fuel, wall, and the properties of the liquid in it."""

    cylinder: FuelCylinder
    shell: Shell
    saturation: Saturation
    gross_kj_kg: float

    def checked_kg(self, field: str, kg: ArrayLike) -> Floats:
        """Masses in the cylinder [kg].

        Raises:
            OutOfRange: below 0, above the contents, or NaN.
        """
        values = np.asarray(kg, dtype=np.float64)
        most = self.cylinder.contents_kg
        wrong = ~((values >= 0.0) & (values <= most * (1.0 + 1e-9)))
        if wrong.any():
            raise OutOfRange(
                f"{field} is {values[wrong].flat[0]:g} kg, a full one of {self.cylinder.name} holds 0 to {most:.4g} kg"
            )
        return values


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the draw has to meet.

    Attributes:
        needed_kpa: gauge pressure needed in the cylinder [kPa], see `needed_kpa`.
        wind_factor: on the heat through the wall: the figure `screened` unless somebody says otherwise.
        barometer_kpa: of the site [kPa].

    Raises:
        OutOfRange: one of them is outside what is believed; names field, value and limits.
    """

    needed_kpa: float
    wind_factor: float | None = None
    barometer_kpa: float = STANDARD_KPA

    def __post_init__(self) -> None:
        """Check."""
        if not 0.0 <= self.needed_kpa <= MOST_NEEDED_KPA:  # also refuses NaN
            raise OutOfRange(f"needed_kpa is {self.needed_kpa:g} kPa, outside 0 to {MOST_NEEDED_KPA:g} kPa gauge")
        checked_barometer_kpa(self.barometer_kpa)
        most = figures().wind["most"].value
        if self.wind_factor is not None and not 0.0 < self.wind_factor <= most:
            raise OutOfRange(f"wind_factor is {self.wind_factor:g}, outside above 0 to {most:g}")

    @property
    def wind(self) -> float:
        """The factor on the heat through the wall."""
        return figures().wind["screened"].value if self.wind_factor is None else self.wind_factor


@dataclass(frozen=True, slots=True)
class Sustained:
    """What one cylinder gives hour after hour: fuel [kg/h] and its gross heat [kW], arrays of one shape."""

    kg_h: Floats
    gross_kw: Floats


def vessel_of(cylinder: FuelCylinder) -> Vessel | NoModel:
    """The cylinder as a vessel whose draw can be worked out, or why it cannot."""
    record = gas(cylinder.fuel)
    if record.id == "acetylene":
        reason = "acetylene is dissolved: its draw is limited to a share of the contents an hour"
    elif record.id not in saturations():
        reason = f"no vapour pressure is on file for {record.name}: read the data sheet of the gas on the site"
    elif cylinder.shell is None:
        reason = f"size and empty weight of the {cylinder.name} cylinder are not both on file"
    else:
        return Vessel(cylinder, cylinder.shell, saturations()[record.id], 1000.0 * record.gross_mj_kg)
    return NoModel(cylinder.id, record.id, reason)


def needed_kpa(torch_kpa: float, allowance_kpa: float | None = None) -> float:
    """Gauge pressure needed in the cylinder [kPa]: what the torch is set to, and what is lost on the way.

    Args:
        torch_kpa: gauge pressure at the torch [kPa].
        allowance_kpa: regulator, hose, check valve, arrestor [kPa]; None: the figure on file.

    Raises:
        OutOfRange: one of them is below 0 or above `MOST_NEEDED_KPA`, or NaN.
    """
    lost_kpa = figures().allowance_kpa.value if allowance_kpa is None else allowance_kpa
    for field, value in (("torch_kpa", torch_kpa), ("allowance_kpa", lost_kpa)):
        if not 0.0 <= value <= MOST_NEEDED_KPA:
            raise OutOfRange(f"{field} is {value:g} kPa, outside 0 to {MOST_NEEDED_KPA:g} kPa gauge")
    return torch_kpa + lost_kpa


def starvation_c(vessel: Vessel, conditions: Conditions) -> float:
    """Temperature of the liquid at which the pressure is just what is needed [°C]; colder, the torch starves.

    Raises:
        OutOfRange: the fuel has no such pressure between the ends of its table; names pressure and limits.
    """
    try:
        return vessel.saturation.liquid_c_at(conditions.needed_kpa, conditions.barometer_kpa)
    except OutOfRange as error:
        raise OutOfRange(f"needed_kpa: {error}") from None


def wetted_m2(vessel: Vessel, kg_left: ArrayLike, liquid_c: ArrayLike) -> Floats:
    """Wall that the liquid wets [m2], by what is left [kg] and its temperature [°C]; shapes broadcast.

    The vapour above is not taken off the liquid: at most 3 % of a full cylinder's contents, below 20 °C 2 %.

    Raises:
        OutOfRange: more than the contents, less than nothing, or a temperature outside the table of the fuel.
    """
    kg = vessel.checked_kg("kg_left", kg_left)
    return vessel.shell.wetted_m2(kg / vessel.saturation.density_kg_m3(liquid_c))


def sustained(vessel: Vessel, air_c: ArrayLike, kg_left: ArrayLike, conditions: Conditions) -> Sustained:
    """What one cylinder gives hour after hour at the pressure needed; 0 in air at or below its starvation temperature.

    An estimate: it rests on the wall's coefficient, which is our reading of a printed table.

    Args:
        vessel: the cylinder.
        air_c: air around it [°C].
        kg_left: fuel in it [kg]; shapes of the two broadcast.
        conditions: pressure needed, wind, barometer.

    Raises:
        OutOfRange: air outside the table of the fuel, more than the contents, or no such pressure.
    """
    floor_c = starvation_c(vessel, conditions)
    air = vessel.saturation.checked_c("air_c", air_c)
    wall_kw_k = figures().wall_wm2k.value / 1000.0 * conditions.wind * wetted_m2(vessel, kg_left, floor_c)
    kg_s = wall_kw_k * np.maximum(air - floor_c, 0.0) / vessel.saturation.latent_kj_kg(floor_c)
    return Sustained(3600.0 * kg_s, kg_s * vessel.gross_kj_kg)


def burst_mj(vessel: Vessel, air_c: float, kg_left: float, conditions: Conditions) -> float:
    """Gross fuel heat [MJ] that boils off while liquid and wetted wall cool from the air to starvation.

    On top of what comes in through the wall meanwhile; 0 in air at or below the starvation temperature. Properties at
    the mean temperature; the fuel that leaves is not taken off what cools, at most 5 %.

    Args:
        vessel: the cylinder, as warm as the air.
        air_c: air around it [°C].
        kg_left: fuel in it [kg].
        conditions: pressure needed, wind, barometer.

    Raises:
        OutOfRange: as `sustained`.
    """
    floor_c = starvation_c(vessel, conditions)
    air = float(vessel.saturation.checked_c("air_c", air_c))
    kg = float(vessel.checked_kg("kg_left", kg_left))
    if air <= floor_c:
        return 0.0
    mean_c = (air + floor_c) / 2.0
    wall_share = float(wetted_m2(vessel, kg, mean_c)) / vessel.shell.area_m2
    stored_kj_k = kg * float(vessel.saturation.heat_kj_kgk(mean_c)) + wall_kj_k(vessel) * wall_share
    boiled_kg = stored_kj_k * (air - floor_c) / float(vessel.saturation.latent_kj_kg(mean_c))
    return min(boiled_kg, kg) * vessel.gross_kj_kg / 1000.0


def burst_minutes(vessel: Vessel, load_kw: float, air_c: float, kg_left: float, conditions: Conditions) -> float:
    """How long one cylinder as warm as the air carries a load [min]: a first estimate; `shift_draw` steps through it.

    The store over the load less half the sustained draw, as what the wall lets in grows from nothing to that. Where
    the sustained draw carries the load, and in any case, until the cylinder is empty.

    Args:
        vessel: the cylinder.
        load_kw: gross, of this one cylinder, above 0 [kW].
        air_c: air around it [°C].
        kg_left: fuel in it [kg].
        conditions: pressure needed, wind, barometer.

    Raises:
        OutOfRange: as `sustained`, or the load is not above 0.
    """
    load = checked_load_kw("load_kw", load_kw)
    if load == 0.0:
        raise OutOfRange("load_kw is 0 kW, a load above 0 is needed")
    steady_kw = float(sustained(vessel, air_c, kg_left, conditions).gross_kw)
    empty_minutes = kg_left * vessel.gross_kj_kg / load / 60.0
    if load <= steady_kw:
        return empty_minutes
    store_kj = 1000.0 * burst_mj(vessel, air_c, kg_left, conditions)
    return min(store_kj / (load - 0.5 * steady_kw) / 60.0, empty_minutes)


def wall_kj_k(vessel: Vessel) -> float:
    """Heat that the whole wall takes to be a kelvin warmer [kJ/K]; all of the empty weight counts as wall."""
    return vessel.shell.tare_kg * figures().steel_kj_kgk.value


def checked_load_kw(field: str, load_kw: float) -> float:
    """A load [kW].

    Raises:
        OutOfRange: negative, above `MOST_LOAD_KW`, or NaN.
    """
    if not 0.0 <= load_kw <= MOST_LOAD_KW:
        raise OutOfRange(f"{field} is {load_kw:g} kW, outside 0 to {MOST_LOAD_KW:g} kW")
    return load_kw
