"""The `frostshift` command: set up a site, load its schedule, pull its forecast, print its sheet, serve its pages."""

from __future__ import annotations

import codecs
import io
import logging
import os
import random
import re
import socket
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Annotated, Final, Literal
from zoneinfo import ZoneInfo

import typer
from pydantic import TypeAdapter
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError
from sqlmodel import Session

from frostshift_rules.air_correction import AHEAD, AIR_LIMITS_C
from frostshift_rules.coverage import coverage_text
from frostshift_rules.forecast_scores import hourly_air_c
from frostshift_rules.job import Acceptance, AirReading, Reading, Site
from frostshift_rules.strict import TableError
from frostshift_rules.tables import AROUND_TABLES, acceptable_ids
from frostshift_rules.units import c_from_f
from frostshift_service import __version__, demo
from frostshift_service.air_post import OLDEST
from frostshift_service.case_command import case
from frostshift_service.clock import utc_now
from frostshift_service.http import HttpError, bind, make_client
from frostshift_service.jobs import Jobs, check_tables
from frostshift_service.observed_file import MAX_BYTES as OBSERVED_FILE_BYTES
from frostshift_service.observed_file import read_observed
from frostshift_service.procedure_file import COLUMNS as PROCEDURE_COLUMNS
from frostshift_service.procedure_file import MAX_BYTES as PROCEDURE_FILE_BYTES
from frostshift_service.procedure_file import procedure_cells, procedures_csv, read_procedures
from frostshift_service.procedure_file import template_csv as procedures_template_csv
from frostshift_service.pulls import feeds_of, standings
from frostshift_service.schedule_file import CellError, read_schedule, template_csv, template_xlsx
from frostshift_service.settings import Settings, SettingsError, load_settings
from frostshift_service.site_file import MAX_BYTES as SITE_FILE_BYTES
from frostshift_service.site_file import SiteFile, SiteFileError, own_table_name, read_site, template, write_site
from frostshift_service.store import history
from frostshift_service.store import joints as kept
from frostshift_service.store.engine import open_store, reading, writing
from frostshift_service.store.forecasts import forecast_by_id
from frostshift_service.store.records import KeptSite, ScheduleImport, StoreError
from frostshift_service.store.sites import accept_table, load_site, load_sites, save_procedures, save_site
from frostshift_service.store.thermometer import add_token, add_typed, air_readings_of, revoke_token, tokens_of
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import csv_bytes, sheet_table
from frostshift_service.views.rule_table import UnknownTable, table_json, table_page, table_text
from frostshift_service.views.scores import LEADS_H, ScoresPage, scores_text, scores_view
from frostshift_service.views.sheet import MorningSheet
from frostshift_service.views.show import Show, age, plural
from frostshift_service.views.tables import table_lines
from frostshift_service.views.terminal import sheet_text, weather_text
from frostshift_service.views.weather import WeatherPage
from frostshift_service.weather import FeedError, Forecast
from frostshift_service.weather.age import freshness
from frostshift_service.weather.feeds import feeds_with
from frostshift_service.weather.open_meteo_api import access_of
from frostshift_service.weather.order import in_use

log = logging.getLogger("frostshift_service")

BY: Final = "command line"

