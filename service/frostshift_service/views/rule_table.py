"""A rule table in full, for whoever holds it against his own copy of the code; for page, JSON and terminal alike."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from pydantic import TypeAdapter

from frostshift_rules.electrodes import electrode_table
from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS, load_hydrogen_control
from frostshift_rules.job import Site
from frostshift_rules.operations import operations
from frostshift_rules.people import people_table
from frostshift_rules.strict import Coverage
from frostshift_rules.tables import AROUND_TABLES, acceptable_ids, load_code_table
from frostshift_service.views.rule_around import electrode_chapters, operation_chapters, people_chapters
from frostshift_service.views.rule_code import code_chapters, control_chapters
from frostshift_service.views.rule_section import Chapter, Fact, Section
from frostshift_service.views.tables import bases_text, standing_text

WIDTH: Final = 100
INDENT: Final = "  "
BASES_NOTE: Final = (
    "Our copy: seen = read in a copy of the standard or of an official document; second hand = read in quotations and "
    "reproductions; from memory = not read; our choice = not of the standard."
)
NOT_FOR_ACCEPTANCE: Final = (
    "No site accepts these figures: they decide no minimum, and the tool names their source wherever it shows one."
)


class UnknownTable(LookupError):
    """There is no such rule table; the message says which there are."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Whether a table is accepted.

    Attributes:
        acceptable: a site can accept it.
        site_id, site_name: that was asked about; empty for none.
        own, used: the site brought it itself; the site works with it.
        accepted_by, accepted_on: empty and None where nobody has, or no site was asked about.
        text: all of it in a sentence.
        command: that accepts it; empty where that is done, or is not possible.
    """

    acceptable: bool
    site_id: str
    site_name: str
    own: bool
    used: bool
    accepted_by: str
    accepted_on: date | None
    text: str
    command: str


@dataclass(frozen=True, slots=True)
class TableEntry:
    """A rule table in the list; `figures` says how many sections of it rest on what."""

    id: str
    name: str
    title: str
    clause: str
    figures: str
    checked_against: tuple[str, ...]
    left_out: tuple[str, ...]
    standing: Standing


@dataclass(frozen=True, slots=True)
class TableList:
    """All rule tables, those of a site's own among them where one is asked about."""

    site_id: str
    site_name: str
    tables: tuple[TableEntry, ...]
    bases_note: str


@dataclass(frozen=True, slots=True)
class TablePage:
    """One rule table in full.

    Attributes:
        table: its head.
        beside: ids of the tables that are worked out beside it.
        bases_note: what the words for our copy mean.
        chapters: every figure.
    """

    table: TableEntry
    beside: tuple[str, ...]
    bases_note: str
    chapters: tuple[Chapter, ...]


@dataclass(frozen=True, slots=True)
class _Found:
    """A table of any kind: its head, its values, and its figures as chapters."""

    name: str
    title: str
    clause: str
    values: Any
    coverage: Coverage
    chapters: tuple[Chapter, ...]
    beside: tuple[str, ...] = ()


def table_ids(site: Site | None) -> tuple[str, ...]:
    """Ids of everything that can be shown."""
    return (*acceptable_ids(() if site is None else site.own_tables), *AROUND_TABLES)


def table_list(site: Site | None) -> TableList:
    """Every rule table by its head.

    Raises:
        TableError: a table may not be used.
    """
    entries = tuple(_entry(table_id, _found(table_id, site), site) for table_id in table_ids(site))
    return TableList("" if site is None else site.id, "" if site is None else site.name, entries, BASES_NOTE)


def table_page(table_id: str, site: Site | None) -> TablePage:
    """One rule table in full; with a site its own tables too, and who accepted it there.

    Raises:
        UnknownTable: there is none of that id.
        TableError: the table may not be used.
    """
    known = table_ids(site)
    if table_id not in known:
        raise UnknownTable(f"There is no rule table {table_id!r}; there are {', '.join(known)}.")
    found = _found(table_id, site)
    return TablePage(_entry(table_id, found, site), found.beside, BASES_NOTE, found.chapters)


def table_json(page: TablePage) -> bytes:
    """The page as JSON, the same as the page's twin."""
    return TypeAdapter(TablePage).dump_json(page, indent=1) + b"\n"


def _found(table_id: str, site: Site | None) -> _Found:
    own = () if site is None else site.own_tables
    if table_id in AROUND_TABLES:
        return _around(table_id)
    if table_id in HYDROGEN_CONTROLS:
        control = load_hydrogen_control(table_id)
        return _Found(control.name, control.title, control.clause, control, control.coverage, control_chapters(control))
    code = load_code_table(table_id, own)
    beside = () if code.hydrogen_control_id is None else (code.hydrogen_control_id,)
    return _Found(code.name, code.title, code.clause, code, code.coverage, code_chapters(code), beside)


