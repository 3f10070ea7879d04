"""The commands that set a site up: its file, its rule tables, its welding procedures."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from frostshift_rules.coverage import coverage_text
from frostshift_rules.job import Acceptance, Site
from frostshift_rules.tables import AROUND_TABLES, acceptable_ids
from frostshift_service import clock
from frostshift_service.commands.line import (
    Refused,
    SiteOption,
    kept_site,
    opened,
    print_bytes,
    read_bytes,
    refuse_errors,
    refuse_to_replace,
    site_id_of,
    units_of,
    write_new,
)
from frostshift_service.procedure_file import COLUMNS as PROCEDURE_COLUMNS
from frostshift_service.procedure_file import MAX_BYTES as PROCEDURE_FILE_BYTES
from frostshift_service.procedure_file import procedure_cells, procedures_csv, read_procedures
from frostshift_service.procedure_file import template_csv as procedures_template_csv
from frostshift_service.site_file import MAX_BYTES as SITE_FILE_BYTES
from frostshift_service.site_file import SiteFile, own_table_name, read_site, template, with_what_it_had, write_site
from frostshift_service.store import joints as kept
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.sites import accept_table, load_site, load_sites, save_procedures, save_site
from frostshift_service.views.rule_table import UnknownTable, table_json, table_page, table_text
from frostshift_service.views.show import plural
from frostshift_service.views.tables import table_lines

site_app = typer.Typer(help="Set up a site.", no_args_is_help=True)
tables_app = typer.Typer(help="The rule tables: list them, show one in full.")
procedures_app = typer.Typer(help="Load a list of welding procedures.", no_args_is_help=True)


@site_app.command("template")
def site_template(file: Path) -> None:
    """Write a site file to start from."""
    write_new(file, template(clock.utc_now().date()).encode())


@site_app.command("load")
def site_load(file: Path) -> None:
    """Take in a site file: a new site, or other settings of one that is there."""
    read = read_site(
        read_bytes(file, SITE_FILE_BYTES), file.name, lambda name: read_bytes(file.with_name(name), SITE_FILE_BYTES)
    )
    with opened() as (_, engine, jobs):
        with writing(engine) as session:
            before = next((one.site for one in load_sites(session) if one.site.id == read.site.id), None)
            loaded, stays = with_what_it_had(read.site, before)
            save_site(session, loaded, show_units=read.show_units, feed=read.feed, instead=read.instead)
        jobs.replan(loaded.id)
        if stays:
            print(f"! The file says nothing of them, so they stay: {', '.join(stays)}.")
        for given in loaded.acceptances:
            if given.table_id not in loaded.accepted_ids:
                print(
                    f"! {own_table_name(given.table_id)} is not the text that {given.accepted_by} accepted on "
                    f"{given.accepted_on}, so it is not accepted: check it, then `frostshift site accept-table`."
                )
        print(f"Site {read.site.id} is set up: {read.site.name}.")


@site_app.command("save")
def site_save(file: Path, site: SiteOption = None) -> None:
    """Write the settings of a site to a file, and its own rule tables beside it."""
    with opened() as (_, engine, _jobs), reading(engine) as session:
        found = load_site(session, site_id_of(engine, site))
    tables = {file.with_name(own_table_name(one.id)): one.text.encode() for one in found.site.own_tables}
    if file.name.casefold() in {path.name.casefold() for path in tables}:
        raise Refused(f"{file}: a rule table of the site has that name; choose another.")
    files = {**tables, file: write_site(SiteFile(found.site, found.show_units, found.feed, found.instead)).encode()}
    for path in files:  # all or none: the last may be there as well as the first
        refuse_to_replace(path)
    written: list[Path] = []
    try:
        for path, data in files.items():
            write_new(path, data)
            written.append(path)
    except Refused:
        for path in written:
            path.unlink(missing_ok=True)
        raise


@site_app.command("list")
def site_list() -> None:
    """The sites there are."""
    with opened() as (_, engine, _jobs), reading(engine) as session:
        for one in load_sites(session):
            print(f"{one.site.id}  {one.site.name}")


@site_app.command("accept-table")
def site_accept(
    by: Annotated[str, typer.Option(help="who checked the table against the site's own copy of the code")],
    table: Annotated[str | None, typer.Option(help="id of the rule table; without it the site's")] = None,
    site: SiteOption = None,
) -> None:
    """Write down that the rule table was checked against the site's own copy of the code."""
    if not by.strip():
        raise Refused("--by names nobody.")
    with opened() as (_, engine, jobs):
        site_id = site_id_of(engine, site)
        with reading(engine) as session:
            found = load_site(session, site_id).site
        table_id = table or found.table_id
        known = acceptable_ids(found.own_tables)
        if table_id not in known:
            raise Refused(f"There is no rule table {table_id!r}; there are {', '.join(known)}.")
        fingerprint = next((own.fingerprint for own in found.own_tables if own.id == table_id), "")
        with writing(engine) as session:
            accept_table(session, site_id, Acceptance(table_id, by.strip(), clock.utc_now().date(), fingerprint))
        jobs.replan(site_id)
        print(f"{table_id} is accepted for {site_id} by {by.strip()}.")