app = typer.Typer(
    name="frostshift",
    help="Preheat workload of a winter steel job: which joints need heat, when to light up, how much gas.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
site_app = typer.Typer(help="Set up a site.", no_args_is_help=True)
schedule_app = typer.Typer(help="Load a schedule of joints.", no_args_is_help=True)
tables_app = typer.Typer(help="The rule tables: list them, show one in full.")
procedures_app = typer.Typer(help="Load a list of welding procedures.", no_args_is_help=True)
thermometer_app = typer.Typer(
    help="The thermometer at the site: tokens for devices, readings by hand.", no_args_is_help=True
)
app.add_typer(site_app, name="site")
app.add_typer(tables_app, name="tables")
app.add_typer(procedures_app, name="procedures")
app.add_typer(schedule_app, name="schedule")
app.add_typer(thermometer_app, name="thermometer")

SiteOption = Annotated[str | None, typer.Option("--site", help="id of the site; may be left out where there is one")]


class Refused(Exception):
    """What was asked cannot be done; the message is for people."""


def main() -> None:
    """Run the command; known failures are one line and exit code 1."""
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(message)s")
    log.setLevel(logging.ERROR)  # a command says itself what failed; `serve` has its setting
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that lacks a letter of a name must not end the command
    try:
        app()
    except (Refused, StoreError, SettingsError, SiteFileError, TableError, FeedError, HttpError) as error:
        print(error, file=sys.stderr)
        sys.exit(1)
    except DBAPIError as error:
        print(f"The database does not take it: {error.orig}", file=sys.stderr)
        sys.exit(1)


@contextmanager
def _opened(settings: Settings | None = None) -> Iterator[tuple[Settings, Engine, Jobs]]:
    settings = settings or load_settings()
    engine = open_store(settings.database_url)
    client = make_client(settings.contact, __version__) if settings.contact else None
    get = None if client is None else (lambda now: bind(client, now))
    try:
        feeds = feeds_with(access_of(settings))
        yield settings, engine, Jobs(engine, utc_now, get=get, jitter=random.random, feeds=feeds)
    finally:
        if client is not None:
            client.close()
        engine.dispose()


def _site_id(engine: Engine, wanted: str | None) -> str:
    if wanted is not None:
        return wanted
    with reading(engine) as session:
        ids = [one.site.id for one in load_sites(session)]
    if len(ids) == 1:
        return ids[0]
    if not ids:
        raise Refused("There is no site yet: `frostshift site template FILE`, edit it, `frostshift site load FILE`.")
    raise Refused(f"Say which site with --site; there are {', '.join(ids)}.")


def _read(path: Path, most_bytes: int) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(most_bytes + 1)
    except OSError as error:
        raise Refused(f"{path}: cannot be read: {error.strerror}") from error
    if len(data) > most_bytes:
        raise Refused(f"{path}: larger than {most_bytes / 1e6:g} MB; nothing was taken in")
    return data


def _refuse_to_replace(path: Path) -> None:
    if path.exists():
        raise Refused(f"{path} is there already and stays as it is.")


def _write(path: Path, data: bytes) -> None:
    _refuse_to_replace(path)
    try:
        path.write_bytes(data)
    except OSError as error:
        raise Refused(f"{path}: cannot be written: {error.strerror}") from error
    print(f"Wrote {path}.")


# Sites ----------------------------------------------------------------------------------------------------------------


@site_app.command("template")
def site_template(file: Path) -> None:
    """Write a site file to start from."""
    _write(file, template(utc_now().date()).encode())


@site_app.command("load")
def site_load(file: Path) -> None:
    """Take in a site file: a new site, or other settings of one that is there."""
    read = read_site(_read(file, SITE_FILE_BYTES), file.name, lambda name: _read(file.with_name(name), SITE_FILE_BYTES))
    with _opened() as (_, engine, jobs):
        with writing(engine) as session:
            before = next((one.site for one in load_sites(session) if one.site.id == read.site.id), None)
            loaded, stays = _with_what_it_had(read.site, before)
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


def _with_what_it_had(site: Site, before: Site | None) -> tuple[Site, list[str]]:
    """The site of a file, with the procedures and acceptances of the one before where the file has none."""
    stays = []
    if before is not None and before.procedures and not site.procedures:
        site = replace(site, procedures=before.procedures)
        stays.append(plural(len(before.procedures), "procedure"))
    if before is not None and before.acceptances and not site.acceptances:
        site = replace(site, acceptances=before.acceptances)
        stays.append(plural(len(before.acceptances), "acceptance"))
    return site, stays


@site_app.command("save")
def site_save(file: Path, site: SiteOption = None) -> None:
    """Write the settings of a site to a file, and its own rule tables beside it."""
    with _opened() as (_, engine, _jobs), reading(engine) as session:
        found = load_site(session, _site_id(engine, site))
    tables = {file.with_name(own_table_name(one.id)): one.text.encode() for one in found.site.own_tables}
    if file.name.casefold() in {path.name.casefold() for path in tables}:
        raise Refused(f"{file}: a rule table of the site has that name; choose another.")
    files = {**tables, file: write_site(SiteFile(found.site, found.show_units, found.feed, found.instead)).encode()}
    for path in files:  # all or none: the last may be there as well as the first
        _refuse_to_replace(path)
    written: list[Path] = []
    try:
        for path, data in files.items():
            _write(path, data)
            written.append(path)
    except Refused:
        for path in written:
            path.unlink(missing_ok=True)
        raise


@site_app.command("list")
def site_list() -> None:
    """The sites there are."""
    with _opened() as (_, engine, _jobs), reading(engine) as session:
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
    with _opened() as (_, engine, jobs):
        site_id = _site_id(engine, site)
        with reading(engine) as session:
            found = load_site(session, site_id).site
        table_id = table or found.table_id
        known = acceptable_ids(found.own_tables)
        if table_id not in known:
            raise Refused(f"There is no rule table {table_id!r}; there are {', '.join(known)}.")
        fingerprint = next((own.fingerprint for own in found.own_tables if own.id == table_id), "")
        with writing(engine) as session:
            accept_table(session, site_id, Acceptance(table_id, by.strip(), utc_now().date(), fingerprint))
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
        _print_bytes(coverage_text().encode())
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
        _print_bytes(table_json(page))
    else:
        print(table_text(page))


def _meant_site(site: str | None) -> Site | None:
    """The site named, or the only one there is."""
    with _opened() as (_, engine, _jobs), reading(engine) as session:
        sites = [load_site(session, site)] if site is not None else load_sites(session)
    return sites[0].site if len(sites) == 1 else None


# Procedures -----------------------------------------------------------------------------------------------------------


@procedures_app.command("template")
def procedures_template(file: Path) -> None:
    """Write an empty list of welding procedures to fill in: FILE.csv."""
    _write(_named_csv(file), procedures_template_csv())


@procedures_app.command("load")
def procedures_load(file: Path, site: SiteOption = None) -> None:
    """Take in a list of welding procedures (CSV or XLSX) in the place of the site's: all of it, or nothing."""
    with _opened() as (_, engine, jobs):
        site_id = _site_id(engine, site)
        read = read_procedures(_read(file, PROCEDURE_FILE_BYTES), file.name)
        _refuse_errors(file.name, read.errors, read.error_count)
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
    found = _kept_site(site)
    rows = [[column.name for column in PROCEDURE_COLUMNS]]
    for one in procedure_cells(found.site.procedures, _units(found)):
        rows.append([one[column.name] or column.default for column in PROCEDURE_COLUMNS])
    widths = [max(len(row[n]) for row in rows) for n in range(len(PROCEDURE_COLUMNS))]
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


@procedures_app.command("save")
def procedures_save(file: Path, site: SiteOption = None) -> None:
    """Write the welding procedures of a site to FILE.csv."""
    found = _kept_site(site)
    _write(_named_csv(file), procedures_csv(found.site.procedures, _units(found)))


def _named_csv(file: Path) -> Path:
    if file.suffix.lower() != ".csv":
        raise Refused(f"{file}: expected a name that ends in .csv")
    return file


def _kept_site(site: str | None) -> KeptSite:
    with _opened() as (_, engine, _jobs), reading(engine) as session:
        return load_site(session, _site_id(engine, site))


def _units(site: KeptSite) -> Literal["us", "si"]:
    return "si" if site.show_units == "si" else "us"


# Schedule -------------------------------------------------------------------------------------------------------------


@schedule_app.command("template")
def schedule_template(file: Path) -> None:
    """Write an empty schedule to fill in: FILE.csv, or FILE.xlsx with a page that explains the columns."""
    kinds = {".csv": template_csv, ".xlsx": template_xlsx}
    if file.suffix.lower() not in kinds:
        raise Refused(f"{file}: expected a name that ends in .csv or .xlsx")
    _write(file, kinds[file.suffix.lower()]())


@schedule_app.command("load")
def schedule_load(file: Path, site: SiteOption = None) -> None:
    """Take in a schedule (CSV or XLSX): all of it, or none where a row cannot be read."""
    with _opened() as (settings, engine, jobs):
        site_id = _site_id(engine, site)
        data = _read(file, settings.schedule_bytes)
        taken = _take_schedule(engine, settings, site_id, data, file.name, utc_now())
        jobs.replan(site_id)
        print(f"{plural(taken.joints, 'joint')}: {len(taken.added)} new, {len(taken.changed)} changed.")
        if taken.vanished:
            print(f"No longer in the schedule: {', '.join(taken.vanished)}.")
        if taken.moves_undone:
            print(f"Moved by hand before, now as the schedule says: {', '.join(taken.moves_undone)}.")


def _take_schedule(
    engine: Engine, settings: Settings, site_id: str, data: bytes, name: str, now: datetime
) -> ScheduleImport:
    with reading(engine) as session:
        found = load_site(session, site_id)
    read = read_schedule(data, name, found.site, now, settings.schedule_bytes, settings.schedule_rows)
    _refuse_errors(name, read.errors, read.error_count)
    for warning in read.warnings:
        print(f"! {warning}")
    for item in read.joints:
        for problem in item.problems:
            print(f"! row {item.row}, {item.joint.mark}: {problem}")
    with writing(engine) as session:
        return kept.import_joints(session, site_id, list(read.joints), now=now, file_name=name, by=BY)


def _refuse_errors(name: str, errors: Sequence[CellError], count: int) -> None:
    if errors:
        more = count - len(errors)
        lines = [f"{name}: nothing was taken in, {plural(count, 'error')}:", *(f"  {error}" for error in errors)]
        raise Refused("\n".join([*lines, *([f"  and {more} more"] if more else [])]))


# Forecast and readings ------------------------------------------------------------------------------------------------


@app.command()
def pull(
    file: Annotated[Path | None, typer.Option(help="take the forecast from a file with one feed's payload")] = None,
    site: SiteOption = None,
) -> None:
    """Ask the weather service for a new forecast and plan again."""
    with _opened() as (_, engine, jobs):
        site_id = _site_id(engine, site)
        if file is not None:
            with reading(engine) as session:
                found = load_site(session, site_id)
            forecast = jobs.take_payload(site_id, file)
            if found.feed != "file":
                with writing(engine) as session:
                    save_site(session, found.site, show_units=found.show_units, feed="file", instead=found.instead)
                print("The site's forecast now comes from files: change `feed` in its site file to go back.")
            for warning in forecast.warnings:
                print(f"! {warning}")
            _say_if_old(forecast)
            print(f"Forecast of {len(forecast.hours)} hours from {file.name}.")
        else:
            pulled = jobs.pull(site_id, again_after_failure=True)
            *before, last = (one.message for one in (pulled, *pulled.instead))
            if (pulled, *pulled.instead)[-1].outcome in ("failed", "no_feed"):
                raise Refused("\n".join([*before, f"{last} {_what_stays(engine, site_id)}"]))
            for message in before:
                print(f"! {message}")
            print(last)
        jobs.replan(site_id)


def _say_if_old(forecast: Forecast) -> None:
    """Said at once and not only on the sheet: a file may have lain about for long."""
    found = freshness(forecast.issued_utc, forecast.fetched_utc, None, forecast.feed, utc_now())
    if found.state == "fresh":
        return
    when = f"issued {age(abs(found.age_h))} {'ago' if found.age_h >= 0.0 else 'from now'}"
    print(f"! {when}: " + ("late, doubt grows" if found.state == "late" else "not used, every joint is unknown"))


def _what_stays(engine: Engine, site_id: str) -> str:
    with reading(engine) as session:
        used = in_use(standings(session, load_site(session, site_id), utc_now()))
        last = None if used.forecast_id is None else forecast_by_id(session, used.forecast_id)
    if last is None:
        return "There is no earlier forecast: every joint is unknown."
    return f"The last good forecast stays, fetched {last.fetched_utc:%Y-%m-%d %H:%M} UTC."


def _typed_c(temperature: str) -> float:
    """A typed temperature with its unit [°C]."""
    match = re.fullmatch(r"\s*([+-]?\d{1,3}(?:\.\d)?)\s*°?\s*([FfCc])\s*", temperature)
    if match is None:
        raise Refused(f"temperature {temperature!r}: expected a number with its unit, such as 28F or -3C")
    return float(match[1]) if match[2] in "Cc" else c_from_f(float(match[1]))


@app.command("reading", context_settings={"ignore_unknown_options": True})  # -3C is a temperature, no option
def reading_command(
    mark: str,
    temperature: Annotated[str, typer.Argument(help="with its unit, such as 28F or -3C")],
    instrument: Annotated[str, typer.Option(help="what it was measured with")] = "",
    site: SiteOption = None,
) -> None:
    """Write down the temperature measured just now on a joint's steel, before any heat."""
    steel_c = _typed_c(temperature)
    low, high = kept.READING_LIMITS_C
    if not low <= steel_c <= high:
        raise Refused(f"temperature {temperature!r}: steel before any heat lies within {low:g} to {high:g} °C")
    with _opened() as (_, engine, jobs):
        site_id = _site_id(engine, site)
        with writing(engine) as session:
            kept.add_reading(session, site_id, Reading(mark, steel_c, utc_now(), instrument, BY))
        jobs.replan(site_id)
        print(f"{mark}: {temperature.strip()} noted; the plan goes on from it.")


# The site's thermometer -----------------------------------------------------------------------------------------------


@thermometer_app.command("token")
def thermometer_token(name: str, site: SiteOption = None) -> None:
    """Make a token with which the device NAME may post air readings; it is printed this once."""
    with _opened() as (_, engine, _jobs):
        site_id = _site_id(engine, site)
        with writing(engine) as session:
            secret = add_token(session, site_id, name, now=utc_now())
        print(f"Token of {name.strip()}, shown only now: {secret}")
        print(f"The device posts to /sites/{site_id}/thermometer with the header Authorization: Bearer TOKEN.")


@thermometer_app.command("tokens")
def thermometer_tokens(site: SiteOption = None) -> None:
    """The tokens of a site: number, name, whether it counts, when it was last used."""
    with _opened() as (_, engine, _jobs):
        site_id = _site_id(engine, site)
        with reading(engine) as session:
            zone = ZoneInfo(load_site(session, site_id).site.zone)
            tokens = tokens_of(session, site_id)
    for one in tokens:
        told = [f"made {one.made_utc.astimezone(zone):%Y-%m-%d}"]
        if one.revoked_utc is not None:
            told.append(f"revoked {one.revoked_utc.astimezone(zone):%Y-%m-%d}")
        last = one.last_used_utc
        told.append("never used" if last is None else f"last used {last.astimezone(zone):%Y-%m-%d %H:%M}")
        print(f"{one.id}  {one.name}  {', '.join(told)}")


@thermometer_app.command("revoke")
def thermometer_revoke(token: Annotated[int, typer.Argument(metavar="ID")], site: SiteOption = None) -> None:
    """Let a token count no more; the readings that came with it stay."""
    with _opened() as (_, engine, _jobs):
        site_id = _site_id(engine, site)
        with writing(engine) as session:
            revoked = revoke_token(session, site_id, token, now=utc_now())
        print(f"Token {revoked.id}, {revoked.name}, counts no more.")


@thermometer_app.command("add", context_settings={"ignore_unknown_options": True})  # -3C is a temperature, no option
def thermometer_add(
    temperature: Annotated[str, typer.Argument(help="with its unit, such as 9F or -12.5C")],
    at: Annotated[str | None, typer.Option(help="when, by the site's clock: 06:10 or 2026-01-15 06:10")] = None,
    by: Annotated[str, typer.Option(help="who read it")] = BY,
    site: SiteOption = None,
) -> None:
    """Write down the air temperature at the site, read in the shade, away from walls and heaters."""
    air_c = _typed_c(temperature)
    low, high = AIR_LIMITS_C
    if not low <= air_c <= high:
        raise Refused(f"temperature {temperature!r}: the air lies within {low:g} to {high:g} °C")
    with _opened() as (_, engine, jobs):
        site_id = _site_id(engine, site)
        with reading(engine) as session:
            zone = load_site(session, site_id).site.zone
        at_utc = _read_at(at, zone, utc_now())
        with writing(engine) as session:
            add_typed(session, site_id, AirReading(air_c, at_utc), by=by.strip() or BY)
        jobs.replan(site_id)
        print(f"Air at {site_id}: {temperature.strip()} noted.")


def _read_at(text: str | None, zone: str, now: datetime) -> datetime:
    """When something was read: now, a time of today, or a date and time, by the site's clock or with its offset."""
    if text is None:
        return now
    local = ZoneInfo(zone)
    typed = f"{now.astimezone(local):%Y-%m-%d} {text.strip()}" if re.fullmatch(r"\s*\d\d:\d\d\s*", text) else text
    try:
        at = datetime.fromisoformat(typed.strip())
    except ValueError as error:
        raise Refused(f"--at {text!r}: expected a time such as 06:10 or 2026-01-15 06:10") from error
    if at.utcoffset() is None:
        at = at.replace(tzinfo=local)
        if at.utcoffset() != at.replace(fold=1).utcoffset():
            raise Refused(
                f"--at {text!r}: the clock changes there, so the time comes twice or never; write it with its offset, "
                "such as 2026-11-01T01:30-05:00"
            )
    at_utc = at.astimezone(UTC)
    if not now - OLDEST <= at_utc <= now + AHEAD:
        raise Refused(f"--at {text!r}: expected a time within the last {OLDEST.days} days")
    return at_utc


# Sheet ----------------------------------------------------------------------------------------------------------------


def _day(text: str | None, zone: str, now: datetime) -> date | None:
    today = now.astimezone(ZoneInfo(zone)).date()
    if text is None:
        return None
    if text in ("today", "tomorrow"):
        return today + timedelta(days=text == "tomorrow")
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise Refused(f"day {text!r}: expected today, tomorrow or a date such as 2026-12-01") from error


def _sheet(engine: Engine, jobs: Jobs, site_id: str, day: str | None, shifts: int) -> MorningSheet:
    now = utc_now()
    with reading(engine) as session:
        zone = load_site(session, site_id).site.zone
    jobs.current_plan(site_id, "printed")
    return Desk(engine, jobs, utc_now).morning(site_id, _day(day, zone, now), shifts)


def _print_bytes(data: bytes) -> None:
    """For programs: UTF-8 and line ends as they are, whatever the terminal's own."""
    sys.stdout.flush()
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()


@app.command()
def sheet(
    day: Annotated[str | None, typer.Option(help="today, tomorrow or a date; without it the next shifts")] = None,
    shifts: Annotated[int, typer.Option(min=1, max=60, help="how many shifts")] = 2,
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="the lines as CSV")] = False,
    site: SiteOption = None,
) -> None:
    """Print the preheat workload of the next shifts."""
    if as_json and as_csv:
        raise Refused("--json and --csv: one of them.")
    with _opened() as (_, engine, jobs):
        found = _sheet(engine, jobs, _site_id(engine, site), day, shifts)
    if as_json:
        _print_bytes(TypeAdapter(MorningSheet).dump_json(found, indent=1) + b"\n")
    elif as_csv:
        _print_bytes(csv_bytes(sheet_table(found)).removeprefix(codecs.BOM_UTF8))
    else:
        print(sheet_text(found))