def _around(table_id: str) -> _Found:
    if table_id == "electrodes":
        found = electrode_table()
        return _Found(
            found.name, found.title, "named with each figure", found, found.coverage, electrode_chapters(found)
        )
    if table_id == "operations":
        special = operations()
        return _Found(
            "Special operations around a weld",
            "tacks, repairs, access holes, studs, torch, layers, crayons",
            "named with each figure",
            special,
            special.coverage,
            operation_chapters(special),
        )
    people = people_table()
    return _Found(
        "People in the cold",
        "wind chill, frostbite, work and warm-up of crews; never for steel",
        "named with each figure",
        people,
        people.coverage,
        people_chapters(people),
    )


def _entry(table_id: str, found: _Found, site: Site | None) -> TableEntry:
    return TableEntry(
        table_id,
        found.name,
        found.title,
        found.clause,
        bases_text(found.values),
        found.coverage.checked_against,
        found.coverage.left_out,
        _standing(table_id, found, site),
    )


def _standing(table_id: str, found: _Found, site: Site | None) -> Standing:
    acceptable = table_id in acceptable_ids(() if site is None else site.own_tables)
    accepted = None if site is None else site.acceptance(table_id)
    command = f"frostshift site accept-table --by NAME --table {shlex.quote(table_id)}"
    if not acceptable:
        text, command = NOT_FOR_ACCEPTANCE, ""
    elif site is None:
        text = f"Hold every row against your own copy of {found.name}; then write down for your site who did:"
    elif accepted is None:
        text = (
            f"{site.name}: {standing_text(table_id, site)}. Hold every row against your own copy of {found.name}; then "
            "write down who did:"
        )
        command += f" --site {shlex.quote(site.id)}"
    else:
        text, command = f"{site.name}: {standing_text(table_id, site)}.", ""
    return Standing(
        acceptable=acceptable,
        site_id="" if site is None else site.id,
        site_name="" if site is None else site.name,
        own=site is not None and table_id in {one.id for one in site.own_tables},
        used=site is not None and table_id == site.table_id,
        accepted_by="" if accepted is None else accepted.accepted_by,
        accepted_on=None if accepted is None else accepted.accepted_on,
        text=text,
        command=command,
    )


# Terminal -------------------------------------------------------------------------------------------------------------


def table_text(page: TablePage) -> str:
    """The table as plain text, lines of at most `WIDTH` characters."""
    head = page.table
    lines = [
        *_wrapped(f"{head.name}, {head.title}"),
        *_wrapped(f"Id {head.id}. Clause: {head.clause}. Figures: {head.figures}."),
        *_wrapped(page.bases_note),
        "",
        "Checked against",
        *(line for text in head.checked_against for line in _wrapped(f"- {text}", INDENT)),
        "Left out",
        *(line for text in head.left_out for line in _wrapped(f"- {text}", INDENT)),
    ]
    for chapter in page.chapters:
        lines += ["", "", chapter.heading.upper()]
        for section in chapter.sections:
            lines += ["", *_section(section)]
    lines += [""] if page.beside else []
    lines += [line for one in page.beside for line in _wrapped(f"Worked out beside it: frostshift tables show {one}")]
    lines += ["", "", *_wrapped(head.standing.text)]
    lines += [f"{INDENT}{head.standing.command}"] if head.standing.command else []
    return "\n".join(lines)


def source_text(one: Section | Fact) -> str:
    """Clause and basis as one text, as far as they stand here."""
    return f"{one.clause} ({one.basis})" if one.basis else one.clause


def _section(section: Section) -> Iterator[str]:
    yield from _wrapped(section.heading)
    for text in (source_text(section), section.note):
        yield from _wrapped(text, INDENT) if text else ()
    for fact in section.facts:
        source = source_text(fact)
        yield from _wrapped(f"- {fact.label}: {fact.text}" + (f" [{source}]" if source else ""), INDENT)
    if section.head:
        yield from _columns((section.head, *section.rows))


def _columns(rows: Sequence[tuple[str, ...]]) -> Iterator[str]:
    """A table; where it would be too wide the widest columns wrap."""
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    longest_word = [max(len(word) for row in rows for word in row[n].split() or [""]) for n in range(len(rows[0]))]
    while len(INDENT) + sum(widths) + 2 * (len(widths) - 1) > WIDTH:
        can = [n for n, width in enumerate(widths) if width > longest_word[n]]
        if not can:
            break
        widths[max(can, key=lambda n: widths[n])] -= 1
    for number, row in enumerate(rows):
        cells = [
            textwrap.wrap(cell, width, break_on_hyphens=False) or [""] for cell, width in zip(row, widths, strict=True)
        ]
        for line in range(max(map(len, cells))):
            said = [cell[line] if line < len(cell) else "" for cell in cells]
            yield (INDENT + "  ".join(text.ljust(width) for text, width in zip(said, widths, strict=True))).rstrip()
        if number == 0:
            yield INDENT + "  ".join("-" * width for width in widths)


def _wrapped(text: str, indent: str = "") -> list[str]:
    following = indent + ("  " if text.startswith("- ") else "")
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=following, break_on_hyphens=False, break_long_words=False
    )
