"""The stock ledger of a site's gas cylinders: entries are added and never changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Final

from sqlmodel import Session, col, select

from frostshift_rules.stock import AHEAD, OrderLine, order_lines, with_entry
from frostshift_rules.stock_entry import ByState, LedgerError, StockEntry
from frostshift_service.store.records import StockRefused
from frostshift_service.store.sites import hold_site
from frostshift_service.store.tables import StockEntryRow

MAX_KEY: Final = 100


def add_entry(
    session: Session,
    site_id: str,
    entry: StockEntry,
    *,
    entry_key: str,
    contents_kg: Mapping[str, float | None],
    now: datetime,
) -> StockEntry:
    """Add an entry to the ledger of a site: numbered after the last, or nothing at all.

    The same entry with the same key is one, however often it is sent: the first is given back. A time that differs
    by no more than a clock may be ahead does not make it another, so that a form without a time can take the server's.
    The site's revision stays: no heat plan hangs on the stock.

    Args:
        session: a writing one.
        site_id: the site.
        entry: its number does not matter.
        entry_key: of whoever sends it, another for every entry of the site, such as a random text in a form.
        contents_kg: gas in a full cylinder of every kind the site may have [kg]; None: not known.
        now: aware.

    Returns:
        The entry as it stands in the ledger.

    Raises:
        UnknownSite: there is no site of that id.
        StockRefused: the entry cannot follow those before it, or the key belongs to another entry.
    """
    if not 0 < len(entry_key) <= MAX_KEY or not entry_key.isprintable():
        raise StockRefused(f"entry_key is {entry_key[:MAX_KEY]!r}, 1 to {MAX_KEY} printable letters", "entry_key")
    # The writers to a ledger follow one another, so that each counts what the one before it wrote.
    hold_site(session, site_id)
    rows = _rows(session, site_id)
    there = next((row for row in rows if row.entry_key == entry_key), None)
    before = [_entry(row) for row in rows if there is None or row.number < there.number]
    try:
        new = with_entry(before, entry, contents_kg, now=now)[-1]
    except LedgerError as error:
        raise StockRefused(str(error), error.field, error.limit) from error
    if there is not None:
        return _same(_entry(there), new)
    session.add(_row(site_id, new, entry_key, now))
    session.flush()
    return new


def entries_of(session: Session, site_id: str) -> list[StockEntry]:
    """The ledger of a site in the order of its numbers; empty where there is no such site."""
    return [_entry(row) for row in _rows(session, site_id)]


def entry_with_key(session: Session, site_id: str, entry_key: str) -> StockEntry | None:
    """The entry that came with this key; None where none did."""
    return next((_entry(row) for row in _rows(session, site_id) if row.entry_key == entry_key), None)


def open_orders(session: Session, site_id: str) -> list[OrderLine]:
    """Order lines of a site with cylinders that are still to come, in the order in which they were made."""
    return [line for line in order_lines(entries_of(session, site_id)) if line.open > 0]


def _same(kept: StockEntry, sent: StockEntry) -> StockEntry:
    """What is kept, where the same was sent again."""
    if abs(sent.at_utc - kept.at_utc) > AHEAD or replace(sent, at_utc=kept.at_utc) != kept:
        raise StockRefused(
            f"entry_key belongs to entry {kept.number} ({kept.movement}, {kept.kind}), which says something else: "
            "look at the ledger, and enter the difference as a correction",
            "entry_key",
        )
    return kept


def _rows(session: Session, site_id: str) -> list[StockEntryRow]:
    wanted = select(StockEntryRow).where(StockEntryRow.site_id == site_id).order_by(col(StockEntryRow.number))
    return list(session.exec(wanted.execution_options(populate_existing=True)))


def _row(site_id: str, entry: StockEntry, entry_key: str, now: datetime) -> StockEntryRow:
    by_state = entry.by_state
    return StockEntryRow(
        site_id=site_id,
        number=entry.number,
        entry_key=entry_key,
        entered_utc=now,
        kind=entry.kind,
        movement=entry.movement,
        at_utc=entry.at_utc,
        by=entry.by,
        note=entry.note,
        cylinders=entry.count,
        full_change=None if by_state is None else by_state.full,
        in_use_change=None if by_state is None else by_state.in_use,
        empty_change=None if by_state is None else by_state.empty,
        order_no=entry.order_no,
        left_kg=entry.left_kg,
        used_kg=entry.used_kg,
        residual_kg=entry.residual_kg,
        corrects=entry.corrects,
    )


def _entry(row: StockEntryRow) -> StockEntry:
    changes = row.full_change, row.in_use_change, row.empty_change
    return StockEntry(
        kind=row.kind,
        movement=row.movement,
        at_utc=row.at_utc,
        by=row.by,
        note=row.note,
        count=row.cylinders,
        by_state=None if None in changes else ByState(*(change or 0 for change in changes)),
        order_no=row.order_no,
        left_kg=row.left_kg,
        used_kg=row.used_kg,
        residual_kg=row.residual_kg,
        corrects=row.corrects,
        number=row.number,
    )
