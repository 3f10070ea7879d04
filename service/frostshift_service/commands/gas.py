"""The command `frostshift gas`: what to order by when, what each shift takes, how many cylinders feed together."""

from __future__ import annotations

from typing import Annotated

import typer

from frostshift_service import clock
from frostshift_service.commands.line import Refused, SiteOption, opened, print_csv, print_json, site_id_of
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import order_table
from frostshift_service.views.gas_text import gas_text


def gas(
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="the order as CSV")] = False,
    site: SiteOption = None,
) -> None:
    """Print the gas order, the gas of the next shifts and the cylinders that have to feed together."""
    if as_json and as_csv:
        raise Refused("--json and --csv: one of them.")
    with opened() as (_, engine, jobs):
        found = Desk(engine, jobs, clock.utc_now).gas(site_id_of(engine, site))
    if as_json:
        print_json(found)
    elif as_csv:
        print_csv(order_table(found))
    else:
        print(gas_text(found))