@tables_app.callback(invoke_without_command=True)
def tables_list(
    context: typer.Context,
    coverage: Annotated[bool, typer.Option("--coverage", help="what each was checked against and leaves out")] = False,
    site: SiteOption = None,
) -> None:
    """The rule tables there are: what each rests on, and who accepted it for the site; `show ID` prints one in full."""
    if context.invoked_subcommand is not None:
        if coverage or site is not None:
            raise Refused(f"Options go behind {context.invoked_subcommand}.")
        return
    if coverage:
        print_bytes(coverage_text().encode())
        return
    for line in table_lines(_meant_site(site)):
        print(line)


@tables_app.command("show")
def tables_show(
    table: Annotated[str, typer.Argument(metavar="ID", help=f"id of the rule table, or {', '.join(AROUND_TABLES)}")],
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's")] = False,
    site: SiteOption = None,
) -> None:
    """Print one rule table in full, to hold it row by row against your own copy of the code."""
    try:
        page = table_page(table, _meant_site(site))
    except UnknownTable as error:
        raise Refused(str(error)) from None
    if as_json:
        print_bytes(table_json(page))
    else:
        print(table_text(page))


def _meant_site(site: str | None) -> Site | None:
    """The site named, or the only one there is."""
    with opened() as (_, engine, _jobs), reading(engine) as session:
        sites = [load_site(session, site)] if site is not None else load_sites(session)
    return sites[0].site if len(sites) == 1 else None


@procedures_app.command("template")
def procedures_template(file: Path) -> None:
    """Write an empty list of welding procedures to fill in: FILE.csv."""
    write_new(_named_csv(file), procedures_template_csv())


@procedures_app.command("load")
def procedures_load(file: Path, site: SiteOption = None) -> None:
    """Take in a list of welding procedures (CSV or XLSX) in the place of the site's: all of it, or nothing."""
    with opened() as (_, engine, jobs):
        site_id = site_id_of(engine, site)
        read = read_procedures(read_bytes(file, PROCEDURE_FILE_BYTES), file.name)
        refuse_errors(file.name, read.errors, read.error_count)
        with writing(engine) as session:
            save_procedures(session, site_id, read.procedures)
            joints = kept.joints_of(session, site_id)
        jobs.replan(site_id)
        for warning in read.warnings:
            print(f"! {warning}")
        names = {one.name for one in read.procedures}
        for joint in joints:
            if joint.procedure is not None and joint.procedure not in names:
                print(f"! {joint.mark}: procedure '{joint.procedure}' is not in the list, spelt like that.")
        print(f"{plural(len(names), 'procedure')} of {site_id}, in the place of the earlier list.")


@procedures_app.command("list")
def procedures_list(site: SiteOption = None) -> None:
    """The welding procedures of a site, in the columns of the file."""
    found = kept_site(site)
    rows = [[column.name for column in PROCEDURE_COLUMNS]]
    for one in procedure_cells(found.site.procedures, units_of(found)):
        rows.append([one[column.name] or column.default for column in PROCEDURE_COLUMNS])
    widths = [max(len(row[n]) for row in rows) for n in range(len(PROCEDURE_COLUMNS))]
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


@procedures_app.command("save")
def procedures_save(file: Path, site: SiteOption = None) -> None:
    """Write the welding procedures of a site to FILE.csv."""
    found = kept_site(site)
    write_new(_named_csv(file), procedures_csv(found.site.procedures, units_of(found)))


def _named_csv(file: Path) -> Path:
    if file.suffix.lower() != ".csv":
        raise Refused(f"{file}: expected a name that ends in .csv")
    return file
