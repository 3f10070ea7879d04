"""Rule tables as data, with a strict loader.

A table is a TOML file beside this module, one file an edition. The loader refuses what it does not know and names
file, place and key in every error, so that a typing slip stops the service at the start and never a decision.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from importlib import resources
from typing import Any, Final, Literal, get_args

Basis = Literal["seen", "second hand", "from memory", "our choice"]
BASES: tuple[Basis, ...] = get_args(Basis)
"""How sure a figure is, the surest first: `seen` in a copy of the standard, and so on."""


class TableError(ValueError):
    """A table file that may not be used; says file, place, key and what was expected."""


class OutOfRange(ValueError):
    """A figure asked for outside what a table or formula covers; says field, value and limit."""


class Section:
    """One TOML table read strictly: every key is asked for by type, and `done()` refuses the ones nobody asked for."""

    def __init__(self, data: Mapping[str, Any], where: str) -> None:
        """Read `data`; `where` names file and place in errors."""
        self._data = data
        self._asked: set[str] = set()
        self.where = where

    def _get(self, key: str, kinds: tuple[type, ...], optional: bool) -> Any:
        self._asked.add(key)
        if key not in self._data:
            if optional:
                return None
            raise TableError(f"{self.where}: key '{key}' is missing")
        value = self._data[key]
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            names = " or ".join(kind.__name__ for kind in kinds)
            raise TableError(f"{self.where}: '{key}' is {value!r}, expected {names}")
        return value

    def text(self, key: str) -> str:
        """A non-empty string."""
        value: str = self._get(key, (str,), False)
        if not value.strip():
            raise TableError(f"{self.where}: '{key}' is empty")
        return value

    def optional_text(self, key: str) -> str | None:
        """A string, or None where the key is absent."""
        value: str | None = self._get(key, (str,), True)
        return value

    def number(self, key: str, low: float, high: float) -> float:
        """A number within `low` to `high`, both included."""
        return self._bounded(key, float(self._get(key, (int, float), False)), low, high)

    def optional_number(self, key: str, low: float, high: float) -> float | None:
        """As `number`, or None where the key is absent."""
        value = self._get(key, (int, float), True)
        return None if value is None else self._bounded(key, float(value), low, high)

    def _bounded(self, key: str, value: float, low: float, high: float) -> float:
        if not low <= value <= high:  # also refuses NaN
            raise TableError(f"{self.where}: '{key}' is {value:g}, outside {low:g} to {high:g}")
        return value

    def flag(self, key: str) -> bool:
        """A boolean."""
        value: bool = self._get(key, (bool,), False)
        return value

    def day(self, key: str) -> date:
        """A date."""
        value: date = self._get(key, (date,), False)
        return value

    def choice(self, key: str, allowed: Sequence[str]) -> str:
        """One of the allowed strings."""
        value: str = self._get(key, (str,), False)
        if value not in allowed:
            raise TableError(f"{self.where}: '{key}' is {value!r}, expected one of {', '.join(allowed)}")
        return value

    def basis(self, key: str = "basis") -> Basis:
        """How sure the figures of this section are."""
        value: Basis = self.choice(key, BASES)  # type: ignore[assignment]
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of strings."""
        value = self._get(key, (list,), False)
        if not all(isinstance(item, str) for item in value):
            raise TableError(f"{self.where}: '{key}' is {value!r}, expected a list of strings")
        return tuple(value)

    def numbers(self, key: str, low: float, high: float) -> tuple[float, ...]:
        """A list of numbers, each within `low` to `high`."""
        value = self._get(key, (list,), False)
        if not all(isinstance(item, int | float) and not isinstance(item, bool) for item in value):
            raise TableError(f"{self.where}: '{key}' is {value!r}, expected a list of numbers")
        return tuple(self._bounded(key, float(item), low, high) for item in value)

    def section(self, key: str) -> Section:
        """A sub-table."""
        return Section(self._get(key, (dict,), False), f"{self.where}, [{key}]")

    def sections(self, key: str) -> list[Section]:
        """A list of sub-tables, each named by its number in errors."""
        value = self._get(key, (list,), False)
        if not value or not all(isinstance(item, dict) for item in value):
            raise TableError(f"{self.where}: '{key}' has to be a list of tables [[{key}]]")
        return [Section(item, f"{self.where}, {key} {n}") for n, item in enumerate(value, 1)]

    def done(self) -> None:
        """Refuse keys that nobody asked for."""
        unknown = sorted(set(self._data) - self._asked)
        if unknown:
            known = ", ".join(sorted(self._asked))
            raise TableError(f"{self.where}: unknown key '{unknown[0]}'; known keys are {known}")


