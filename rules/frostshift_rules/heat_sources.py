"""Heat sources by kind, for whoever works one case without a site: plain kinds of torch, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Final, cast, get_args

from frostshift_rules.gas import Origin, default_share
from frostshift_rules.job import FuelName, HeatSource
from frostshift_rules.strict import OutOfRange, Section, TableError, shipped

NET_KW: Final = (0.5, 300.0)
"""Limits of the net rate of one torch [kW]."""


@dataclass(frozen=True, slots=True)
class KnownSource:
    """A heat source of the library and where its rate comes from; its share is that of the fuel."""

    source: HeatSource
    origin: Origin


@cache
def known_sources() -> Mapping[str, KnownSource]:
    """The library by id, from the table that ships with the package."""
    return read_sources(shipped("heat_sources.toml"))


def read_sources(top: Section) -> Mapping[str, KnownSource]:
    """The library by id from a table.

    Raises:
        TableError: the table lacks something, says something unknown or something outside its limits.
    """
    head = top.section("table")
    head.text("id")
    head.text("title")
    head.done()
    found: dict[str, KnownSource] = {}
    for section in top.sections("heat_source"):
        known = _read_source(section)
        if known.source.id in found:
            raise TableError(f"{section.where}: '{known.source.id}' is there twice")
        found[known.source.id] = known
    top.done()
    return MappingProxyType(found)


def _read_source(section: Section) -> KnownSource:
    fuel = cast(FuelName, section.choice("fuel", get_args(FuelName)))
    ratio = section.optional_number("oxygen_ratio", 0.0, 6.0)
    try:
        share = default_share(fuel, ratio)
    except OutOfRange as error:
        raise TableError(f"{section.where}: {error}") from error
    source = HeatSource(
        id=section.text("id"),
        name=section.text("name"),
        fuel=fuel,
        net_kw=section.number("net_kw", *NET_KW),
        share_low=share.low,
        share_likely=share.likely,
        share_high=share.high,
        oxygen_ratio=ratio,
    )
    origin = Origin(section.basis(), section.text("source"))
    section.done()
    return KnownSource(source, origin)
