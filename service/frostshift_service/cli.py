"""The `frostshift` command: puts the commands together, prints the sheet, serves the pages, runs the demo."""

from __future__ import annotations

import io
import logging
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Annotated, Final

import typer
from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from frostshift_rules.strict import TableError
from frostshift_service import clock, demo
from frostshift_service.commands.accounts import account_app, base_url, mailer_of, sign_in
from frostshift_service.commands.backup import backup, restore
from frostshift_service.commands.case import case
from frostshift_service.commands.compare import compare
from frostshift_service.commands.doctor import doctor
from frostshift_service.commands.gas import gas
from frostshift_service.commands.hours import hours
from frostshift_service.commands.line import Refused, SiteOption, opened, print_csv, print_json, read_day, site_id_of
from frostshift_service.commands.order import order
from frostshift_service.commands.people import notices_app, people_app
from frostshift_service.commands.schedule import reading_command, schedule_app, take_schedule
from frostshift_service.commands.sites import procedures_app, site_app, tables_app
from frostshift_service.commands.stock import stock_app
from frostshift_service.commands.tidy import tidy_command
from frostshift_service.commands.weather import pull, scores, thermometer_app, weather
from frostshift_service.http import HttpError
from frostshift_service.jobs import Jobs, check_tables
from frostshift_service.log_lines import write_log
from frostshift_service.memory import share_pools
from frostshift_service.settings import Settings, SettingsError, load_settings
from frostshift_service.site_file import SiteFileError
from frostshift_service.stock_form import contents_of, kinds_of
from frostshift_service.store.accounts import any_owner_signs_in
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.notices import save_setup
from frostshift_service.store.records import StoreError
from frostshift_service.store.sites import load_site, save_site
from frostshift_service.store.stock import add_entry, entries_of
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import sheet_table
from frostshift_service.views.sheet import MorningSheet
from frostshift_service.views.terminal import sheet_text
from frostshift_service.weather import FeedError

log = logging.getLogger("frostshift_service")

STOP_WITHIN_S: Final = 20.0
"""A stop takes no longer. What stops us (systemd, a container engine) has to wait a little longer than this."""
ANSWER_WITHIN_S: Final = 5
"""Requests that are being answered when we are stopped have so long."""

app = typer.Typer(
    name="frostshift",
    help="Preheat workload of a winter steel job: which joints need heat, when to light up, how much gas.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)
app.add_typer(site_app, name="site")
app.add_typer(tables_app, name="tables")
app.add_typer(procedures_app, name="procedures")
app.add_typer(schedule_app, name="schedule")
app.add_typer(thermometer_app, name="thermometer")
app.add_typer(stock_app, name="stock")
app.add_typer(people_app, name="people")
app.add_typer(notices_app, name="notices")
app.add_typer(account_app, name="account")
NUMBERS_MAY_BE_NEGATIVE = {"ignore_unknown_options": True}
"""-3C is a temperature, no option."""
app.command()(pull)
app.command("reading", context_settings=NUMBERS_MAY_BE_NEGATIVE)(reading_command)
app.command()(weather)
app.command()(scores)
app.command()(gas)
app.command()(compare)
app.command()(hours)
app.command()(order)
app.command()(case)
app.command()(doctor)
app.command("sign-in")(sign_in)
app.command()(backup)
app.command()(restore)
app.command("tidy")(tidy_command)


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


def printed_sheet(engine: Engine, jobs: Jobs, site_id: str, day: str | None, shifts: int) -> MorningSheet:
    """The sheet of a day, its plan kept as a printed one."""
    now = clock.utc_now()
    with reading(engine) as session:
        zone = load_site(session, site_id).site.zone
    jobs.current_plan(site_id, "printed")
    return Desk(engine, jobs, clock.utc_now).morning(site_id, read_day(day, zone, now), shifts)


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
    with opened() as (_, engine, jobs):
        found = printed_sheet(engine, jobs, site_id_of(engine, site), day, shifts)
    if as_json:
        print_json(found)
    elif as_csv:
        print_csv(sheet_table(found))
    else:
        print(sheet_text(found))


@app.command()
def serve(
    port: Annotated[int | None, typer.Option(min=1, max=65535, help="port; without it the setting's")] = None,
) -> None:
    """Serve the pages on this machine, keep forecasts and plans up to date and tell people, until stopped."""
    signal.signal(signal.SIGTERM, _leave)
    with opened(sending=True) as (settings, engine, jobs):
        check_tables(engine)
        write_log(settings.log_format, settings.log_level, settings.secret_values())
        if settings.contact is None:
            log.warning("no forecast is pulled: weather services want a contact, set FROSTSHIFT_CONTACT")
        _serve(settings, engine, jobs, port or settings.port)


def _leave(_signal: int, _frame: object) -> None:
    """SIGTERM ends us as the end of the work does, wherever we are: open transactions are rolled back, exit code 0."""
    sys.exit(0)


def _cut_off() -> None:
    """End at once. Nothing is half: what was not committed is done again, by another copy or at the next start."""
    log.warning("still at work %g s after we were stopped: cut off, to be done again", STOP_WITHIN_S)
    os._exit(0)


def _listening(host: str, port: int) -> socket.socket:
    """The port, taken; one that is in use is one line."""
    try:
        return socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET)
    except OSError as error:
        reason = os.strerror(error.errno or 0)
        raise Refused(f"Port {port} cannot be used ({reason}): choose another with --port.") from error


