"""The commands that keep all of the store in one file, and fill a new store from it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from frostshift_service import __version__, clock
from frostshift_service.settings import load_settings
from frostshift_service.store.backup import make_backup, restore_backup
from frostshift_service.store.backup_file import Head, open_backup
from frostshift_service.store.engine import open_as_it_is
from frostshift_service.views.show import plural


def backup(
    file: Annotated[Path, typer.Argument(help="a new file, such as frostshift-2026-01-12.backup")],
    check: Annotated[bool, typer.Option("--check", help="only read a backup that is there and say what it is")] = False,
) -> None:
    """Keep everything of the store in one file, while the service runs. The file holds secrets: keep it safe."""
    if check:
        with open_backup(file) as kept:
            kept.check()
            print(f"{file} is whole: {_said(kept.head)}.")
        return
    # As it is: a backup is wanted most of all before an update.
    engine = open_as_it_is(load_settings().database_url)
    try:
        head = make_backup(engine, file, version=__version__, now=clock.utc_now())
    finally:
        engine.dispose()
    print(f"{file}: {_said(head)}; {file.stat().st_size / 1e6:.1f} MB. It holds secrets: keep it safe.")


def restore(file: Annotated[Path, typer.Argument(help="a file that `frostshift backup` made")]) -> None:
    """Fill an empty or new store from a backup, of either kind of database: all of it or, after an error, nothing."""
    head = restore_backup(load_settings().database_url, file)
    print(f"Restored: {_said(head)}.")


def _said(head: Head) -> str:
    rows, tables = sum(head.rows.values()), sum(1 for count in head.rows.values() if count)
    return (
        f"{plural(rows, 'row')} in {plural(tables, 'table')} of {head.made_utc:%Y-%m-%d %H:%M} UTC, from "
        f"{'PostgreSQL' if head.store == 'postgresql' else 'SQLite'}, version {head.version}, schema {head.schema}"
    )
