"""The stock of gas cylinders: what there is of each kind, and the ledger it is counted from, newest first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from frostshift_rules.stock import KindStock, StockProblem, stock_of
from frostshift_rules.stock_entry import STATES, Movement, StockEntry
from frostshift_rules.workload import Range
from frostshift_service.stock_form import Kind, contents_of, kind_of, kinds_of
from frostshift_service.store.records import KeptSite
from frostshift_service.views.files import Cell, Table
from frostshift_service.views.show import Amount, Moment, Show, plural

NEWEST: Final = 20
"""Entries on the page, where not all are asked for."""
UNKNOWN: Final = "unknown"


@dataclass(frozen=True, slots=True)
class OrderText:
    """Cylinders of one kind that are still to come on an order."""

    order_no: str
    open: int
    ordered: Moment


@dataclass(frozen=True, slots=True)
class KindLine:
    """What there is of one kind.

    Attributes:
        kind: id in the ledger; `name` as shown, the id where the kind is no longer known.
        full, in_use, empty: cylinders on site.
        on_order: cylinders that are still to come, on `orders`.
        left: gas left in those in use, with its doubt; None: unknown.
        left_text: the same in words.
        weighed: when it was weighed last, by entry `weighed_number`; None: never.
        opened: when it was first counted.
        problems: what does not fit together, as sentences.
    """

    kind: str
    name: str
    full: int
    in_use: int
    empty: int
    on_order: int
    orders: tuple[OrderText, ...]
    left: Amount | None
    left_text: str
    weighed: Moment | None
    weighed_number: int | None
    opened: Moment
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class EntryLine:
    """One entry of the ledger.

    Attributes:
        number: its place.
        at: when it happened.
        by: who says so.
        kind, name: of the cylinders.
        movement: code of what happened; `what` in words.
        note: free text.
        corrects: entry that it corrects; None: it is no correction.
        corrected_by: entries that correct it.
        count: cylinders that were moved or ordered; None where the entry has no one count.
        full_change, in_use_change, empty_change: of an opening or a correction; None for others.
        order_no: order, or empty.
        left_kg, used_kg, residual_kg: gas that it states, signed for a correction [kg]; None: states none.
    """

    number: int
    at: Moment
    by: str
    kind: str
    name: str
    movement: Movement
    what: str
    note: str
    corrects: int | None
    corrected_by: tuple[int, ...]
    count: int | None
    full_change: int | None
    in_use_change: int | None
    empty_change: int | None
    order_no: str
    left_kg: float | None
    used_kg: float | None
    residual_kg: float | None


@dataclass(frozen=True, slots=True)
class StockPage:
    """The stock of a site.

    Attributes:
        site_id, site_name, zone: of the site.
        kinds: in the order in which they were first counted.
        entries: the newest first; `entries_text` says how many of how many.
        total: entries of the whole ledger.
    """

    site_id: str
    site_name: str
    zone: str
    kinds: tuple[KindLine, ...]
    entries: tuple[EntryLine, ...]
    entries_text: str
    total: int


def stock_page(
    site: KeptSite, ledger: Sequence[StockEntry], show: Show, now: datetime, *, all_entries: bool = False
) -> StockPage:
    """The view of a site with its ledger, in the order of its numbers."""
    kinds = kinds_of(site.site)
    stock = stock_of(ledger, contents_of(kinds))
    corrected_by: dict[int, list[int]] = {}
    for entry in ledger:
        if entry.corrects is not None:
            corrected_by.setdefault(entry.corrects, []).append(entry.number)
    shown = ledger if all_entries else ledger[-NEWEST:]
    return StockPage(
        site_id=site.site.id,
        site_name=site.site.name,
        zone=site.site.zone,
        kinds=tuple(_kind_line(one, kind_of(kinds, one.kind), show, now) for one in stock.values()),
        entries=tuple(_entry_line(one, kinds, corrected_by, show, now) for one in reversed(shown)),
        entries_text=plural(len(ledger), "entry", "entries")
        if len(shown) == len(ledger)
        else f"the newest {len(shown)} of {len(ledger):,} entries",
        total=len(ledger),
    )


def _moment(at_utc: datetime, show: Show, now: datetime) -> Moment:
    same_year = at_utc.astimezone(show.zone).year == now.astimezone(show.zone).year
    return show.moment(at_utc, detail="date" if same_year else "year")


def _kind_line(stock: KindStock, kind: Kind, show: Show, now: datetime) -> KindLine:
    left = None if stock.left_kg is None else _left(stock.left_kg, show)
    unknown = f"{UNKNOWN}: oxygen is counted in whole cylinders" if kind.oxygen else UNKNOWN
    left_text = unknown if left is None else left.text
    return KindLine(
        kind=stock.kind,
        name=kind.name,
        full=stock.full,
        in_use=stock.in_use,
        empty=stock.empty,
        on_order=stock.on_order,
        orders=tuple(
            OrderText(line.order_no, line.open, _moment(line.ordered_utc, show, now)) for line in stock.open_orders
        ),
        left=left,
        left_text=left_text if stock.in_use else "none in use",
        weighed=None if stock.weighed_utc is None else _moment(stock.weighed_utc, show, now),
        weighed_number=stock.weighed_number,
        opened=_moment(stock.opened_utc, show, now),
        problems=tuple(
            _problem_text(one, stock, show)
            for one in stock.problems
            if not (kind.oxygen and one.name == "contents_unknown")
        ),
    )


def _left(left_kg: Range, show: Show) -> Amount:
    """Without doubt it is one figure, as a scale shows it."""
    amount, exact = show.mass(left_kg), show.weight_text(left_kg.likely)
    return amount if left_kg.low < left_kg.high else replace(amount, text=exact, short=exact)


def _problem_text(problem: StockProblem, stock: KindStock, show: Show) -> str:
    """The ledger's own sentence with the names and units of the site."""
    much = "" if problem.kg is None else show.weight_text(problem.kg)
    since = "the first count" if stock.weighed_number is None else f"weighing {stock.weighed_number}"
    if problem.name == "contents_unknown":
        return "How much gas a full one holds is not known, and so not what is left in those in use."
    return {
        "used_beyond": f"{much} more gas was used or sent back since {since} than there was in the cylinders in use: "
        "weigh them, or correct what was reported.",
        "found_beyond": f"Weighing {stock.weighed_number} found {much} more gas than there could be: less was used "
        "than reported, or a cylinder in use is not in the ledger.",
        "over_contents": f"By the times of the entries {much} more gas would be left than the cylinders in use hold: "
        "weigh them.",
    }[problem.name]


