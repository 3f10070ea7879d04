"""Writing one cell: a value as text that reads back the same, the counterpart of `cells`."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Final, Literal, TypeVar

from frostshift_rules import units
from frostshift_rules.composition import ELEMENTS, Composition
from frostshift_service.schedule_file import cells

Units = Literal["us", "si"]
K = TypeVar("K")

_ANY_C: Final = cells.temperature_c(-1e9, 1e9)
_ANY_MS: Final = cells.speed_ms(-1e9, 1e9)


def word(spellings: Mapping[str, K], value: K) -> str:
    """The first spelling of `value`."""
    return next(word for word, meaning in spellings.items() if meaning == value)


def number(value: float) -> str:
    """The shortest decimal that reads back the same, without an exponent."""
    return f"{Decimal(repr(value)):f}".removesuffix(".0")


def inch(inches: float) -> str:
    """Inches as whole and 64ths where they are such, else as a decimal."""
    sixty_fourths = Fraction(inches) * 64
    if sixty_fourths.denominator != 1:
        return f"{number(inches)} in"
    whole, rest = divmod(Fraction(inches), 1)
    if rest == 0:
        return f"{whole} in"
    return f"{whole}-{rest} in" if whole else f"{rest} in"


def _exact(value: float, candidates: Iterable[str], read: Callable[[str], float], otherwise: str) -> str:
    """The first candidate that reads back as exactly `value`."""
    return next((candidate for candidate in candidates if read(candidate) == value), otherwise)


def length(mm: float, show: Units) -> str:
    """A length in the units of `show` where it reads back the same, else in mm."""
    inches = units.in_from_mm(mm)
    candidates = [inch(round(inches * 64) / 64), f"{number(round(inches, 6))} in"] if show == "us" else []
    return _exact(mm, candidates, lambda text: cells.read_length(text).mm, f"{number(mm)} mm")


def height(metres: float, show: Units) -> str:
    """A height in the units of `show` where it reads back the same, else in m."""
    candidates = [
        f"{number(metres)} m",
        f"{number(round(metres * 1000.0, 6))} mm",
        f"{number(round(units.ft_from_m(metres), 6))} ft",
    ]
    preferred = reversed(candidates) if show == "us" else candidates
    return _exact(metres, preferred, lambda text: cells.read_length(text).mm / 1000.0, candidates[0])


def temperature(celsius: float, show: Units) -> str:
    """A temperature in the units of `show` where it reads back the same, else in °C."""
    candidates = [f"{number(round(celsius, 6))} °C", f"{number(round(units.f_from_c(celsius), 6))} F"]
    preferred = reversed(candidates) if show == "us" else candidates
    return _exact(celsius, preferred, _ANY_C, f"{number(celsius)} °C")


def speed(wind_ms: float, show: Units) -> str:
    """A wind speed in the units of `show` where it reads back the same, else in m/s."""
    candidates = [f"{number(round(wind_ms, 6))} m/s", f"{number(round(units.mph_from_ms(wind_ms), 6))} mph"]
    preferred = reversed(candidates) if show == "us" else candidates
    return _exact(wind_ms, preferred, _ANY_MS, f"{number(wind_ms)} m/s")


def heat_input(kj_mm: float, show: Units) -> str:
    """A heat input in the units of `show` where it reads back the same, else in kJ/mm."""
    candidates = [f"{number(round(kj_mm, 6))} kJ/mm", f"{number(round(kj_mm * units.mm_from_in(1.0), 6))} kJ/in"]
    preferred = reversed(candidates) if show == "us" else candidates
    return _exact(kj_mm, preferred, cells.read_heat_input, f"{number(kj_mm)} kJ/mm")


def composition(shares: Composition) -> str:
    """The elements that are stated, as `C 0.18 Mn 1.4`."""
    stated = ((element, shares.percent(element)) for element in ELEMENTS)
    return " ".join(f"{element} {number(share)}" for element, share in stated if share is not None)
