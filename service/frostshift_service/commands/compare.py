"""The command `frostshift compare`: ways of heating some joints, or those of a shift, side by side."""

from __future__ import annotations

from typing import Annotated

import typer

from frostshift_service import clock
from frostshift_service.commands.line import Refused, SiteOption, opened, print_csv, print_json, site_id_of
from frostshift_service.views.compare_text import compare_text
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import compare_table


def compare(
    joint: Annotated[list[str] | None, typer.Option(help="mark of a joint; several are allowed")] = None,
    shift: Annotated[str | None, typer.Option(help="all joints of a shift, such as '2026-12-17 Day'")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="every figure a line, as CSV")] = False,
    site: SiteOption = None,
) -> None:
    """Print torch fuels and electric heat side by side: time, hands, gas, current, cylinders, cost."""
    if as_json and as_csv:
        raise Refused("--json and --csv: one of them.")
    if not joint and shift is None:
        raise Refused("Say what to compare: --joint MARK, once or several times, or --shift 'DAY NAME'.")
    with opened() as (_, engine, jobs):
        found = Desk(engine, jobs, clock.utc_now).compare(site_id_of(engine, site), joint or [], shift)
    if as_json:
        print_json(found)
    elif as_csv:
        print_csv(compare_table(found))
    else:
        print(compare_text(found))
