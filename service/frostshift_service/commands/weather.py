"""The commands around the forecast: pull it, print it, score it, and the thermometer at the site."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.air_correction import AIR_LIMITS_C
from frostshift_rules.forecast_scores import hourly_air_c
from frostshift_rules.job import AirReading
from frostshift_service import clock
from frostshift_service.commands.line import (
    BY,
    Refused,
    SiteOption,
    opened,
    print_json,
    read_at,
    read_bytes,
    refuse_errors,
    site_id_of,
    typed_c,
)
from frostshift_service.observed_file import MAX_BYTES as OBSERVED_FILE_BYTES
from frostshift_service.observed_file import read_observed
from frostshift_service.pulls import feeds_of, standings
from frostshift_service.store import history
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.forecasts import forecast_by_id
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.store.thermometer import add_token, add_typed, air_readings_of, revoke_token, tokens_of
from frostshift_service.views.desk import Desk
from frostshift_service.views.scores import LEADS_H, scores_text, scores_view
from frostshift_service.views.show import Show, age
from frostshift_service.views.terminal import weather_text
from frostshift_service.weather import Forecast
from frostshift_service.weather.age import freshness
from frostshift_service.weather.order import in_use

thermometer_app = typer.Typer(
    help="The thermometer at the site: tokens for devices, readings by hand.", no_args_is_help=True
)


def pull(
    file: Annotated[Path | None, typer.Option(help="take the forecast from a file with one feed's payload")] = None,
    site: SiteOption = None,
) -> None:
    """Ask the weather service for a new forecast and plan again."""
    with opened() as (_, engine, jobs):
        site_id = site_id_of(engine, site)
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
    service = forecast.service or forecast.feed
    found = freshness(forecast.issued_utc, forecast.fetched_utc, None, service, clock.utc_now())
    if found.state == "fresh":
        return
    when = f"issued {age(abs(found.age_h))} {'ago' if found.age_h >= 0.0 else 'from now'}"
    print(f"! {when}: " + ("late, doubt grows" if found.state == "late" else "not used, every joint is unknown"))


def _what_stays(engine: Engine, site_id: str) -> str:
    with reading(engine) as session:
        used = in_use(standings(session, load_site(session, site_id), clock.utc_now()))
        last = None if used.forecast_id is None else forecast_by_id(session, used.forecast_id)
    if last is None:
        return "There is no earlier forecast: every joint is unknown."
    return f"The last good forecast stays, fetched {last.fetched_utc:%Y-%m-%d %H:%M} UTC."


def weather(
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's, with every hour")] = False,
    site: SiteOption = None,
) -> None:
    """Print the forecast that the plan is made from, and how it stands with the weather services."""
    with opened() as (_, engine, jobs):
        found = Desk(engine, jobs, clock.utc_now).weather(site_id_of(engine, site), all_hours=as_json)
    if as_json:
        print_json(found)
    else:
        print(weather_text(found))


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
    now = clock.utc_now()
    last_utc = now.replace(minute=0, second=0, microsecond=0)
    first_utc = last_utc - timedelta(days=days)
    with opened() as (_, engine, _jobs), reading(engine) as session:
        found = load_site(session, site_id_of(engine, site))
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
        print_json(page)
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
    read = read_observed(read_bytes(file, OBSERVED_FILE_BYTES), file.name)
    refuse_errors(file.name, read.errors, read.error_count)
    for warning in read.warnings:
        print(f"! {warning}", file=sys.stderr)
    return read.readings


@thermometer_app.command("token")
def thermometer_token(name: str, site: SiteOption = None) -> None:
    """Make a token with which the device NAME may post air readings; it is printed this once."""
    with opened() as (_, engine, _jobs):
        site_id = site_id_of(engine, site)
        with writing(engine) as session:
            secret = add_token(session, site_id, name, now=clock.utc_now())
        print(f"Token of {name.strip()}, shown only now: {secret}")
        print(f"The device posts to /sites/{site_id}/thermometer with the header Authorization: Bearer TOKEN.")


@thermometer_app.command("tokens")
def thermometer_tokens(site: SiteOption = None) -> None:
    """The tokens of a site: number, name, whether it counts, when it was last used."""
    with opened() as (_, engine, _jobs):
        site_id = site_id_of(engine, site)
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
    with opened() as (_, engine, _jobs):
        site_id = site_id_of(engine, site)
        with writing(engine) as session:
            revoked = revoke_token(session, site_id, token, now=clock.utc_now())
        print(f"Token {revoked.id}, {revoked.name}, counts no more.")


@thermometer_app.command("add", context_settings={"ignore_unknown_options": True})  # -3C is a temperature, no option
def thermometer_add(
    temperature: Annotated[str, typer.Argument(help="with its unit, such as 9F or -12.5C")],
    at: Annotated[str | None, typer.Option(help="when, by the site's clock: 06:10 or 2026-01-15 06:10")] = None,
    by: Annotated[str, typer.Option(help="who read it")] = BY,
    site: SiteOption = None,
) -> None:
    """Write down the air temperature at the site, read in the shade, away from walls and heaters."""
    air_c = typed_c(temperature)
    low, high = AIR_LIMITS_C
    if not low <= air_c <= high:
        raise Refused(f"temperature {temperature!r}: the air lies within {low:g} to {high:g} °C")
    with opened() as (_, engine, jobs):
        site_id = site_id_of(engine, site)
        with reading(engine) as session:
            zone = load_site(session, site_id).site.zone
        at_utc = read_at(at, zone, clock.utc_now())
        with writing(engine) as session:
            add_typed(session, site_id, AirReading(air_c, at_utc), by=by.strip() or BY)
        jobs.replan(site_id)
        print(f"Air at {site_id}: {temperature.strip()} noted.")