@app.command()
def weather(
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's, with every hour")] = False,
    site: SiteOption = None,
) -> None:
    """Print the forecast that the plan is made from, and how it stands with the weather services."""
    with _opened() as (_, engine, jobs):
        found = Desk(engine, jobs, utc_now).weather(_site_id(engine, site), all_hours=as_json)
    if as_json:
        _print_bytes(TypeAdapter(WeatherPage).dump_json(found, indent=1) + b"\n")
    else:
        print(weather_text(found))


@app.command()
def scores(
    site: Annotated[str | None, typer.Argument(help="id of the site; may be left out where there is one")] = None,
    observed: Annotated[
        Path | None,
        typer.Option(
            help="observed air temperatures: FILE.csv with time_utc and air_c or air_f; without it the readings of the "
            "site's thermometer"
        ),
    ] = None,
    feed: Annotated[str | None, typer.Option(help="weather feed to score; without it the site's own")] = None,
    days: Annotated[int, typer.Option(min=1, max=400, help="how many days back")] = 30,
    as_json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
) -> None:
    """Print how good the forecasts of the air temperature were, by how long before."""
    now = utc_now()
    last_utc = now.replace(minute=0, second=0, microsecond=0)
    first_utc = last_utc - timedelta(days=days)
    with _opened() as (_, engine, _jobs), reading(engine) as session:
        found = load_site(session, _site_id(engine, site))
        name = feed or feeds_of(found)[0]
        kept_feeds = history.feeds_remembered(session, found.site.id)
        if name not in kept_feeds:
            there = ", ".join(kept_feeds) or "nothing yet"
            raise Refused(f"Of feed {name!r} no forecast is kept for where {found.site.id} is; there is {there}.")
        readings = _observed(session, found.site.id, observed, first_utc)
        past = history.leads(session, found.site.id, name, first_utc, last_utc, LEADS_H)
    observed_c = hourly_air_c(readings, first_utc, past.air_c.shape[1])
    page = scores_view(found, name, past, observed_c, Show(found.show_units, ZoneInfo(found.site.zone)), now)
    if as_json:
        _print_bytes(TypeAdapter(ScoresPage).dump_json(page, indent=1) + b"\n")
    else:
        print(scores_text(page))


