"""Strict reading of table files: TOML in, and an error that names file, place, key and what was expected.

A table is a TOML file in `tables/`. What the reader does not know it refuses, so that a typing slip stops the service
at the start and never a decision.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from importlib import resources
from typing import Any, Literal, TypeVar, get_args

T = TypeVar("T")
Basis = Literal["seen", "second hand", "from memory", "our choice"]
BASES: tuple[Basis, ...] = get_args(Basis)
"""How sure a figure is, the surest first: `seen` in a copy of the standard, and so on."""


def least_sure(bases: Iterable[Basis]) -> Basis:
    """The least sure of some bases: a figure is no surer than the least sure fact it rests on."""
    return max(bases, key=BASES.index)


class TableError(ValueError):
    """A table file that may not be used; says file, place, key and what was expected."""


class Outside(TableError):
    """A number of a table file outside its limits, told apart so that a page can say both in the reader's units."""

    def __init__(self, where: str, key: str, value: float, low: float, high: float) -> None:
        """`where` names file and place; `low` and `high` are included."""
        super().__init__(f"{where}: '{key}' is {value:g}, outside {low:g} to {high:g}")
        self.key, self.value, self.low, self.high = key, value, low, high


class OutOfRange(ValueError):
    """A figure asked for outside what a table or formula covers; says field, value and limit."""


class Section:
    """One TOML table read strictly: every key is asked for by type, and `done()` refuses the ones nobody asked for."""

    def __init__(self, data: Mapping[str, Any], where: str) -> None:
        """Read `data`; `where` names file and place in errors."""
        self._data = data
        self._asked: set[str] = set()
        self._looked: set[str] = set()
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

    def has(self, key: str) -> bool:
        """Whether the key is there."""
        self._looked.add(key)
        return key in self._data

    def names(self) -> tuple[str, ...]:
        """The keys that are there."""
        return tuple(self._data)

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
        return self._bounded(key, self._get(key, (int, float), False), low, high)

    def optional_number(self, key: str, low: float, high: float) -> float | None:
        """As `number`, or None where the key is absent."""
        value = self._get(key, (int, float), True)
        return None if value is None else self._bounded(key, value, low, high)

    def _bounded(self, key: str, stated: float, low: float, high: float) -> float:
        try:
            value = float(stated)
        except OverflowError:  # a whole number of hundreds of digits
            value = math.inf if stated > 0 else -math.inf
        if not low <= value <= high:  # also refuses NaN
            raise Outside(self.where, key, value, low, high)
        return value

    def flag(self, key: str) -> bool:
        """A boolean."""
        value: bool = self._get(key, (bool,), False)
        return value

    def day(self, key: str) -> date:
        """A date."""
        value: date = self._get(key, (date,), False)
        if isinstance(value, datetime):  # a kind of date to Python
            raise TableError(f"{self.where}: '{key}' is {value}, expected a date without a time")
        return value

    def days(self, key: str) -> tuple[date, ...]:
        """A list of dates."""
        value = self._get(key, (list,), False)
        parts = [Section({key: item}, f"{self.where}, '{key}' {n}") for n, item in enumerate(value, 1)]
        return tuple(part.day(key) for part in parts)

    def choice(self, key: str, allowed: Sequence[str]) -> str:
        """One of the allowed strings."""
        value: str = self._get(key, (str,), False)
        if value not in allowed:
            raise TableError(f"{self.where}: '{key}' is {value!r}, expected one of {', '.join(allowed)}")
        return value

    def standard_basis(self, key: str = "basis") -> Basis:
        """How sure a figure of the standard is: a minimum may be no choice of ours."""
        value: Basis = self.choice(key, [basis for basis in BASES if basis != "our choice"])  # type: ignore[assignment]
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
        return tuple(self._bounded(key, item, low, high) for item in value)

    def rows(self, key: str, low: float, high: float) -> tuple[tuple[float, ...], ...]:
        """A list of lists of numbers, each within `low` to `high`."""
        value = self._get(key, (list,), False)
        parts = [Section({key: row}, f"{self.where}, row {n}") for n, row in enumerate(value, 1)]
        return tuple(part.numbers(key, low, high) for part in parts)

    def section(self, key: str) -> Section:
        """A sub-table."""
        return Section(self._get(key, (dict,), False), f"{self.where}, [{key}]")

    def sections(self, key: str) -> list[Section]:
        """A list of sub-tables, each named by its number in errors."""
        value = self._get(key, (list,), False)
        if not value or not all(isinstance(item, dict) for item in value):
            raise TableError(f"{self.where}: '{key}' has to be a list of tables [[{key}]]")
        return [Section(item, f"{self.where}, {key} {n}") for n, item in enumerate(value, 1)]

    def whole(self, key: str, low: int, high: int) -> int:
        """A whole number within `low` to `high`, both included."""
        value = self.number(key, low, high)
        if value != int(value):
            raise TableError(f"{self.where}: '{key}' is {value:g}, expected a whole number")
        return int(value)

    def weekdays(self, key: str) -> frozenset[int]:
        """A list of ISO days, at least one."""
        days = self.numbers(key, 1, 7)
        if not days or any(day != int(day) for day in days):
            raise TableError(f"{self.where}: '{key}' is {list(days)}, expected whole numbers, 1 Monday to 7 Sunday")
        return frozenset(int(day) for day in days)

    def one(self, key: str, read: Callable[[Section], T]) -> T:
        """A sub-table as `read` reads it, and nothing in it that it did not ask for."""
        section = self.section(key)
        value = read(section)
        section.done()
        return value

    def each(self, key: str, read: Callable[[Section], T]) -> tuple[T, ...]:
        """As `one` for every sub-table of a list that has to be there."""
        sections = self.sections(key)
        values = tuple(read(section) for section in sections)
        for section in sections:
            section.done()
        return values

    def some(self, key: str, read: Callable[[Section], T]) -> tuple[T, ...]:
        """As `each` for a list that may be missing."""
        return self.each(key, read) if self.has(key) else ()

    def done(self) -> None:
        """Refuse keys that nobody asked for."""
        unknown = sorted(set(self._data) - self._asked)
        if unknown:
            known = ", ".join(sorted(self._asked | self._looked))
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


@dataclass(frozen=True, slots=True)
class Source:
    """Where a figure stands, and how sure ours is."""

    clause: str
    basis: Basis


def source_of(section: Section) -> Source:
    """Clause and basis of a section."""
    return Source(section.text("clause"), section.basis())


def standard_source_of(section: Section) -> Source:
    """Clause and basis of a figure that has to be the standard's."""
    return Source(section.text("clause"), section.standard_basis())


@dataclass(frozen=True, slots=True)
class Coverage:
    """What a table of ours was checked against, and what is left out and why; sentences for people."""

    checked_against: tuple[str, ...]
    left_out: tuple[str, ...]


def coverage_of(section: Section) -> Coverage:
    """The keys of a `[coverage]` section."""
    return Coverage(section.texts("checked_against"), section.texts("left_out"))