def _links_on_enter(say_link: Callable[[], None]) -> None:
    """A link for every Enter, where there is a terminal."""

    def more_links() -> None:
        for _ in sys.stdin:
            say_link()

    if sys.stdin is not None and sys.stdin.isatty():
        threading.Thread(target=more_links, daemon=True).start()


def _serve(settings: Settings, engine: Engine, jobs: Jobs, port: int, *, always_a_link: bool = False) -> None:
    # On demand: the web takes a third of a second that the other commands need not wait for.
    import uvicorn

    from frostshift_service.app import create_app
    from frostshift_service.connections import server_config

    share_pools()
    listening = _listening(settings.host, port)  # before anything starts
    web = create_app(
        settings,
        engine,
        clock.utc_now,
        jobs,
        mailer=mailer_of(settings),
        start=jobs.start,
        stop=jobs.stop,
        still_s=jobs.still_s,
    )
    base = base_url(settings, port)

    def say_link() -> None:
        print(f"Open, once: {base}{web.state.door.new_link()}", flush=True)

    def say_where() -> None:
        with reading(engine) as session:
            known = any_owner_signs_in(session)
        if known and not always_a_link:
            print(f"Sign in at {base}", flush=True)
        elif settings.log_format == "json":
            print(f"Nobody can sign in at {base} yet: `frostshift sign-in` makes a link.", flush=True)
        else:
            say_link()

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            say_where()
            if settings.log_format == "text":
                print("Press Enter for a one-time link that signs in as owner, Ctrl+C to stop.", flush=True)

        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            # Threads at work (a plan, a slow weather service) cannot be cancelled, and Python waits for them.
            longest = threading.Timer(STOP_WITHIN_S, _cut_off)
            longest.daemon = True
            longest.start()
            await super().shutdown(sockets)

    if settings.log_format == "text":
        _links_on_enter(say_link)
    server = Server(server_config(web, timeout_graceful_shutdown=ANSWER_WITHIN_S))
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
    off = dict.fromkeys(("contact", "smtp_url", "mail_from", "pages_url"))  # nothing is asked of anybody, or sent
    settings = base.model_copy(
        update={"data_dir": folder, "database_url": f"sqlite:///{(folder / 'demo.db').as_posix()}", **off}
    )
    now = clock.utc_now()
    signal.signal(signal.SIGTERM, _leave)
    with opened(settings) as (_, engine, jobs):
        check_tables(engine)
        load_demo(engine, jobs, settings, now)
        print(sheet_text(printed_sheet(engine, jobs, demo.SITE_ID, "tomorrow", 2)))
        if not no_serve:
            # A terminal that shows a tour is no log: every page would be a line, unless that was asked for.
            level = settings.log_level if "log_level" in base.model_fields_set else "warning"
            write_log(settings.log_format, level, settings.secret_values())
            print()
            _serve(settings, engine, jobs, port or settings.port, always_a_link=True)


def load_demo(engine: Engine, jobs: Jobs, settings: Settings, now: datetime) -> None:
    """The demo's site, schedule and forecast, each through the door that a real one takes."""
    with writing(engine) as session:
        save_site(session, demo.demo_site(now), show_units=demo.SHOW_UNITS, feed="file")
    take_schedule(engine, settings, demo.SITE_ID, demo.demo_schedule(now), "schedule.csv", now)
    with writing(engine) as session:
        if not entries_of(session, demo.SITE_ID):  # the demo is started again and again
            contents = contents_of(kinds_of(demo.demo_site(now)))
            for number, entry in enumerate(demo.demo_stock(now)):
                add_entry(session, demo.SITE_ID, entry, entry_key=f"demo-{number}", contents_kg=contents, now=now)
    payload = settings.data_dir / "forecast.json"
    payload.write_bytes(demo.demo_payload(now))
    jobs.take_payload(demo.SITE_ID, payload)
    with writing(engine) as session:
        save_setup(session, demo.SITE_ID, demo.demo_people(), now=now)
    jobs.decide(demo.SITE_ID)


if __name__ == "__main__":
    main()