def _observed(session: Session, site_id: str, file: Path | None, first_utc: datetime) -> Sequence[AirReading]:
    """The air that forecasts are scored against: of a file, else of the site's thermometer."""
    if file is None:
        readings = [kept.reading for kept in air_readings_of(session, site_id, since_utc=first_utc)]
        if readings:
            return readings
        raise Refused(
            "What was observed is needed: readings of the site's thermometer (`frostshift thermometer`), or "
            "--observed FILE.csv with columns time_utc and air_c or air_f."
        )
    read = read_observed(_read(file, OBSERVED_FILE_BYTES), file.name)
    _refuse_errors(file.name, read.errors, read.error_count)
    for warning in read.warnings:
        print(f"! {warning}", file=sys.stderr)
    return read.readings


# Pages ----------------------------------------------------------------------------------------------------------------


@app.command()
def serve(
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="port; without it the setting's")] = None,
) -> None:
    """Serve the pages on this machine and keep forecasts and plans up to date until stopped."""
    with _opened() as (settings, engine, jobs):
        check_tables(engine)
        if settings.contact is None:
            print("No forecast is pulled: weather services want a contact, set FROSTSHIFT_CONTACT.", file=sys.stderr)
        _serve(settings, engine, jobs, port or settings.port)


def _serve(settings: Settings, engine: Engine, jobs: Jobs, port: int) -> None:
    # On demand: the web takes a third of a second that the other commands need not wait for.
    import uvicorn

    from frostshift_service.app import create_app

    log.setLevel(settings.log_level.upper())
    # Taken before anything starts: a port that is in use is one line.
    try:
        family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
        listening = socket.create_server((settings.host, port), family=family)
    except OSError as error:
        reason = os.strerror(error.errno or 0)
        raise Refused(f"Port {port} cannot be used ({reason}): choose another with --port.") from error
    web = create_app(settings, engine, utc_now, jobs, start=jobs.start, stop=jobs.stop)
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    base = f"http://{host}:{port}"

    def say_link() -> None:
        print(f"Open, once: {base}{web.state.door.new_link()}", flush=True)

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            say_link()
            print("Press Enter for another link, Ctrl+C to stop.", flush=True)

    def more_links() -> None:
        for _ in sys.stdin:
            say_link()

    if sys.stdin is not None and sys.stdin.isatty():
        threading.Thread(target=more_links, daemon=True).start()
    server = Server(uvicorn.Config(web, log_level="warning", access_log=False))
    with listening, suppress(KeyboardInterrupt):
        server.run([listening])


