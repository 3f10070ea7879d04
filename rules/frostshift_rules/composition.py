"""What the composition of a steel says about preheat: carbon equivalents, EN 1011-2 method B, hydrogen control."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

Element = Literal["C", "Si", "Mn", "Cu", "Ni", "Cr", "Mo", "V", "Nb", "Ti", "B"]
Restraint = Literal["low", "medium", "high"]

ELEMENTS: Final[tuple[Element, ...]] = get_args(Element)
RESTRAINTS: Final[tuple[Restraint, ...]] = get_args(Restraint)


@dataclass(frozen=True, slots=True)
class Composition:
    """Mass shares of the elements in % as a certificate states them; None: not stated, which is not 0."""

    c: float | None = None
    si: float | None = None
    mn: float | None = None
    cu: float | None = None
    ni: float | None = None
    cr: float | None = None
    mo: float | None = None
    v: float | None = None
    nb: float | None = None
    ti: float | None = None
    b: float | None = None

    def percent(self, element: Element) -> float | None:
        """Mass share of one element [%]; None: not stated."""
        share: float | None = getattr(self, element.lower())
        return share
