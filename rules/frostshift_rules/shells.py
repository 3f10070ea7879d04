"""Cylinders as vessels: outside size, empty weight, what they hold, and the wall that a liquid inside wets."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from frostshift_rules import units
from frostshift_rules.strict import Basis, OutOfRange, Section, TableError
from frostshift_rules.surroundings import Floats

_WATER_KG_M3 = 999.0  # at 60 °F, the reference of water capacities


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a figure comes from and how sure it is."""

    basis: Basis
    source: str


@dataclass(frozen=True, slots=True)
class Shell:
    """A vertical cylinder with 2:1 elliptical heads; the wall is thin against the diameter and left out of volumes.

    Attributes:
        outside_diameter_m: of the body [m].
        overall_height_m: with foot ring and collar [m]; only printed rules go by it.
        size: origin of both.
        tare_kg: empty, with valve [kg].
        tare: its origin.
        water_m3: volume of the body [m3]; with the diameter it gives the height of the body.
        water: its origin.
    """

    outside_diameter_m: float
    overall_height_m: float
    size: Origin
    tare_kg: float
    tare: Origin
    water_m3: float
    water: Origin

    @property
    def body_height_m(self) -> float:
        """Height of the body that holds the liquid [m], without foot ring and collar."""
        straight_m = (self.water_m3 - 2.0 * _head_m3(self.outside_diameter_m)) / (
            math.pi / 4.0 * self.outside_diameter_m**2
        )
        return straight_m + self.outside_diameter_m / 2.0

    @property
    def area_m2(self) -> float:
        """Outside area of the whole body [m2]."""
        return float(_curve(self)[1][-1])

    def wetted_m2(self, liquid_m3: ArrayLike) -> Floats:
        """Wall below the level of a liquid [m2], standing upright.

        Args:
            liquid_m3: volume of the liquid [m3], any shape; the answer has the same.

        Raises:
            OutOfRange: a volume below 0, above what the vessel holds, or NaN.

        Source: solid geometry; within 0.1 % of it above 1 % filled.
        """
        volume = np.asarray(liquid_m3, dtype=np.float64)
        wrong = ~((volume >= 0.0) & (volume <= self.water_m3 * (1.0 + 1e-9)))
        if wrong.any():
            raise OutOfRange(f"liquid_m3 is {volume[wrong].flat[0]:g} m3, outside 0 to {self.water_m3:.4g} m3")
        volumes, areas = self.curve()
        return np.interp(volume, volumes, areas)

    def curve(self) -> tuple[Floats, Floats]:
        """Volume below a level [m3] and wall below it [m2], for levels from the bottom to the top."""
        return _curve(self)


def _head_m3(diameter_m: float) -> float:
    return math.pi / 24.0 * diameter_m**3


@cache
def _curve(shell: Shell) -> tuple[Floats, Floats]:
    """Levels lie close at the bottom, where the wall grows as the square root of the volume."""
    radius, head = shell.outside_diameter_m / 2.0, shell.outside_diameter_m / 4.0
    straight = shell.body_height_m - 2.0 * head
    below = head * np.linspace(0.0, 1.0, 200) ** 2
    head_volume = math.pi * radius**2 * below**2 * (3.0 * head - below) / (3.0 * head**2)
    stretch = math.sqrt(radius**2 - head**2) / head**2

    def arc(z: Floats) -> Floats:
        run = stretch * z
        return (z * np.sqrt(1.0 + run**2) + np.arcsinh(run) / stretch) / 2.0

    head_area = 2.0 * math.pi * radius * (arc(np.array(head)) - arc(head - below))
    whole_volume = math.pi * radius**2 * straight + 2.0 * head_volume[-1]
    whole_area = 2.0 * math.pi * radius * straight + 2.0 * head_area[-1]
    volumes = np.concatenate([head_volume, (whole_volume - head_volume)[::-1]])
    areas = np.concatenate([head_area, (whole_area - head_area)[::-1]])
    for values in (volumes, areas):
        values.setflags(write=False)
    return volumes, areas


def read_origin(section: Section) -> Origin:
    """Basis and source of a section."""
    return Origin(section.basis(), section.text("source"))


def read_shell(section: Section) -> Shell:
    """A vessel from its sub-tables `size`, `tare` and `water`, typed in inches and pounds.

    Raises:
        TableError: something lacks, is unknown, or the body would be no cylinder or taller than the whole.
    """

    def size(part: Section) -> tuple[float, float, Origin]:
        return part.number("outside_diameter_in", 4.0, 60.0), part.number("height_in", 8.0, 120.0), read_origin(part)

    diameter_in, height_in, size_origin = section.one("size", size)
    tare_lb, tare_origin = section.one("tare", lambda part: (part.number("tare_lb", 1.0, 1000.0), read_origin(part)))
    water_lb, water_origin = section.one(
        "water", lambda part: (part.number("water_lb", 1.0, 5000.0), read_origin(part))
    )
    shell = Shell(
        outside_diameter_m=units.mm_from_in(diameter_in) / 1000.0,
        overall_height_m=units.mm_from_in(height_in) / 1000.0,
        size=size_origin,
        tare_kg=units.kg_from_lb(tare_lb),
        tare=tare_origin,
        water_m3=units.kg_from_lb(water_lb) / _WATER_KG_M3,
        water=water_origin,
    )
    if not _fits(shell):
        raise TableError(
            f"{section.where}: {water_lb:g} lb of water in a body of {diameter_in:g} in make it "
            f"{shell.body_height_m / 0.0254:.1f} in high, which does not fit {height_in:g} in overall"
        )
    return shell


def stated_shell(
    diameter_mm: float, height_mm: float, tare_kg: float, stated: Origin, water_kg: float, water: Origin
) -> Shell:
    """A vessel from what somebody states of it, and the water that it holds.

    Args:
        diameter_mm: outside [mm].
        height_mm: outside, with foot ring and collar [mm].
        tare_kg: empty [kg].
        stated: origin of these three.
        water_kg: water that it holds [kg].
        water: its origin.

    Raises:
        OutOfRange: the body would be no cylinder or taller than the whole, or a figure is not above 0.
    """
    for field, value in (("diameter_mm", diameter_mm), ("height_mm", height_mm), ("tare_kg", tare_kg)):
        if not 0.0 < value < math.inf:  # also refuses NaN
            raise OutOfRange(f"{field} is {value:g}, a number above 0 is needed")
    shell = Shell(diameter_mm / 1000.0, height_mm / 1000.0, stated, tare_kg, stated, water_kg / _WATER_KG_M3, water)
    if not _fits(shell):
        raise OutOfRange(
            f"diameter_mm {diameter_mm:g} and height_mm {height_mm:g} do not fit what it holds: with {water_kg:.3g} kg "
            f"of water its body would be {1000.0 * shell.body_height_m:.0f} mm high, outside {diameter_mm / 2.0:g} to "
            f"{height_mm:g} mm"
        )
    return shell


def _fits(shell: Shell) -> bool:
    return shell.outside_diameter_m / 2.0 <= shell.body_height_m <= shell.overall_height_m
