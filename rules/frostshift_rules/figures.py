"""Figures that are asked of a joint, what there is no figure for, and how they are said."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Final, Literal, TypeVar

from frostshift_rules.job import CodeUnits
from frostshift_rules.strict import Basis
from frostshift_rules.units import System, f_from_c, in_from_mm

T = TypeVar("T")

SURE: Final[frozenset[Basis]] = frozenset({"seen"})
"""A minimum that rests on nothing else needs no acceptance by the site."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One figure that was asked for, and by whom.

    Attributes:
        what: `row`, `formula`, `hydrogen_control`, `procedure` or `cold_steel`.
        minimum_c: [°C].
        table_id: rule table; empty for a procedure.
        row: which row, for people: `category B, over 38 thru 65 mm`.
        clause: of the standard.
        basis: how sure our figure is; a procedure's stands as the job states it.
        note: how it came about, one sentence.
    """

    what: str
    minimum_c: float
    table_id: str
    row: str
    clause: str
    basis: Basis | Literal["as stated"]
    note: str


@dataclass(frozen=True, slots=True)
class Gap:
    """Why the table gives no figure.

    `procedure_settles`: the table does not cover the case, so that the welding procedure's own minimum is the answer
    where it is qualified by test.
    False where steel, process or electrode is missing or cannot be read: nobody can tell that a procedure covers such a
    joint, qualified by test or not, and it could lie below the table unseen.
    `out_of_range`: a stated value lies outside what the method covers.
    """

    text: str
    procedure_settles: bool
    out_of_range: bool = False


NO_STEEL: Final = Gap("The steel is not stated.", False)


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure for one part.

    `group` is the category it comes from, empty for a formula; `cold_mark`: the footnote on cold steel is printed
    beside it; `relied`: nothing in it still needs the site's acceptance.
    """

    ask: Ask
    group: str
    cold_mark: bool
    relied: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """What one way to a minimum says of a joint: the figure of each part, what it gives no figure for, and why."""

    figures: tuple[Figure, ...] = ()
    gaps: tuple[Gap, ...] = ()
    notes: tuple[str, ...] = ()

    def and_also(self, other: Answer) -> Answer:
        """Both answers, nothing said twice."""
        return Answer(once(self.figures + other.figures), once(self.gaps + other.gaps), once(self.notes + other.notes))


def once(values: Iterable[T]) -> tuple[T, ...]:
    """The values in their order, each once."""
    return tuple(dict.fromkeys(values))


def systems(units: CodeUnits) -> tuple[System, ...]:
    """The unit systems a job's code is worked out in."""
    return ("us", "si") if units == "either" else (units,)


SayUnits = Literal[CodeUnits, "us and si", "us of si", "si of us"]
"""How a figure is said: in the units of the job's code; US units first and SI beside them; or for a reader of one
system with the figure of the code's own system beside it (`us of si`: a reader of US units, a code in SI)."""


def say_units(code: CodeUnits, reader: System | Literal["both"]) -> SayUnits:
    """How a figure of a code is said to a reader; both systems where the code's is not known, as both count then."""
    if code == "either" or code == reader:
        return code
    if reader == "both":
        return "us and si" if code == "us" else "us of si"
    return "us of si" if code == "si" else "si of us"


def in_units(us: str, si: str, units: SayUnits) -> str:
    """What is said in the units of the job's code, or of its reader; in both where the code's are not known."""
    return {
        "us": us,
        "si": si,
        "either": f"{si} ({us})",
        "us and si": f"{us} ({si})",
        "us of si": f"{us} (in the code's units {si})",
        "si of us": f"{si} (in the code's units {us})",
    }[units]


@lru_cache(maxsize=1024)
def inches_text(inch: float) -> str:
    """A length in inches as it is said, such as `1-1/2`; decimals where it is no sixteenth."""
    sixteenths = Fraction(inch) * 16
    if sixteenths.denominator != 1:
        return f"{inch:.3f}"
    whole, rest = divmod(Fraction(inch), 1)
    if not rest:
        return str(whole)
    return f"{whole}-{rest}" if whole else str(rest)


_NOISE: Final = 1e-6
"""Noise of a unit conversion that must not push a limit to the next degree."""


def least_text(c: float, units: SayUnits) -> str:
    """A least temperature in the units of the job's code, rounded up: what is said is never below what it is."""
    return _temperature_text(math.ceil(f_from_c(c) - _NOISE), math.ceil(c - _NOISE), units)


def most_text(c: float, units: SayUnits) -> str:
    """A highest temperature in the units of the job's code, rounded down: what is said is never above what it is."""
    return _temperature_text(math.floor(f_from_c(c) + _NOISE), math.floor(c + _NOISE), units)


def _temperature_text(f: int, c: int, units: SayUnits) -> str:
    return in_units(f"{f} °F", f"{c} °C", units)


def least_length_text(mm: float, units: SayUnits) -> str:
    """A least length, rounded up to a sixteenth of an inch or a whole mm."""
    in_us = f"{inches_text(math.ceil(in_from_mm(mm) * 16 - _NOISE) / 16)} in"
    return in_units(in_us, f"{math.ceil(mm - _NOISE)} mm", units)


def measuring_distance_text(mm: float, units: SayUnits) -> str:
    """How far from the groove edge to measure: a point, not a limit, to a tenth of an inch or a whole mm."""
    return in_units(f"{in_from_mm(mm):.1f} in", f"{mm:.0f} mm", units)


def most_length_text(mm: float, units: SayUnits) -> str:
    """A highest length, rounded down to a sixteenth of an inch or a tenth of a mm."""
    in_us = f"{inches_text(math.floor(in_from_mm(mm) * 16 + _NOISE) / 16)} in"
    return in_units(in_us, f"{math.floor(mm * 10 + _NOISE) / 10:g} mm", units)


def length_text(mm: float, units: SayUnits) -> str:
    """A length that is no limit; inches as they are said where they are a sixteenth."""
    inch = in_from_mm(mm)
    sixteenths = round(inch * 16)
    exact = abs(inch * 16 - sixteenths) < 0.016
    in_us = f"{inches_text(sixteenths / 16)} in" if exact else f"{inch:.2f} in"
    in_si = f"{round(mm, 1):g} mm"
    return in_units(in_us, in_si, units)