def read_toml(text: str, name: str) -> Section:
    """The top section of a TOML text; `name` is the file's name for errors.

    Raises:
        TableError: the text is no TOML.
    """
    try:
        return Section(tomllib.loads(text), name)
    except tomllib.TOMLDecodeError as error:
        raise TableError(f"{name}: not readable as TOML: {error}") from error


def shipped(name: str) -> Section:
    """The top section of a table file that ships with the package."""
    text = resources.files("frostshift_rules").joinpath("tables", name).read_text(encoding="utf-8")
    return read_toml(text, name)


_ASTM: Final = re.compile(r"(?:ASTM\s*)?(A)[\s-]?(\d{2,4})M?(?:\s*/\s*A[\s-]?\2M)?(?=$|[^0-9A-Z]|GR|CL|[A-Z]$)")
_API: Final = re.compile(r"(API)[\s-]*(5L|2H|2W|2Y)(?=$|[^0-9A-Z]|X\d|GR)")
_ABS: Final = re.compile(r"(ABS)()(?=[^0-9A-Z])")
_CSA: Final = re.compile(r"(?:CSA\s*)?(G40\.2)([01])(?=$|[^0-9A-Z])")
_SPECIFICATIONS: Final = (_ASTM, _API, _ABS, _CSA)
_EN_NAME: Final = re.compile(r"S\d{3}[A-Z0-9]*(?:\+[A-Z]+)?")
_GRADE: Final = re.compile(
    r"[\s,-]*(?:(?:GRADE|GR|CLASS|CL|TYPE)\b[.\s]*|(?:GRADE|GR|CLASS|CL)\.?\s*(?=\d))?"
    r"(?:(HPS|SS|HSLAS)[\s-]*)?(?:(?:GRADE|GR)\b[.\s]*)?"
    r"([0-9]{1,3}[A-Z]{0,2}[0-9]?|[A-Z]{1,2}[0-9]{2}|CS|DS|I[AB]|I{1,3}|[A-Z])"
    r"(?:[\s,-]+(?:(CL)(?:ASS)?|(T)(?:YPE)?)[.\s]*(\d))?"
)


def canonical_steel(text: str) -> str:
    """The one spelling of a steel designation that the code tables use, such as `A572-50`.

    Only spelling is settled here (`ASTM A572 Gr. 50`, `a572gr50`, `A 572 GRADE 50` are all `A572-50`); whether a code
    covers the steel is for the code table to say. Read are ASTM, API (5L, 2H, 2W, 2Y), ABS, CSA G40.20/21 and EN names.

    Raises:
        ValueError: the text is no designation that can be read.
    """
    tidy = " ".join(text.upper().split())
    if _EN_NAME.fullmatch(tidy):
        return tidy
    for pattern in _SPECIFICATIONS:
        start = pattern.match(tidy)
        if start is None:
            continue
        specification = start[1] + start[2]
        if start.end() == len(tidy):
            return specification
        grade = _GRADE.fullmatch(tidy, start.end())
        if grade is None:
            break
        prefix, core, is_class, is_type, number = (part or "" for part in grade.groups())
        suffix = f"-CL{number}" if is_class else f"{is_type}{number}"
        return f"{specification}-{prefix}{core}{suffix}"
    raise ValueError(
        f"steel {text!r} cannot be read; expected a specification and grade such as A572-50, A992, A709-HPS70W, "
        "A500-B or API5L-X52"
    )