@app.command("demo")
def demo_command(
    data: Annotated[Path | None, typer.Option(help="directory for the demo's data; without it the usual one")] = None,
    no_serve: Annotated[bool, typer.Option("--no-serve", help="print tomorrow's workload and stop")] = False,
    port: Annotated[int | None, typer.Option(min=1, max=65535)] = None,
) -> None:
    """Load an invented winter job with a cold front tonight, print tomorrow's workload, serve the pages."""
    base = load_settings()
    folder = (data or base.data_dir / "demo").expanduser().absolute()
    settings = base.model_copy(
        update={"data_dir": folder, "database_url": f"sqlite:///{(folder / 'demo.db').as_posix()}", "contact": None}
    )
    now = utc_now()
    with _opened(settings) as (_, engine, jobs):
        check_tables(engine)
        load_demo(engine, jobs, settings, now)
        print(sheet_text(_sheet(engine, jobs, demo.SITE_ID, "tomorrow", 2)))
        if not no_serve:
            print()
            _serve(settings, engine, jobs, port or settings.port)


def load_demo(engine: Engine, jobs: Jobs, settings: Settings, now: datetime) -> None:
    """The demo's site, schedule and forecast, each through the door that a real one takes."""
    with writing(engine) as session:
        save_site(session, demo.demo_site(now), show_units=demo.SHOW_UNITS, feed="file")
    _take_schedule(engine, settings, demo.SITE_ID, demo.demo_schedule(now), "schedule.csv", now)
    payload = settings.data_dir / "forecast.json"
    payload.write_bytes(demo.demo_payload(now))
    jobs.take_payload(demo.SITE_ID, payload)


app.command()(case)


if __name__ == "__main__":
    main()
