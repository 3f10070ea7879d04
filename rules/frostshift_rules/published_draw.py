"""Printed rules for the draw from propane cylinders, as they are printed; for comparison beside our own figures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from frostshift_rules import units
from frostshift_rules.shells import Origin, read_origin
from frostshift_rules.strict import OutOfRange, Section, TableError, shipped
from frostshift_rules.surroundings import Floats

_NOISE = 1e-6  # of a unit conversion [°F, lb], which must not push a figure over a printed edge


@dataclass(frozen=True, slots=True, eq=False)
class PublishedDraw:
    """The printed figures in their own units.

    Attributes:
        cylinder_id: the cylinder of the table.
        air_f, left_lb, btu_h: the table: temperature [°F], propane left [lb], gross Btu/h [left, air].
        table: its origin.
        flat_btu_h, flat: the flat figure of one such cylinder where 0 °F may occur, and its origin.
        filled, k, size: K by the share filled, and its origin.
        rule_air_f, multiplier, multipliers: multiplier by temperature [°F], and its origin.
    """

    cylinder_id: str
    air_f: Floats
    left_lb: Floats
    btu_h: Floats
    table: Origin
    flat_btu_h: float
    flat: Origin
    filled: Floats
    k: Floats
    size: Origin
    rule_air_f: Floats
    multiplier: Floats
    multipliers: Origin


def by_table_kw(air_c: float, kg_left: float) -> float:
    """Gross draw of one 100 lb propane cylinder by the printed table, linear between its figures [kW].

    It leaves no pressure in the cylinder for regulator and torch.

    Args:
        air_c: air [°C].
        kg_left: propane left [kg].

    Raises:
        OutOfRange: outside the printed rows and columns.
    """
    printed = published()
    air = _within("air_c", float(units.f_from_c(air_c)), printed.air_f, "°F")
    left = _within("kg_left", units.lb_from_kg(kg_left), printed.left_lb, "lb")
    at_air = [float(np.interp(air, printed.air_f, row)) for row in printed.btu_h]
    return units.kw_from_btu_h(float(np.interp(left, printed.left_lb, at_air)))


def by_size_kw(diameter_m: float, length_m: float, filled: float, air_c: float) -> float:
    """Gross draw by diameter x length x K [kW], linear between the printed K and multipliers.

    It lets the liquid fall to -20 °F and so gives 0 there.

    Args:
        diameter_m: outside [m].
        length_m: overall [m].
        filled: share of the container that is filled, 0.1 to 1.
        air_c: air, -28.9 to -6.7 °C (-20 to 20 °F).

    Raises:
        OutOfRange: a size not above 0, or a share or an air temperature outside the printed ones.
    """
    printed = published()
    for field, value in (("diameter_m", diameter_m), ("length_m", length_m)):
        if not 0.0 < value < math.inf:
            raise OutOfRange(f"{field} is {value:g} m, a size above 0 m is needed")
    if not printed.filled[0] <= filled <= 1.0:
        raise OutOfRange(f"filled is {filled:g}, outside {printed.filled[0]:g} to 1")
    air_f = np.concatenate([[-20.0], printed.rule_air_f])
    air = _within("air_c", float(units.f_from_c(air_c)), air_f, "°F")
    factor = float(np.interp(air, air_f, np.concatenate([[0.0], printed.multiplier])))
    k = float(np.interp(filled, printed.filled, printed.k))
    inches = units.in_from_mm(1000.0 * diameter_m) * units.in_from_mm(1000.0 * length_m)
    return units.kw_from_btu_h(inches * k * factor)


def cylinders_by_flat_rule(load_kw: float) -> int:
    """100 lb propane cylinders for a gross load [kW] by the flat figure where 0 °F may occur.

    Raises:
        OutOfRange: the load is negative or no number.
    """
    if not 0.0 <= load_kw < math.inf:
        raise OutOfRange(f"load_kw is {load_kw:g} kW, a number from 0 kW up is needed")
    return whole(units.btu_h_from_kw(load_kw) / published().flat_btu_h)


def whole(cylinders: float) -> int:
    """The least whole number of cylinders, without a further one for the noise of a conversion."""
    return math.ceil(cylinders * (1.0 - 1e-12))


def _within(field: str, value: float, printed: Floats, unit: str) -> float:
    low, high = float(printed[0]), float(printed[-1])
    if not low - _NOISE <= value <= high + _NOISE:  # also refuses NaN
        raise OutOfRange(f"{field} is {value:.4g} {unit}, outside the printed {low:g} to {high:g} {unit}")
    return min(max(value, low), high)


@cache
def published() -> PublishedDraw:
    """The printed figures of the table that ships with the package."""
    return read_published(shipped("published_draw.toml"))


def read_published(top: Section) -> PublishedDraw:
    """The same from a table.

    Raises:
        TableError: the table lacks something, says something unknown, or figures do not rise.
    """
    head = top.section("table")
    head.text("id")
    head.text("title")
    table, flat = top.section("cylinder_table"), top.section("flat")
    size, air = top.section("size_rule"), top.section("size_rule_air")
    air_f, left_lb = _rising(table, "air_f", -100.0, 150.0), _rising(table, "left_lb", 0.0, 1000.0)
    filled, rule_air_f = _rising(size, "filled", 0.01, 1.0), _rising(air, "air_f", -100.0, 150.0)
    read = PublishedDraw(
        table.text("cylinder"),
        air_f,
        left_lb,
        _grid(table, "btu_h", (len(left_lb), len(air_f))),
        read_origin(table),
        flat.number("btu_h", 1000.0, 1e6),
        read_origin(flat),
        filled,
        _rising(size, "k", 1.0, 1000.0, len(filled)),
        read_origin(size),
        rule_air_f,
        _rising(air, "multiplier", 0.0, 10.0, len(rule_air_f)),
        read_origin(air),
    )
    for section in (head, table, flat, size, air, top):
        section.done()
    return read


def _rising(section: Section, key: str, low: float, high: float, length: int | None = None) -> Floats:
    values = np.array(section.numbers(key, low, high))
    if length is not None and len(values) != length:
        raise TableError(f"{section.where}: '{key}' has {len(values)} values, expected {length}")
    if len(values) < 2 or not (np.diff(values) > 0.0).all():
        raise TableError(f"{section.where}: '{key}' does not rise all the way")
    return values


def _grid(section: Section, key: str, shape: tuple[int, int]) -> Floats:
    rows = section.rows(key, 1.0, 1e7)
    if len(rows) != shape[0] or any(len(row) != shape[1] for row in rows):
        raise TableError(f"{section.where}: '{key}' is not {shape[0]} rows of {shape[1]} values")
    values = np.array(rows)
    if not ((np.diff(values, axis=0) > 0.0).all() and (np.diff(values, axis=1) > 0.0).all()):
        raise TableError(f"{section.where}: '{key}' does not rise along every row and column")
    return values
