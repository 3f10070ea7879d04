"""What the commands share: the store opened, files read and written, words of the command line as values."""

from __future__ import annotations

import codecs
import random
import re
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Annotated, Final, Literal
from zoneinfo import ZoneInfo

import typer
from pydantic import TypeAdapter
from sqlalchemy import Engine

from frostshift_rules.air_correction import AHEAD
from frostshift_rules.units import c_from_f
from frostshift_service import __version__, clock
from frostshift_service.air_post import OLDEST
from frostshift_service.http import bind, make_client, make_sending_client
from frostshift_service.jobs import Jobs
from frostshift_service.notice_work import wiring
from frostshift_service.schedule_file import CellError
from frostshift_service.senders import Senders
from frostshift_service.senders.channels import senders_with
from frostshift_service.settings import Settings, load_settings
from frostshift_service.store.engine import open_store, reading
from frostshift_service.store.records import KeptSite
from frostshift_service.store.sites import load_site, load_sites
from frostshift_service.typed import ClockChange, local_moment
from frostshift_service.views.files import Table, csv_bytes
from frostshift_service.views.show import plural
from frostshift_service.weather.feeds import feeds_with
from frostshift_service.weather.open_meteo_api import access_of

BY: Final = "command line"

SiteOption = Annotated[str | None, typer.Option("--site", help="id of the site; may be left out where there is one")]


class Refused(Exception):
    """What was asked cannot be done; the message is for people."""


@contextmanager
def opened(settings: Settings | None = None, *, sending: bool = False) -> Iterator[tuple[Settings, Engine, Jobs]]:
    """The settings, the store and its jobs for the length of a command; `sending`: notices go out."""
    settings = settings or load_settings()
    with ExitStack() as closing:
        engine = open_store(settings.database_url)
        closing.callback(engine.dispose)
        get = None
        if settings.contact:
            client = make_client(settings.contact, __version__, private_hosts=settings.private_hosts())
            closing.callback(client.close)
            get = partial(bind, client)
        jobs = Jobs(
            engine,
            clock.utc_now,
            get=get,
            jitter=random.random,
            feeds=feeds_with(access_of(settings)),
            senders=closing.enter_context(senders_of(settings)) if sending else None,
            wiring=wiring(settings.pages_url, clock.utc_now),
        )
        yield settings, engine, jobs


@contextmanager
def senders_of(settings: Settings) -> Iterator[Senders]:
    """The senders that the settings allow, for the length of a command."""
    with make_sending_client(__version__) as client:
        yield senders_with(settings, client)


def site_id_of(engine: Engine, wanted: str | None) -> str:
    """The site that is meant: the one named, or the only one there is.

    Raises:
        Refused: there is none, or more than one.
    """
    if wanted is not None:
        return wanted
    with reading(engine) as session:
        ids = [one.site.id for one in load_sites(session)]
    if len(ids) == 1:
        return ids[0]
    if not ids:
        raise Refused("There is no site yet: `frostshift site template FILE`, edit it, `frostshift site load FILE`.")
    raise Refused(f"Say which site with --site; there are {', '.join(ids)}.")


def kept_site(site: str | None) -> KeptSite:
    """The site that is meant, as it is kept; errors as `site_id_of`."""
    with opened() as (_, engine, _jobs), reading(engine) as session:
        return load_site(session, site_id_of(engine, site))


def units_of(site: KeptSite) -> Literal["us", "si"]:
    """The units that files of a site are written in."""
    return "si" if site.show_units == "si" else "us"


def read_bytes(path: Path, most_bytes: int) -> bytes:
    """A file of at most so many bytes.

    Raises:
        Refused: it cannot be read or is larger.
    """
    try:
        with path.open("rb") as file:
            data = file.read(most_bytes + 1)
    except OSError as error:
        raise Refused(f"{path}: cannot be read: {error.strerror}") from error
    if len(data) > most_bytes:
        raise Refused(f"{path}: larger than {most_bytes / 1e6:g} MB; nothing was taken in")
    return data


def refuse_to_replace(path: Path) -> None:
    """Refuse where there is a file of that name already."""
    if path.exists():
        raise Refused(f"{path} is there already and stays as it is.")


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet, and say so; errors as `refuse_to_replace`."""
    refuse_to_replace(path)
    try:
        path.write_bytes(data)
    except OSError as error:
        raise Refused(f"{path}: cannot be written: {error.strerror}") from error
    print(f"Wrote {path}.")


def print_bytes(data: bytes) -> None:
    """For programs: UTF-8 and line ends as they are, whatever the terminal's own."""
    sys.stdout.flush()
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()


def print_json(page: object) -> None:
    """A view as JSON, the same as the page's."""
    print_bytes(TypeAdapter(type(page)).dump_json(page, indent=1) + b"\n")


def print_csv(table: Table) -> None:
    """A table as CSV, without the mark that spreadsheets want."""
    print_bytes(csv_bytes(table).removeprefix(codecs.BOM_UTF8))


def refuse_errors(name: str, errors: Sequence[CellError], count: int) -> None:
    """Refuse a file with its errors, where it has any."""
    if errors:
        more = count - len(errors)
        lines = [f"{name}: nothing was taken in, {plural(count, 'error')}:", *(f"  {error}" for error in errors)]
        raise Refused("\n".join([*lines, *([f"  and {more} more"] if more else [])]))


def typed_c(temperature: str) -> float:
    """A typed temperature with its unit [°C]."""
    match = re.fullmatch(r"\s*([+-]?\d{1,3}(?:\.\d)?)\s*°?\s*([FfCc])\s*", temperature)
    if match is None:
        raise Refused(f"temperature {temperature!r}: expected a number with its unit, such as 28F or -3C")
    return float(match[1]) if match[2] in "Cc" else c_from_f(float(match[1]))


def typed_at(text: str, zone: str, now: datetime) -> datetime:
    """A typed time, whenever it was; errors as `read_at`."""
    try:
        return local_moment(text, zone, now)
    except ClockChange as error:
        raise Refused(f"--at {text!r}: {error}; write it with its offset, such as 2026-11-01T01:30-05:00") from error
    except ValueError as error:
        raise Refused(f"--at {text!r}: expected a time such as 06:10 or 2026-01-15 06:10") from error


def read_at(text: str | None, zone: str, now: datetime) -> datetime:
    """When something was read: now, a time of today, or a date and time, by the site's clock or with its offset."""
    if text is None:
        return now
    at_utc = typed_at(text, zone, now)
    if not now - OLDEST <= at_utc <= now + AHEAD:
        raise Refused(f"--at {text!r}: expected a time within the last {OLDEST.days} days")
    return at_utc


def read_day(text: str | None, zone: str, now: datetime) -> date | None:
    """A day as typed: today, tomorrow or a date; None where none is typed."""
    today = now.astimezone(ZoneInfo(zone)).date()
    if text is None:
        return None
    if text in ("today", "tomorrow"):
        return today + timedelta(days=text == "tomorrow")
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise Refused(f"day {text!r}: expected today, tomorrow or a date such as 2026-12-01") from error
