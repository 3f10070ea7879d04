"""How a site uses gas: its cylinders, what else draws on them, how they stand, and how more of them come."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

CylinderGas = Literal["propane", "propylene", "acetylene", "mps", "oxygen"]
Stand = Literal["still", "open"]

WEEKDAYS: Final = frozenset(range(1, 6))
"""Monday to Friday, as ISO days."""


@dataclass(frozen=True, slots=True)
class OwnCylinder:
    """A kind of cylinder that the site names itself.

    Attributes:
        id: short name, none of those that ship.
        name: as shown.
        gas: what it holds.
        contents_kg: of a full one, for fuels [kg]; None for oxygen.
        contents_m3: of a full one, for oxygen, at 15 °C and 101.325 kPa [m3]; None for fuels.
        diameter_mm, height_mm: outside [mm]; None: not stated, then nobody can say what it gives in the cold.
        tare_kg: empty [kg]; None: not stated.
    """

    id: str
    name: str
    gas: CylinderGas
    contents_kg: float | None = None
    contents_m3: float | None = None
    diameter_mm: float | None = None
    height_mm: float | None = None
    tare_kg: float | None = None


@dataclass(frozen=True, slots=True)
class OtherUse:
    """Gas that is used beside heating joints: cutting, gouging, tent heaters.

    Attributes:
        name: as shown.
        gas: which one.
        low, likely, high: in each of its shifts [kg for fuels, m3 at 15 °C for oxygen].
        shifts: names of the shifts it belongs to; empty: all.
        same_cylinders: it draws on the cylinders that feed the torches.
    """

    name: str
    gas: CylinderGas
    low: float
    likely: float
    high: float
    shifts: tuple[str, ...] = ()
    same_cylinders: bool = True


@dataclass(frozen=True, slots=True)
class SupplyTerms:
    """How cylinders of one kind come to the site. Every figure is the supplier's and the site's, none has a default.

    Attributes:
        kind: id of the cylinders.
        lead_days: from the day of the order to the delivery, in days on which the supplier delivers.
        delivery_days: ISO days on which the supplier delivers, 1 Monday to 7 Sunday.
        least_order: fewest that come at a time.
        storage_limit: most full ones that may stand on the site; None: not stated.
        rental_per_day: for each on the site and day; None: not stated.
        price: of one, with its gas; None: not stated.
    """

    kind: str
    lead_days: int
    delivery_days: frozenset[int] = WEEKDAYS
    least_order: int = 1
    storage_limit: int | None = None
    rental_per_day: float | None = None
    price: float | None = None


@dataclass(frozen=True, slots=True)
class GasSetup:
    """How a site uses gas; every default is our choice.

    Attributes:
        kinds: ids of the cylinders that the site counts in, at most one for each gas; the usual one for the others.
        own_cylinders: kinds that the site brings itself.
        stand: `still`: in a cage, in a corner or behind a screen; `open`: in moving air.
        wind_factor: on the heat that cylinders take from the air, in the place of that of `stand`; None: none.
        torch_kpa: gauge pressure that the torches need at the hose's end, by fuel [kPa]; the usual one for the others.
        allowance_kpa: lost in regulator, hose, check valves and arrestors [kPa].
        most_together: most cylinders of a kind that may feed together.
        purge_seconds: full flow of each gas that is let go at each light-up [s].
        idle_share: of the gas for heating up, burned beside it by torches that wait.
        other_use: what else uses gas.
        supply: terms, at most one for each kind.
        closed_days: no delivery on these.
        cover_days: an order is to last so many days beyond its delivery.
        kwh_price, currency: of electric energy [per kWh], and what prices are in; None, empty: not stated.
    """

    kinds: tuple[str, ...] = ()
    own_cylinders: tuple[OwnCylinder, ...] = ()
    stand: Stand = "still"
    wind_factor: float | None = None
    torch_kpa: tuple[tuple[str, float], ...] = ()
    allowance_kpa: float = 48.0
    most_together: int = 12
    purge_seconds: float = 20.0
    idle_share: float = 0.05
    other_use: tuple[OtherUse, ...] = ()
    supply: tuple[SupplyTerms, ...] = ()
    closed_days: tuple[date, ...] = ()
    cover_days: int = 7
    kwh_price: float | None = None
    currency: str = ""

    def terms(self, kind: str) -> SupplyTerms | None:
        """The terms of a kind; None where the site has stated none."""
        return next((one for one in self.supply if one.kind == kind), None)