def _entry_line(
    entry: StockEntry, kinds: Mapping[str, Kind], corrected_by: Mapping[int, Sequence[int]], show: Show, now: datetime
) -> EntryLine:
    states = entry.by_state
    return EntryLine(
        number=entry.number,
        at=_moment(entry.at_utc, show, now),
        by=entry.by,
        kind=entry.kind,
        name=kind_of(kinds, entry.kind).name,
        movement=entry.movement,
        what=what_text(entry, show),
        note=entry.note,
        corrects=entry.corrects,
        corrected_by=tuple(corrected_by.get(entry.number, ())),
        count=entry.count,
        full_change=None if states is None else states.full,
        in_use_change=None if states is None else states.in_use,
        empty_change=None if states is None else states.empty,
        order_no=entry.order_no,
        left_kg=entry.left_kg,
        used_kg=entry.used_kg,
        residual_kg=entry.residual_kg,
    )


def what_text(entry: StockEntry, show: Show) -> str:
    """What an entry says happened, without its kind."""
    count = f"{entry.count or 0:,}"
    if entry.movement == "opening":
        return f"first count: {_states(entry, '')}"
    if entry.movement == "delivered":
        return f"{count} delivered{f', order {entry.order_no}' if entry.order_no else ', without an order'}"
    if entry.movement == "returned_part_used":
        rest = UNKNOWN if entry.residual_kg is None else show.weight_text(entry.residual_kg)
        return f"{count} sent back part-used, gas in them {rest}"
    if entry.movement == "weighed":
        return f"weighed: {show.weight_text(entry.left_kg or 0.0)} of gas left in use"
    if entry.movement == "used":
        return f"{show.weight_text(entry.used_kg or 0.0)} of gas used, by a heat report"
    if entry.movement == "correction":
        return f"entry {entry.corrects} put right: {_changes(entry, show)}"
    return {
        "ordered": f"{count} ordered, order {entry.order_no}",
        "cancelled": f"{count} of order {entry.order_no} cancelled",
        "connected": f"{count} put in use",
        "emptied": f"{count} taken off, empty",
        "returned_empty": f"{count} sent back empty",
        "returned_full": f"{count} sent back full",
    }[entry.movement]


