"""The commands around the joints: their schedule, and a temperature measured on one."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import Engine

from frostshift_rules.job import Reading
from frostshift_service import clock
from frostshift_service.commands.line import (
    BY,
    Refused,
    SiteOption,
    opened,
    read_bytes,
    refuse_errors,
    site_id_of,
    typed_c,
    write_new,
)
from frostshift_service.schedule_file import read_schedule, template_csv, template_xlsx
from frostshift_service.settings import Settings
from frostshift_service.store import joints as kept
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.readings import LIMITS_C, add_reading
from frostshift_service.store.records import ScheduleImport
from frostshift_service.store.sites import load_site
from frostshift_service.views.show import plural

schedule_app = typer.Typer(help="Load a schedule of joints.", no_args_is_help=True)


@schedule_app.command("template")
def schedule_template(file: Path) -> None:
    """Write an empty schedule to fill in: FILE.csv, or FILE.xlsx with a page that explains the columns."""
    kinds = {".csv": template_csv, ".xlsx": template_xlsx}
    if file.suffix.lower() not in kinds:
        raise Refused(f"{file}: expected a name that ends in .csv or .xlsx")
    write_new(file, kinds[file.suffix.lower()]())


@schedule_app.command("load")
def schedule_load(file: Path, site: SiteOption = None) -> None:
    """Take in a schedule (CSV or XLSX): all of it, or none where a row cannot be read."""
    with opened() as (settings, engine, jobs):
        site_id = site_id_of(engine, site)
        data = read_bytes(file, settings.schedule_bytes)
        taken = take_schedule(engine, settings, site_id, data, file.name, clock.utc_now())
        jobs.replan(site_id)
        print(f"{plural(taken.joints, 'joint')}: {len(taken.added)} new, {len(taken.changed)} changed.")
        if taken.vanished:
            print(f"No longer in the schedule: {', '.join(taken.vanished)}.")
        if taken.moves_undone:
            print(f"Moved by hand before, now as the schedule says: {', '.join(taken.moves_undone)}.")


def take_schedule(
    engine: Engine, settings: Settings, site_id: str, data: bytes, name: str, now: datetime
) -> ScheduleImport:
    """Take in a schedule, all of it or nothing, and print what to know of it."""
    with reading(engine) as session:
        found = load_site(session, site_id)
    read = read_schedule(data, name, found.site, now, settings.schedule_bytes, settings.schedule_rows)
    refuse_errors(name, read.errors, read.error_count)
    for warning in read.warnings:
        print(f"! {warning}")
    for item in read.joints:
        for problem in item.problems:
            print(f"! row {item.row}, {item.joint.mark}: {problem}")
    with writing(engine) as session:
        return kept.import_joints(session, site_id, list(read.joints), now=now, file_name=name, by=BY)


def reading_command(
    mark: str,
    temperature: Annotated[str, typer.Argument(help="with its unit, such as 28F or -3C")],
    instrument: Annotated[str, typer.Option(help="what it was measured with")] = "",
    site: SiteOption = None,
) -> None:
    """Write down the temperature measured just now on a joint's steel, before any heat."""
    steel_c = typed_c(temperature)
    low, high = LIMITS_C["before_heat"]
    if not low <= steel_c <= high:
        raise Refused(f"temperature {temperature!r}: steel before any heat lies within {low:g} to {high:g} °C")
    with opened() as (_, engine, jobs):
        site_id = site_id_of(engine, site)
        with writing(engine) as session:
            now = clock.utc_now()
            add_reading(session, site_id, Reading(mark, steel_c, now, instrument, BY), now=now, entered_by=BY)
        jobs.replan(site_id)
        print(f"{mark}: {temperature.strip()} noted; the plan goes on from it.")
