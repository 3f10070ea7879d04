"""The command `frostshift hours`: the next hours without heat and the cheapest start of some joints."""

from __future__ import annotations

from typing import Annotated

import typer

from frostshift_rules.start_hours import HOURS, MOST_SHIFTS_AHEAD
from frostshift_service import clock
from frostshift_service.commands.line import Refused, SiteOption, opened, print_csv, print_json, site_id_of
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import hours_table
from frostshift_service.views.hours_text import hours_text
from frostshift_service.views.start_hours import SHIFTS_AHEAD, HoursAsked


def hours(
    mark: Annotated[list[str] | None, typer.Argument(help="marks of joints; none: by crew and text")] = None,
    crew: Annotated[str | None, typer.Option(help="joints of a crew; '-': joints without one")] = None,
    text: Annotated[str, typer.Option(help="part of a mark or place, such as a level")] = "",
    shifts: Annotated[
        int, typer.Option(help="shifts in which the cheapest start is looked for", min=1, max=MOST_SHIFTS_AHEAD)
    ] = SHIFTS_AHEAD,
    ahead: Annotated[int, typer.Option(help="hours ahead that are shown", min=6, max=HOURS)] = HOURS,
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="a line for every joint and hour, as CSV")] = False,
    site: SiteOption = None,
) -> None:
    """Print when joints need no heat, and the cheapest start within the next shifts."""
    if as_json and as_csv:
        raise Refused("--json and --csv: one of them.")
    if not mark and crew is None and not text.strip():
        raise Refused(
            "Say which joints: frostshift hours MARK, once or several times, or --crew NAME, or --text LEVEL."
        )
    if mark and (crew is not None or text.strip()):
        raise Refused("Marks, or --crew and --text: one of them.")
    asked = HoursAsked(
        marks=tuple(dict.fromkeys(mark or ())),
        crew="" if crew == "-" else crew,
        text=text,
        span_h=ahead,
        shifts=shifts,
        part=0,
    )
    with opened() as (_, engine, jobs):
        page = Desk(engine, jobs, clock.utc_now).hours(site_id_of(engine, site), asked)
    if as_json:
        print_json(page)
    elif as_csv:
        print_csv(hours_table(page))
    else:
        print(hours_text(page))
