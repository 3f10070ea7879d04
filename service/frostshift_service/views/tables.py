"""The rule tables as lines of text: what each is, what its figures rest on, who accepted it."""

from __future__ import annotations

from collections import Counter
from dataclasses import fields, is_dataclass
from typing import Any

from frostshift_rules.hydrogen_control import HYDROGEN_CONTROLS, load_hydrogen_control
from frostshift_rules.job import Site
from frostshift_rules.strict import BASES, Basis, Source
from frostshift_rules.tables import acceptable_ids, load_code_table


def table_lines(site: Site | None) -> tuple[str, ...]:
    """Every table that a site can accept; with a site also its own, whether it uses one, and who accepted it.

    Raises:
        TableError: a table may not be used.
    """
    own = () if site is None else site.own_tables
    lines = []
    for table_id in acceptable_ids(own):
        table = load_hydrogen_control(table_id) if table_id in HYDROGEN_CONTROLS else load_code_table(table_id, own)
        lines += [f"{table.id}  {table.standard}:{table.edition}  {table.title}", f"  figures: {bases_text(table)}"]
        if site is not None:
            lines.append(f"  {site.id}: {standing_text(table_id, site)}")
    return tuple(lines)


def standing_text(table_id: str, site: Site) -> str:
    """Who accepted a table for a site and when, and whether it is the site's own and the one it uses."""
    accepted = site.acceptance(table_id)
    said = "not accepted" if accepted is None else f"accepted by {accepted.accepted_by}, {accepted.accepted_on}"
    own = ", its own table" if table_id in {one.id for one in site.own_tables} else ""
    used = ", the one it uses" if table_id == site.table_id else ""
    return f"{said}{own}{used}"


def bases_text(value: Any) -> str:
    """How many sections of a table rest on what, the surest first: `24 seen, 28 second hand`."""
    found = bases(value)
    return ", ".join(f"{found[basis]} {basis}" for basis in BASES if found[basis])


def bases(value: Any) -> Counter[Basis]:
    """How many sections of a table have a source of each basis."""
    if isinstance(value, Source):
        return Counter([value.basis])
    if isinstance(value, tuple):
        parts = value
    elif is_dataclass(value):
        parts = tuple(getattr(value, field.name) for field in fields(value))
    else:
        parts = ()
    return sum((bases(part) for part in parts), Counter())
