"""Heat sources by kind, for whoever works one case without a site: plain kinds of torch and heater, as data.

And the share of its heat that reaches the steel where a site states none, for every kind of source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Final, cast, get_args

from frostshift_rules.gas import Origin, Share, default_share, read_share
from frostshift_rules.job import SOURCE_KINDS, FuelName, HeatSource, SourceKind
from frostshift_rules.strict import OutOfRange, Section, TableError, shipped
from frostshift_rules.units import System, btu_h_from_kw

NET_KW: Final = (0.5, 300.0)
"""Limits of the rate of one torch or heater [kW]."""

AREA_M2: Final = (0.005, 5.0)
"""Limits of what one electric heater covers [m2]."""

MOST_OWN_WM2: Final = 200e3
"""Highest rating over covered area believed of a heater [W/m2]: four times that of a resistance pad. Our choice."""


@dataclass(frozen=True, slots=True)
class KnownSource:
    """A heat source of the library and where its rate comes from; its share is that of the fuel or the kind."""

    source: HeatSource
    origin: Origin


@dataclass(frozen=True, slots=True)
class Library:
    """The heat sources by id, and the share of each kind of electric heater."""

    sources: Mapping[str, KnownSource]
    shares: Mapping[SourceKind, Share]


def known_sources() -> Mapping[str, KnownSource]:
    """The library by id, from the table that ships with the package."""
    return library().sources


@cache
def library() -> Library:
    """The library, from the table that ships with the package."""
    return read_sources(shipped("heat_sources.toml"))


def rate_text(source: HeatSource, system: System) -> str:
    """The rate of one torch, net, as it is said; of one electric heater its rating, in kW everywhere."""
    if source.electric or system == "si":
        return f"{source.net_kw:g} kW{'' if source.electric else ' net'}"
    return f"{round(btu_h_from_kw(source.net_kw), -2):,.0f} Btu/h net"


def usual_share(kind: SourceKind, fuel: FuelName | None, oxygen_ratio: float | None) -> Share:
    """Share of its heat that reaches the steel where a site states none: an estimate, not a measurement.

    Args:
        kind: of the source.
        fuel: of a flame; an electric heater has none.
        oxygen_ratio: as in `HeatSource`; an electric heater has none.

    Raises:
        OutOfRange: a flame without a fuel, a heater with one, a fuel or ratio that there is not.
    """
    if kind == "flame":
        if fuel is None:
            raise OutOfRange(f"fuel is missing, expected one of {', '.join(get_args(FuelName))}")
        return default_share(fuel, oxygen_ratio)
    for field, value in (("fuel", fuel), ("oxygen_ratio", oxygen_ratio)):
        if value is not None:
            raise OutOfRange(f"{field} is {value!r}, but a heat source of kind {kind} is electric and has none")
    return library().shares[kind]


def check_area(kind: SourceKind, net_kw: float, area_m2: float | None) -> None:
    """Refuse an area that the kind cannot have, or a rating that no heater of that area has.

    Raises:
        OutOfRange: names field, value and limit.
    """
    if area_m2 is None:
        return
    if kind == "flame":
        raise OutOfRange(f"area_m2 is {area_m2:g}, but a flame is led and covers no area of its own")
    if net_kw * 1000.0 / area_m2 > MOST_OWN_WM2:
        raise OutOfRange(
            f"net_kw {net_kw:g} on area_m2 {area_m2:g} is {net_kw / area_m2:.0f} kW/m2, above {MOST_OWN_WM2 / 1000:g}"
        )


def read_sources(top: Section) -> Library:
    """The library from a table.

    Raises:
        TableError: the table lacks something, says something unknown or something outside its limits.
    """
    head = top.section("table")
    head.text("id")
    head.text("title")
    head.done()
    of_kinds = top.section("share")
    shares: dict[SourceKind, Share] = {
        kind: read_share(of_kinds.section(kind)) for kind in SOURCE_KINDS if kind != "flame"
    }
    of_kinds.done()
    found: dict[str, KnownSource] = {}
    for section in top.sections("heat_source"):
        known = _read_source(section, shares)
        if known.source.id in found:
            raise TableError(f"{section.where}: '{known.source.id}' is there twice")
        found[known.source.id] = known
    top.done()
    return Library(MappingProxyType(found), MappingProxyType(shares))


def _read_source(section: Section, shares: Mapping[SourceKind, Share]) -> KnownSource:
    kind = cast(SourceKind, section.choice("kind", SOURCE_KINDS)) if section.has("kind") else "flame"
    flame = kind == "flame"
    fuel = cast(FuelName, section.choice("fuel", get_args(FuelName))) if flame else None
    ratio = section.optional_number("oxygen_ratio", 0.0, 6.0) if flame else None
    net_kw = section.number("net_kw", *NET_KW)
    area_m2 = section.optional_number("area_m2", *AREA_M2)
    try:
        check_area(kind, net_kw, area_m2)
        share = shares[kind] if fuel is None else default_share(fuel, ratio)
    except OutOfRange as error:
        raise TableError(f"{section.where}: {error}") from error
    source = HeatSource(
        id=section.text("id"),
        name=section.text("name"),
        fuel=fuel,
        net_kw=net_kw,
        share_low=share.low,
        share_likely=share.likely,
        share_high=share.high,
        oxygen_ratio=ratio,
        kind=kind,
        area_m2=area_m2,
    )
    origin = Origin(section.basis(), section.text("source"))
    section.done()
    return KnownSource(source, origin)
