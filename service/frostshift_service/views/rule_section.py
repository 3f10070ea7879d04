"""The pieces a rule table is shown in: chapters of sections, each of facts or of one table, every one with its source.

Figures stand as they are stored, in the unit that they are printed in; nothing is converted or rounded.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from frostshift_rules.figures import inches_text
from frostshift_rules.strict import Source

CLAUSE: Final = "Clause"
OUR_COPY: Final = "Our copy"


@dataclass(frozen=True, slots=True)
class Fact:
    """One figure or rule in words; `clause` and `basis` are empty where they are those of its section."""

    label: str
    text: str
    clause: str
    basis: str


@dataclass(frozen=True, slots=True)
class Section:
    """Facts or one table under a heading.

    Attributes:
        heading: what it is.
        note: what has to be known to read it; empty for nothing.
        clause, basis: of everything in it; either is empty where each line carries its own.
        facts: in their order; empty for a table.
        head, rows: of the table, all texts; empty for facts.
    """

    heading: str
    note: str
    clause: str
    basis: str
    facts: tuple[Fact, ...]
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Chapter:
    """Sections that belong together, such as those of one category."""

    heading: str
    sections: tuple[Section, ...]


Lines = Iterable[tuple[str, str, Source]]
"""Label, text and source of each fact."""
Rows = Iterable[tuple[tuple[str, ...], Source]]
"""Cells and source of each row."""


def facts(heading: str, lines: Lines, note: str = "") -> Section:
    """A section of facts; a source that all of them share stands once, at its head."""
    found = tuple(lines)
    shared = _shared(source for _, _, source in found)
    said = tuple(
        Fact(label, text, "", "") if shared else Fact(label, text, source.clause, source.basis)
        for label, text, source in found
    )
    clause, basis = ("", "") if shared is None else (shared.clause, shared.basis)
    return Section(heading, note, clause, basis, said, (), ())


def table(heading: str, head: Sequence[str], rows: Rows, note: str = "") -> Section:
    """A section with a table; what the sources of all rows share stands once, at its head, the rest in columns."""
    found = tuple(rows)
    sources = {source for _, source in found}
    if len({source.clause for source in sources}) != 1:
        cells = tuple((*cells, source.clause, source.basis) for cells, source in found)
        return Section(heading, note, "", "", (), (*head, CLAUSE, OUR_COPY), cells)
    clause = found[0][1].clause
    if len(sources) != 1:
        return Section(
            heading, note, clause, "", (), (*head, OUR_COPY), tuple((*cells, source.basis) for cells, source in found)
        )
    return Section(heading, note, clause, found[0][1].basis, (), tuple(head), tuple(cells for cells, _ in found))


def _shared(sources: Iterable[Source]) -> Source | None:
    once = set(sources)
    return once.pop() if len(once) == 1 else None


# Texts ----------------------------------------------------------------------------------------------------------------


def plain(value: float) -> str:
    """A number as it is stored, without closing zeros."""
    return format(value + 0.0, ".12g")


def inches(inch: float) -> str:
    """A length in inches as it is printed, such as `1-1/2`; as it is stored where it is no sixteenth."""
    return inches_text(inch) if (inch * 16.0).is_integer() else plain(inch)


def band(over: float, to: float, say: Callable[[float], str], *, edge_included: bool = False) -> str:
    """A thickness band: `over 3/4 through 1-1/2`; `edge_included`: its lower edge belongs to it."""
    if math.isinf(to):
        if over == 0.0:
            return "every thickness"
        return f"{say(over)} and over" if edge_included else f"over {say(over)}"
    if over == 0.0:
        return f"through {say(to)}"
    return f"{'' if edge_included else 'over '}{say(over)} through {say(to)}"


def both(us: float, us_unit: str, si: float, si_unit: str) -> str:
    """A figure in both unit systems as they are printed, never converted: `3 in / 75 mm`."""
    return f"{inches(us) if us_unit == 'in' else plain(us)} {us_unit} / {plain(si)} {si_unit}"


def in_order(names: Iterable[str]) -> tuple[str, ...]:
    """Names in the order people look for them: A36 before A131."""
    return tuple(
        sorted(names, key=lambda name: [(not s.isdigit(), int(s) if s.isdigit() else 0, s) for s in _cut(name)])
    )


def _cut(name: str) -> list[str]:
    return [piece for piece in re.split(r"(\d+)", name) if piece]


def names_note(*lists: Iterable[str]) -> str:
    """How to read a star in a list of steels; empty where there is none."""
    starred = next((name for names in lists for name in in_order(names) if name.endswith("-*")), None)
    if starred is None:
        return ""
    steel = starred.removesuffix("-*")
    return f"{starred} stands for every grade of {steel} and for {steel} without a grade; others with a star likewise."