def _states(entry: StockEntry, sign: str) -> str:
    found = [(name.replace("_", " "), getattr(entry.by_state, name)) for name in STATES]
    return ", ".join(f"{count:{sign},} {name}" for name, count in found if count or not sign)


def _changes(entry: StockEntry, show: Show) -> str:
    said = [] if entry.by_state is None else [_states(entry, "+")]
    for kg in (entry.left_kg, entry.used_kg, entry.residual_kg):
        if kg is not None:
            said.append(f"{'+' if kg > 0.0 else ''}{show.weight_text(kg)} of gas")
    return ", ".join(one for one in said if one)


# Files and the terminal -----------------------------------------------------------------------------------------------


def ledger_table(page: StockPage) -> Table:
    """The entries of a page in the order of their numbers: as people read them, then in SI units and UTC."""
    header = (
        "number",
        "when",
        "by",
        "cylinders",
        "what",
        "note",
        "corrects",
        "kind",
        "movement",
        "at_utc",
        "count",
        "full_change",
        "in_use_change",
        "empty_change",
        "order_no",
        "left_kg",
        "used_kg",
        "residual_kg",
    )
    return Table(header, tuple(_row(one) for one in reversed(page.entries)), title="stock")


def _row(line: EntryLine) -> tuple[Cell, ...]:
    return (
        line.number,
        line.at.text,
        line.by,
        line.name,
        line.what,
        line.note,
        line.corrects,
        line.kind,
        line.movement,
        f"{line.at.utc:%Y-%m-%dT%H:%M:%S}Z",
        line.count,
        line.full_change,
        line.in_use_change,
        line.empty_change,
        line.order_no,
        *(None if kg is None else round(kg, 3) for kg in (line.left_kg, line.used_kg, line.residual_kg)),
    )


def stock_text(page: StockPage) -> str:
    """What there is, for a terminal."""
    if not page.kinds:
        return "No cylinders were counted yet: `frostshift stock opening KIND --full N --in-use N --empty N`."
    rows: list[tuple[str, ...]] = [
        ("cylinders", "full", "in use", "empty", "on order", "gas left in use", "last weighed")
    ]
    for line in page.kinds:
        weighed = "never" if line.weighed is None else line.weighed.text
        counts = (str(count) for count in (line.full, line.in_use, line.empty, line.on_order))
        rows.append((line.name, *counts, line.left_text, weighed))
    said = [f"{page.site_name}: gas cylinders", _columns(rows)]
    for line in page.kinds:
        said += [f"{line.name}: {one.open} to come on order {one.order_no}, {one.ordered.text}" for one in line.orders]
    said += [f"! {line.name}: {problem}" for line in page.kinds for problem in line.problems]
    return "\n".join(said)


def ledger_text(page: StockPage) -> str:
    """The entries of a page for a terminal, the newest first."""
    if not page.entries:
        return "The ledger is empty."
    rows = [("no", "when", "by", "cylinders", "what")]
    rows += [(str(one.number), one.at.text, one.by, one.name, _what(one)) for one in page.entries]
    return _columns(rows)


def _what(line: EntryLine) -> str:
    said = [line.what]
    if line.note:
        said.append(f"({' '.join(line.note.split())})")
    if line.corrected_by:
        said.append(f"[put right by {', '.join(map(str, line.corrected_by))}]")
    return " ".join(said)


def _columns(rows: Sequence[Sequence[str]]) -> str:
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    )
