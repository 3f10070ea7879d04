"""The command `frostshift case`: joints worked without a site."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from frostshift_rules.job import Site
from frostshift_service.case_file import MAX_BYTES, CaseFileError, read_cases
from frostshift_service.settings import load_settings
from frostshift_service.store.engine import open_store, reading
from frostshift_service.store.sites import load_site
from frostshift_service.views.case import case_views, cases_json, cases_text, failed, sources_text


def case(
    file: Annotated[
        str | None, typer.Argument(metavar="FILE.json", help="a case or a list of cases; - reads them from the input")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as POST /cases.json")] = False,
    site: Annotated[
        str | None, typer.Option("--site", help="take table, units, torches and procedures of this site")
    ] = None,
    alternatives: Annotated[
        bool, typer.Option("--alternatives", help="also work out what else could be done: hotter, wider, slower")
    ] = False,
    sources: Annotated[bool, typer.Option("--sources", help="list the heat sources that can be named")] = False,
) -> None:
    """Work joints from what was measured at them: minimum, heat time, hold, gas, with the arithmetic."""
    if sources:
        typer.echo(sources_text())
        return
    if file is None:
        raise typer.BadParameter("a file with cases is needed, or - for the input", param_hint="FILE.json")
    try:
        read = read_cases(_read(file), None if site is None else _site(site))
        views = case_views(read, alternatives=alternatives)
    except (CaseFileError, OSError) as error:
        said = error.strerror if isinstance(error, OSError) else error
        typer.echo(f"{file}: {said}", err=True)
        raise typer.Exit(1) from None
    if as_json:
        sys.stdout.flush()
        sys.stdout.buffer.write(cases_json(views))
        sys.stdout.buffer.flush()
    else:
        typer.echo(cases_text(views))
    raise typer.Exit(int(failed(views)))


def _read(file: str) -> bytes:
    if file == "-":
        return sys.stdin.buffer.read(MAX_BYTES + 1)
    with Path(file).open("rb") as opened:
        return opened.read(MAX_BYTES + 1)


def _site(site_id: str) -> Site:
    engine = open_store(load_settings().database_url)
    try:
        with reading(engine) as session:
            return load_site(session, site_id).site
    finally:
        engine.dispose()
