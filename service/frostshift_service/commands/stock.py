"""The commands around the stock of gas cylinders: what there is, one entry more, the ledger."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Annotated

import typer

from frostshift_rules.stock_entry import MOVEMENTS, ByState, StockEntry
from frostshift_service import clock
from frostshift_service.commands.line import (
    BY,
    Refused,
    SiteOption,
    opened,
    print_csv,
    print_json,
    site_id_of,
    typed_at,
)
from frostshift_service.stock_form import OXYGEN, check_time, contents_of, kind_of, kinds_of, states_gas
from frostshift_service.store.engine import writing
from frostshift_service.store.sites import load_site
from frostshift_service.store.stock import add_entry, entries_of
from frostshift_service.typed import mass_kg
from frostshift_service.views.desk import Desk, show_for
from frostshift_service.views.stock import ledger_table, ledger_text, stock_text, what_text

stock_app = typer.Typer(help="The stock of gas cylinders: a ledger and its counts.", no_args_is_help=True)

ByOption = Annotated[str, typer.Option(help="who says so")]
AtOption = Annotated[str | None, typer.Option(help="when, by the site's clock: 06:10 or 2026-01-15 06:10")]
NoteOption = Annotated[str, typer.Option(help="free text; the reason of a correction")]
KindArgument = Annotated[str, typer.Argument(help="id of the cylinders, such as propane-100")]


@stock_app.command("show")
def stock_show(
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's")] = False,
    site: SiteOption = None,
) -> None:
    """Print what there is of each kind: full, in use, empty, on order, gas left in use."""
    with opened() as (_, engine, jobs):
        page = Desk(engine, jobs, clock.utc_now).stock(site_id_of(engine, site))
    if as_json:
        print_json(page)
    else:
        print(stock_text(page))


@stock_app.command("ledger")
def stock_ledger(
    as_csv: Annotated[bool, typer.Option("--csv", help="as CSV, in the order of the numbers")] = False,
    site: SiteOption = None,
) -> None:
    """Print the whole ledger, the newest entry first."""
    with opened() as (_, engine, jobs):
        page = Desk(engine, jobs, clock.utc_now).stock(site_id_of(engine, site), all_entries=True)
    if as_csv:
        print_csv(ledger_table(page))
    else:
        print(ledger_text(page))


@stock_app.command("opening")
def stock_opening(
    kind: KindArgument,
    full: Annotated[int | None, typer.Option(help="full ones on site")] = None,
    in_use: Annotated[int | None, typer.Option(help="connected ones")] = None,
    empty: Annotated[int | None, typer.Option(help="empty ones on site")] = None,
    by: ByOption = BY,
    at: AtOption = None,
    note: NoteOption = "",
    site: SiteOption = None,
) -> None:
    """Count a kind for the first time: what is on site now."""
    counts = {"--full": full, "--in-use": in_use, "--empty": empty}
    missing = [name for name, count in counts.items() if count is None]
    if missing:
        raise Refused(f"{' and '.join(missing)} missing: say how many, 0 where there is none")
    counted = ByState(full or 0, in_use or 0, empty or 0)
    _keep(StockEntry(kind, "opening", clock.utc_now(), by, note, by_state=counted), at, site)


@stock_app.command("add")
def stock_add(
    movement: Annotated[str, typer.Argument(help=f"one of {', '.join(one for one in MOVEMENTS if one != 'opening')}")],
    kind: KindArgument,
    count: Annotated[int | None, typer.Argument(help="how many cylinders")] = None,
    order: Annotated[str, typer.Option(help="order number")] = "",
    left: Annotated[
        str | None, typer.Option(help="net gas in all that are in use, or in those sent back: 120lb")
    ] = None,
    used: Annotated[str | None, typer.Option(help="gas burned: 12lb")] = None,
    corrects: Annotated[int | None, typer.Option(help="number of the entry that is put right")] = None,
    full: Annotated[int | None, typer.Option(help="correction: full ones, more or (-1) fewer")] = None,
    in_use: Annotated[int | None, typer.Option(help="correction: those in use")] = None,
    empty: Annotated[int | None, typer.Option(help="correction: empty ones")] = None,
    by: ByOption = BY,
    at: AtOption = None,
    note: NoteOption = "",
    site: SiteOption = None,
) -> None:
    """Write one entry into the ledger; weights with their unit, lb or kg, those of a correction by how much."""
    if movement == "opening":
        raise Refused("opening: use `frostshift stock opening KIND --full N --in-use N --empty N`")
    if movement not in MOVEMENTS:
        raise Refused(f"movement {movement!r}: expected one of {', '.join(MOVEMENTS[1:])}")
    states = (full, in_use, empty)
    by_state = None if states == (None, None, None) else ByState(full or 0, in_use or 0, empty or 0)
    entry = StockEntry(
        kind=kind,
        movement=next(one for one in MOVEMENTS if one == movement),
        at_utc=clock.utc_now(),
        by=by,
        note=note,
        count=count,
        by_state=by_state,
        order_no=order,
        left_kg=_mass_kg("--left", left),
        used_kg=_mass_kg("--used", used),
        corrects=corrects,
    )
    _keep(entry, at, site)


def _mass_kg(option: str, text: str | None) -> float | None:
    try:
        return None if text is None else mass_kg(text)
    except ValueError as error:
        raise Refused(f"{option} {error}") from None


def _keep(entry: StockEntry, at: str | None, site: str | None) -> None:
    """Add an entry, its time as typed, and say what it is and what there is now."""
    with opened() as (_, engine, jobs):
        site_id, now = site_id_of(engine, site), clock.utc_now()
        with writing(engine) as session:
            found = load_site(session, site_id)
            kinds = kinds_of(found.site)
            ledger = entries_of(session, site_id)
            entry = _with_rest(replace(entry, at_utc=_time(at, entry.kind, ledger, found.site.zone, now)), ledger)
            if states_gas(entry) and kind_of(kinds, entry.kind).oxygen:
                raise Refused(f"{entry.kind}: {OXYGEN}")
            kept = add_entry(
                session,
                site_id,
                entry,
                entry_key=secrets.token_urlsafe(16),
                contents_kg=contents_of(kinds),
                now=now,
            )
        print(f"Entry {kept.number}: {kind_of(kinds, kept.kind).name}, {what_text(kept, show_for(found))}.")
        line = next(one for one in Desk(engine, jobs, clock.utc_now).stock(site_id).kinds if one.kind == kept.kind)
        print(f"Now {line.full} full, {line.in_use} in use, {line.empty} empty; gas left in use: {line.left_text}.")
        for problem in line.problems:
            print(f"! {problem}")


def _time(at: str | None, kind: str, ledger: Sequence[StockEntry], zone: str, now: datetime) -> datetime:
    if at is None:
        return now
    at_utc = typed_at(at, zone, now)
    opened_utc = next((one.at_utc for one in ledger if one.kind == kind and one.movement == "opening"), None)
    try:
        check_time(at_utc, opened_utc, zone, now)
    except ValueError as error:
        raise Refused(f"--at {at!r}: {error}") from None
    return at_utc


def _with_rest(entry: StockEntry, ledger: Sequence[StockEntry]) -> StockEntry:
    """--left of cylinders that went back, or of a correction of such, is their residual."""
    stated = next((one.movement for one in ledger if one.number == entry.corrects), entry.movement)
    if stated != "returned_part_used":
        return entry
    return replace(entry, left_kg=None, residual_kg=entry.left_kg)
