"""Figures that the draw from cylinders in the cold rests on, each with its origin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from frostshift_rules.shells import Origin, read_origin
from frostshift_rules.strict import Section, TableError, shipped


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure and where it comes from."""

    value: float
    origin: Origin


@dataclass(frozen=True, slots=True)
class Figures:
    """What the draw rests on beside the gases.

    Attributes:
        wall_wm2k: heat through the wetted wall in a light breeze [W/(m2 K)].
        wind: factors on it: `screened`, `open`, `most`.
        allowance_kpa: pressure lost between cylinder and torch [kPa].
        steel_kj_kgk: heat capacity of the wall [kJ/(kg K)].
        oxygen_residual_kpa: gauge pressure left in an oxygen cylinder [kPa].
        acetylene_kpa: highest gauge pressure of acetylene [kPa].
        acetylene_hours: hours that the contents have to last: `seventh`, `tenth`, `fifteenth`.
        acetylene_continuous_minutes: from so long on a draw of acetylene is continuous [min].
    """

    wall_wm2k: Figure
    wind: Mapping[str, Figure]
    allowance_kpa: Figure
    steel_kj_kgk: Figure
    oxygen_residual_kpa: Figure
    acetylene_kpa: Figure
    acetylene_hours: Mapping[str, Figure]
    acetylene_continuous_minutes: Figure


@cache
def figures() -> Figures:
    """The figures of the table that ships with the package."""
    return read_figures(shipped("withdrawal.toml"))


def read_figures(top: Section) -> Figures:
    """The same from a table.

    Raises:
        TableError: the table lacks something, says something unknown, or its wind factors do not rise.
    """
    head = top.section("table")
    head.text("id")
    head.text("title")
    head.done()
    wind, acetylene = top.section("wind"), top.section("acetylene")
    share = acetylene.section("share")
    read = Figures(
        wall_wm2k=_figure(top, "wall", "u_wm2k", 1.0, 50.0),
        wind=MappingProxyType({key: _figure(wind, key, "factor", 0.1, 3.0) for key in ("screened", "open", "most")}),
        allowance_kpa=_figure(top, "allowance", "pressure_kpa", 0.0, 500.0),
        steel_kj_kgk=_figure(top, "steel", "heat_kj_kgk", 0.3, 1.0),
        oxygen_residual_kpa=_figure(top, "oxygen", "residual_kpa", 100.0, 5000.0),
        acetylene_kpa=_figure(acetylene, "limit", "gauge_kpa", 50.0, 103.5),
        acetylene_hours=MappingProxyType(
            {key: _figure(share, key, "share", 5.0, 50.0) for key in ("seventh", "tenth", "fifteenth")}
        ),
        acetylene_continuous_minutes=_figure(acetylene, "continuous", "minutes", 1.0, 120.0),
    )
    for section in (share, wind, acetylene, top):
        section.done()
    for group in (read.wind, read.acetylene_hours):
        values = [figure.value for figure in group.values()]
        if values != sorted(values):
            raise TableError(f"{top.where}: {', '.join(group)} do not rise: {values}")
    return read


def _figure(section: Section, name: str, key: str, low: float, high: float) -> Figure:
    return section.one(name, lambda part: Figure(part.number(key, low, high), read_origin(part)))
